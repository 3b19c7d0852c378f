package serialport_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rs/zerolog"

	"ringsaddle/acquire/serialport"
)

// tree is an invented device tree, laid out as the kernel lays it out.
type tree struct {
	t        testing.TB
	sys, dev string
}

func newTree(t testing.TB) *tree {
	root := t.TempDir()
	tr := &tree{t, filepath.Join(root, "sys"), filepath.Join(root, "dev")}
	tr.mkdir(filepath.Join(tr.sys, "class", "tty"))
	tr.mkdir(tr.dev)
	return tr
}

func (tr *tree) mkdir(dir string) {
	tr.t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		tr.t.Fatal(err)
	}
}

func (tr *tree) write(file, text string) {
	tr.t.Helper()
	tr.mkdir(filepath.Dir(file))
	if err := os.WriteFile(file, []byte(text+"\n"), 0o644); err != nil {
		tr.t.Fatal(err)
	}
}

func (tr *tree) symlink(target, link string) {
	tr.t.Helper()
	tr.mkdir(filepath.Dir(link))
	if err := os.Symlink(target, link); err != nil {
		tr.t.Fatal(err)
	}
}

// usb plugs an adapter into a socket: /sys/class/tty/NAME leads to
// devices/…/USB device/interface/NAME/tty/NAME, the identity is two folders
// above the port.
func (tr *tree) usb(name, socket, vid, pid, serial string) {
	tr.t.Helper()
	usb := filepath.Join(tr.sys, "devices", "pci0", "usb1", socket)
	tr.write(filepath.Join(usb, "idVendor"), vid)
	tr.write(filepath.Join(usb, "idProduct"), pid)
	tr.write(filepath.Join(usb, "manufacturer"), "Invented")
	tr.write(filepath.Join(usb, "product"), "Adapter")
	if serial != "" {
		tr.write(filepath.Join(usb, "serial"), serial)
	}
	port := filepath.Join(usb, socket+":1.0", name)
	node := filepath.Join(port, "tty", name)
	tr.mkdir(node)
	tr.symlink(port, filepath.Join(node, "device"))
	driver := filepath.Join(tr.sys, "bus", "usb-serial", "drivers", "invented_sio")
	tr.mkdir(driver)
	tr.symlink(driver, filepath.Join(port, "driver"))
	tr.symlink(node, filepath.Join(tr.sys, "class", "tty", name))
}

// uart adds a port of the board; type 0 is a placeholder.
func (tr *tree) uart(name, uartType string) {
	tr.t.Helper()
	device := filepath.Join(tr.sys, "devices", "platform", "uart", name)
	node := filepath.Join(device, "tty", name)
	tr.write(filepath.Join(node, "type"), uartType)
	tr.symlink(device, filepath.Join(node, "device"))
	tr.symlink(node, filepath.Join(tr.sys, "class", "tty", name))
}

func (tr *tree) link(name, target string) {
	tr.t.Helper()
	tr.symlink(target, filepath.Join(tr.dev, name))
}

func (tr *tree) unplug(name string) {
	tr.t.Helper()
	for _, path := range []string{filepath.Join(tr.sys, "class", "tty", name), filepath.Join(tr.dev, name)} {
		if err := os.Remove(path); err != nil {
			tr.t.Fatal(err)
		}
	}
}

func TestList(t *testing.T) {
	tr := newTree(t)
	tr.uart("ttyS0", "4")
	tr.uart("ttyS1", "0")
	tr.mkdir(filepath.Join(tr.sys, "class", "tty", "tty0")) // a console: no device behind it
	tr.usb("ttyUSB1", "1-1", "0403", "6001", "A1")
	tr.usb("ttyACM0", "1-2.3", "2341", "00FF", "")
	tr.symlink("../../ttyUSB1", filepath.Join(tr.dev, "serial", "by-id", "usb-Invented_Adapter_A1-if00-port0"))
	got, err := serialport.List(tr.sys, tr.dev)
	if err != nil {
		t.Fatal(err)
	}
	dev := func(name string) string { return filepath.Join(tr.dev, name) }
	want := []serialport.Info{
		{Path: dev("ttyACM0"), Driver: "invented_sio", VID: "2341", PID: "00ff", Manufacturer: "Invented", Product: "Adapter"},
		{Path: dev("ttyS0")},
		{
			Path: dev("ttyUSB1"), Driver: "invented_sio", VID: "0403", PID: "6001", Serial: "A1", Manufacturer: "Invented", Product: "Adapter",
			ByID: []string{dev("serial/by-id/usb-Invented_Adapter_A1-if00-port0")},
		},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("ports (-want +got):\n%s", diff)
	}
	for i, name := range []string{"usb:2341:00ff", "", "usb:0403:6001:A1"} {
		if got[i].USBName() != name {
			t.Errorf("%s is named %q; want %q", got[i].Path, got[i].USBName(), name)
		}
	}
	if _, err := serialport.List(filepath.Join(tr.sys, "nonesuch"), tr.dev); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no device tree: %v", err)
	}
}

func TestTwoAdaptersOfOneIdentity(t *testing.T) {
	tr := newTree(t)
	_, path, _ := openPTY(t)
	tr.usb("ttyUSB0", "1-1", "0403", "6001", "A1")
	tr.usb("ttyUSB1", "1-2", "0403", "6001", "B2")
	tr.link("ttyUSB1", path)
	open := func(port string) error {
		c := config(port)
		c.SysfsRoot, c.DevRoot = tr.sys, tr.dev
		p, err := opener(t, c, zerolog.Nop()).Open(t.Context())
		if err == nil {
			p.Close()
		}
		return err
	}
	err := open("usb:0403:6001")
	if !errors.Is(err, serialport.ErrAmbiguous) || !strings.Contains(err.Error(), "2 ports have this identity") ||
		!strings.Contains(err.Error(), "ttyUSB1 (serial B2)") || strings.Contains(err.Error(), "\n") {
		t.Errorf("without the serial number: %v", err)
	}
	if err := open("usb:0403:6001:B2"); err != nil {
		t.Errorf("with the serial number: %v", err)
	}
	if err := open("usb:0403:6001:A1"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("in the tree but without its device file: %v", err)
	}
}

func TestListOnThisMachine(t *testing.T) {
	ports, err := serialport.List("", "")
	if err != nil {
		t.Fatal(err) // every Linux has /sys/class/tty
	}
	for _, p := range ports {
		if !strings.HasPrefix(p.Path, "/dev/") || strings.HasPrefix(p.Path, "/dev/pts") {
			t.Errorf("listed %+v", p)
		}
	}
}
