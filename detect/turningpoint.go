package detect

import "fmt"

// Adjustment names what the hand turns.
type Adjustment string

// The adjustments of the tasks this package knows (see Seek).
const (
	Tilt   Adjustment = "tilt"
	Cross  Adjustment = "cross"
	Swivel Adjustment = "swivel"
	Height Adjustment = "height"
)

// Sense says which extremum of the reading an adjustment seeks.
type Sense int8

// The two senses. A station whose reading counts down with growing diameter
// swaps them.
const (
	Minimum Sense = -1
	Maximum Sense = +1
)

// String returns "min" or "max", as in the --seek option.
func (s Sense) String() string {
	if s == Minimum {
		return "min"
	}
	return "max"
}

// Seek is one adjustment and the extremum it seeks.
type Seek struct {
	Adjustment Adjustment
	Sense      Sense
}

// String returns for example "tilt=min".
func (s Seek) String() string { return fmt.Sprintf("%s=%s", s.Adjustment, s.Sense) }

// BoreSeeks returns what an internal diameter between ball contacts asks for:
// a minimum over tilt and a maximum over cross travel.
func BoreSeeks() [2]Seek { return [2]Seek{{Tilt, Minimum}, {Cross, Maximum}} }

// TurningPoint is a true extremum of the reading over one adjustment.
type TurningPoint struct {
	Adjustment Adjustment
	Sense      Sense
	// At is the station clock (ns) to which Value is referred.
	At int64
	// Value is the estimate of the noise-free extremum in counts above the
	// entry's Origin; U is its standard uncertainty in counts, from the trace
	// alone.
	Value, U float64
	// Crossings is the number of passes over the extremum that the estimate
	// stands on.
	Crossings int
	// First and Last are the Seq of the first and last reading used.
	First, Last uint64
}
