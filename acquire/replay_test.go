package acquire_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ringsaddle/acquire"
	"ringsaddle/acquire/acquiretest"
	"ringsaddle/acquire/frame"
)

const ms = int64(time.Millisecond)

// signedMM decodes "+25.00412\r\n" and learns the decimals.
func signedMM(t testing.TB) *frame.Decoder {
	t.Helper()
	c := frame.DefaultConfig()
	c.Form = "signed-decimal-mm-crlf"
	d, err := frame.New(c)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// show writes entries one per line, for comparison by eye.
func show(tr acquire.Trace) string {
	var b strings.Builder
	for _, r := range tr.Readings {
		fmt.Fprintf(&b, "%d %dms", r.Seq, r.At/ms)
		if r.Flags&acquire.StreamStart != 0 {
			s, _ := tr.StreamAt(r.Seq)
			fmt.Fprintf(&b, " [%s: %s", s.Reason, s.Step)
			if s.UnitChanged {
				b.WriteString(", unit changed")
			}
			b.WriteString("]")
		} else if r.IsPosition() {
			fmt.Fprintf(&b, " %d", r.X)
		}
		if f := r.Flags &^ acquire.StreamStart; f != 0 {
			fmt.Fprintf(&b, " %s", f)
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func TestReplay(t *testing.T) {
	frames := func(fs ...string) acquire.Recording {
		for i := range fs {
			fs[i] += "\r\n"
		}
		return acquiretest.Frames(1000*ms, 10*ms, fs...)
	}
	for _, c := range []struct {
		name   string
		rec    acquire.Recording
		silent time.Duration
		want   string
	}{
		{
			name: "the first frame may be half, three others agree on the decimals",
			rec:  frames("5.00410", "+25.00411", "+25.00412", "+25.00413", "+25.00414"),
			want: `
1 1020ms [opened: 0.01 µm] gap
2 1020ms 2500411 gap
3 1030ms 2500412
4 1040ms 2500413
5 1050ms 2500414
`,
		},
		{
			name: "garbage leaves a gap, blank lines do not",
			rec:  frames("", "+25.00411", "+25.00412", "+25.00413", "?!", "+25.00414", "", "+25.00415"),
			want: `
1 1020ms [opened: 0.01 µm] gap
2 1020ms 2500411 gap
3 1030ms 2500412
4 1040ms 2500413
5 1060ms 2500414 gap
6 1080ms 2500415
`,
		},
		{
			name: "a lost digit is no change of decimals",
			rec:  frames("", "+25.00411", "+25.00412", "+25.00413", "+25.0041", "+25.00415", "+25.0416", "+25.00417"),
			want: `
1 1020ms [opened: 0.01 µm] gap
2 1020ms 2500411 gap
3 1030ms 2500412
4 1040ms 2500413
5 1060ms 2500415 gap
6 1080ms 2500417 gap
`,
		},
		{
			name: "a lost digit at the very beginning opens no stream",
			rec:  frames("", "+25.0041", "+25.00412", "+25.00413", "+25.00414"),
			want: `
1 1030ms [opened: 0.01 µm] gap
2 1030ms 2500412 gap
3 1040ms 2500413
4 1050ms 2500414
`,
		},
		{
			name: "three frames with other decimals are a change",
			rec:  frames("", "+25.0041", "+25.0042", "+25.0043", "+0.984414", "+0.984415", "+0.984416", "+0.984417"),
			want: `
1 1020ms [opened: 0.1 µm] gap
2 1020ms 250041 gap
3 1030ms 250042
4 1040ms 250043
5 1050ms [the readout changed its unit or its number of decimals: 0.001 µm, unit changed] gap
6 1050ms 984414
7 1060ms 984415
8 1070ms 984416
9 1080ms 984417
`,
		},
		{
			name:   "one silence, at the instant at which it is certain",
			rec:    acquiretest.Inject(frames("", "+1.0", "+1.1", "+1.2", "+1.3", "+1.4", "+1.5"), acquiretest.Fault{Kind: acquiretest.Mute, Chunk: 4, For: 15 * ms}),
			silent: 25 * time.Millisecond,
			want: `
1 1020ms [opened: 100 µm] gap
2 1020ms 10 gap
3 1030ms 11
4 1040ms 12
5 1065ms silence
6 1070ms 15
`,
		},
		{
			name:   "garbage is no sign of life",
			rec:    frames("", "+1.0", "+1.1", "+1.2", "x", "x", "x", "+1.3"),
			silent: 25 * time.Millisecond,
			want: `
1 1020ms [opened: 100 µm] gap
2 1020ms 10 gap
3 1030ms 11
4 1040ms 12
5 1065ms silence
6 1080ms 13 gap
`,
		},
		{
			name: "a port that was lost begins a new stream",
			rec: acquiretest.Inject(frames("", "+1.0", "+1.1", "+1.2", "+1.3", "+1.4", "+1.5", "+1.6"),
				acquiretest.Fault{Kind: acquiretest.Dead, Chunk: 4, For: 15 * ms}),
			want: `
1 1020ms [opened: 100 µm] gap
2 1020ms 10 gap
3 1030ms 11
4 1040ms 12
5 1050ms 13
6 1080ms [reopened after the port was lost: 100 µm] gap
7 1080ms 16 gap
`,
		},
		{
			name: "decimals that changed while the port was away",
			rec: acquiretest.Inject(frames("", "+1.0", "+1.1", "+1.2", "+9.99", "+1.40", "+1.41", "+1.42", "+1.43"),
				acquiretest.Fault{Kind: acquiretest.Dead, Chunk: 3, For: 5 * ms}),
			want: `
1 1020ms [opened: 100 µm] gap
2 1020ms 10 gap
3 1030ms 11
4 1040ms 12
5 1060ms [reopened after the port was lost: 10 µm, unit changed] gap
6 1060ms 140 gap
7 1070ms 141
8 1080ms 142
9 1090ms 143
`,
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr, stats := c.rec.Replay(acquire.ReplayConfig{Decoder: signedMM(t), SilenceAfter: c.silent})
			if diff := cmp.Diff(strings.TrimPrefix(c.want, "\n"), show(tr)); diff != "" {
				t.Errorf("entries (-want +got):\n%s", diff)
			}
			checkBytes(t, stats, c.rec.Bytes())
		})
	}
}

// checkBytes asserts that every byte is accounted for.
func checkBytes(t testing.TB, s acquire.SourceStats, fed int64) {
	t.Helper()
	if int64(s.BytesRead) != fed || s.BytesAccepted+s.RejectedBytes()+s.BytesHeld+s.BytesPending != s.BytesRead {
		t.Errorf("%d bytes fed, %d read; accepted %d + rejected %d + held %d + pending %d",
			fed, s.BytesRead, s.BytesAccepted, s.RejectedBytes(), s.BytesHeld, s.BytesPending)
	}
}

func TestReplayStatusAndTemperature(t *testing.T) {
	c := frame.DefaultConfig()
	c.Terminator, c.Pattern = `\n`, `(?P<status>[VE]) *(?P<x>\S+) *(?P<temperature>\S*)`
	c.StatusNotValid, c.TemperatureChannel = []string{"E"}, "scale"
	d, err := frame.New(c)
	if err != nil {
		t.Fatal(err)
	}
	var temperatures []acquire.TemperatureSample
	rec := acquiretest.Frames(0, ms, "\n", "E ---\n", "V 1.0\n", "E ---\n", "V 1.1 20.5\n", "V 1.2\n", "E ---\n", "V 1.3\n")
	tr, stats := rec.Replay(acquire.ReplayConfig{
		Decoder:       d,
		OnTemperature: func(s acquire.TemperatureSample) { temperatures = append(temperatures, s) },
	})
	want := `1 3ms [opened: 100 µm] gap
2 3ms 10 gap
3 4ms not_valid
4 5ms 11
5 6ms 12
6 7ms not_valid
7 8ms 13
`
	if diff := cmp.Diff(want, show(tr)); diff != "" {
		t.Errorf("entries (-want +got):\n%s", diff)
	}
	if stats.NotValid != 3 || stats.Readings != 4 {
		t.Errorf("%d not valid, %d readings; want 3 and 4", stats.NotValid, stats.Readings)
	}
	if diff := cmp.Diff([]acquire.TemperatureSample{{At: 5 * ms, Channel: "scale", MicroCelsius: 20_500_000}}, temperatures); diff != "" {
		t.Errorf("temperatures (-want +got):\n%s", diff)
	}
	checkBytes(t, stats, rec.Bytes())
}

func TestReplayEvents(t *testing.T) {
	var events []string
	collect := func(e acquire.Event) { events = append(events, fmt.Sprintf("%dms %s", e.At/ms, e.Text)) }
	garbage := strings.Repeat("\xe6\x00\xf8", 10)
	rec := acquiretest.Frames(0, 500*ms, garbage, garbage, garbage, garbage, garbage, garbage, garbage)
	rec.Port = "/dev/ttyUSB0, 9600 baud 8N1"
	_, stats := rec.Replay(acquire.ReplayConfig{Decoder: signedMM(t), OnEvent: collect})
	want := []string{"2500ms test: only garbage arrives at /dev/ttyUSB0, 9600 baud 8N1: 150 bytes in 2.0 s and not one valid frame; " +
		"most of them are no text: check baud rate, data bits and parity; first bytes: e6 00 f8 e6 00 f8 e6 00 f8 e6 00 f8 e6 00 f8 e6"}
	if diff := cmp.Diff(want, events); diff != "" {
		t.Errorf("wrong baud rate (-want +got):\n%s", diff)
	}
	if stats.GarbageEpisodes != 1 || !stats.OnlyGarbage {
		t.Errorf("garbage episodes %d, now %v", stats.GarbageEpisodes, stats.OnlyGarbage)
	}

	events = nil
	rec = acquiretest.Frames(0, 500*ms, "25.00412 mm\r\n", "25.00412 mm\r\n", "25.00412 mm\r\n", "25.00412 mm\r\n", "25.00412 mm\r\n", "25.00412 mm\r\n")
	rec.Replay(acquire.ReplayConfig{Decoder: signedMM(t), OnEvent: collect})
	if len(events) != 1 || !strings.Contains(events[0], "they are text, but no frame matches: check terminator and pattern") {
		t.Errorf("wrong pattern: %q", events)
	}

	events = nil
	rec = acquiretest.Frames(0, 500*ms, "\r\n", "+1.0\r\n", "+1.0\r\n", "+1.0\r\n", "+1.0\r\n", "+1.0\r\n", "+1.1\r\n", "+1.1\r\n")
	_, stats = rec.Replay(acquire.ReplayConfig{Decoder: signedMM(t), OnEvent: collect, StaleAfter: 1500 * time.Millisecond})
	want = []string{
		"1000ms test: a stream began (opened), one count is 100 µm",
		"2500ms test: the same reading was repeated for 1.5s: a resting bench, a held display or a frozen interface",
	}
	if diff := cmp.Diff(want, events); diff != "" {
		t.Errorf("stale (-want +got):\n%s", diff)
	}
	if stats.StaleEpisodes != 1 || stats.Stale || stats.UnchangedFrames != 1 || stats.UnchangedSince != 3500*ms {
		t.Errorf("stale %d now %v, unchanged %d since %d", stats.StaleEpisodes, stats.Stale, stats.UnchangedFrames, stats.UnchangedSince)
	}
}

// garble damages a frame in the way that lines and readouts do.
func garble(rng *rand.Rand, frame []byte) []byte {
	b := append([]byte(nil), frame...)
	for range 1 + rng.IntN(3) {
		if len(b) == 0 {
			break
		}
		i := rng.IntN(len(b))
		switch rng.IntN(6) {
		case 0: // bit error
			b[i] ^= 1 << rng.IntN(8)
		case 1: // lost byte
			b = append(b[:i], b[i+1:]...)
		case 2: // doubled byte
			b = append(b[:i+1], b[i:]...)
		case 3: // noise
			noise := make([]byte, rng.IntN(40))
			for k := range noise {
				noise[k] = byte(rng.IntN(256))
			}
			b = append(b[:i:i], append(noise, b[i:]...)...)
		case 4: // cut off
			b = b[:i]
		case 5: // over-long run of one byte
			b = append(b[:i:i], append([]byte(strings.Repeat("7", rng.IntN(400))), b[i:]...)...)
		}
	}
	return b
}

func TestHundredThousandGarbledFrames(t *testing.T) {
	const total = 100_000
	rng := rand.New(rand.NewPCG(3, 14))
	corpus := loadCorpus(t, "testdata/bytes/*.bin")
	rec := acquire.Recording{Chunks: []acquire.Chunk{{Kind: acquire.ChunkOpened}}}
	for i := range total {
		f := fmt.Appendf(nil, "%+.5f\r\n", 25+rng.NormFloat64()*1e-3)
		b := garble(rng, f)
		if i%1000 == 0 {
			for _, c := range corpus {
				b = append(b, c...)
			}
		}
		rec.Chunks = append(rec.Chunks, acquire.Chunk{At: int64(i) * ms, Bytes: b})
	}
	// One terminator ends whatever is left open; the next good frame must pass.
	good := []string{"\r\n", "+30.00001\r\n", "+30.00002\r\n", "+30.00003\r\n"}
	for i, f := range good {
		rec.Chunks = append(rec.Chunks, acquire.Chunk{At: int64(total+i) * ms, Bytes: []byte(f)})
	}
	seen, frames := uint64(0), uint64(0)
	tr, stats := rec.Replay(acquire.ReplayConfig{Decoder: signedMM(t), OnFrame: func(r acquire.FrameReport) {
		if r.Err != nil {
			seen += uint64(r.Err.Length)
			frames++
		}
	}})
	checkBytes(t, stats, rec.Bytes())
	if stats.RejectedFrames() != frames || frames < total/2 {
		t.Errorf("%d frames rejected, %d reported; want at least %d", stats.RejectedFrames(), frames, total/2)
	}
	for _, reason := range []acquire.Reason{acquire.ReasonNoMatch, acquire.ReasonTooLong, acquire.ReasonDecimalsChanged} {
		if stats.FramesRejected[reason] == 0 {
			t.Errorf("not one frame was rejected as %s: the test does not garble enough", reason)
		}
	}
	var last []int64
	for _, r := range tr.Readings[len(tr.Readings)-3:] {
		last = append(last, r.X)
	}
	if diff := cmp.Diff([]int64{3_000_001, 3_000_002, 3_000_003}, last); diff != "" {
		t.Errorf("the good frames at the end (-want +got):\n%s", diff)
	}
	t.Logf("%d bytes in %d frames: %d readings, %d frames rejected with %d bytes: %v",
		stats.BytesRead, total, stats.Readings, stats.RejectedFrames(), stats.RejectedBytes(), stats.FramesRejected)
}

// randomRecording draws a recording with damage, pauses and losses.
func randomRecording(rng *rand.Rand, n int) acquire.Recording {
	frames := make([]string, n)
	for i := range frames {
		switch {
		case rng.IntN(8) == 0:
			frames[i] = string(garble(rng, fmt.Appendf(nil, "%+.4f\r\n", rng.NormFloat64())))
		case rng.IntN(40) == 0:
			frames[i] = fmt.Sprintf("%+.5f\r\n", rng.NormFloat64())
		default:
			frames[i] = fmt.Sprintf("%+.4f\r\n", rng.NormFloat64())
		}
	}
	rec := acquiretest.Frames(0, 10*ms, frames...)
	var faults []acquiretest.Fault
	for i := range n {
		if rng.IntN(30) == 0 {
			faults = append(faults, acquiretest.Fault{
				Kind: acquiretest.FaultKind(rng.IntN(6)), Chunk: i, For: rng.Int64N(200 * ms), Bytes: []byte("\x00+1.\r"),
			})
		}
	}
	return acquiretest.Inject(rec, faults...)
}

// split cuts the chunks of a recording into smaller ones of the same times.
func split(rng *rand.Rand, rec acquire.Recording) acquire.Recording {
	out := rec
	out.Chunks = nil
	for _, c := range rec.Chunks {
		for c.Kind == acquire.ChunkBytes && len(c.Bytes) > 1 && rng.IntN(4) > 0 {
			n := 1 + rng.IntN(len(c.Bytes)-1)
			out.Chunks = append(out.Chunks, acquire.Chunk{At: c.At, Bytes: c.Bytes[:n]})
			c.Bytes = c.Bytes[n:]
		}
		out.Chunks = append(out.Chunks, c)
	}
	return out
}

// The same bytes with their times make the same entries whatever the sizes of
// the reads; and through a tape of any capacity, read at any pace, every entry
// arrives or is named by an Overrun.
func TestSameBytesSameReadings(t *testing.T) {
	d := signedMM(t)
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		rec := randomRecording(rng, rapid.IntRange(0, 400).Draw(t, "frames"))
		cfg := acquire.ReplayConfig{Decoder: d, SilenceAfter: 35 * time.Millisecond, StaleAfter: time.Second}
		want, wantStats := rec.Replay(cfg)
		pieces := split(rng, rec)
		got, stats := pieces.Replay(cfg)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("split otherwise (-want +got):\n%s", diff)
		}
		wantStats.LastRejected, stats.LastRejected = nil, nil // their lengths of over-long frames may differ
		if diff := cmp.Diff(wantStats, stats); diff != "" {
			t.Fatalf("counts (-want +got):\n%s", diff)
		}

		tape := acquire.NewTape(rapid.IntRange(1, 300).Draw(t, "capacity"))
		var wg sync.WaitGroup
		faults := make([]error, 3)
		for i := range faults {
			h := tape.NewHead(fmt.Sprint("head-", i))
			pace := rand.New(rand.NewPCG(rng.Uint64(), 0))
			wg.Go(func() { faults[i] = compareHead(h, want.Readings, pace) })
		}
		split(rng, rec).ReplayTo(tape, cfg)
		tape.Close()
		wg.Wait()
		if err := errors.Join(faults...); err != nil {
			t.Fatal(err)
		}
	})
}

// compareHead reads a head to its end and compares what it delivers with want.
func compareHead(h *acquire.Head, want []acquire.Reading, pace *rand.Rand) error {
	buf := make([]acquire.Reading, 1+pace.IntN(64))
	next, lost := uint64(1), uint64(0)
	for {
		n, err := h.Read(noContext, buf)
		for _, r := range buf[:n] {
			if r.Seq != next || r != want[next-1] {
				return fmt.Errorf("%s: entry %d is %+v; want %+v", h.Name(), next, r, want[next-1])
			}
			next++
		}
		var o *acquire.Overrun
		switch {
		case errors.As(err, &o):
			if o.From != next {
				return fmt.Errorf("%s: %v; want from %d", h.Name(), o, next)
			}
			next, lost = o.To+1, lost+o.Lost()
		case errors.Is(err, io.EOF):
			if s := h.Stats(); next != uint64(len(want))+1 || s.Delivered+s.Lost != uint64(len(want)) || s.Lost != lost {
				return fmt.Errorf("%s: %d delivered and %d lost of %d", h.Name(), s.Delivered, s.Lost, len(want))
			}
			return nil
		case err != nil:
			return err
		}
		if pace.IntN(4) == 0 {
			time.Sleep(time.Duration(pace.IntN(100)) * time.Microsecond)
		}
	}
}

// FuzzReplay: the readings do not depend on how the bytes were split, and every
// byte is accounted for.
func FuzzReplay(f *testing.F) {
	for _, b := range loadCorpus(f, "testdata/bytes/*.bin") {
		f.Add(b, uint64(1))
	}
	d := signedMM(f)
	f.Fuzz(func(t *testing.T, in []byte, seed uint64) {
		rng := rand.New(rand.NewPCG(seed, 0))
		rec := acquire.Recording{Chunks: []acquire.Chunk{{Kind: acquire.ChunkOpened}}}
		for at := int64(0); len(in) > 0; at += rng.Int64N(40 * ms) {
			n := 1 + rng.IntN(min(len(in), 40))
			rec.Chunks = append(rec.Chunks, acquire.Chunk{At: at, Bytes: in[:n]})
			in = in[n:]
		}
		cfg := acquire.ReplayConfig{Decoder: d, SilenceAfter: 35 * time.Millisecond, StaleAfter: time.Second}
		want, stats := rec.Replay(cfg)
		checkBytes(t, stats, rec.Bytes())
		got, stats := split(rng, rec).Replay(cfg)
		checkBytes(t, stats, rec.Bytes())
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("split otherwise (-want +got):\n%s", diff)
		}
	})
}

// BenchmarkIntake decodes a stream of "+25.00412\r\n" in reads of 64 bytes; the
// yardstick is one look at every byte.
func BenchmarkIntake(b *testing.B) {
	rec := acquire.Recording{Chunks: []acquire.Chunk{{Kind: acquire.ChunkOpened}}}
	var all []byte
	for i := range 20_000 {
		all = fmt.Appendf(all, "%+.5f\r\n", 25+float64(i%977)*1e-5)
	}
	for i := 0; i < len(all); i += 64 {
		rec.Chunks = append(rec.Chunks, acquire.Chunk{At: int64(i), Bytes: all[i:min(i+64, len(all))]})
	}
	plain := math.Inf(1) // ns to look at every byte, the best of five rounds
	for range 5 {
		start, ends := time.Now(), 0
		for _, c := range all {
			if c == '\n' {
				ends++
			}
		}
		plain = min(plain, float64(time.Since(start)))
		if ends != 20_000 {
			b.Fatalf("%d line ends", ends)
		}
	}
	d := signedMM(b)
	b.SetBytes(int64(len(all)))
	b.ReportAllocs()
	for b.Loop() {
		tape := acquire.NewTape(1024)
		if s := rec.ReplayTo(tape, acquire.ReplayConfig{Decoder: d}); s.Readings != 19_999 {
			b.Fatalf("%d readings", s.Readings)
		}
	}
	per := float64(b.Elapsed()) / float64(b.N)
	b.ReportMetric(per/plain, "×scan")
	b.ReportMetric(20_000/(per/1e9), "frames/s")
}
