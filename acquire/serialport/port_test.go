package serialport_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/rs/zerolog"
	"go.bug.st/serial"
	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"ringsaddle/acquire"
	"ringsaddle/acquire/frame"
	"ringsaddle/acquire/serialport"
)

// openPTY returns a pseudo-terminal: what is written to the master arrives at the
// port with the given path. The slave is raw before the first write, and stays
// open, or the master would read EIO whenever nobody has the port open.
func openPTY(t testing.TB) (master *os.File, path string, unplug func()) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		t.Fatal(err)
	}
	unplug = func() {
		slave.Close()
		master.Close()
	}
	t.Cleanup(unplug)
	return master, slave.Name(), unplug
}

func config(port string) serialport.Config {
	c := serialport.DefaultConfig()
	c.Port = port
	return c
}

func opener(t testing.TB, c serialport.Config, log zerolog.Logger) *serialport.Opener {
	t.Helper()
	o, err := serialport.NewOpener(c, log)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func open(t testing.TB, c serialport.Config) acquire.Port {
	t.Helper()
	p, err := opener(t, c, zerolog.Nop()).Open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	return p
}

func TestPortReadsAndWrites(t *testing.T) {
	master, path, _ := openPTY(t)
	for _, c := range []serialport.Config{
		{Port: path, Baud: 9600, DataBits: 8, Parity: "none", StopBits: 1},
		{Port: path, Baud: 4800, DataBits: 7, Parity: "even", StopBits: 2},
		{Port: path, Baud: 250_000, DataBits: 8, Parity: "mark", StopBits: 1},
	} {
		p := open(t, c)
		if err := p.SetReadTimeout(20 * time.Millisecond); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 64)
		if n, err := p.Read(buf); n != 0 || err != nil {
			t.Errorf("%s: nothing sent, Read returned %d, %v; want 0 and nil", c.Label(), n, err)
		}
		if _, err := master.WriteString("+25.00412\r\n\x00\xff"); err != nil {
			t.Fatal(err)
		}
		var got []byte
		for len(got) < 13 {
			n, err := p.Read(buf)
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, buf[:n]...)
		}
		if string(got) != "+25.00412\r\n\x00\xff" {
			t.Errorf("%s: read %q", c.Label(), got)
		}
		if n, err := p.Write([]byte("?\r\n")); n != 3 || err != nil {
			t.Errorf("%s: wrote %d, %v", c.Label(), n, err)
		}
		if n, err := master.Read(buf); err != nil || string(buf[:n]) != "?\r\n" {
			t.Errorf("%s: the readout got %q, %v", c.Label(), buf[:n], err)
		}
		if err := p.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
		if err := p.Close(); err != nil {
			t.Errorf("second Close: %v", err)
		}
		if _, err := p.Read(buf); !errors.Is(err, fs.ErrClosed) {
			t.Errorf("Read after Close: %v; want fs.ErrClosed", err)
		}
		if _, err := p.Write(buf); !errors.Is(err, fs.ErrClosed) {
			t.Errorf("Write after Close: %v; want fs.ErrClosed", err)
		}
	}
}

func TestPortDropsWhatCameBefore(t *testing.T) {
	master, path, _ := openPTY(t)
	if _, err := master.WriteString("+11.11111\r\n"); err != nil {
		t.Fatal(err)
	}
	time.Sleep(20 * time.Millisecond) // through the terminal
	p := open(t, config(path))
	if err := p.SetReadTimeout(50 * time.Millisecond); err != nil {
		t.Fatal(err)
	}
	if n, err := p.Read(make([]byte, 64)); n != 0 || err != nil {
		t.Errorf("%d bytes from before the opening, %v", n, err)
	}
}

func TestPortErrorsAreOneClearLine(t *testing.T) {
	_, path, _ := openPTY(t)
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	held := open(t, config(path))
	defer held.Close()
	busy := fmt.Sprintf("port %s: busy: process %d is using it", path, os.Getpid())
	for _, c := range []struct {
		port string
		is   error
		want string
	}{
		{"/dev/nonesuch", fs.ErrNotExist, "port /dev/nonesuch: no such port; `ringsaddle ports` lists those there are"},
		{path, serialport.ErrBusy, busy},
		{file, unix.ENOTTY, "port " + file + ": " + file + " is no serial port"},
		{"/dev/null", unix.ENOTTY, "port /dev/null: /dev/null is no serial port"},
		{"usb:0403:6001", fs.ErrNotExist, "port usb:0403:6001: no adapter with this identity is plugged in; `ringsaddle ports` shows what is"},
	} {
		cfg := config(c.port)
		cfg.SysfsRoot = t.TempDir()
		p, err := opener(t, cfg, zerolog.Nop()).Open(t.Context())
		if err == nil {
			p.Close()
			t.Errorf("%s was opened", c.port)
			continue
		}
		if !errors.Is(err, c.is) || err.Error() != c.want {
			t.Errorf("got  %v\nwant %s (%v)", err, c.want, c.is)
		}
	}
	// The failed attempt must not have taken the lock away.
	if pid := serialport.Holder(path); pid != os.Getpid() {
		t.Errorf("the port is held by %d; want this process, %d", pid, os.Getpid())
	}
	held.Close()
	if pid := serialport.Holder(path); pid != 0 {
		t.Errorf("the closed port is held by %d", pid)
	}
	open(t, config(path)).Close() // free again
}

func TestPortWithoutModemLinesOpens(t *testing.T) {
	_, path, _ := openPTY(t)
	var log bytes.Buffer
	c := config(path)
	c.DTR, c.RTS = "high", "low"
	o := opener(t, c, zerolog.New(&log))
	for range 3 {
		p, err := o.Open(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		p.Close()
	}
	if n := strings.Count(log.String(), "no modem lines"); n != 1 {
		t.Errorf("said %d times that there are no modem lines; want once:\n%s", n, log.String())
	}
}

func TestPortVanishes(t *testing.T) {
	_, path, unplug := openPTY(t)
	p := open(t, config(path))
	if err := p.SetReadTimeout(10 * time.Second); err != nil {
		t.Fatal(err)
	}
	time.AfterFunc(50*time.Millisecond, unplug)
	begun := time.Now()
	_, err := p.Read(make([]byte, 16))
	var e *serialport.PortError
	if !errors.As(err, &e) || e.Text != "the device is gone (unplugged?)" || errors.Is(err, fs.ErrClosed) {
		t.Errorf("Read of a port that vanished: %v", err)
	}
	if d := time.Since(begun); d > 5*time.Second {
		t.Errorf("it took %s to notice", d)
	}
	if _, err := p.Write([]byte("?")); !errors.As(err, &e) {
		t.Errorf("Write to a port that vanished: %v", err)
	}
	if err := p.Close(); err != nil {
		t.Logf("Close of a port that vanished: %v", err) // nothing depends on it
	}
}

// A readout that takes nothing must not hold the program: the library's own
// Write would block for ever.
func TestStuckWriteEnds(t *testing.T) {
	_, path, _ := openPTY(t) // nobody reads the master
	c := config(path)
	c.WriteTimeout = 100 * time.Millisecond
	p := open(t, c)
	begun := time.Now()
	n, err := p.Write(make([]byte, 1<<20))
	if !errors.Is(err, serialport.ErrStuck) || n == 0 || n >= 1<<20 {
		t.Errorf("wrote %d, %v; want a part and ErrStuck", n, err)
	}
	if d := time.Since(begun); d > 5*time.Second {
		t.Errorf("it took %s; the limit is 100 ms", d)
	}
	closed := make(chan error, 1)
	go func() { closed <- p.Close() }()
	select {
	case err := <-closed:
		if err != nil {
			t.Errorf("Close: %v", err)
		}
	case <-time.After(5 * time.Second):
		t.Error("Close hangs")
	}
}

// As an ordinary user the kernel's exclusive mode shuts the port, with another
// error than our lock; both must read "busy". Root is not bound by it, so another
// program's use without a lock cannot be seen by root.
func TestKernelExclusiveModeIsBusyToo(t *testing.T) {
	_, path, _ := openPTY(t)
	if os.Geteuid() == 0 {
		asNobody(t, path)
		return
	}
	other, err := serial.Open(path, &serial.Mode{BaudRate: 9600})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	_, err = opener(t, config(path), zerolog.Nop()).Open(t.Context())
	if !errors.Is(err, serialport.ErrBusy) || !strings.HasSuffix(err.Error(), "busy: another program is using it") {
		t.Errorf("a port in use by another program: %v; want busy", err)
	}
}

// asNobody runs the test again as an ordinary user.
func asNobody(t *testing.T, path string) {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(os.TempDir(), fmt.Sprintf("serialport-test-%d", os.Getpid()))
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	binary, err := os.ReadFile(self)
	if err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(dir, "test")
	if err := os.WriteFile(program, binary, 0o755); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "-test.run", "^TestKernelExclusiveModeIsBusyToo$", "-test.v")
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil || !bytes.Contains(out, []byte("--- PASS")) {
		t.Errorf("as an ordinary user: %v\n%s", err, out)
	}
}

// Unplugged in mid-frame and plugged in again under another number: the source
// finds the port by its identity and goes on in a new stream with a gap.
func TestSourceFindsTheAdapterAgain(t *testing.T) {
	tree := newTree(t)
	master, path, unplug := openPTY(t)
	tree.usb("ttyUSB0", "1-1", "0403", "6001", "A1")
	tree.link("ttyUSB0", path)
	cfg := config("usb:0403:6001:A1")
	cfg.SysfsRoot, cfg.DevRoot = tree.sys, tree.dev
	fc := frame.DefaultConfig()
	fc.Form = "signed-decimal-mm-crlf"
	decoder, err := frame.New(fc)
	if err != nil {
		t.Fatal(err)
	}
	tape := acquire.NewTape(1024)
	head := tape.NewHead("test")
	lost := make(chan string, 16)
	source, err := acquire.NewSource(acquire.SourceConfig{
		Station: "bench", PortLabel: cfg.Label(), Open: opener(t, cfg, zerolog.Nop()).Open,
		Decoder: decoder, Tape: tape, ReadTimeout: 5 * time.Millisecond,
		BackoffMin: 5 * time.Millisecond, BackoffMax: 20 * time.Millisecond,
		OnEvent: func(e acquire.Event) {
			if e.Kind == acquire.PortLost {
				lost <- e.Text
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- source.Run(ctx) }()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	}()

	// next returns the next n entries of the tape.
	next := func(n int) []acquire.Reading {
		t.Helper()
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		got := make([]acquire.Reading, n)
		for i := 0; i < n; {
			k, err := head.Read(ctx, got[i:])
			if err != nil {
				t.Fatalf("after %d of %d entries: %v; stats %+v", i, n, err, source.Stats())
			}
			i += k
		}
		return got
	}
	send := func(text string) {
		t.Helper()
		if _, err := master.WriteString(text); err != nil {
			t.Fatal(err)
		}
	}
	connected := func() {
		t.Helper()
		for deadline := time.Now().Add(20 * time.Second); !source.Stats().Connected; time.Sleep(time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatalf("not connected: %+v", source.Stats())
			}
		}
	}
	connected()
	send("0410\r\n+25.00411\r\n+25.00412\r\n+25.00413\r\n+25.0")
	got := next(4)
	if got[0].Flags != acquire.StreamStart|acquire.Gap || got[3].X != 2_500_413 {
		t.Errorf("before: %+v", got)
	}

	tree.unplug("ttyUSB0")
	unplug()
	if text := <-lost; !strings.Contains(text, "the port was lost: read: port "+filepath.Join(tree.dev, "ttyUSB0")+": the device is gone") {
		t.Errorf("lost: %s", text)
	}
	if text := <-lost; !strings.Contains(text, "no adapter with this identity is plugged in") {
		t.Errorf("while away: %s", text)
	}
	master, path, _ = openPTY(t)
	tree.usb("ttyUSB3", "1-2", "0403", "6001", "A1") // another socket
	tree.link("ttyUSB3", path)
	connected()
	send("0416\r\n+25.00417\r\n")
	got = next(2)
	if got[0].Flags != acquire.StreamStart|acquire.Gap || got[1].X != 2_500_417 || got[1].Flags&acquire.Gap == 0 {
		t.Errorf("after: %+v", got)
	}
	stream, ok := tape.StreamAt(got[1].Seq)
	if !ok || stream.UnitChanged || stream.Reason != "reopened after the port was lost" {
		t.Errorf("stream %+v", stream)
	}
	if s := source.Stats(); s.Reconnects != 1 || s.BytesRejected[acquire.ReasonUnfinished] != uint64(len("+25.0")) {
		t.Errorf("stats %+v", s)
	}
}

func TestConfigValidate(t *testing.T) {
	err := serialport.Config{Baud: 1, DataBits: 9, StopBits: 3, Parity: "some", DTR: "up", RTS: "down", WriteTimeout: -1}.Validate()
	for _, want := range []string{
		"port: missing", "baud: 1; permitted: 50 to 4000000", "data_bits: 9; permitted: 5 to 8", "stop_bits: 3; permitted: 1, 2",
		`parity: "some"; permitted: "none", "odd", "even", "mark", "space"`, `dtr: "up"; permitted`, `rts: "down"; permitted`, "write_timeout: -1ns is negative",
	} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("missing %q in:\n%v", want, err)
		}
	}
	for _, port := range []string{"usb:", "usb:403:6001", "usb:0403:6001:", "usb:0403", "usb:04g3:6001"} {
		if err := config(port).Validate(); err == nil || !strings.Contains(err.Error(), "write usb:VID:PID or usb:VID:PID:SERIAL") {
			t.Errorf("%s: %v", port, err)
		}
	}
	for _, port := range []string{"/dev/ttyS0", "usb:0403:6001", "usb:AbCd:0001:S:1"} {
		if err := config(port).Validate(); err != nil {
			t.Errorf("%s: %v", port, err)
		}
	}
	if got := config("/dev/ttyS0").Label(); got != "/dev/ttyS0, 9600 baud 8N1" {
		t.Errorf("label %q", got)
	}
}
