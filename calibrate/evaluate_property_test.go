package calibrate

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// drawSet draws a plausible set: one master, one or two work rings, one to four
// work captures between opening and closing, every kind of uncertainty.
func drawSet(t *rapid.T) SetFile {
	f := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
	q := func(name string, value, u float64) Quantity {
		switch rapid.IntRange(0, 2).Draw(t, name+" kind") {
		case 0:
			return Quantity{Value: value, U: u}
		case 1:
			return Quantity{Value: value, HalfWidth: u * math.Sqrt(3), Distribution: distRectangular}
		default:
			return Quantity{Value: value, HalfWidth: u * math.Sqrt(6), Distribution: distTriangular}
		}
	}
	p := func(x Quantity) *Quantity { return &x }
	material := func(id string) SetMaterial {
		return SetMaterial{
			ID: id, ExpansionPerK: p(q(id+" α", f(id+" α value", 5e-6, 20e-6), 0.6e-6)),
			YoungModulusGPa: p(q(id+" E", f(id+" E value", 80, 600), 8)), PoissonRatio: p(q(id+" ν", 0.28, 0.01)),
		}
	}
	nominal := math.Round(f("master", 8, 80))
	s := SetFile{
		Format: SetFormat, Seed: 1,
		Rings: []SetRing{
			{
				ID: "M", Role: "master", NominalMM: nominal, Material: "a", DriftMM: p(q("drift", 0, 3e-5)),
				Certificate: &SetCertificate{DiameterMM: nominal + f("deviation", -1e-3, 1e-3), ExpandedMM: 2e-4, CoverageFactor: 2},
			},
			{ID: "W", Role: "work", NominalMM: nominal + math.Round(f("difference", -2, 20)), Material: "b", ToleranceMM: []float64{-0.002, 0.002}},
		},
		Materials: []SetMaterial{material("a"), material("b"), material("c")},
		Instrument: SetInstrument{
			RangeMM: []float64{0, 150}, ScaleErrorMM: p(q("scale", 0, 8e-5)), ScaleMaterial: "c", ResolutionMM: 1e-4, ReadingSign: 1,
		},
		Contacts: SetContacts{
			Shape: "ball", RadiusMM: 1.5, Material: "carbide", ForceN: q("force", 3.5, 0.2),
			OffsetSidewaysMM: p(q("sideways", f("e", -0.03, 0.03), 0.01)), OffsetHeightMM: p(q("height", f("h", -0.03, 0.03), 0.01)),
		},
		Repeatability:            &SetRepeatability{SMM: 8e-5, Dof: 20},
		CommonTemperatureOffsetK: p(q("common", 0, 0.1)),
	}
	capture := func(id, ring, role string, at, reading float64) {
		s.Captures = append(s.Captures, SetCapture{
			ID: id, Ring: ring, Role: role, AtS: at, ReadingMM: reading + f(id+" reading", -2e-4, 2e-4), UMM: 3e-5,
			RingCelsius: q(id+" ring", f(id+" ring °C", 19.6, 20.4), 0.05), ScaleCelsius: q(id+" scale", f(id+" scale °C", 19.6, 20.4), 0.05),
			CrossOffsetMM: p(q(id+" cross", f(id+" y", -0.02, 0.02), 0.005)), TiltMrad: p(q(id+" tilt", f(id+" θ", -1, 1), 0.2)),
		})
	}
	capture("open", "M", RoleOpening, 0, 0)
	n := rapid.IntRange(1, 4).Draw(t, "captures")
	for i := range n {
		capture(fmt.Sprintf("w%d", i), "W", RoleWork, 100*float64(i+1), s.Rings[1].NominalMM-nominal)
		s.Captures[len(s.Captures)-1].Position = &SetPosition{HeightMM: float64(5 * (i % 2)), DirectionDeg: float64(90 * (i / 2))}
	}
	capture("close", "M", RoleClosing, 100*float64(n+1), 0)
	return s
}

func evaluated1(t *rapid.T, s SetFile) Outcome {
	o, err := Evaluate(s, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// same fails unless two outcomes agree: a diameter within rounding, a standard
// uncertainty within 1e-6 of itself.
func same(t *rapid.T, what string, a, b Outcome, scale, shift float64) {
	if len(a.Results) != len(b.Results) {
		t.Fatalf("%s: %d and %d results", what, len(a.Results), len(b.Results))
	}
	for i, r := range a.Results {
		x := b.Results[i]
		if d := r.DiameterMM*scale + shift - x.DiameterMM; math.Abs(d) > 2e-12 {
			t.Errorf("%s: diameter of %s moves by %.3g mm", what, r.Capture, d)
		}
		if d := r.UMM*scale - x.UMM; math.Abs(d) > 1e-6*x.UMM {
			t.Errorf("%s: u of %s changes from %.9g to %.9g mm", what, r.Capture, r.UMM*scale, x.UMM)
		}
		if r.Dof != nil && math.Abs(*r.Dof-*x.Dof) > 1e-4**r.Dof {
			t.Errorf("%s: ν of %s changes from %g to %g", what, r.Capture, *r.Dof, *x.Dof)
		}
	}
}

// All lengths in inches give the same result in inches: the equation is homogeneous.
// Moduli are forces per area and change with the unit.
func TestPropertyUnits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSet(t)
		a := evaluated1(t, s)
		const inch = 1 / 25.4
		in := func(q *Quantity, f float64) {
			if q != nil {
				*q = q.scaled(f)
			}
		}
		for i := range s.Rings {
			r := &s.Rings[i]
			r.NominalMM *= inch
			in(r.DriftMM, inch)
			if r.Certificate != nil {
				r.Certificate.DiameterMM *= inch
				r.Certificate.ExpandedMM *= inch
			}
			for j := range r.ToleranceMM {
				r.ToleranceMM[j] *= inch
			}
		}
		// Every material of the set gets an entry, the contacts' too.
		look := materialLookup(&s)
		s.Materials = nil
		for _, id := range []string{"a", "b", "c", "carbide"} {
			m := look[id]
			e := m.YoungModulusGPa.scaled(25.4 * 25.4)
			m.YoungModulusGPa = &e
			s.Materials = append(s.Materials, m)
		}
		s.Instrument.RangeMM[1] *= inch
		s.Instrument.ResolutionMM *= inch
		in(s.Instrument.ScaleErrorMM, inch)
		s.Contacts.RadiusMM *= inch
		in(s.Contacts.OffsetSidewaysMM, inch)
		in(s.Contacts.OffsetHeightMM, inch)
		s.Repeatability.SMM *= inch
		s.ClosingLimitMM = DefaultClosingLimit.MM() * inch
		for i := range s.Captures {
			c := &s.Captures[i]
			c.ReadingMM *= inch
			c.UMM *= inch
			in(c.CrossOffsetMM, inch)
		}
		// The bounds of plausible input are millimetres, so Validate is passed by.
		b, err := evaluate(&s, Options{Method: MethodGUM})
		if err != nil {
			t.Fatal(err)
		}
		same(t, "inches", a, b, inch, 0)
		if a.Status != b.Status {
			t.Errorf("status %s in millimetres, %s in inches", a.Status, b.Status)
		}
	})
}

// A constant added to every reading, a readout that counts the other way, and time
// counted from another origin change nothing.
func TestPropertyTranslation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSet(t)
		a := evaluated1(t, s)
		shift := rapid.Float64Range(-50, 50).Draw(t, "shift")
		for i := range s.Captures {
			s.Captures[i].ReadingMM = -(s.Captures[i].ReadingMM + shift)
			s.Captures[i].AtS += 1000
		}
		s.Instrument.ReadingSign = -1
		same(t, "translation", a, evaluated1(t, s), 1, 0)
	})
}

// The set played backwards, opening and closing exchanged, gives the same diameters
// and the opposite closing difference.
func TestPropertyTimeReversal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSet(t)
		a := evaluated1(t, s)
		for i := range s.Captures {
			c := &s.Captures[i]
			c.AtS = -c.AtS
			switch c.Role {
			case RoleOpening:
				c.Role = RoleClosing
			case RoleClosing:
				c.Role = RoleOpening
			}
		}
		b := evaluated1(t, s)
		same(t, "time reversal", a, b, 1, 0)
		if d := *a.ClosingDifferenceMM + *b.ClosingDifferenceMM; math.Abs(d) > 1e-12 {
			t.Errorf("closing differences %g and %g", *a.ClosingDifferenceMM, *b.ClosingDifferenceMM)
		}
	})
}

// eachU calls f with every standard uncertainty or half width of the set.
func eachU(s *SetFile, f func(name string, u *float64)) {
	q := func(name string, x *Quantity) {
		if x == nil {
			return
		}
		f(name, &x.U)
		f(name, &x.HalfWidth)
	}
	for i := range s.Rings {
		q("drift", s.Rings[i].DriftMM)
		if c := s.Rings[i].Certificate; c != nil {
			f("certificate", &c.ExpandedMM)
		}
	}
	for i := range s.Materials {
		q("expansion", s.Materials[i].ExpansionPerK)
		q("modulus", s.Materials[i].YoungModulusGPa)
		q("poisson", s.Materials[i].PoissonRatio)
	}
	q("scale", s.Instrument.ScaleErrorMM)
	f("resolution", &s.Instrument.ResolutionMM)
	q("force", &s.Contacts.ForceN)
	q("sideways", s.Contacts.OffsetSidewaysMM)
	q("height", s.Contacts.OffsetHeightMM)
	f("repeatability", &s.Repeatability.SMM)
	q("common", s.CommonTemperatureOffsetK)
	for i := range s.Captures {
		c := &s.Captures[i]
		f("u_mm", &c.UMM)
		q("ring", &c.RingCelsius)
		q("scale temperature", &c.ScaleCelsius)
		q("cross", c.CrossOffsetMM)
		q("tilt", c.TiltMrad)
	}
}

// A larger uncertainty of any one quantity never gives a smaller combined one.
func TestPropertyMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSet(t)
		a := evaluated1(t, s)
		var all []*float64
		var names []string
		eachU(&s, func(name string, u *float64) {
			if *u > 0 {
				all = append(all, u)
				names = append(names, name)
			}
		})
		i := rapid.IntRange(0, len(all)-1).Draw(t, "quantity")
		*all[i] *= rapid.Float64Range(1, 1.5).Draw(t, "factor")
		b := evaluated1(t, s)
		for j := range a.Results {
			// Differences over a wider step see a little more of the next order.
			if b.Results[j].UMM < a.Results[j].UMM*(1-1e-7) {
				t.Errorf("more uncertainty of %s: u falls from %.9g to %.9g mm", names[i], a.Results[j].UMM, b.Results[j].UMM)
			}
		}
	})
}

// No uncertainty in, none out.
func TestPropertyZero(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSet(t)
		eachU(&s, func(_ string, u *float64) { *u = 0 })
		// The register's carbide has bounds of its own; without force they are idle.
		s.Contacts.ForceN.Value = 0
		// Equal references: what the drift may have done between is zero too.
		last := len(s.Captures) - 1
		s.Captures[last].ReadingMM = s.Captures[0].ReadingMM
		s.Captures[last].RingCelsius = s.Captures[0].RingCelsius
		s.Captures[last].CrossOffsetMM = s.Captures[0].CrossOffsetMM
		s.Captures[last].TiltMrad = s.Captures[0].TiltMrad
		o := evaluated1(t, s)
		for _, r := range o.Results {
			if r.UMM != 0 || r.ExpandedMM != 0 || r.Dof != nil {
				t.Errorf("u = %g mm, ν = %v from nothing", r.UMM, r.Dof)
			}
			sum := 0.0
			for _, term := range r.Terms {
				sum += term.Value
			}
			if math.Abs(sum-r.DiameterMM) > 1e-12 {
				t.Errorf("the terms add up to %.12f, not to %.12f mm", sum, r.DiameterMM)
			}
		}
	})
}

// Every budget closes: its values add up to the diameter, its squared contributions
// to u², its shares to one; also that of a position with repeats and of the mean.
func TestPropertyBudgetCloses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSet(t)
		for i := range s.Captures {
			// Some captures become repeats of one position.
			if p := s.Captures[i].Position; p != nil && i%2 == 0 {
				*p = SetPosition{}
			}
		}
		o := evaluated1(t, s)
		check := func(what string, terms []Term, y, u float64) {
			var values, variance, share float64
			for _, term := range terms {
				values += term.Value
				variance += term.Contribution * term.Contribution
				share += term.Share
			}
			if math.Abs(values-y) > 2e-12 || math.Abs(math.Sqrt(variance)-u) > 1e-9*u || math.Abs(share-1) > 1e-9 {
				t.Errorf("%s: values %.13f for %.13f mm, u %.12g for %.12g mm, shares %.12f", what, values, y, math.Sqrt(variance), u, share)
			}
		}
		for _, r := range o.Results {
			check(r.Capture, r.Terms, r.DiameterMM, r.UMM)
		}
		for _, r := range o.Rings {
			check("mean", r.MeanTerms, r.Mean.ValueMM, r.Mean.UMM)
			for _, p := range r.Positions {
				check("position", p.Terms, p.ValueMM, p.UMM)
			}
		}
	})
}
