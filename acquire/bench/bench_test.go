package bench

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// startBench runs a bench until the test ends.
func startBench(t *testing.T, opt Options) (*Bench, string) {
	t.Helper()
	b, err := New(opt)
	if err != nil {
		t.Fatal(err)
	}
	path, err := b.Open()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	var runErr error
	wg.Go(func() { runErr = b.Run(ctx) })
	t.Cleanup(func() {
		cancel()
		wg.Wait()
		if runErr != nil {
			t.Errorf("Run: %v", runErr)
		}
	})
	return b, path
}

func openRaw(t *testing.T, path string) *os.File {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	return f
}

// demoHead is the beginning of the demo's set, which every live test can afford.
func demoHead(t *testing.T) Scenario {
	t.Helper()
	sc, err := LoadScenario("demo")
	if err != nil {
		t.Fatal(err)
	}
	sc.Tasks = sc.Tasks[:1]
	sc.Tasks[0].Repeat = 1
	return sc
}

func TestFramesReadBackThroughARawHandle(t *testing.T) {
	sc := demoHead(t)
	b, path := startBench(t, Options{Scenario: sc, Seed: 5, Speed: 20})
	r := bufio.NewReader(openRaw(t, path))
	var got []int64
	for b.Stats().Entries == 0 {
		line, err := r.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasSuffix(line, "\r\n") || len(line) != 12 || line[0] != '+' && line[0] != '-' {
			t.Fatalf("frame %q: want sign, four digits, point, four digits, CR LF", line)
		}
		n, err := strconv.ParseInt(strings.Replace(strings.TrimSpace(line), ".", "", 1), 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, n)
	}
	// The live hand makes the same entry as the one generated offline with the
	// same seed; only idle time at the start differs.
	tr, err := Generate(sc, 5)
	if err != nil {
		t.Fatal(err)
	}
	live, off := b.Entries()[0], tr.Entries[0]
	if d := live.EndNS - live.StartNS - (off.EndNS - off.StartNS); d != 0 {
		t.Errorf("the entry lasts %d ns longer live than offline", d)
	}
	c, ok := live.Main()
	if !ok || !c.Supported {
		t.Fatalf("no supported contact in the entry: %+v", live.Contacts)
	}
	near := 0
	for _, n := range got {
		if e := float64(n)*1e-4 - c.SaddleMM; e > -0.002 && e < 0.002 {
			near++
		}
	}
	if near < 500 {
		t.Errorf("%d of %d frames within 2 µm of the saddle %.4f mm, want the most of an entry", near, len(got), c.SaddleMM)
	}
	if s := b.Stats(); s.BytesLost != 0 {
		t.Errorf("%d bytes lost although they were read", s.BytesLost)
	}
}

func TestUnplugAndReplugBehindALink(t *testing.T) {
	link := filepath.Join(t.TempDir(), "bench")
	b, path := startBench(t, Options{Scenario: demoHead(t), Seed: 1, Speed: 20, Link: link})
	if path != link {
		t.Fatalf("path %q, want the link %q", path, link)
	}
	before, err := os.Readlink(link)
	if err != nil {
		t.Fatal(err)
	}
	f := openRaw(t, path)
	buf := make([]byte, 256)
	if _, err := f.Read(buf); err != nil {
		t.Fatal(err)
	}
	if err := b.Inject(t.Context(), Fault{Kind: FaultUnplug}); err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = f.Read(buf)
	}
	if !errors.Is(err, io.EOF) && !errors.Is(err, unix.EIO) {
		t.Errorf("reading a pulled-out device: %v, want EOF or an input/output error", err)
	}
	if _, err := os.Stat(link); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the link is still there while unplugged: %v", err)
	}
	if b.Device() != "" || !b.Stats().Unplugged {
		t.Errorf("unplugged, yet there is a device %q", b.Device())
	}
	if err := b.Inject(t.Context(), Fault{Kind: FaultPlug}); err != nil {
		t.Fatal(err)
	}
	// A second order is taken only after the first is carried out.
	if err := b.Inject(t.Context(), Fault{Kind: FaultHalfFrame}); err != nil {
		t.Fatal(err)
	}
	after, err := os.Readlink(link)
	if err != nil {
		t.Fatal(err)
	}
	if after == before {
		t.Errorf("the device came back as %s again, want another number", after)
	}
	line, err := bufio.NewReader(openRaw(t, link)).ReadString('\n')
	if err != nil || !strings.HasSuffix(line, "\r\n") {
		t.Errorf("first line after the replug %q, %v", line, err)
	}

	// Unplugged for a time, it comes back by itself.
	if err := b.Inject(t.Context(), Fault{Kind: FaultUnplug, Seconds: 2}); err != nil {
		t.Fatal(err)
	}
	for until := time.Now().Add(20 * time.Second); b.Device() == "" || b.Device() == after; time.Sleep(time.Millisecond) {
		if time.Now().After(until) {
			t.Fatalf("the device is %q, want another one than %q", b.Device(), after)
		}
	}
}

func TestPolledReadoutAnswersOnlyWhenAsked(t *testing.T) {
	sc := demoHead(t)
	sc.Frame.Request = "?\r"
	_, path := startBench(t, Options{Scenario: sc, Seed: 1})
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = unix.Close(fd) })
	time.Sleep(100 * time.Millisecond)
	buf := make([]byte, 4096)
	if n, err := unix.Read(fd, buf); n > 0 {
		t.Fatalf("%q came unasked (%v)", buf[:n], err)
	}
	if _, err := unix.Write(fd, []byte("?\r?\r")); err != nil {
		t.Fatal(err)
	}
	var got []byte
	deadline := time.Now().Add(5 * time.Second)
	for bytes.Count(got, []byte("\r\n")) < 2 && time.Now().Before(deadline) {
		if n, err := unix.Read(fd, buf); err == nil {
			got = append(got, buf[:n]...)
		}
		time.Sleep(time.Millisecond)
	}
	if n := bytes.Count(got, []byte("\r\n")); n != 2 {
		t.Errorf("two requests gave %q: %d frames", got, n)
	}
}

func TestFaultsOnTheLine(t *testing.T) {
	b, path := startBench(t, Options{Scenario: demoHead(t), Seed: 1, Speed: 10})
	r := bufio.NewReader(openRaw(t, path))
	read := func() string {
		line, err := r.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		return line
	}
	wantOdd := func(f Fault, odd func(line string) bool) {
		t.Helper()
		for clean := 0; clean < 20; { // what the fault before left behind
			if clean++; len(read()) != 12 {
				clean = 0
			}
		}
		if err := b.Inject(t.Context(), f); err != nil {
			t.Fatal(err)
		}
		for range 20_000 {
			if odd(read()) {
				return
			}
		}
		t.Errorf("fault %s: nothing of it came within 20000 lines", f.Kind)
	}
	wantOdd(Fault{Kind: FaultGarbage, Bytes: 300}, func(l string) bool { return strings.ContainsRune(l, '\uFFFD') || len(l) > 20 })
	wantOdd(Fault{Kind: FaultHalfFrame}, func(l string) bool { return len(l) == 12+5 })
	wantOdd(Fault{Kind: FaultPreset, MM: 100}, func(l string) bool { return strings.HasPrefix(l, "+0100.00") || strings.HasPrefix(l, "+0099.99") })
	wantOdd(Fault{Kind: FaultPowerCycle, Seconds: 2}, func(l string) bool { return strings.HasPrefix(l, "+0000.00") || strings.HasPrefix(l, "-0000.00") })
	from := time.Now()
	if err := b.Inject(t.Context(), Fault{Kind: FaultStall, Seconds: 3}); err != nil {
		t.Fatal(err)
	}
	for last := time.Now(); ; {
		read()
		if time.Since(last) > 200*time.Millisecond {
			break
		}
		if last = time.Now(); time.Since(from) > 30*time.Second {
			t.Error("the line never fell silent")
			break
		}
	}
	if err := b.Inject(t.Context(), Fault{Kind: "smoke"}); err == nil {
		t.Error("an unknown fault was accepted")
	}
}

func TestOrdersAreFollowed(t *testing.T) {
	sc := demoHead(t)
	sc.Hand.Phases = nil // touch and withdraw
	o := NewOrders()
	o.Want(Task{Ring: "M-40", Label: "never mind"}) // taken back before the hand is there
	o.Withdraw()
	b, path := startBench(t, Options{Scenario: sc, Seed: 2, Speed: 100, Instructor: o})
	f := openRaw(t, path)
	go func() { _, _ = io.Copy(io.Discard, f) }()
	for i, want := range []Task{
		{Ring: "W-4017", HeightMM: 12, DirectionDeg: 90, Label: "first"},
		{Ring: "M-40", HeightMM: 10, Label: "second"},
		{Ring: "M-40", HeightMM: 10, Label: "that one again"},
	} {
		o.Want(want)
		deadline := time.Now().Add(20 * time.Second)
		for b.Stats().Entries <= i && time.Now().Before(deadline) {
			time.Sleep(2 * time.Millisecond)
		}
		e := b.Entries()
		if len(e) != i+1 || e[i].Task != want {
			t.Fatalf("after order %d: entries %+v, want the last to be %+v", i, e, want)
		}
		ring, err := sc.Ring(want.Ring)
		if err != nil {
			t.Fatal(err)
		}
		if d := ring.Diameter20(want.HeightMM, want.DirectionDeg); e[i].Diameter20MM != d {
			t.Errorf("true diameter %.6f, want %.6f", e[i].Diameter20MM, d)
		}
	}
	o.End()
}

func TestNobodyReads(t *testing.T) {
	sc := demoHead(t)
	sc.Readout.RateHz = 1000
	b, path := startBench(t, Options{Scenario: sc, Seed: 1, Speed: 20})
	for until := time.Now().Add(20 * time.Second); b.Stats().BytesLost == 0; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(until) {
			t.Fatal("nothing was thrown away although nobody read for 20 s")
		}
	}
	if _, err := openRaw(t, path).Read(make([]byte, 64)); err != nil {
		t.Errorf("a late reader: %v", err)
	}
}

func TestLinkSparesWhatIsNoLink(t *testing.T) {
	file := filepath.Join(t.TempDir(), "precious")
	if err := os.WriteFile(file, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	b, err := New(Options{Scenario: demoHead(t), Link: file})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.Open(); err == nil || !strings.Contains(err.Error(), "not a symbolic link") {
		t.Errorf("Open over a file: %v", err)
	}
	if got, err := os.ReadFile(file); err != nil || string(got) != "x" {
		t.Errorf("the file was touched: %q, %v", got, err)
	}
}
