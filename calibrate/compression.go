package calibrate

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Feature is what the contacts touch.
type Feature string

// The features. Bore and Gap are internal, Cylinder and Block external.
const (
	Bore     Feature = "bore"
	Cylinder Feature = "cylinder"
	Gap      Feature = "gap"
	Block    Feature = "block"
)

// Internal is true for features measured from inside.
func (f Feature) Internal() bool { return f == Bore || f == Gap }

// EffectiveModulus returns E* with 1/E* = (1 − ν₁²)/E₁ + (1 − ν₂²)/E₂, in the unit
// of E₁ and E₂ (Hertz).
func EffectiveModulus(e1, nu1, e2, nu2 float64) float64 {
	return 1 / ((1-nu1*nu1)/e1 + (1-nu2*nu2)/e2)
}

// Contact is a Hertzian contact of a ball with the surface of a feature.
type Contact struct {
	// Approach is the distance δ by which distant points of the two bodies come
	// nearer, in millimetres. Major and Minor are the semi-axes of the area of
	// contact in millimetres, along and across the axis of a bore (for a cylinder
	// Minor lies along the axis).
	Approach, Major, Minor float64
	// PeakPressureMPa is the greatest pressure.
	PeakPressureMPa float64
}

// contactShape is the part of a contact that depends on the curvatures alone, so
// that force and moduli can vary at little cost: δ = approach·(F/E*)^(2/3),
// a = major·(F/E*)^(1/3), b = ratio·a, with F in N, E* in N/mm², lengths in mm.
type contactShape struct{ approach, major, ratio float64 }

// newContactShape solves the contact of a ball of radius r with a feature of
// diameter d (mm). Hertz's theory for elliptical contacts with relative
// curvatures A ≤ B, k = b/a ≤ 1 and m = 1 − k²:
//
//	B/A = (E(m)/k² − K(m)) / (K(m) − E(m))
//	a³  = 3 F E(m) / (2π E* k² (A + B))
//	δ   = 3 F K(m) / (2π E* a)
//
// K and E are the complete elliptic integrals of the parameter m. Bore:
// A = (1/r − 2/d)/2, B = (1/r)/2; cylinder: A = (1/r)/2, B = (1/r + 2/d)/2;
// faces: A = B = (1/r)/2.
func newContactShape(f Feature, r, d float64) contactShape {
	a, b := 0.5/r, 0.5/r
	switch f {
	case Bore:
		a = (1/r - 2/d) / 2
	case Cylinder:
		b = (1/r + 2/d) / 2
	}
	k := axisRatio(b / a)
	m := 1 - k*k
	ek, ee := mathext.CompleteK(m), mathext.CompleteE(m)
	major := math.Cbrt(3 * ee / (2 * math.Pi * k * k * (a + b)))
	return contactShape{approach: 3 * ek / (2 * math.Pi * major), major: major, ratio: k}
}

// axisRatio solves B/A = (E/k² − K)/(K − E) for k in (0, 1] by bisection; the
// right-hand side falls from infinity to 1 as k grows.
func axisRatio(ratio float64) float64 {
	if ratio <= 1 {
		return 1
	}
	g := func(k float64) float64 {
		m := 1 - k*k
		// K − E = m D(m) and E/k² − K = m B′ without cancellation near m = 0:
		// with K = B + D and E = K − mD, E − k²K = m(K − D) = m B.
		d, b := mathext.CompleteD(m), mathext.CompleteB(m)
		return b / (k * k * d)
	}
	lo, hi := 1e-6, 1.0
	for range 200 {
		mid := (lo + hi) / 2
		if mid == lo || mid == hi {
			break
		}
		if g(mid) > ratio {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// at returns the approach in mm for a force in N and E* in GPa.
func (s contactShape) at(forceN, moduleGPa float64) float64 {
	if forceN <= 0 {
		return 0
	}
	c := math.Cbrt(forceN / (moduleGPa * 1000))
	return s.approach * c * c
}

// HertzContact returns the contact of one ball of radius r with a feature of
// diameter d (mm; ignored for faces) under a force in N, with E* in GPa. The ball
// is smaller than the bore.
func HertzContact(f Feature, r, d, forceN, moduleGPa float64) Contact {
	s := newContactShape(f, r, d)
	c := Contact{Approach: s.at(forceN, moduleGPa)}
	if forceN > 0 {
		c.Major = s.major * math.Cbrt(forceN/(moduleGPa*1000))
		c.Minor = s.ratio * c.Major
		c.PeakPressureMPa = 3 * forceN / (2 * math.Pi * c.Major * c.Minor)
	}
	return c
}

// CompressionCorrection returns what the elastic contacts add to the reading of a
// diameter (mm) for an approach δ at each of two contacts: an internal reading
// comes out large by 2δ, an external one small.
func CompressionCorrection(f Feature, approach float64) float64 {
	if f.Internal() {
		return 2 * approach
	}
	return -2 * approach
}
