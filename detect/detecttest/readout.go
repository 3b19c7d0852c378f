package detecttest

import (
	"math"

	"ringsaddle/acquire"
)

// burst is a burst of vibration.
type burst struct{ from, to, amp, hz, phase float64 }

type bursts []burst

// at is the vibration at a time (s), µm.
func (bs bursts) at(t float64) float64 {
	v := 0.0
	for _, u := range bs {
		if t > u.from && t < u.to {
			e := math.Sin(math.Pi * (t - u.from) / (u.to - u.from))
			v += u.amp * math.Sqrt(e) * math.Sin(2*math.Pi*u.hz*t+u.phase)
		}
	}
	return v
}

// variance is that of the vibration about a time (s), µm².
func (bs bursts) variance(t float64) float64 {
	v := 0.0
	for _, u := range bs {
		if t > u.from-0.1 && t < u.to+0.1 {
			v += u.amp * u.amp / 2
		}
	}
	return v
}

// shown are the readings that are neither strays nor stale: when they were taken
// (s), what they say and the vibration in them, µm.
type shown struct{ t, x, vib []float64 }

// readout turns positions into what is sent.
type readout struct {
	r          source
	b          *bench
	wander     float64
	last       float64 // s, of the sample before
	strays     int     // of the run that still come
	calm       int     // samples until there may be another run
	strayUM    float64
	staleUntil float64 // s
	drops      int     // of the run that still come
	x, y       int64   // sent last
}

func (o *readout) counts(um float64) int64 {
	return int64(math.Round(um/o.b.q)) * int64(math.Round(o.b.q*100))
}

// stray adds to a position what a stray reading is off, step seconds after the
// sample before.
func (o *readout) stray(x int64, step float64) (int64, bool) {
	r := o.r
	if o.b.strays == 0 {
		return x, false
	}
	p := math.Min(o.b.strays, step*3) // not more than some a second
	o.calm--
	if o.strays == 0 && o.calm < 0 && r.chance(p) {
		o.strays = 1
		o.strayUM = r.logUniform(0.8, 80) * r.sign()
		if r.chance(0.25) {
			o.strayUM = r.logUniform(300, 20000) * r.sign()
		}
		if r.chance(0.25) { // never as long as a loss of contact
			o.strays = r.integer(1, min(3, max(1, int(0.25*o.b.rate))))
		}
		o.calm = o.strays + 4
	}
	if o.strays == 0 {
		return x, false
	}
	o.strays--
	return x + o.counts(o.strayUM*r.lognormal(0.1)), true
}

// stale reports whether the position sent before is sent again.
func (o *readout) stale(t, step float64) bool {
	if o.b.stale == 0 {
		return false
	}
	if t > o.staleUntil && o.r.chance(o.b.stale*step) {
		o.staleUntil = t + o.r.logUniform(1.5/o.b.rate, math.Max(0.5, 1.6/o.b.rate))
	}
	return t < o.staleUntil
}

// dropped reports whether a sample is not sent.
func (o *readout) dropped(step float64) bool {
	if o.b.drops == 0 {
		return false
	}
	if o.drops == 0 && o.r.chance(o.b.drops*step) {
		o.drops = o.r.integer(1, 10)
		if o.r.chance(0.4) {
			o.drops = o.r.integer(1, 3)
		}
	}
	if o.drops == 0 {
		return false
	}
	o.drops--
	return true
}

// assemble lets the readout sample what was recorded and adds the truth.
func assemble(class Class, seed uint64, b *bench, s *sim, es []entry) Trace {
	r := s.r
	l := makeLayers(s, b, es)
	n := len(s.knobVs)
	total := float64(n-1) * dt
	base := math.Round(r.uniform(-200, 200) * 1000)
	if r.chance(0.6) || class == ClassSmall { // the readout was set to the diameter
		base = 2*b.radiusDiffMM*1000 + 2*r.uniform(500, 2500)
		if class == ClassSmall {
			base = 2*b.radiusDiffMM*1000 + 2*r.uniform(400, 1000)
		}
		base += r.uniform(-5, 5)
	}
	var vib bursts
	if b.vib > 0 {
		for range r.integer(1, 6) {
			from := r.uniform(0.05, 0.9) * total
			vib = append(vib, burst{from, from + r.logUniform(0.3, 4), b.vib * r.lognormal(0.3), r.uniform(7, 60), r.uniform(0, 6.28)})
		}
	}
	tr := Trace{
		Class: class, Seed: seed, ResolutionPM: int64(math.Round(b.q * 1e6)), RateHz: b.rate,
		RadiusDiffMM: b.radiusDiffMM, NoiseUM: b.noise, DriftUMPerMin: b.drift,
	}
	// A value of the record at t; nothing lies between contact and no contact.
	value := func(a []float64, t float64) float64 {
		if i := int(t / dt); i < n-1 && s.contact[i] != s.contact[i+1] {
			return a[i]
		}
		return at(a, t)
	}
	yStep := math.Max(b.q, 0.1)
	yCounts := int64(math.Round(yStep * 100))
	o := readout{r: r, b: b, wander: r.normal(b.wander), staleUntil: -1}
	var seen shown
	sent := -1.0 // s, the stamp before
	for k := 0; float64(k)/b.rate < total-0.01; k++ {
		t := float64(k)/b.rate + r.uniform(-1, 1)*b.jitter/b.rate
		t = math.Min(math.Max(t, 0), total)
		f := math.Exp(-(t - o.last) / b.wanderT)
		o.wander = o.wander*f + r.normal(b.wander*math.Sqrt(math.Max(0, 1-f*f)))
		step := math.Max(0, t-o.last)
		o.last = t
		shake := vib.at(t)
		um := base + value(l.clean, t) + value(l.flexure, t) + value(l.hyst, t) + value(l.settle, t) + o.wander +
			b.drift*t/60 + r.normal(b.noise) + value(s.away, t) + shake
		if c := s.contact[int(t/dt)]; c >= 0 {
			um += es[c].saddleUM
		}
		x, y := o.counts(um), int64(0)
		if b.hasY {
			y = int64(math.Round(((b.yOriginMM+b.ySign*value(l.y, t))*1000+r.normal(b.yNoise))/yStep)) * yCounts
		}
		x, bad := o.stray(x, step)
		if o.stale(t, step) && k > 0 {
			x, y, bad = o.x, o.y, true
		}
		if o.dropped(step) {
			continue
		}
		o.x, o.y = x, y
		stamp := math.Round((t+math.Abs(r.normal(0.1*b.jitter/b.rate)))*1e5) / 1e5
		if stamp <= sent {
			stamp = sent + 1e-5
		}
		sent = stamp
		rd := acquire.Reading{Seq: uint64(len(tr.Readings) + 1), At: int64(math.Round(stamp*1e5)) * 10_000, X: x}
		if b.hasY {
			rd.Y, rd.Flags = y, acquire.HasY
		}
		tr.Readings = append(tr.Readings, rd)
		tr.Bad = append(tr.Bad, bad)
		if !bad {
			seen.t, seen.x, seen.vib = append(seen.t, t), append(seen.x, float64(x)/100), append(seen.vib, shake)
		}
	}
	j := judge{s, b, l, seen, vib, base}
	for i := range es {
		tr.Contacts = append(tr.Contacts, j.contact(&es[i]))
	}
	return tr
}
