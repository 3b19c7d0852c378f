package calibrate

import "math"

// Alignment is how a captured reading may lie off the diameter.
type Alignment struct {
	// CrossMM is the distance of the middle of the contacts from the axis of a
	// bore or cylinder (no effect between parallel faces).
	CrossMM float64
	// TiltRad is the angle from the tilt minimum; SwivelRad (parallel faces only)
	// the angle from the swivel minimum.
	TiltRad, SwivelRad float64
	// SidewaysMM and HeightMM are the offsets of one ball from the other.
	SidewaysMM, HeightMM float64
}

// alignmentShape holds what AlignmentError needs of feature and contacts.
type alignmentShape struct {
	rho   float64 // half the distance of the ball centres on the diameter, mm
	faces bool
}

// newAlignmentShape takes the diameter d and the radius r of the balls (mm).
func newAlignmentShape(f Feature, r, d float64) alignmentShape {
	s := alignmentShape{rho: d/2 - r, faces: f == Gap || f == Block}
	if !f.Internal() {
		s.rho = d/2 + r
	}
	return s
}

// AlignmentError returns reading minus diameter (mm) of a feature of diameter d
// touched by balls of radius r. The geometry is exact, save for the product of swivel
// and ball offset between parallel faces.
//
// With ρ = d/2 ∓ r (internal −, external +), cross offset y, offset e sideways and
// h in height between the balls, the centres of the balls lie
//
//	P = √(ρ² − (y + e/2)²) + √(ρ² − (y − e/2)²)
//
// apart across the axis (between parallel faces P = √(4ρ² − e²), the offset turned
// out by the swivel minimum). Tilting by φ makes their distance along the
// measuring line x(φ) = (P − h sin φ)/cos φ with its minimum √(P² − h²) at
// sin φ₀ = h/P; the tilt τ counts from there, x = x(φ₀ + τ). The swivel of
// parallel faces divides by its cosine. The error is x − 2ρ.
func AlignmentError(f Feature, r, d float64, a Alignment) float64 {
	return newAlignmentShape(f, r, d).err(a)
}

func (s alignmentShape) err(a Alignment) float64 {
	r2 := s.rho * s.rho
	var p float64
	e := a.SidewaysMM / 2
	switch {
	case s.faces:
		p = 2 * math.Sqrt(r2-e*e)
	default:
		y1, y2 := a.CrossMM+e, a.CrossMM-e
		p = math.Sqrt(r2-y1*y1) + math.Sqrt(r2-y2*y2)
	}
	q := a.HeightMM / p // sin φ₀
	c := math.Sqrt(1 - q*q)
	if a.TiltRad == 0 {
		p *= c
	} else {
		sin, cos := math.Sincos(a.TiltRad)
		p *= (1 - q*(q*cos+c*sin)) / (c*cos - q*sin)
	}
	if s.faces && a.SwivelRad != 0 {
		p /= math.Cos(a.SwivelRad)
	}
	return p - 2*s.rho
}
