package bench

import (
	"math"
	"math/rand/v2"
)

// logDraw draws between the limits of r, uniformly in the logarithm.
func logDraw(rng *rand.Rand, r Range) float64 {
	if r[0] <= 0 || r[0] == r[1] {
		return r.Draw(rng)
	}
	return r[0] * math.Exp(rng.Float64()*math.Log(r[1]/r[0]))
}

// wander is an Ornstein-Uhlenbeck process: slow wander with a standard deviation
// and a time constant, stationary from the start.
type wander struct {
	decay, kick, x float64
}

func newWander(rng *rand.Rand, sigma, tau, dt float64) wander {
	a := math.Exp(-dt / tau)
	return wander{decay: a, kick: sigma * math.Sqrt(1-a*a), x: sigma * rng.NormFloat64()}
}

func (w *wander) next(rng *rand.Rand) float64 {
	w.x = w.decay*w.x + w.kick*rng.NormFloat64()
	return w.x
}

// burst is a vibration that starts suddenly and dies away.
type burst struct {
	at, amp, omega, phase, decay float64
}

// until is when a burst has died away to a thousandth.
func (b *burst) until() float64 { return b.at + 7*b.decay }

func (b *burst) value(t float64) float64 {
	s := t - b.at
	if s < 0 {
		return 0
	}
	return b.amp * math.Exp(-s/b.decay) * math.Sin(b.omega*s+b.phase)
}

// hysteresis is the play of the carriage: the reading follows the length at a
// distance of half behind it, and reverses only when the length has come back by
// twice that.
type hysteresis struct {
	half, x float64
}

func (h *hysteresis) put(x float64) { h.x = x }

func (h *hysteresis) next(x float64) float64 {
	switch {
	case x-h.x > h.half:
		h.x = x - h.half
	case h.x-x > h.half:
		h.x = x + h.half
	}
	return h.x
}

// flexure is the bending of the frame while a hand is on a knob: towards amp in
// the direction of the knob, less while the hand rests on it, nothing when it is
// off.
type flexure struct {
	amp         [2]float64 // signed, per adjustment, µm
	on, off     float64    // share of the way to the goal per sampling period
	x, lastGoal float64
}

// restingShare is what is left of the flexure while the hand rests on the knob.
const restingShare = 0.6

func (f *flexure) next(hand, dir int8) float64 {
	goal, share := 0.0, f.off
	switch {
	case hand >= 0 && dir != 0:
		goal, share = f.amp[hand]*float64(dir), f.on
		f.lastGoal = goal
	case hand >= 0:
		goal, share = restingShare*f.lastGoal, f.on
	default:
		f.lastGoal = 0
	}
	f.x += (goal - f.x) * share
	return f.x
}

// readoutFaults decides when the readout repeats, leaves out or falsifies
// readings.
type readoutFaults struct {
	rng *rand.Rand

	strayShare float64
	strayUM    Range
	nextStray  int
	strayLeft  int

	stalePerS float64
	staleS    Range
	nextStale float64
	staleTill float64

	dropsPerS float64
	dropRun   Count
	nextDrop  float64
	dropLeft  int
}

func newReadoutFaults(rng *rand.Rand, d *Disturb) *readoutFaults {
	f := &readoutFaults{
		rng: rng, strayShare: d.StrayShare.Draw(rng), strayUM: d.StrayUM,
		stalePerS: d.StalePerMin.Draw(rng) / 60, staleS: d.StaleS,
		dropsPerS: d.DropsPerMin.Draw(rng) / 60, dropRun: d.DropRun,
	}
	f.nextStray = f.gap()
	f.nextStale = f.wait(0, f.stalePerS)
	f.nextDrop = f.wait(0, f.dropsPerS)
	return f
}

// gap is the number of good readings before the next run of stray ones.
func (f *readoutFaults) gap() int {
	if f.strayShare <= 0 {
		return math.MaxInt
	}
	return int(f.rng.ExpFloat64()/f.strayShare) + 1
}

func (f *readoutFaults) wait(now, perS float64) float64 {
	if perS <= 0 {
		return math.Inf(1)
	}
	return now + f.rng.ExpFloat64()/perS
}

// stray returns what is added to this reading, in micrometres.
func (f *readoutFaults) stray() float64 {
	if f.strayLeft == 0 {
		f.nextStray--
		if f.nextStray > 0 {
			return 0
		}
		f.strayLeft = 1 + f.rng.IntN(3)
		f.nextStray = f.gap()
	}
	f.strayLeft--
	um := logDraw(f.rng, f.strayUM)
	if f.rng.IntN(2) == 0 {
		return -um
	}
	return um
}

// stale reports whether the readout repeats its last reading at t.
func (f *readoutFaults) stale(t float64) bool {
	if t < f.staleTill {
		return true
	}
	if t >= f.nextStale {
		f.staleTill = t + f.staleS.Draw(f.rng)
		f.nextStale = f.wait(f.staleTill, f.stalePerS)
		return true
	}
	return false
}

// dropApart is the least time between the starts of two runs, s: at 10 Hz and
// more a run has ended by then, so that two never make a longer one.
const dropApart = 1.2

// drop reports whether this reading is lost.
func (f *readoutFaults) drop(t float64) bool {
	if f.dropLeft > 0 {
		f.dropLeft--
		return true
	}
	if t >= f.nextDrop {
		f.dropLeft = f.dropRun.Draw(f.rng) - 1
		f.nextDrop = f.wait(t+dropApart, f.dropsPerS)
		return true
	}
	return false
}
