package acquire_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rs/zerolog"

	"ringsaddle/acquire"
	"ringsaddle/acquire/acquiretest"
)

// numbered returns a maker of ids like that of a replay.
func numbered() func() string {
	n := 0
	return func() string { n++; return fmt.Sprintf("replay-%d", n) }
}

// play runs a source on a player until the recording is over and returns what
// the tape got.
func play(t testing.TB, p *acquiretest.Player, cfg acquire.SourceConfig) (acquire.Trace, acquire.SourceStats) {
	t.Helper()
	tape := acquire.NewTape(1 << 16)
	h := tape.NewHead("test")
	cfg.Station, cfg.PortLabel, cfg.BootID = "test", "test port", "test-boot"
	cfg.Open, cfg.Now, cfg.WallNow, cfg.NewID, cfg.Tape = p.Open, p.Now, p.WallNow, numbered(), tape
	cfg.BackoffMin, cfg.BackoffMax = time.Nanosecond, time.Microsecond
	s, err := acquire.NewSource(cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	<-p.Done()
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	tape.Close()
	var tr acquire.Trace
	buf := make([]acquire.Reading, 256)
	for {
		n, err := h.Read(t.Context(), buf)
		for _, r := range buf[:n] {
			if r.Flags&acquire.StreamStart != 0 {
				stream, ok := tape.StreamAt(r.Seq)
				if !ok {
					t.Fatalf("no stream at %d", r.Seq)
				}
				tr.Streams = append(tr.Streams, stream)
			}
			tr.Readings = append(tr.Readings, r)
		}
		if errors.Is(err, io.EOF) {
			return tr, s.Stats()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// What a source puts on its tape is what a replay of the recording gives, in
// real time as well as at full speed and with reads of any size.
func TestSourceEqualsReplay(t *testing.T) {
	d := signedMM(t)
	for seed := range uint64(12) {
		rng := rand.New(rand.NewPCG(seed, 5))
		rec := randomRecording(rng, 300)
		want, wantStats := rec.Replay(acquire.ReplayConfig{Decoder: d, SilenceAfter: 35 * time.Millisecond})
		want.Name = ""
		check := func(how string, got acquire.Trace, stats acquire.SourceStats) {
			t.Helper()
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("seed %d, %s (-want +got):\n%s", seed, how, diff)
			}
			type counts struct {
				Readings, Silences, Streams, Reconnects uint64
				Rejected                                [acquire.ReasonCount]uint64
			}
			of := func(s acquire.SourceStats) counts {
				return counts{s.Readings, s.Silences, s.Streams, s.Reconnects, s.FramesRejected}
			}
			if diff := cmp.Diff(of(wantStats), of(stats)); diff != "" {
				t.Errorf("seed %d, %s: counts (-want +got):\n%s", seed, how, diff)
			}
			checkBytes(t, stats, rec.Bytes())
		}
		cfg := acquire.SourceConfig{Decoder: d, SilenceAfter: 35 * time.Millisecond, ReadTimeout: time.Millisecond}
		got, stats := play(t, acquiretest.NewPlayer(rec, acquiretest.Options{
			ReadSize: func() int { return 1 + rng.IntN(30) },
		}), cfg)
		check("full speed", got, stats)
		synctest.Test(t, func(t *testing.T) {
			got, stats := play(t, acquiretest.NewPlayer(rec, acquiretest.Options{Speed: 1}), cfg)
			check("real time", got, stats)
		})
	}
}

// A port whose Read, Write and Open are functions, on the clock of the bubble.
type fakePort struct {
	read    func(p []byte) (int, error)
	write   func(p []byte) (int, error)
	timeout time.Duration
	closed  int
}

func (p *fakePort) SetReadTimeout(d time.Duration) error { p.timeout = d; return nil }
func (p *fakePort) Close() error                         { p.closed++; return nil }

func (p *fakePort) Write(b []byte) (int, error) {
	if p.write == nil {
		return len(b), nil
	}
	return p.write(b)
}

func (p *fakePort) Read(b []byte) (int, error) {
	if p.read != nil {
		return p.read(b)
	}
	time.Sleep(p.timeout)
	return 0, nil
}

// bubbleClock counts ns since the bubble began.
func bubbleClock() func() int64 {
	begun := time.Now()
	return func() int64 { return int64(time.Since(begun)) }
}

// logLines returns the messages logged.
func logLines(t *testing.T, log *bytes.Buffer) (lines []string) {
	t.Helper()
	for line := range strings.Lines(log.String()) {
		var e struct {
			Level, Message, Error string
			Attempts              int
		}
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("log line %q: %v", line, err)
		}
		if e.Level != "debug" {
			lines = append(lines, fmt.Sprintf("%s: %s: %s (%d)", e.Level, e.Message, e.Error, e.Attempts))
		}
	}
	return lines
}

func TestSourceTriesAgainWithGrowingPauses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		var attempts []int64
		now := bubbleClock()
		tape := acquire.NewTape(64)
		var mu sync.Mutex
		available := false
		port, sent := &fakePort{}, false
		port.read = func(b []byte) (int, error) {
			time.Sleep(port.timeout)
			if sent {
				return 0, nil
			}
			sent = true
			return copy(b, "+1.0\r\n"), nil
		}
		var events []string
		s, err := acquire.NewSource(acquire.SourceConfig{
			Station: "bench", PortLabel: "/dev/none", Decoder: signedMM(t), Tape: tape, Now: now,
			Open: func(context.Context) (acquire.Port, error) {
				mu.Lock()
				defer mu.Unlock()
				attempts = append(attempts, now())
				if !available {
					return nil, fmt.Errorf("port /dev/none: %w", fs.ErrNotExist)
				}
				return port, nil
			},
			OnEvent: func(e acquire.Event) { events = append(events, e.Kind.String()) },
			Log:     zerolog.New(&log),
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()

		time.Sleep(150 * time.Second)
		synctest.Wait()
		mu.Lock()
		if s.Stats().Connected || s.Stats().OpenFailures != uint64(len(attempts)) {
			t.Errorf("stats %+v after %d attempts", s.Stats(), len(attempts))
		}
		// 250 ms doubling to 5 s, each ±20 % random.
		want := 250 * time.Millisecond
		for i := 1; i < len(attempts); i++ {
			pause := time.Duration(attempts[i] - attempts[i-1])
			if pause < want*8/10-1 || pause > want*12/10+1 {
				t.Errorf("pause %d is %s; want %s ± 20 %%", i, pause, want)
			}
			want = min(2*want, 5*time.Second)
		}
		if len(attempts) < 25 || len(attempts) > 40 {
			t.Errorf("%d attempts in 150 s", len(attempts))
		}

		available = true
		mu.Unlock()
		time.Sleep(10 * time.Second)
		synctest.Wait()
		if !s.Stats().Connected || s.Stats().Reconnects != 0 {
			t.Errorf("stats %+v; want connected for the first time", s.Stats())
		}
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
		if port.closed != 1 {
			t.Errorf("the port was closed %d times; want once", port.closed)
		}
		lines := logLines(t, &log)
		// One at once, one a minute, one on recovery.
		if len(lines) != 4 || !strings.HasPrefix(lines[0], "warn: port lost; trying again: port /dev/none: file does not exist (0)") ||
			!strings.HasPrefix(lines[1], "warn: port still not there; trying again") || !strings.HasPrefix(lines[3], "info: port recovered") {
			t.Errorf("log:\n%s", strings.Join(lines, "\n"))
		}
		if diff := cmp.Diff([]string{"port_lost", "port_opened"}, events); diff != "" {
			t.Errorf("events (-want +got):\n%s", diff)
		}
	})
}

func TestSourceMarksSilenceWhileThePortIsAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		now := bubbleClock()
		tape := acquire.NewTape(64)
		h := tape.NewHead("test")
		opened := 0
		s, err := acquire.NewSource(acquire.SourceConfig{
			Station: "bench", Decoder: signedMM(t), Tape: tape, Now: now, SilenceAfter: 2 * time.Second,
			Open: func(context.Context) (acquire.Port, error) {
				if opened++; opened > 1 {
					return nil, fs.ErrNotExist
				}
				n := 0
				return &fakePort{read: func(b []byte) (int, error) {
					time.Sleep(10 * time.Millisecond)
					if n++; n > 10 {
						return 0, io.ErrUnexpectedEOF
					}
					return copy(b, "+1.0\r\n"), nil
				}}, nil
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		time.Sleep(time.Hour)
		cancel()
		<-done
		tape.Close()
		buf := make([]acquire.Reading, 64)
		n, _ := h.Read(context.Background(), buf)
		last := buf[n-1]
		if want := int64(2100 * time.Millisecond); last.Flags != acquire.Silence || last.At != want || n != 11 {
			t.Errorf("%d entries, the last %+v; want one silence at %d as the 11th", n, last, want)
		}
		if st := s.Stats(); st.Silences != 1 || !st.Silent {
			t.Errorf("stats %+v", st)
		}
	})
}

func TestSourcePolls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		now := bubbleClock()
		tape := acquire.NewTape(64)
		h := tape.NewHead("test")
		var asked []int64
		answers := 0
		var pending []byte
		port := &fakePort{}
		port.write = func(b []byte) (int, error) {
			if string(b) != "?\r" {
				t.Errorf("request %q", b)
			}
			asked = append(asked, now()/ms)
			// The third request goes unanswered.
			if len(asked) != 3 {
				answers++
				pending = fmt.Appendf(nil, "+%d.00\r\n", answers)
			}
			return len(b), nil
		}
		port.read = func(b []byte) (int, error) {
			if len(pending) == 0 {
				time.Sleep(port.timeout)
				return 0, nil
			}
			time.Sleep(20 * time.Millisecond)
			n := copy(b, pending)
			pending = pending[n:]
			return n, nil
		}
		s, err := acquire.NewSource(acquire.SourceConfig{
			Station: "bench", Decoder: signedMM(t), Tape: tape, Now: now,
			PollRequest: []byte("?\r"), PollInterval: 200 * time.Millisecond, PollAnswer: 500 * time.Millisecond,
			Open: func(context.Context) (acquire.Port, error) { return port, nil },
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		time.Sleep(1450 * time.Millisecond)
		cancel()
		<-done
		tape.Close()
		// Every 200 ms; after the lost answer 500 ms, and no burst to catch up.
		if diff := cmp.Diff([]int64{0, 200, 400, 900, 1100, 1300}, asked); diff != "" {
			t.Errorf("asked at (-want +got):\n%s", diff)
		}
		st := s.Stats()
		if st.PollsSent != 6 || st.PollsUnanswered != 1 || st.Readings != 4 {
			t.Errorf("stats %+v", st)
		}
		buf := make([]acquire.Reading, 64)
		n, _ := h.Read(context.Background(), buf)
		var at []int64
		for _, r := range buf[:n] {
			if r.IsPosition() {
				at = append(at, r.At/ms)
			}
		}
		if diff := cmp.Diff([]int64{220, 920, 1120, 1320}, at); diff != "" {
			t.Errorf("readings at (-want +got):\n%s", diff)
		}
	})
}

func TestSourceGivesUpADeadPort(t *testing.T) {
	for name, c := range map[string]struct {
		port func() *fakePort
		want string
	}{
		"stuck write": {
			func() *fakePort {
				return &fakePort{write: func([]byte) (int, error) { time.Sleep(time.Second); return 0, errors.New("stuck") }}
			}, "send the request: stuck",
		},
		"short write": {
			func() *fakePort { return &fakePort{write: func([]byte) (int, error) { return 1, nil }} },
			"send the request: only 1 of 2 bytes went out",
		},
		"reads that return at once": {
			func() *fakePort { return &fakePort{read: func([]byte) (int, error) { return 0, nil }} },
			"reads return at once without bytes: the port is hung up",
		},
		"end of file": {
			func() *fakePort { return &fakePort{read: func([]byte) (int, error) { return 0, io.EOF }} },
			"the port hung up (end of file)",
		},
		"fault with bytes": {
			func() *fakePort {
				return &fakePort{read: func(b []byte) (int, error) { return copy(b, "+1.0\r\n"), errors.New("overrun") }}
			}, "read: overrun",
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var ports []*fakePort
				var lost []string
				s, err := acquire.NewSource(acquire.SourceConfig{
					Station: "bench", Decoder: signedMM(t), Tape: acquire.NewTape(64), Now: bubbleClock(),
					PollRequest: []byte("?\r"), PollInterval: time.Second,
					Open: func(context.Context) (acquire.Port, error) {
						ports = append(ports, c.port())
						return ports[len(ports)-1], nil
					},
					OnEvent: func(e acquire.Event) {
						if e.Kind == acquire.PortLost {
							lost = append(lost, e.Text)
						}
					},
				})
				if err != nil {
					t.Fatal(err)
				}
				ctx, cancel := context.WithCancel(context.Background())
				done := make(chan error)
				go func() { done <- s.Run(ctx) }()
				time.Sleep(time.Minute)
				cancel()
				<-done
				if len(ports) < 5 || len(lost) == 0 || !strings.Contains(lost[0], c.want) {
					t.Errorf("%d openings, lost %q; want %q", len(ports), lost, c.want)
				}
				for i, p := range ports {
					if p.closed != 1 {
						t.Errorf("port %d was closed %d times", i, p.closed)
					}
				}
			})
		})
	}
}

func TestSourceConfigValidate(t *testing.T) {
	err := acquire.SourceConfig{
		Decoder: signedMM(t), PollRequest: []byte("?"), SilenceAfter: -1, BackoffMin: 2, BackoffMax: 1,
	}.Validate()
	for _, want := range []string{
		"station: a name is missing", "open: a function", "tape: missing", "silence_after: -1ns is negative",
		"backoff_min: 2ns is above backoff_max 1ns", "poll_interval: missing",
	} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("missing %q in: %v", want, err)
		}
	}
	open := func(context.Context) (acquire.Port, error) { return nil, nil }
	if err := (acquire.SourceConfig{
		Station: "a", Open: open, PollRequest: []byte("?"), PollInterval: time.Second, SilenceAfter: time.Second,
	}).Validate(); err == nil || !strings.Contains(err.Error(), "silence_after: 1s is not above poll_interval 1s") {
		t.Errorf("silence below the poll interval: %v", err)
	}
	if _, err := acquire.NewSource(acquire.SourceConfig{Station: "a", Open: open}); err != nil {
		t.Errorf("a source that only passes bytes on: %v", err)
	}
}

func TestSourceOnlyPassesBytesOn(t *testing.T) {
	rec := acquiretest.Inject(acquiretest.Frames(0, ms, "+1.0\r\n", "x", "\x00"), acquiretest.Fault{Kind: acquiretest.Dead, Chunk: 1})
	p := acquiretest.NewPlayer(rec, acquiretest.Options{})
	var got []acquire.Chunk
	s, err := acquire.NewSource(acquire.SourceConfig{
		Station: "a", Open: p.Open, Now: p.Now, WallNow: p.WallNow, BackoffMin: 1, BackoffMax: 1, ReadTimeout: time.Millisecond,
		OnBytes: func(c acquire.Chunk) { c.Bytes = bytes.Clone(c.Bytes); got = append(got, c) },
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- s.Run(ctx) }()
	<-p.Done()
	cancel()
	<-done
	wall := int64(1_764_000_000_000_000_000)
	want := []acquire.Chunk{
		{Kind: acquire.ChunkOpened, At: 0, WallNS: wall, Text: "opened"},
		{At: ms, Bytes: []byte("+1.0\r\n")},
		{At: 2 * ms, Bytes: []byte("x")},
		{Kind: acquire.ChunkLost, At: 2 * ms, Text: "the port hung up (end of file)"},
		{Kind: acquire.ChunkOpened, At: 2 * ms, Text: "reopened after the port was lost"},
		{At: 3 * ms, Bytes: []byte("\x00")},
		{Kind: acquire.ChunkLost, At: 3 * ms, Text: "closed"},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("chunks (-want +got):\n%s", diff)
	}
	if st := s.Stats(); st.BytesRead != 8 {
		t.Errorf("%d bytes read; want 8", st.BytesRead)
	}
}

// After a restart of the program the readout may show other decimals than those
// of the stream that was stored last.
func TestSourceKnowsThePreviousStream(t *testing.T) {
	rec := acquiretest.Frames(0, ms, "\r\n", "+1.00\r\n", "+1.01\r\n", "+1.02\r\n")
	for _, c := range []struct {
		previous acquire.Step
		changed  bool
	}{{acquire.Step{}, false}, {acquire.Step{Num: 10_000_000, Den: 1}, false}, {acquire.Step{Num: 10_000, Den: 1}, true}} {
		tr, _ := play(t, acquiretest.NewPlayer(rec, acquiretest.Options{}), acquire.SourceConfig{
			Decoder: signedMM(t), Previous: acquire.Stream{Step: c.previous},
		})
		if len(tr.Streams) != 1 || tr.Streams[0].UnitChanged != c.changed || len(tr.Readings) != 4 {
			t.Errorf("previous step %v: %+v, %d entries; want unit changed %v and 4", c.previous, tr.Streams, len(tr.Readings), c.changed)
		}
	}
}
