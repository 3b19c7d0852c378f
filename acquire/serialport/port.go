package serialport

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"sync"
	"syscall"
	"time"

	"github.com/rs/zerolog"
	"go.bug.st/serial"
	"golang.org/x/sys/unix"

	"ringsaddle/acquire"
)

// Errors to branch on; PortError wraps them. A port that does not exist is
// fs.ErrNotExist, one that may not be used fs.ErrPermission.
var (
	// ErrBusy: another program holds the port.
	ErrBusy = errors.New("port is busy")
	// ErrAmbiguous: several ports have the USB identity.
	ErrAmbiguous = errors.New("port is ambiguous")
	// ErrStuck: a write was not taken within its time.
	ErrStuck = errors.New("write is stuck")
)

// PortError says in one line what is wrong with a port and how to mend it.
type PortError struct {
	// Port is the port as it was configured.
	Port string
	// Text says it for a person.
	Text string
	// Err is the cause.
	Err error
}

func (e *PortError) Error() string { return fmt.Sprintf("port %s: %s", e.Port, e.Text) }
func (e *PortError) Unwrap() error { return e.Err }

// Config names a port and its line settings.
type Config struct {
	// Port is a path or "usb:VID:PID[:SERIAL]". Required.
	Port string `toml:"port"`
	// Baud is the line speed, 50 to 4,000,000.
	Baud int `toml:"baud"`
	// DataBits is 5 to 8, StopBits 1 or 2.
	DataBits int `toml:"data_bits"`
	StopBits int `toml:"stop_bits"`
	// Parity is "none", "odd", "even", "mark" or "space".
	Parity string `toml:"parity"`
	// DTR and RTS are the levels to set after opening: "high", "low", or "" to
	// leave them as the system sets them. Some gauge interfaces are powered from
	// these lines.
	DTR string `toml:"dtr"`
	RTS string `toml:"rts"`
	// WriteTimeout bounds a write; 0 means one second.
	WriteTimeout time.Duration `toml:"-"`
	// SysfsRoot and DevRoot stand in for /sys and /dev.
	SysfsRoot string `toml:"-"`
	DevRoot   string `toml:"-"`
}

// DefaultConfig returns 9600 baud, 8 data bits, no parity, 1 stop bit.
func DefaultConfig() Config {
	return Config{Baud: 9600, DataBits: 8, StopBits: 1, Parity: "none"}
}

// Label names port and line settings for messages, such as
// "/dev/ttyUSB0, 9600 baud 8N1".
func (c Config) Label() string {
	parity := "?"
	if len(c.Parity) > 0 {
		parity = string(c.Parity[0] &^ 0x20)
	}
	return fmt.Sprintf("%s, %d baud %d%s%d", c.Port, c.Baud, c.DataBits, parity, c.StopBits)
}

var parities = map[string]serial.Parity{
	"none": serial.NoParity, "odd": serial.OddParity, "even": serial.EvenParity,
	"mark": serial.MarkParity, "space": serial.SpaceParity,
}

// Validate reports all faults at once.
func (c Config) Validate() error {
	var errs []error
	fault := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if c.Port == "" {
		fault("port: missing; give a path or usb:VID:PID[:SERIAL] (`ringsaddle ports` lists them)")
	} else if len(c.Port) >= len(usbPrefix) && c.Port[:len(usbPrefix)] == usbPrefix {
		if _, err := parseUSB(c.Port); err != nil {
			errs = append(errs, err)
		}
	}
	if c.Baud < 50 || c.Baud > 4_000_000 {
		fault("baud: %d; permitted: 50 to 4000000", c.Baud)
	}
	if c.DataBits < 5 || c.DataBits > 8 {
		fault("data_bits: %d; permitted: 5 to 8", c.DataBits)
	}
	if c.StopBits != 1 && c.StopBits != 2 {
		fault("stop_bits: %d; permitted: 1, 2", c.StopBits)
	}
	if _, ok := parities[c.Parity]; !ok {
		fault(`parity: %q; permitted: "none", "odd", "even", "mark", "space"`, c.Parity)
	}
	for _, line := range []struct{ name, level string }{{"dtr", c.DTR}, {"rts", c.RTS}} {
		if line.level != "" && line.level != "high" && line.level != "low" {
			fault(`%s: %q; permitted: "high", "low", or "" to leave it`, line.name, line.level)
		}
	}
	if c.WriteTimeout < 0 {
		fault("write_timeout: %s is negative", c.WriteTimeout)
	}
	return errors.Join(errs...)
}

// Opener opens one configured port again and again. Its Open is what
// acquire.SourceConfig wants.
type Opener struct {
	cfg Config
	log zerolog.Logger

	once sync.Once // "no modem lines" is said once
}

// NewOpener checks the configuration; it does no I/O.
func NewOpener(cfg Config, log zerolog.Logger) (*Opener, error) {
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	if cfg.WriteTimeout == 0 {
		cfg.WriteTimeout = time.Second
	}
	return &Opener{cfg: cfg, log: log}, nil
}

// Open finds the port, locks it, opens it and drops what was received before.
// The error is a *PortError.
func (o *Opener) Open(ctx context.Context) (acquire.Port, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	path, err := resolve(o.cfg.Port, o.cfg.SysfsRoot, o.cfg.DevRoot)
	if err != nil {
		return nil, err
	}
	lock, err := o.lock(path)
	if err != nil {
		return nil, err
	}
	stop := serial.OneStopBit
	if o.cfg.StopBits == 2 {
		stop = serial.TwoStopBits
	}
	// InitialStatusBits stays nil: with it a device without modem lines cannot
	// be opened at all.
	p, err := serial.Open(path, &serial.Mode{
		BaudRate: o.cfg.Baud, DataBits: o.cfg.DataBits, Parity: parities[o.cfg.Parity], StopBits: stop,
	})
	if err != nil {
		unix.Close(lock)
		return nil, o.explain(path, err)
	}
	port := &Port{path: path, serial: p, lock: lock, writeTimeout: o.cfg.WriteTimeout}
	// What lies in the buffer came before anybody listened; nobody knows when.
	err = p.ResetInputBuffer()
	if err == nil {
		err = o.setLines(p)
	}
	if err != nil {
		port.Close()
		return nil, o.explain(path, err)
	}
	return port, nil
}

// lock opens a second descriptor of the device and locks it.
func (o *Opener) lock(path string) (int, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return -1, o.explain(path, err)
	}
	if _, err := unix.IoctlGetTermios(fd, unix.TCGETS); err != nil {
		unix.Close(fd)
		return -1, &PortError{Port: o.cfg.Port, Err: err, Text: path + " is no serial port"}
	}
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		unix.Close(fd)
		if errors.Is(err, unix.EWOULDBLOCK) {
			err = unix.EBUSY
		}
		return -1, o.explain(path, err)
	}
	return fd, nil
}

// setLines sets DTR and RTS as configured.
func (o *Opener) setLines(p serial.Port) error {
	for _, line := range []struct {
		name, level string
		set         func(bool) error
	}{{"DTR", o.cfg.DTR, p.SetDTR}, {"RTS", o.cfg.RTS, p.SetRTS}} {
		if line.level == "" {
			continue
		}
		err := line.set(line.level == "high")
		if errors.Is(err, syscall.ENOTTY) || errors.Is(err, syscall.EINVAL) {
			o.once.Do(func() {
				o.log.Warn().Str("port", o.cfg.Port).Msg("this port has no modem lines; DTR and RTS are left alone")
			})
			return nil
		}
		if err != nil {
			return fmt.Errorf("set %s %s: %w", line.name, line.level, err)
		}
	}
	return nil
}

// explain turns a fault of the system or of the library into one clear line.
func (o *Opener) explain(path string, err error) error {
	e := &PortError{Port: o.cfg.Port, Err: err, Text: fmt.Sprintf("%s: %v", path, err)}
	code := serial.PortErrorCode(-1)
	var library *serial.PortError
	if errors.As(err, &library) {
		code = library.Code()
	}
	switch {
	case errors.Is(err, unix.EBUSY) || code == serial.PortBusy:
		e.Err, e.Text = ErrBusy, "busy: another program is using it"
		if pid := holder("/proc", path); pid > 0 {
			e.Text = fmt.Sprintf("busy: process %d is using it", pid)
		}
	case errors.Is(err, unix.ENOENT) || errors.Is(err, unix.ENXIO) || errors.Is(err, unix.ENODEV) || code == serial.PortNotFound:
		e.Err, e.Text = fs.ErrNotExist, "no such port; `ringsaddle ports` lists those there are"
		if path != o.cfg.Port {
			e.Text = fmt.Sprintf("found as %s, which cannot be opened: no such port", path)
		}
	case errors.Is(err, unix.EACCES) || errors.Is(err, unix.EPERM) || code == serial.PermissionDenied:
		e.Err, e.Text = fs.ErrPermission, fmt.Sprintf("no permission to use %s; is this user in the group of the device?", path)
	case code == serial.InvalidSpeed || code == serial.InvalidDataBits || code == serial.InvalidParity || code == serial.InvalidStopBits:
		e.Text = fmt.Sprintf("the device refuses the line settings (%s): %v", o.cfg.Label(), err)
	}
	return e
}

// Port is an open, locked serial line. One goroutine uses it; Close may come
// from another.
type Port struct {
	path         string
	serial       serial.Port
	writeTimeout time.Duration

	mu     sync.Mutex
	lock   int // second descriptor: holds the lock, and writes without blocking
	closed bool
}

var _ acquire.Port = (*Port)(nil)

// Path returns the device file that was opened.
func (p *Port) Path() string { return p.path }

// Read waits for bytes until the read timeout; 0 and nil mean that none came.
// The library reports a port that vanished with the code of a port that was
// closed here; the two are told apart. After Close the error is fs.ErrClosed.
func (p *Port) Read(b []byte) (int, error) {
	n, err := p.serial.Read(b)
	if err == nil {
		return n, nil
	}
	p.mu.Lock()
	closed := p.closed
	p.mu.Unlock()
	if closed {
		return n, fs.ErrClosed
	}
	var library *serial.PortError
	if errors.As(err, &library) && library.Code() == serial.PortClosed || errors.Is(err, unix.EIO) || errors.Is(err, unix.ENXIO) {
		return n, &PortError{Port: p.path, Err: err, Text: "the device is gone (unplugged?)"}
	}
	return n, &PortError{Port: p.path, Err: err, Text: err.Error()}
}

// SetReadTimeout bounds the Reads that follow.
func (p *Port) SetReadTimeout(d time.Duration) error { return p.serial.SetReadTimeout(d) }

// Write sends all of b, or returns ErrStuck when the line does not take it
// within the write timeout. The library's own Write would block without limit,
// and not even Close would release it; so this one goes through the second,
// non-blocking descriptor.
func (p *Port) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	deadline := time.Now().Add(p.writeTimeout)
	sent := 0
	for sent < len(b) {
		if p.closed {
			return sent, fs.ErrClosed
		}
		n, err := unix.Write(p.lock, b[sent:])
		sent += max(n, 0)
		switch {
		case err == nil || errors.Is(err, unix.EINTR):
			continue
		case !errors.Is(err, unix.EAGAIN):
			return sent, &PortError{Port: p.path, Err: err, Text: fmt.Sprintf("write: %v", err)}
		}
		left := time.Until(deadline)
		if left <= 0 {
			return sent, &PortError{Port: p.path, Err: ErrStuck, Text: fmt.Sprintf(
				"only %d of %d bytes were taken within %s: the line is stuck", sent, len(b), p.writeTimeout)}
		}
		poll := []unix.PollFd{{Fd: int32(p.lock), Events: unix.POLLOUT}}
		if _, err := unix.Poll(poll, int(left/time.Millisecond)+1); err != nil && !errors.Is(err, unix.EINTR) {
			return sent, &PortError{Port: p.path, Err: err, Text: fmt.Sprintf("write: %v", err)}
		}
	}
	return sent, nil
}

// Close gives the port and its lock back. Closing twice is harmless.
func (p *Port) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return nil
	}
	p.closed = true
	// What was written and not sent yet would make the close wait for a line
	// that may be stuck.
	_ = unix.IoctlSetInt(p.lock, unix.TCFLSH, unix.TCOFLUSH)
	err := p.serial.Close()
	return errors.Join(err, unix.Close(p.lock)) // the lock goes last
}
