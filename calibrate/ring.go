package calibrate

// RingKind says what an artefact is for.
type RingKind string

// The kinds of ring.
const (
	Master RingKind = "master"
	Work   RingKind = "work"
)

// Ring is an artefact in the register. It is a fact about a piece of metal; what
// was measured on it is elsewhere.
type Ring struct {
	// ID is a UUIDv7.
	ID string `json:"id"`
	// Ident is what is engraved on the ring and what the technician confirms,
	// unique in the register.
	Ident string   `json:"ident"`
	Kind  RingKind `json:"kind"`
	// Nominal is the nominal diameter.
	Nominal Length `json:"nominal_pm"`
	// Material is the id of a material of the register ("steel").
	Material string `json:"material"`
	// Owner is free text for the certificate ("customer, department").
	Owner string `json:"owner"`
	// LowerLimit and UpperLimit are the tolerance as deviations from Nominal;
	// both zero means that no tolerance is known.
	LowerLimit Length `json:"lower_limit_pm"`
	UpperLimit Length `json:"upper_limit_pm"`
	// Certificate is what a master stands on; nil for a work ring.
	Certificate *MasterCertificate `json:"certificate,omitempty"`
}

// MasterCertificate is the last calibration of a master ring, at its certified
// height and in its marked direction.
type MasterCertificate struct {
	// Number is the certificate's own number.
	Number string `json:"number"`
	// Diameter at 20 °C, with expanded uncertainty and its coverage factor in
	// thousandths (2000 means k = 2).
	Diameter           Length `json:"diameter_pm"`
	Expanded           Length `json:"expanded_uncertainty_pm"`
	CoverageFactorMill int64  `json:"coverage_factor_milli"`
	// DriftHalfWidth bounds the change of the diameter since the calibration
	// (triangular distribution about zero).
	DriftHalfWidth Length `json:"drift_half_width_pm"`
	// Height from the datum face and Direction from the mark of the certified
	// diameter.
	Height    Length `json:"height_pm"`
	Direction int64  `json:"direction_mdeg"`
	// CalibratedOn and DueOn are calendar days, "2026-01-31".
	CalibratedOn string `json:"calibrated_on"`
	DueOn        string `json:"due_on"`
}
