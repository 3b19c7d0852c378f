package calibrate

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// significance is the level of the tests of drift and of fit.
const significance = 0.05

// DriftObservation is one corrected reading of one artefact (a ring at a position).
type DriftObservation struct {
	Artefact string
	AtS      float64
	ValueMM  float64
	// UMM is the standard uncertainty of what is not common to all observations;
	// 0 in every observation means unknown.
	UMM float64
}

// DriftLevel is the level of one artefact at the mean time of all observations.
type DriftLevel struct {
	Artefact string  `json:"artefact"`
	ValueMM  float64 `json:"value_mm"`
	UMM      float64 `json:"u_mm"`
}

// DriftFit is the least-squares solution of a redundant design: every artefact has
// its level and all share one linear drift of the zero.
type DriftFit struct {
	Levels []DriftLevel `json:"levels"`
	// MeanAtS is the time to which the levels refer.
	MeanAtS     float64 `json:"mean_at_s"`
	RateMMPerS  float64 `json:"rate_mm_per_s"`
	RateUMMPerS float64 `json:"rate_u_mm_per_s"`
	// Dof are those of the residuals, ResidualSDMM their standard deviation.
	Dof          int     `json:"dof"`
	ResidualSDMM float64 `json:"residual_sd_mm"`
	// DriftT is rate over its standard deviation from the residuals and DriftP the
	// two-sided probability of one at least as large without drift (Student's t;
	// the F-test of the same question has F = t²). With no degree of freedom they
	// are 0 and 1.
	DriftT float64 `json:"drift_t"`
	DriftP float64 `json:"drift_p"`
	// FitP is the probability of residuals at least as large if the stated
	// uncertainties hold (χ²); 1 if they are not known.
	FitP float64 `json:"fit_p"`
	// DriftSignificant and LackOfFit are the verdicts at the 5 % level.
	DriftSignificant bool `json:"drift_significant"`
	LackOfFit        bool `json:"lack_of_fit"`

	lsq     LeastSquares
	columns map[string]int
}

// FitDrift solves value = level(artefact) + rate·(t − t̄) by weighted least
// squares. The observations must be more than the artefacts, and at least one
// artefact must have been measured at two times.
func FitDrift(obs []DriftObservation) (DriftFit, error) {
	fit := DriftFit{columns: map[string]int{}}
	var order []string
	known := true
	for _, o := range obs {
		if _, ok := fit.columns[o.Artefact]; !ok {
			fit.columns[o.Artefact] = len(order)
			order = append(order, o.Artefact)
		}
		fit.MeanAtS += o.AtS / float64(len(obs))
		known = known && o.UMM > 0
	}
	rate := len(order)
	if len(obs) < rate+1 {
		return DriftFit{}, fmt.Errorf("drift: %d observations of %d artefacts leave no observation for the drift: revisit one", len(obs), rate)
	}
	x := make([][]float64, len(obs))
	y := make([]float64, len(obs))
	var u []float64
	for i, o := range obs {
		x[i] = make([]float64, rate+1)
		x[i][fit.columns[o.Artefact]] = 1
		x[i][rate] = o.AtS - fit.MeanAtS
		y[i] = o.ValueMM
		if known {
			u = append(u, o.UMM)
		}
	}
	l, err := SolveLeastSquares(x, y, u)
	if err != nil {
		return DriftFit{}, fmt.Errorf("drift: %w", err)
	}
	fit.lsq = l
	for j, a := range order {
		fit.Levels = append(fit.Levels, DriftLevel{a, l.Coefficients[j], l.U[j]})
	}
	fit.RateMMPerS, fit.RateUMMPerS, fit.Dof = l.Coefficients[rate], l.U[rate], l.Dof
	fit.DriftP, fit.FitP = 1, l.ChiSquareP()
	if l.Dof > 0 {
		var sum float64
		for _, r := range l.Residuals {
			sum += r * r
		}
		fit.ResidualSDMM = math.Sqrt(sum / float64(l.Dof))
		if s := l.ResidualU(rate); s > 0 {
			fit.DriftT = fit.RateMMPerS / s
			fit.DriftP = 2 * distuv.StudentsT{Sigma: 1, Nu: float64(l.Dof)}.Survival(math.Abs(fit.DriftT))
		}
	}
	fit.DriftSignificant = fit.DriftP < significance
	fit.LackOfFit = fit.FitP < significance
	return fit, nil
}

// line returns the weights of the observations in level(artefact) + rate·(t − t̄).
func (f *DriftFit) line(artefact string, atS float64) []float64 {
	level := f.lsq.Operator[f.columns[artefact]]
	rate := f.lsq.Operator[len(f.Levels)]
	w := make([]float64, len(level))
	for i := range w {
		w[i] = level[i] + rate[i]*(atS-f.MeanAtS)
	}
	return w
}

// refWeight is the weight of a capture in the reference of a work capture.
type refWeight struct {
	capture int
	weight  float64
}

// bracket says how the zero between the visits to the master is found.
type bracket struct {
	opening, closing []int // indices of captures, in time order
	// difference is closing minus opening at 20 °C, NaN without closing.
	difference float64
	// wander is the largest difference between neighbouring visits.
	wander float64
	fit    *DriftFit // redundant sets only
	line   bool      // the fit is the reference
}

// referenceOf finds the reference of a compiled set.
//
// A plain set has one visit to the master at each end; the reference at the time
// of a work capture is the straight line between the mean opening and the mean
// closing reading. With visits in between (role "reference") the line is that of
// the weighted least-squares solution of all captures. Without closing it is the
// mean opening.
func (c *compiledSet) referenceOf() (bracket, error) {
	ref := bracket{difference: math.NaN()}
	var visits [][]int
	onMaster := false
	for _, i := range c.order {
		cp := &c.in.Captures[i]
		switch cp.Role {
		case RoleOpening:
			ref.opening = append(ref.opening, i)
		case RoleClosing:
			ref.closing = append(ref.closing, i)
		case RoleWork:
			onMaster = false
			continue
		}
		if !onMaster {
			visits = append(visits, nil)
			onMaster = true
		}
		visits[len(visits)-1] = append(visits[len(visits)-1], i)
	}
	mean := func(is []int) float64 {
		var s float64
		for _, i := range is {
			s += c.corrected[i]
		}
		return s / float64(len(is))
	}
	if len(ref.closing) > 0 {
		ref.difference = mean(ref.closing) - mean(ref.opening)
		ref.wander = math.Abs(ref.difference)
	}
	if len(visits) > 2 && len(ref.closing) > 0 {
		ref.wander = 0
		for v := 1; v < len(visits); v++ {
			ref.wander = math.Max(ref.wander, math.Abs(mean(visits[v])-mean(visits[v-1])))
		}
		ref.line = true
	}
	var obs []DriftObservation
	artefacts := map[string]bool{}
	for _, i := range c.order {
		o := DriftObservation{
			Artefact: c.artefact(i), AtS: c.in.Captures[i].AtS,
			ValueMM: c.corrected[i], UMM: c.ownU(i),
		}
		artefacts[o.Artefact] = true
		obs = append(obs, o)
	}
	if len(ref.closing) > 0 && len(obs) > len(artefacts)+1 {
		fit, err := FitDrift(obs)
		if err != nil {
			return bracket{}, err
		}
		ref.fit = &fit
	}
	return ref, nil
}

// weights returns the weights of the captures in the reference for the work
// capture at index k. Over the master they add up to 1, over any work position to 0.
func (c *compiledSet) weights(ref bracket, k int) []refWeight {
	var out []refWeight
	group := func(is []int, w float64) {
		for _, i := range is {
			out = append(out, refWeight{i, w / float64(len(is))})
		}
	}
	at := c.in.Captures[k].AtS
	switch {
	case ref.line:
		for j, w := range ref.fit.line(c.master.ring.ID, at) {
			out = append(out, refWeight{c.order[j], w})
		}
	case len(ref.closing) == 0:
		group(ref.opening, 1)
	default:
		t0, t1 := c.meanTime(ref.opening), c.meanTime(ref.closing)
		f := (at - t0) / (t1 - t0)
		group(ref.opening, 1-f)
		if f != 0 {
			group(ref.closing, f)
		}
	}
	return out
}

func (c *compiledSet) meanTime(is []int) float64 {
	var s float64
	for _, i := range is {
		s += c.in.Captures[i].AtS
	}
	return s / float64(len(is))
}
