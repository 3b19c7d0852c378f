package detecttest

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
)

// span is a phase in steps of the record.
type span struct{ adj, from, to int }

// entry is what was done in one contact.
type entry struct {
	touch, start, end int // steps: touched, settled, withdrawn or lost
	lost              bool
	phases            []span
	saddleUM          float64 // the saddle against that of the first contact
	settleUM, settleT float64 // µm and s of the settling
}

// Make draws a trace. The same class and seed give the same trace. It panics
// when there is no such class.
func Make(class Class, seed uint64) Trace {
	if !slices.Contains(Classes(), class) {
		panic(fmt.Sprintf("detecttest: no class %q", class))
	}
	r := newSource(class, seed)
	b, s := draw(r, class)
	es := s.session(class, b)
	return assemble(class, seed, b, s, es)
}

func newSource(class Class, seed uint64) source {
	h := fnv.New64a()
	h.Write([]byte(class))
	return source{rand.New(rand.NewPCG(seed*0x9E3779B97F4A7C15+1, h.Sum64()))}
}

// session makes all contacts of a trace, with the carriage at its stop before,
// between and after them.
func (s *sim) session(class Class, b *bench) []entry {
	r := s.r
	free := -r.logUniform(600, 6000) // µm, where the carriage waits
	if r.chance(0.3) {
		free = -free
	}
	idle := func(sec, at float64) {
		for n := int(sec / dt); n > 0; n-- {
			s.record(0, at, 0)
		}
	}
	idle(r.uniform(0.5, 4), free)
	contacts := 1
	if class == ClassEntries {
		contacts = r.integer(2, 4)
	}
	resume := class == ClassLost && r.chance(0.5)
	if resume {
		contacts = 2
	}
	var es []entry
	for c := range contacts {
		ts, lose := tasks(r, class, c)
		e := s.enter(b, int16(c), ts, free, lose)
		s.current = -1
		es = append(es, e)
		if e.lost {
			idle(r.logUniform(0.45, 3), free*0.3)
			if r.chance(0.4) || !resume {
				idle(r.uniform(0.6, 2), free)
			}
			continue
		}
		w := int(r.uniform(0.08, 0.4) / dt)
		for i := 1; i <= w; i++ {
			s.record(0, free*float64(i)/float64(w), 0)
		}
		idle(r.uniform(0.8, 3), free)
	}
	return es
}

// enter plays contact c, from the approach to the end of its last rest, and
// cuts it short if it is to be lost.
func (s *sim) enter(b *bench, c int16, ts []task, free float64, lose bool) entry {
	var e entry
	r, t := s.r, s.person
	if c > 0 {
		e.saddleUM = r.uniform(-4, 4)
	}
	// Where the ring happens to stand.
	s.pos[0] = math.Sqrt(math.Max(t.amp[0], s.dmin)*r.logUniform(1, 5)) * r.sign()
	s.pos[1] = math.Sqrt(math.Max(t.amp[1], s.dmin)*r.logUniform(1, 9)) * r.sign()
	if t.flat() { // the range of the table is the limit
		s.pos[0] = math.Sqrt(t.amp[0]*r.uniform(0.5, 1.3)) * r.sign()
	}
	if r.chance(0.1) { // set up well already
		s.pos[1] = math.Sqrt(s.dmin*r.uniform(1, 2)) * r.sign()
	}
	for k := range 2 {
		s.out[k] = s.pos[k]
		s.knob[k] = s.pos[k] + r.uniform(-1, 1)*s.play[k]
		s.lastDir[k], s.slip[k] = 0, false
	}
	v := r.uniform(0.5, 6) * 1000 // µm/s
	for x := free; math.Abs(x) > v*dt; x -= math.Copysign(v*dt, free) {
		s.record(0, x, 0)
	}
	s.current = c
	e.touch = len(s.knobVs)
	e.settleUM, e.settleT = r.logUniform(3, 60)*math.Copysign(1, free), r.logUniform(0.06, 0.5)
	settled := e.settleT * math.Log(math.Abs(e.settleUM)/math.Max(0.05, b.q/2))
	s.wait(math.Max(settled, 0.1), 0, false)
	e.start = len(s.knobVs)
	s.wait(r.uniform(0.3, 2.5), 0, false)
	for i, x := range ts {
		from := len(s.knobVs)
		s.carryOut(x, b)
		e.phases = append(e.phases, span{x.adj, from, len(s.knobVs)})
		if i < len(ts)-1 {
			s.wait(t.gap*r.lognormal(0.2), 0, false)
		} else {
			s.wait(r.uniform(0.4, 3.5), 0, false)
		}
	}
	e.end = len(s.knobVs)
	if lose {
		s.lose(&e)
	}
	return e
}

// lose ends the contact in mid-sweep, somewhere in one of its phases.
func (s *sim) lose(e *entry) {
	k := len(e.phases) - 1
	if k > 0 && s.r.chance(0.3) {
		k = 0
	}
	p := e.phases[k]
	at := 0
	for range 200 {
		at = p.from + int(s.r.uniform(0.15, 0.98)*float64(p.to-p.from))
		if math.Abs(s.knobVs[at]) > 1e-3 {
			break
		}
	}
	s.cut(at)
	e.end, e.lost = at, true
	e.phases = e.phases[:k+1]
	e.phases[k].to = at
}

// carryOut plays one task.
func (s *sim) carryOut(x task, b *bench) {
	switch x.manner {
	case full:
		if x.adj == Tilt && s.person.flat() {
			usual := s.dmin
			s.dmin = s.person.amp[Tilt] * 0.7
			s.playFull(Tilt, x.n, 1)
			s.dmin = usual
			return
		}
		s.playFull(x.adj, x.n, x.scale)
	case never:
		s.playNever(x.adj, x.n, 0, 0, false)
	case once:
		s.playOnce(x.adj)
	case stop:
		s.playNever(x.adj, x.n, s.dmin*s.r.logUniform(0.8, 6), 0.004, true)
	case digits:
		s.playNever(x.adj, x.n, s.dmin*s.r.logUniform(0.8, 6), math.Max(0.02, 0.3*b.q), false)
	}
}
