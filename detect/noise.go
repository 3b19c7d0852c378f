package detect

import (
	"math"
	"math/bits"
	"slices"
)

// blockSeconds is the length of the blocks in which noise is followed, s.
const blockSeconds = 0.5

// measureNoise estimates the standard deviation of the fast noise of one bin, µm,
// over the whole entry (a.sigma), from
// third differences: a motion that is quadratic over four bins drops out.
// Because movement can only add, a low quantile stands for the noise.
func (a *analyser) measureNoise() {
	n := len(a.z)
	a.period = a.medianPeriod()
	d := a.tmp[:0]
	stride := 1 + n/1500
	for i := 0; i+3 < n; i += stride {
		if a.t[i+3]-a.t[i] > 4.5*a.period {
			continue
		}
		d = append(d, math.Abs(a.z[i]-3*a.z[i+1]+3*a.z[i+2]-a.z[i+3]))
	}
	a.tmp = d
	a.sigma = 0
	if len(d) > 0 {
		// Quantiles of |N(0,1)|: 0.319 at 25 %, 0.674 at 50 %.
		q25, q50 := quartiles(d)
		a.sigma = math.Min(q25/0.3186, q50/0.6745) / math.Sqrt(20)
	}
	a.white = a.sigma
	// A readout that shows steps of q adds q/√12 that the differences may miss
	// when the noise does not carry the reading over a step.
	floor := a.q / math.Sqrt(12)
	a.coarse = a.sigma < 0.45*a.q
	if a.coarse {
		a.sigma = math.Max(a.sigma, floor)
	}
	a.sigma = math.Max(a.sigma, 1e-6)

	a.sums = a.sums[:0]
	a.local = grow(a.local, n)
	for i := range a.local {
		a.local[i] = a.sigma
	}
}

// followNoise raises the local noise where the readings scatter about the
// smoothed ones much more than usual: bursts of vibration.
func (a *analyser) followNoise() bool {
	n := len(a.z)
	t, z, sm := a.t[:n], a.z[:n], a.sm[:n]
	block := func(i int) (j int, s float64) {
		sum := 0.0
		for j = i; j < n && (t[j]-t[i] < blockSeconds || j-i < 8); j++ {
			v := z[j] - sm[j]
			sum += v * v
		}
		return j, math.Sqrt(sum / float64(j-i))
	}
	loud := false
	for i := 0; i < n && !loud; {
		j, s := block(i)
		loud = s > 1.7*a.sigma
		i = j
	}
	if !loud {
		return false
	}
	a.tmp = a.tmp[:0]
	for i := 0; i < n; {
		j, s := block(i)
		if !(s > 1.7*a.sigma) {
			s = a.sigma
		}
		for ; i < j; i++ {
			a.tmp = append(a.tmp, s)
		}
	}
	// A burst does not keep to the blocks.
	lo, hi := 0, 0
	for i := range n {
		for hi < n-1 && a.t[hi] < a.t[i]+blockSeconds/2 {
			hi++
		}
		for a.t[lo] < a.t[i]-blockSeconds/2 {
			lo++
		}
		a.local[i] = math.Max(a.tmp[i], 0.7*math.Max(a.tmp[lo], a.tmp[hi]))
	}
	return true
}

// medianPeriod returns the usual time between bins, s.
func (a *analyser) medianPeriod() float64 {
	d := a.tmp[:0]
	stride := 1 + len(a.t)/256
	for i := 0; i+1 < len(a.t); i += stride {
		if dt := a.t[i+1] - a.t[i]; dt > 0 {
			d = append(d, dt)
		}
	}
	a.tmp = d
	if len(d) == 0 {
		return 0.001
	}
	_, q50 := quartiles(d)
	return q50
}

// quartiles returns the values that would stand at a quarter and at the middle of d,
// whose elements are not negative, if d were sorted.
func quartiles(d []float64) (q25, q50 float64) {
	// The elements are counted by their leading bits, of which neighbouring values are
	// some per cent apart, up to 256 times more and less than one of them.
	const shift, places = 47, 512
	base := max(math.Float64bits(d[len(d)/2])>>shift, places/2) - places/2
	place := func(x float64) uint64 {
		return min(max(math.Float64bits(x)>>shift, base)-base, places-1)
	}
	var count [places]int32
	for _, x := range d {
		count[place(x)]++
	}
	at := func(k int) float64 {
		i := uint64(0)
		for k >= int(count[i]) {
			k -= int(count[i])
			i++
		}
		lo, hi := (base+i)<<shift, (base+i+1)<<shift-1
		if i == 0 {
			lo = 0
		}
		if i == places-1 {
			hi = math.MaxUint64
		}
		return nthClose(toFront(d, lo, hi), k)
	}
	return at(len(d) / 4), at(len(d) / 2)
}

// nthClose is nth for numbers that are not negative and mostly lie close together. They
// are counted by finer and finer steps of their bits.
func nthClose(d []float64, k int) float64 {
	for len(d) > 24 {
		lo, hi := uint64(math.MaxUint64), uint64(0)
		for _, v := range d {
			b := math.Float64bits(v)
			lo, hi = min(lo, b), max(hi, b)
		}
		if lo == hi {
			return d[0]
		}
		shift := max(bits.Len64(hi-lo), 6) - 6
		var count [64]int32
		for _, v := range d {
			count[(math.Float64bits(v)-lo)>>shift]++
		}
		i := uint64(0)
		for k >= int(count[i]) {
			k -= int(count[i])
			i++
		}
		lo += i << shift
		d = toFront(d, lo, lo+1<<shift-1)
	}
	return nth(d, k)
}

// toFront moves those elements of d to its front whose bits lie from lo to hi, and
// returns them.
func toFront(d []float64, lo, hi uint64) []float64 {
	n := 0
	for x, v := range d {
		if b := math.Float64bits(v); lo <= b && b <= hi {
			d[n], d[x] = v, d[n]
			n++
		}
	}
	return d[:n]
}

// nthAbs is nth of the absolute values, and moves nothing. The values are counted by
// finer and finer steps of their bits.
func nthAbs(d []float64, k int) float64 {
	const places = 256
	at := func(v float64) uint64 { return math.Float64bits(math.Abs(v)) }
	lo, hi := uint64(math.MaxUint64), uint64(0)
	for _, v := range d {
		lo, hi = min(lo, at(v)), max(hi, at(v))
	}
	for lo < hi {
		shift := max(bits.Len64(hi-lo), 8) - 8
		var count [places]int32
		for _, v := range d {
			if b := at(v); lo <= b && b <= hi {
				count[(b-lo)>>shift]++
			}
		}
		i := uint64(0)
		for k >= int(count[i]) {
			k -= int(count[i])
			i++
		}
		lo += i << shift
		hi = min(hi, lo+1<<shift-1)
		if count[i] > 64 {
			continue
		}
		var few [64]float64
		n := 0
		for _, v := range d {
			if b := at(v); lo <= b && b <= hi {
				few[n] = math.Abs(v)
				n++
			}
		}
		return nth(few[:n], k)
	}
	return math.Float64frombits(lo)
}

// nth returns the value that would stand at place k if d were sorted. It moves
// the elements of d: none before place k is larger, none after it is smaller.
func nth(d []float64, k int) float64 {
	lo, hi := 0, len(d)-1
	for hi-lo > 12 {
		// The median of three as pivot.
		p, q, r := d[lo], d[lo+(hi-lo)/2], d[hi]
		if p > q {
			p, q = q, p
		}
		if q > r {
			q = max(p, r)
		}
		i, j := lo, hi
		for i <= j {
			for d[i] < q {
				i++
			}
			for d[j] > q {
				j--
			}
			if i <= j {
				d[i], d[j] = d[j], d[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return d[k]
		}
	}
	slices.Sort(d[lo : hi+1])
	return d[k]
}

// dropStale takes out bins that only repeat the one before for longer than the
// noise would let them. It needs noise that carries the reading over a step.
func (a *analyser) dropStale() {
	n := len(a.z)
	if n < 16 || a.white < 0.4*a.q {
		return
	}
	// Probability that two readings of noise a.white round to the same step.
	p := math.Max(0.02, 0.2821*a.q/a.white)
	limit := int(math.Ceil(math.Log(1e-6)/math.Log(math.Min(p, 0.8)))) + 1
	a.window.repeats = int32(limit)
	// Mostly there are none.
	run := 0
	for i := 1; i < n && run < limit; i++ {
		run++
		if a.z[i] != a.z[i-1] {
			run = 0
		}
	}
	if run < limit {
		return
	}
	out := 0
	for i := 0; i < n; {
		j := i + 1
		for j < n && a.z[j] == a.z[i] {
			j++
		}
		keep := j
		if j-i > limit {
			keep = i + 1
			a.stale += j - i - 1
		}
		if out == i {
			out = keep // nothing was left out before
		} else {
			for k := i; k < keep; k++ {
				a.move(out, k)
				a.local[out] = a.local[k]
				out++
			}
		}
		i = j
	}
	a.cut(out)
	a.local = a.local[:out]
}
