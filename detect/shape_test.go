package detect

import (
	"fmt"
	"math"
	"os"
	"slices"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

func quant(v []float64) string {
	if len(v) == 0 {
		return "-"
	}
	slices.Sort(v)
	q := func(p float64) float64 { return v[int(p*float64(len(v)-1))] }
	return fmt.Sprintf("n %5d  5%% %6.2f 25%% %6.2f 50%% %6.2f 75%% %6.2f 95%% %6.2f", len(v), q(.05), q(.25), q(.5), q(.75), q(.95))
}

// sideTimes returns the times to the levels d·leg on one side.
func (a *analyser) sideTimes(i, dir int, d []float64, out []float64) bool {
	p := &a.piv[i]
	sg := float64(-p.kind)
	lim := 0
	if dir > 0 {
		lim = len(a.sm) - 1
	}
	if j := i + dir; j >= 0 && j < len(a.piv) {
		lim = a.piv[j].k
	}
	v := a.sm[p.k]
	leg := (a.sm[lim] - v) * sg
	if leg < 0.3 {
		return false
	}
	leg = math.Min(leg, 4)
	x := p.k
	for m, f := range d {
		for x != lim && (a.sm[x]-v)*sg < f*leg {
			x += dir
		}
		out[m] = math.Abs(a.t[x] - p.t)
	}
	return true
}

func TestShape(t *testing.T) {
	if os.Getenv("SHAPE") == "" {
		t.Skip("set SHAPE=1")
	}
	feat := map[string][]float64{}
	record := func(key string, a *analyser, i int) {
		p := &a.piv[i]
		if p.prom < math.Max(0.5, 25*a.ss[p.k]) {
			return
		}
		d := []float64{0.05, 0.15, 0.5}
		var l, r [3]float64
		if !a.sideTimes(i, -1, d, l[:]) || !a.sideTimes(i, 1, d, r[:]) {
			return
		}
		w0, w1, w2 := l[0]+r[0], l[1]+r[1], l[2]+r[2]
		feat[key+" w.05"] = append(feat[key+" w.05"], w0)
		feat[key+" w.5"] = append(feat[key+" w.5"], w2)
		feat[key+" r15/05"] = append(feat[key+" r15/05"], math.Log(w1/w0))
		feat[key+" r5/05"] = append(feat[key+" r5/05"], math.Log(w2/w0))
		feat[key+" asym15"] = append(feat[key+" asym15"], math.Abs(math.Log((l[1]+.005)/(r[1]+.005))))
		feat[key+" asym50"] = append(feat[key+" asym50"], math.Abs(math.Log((l[2]+.005)/(r[2]+.005))))
		feat[key+" flat"] = append(feat[key+" flat"], p.flat)
	}
	classes := []bench.Class{bench.ClassOrdinary, bench.ClassManyReversals, bench.ClassNeverCross, bench.ClassEndStop, bench.ClassRememberedDigits}
	for _, cl := range classes {
		for seed := range uint64(40) {
			tr, _ := benchCase(cl, seed)
			dt, _ := New(benchParams(&tr))
			debugAnalysis = func(c *contact, a *analyser) {
				if !a.played {
					return
				}
				for i := range a.piv {
					p := &a.piv[i]
					at := float64(c.firstAt)/1e9 + p.t
					for _, ct := range tr.Contacts() {
						for _, ph := range ct.Phases {
							if at < float64(ph.StartNS)/1e9 || at > float64(ph.EndNS)/1e9 {
								continue
							}
							adj := 0
							if ph.Adjustment == tr.Adjustments[1] {
								adj = 1
							}
							own := (p.kind > 0) == ct.Extrema[adj].Maximum
							pass := false
							for _, x := range ph.Crossings {
								if math.Abs(float64(x.AtNS)/1e9-at) < 0.3 {
									pass = true
								}
							}
							switch {
							case own && pass:
								record("A pass", a, i)
							case own:
								record("B near turn-back "+string(cl), a, i)
							default:
								record("C far turn-back", a, i)
							}
						}
					}
				}
			}
			for _, r := range tr.Readings {
				dt.Push(r)
			}
			dt.Flush()
		}
	}
	for _, cl := range []string{"ordinary", "reversals", "never_crossed"} {
		for seed := range uint64(60) {
			tr := simulate(cl, seed)
			dt, _ := New(DefaultParams(acquire.Step{Num: 10000, Den: 1}, tr.resPM))
			debugAnalysis = func(c *contact, a *analyser) {
				if !a.played {
					return
				}
				for i := range a.piv {
					p := &a.piv[i]
					at := float64(c.firstAt)/1e9 + p.t
					for _, ct := range tr.contacts {
						for _, ph := range ct.phases {
							if at < ph.start || at > ph.end {
								continue
							}
							own := (p.kind > 0) == (ph.adj == 1)
							pass := false
							for _, x := range ph.crossings {
								if math.Abs(x-at) < 0.2 {
									pass = true
								}
							}
							key := fmt.Sprintf("sim hand %d ", tr.cfg.handStyle)
							switch {
							case own && pass:
								record(key+"A pass", a, i)
							case own:
								record(key+"B near", a, i)
							default:
								record(key+"C far", a, i)
							}
						}
					}
				}
			}
			for _, r := range tr.readings {
				dt.Push(r)
			}
			dt.Flush()
		}
	}
	debugAnalysis = nil
	keys := []string{}
	for k := range feat {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		fmt.Printf("%-45s %s\n", k, quant(feat[k]))
	}
}
