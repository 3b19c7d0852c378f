// Package frame decodes the ASCII frames of a position readout from a
// configuration, without code.
//
// A frame is what stands between two terminators. It is matched as a whole by
// an RE2 pattern whose named groups say what is what:
//
//	x            the position; required
//	y            the second axis
//	tilt         a tilt channel, in the same unit as x
//	temperature  a temperature in degrees Celsius
//	unit         the unit of x, y and tilt, when the readout sends it
//	status       a word that may mean "not valid"
//
// The pattern is anchored at both ends whether or not it says so: half a frame
// must never pass for a whole one. It works on bytes; a byte outside ASCII that
// is no UTF-8 matches only "." and negated classes.
//
// Positions are exact. The decimals of the text define the count: "25.00412" mm
// is 2,500,412 counts of 0.01 µm, and nothing is rounded or turned into floating
// point. Where x, y and tilt have different decimals the finest counts. A number
// is an optional sign, blanks, and digits with at most one decimal mark, such as
// "+  25.00412", "-.5" or "7."; exponents and group separators are refused.
//
// The decimals are either fixed by the configuration, and then every frame must
// have them, or learnt from the frames, and then a lasting change begins a new
// stream (see package acquire). Fixed is safer: a number that lost a digit on
// the line is recognised at once.
package frame
