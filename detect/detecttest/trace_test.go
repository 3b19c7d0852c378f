package detecttest

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"ringsaddle/acquire"
)

// each makes the first traces of all classes.
func each(seeds uint64, look func(tr *Trace)) {
	for _, c := range Classes() {
		for seed := uint64(1); seed <= seeds; seed++ {
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

// Readings are whole steps of the readout, numbered from 1, at times that go on,
// within what a readout that waits beside the ring and one set to its diameter can
// show.
func TestReadings(t *testing.T) {
	each(2, func(tr *Trace) {
		q := tr.ResolutionPM / Step.Num
		hasY := tr.Class == ClassY || tr.Class == ClassYTouch
		if len(tr.Bad) != len(tr.Readings) || len(tr.Readings) < 20 {
			t.Fatalf("%s %d: %d readings, %d marks", tr.Class, tr.Seed, len(tr.Readings), len(tr.Bad))
		}
		at := int64(-1)
		for i, r := range tr.Readings {
			switch {
			case r.Seq != uint64(i+1):
				t.Fatalf("%s %d: reading %d has number %d", tr.Class, tr.Seed, i, r.Seq)
			case r.At <= at:
				t.Fatalf("%s %d: time stands still at reading %d", tr.Class, tr.Seed, i)
			case r.X%q != 0:
				t.Fatalf("%s %d: reading %d is %d, off the grid", tr.Class, tr.Seed, i, r.X)
			case (r.Flags == acquire.HasY) != hasY || !hasY && (r.Flags != 0 || r.Y != 0):
				t.Fatalf("%s %d: reading %d has flags %v and y %d", tr.Class, tr.Seed, i, r.Flags, r.Y)
			case math.Abs(Step.PositionMM(r.X)) > 250:
				t.Fatalf("%s %d: reading %d is %.3f mm", tr.Class, tr.Seed, i, Step.PositionMM(r.X))
			}
			at = r.At
		}
		spoilt := slices.Contains(tr.Bad, true)
		if spoilt && tr.Class != ClassOutliers && tr.Class != ClassStale {
			t.Errorf("%s %d: strays or stale readings", tr.Class, tr.Seed)
		}
	})
}

// What is drawn stays within the ranges of the documentation.
func TestRanges(t *testing.T) {
	within := func(tr *Trace, what string, x, lo, hi float64) {
		t.Helper()
		if !(x >= lo && x <= hi) {
			t.Errorf("%s %d: %s %v, not in %v…%v", tr.Class, tr.Seed, what, x, lo, hi)
		}
	}
	each(3, func(tr *Trace) {
		if tr.Class == ClassSmall {
			within(tr, "R − r", tr.RadiusDiffMM, 0.7, 3)
		} else {
			within(tr, "R − r", tr.RadiusDiffMM, 4, 70)
		}
		if tr.Class == ClassDrift {
			within(tr, "drift", math.Abs(tr.DriftUMPerMin), 0.12, 0.3)
		} else {
			within(tr, "drift", math.Abs(tr.DriftUMPerMin), 0, 0.1)
		}
		within(tr, "rate", tr.RateHz, 10, 1000)
		within(tr, "noise", tr.NoiseUM, 0.01, 0.12)
		steps := []int64{10_000, 100_000}
		switch tr.Class {
		case ClassCoarse:
			steps = []int64{1_000_000}
		case ClassOutliers, ClassEndStop:
			steps = append(steps, 1_000_000)
		}
		if !slices.Contains(steps, tr.ResolutionPM) {
			t.Errorf("%s %d: resolution %d pm", tr.Class, tr.Seed, tr.ResolutionPM)
		}
		n := len(tr.Contacts)
		switch tr.Class {
		case ClassEntries:
			within(tr, "contacts", float64(n), 2, 4)
		case ClassLost:
			within(tr, "contacts", float64(n), 1, 2)
		default:
			within(tr, "contacts", float64(n), 1, 1)
		}
		last := int64(0)
		for i := range tr.Contacts {
			c := &tr.Contacts[i]
			within(tr, "sigma", c.SigmaUM, 0.01, 2)
			if c.StartNS <= last || len(c.Phases) == 0 || c.RefNS != c.Phases[len(c.Phases)-1].EndNS {
				t.Errorf("%s %d/%d: contact %+v after %d", tr.Class, tr.Seed, i, c, last)
			}
			last = c.StartNS
			for _, p := range c.Phases {
				within(tr, "residual", p.ResidualUM, 0, 2000)
				if p.StartNS < last || p.EndNS <= p.StartNS || p.EndNS > c.EndNS {
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
	})
}

// A diameter is allowed only where both adjustments passed their extremum, and in
// no contact in which one was kept on its side; most contacts played in full
// support one.
func TestDiameterNeedsBothExtrema(t *testing.T) {
	barred := []Class{ClassNeverTilt, ClassNeverCross, ClassOnceTilt, ClassOnceCross, ClassOneKnob, ClassEndStop, ClassDigits}
	played, supported := 0, 0
	each(4, func(tr *Trace) {
		for i := range tr.Contacts {
			c := &tr.Contacts[i]
			var crossed [2]int
			for _, p := range c.Phases {
				crossed[p.Adjustment] += len(p.CrossingsNS)
			}
			diameter := c.Allows(OutcomeDiameter)
			if diameter && (crossed[Tilt] == 0 || crossed[Cross] == 0) {
				t.Errorf("%s %d/%d: a diameter with %v crossings", tr.Class, tr.Seed, i, crossed)
			}
			if diameter && slices.Contains(barred, tr.Class) {
				t.Errorf("%s %d/%d: a diameter is allowed", tr.Class, tr.Seed, i)
			}
			if c.Supported && !diameter || len(c.Allowed) == 0 {
				t.Errorf("%s %d/%d: supported %v, allowed %v", tr.Class, tr.Seed, i, c.Supported, c.Allowed)
			}
			if !slices.Contains(barred, tr.Class) && tr.Class != ClassLost {
				played++
				if c.Supported {
					supported++
				}
			}
		}
	})
	t.Logf("%d of %d contacts played in full support a diameter", supported, played)
	if supported < played*3/4 {
		t.Errorf("%d of %d contacts played in full support a diameter", supported, played)
	}
}

// The oracle's error is as large as it says.
func TestOracle(t *testing.T) {
	var ss, n float64
	each(4, func(tr *Trace) {
		for _, c := range tr.Contacts {
			if c.Allows(OutcomeDiameter) {
				z := c.OracleUM / c.SigmaUM
				ss += z * z
				n++
			}
		}
	})
	z := math.Sqrt(ss / n)
	t.Logf("RMS of error over sigma %.2f (%.0f contacts)", z, n)
	if !(z > 0.75 && z < 1.2) {
		t.Errorf("RMS of error over sigma %.2f (%.0f contacts)", z, n)
	}
}
