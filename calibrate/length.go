package calibrate

import "math"

// Length is a length in whole picometres. Lengths that are recorded (declared
// values of rings, captured readings, limits) are Lengths, so that the journal
// holds no floating point. A picometre is a millionth of a micrometre, far below
// anything measured here; the range is ±9.2 km.
type Length int64

// Common lengths.
const (
	Picometre  Length = 1
	Micrometre Length = 1_000_000
	Millimetre Length = 1_000_000_000
)

// MM returns the length in millimetres.
func (l Length) MM() float64 { return float64(l) / float64(Millimetre) }

// Micrometres returns the length in micrometres.
func (l Length) Micrometres() float64 { return float64(l) / float64(Micrometre) }

// LengthFromMM returns the Length nearest to mm. NaN and values beyond the
// range give 0 and false.
func LengthFromMM(mm float64) (Length, bool) {
	pm := math.Round(mm * float64(Millimetre))
	if math.IsNaN(pm) || math.Abs(pm) >= math.MaxInt64 {
		return 0, false
	}
	return Length(pm), true
}

// Temperature is a temperature or a difference of temperatures in whole
// millionths of a degree Celsius (or kelvin).
type Temperature int64

// Kelvin is one kelvin.
const Kelvin Temperature = 1_000_000

// ReferenceTemperature is 20 °C (ISO 1).
const ReferenceTemperature = 20 * Kelvin

// Celsius returns the temperature in degrees Celsius.
func (t Temperature) Celsius() float64 { return float64(t) / float64(Kelvin) }

// TemperatureFromCelsius returns the Temperature nearest to c. NaN and values
// beyond ±1000 °C give 0 and false.
func TemperatureFromCelsius(c float64) (Temperature, bool) {
	if math.IsNaN(c) || math.Abs(c) > 1000 {
		return 0, false
	}
	return Temperature(math.Round(c * float64(Kelvin))), true
}
