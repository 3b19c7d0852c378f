package calibrate

// Status says what a set's reference allows.
type Status string

// The statuses.
const (
	// Accepted: closed, and the closing difference is within its limit.
	Accepted Status = "accepted"
	// Provisional: there is no closing reference.
	Provisional Status = "provisional"
	// NotAccepted: the closing difference is beyond its limit.
	NotAccepted Status = "not_accepted"
)

// Method says how uncertainty is worked out.
type Method string

// The methods.
const (
	// MethodGUM is the law of propagation of uncertainty (JCGM 100) with the
	// second-order terms.
	MethodGUM Method = "gum"
	// MethodMC is the propagation of distributions (JCGM 101).
	MethodMC Method = "mc"
	// MethodBoth gives the first, validated against the second (JCGM 101
	// clause 8).
	MethodBoth Method = "both"
)

// Options are choices of an evaluation that are not facts of the set.
type Options struct {
	// Method is MethodGUM if empty.
	Method Method
	// MaxTrials bounds the Monte Carlo method; 0 stands for 1 000 000.
	MaxTrials int
	// ForEach runs run(first) … run(first+n−1), in any order or at once, and
	// returns when all are done. Nil means one after the other. The outcome does
	// not depend on it: chunks are merged in their order.
	ForEach func(first, n int, run func(chunk int))
}

// Outcome is what a set yielded. Its JSON is unrounded; an infinite number of
// degrees of freedom is null.
type Outcome struct {
	Status Status `json:"status"`
	// ClosingDifferenceMM is closing minus opening, both corrected to 20 °C; nil
	// without closing reference.
	ClosingDifferenceMM *float64 `json:"closing_difference_mm"`
	Results             []Result `json:"results"`
	// Rings sums up what the positions of each work ring say together.
	Rings []RingSummary `json:"rings"`
	// Drift is the least-squares solution of a redundant set.
	Drift *DriftFit `json:"drift,omitempty"`
	// Reservations are plain sentences that belong beside every result.
	Reservations []string `json:"reservations"`
}

// Result is the diameter found by one capture on a work ring.
type Result struct {
	Capture string `json:"capture"`
	// DiameterMM is at 20 °C; UMM its combined standard uncertainty.
	DiameterMM float64 `json:"diameter_20c_mm"`
	UMM        float64 `json:"u_mm"`
	// Dof is the effective number of degrees of freedom, nil if infinite.
	Dof            *float64 `json:"dof"`
	CoverageFactor float64  `json:"coverage_factor"`
	ExpandedMM     float64  `json:"expanded_uncertainty_mm"`
	// Decision is the verdict in plain words.
	Decision string `json:"decision"`
	Terms    []Term `json:"terms"`
	// Ring and Position repeat where the capture was taken.
	Ring     string       `json:"ring"`
	Position *SetPosition `json:"position,omitempty"`
	// Verdict is the decision in figures; nil without tolerance.
	Verdict *Verdict `json:"verdict,omitempty"`
	// FloorApplied is true if ExpandedMM is the laboratory's floor because the
	// computed value, ComputedExpandedMM, is smaller.
	FloorApplied       bool    `json:"floor_applied"`
	ComputedExpandedMM float64 `json:"computed_expanded_uncertainty_mm"`
	// MonteCarlo is present with the methods mc and both.
	MonteCarlo *MonteCarloReport `json:"monte_carlo,omitempty"`
}

// Term is one line of a budget. Value is in millimetres and the values of all
// terms add up to the diameter. U times Sensitivity is Contribution; the squares
// of the contributions add up to the square of the combined standard uncertainty.
type Term struct {
	ID           string   `json:"id"`
	Value        float64  `json:"value"`
	U            float64  `json:"u"`
	Dof          *float64 `json:"dof"`
	Sensitivity  float64  `json:"sensitivity"`
	Contribution float64  `json:"contribution_mm"`
	// Symbol and Name say what the term is; Kind is "A" or "B" (JCGM 100, 0.7);
	// Share is the part of the variance, 0 to 1.
	Symbol       string  `json:"symbol"`
	Name         string  `json:"name"`
	Kind         string  `json:"kind"`
	Distribution string  `json:"distribution"`
	Share        float64 `json:"share"`
	// Inputs are the quantities behind the term.
	Inputs []TermInput `json:"inputs"`
}

// TermInput is one input quantity of a term, in its own unit, or (SecondOrder) a
// product of two that first-order propagation would drop.
type TermInput struct {
	Symbol       string   `json:"symbol"`
	Name         string   `json:"name"`
	Unit         string   `json:"unit"`
	Value        float64  `json:"value"`
	U            float64  `json:"u"`
	Dof          *float64 `json:"dof"`
	Kind         string   `json:"kind"`
	Distribution string   `json:"distribution"`
	// Sensitivity is in millimetres per Unit.
	Sensitivity  float64 `json:"sensitivity"`
	Contribution float64 `json:"contribution_mm"`
	SecondOrder  bool    `json:"second_order,omitempty"`
}
