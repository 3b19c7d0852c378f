package detect

import (
	"strings"
	"testing"

	"ringsaddle/acquire"
)

func TestDefaultParamsAreValid(t *testing.T) {
	p := DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 100_000)
	if err := p.Validate(); err != nil {
		t.Fatal(err)
	}
	if p.StepMM != 1e-5 || p.ResolutionMM != 1e-4 {
		t.Errorf("step %g mm, resolution %g mm", p.StepMM, p.ResolutionMM)
	}
	if inch := DefaultParams(acquire.Step{Num: 25_400, Den: 1}, 0); inch.ResolutionMM != inch.StepMM {
		t.Errorf("without a resolution the step counts: %g, %g", inch.ResolutionMM, inch.StepMM)
	}
}

// Validation names every fault at once, with its value and what is permitted.
func TestValidateNamesAllFaults(t *testing.T) {
	p := DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 0)
	p.Seeks[1].Adjustment = p.Seeks[0].Adjustment
	p.LossSeconds = -1
	p.StrayReadings = 9
	p.FalseProbability = 0.5
	err := p.Validate()
	if err == nil {
		t.Fatal("no fault found")
	}
	for _, want := range []string{
		"tilt is named twice", "LossSeconds = -1: permitted 0.05 to 5 s",
		"StrayReadings = 9: permitted 0 to 3 readings", "FalseProbability = 0.5: permitted 1e-06 to 0.2",
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q is missing from: %v", want, err)
		}
	}
	if _, err := New(p); err == nil {
		t.Error("New takes faulty settings")
	}
}

// Every setting is part of the digest.
func TestDigest(t *testing.T) {
	p := DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 0)
	q := p
	q.RestSeconds += 0.1
	if p.Digest() == q.Digest() || p.Digest() != DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 0).Digest() {
		t.Error("the digest does not tell settings apart")
	}
}

func TestHintsTravel(t *testing.T) {
	for _, seek := range []int{-1, 0, 1} {
		h, ok := DecodeHint(EncodeHint(Hint{Seek: seek}, 5))
		if !ok || h.Seek != seek {
			t.Errorf("seek %d comes back as %d, %v", seek, h.Seek, ok)
		}
	}
	if _, ok := DecodeHint(acquire.Reading{X: 1, Tilt: hintVersion}); ok {
		t.Error("a plain reading is no hint")
	}
}

// Every reason has a row with when it appears and what to do.
func TestReasonsAreComplete(t *testing.T) {
	seen := map[ReasonCode]bool{}
	for _, r := range Reasons() {
		if r.Code == "" || r.When == "" || r.Advice == "" || seen[r.Code] {
			t.Errorf("row %+v", r)
		}
		seen[r.Code] = true
	}
	if len(seen) < 15 {
		t.Errorf("%d reasons", len(seen))
	}
}

// Entries lost before the detector saw them end the entry without a diameter.
func TestLostReadingsEndTheEntry(t *testing.T) {
	tr := simulate("ordinary", 1)
	p := DefaultParams(acquire.Step{Num: 10_000, Den: 1}, tr.resPM)
	for _, how := range []string{"Lost", "Gap", "StreamStart"} {
		d, err := New(p)
		if err != nil {
			t.Fatal(err)
		}
		var caps []*Capture
		take := func(ev []Event) {
			for _, e := range ev {
				if e.Kind == EventCaptured {
					caps = append(caps, e.Capture)
				}
			}
		}
		cut := int(0.7 * float64(len(tr.readings)))
		for i, r := range tr.readings {
			if i == cut {
				switch how {
				case "Lost":
					take(d.Lost(r.Seq, r.Seq+100))
				case "Gap":
					r.Flags |= acquire.Gap
					r.At += 2_000_000_000
				case "StreamStart":
					take(d.Push(acquire.Reading{Seq: r.Seq, At: r.At, Flags: acquire.StreamStart | acquire.Gap}))
				}
			}
			take(d.Push(r))
		}
		take(d.Flush())
		if len(caps) == 0 || caps[0].Ending != EndReadingsLost || caps[0].Outcome == OutcomeDiameter || !hasReason(caps[0], ReasonReadingsLost) {
			t.Errorf("%s: %+v", how, caps)
		}
	}
}

// A deliberate withdrawal is announced after its capture, once; a contact that
// comes back at once is none.
func TestWithdrawal(t *testing.T) {
	tr := simulate("ordinary", 2)
	d, err := New(DefaultParams(acquire.Step{Num: 10_000, Den: 1}, tr.resPM))
	if err != nil {
		t.Fatal(err)
	}
	var kinds []EventKind
	take := func(ev []Event) {
		for _, e := range ev {
			kinds = append(kinds, e.Kind)
		}
	}
	last := tr.readings[len(tr.readings)-1]
	for _, r := range tr.readings {
		take(d.Push(r))
	}
	for i := range 2000 {
		last.Seq++
		last.At += 10_000_000
		_ = i
		take(d.Push(last))
	}
	captured, withdrawn := -1, -1
	for i, k := range kinds {
		switch k {
		case EventCaptured:
			captured = i
		case EventWithdrawn:
			if withdrawn >= 0 {
				t.Error("withdrawn twice")
			}
			withdrawn = i
		}
	}
	if captured < 0 || withdrawn < captured {
		t.Errorf("events %v", kinds)
	}
}
