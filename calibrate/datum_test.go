package calibrate

import "testing"

// The opening readings and the master's certificate say what reading a ring lets
// expect, for readouts that count either way.
func TestExpectedReading(t *testing.T) {
	master := Ring{ID: "m", Kind: Master, Nominal: 30 * Millimetre, Certificate: &MasterCertificate{Diameter: 30*Millimetre + 2*Micrometre}}
	work := Ring{ID: "w", Kind: Work, Nominal: 32 * Millimetre}
	used := func(reading Length) CaptureRecord {
		return CaptureRecord{Standing: StandingUsed, Fact: CaptureFact{Outcome: "diameter", Reading: reading}}
	}
	state := func(sign int64) State {
		return State{
			Rings: []Ring{master, work}, Setup: Setup{ReadingSign: sign}, Step: 1,
			Plan:     Plan{Steps: []PlanStep{{Role: Opening, RingID: "m"}, {Role: Working, RingID: "w"}}},
			Captures: []CaptureRecord{used(5 * Millimetre), used(5*Millimetre + 4*Micrometre), {Standing: StandingRejected, Fact: CaptureFact{Reading: Millimetre}}},
		}
	}
	for sign, want := range map[int64]Length{1: 7 * Millimetre, 0: 7 * Millimetre, -1: 3*Millimetre + 4*Micrometre} {
		s := state(sign)
		ring, reading, ok := s.Expected()
		if !ok || ring.ID != "w" || reading != want {
			t.Errorf("sign %d: ring %q at %v, %v; want ring w at %v", sign, ring.ID, reading, ok, want)
		}
	}
	for name, spoil := range map[string]func(*State){
		"no opening":     func(s *State) { s.Captures = nil },
		"void reference": func(s *State) { s.ReferenceVoid = true },
		"closed":         func(s *State) { s.Closed = true },
		"no step left":   func(s *State) { s.Step = 2 },
		"no certificate": func(s *State) { s.Rings = []Ring{{ID: "m"}, work} },
	} {
		s := state(1)
		spoil(&s)
		if _, _, ok := s.Expected(); ok {
			t.Errorf("%s: a reading is expected all the same", name)
		}
	}
}
