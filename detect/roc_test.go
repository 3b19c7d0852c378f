//go:build explore

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

// TestROC prints which share of contacts has a given probability of a diameter.
func TestROC(t *testing.T) {
	if os.Getenv("ROC") == "" {
		t.Skip("set ROC=1")
	}
	thr := []float64{0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.998, 0.999, 0.9995, 0.9999}
	line := func(name string, ps []float64) {
		fmt.Printf("%-28s n %4d ", name, len(ps))
		for _, th := range thr {
			k := 0
			for _, p := range ps {
				if p >= th {
					k++
				}
			}
			fmt.Printf(" %.3g:%5.1f%%", th, 100*float64(k)/math.Max(1, float64(len(ps))))
		}
		fmt.Println()
	}
	var p3, start, end float64
	inspect := func(c *contact, a *analyser) {
		p3 = 0
		if !a.played {
			return
		}
		s := math.Inf(-1)
		for _, l := range a.dec.logp {
			s = logAdd(s, l)
		}
		p3 = math.Exp(a.dec.logp[3] - s)
		start, end = float64(c.firstAt), float64(c.lastAt)
	}
	for _, cl := range bench.Classes() {
		if *flagClass != "" && !strings.Contains(","+*flagClass+",", ","+string(cl)+",") {
			continue
		}
		var yes, no []float64
		for i := range *flagCorpus {
			tr, _ := benchCase(cl, *flagSeed+uint64(i))
			d, _ := New(benchParams(&tr))
			d.inspect = inspect
			look := func(ev []Event) {
				for _, e := range ev {
					if e.Kind != EventCaptured {
						continue
					}
					for _, ct := range tr.Contacts() {
						if float64(ct.TouchNS) < end && float64(ct.EndNS) > start && e.Capture.StartAt < ct.EndNS && e.Capture.EndAt > ct.TouchNS {
							if !ct.Allows(bench.OutcomeDiameter) {
								no = append(no, p3)
							} else if ct.Supported {
								yes = append(yes, p3)
							}
						}
					}
				}
			}
			for _, r := range tr.Readings {
				look(d.Push(r))
			}
			look(d.Flush())
		}
		if len(yes) > 0 {
			line(string(cl)+" YES", yes)
		}
		if len(no) > 0 {
			line(string(cl)+" no", no)
		}
	}
	for _, cl := range simClasses {
		if *flagClass != "" && !strings.Contains(","+*flagClass+",", ",sim "+cl+",") {
			continue
		}
		var yes, no []float64
		for i := range *flagCorpus {
			tr := simulate(cl, *flagSeed+uint64(i))
			d, _ := New(DefaultParams(acquire.Step{Num: 10000, Den: 1}, tr.resPM))
			d.inspect = inspect
			look := func(ev []Event) {
				for _, e := range ev {
					if e.Kind != EventCaptured {
						continue
					}
					for _, ct := range tr.contacts {
						if float64(e.Capture.StartAt)/1e9 < ct.end && float64(e.Capture.EndAt)/1e9 > ct.start {
							if !ct.allowed[OutcomeDiameter] {
								no = append(no, p3)
							} else if ct.supported {
								yes = append(yes, p3)
							}
						}
					}
				}
			}
			for _, r := range tr.readings {
				look(d.Push(r))
			}
			look(d.Flush())
		}
		if len(yes) > 0 {
			line("sim "+cl+" YES", yes)
		}
		if len(no) > 0 {
			line("sim "+cl+" no", no)
		}
	}
}
