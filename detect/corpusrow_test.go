package detect

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// corpusRow is the score of one class.
type corpusRow struct {
	name                                          string
	n, correct, falses, gross, wrong, took, yield int
	missed, ambiguous, extra                      int
	err, u, sigma, oracle, peak, delay            []float64
	dia                                           int
	byOutcome                                     map[Outcome]int
}

// scored is a contact of any bench with what a row needs of its truth.
type scored struct {
	fromNS, toNS int64
	optional     bool // no capture at all is right too
	supported    bool
	allows       func(Outcome) bool
	err          func(*Capture) float64 // of a diameter, µm
	sigma        float64                // µm, what an oracle attains
	// The oracle's own error and that of raw peak-hold, µm, where there are any.
	hasOracle    bool
	oracle, peak float64
}

// score counts what was captured of contacts; q is the step of the readout, µm.
func (s *corpusRow) score(contacts []scored, caps []*Capture, stepMM, q float64) (bad string) {
	used := make([]bool, len(caps))
	for ci, c := range contacts {
		var cp *Capture
		for i, x := range caps {
			if !used[i] && x.StartAt < c.toNS && x.EndAt > c.fromNS {
				cp, used[i] = x, true
				break
			}
		}
		if cp == nil && c.optional {
			continue
		}
		s.n++
		if c.supported {
			s.took++
		}
		if cp == nil {
			s.missed++
			bad += fmt.Sprintf(" contact %d: none;", ci)
			continue
		}
		s.byOutcome[cp.Outcome]++
		if cp.Outcome == OutcomeDiameter {
			e, u := c.err(cp), cp.U*stepMM*1000
			if !c.allows(OutcomeDiameter) {
				s.falses++
				s.gross++
				s.wrong++
				bad += fmt.Sprintf(" contact %d: FALSE e=%.3f;", ci, e)
				continue
			}
			if c.supported {
				s.yield++
			}
			s.dia++
			isGross := math.Abs(e) > math.Max(6*c.sigma, 3*q)
			switch {
			case isGross:
				s.gross++
				s.wrong++
				bad += fmt.Sprintf(" contact %d: GROSS e=%.3f u=%.3f sig=%.3f;", ci, e, u, c.sigma)
			case math.Abs(e) > math.Max(3*c.sigma, 3*q):
				s.wrong++
				bad += fmt.Sprintf(" contact %d: wrong e=%.3f u=%.3f sig=%.3f;", ci, e, u, c.sigma)
			default:
				s.correct++
			}
			if !isGross {
				s.err = append(s.err, e)
				s.u = append(s.u, u)
				if c.hasOracle {
					s.sigma = append(s.sigma, e/c.sigma)
					s.oracle = append(s.oracle, c.oracle/c.sigma)
					s.peak = append(s.peak, c.peak)
				}
			}
			continue
		}
		if c.allows(cp.Outcome) {
			s.correct++
			continue
		}
		if cp.Outcome == OutcomeAmbiguous {
			s.ambiguous++
		} else {
			s.missed++
		}
		bad += fmt.Sprintf(" contact %d: %s;", ci, cp.Outcome)
		for _, r := range cp.Reasons {
			s.byOutcome[Outcome(cp.Outcome+"/"+Outcome(r.Code))]++
		}
	}
	for i := range caps {
		if !used[i] {
			s.extra++
			bad += fmt.Sprintf(" extra %s %.1f-%.1f;", caps[i].Outcome, float64(caps[i].StartAt)/1e9, float64(caps[i].EndAt)/1e9)
		}
	}
	return bad
}

func rms(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x * x
	}
	return math.Sqrt(s / math.Max(1, float64(len(v))))
}

func mean(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s / math.Max(1, float64(len(v)))
}

// upper95 and lower95 are the one-sided exact (Clopper and Pearson) bounds of a
// share k of n, per cent.
func upper95(k, n int) float64 {
	if k >= n {
		return 100
	}
	return 100 * distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(0.95)
}

func lower95(k, n int) float64 {
	if k == 0 {
		return 0
	}
	return 100 * distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(0.05)
}

// covered returns the share of errors within ±2u and the RMS of error/u.
func (s *corpusRow) covered() (share, z float64) {
	cover := 0
	r := make([]float64, len(s.err))
	for i, e := range s.err {
		r[i] = e / s.u[i]
		if math.Abs(e) <= 2*s.u[i] {
			cover++
		}
	}
	return float64(cover) / math.Max(1, float64(len(s.err))), rms(r)
}

func (s *corpusRow) merge(o *corpusRow) {
	s.n, s.correct, s.falses, s.gross, s.wrong = s.n+o.n, s.correct+o.correct, s.falses+o.falses, s.gross+o.gross, s.wrong+o.wrong
	s.took, s.yield, s.missed, s.ambiguous, s.extra = s.took+o.took, s.yield+o.yield, s.missed+o.missed, s.ambiguous+o.ambiguous, s.extra+o.extra
	s.err, s.u, s.sigma = append(s.err, o.err...), append(s.u, o.u...), append(s.sigma, o.sigma...)
	s.oracle, s.peak, s.delay = append(s.oracle, o.oracle...), append(s.peak, o.peak...), append(s.delay, o.delay...)
}

// corpusHead names the columns of String. Numbers in brackets are one-sided
// 95 % bounds: upper ones for shares that should be small, lower ones for those
// that should be large.
const corpusHead = "class                 contacts  correct %      false %        gross %        wrong %        yield           missed %  ambig. %  extra  bias µm  RMS µm  u µm   ±2u    z     eff   ratio"

func (s *corpusRow) String() string {
	pc := func(k, n int) float64 { return 100 * float64(k) / math.Max(1, float64(n)) }
	cover, z := s.covered()
	return fmt.Sprintf("%-20s %9d  %5.1f (>%5.1f)  %5.2f (<%4.2f)  %5.2f (<%4.2f)  %5.2f (<%4.2f)  %.3f (>%.3f)  %7.2f  %8.2f  %5d  %+.4f  %.4f  %.3f  %.3f  %.2f  %.2f  %.3f",
		s.name, s.n, pc(s.correct, s.n), lower95(s.correct, s.n), pc(s.falses, s.n), upper95(s.falses, s.n),
		pc(s.gross, s.n), upper95(s.gross, s.n), pc(s.wrong, s.n), upper95(s.wrong, s.n),
		pc(s.yield, s.took)/100, lower95(s.yield, s.took)/100, pc(s.missed, s.n), pc(s.ambiguous, s.n), s.extra,
		mean(s.err), rms(s.err), mean(s.u), cover, z, rms(s.sigma), rms(s.err)/rms(s.peak))
}

// scoreTable scores traces of each class and prints the table. one adds the trace of a
// seed to a row, and says what it is and what is wrong with its captures. The sum of
// all classes but the undecidable is returned.
func scoreTable[C ~string](t *testing.T, classes, undecidable []C, traces int, one func(s *corpusRow, class C, seed uint64) (what, bad string)) corpusRow {
	all := corpusRow{name: "all but the undecidable", byOutcome: map[Outcome]int{}}
	t.Log(corpusHead)
	for _, class := range classes {
		if *flagClass != "" && !strings.Contains(","+*flagClass+",", ","+string(class)+",") {
			continue
		}
		s := corpusRow{name: string(class), byOutcome: map[Outcome]int{}}
		wrong := 0
		for i := range traces {
			seed := *flagSeed + uint64(i)
			if what, bad := one(&s, class, seed); bad != "" && wrong < *flagBad {
				wrong++
				t.Logf("  %s seed %d (%s): %s", class, seed, what, bad)
			}
		}
		t.Log(s.String())
		if *flagBad > 0 {
			t.Log("   ", s.byOutcome)
		}
		if !slices.Contains(undecidable, class) {
			all.merge(&s)
		}
	}
	t.Log(all.String())
	return all
}

// expect says what a small run supports: no more than one false diameter in so many
// contacts, and one that is gross, each three more, and that yield. The table shows
// how far the rest has come.
func (s *corpusRow) expect(t *testing.T, falseIn, grossIn int, yield float64) {
	t.Helper()
	if lim := s.n/falseIn + 3; s.falses > lim {
		t.Errorf("%d false diameters of %d, at most %d expected", s.falses, s.n, lim)
	}
	if lim := s.n/grossIn + 3; s.gross > lim {
		t.Errorf("%d gross of %d, at most %d expected", s.gross, s.n, lim)
	}
	if y := float64(s.yield) / float64(s.took); y < yield {
		t.Errorf("yield %.3f", y)
	}
}
