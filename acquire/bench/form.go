package bench

import (
	"strconv"
	"strings"

	"ringsaddle/acquire"
)

// FrameForm describes what the readout sends for one reading: Prefix, the
// number, Unit, then (with a second axis) Separator and the second number, then
// Suffix and Terminator. Readouts differ in these details only.
type FrameForm struct {
	Prefix     string `toml:"prefix"`
	Separator  string `toml:"separator"`
	Unit       string `toml:"unit"`
	Suffix     string `toml:"suffix"`
	Terminator string `toml:"terminator"`
	// PlusSign sends "+" before positive numbers. Comma sends a decimal comma.
	PlusSign bool `toml:"plus_sign"`
	Comma    bool `toml:"comma"`
	// Digits is the number of digits before the decimal point, filled with zeros;
	// 0 sends as many as needed.
	Digits int `toml:"digits"`
	// Request, when not empty, makes the readout answer instead of streaming: each
	// occurrence of these bytes is answered with one frame.
	Request string `toml:"request"`
}

// DefaultFrameForm is a signed decimal of millimetres, ended by CR LF, the
// second axis behind a semicolon.
func DefaultFrameForm() FrameForm {
	return FrameForm{Terminator: "\r\n", PlusSign: true, Digits: 4, Separator: ";"}
}

func (f FrameForm) faults() []*KeyError {
	var out []*KeyError
	if f.Terminator == "" {
		out = append(out, &KeyError{"terminator", "empty: at least one byte must end a frame"})
	}
	if f.Digits < 0 || f.Digits > 12 {
		out = append(out, &KeyError{"digits", strconv.Itoa(f.Digits) + ": permitted 0 to 12"})
	}
	if f.Separator == "" {
		out = append(out, &KeyError{"separator", "empty: the second axis could not be told from the first"})
	}
	return out
}

// Append appends the frame of a reading to dst. decimals is the readout's.
func (f FrameForm) Append(dst []byte, r acquire.Reading, decimals int) []byte {
	dst = append(dst, f.Prefix...)
	dst = f.number(dst, r.X, decimals)
	dst = append(dst, f.Unit...)
	if r.Flags&acquire.HasY != 0 {
		dst = append(dst, f.Separator...)
		dst = f.number(dst, r.Y, decimals)
		dst = append(dst, f.Unit...)
	}
	dst = append(dst, f.Suffix...)
	return append(dst, f.Terminator...)
}

func (f FrameForm) number(dst []byte, counts int64, decimals int) []byte {
	switch {
	case counts < 0:
		dst = append(dst, '-')
		counts = -counts
	case f.PlusSign:
		dst = append(dst, '+')
	}
	digits := strconv.FormatInt(counts, 10)
	whole, part := "", digits
	if len(digits) > decimals {
		whole, part = digits[:len(digits)-decimals], digits[len(digits)-decimals:]
	} else {
		part = strings.Repeat("0", decimals-len(digits)) + digits
	}
	if whole == "" {
		whole = "0"
	}
	for i := len(whole); i < f.Digits; i++ {
		dst = append(dst, '0')
	}
	dst = append(dst, whole...)
	if decimals == 0 {
		return dst
	}
	if f.Comma {
		dst = append(dst, ',')
	} else {
		dst = append(dst, '.')
	}
	return append(dst, part...)
}
