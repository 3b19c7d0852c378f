package narrow

import "math"

// level is the value of a fit at a pass, µm, and the parts of its variance, µm²: of
// the curve's misfit and of everything else.
type level struct{ value, misfit, noise float64 }

// normal holds the normal equations of a + b·u² + c·u³.
type normal [3][3]float64

// basis are the powers of the time u.
func basis(u float64) [3]float64 { return [3]float64{1, u * u, u * u * u} }

func (m *normal) add(f [3]float64) {
	for i := range f {
		for k := range f {
			m[i][k] += f[i] * f[k]
		}
	}
}

// intercept is the first row of the inverse; what it makes of the right-hand side is
// a, and its first element is the variance of a for noise of one.
func (m *normal) intercept() (row [3]float64, ok bool) {
	minor := func(a, b, d, e int) float64 { return m[a][b]*m[d][e] - m[a][e]*m[d][b] }
	det := m[0][0]*minor(1, 1, 2, 2) - m[0][1]*minor(1, 0, 2, 2) + m[0][2]*minor(1, 0, 2, 1)
	if math.Abs(det) < 1e-9*m[0][0]*m[0][0]*m[0][0] || det == 0 {
		return row, false
	}
	return [3]float64{minor(1, 1, 2, 2) / det, -minor(0, 1, 2, 2) / det, minor(0, 1, 1, 2) / det}, true
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

// window is a stretch of readings about a pass.
type window struct {
	at, half float64 // ms
	from, to int     // readings
}

// fit fits a + b·u² + c·u³ about a pass at a time, ms, over the window that the
// noise-free curve and the noise together like best.
func (o *oracle) fit(p span, pass float64) (best level, ok bool) {
	least := math.Inf(1)
	for _, half := range []float64{20, 35, 60, 90, 130, 190, 270, 400, 600, 900, 1300, 2000} {
		w := window{pass, half, o.before(max(pass-half, float64(p.from))), o.before(min(pass+half, float64(p.to)))}
		if w.to-w.from < 5 {
			continue
		}
		misfit, all, good := o.cost(w)
		if !good || all >= least {
			continue
		}
		value, good := o.fitted(w)
		if !good {
			continue
		}
		least, ok = all, true
		best = level{value, misfit, all - misfit}
	}
	return best, ok
}

// mostFitted is about how many readings of a window are looked at for its cost.
const mostFitted = 250

// cost is the error of a fit over a window, squared, µm²: that of the noise-free
// curve alone, rounded to the steps of the readout where no noise blurs them, and with
// all noise.
func (o *oracle) cost(w window) (misfit, all float64, ok bool) {
	const phases = 4 // in which the steps may lie
	curve := func(ms float64) float64 { return at(o.clean, ms) }
	ref := float64(o.ref)
	zero := curve(w.at) + o.driftPerMS()*(ref-w.at)
	stride := 1 + (w.to-w.from)/mostFitted
	var m normal
	var right [phases][3]float64
	for i := w.from; i < w.to; i += stride {
		if o.tr.Bad[i] {
			continue
		}
		ms := o.ms(i)
		f := basis((ms - w.at) / w.half)
		m.add(f)
		x := curve(ms) + o.driftPerMS()*(ref-ms) - zero
		for k := range right {
			y := x
			if !o.dithered() {
				off := o.q * float64(k) / phases
				y = math.Round((x+off)/o.q)*o.q - off
			}
			for r := range f {
				right[k][r] += f[r] * y
			}
		}
	}
	row, ok := m.intercept()
	if !ok {
		return 0, 0, false
	}
	for _, r := range right {
		e := dot(row, r)
		misfit += e * e / phases
	}
	noise := o.noise * o.noise
	if o.dithered() {
		noise += o.q * o.q / 12
	}
	all = misfit + noise*row[0]/float64(stride)
	for _, u := range o.bursts {
		if u.to > w.at-w.half && u.from < w.at+w.half {
			all += 0.25 * u.amp * u.amp * min(1, 3*row[0])
		}
	}
	return misfit, all, true
}

// fitted is the value at the pass, by all sound readings of a window, µm.
func (o *oracle) fitted(w window) (value float64, ok bool) {
	var m normal
	var right [3]float64
	for i := w.from; i < w.to; i++ {
		if o.tr.Bad[i] {
			continue
		}
		ms, x := o.reading(i)
		f := basis((ms - w.at) / w.half)
		m.add(f)
		for r := range f {
			right[r] += f[r] * x
		}
	}
	row, ok := m.intercept()
	return dot(row, right), ok
}
