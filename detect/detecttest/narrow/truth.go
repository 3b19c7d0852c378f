package narrow

import (
	"math"

	"ringsaddle/detect/detecttest"
)

// truth knows everything about a trace and says what may be said of it.
type truth struct {
	*sim
	tr      *detecttest.Trace
	baseMM  float64 // the reading at the saddle, without drift and dust
	startNS int64   // time of the first step
}

// crossedUM is how far the reading must have been off the extremum on either side, µm,
// for a crossing to be listed.
const crossedUM = 0.01

// passes finds the steps from from to before to in which an adjustment changed sides,
// having been off by more than h on each.
func passes(pos []float64, from, to int, h float64) []int {
	var out []int
	side, zero := 0.0, from
	for i := from; i < to; i++ {
		if i > from && (pos[i] >= 0) != (pos[i-1] >= 0) {
			zero = i
		}
		if math.Abs(pos[i]) <= h {
			continue
		}
		now := math.Copysign(1, pos[i])
		if side != 0 && now != side {
			out = append(out, zero)
		}
		side = now
	}
	return out
}

// ns is the time of a step, ns.
func (j *truth) ns(step int) int64 { return j.startNS + int64(step)*stepNS }

// goneBy reports whether there was a speck that went by a step.
func (d *dust) goneBy(step int) bool { return d.um > 0 && d.goes >= 0 && d.goes <= step }

// contact tells the truth about one contact.
func (j *truth) contact(e *entry) detecttest.Contact {
	ref := e.phases[len(e.phases)-1].to
	c := detecttest.Contact{StartNS: j.ns(e.start), EndNS: j.ns(e.end), RefNS: j.ns(ref)}
	gone := j.dust.goneBy(ref)
	saddleUM := j.driftPerMS() * float64(ref) // beside the base
	if j.dust.um > 0 && !gone {
		saddleUM -= j.dust.um
	}
	c.SaddleMM = j.baseMM + saddleUM*1e-3
	for _, p := range e.phases {
		ph := detecttest.Phase{Adjustment: p.adj, StartNS: j.ns(p.from), EndNS: j.ns(p.to)}
		pos := j.adjusted[p.adj]
		for _, x := range passes(pos, p.from, p.to, math.Sqrt(crossedUM)) {
			ph.CrossingsNS = append(ph.CrossingsNS, j.ns(x))
		}
		left := pos[p.to-1]
		ph.ResidualUM = left * left
		c.Phases = append(c.Phases, ph)
	}
	stepped := gone && j.dust.goes > e.phases[0].from
	last, most := j.count(e, stepped)
	j.permit(&c, last, most, stepped)
	o := oracle{j, e, ref, gone, j.plain(e)}
	value, variance, ok := o.saddle()
	c.SigmaUM = max(0.01, math.Sqrt(variance))
	if ok {
		c.OracleUM = value - saddleUM
	}
	return c
}

// plain finds the passes of each phase that show.
func (j *truth) plain(e *entry) [][]int {
	var all [][]int
	for _, p := range e.phases {
		all = append(all, passes(j.adjusted[p.adj], p.from, p.to, math.Sqrt(j.shows())))
	}
	return all
}

// count counts the passes that show, for each adjustment those in its last phase and
// the most in any. Where a speck went in mid-play, those before it do not count.
func (j *truth) count(e *entry, stepped bool) (last, most [2]int) {
	low := false
	for i, p := range e.phases {
		pos := j.adjusted[p.adj]
		from := p.from
		if stepped && j.dust.goes >= p.from && j.dust.goes < p.to {
			from = j.dust.goes
		}
		n := len(passes(pos, from, p.to, math.Sqrt(j.shows())))
		last[p.adj] = n
		if e.lost && i == len(e.phases)-1 { // in mid-sweep: the pass must show well
			last[p.adj] = len(passes(pos, p.from, p.to, math.Sqrt(2*j.shows())))
		}
		most[p.adj] = max(most[p.adj], n)
		low = low || p.manner == tooLow
	}
	if low { // the reading cannot show the tilt, which is bounded
		n := 2
		if most[detecttest.Cross] == 0 {
			n = 0
		}
		last[detecttest.Tilt], most[detecttest.Tilt] = n, n
	}
	return last, most
}

// permit says what may be said of a contact whose extrema were passed so often.
func (j *truth) permit(c *detecttest.Contact, last, most [2]int, stepped bool) {
	only := [2]detecttest.Outcome{detecttest.OutcomeTiltOnly, detecttest.OutcomeCrossOnly}
	allowOnly := func(passes int) {
		for a := range only {
			if most[a] >= passes {
				c.Allow(only[a])
			}
		}
	}
	switch {
	case min(last[0], last[1]) >= 2:
		c.Supported = true
		c.Allow(detecttest.OutcomeDiameter)
		if stepped {
			c.Allow(detecttest.OutcomeAmbiguous)
		}
	case min(most[0], most[1]) >= 1:
		c.Allow(detecttest.OutcomeDiameter, detecttest.OutcomeAmbiguous)
		switch {
		case max(most[0], most[1]) == 1:
			c.Allow(only[0], only[1], detecttest.OutcomeIncomplete)
		case min(most[0], most[1]) == 1:
			allowOnly(2)
		}
	default:
		c.Allow(detecttest.OutcomeAmbiguous, detecttest.OutcomeIncomplete)
		allowOnly(1)
	}
	if stepped && !c.Supported {
		c.Allow(only[0], only[1])
	}
}
