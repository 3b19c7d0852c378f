package detecttest

import "math"

// lift is how far the reading lies above that of the saddle, µm, exactly: a is
// R − r in mm, tilt and cross are the adjustments in √µm. It also gives the cross
// travel in mm.
func lift(a, tilt, cross float64) (um, yMM float64) {
	yMM = cross * math.Sqrt(a/1000)
	angle := tilt / math.Sqrt(1000*a)
	y := math.Min(math.Abs(yMM), 0.8*a)
	// √(1 − e) − 1 and 1/cos − 1 without cancellation.
	e := (y / a) * (y / a)
	chord := -e / (1 + math.Sqrt(1-e))
	rise := 2 * math.Pow(math.Sin(angle/2), 2)
	rise /= 1 - rise
	return 2000 * a * (chord + rise + chord*rise), yMM
}

// layers are the parts of the reading in contact, µm, at the steps of the
// record: what the geometry gives, the flexure under the fingers, the hysteresis and
// the settling; and y, mm.
type layers struct{ clean, flexure, hyst, settle, y []float64 }

func makeLayers(s *sim, b *bench, es []entry) layers {
	n := len(s.knobVs)
	l := layers{make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)}
	var usual [2]float64 // knob speed above which the flexure is nearly full
	for k := range 2 {
		usual[k] = 0.15 * 2 * math.Sqrt(s.person.amp[k]) / s.person.passTime[k]
	}
	flex, held := 0.0, 0.0
	carriage, fresh := 0.0, true
	for i := range n {
		c := s.contact[i]
		if c < 0 {
			fresh, flex = true, 0
			continue
		}
		e := &es[c]
		l.clean[i], l.y[i] = lift(b.radiusDiffMM, s.adjusted[0][i], s.adjusted[1][i])
		l.settle[i] = e.settleUM * math.Exp(-float64(i-e.touch)*dt/e.settleT)
		k := int(s.hand[i]) - 1
		switch {
		case k < 0:
			flex -= flex * dt / b.relaxT
		case s.press[i] != 0:
			flex += (1.5*b.flexure[k]*s.press[i] - flex) * dt / b.riseT
			held = flex
		case math.Abs(s.knobVs[i]) > 0.02*usual[k]:
			flex += (b.flexure[k]*math.Tanh(s.knobVs[i]/usual[k]) - flex) * dt / b.riseT
			held = flex
		default: // the hand lies on the knob
			flex += (0.5*held - flex) * dt / b.holdT
		}
		l.flexure[i] = flex
		x := l.clean[i] + l.settle[i]
		if fresh {
			carriage, fresh = x-math.Copysign(b.hyst, -e.settleUM), false
		}
		carriage = math.Min(math.Max(carriage, x-b.hyst), x+b.hyst)
		l.hyst[i] = carriage - x
	}
	return l
}

// at interpolates what was recorded at time t, s.
func at(a []float64, t float64) float64 {
	k := t / dt
	i := int(k)
	if i < 0 {
		return a[0]
	}
	if i >= len(a)-1 {
		return a[len(a)-1]
	}
	f := k - float64(i)
	return a[i]*(1-f) + a[i+1]*f
}
