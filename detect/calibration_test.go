package detect

import (
	"math"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

// crossed is a pass of an adjustment (index into Params.Seeks) over its extremum, at
// a time of the station clock, s.
type crossed struct {
	seek int
	t    float64
}

// truth is what a simulated contact says of claims.
type truth struct {
	from, to float64 // s
	crossed  []crossed
	diameter bool // allowed
}

// claims looks at the claims for turning points in the contacts of a trace, with the
// probabilities that they were given, and says which are right: the value claimed
// is one that the reading had when the adjustment passed its extremum, and the
// adjustment passed it at least twice or a diameter is allowed.
func claims(p Params, rs []acquire.Reading, of []truth, say func(prob float64, right bool)) {
	d, err := New(p)
	if err != nil {
		panic(err)
	}
	d.inspect = func(c *contact, a *analyser) {
		if !a.played || !a.est.ok || a.est.flat {
			return
		}
		at := func(i int) float64 { return float64(c.bins[a.bin[i]].at) * 1e-9 }
		last := len(a.t) - 1
		for _, tr := range of {
			if at(0) > tr.to || at(last) < tr.from {
				continue
			}
			for k := range 2 {
				if a.dec.mask>>k&1 == 0 || a.slide.n > 0 {
					continue
				}
				near, passes := math.Inf(1), 0
				for _, x := range tr.crossed {
					if x.seek != k {
						continue
					}
					passes++
					i := 0
					for i < last && at(i) < x.t {
						i++
					}
					near = min(near, math.Abs(a.sm[i]-a.est.value[k]))
				}
				say(a.dec.prob[k], near < max(0.3, 1.5*a.q) && (passes > 1 || tr.diameter))
			}
			return
		}
	}
	for _, r := range rs {
		d.Push(r)
	}
	d.Flush()
}

// What is said to be probable is as frequent as it says: of the claims of a class of
// certainty no fewer are right than the mean of their probabilities lets expect, by
// four standard deviations and two per cent for hands that were not fitted.
func TestProbabilityIsCalibrated(t *testing.T) {
	edges := []float64{0.5, 0.8, 0.9, 0.97, 0.99, 1.01}
	var n, right, said [6]float64
	say := func(p float64, ok bool) {
		for i, e := range edges {
			if p < e {
				n[i]++
				said[i] += p
				if ok {
					right[i]++
				}
				return
			}
		}
	}
	for seed := range uint64(*flagCorpus) {
		for _, class := range bench.Classes() {
			if class == bench.ClassDust || class == bench.ClassPreset || class == bench.ClassClockJump {
				continue // the reading steps
			}
			tr, err := benchCase(class, 61000+seed)
			if err != nil {
				t.Fatal(err)
			}
			var of []truth
			for _, c := range tr.Contacts() {
				x := truth{from: float64(c.TouchNS) * 1e-9, to: float64(c.EndNS) * 1e-9, diameter: c.Allows(bench.OutcomeDiameter)}
				for _, ph := range c.Phases {
					k := 0
					if ph.Adjustment == tr.Adjustments[1] {
						k = 1
					}
					for _, cr := range ph.Crossings {
						x.crossed = append(x.crossed, crossed{k, float64(cr.AtNS) * 1e-9})
					}
				}
				of = append(of, x)
			}
			claims(benchParams(&tr), tr.Readings, of, say)
		}
		for _, class := range simClasses {
			tr := simulate(class, 61000+seed)
			var of []truth
			for _, c := range tr.contacts {
				x := truth{from: c.start, to: c.end, diameter: c.allowed[OutcomeDiameter]}
				for _, ph := range c.phases {
					for _, cr := range ph.crossings {
						x.crossed = append(x.crossed, crossed{ph.adj, cr})
					}
				}
				of = append(of, x)
			}
			claims(DefaultParams(acquire.Step{Num: 10000, Den: 1}, tr.resPM), tr.readings, of, say)
		}
	}
	for i, e := range edges {
		if n[i] == 0 {
			continue
		}
		p := said[i] / n[i]
		t.Logf("below %.2f: %4.0f claims, said %.3f, right %.3f", e, n[i], p, right[i]/n[i])
		if i > 0 && right[i] < n[i]*(p-0.02)-4*math.Sqrt(n[i]*p*(1-p)+0.25) {
			t.Errorf("of %.0f claims said to be right in %.3f, %.3f are", n[i], p, right[i]/n[i])
		}
	}
	if all := n[4] + n[5]; all < 50 {
		t.Errorf("%.0f sure claims", all)
	}
}
