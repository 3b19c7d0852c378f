//go:build explore

package detect

// Tools to look at single traces, not part of the tests:
//
//	DUMP=ordinary go test -tags explore ./detect -run TestDump$ -v -simseed 3
//	DUMPBENCH=ordinary go test -tags explore ./detect -run TestDumpBench -v -simseed 3

import (
	"fmt"
	"math"
	"os"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

func dumpAnalysis(c *contact, a *analyser) {
	fmt.Printf("contact seq %d t %.2f..%.2f n %d sigma %.3f white %.3f coarse %v period %.4f span %.2f stale %d stray %d played %v endrest %v\n",
		c.firstSeq, float64(c.firstAt)/1e9, float64(c.lastAt)/1e9, len(a.z), a.sigma, a.white, a.coarse, a.period, a.span, a.stale, c.stray, a.played, a.endRest)
	if !a.played {
		return
	}
	t0 := float64(c.firstAt) / 1e9
	for i, h := range a.hinges {
		fmt.Printf("  hinge %d  %.2f..%.2f level %.3f s %.3f seen %v cost %.1f\n", i, t0+a.t[h.a], t0+a.t[h.b], h.level, h.s, h.seen, h.cost)
	}
	for i, p := range a.piv {
		fmt.Printf("  pivot %d kind %+d t %.2f v %.3f s %.3f prom %.2f fit %.2f..%.2f rest %d flat %.2f even %.1f uneven %.1f lnw %.1f\n", i, p.kind, t0+p.t, p.v, p.s, p.prom, t0+a.t[p.a], t0+a.t[p.b], p.rest, p.flat, p.even, p.uneven, p.lnw)
	}
	fmt.Printf("  logp %.1f mask %d prob %.4f doubt %.3f blur %.3f\n", a.dec.logp, a.dec.mask, a.dec.prob, a.dec.doubt, a.dec.blur)
	for m := range 4 {
		if math.IsInf(a.dec.logp[m], -1) {
			continue
		}
		d := a.dec
		a.walk(m, &d)
		fmt.Printf("  mask %d:\n", m)
		for i := range d.n {
			p := d.ph[i]
			fmt.Printf("     seek %d hinges %d..%d caught %v n %d passes %v value %.3f odds %.1f\n", p.seek, p.from, p.to, p.caught, p.n, p.passes[:p.n], p.value, p.odds)
		}
	}
	for b := 0; b+1 < a.dec.n; b++ {
		one, two := a.dec.ph[b], a.dec.ph[b+1]
		for h := one.from + 1; h < two.to; h++ {
			var p, q phase
			c1, _, _ := a.weigh(one.from, h, one.seek, &p)
			c2, _, _ := a.weigh(h, two.to, two.seek, &q)
			fmt.Printf("     boundary %d at hinge %d: score %.2f (%.2f %.2f) saddle %.3f T %.3f (%d) X %.3f (%d) E %.3f\n", b, h, c1+c2+a.hinges[h].cost, c1, c2, q.value-(a.hinges[h].level-p.value), p.value, p.n, q.value, q.n, a.hinges[h].level)
		}
	}
	fmt.Printf("  est %+v\n", a.est)
}

// TestDump prints what the detector thinks of one trace of the second bench.
func TestDump(t *testing.T) {
	if os.Getenv("DUMP") == "" {
		t.Skip("set DUMP=class and -simseed to see one trace")
	}
	tr := simulate(os.Getenv("DUMP"), *flagSeed)
	fmt.Printf("%+v\n", tr.cfg)
	for _, ct := range tr.contacts {
		fmt.Printf("truth %.2f..%.2f saddle %.5f allowed %v\n", ct.start, ct.end, ct.saddleMM, ct.allowed)
		for _, ph := range ct.phases {
			fmt.Printf("   adj %d %.2f..%.2f crossings %.2f\n", ph.adj, ph.start, ph.end, ph.crossings)
		}
	}
	p := DefaultParams(acquire.Step{Num: 10000, Den: 1}, tr.resPM)
	d, _ := New(p)
	d.inspect = dumpAnalysis
	for _, r := range tr.readings {
		d.Push(r)
	}
	d.Flush()
}

// TestDumpBench prints what the detector thinks of one trace of the bench.
func TestDumpBench(t *testing.T) {
	if os.Getenv("DUMPBENCH") == "" {
		t.Skip("set DUMPBENCH=class and -simseed to see one trace")
	}
	tr, err := benchCase(bench.Class(os.Getenv("DUMPBENCH")), *flagSeed)
	if err != nil {
		t.Fatal(err)
	}
	stepMM := tr.Step.MM()
	for _, c := range tr.Contacts() {
		fmt.Printf("truth %.2f..%.2f saddle %.5f allowed %v facts %v flex %.3f hyst %.3f\n", float64(c.TouchNS)/1e9, float64(c.EndNS)/1e9, c.SaddleMM, c.Allowed, c.Facts, c.FlexureUM, c.HysteresisUM)
		for _, ph := range c.Phases {
			fmt.Printf("   %s %.2f..%.2f..%.2f ext %.5f level %.5f", ph.Adjustment, float64(ph.StartNS)/1e9, float64(ph.EndNS)/1e9, float64(ph.RestNS)/1e9, ph.ExtremumMM, ph.LevelMM)
			for _, x := range ph.Crossings {
				fmt.Printf(" %.2f(%+d)", float64(x.AtNS)/1e9, x.Direction)
			}
			fmt.Println()
		}
		fmt.Printf("   %+v\n", c.Extrema)
	}
	p := benchParams(&tr)
	d, _ := New(p)
	d.inspect = dumpAnalysis
	for _, r := range tr.Readings {
		for _, e := range d.Push(r) {
			if e.Kind == EventCaptured {
				cp := e.Capture
				fmt.Printf("CAPTURE %s origin %d saddle mm %.5f u %.3f µm\n", cp.Outcome, cp.Origin, (float64(cp.Origin)+cp.Saddle)*stepMM, cp.U*stepMM*1000)
			}
		}
	}
	d.Flush()
}
