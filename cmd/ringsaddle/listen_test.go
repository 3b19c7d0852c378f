package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"
	"golang.org/x/term"

	"ringsaddle/acquire"
	"ringsaddle/acquire/frame"
)

// readout is a pseudo-terminal with a readout at its master end.
type readout struct {
	*os.File
	path string
}

func newReadout(t *testing.T) readout {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { slave.Close(); master.Close() })
	// Raw before the first write, or the line discipline echoes it.
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		t.Fatal(err)
	}
	return readout{master, slave.Name()}
}

// output collects what a command prints and tells when a text is in it.
type output struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.String()
}

func (o *output) waitFor(t *testing.T, text string) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); !strings.Contains(o.String(), text); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("no %q in:\n%s", text, o)
		}
	}
}

// start runs a command; end ends it as an interrupt would and returns its error.
func start(t *testing.T, cmd *cobra.Command, args ...string) (out *output, end func() error) {
	t.Helper()
	out = &output{}
	cmd.SetOut(out)
	cmd.SetErr(out)
	cmd.SetArgs(args)
	cmd.SilenceUsage, cmd.SilenceErrors = true, true
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- cmd.ExecuteContext(ctx) }()
	var once sync.Once
	var err error
	end = func() error {
		once.Do(func() { cancel(); err = <-done })
		return err
	}
	t.Cleanup(func() { _ = end() })
	return out, end
}

var changing = regexp.MustCompile(`(?m)^ *\d+\.\d+ s|\d+\.\d+ s \(\d+ a second\)|/dev/pts/\d+`)

func TestListenShowsWhatDoesNotMatchAndWhy(t *testing.T) {
	r := newReadout(t)
	out, end := start(t, newListenCommand(), "--port", r.path, "--form", "signed-decimal-mm-crlf")
	out.waitFor(t, "interrupt to end")
	for i, f := range []string{"0411\r\n", "+25.00412\r\n", "+25.00413\r\n", "+25.00414\r\n", "+25.0041X\r\n", "\x02+25.0\xb5\r\n", "+25.00415\r\n"} {
		if _, err := r.WriteString(f); err != nil {
			t.Fatal(err)
		}
		// One by one, so that the report is the same every time.
		for deadline := time.Now().Add(20 * time.Second); strings.Count(out.String(), " s  \"") < i+1; time.Sleep(time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatalf("frame %d is not shown:\n%s", i, out)
			}
		}
	}
	if err := end(); err != nil {
		t.Fatal(err)
	}
	want := `listening to PORT, 9600 baud 8N1
T  "0411"
             rejected, partial: the first frame after opening may lack its beginning
T  "+25.00412"
             x = 2500412 counts of 0.01 µm = 25.004120 mm; waits for others to confirm its decimals
T  "+25.00413"
             x = 2500413 counts of 0.01 µm = 25.004130 mm; waits for others to confirm its decimals
T  "+25.00414"
             x = 2500414 counts of 0.01 µm = 25.004140 mm; waits for others to confirm its decimals
INFO a stream began
T  "+25.0041X"
             rejected, no_match: "+25.0041X" does not match the pattern  *(?P<x>[+-] *[0-9]*\.[0-9]+) *
T  "\x02+25.0\xb5"  (02 2b 32 35 2e 30 b5)
             rejected, no_match: "\x02+25.0\xb5" does not match the pattern  *(?P<x>[+-] *[0-9]*\.[0-9]+) *
T  "+25.00415"
             x = 2500415 counts of 0.01 µm = 25.004150 mm

70 bytes in T
accepted  4 frames with a position, 0 declared not valid, 44 bytes
rejected  3 frames, 26 bytes: no_match 2, partial 1
`
	if diff := cmp.Diff(want, steady(out.String())); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// steady takes what differs from run to run out of a command's output.
func steady(s string) string {
	s = changing.ReplaceAllStringFunc(s, func(m string) string {
		if strings.HasPrefix(m, "/dev") {
			return "PORT"
		}
		return "T"
	})
	s = strings.ReplaceAll(s, "; interrupt to end", "")
	return regexp.MustCompile(`(?m)^INF PORT: a stream began.*$`).ReplaceAllString(s, "INFO a stream began")
}

func TestListenNamesTheFormsThatFit(t *testing.T) {
	r := newReadout(t)
	out, end := start(t, newListenCommand(), "--port", r.path, "--baud", "4800")
	out.waitFor(t, "interrupt to end")
	if _, err := r.WriteString("12\r\nX=+25.00412 mm\r\nX=+25.00413 mm\r\nX=-25.00414 mm\r\nX=-25.00415 mm\r\n"); err != nil {
		t.Fatal(err)
	}
	out.waitFor(t, "25.00415")
	if err := end(); err != nil {
		t.Fatal(err)
	}
	if want := "ready forms that fit:\n  name-value-unit-crlf           4 of 4 frames\n"; !strings.HasSuffix(out.String(), want) {
		t.Errorf("want %q at the end of:\n%s", want, out)
	}
}

func TestListenStopsAfterCount(t *testing.T) {
	r := newReadout(t)
	out, _ := start(t, newListenCommand(), "--port", r.path, "--form", "signed-decimal-mm-crlf", "--count", "2")
	out.waitFor(t, "interrupt to end")
	if _, err := r.WriteString("1\r\n+1.0\r\n+1.1\r\n+1.2\r\n"); err != nil {
		t.Fatal(err)
	}
	out.waitFor(t, "accepted")
	if strings.Contains(out.String(), `"+1.1"`) {
		t.Errorf("more than two frames:\n%s", out)
	}
}

// Only garbage arrives, as with a wrong line speed: one clear line says so.
func TestListenSaysThatOnlyGarbageArrives(t *testing.T) {
	r := newReadout(t)
	out, _ := start(t, newListenCommand(), "--port", r.path, "--baud", "19200", "--form", "signed-decimal-mm-crlf")
	out.waitFor(t, "interrupt to end")
	for deadline := time.Now().Add(20 * time.Second); !strings.Contains(out.String(), "only garbage"); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("no word of garbage:\n%s", out)
		}
		if _, err := r.Write([]byte("\xe6\x00\xf8\x80\xc0")); err != nil {
			t.Fatal(err)
		}
	}
	if !strings.Contains(out.String(), "19200 baud") || !strings.Contains(out.String(), "check baud rate, data bits and parity; first bytes: e6 00 f8 80 c0") {
		t.Errorf("the line does not name the speed and the bytes:\n%s", out)
	}
}

func TestListenPolls(t *testing.T) {
	r := newReadout(t)
	out, end := start(t, newListenCommand(), "--port", r.path, "--request", `?\r`, "--interval", "5ms", "--form", "signed-decimal-mm-crlf")
	out.waitFor(t, "interrupt to end")
	buf := make([]byte, 16)
	for i := range 6 {
		n, err := r.Read(buf)
		if err != nil || string(buf[:n]) != "?\r" {
			t.Fatalf("request %d: %q, %v", i, buf[:n], err)
		}
		if _, err := fmt.Fprintf(r, "+1.%d\r\n", i); err != nil {
			t.Fatal(err)
		}
	}
	out.waitFor(t, `"+1.5"`)
	if err := end(); err != nil {
		t.Fatal(err)
	}
}

func TestBadUseIsOneClearLine(t *testing.T) {
	r := newReadout(t)
	dir := t.TempDir()
	there := filepath.Join(dir, "there.txt")
	if err := os.WriteFile(there, []byte("keep me"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, end := start(t, newListenCommand(), "--port", r.path) // holds the port
	waitLocked(t, r.path)
	free := newReadout(t)
	for _, c := range []struct {
		cmd  *cobra.Command
		args []string
		want string
	}{
		{newListenCommand(), []string{"--port", "/dev/nonesuch"}, "port /dev/nonesuch: no such port; `ringsaddle ports` lists those there are"},
		{newListenCommand(), []string{"--port", r.path}, fmt.Sprintf("port %s: busy: process %d is using it", r.path, os.Getpid())},
		{newRecordCommand(), []string{"--port", r.path, "--out", filepath.Join(dir, "new.txt")}, fmt.Sprintf("port %s: busy: process %d is using it", r.path, os.Getpid())},
		{newListenCommand(), []string{"--port", free.path, "--pattern", `[0-9.]+`}, `pattern: "[0-9.]+" has no group x; write the position as (?P<x>…)`},
		{newListenCommand(), []string{"--port", free.path, "--baud", "1"}, "baud: 1; permitted: 50 to 4000000"},
		{newListenCommand(), []string{"--port", free.path, "--request", `\q`}, `--request: "\\q": escape \q is not known; permitted: \r \n \t \0 \\ \xNN`},
		{newListenCommand(), []string{"--port", free.path, "--count", "-1"}, "--count: -1; permitted: 0 (no limit) and above"},
		{newRecordCommand(), []string{"--port", free.path, "--out", there}, there + " is there already; choose another name, or --force to overwrite it"},
	} {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		c.cmd.SetOut(io.Discard)
		c.cmd.SetErr(io.Discard)
		c.cmd.SetArgs(c.args)
		c.cmd.SilenceUsage, c.cmd.SilenceErrors = true, true
		err := c.cmd.ExecuteContext(ctx) // must end by itself
		cancel()
		var exit *exitError
		if !errors.As(err, &exit) || exit.code != 2 || err.Error() != c.want {
			t.Errorf("%v:\ngot  %v\nwant %s, exit status 2", c.args, err, c.want)
		}
	}
	if b, _ := os.ReadFile(there); string(b) != "keep me" {
		t.Errorf("a file was overwritten: %q", b)
	}
	if _, err := os.Stat(filepath.Join(dir, "new.txt")); !os.IsNotExist(err) {
		t.Errorf("a busy port left a file behind: %v", err)
	}
	if err := end(); err != nil {
		t.Error(err)
	}
}

func waitLocked(t *testing.T, path string) {
	t.Helper()
	out, _ := start(t, newPortsCommand(), "--sysfs", fakeTree(t, path), "--dev", filepath.Dir(path))
	for deadline := time.Now().Add(20 * time.Second); !strings.Contains(out.String(), "in use"); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("the port is not in use:\n%s", out)
		}
		out, _ = start(t, newPortsCommand(), "--sysfs", fakeTree(t, path), "--dev", filepath.Dir(path))
		time.Sleep(20 * time.Millisecond)
	}
}

// fakeTree is a device tree with an invented adapter as the given device.
func fakeTree(t *testing.T, path string) string {
	t.Helper()
	root := t.TempDir()
	name := filepath.Base(path)
	usb := filepath.Join(root, "devices", "usb1", "1-1")
	port := filepath.Join(usb, "1-1:1.0", name)
	node := filepath.Join(port, "tty", name)
	if err := os.MkdirAll(node, 0o755); err != nil {
		t.Fatal(err)
	}
	for file, text := range map[string]string{
		"idVendor": "0403", "idProduct": "6001", "serial": "A1", "manufacturer": "Invented", "product": "Adapter",
	} {
		if err := os.WriteFile(filepath.Join(usb, file), []byte(text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	class := filepath.Join(root, "class", "tty")
	if err := os.MkdirAll(class, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.Symlink(port, filepath.Join(node, "device")), os.Symlink(node, filepath.Join(class, name))); err != nil {
		t.Fatal(err)
	}
	return root
}

func TestPortsShowsWhoUsesAPort(t *testing.T) {
	r := newReadout(t)
	sysfs := fakeTree(t, r.path)
	show := func() string {
		t.Helper()
		var out bytes.Buffer
		cmd := newPortsCommand()
		cmd.SetOut(&out)
		cmd.SetArgs([]string{"--sysfs", sysfs, "--dev", filepath.Dir(r.path)})
		if err := cmd.Execute(); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	want := "PORT STATE NAME ON ANY SOCKET MAKER AND PRODUCT DRIVER " + r.path + " free usb:0403:6001:A1 Invented, Adapter -"
	if diff := cmp.Diff(want, strings.Join(strings.Fields(show()), " ")); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	_, end := start(t, newListenCommand(), "--port", r.path)
	used := fmt.Sprintf("in use by process %d", os.Getpid())
	for deadline := time.Now().Add(20 * time.Second); !strings.Contains(show(), used); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("no %q in:\n%s", used, show())
		}
	}
	if err := end(); err != nil {
		t.Fatal(err)
	}
	if s := show(); !strings.Contains(s, "free") {
		t.Errorf("after use:\n%s", s)
	}
}

func TestRecord(t *testing.T) {
	r := newReadout(t)
	file := filepath.Join(t.TempDir(), "recording.txt")
	out, end := start(t, newRecordCommand(), "--port", r.path, "--baud", "115200", "--out", file)
	out.waitFor(t, "interrupt to end")
	sent := "0411\r\n+25.00412\r\n\x00\xff+25.00413\r\n+25.00414\r\n+25.00415\r\n+25.00416\r\n"
	if _, err := r.WriteString(sent); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(time.Millisecond) {
		if b, _ := os.ReadFile(file); bytes.Contains(b, []byte("25.00416")) {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the bytes do not get to the file")
		}
	}
	if err := end(); err != nil {
		t.Fatal(err)
	}
	if want := fmt.Sprintf("%d bytes recorded, port lost and reopened 0 times\n", len(sent)); !strings.HasSuffix(out.String(), want) {
		t.Errorf("want %q at the end of:\n%s", want, out)
	}
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rec, err := acquire.ReadRecording(f, file)
	if err != nil || !rec.Complete || rec.Bytes() != int64(len(sent)) || rec.Port != r.path+", 115200 baud 8N1" {
		t.Fatalf("recording of %q, complete %v, %d bytes: %v", rec.Port, rec.Complete, rec.Bytes(), err)
	}
	c := frame.DefaultConfig()
	c.Form = "signed-decimal-mm-crlf"
	d, err := frame.New(c)
	if err != nil {
		t.Fatal(err)
	}
	trace, _ := rec.Replay(acquire.ReplayConfig{Decoder: d})
	var got []int64
	for _, e := range trace.Readings {
		if e.IsPosition() {
			got = append(got, e.X)
		}
	}
	if diff := cmp.Diff([]int64{2_500_412, 2_500_414, 2_500_415, 2_500_416}, got); diff != "" {
		t.Errorf("readings (-want +got):\n%s", diff)
	}
}
