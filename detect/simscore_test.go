package detect

import (
	"flag"
	"fmt"
	"testing"

	"ringsaddle/acquire"
)

var (
	flagSim   = flag.Int("sim", 3, "simulated traces a class of this package's own second bench")
	flagClass = flag.String("simclass", "", "only these classes, comma separated")
	flagSeed  = flag.Uint64("simseed", 0, "first seed")
	flagBad   = flag.Int("simbad", 0, "print this many bad cases a class")
)

// simSigmaUM stands for what an oracle attains on the second bench, µm.
const simSigmaUM = 0.05

// addSim scores a trace of the second bench.
func (s *corpusRow) addSim(tr *simTrace) (bad string) {
	caps := detectAll(DefaultParams(acquire.Step{Num: 10000, Den: 1}, tr.resPM), tr.readings)
	var contacts []scored
	for i := range tr.contacts {
		c := &tr.contacts[i]
		contacts = append(contacts, scored{
			fromNS: int64(c.start * 1e9), toNS: int64(c.end * 1e9), supported: c.supported,
			allows: func(o Outcome) bool { return c.allowed[o] },
			err: func(cp *Capture) float64 {
				e := ((float64(cp.Origin)+cp.Saddle)*tr.stepMM - c.saddleMM) * 1000
				// Referred to the capture's own time.
				return e - tr.cfg.drift*(float64(cp.At)/1e9-c.refT)/60
			},
			sigma: simSigmaUM,
		})
	}
	return s.score(contacts, caps, tr.stepMM, tr.cfg.q)
}

// TestSecondBench scores the detector over all classes of this package's own second
// bench and prints the table of TestCorpus.
func TestSecondBench(t *testing.T) {
	all := scoreTable(t, simClasses, []string{"end_stop", "remembered"}, *flagSim, func(s *corpusRow, class string, seed uint64) (what, bad string) {
		tr := simulate(class, seed)
		c := &tr.cfg
		what = fmt.Sprintf("rate %.0f q %.2f hand %d rise %.1f drop %.1f white %.2f wander %.2f touch %.2f",
			c.rate, c.q, c.handStyle, c.tiltRise, c.crossDrop, c.white, c.wander, c.touch)
		return what, s.addSim(&tr)
	})
	if *flagClass == "" {
		all.expect(t, 100, 40, 0.65)
	}
}
