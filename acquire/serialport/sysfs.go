package serialport

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Info describes a serial port of the system.
type Info struct {
	// Path is the device file.
	Path string
	// Driver is the kernel's name for the driver, "" when there is none.
	Driver string
	// VID, PID (four hexadecimal digits), Serial, Manufacturer and Product
	// identify the USB adapter; all are empty for other ports.
	VID, PID, Serial, Manufacturer, Product string
	// ByID holds the stable links to the device under serial/by-id.
	ByID []string
}

// USBName returns the name under which the adapter is found on any socket, such
// as "usb:0403:6001:A1", and "" for a port that is not on USB.
func (i Info) USBName() string {
	if i.VID == "" {
		return ""
	}
	name := "usb:" + i.VID + ":" + i.PID
	if i.Serial != "" {
		name += ":" + i.Serial
	}
	return name
}

// List returns the serial ports that the device tree under sysfsRoot ("" is
// /sys) shows, with device files under devRoot ("" is /dev), in order of path.
// It opens no port. Placeholders (ttyS* without hardware) and terminals that are
// no serial lines are left out.
func List(sysfsRoot, devRoot string) ([]Info, error) {
	sysfsRoot, devRoot = roots(sysfsRoot, devRoot)
	class := filepath.Join(sysfsRoot, "class", "tty")
	entries, err := os.ReadDir(class)
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	links := byID(devRoot)
	var ports []Info
	for _, e := range entries {
		dir := filepath.Join(class, e.Name())
		device, err := filepath.EvalSymlinks(filepath.Join(dir, "device"))
		if err != nil {
			continue // no hardware behind it: consoles, ptys
		}
		if strings.HasPrefix(e.Name(), "ttyS") && attribute(dir, "type") == "0" {
			continue // a placeholder: the UART is not there
		}
		p := Info{Path: filepath.Join(devRoot, e.Name()), ByID: links[e.Name()]}
		if driver, err := os.Readlink(filepath.Join(device, "driver")); err == nil {
			p.Driver = filepath.Base(driver)
		}
		// The identity is some folders up: port, interface, USB device.
		for d := device; len(d) > len(sysfsRoot); d = filepath.Dir(d) {
			if vid := attribute(d, "idVendor"); vid != "" {
				p.VID, p.PID = strings.ToLower(vid), strings.ToLower(attribute(d, "idProduct"))
				p.Serial = attribute(d, "serial")
				p.Manufacturer, p.Product = attribute(d, "manufacturer"), attribute(d, "product")
				break
			}
		}
		ports = append(ports, p)
	}
	slices.SortFunc(ports, func(a, b Info) int { return strings.Compare(a.Path, b.Path) })
	return ports, nil
}

func roots(sysfsRoot, devRoot string) (string, string) {
	if sysfsRoot == "" {
		sysfsRoot = "/sys"
	}
	if devRoot == "" {
		devRoot = "/dev"
	}
	// Links within the tree are resolved; so must be what they are compared with.
	if real, err := filepath.EvalSymlinks(sysfsRoot); err == nil {
		sysfsRoot = real
	}
	return sysfsRoot, devRoot
}

// attribute reads one attribute of the device tree, "" when it is not there.
func attribute(dir, name string) string {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// byID maps the name of a device to the links under serial/by-id that lead to
// it.
func byID(devRoot string) map[string][]string {
	links := map[string][]string{}
	dir := filepath.Join(devRoot, "serial", "by-id")
	entries, err := os.ReadDir(dir)
	if err != nil {
		return links // no such folder without a USB adapter
	}
	for _, e := range entries {
		link := filepath.Join(dir, e.Name())
		if target, err := os.Readlink(link); err == nil {
			name := filepath.Base(target)
			links[name] = append(links[name], link)
		}
	}
	return links
}

// usbPrefix begins a port name that is a USB identity.
const usbPrefix = "usb:"

// usbIdentity is a parsed "usb:VID:PID[:SERIAL]".
type usbIdentity struct{ vid, pid, serial string }

func parseUSB(name string) (usbIdentity, error) {
	parts := strings.SplitN(strings.TrimPrefix(name, usbPrefix), ":", 3)
	hex4 := func(s string) bool {
		return len(s) == 4 && strings.IndexFunc(s, func(r rune) bool {
			return !strings.ContainsRune("0123456789abcdefABCDEF", r)
		}) < 0
	}
	if len(parts) < 2 || !hex4(parts[0]) || !hex4(parts[1]) || len(parts) == 3 && parts[2] == "" {
		return usbIdentity{}, fmt.Errorf("port %q: write usb:VID:PID or usb:VID:PID:SERIAL, VID and PID as four hexadecimal digits", name)
	}
	id := usbIdentity{vid: strings.ToLower(parts[0]), pid: strings.ToLower(parts[1])}
	if len(parts) == 3 {
		id.serial = parts[2]
	}
	return id, nil
}

// resolve returns the device file for a configured port name.
func resolve(name, sysfsRoot, devRoot string) (string, error) {
	if !strings.HasPrefix(name, usbPrefix) {
		return name, nil
	}
	id, err := parseUSB(name)
	if err != nil {
		return "", err
	}
	ports, err := List(sysfsRoot, devRoot)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	var found []Info
	for _, p := range ports {
		if p.VID == id.vid && p.PID == id.pid && (id.serial == "" || p.Serial == id.serial) {
			found = append(found, p)
		}
	}
	switch len(found) {
	case 0:
		return "", &PortError{Port: name, Err: fs.ErrNotExist, Text: "no adapter with this identity is plugged in; `ringsaddle ports` shows what is"}
	case 1:
		return found[0].Path, nil
	}
	paths := make([]string, len(found))
	for i, p := range found {
		paths[i] = p.Path
		if p.Serial != "" {
			paths[i] += " (serial " + p.Serial + ")"
		}
	}
	return "", &PortError{Port: name, Err: ErrAmbiguous, Text: fmt.Sprintf(
		"%d ports have this identity: %s; add the serial number, or give the path", len(found), strings.Join(paths, ", "))}
}
