package acquire

import (
	"fmt"
	"math"
	"strings"
)

// lengthUnits maps the units that ParseLength takes to picometres; those of the
// inch are exact because an inch is 25.4 mm by definition (international yard
// and pound agreement of 1959).
var lengthUnits = map[string]int64{
	"mm": PicometresPerMM,
	"um": 1_000_000, "µm": 1_000_000, "μm": 1_000_000,
	"nm": 1_000,
	"pm": 1,
	"in": 25_400_000_000, "inch": 25_400_000_000,
	"uin": 25_400, "µin": 25_400, "μin": 25_400,
}

// ParseLength reads a positive length with its unit, such as "0.1 µm",
// "0.0005 mm" or "10 uin", exactly. Permitted units: mm, µm (or um), nm, pm, in
// (or inch), µin (or uin). A bare number is refused.
func ParseLength(text string) (Step, error) {
	t := strings.TrimSpace(text)
	i := strings.IndexFunc(t, func(r rune) bool { return (r < '0' || r > '9') && r != '.' })
	if i < 0 {
		return Step{}, fmt.Errorf("length %q: a unit is missing; write for example \"0.1 µm\" or \"0.0001 mm\"", text)
	}
	number, unit := t[:i], strings.TrimSpace(t[i:])
	pm, ok := lengthUnits[unit]
	if !ok {
		return Step{}, fmt.Errorf("length %q: unit %q is not known; permitted: mm, µm (um), nm, pm, in, µin (uin)", text, unit)
	}
	whole, decimals, _ := strings.Cut(number, ".")
	digits := whole + decimals
	if digits == "" || strings.Contains(decimals, ".") || len(digits) > 15 {
		return Step{}, fmt.Errorf("length %q: %q is not a decimal number of at most 15 digits", text, number)
	}
	var n int64
	for _, d := range digits {
		n = n*10 + int64(d-'0')
	}
	if n == 0 {
		return Step{}, fmt.Errorf("length %q: must be above zero", text)
	}
	den := int64(1)
	for range len(decimals) {
		den *= 10
	}
	g := gcd(n, den)
	n, den = n/g, den/g
	g = gcd(pm, den)
	pm, den = pm/g, den/g
	if n > math.MaxInt64/pm {
		return Step{}, fmt.Errorf("length %q: too large", text)
	}
	return Step{Num: n * pm, Den: den}, nil
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// String returns the length of one count for a person, such as "0.1 µm".
func (s Step) String() string {
	if !s.Valid() {
		return fmt.Sprintf("%d/%d pm", s.Num, s.Den)
	}
	um := float64(s.Num) / float64(s.Den) / 1e6
	if um >= 1000 {
		return fmt.Sprintf("%g mm", um/1e3)
	}
	return fmt.Sprintf("%g µm", um)
}
