package narrow

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"ringsaddle/detect/detecttest"
)

// each makes the first traces of all classes.
func each(seeds uint64, look func(tr *detecttest.Trace)) {
	for _, c := range Classes() {
		for seed := range seeds {
			tr := Make(c, seed)
			look(&tr)
		}
	}
}

func TestSameSeedSameTrace(t *testing.T) {
	for _, c := range Classes() {
		if one := Make(c, 7); !reflect.DeepEqual(one, Make(c, 7)) {
			t.Errorf("%s: the same seed gives another trace", c)
		} else if reflect.DeepEqual(one.Readings, Make(c, 8).Readings) {
			t.Errorf("%s: another seed gives the same readings", c)
		}
	}
}

func TestUnknownClassPanics(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("a trace of no class was made")
		}
	}()
	Make("elsewhere", 1)
}

// R − r = 18.5 mm: 0.1 mm of cross takes off y²/(R − r), 10 mrad of tilt add
// θ²·(R − r).
func TestBore(t *testing.T) {
	if got := bore(20, 1.5, 0, 0); got != 40 {
		t.Errorf("the reading at the saddle is %v mm, not 2·R", got)
	}
	if d := (40 - bore(20, 1.5, 0.1, 0)) * 1e3; math.Abs(d-0.5405) > 1e-3 {
		t.Errorf("0.1 mm of cross takes off %v µm", d)
	}
	if d := (bore(20, 1.5, 0, 0.01) - 40) * 1e3; math.Abs(d-1.85) > 1e-3 {
		t.Errorf("10 mrad of tilt add %v µm", d)
	}
}

// Without noise or disturbance the largest and the smallest readings give the saddle.
func TestQuietExtremes(t *testing.T) {
	// last and best reading of a phase, mm
	extreme := func(tr *detecttest.Trace, p detecttest.Phase) (best, last float64) {
		best = math.Inf(1)
		sense := 1.0
		if p.Adjustment == detecttest.Cross {
			sense = -1
		}
		for _, r := range tr.Readings {
			if r.At >= p.StartNS && r.At <= p.EndNS {
				last = detecttest.Step.PositionMM(r.X)
				best = min(best, sense*last)
			}
		}
		return sense * best, last
	}
	for _, class := range []detecttest.Class{ClassOrdinary, ClassEntries, ClassCrossFirst, ClassParked} {
		for seed := range uint64(8) {
			s := draw(class, seed)
			s.drift, s.noise, s.wander, s.flexure, s.backlash = 0, 0, 0, 0, 0
			s.person.tremor, s.q = 0, 0.01
			s.session()
			tr := s.assemble(seed)
			for i, c := range tr.Contacts {
				one, left := extreme(&tr, c.Phases[0])
				two, _ := extreme(&tr, c.Phases[1])
				if d := (two - (left - one) - c.SaddleMM) * 1e3; math.Abs(d) > 0.05 {
					t.Errorf("%s %d/%d: %.3f µm off the saddle at %v Hz", class, seed, i, d, tr.RateHz)
				}
			}
		}
	}
}

// Readings are whole steps of the readout, numbered from 1, at times that go on, and
// strays and stale ones come in short runs.
func TestReadings(t *testing.T) {
	each(2, func(tr *detecttest.Trace) {
		q := tr.ResolutionPM / detecttest.Step.Num
		if len(tr.Readings) == 0 || len(tr.Bad) != len(tr.Readings) {
			t.Fatalf("%s %d: %d readings, %d marks", tr.Class, tr.Seed, len(tr.Readings), len(tr.Bad))
		}
		run := 0
		for i, r := range tr.Readings {
			switch {
			case r.Seq != uint64(i+1):
				t.Fatalf("%s %d: reading %d has number %d", tr.Class, tr.Seed, i, r.Seq)
			case i > 0 && r.At <= tr.Readings[i-1].At:
				t.Fatalf("%s %d: time stands still at reading %d", tr.Class, tr.Seed, i)
			case r.X%q != 0:
				t.Fatalf("%s %d: reading %d is %d, off the grid", tr.Class, tr.Seed, i, r.X)
			}
			if run++; !tr.Bad[i] {
				run = 0
			}
			most := 0.0
			switch tr.Class {
			case ClassOutliers:
				most = mostInRow
			case ClassStale:
				most = 0.5*tr.RateHz + 1
			}
			if float64(run) > most {
				t.Fatalf("%s %d: %d bad readings together at %d", tr.Class, tr.Seed, run, i)
			}
		}
	})
}

// Contacts and phases lie in the trace, one after the other, with the carriage away
// between contacts for long enough to be seen.
func TestContacts(t *testing.T) {
	const leastAway = 350e6 // ns
	each(2, func(tr *detecttest.Trace) {
		last := tr.Readings[0].At
		for i, c := range tr.Contacts {
			if len(c.Phases) == 0 || c.RefNS != c.Phases[len(c.Phases)-1].EndNS {
				t.Fatalf("%s %d/%d: contact %+v", tr.Class, tr.Seed, i, c)
			}
			if c.StartNS < last || i > 0 && c.StartNS-last < leastAway {
				t.Errorf("%s %d/%d: begins at %d after %d", tr.Class, tr.Seed, i, c.StartNS, last)
			}
			last = c.StartNS
			for _, p := range c.Phases {
				if p.StartNS < last || p.EndNS <= p.StartNS || p.EndNS > c.EndNS || p.ResidualUM < 0 {
					t.Errorf("%s %d/%d: phase %+v after %d", tr.Class, tr.Seed, i, p, last)
				}
				for _, x := range p.CrossingsNS {
					if x < p.StartNS || x > p.EndNS {
						t.Errorf("%s %d/%d: crossing at %d outside %+v", tr.Class, tr.Seed, i, x, p)
					}
				}
				last = p.EndNS
			}
			last = c.EndNS
		}
		if end := tr.Readings[len(tr.Readings)-1].At; len(tr.Contacts) == 0 || last > end {
			t.Errorf("%s %d: %d contacts until %d, readings until %d", tr.Class, tr.Seed, len(tr.Contacts), last, end)
		}
	})
}

// What may be said follows from what was passed.
func TestAllowed(t *testing.T) {
	barred := []detecttest.Class{ClassNeverTilt, ClassNeverCross, ClassEndStop, ClassDigits, ClassOneKnob}
	each(4, func(tr *detecttest.Trace) {
		for i := range tr.Contacts {
			c := &tr.Contacts[i]
			var n [2]int
			for _, p := range c.Phases {
				n[p.Adjustment] += len(p.CrossingsNS)
			}
			fewest := min(n[0], n[1])
			switch {
			case slices.Contains(barred, tr.Class):
				if c.Allows(detecttest.OutcomeDiameter) || fewest != 0 {
					t.Errorf("%s %d/%d: passed %v, allowed %v", tr.Class, tr.Seed, i, n, c.Allowed)
				}
			case tr.Class == ClassOnceTilt || tr.Class == ClassOnceCross:
				if c.Supported || fewest != 1 {
					t.Errorf("%s %d/%d: passed %v, supported %v", tr.Class, tr.Seed, i, n, c.Supported)
				}
			}
			if c.Supported && !c.Allows(detecttest.OutcomeDiameter) || len(c.Allowed) == 0 {
				t.Errorf("%s %d/%d: supported %v, allowed %v", tr.Class, tr.Seed, i, c.Supported, c.Allowed)
			}
			if c.Supported && tr.Class != ClassDust && len(c.Allowed) != 1 {
				t.Errorf("%s %d/%d: supported, yet %v", tr.Class, tr.Seed, i, c.Allowed)
			}
		}
	})
}

// The oracle's error is as large as it says.
func TestOracle(t *testing.T) {
	var ss, n float64
	each(4, func(tr *detecttest.Trace) {
		for i, c := range tr.Contacts {
			if !(c.SigmaUM >= 0.01 && c.SigmaUM < 2) || math.IsNaN(c.OracleUM) {
				t.Errorf("%s %d/%d: sigma %v, error %v", tr.Class, tr.Seed, i, c.SigmaUM, c.OracleUM)
			}
			if c.Supported {
				z := c.OracleUM / c.SigmaUM
				ss += z * z
				n++
			}
		}
	})
	z := math.Sqrt(ss / n)
	t.Logf("RMS of error over sigma %.2f (%.0f contacts)", z, n)
	if !(z > 0.75 && z < 1.25) {
		t.Errorf("RMS of error over sigma %.2f (%.0f contacts)", z, n)
	}
}
