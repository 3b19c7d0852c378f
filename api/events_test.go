package api

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// sse reads a stream of server-sent events.
type sse struct {
	t      *testing.T
	res    *http.Response
	cancel context.CancelFunc
	events chan sseEvent
}

type sseEvent struct {
	id, name, data string
}

func subscribe(t *testing.T, url, lastID string) *sse {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	req, _ := http.NewRequestWithContext(ctx, "GET", url, nil)
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		cancel()
		t.Fatal(err)
	}
	s := &sse{t: t, res: res, cancel: cancel, events: make(chan sseEvent, 1000)}
	t.Cleanup(s.close)
	if res.StatusCode != 200 {
		return s
	}
	if ct := res.Header.Get("Content-Type"); ct != "text/event-stream" {
		t.Errorf("content type %q", ct)
	}
	go func() {
		defer close(s.events)
		var e sseEvent
		sc := bufio.NewScanner(res.Body)
		sc.Buffer(nil, 1<<22)
		for sc.Scan() {
			key, value, _ := strings.Cut(sc.Text(), ": ")
			switch key {
			case "id":
				e.id = value
			case "event":
				e.name = value
			case "data":
				e.data = value
			case "":
				if e.name != "" {
					s.events <- e
				}
				e = sseEvent{}
			}
		}
	}()
	return s
}

func (s *sse) close() {
	s.cancel()
	s.res.Body.Close()
}

// next returns the next event with one of the names.
func (s *sse) next(names ...string) sseEvent {
	s.t.Helper()
	limit := time.After(5 * time.Second)
	for {
		select {
		case e, ok := <-s.events:
			if !ok {
				s.t.Fatalf("the stream ended before one of %v", names)
			}
			for _, n := range names {
				if e.name == n {
					return e
				}
			}
		case <-limit:
			s.t.Fatalf("none of %v within 5 s", names)
		}
	}
}

func decode[T any](t *testing.T, e sseEvent) T {
	t.Helper()
	var v T
	if err := json.Unmarshal([]byte(e.data), &v); err != nil {
		t.Fatalf("%s: %v: %s", e.name, err, e.data)
	}
	return v
}

func TestJournalStreamResumes(t *testing.T) {
	b := newBench(t)
	base := serve(t, b)
	startSet(b) // journal 1 and 2
	s := subscribe(t, base+"/api/v1/events?after=0", "")
	if h := decode[wireHello](t, s.next("hello", "journal")); h.LastSeq != 2 || h.Reset || h.Version != "test" {
		t.Errorf("hello %+v", h)
	}
	for want := 1; want <= 2; want++ {
		e := s.next("journal")
		if e.id != strconv.Itoa(want) || decode[wireEvent](t, e).Seq != int64(want) {
			t.Fatalf("event %s, want %d: %s", e.id, want, e.data)
		}
	}
	want[wireSet](b, 200, "POST", "/api/v1/sets/set-1/pause", reason)
	e := s.next("journal")
	if ev := decode[wireEvent](t, e); e.id != "3" || ev.Kind != "paused" || ev.By != "A. Example" || ev.SetID != "set-1" || ev.Station != "bench-1" {
		t.Errorf("live event %s: %+v", e.id, ev)
	}
	s.close()
	// While away, two more.
	want[wireSet](b, 200, "POST", "/api/v1/sets/set-1/resume", "{}")
	want[wireSet](b, 200, "POST", "/api/v1/sets/set-1/pause", reason)
	s = subscribe(t, base+"/api/v1/events?after=0", "3") // a browser keeps the old URL and sends the header
	for _, id := range []string{"4", "5"} {
		if e := s.next("journal"); e.id != id {
			t.Fatalf("resumed with %s, want %s", e.id, id)
		}
	}
	if e := s.next("heartbeat", "journal"); e.name != "heartbeat" || e.id != "" {
		t.Errorf("after the last event came %+v", e)
	}
	// A number beyond the journal: another database. The client is told.
	s = subscribe(t, base+"/api/v1/events", "77")
	if h := decode[wireHello](t, s.next("hello")); !h.Reset || h.LastSeq != 5 {
		t.Errorf("hello beyond the journal %+v", h)
	}
	want[wireSet](b, 200, "POST", "/api/v1/sets/set-1/resume", "{}")
	if e := s.next("journal"); e.id != "6" {
		t.Errorf("after a reset came %s", e.id)
	}
	// Without a number the stream begins with what comes next.
	s = subscribe(t, base+"/api/v1/events", "")
	s.next("hello")
	want[wireSet](b, 200, "POST", "/api/v1/sets/set-1/pause", reason)
	if e := s.next("journal"); e.id != "7" {
		t.Errorf("from now on came %s", e.id)
	}
	bad := subscribe(t, base+"/api/v1/events", "seven")
	checkProblem(t, bad.res, http.StatusUnprocessableEntity)
	if page := want[journalPage](b, 200, "GET", "/api/v1/journal?after=4&limit=2", nil); page.LastSeq != 7 || len(page.Events) != 2 || page.Events[0].Seq != 5 {
		t.Errorf("page of the journal %+v", page)
	}
}

// A journal longer than a batch arrives whole and in order.
func TestJournalStreamInBatches(t *testing.T) {
	b := newBench(t)
	base := serve(t, b)
	const n = 2*eventBatch + 17
	b.mu.Lock()
	for i := range n {
		b.journal = append(b.journal, JournalEvent{Seq: int64(i + 1), Kind: "ring_registered", Step: -1, Station: map[bool]string{true: "bench-2"}[i%10 == 0]})
	}
	b.mu.Unlock()
	s := subscribe(t, base+"/api/v1/events?after=0&station=bench-1", "")
	got := 0
	for want := 1; want <= n; want++ {
		if (want-1)%10 == 0 {
			continue // of the other station
		}
		if e := s.next("journal"); e.id != strconv.Itoa(want) {
			t.Fatalf("event %s, want %d", e.id, want)
		}
		got++
	}
	if got < n/2 {
		t.Fatal("nothing was checked")
	}
}

// A commit that nobody announced is found by the heartbeat.
func TestJournalStreamFindsUnannouncedCommits(t *testing.T) {
	b := newBench(t)
	base := serve(t, b)
	s := subscribe(t, base+"/api/v1/events", "")
	s.next("hello")
	b.mu.Lock()
	b.journal = append(b.journal, JournalEvent{Seq: 1, Kind: "ring_registered", Step: -1})
	b.mu.Unlock()
	if e := s.next("journal"); e.id != "1" {
		t.Errorf("event %+v", e)
	}
}

func TestCues(t *testing.T) {
	b := newBench(t)
	base := serve(t, b)
	s := subscribe(t, base+"/api/v1/events?station=bench-1", "")
	s.next("heartbeat")
	b.server.Announce(Cue{Station: "bench-2", Kind: detect.EventComplete})
	b.server.Announce(Cue{Station: "bench-1", Kind: detect.EventCaught, Adjustment: detect.Cross})
	e := s.next("cue")
	if c := decode[wireCue](t, e); e.id != "" || c.Station != "bench-1" || c.Kind != "caught" || c.Text != "Cross slide caught" {
		t.Errorf("%+v %+v", e, c)
	}
	for range 1000 { // never blocks, whoever listens
		b.server.Announce(Cue{Station: "bench-1", Kind: detect.EventContact})
	}
	for kind, text := range map[detect.EventKind]string{
		detect.EventRefined: "Tilt confirmed once more", detect.EventRevoked: "Tilt: that was no turning point, once more please",
		detect.EventComplete: "All caught", detect.EventCaptured: "Entry recorded", detect.EventWithdrawn: "Withdrawn", "other": "other",
	} {
		if got := cueText(Cue{Kind: kind, Adjustment: detect.Tilt}); got != text {
			t.Errorf("%s: %q, want %q", kind, got, text)
		}
	}
}

func TestLiveFrames(t *testing.T) {
	b := newBench(t)
	base := serve(t, b)
	s := subscribe(t, base+"/api/v1/stations/bench-1/live", "")
	s.next("trace")
	s.next("live") // the tape is followed
	b.read(3_000_000, 3_000_010)
	start := b.read(3_000_040, 3_000_050, 3_000_042)
	b.detector(func(d *detect.State) {
		d.Stage, d.StartSeq, d.Origin, d.Sought = detect.StageContact, start.Seq-2, 3_000_000, 1
		d.Missing = detect.Reason{Code: detect.ReasonSeenOnce, Text: "Back over it once more."}
		d.Points = []detect.TurningPoint{{Adjustment: detect.Tilt, Sense: detect.Minimum, At: start.At, Value: 12.5, U: 3.25, Crossings: 2}}
	})
	b.read(3_000_044)
	var f liveFrame
	for len(f.Points) == 0 {
		f = decode[liveFrame](t, s.next("live"))
	}
	if f.Reading == nil || f.Reading.Text != "30.00044" || f.Reading.MM != 30.00044 || f.Reading.Unit != "mm" || !f.Reading.Valid || f.Reading.DiameterText != "" {
		t.Errorf("reading %+v", f.Reading)
	}
	if f.Contact != "settled" || f.ContactText != "In contact" || f.Seeking != "cross" || f.Missing != "Back over it once more." || f.ContactSeq != start.Seq-2 || !f.Connected {
		t.Errorf("contact %+v", f)
	}
	if p := f.Points[0]; p.Value != 30.000125 || p.U != 0.000032500 || p.Sense != "min" || p.Crossings != 2 || p.T != float64(start.At-5_000_000_000)/1e9 {
		t.Errorf("point %+v", p)
	}
	// The trace event of a new client has what this one saw frame by frame.
	other := subscribe(t, base+"/api/v1/events?station=bench-1&live=true", "")
	other.next("hello")
	tr := decode[liveTrace](t, other.next("trace"))
	low, high := 99.0, 0.0
	for _, c := range tr.Columns {
		low, high = min(low, c.Min), max(high, c.Max)
	}
	if tr.Stream != "stream-1" || tr.ResolutionMM != 0.00001 || low != 30 || high != 30.0005 {
		t.Errorf("trace %+v: %v to %v", tr, low, high)
	}
	// A new stream begins a new trace; a position that is not valid is said.
	b.mu.Lock()
	b.tape.Open(acquire.Stream{ID: "stream-2", OpenedAt: b.at, Step: acquire.Step{Num: 100_000, Den: 1}, ResolutionPM: 100_000})
	b.tape.Append([]acquire.Reading{{At: b.at, X: 1, Flags: acquire.NotValid}})
	b.mu.Unlock()
	for f.Stream != "stream-2" || f.Reading == nil {
		f = decode[liveFrame](t, s.next("live"))
	}
	if f.Reading.Valid || f.Reading.Text != "" || len(f.Columns) != 0 {
		t.Errorf("not valid: %+v", f.Reading)
	}
	s = subscribe(t, base+"/api/v1/stations/bench-2/live", "")
	s.next("trace")
	for f.Now.Tone != "stop" {
		f = decode[liveFrame](t, s.next("live"))
	}
	if f.Connected || f.Now.Detail != "No such port: plug in the adapter of bench 2." || f.Contact != "unknown" || f.Reading != nil {
		t.Errorf("bench without a port: %+v", f)
	}
}

// The prompt follows the set, and the diameter appears with the reference.
func TestLivePrompts(t *testing.T) {
	b := newBench(t)
	base := serve(t, b)
	s := subscribe(t, base+"/api/v1/events?station=bench-1&live=true", "")
	b.read(50)
	until := func(waits string) liveFrame {
		t.Helper()
		for {
			if f := decode[liveFrame](t, s.next("live")); f.Now.Waits == waits {
				return f
			}
		}
	}
	if f := until("start"); f.Now.Title != "No set is running." {
		t.Errorf("%+v", f.Now)
	}
	startSet(b)
	if f := until("confirm_ring"); f.Now.Ident != "M-30-07" || f.Now.Tone != "ask" || f.SetID != "set-1" {
		t.Errorf("%+v", f.Now)
	}
	want[wireSet](b, 200, "POST", "/api/v1/sets/set-1/confirm-ring", `{"by":"A","ring_id":"m30"}`)
	if f := until("capture"); f.Now.Title != "Bring master ring M-30-07 against the contacts." || f.Now.Detail != "Opening reference, height 10 mm, direction 0°, entry 1 of 1" {
		t.Errorf("%+v", f.Now)
	}
	b.capture(t, 0.5, nil)
	until("confirm_ring")
	b.read(200_125) // 2.00125 mm on the readout
	var f liveFrame
	for f.Reading == nil || f.Reading.DiameterText == "" || f.Reading.Text != "2.00125" {
		f = decode[liveFrame](t, s.next("live"))
	}
	if f.Reading.DiameterText != "32.00117" { // 30.00042 + 2.00125 − 0.0005
		t.Errorf("diameter %s", f.Reading.DiameterText)
	}
}

// A client that takes nothing costs nobody anything: commits, frames and other
// clients go on, and when it reads again it is sent the trace as a whole.
func TestSlowClient(t *testing.T) {
	b := newBench(t)
	base := serve(t, b)
	conn, err := net.Dial("tcp", strings.TrimPrefix(base, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.(*net.TCPConn).SetReadBuffer(4096)
	fmt.Fprintf(conn, "GET /api/v1/events?station=bench-1&live=true HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
	quick := subscribe(t, base+"/api/v1/stations/bench-1/live", "")
	quick.next("trace")
	h := b.server.hubs.get("bench-1")
	listening := func() int {
		h.mu.Lock()
		defer h.mu.Unlock()
		return len(h.clients)
	}
	for until := time.Now().Add(time.Minute); listening() < 2 && time.Now().Before(until); {
		time.Sleep(time.Millisecond)
	}
	for i := range 400 {
		b.read(int64(i))
		start := time.Now()
		h.publish(&column{at: b.at, seq: uint64(i + 1)}, nil)
		if d := time.Since(start); d > 2*time.Second {
			t.Fatalf("a frame took %v", d)
		}
	}
	quick.next("live")
	h.mu.Lock()
	clients := len(h.clients)
	for m := range h.clients {
		if cap(m.slot) != 1 {
			t.Error("a mailbox holds more than one frame")
		}
	}
	h.mu.Unlock()
	if clients != 2 {
		t.Errorf("%d clients", clients)
	}
}

// The sender of frames notices what its client skipped.
func TestSkippedFramesBringTheTrace(t *testing.T) {
	b := newBench(t)
	h := b.server.hubs.add(b.server, "bench-1")
	h.openStream(1)
	rec := httptest.NewRecorder()
	m, n, _ := h.subscribe()
	p := &clientPump{server: b.server, e: newEventStream(rec), hub: h, seen: n}
	names := func() string {
		var out []string
		for line := range strings.Lines(rec.Body.String()) {
			if name, ok := strings.CutPrefix(line, "event: "); ok {
				out = append(out, strings.TrimSpace(name))
			}
		}
		rec.Body.Reset()
		return strings.Join(out, " ")
	}
	h.publish(&column{seq: 2, at: 1}, nil)
	p.frame(<-m.slot)
	if got := names(); got != "live" {
		t.Errorf("in step: %s", got)
	}
	h.publish(&column{seq: 3, at: 2}, nil)
	h.publish(&column{seq: 4, at: 3}, nil)
	p.frame(<-m.slot)
	if got := names(); got != "trace live" {
		t.Errorf("after a skipped frame: %s", got)
	}
	h.publish(&column{seq: 5, at: 4}, nil)
	p.frame(<-m.slot)
	if got := names(); got != "live" {
		t.Errorf("in step again: %s", got)
	}
}

func TestTraceIsBounded(t *testing.T) {
	tr := &trace{}
	tr.reset(acquire.Stream{ID: "s", Step: acquire.Step{Num: 10_000, Den: 1}}, true)
	add := func(seq uint64, contact uint64) {
		v := int64(seq % 1000)
		at := int64(seq) * int64(frameInterval)
		tr.add(&column{seq: seq, from: at, at: at, min: v, max: v + 1, last: v}, contact)
	}
	for seq := uint64(1); seq <= 2000; seq++ {
		add(seq, 0)
	}
	if len(tr.cols) != idleColumns || tr.cols[len(tr.cols)-1].seq != 2000 {
		t.Fatalf("idle: %d columns", len(tr.cols))
	}
	for seq := uint64(2001); seq <= 60_000; seq++ {
		add(seq, 2001)
	}
	if len(tr.cols) >= maxColumns {
		t.Errorf("%d columns", len(tr.cols))
	}
	// Nothing of the contact is dropped: its first reading is still inside, and the
	// extremes of merged columns stay.
	low, high := int64(1<<40), int64(0)
	for i, c := range tr.cols {
		low, high = min(low, c.min), max(high, c.max)
		if i > 0 && c.seq <= tr.cols[i-1].seq {
			t.Fatal("columns are out of order")
		}
	}
	if first := tr.cols[0]; first.from > 2000*int64(frameInterval) || first.seq > 2300 || low != 0 || high != 1000 {
		t.Errorf("first column %+v, envelope %d to %d", first, low, high)
	}
	if n := len(tr.cols); tr.cols[n-1000].seq != 60_000-999 {
		t.Errorf("the newest columns are merged: %d", tr.cols[n-1000].seq)
	}
	add(60_001, 0)
	if len(tr.cols) != idleColumns {
		t.Errorf("after the contact: %d columns", len(tr.cols))
	}
}

func TestShutdownEndsStreams(t *testing.T) {
	b := newBench(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.server.Run(ctx, l) }()
	s := subscribe(t, "http://"+l.Addr().String()+"/api/v1/events?station=bench-1&live=true", "")
	s.next("live")
	cancel()
	select {
	case err := <-done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(3 * time.Second):
		t.Fatal("an open stream holds up the shutdown")
	}
	for range s.events { // ends
	}
}

func TestTooManyStreams(t *testing.T) {
	b := newBench(t)
	b.server.streams.Store(maxStreams)
	b.problem(http.StatusServiceUnavailable, "GET", "/api/v1/events", nil)
	if n := b.server.streams.Load(); n != maxStreams {
		t.Errorf("%d streams are counted", n)
	}
	b.server.streams.Store(0)
	rec := b.do("HEAD", "/api/v1/events", nil) // must not hang
	if rec.Code != 200 || rec.Body.Len() != 0 {
		t.Errorf("HEAD: %d, %d bytes", rec.Code, rec.Body.Len())
	}
	if n := b.server.streams.Load(); n != 0 {
		t.Errorf("%d streams are counted after the last", n)
	}
}

func TestPrompts(t *testing.T) {
	rings := fakeRings()
	seeks := detect.BoreSeeks()
	st := func(change func(*calibrate.State)) *benchState {
		s := calibrate.State{
			Rings: rings, Step: 1,
			Plan: calibrate.Plan{Steps: []calibrate.PlanStep{
				{Role: calibrate.Opening, RingID: "m30"}, {Role: calibrate.Working, RingID: "w32", Height: 5_500 * calibrate.Micrometre, Direction: 90_500}, {Role: calibrate.Closing, RingID: "m30"},
			}},
			Steps: []calibrate.StepState{{Got: 1, Needed: 1}, {Got: 1, Needed: 3}, {Needed: 1}},
		}
		if change != nil {
			change(&s)
		}
		return &benchState{station: &Station{Connected: true}, set: &Set{State: s}}
	}
	in := func(stage detect.Stage, sought int, complete bool) detect.State {
		return detect.State{Stage: stage, Sought: sought, Complete: complete}
	}
	idle := in(detect.StageIdle, -1, false)
	for _, c := range []struct {
		name  string
		state *benchState
		d     detect.State
		title string
		tone  string
		waits string
	}{
		{"unknown", &benchState{}, idle, "The state of this bench is not known.", "stop", "nothing"},
		{"no port", &benchState{station: &Station{}}, idle, "No connection to the readout.", "stop", "start"},
		{"no set", &benchState{station: &Station{Connected: true}}, idle, "No set is running.", "idle", "start"},
		{"bring", st(nil), idle, "Bring work ring W-32-118 against the contacts.", "act", "capture"},
		{"settle", st(nil), in(detect.StageApproach, -1, false), "Let the carriage come to rest.", "act", "capture"},
		{"contact", st(nil), in(detect.StageContact, -1, false), "Turn the tilt past the smallest reading.", "act", "capture"},
		{"tilt", st(nil), in(detect.StageContact, 0, false), "Turn the tilt past the smallest reading.", "act", "capture"},
		{"cross", st(nil), in(detect.StageContact, 1, false), "Move the cross slide past the largest reading.", "act", "capture"},
		{"complete", st(nil), in(detect.StageContact, 1, true), "All caught. Take the hand off.", "good", "capture"},
		{"withdraw", st(func(s *calibrate.State) { s.Pending = "c" }), in(detect.StageContact, -1, true), "Captured. Withdraw the ring.", "good", "withdrawal"},
		{"away", st(func(s *calibrate.State) { s.Pending = "c" }), idle, "Captured. Keep the ring away from the contacts for a moment.", "good", "withdrawal"},
		{"confirm", st(func(s *calibrate.State) { s.ConfirmRing, s.ConfirmIdent = "w32", "W-32-118" }), idle, "Read the ident: is this work ring W-32-118?", "ask", "confirm_ring"},
		{"question", st(func(s *calibrate.State) { s.Asking = &calibrate.Question{Text: "Really?"} }), idle, "Stopped: please answer.", "ask", "answer"},
		{"paused", st(func(s *calibrate.State) { s.Paused = true }), idle, "Paused.", "idle", "resume"},
		{"done", st(func(s *calibrate.State) { s.Step = 3 }), idle, "Every step is done. Look over the ladder, then close the set.", "good", "close"},
		{"closed", st(func(s *calibrate.State) { s.Closed = true }), idle, "The set is closed.", "idle", "nothing"},
		{"aborted", st(func(s *calibrate.State) { s.Aborted = true }), idle, "The set was aborted.", "idle", "nothing"},
	} {
		sweep := Sweep{State: c.d, Seeks: seeks}
		p := promptFor(c.state, sweep, adviceFor(sweep))
		if p.Title != c.title || p.Tone != c.tone || p.Waits != c.waits {
			t.Errorf("%s: %+v", c.name, p)
		}
	}
	p := promptFor(st(nil), Sweep{State: idle, Seeks: seeks}, Advice{})
	if p.Detail != "Work position, height 5.5 mm, direction 90.5°, entry 2 of 3" {
		t.Errorf("detail %q", p.Detail)
	}
	state := st(nil)
	state.station.Problem = "Nothing received for 4 s."
	if p := promptFor(state, Sweep{State: idle, Seeks: seeks}, Advice{}); p.Tone != "stop" || p.Detail != "Nothing received for 4 s." {
		t.Errorf("a silent readout: %+v", p)
	}
}

// What a page costs: one frame with a column, encoded once and put into the
// mailbox of each client. Thirty of these a second are what a core is asked for;
// the share is reported.
func BenchmarkPublish(b *testing.B) {
	for _, clients := range []int{1, 4, 32} {
		b.Run(fmt.Sprint(clients), func(b *testing.B) {
			f := newFake(b)
			s := New(f.deps())
			h := s.hubs.add(s, "bench-1")
			h.openStream(1)
			for range clients {
				h.subscribe()
			}
			r := f.read(3_000_042)
			for i := range b.N {
				h.publish(&column{seq: uint64(i), at: int64(i), min: 1, max: 3, last: 2}, &r)
			}
			perSecond := float64(b.Elapsed()) / float64(b.N) * float64(time.Second/frameInterval)
			b.ReportMetric(100*perSecond/float64(time.Second), "%core")
		})
	}
}
