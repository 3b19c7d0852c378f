package detect

import "math"

// The table of logAdd covers differences down to −softRange in steps of
// 1/softSteps.
const (
	softRange = 16
	softSteps = 32
)

// softTable holds ln(1 + exp(−i/softSteps)).
type softTable [softRange*softSteps + 2]float64

// expTable holds exp(−i/softSteps).
type expTable [softRange*softSteps + 2]float64

func (s *softTable) fill() {
	for i := range s {
		s[i] = math.Log1p(math.Exp(-float64(i) / softSteps))
	}
}

func (e *expTable) fill() {
	for i := range e {
		e[i] = math.Exp(-float64(i) / softSteps)
	}
}

// logAdd returns ln(exp(x) + exp(y)). In a provisional look, and for bounds, it reads a table:
// linear between steps of 1/32 it is off by at most 3·10⁻⁵ (second derivative
// at most 1/4) and cut off at −16 by 10⁻⁷, which no probability notices.
func (a *analyser) logAdd(x, y float64) float64 {
	if x < y {
		x, y = y, x
	}
	if math.IsInf(y, -1) {
		return x
	}
	d := x - y
	if a.live || a.rough {
		if d >= softRange {
			return x
		}
		d *= softSteps
		i := int(d)
		return x + a.soft[i] + (a.soft[i+1]-a.soft[i])*(d-float64(i))
	}
	// What is added is less than exp(−d): beyond 42 it vanishes in the rounding
	// unless x itself is next to nothing.
	if d > 42 && (x > 0.02 || x < -0.02) {
		return x
	}
	return x + math.Log1p(math.Exp(-d))
}

// roughAdd bounds ln(exp(x) + exp(y)) from above, by 4·10⁻⁵ at most.
func (a *analyser) roughAdd(x, y float64) float64 {
	if x < y {
		x, y = y, x
	}
	d := x - y
	if !(d < softRange) {
		return x + 2e-7
	}
	d *= softSteps
	i := int(d)
	return x + a.soft[i] + (a.soft[i+1]-a.soft[i])*(d-float64(i)) + 1e-6
}

const lnTwoPi = 1.8378770664093453

// lnBelow bounds ln x of a positive, normal x from below, by 0.0141 at most: it takes
// a parabola between powers of two.
func lnBelow(x float64) float64 {
	b := math.Float64bits(x)
	f := math.Float64frombits(b&(1<<52-1)|1023<<52) - 1
	return (float64(int(b>>52)-1023) + f + 0.278*f*(1-f)) * math.Ln2
}

// ln returns ln x, or while pairs are only bounded a little more.
func (a *analyser) ln(x float64) float64 {
	if a.rough {
		return lnBelow(x) + 0.0141
	}
	return math.Log(x)
}

// expNeg returns exp(−x) of an x that is not negative, or while pairs are only bounded
// a little more: by a share of 1.3·10⁻⁴, and beyond 16 the value there.
func (a *analyser) expNeg(x float64) float64 {
	if !a.rough {
		return math.Exp(-x)
	}
	if !(x < softRange) {
		return a.exps[softRange*softSteps]
	}
	x *= softSteps
	i := int(x)
	return a.exps[i] + (a.exps[i+1]-a.exps[i])*(x-float64(i)) + 1e-15
}
