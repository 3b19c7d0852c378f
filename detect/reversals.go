package detect

import (
	"math"
	"slices"
)

// pivot is a reversal of the reading.
type pivot struct {
	k      int     // index of the extreme of the smoothed reading
	kind   int8    // −1 minimum, +1 maximum
	v, s   float64 // fitted value and its standard uncertainty from noise, µm
	t      float64 // s
	prom   float64 // smaller one of the two legs, µm
	a, b   int     // first and last bin of the fit
	rest   int     // index of the rest it lies in, or −1
	flat   float64 // s spent within the noise of the extreme
	even   float64 // log likelihood ratio of its shape, pass of an even hand against turn-back
	uneven float64 // the same for an uneven hand
	pace   float64 // logarithm of the mean speed down to half the depth of its flanks, µm/s
	lean   float64 // logarithm of how unlike its flanks are low down, or noLean
	room   float64 // range in which a turn-back could lie, µm
	lnw    float64 // its logarithm
	// For each of spreads: 1/v and half the logarithm of 2πv, v being the variance
	// of the value with that spread, µm².
	weight, halfLn         [len(spreads)]float64
	flexWeight, flexHalfLn float64 // the same for flexSpreadUM
	share                  float64 // in the mean of several passes
	// The nearest pivots of its kind beyond it, and how far the reading climbs on
	// the way there, µm.
	before, after           int
	climbBefore, climbAfter float64
	lnBefore, lnAfter       float64 // logarithms
	least, lnLeast          float64 // of room
}

// rest is a stretch in which the reading holds still.
type rest struct {
	a, b  int     // first and last bin
	level float64 // at its end, µm
	s     float64 // standard uncertainty of level from noise, µm
	t     float64 // time to which level is referred, s
	// curved is negative if the reading bends the same way at both ends, as in a
	// slow pass over an extremum, where nothing rests.
	curved float64
}

// smooth fills a.sm with a centred moving mean and a.ss with its noise.
func (a *analyser) smooth() {
	n := len(a.z)
	h := math.Max(0.06, 1.01*a.period)
	if a.period > 0.045 {
		h = 0
	}
	a.half = h
	t, z, sm := a.t[:n], a.z[:n], a.sm[:n]
	if cap(a.count) < n {
		a.count = make([]uint16, n, roomFor(n))
	}
	count := a.count[:n]
	a.count = count
	lo, hi := 0, 0
	sum := 0.0
	for i, now := range t {
		for hi < n && t[hi] <= now+h {
			sum += z[hi]
			hi++
		}
		for t[lo] < now-h {
			sum -= z[lo]
			lo++
		}
		sm[i] = sum / float64(hi-lo)
		count[i] = uint16(hi - lo)
	}
	a.smoothNoise()
}

// smoothNoise fills a.ss from the local noise and the numbers of bins in the means.
func (a *analyser) smoothNoise() {
	floor := 0.0
	if a.coarse {
		floor = 0.25 * a.q
	}
	ss, local, count := a.ss[:len(a.count)], a.local[:len(a.count)], a.count
	// The noise of a mean of m bins, while that of the bins stays the same.
	var known [64]float64
	noise := 0.0
	for i, m := range count {
		if local[i] != noise {
			noise, known = local[i], [64]float64{}
		}
		if int(m) < len(known) && known[m] > 0 {
			ss[i] = known[m]
			continue
		}
		ss[i] = max(noise/math.Sqrt(float64(m)), floor)
		if int(m) < len(known) {
			known[m] = ss[i]
		}
	}
}

// findPivots runs a zigzag with hysteresis over the smoothed reading.
func (a *analyser) findPivots() {
	a.piv = a.piv[:0]
	n := len(a.sm)
	if n == 0 {
		return
	}
	lo, hi := 0, 0
	dir := 0
	sm, ss := a.sm[:n], a.ss[:n]
	// The smallest movement at bin i that counts as a reversal, µm.
	least := max(1.3*a.q, 0.08)
	for i, v := range sm {
		switch dir {
		case 0:
			if v < sm[lo] {
				lo = i
			}
			if v > sm[hi] {
				hi = i
			}
			th := max(6*ss[i], least)
			if v-sm[lo] > th {
				dir = 1
				if lo > 0 {
					a.addPivot(lo, -1)
				}
				hi = i
			} else if sm[hi]-v > th {
				dir = -1
				if hi > 0 {
					a.addPivot(hi, +1)
				}
				lo = i
			}
		case 1:
			if v > sm[hi] {
				hi = i
			} else if d := sm[hi] - v; d > least && d > 6*ss[i] {
				a.addPivot(hi, +1)
				dir, lo = -1, i
			}
		case -1:
			if v < sm[lo] {
				lo = i
			} else if d := v - sm[lo]; d > least && d > 6*ss[i] {
				a.addPivot(lo, -1)
				dir, hi = 1, i
			}
		}
	}
}

func (a *analyser) addPivot(k int, kind int8) {
	if len(a.piv) >= maxPivots {
		a.overfull = true
		return
	}
	a.piv = append(a.piv, pivot{k: k, kind: kind, rest: -1})
}

// findRests marks where the reading holds still.
func (a *analyser) findRests() {
	a.rests = a.rests[:0]
	n := len(a.sm)
	w := math.Max(0.15, 1.5*a.period)
	lo, hi := 0, 0
	start := -1
	flush := func(end int) {
		if start < 0 {
			return
		}
		s, e := start, end
		start = -1
		if a.t[e]-a.t[s] < minRestSeconds {
			return
		}
		if s, e = a.trimRest(s, e); a.t[e]-a.t[s] < minRestSeconds {
			return
		}
		if len(a.rests) < maxPivots {
			a.rests = append(a.rests, a.measureRest(s, e))
		}
	}
	t, sm, ss := a.t[:n], a.sm[:n], a.ss[:n]
	least := max(1.05*a.q, 0.035)
	for i, now := range t {
		for t[lo] < now-w {
			lo++
		}
		band := max(4.5*ss[i], least)
		still := math.Abs(sm[i]-sm[lo]) <= band
		if still {
			for hi+1 < n && t[hi+1] <= now+w {
				hi++
			}
			still = math.Abs(sm[hi]-sm[lo]) <= band
		}
		if still {
			if start < 0 {
				start = i
			}
		} else {
			flush(i - 1)
		}
	}
	flush(n - 1)
	a.joinRests()
}

// trimRest takes from a stretch in which the reading hardly moves the beginning or
// the end of a slow movement: what differs from the middle half by more than the
// readings scatter. The finer the noise averages out over a long stretch, the
// smaller is the creep that is found.
func (a *analyser) trimRest(s, e int) (int, int) {
	extra := 0.01
	if a.coarse {
		extra = math.Max(extra, 0.5*a.q)
	}
	for {
		n := e - s + 1
		T := a.t[e] - a.t[s]
		if n < 5 || T < slowSeconds {
			return s, e
		}
		var sum, v, m [3]float64
		p, q := a.after(s, e, 0.25, false), a.after(s, e, 0.75, true)
		sum[0], v[0], m[0] = a.total(s, p)
		sum[1], v[1], m[1] = a.total(p, q)
		sum[2], v[2], m[2] = a.total(q, e+1)
		if m[0] == 0 || m[1] == 0 || m[2] == 0 {
			return s, e
		}
		off := func(k int) float64 {
			d := math.Abs(sum[k]/m[k] - sum[1]/m[1])
			return d - 2.5*math.Sqrt(v[k]/(m[k]*m[k])+v[1]/(m[1]*m[1])) - extra
		}
		l, r := off(0), off(2)
		switch cut := max(1, n/16); {
		case l <= 0 && r <= 0:
			return s, e
		case r >= l:
			e -= cut
		default:
			s += cut
		}
	}
}

// after returns the first one of bins s…e at which that share of their time has passed,
// or the first one beyond.
func (a *analyser) after(s, e int, share float64, beyond bool) int {
	T := a.t[e] - a.t[s]
	lo, hi := s, e+1
	for lo < hi {
		mid := int(uint(lo+hi) / 2)
		if u := (a.t[mid] - a.t[s]) / T; u > share || u == share && !beyond {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// total returns the sum of the readings of the bins from i to before j, that of the
// variances of their noise, and their number.
func (a *analyser) total(i, j int) (sum, v, n float64) {
	if j <= i {
		return 0, 0, 0
	}
	local := a.local[i:j]
	for x, z := range a.z[i:j] {
		sum += z
		v += local[x] * local[x]
	}
	return sum, v, float64(j - i)
}

// joinRests joins rests at one level that noise has cut in two.
func (a *analyser) joinRests() {
	m := 0
	for i, r := range a.rests {
		if i > 0 {
			l := &a.rests[m-1]
			gap := a.t[r.a] - a.t[l.b]
			if gap < math.Max(0.12, 2.5*a.period) && math.Abs(r.level-l.level) < math.Max(0.05, 3*math.Hypot(r.s, l.s)) {
				*l = a.measureRest(l.a, r.b)
				continue
			}
		}
		a.rests[m] = r
		m++
	}
	a.rests = a.rests[:m]
}

// measureRest reads the level at the end of a rest, when flexure has relaxed.
func (a *analyser) measureRest(s, e int) rest {
	T := a.t[e] - a.t[s]
	// The last bins may already belong to the next movement.
	end := a.t[e] - math.Min(0.1, T/6)
	from := end - math.Max(0.25, math.Min(1.2, 0.55*T))
	sum, st, m, v := 0.0, 0.0, 0, 0.0
	i, _ := slices.BinarySearch(a.t[s:e+1], from)
	for i += s; i <= e && a.t[i] <= end; i++ {
		sum += a.z[i]
		st += a.t[i]
		v += a.local[i] * a.local[i]
		m++
	}
	r := rest{a: s, b: e}
	if m == 0 {
		r.level, r.t, r.s = a.sm[(s+e)/2], a.t[(s+e)/2], a.sigma
		return r
	}
	r.level, r.t = sum/float64(m), st/float64(m)
	r.curved = a.bend(s, e)
	r.s = math.Sqrt(v) / float64(m)
	if a.coarse {
		r.s = math.Max(r.s, a.q/math.Sqrt(12)*math.Exp(-3*a.white/a.q))
	}
	return r
}

// legs completes what pivots and rests know of each other.
func (a *analyser) legs() {
	n := len(a.piv)
	last := len(a.sm) - 1
	for i := range a.piv {
		p := &a.piv[i]
		var left, right float64
		if i > 0 {
			left = a.sm[a.piv[i-1].k]
		} else {
			left = a.sm[0]
			for j := 0; j < p.k; j++ {
				if (a.sm[j]-left)*float64(-p.kind) > 0 {
					left = a.sm[j]
				}
			}
		}
		if i+1 < n {
			right = a.sm[a.piv[i+1].k]
		} else {
			right = a.sm[last]
			for j := p.k; j <= last; j++ {
				if (a.sm[j]-right)*float64(-p.kind) > 0 {
					right = a.sm[j]
				}
			}
		}
		v := a.sm[p.k]
		p.prom = math.Min(math.Abs(left-v), math.Abs(right-v))
	}
	j := 0
	for i := range a.piv {
		p := &a.piv[i]
		for j < len(a.rests) && a.rests[j].b < p.k {
			j++
		}
		if j < len(a.rests) && a.rests[j].a <= p.k {
			p.rest = j
		}
	}
}

// bend compares both ends of a rest with its middle.
func (a *analyser) bend(s, e int) float64 {
	var sum, v, n [3]float64
	sum[0], v[0], n[0] = a.total(s, a.after(s, e, 0.25, false))
	sum[1], v[1], n[1] = a.total(a.after(s, e, 0.35, false), a.after(s, e, 0.65, true))
	sum[2], v[2], n[2] = a.total(a.after(s, e, 0.75, true), e+1)
	if n[0] < 2 || n[1] < 2 || n[2] < 2 {
		return 0
	}
	for k := range 3 {
		sum[k] /= n[k]
		v[k] /= n[k] * n[k]
	}
	l := (sum[0] - sum[1]) / math.Sqrt(v[0]+v[1])
	r := (sum[2] - sum[1]) / math.Sqrt(v[2]+v[1])
	if l*r <= 0 {
		return 0
	}
	return -0.5 * math.Max(0, math.Min(6, math.Min(math.Abs(l), math.Abs(r)))-1.5)
}
