package calibrate

import (
	"math"
	"testing"
)

// Readings of a bore between balls (derived, checked by pushing a sphere along the
// measuring line until it touches a tilted cylinder, to 5e-12 mm). Rows with a
// rotation about the measuring line are left out: AlignmentError takes none.
func TestPublishedBoreGeometry(t *testing.T) {
	n := 0
	for _, row := range published(t, "geometry_bore.csv") {
		if number(t, row["phi_rad"]) != 0 {
			continue
		}
		d := 2 * number(t, row["R_mm"])
		got := d + AlignmentError(Bore, number(t, row["r_mm"]), d, Alignment{CrossMM: number(t, row["y_mm"]), TiltRad: number(t, row["theta_rad"])})
		near(t, "reading / mm", got, number(t, row["L_mm"]), 6e-13)
		n++
	}
	if n < 9 {
		t.Errorf("%d rows compared, want at least 9", n)
	}
}

// Other features (derived).
func TestPublishedOtherGeometry(t *testing.T) {
	for _, c := range []struct {
		name string
		f    Feature
		r, d float64
		a    Alignment
		want float64
	}{
		{"balls out of line sideways", Bore, 1.5, 40, Alignment{SidewaysMM: 0.02}, 40 - 5.405406e-6},
		{"balls out of line in height", Bore, 1.5, 40, Alignment{HeightMM: 0.02}, 40 - 5.405406e-6},
		{"balls out of line, 90 mm", Bore, 1.5, 90, Alignment{SidewaysMM: 0.02}, 90 - 2.298851e-6},
		{"cylinder, cross", Cylinder, 1.5, 40, Alignment{CrossMM: 0.5}, 39.988370520409},
		{"cylinder, tilt", Cylinder, 1.5, 40, Alignment{TiltRad: 0.01}, 40.002150089587},
		{"cylinder, both", Cylinder, 1.5, 40, Alignment{CrossMM: 0.5, TiltRad: 0.01}, 39.990520028498},
		{"gap, tilt", Gap, 1.5, 40, Alignment{TiltRad: 0.01}, 40.001850077086},
		{"gap, tilt and swivel", Gap, 1.5, 40, Alignment{TiltRad: 0.01, SwivelRad: 0.005}, 40.002312605030},
		{"gap, cross has no effect", Gap, 1.5, 40, Alignment{CrossMM: 0.5}, 40},
		{"block, tilt", Block, 1.5, 40, Alignment{TiltRad: 0.01}, 40.002150089587},
		{"block, tilt and swivel", Block, 1.5, 40, Alignment{TiltRad: 0.01, SwivelRad: 0.005}, 40.002687622062},
	} {
		near(t, c.name, c.d+AlignmentError(c.f, c.r, c.d, c.a), c.want, 6e-12)
	}
	// The tilt counts from the minimum, wherever offset balls put it: no tilt reads
	// less than none.
	a := Alignment{HeightMM: 0.1, SidewaysMM: 0.05}
	least := AlignmentError(Bore, 0.5, 6, a)
	for _, tilt := range []float64{-1e-3, -1e-5, 1e-5, 1e-3} {
		a.TiltRad = tilt
		if got := AlignmentError(Bore, 0.5, 6, a); got < least {
			t.Errorf("tilt %g reads %.3g mm below the minimum", tilt, least-got)
		}
	}
}

// Hertz contacts of a ball in a bore (derived; the approach was checked by direct
// quadrature of the pressure over the ellipse).
func TestPublishedBallInBore(t *testing.T) {
	for _, row := range published(t, "hertz_ball_in_bore.csv") {
		f, d := Bore, 0.0
		if row["D_mm"] == "inf" {
			f = Gap
		} else {
			d = number(t, row["D_mm"])
		}
		c := HertzContact(f, number(t, row["d_mm"])/2, d, number(t, row["F_N"]), number(t, row["Estar_GPa"]))
		near(t, "approach / nm", c.Approach*1e6, number(t, row["delta_nm"]), 1e-5*number(t, row["delta_nm"])/10+6e-6)
		near(t, "a / µm", c.Major*1000, number(t, row["a_um"]), 6e-6)
		near(t, "b / µm", c.Minor*1000, number(t, row["b_um"]), 6e-6)
		near(t, "p0 / MPa", c.PeakPressureMPa, number(t, row["p0_MPa"]), 6e-4)
	}
}

// Closed forms and further contacts (Puttock and Thwaite's cases from memory and
// derived).
func TestPublishedCompression(t *testing.T) {
	carbide := EffectiveModulus(620, 0.22, 206, 0.28)
	near(t, "E* / GPa", carbide, 166.427424, 5e-7)
	near(t, "E* of ruby / GPa", EffectiveModulus(373, 0.23, 206, 0.28), 142.593782, 5e-7)
	near(t, "E* of steel / GPa", EffectiveModulus(206, 0.28, 206, 0.28), 111.762153, 5e-7)
	plane := HertzContact(Gap, 1.5, 0, 1, carbide)
	closed := math.Cbrt(9.0 / (16 * carbide * 1000 * carbide * 1000 * 1.5))
	near(t, "ball on plane / mm", plane.Approach, closed, 1e-15)
	near(t, "a² = rδ / mm²", plane.Major*plane.Major, 1.5*plane.Approach, 1e-15)
	near(t, "a bore of 1 m is nearly a plane / nm", HertzContact(Bore, 1.5, 1000, 1, carbide).Approach*1e6, plane.Approach*1e6, 0.15)
	near(t, "eightfold force / nm", HertzContact(Bore, 1.5, 40, 8, carbide).Approach*1e6, 4*HertzContact(Bore, 1.5, 40, 1, carbide).Approach*1e6, 1e-9)
	bore := HertzContact(Bore, 1.5, 40, 1, carbide)
	near(t, "quadrature / nm", bore.Approach*1e6, 235.2416004102, 1e-7)
	near(t, "a / µm", bore.Major*1000, 19.6577906, 1e-7)
	near(t, "b / µm", bore.Minor*1000, 18.6622138, 1e-7)
	// Crossed cylinders of radius 3 and 10 mm have A = 1/20, B = 1/6; a ball of 3 mm
	// on a cylinder has A = 1/6, B larger: the solver is tried on the ratio itself.
	near(t, "k of crossed cylinders 3 and 10 mm", axisRatio(10.0/3), 0.450424, 5e-7)
	near(t, "k of a ball on a plane", axisRatio(1), 1, 0)
	// A ball on the outside of a cylinder lies between plane and a smaller ball.
	outside := HertzContact(Cylinder, 1.5, 40, 1, carbide).Approach
	if !(outside > plane.Approach && outside < math.Cbrt(9*(1/1.5+1/20.0)/(16*carbide*1000*carbide*1000))) {
		t.Errorf("ball on cylinder %g mm", outside)
	}
	// Rings of 40 and 90 mm, balls of 3 mm: the difference that matters.
	for _, c := range [][2]float64{{1, 3.500}, {1.5, 4.586}} {
		d := 2 * (HertzContact(Bore, 1.5, 90, c[0], carbide).Approach - HertzContact(Bore, 1.5, 40, c[0], carbide).Approach)
		near(t, "difference / nm", d*1e6, c[1], 5e-4)
	}
	if !(CompressionCorrection(Bore, 1e-4) > 0 && CompressionCorrection(Cylinder, 1e-4) < 0) {
		t.Error("internal readings come out large, external ones small")
	}
}

// The thermal corrections of a ring of 90 mm against a master of 40 mm (derived from
// an exact simulation of the scale's reading), through the whole engine.
func TestPublishedThermalCorrections(t *testing.T) {
	for _, c := range []struct {
		name                          string
		room, master, ring, scale, um float64
		alphaScale                    float64
	}{
		{"room, all alike", 0.5, 0, 0, 0, 0.0000, 11.5e-6},
		{"room, another scale", 0.5, 0, 0, 0, -0.0875, 8.0e-6},
		{"ring", 0, 0, 0.1, 0, -0.1035, 11.5e-6},
		{"scale", 0, 0, 0, 0.1, 0.0575, 11.5e-6},
		{"master", 0, 0.1, 0, 0, 0.0460, 11.5e-6},
	} {
		s := loadSet(t, "ring-90-against-40.json")
		s.Materials[2].ExpansionPerK.Value = c.alphaScale
		s.CommonTemperatureOffsetK = &Quantity{Value: c.room}
		s.Rings[0].Certificate.DiameterMM = 40
		s.Captures[1].ReadingMM = 50
		s.Captures[0].RingCelsius.Value += c.master
		s.Captures[1].RingCelsius.Value += c.ring
		s.Captures[1].ScaleCelsius.Value += c.scale
		got := mustEvaluate(t, s).Results[0].term(t, TermTemperature).Value
		near(t, c.name+" / µm", got*1000, c.um, 0.0001)
	}
}
