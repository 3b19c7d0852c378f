package detect

import "math"

// trackLen bounds the number of readings that a track remembers.
const trackLen = 1024

// mark is a reading that a track remembers.
type mark struct {
	t, x int64 // ns, counts (absolute)
	bins int32 // bins of the contact then
}

// track remembers the readings of the last tenth of a second, whatever contact
// they belong to, so that speeds do not depend on when anybody began to look.
type track struct {
	ring     [trackLen]mark
	n        int // readings so far
	i100     int // the latest reading at least 0.1 s old; likewise
	i80, i40 int // when they were last asked for
	t, x     int64
	speed    float64 // of approach, counts/ns
	slack    int64   // counts
	fast     bool    // faster than speed over the last 0.1 s
}

func (k *track) clear() {
	k.n, k.i100, k.i80, k.i40, k.t, k.x, k.fast = 0, 0, 0, 0, 0, 0, false
}

func (k *track) at(i int) *mark { return &k.ring[i&(trackLen-1)] }

// push takes a reading dt after the one before.
func (k *track) push(x, dt int64, bins int) {
	k.t += dt
	k.x = x
	*k.at(k.n) = mark{t: k.t, x: x, bins: int32(bins)}
	k.n++
	oldest := max(0, k.n-trackLen)
	k.i100 = k.lag(max(k.i100, oldest), anchorNS)
	m := k.at(k.i100)
	age := k.t - m.t
	d := x - m.x
	k.fast = age >= anchorNS && float64(max(d, -d)) > k.speed*float64(age)+float64(k.slack)
}

func (k *track) lag(i int, ns int64) int {
	for i+1 < k.n && k.at(i+1).t <= k.t-ns {
		i++
	}
	return i
}

func (k *track) lag100() *mark { return k.at(k.i100) }

func (k *track) lag40() *mark {
	k.i40 = k.lag(max(k.i40, k.n-trackLen), tickNS)
	return k.at(k.i40)
}

// step40 returns the change over the last 40 ms or more, and its speed.
func (k *track) step40() (int64, float64) {
	m := k.lag40()
	d := k.x - m.x
	return d, math.Abs(float64(d)) / float64(max(1, k.t-m.t))
}

// speed80 returns the speed between 80 and 40 ms ago.
func (k *track) speed80() float64 {
	k.i80 = k.lag(max(k.i80, k.n-trackLen), 2*tickNS)
	a, b := k.at(k.i80), k.lag40()
	if a == b && k.i80 > 0 {
		a = k.at(k.i80 - 1) // slower than one reading in 40 ms
	}
	d := b.x - a.x
	return math.Abs(float64(d)) / float64(max(1, b.t-a.t))
}

// fold tells the track that bins were joined in pairs.
func (k *track) fold() {
	for i := range k.ring {
		k.ring[i].bins /= 2
	}
}
