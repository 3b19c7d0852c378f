package detect

import (
	"flag"
	"fmt"
	"math"
	"slices"
	"testing"

	"ringsaddle/detect/detecttest"
	"ringsaddle/detect/detecttest/narrow"
)

var (
	flagHand   = flag.Int("hand", 2, "simulated traces a class of the hand at the worm gear")
	flagNarrow = flag.Int("narrow", 2, "simulated traces a class of the hand of narrow sweeps")
)

// addHand scores a trace of a hand.
func (s *corpusRow) addHand(tr *detecttest.Trace, caps []*Capture) (bad string) {
	stepMM := detecttest.Step.MM()
	var contacts []scored
	for i := range tr.Contacts {
		c := &tr.Contacts[i]
		x := scored{
			fromNS: c.StartNS, toNS: c.EndNS, supported: c.Supported,
			allows: func(o Outcome) bool { return c.Allows(detecttest.Outcome(o)) },
			err: func(cp *Capture) float64 {
				return ((float64(cp.Origin)+cp.Saddle)*stepMM - tr.SaddleAt(c, cp.At)) * 1000
			},
			sigma: c.SigmaUM, oracle: c.OracleUM,
		}
		x.peak, x.hasOracle = peakHold(tr, c)
		contacts = append(contacts, x)
	}
	return s.score(contacts, caps, stepMM, float64(tr.ResolutionPM)*1e-6)
}

// peakHold is the error, µm, of who takes the largest reading of the last cross
// phase that is neither a stray nor stale.
func peakHold(tr *detecttest.Trace, c *detecttest.Contact) (err float64, ok bool) {
	peak := int64(math.MinInt64)
	for _, p := range slices.Backward(c.Phases) {
		if p.Adjustment != detecttest.Cross {
			continue
		}
		for i, r := range tr.Readings {
			if !tr.Bad[i] && r.At >= p.StartNS && r.At <= p.EndNS {
				peak, ok = max(peak, r.X), true
			}
		}
		break
	}
	if !ok {
		return 0, false
	}
	return (detecttest.Step.PositionMM(peak) - c.SaddleMM) * 1000, true
}

// scoreHand scores the detector over classes of a hand and prints the table.
func scoreHand(t *testing.T, classes, undecidable []detecttest.Class, traces int, trace func(detecttest.Class, uint64) detecttest.Trace) corpusRow {
	return scoreTable(t, classes, undecidable, traces, func(s *corpusRow, class detecttest.Class, seed uint64) (what, bad string) {
		tr := trace(class, seed)
		caps := detectAll(DefaultParams(detecttest.Step, tr.ResolutionPM), tr.Readings)
		return fmt.Sprintf("rate %.0f noise %.2f", tr.RateHz, tr.NoiseUM), s.addHand(&tr, caps)
	})
}

// TestThirdHand scores the detector over all classes of the hand at the worm gear
// and prints the table of TestCorpus. The full table:
//
//	go test ./detect -run TestThirdHand -v -hand 200 -timeout 1h
//
// The curves of evidence.go were fitted to this hand too: its figures are not those of
// a stranger.
func TestThirdHand(t *testing.T) {
	undecidable := []detecttest.Class{detecttest.ClassEndStop, detecttest.ClassDigits}
	all := scoreHand(t, detecttest.Classes(), undecidable, *flagHand, detecttest.Make)
	if *flagClass == "" {
		all.expect(t, 100, 40, 0.6)
	}
}

// TestNarrowHand scores the detector over all classes of the hand of narrow sweeps and
// prints the same table. The full table:
//
//	go test ./detect -run TestNarrowHand -v -narrow 200 -timeout 1h
//
// The curves of evidence.go were fitted to this hand too.
func TestNarrowHand(t *testing.T) {
	undecidable := []detecttest.Class{narrow.ClassEndStop, narrow.ClassDigits}
	all := scoreHand(t, narrow.Classes(), undecidable, *flagNarrow, narrow.Make)
	if *flagClass == "" {
		all.expect(t, 25, 20, 0.6)
	}
}
