package detect

import (
	"math"
	"math/rand/v2"

	"ringsaddle/acquire"
)

// A second bench, for this package's tests alone: the same physics as any other
// (the saddle of two balls in a bore), another hand. Lengths in µm, angles in
// rad, cross travel in µm, times in s.

type simConfig struct {
	class     string
	rate      float64 // readings per second
	q         float64 // resolution, µm
	rho       float64 // R − r, µm
	white     float64
	wander    float64
	wanderTau float64
	drift     float64 // µm/min
	touch     float64
	hyst      float64
	deadtime  float64 // s, after each reversal of the knob
	stick     float64 // µm of stick-slip
	vib       float64 // amplitude of vibration bursts, µm
	outliers  float64 // per second
	stale     float64 // per second
	drops     float64 // per second
	handStyle int     // 0 raised cosine, 1 speed with noise, 2 linear with short turns, 3 minimum jerk
	y         bool
	tiltRise  float64 // typical rise at the turn-backs, µm
	crossDrop float64
	parkTilt  float64 // µm, sd of what is left of the tilt
	parkCross float64
	pause     float64 // s between the phases
	fast      float64 // factor on the hand's speed
}

type simPhase struct {
	adj       int // 0 tilt, 1 cross
	start     float64
	end       float64
	crossings []float64
	parked    bool
}

type simContact struct {
	start, end float64
	phases     []simPhase
	saddleMM   float64 // at the end of the last phase
	refT       float64
	allowed    map[Outcome]bool
	supported  bool
}

type simTrace struct {
	cfg      simConfig
	readings []acquire.Reading
	contacts []simContact
	stepMM   float64
	resPM    int64
}

type simHand struct {
	rng *rand.Rand
	cfg simConfig
	dt  float64
}

// goTo moves a knob from a to b at the given mean speed.
func (h *simHand) path(a, b, speed float64) []float64 {
	dist := math.Abs(b - a)
	if dist == 0 {
		return nil
	}
	T := dist / speed
	if T < 0.25 {
		T = 0.25
	}
	n := int(T/h.dt) + 2
	out := make([]float64, 0, n)
	switch h.cfg.handStyle {
	case 1:
		// Speed with slow multiplicative noise; ramps at both ends.
		v := dist / T * 1.25
		acc := v / (0.12 + 0.25*h.rng.Float64())
		x, cur, ou := 0.0, 0.0, 0.0
		tau := 0.4
		for x < dist {
			ou += -ou*h.dt/tau + 0.45*math.Sqrt(2*h.dt/tau)*h.rng.NormFloat64()
			target := v * math.Exp(ou)
			stop := math.Sqrt(2 * acc * (dist - x))
			if target > stop {
				target = stop
			}
			if target < v*0.02 {
				target = v * 0.02
			}
			if cur < target {
				cur = math.Min(target, cur+acc*h.dt)
			} else {
				cur = target
			}
			x += cur * h.dt
			out = append(out, a+(b-a)*math.Min(1, x/dist))
		}
		return out
	}
	w1 := (h.rng.Float64()*2 - 1) * 0.5
	w2 := (h.rng.Float64()*2 - 1) * 0.25
	edge := math.Min(0.45, (0.08+0.2*h.rng.Float64())/T)
	for i := 1; i <= n; i++ {
		u := float64(i) / float64(n)
		u += w1*math.Sin(math.Pi*u)*math.Sin(math.Pi*u)*0.35 + w2*math.Sin(4*math.Pi*u)/(4*math.Pi)*1.5
		u = math.Min(1, math.Max(0, u))
		var s float64
		switch h.cfg.handStyle {
		case 2:
			// Constant speed with parabolic ends of duration edge.
			k := 1 / (1 - edge)
			switch {
			case u < edge:
				s = k * u * u / (2 * edge)
			case u > 1-edge:
				s = 1 - k*(1-u)*(1-u)/(2*edge)
			default:
				s = k * (u - edge/2)
			}
		case 3:
			s = u * u * u * (10 - 15*u + 6*u*u)
		default:
			s = (1 - math.Cos(math.Pi*u)) / 2
		}
		out = append(out, a+(b-a)*s)
	}
	return out
}

func (h *simHand) rest(at, sec float64, n0 []float64) []float64 {
	for i := 0; i < int(sec/h.dt); i++ {
		n0 = append(n0, at)
	}
	return n0
}

func uni(r *rand.Rand, a, b float64) float64    { return a + (b-a)*r.Float64() }
func logUni(r *rand.Rand, a, b float64) float64 { return a * math.Exp(r.Float64()*math.Log(b/a)) }

var simClasses = []string{
	"ordinary", "reversals", "never_crossed", "once", "one_knob", "cross_first", "entries", "lost",
	"tilt_again", "end_stop", "remembered", "outliers", "coarse", "drift", "touch", "stick_slip", "hysteresis",
	"dead_time", "vibration", "small_ring", "fast", "slow_rate", "ordinary_y",
}

func simulate(class string, seed uint64) simTrace {
	rng := rand.New(rand.NewPCG(seed, uint64(len(class))*1000003+uint64(class[0])*17+uint64(class[len(class)-1])))
	c := simConfig{class: class}
	c.rate = []float64{10, 20, 50, 100, 200, 500, 1000}[rng.IntN(7)]
	if rng.Float64() < 0.6 {
		c.rate = []float64{50, 100, 200}[rng.IntN(3)]
	}
	c.q = []float64{0.01, 0.1, 0.1, 0.1}[rng.IntN(4)]
	c.rho = logUni(rng, 8000, 60000)
	c.white = logUni(rng, 0.015, 0.12)
	c.wander = logUni(rng, 0.01, 0.06)
	c.wanderTau = logUni(rng, 2, 20)
	c.drift = uni(rng, -0.1, 0.1)
	c.touch = uni(rng, 0, 0.12)
	c.hyst = uni(rng, 0, 0.02)
	c.handStyle = rng.IntN(4)
	c.tiltRise = logUni(rng, 1.5, 15)
	c.crossDrop = logUni(rng, 3, 40)
	c.parkTilt = logUni(rng, 0.03, 0.3)
	c.parkCross = logUni(rng, 0.03, 0.3)
	c.pause = uni(rng, 0.8, 3)
	c.fast = logUni(rng, 0.6, 1.6)
	entries := 1
	switch class {
	case "entries":
		entries = 2 + rng.IntN(3)
	case "outliers":
		c.outliers, c.stale, c.drops = 0.2, 0.1, 0.1
	case "coarse":
		c.q = 1
		c.tiltRise = logUni(rng, 5, 20)
		c.crossDrop = logUni(rng, 8, 60)
	case "drift":
		c.drift = uni(rng, 0.15, 0.3)
		if rng.IntN(2) == 0 {
			c.drift = -c.drift
		}
	case "touch":
		c.touch = uni(rng, 0.15, 0.5)
	case "stick_slip":
		c.stick = uni(rng, 0.1, 0.4)
	case "hysteresis":
		c.hyst = uni(rng, 0.03, 0.15)
	case "dead_time":
		c.deadtime = uni(rng, 0.1, 0.6)
	case "vibration":
		c.vib = uni(rng, 0.3, 2)
	case "small_ring":
		c.rho = logUni(rng, 1200, 5000)
		c.tiltRise = 0
	case "fast":
		c.fast = uni(rng, 2, 4)
	case "slow_rate":
		c.rate = uni(rng, 10, 20)
	case "ordinary_y":
		c.y = true
	}
	return simRun(c, rng, entries)
}

func simRun(c simConfig, rng *rand.Rand, entries int) simTrace {
	dt := 0.001
	if c.rate <= 100 {
		dt = 0.002
	}
	h := &simHand{rng: rng, cfg: c, dt: dt}
	var tr simTrace
	tr.cfg = c
	ballD := 3000.0
	diam := 2*c.rho + ballD
	// Grids over the whole file.
	var length []float64 // true reading without noise, µm; NaN out of contact
	var ys []float64
	var touch []float64 // touch flexure
	// out of contact
	outLevel := diam + []float64{-1, 1}[rng.IntN(2)]*uni(rng, 2000, 8000)
	addOut := func(sec, from float64) {
		for i := 0; i < int(sec/dt); i++ {
			length = append(length, from)
			ys = append(ys, 0)
			touch = append(touch, 0)
		}
	}
	addOut(uni(rng, 0.3, 3), outLevel)
	now := func() float64 { return float64(len(length)) * dt }
	for e := 0; e < entries; e++ {
		// Approach.
		theta := uni(rng, 0.5, 1.3) * sgn(rng) * math.Sqrt(math.Max(c.tiltRise, 0.5)/c.rho)
		if c.tiltRise == 0 {
			theta = uni(rng, 0.002, 0.012) * sgn(rng)
		}
		y := uni(rng, 0.3, 1.3) * sgn(rng) * math.Sqrt(c.crossDrop*c.rho)
		L := func(th, yy float64) float64 {
			return 2*math.Sqrt(c.rho*c.rho-yy*yy)/math.Cos(th) + ballD
		}
		target := L(theta, y)
		v := logUni(rng, 1500, 6000)
		from := length[len(length)-1]
		for i := 1; ; i++ {
			x := from + math.Copysign(v*float64(i)*dt, target-from)
			if (x-target)*(from-target) <= 0 {
				break
			}
			length = append(length, x)
			ys = append(ys, y)
			touch = append(touch, 0)
		}
		amp := uni(rng, 5, 80) * math.Copysign(1, from-target)
		tau := uni(rng, 0.08, 0.4)
		for i := 0; i < int(uni(rng, 6, 9)*tau/dt); i++ {
			length = append(length, target+amp*math.Exp(-float64(i)*dt/tau))
			ys = append(ys, y)
			touch = append(touch, 0)
		}
		ct := simContact{start: now(), allowed: map[Outcome]bool{}}
		hold := func(sec float64) {
			for i := 0; i < int(sec/dt); i++ {
				length = append(length, L(theta, y))
				ys = append(ys, y)
				touch = append(touch, touch[len(touch)-1]*math.Exp(-dt/0.25))
			}
		}
		hold(uni(rng, 0.5, 2))
		play := func(adj int, mode string) {
			ph := simPhase{adj: adj, start: now()}
			scale := math.Sqrt(c.crossDrop * c.rho)
			park := math.Sqrt(math.Abs(rng.NormFloat64())*c.parkCross*c.rho) * sgn(rng)
			cur := y
			if adj == 0 {
				scale = math.Sqrt(c.tiltRise / c.rho)
				if c.tiltRise == 0 {
					scale = 0.006
				}
				park = math.Sqrt(math.Abs(rng.NormFloat64())*c.parkTilt/c.rho) * sgn(rng)
				if c.tiltRise == 0 {
					park = uni(rng, -0.002, 0.002)
				}
				cur = theta
			}
			speed := scale / uni(rng, 0.8, 2.2) * c.fast
			side := math.Copysign(1, -cur)
			var ways []float64
			passes := 2 + rng.IntN(3)
			stop := uni(rng, 0.5, 1.2)
			switch mode {
			case "never":
				// Works on one flank only.
				n := 1 + rng.IntN(4)
				s := math.Copysign(1, cur)
				for i := 0; i < n; i++ {
					ways = append(ways, s*scale*uni(rng, 0.3, 0.75))
					if i < n-1 {
						ways = append(ways, s*scale*uni(rng, 0.85, 1.5))
					}
				}
				park = math.NaN()
			case "stop":
				n := 2 + rng.IntN(3)
				s := math.Copysign(1, cur)
				at := s * scale * uni(rng, 0.15, 0.5)
				for i := 0; i < n; i++ {
					ways = append(ways, at)
					if i < n-1 {
						ways = append(ways, s*scale*uni(rng, 0.85, 1.5))
					}
				}
				park = math.NaN()
			case "once":
				ways = append(ways, side*scale*uni(rng, 0.4, 1.2))
				park = math.NaN()
			default:
				for i := 0; i < passes; i++ {
					if mode == "farstop" {
						ways = append(ways, side*scale*stop)
					} else {
						ways = append(ways, side*scale*uni(rng, 0.35, 1.25))
					}
					if mode == "reversals" && rng.Float64() < 0.7 {
						for k := 0; k <= rng.IntN(3); k++ {
							w := ways[len(ways)-1]
							back := w * uni(rng, 0.3, 0.75)
							ways = append(ways, back, w*uni(rng, 0.8, 1.2))
						}
					}
					side = -side
				}
			}
			if !math.IsNaN(park) {
				ways = append(ways, park)
			}
			var knob []float64
			for _, w := range ways {
				knob = append(knob, h.path(cur, w, speed*uni(rng, 0.7, 1.4))...)
				cur = w
				if rng.Float64() < 0.5 {
					knob = h.rest(cur, uni(rng, 0, 0.8), knob)
				}
			}
			// Dead time: the knob turns and nothing follows.
			if c.deadtime > 0 {
				var k2 []float64
				dir := 0.0
				for i, k := range knob {
					if i > 0 && k != knob[i-1] {
						nd := math.Copysign(1, k-knob[i-1])
						if dir != 0 && nd != dir {
							k2 = h.rest(knob[i-1], c.deadtime*uni(rng, 0.5, 1.5), k2)
						}
						dir = nd
					}
					k2 = append(k2, k)
				}
				knob = k2
			}
			prev := theta
			if adj == 1 {
				prev = y
			}
			fl := touch[len(touch)-1]
			dir := 0.0
			slip := 0.0
			for _, k := range knob {
				if k != prev {
					dir = math.Copysign(1, k-prev)
				}
				if (k < 0) != (prev < 0) && k != prev {
					ph.crossings = append(ph.crossings, now())
				}
				prev = k
				fl += (dir*c.touch - fl) * dt / 0.1
				if adj == 0 {
					theta = k
				} else {
					y = k
				}
				l := L(theta, y)
				if c.stick > 0 {
					if math.Abs(l-slip) > c.stick {
						slip = l
					}
					l = slip + 0.3*(l-slip)
				}
				length = append(length, l)
				ys = append(ys, y)
				touch = append(touch, fl)
			}
			ph.end = now()
			ph.parked = !math.IsNaN(park)
			ct.phases = append(ct.phases, ph)
			hold(c.pause * uni(rng, 0.7, 1.3))
		}
		good := true
		lost := false
		switch c.class {
		case "reversals":
			play(0, "reversals")
			play(1, "reversals")
		case "never_crossed":
			good = false
			switch rng.IntN(3) {
			case 0:
				play(0, "never")
				play(1, "")
				ct.allowed[OutcomeCrossOnly] = true
			case 1:
				play(0, "")
				play(1, "never")
				ct.allowed[OutcomeTiltOnly] = true
			default:
				play(0, "never")
				play(1, "never")
			}
			ct.allowed[OutcomeIncomplete] = true
			ct.allowed[OutcomeAmbiguous] = true
		case "once":
			good = false
			if rng.IntN(2) == 0 {
				play(0, "once")
				play(1, "")
				ct.allowed[OutcomeCrossOnly] = true
			} else {
				play(0, "")
				play(1, "once")
				ct.allowed[OutcomeTiltOnly] = true
			}
			ct.allowed[OutcomeIncomplete] = true
			ct.allowed[OutcomeAmbiguous] = true
		case "one_knob":
			good = false
			if rng.IntN(2) == 0 {
				play(0, "")
				ct.allowed[OutcomeTiltOnly] = true
			} else {
				play(1, "")
				ct.allowed[OutcomeCrossOnly] = true
			}
			ct.allowed[OutcomeAmbiguous] = false
		case "cross_first":
			play(1, "")
			play(0, "")
		case "tilt_again":
			play(0, "")
			play(1, "")
			play(0, "")
		case "end_stop":
			// Far turn-backs repeat at the stop; the extremum is passed.
			if rng.IntN(2) == 0 {
				play(0, "farstop")
				play(1, "farstop")
			} else {
				good = false
				play(rng.IntN(2), "farstop")
				ct.allowed[OutcomeTiltOnly] = ct.phases[0].adj == 0
				ct.allowed[OutcomeCrossOnly] = ct.phases[0].adj == 1
				ct.allowed[OutcomeAmbiguous] = true
			}
		case "remembered":
			good = false
			if rng.IntN(2) == 0 {
				play(0, "stop")
				play(1, "")
				ct.allowed[OutcomeCrossOnly] = true
			} else {
				play(0, "")
				play(1, "stop")
				ct.allowed[OutcomeTiltOnly] = true
			}
			ct.allowed[OutcomeIncomplete] = true
			ct.allowed[OutcomeAmbiguous] = true
		default:
			play(0, "")
			play(1, "")
		}
		if c.class == "lost" {
			// Cut inside the last phase.
			cut := ct.phases[1].start + uni(rng, 0, 1)*(ct.phases[1].end-ct.phases[1].start)
			n := int(cut / dt)
			length, ys, touch = length[:n], ys[:n], touch[:n]
			lost = true
			good = false
			ct.allowed[OutcomeTiltOnly] = true
			ct.allowed[OutcomeIncomplete] = true
			ct.allowed[OutcomeAmbiguous] = true
			k := 0
			for _, t := range ct.phases[1].crossings {
				if t < cut-0.5 {
					k++
				}
			}
			if k >= 2 {
				ct.allowed[OutcomeDiameter] = true
			}
			ct.phases[1].end = cut
		}
		_ = lost
		ct.supported = good
		if good {
			ct.allowed[OutcomeDiameter] = true
		}
		ct.end = now()
		last := ct.phases[len(ct.phases)-1]
		ct.refT = last.end
		ct.saddleMM = (diam + c.drift*ct.refT/60) / 1000
		tr.contacts = append(tr.contacts, ct)
		// Withdrawal.
		from = length[len(length)-1]
		outLevel = from + math.Copysign(uni(rng, 1500, 6000), outLevel-from)
		addOut(uni(rng, 0.8, 3), outLevel)
	}
	return simReadout(tr, c, rng, dt, length, ys, touch)
}

func sgn(r *rand.Rand) float64 {
	if r.IntN(2) == 0 {
		return -1
	}
	return 1
}
