package api

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"sync"
	"sync/atomic"
	"time"

	"ringsaddle/acquire"
	"ringsaddle/detect"
)

const (
	frameInterval  = 33 * time.Millisecond  // 30 frames a second while readings come
	idleInterval   = 250 * time.Millisecond // and 4 while none do
	stationRefresh = 500 * time.Millisecond // how old the state of a station may be
	setRefresh     = 5 * time.Second        // and that of its set, without news
	retryInterval  = 2 * time.Second
	maxColumns     = 4096 // of a trace; beyond, adjacent columns are merged
	idleColumns    = 300  // kept from before a contact (about 10 s)
)

// column is the envelope of the readings of one frame interval, in counts of the
// stream's step.
type column struct {
	from, at       int64  // station clock (ns) of the oldest and the newest reading
	seq            uint64 // of the newest reading
	min, max, last int64
	broken         bool // readings are missing before it
}

// hubs holds one hub for each station.
type hubs struct {
	mu     sync.Mutex
	byName map[string]*hub
}

func (h *hubs) add(s *Server, name string) *hub {
	h.mu.Lock()
	defer h.mu.Unlock()
	b := &hub{server: s, name: name, dirty: make(chan struct{}, 1), clients: map[*mailbox]struct{}{}}
	b.state.Store(&benchState{})
	h.byName[name] = b
	return b
}

func (h *hubs) get(name string) *hub {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.byName[name]
}

func (h *hubs) touch() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, b := range h.byName {
		select {
		case b.dirty <- struct{}{}:
		default:
		}
	}
}

// hub follows one station's tape, keeps the trace of the contact in progress and
// hands each frame, encoded once, to every client.
type hub struct {
	server *Server
	name   string
	dirty  chan struct{}              // one slot: the set may have changed
	state  atomic.Pointer[benchState] // written by watch, read by follow

	mu      sync.Mutex
	clients map[*mailbox]struct{}
	frames  uint64 // published so far
	trace   trace
	guide   Guide
}

// benchState is what follow needs to know besides the readings.
type benchState struct {
	station *Station
	set     *Set
}

// mailbox holds the newest frame for one client.
type mailbox struct{ slot chan frame }

// frame is one published frame; n grows by one, so that a client sees what it
// missed.
type frame struct {
	n    uint64
	data []byte
}

// subscribe returns a mailbox and the trace so far. The frames that follow carry
// on where the trace ends.
func (h *hub) subscribe() (*mailbox, uint64, []byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	m := &mailbox{slot: make(chan frame, 1)}
	h.clients[m] = struct{}{}
	return m, h.frames, h.trace.encode(h.name)
}

func (h *hub) unsubscribe(m *mailbox) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.clients, m)
}

// snapshot returns the trace so far and the number of the newest frame in it.
func (h *hub) snapshot() (uint64, []byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.frames, h.trace.encode(h.name)
}

// watch keeps the state of the station and its set fresh.
func (h *hub) watch(ctx context.Context) error {
	deps := &h.server.deps
	tick := time.NewTicker(stationRefresh)
	defer tick.Stop()
	var setRead time.Time
	changed := true
	for {
		old := h.state.Load()
		next := &benchState{set: old.set}
		st, err := deps.Stations.Station(ctx, h.name)
		if err != nil {
			if ctx.Err() == nil {
				deps.Log.Warn().Err(err).Str("station", h.name).Msg("live: the state of the station is unknown")
			}
			next.station = nil
		} else {
			next.station = &st
			id := st.SetID
			if id == "" && old.set != nil {
				id = old.set.ID // it has just ended: show how
			}
			switch {
			case id == "":
				next.set = nil
			case changed || old.set == nil || old.set.ID != id || time.Since(setRead) > setRefresh:
				set, err := deps.Sets.Set(ctx, id)
				switch {
				case err == nil:
					next.set = &set
					setRead = time.Now()
				case errors.Is(err, fs.ErrNotExist):
					next.set = nil
				case ctx.Err() == nil:
					deps.Log.Warn().Err(err).Str("set", id).Msg("live: the set cannot be read")
				}
			}
		}
		h.state.Store(next)
		changed = false
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		case <-h.dirty:
			changed = true
		}
	}
}

// follow reads the tape and publishes frames until ctx ends.
func (h *hub) follow(ctx context.Context) error {
	said := ""
	for ctx.Err() == nil {
		head, err := h.server.deps.Live.Follow(h.name)
		if err == nil {
			err = h.read(ctx, head)
			head.Close()
		}
		if ctx.Err() != nil {
			break
		}
		if text := err.Error(); text != said { // once, not every two seconds
			said = text
			h.server.deps.Log.Warn().Err(err).Str("station", h.name).Msg("live: the tape cannot be followed")
		}
		h.publish(nil, nil)
		sleep(ctx, retryInterval)
	}
	return nil
}

// read accumulates readings and publishes, until the head or ctx ends.
func (h *hub) read(ctx context.Context, head ReadingHead) error {
	buf := make([]acquire.Reading, 1024)
	var col *column
	var last *acquire.Reading
	broken := false
	for {
		wait, cancel := context.WithTimeout(ctx, idleInterval)
		n, err := head.Read(wait, buf)
		cancel()
		var overrun *acquire.Overrun
		switch {
		case err == nil:
		case ctx.Err() != nil:
			return nil
		case errors.As(err, &overrun):
			broken = true
		case errors.Is(err, context.DeadlineExceeded):
		default:
			return err
		}
		for i := range buf[:n] {
			r := &buf[i]
			if r.Flags&acquire.StreamStart != 0 {
				h.openStream(r.Seq)
				col, last = nil, nil
			}
			if r.Flags&acquire.Gap != 0 {
				broken = true
			}
			if !r.IsPosition() {
				if !r.IsMark() {
					last = &acquire.Reading{}
					*last = *r
				}
				continue
			}
			if !h.haveStream() {
				h.openStream(r.Seq)
			}
			if col == nil {
				col = &column{from: r.At, min: r.X, max: r.X, broken: broken}
				broken = false
			}
			col.min, col.max = min(col.min, r.X), max(col.max, r.X)
			col.last, col.at, col.seq = r.X, r.At, r.Seq
			last = &acquire.Reading{}
			*last = *r
		}
		if n == len(buf) {
			continue // more is waiting
		}
		h.publish(col, last)
		col = nil
		if n > 0 {
			sleep(ctx, frameInterval)
		}
	}
}

func (h *hub) openStream(seq uint64) {
	stream, ok := h.server.deps.Live.StreamAt(h.name, seq)
	h.mu.Lock()
	defer h.mu.Unlock()
	h.trace.reset(stream, ok)
}

func (h *hub) haveStream() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.trace.known
}

// publish adds the column to the trace and sends a frame to every client.
func (h *hub) publish(col *column, last *acquire.Reading) {
	sweep, err := h.server.deps.Live.Sweep(h.name)
	if err != nil {
		sweep = Sweep{State: detect.State{Stage: detect.StageIdle, Sought: -1}}
	}
	state := h.state.Load()
	h.mu.Lock()
	defer h.mu.Unlock()
	contact := sweep.State.StartSeq
	if sweep.State.Stage == detect.StageIdle {
		contact = 0
	}
	h.trace.add(col, contact)
	if last != nil {
		h.trace.newest = *last
		h.trace.heard = true
	}
	advice := h.guide.Advise(h.trace.newest.At, sweep)
	h.frames++
	if len(h.clients) == 0 {
		return
	}
	data, err := json.Marshal(h.trace.liveFrame(h.name, state, sweep, advice, col))
	if err != nil {
		h.server.deps.Log.Error().Err(err).Msg("live: a frame cannot be encoded")
		return
	}
	f := frame{n: h.frames, data: data}
	for m := range h.clients {
		select {
		case <-m.slot: // the client is slow: the newest frame counts
		default:
		}
		m.slot <- f // the hub is the only sender and the slot is free
	}
}

// sleep waits for d or the end of ctx.
func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// trace is what the page draws: the envelopes since the beginning of the contact,
// or of the last seconds while there is none. Its memory is bounded.
type trace struct {
	stream acquire.Stream
	known  bool // stream is
	form   decimalForm
	epoch  int64 // station clock (ns) at which t_s is 0
	cols   []column
	grain  int64 // ns: to which the older columns have been merged
	newest acquire.Reading
	heard  bool // newest is
}

func (t *trace) reset(stream acquire.Stream, ok bool) {
	*t = trace{cols: t.cols[:0]}
	if !ok {
		return
	}
	t.stream, t.epoch = stream, stream.OpenedAt
	t.form, t.known = displayForm(stream.Step)
}

// add appends a column and drops what is too old to be drawn: columns before the
// contact, except the last few.
func (t *trace) add(c *column, contactSeq uint64) {
	if c == nil {
		return
	}
	t.cols = append(t.cols, *c)
	drop := 0
	for len(t.cols)-drop > idleColumns && (contactSeq == 0 || t.cols[drop+idleColumns].seq < contactSeq) {
		drop++
	}
	if drop > 0 {
		t.cols = append(t.cols[:0], t.cols[drop:]...)
	}
	if len(t.cols) >= maxColumns {
		t.coarsen()
	}
}

// coarsen merges columns of the older half until a quarter of all is gone. The
// newer half keeps every frame; the older one has about the same grain throughout.
func (t *trace) coarsen() {
	half := len(t.cols) / 2
	want := half / 2
	t.grain = max(t.grain, int64(2*frameInterval))
	for {
		kept := t.cols[:0:half]
		for _, c := range t.cols[:half] {
			if n := len(kept); n > 0 && c.at-kept[n-1].from <= t.grain {
				kept[n-1] = merge(kept[n-1], c)
			} else {
				kept = append(kept, c)
			}
		}
		if len(kept) <= want {
			t.cols = append(kept, t.cols[half:]...)
			return
		}
		t.cols = append(kept, t.cols[half:]...)
		half = len(kept)
		t.grain *= 2
	}
}

func merge(a, b column) column {
	b.from = a.from
	b.min, b.max = min(a.min, b.min), max(a.max, b.max)
	b.broken = a.broken
	return b
}

func (t *trace) wireColumn(c column) liveColumn {
	mm := t.stream.Step.PositionMM
	return liveColumn{
		T: float64(c.at-t.epoch) / 1e9, Seq: c.seq, Broken: c.broken,
		Min: mm(c.min), Max: mm(c.max), Last: mm(c.last),
	}
}

// encode returns the trace as the data of a trace event.
func (t *trace) encode(station string) []byte {
	out := liveTrace{Station: station, Columns: make([]liveColumn, 0, len(t.cols))}
	if t.known {
		out.Stream = t.stream.ID
		out.ResolutionMM = float64(t.stream.ResolutionPM) / acquire.PicometresPerMM
		for _, c := range t.cols {
			out.Columns = append(out.Columns, t.wireColumn(c))
		}
	}
	data, err := json.Marshal(out)
	if err != nil { // numbers and strings alone
		return []byte("{}")
	}
	return data
}

// liveFrame is the frame as it is now.
func (t *trace) liveFrame(station string, state *benchState, sweep Sweep, advice Advice, col *column) liveFrame {
	d := sweep.State
	f := liveFrame{
		Station: station, Stream: t.stream.ID,
		Contact: "unknown", Missing: d.Missing.Text, Complete: d.Complete,
		Columns: []liveColumn{}, Points: []livePoint{}, TurnBacks: []liveTurnBack{},
	}
	if st := state.station; st != nil {
		f.Connected, f.Problem = st.Connected, st.Problem
		f.Age = st.SinceLast.Seconds()
	}
	if f.Connected && t.heard {
		f.Contact = contactOf(d.Stage)
	}
	f.ContactText = contactText(f.Contact)
	if d.Stage != detect.StageIdle {
		f.ContactSeq = d.StartSeq
	}
	if d.Sought >= 0 && d.Sought < len(sweep.Seeks) && d.Stage == detect.StageContact {
		f.Seeking = string(sweep.Seeks[d.Sought].Adjustment)
	}
	if state.set != nil {
		f.SetID, f.SetSeq = state.set.ID, state.set.State.LastSeq
	}
	ident, off, away := "", 0.0, false
	if t.known && t.heard && t.newest.IsPosition() && d.Stage != detect.StageIdle {
		ident, off, away = awayFrom(state.set, t.stream.Step, t.newest.X)
	}
	if away {
		// Something rests on the contacts, and it is not the ring in hand.
		advice = Advice{}
		f.Contact, f.ContactText, f.Seeking, f.Missing, f.Complete = "open", awayText(ident, off), "", "", false
	}
	f.Now = promptFor(state, sweep, advice)
	f.Move = f.Now.move
	if t.known && t.heard {
		v := liveReading{Valid: t.newest.IsPosition(), Unit: t.form.unit}
		if v.Valid {
			v.MM = t.stream.Step.PositionMM(t.newest.X)
			v.Text = t.form.text(t.newest.X)
			if ref := datumOf(state.set); ref != nil {
				v.DiameterText = ref.text(t.stream.Step, t.newest.X)
			}
		}
		f.Reading = &v
	}
	if t.known && col != nil {
		f.Columns = append(f.Columns, t.wireColumn(*col))
	}
	if t.known {
		mm := t.stream.Step.MM()
		for _, p := range d.Points {
			f.Points = append(f.Points, livePoint{
				Adjustment: string(p.Adjustment), Sense: p.Sense.String(),
				T:     float64(p.At-t.epoch) / 1e9,
				Value: roundMM(t.stream.Step.PositionMM(d.Origin) + p.Value*mm), U: roundMM(p.U * mm),
				Crossings: p.Crossings,
			})
		}
		for _, b := range d.TurnBacks {
			f.TurnBacks = append(f.TurnBacks, liveTurnBack{
				T: float64(b.At-t.epoch) / 1e9, Sense: b.Sense.String(),
				Value: roundMM(t.stream.Step.PositionMM(d.Origin) + b.Value*mm),
			})
		}
		if !away {
			f.Nearness = nearnessOf(t.stream.Step, sweep)
			f.Residual, f.ResidualText = residualOf(t.stream.Step, sweep)
		}
	}
	return f
}

// contactOf names the stage of an entry on the wire.
func contactOf(s detect.Stage) string {
	switch s {
	case detect.StageApproach:
		return "settling"
	case detect.StageContact:
		return "settled"
	}
	return "open"
}
