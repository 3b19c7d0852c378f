package bench

import "math"

// tracker writes down the truth while a Session runs.
type tracker struct {
	done   []Contact
	cur    *Contact
	active int // adjustment being played, or -1
	seq    uint64
	fresh  bool // active has been set at least once
	// per adjustment: the largest rise since the last crossing, or since the start
	// of the phase or contact
	rise    [2]float64
	pending [2]*Crossing
	width   [2]float64
}

func (k *tracker) phase() *Phase {
	if k.cur == nil || len(k.cur.Phases) == 0 {
		return nil
	}
	return &k.cur.Phases[len(k.cur.Phases)-1]
}

func (k *tracker) fact(text string) {
	if k.cur != nil {
		k.cur.Facts = append(k.cur.Facts, text)
	}
}

func (k *tracker) sent(seq uint64) {
	k.seq = seq
	if k.cur != nil {
		if k.cur.FirstSeq == 0 {
			k.cur.FirstSeq = seq
		}
		k.cur.LastSeq = seq
	}
}

func (k *tracker) touch(s *Session, t float64, accidental bool) {
	k.cur = &Contact{
		TouchNS: ns(t), Accidental: accidental, HysteresisUM: s.hyst.half * 1e3,
		FlexureUM: math.Max(math.Abs(s.flex.amp[0]), math.Abs(s.flex.amp[1])),
	}
	for i := range k.width {
		k.width[i] = s.geo.riseAt(i, s.adj[i].pos-s.centre(i)) * 1e3
		k.rise[i] = k.width[i]
		k.pending[i] = nil
	}
	if k.fresh && k.active >= 0 {
		k.open(s, t)
	}
}

func (k *tracker) open(s *Session, t float64) {
	i := k.active
	if p := k.phase(); p != nil && p.RestNS == 0 {
		p.RestNS = ns(t)
	}
	k.cur.Phases = append(k.cur.Phases, Phase{Adjustment: s.names[i], StartNS: ns(t)})
	k.rise[i] = s.geo.riseAt(i, s.adj[i].pos-s.centre(i)) * 1e3
	k.pending[i] = nil
}

func (k *tracker) phaseStart(s *Session, adj int, t float64) {
	k.active, k.fresh = adj, true
	if k.cur != nil {
		k.open(s, t)
	}
}

func (k *tracker) phaseEnd(s *Session, t float64) {
	if k.cur != nil && k.active >= 0 {
		k.closePhase(s, t)
	}
	k.active = -1
}

func (k *tracker) closePhase(s *Session, t float64) {
	p := k.phase()
	if p == nil || p.EndNS != 0 {
		return
	}
	i := k.active
	p.EndNS = ns(t)
	if c := k.pending[i]; c != nil {
		c.RiseAfterUM = k.rise[i]
		p.Crossings = append(p.Crossings, *c)
		k.pending[i] = nil
	}
	pos := [2]float64{s.adj[0].pos, s.adj[1].pos}
	p.LevelMM = s.reading(s.geo.length(pos[0], pos[1]), t)
	pos[i] = s.centre(i)
	p.ExtremumMM = s.reading(s.geo.length(pos[0], pos[1]), t)
}

// moved takes a movement of an adjustment that ended at t.
func (k *tracker) moved(s *Session, adj int, from, to, t float64) {
	c := s.centre(adj)
	if (from < c) != (to < c) {
		k.crossed(s, adj, from-c, to-c, t)
	}
	r := s.geo.riseAt(adj, to-c) * 1e3
	k.rise[adj] = math.Max(k.rise[adj], r)
	k.width[adj] = math.Max(k.width[adj], r)
}

func (k *tracker) crossed(s *Session, adj int, from, to, t float64) {
	if k.active != adj {
		return
	}
	p := k.phase()
	if old := k.pending[adj]; old != nil {
		old.RiseAfterUM = k.rise[adj]
		p.Crossings = append(p.Crossings, *old)
	}
	dir := 1
	if to < from {
		dir = -1
	}
	at := t
	if s.followed < t {
		at = s.followed + (t-s.followed)*from/(from-to)
	}
	k.pending[adj] = &Crossing{
		AtNS: ns(at), Direction: dir, RiseBeforeUM: k.rise[adj],
		MissUM: math.Min(s.geo.riseAt(adj, from), s.geo.riseAt(adj, to)) * 1e3,
	}
	k.rise[adj] = 0
}

func (k *tracker) lost(s *Session, t float64) {
	c := k.cur
	if c == nil {
		return
	}
	if k.active >= 0 {
		k.closePhase(s, t)
	}
	if p := k.phase(); p != nil && p.RestNS == 0 {
		p.RestNS = ns(t)
	}
	c.EndNS = ns(t)
	k.judge(s, c)
	k.done = append(k.done, *c)
	k.cur = nil
}

func (k *tracker) take() []Contact {
	out := k.done
	k.done = nil
	return out
}

// judge works out what the contact as a whole allows to be said.
func (k *tracker) judge(s *Session, c *Contact) {
	c.SaddleNS = c.EndNS
	if n := len(c.Phases); n > 0 {
		c.SaddleNS = c.Phases[n-1].EndNS
	}
	t := float64(c.SaddleNS) * 1e-9
	l := s.geo.atSaddle
	c.SaddleMM = s.reading(l, t)
	c.SlopeMMPerS = s.reading(l, t+0.5) - s.reading(l, t-0.5)

	visible := math.Max(0.15, math.Max(4*s.noiseUM, 2*s.res*1e3))
	for i := range c.Extrema {
		x := &c.Extrema[i]
		x.Adjustment, x.Maximum = s.names[i], s.maximum[i]
		x.VisibleUM, x.RangeUM = visible, k.width[i]
		x.ResidualUM = s.geo.riseAt(i, s.adj[i].pos-s.centre(i)) * 1e3
		for j := range c.Phases {
			p := &c.Phases[j]
			if p.Adjustment != s.names[i] {
				continue
			}
			x.Played = true
			for m := range p.Crossings {
				q := &p.Crossings[m]
				q.Seen = q.RiseBeforeUM >= visible && q.RiseAfterUM >= visible && q.MissUM <= visible/4
				x.Crossings++
				if q.Seen {
					x.Seen++
				}
			}
			residual := math.Abs(p.LevelMM-p.ExtremumMM) * 1e3
			x.Parked = residual <= visible/2 && p.RestNS-p.EndNS >= 5e8
		}
		x.Flat = x.Played && x.RangeUM < 3*visible && s.geo.riseAt(i, s.geo.wide(i))*1e3 < 4*visible
	}
	c.Took = c.Extrema[0].Crossings > 0 && c.Extrema[1].Crossings > 0
	c.Supported = c.Took && (c.Extrema[0].strong() || c.Extrema[0].Flat) && (c.Extrema[1].strong() || c.Extrema[1].Flat)
	c.Allowed = allowed(c)
}

// What may have happened in a contact.
const (
	factDust      = "dust under a contact"
	factDustLeft  = "dust left"
	factPreset    = "preset pressed"
	factClock     = "clock jumped"
	factPower     = "readout switched off and on"
	factUnplugged = "unplugged"
)

// strong says that the stream carries the evidence of the extremum.
func (x *Extremum) strong() bool {
	return x.Crossings > 0 && (x.Seen >= 2 || x.Seen == 1 && x.Parked)
}

// allowed lists the outcomes that the facts allow:
//
//   - nobody played: nothing, or incomplete;
//   - both extrema with evidence: the diameter and nothing else;
//   - both crossed, one of them seen too little: the diameter, or less;
//   - one crossed: that one, or less; never a diameter;
//   - none crossed: incomplete or ambiguous.
//
// An adjustment that moves the reading by less than can be seen leaves a bounded
// uncertainty: the diameter may be given although nobody can see that extremum,
// and so may the other extremum alone. A preset, a speck of dust that leaves in
// mid-play, a jump of the clock, a power cut and a pulled cable also allow the
// contact to be refused.
func allowed(c *Contact) []Outcome {
	only := [2]Outcome{OutcomeTiltOnly, OutcomeCrossOnly}
	x := &c.Extrema
	if !x[0].Played && !x[1].Played {
		return []Outcome{OutcomeNone, OutcomeIncomplete}
	}
	disturbed := false
	for _, f := range c.Facts {
		switch f {
		case factPreset, factDustLeft, factClock, factPower, factUnplugged:
			disturbed = true
		}
	}
	good := [2]bool{x[0].strong() && !x[0].Flat, x[1].strong() && !x[1].Flat}
	some := [2]bool{x[0].Crossings > 0 || x[0].Flat, x[1].Crossings > 0 || x[1].Flat}
	var out []Outcome
	switch {
	case good[0] && good[1]:
		out = []Outcome{OutcomeDiameter}
		if disturbed {
			out = append(out, only[0], only[1], OutcomeIncomplete, OutcomeAmbiguous)
		}
	case some[0] && some[1]:
		out = []Outcome{OutcomeDiameter}
		for i := range only {
			if x[i].Crossings > 0 && !good[1-i] {
				out = append(out, only[i])
			}
		}
		out = append(out, OutcomeIncomplete, OutcomeAmbiguous)
	case some[0] || some[1]:
		i := 0
		if some[1] {
			i = 1
		}
		out = []Outcome{only[i], OutcomeIncomplete}
		if !good[i] || x[1-i].Played || disturbed {
			out = append(out, OutcomeAmbiguous)
		}
	default:
		out = []Outcome{OutcomeIncomplete, OutcomeAmbiguous}
	}
	return out
}
