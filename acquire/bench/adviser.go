package bench

import (
	"math"
	"math/rand/v2"
)

// Move is what a hand can be told in mid-entry.
type Move int

// The moves.
const (
	// MoveNone: nothing is said.
	MoveNone Move = iota
	// MoveWait: keep still.
	MoveWait
	// MoveFurther: turn on, past the extremum.
	MoveFurther
	// MovePass: pass the extremum once more, in one steady sweep.
	MovePass
	// MoveRest: the adjustment is done; take the hand off.
	MoveRest
	// MoveNext: go on to the adjustment that is named.
	MoveNext
	// MoveWithdraw: everything is done.
	MoveWithdraw
)

// Advice is what a hand is told in mid-entry.
type Advice struct {
	Move Move
	// Adjustment is what it is about, by name; empty if none.
	Adjustment string
}

// An Adviser tells the hand in mid-entry what to do, as the screen of a bench
// does. Advise returns what is shown at a simulated time (ns); it is called by
// the goroutine that steps the session, about twenty times a simulated second,
// and must not wait.
type Adviser interface {
	Advise(now int64) Advice
}

// Follow says how a hand follows advice.
type Follow struct {
	// LagS is how long a piece of advice must have been shown before the hand acts
	// on it, s.
	LagS Range
	// IgnoreShare is the share of advice that is not followed, 0 to 1.
	IgnoreShare float64
}

// DefaultFollow is a person who has other things to look at.
func DefaultFollow() Follow { return Follow{LagS: Range{0.5, 2}, IgnoreShare: 0.2} }

// Limits of a hand's patience within one entry.
const (
	maxExtra    = 6    // plays of an adjustment that were not planned
	maxParks    = 3    // times that it brings back what it left far off
	maxFurther  = 3    // sweeps drawn out, in a row
	patienceS   = 4.0  // waiting in a row with the hands off
	watchS      = 0.05 // how often the hand glances at the screen
	farLeftUM   = 0.3  // an adjustment left farther off can be seen to be, µm
	steadyCare  = 0.3  // share of its care that a hand keeps when told to move steadily
	furtherStep = 1.8  // by how much further the reading is let away
)

// follower of advice: what the hand has seen on the screen.
type advised struct {
	adviser Adviser
	follow  Follow
	rng     *rand.Rand

	shown   Advice
	since   float64 // when it was first shown, s
	looked  float64 // last glance, s
	lag     float64 // of this piece of advice, s
	extra   int
	parks   int
	further int
	waited  float64
	weighed bool // whether to follow what is shown has been decided
	// Counts over the session.
	followed, ignored int
}

// Advise lets an adviser tell the hand in mid-entry what to do; call it before
// Begin. Without it a hand plays as it is used to.
func (s *Session) Advise(a Adviser, f Follow) { s.advised = &advised{adviser: a, follow: f} }

// Advised returns how often the hand did what it was told instead of what it
// would have done, and how often it did not.
func (s *Session) Advised() (followed, ignored int) {
	if s.advised == nil {
		return 0, 0
	}
	return s.advised.followed, s.advised.ignored
}

// beginAdvised prepares an entry: the hand looks at the screen after each sweep
// and whenever it has taken itself off a knob.
func (s *Session) beginAdvised(p *planner, entry int) {
	v := s.advised
	v.rng = rand.New(rand.NewPCG(s.seed, streamAdvice+uint64(entry)))
	v.shown, v.since, v.looked, v.extra, v.parks, v.further, v.waited, v.weighed = Advice{}, 0, 0, 0, 0, 0, 0, false
	p.legs = withLooks(p.legs)
}

// withLooks inserts the moments at which the hand looks at the screen.
func withLooks(legs []leg) []leg {
	look := func(e event, adj int8) leg { return leg{kind: legEvent, event: e, adj: adj, hand: handOff} }
	var out []leg
	active, swept, ended := int8(-1), false, false
	for _, l := range legs {
		moves := l.kind == legKnob || l.kind == legCarriage || l.event == evPhaseStart || l.event == evPhaseEnd
		if moves && swept && active >= 0 && l.event != evPhaseEnd {
			out = append(out, look(evLook, active))
		}
		if moves {
			swept = false
		}
		if ended && (l.event == evPhaseStart || l.kind == legCarriage) {
			out = append(out, look(evJudge, active))
			ended, active = false, -1
		}
		switch {
		case l.kind == legKnob:
			swept = true
		case l.event == evPhaseStart:
			active = l.adj
		case l.event == evPhaseEnd:
			ended = true
		case l.kind == legCarriage:
			active = -1
		}
		out = append(out, l)
	}
	return out
}

// glance looks at the screen.
func (s *Session) glance(t float64) {
	v := s.advised
	if t-v.looked < watchS {
		return
	}
	v.looked = t
	if a := v.adviser.Advise(ns(t)); a != v.shown {
		v.shown, v.since, v.lag, v.weighed = a, t, v.follow.LagS.Draw(v.rng), false
	}
}

// done reports whether the screen says that adjustment adj need not be touched any
// more.
func (v *advised) done(s *Session, adj int) bool {
	switch v.shown.Move {
	case MoveRest:
		return v.shown.Adjustment == "" || v.shown.Adjustment == s.names[adj]
	case MoveNext:
		return v.shown.Adjustment != s.names[adj]
	case MoveWithdraw:
		return true
	}
	return false
}

// heeds draws whether the hand follows the advice shown.
func (v *advised) heeds() bool {
	if v.rng.Float64() < v.follow.IgnoreShare {
		v.ignored++
		return false
	}
	v.followed++
	return true
}

// look is a glance after a sweep, at time t. Advice that is not yet as old as the
// hand's lag does not count: the hand goes on as it meant to.
func (s *Session) look(adj int, t float64) {
	v := s.advised
	if v == nil || !s.contact || t-v.since < v.lag {
		return
	}
	switch v.shown.Move {
	case MoveFurther:
		if v.shown.Adjustment != s.names[adj] || v.further >= maxFurther || !v.heeds() {
			return
		}
		v.further++
		p := s.planHere()
		p.further(adj, float64(s.lastDir[adj]))
		p.pause(adj)
		p.event(evLook, adj)
		s.splice(p.legs)
	case MovePass:
		v.further = 0
		if v.shown.Adjustment != s.names[adj] || s.sweepsLeft() < 2 && v.extra >= maxExtra || !v.heeds() {
			return
		}
		p := s.planHere()
		p.over(adj)
		if s.sweepsLeft() > 1 { // instead of the one that it had in mind
			s.dropSweep()
		} else {
			v.extra++
			p.pause(adj)
			p.event(evLook, adj)
		}
		s.splice(p.legs)
	case MoveRest, MoveNext, MoveWithdraw:
		v.further = 0
		all := v.shown.Move == MoveWithdraw || v.shown.Adjustment == ""
		if v.weighed || !v.done(s, adj) || !all && s.sweepsLeft() < 2 || s.sweepsLeft() < 1 {
			return
		}
		v.weighed = true
		if v.heeds() {
			s.skipPhase(all)
		}
	}
}

// judge is the look with the hands off, before something else is touched. Here
// the hand can wait.
func (s *Session) judge(adj int, t float64) {
	v := s.advised
	if v == nil || !s.contact {
		return
	}
	wait := func(dur float64) {
		v.waited += dur
		s.splice([]leg{{kind: legHold, dur: dur, hand: handOff}, {kind: legEvent, event: evJudge, adj: int8(adj), hand: handOff}})
	}
	if old := t - v.since; old < v.lag {
		if v.waited < patienceS {
			wait(math.Min(v.lag-old+0.01, patienceS))
		}
		return
	}
	switch v.shown.Move {
	case MoveWait, MoveRest:
		which := s.index(v.shown.Adjustment)
		if v.shown.Move == MoveRest && which >= 0 && v.parks < maxParks && s.geo.riseAt(which, s.adj[which].pos-s.centre(which))*1e3 > farLeftUM {
			if !v.heeds() {
				break
			}
			v.parks++
			p := s.planHere()
			p.event(evPhaseStart, which)
			s.finish(p, which)
			break
		}
		if v.waited < patienceS {
			wait(0.3)
			return
		}
	case MoveFurther, MovePass, MoveNext:
		which := s.index(v.shown.Adjustment)
		if which < 0 || v.extra >= maxExtra || v.shown.Move == MoveNext && s.nextPhase() == which {
			break
		}
		// The hand was going to this adjustment anyhow.
		if v.shown.Move == MoveFurther && s.nextPhase() == which {
			break
		}
		if !v.heeds() {
			break
		}
		v.extra++
		p := s.planHere()
		p.event(evPhaseStart, which)
		if p.riseUM(which) < 2*farLeftUM {
			p.out(which)
			p.pause(which)
		}
		p.over(which)
		p.pause(which)
		p.event(evLook, which)
		p.over(which)
		p.pause(which)
		p.event(evLook, which)
		s.finish(p, which)
	case MoveWithdraw:
		if s.nextPhase() >= 0 && v.heeds() {
			for s.head+1 < len(s.legs) && s.legs[s.head+1].kind != legCarriage {
				s.dropNext()
			}
		}
	}
	v.waited = 0
}

// index is the adjustment of a name, or −1.
func (s *Session) index(name string) int {
	for i, n := range s.names {
		if n == name {
			return i
		}
	}
	return -1
}

// finish ends what p plays of an adjustment, as every play ends: parked, with the
// hand off and a look at what the page says then. The hand goes on with it.
func (s *Session) finish(p *planner, which int) {
	p.park(which, s.playFor(which))
	p.event(evPhaseEnd, which)
	p.hold(s.sc.Hand.RestS.Draw(s.advised.rng), handOff)
	p.event(evJudge, which)
	s.splice(p.legs)
}

// planHere returns a planner that stands where the hand is now and moves steadily.
func (s *Session) planHere() *planner {
	hand := s.sc.Hand
	hand.Care *= steadyCare
	return &planner{
		rng: s.advised.rng, hand: &hand, geo: &s.geo, names: s.names, qMM: s.res, settleUM: s.settle, settleS: s.settleS,
		centre: [2]float64{s.geo.a0, s.geo.b0}, half: [2]float64{s.adj[0].half, s.adj[1].half},
		cur: [2]float64{s.adj[0].pos, s.adj[1].pos}, knob: s.knob,
	}
}

// playFor is how the hand plays an adjustment when told to.
func (s *Session) playFor(adj int) Play {
	play := s.sc.Hand.First
	if adj == 1 {
		play = s.sc.Hand.Second
	}
	switch play.Mode {
	case "never", "end_stop", "digits", "none":
		play.ParkUM = s.sc.Hand.TouchUp.ParkUM
	}
	return play
}

// splice puts legs behind the one in progress.
func (s *Session) splice(legs []leg) {
	rest := append([]leg(nil), s.legs[s.head+1:]...)
	s.legs = append(append(s.legs[:s.head+1], legs...), rest...)
}

func (s *Session) dropNext() { s.legs = append(s.legs[:s.head+1], s.legs[s.head+2:]...) }

// dropSweep leaves out the next sweep.
func (s *Session) dropSweep() {
	for s.head+1 < len(s.legs) {
		sweep := s.legs[s.head+1].kind == legKnob
		s.dropNext()
		if sweep {
			return
		}
	}
}

// sweepsLeft counts the sweeps to come in this phase, the parking included.
func (s *Session) sweepsLeft() int {
	n := 0
	for _, l := range s.legs[s.head+1:] {
		if l.event == evPhaseEnd || l.kind == legCarriage {
			break
		}
		if l.kind == legKnob {
			n++
		}
	}
	return n
}

// skipPhase leaves out what the hand had in mind for the rest of the phase, except
// (unless all is done) that it brings the adjustment back to where it should stand.
func (s *Session) skipPhase(all bool) {
	for s.head+1 < len(s.legs) {
		l := &s.legs[s.head+1]
		if l.event == evPhaseEnd || l.kind == legCarriage || !all && l.kind == legKnob && s.sweepsLeft() == 1 {
			return
		}
		s.dropNext()
	}
}

// nextPhase is the adjustment that the hand means to take up next, or −1.
func (s *Session) nextPhase() int {
	for _, l := range s.legs[s.head+1:] {
		if l.event == evPhaseStart {
			return int(l.adj)
		}
		if l.kind == legCarriage {
			return -1
		}
	}
	return -1
}

// further draws out a sweep: away from the extremum if that is where it went, and
// through it otherwise.
func (p *planner) further(adj int, dir float64) {
	side := p.side(adj)
	if dir == 0 {
		dir = -side
	}
	if dir == side {
		rise := math.Max(p.riseUM(adj), 0.3)
		p.sweep(adj, p.centre[adj]+side*p.offset(adj, furtherStep*rise), false)
		return
	}
	p.over(adj)
}

// swing is how far a led hand lets the reading away from the extremum, µm.
func (p *planner) swing(adj int) float64 {
	play := p.hand.First
	if adj == 1 {
		play = p.hand.Second
	}
	depth := 1.5 * play.DepthUM.Draw(p.rng)
	p.full[adj] = 2 * math.Abs(p.offset(adj, 2*depth))
	return depth
}

// out moves away from an extremum near which the adjustment was left.
func (p *planner) out(adj int) {
	p.sweep(adj, p.centre[adj]+p.side(adj)*p.offset(adj, p.swing(adj)), false)
}

// over passes the extremum to the other side of it, as far as the hand is used to.
func (p *planner) over(adj int) {
	p.sweep(adj, p.centre[adj]-p.side(adj)*p.offset(adj, p.swing(adj)), false)
}

// rebase lets a path begin at another place; it still ends where it did.
func (p *path) rebase(skip, from float64) {
	was, to := p.at(skip), p.pos[pathPieces]
	if was == to {
		*p = path{tau: p.tau}
		for i := range p.pos {
			p.pos[i] = from
		}
		return
	}
	k := (to - from) / (to - was)
	for i := range p.pos {
		p.pos[i] = to - k*(to-p.pos[i])
		p.vel[i] *= k
	}
}
