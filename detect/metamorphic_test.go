package detect

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

var flagMetamorphic = flag.Int("metamorphic", 1, "simulated traces a class that the metamorphic tests take")

// doubled returns readings at twice the rate, with one interpolated between any
// two that follow each other, in steps of half the length so that no midpoint is
// rounded.
func doubled(p Params, rs []acquire.Reading) (Params, []acquire.Reading) {
	p.StepMM /= 2
	period := int64(math.MaxInt64)
	if n := len(rs); n > 1 {
		period = (rs[n-1].At - rs[0].At) / int64(n-1)
	}
	var out []acquire.Reading
	for i, r := range rs {
		r.X, r.Y = 2*r.X, 2*r.Y
		if i > 0 {
			if b, dt := rs[i-1], r.At-rs[i-1].At; dt > 1 && dt < 3*period && r.IsPosition() && b.IsPosition() {
				m := r
				m.At, m.X, m.Y = b.At+dt/2, (2*b.X+r.X)/2, (2*b.Y+r.Y)/2
				out = append(out, m)
			}
		}
		out = append(out, r)
	}
	for i := range out {
		out[i].Seq = uint64(i + 1)
	}
	return p, out
}

// coarser returns the readings as a readout with ten times the smallest change
// would have shown them.
func coarser(p Params, rs []acquire.Reading) (Params, []acquire.Reading) {
	step := 10 * max(1, int64(p.ResolutionMM/p.StepMM+0.5))
	p.ResolutionMM = float64(step) * p.StepMM
	out := slices.Clone(rs)
	for i := range out {
		x := out[i].X + step/2
		if x < 0 {
			x -= step - 1
		}
		out[i].X = x / step * step
	}
	return p, out
}

// likeness counts how the captures of altered readings compare.
// sureProbability is how sure of both turning points a diameter must be to count as
// far from the edge of the decision.
const sureProbability = 0.985

type likeness struct {
	n, same        int // captures; with the same outcome
	lost, gained   int // diameters in one only
	sure, sureKept int // diameters far from the edge of the decision; still diameters
	both           int // diameters in both
	within, within2,
	within3 int // of both: value within u, 2u, 3u of the altered one
	alike   int // u within 25 %
	bounded int // u between that of the plain one and that with quantisation added, within 25 %
	ratios  []float64
	shifts  []float64 // in u
}

func (s *likeness) String() string {
	slices.Sort(s.ratios)
	slices.Sort(s.shifts)
	q := func(v []float64, p float64) float64 {
		if len(v) == 0 {
			return math.NaN()
		}
		return v[min(len(v)-1, int(p*float64(len(v))))]
	}
	pc := func(k, n int) float64 { return 100 * float64(k) / math.Max(1, float64(n)) }
	return fmt.Sprintf(`%d captures: same outcome %.1f %%; diameters lost %d, gained %d; sure ones kept %d of %d
    %d diameters in both: value within u %.1f %%, 2u %.1f %%, 3u %.1f %%; shift/u median %.2f, 95 %% %.2f, largest %.2f
    u within 25 %%: %.1f %%, within its bound: %.1f %%; ratio of u 5 %% %.2f, median %.2f, 95 %% %.2f`,
		s.n, pc(s.same, s.n), s.lost, s.gained, s.sureKept, s.sure,
		s.both, pc(s.within, s.both), pc(s.within2, s.both), pc(s.within3, s.both), q(s.shifts, 0.5), q(s.shifts, 0.95), q(s.shifts, 1),
		pc(s.alike, s.both), pc(s.bounded, s.both), q(s.ratios, 0.05), q(s.ratios, 0.5), q(s.ratios, 0.95))
}

// require fails if fewer than share of n did. A run as short as the usual one is
// allowed two standard deviations less.
func require(t *testing.T, what string, k, n int, share float64) {
	t.Helper()
	if least := share*float64(n) - 2*math.Sqrt(float64(n)*share*(1-share)); float64(k) < least {
		t.Errorf("%s: %d of %d, at least %.3f expected", what, k, n, share)
	}
}

// compare takes the captures of plain and of altered readings that overlap in
// time.
func (s *likeness) compare(p, q Params, plain, altered []acquire.Reading) {
	stepPlain, stepAltered, qMM := p.StepMM, q.StepMM, q.ResolutionMM
	again := detectAll(q, altered)
	for _, a := range detectAll(p, plain) {
		i := slices.IndexFunc(again, func(b *Capture) bool { return a.StartAt < b.EndAt && b.StartAt < a.EndAt })
		s.n++
		if i < 0 {
			continue
		}
		b := again[i]
		if a.Outcome == b.Outcome {
			s.same++
		}
		if a.Outcome == OutcomeDiameter && min(a.Probability[0], a.Probability[1]) > sureProbability {
			s.sure++
			if b.Outcome == OutcomeDiameter {
				s.sureKept++
			}
		}
		dia, dib := a.Outcome == OutcomeDiameter, b.Outcome == OutcomeDiameter
		switch {
		case dia && !dib:
			s.lost++
		case dib && !dia:
			s.gained++
		}
		if !dia || !dib {
			continue
		}
		s.both++
		d := math.Abs((float64(a.Origin)+a.Saddle)*stepPlain - (float64(b.Origin)+b.Saddle)*stepAltered)
		ua, ub := a.U*stepPlain, b.U*stepAltered
		s.shifts = append(s.shifts, d/ub)
		s.ratios = append(s.ratios, ub/ua)
		if d <= ub {
			s.within++
		}
		if d <= 2*ub {
			s.within2++
		}
		if d <= 3*ub {
			s.within3++
		}
		if ub >= 0.75*ua && ub <= 1.25*ua {
			s.alike++
		}
		// A pass, a rest and a pass, each rounded: three times q²/12.
		if ub >= 0.75*ua && ub <= 1.25*math.Hypot(ua, qMM/2) {
			s.bounded++
		}
	}
}

// metamorphicCase makes a trace of the class, with another number of decimals if
// that is not 0. Every class has seeds of its own.
func metamorphicCase(t *testing.T, class bench.Class, seed uint64, decimals int) bench.Trace {
	t.Helper()
	seed += 1000 * uint64(slices.Index(bench.Classes(), class))
	sc, err := bench.ClassScenario(class, rand.New(rand.NewPCG(seed, 79)))
	if err != nil {
		t.Fatal(err)
	}
	if decimals > 0 {
		sc.Readout.Decimals = decimals
	}
	tr, err := bench.Generate(sc, seed)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

// Twice the rate by interpolation: nothing that was not there before, so the same
// outcome, the value within u and u within 25 %, except at the edge of the
// decision. Without the class of stray readings: interpolation makes runs of them
// longer than the filter outvotes. This and the next test print what holds:
//
//	go test ./detect -run 'TestDoubledRate|TestCoarserSteps' -v -metamorphic 10 -timeout 30m
func TestDoubledRate(t *testing.T) {
	var s likeness
	for _, class := range bench.Classes() {
		for seed := range uint64(*flagMetamorphic) {
			if class == bench.ClassOutliers {
				continue
			}
			tr := metamorphicCase(t, class, seed, 0)
			p := benchParams(&tr)
			q, rs := doubled(p, tr.Readings)
			s.compare(p, q, tr.Readings, rs)
		}
	}
	t.Log(&s)
	require(t, "same outcome", s.same, s.n, 0.88)
	require(t, "sure diameters kept", s.sureKept, s.sure, 0.92)
	require(t, "value within u", s.within, s.both, 0.94)
	require(t, "value within 2u", s.within2, s.both, 0.98)
	require(t, "u within 25 %", s.alike, s.both, 0.90)
}

// Steps ten times as coarse must not lower u, and raise it by no more than the
// rounding of a pass, a rest and a pass: 0.01 µm made 0.1 µm on the usual traces,
// and 0.1 µm made 1 µm on those whose hand sweeps widely enough for such steps.
func TestCoarserSteps(t *testing.T) {
	var fine, coarse likeness
	for k, class := range bench.Classes() {
		for seed := range uint64(*flagMetamorphic) {
			if class != bench.ClassCoarse {
				tr := metamorphicCase(t, class, seed, 5)
				p := benchParams(&tr)
				q, rs := coarser(p, tr.Readings)
				fine.compare(p, q, tr.Readings, rs)
			}
			tr := metamorphicCase(t, bench.ClassCoarse, seed+100*uint64(k), 4)
			p := benchParams(&tr)
			q, rs := coarser(p, tr.Readings)
			coarse.compare(p, q, tr.Readings, rs)
		}
	}
	t.Logf("0.01 µm made 0.1 µm: %s", &fine)
	require(t, "same outcome", fine.same, fine.n, 0.78)
	require(t, "sure diameters kept", fine.sureKept, fine.sure, 0.87)
	require(t, "value within u", fine.within, fine.both, 0.91)
	require(t, "value within 2u", fine.within2, fine.both, 0.96)
	require(t, "u within its bound", fine.bounded, fine.both, 0.95)
	t.Logf("0.1 µm made 1 µm: %s", &coarse)
	require(t, "same outcome", coarse.same, coarse.n, 0.91)
	require(t, "sure diameters kept", coarse.sureKept, coarse.sure, 0.94)
	require(t, "value within u", coarse.within, coarse.both, 0.94)
	require(t, "value within 2u", coarse.within2, coarse.both, 0.98)
	require(t, "u within its bound", coarse.bounded, coarse.both, 0.98)
}
