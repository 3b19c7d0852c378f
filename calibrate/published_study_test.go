package calibrate

import (
	"math"
	"strings"
	"testing"
)

// NIST StRD, univariate summary statistics (read): nine sets but for the digits of
// π, which are left out here. The public limit for NumAcc4 in doubles is about 8.3
// digits, as its decimals are read into binary.
func TestPublishedUnivariate(t *testing.T) {
	limits := map[string][3]float64{ // digits of mean, sd, lag-1 autocorrelation
		"NumAcc3": {15, 9, 9}, "NumAcc4": {15, 8, 7.5},
	}
	for _, row := range published(t, "strd_univariate_certified.csv") {
		name := row["name"]
		if name == "PiDigits" {
			continue
		}
		x := column(t, published(t, "strd_"+strings.ToLower(name)+".csv"), "y")
		want, ok := limits[name]
		if !ok {
			want = [3]float64{14, 12, 12}
		}
		mean, sd := MeanSD(x)
		digits(t, name+" mean", mean, number(t, row["mean"]), want[0])
		digits(t, name+" sd", sd, number(t, row["sd"]), want[1])
		digits(t, name+" lag-1", Lag1(x), number(t, row["r1"]), want[2])
	}
}

// NIST StRD, analysis of variance, SiRstv (read).
func TestPublishedANOVA(t *testing.T) {
	groups := map[string][]float64{}
	for _, r := range published(t, "strd_sirstv.csv") {
		groups[r["instrument"]] = append(groups[r["instrument"]], number(t, r["resistance"]))
	}
	var list [][]float64
	for _, k := range []string{"1", "2", "3", "4", "5"} {
		list = append(list, groups[k])
	}
	a, err := OneWay(list)
	if err != nil {
		t.Fatal(err)
	}
	digits(t, "between SS", a.BetweenSS, 5.11462616000000e-02, 10)
	digits(t, "within SS", a.WithinSS, 2.16636560000000e-01, 10)
	digits(t, "F", a.F, 1.18046237440255, 10)
	digits(t, "residual sd", a.WithinSD, 1.04076068334656e-01, 10)
	if a.BetweenDof != 4 || a.WithinDof != 20 || a.Significant {
		t.Errorf("degrees of freedom %d and %d, significant %t", a.BetweenDof, a.WithinDof, a.Significant)
	}
	sd, dof := PooledSD(list)
	digits(t, "pooled sd", sd, 1.04076068334656e-01, 10)
	near(t, "its degrees of freedom", float64(dof), 20, 0)
}

// JCGM 100:2008, H.5 (read): ten days of five observations. F is printed 2.25 from
// rounded figures; exact 2.26152.
func TestPublishedDays(t *testing.T) {
	rows := published(t, "gum_h5.csv")
	means, sds := column(t, rows, "mean_minus_10V_uV"), column(t, rows, "sd_uV")
	a, err := OneWayFromSummary(means, sds, 5)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "mean / µV", a.Mean, "97")
	_, s := MeanSD(means)
	printed(t, "s of the daily means / µV", s, "57")
	printed(t, "s_a / µV", math.Sqrt(a.BetweenSS/float64(a.BetweenDof)), "128")
	printed(t, "s_b / µV", a.WithinSD, "85")
	printed(t, "F", a.F, "2.26")
	printed(t, "p", a.P, "0.037")
	printed(t, "F0.95(9, 40)", FactorF(0.05, 9, 40), "2.12")
	printed(t, "F0.975(9, 40)", FactorF(0.025, 9, 40), "2.45")
	printed(t, "s_B / µV", a.BetweenSD, "43")
	printed(t, "u with day effect / µV", a.MeanU, "18")
	near(t, "its degrees of freedom", float64(a.MeanDof), 9, 0)
	printed(t, "u without day effect / µV", math.Sqrt((a.BetweenSS+a.WithinSS)/49/50), "13")
}

// NIST/SEMATECH e-Handbook, 2.3 and 2.4 (read): pooled standard deviations of check
// standards.
func TestPublishedPooling(t *testing.T) {
	var sds, dofs []float64
	for _, ss := range []float64{0.48115, 0.69209, 0.48483, 1.21752, 0.30076} {
		sds, dofs = append(sds, math.Sqrt(ss/60)), append(dofs, 60)
	}
	s, dof, err := PoolSDs(sds, dofs)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "level-1 degrees of freedom", dof, 300, 0)
	near(t, "level-1 s", s, 0.102897, 5e-7)
	s, dof, err = PoolSDs([]float64{0.0223, 0.0027, 0.0289, 0.0133, 0.0205}, []float64{1, 1, 1, 1, 1})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "level-3 degrees of freedom", dof, 5, 0)
	printed(t, "level-3 s", s, "0.0197")
	if _, _, err := PoolSDs([]float64{1}, []float64{0}); err == nil {
		t.Error("no degrees of freedom: no error")
	}
}

// Quantiles of F, recomputed elsewhere (derived).
func TestPublishedFQuantiles(t *testing.T) {
	for _, c := range [][3]float64{{4, 20, 2.866081}, {5, 30, 2.533555}, {4, 40, 2.605975}, {5, 300, 2.244087}, {1, 9, 5.117355}} {
		near(t, "F0.95", FactorF(0.05, c[0], c[1]), c[2], 1e-6)
	}
	// F(1, ν) is the square of Student's t.
	near(t, "t²", FactorF(0.05, 1, 9), math.Pow(studentQuantile(0.975, 9), 2), 1e-9)
}

// Constants of control charts: recomputed (derived); A3 for 2 to 15, A2, D3, D4 for 2 to
// 10, d2 and c4 for 2 to 5 agree with tables that were read.
func TestPublishedControlConstants(t *testing.T) {
	for _, row := range published(t, "control_constants.csv") {
		c, err := NewControlConstants(int(number(t, row["n"])))
		if err != nil {
			t.Fatal(err)
		}
		for name, got := range map[string]float64{"c4": c.C4, "d2": c.D2, "d3": c.SD3, "A2": c.A2, "A3": c.A3, "B3": c.B3, "B4": c.B4, "D3": c.D3, "D4": c.D4} {
			near(t, "n "+row["n"]+" "+name, got, number(t, row[name]), 2e-6)
		}
	}
	for n, a3 := range map[int]string{11: "0.927", 12: "0.886", 13: "0.850", 14: "0.817", 15: "0.789"} {
		c, err := NewControlConstants(n)
		if err != nil {
			t.Fatal(err)
		}
		printed(t, "A3", c.A3, a3)
	}
	if _, err := NewControlConstants(1); err == nil {
		t.Error("groups of one: no error")
	}
}

// NIST/SEMATECH e-Handbook, 6.3.2.4 (read in a transcription): EWMA.
func TestPublishedEWMA(t *testing.T) {
	rows := published(t, "nist_ewma.csv")
	points, err := EWMA(column(t, rows, "x"), 50, 2.0539, 0.3, 3)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range points {
		near(t, "EWMA "+rows[i]["i"], p.Value, number(t, rows[i]["ewma_printed"]), 0.005+1e-9)
		if p.Signal {
			t.Errorf("point %d is out", i+1)
		}
	}
	for i, want := range []float64{51.848510, 52.256394, 52.431406, 52.512715, 52.551611} {
		near(t, "upper limit", points[i].Upper, want, 1e-6)
	}
	// The steady limits; the lower one is truncated in print.
	last := points[len(points)-1]
	near(t, "steady upper limit", last.Upper, 52.5884, 1e-4)
	near(t, "steady lower limit", last.Lower, 47.4115, 1e-4)
}

// NIST/SEMATECH e-Handbook, 6.3.2.3 (read in a transcription): CUSUM.
func TestPublishedCUSUM(t *testing.T) {
	rows := published(t, "nist_cusum.csv")
	points, err := CUSUM(column(t, rows, "x"), 325, 0.3175, 0.635*math.Log(1/0.00135))
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range points {
		near(t, "S_hi "+rows[i]["group"], p.High, number(t, rows[i]["S_hi_exact"]), 1e-9)
		near(t, "S_lo "+rows[i]["group"], p.Low, number(t, rows[i]["S_lo_exact"]), 1e-9)
		near(t, "S_hi printed", p.High, number(t, rows[i]["S_hi_printed"]), 0.0051)
		if p.Signal != (rows[i]["signal"] == "1") {
			t.Errorf("group %s: signal %t", rows[i]["group"], p.Signal)
		}
	}
}

// polynomial returns the design of a polynomial of the given degree.
func polynomial(x []float64, degree int) [][]float64 {
	var out [][]float64
	for _, v := range x {
		row := []float64{1}
		for range degree {
			row = append(row, row[len(row)-1]*v)
		}
		out = append(out, row)
	}
	return out
}

// NIST StRD, linear least squares (read): Norris, Pontius, Wampler5, Longley.
func TestPublishedLeastSquares(t *testing.T) {
	for _, c := range []struct {
		file   string
		degree int
		b, sd  []float64
		s      float64
		digits float64
	}{
		{"strd_norris.csv", 1, []float64{-0.262323073774029, 1.00211681802045}, []float64{0.232818234301152, 0.429796848199937e-03}, 0.884796396144373, 11},
		{"strd_pontius.csv", 2, []float64{0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14}, []float64{0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16}, 0.205177424076185e-03, 10},
		{"strd_wampler5.csv", 5, []float64{1, 1, 1, 1, 1, 1}, []float64{21523262.4678170, 23635517.3469681, 7793435.24331583, 1014755.07550350, 56456.6512170752, 1123.24854679312}, 23601450.2379268, 5}, // residuals 2e7 times the coefficients
	} {
		rows := published(t, c.file)
		l, err := SolveLeastSquares(polynomial(column(t, rows, "x"), c.degree), column(t, rows, "y"), nil)
		if err != nil {
			t.Fatal(err)
		}
		for j := range c.b {
			digits(t, c.file+" coefficient", l.Coefficients[j], c.b[j], c.digits)
			digits(t, c.file+" its sd", l.U[j], c.sd[j], c.digits)
		}
		digits(t, c.file+" residual sd", l.S, c.s, c.digits)
	}
	rows := published(t, "strd_longley.csv")
	var x [][]float64
	for _, r := range rows {
		row := []float64{1}
		for _, k := range []string{"x1", "x2", "x3", "x4", "x5", "x6"} {
			row = append(row, number(t, r[k]))
		}
		x = append(x, row)
	}
	l, err := SolveLeastSquares(x, column(t, rows, "y"), nil)
	if err != nil {
		t.Fatal(err)
	}
	b := []float64{-3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683, -1.03322686717359, -0.511041056535807e-01, 1829.15146461355}
	sd := []float64{890420.383607373, 84.9149257747669, 0.334910077722432e-01, 0.488399681651699, 0.214274163161675, 0.226073200069370, 455.478499142212}
	for j := range b {
		digits(t, "Longley coefficient", l.Coefficients[j], b[j], 9)
		digits(t, "Longley sd", l.U[j], sd[j], 9)
	}
	digits(t, "Longley residual sd", l.S, 304.854073561965, 10)
}

// JCGM 100:2008, H.3 (read): a straight line, as of repeated checks of a master. The
// guide calls the slope significant: "more than three" standard deviations.
func TestPublishedDriftSlope(t *testing.T) {
	rows := published(t, "gum_h3.csv")
	temperature, b := column(t, rows, "t_degC"), column(t, rows, "correction_degC")
	obs := make([]DriftObservation, len(b))
	for i := range obs {
		obs[i] = DriftObservation{Artefact: "thermometer", AtS: temperature[i], ValueMM: b[i]}
	}
	f, err := FitDrift(obs)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "slope", f.RateMMPerS, "0.00218")
	printed(t, "s(slope)", f.RateUMMPerS, "0.00067")
	printed(t, "s", f.ResidualSDMM, "0.0035")
	printed(t, "mean t", f.MeanAtS, "24.0085")
	printed(t, "level at the mean", f.Levels[0].ValueMM, "-0.1625")
	printed(t, "its s", f.Levels[0].UMM, "0.0011")
	printed(t, "intercept at 20", f.Levels[0].ValueMM+f.RateMMPerS*(20-f.MeanAtS), "-0.1712")
	printed(t, "b(30)", f.Levels[0].ValueMM+f.RateMMPerS*(30-f.MeanAtS), "-0.1494")
	printed(t, "u(b(30))", math.Hypot(f.Levels[0].UMM, f.RateUMMPerS*(30-f.MeanAtS)), "0.0041")
	near(t, "t of the slope", f.DriftT, 3.26781, 1e-5)
	near(t, "p of the slope", f.DriftP, 0.009717, 1e-6)
	near(t, "degrees of freedom", float64(f.Dof), 9, 0)
	if !f.DriftSignificant {
		t.Error("the slope is not found significant")
	}
}
