package narrow

import (
	"math"

	"ringsaddle/acquire"
	"ringsaddle/detect/detecttest"
)

// readout turns positions into what is sent.
type readout struct {
	*sim
	baseMM   float64 // the reading at the saddle, without drift and dust
	startNS  int64   // time of the first step
	periodMS float64
	jitter   float64 // standard deviation of the time, share of the period
	yOriginMM,
	yNoiseMM float64
	events  float64 // 1/s, of what the class is named after
	far     bool    // strays lie fifty times as far off
	strays  int     // of the run that still come; below 0: samples without any
	strayUM float64
	stales  int // that still come
	drops   int // that still come
}

// mostInRow is how many strays come together at most; as many samples at least are
// sound after them.
const mostInRow = 3

// assemble lets the readout sample what was recorded and adds the truth.
func (s *sim) assemble(seed uint64) detecttest.Trace {
	tr := detecttest.Trace{
		Class: s.class, Seed: seed, ResolutionPM: int64(math.Round(s.q * 1e6)), RateHz: s.rate,
		RadiusDiffMM: s.radiusDiffMM(), NoiseUM: s.noise, DriftUMPerMin: s.drift,
	}
	o := &readout{sim: s, periodMS: 1000 / s.rate}
	o.baseMM = 2*s.boreMM + s.uniform(-3, 3)
	o.startNS = 1e9 + int64(s.IntN(1e9))*20
	o.jitter = s.uniform(0.01, 0.12)
	o.yOriginMM, o.yNoiseMM = s.uniform(-8, 8), s.logUniform(0.05, 0.8)*1e-3
	o.events = s.logUniform(0.05, 1.2)
	o.far = s.chance(0.3)
	o.sample(&tr)
	j := truth{s, &tr, o.baseMM, o.startNS}
	for i := range s.entries {
		tr.Contacts = append(tr.Contacts, j.contact(&s.entries[i]))
	}
	return tr
}

// counts is a position in mm as the nearest step of the readout, in counts.
func (o *readout) counts(mm float64) int64 {
	pm := int64(math.Round(o.q * 1e6))
	return int64(math.Round(mm/(float64(pm)*1e-9))) * (pm / detecttest.Step.Num)
}

// sample fills the readings.
func (o *readout) sample(tr *detecttest.Trace) {
	n := int(float64(o.now()-2)/o.periodMS) - 1
	last := int64(-1)
	for i := range n {
		ms := float64(i)*o.periodMS + o.periodMS*o.jitter*max(-3, min(3, o.NormFloat64()))
		ms = max(ms, 0)
		ns := int64(ms * 1e6)
		if ns <= last {
			ns = last + 1000
		}
		last = ns
		x := at(o.shown, ms) + o.noise*o.NormFloat64()
		r := acquire.Reading{At: o.startNS + ns, X: o.counts(o.baseMM + x*1e-3)}
		if o.class == ClassY {
			y := o.yOriginMM + o.yMM(at(o.adjusted[detecttest.Cross], ms)) + o.yNoiseMM*o.NormFloat64()
			r.Y, r.Flags = o.counts(y), acquire.HasY
		}
		event := o.chance(o.events * o.periodMS / 1000)
		bad := false
		switch o.class {
		case ClassOutliers:
			bad = o.stray(&r, x, event)
		case ClassStale:
			bad = o.stale(&r, tr.Readings)
		case ClassDropped:
			if o.dropped(event) {
				continue
			}
		}
		r.Seq = uint64(len(tr.Readings) + 1)
		tr.Readings = append(tr.Readings, r)
		tr.Bad = append(tr.Bad, bad)
	}
}

// stray spoils a reading at x µm in a run of strays, which an event begins.
func (o *readout) stray(r *acquire.Reading, x float64, event bool) bool {
	if o.strays == 0 && event {
		o.strays = 1 + o.IntN(mostInRow)
		o.strayUM = o.logUniform(0.8, 400)
		if o.far {
			o.strayUM *= 50
		}
		o.strayUM *= o.sign()
	} else if o.strays < 0 {
		o.strays++
	}
	if o.strays <= 0 {
		return false
	}
	r.X = o.counts(o.baseMM + (x+o.strayUM*o.uniform(0.6, 1.3))*1e-3)
	if o.strays--; o.strays == 0 {
		o.strays = -mostInRow - o.IntN(3)
	}
	return true
}

// stale puts the position sent last in place of a reading's, now and then.
func (o *readout) stale(r *acquire.Reading, sent []acquire.Reading) bool {
	if o.stales == 0 && o.chance(0.4*o.events*o.periodMS/1000) && len(sent) > 0 {
		o.stales = max(1, int(o.logUniform(30, 500)/o.periodMS))
	}
	if o.stales == 0 {
		return false
	}
	o.stales--
	last := sent[len(sent)-1]
	r.X, r.Y = last.X, last.Y
	return true
}

// dropped reports whether a reading is not sent; an event begins a run of them.
func (o *readout) dropped(event bool) bool {
	if o.drops == 0 && event {
		o.drops = 1 + o.IntN(10)
	}
	if o.drops == 0 {
		return false
	}
	o.drops--
	return true
}

// at interpolates what was recorded at a time, ms.
func at(a []float64, ms float64) float64 {
	i := int(ms)
	if i < 0 {
		return a[0]
	}
	if i+1 >= len(a) {
		return a[len(a)-1]
	}
	f := ms - float64(i)
	return a[i]*(1-f) + a[i+1]*f
}
