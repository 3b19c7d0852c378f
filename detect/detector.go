package detect

import "ringsaddle/acquire"

// Detector turns readings into captures. It holds no clock and no goroutine;
// the same readings give the same events. It is not safe for concurrent use.
type Detector struct {
	p      Params
	digest string
	hint   Hint
	events []Event
}

// New returns a Detector for p.
func New(p Params) (*Detector, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	return &Detector{p: p, digest: p.Digest(), hint: Hint{Seek: -1}}, nil
}

// Params returns the settings.
func (d *Detector) Params() Params { return d.p }

// Push takes the next entry of the tape and returns what it completes. The
// slice is valid until the next call; the captures in it stay valid.
func (d *Detector) Push(r acquire.Reading) []Event {
	d.events = d.events[:0]
	return d.events
}

// Flush ends the input: an entry in progress becomes a capture.
func (d *Detector) Flush() []Event {
	d.events = d.events[:0]
	return d.events
}

// Lost tells the detector that the entries from Seq from to Seq to were lost
// before it could see them. An entry in progress ends with EndReadingsLost.
func (d *Detector) Lost(from, to uint64) []Event {
	d.events = d.events[:0]
	return d.events
}

// State returns a snapshot of the entry in progress.
func (d *Detector) State() State { return State{Stage: StageIdle, Sought: -1} }
