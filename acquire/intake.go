package acquire

import (
	"bytes"
	"fmt"
	"time"
)

const (
	// confirmFrames is the number of frames in a row that must agree on unit and
	// decimals before a stream with them is begun. One lost digit makes a number
	// that looks whole; three in a row do not lose the same one.
	confirmFrames = 3
	// maxHeld bounds the frames that wait for confirmation.
	maxHeld = 64
	// rawKept is how much of a rejected frame is kept for show.
	rawKept = 64
	// rejectedKept is how many rejected frames are kept for show.
	rejectedKept = 8
	// Not one valid frame among this many bytes within this time: garbage.
	garbageBytes = 64
	garbageAfter = 2 * time.Second
	garbageShown = 16
)

// sink takes what an intake makes of the bytes. A Tape is one.
type sink interface {
	Open(stream Stream) uint64
	Append(rs []Reading)
	Mark(r Reading) uint64
}

// intake turns timed bytes into tape entries. It is deterministic and has no
// clock: the same bytes with the same times make the same entries, however the
// bytes are split between calls. One goroutine uses it.
type intake struct {
	station, bootID string
	portLabel       string // port and line settings, for messages
	decoder         Decoder
	silenceAfter    int64 // ns, 0: never
	staleAfter      int64 // ns, 0: never
	newID           func() string
	wall            func(at int64) int64 // Unix time (ns) at the station time
	onFrame         func(FrameReport)
	onEvent         func(Event)
	onTemperature   func(TemperatureSample)

	sink   sink
	framer *Framer
	batch  []Reading // positions not yet appended

	open       bool   // the port is open
	partial    bool   // the frame in progress may lack its beginning
	openReason string // of the next stream
	inStream   bool   // a stream was begun since the port was opened
	step       Step   // of the last stream
	hasStep    bool
	gap        bool // bytes were rejected since the last reading
	held       []heldFrame

	started    bool  // the silence clock runs
	lastValid  int64 // last decoded frame, or the start
	last       Reading
	hasLast    bool
	garbage    garbageWatch
	work       SourceStats
	rejected   [rejectedKept]FrameError // ring of the newest
	rejectedAt int                      // number ever put in
	frames     uint64                   // terminators seen: the readout said something
}

// heldFrame is a decoded frame that waits for others to confirm its format.
type heldFrame struct {
	frame   Frame
	reading Reading
	raw     []byte
	offset  int64
	length  int
}

// garbageWatch collects what came since the last valid frame.
type garbageWatch struct {
	since     int64
	bytes     int
	printable int
	first     []byte
	told      bool
}

// opened tells that the port is open: what comes now is the middle of a frame.
func (in *intake) opened(at int64, reason string) {
	in.tick(at)
	in.framer.Reset()
	in.open, in.partial, in.inStream = true, true, false
	in.openReason = reason
	in.gap = true
	in.garbage = garbageWatch{first: in.garbage.first[:0]}
	if !in.started { // from now on silence is noticed
		in.started, in.lastValid = true, at
	}
}

// lost tells that the port is gone.
func (in *intake) lost(at int64) {
	if !in.open {
		return
	}
	in.tick(at)
	in.open = false
	in.dropHeld(at, "the port was lost before another frame confirmed its decimals")
	if p := in.framer.Pending(); len(p) > 0 {
		if in.framer.Skipping() { // the rest of a frame already counted
			in.work.BytesRejected[ReasonTooLong] += uint64(len(p))
		} else {
			in.reject(&FrameError{
				Reason: ReasonUnfinished, Text: "the port was lost before the terminator came",
			}, at, p, in.framer.offset, len(p))
		}
	}
	in.framer.Reset()
	in.flush()
}

// missed tells that bytes are missing from a recording: what comes now is the
// middle of a frame of the same stream.
func (in *intake) missed(at int64) {
	inStream := in.inStream
	reason := in.openReason
	in.lost(at)
	in.opened(at, reason)
	in.inStream = inStream
}

// tick tells the time when nothing arrived.
func (in *intake) tick(at int64) {
	if !in.started || in.work.Silent || in.silenceAfter <= 0 || at-in.lastValid < in.silenceAfter {
		return
	}
	// The instant at which it became certain, not the one at which it was
	// noticed: a replay must put the same entry at the same time.
	certain := in.lastValid + in.silenceAfter
	in.dropHeld(certain, "the readout fell silent before another frame confirmed its decimals")
	in.flush()
	in.work.Silent = true
	in.work.Silences++
	in.sink.Mark(Reading{At: certain, Flags: Silence})
	in.event(Event{Kind: FellSilent, At: certain, Text: fmt.Sprintf(
		"%s: nothing valid came from the readout for %s", in.station, time.Duration(in.silenceAfter))})
}

// feed takes the bytes of one read that returned at the given station time.
func (in *intake) feed(at int64, p []byte) {
	in.tick(at)
	in.work.BytesRead += uint64(len(p))
	if in.decoder == nil { // somebody only wants the bytes
		in.work.BytesPending = in.work.BytesRead
		return
	}
	in.framer.Push(p)
	for {
		token, ok := in.framer.Next()
		if !ok {
			break
		}
		in.token(at, token)
	}
	in.watchGarbage(at, p)
	in.flush()
}

func (in *intake) token(at int64, t Token) {
	if t.TooLong {
		if !t.First {
			in.work.BytesRejected[ReasonTooLong] += uint64(t.Length)
			return
		}
		in.partial = false
		shown := t.Frame[:min(len(t.Frame), in.decoder.MaxFrame()+1)]
		in.reject(&FrameError{Reason: ReasonTooLong, Text: fmt.Sprintf(
			"no terminator %q within %d bytes", in.decoder.Terminator(), in.decoder.MaxFrame())},
			at, shown, t.Offset, t.Length)
		return
	}
	in.frames++
	if in.partial {
		in.partial = false
		in.reject(&FrameError{
			Reason: ReasonPartial, Text: "the first frame after opening may lack its beginning",
		}, at, t.Frame, t.Offset, t.Length)
		return
	}
	var f Frame
	if err := in.decoder.Decode(t.Frame, &f); err != nil {
		in.reject(err, at, t.Frame, t.Offset, t.Length)
		return
	}
	in.heard(at)
	in.admit(at, t, f)
}

// heard notes that the readout said something that could be read.
func (in *intake) heard(at int64) {
	in.lastValid = at
	in.garbage = garbageWatch{first: in.garbage.first[:0]}
	if in.work.Silent || in.work.OnlyGarbage {
		in.work.Silent, in.work.OnlyGarbage = false, false
		in.event(Event{Kind: HeardAgain, At: at, Text: in.station + ": the readout is heard again"})
	}
}

// admit puts a decoded frame on the tape, or holds it until its decimals are
// confirmed.
func (in *intake) admit(at int64, t Token, f Frame) {
	r := Reading{At: at, X: f.X, Y: f.Y, Tilt: f.Tilt, Flags: f.Flags & (HasY | HasTilt | NotValid)}
	if in.gap {
		r.Flags |= Gap
		in.gap = false
	}
	h := heldFrame{frame: f, reading: r, offset: t.Offset, length: t.Length}
	if f.Flags&NotValid != 0 {
		if len(in.held) > 0 {
			in.hold(at, h, t.Frame)
			return
		}
		in.report(FrameReport{At: at, Raw: t.Frame, Frame: f})
		in.accept(h)
		return
	}
	if in.hasStep && f.Step == in.step {
		if in.dropHeld(at, "the frames after it have other decimals or another unit") {
			h.reading.Flags |= Gap
			in.gap = false
		}
		if !in.inStream {
			in.begin(at, f.ResolutionPM, false)
		}
		in.report(FrameReport{At: at, Raw: t.Frame, Frame: f})
		in.accept(h)
		return
	}
	if first, ok := in.heldStep(); ok && first != f.Step {
		if in.dropHeld(at, "the frame after it has other decimals or another unit") {
			h.reading.Flags |= Gap
			in.gap = false
		}
	}
	in.hold(at, h, t.Frame)
	agree := 0
	for _, h := range in.held {
		if h.frame.Flags&NotValid == 0 {
			agree++
		}
	}
	if agree < confirmFrames {
		return
	}
	changed := in.hasStep
	in.step, in.hasStep = f.Step, true
	if changed && in.inStream {
		in.openReason = "the readout changed its unit or its number of decimals"
	}
	in.begin(in.held[0].reading.At, f.ResolutionPM, changed)
	for _, h := range in.held {
		in.work.BytesHeld -= uint64(h.length)
		in.accept(h)
	}
	in.held = in.held[:0]
}

// heldStep returns the Step that the held frames would have in common.
func (in *intake) heldStep() (Step, bool) {
	for _, h := range in.held {
		if h.frame.Flags&NotValid == 0 {
			return h.frame.Step, true
		}
	}
	return Step{}, false
}

func (in *intake) hold(at int64, h heldFrame, raw []byte) {
	if len(in.held) >= maxHeld {
		in.dropHeld(at, "no other frame confirmed its decimals")
		h.reading.Flags |= Gap
		in.gap = false
	}
	h.raw = bytes.Clone(raw[:min(len(raw), rawKept)])
	in.held = append(in.held, h)
	in.work.BytesHeld += uint64(h.length)
	in.report(FrameReport{At: at, Raw: raw, Frame: h.frame, Held: true})
}

// dropHeld rejects the positions that wait for confirmation; frames that were
// declared not valid carry no decimals and stay. It reports whether it rejected
// any.
func (in *intake) dropHeld(at int64, why string) bool {
	if len(in.held) == 0 {
		return false
	}
	dropped := false
	for _, h := range in.held {
		in.work.BytesHeld -= uint64(h.length)
		if h.frame.Flags&NotValid != 0 {
			in.accept(h)
			continue
		}
		dropped = true
		text := why
		if in.hasStep {
			text = fmt.Sprintf("one count would be %s instead of %s, and %s",
				h.frame.Step, in.step, why)
		}
		in.reject(&FrameError{Reason: ReasonDecimalsChanged, Text: text}, at, h.raw, h.offset, h.length)
	}
	in.held = in.held[:0]
	return dropped
}

// begin opens a stream with in.step.
func (in *intake) begin(at, resolutionPM int64, unitChanged bool) {
	in.flush()
	s := Stream{
		ID: in.newID(), Station: in.station, BootID: in.bootID,
		OpenedAt: at, OpenedWallNS: in.wall(at),
		Step: in.step, ResolutionPM: resolutionPM,
		Reason: in.openReason, UnitChanged: unitChanged,
	}
	s.FirstSeq = in.sink.Open(s)
	in.inStream = true
	in.hasLast = false
	in.work.Streams++
	text := fmt.Sprintf("%s: a stream began (%s), one count is %s", in.station, s.Reason, s.Step)
	if unitChanged {
		text += "; unit or decimals are not those of the stream before: the reference is void"
	}
	in.event(Event{Kind: StreamOpened, At: at, Text: text, Stream: s})
}

// accept puts a frame on the tape. A frame that was declared not valid before
// any position is counted, but belongs to no stream and goes nowhere.
func (in *intake) accept(h heldFrame) {
	in.work.BytesAccepted += uint64(h.length)
	if h.frame.HasTemperature && in.onTemperature != nil {
		in.onTemperature(TemperatureSample{
			At: h.reading.At, Channel: h.frame.TemperatureChannel, MicroCelsius: h.frame.Temperature,
		})
	}
	if h.frame.Flags&NotValid != 0 {
		in.work.NotValid++
		if !in.inStream {
			in.gap = true
			return
		}
	} else {
		in.work.Readings++
		in.work.LastReadingAt = h.reading.At
		in.watchStale(h.reading)
	}
	in.batch = append(in.batch, h.reading)
}

func (in *intake) flush() {
	if len(in.batch) > 0 {
		in.sink.Append(in.batch)
		in.batch = in.batch[:0]
	}
}

// reject counts bytes and keeps the evidence.
func (in *intake) reject(e *FrameError, at int64, raw []byte, offset int64, length int) {
	e.At, e.Offset, e.Length = at, offset, length
	e.Raw = bytes.Clone(raw[:min(len(raw), rawKept)])
	in.work.BytesRejected[e.Reason] += uint64(length)
	in.work.FramesRejected[e.Reason]++
	in.rejected[in.rejectedAt%rejectedKept] = *e
	in.rejectedAt++
	if e.Reason != ReasonEmpty {
		in.gap = true
	}
	in.report(FrameReport{At: at, Raw: raw, Err: e})
}

// watchStale notes how long one and the same reading has been repeated.
func (in *intake) watchStale(r Reading) {
	w := &in.work
	if !in.hasLast || r.X != in.last.X || r.Y != in.last.Y || r.Tilt != in.last.Tilt {
		in.last, in.hasLast = r, true
		w.UnchangedFrames, w.UnchangedSince, w.Stale = 0, r.At, false
		return
	}
	w.UnchangedFrames++
	if !w.Stale && in.staleAfter > 0 && r.At-w.UnchangedSince >= in.staleAfter {
		w.Stale = true
		w.StaleEpisodes++
		in.event(Event{Kind: GotStale, At: r.At, Text: fmt.Sprintf(
			"%s: the same reading was repeated for %s: a resting bench, a held display or a frozen interface",
			in.station, time.Duration(in.staleAfter))})
	}
}

// watchGarbage notices that bytes come but not one valid frame, and says in one
// line what that looks like.
func (in *intake) watchGarbage(at int64, p []byte) {
	if in.lastValid == at && in.garbage.bytes == 0 { // a frame was just decoded
		return
	}
	g := &in.garbage
	if g.bytes == 0 {
		g.since = at
	}
	g.bytes += len(p)
	for _, b := range p {
		if len(g.first) < garbageShown {
			g.first = append(g.first, b)
		}
		if b >= 0x20 && b < 0x7f || b == '\r' || b == '\n' || b == '\t' {
			g.printable++
		}
	}
	if g.told || g.bytes < garbageBytes || at-g.since < int64(garbageAfter) || len(in.held) > 0 {
		return
	}
	g.told = true
	in.work.OnlyGarbage = true
	in.work.GarbageEpisodes++
	what := "most of them are no text: check baud rate, data bits and parity"
	if g.printable*10 >= g.bytes*9 {
		what = "they are text, but no frame matches: check terminator and pattern with `ringsaddle listen`"
	}
	in.event(Event{Kind: OnlyGarbage, At: at, Text: fmt.Sprintf(
		"%s: only garbage arrives at %s: %d bytes in %.1f s and not one valid frame; %s; first bytes: % x",
		in.station, in.portLabel, g.bytes, float64(at-g.since)/float64(time.Second), what, g.first)})
}

func (in *intake) report(r FrameReport) {
	if in.onFrame != nil {
		in.onFrame(r)
	}
}

func (in *intake) event(e Event) {
	if in.onEvent != nil {
		in.onEvent(e)
	}
}

// snapshot is what an intake has counted so far.
type snapshot struct {
	work     SourceStats
	rejected [rejectedKept]FrameError
	count    int
}

// snapshot writes the counters to s without allocating.
func (in *intake) snapshot(s *snapshot) {
	s.work = in.work
	s.work.Station = in.station
	if in.decoder != nil {
		s.work.BytesPending = uint64(len(in.framer.Pending()))
	}
	if s.count != in.rejectedAt {
		s.rejected, s.count = in.rejected, in.rejectedAt
	}
}

// stats returns the snapshot in its public form.
func (s *snapshot) stats() SourceStats {
	out := s.work
	n := min(s.count, rejectedKept)
	for i := range n {
		out.LastRejected = append(out.LastRejected, s.rejected[(s.count-n+i)%rejectedKept])
	}
	return out
}
