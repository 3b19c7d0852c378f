package calibrate

import (
	"encoding/json"
	"math"
)

// Names of the distributions in a file.
const (
	distRectangular = "rectangular"
	distTriangular  = "triangular"
	distNormal      = "normal"
)

// halfWidthFactor is the coverage factor taken for the half width of a normal
// quantity: an expanded uncertainty with k = 2, as certificates state it.
const halfWidthFactor = 2

// StandardUncertainty returns u: U itself, or a/√3, a/√6 or a/2 for a half width a
// (JCGM 100, 4.3.7, 4.3.9 and 4.3.3).
func (q Quantity) StandardUncertainty() float64 {
	switch q.Distribution {
	case distRectangular:
		return q.HalfWidth / math.Sqrt(3)
	case distTriangular:
		return q.HalfWidth / math.Sqrt(6)
	case distNormal:
		if q.HalfWidth > 0 {
			return q.HalfWidth / halfWidthFactor
		}
	}
	return q.U
}

// MarshalJSON writes the form that the quantity has, a zero uncertainty included.
func (q Quantity) MarshalJSON() ([]byte, error) {
	if q.Distribution != "" && (q.HalfWidth != 0 || q.U == 0) {
		return json.Marshal(struct {
			Value        float64 `json:"value"`
			HalfWidth    float64 `json:"half_width"`
			Distribution string  `json:"distribution"`
		}{q.Value, q.HalfWidth, q.Distribution})
	}
	return json.Marshal(struct {
		Value float64 `json:"value"`
		U     float64 `json:"u"`
		Dof   float64 `json:"dof,omitempty"`
	}{q.Value, q.U, q.Dof})
}

// input makes the quantity an input quantity of a model.
func (q Quantity) input(id, term, symbol, name, unit, kind string) Input {
	in := Input{
		ID: id, Term: term, Symbol: symbol, Name: name, Unit: unit, Kind: kind,
		Value: q.Value, U: q.StandardUncertainty(), Dof: q.Dof, HalfWidth: q.HalfWidth,
	}
	switch q.Distribution {
	case distRectangular:
		in.Dist = Rectangular
	case distTriangular:
		in.Dist = Triangular
	}
	return in
}

// scaled returns the quantity in another unit.
func (q Quantity) scaled(factor float64) Quantity {
	q.Value *= factor
	q.U *= factor
	q.HalfWidth *= factor
	return q
}

// orZero returns the quantity, or zero without uncertainty if it is not given.
func orZero(q *Quantity) Quantity {
	if q == nil {
		return Quantity{}
	}
	return *q
}
