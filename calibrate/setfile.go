package calibrate

// SetFormat is the value of SetFile.Format.
const SetFormat = "ringsaddle-set/1"

// SetFile is everything one evaluation stands on: rings, materials, instrument,
// contacts, repeatability and captures. It is the offline form of a set and at
// the same time the only input of Evaluate, so a set from the database and a set
// from a file go through one engine.
//
// Every Quantity object is one random variable. What two captures share they
// share by naming the same object: the force of the contacts and the offsets of
// the balls act on every capture alike, and two rings that name one material have
// the same coefficient of expansion and the same modulus, error included. Give
// each ring an entry of its own where the pieces come from different melts (see
// Material.ForPiece).
//
// Keys are lower case with the unit at the end. Lengths are millimetres.
type SetFile struct {
	Format string `json:"format" set:"required"`
	// Probability is the coverage probability of the expanded uncertainty; 0
	// stands for 0.95. Permitted: 0.5 to 0.9999.
	Probability float64 `json:"probability,omitempty"`
	// Seed starts the random numbers of the Monte Carlo method.
	Seed       uint64        `json:"seed,omitempty"`
	Rings      []SetRing     `json:"rings" set:"required"`
	Materials  []SetMaterial `json:"materials,omitempty"`
	Instrument SetInstrument `json:"instrument" set:"required"`
	Contacts   SetContacts   `json:"contacts" set:"required"`
	// Repeatability is the pooled standard deviation of one entry.
	Repeatability *SetRepeatability `json:"repeatability,omitempty"`
	// CommonTemperatureOffsetK is added to every temperature of every capture,
	// of the rings and of the scale: the error that all sensors have in common.
	CommonTemperatureOffsetK *Quantity    `json:"common_temperature_offset_k,omitempty"`
	Captures                 []SetCapture `json:"captures" set:"required"`
	// ClosingLimitMM is the largest permitted |closing − opening| at 20 °C; 0
	// stands for 0.0002 mm (common practice, no source).
	ClosingLimitMM float64      `json:"closing_limit_mm,omitempty"`
	Decision       *SetDecision `json:"decision,omitempty"`
	// LaboratoryFloor is the smallest expanded uncertainty that the laboratory
	// may state, a + b·D.
	LaboratoryFloor *LinearLength `json:"laboratory_floor,omitempty"`
	// Corrections are further corrections of the difference between work and
	// master (an Abbe error, for instance), added to the diameter of every work
	// ring.
	Corrections []SetCorrection `json:"corrections,omitempty"`
}

// Quantity is an estimate with its standard uncertainty, either U with degrees of
// freedom Dof (0 stands for infinitely many; a Student or normal distribution), or
// a HalfWidth with a Distribution: "rectangular" (u = a/√3), "triangular"
// (u = a/√6) or "normal", where the half width is the expanded uncertainty at
// k = 2 (u = a/2).
type Quantity struct {
	Value        float64 `json:"value" set:"required"`
	U            float64 `json:"u,omitempty"`
	Dof          float64 `json:"dof,omitempty"`
	HalfWidth    float64 `json:"half_width,omitempty"`
	Distribution string  `json:"distribution,omitempty"`
}

// LinearLength is a length that grows with the length measured: Constant + PerMM·L.
type LinearLength struct {
	ConstantMM float64 `json:"constant_mm" set:"required"`
	PerMM      float64 `json:"per_mm,omitempty"`
}

// At returns the value for the length l in millimetres.
func (l LinearLength) At(mm float64) float64 { return l.ConstantMM + l.PerMM*mm }

// SetRing is an artefact of the set. Exactly one has the role "master".
type SetRing struct {
	ID   string `json:"id" set:"required"`
	Role string `json:"role" set:"required"`
	// Feature is what the contacts touch: "bore" (the default), "cylinder" (an
	// external diameter), "gap" (parallel faces from inside) or "block" (parallel
	// faces from outside). The features of master and work are both internal or
	// both external.
	Feature   string  `json:"feature,omitempty"`
	NominalMM float64 `json:"nominal_mm" set:"required"`
	Material  string  `json:"material" set:"required"`
	// Certificate is required for the master.
	Certificate *SetCertificate `json:"certificate,omitempty"`
	// DriftMM is the change of the master since its calibration.
	DriftMM *Quantity `json:"drift_mm,omitempty"`
	// ToleranceMM holds the lower and upper limit as deviations from NominalMM.
	ToleranceMM []float64 `json:"tolerance_mm,omitempty"`
	// Gauge gives the tolerance by gagemaker class instead of ToleranceMM.
	Gauge *SetGauge `json:"gauge,omitempty"`
	// FormMM is the error made because the ring is not round and straight at the
	// place of the capture, as far as it is known.
	FormMM *Quantity `json:"form_mm,omitempty"`
}

// SetCertificate is what a master stands on: diameter at 20 °C, expanded
// uncertainty and its coverage factor.
type SetCertificate struct {
	DiameterMM     float64 `json:"diameter_20c_mm" set:"required"`
	ExpandedMM     float64 `json:"expanded_uncertainty_mm" set:"required"`
	CoverageFactor float64 `json:"coverage_factor"`
}

// SetGauge names a gagemaker class ("XXX" to "ZZ") and how its tolerance lies:
// "master" (half on each side), "go" (minus for a ring) or "nogo" (plus).
type SetGauge struct {
	Class string `json:"class" set:"required"`
	Use   string `json:"use" set:"required"`
}

// SetMaterial holds the constants of a material. A material of the built-in
// register (see Materials) need not be repeated; an entry here takes precedence.
type SetMaterial struct {
	ID              string    `json:"id" set:"required"`
	ExpansionPerK   *Quantity `json:"expansion_per_k,omitempty"`
	YoungModulusGPa *Quantity `json:"young_modulus_gpa,omitempty"`
	PoissonRatio    *Quantity `json:"poisson_ratio,omitempty"`
}

// SetInstrument describes the bench. The error of the scale over the distance
// between master and work is given as ScaleErrorMM (indication minus truth), or as
// the maximum permissible error ScaleMPE, or as a calibrated table ScaleErrors.
type SetInstrument struct {
	// RangeMM is the verified range of diameters.
	RangeMM      []float64 `json:"range_mm" set:"required"`
	ScaleErrorMM *Quantity `json:"scale_error_mm,omitempty"`
	// ScaleMPE bounds the error over a distance L (rectangular).
	ScaleMPE *LinearLength `json:"scale_mpe,omitempty"`
	// ScaleErrors are calibrated errors at diameters, in ascending order;
	// between them the error is interpolated.
	ScaleErrors   []SetScaleError `json:"scale_errors,omitempty"`
	ScaleMaterial string          `json:"scale_material" set:"required"`
	ResolutionMM  float64         `json:"resolution_mm,omitempty"`
	// ReadingSign is +1 if the reading grows with the diameter, else −1; 0
	// stands for +1.
	ReadingSign int `json:"reading_sign,omitempty"`
}

// SetScaleError is one row of the table of the instrument's errors.
type SetScaleError struct {
	AtMM    float64  `json:"at_mm" set:"required"`
	ErrorMM Quantity `json:"error_mm" set:"required"`
}

// SetContacts describes the two contacts.
type SetContacts struct {
	// Shape is "ball".
	Shape    string   `json:"shape" set:"required"`
	RadiusMM float64  `json:"radius_mm" set:"required"`
	Material string   `json:"material" set:"required"`
	ForceN   Quantity `json:"force_n" set:"required"`
	// Offsets of one ball from the other, across (sideways) and in height.
	OffsetSidewaysMM *Quantity `json:"offset_sideways_mm,omitempty"`
	OffsetHeightMM   *Quantity `json:"offset_height_mm,omitempty"`
}

// SetRepeatability is the pooled standard deviation of one entry (placing the
// ring and playing the adjustments anew) with its degrees of freedom (0 stands for
// infinitely many).
type SetRepeatability struct {
	SMM float64 `json:"s_mm" set:"required"`
	Dof float64 `json:"dof,omitempty"`
}

// Roles of a capture. A set opens and closes on the master and may revisit it in
// between.
const (
	RoleOpening   = "opening"
	RoleWork      = "work"
	RoleReference = "reference"
	RoleClosing   = "closing"
)

// SetCapture is one entry: the reading at the saddle and the conditions.
type SetCapture struct {
	ID string `json:"id" set:"required"`
	// Ring is the id of the ring; Role is one of the roles above.
	Ring     string       `json:"ring" set:"required"`
	Role     string       `json:"role" set:"required"`
	Position *SetPosition `json:"position,omitempty"`
	AtS      float64      `json:"at_s" set:"required"`
	// ReadingMM is the reading at the saddle, residuals of the adjustments taken
	// out; UMM its standard uncertainty from the trace alone.
	ReadingMM float64 `json:"reading_mm" set:"required"`
	UMM       float64 `json:"u_mm" set:"required"`
	// RingCelsius and ScaleCelsius are the temperatures of the ring and of the
	// scale, before the common offset.
	RingCelsius  Quantity `json:"ring_celsius" set:"required"`
	ScaleCelsius Quantity `json:"scale_celsius" set:"required"`
	// CrossOffsetMM is the distance of the contact line from the axis of the bore
	// that remains in ReadingMM, TiltMrad the angle from square, SwivelMrad
	// (parallel faces) the other angle.
	CrossOffsetMM *Quantity `json:"cross_offset_mm,omitempty"`
	TiltMrad      *Quantity `json:"tilt_mrad,omitempty"`
	SwivelMrad    *Quantity `json:"swivel_mrad,omitempty"`
}

// SetPosition is where on the ring a diameter was measured: declared by the
// person, not measured.
type SetPosition struct {
	HeightMM     float64 `json:"height_mm"`
	DirectionDeg float64 `json:"direction_deg"`
}

// SetDecision is the agreed decision rule (see Rule).
type SetDecision struct {
	Rule string `json:"rule" set:"required"`
	// R is the guard band as a multiple of the expanded uncertainty.
	R float64 `json:"r"`
	// Probability is the smallest conformance probability for acceptance.
	Probability float64 `json:"probability,omitempty"`
}

// SetCorrection is a further correction in millimetres, listed under one of the
// term ids.
type SetCorrection struct {
	Term         string   `json:"term" set:"required"`
	Name         string   `json:"name" set:"required"`
	CorrectionMM Quantity `json:"correction_mm" set:"required"`
}
