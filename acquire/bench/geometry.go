package bench

import (
	"fmt"
	"math"
)

// Shape names what is measured between the two ball contacts. It decides which
// two adjustments matter and which extremum each of them seeks.
type Shape string

// The shapes. The first adjustment is an angle except on the sphere.
const (
	Bore     Shape = "bore"     // ring: tilt minimum, cross maximum
	Cylinder Shape = "cylinder" // plug, outside: tilt minimum, cross maximum
	Faces    Shape = "faces"    // parallel inner faces (gap): tilt minimum, swivel minimum
	Block    Shape = "block"    // parallel outer faces: tilt minimum, swivel minimum
	Sphere   Shape = "sphere"   // ball, outside: height maximum, cross maximum
)

// Names of the adjustments.
const (
	Tilt   = "tilt"
	Cross  = "cross"
	Swivel = "swivel"
	Height = "height"
)

// Adjustments returns the names of the two adjustments of the shape and whether
// the length is a maximum over each.
func (s Shape) Adjustments() (names [2]string, maximum [2]bool, err error) {
	switch s {
	case Bore, Cylinder:
		return [2]string{Tilt, Cross}, [2]bool{false, true}, nil
	case Faces, Block:
		return [2]string{Tilt, Swivel}, [2]bool{false, false}, nil
	case Sphere:
		return [2]string{Height, Cross}, [2]bool{true, true}, nil
	}
	return names, maximum, fmt.Errorf("shape %q: permitted bore, cylinder, faces, block, sphere", s)
}

// Geometry is a part between two ball contacts of equal radius. All lengths are
// in millimetres, all angles in radians.
type Geometry struct {
	Shape Shape
	// SizeMM is the diameter of a bore, cylinder or sphere, the distance of faces.
	SizeMM float64
	// BallMM is the radius of each contact.
	BallMM float64
	// SidewaysMM and HeightMM are the offsets of one ball against the other
	// across the measuring line: in the direction of the cross slide and in the
	// direction of the part's axis.
	SidewaysMM, HeightMM float64
}

// rho is the distance of a ball's centre from the axis or centre of the part
// (half the distance between the ball centres for faces).
func (g Geometry) rho() float64 {
	if g.inside() {
		return g.SizeMM/2 - g.BallMM
	}
	return g.SizeMM/2 + g.BallMM
}

func (g Geometry) inside() bool { return g.Shape == Bore || g.Shape == Faces }

// ball is what the two ball radii add to the distance of their centres.
func (g Geometry) ball() float64 {
	if g.inside() {
		return 2 * g.BallMM
	}
	return -2 * g.BallMM
}

// Length returns the distance between the outermost (inside parts) or innermost
// (outside parts) points of the two contacts along the measuring line, for the
// first adjustment a and the second adjustment b, both measured from the
// position in which a single perfectly aligned pair of contacts would stand on
// the diameter. It is exact:
//
// Bore and cylinder, tilt a and cross b, ball centres offset by e sideways and h
// in height, ρ = R − r (bore) or R + r (cylinder). A centre must be ρ from the
// axis, whose direction is (sin a, 0, cos a):
//
//	L = [√(ρ² − (b + e/2)²) + √(ρ² − (b − e/2)²)] / cos a + h·tan a ± 2r
//
// Faces with normal (cos a·cos b, sin b, sin a·cos b), centres 2ρ apart along
// the normal:
//
//	L = (2ρ − e·sin b − h·sin a·cos b) / (cos a·cos b) ± 2r
//
// Sphere, height a and cross b:
//
//	L = √(ρ² − (b + e/2)² − (a + h/2)²) + √(ρ² − (b − e/2)² − (a − h/2)²) − 2r
//
// Where the square root has no real value the ball has left the part; Length
// then returns NaN.
func (g Geometry) Length(a, b float64) float64 {
	p := g.prepare()
	return p.length(a, b)
}

// prepared holds what Length needs at every reading.
type prepared struct {
	shape            Shape
	rho, rho2        float64
	ball             float64
	e2, h2           float64 // half offsets
	sideways, h      float64
	aligned          bool
	a0, b0, atSaddle float64 // position of the saddle and length there
}

func (g Geometry) prepare() prepared {
	p := prepared{
		shape: g.Shape, rho: g.rho(), ball: g.ball(),
		e2: g.SidewaysMM / 2, h2: g.HeightMM / 2, sideways: g.SidewaysMM, h: g.HeightMM,
	}
	p.rho2 = p.rho * p.rho
	p.aligned = g.SidewaysMM == 0
	p.a0, p.b0, p.atSaddle = g.Saddle()
	return p
}

func (p *prepared) length(a, b float64) float64 {
	switch p.shape {
	case Bore, Cylinder:
		var roots float64
		if p.aligned {
			roots = 2 * math.Sqrt(p.rho2-b*b)
		} else {
			u, v := b+p.e2, b-p.e2
			roots = math.Sqrt(p.rho2-u*u) + math.Sqrt(p.rho2-v*v)
		}
		c := math.Cos(a)
		l := roots / c
		if p.h != 0 {
			l += p.h * math.Tan(a)
		}
		return l + p.ball
	case Sphere:
		u, v := b+p.e2, b-p.e2
		s, w := a+p.h2, a-p.h2
		return math.Sqrt(p.rho2-u*u-s*s) + math.Sqrt(p.rho2-v*v-w*w) + p.ball
	default:
		cb := math.Cos(b)
		return (2*p.rho-p.sideways*math.Sin(b)-p.h*math.Sin(a)*cb)/(math.Cos(a)*cb) + p.ball
	}
}

// Saddle returns the position at which both adjustments stand at their extremum
// and the length there. With e and h the offsets of the balls,
//
//	bore, cylinder   √(4ρ² − e² − h²) ± 2r   at sin a = −h/√(4ρ² − e²)
//	faces, block     √(4ρ² − e² − h²) ± 2r   at sin b = e/2ρ, tan a = h/√(4ρ² − e² − h²)
//	sphere           √(4ρ² − e² − h²) − 2r   at a = b = 0
//
// so that misaligned balls read −(e² + h²)/(4ρ) too small in every case, to
// second order.
func (g Geometry) Saddle() (a, b, lengthMM float64) {
	rho := g.rho()
	e, h := g.SidewaysMM, g.HeightMM
	core := math.Sqrt(4*rho*rho - e*e - h*h)
	switch g.Shape {
	case Bore, Cylinder:
		a = -math.Asin(h / math.Sqrt(4*rho*rho-e*e))
	case Faces, Block:
		b = math.Asin(e / (2 * rho))
		a = math.Atan(h / core)
	}
	return a, b, core + g.ball()
}

// angular reports whether adjustment i (0 or 1) is an angle.
func (p *prepared) angular(i int) bool {
	switch p.shape {
	case Bore, Cylinder:
		return i == 0
	case Sphere:
		return false
	}
	return true
}

// wide is a large offset of adjustment i: 15 mrad, or 0.5 mm but no more than
// half way to the edge.
func (p *prepared) wide(i int) float64 {
	if p.angular(i) {
		return 0.015
	}
	return math.Min(0.5, p.rho/2)
}

// offsetFor returns how far adjustment i must be from its extremum for the
// length to differ from the extremum by rise millimetres (rise ≥ 0). It is the
// aligned pair's value, within parts in a thousand for the rises of a hand.
func (p *prepared) offsetFor(i int, rise float64) float64 {
	if p.angular(i) {
		// 2ρ(1/cos θ − 1) = rise
		return math.Acos(2 * p.rho / (2*p.rho + rise))
	}
	// 2ρ − 2√(ρ² − y²) = rise
	half := rise / 2
	return math.Sqrt(half * (2*p.rho - half))
}

// riseAt returns the difference of the length from its extremum over adjustment
// i, for adjustment i standing off its extremum by d and the other one at its
// extremum; always ≥ 0 and in millimetres.
func (p *prepared) riseAt(i int, d float64) float64 {
	if p.angular(i) {
		return 2 * p.rho * (1/math.Cos(d) - 1)
	}
	return 2 * (p.rho - math.Sqrt(p.rho2-d*d))
}

// BoreLength is the general form for a bore of radius boreMM and balls of radius
// ballMM in line: cross offset yMM, tilt theta about the transverse axis and
// rotation phi of the bore about the measuring line (both rad). The bore axis
// runs through (0, y, 0) along (sin θ, cos θ·sin φ, cos θ·cos φ). With s = sin θ,
// q = cos θ·sin φ, ρ = R − r the ball centres lie at the two roots x of
//
//	(1 − s²)x² + 2·s·q·y·x + y²(1 − q²) − ρ² = 0
//
// and the length is the difference of the roots + 2r.
func BoreLength(boreMM, ballMM, yMM, theta, phi float64) float64 {
	rho := boreMM - ballMM
	s := math.Sin(theta)
	q := math.Cos(theta) * math.Sin(phi)
	k := 1 - s*s
	disc := s*s*q*q*yMM*yMM - k*(yMM*yMM*(1-q*q)-rho*rho)
	return 2*math.Sqrt(disc)/k + 2*ballMM
}
