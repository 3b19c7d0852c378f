package detect

import (
	"fmt"
	"math"
	"os"
	"testing"

	"ringsaddle/acquire/bench"
)

func TestUnclear(t *testing.T) {
	if os.Getenv("UNCLEAR") == "" {
		t.Skip()
	}
	for _, cl := range []bench.Class{bench.ClassOrdinary, bench.ClassManyReversals, bench.ClassTouchUp} {
		for i := range *flagCorpus {
			tr, _ := benchCase(cl, uint64(i))
			d, _ := New(benchParams(&tr))
			debugAnalysis = func(c *contact, a *analyser) {
				if !a.played || !a.verdict().unclear {
					return
				}
				fmt.Printf("%s %d doubt %.2f\n", cl, i, a.dec.doubt)
				for _, ct := range tr.Contacts() {
					for _, ph := range ct.Phases {
						fmt.Printf("   %s %.2f..%.2f..%.2f\n", ph.Adjustment, float64(ph.StartNS)/1e9, float64(ph.EndNS)/1e9, float64(ph.RestNS)/1e9)
					}
				}
				t0 := float64(c.firstAt) / 1e9
				for b := 0; b+1 < a.dec.n; b++ {
					one, two := a.dec.ph[b], a.dec.ph[b+1]
					var p, q phase
					c1, _, _ := a.weigh(one.from, one.to, one.seek, &p)
					c2, _, _ := a.weigh(one.to, two.to, two.seek, &q)
					best := c1 + c2 + a.hinges[one.to].cost
					s0 := q.value - (a.hinges[one.to].level - p.value)
					for h := one.from + 1; h < two.to; h++ {
						c1, _, ok1 := a.weigh(one.from, h, one.seek, &p)
						c2, _, ok2 := a.weigh(h, two.to, two.seek, &q)
						s := c1 + c2 + a.hinges[h].cost - best
						if !ok1 || !ok2 || s < -4 {
							continue
						}
						hg := a.hinges[h]
						fmt.Printf("      b%d h%d %.2f..%.2f far %d score %.2f dS %.3f T %.3f/%d X %.3f/%d E %.3f (c1 %.2f c2 %.2f)\n", b, h, t0+a.t[hg.a], t0+a.t[hg.b], hg.far, s, q.value-(hg.level-p.value)-s0, p.value, p.n, q.value, q.n, hg.level, c1, c2)
					}
				}
				_ = math.Pi
			}
			for _, r := range tr.Readings {
				d.Push(r)
			}
			d.Flush()
		}
	}
	debugAnalysis = nil
}
