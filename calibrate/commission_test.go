package calibrate

import (
	"strings"
	"testing"
)

func TestCommissionSign(t *testing.T) {
	master := func(ident string, mm float64) Ring {
		d, _ := LengthFromMM(mm)
		return Ring{Ident: ident, Kind: Master, Nominal: d, Certificate: &MasterCertificate{Diameter: d}}
	}
	small, large := master("M-20", 20.0003), master("M-50", 50.0001)
	for _, tc := range []struct {
		name         string
		a, b         float64 // readings, mm
		small, large Ring
		sign         int
		want         string // in the error
	}{
		{"up", 0.0003, 30.0001, small, large, 1, ""},
		{"down", -0.0003, -30.0001, small, large, -1, ""},
		{"at the bound", 0, 29.9998 * 1.0019, small, large, 1, ""},
		{"beyond the bound", 0, 29.9998 * 1.0021, small, large, 0, "a gain of 1.0021; permitted 1 ± 0.002; check unit"},
		{"inch", 0, 29.9998 / 25.4, small, large, 0, "does the readout send inch"},
		{"radius", 0, 29.9998 / 2, small, large, 0, "radius"},
		{"decimal", 0, 299.998, small, large, 0, "is a decimal wrong"},
		{"still", 1, 1, small, large, 0, "stand still"},
		{"exchanged", 0, 30, large, small, 0, "M-20 and M-50 differ by -29.9998 mm; at least 1 mm"},
		{"too near", 0, 0.5, small, master("M-20.5", 20.5), 0, "at least 1 mm is needed"},
		{"a work ring", 0, 30, small, Ring{Ident: "W-1", Kind: Work}, 0, "master W-1: is a work ring and has no certificate"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			a, _ := LengthFromMM(tc.a)
			b, _ := LengthFromMM(tc.b)
			sign, checks, err := CommissionSign(a, b, tc.small, tc.large)
			if sign != tc.sign || (err == nil) != (tc.want == "") || err != nil && !strings.Contains(err.Error(), tc.want) {
				t.Errorf("sign %d, error %v", sign, err)
			}
			failed := 0
			for _, c := range checks {
				if c.Name == "" || c.Text == "" {
					t.Errorf("check %+v", c)
				}
				if !c.OK {
					failed++
				}
			}
			if (failed > 0) != (err != nil) {
				t.Errorf("%d checks failed, error %v", failed, err)
			}
		})
	}
}
