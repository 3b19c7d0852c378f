package bench

import (
	"math"
	"math/rand/v2"
	"slices"
)

// planner turns a Hand into the legs of one entry. It knows the geometry (as a
// practised hand does) and works in terms of how far the reading is let away
// from the extremum.
type planner struct {
	rng    *rand.Rand
	hand   *Hand
	geo    *prepared
	names  [2]string
	half   [2]float64 // half of the backlash
	centre [2]float64 // where the extrema are
	cur    [2]float64 // where the adjustments are going to be
	knob   [2]float64
	full   [2]float64 // amplitude of an ordinary full sweep
	qMM    float64    // resolution
	// settling after a touch: amplitude and time constant
	settleUM, settleS float64
	legs              []leg
}

func (p *planner) offset(adj int, riseUM float64) float64 {
	d := p.geo.offsetFor(adj, riseUM*1e-3)
	if p.geo.angular(adj) {
		return math.Min(d, p.hand.ReachMrad*1e-3)
	}
	return math.Min(d, math.Min(p.hand.ReachMM, 0.5*p.geo.rho))
}

func (p *planner) riseUM(adj int) float64 {
	return p.geo.riseAt(adj, p.cur[adj]-p.centre[adj]) * 1e3
}

func (p *planner) side(adj int) float64 {
	switch {
	case p.cur[adj] > p.centre[adj]:
		return 1
	case p.cur[adj] < p.centre[adj]:
		return -1
	}
	return p.coin()
}

func (p *planner) coin() float64 {
	if p.rng.IntN(2) == 0 {
		return -1
	}
	return 1
}

func (p *planner) hold(dur float64, hand int8) {
	if dur > 0 {
		p.legs = append(p.legs, leg{kind: legHold, dur: dur, hand: hand})
	}
}

func (p *planner) event(e event, adj int) {
	p.legs = append(p.legs, leg{kind: legEvent, event: e, adj: int8(adj), hand: handOff})
}

// insert puts a leg before the leg at index i.
func (p *planner) insert(i int, l leg) { p.legs = slices.Insert(p.legs, i, l) }

// sweep moves an adjustment to a place.
func (p *planner) sweep(adj int, to float64, abrupt bool) {
	from := p.cur[adj]
	if to == from {
		return
	}
	dir := int8(1)
	if to < from {
		dir = -1
	}
	knobTo := to + float64(dir)*p.half[adj]
	share := 1.0
	if p.full[adj] > 0 {
		share = math.Sqrt(math.Abs(knobTo-p.knob[adj]) / p.full[adj])
	}
	dur := p.hand.SweepS.Draw(p.rng) * math.Min(1.2, math.Max(0.3, share))
	st := style{
		uneven: p.hand.Unevenness, care: p.hand.Care,
		slowAt: p.centre[adj] + float64(dir)*p.half[adj], abrupt: abrupt,
	}
	p.legs = append(p.legs, leg{
		kind: legKnob, adj: int8(adj), hand: int8(adj), dir: dir, dur: dur,
		path: newPath(p.rng, p.knob[adj], knobTo, dur, st),
	})
	p.cur[adj], p.knob[adj] = to, knobTo
}

func (p *planner) pause(adj int) { p.hold(p.hand.PauseS.Draw(p.rng), int8(adj)) }

// start draws where an adjustment stands when the part is brought to the
// contacts.
func (p *planner) start(adj int, play Play) float64 {
	d := play.StartMrad.Draw(p.rng) * 1e-3
	if !p.geo.angular(adj) {
		d = play.StartMM.Draw(p.rng)
	}
	d = math.Max(d, p.offset(adj, play.StartRiseUM[0]))
	d = math.Min(d, p.offset(adj, play.StartRiseUM[1]))
	return p.centre[adj] + p.coin()*d
}

// entry lays out a whole entry: waiting, approach, all phases, withdrawal.
func (p *planner) entry(change bool) {
	h := p.hand
	p.hold(h.BetweenS.Draw(p.rng), handOff)
	if change {
		p.hold(h.ChangeS.Draw(p.rng), handOff)
	}
	p.ready()
	for range h.AccidentalTouches.Draw(p.rng) {
		p.touch(true)
		p.hold(0.1+0.5*p.rng.Float64(), handOff)
		p.leave()
		p.hold(0.5+1.5*p.rng.Float64(), handOff)
	}
	p.touch(false)
	p.settled()
	from := len(p.legs)
	p.phases()
	if h.LossProbability > 0 && p.rng.Float64() < h.LossProbability {
		p.loseContact(from)
	}
	p.leave()
	p.hold(0.8+0.7*p.rng.Float64(), handOff)
	p.event(evEntryEnd, 0)
}

// ready puts both adjustments where the entry starts.
func (p *planner) ready() {
	for i, play := range []Play{p.hand.First, p.hand.Second} {
		p.cur[i] = p.start(i, play)
		p.knob[i] = p.cur[i]
		p.full[i] = 2 * math.Abs(p.cur[i]-p.centre[i])
	}
	p.legs = append(p.legs, leg{kind: legEvent, event: evSet, hand: handOff, set: p.cur})
}

// touch brings the carriage to the part. The speed is kept to the end: the touch
// is sudden.
func (p *planner) touch(accidental bool) {
	p.legs = append(p.legs, leg{
		kind: legCarriage, touch: true, accidental: accidental, hand: handOff,
		dur:  p.hand.ClearanceMM.Draw(p.rng) / p.hand.ApproachMMPerS.Draw(p.rng),
		path: newPath(p.rng, 0, 1, 1, style{uneven: 0.3, abrupt: true}),
	})
}

// settled waits until the digits have come to rest after a touch: until about a
// tenth of a micrometre is left of the settling, and a moment longer.
func (p *planner) settled() {
	wait := p.settleS * math.Log(math.Max(1, p.settleUM/0.1))
	p.hold(wait+0.4+1.2*p.rng.Float64(), handOff)
}

// leave takes the carriage away, to either side: drawn back, or free to its stop
// when the part is lifted off.
func (p *planner) leave() {
	gap := p.hand.ClearanceMM.Draw(p.rng)
	if p.rng.Float64() < 0.75 {
		gap = -gap
	}
	p.away(gap, 0.2+0.8*p.rng.Float64())
}

func (p *planner) away(gap, dur float64) {
	p.legs = append(p.legs, leg{
		kind: legCarriage, hand: handOff, dur: dur, value: gap,
		path: newPath(p.rng, 0, 1, 1, style{uneven: 0.3}),
	})
}

// phases plays the adjustments in order.
func (p *planner) phases() {
	played := [2]bool{}
	last := -1
	for i, name := range p.hand.Phases {
		if p.playOf(name, played).Mode != "none" {
			last = i
		}
		played[p.index(name)] = true
	}
	played = [2]bool{}
	for i, name := range p.hand.Phases {
		adj := p.index(name)
		play := p.playOf(name, played)
		played[adj] = true
		if play.Mode == "none" {
			continue
		}
		p.event(evPhaseStart, adj)
		p.play(adj, play)
		p.event(evPhaseEnd, adj)
		rest := p.hand.RestS
		if i == last {
			rest = p.hand.FinalRestS
		}
		p.hold(rest.Draw(p.rng), handOff)
	}
}

func (p *planner) index(name string) int {
	if name == p.names[0] {
		return 0
	}
	return 1
}

func (p *planner) playOf(name string, played [2]bool) Play {
	adj := p.index(name)
	switch {
	case played[adj]:
		return p.hand.TouchUp
	case adj == 0:
		return p.hand.First
	}
	return p.hand.Second
}

// play plays one adjustment.
func (p *planner) play(adj int, play Play) {
	switch play.Mode {
	case "passes", "far_stop":
		p.passes(adj, play)
	case "once":
		side := p.side(adj)
		p.reversals(adj, play, play.Reversals.Draw(p.rng))
		p.sweep(adj, p.centre[adj]-side*p.offset(adj, play.DepthUM.Draw(p.rng)), false)
		if p.rng.IntN(2) == 0 {
			p.pause(adj)
			p.sweep(adj, p.centre[adj]-side*p.offset(adj, p.riseUM(adj)*(0.3+0.5*p.rng.Float64())), false)
		}
	case "park":
		side := p.side(adj)
		p.reversals(adj, play, play.Reversals.Draw(p.rng))
		p.sweep(adj, p.centre[adj]-side*p.offset(adj, play.DepthUM.Draw(p.rng)), false)
		p.pause(adj)
		p.park(adj, play)
	case "never", "end_stop", "digits":
		p.turnBacks(adj, play)
	}
}

// passes goes through the extremum and back, converging, then parks.
func (p *planner) passes(adj int, play Play) {
	n := play.Passes.Draw(p.rng)
	depth := play.DepthUM.Draw(p.rng)
	grow := 1.2 + 0.8*p.rng.Float64()
	reversals := play.Reversals.Draw(p.rng)
	stop := play.Mode == "far_stop"
	far := -p.side(adj)
	for k := range n {
		here := reversals / (n - k)
		reversals -= here
		p.reversals(adj, play, here)
		side := p.side(adj)
		d := depth * math.Pow(grow, float64(n-1-k)) * (0.85 + 0.3*p.rng.Float64())
		atStop := stop && -side == far
		if atStop {
			d = depth
		}
		p.sweep(adj, p.centre[adj]-side*p.offset(adj, d), atStop)
		if atStop {
			p.hold(0.2+0.5*p.rng.Float64(), int8(adj))
		}
		p.pause(adj)
	}
	p.park(adj, play)
}

// park brings the adjustment near the extremum and leaves it there, on either
// side of it.
func (p *planner) park(adj int, play Play) {
	side := p.side(adj)
	if p.rng.IntN(2) == 0 {
		side = -side
	}
	p.sweep(adj, p.centre[adj]+side*p.offset(adj, play.ParkUM.Draw(p.rng)), false)
}

// reversals turns back on this side of the extremum, n times.
func (p *planner) reversals(adj int, play Play, n int) {
	for range n {
		rise := p.riseUM(adj)
		turn := play.ReversalUM.Draw(p.rng)
		if turn > 0.7*rise {
			turn = 0.3*rise + 0.4*rise*p.rng.Float64()
		}
		if turn < play.ReversalUM[0] {
			return // no room for a turn-back that differs from the extremum
		}
		side := p.side(adj)
		p.sweep(adj, p.centre[adj]+side*p.offset(adj, turn), false)
		p.hold(p.hand.PauseS.Draw(p.rng)*p.rng.Float64(), int8(adj))
		back := turn + (rise-turn)*(0.3+0.7*p.rng.Float64())
		p.sweep(adj, p.centre[adj]+side*p.offset(adj, back), false)
		p.hold(p.hand.PauseS.Draw(p.rng)*p.rng.Float64(), int8(adj))
	}
}

// turnBacks never reaches the extremum.
func (p *planner) turnBacks(adj int, play Play) {
	n := play.Passes.Draw(p.rng)
	same := play.ParkUM.Draw(p.rng)
	side := p.side(adj)
	for k := range n {
		turn := same
		abrupt := false
		switch play.Mode {
		case "never":
			turn = play.ParkUM.Draw(p.rng)
		case "digits":
			turn += p.qMM * 1e3 * float64(p.rng.IntN(3)-1) * 0.5
			turn = math.Max(turn, 0.8*same)
		case "end_stop":
			abrupt = true
		}
		p.sweep(adj, p.centre[adj]+side*p.offset(adj, turn), abrupt)
		if abrupt {
			p.hold(0.2+0.6*p.rng.Float64(), int8(adj))
		}
		if k == n-1 {
			return
		}
		p.pause(adj)
		back := turn + play.DepthUM.Draw(p.rng)
		p.sweep(adj, p.centre[adj]+side*p.offset(adj, back), false)
		p.pause(adj)
	}
}

// loseContact cuts the legs from index first on at a random moment of a movement
// of a knob, takes the carriage away and brings it back. Afterwards the hand
// either goes on or starts all over.
func (p *planner) loseContact(first int) {
	var knobs []int
	for i := first; i < len(p.legs); i++ {
		if p.legs[i].kind == legKnob {
			knobs = append(knobs, i)
		}
	}
	if len(knobs) == 0 {
		return
	}
	cut := knobs[p.rng.IntN(len(knobs))]
	rest := append([]leg(nil), p.legs[cut:]...)
	at := rest[0].dur * (0.1 + 0.8*p.rng.Float64())
	before := rest[0]
	before.dur = at
	rest[0].skip, rest[0].dur = at, rest[0].dur-at
	adj := rest[0].adj
	p.legs = append(p.legs[:cut], before)

	gap := math.Exp(math.Log(0.02) + (math.Log(5)-math.Log(0.02))*p.rng.Float64())
	if p.rng.IntN(2) == 0 {
		gap = -gap
	}
	p.away(gap, 0.03+0.1*p.rng.Float64())
	p.hold(p.hand.LossS.Draw(p.rng), adj)
	restart := p.rng.Float64() < p.hand.RestartProbability
	if restart {
		p.event(evPhaseEnd, int(adj))
		p.ready()
	}
	p.legs = append(p.legs, leg{
		kind: legCarriage, touch: true, hand: handOff, dur: 0.05 + math.Abs(gap)/p.hand.ApproachMMPerS.Draw(p.rng),
		path: newPath(p.rng, 0, 1, 1, style{uneven: 0.3, abrupt: true}),
	})
	p.settled()
	if restart {
		p.phases()
		return
	}
	p.legs = append(p.legs, rest...)
}
