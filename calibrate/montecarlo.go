package calibrate

import (
	"math"
	"math/rand/v2"
	"slices"
)

// ChunkTrials is the number of trials of one chunk, the block size of the adaptive
// procedure (JCGM 101, 7.9.4: at least 10⁴).
const ChunkTrials = 10_000

// DefaultMaxTrials bounds the adaptive procedure unless told otherwise.
const DefaultMaxTrials = 1_000_000

// batchChunks is how many chunks are drawn between two looks at the stopping rule.
const batchChunks = 10

// Trials fills dst with values of the model for inputs drawn from their
// distributions. It is a pure function of its arguments: chunks with different
// numbers are independent streams of one seed, so a caller may run them at once
// and join them in the order of their numbers. It allocates once per call, not per
// trial.
func Trials(m *Model, seed uint64, chunk int, dst []float64) {
	s := newSampler(m, seed, chunk)
	for i := range dst {
		s.draw()
		dst[i] = m.Base + m.Eval(s.x)
	}
}

// sampler draws input vectors.
type sampler struct {
	x     []float64
	draws []drawnInput
	pools []pool
	rng   *rand.Rand
}

// drawnInput is an input with an uncertainty.
type drawnInput struct {
	index       int
	pool        int // -1: none
	dist        Distribution
	value, u    float64
	dof         float64
	half, inner float64
}

// pool is one estimated standard deviation behind several inputs: in a trial all
// are stretched by the same √(ν/χ²).
type pool struct{ dof, stretch float64 }

func newSampler(m *Model, seed uint64, chunk int) *sampler {
	// Two words of state from seed and chunk by a mixing function, so that
	// neighbouring seeds and chunks start far apart.
	state := mix(seed) ^ mix(uint64(chunk)+0x632be59bd9b4e019)
	s := &sampler{x: m.estimates(), rng: rand.New(rand.NewPCG(mix(state), mix(state^0x9e3779b97f4a7c15)))}
	index := map[string]int{}
	for i, in := range m.Inputs {
		if in.U == 0 {
			continue
		}
		d := drawnInput{index: i, pool: -1, dist: in.Dist, value: in.Value, u: in.U, dof: in.Dof, half: in.HalfWidth, inner: in.Inexact}
		if in.Pool != "" && in.Dof > 0 {
			j, ok := index[in.Pool]
			if !ok {
				j = len(s.pools)
				index[in.Pool] = j
				s.pools = append(s.pools, pool{dof: in.Dof})
			}
			d.pool = j
		}
		s.draws = append(s.draws, d)
	}
	return s
}

// mix is the finaliser of SplitMix64 (Steele, Lea, Flood 2014).
func mix(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}

// draw fills x with one draw of all inputs (JCGM 101, 6.4 and Annex C).
func (s *sampler) draw() {
	r := s.rng
	for i := range s.pools {
		p := &s.pools[i]
		p.stretch = math.Sqrt(p.dof / chiSquared(r, p.dof))
	}
	for i := range s.draws {
		d := &s.draws[i]
		var e float64
		switch d.dist {
		case Rectangular:
			e = d.half * (2*r.Float64() - 1)
		case Triangular:
			e = d.half * (r.Float64() - r.Float64())
		case Arcsine:
			e = d.half * math.Sin(2*math.Pi*r.Float64())
		case CurvedTrapezoid:
			a := -d.half + d.inner*(2*r.Float64()-1)
			e = a + (-2*a)*r.Float64()
		default:
			e = d.u * r.NormFloat64()
			if d.pool >= 0 {
				e *= s.pools[d.pool].stretch
			} else if d.dof > 0 {
				e *= math.Sqrt(d.dof / chiSquared(r, d.dof))
			}
		}
		s.x[d.index] = d.value + e
	}
}

// chiSquared draws from χ² with ν degrees of freedom, twice a gamma variable of
// shape ν/2 (Marsaglia and Tsang, ACM TOMS 26 (2000) 363, from memory).
func chiSquared(r *rand.Rand, nu float64) float64 {
	shape, factor := nu/2, 2.0
	if shape < 1 {
		factor *= math.Pow(1-r.Float64(), 1/shape)
		shape++
	}
	d := shape - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := r.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		u := 1 - r.Float64()
		if u < 1-0.0331*x*x*x*x || math.Log(u) < 0.5*x*x+d*(1-v+math.Log(v)) {
			return factor * d * v
		}
	}
}

// MonteCarloReport is the outcome of the propagation of distributions. Lengths are
// millimetres.
type MonteCarloReport struct {
	Trials int     `json:"trials"`
	Seed   uint64  `json:"seed"`
	MeanMM float64 `json:"mean_mm"`
	UMM    float64 `json:"u_mm"`
	// SymmetricMM is the probabilistically symmetric coverage interval,
	// ShortestMM the shortest.
	SymmetricMM [2]float64 `json:"symmetric_interval_mm"`
	ShortestMM  [2]float64 `json:"shortest_interval_mm"`
	// ToleranceMM is the numerical tolerance δ of u to two digits (JCGM 101,
	// 7.9.2); StableToMM twice the largest standard deviation of mean, u and the
	// ends of the interval over the chunks. The adaptive procedure stops when it
	// is at most δ/5; Converged is false if the bound on trials stopped it first.
	ToleranceMM float64 `json:"tolerance_mm"`
	StableToMM  float64 `json:"stable_to_mm"`
	Converged   bool    `json:"converged"`
	// LowDifferenceMM and HighDifferenceMM are the distances of the ends of
	// y ± U from those of the symmetric interval; Validated if both are at most δ
	// (JCGM 101, 8.1).
	LowDifferenceMM  float64 `json:"low_difference_mm"`
	HighDifferenceMM float64 `json:"high_difference_mm"`
	Validated        bool    `json:"validated"`
}

// MonteCarlo propagates the distributions of m adaptively (JCGM 101, 7.9.4, with
// δ/5 in place of δ as 8.2 asks where the outcome validates the other method).
// See Options for maxTrials and forEach.
func MonteCarlo(m *Model, probability float64, seed uint64, maxTrials int, forEach func(first, n int, run func(chunk int))) MonteCarloReport {
	if maxTrials <= 0 {
		maxTrials = DefaultMaxTrials
	}
	if forEach == nil {
		forEach = func(first, n int, run func(chunk int)) {
			for i := first; i < first+n; i++ {
				run(i)
			}
		}
	}
	rep := MonteCarloReport{Seed: seed}
	var all []float64
	var stats [4][]float64 // mean, u, low, high of every chunk
	for {
		first := len(all) / ChunkTrials
		all = append(all, make([]float64, batchChunks*ChunkTrials)...)
		block := make([][4]float64, batchChunks)
		forEach(first, batchChunks, func(chunk int) {
			dst := all[chunk*ChunkTrials : (chunk+1)*ChunkTrials]
			Trials(m, seed, chunk, dst)
			mean, sd := MeanSD(dst)
			sorted := slices.Clone(dst)
			slices.Sort(sorted)
			iv := SymmetricInterval(sorted, probability)
			block[chunk-first] = [4]float64{mean, sd, iv[0], iv[1]}
		})
		for _, b := range block {
			for j := range stats {
				stats[j] = append(stats[j], b[j])
			}
		}
		rep.MeanMM, rep.UMM = MeanSD(all)
		rep.ToleranceMM = NumericalTolerance(rep.UMM, 2)
		rep.StableToMM = 0
		for _, s := range stats {
			_, sd := MeanSD(s)
			rep.StableToMM = math.Max(rep.StableToMM, 2*sd/math.Sqrt(float64(len(s))))
		}
		rep.Converged = rep.StableToMM <= rep.ToleranceMM/5
		if rep.Converged || len(all)+batchChunks*ChunkTrials > maxTrials {
			break
		}
	}
	rep.Trials = len(all)
	slices.Sort(all)
	rep.SymmetricMM = SymmetricInterval(all, probability)
	rep.ShortestMM = ShortestInterval(all, probability)
	return rep
}

// Validate compares an interval y ± U with the report (JCGM 101, 8.1).
func (r *MonteCarloReport) Validate(y, expanded float64) {
	r.LowDifferenceMM = math.Abs(y - expanded - r.SymmetricMM[0])
	r.HighDifferenceMM = math.Abs(y + expanded - r.SymmetricMM[1])
	r.Validated = r.LowDifferenceMM <= r.ToleranceMM && r.HighDifferenceMM <= r.ToleranceMM
}

// NumericalTolerance returns δ = ½·10^l where u = c·10^l with c of the given number
// of decimal digits (JCGM 101, 7.9.2); 0 for u = 0.
func NumericalTolerance(u float64, digits int) float64 {
	if !(u > 0) {
		return 0
	}
	return 0.5 * math.Pow(10, float64(roundingExponent(u, digits)))
}

// roundingExponent returns l such that u rounded to the given number of
// significant digits is a whole multiple of 10^l.
func roundingExponent(u float64, digits int) int {
	l := int(math.Floor(math.Log10(u))) - digits + 1
	// 0.0998 has two digits as 0.10: rounding may carry.
	if math.Round(u/math.Pow(10, float64(l))) >= math.Pow(10, float64(digits)) {
		l++
	}
	return l
}

// coverageCount returns q, the number of steps between the ends of a coverage
// interval over n sorted values (JCGM 101, 7.7.2).
func coverageCount(n int, p float64) int {
	return min(int(p*float64(n)+0.5), n-1)
}

// SymmetricInterval returns the probabilistically symmetric coverage interval of
// values sorted in ascending order (JCGM 101, 7.7.2).
func SymmetricInterval(sorted []float64, p float64) [2]float64 {
	n := len(sorted)
	q := coverageCount(n, p)
	r := max((n-q+1)/2, 1)
	return [2]float64{sorted[r-1], sorted[min(r-1+q, n-1)]}
}

// ShortestInterval returns the shortest coverage interval of values sorted in
// ascending order (JCGM 101, 7.7.4 and note).
func ShortestInterval(sorted []float64, p float64) [2]float64 {
	q := coverageCount(len(sorted), p)
	best := [2]float64{sorted[0], sorted[q]}
	for r := 1; r+q < len(sorted); r++ {
		if sorted[r+q]-sorted[r] < best[1]-best[0] {
			best = [2]float64{sorted[r], sorted[r+q]}
		}
	}
	return best
}

// MeanSD returns the mean and the standard deviation with divisor n − 1 (0 for one
// value) by the two-pass algorithm with compensation (Chan, Golub, LeVeque 1983):
// a one-pass sum of squares loses all digits where the mean is large.
func MeanSD(x []float64) (mean, sd float64) {
	n := float64(len(x))
	if n == 0 {
		return math.NaN(), math.NaN()
	}
	// The first value as origin keeps the sum exact for readings near each other.
	origin := x[0]
	for _, v := range x {
		mean += v - origin
	}
	mean /= n
	if n == 1 {
		return origin, 0
	}
	var ss, c float64
	for _, v := range x {
		d := v - origin - mean
		ss += d * d
		c += d
	}
	return origin + mean, math.Sqrt(math.Max(0, ss-c*c/n) / (n - 1))
}
