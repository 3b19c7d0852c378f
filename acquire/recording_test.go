package acquire_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"ringsaddle/acquire"
	"ringsaddle/acquire/acquiretest"
)

func TestRecordingText(t *testing.T) {
	rec := acquire.Recording{
		RecordingHeader: acquire.RecordingHeader{Station: "bench 1", Port: "/dev/ttyUSB0, 9600 baud 8N1", BootID: "6f1c"},
		Chunks: []acquire.Chunk{
			{Kind: acquire.ChunkOpened, At: 5, WallNS: 1_764_000_000_000_000_000, Text: "opened"},
			{At: 7, Bytes: []byte("+25.00412 µ\r\n\"\\\x00\xff")},
			{Kind: acquire.ChunkMissed, At: 8, Missed: 512},
			{Kind: acquire.ChunkLost, At: 6, Text: "gone"},
		},
		EndAt: 9, Complete: true,
	}
	want := `ringsaddle-recording/1
station "bench 1"
port "/dev/ttyUSB0, 9600 baud 8N1"
boot "6f1c"
opened 5 1764000000000000000 "opened"
bytes 7 "+25.00412 \u00b5\r\n\"\\\x00\xff"
missed 8 512
lost 6 "gone"
end 9
`
	var file bytes.Buffer
	n, err := rec.WriteTo(&file)
	if err != nil || n != int64(file.Len()) {
		t.Fatalf("wrote %d of %d: %v", n, file.Len(), err)
	}
	if diff := cmp.Diff(want, file.String()); diff != "" {
		t.Errorf("file (-want +got):\n%s", diff)
	}
	got, err := acquire.ReadRecording(strings.NewReader(want+"\n# a remark after the end\n"), "")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(rec, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Wherever a recording is cut, what is before the cut is read.
func TestRecordingCutShort(t *testing.T) {
	rec := acquiretest.Frames(1000, 10, "+25.00412\r\n", "+25.00413\r\n", "+25.00414\r\n")
	var file bytes.Buffer
	if _, err := rec.WriteTo(&file); err != nil {
		t.Fatal(err)
	}
	all := file.Bytes()
	first := bytes.IndexByte(all, '\n') + 1
	for cut := first; cut < len(all); cut++ {
		got, err := acquire.ReadRecording(bytes.NewReader(all[:cut]), "")
		if err != nil {
			t.Fatalf("cut at %d: %v", cut, err)
		}
		if got.Complete {
			t.Fatalf("cut at %d: taken for complete", cut)
		}
		if n := len(got.Chunks); n > len(rec.Chunks) {
			t.Fatalf("cut at %d: %d chunks", cut, n)
		} else if diff := cmp.Diff(rec.Chunks[:n], got.Chunks, cmpopts.EquateEmpty()); diff != "" {
			t.Fatalf("cut at %d (-want +got):\n%s", cut, diff)
		}
	}
}

func TestReadRecordingRejects(t *testing.T) {
	const head = "ringsaddle-recording/1\n"
	for _, c := range []struct{ in, want string }{
		{"", `f: line 1: found "", expected "ringsaddle-recording/1"`},
		{"ringsaddle-recording/2\n", `f: line 1: found "ringsaddle-recording/2", expected "ringsaddle-recording/1"`},
		{"t_s,x_mm\n", `f: line 1: found "t_s,x_mm", expected "ringsaddle-recording/1"`},
		{head + "byte 1 \"a\"\n", `f: line 2: found "byte", expected one of: station, port, boot, opened, bytes, lost, missed, end`},
		{head + "\n#\nbytes x \"a\"\n", `f: line 4: bytes: found "x", expected a time in nanoseconds`},
		{head + "bytes 1 a\n", `f: line 2: bytes: found a, expected text in double quotes`},
		{head + "bytes 1 \"\\q\"\n", `f: line 2: bytes: found "\q", expected text in double quotes`},
		{head + "opened 1 \"a\"\n", `f: line 2: opened: found "\"a\"", expected a Unix time in nanoseconds`},
		{head + "missed 1 -2\n", `f: line 2: missed: found "-2", expected a number of bytes`},
		{head + "station me\n", `f: line 2: station: found me, expected text in double quotes`},
		{head + "end 1\nbytes 2 \"a\"\n", `f: line 3: an item after the end`},
	} {
		_, err := acquire.ReadRecording(strings.NewReader(c.in), "f")
		if err == nil || err.Error() != c.want {
			t.Errorf("%q: got %v; want %s", c.in, err, c.want)
		}
	}
}

func TestRecordingRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rec := acquire.Recording{Name: "f", EndAt: 7, Complete: true}
		rec.Station = rapid.String().Draw(t, "station")
		for range rapid.IntRange(0, 20).Draw(t, "n") {
			c := acquire.Chunk{Kind: acquire.ChunkKind(rapid.IntRange(0, 3).Draw(t, "kind")), At: rapid.Int64().Draw(t, "at")}
			switch c.Kind {
			case acquire.ChunkBytes:
				c.Bytes = rapid.SliceOf(rapid.Byte()).Draw(t, "bytes")
			case acquire.ChunkMissed:
				c.Missed = rapid.Int64Min(0).Draw(t, "missed")
			case acquire.ChunkOpened:
				c.WallNS, c.Text = rapid.Int64().Draw(t, "wall"), rapid.String().Draw(t, "text")
			case acquire.ChunkLost:
				c.Text = rapid.String().Draw(t, "text")
			}
			rec.Chunks = append(rec.Chunks, c)
		}
		var file bytes.Buffer
		if _, err := rec.WriteTo(&file); err != nil {
			t.Fatal(err)
		}
		got, err := acquire.ReadRecording(&file, "f")
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(rec, got, cmpopts.EquateEmpty()); diff != "" {
			t.Fatalf("(-want +got):\n%s", diff)
		}
	})
}

func FuzzReadRecording(f *testing.F) {
	for _, b := range loadCorpus(f, "testdata/recordings/*.txt") {
		f.Add(b)
	}
	d := signedMM(f)
	f.Fuzz(func(t *testing.T, in []byte) {
		rec, err := acquire.ReadRecording(bytes.NewReader(in), "f")
		if err != nil {
			if strings.Contains(err.Error(), "\n") || !strings.HasPrefix(err.Error(), "f: line") {
				t.Errorf("error %q", err)
			}
			return
		}
		_, stats := rec.Replay(acquire.ReplayConfig{Decoder: d, SilenceAfter: 1e9, StaleAfter: 1e9})
		checkBytes(t, stats, rec.Bytes())
	})
}

// A recording made while a source ran replays to what was on the tape.
func TestRecorder(t *testing.T) {
	d := signedMM(t)
	want := acquiretest.Inject(
		acquiretest.Frames(0, 10*ms, "0412\r\n", "+25.00412\r\n", "\x00\xff\r\n", "+25.00413\r\n", "+25.00414\r\n"),
		acquiretest.Fault{Kind: acquiretest.Dead, Chunk: 3, For: 5 * ms})
	p := acquiretest.NewPlayer(want, acquiretest.Options{})
	var file bytes.Buffer
	rec := acquire.NewRecorder(&file, acquire.RecordingHeader{Station: "test", Port: "test port", BootID: "test-boot"}, p.Now)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- rec.Run(ctx) }()
	live, _ := play(t, p, acquire.SourceConfig{Decoder: d, OnBytes: rec.Tap})
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	got, err := acquire.ReadRecording(&file, "")
	if err != nil {
		t.Fatal(err)
	}
	replayed, _ := got.Replay(acquire.ReplayConfig{Decoder: d})
	if diff := cmp.Diff(live, replayed); diff != "" {
		t.Errorf("(-tape +replay of the recording):\n%s", diff)
	}
	if n, lost := rec.Counts(); n != want.Bytes() || lost != 0 || !got.Complete {
		t.Errorf("%d bytes recorded and %d lost of %d; complete %v", n, lost, want.Bytes(), got.Complete)
	}
}

// stalledWriter does not return before it is released.
type stalledWriter struct {
	release chan struct{}
	bytes.Buffer
}

func (w *stalledWriter) Write(p []byte) (int, error) {
	<-w.release
	return w.Buffer.Write(p)
}

// A disk that stands still never holds up the port, and the recording says how
// many bytes are missing.
func TestRecorderNeverWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disk := &stalledWriter{release: make(chan struct{})}
		rec := acquire.NewRecorder(disk, acquire.RecordingHeader{}, func() int64 { return 99 })
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan error)
		go func() { done <- rec.Run(ctx) }()
		synctest.Wait() // it waits for the disk
		chunk := bytes.Repeat([]byte("x"), 1000)
		for i := range 10_000 { // 10 MB; must return
			rec.Tap(acquire.Chunk{At: int64(i), Bytes: chunk})
		}
		close(disk.release)
		synctest.Wait()
		rec.Tap(acquire.Chunk{At: 10_001, Bytes: chunk})
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		got, err := acquire.ReadRecording(&disk.Buffer, "")
		if err != nil {
			t.Fatal(err)
		}
		missed := int64(0)
		for _, c := range got.Chunks {
			missed += c.Missed
		}
		recorded, lost := rec.Counts()
		if missed == 0 || missed != lost || recorded != got.Bytes() || recorded+lost != 10_001_000 {
			t.Errorf("recorded %d (file %d), lost %d (file %d); want 10001000 in all, and some lost", recorded, got.Bytes(), lost, missed)
		}
	})
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestRecorderReportsAWriteError(t *testing.T) {
	rec := acquire.NewRecorder(brokenWriter{}, acquire.RecordingHeader{}, func() int64 { return 0 })
	if err := rec.Run(t.Context()); err == nil || err.Error() != "write the recording: disk full" {
		t.Errorf("Run: %v", err)
	}
}

func TestFlags(t *testing.T) {
	for f, want := range map[acquire.Flags]string{
		0: "", acquire.Gap: "gap", acquire.Gap | acquire.StreamStart: "gap|stream_start",
		acquire.HasY | acquire.HasTilt | acquire.NotValid | acquire.Silence | acquire.Hint: "y|tilt|not_valid|silence|hint",
		1 << 20: "0x100000",
	} {
		if got := f.String(); got != want {
			t.Errorf("%d is %q; want %q", f, got, want)
		}
		if f >= 1<<20 {
			continue
		}
		if got, err := acquire.ParseFlags(want); err != nil || got != f {
			t.Errorf("%q is %d, %v; want %d", want, got, err, f)
		}
		if got, err := acquire.ParseFlags(fmt.Sprint(uint32(f))); err != nil || got != f {
			t.Errorf("%d is read as %d, %v", f, got, err)
		}
	}
}

func TestParseLength(t *testing.T) {
	for in, want := range map[string]acquire.Step{
		"0.1 µm": {Num: 100_000, Den: 1}, "0.1um": {Num: 100_000, Den: 1}, "0.0001 mm": {Num: 100_000, Den: 1},
		"5 nm": {Num: 5000, Den: 1}, ".5 pm": {Num: 1, Den: 2}, "1 in": {Num: 25_400_000_000, Den: 1},
		"0.000001 inch": {Num: 25_400, Den: 1}, "1 µin": {Num: 25_400, Den: 1}, "0.000000001 in": {Num: 127, Den: 5},
	} {
		if got, err := acquire.ParseLength(in); err != nil || got != want {
			t.Errorf("%q is %+v, %v; want %+v", in, got, err, want)
		}
	}
	for in, want := range map[string]string{
		"0.1": "a unit is missing", "": "a unit is missing", "5 cm": `unit "cm" is not known`, "mm": "is not a decimal number",
		"1.2.3 mm": "is not a decimal number", "0 mm": "must be above zero", "-1 mm": `unit "-1 mm" is not known`,
		"999999999999999 in": "too large",
	} {
		if _, err := acquire.ParseLength(in); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v; want %q", in, err, want)
		}
	}
}

func TestClock(t *testing.T) {
	before := acquire.BootClock()
	if after := acquire.BootClock(); before <= 0 || after < before {
		t.Errorf("the boot clock runs from %d to %d", before, after)
	}
	id, err := acquire.BootID()
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil || strings.TrimSpace(string(file)) != id || len(id) != 36 {
		t.Errorf("boot id %q; the system says %q, %v", id, file, err)
	}
}
