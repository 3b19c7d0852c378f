package detect

import (
	"flag"
	"fmt"
	"math"
	"strings"
	"testing"

	"ringsaddle/acquire"
)

var (
	flagSim   = flag.Int("sim", 3, "simulated traces a class of this package's own second bench")
	flagClass = flag.String("simclass", "", "only these classes, comma separated")
	flagSeed  = flag.Uint64("simseed", 0, "first seed")
	flagBad   = flag.Int("simbad", 0, "print this many bad cases a class")
)

type simScore struct {
	contacts, correct, falses, gross, wrong, took, yield, missed, ambiguous, extra int
	err, u                                                                         []float64
}

func simDetect(tr simTrace) []*Capture {
	p := DefaultParams(acquire.Step{Num: 10000, Den: 1}, tr.resPM)
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
	for _, r := range tr.readings {
		take(d.Push(r))
	}
	take(d.Flush())
	return out
}

func (s *simScore) add(tr simTrace, caps []*Capture) (bad string) {
	used := make([]bool, len(caps))
	for ci, ct := range tr.contacts {
		s.contacts++
		var c *Capture
		for i, x := range caps {
			st, en := float64(x.StartAt)/1e9, float64(x.EndAt)/1e9
			if !used[i] && st < ct.end && en > ct.start {
				c = x
				used[i] = true
				break
			}
		}
		if ct.supported {
			s.took++
		}
		if c == nil {
			s.missed++
			bad += fmt.Sprintf(" contact %d: none;", ci)
			continue
		}
		if c.Outcome == OutcomeDiameter {
			e := ((float64(c.Origin)+c.Saddle)*tr.stepMM - ct.saddleMM) * 1000
			// Referred to the capture's own time.
			e -= tr.cfg.drift * (float64(c.At)/1e9 - ct.refT) / 60
			u := c.U * tr.stepMM * 1000
			sig := 0.05
			switch {
			case !ct.allowed[OutcomeDiameter]:
				s.falses++
				s.gross++
				s.wrong++
				bad += fmt.Sprintf(" contact %d: FALSE;", ci)
				continue
			case math.Abs(e) > math.Max(6*sig, 3*tr.cfg.q):
				s.gross++
				s.wrong++
				bad += fmt.Sprintf(" contact %d: GROSS e=%.3f u=%.3f;", ci, e, u)
			case math.Abs(e) > math.Max(3*sig, 3*tr.cfg.q):
				s.wrong++
				bad += fmt.Sprintf(" contact %d: wrong e=%.3f u=%.3f;", ci, e, u)
			default:
				s.correct++
			}
			if ct.supported {
				s.yield++
			}
			if math.Abs(e) <= math.Max(6*sig, 3*tr.cfg.q) {
				s.err = append(s.err, e)
				s.u = append(s.u, u)
			}
			continue
		}
		if ct.allowed[c.Outcome] {
			s.correct++
			continue
		}
		if c.Outcome == OutcomeAmbiguous {
			s.ambiguous++
		} else {
			s.missed++
		}
		bad += fmt.Sprintf(" contact %d: %s;", ci, c.Outcome)
	}
	for i := range caps {
		if !used[i] {
			s.extra++
			bad += fmt.Sprintf(" extra %s %.1f-%.1f;", caps[i].Outcome, float64(caps[i].StartAt)/1e9, float64(caps[i].EndAt)/1e9)
		}
	}
	return bad
}

func (s *simScore) row(name string) string {
	var sum, sq, zq, su float64
	cover := 0
	for i, e := range s.err {
		sum += e
		sq += e * e
		zq += e * e / s.u[i] / s.u[i]
		su += s.u[i]
		if math.Abs(e) <= 2*s.u[i] {
			cover++
		}
	}
	n := math.Max(1, float64(len(s.err)))
	pc := func(a int) float64 { return 100 * float64(a) / math.Max(1, float64(s.contacts)) }
	return fmt.Sprintf("%-14s n %5d correct %5.1f false %5.2f gross %5.2f wrong %5.2f yield %.3f missed %4.1f amb %4.1f extra %3d bias %+.3f rms %.3f u %.3f cov %.3f z %.2f",
		name, s.contacts, pc(s.correct), pc(s.falses), pc(s.gross), pc(s.wrong), float64(s.yield)/math.Max(1, float64(s.took)),
		pc(s.missed), pc(s.ambiguous), s.extra, sum/n, math.Sqrt(sq/n), su/n, float64(cover)/n, math.Sqrt(zq/n))
}

func TestSecondBench(t *testing.T) {
	for _, class := range simClasses {
		if *flagClass != "" && !strings.Contains(","+*flagClass+",", ","+class+",") {
			continue
		}
		var s simScore
		bad := 0
		for i := range *flagSim {
			seed := *flagSeed + uint64(i)
			tr := simulate(class, seed)
			b := s.add(tr, simDetect(tr))
			if b != "" && bad < *flagBad {
				bad++
				t.Logf("  %s seed %d (rate %.0f q %.2f hand %d rise %.1f drop %.1f white %.2f wander %.2f touch %.2f): %s", class, seed, tr.cfg.rate, tr.cfg.q, tr.cfg.handStyle, tr.cfg.tiltRise, tr.cfg.crossDrop, tr.cfg.white, tr.cfg.wander, tr.cfg.touch, b)
			}
		}
		t.Log(s.row(class))
	}
}
