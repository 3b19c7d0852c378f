package detect

import (
	"ringsaddle/acquire"
)

// Detector turns readings into captures. It holds no clock and no goroutine;
// the same readings give the same events. It is not safe for concurrent use.
type Detector struct {
	p      Params
	digest string
	hint   Hint
	events []Event

	active  bool            // c holds readings
	held    acquire.Reading // back, until the next one shows whether it was late
	holding bool
	c       contact
	track   track
	an      analyser
	live    liveView

	// inspect, when not nil, is shown every finished contact (tests).
	inspect func(*contact, *analyser)

	jump     int64 // counts
	lossNS   int64
	away     int64 // counts
	awayNS   int64
	leftX    int64 // absolute position at the end of the last capture
	leftNS   int64 // how long the reading has been away from it
	watching bool
}

// New returns a Detector for p.
func New(p Params) (*Detector, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	d := &Detector{p: p, digest: p.Digest(), hint: Hint{Seek: -1}}
	d.jump = int64(p.JumpMM / p.StepMM)
	d.lossNS = int64(p.LossSeconds * 1e9)
	d.away = int64(p.WithdrawMM / p.StepMM)
	d.awayNS = int64(p.WithdrawSeconds * 1e9)
	d.c.quantum = max(1, int64(p.ResolutionMM/p.StepMM+0.5))
	d.c.lift = max(4*d.c.quantum, int64(liftMM/p.StepMM))
	d.c.lossNS = d.lossNS
	d.track.speed = p.ApproachMMPerS / p.StepMM / 1e9
	d.track.slack = 2 * d.c.quantum
	d.c.track.speed, d.c.track.slack = d.track.speed, d.track.slack
	d.an.init(p)
	return d, nil
}

// Params returns the settings.
func (d *Detector) Params() Params { return d.p }

// Push takes the next entry of the tape and returns what it completes. The
// slice is valid until the next call; the captures in it stay valid.
func (d *Detector) Push(r acquire.Reading) []Event {
	d.events = d.events[:0]
	if r.Flags&^acquire.HasY != 0 {
		d.release(nil)
		if d.mark(r) {
			d.take(r)
		}
		return d.events
	}
	if d.holding {
		d.release(&r)
	}
	if d.active && !d.c.late && d.c.pauses(r.At) {
		d.held, d.holding = r, true
		return d.events
	}
	d.take(r)
	return d.events
}

// take takes a position.
func (d *Detector) take(r acquire.Reading) {
	c, k := &d.c, &d.track
	dt := int64(0)
	if d.active {
		dt = c.advance(r.At)
	} else {
		d.active = true
		k.clear()
		c.reset(r, false)
	}
	if dt > holeNS && dt > 15*c.period {
		d.finish(r.Seq, EndReadingsLost)
		k.clear()
		c.reset(r, false)
		dt = 0
	}
	if d.watching {
		d.watch(r, dt)
	}
	k.push(r.X, dt, 0)
	if !c.settled {
		if k.fast {
			c.reset(r, true)
		} else if c.t >= settleNS {
			c.settled, c.settledBin = true, len(c.bins)
		}
	}
	x := r.X - c.origin
	// Both the last reading in reach and the last one that passed the filter must
	// be far: a stray reading is no place to measure from.
	dx, df := x-c.goodX, x-c.track.x
	if (dx > d.jump || -dx > d.jump) && (df > d.jump || -df > d.jump) {
		if d.elsewhere(r, x) {
			return
		}
		x = 0
	} else if c.leaving {
		if dx := x - c.leaveX; (dx > d.jump || -dx > d.jump) && !d.elsewhere(r, x) {
			x = 0
		} else if dx > d.jump || -dx > d.jump {
			return
		}
	}
	c.outs = 0
	c.goodX, c.goodT, c.goodAt, c.goodSeq = x, c.t, r.At, r.Seq
	s := sample{x: x, t: c.t, at: r.At, seq: r.Seq}
	if r.Flags&acquire.HasY != 0 {
		if !c.hasOriginY {
			c.originY, c.hasOriginY = r.Y, true
		}
		s.y, s.hasY = r.Y-c.originY, true
	}
	before := len(c.bins)
	c.feed(s)
	if c.burst == burstLost {
		d.finish(r.Seq, EndLost)
		c.reset(r, true)
		c.feed(sample{at: r.At, seq: r.Seq})
		return
	}
	if c.settled && len(c.bins) != before {
		d.follow(r)
	}
}

// mark deals with an entry that is no plain position; it reports whether the
// position in it is to be used.
func (d *Detector) mark(r acquire.Reading) bool {
	switch {
	case r.Flags&acquire.Hint != 0:
		if h, ok := DecodeHint(r); ok {
			d.hint = h
		}
		return false
	case r.Flags&acquire.StreamStart != 0:
		if d.active {
			d.finish(r.Seq, EndReadingsLost)
			d.active = false
		}
		d.watching = false
		return false
	case r.Flags&acquire.Silence != 0:
		return false
	case r.Flags&acquire.NotValid != 0:
		if d.active {
			d.c.advance(r.At)
			d.elsewhere(r, d.c.outX)
		}
		return false
	case r.Flags&acquire.Gap != 0 && d.active:
		// A frame or two lost to garbage is like a dropped reading; a longer hole
		// may hide anything.
		if dt := r.At - d.c.lastAt; dt > d.lossNS && dt > 12*d.c.period || dt < 0 {
			d.finish(r.Seq, EndReadingsLost)
			d.active = false
		}
	}
	return true
}

// elsewhere takes a reading that does not belong to the contact. It reports
// true when that is all there is to do with it, and false when a new contact
// begins with it.
func (d *Detector) elsewhere(r acquire.Reading, x int64) bool {
	c := &d.c
	if !c.settled {
		if !r.IsPosition() {
			return true
		}
		c.reset(r, true)
		return false
	}
	if c.outs == 0 {
		c.outX = x
		c.outSame = 0
	}
	c.outs++
	if dx := x - c.outX; dx <= 4*c.quantum+d.jump/50 && -dx <= 4*c.quantum+d.jump/50 {
		c.outSame++
	}
	if c.outs <= d.p.StrayReadings || c.t-c.goodT < d.lossNS {
		return true
	}
	// A reading that went away in one step out of a rest and stands still may
	// have been preset; whether it was shows when the hand plays on.
	stepped := d.finish(r.Seq, EndLost) && c.outs == c.outSame && !c.leaving && d.an.endRest
	if !r.IsPosition() {
		d.active = false
		return true
	}
	c.reset(r, true)
	c.preset = stepped
	return false
}

// Flush ends the input: an entry in progress becomes a capture.
func (d *Detector) Flush() []Event {
	d.events = d.events[:0]
	d.release(nil)
	if d.active {
		d.finish(d.c.goodSeq, EndOfStream)
		d.active = false
	}
	return d.events
}

// Lost tells the detector that the entries from Seq from to Seq to were lost
// before it could see them. An entry in progress ends with EndReadingsLost.
func (d *Detector) Lost(from, to uint64) []Event {
	d.events = d.events[:0]
	d.release(nil)
	if d.active {
		d.finish(d.c.goodSeq, EndReadingsLost)
		d.active = false
	}
	d.watching = false
	return d.events
}

// watch waits for the deliberate withdrawal after a capture.
func (d *Detector) watch(r acquire.Reading, dt int64) {
	dx := r.X - d.leftX
	if dx < d.away && -dx < d.away {
		d.leftNS = 0
		return
	}
	d.leftNS += dt
	if d.leftNS >= d.awayNS {
		d.watching = false
		d.events = append(d.events, Event{Kind: EventWithdrawn, Seq: r.Seq, At: r.At})
	}
}

// finish ends the contact in progress; it becomes a capture if anything was
// played in it, and true is returned.
func (d *Detector) finish(lastSeq uint64, how Ending) bool {
	c := &d.c
	d.live.reset()
	if !c.settled {
		return false
	}
	c.drain()
	if c.leaving && c.leaveBin < len(c.bins) {
		c.bins = c.bins[:c.leaveBin]
	}
	if c.burst >= burstAway && c.burstBin < len(c.bins) {
		c.bins = c.bins[:c.burstBin]
	}
	d.an.run(c, how, false)
	if d.inspect != nil {
		d.inspect(c, &d.an)
	}
	if !d.an.played {
		return false
	}
	capt := d.an.capture(c, how)
	capt.FirstSeq, capt.LastSeq = c.firstSeq, lastSeq
	capt.Revision, capt.ParamsDigest = Revision, d.digest
	d.events = append(d.events, Event{Kind: EventCaptured, Seq: lastSeq, At: c.lastAt, Capture: capt})
	d.watching = how == EndLost
	d.leftX, d.leftNS = c.origin+c.goodX, 0
	if d.watching {
		if dx := c.outX - c.goodX; dx >= d.away || -dx >= d.away {
			d.leftNS = c.t - c.goodT
		}
	}
	return true
}
