package detect

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

func TestShape(t *testing.T) {
	if os.Getenv("SHAPE") == "" {
		t.Skip("set SHAPE=1")
	}
	out, err := os.Create(os.Getenv("SHAPE"))
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	record := func(key string, a *analyser, i int) {
		p := &a.piv[i]
		leg := math.Min(p.prom, 4)
		if leg < 0.3 || leg < 12*a.ss[p.k] {
			return
		}
		fmt.Fprintf(out, "%s,%.4f,%.4f,%.4f,%.4f,%.3f", strings.ReplaceAll(key, " ", "_"), leg, a.ss[p.k], a.period, p.round, p.flat)
		for _, f := range []float64{0.04, 0.08, 0.16, 0.32, 0.64} {
			d := f * leg
			if d < 3*a.ss[p.k] || a.coarse && d < 1.5*a.q {
				fmt.Fprintf(out, ",nan,nan")
				continue
			}
			l, _ := a.fallTimes(i, -1, d, d)
			r, _ := a.fallTimes(i, 1, d, d)
			fmt.Fprintf(out, ",%.4f,%.4f", l, r)
		}
		fmt.Fprintln(out)
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
}
