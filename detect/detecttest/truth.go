package detecttest

import (
	"math"
	"sort"
)

// judge knows everything about a trace and says what may be said of it.
type judge struct {
	s    *sim
	b    *bench
	l    layers
	seen shown
	vib  bursts
	base float64 // µm, the reading at the first saddle without drift
}

// look is what a phase shows of its extremum.
type look struct {
	at     []float64 // s, times of the passes
	lo, hi []float64 // s, reach of a fit about each pass
	// visits are those to the extremum, seen those with enough readings to show it.
	visits, seen int
}

// before returns how many of the readings shown were taken before t, s.
func (o *shown) before(t float64) int { return sort.SearchFloat64s(o.t, t) }

// within returns how many of them were taken from a to b, s.
func (o *shown) within(a, b float64) int {
	n := 0
	for i := o.before(a); i < len(o.t) && o.t[i] <= b; i++ {
		n++
	}
	return n
}

// levels are how near, in µm, the reading counts as being on the extremum, from
// where it is clearly away, and up to where passes to and fro are a tremor on top.
func (j *judge) levels(adj int) (on, away, tremor float64) {
	if adj == Tilt && j.s.person.flat() {
		amp := j.s.person.amp[Tilt]
		return 0.15 * amp, 0.3 * amp, 0.05 * amp
	}
	on = math.Max(0.1, math.Max(j.b.q/2, 2*j.b.noise))
	away = math.Max(0.5, math.Max(2.5*j.b.q, 6*j.b.noise))
	return on, away, 0.03
}

// inspect looks at a phase whose level is kept up to step until.
func (j *judge) inspect(p span, until int) look {
	var k look
	a := j.s.adjusted[p.adj]
	on, away, tremor := j.levels(p.adj)
	var passes [][2]int // first and last crossing of each
	peak := 0.0
	for i := p.from + 1; i < p.to; i++ {
		peak = math.Max(peak, a[i]*a[i])
		if (a[i-1] < 0) == (a[i] < 0) {
			continue
		}
		if len(passes) > 0 && peak < tremor {
			passes[len(passes)-1][1] = i
		} else {
			passes = append(passes, [2]int{i, i})
		}
		peak = 0
	}
	farthest := func(from, to int) int {
		far := from
		for i := from; i < to; i++ {
			if a[i]*a[i] > a[far]*a[far] {
				far = i
			}
		}
		return far
	}
	for n, c := range passes {
		k.at = append(k.at, float64(c[0]+c[1])/2*dt)
		from, to := p.from, p.to-1
		if n > 0 {
			from = passes[n-1][1]
		}
		if n+1 < len(passes) {
			to = passes[n+1][0]
		}
		k.lo = append(k.lo, float64(farthest(from, c[0]))*dt)
		k.hi = append(k.hi, float64(farthest(c[1], to+1))*dt)
	}
	k.visits, k.seen = j.visits(a, p.from, until, on, away)
	return k
}

// visits counts the visits to the extremum, in from clearly away and out again or
// to rest there, and those of them that at least three readings and no vibration
// show.
func (j *judge) visits(a []float64, from, until int, on, away float64) (all, seen int) {
	touched, wasAway, readings := false, false, 0
	first, last := 0.0, 0.0
	done := func() {
		if touched && wasAway {
			all++
			if readings >= 3 && 2*j.vib.variance((first+last)/2) < 0.1*away*away {
				seen++
			}
		}
		touched, readings = false, 0
	}
	entered := -1 // step at which the stay on the extremum began
	for i := from; i < until; i++ {
		e, t := a[i]*a[i], float64(i)*dt
		if e >= on && entered >= 0 {
			readings += j.seen.within(float64(entered)*dt, t)
			entered = -1
		}
		if e >= away {
			done()
			wasAway = true
		} else if e < on {
			if entered < 0 {
				entered = i
			}
			if !touched {
				first = t
			}
			touched, last = true, t
		}
	}
	if entered >= 0 {
		readings += j.seen.within(float64(entered)*dt, float64(until)*dt)
		if float64(until-entered)*dt >= 0.4 {
			done()
		}
	}
	return all, seen
}

// How well an adjustment's extremum was passed.
const (
	notPassed   = iota
	hardlySeen  // passed, but the readings hardly show it
	plainlySeen // passed, and the readings show it
)

// contact tells the truth about one contact.
func (j *judge) contact(e *entry) Contact {
	c := Contact{StartNS: int64(e.start) * stepNS, EndNS: int64(e.end) * stepNS}
	var looks []look
	var visits, seen, passes [2]int
	var played [2]bool
	for i, p := range e.phases {
		until := e.end
		if i+1 < len(e.phases) {
			until = e.phases[i+1].from
		}
		k := j.inspect(p, until)
		looks = append(looks, k)
		ph := Phase{Adjustment: p.adj, StartNS: int64(p.from) * stepNS, EndNS: int64(p.to) * stepNS}
		for _, t := range k.at {
			ph.CrossingsNS = append(ph.CrossingsNS, int64(math.Round(t*1e9)))
		}
		if left := j.s.adjusted[p.adj][p.to-1]; p.adj == Tilt {
			ph.ResidualUM, _ = lift(j.b.radiusDiffMM, left, 0)
		} else {
			ph.ResidualUM, _ = lift(j.b.radiusDiffMM, 0, left)
			ph.ResidualUM = -ph.ResidualUM
		}
		c.Phases = append(c.Phases, ph)
		played[p.adj] = true
		visits[p.adj] += k.visits
		passes[p.adj] += len(k.at)
		seen[p.adj] = max(seen[p.adj], k.seen)
		c.RefNS = ph.EndNS
	}
	ref := float64(e.phases[len(e.phases)-1].to) * dt
	c.SaddleMM = (j.base + e.saddleUM + j.b.drift*ref/60) / 1000
	var passed [2]int
	for a := range 2 {
		if visits[a] < 2 || passes[a] < 1 {
			continue
		}
		passed[a] = hardlySeen
		if seen[a] >= 2 || (a == Tilt && j.s.person.flat()) || (a == Cross && j.b.hasY) {
			passed[a] = plainlySeen
		}
	}
	sigma, value, lost := j.oracle(e, looks, ref)
	c.SigmaUM = sigma
	j.permit(&c, passed, played, e.lost)
	if c.Allows(OutcomeDiameter) {
		c.OracleUM = value - c.SaddleMM*1000
	}
	if c.Supported && lost { // the level between the phases was never seen
		c.Supported = false
		c.Allow(OutcomeAmbiguous, OutcomeTiltOnly, OutcomeCrossOnly)
	}
	return c
}

// permit says what may be said of a contact whose adjustments were passed so well.
func (j *judge) permit(c *Contact, passed [2]int, played [2]bool, lost bool) {
	only := [2]Outcome{OutcomeTiltOnly, OutcomeCrossOnly}
	switch {
	case passed[0] == plainlySeen && passed[1] == plainlySeen:
		c.Supported = true
		c.Allow(OutcomeDiameter)
		if t := j.s.person; t.flat() && t.amp[Tilt] < math.Max(0.5*j.b.q, 1.5*j.b.noise) {
			c.Allow(OutcomeCrossOnly) // nothing of the tilt can be seen
		}
	case passed[0] != notPassed && passed[1] != notPassed:
		c.Allow(OutcomeDiameter, OutcomeAmbiguous)
		for a := range 2 {
			if passed[a] == plainlySeen {
				c.Allow(only[a])
			}
		}
		if passed[0] == hardlySeen && passed[1] == hardlySeen {
			c.Allow(OutcomeIncomplete, only[0], only[1])
		}
	case passed[0] == notPassed && passed[1] == notPassed:
		c.Allow(OutcomeIncomplete, OutcomeAmbiguous)
	default:
		got := Tilt
		if passed[Tilt] == notPassed {
			got = Cross
		}
		c.Allow(only[got])
		if lost {
			c.Allow(OutcomeIncomplete)
		}
		if played[1-got] || passed[got] == hardlySeen {
			c.Allow(OutcomeIncomplete, OutcomeAmbiguous)
		}
	}
}
