package detect

import (
	"flag"
	"slices"
	"testing"

	"ringsaddle/acquire/bench"
)

var flagDelays = flag.Int("delays", 1, "simulated traces a class that TestDelays takes")

// delays are times in seconds.
type delays []float64

func (d delays) at(p float64) float64 {
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return d[min(len(d)-1, int(p*float64(len(d))))]
}

// How long after the true turning point its cue comes: from the last true pass
// before the event to the event, for the classes in which both are passed; and
// from the loss of contact to the capture. Every event comes with the reading
// that is pushed; after a silence with the one that follows it.
//
//	go test ./detect -run TestDelays -v -delays 20 -timeout 30m
func TestDelays(t *testing.T) {
	var caught, complete, captured delays
	cues, off := 0, 0
	for _, class := range bench.Classes() {
		switch class {
		case bench.ClassNeverTilt, bench.ClassNeverCross, bench.ClassOneKnob, bench.ClassEndStop, bench.ClassRememberedDigits, bench.ClassClockJump:
			continue
		}
		for seed := range uint64(*flagDelays) {
			tr := metamorphicCase(t, class, seed, 0)
			contacts := tr.Contacts()
			// last returns the last pass over the extremum of seek k before at, or
			// before any of both if k is −1.
			last := func(k int, at int64) int64 {
				best := int64(-1)
				for i := range contacts {
					if contacts[i].TouchNS > at {
						break
					}
					best = -1
					for _, ph := range contacts[i].Phases {
						if k >= 0 && ph.Adjustment != tr.Adjustments[k] {
							continue
						}
						for _, x := range ph.Crossings {
							if x.AtNS <= at {
								best = max(best, x.AtNS)
							}
						}
					}
				}
				return best
			}
			d, err := New(benchParams(&tr))
			if err != nil {
				t.Fatal(err)
			}
			for i, r := range tr.Readings {
				// After a silence one reading is held back until the next has come.
				held := i > 1 && tr.Readings[i-1].At-tr.Readings[i-2].At > pauseNS
				for _, e := range d.Push(r) {
					if e.Seq != r.Seq && !(held && e.Seq == tr.Readings[i-1].Seq) {
						t.Errorf("%s seed %d: %s of reading %d comes with reading %d", class, seed, e.Kind, e.Seq, r.Seq)
					}
					switch e.Kind {
					case EventCaught:
						cues++
						if x := last(e.Seek, e.At); x >= 0 {
							caught = append(caught, float64(e.At-x)*1e-9)
						} else {
							off++ // nothing was passed yet
						}
					case EventComplete:
						if x := last(-1, e.At); x >= 0 {
							complete = append(complete, float64(e.At-x)*1e-9)
						}
					case EventCaptured:
						for i := range contacts {
							if c := &contacts[i]; e.Capture.StartAt < c.EndNS && c.EndNS <= e.At {
								captured = append(captured, float64(e.At-c.EndNS)*1e-9)
								break
							}
						}
					}
				}
			}
		}
	}
	for _, x := range []struct {
		name string
		d    delays
	}{{"last pass to its cue", caught}, {"last pass to complete", complete}, {"end of contact to capture", captured}} {
		t.Logf("%-26s %4d: 5 %% %.2f s, median %.2f s, 75 %% %.2f s, 95 %% %.2f s, largest %.2f s", x.name, len(x.d), x.d.at(0.05), x.d.at(0.5), x.d.at(0.75), x.d.at(0.95), x.d.at(1))
	}
	t.Logf("%d cues, %d of them before any pass", cues, off)
	if len(caught) < 20 || caught.at(0.5) > 3 || captured.at(0.95) > 2 {
		t.Errorf("%d cues, half of them later than %.2f s; captures up to %.2f s after the contact", len(caught), caught.at(0.5), captured.at(0.95))
	}
	if off > 1+cues/20 {
		t.Errorf("%d of %d cues come before any pass", off, cues)
	}
}
