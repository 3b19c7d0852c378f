package detect

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

var flagCorpus = flag.Int("corpus", 4, "simulated traces a class of the bench")

// benchCase makes trace seed of a class.
func benchCase(class bench.Class, seed uint64) (bench.Trace, error) {
	sc, err := bench.ClassScenario(class, rand.New(rand.NewPCG(seed, 77)))
	if err != nil {
		return bench.Trace{}, err
	}
	return bench.Generate(sc, seed)
}

func benchParams(tr *bench.Trace) Params {
	p := DefaultParams(tr.Step, tr.ResolutionPM)
	for i := range p.Seeks {
		p.Seeks[i] = Seek{Adjustment: Adjustment(tr.Adjustments[i]), Sense: Minimum}
		if tr.SeekMaximum[i] {
			p.Seeks[i].Sense = Maximum
		}
	}
	return p
}

func detectAll(p Params, rs []acquire.Reading) []*Capture {
	d, err := New(p)
	if err != nil {
		panic(err)
	}
	var out []*Capture
	take := func(ev []Event) {
		for _, e := range ev {
			if e.Kind == EventCaptured {
				out = append(out, e.Capture)
			}
		}
	}
	for _, r := range rs {
		take(d.Push(r))
	}
	take(d.Flush())
	return out
}

// oracle is what an estimator attains that knows the phases and the times of the
// passes: a local fit at each pass, the mean of the passes of each adjustment,
// the rest between, and the chain. It returns its error and its formal
// standard deviation, µm.
func oracle(tr *bench.Trace, c *bench.Contact) (err, sigma, peak float64, ok bool) {
	stepUM := tr.Step.MM() * 1000
	rs := tr.Readings
	lo := slices.IndexFunc(rs, func(r acquire.Reading) bool { return r.Seq >= c.FirstSeq })
	if lo < 0 {
		return 0, 0, 0, false
	}
	var t, z []float64
	for i := lo; i < len(rs) && rs[i].Seq <= c.LastSeq; i++ {
		if !rs[i].IsPosition() {
			continue
		}
		t = append(t, float64(rs[i].At-c.TouchNS)*1e-9)
		z = append(z, float64(rs[i].X)*stepUM)
	}
	if len(t) < 20 {
		return 0, 0, 0, false
	}
	at := func(ns int64) float64 { return float64(ns-c.TouchNS) * 1e-9 }
	// Outliers out, by a running median.
	good := make([]bool, len(z))
	for i := range z {
		a, b := max(0, i-4), min(len(z), i+5)
		w := slices.Clone(z[a:b])
		slices.Sort(w)
		m := w[len(w)/2]
		q := w[len(w)*3/4] - w[len(w)/4]
		good[i] = math.Abs(z[i]-m) <= 4*q+5*tr.NoiseUM+2*stepUM*1
	}
	q := float64(tr.ResolutionPM) * 1e-6
	s0 := math.Sqrt(tr.NoiseUM*tr.NoiseUM + q*q/12)
	w0 := math.Hypot(tr.WanderUM, 0.01)
	type level struct{ v, s, t float64 }
	fit := func(tc, lim float64, sg float64) (level, bool) {
		var best level
		have := false
		ilo, ihi := math.Inf(-1), math.Inf(1)
		for _, h := range []float64{0.15, 0.22, 0.33, 0.5, 0.75, 1.1, 1.6, 2.4} {
			if have && h > lim {
				break
			}
			var m cholesky
			m.n = 4
			var b [maxDim]float64
			n := 0
			for i := range t {
				if !good[i] || math.Abs(t[i]-tc) > h {
					continue
				}
				u := (t[i] - tc) / h
				g := [4]float64{1, u * u, u * u * u, u * u * u * u}
				for x := range 4 {
					b[x] += g[x] * (z[i] - z[0])
					for y := 0; y <= x; y++ {
						m.a[x][y] += g[x] * g[y]
					}
				}
				n++
			}
			if n < 6 || !m.factor() {
				continue
			}
			m.solve(&b)
			var e [maxDim]float64
			e[0] = 1
			s := s0 * math.Sqrt(m.quad(&e))
			if have && (b[0]-2*s > ihi || b[0]+2*s < ilo) {
				break
			}
			ilo, ihi = math.Max(ilo, b[0]-2*s), math.Min(ihi, b[0]+2*s)
			if !have || s < best.s {
				best = level{b[0] + z[0], s, tc}
			}
			have = true
		}
		return best, have
	}
	slope := c.SlopeMMPerS * 1000
	ref := at(c.SaddleNS)
	// Per phase the mean of the passes and the level of the rest.
	type phaseLevel struct {
		adj        int
		ext, extV  float64
		rest, resV float64
		hasExt     bool
	}
	var ph []phaseLevel
	peakV := math.NaN()
	for _, p := range c.Phases {
		k := 0
		if p.Adjustment == tr.Adjustments[1] {
			k = 1
		}
		pl := phaseLevel{adj: k}
		sum, n, v := 0.0, 0.0, 0.0
		sg := 1.0
		if c.Extrema[k].Maximum {
			sg = -1
		}
		for i, x := range p.Crossings {
			lim := 2.4
			if i > 0 {
				lim = math.Min(lim, 0.6*(at(x.AtNS)-at(p.Crossings[i-1].AtNS)))
			}
			if i+1 < len(p.Crossings) {
				lim = math.Min(lim, 0.6*(at(p.Crossings[i+1].AtNS)-at(x.AtNS)))
			}
			if l, ok := fit(at(x.AtNS), lim, sg); ok {
				sum += l.v - slope*(l.t-ref)
				v += l.s*l.s + w0*w0
				n++
			}
		}
		if n > 0 {
			pl.ext, pl.extV, pl.hasExt = sum/n, v/n/n, true
		}
		m, cnt := 0.0, 0.0
		for i := range t {
			if good[i] && t[i] > at(p.EndNS)+0.3*(at(p.RestNS)-at(p.EndNS)) && t[i] < at(p.RestNS) {
				m += z[i] - slope*(t[i]-ref)
				cnt++
			}
		}
		if cnt > 0 {
			pl.rest, pl.resV = m/cnt, s0*s0/cnt+w0*w0
		} else {
			pl.resV = math.Inf(1)
		}
		ph = append(ph, pl)
		if k == 1 {
			for i := range t {
				if good[i] && t[i] >= at(p.StartNS) && t[i] <= at(p.EndNS) {
					if math.IsNaN(peakV) || (z[i]-peakV)*-sg > 0 {
						peakV = z[i]
					}
				}
			}
		}
	}
	truth := c.SaddleMM * 1000
	// The last adjacent pair.
	for i := len(ph) - 1; i > 0; i-- {
		a, b := ph[i-1], ph[i]
		if a.adj == b.adj || !a.hasExt || !b.hasExt {
			continue
		}
		est := b.ext - (a.rest - a.ext)
		sigma = math.Sqrt(b.extV + a.resV + a.extV)
		if math.IsInf(a.resV, 1) {
			est, sigma = b.ext, math.Sqrt(b.extV+0.2*0.2)
		}
		// An adjustment too flat to see is left alone.
		if c.Extrema[a.adj].Flat {
			est = b.ext - c.Extrema[a.adj].RangeUM*0
			sigma = math.Sqrt(b.extV + 0.03*0.03)
		}
		return est - truth, sigma, peakV - truth, true
	}
	return 0, 0, 0, false
}

// add scores a trace of the bench; scale is applied to what the oracle attains.
func (s *corpusRow) add(tr *bench.Trace, caps []*Capture, scale float64) (bad string) {
	stepMM := tr.Step.MM()
	var contacts []scored
	for _, c := range tr.Contacts() {
		x := scored{
			fromNS: c.TouchNS, toNS: c.EndNS, optional: c.Allows(bench.OutcomeNone), supported: c.Supported,
			allows: func(o Outcome) bool { return c.Allows(bench.Outcome(o)) },
			err: func(cp *Capture) float64 {
				e := ((float64(cp.Origin)+cp.Saddle)*stepMM - c.SaddleAt(cp.At)) * 1000
				if slices.Contains(c.Facts, "preset pressed") && math.Abs(e) > 300 && len(c.Phases) > 1 {
					// The entry was finished before the key was pressed: its origin counts.
					n := len(c.Phases)
					before, last := c.Phases[n-2], c.Phases[n-1]
					e = ((float64(cp.Origin)+cp.Saddle)*stepMM - last.ExtremumMM + before.LevelMM - before.ExtremumMM) * 1000
				}
				return e
			},
		}
		x.oracle, x.sigma, x.peak, x.hasOracle = oracle(tr, &c)
		if !x.hasOracle {
			x.sigma = 0.05
		}
		x.sigma *= scale
		contacts = append(contacts, x)
	}
	return s.score(contacts, caps, stepMM, float64(tr.ResolutionPM)*1e-6)
}

// undecidable are the classes whose traces x alone does not decide: reversals
// that repeat at one place off the extremum.
var undecidable = []bench.Class{bench.ClassEndStop, bench.ClassRememberedDigits}

// TestCorpus scores the detector over all classes of the simulated bench and
// prints the table. The full table:
//
//	go test ./detect -run TestCorpus -v -corpus 2000 -timeout 3h
func TestCorpus(t *testing.T) {
	all := scoreTable(t, bench.Classes(), undecidable, *flagCorpus, func(s *corpusRow, class bench.Class, seed uint64) (what, bad string) {
		tr, err := benchCase(class, seed)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprintf("rate %.0f noise %.2f", tr.RateHz, tr.NoiseUM), s.add(&tr, s.run(&tr), 1)
	})
	slices.Sort(all.delay)
	if n := len(all.delay); n > 0 {
		t.Logf("from the last pass to its cue: median %.2f s, 95 %% within %.2f s", all.delay[n/2], all.delay[n*95/100])
	}
	if *flagClass != "" {
		return
	}
	all.expect(t, 200, 70, 0.65)
	cover, z := all.covered()
	if cover < 0.8 || z > 1.8 {
		t.Errorf("%.3f of the errors within ±2u, RMS of error/u %.2f", cover, z)
	}
	if r := rms(all.err) / rms(all.peak); r > 0.36 {
		t.Errorf("RMS is %.2f of that of raw peak-hold", r)
	}
}

// run detects and notes the delays of the cues.
func (s *corpusRow) run(tr *bench.Trace) []*Capture {
	d, err := New(benchParams(tr))
	if err != nil {
		panic(err)
	}
	contacts := tr.Contacts()
	var out []*Capture
	take := func(ev []Event) {
		for _, e := range ev {
			switch e.Kind {
			case EventCaptured:
				out = append(out, e.Capture)
			case EventCaught:
				best := int64(-1)
				for i := range contacts {
					for _, ph := range contacts[i].Phases {
						if ph.Adjustment != tr.Adjustments[e.Seek] {
							continue
						}
						for _, x := range ph.Crossings {
							if x.AtNS <= e.At {
								best = max(best, x.AtNS)
							}
						}
					}
				}
				if best >= 0 {
					s.delay = append(s.delay, float64(e.At-best)*1e-9)
				}
			}
		}
	}
	for _, r := range tr.Readings {
		take(d.Push(r))
	}
	take(d.Flush())
	return out
}
