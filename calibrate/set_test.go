package calibrate

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// setStation is an invented bench without compression and without errors of its
// own, so that results can be worked out by hand.
func setStation() Station {
	return Station{
		Instrument: SetInstrument{RangeMM: []float64{1, 150}, ScaleErrorMM: &Quantity{}, ScaleMaterial: "glass", ResolutionMM: 0.0001},
		Contacts:   SetContacts{Shape: "ball", RadiusMM: 1.5, Material: "carbide"},
	}
}

type setReading struct {
	id      string
	micro   float64 // reading, µm
	seconds int64
}

// setState folds a set of one diameter from readings at given times.
func setState(t *testing.T, sign int64, temperatures []TemperatureFact, readings ...setReading) State {
	t.Helper()
	rings := walkerRings()
	p := OneDiameterPlan(rings[0], rings[1], 1)
	setup := walkerSetup()
	setup.ReadingSign = sign
	events := []Event{
		{Kind: SetStarted, Plan: &p, Rings: rings, Setup: setup},
		{Kind: RingConfirmed, RingID: "M"},
		{Kind: RingConfirmed, RingID: "W"},
	}
	if len(temperatures) > 0 {
		events = append(events, Event{Kind: Conditions, Temperatures: temperatures})
	}
	for _, r := range readings {
		events = append(events,
			Event{Kind: CaptureStored, Capture: &CaptureFact{
				ID: r.id, StreamID: "s", Outcome: "diameter", Reading: Length(sign) * Length(math.Round(r.micro*1e6)), U: 30_000,
				At: r.seconds * 1e9, WallNS: r.seconds * 1e9,
			}},
			Event{Kind: WithdrawnAfter})
	}
	s, err := Fold("set", events)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func setAt(ring string, celsius float64, seconds int64) TemperatureFact {
	c, _ := TemperatureFromCelsius(celsius)
	return TemperatureFact{RingID: ring, Value: c, U: Kelvin / 20, WallNS: seconds * 1e9, Source: "typed"}
}

// at20 declares 20 °C for everything.
func at20() []TemperatureFact {
	return []TemperatureFact{setAt("M", 20, 0), setAt("W", 20, 0), setAt("", 20, 0)}
}

// TestSetFileOfByHand works a set through by hand. The master has 30.0004 mm. It
// reads 0.10 µm at 0 s and 0.20 µm at 400 s, so 0.125 µm at 100 s, when the work
// ring reads 1999.925 µm: 30.0004 + 1.9998 = 32.0002 mm.
func TestSetFileOfByHand(t *testing.T) {
	for _, sign := range []int64{1, -1} {
		s := setState(t, sign, at20(), setReading{"m1", 0.10, 0}, setReading{"w1", 1999.925, 100}, setReading{"m2", 0.20, 400})
		f, err := SetFileOf(s, setStation(), nil)
		if err != nil {
			t.Fatal(err)
		}
		out, err := Evaluate(f, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(out.Results) != 1 || math.Abs(out.Results[0].DiameterMM-32.0002) > 1e-9 || out.Status != Accepted {
			t.Errorf("sign %d: %s %+v, want 32.0002 mm accepted", sign, out.Status, out.Results)
		}
		if p := out.Results[0].Position; p == nil || *p != (SetPosition{HeightMM: 10}) {
			t.Errorf("position %+v", p)
		}
	}
}

// TestSetFileOfClosing: walker and evaluation find the same closing difference
// when the master warms up, and come to the same verdict.
func TestSetFileOfClosing(t *testing.T) {
	for _, tc := range []struct {
		closing, warmer, scale float64
		want                   float64 // µm, by hand: 30 mm · 11.5e-6/K · ΔT taken off
		status                 WalkStatus
	}{
		{0.10, 0, 0, 0, WalkFinished},
		{0.29, 0, 0, 0.19, WalkFinished},
		{0.31, 0.1, 0, 0.21 - 0.0345, WalkFinished},
		{0.10, 0.7, 0, -0.2415, WalkNotAccepted},
		{0.32, 0, 0, 0.22, WalkNotAccepted},
		// A scale that warms by 1 K is drift of the bench: it stays in the difference.
		{0.29, 0, 1, 0.19, WalkFinished},
		{0.31, 0.1, 1, 0.21 - 0.0345, WalkFinished},
	} {
		temperatures := append(at20(), setAt("M", 20+tc.warmer, 400), setAt("", 20+tc.scale, 400))
		readings := []setReading{{"m1", 0.10, 0}, {"w1", 1999.9, 100}, {"m2", tc.closing, 400}}
		if tc.status == WalkNotAccepted {
			readings = append(readings, setReading{"m3", tc.closing, 460})
		}
		s := setState(t, 1, temperatures, readings...)
		if s.Status != tc.status || math.Abs(s.ClosingDifference.Micrometres()-tc.want) > 1e-5 {
			t.Errorf("%+v: walker %s, %g µm", tc, s.Status, s.ClosingDifference.Micrometres())
		}
		f, err := SetFileOf(s, setStation(), nil)
		if err != nil {
			t.Fatal(err)
		}
		out, err := Evaluate(f, Options{})
		if err != nil {
			t.Fatal(err)
		}
		want := Accepted
		if tc.status == WalkNotAccepted {
			want = NotAccepted
		}
		// The walker keeps whole picometres.
		if out.Status != want || math.Abs(*out.ClosingDifferenceMM-s.ClosingDifference.MM()) > 2e-9 {
			t.Errorf("%+v: evaluation %s, %g µm", tc, out.Status, *out.ClosingDifferenceMM*1000)
		}
	}
}

// TestSetFileOfIsTheOfflineForm: what SetFileOf gives can be written, read back
// strictly, and gives the same results.
func TestSetFileOfIsTheOfflineForm(t *testing.T) {
	st := setStation()
	st.Instrument.ScaleErrorMM = &Quantity{U: 0.00005}
	st.Contacts.ForceN = Quantity{Value: 3.5, U: 0.2}
	st.CommonTemperatureOffsetK = &Quantity{HalfWidth: 0.2, Distribution: "rectangular"}
	st.Repeatability = &SetRepeatability{SMM: 0.00005, Dof: 20}
	s := setState(t, 1, at20(), setReading{"m1", 0.10, 0}, setReading{"w1", 1999.9, 100}, setReading{"m2", 0.20, 400})
	f, err := SetFileOf(s, st, []SetMaterial{{ID: "steel", ExpansionPerK: &Quantity{Value: 11e-6, U: 1e-6}}})
	if err != nil {
		t.Fatal(err)
	}
	data, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	g, err := DecodeSet(data)
	if err != nil {
		t.Fatalf("%v\n%s", err, data)
	}
	a, err := Evaluate(f, Options{})
	if err != nil {
		t.Fatal(err)
	}
	b, err := Evaluate(g, Options{})
	if err != nil {
		t.Fatal(err)
	}
	ja, _ := json.Marshal(a)
	jb, _ := json.Marshal(b)
	if string(ja) != string(jb) {
		t.Errorf("the written set evaluates differently:\n%s", cmp.Diff(string(ja), string(jb)))
	}
	// The laboratory's coefficient goes before the register's, which gives the rest.
	i := slices.IndexFunc(f.Materials, func(m SetMaterial) bool { return m.ID == "steel (W-7)" })
	if i < 0 || f.Materials[i].ExpansionPerK.Value != 11e-6 || f.Materials[i].YoungModulusGPa.Value != 206 {
		t.Errorf("materials %+v", f.Materials)
	}
	if r := f.Rings[0]; r.DriftMM == nil || r.DriftMM.HalfWidth != 0.0001 || r.DriftMM.Distribution != "triangular" || r.Certificate.CoverageFactor != 2 {
		t.Errorf("master %+v", r)
	}
}

func TestSetFileOfRefuses(t *testing.T) {
	started := setState(t, 1, nil)
	opened := setState(t, 1, nil, setReading{"m1", 0.1, 0})
	whole := setState(t, 1, nil, setReading{"m1", 0.1, 0}, setReading{"w1", 1999.9, 100})
	wrong := setStation()
	wrong.Instrument.ReadingSign = -1
	for _, tc := range []struct {
		s    State
		st   Station
		want string
	}{
		{NewState("set"), setStation(), "set: it has not started; nothing can be evaluated"},
		{started, setStation(), "set: no capture of the opening reference is in use; measure it first"},
		{opened, setStation(), "set: no capture of a work ring is in use; measure one first"},
		{whole, wrong, "station: reading_sign is -1 and the set was measured with 1; evaluate the set with the sign recorded with it"},
	} {
		if _, err := SetFileOf(tc.s, tc.st, nil); err == nil || err.Error() != tc.want {
			t.Errorf("got %v, want %s", err, tc.want)
		}
	}
	// Without closing the result is provisional.
	f, err := SetFileOf(whole, setStation(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if out, err := Evaluate(f, Options{}); err != nil || out.Status != Provisional {
		t.Errorf("%s, %v", out.Status, err)
	}
}

// TestSetTemperatures: interpolated between samples, nearest outside, assumed
// without any.
func TestSetTemperatures(t *testing.T) {
	s := setState(t, 1, []TemperatureFact{setAt("M", 20, 100), setAt("M", 20.4, 500), setAt("", 20.5, 100), setAt("", 20.1, 100)})
	for _, tc := range []struct {
		ring    string
		seconds int64
		want    Quantity
	}{
		{"M", 100, Quantity{Value: 20, U: 0.05}},
		{"M", 200, Quantity{Value: 20.1, U: 0.05}},
		{"M", 0, Quantity{Value: 20, U: 0.05}},
		{"M", 9999, Quantity{Value: 20.4, U: 0.05}},
		{"", 100, Quantity{Value: 20.1, U: 0.05}}, // two samples of one instant: the last
		{"W", 100, Quantity{Value: 20, HalfWidth: 2, Distribution: "rectangular"}},
	} {
		got := s.setTemperature(tc.ring, tc.seconds*1e9)
		if math.Abs(got.Value-tc.want.Value) > 1e-9 || got.U != tc.want.U || got.HalfWidth != tc.want.HalfWidth || got.Distribution != tc.want.Distribution {
			t.Errorf("%q at %d s: %+v, want %+v", tc.ring, tc.seconds, got, tc.want)
		}
	}
	if a := s.TemperatureOf("M", 3100*1e9).Away; a.Seconds() != 2600 {
		t.Errorf("away %s", a)
	}
}

// TestSetRepeatability: quantiles of F and χ² at 95 % from the usual tables (from
// memory): χ²(10) = 18.31, F(5, 10) = 3.33.
func TestSetRepeatability(t *testing.T) {
	s := setState(t, 1, nil)
	with := func(micro float64, dof int) State {
		s.Repeatability, s.RepeatabilityDof = Length(math.Round(micro*1e6)), dof
		return s
	}
	study := func(micro, dof float64) *SetRepeatability { return &SetRepeatability{SMM: micro / 1000, Dof: dof} }
	for _, tc := range []struct {
		name  string
		s     State
		study *SetRepeatability
		micro float64
		dof   float64
		text  string
	}{
		{"neither", with(0, 0), nil, 0.05, 0, "assumed"},
		{"study alone", with(0, 0), study(0.08, 20), 0.08, 20, "study"},
		{"repeats alone", with(0.07, 6), nil, 0.07, 6, "repeats of the set"},
		{"pooled", with(0.06, 10), study(0.05, 30), math.Sqrt((10*0.06*0.06 + 30*0.05*0.05) / 40), 40, "pooled"},
		{"study of any number", with(0.1*math.Sqrt(1.82), 10), study(0.1, 0), 0.1, 0, "agree"},
		{"more than that study", with(0.1*math.Sqrt(1.84), 10), study(0.1, 0), 0.1 * math.Sqrt(1.84), 10, "alone"},
		{"just agrees", with(0.1*math.Sqrt(3.32), 5), study(0.1, 10), math.Sqrt((5*0.0332 + 10*0.01) / 15), 15, "pooled"},
		{"just too much", with(0.1*math.Sqrt(3.34), 5), study(0.1, 10), 0.1 * math.Sqrt(3.34), 5, "alone"},
		{"less scatter than the study", with(0.01, 5), study(0.1, 10), math.Sqrt((5*0.0001 + 10*0.01) / 15), 15, "pooled"},
		{"a study without scatter", with(0.01, 5), study(0, 10), 0.01, 5, "alone"},
	} {
		got, text := SetRepeatabilityOf(tc.s, tc.study)
		if math.Abs(got.SMM*1000-tc.micro) > 1e-6 || got.Dof != tc.dof || !strings.Contains(text, tc.text) {
			t.Errorf("%s: %g µm with %g (%s), want %g µm with %g", tc.name, got.SMM*1000, got.Dof, text, tc.micro, tc.dof)
		}
	}
}

// TestSetStreams: captures of several streams meet in wall time, those of one in
// the station's clock.
func TestSetStreams(t *testing.T) {
	for _, tc := range []struct {
		streams [3]string
		want    [3]float64
	}{
		{[3]string{"a", "a", "a"}, [3]float64{0, 90, 400}},
		{[3]string{"a", "b", "b"}, [3]float64{0, 100, 410}},
	} {
		s := setState(t, 1, at20(), setReading{"m1", 0.10, 0}, setReading{"w1", 1999.9, 90}, setReading{"m2", 0.20, 400})
		for i := range s.Captures {
			s.Captures[i].Fact.StreamID = tc.streams[i]
			if i > 0 {
				s.Captures[i].Fact.WallNS += 10e9
			}
		}
		f, err := SetFileOf(s, setStation(), nil)
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range f.Captures {
			if c.AtS != tc.want[i] {
				t.Errorf("streams %v: capture %d at %g s, want %g", tc.streams, i, c.AtS, tc.want[i])
			}
		}
	}
}

// TestTemperatureFarInTime: a temperature more than 30 minutes away is used with a
// reservation.
func TestTemperatureFarInTime(t *testing.T) {
	for _, tc := range []struct {
		seconds int64
		want    bool
	}{{1800, false}, {1801, true}} {
		s := setState(t, 1, at20(), setReading{"m1", 0.10, tc.seconds})
		got := slices.ContainsFunc(s.Reservations, func(r Reservation) bool { return r.Code == ReserveOldTemperature })
		if got != tc.want {
			t.Errorf("%d s away: reservation %t", tc.seconds, got)
		}
	}
}

func TestExpansionsOf(t *testing.T) {
	own := []SetMaterial{{ID: "invar", ExpansionPerK: &Quantity{Value: 1.2e-6, U: 1e-7}}}
	rings := []Ring{{Material: "steel"}, {Material: "invar"}, {Material: "steel"}, {Material: "cheese"}}
	want := []Expansion{{"steel", 11500}, {"invar", 1200}, {"glass", 8000}}
	if d := cmp.Diff(want, ExpansionsOf(rings, "glass", own)); d != "" {
		t.Error(d)
	}
}

// TestSetFileOfRandomSets: whatever happened, the file holds exactly the captures
// in use, and if the set has opening and work the evaluation gives every work
// capture a result and finds the walker's verdict.
func TestSetFileOfRandomSets(t *testing.T) {
	evaluated, finished := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		_, s := walkerRandom(t)
		f, err := SetFileOf(s, setStation(), nil)
		if err != nil {
			return
		}
		var used, got []string
		work := 0
		for _, c := range s.Captures {
			if c.Standing == StandingUsed {
				used = append(used, fmt.Sprintf("%s %s", c.Fact.ID, c.Role))
				if c.Role == Working {
					work++
				}
			}
		}
		for _, c := range f.Captures {
			got = append(got, fmt.Sprintf("%s %s", c.ID, c.Role))
		}
		if d := cmp.Diff(used, got); d != "" {
			t.Fatal(d)
		}
		out, err := Evaluate(f, Options{})
		if err != nil {
			t.Fatal(err)
		}
		evaluated++
		if s.Status == WalkFinished {
			finished++
		}
		if len(out.Results) != work {
			t.Fatalf("%d results of %d work captures", len(out.Results), work)
		}
		if s.Status == WalkFinished && out.Status == Provisional || s.Status == WalkRunning && !s.ClosingKnown && out.Status != Provisional {
			t.Fatalf("walker %s, evaluation %s", s.Status, out.Status)
		}
	})
	if evaluated == 0 || finished == 0 {
		t.Errorf("%d random sets could be evaluated, %d of them finished: the test says nothing", evaluated, finished)
	}
}
