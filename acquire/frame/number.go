package frame

import (
	"math"

	"ringsaddle/acquire"
)

// maxDigits is the number of significant digits that always fit a count.
const maxDigits = 18

// number is a decimal number as it was written: value · 10^(−decimals).
type number struct {
	value    int64
	decimals int
}

// number parses an optional sign, blanks, and digits with at most one decimal
// mark; at least one digit. Blanks around it are ignored.
func (d *Decoder) number(text []byte, name string) (number, *acquire.FrameError) {
	bad := func(why string) (number, *acquire.FrameError) {
		return number{}, fail(acquire.ReasonBadNumber, "%s is %s: %s", name, show(text), why)
	}
	t := trim(text)
	negative := false
	if len(t) > 0 && (t[0] == '+' || t[0] == '-') {
		negative = t[0] == '-'
		t = trim(t[1:])
	}
	var n number
	digits, significant, mark := 0, 0, false
	for _, b := range t {
		switch {
		case b >= '0' && b <= '9':
			digits++
			if significant > 0 || b != '0' {
				significant++
			}
			if significant > maxDigits {
				return number{}, fail(acquire.ReasonTooManyDigits, "%s is %s: more than %d digits", name, show(text), maxDigits)
			}
			n.value = n.value*10 + int64(b-'0')
			if mark {
				n.decimals++
			}
		case !mark && (b == '.' && d.r.DecimalMark != "comma" || b == ',' && d.r.DecimalMark != "point"):
			mark = true
		case b == '.' || b == ',':
			if mark {
				return bad("a second decimal mark, or a group separator")
			}
			return bad("the decimal mark is configured as " + d.r.DecimalMark)
		default:
			return bad("not a decimal number")
		}
	}
	if digits == 0 {
		return bad("no digits")
	}
	if n.decimals > maxDecimals {
		return number{}, fail(acquire.ReasonTooManyDigits, "%s is %s: more than %d decimals", name, show(text), maxDecimals)
	}
	if negative {
		n.value = -n.value
	}
	return n, nil
}

// scaled returns the value in units of 10^(−decimals), exactly.
func (n number) scaled(decimals int, name string) (int64, *acquire.FrameError) {
	v := n.value
	for i := n.decimals; i > decimals; i-- {
		if v%10 != 0 {
			return 0, fail(acquire.ReasonTooManyDigits, "%s has more than %d decimals", name, decimals)
		}
		v /= 10
	}
	for i := n.decimals; i < decimals; i++ {
		if v > math.MaxInt64/10 || v < math.MinInt64/10 {
			return 0, fail(acquire.ReasonOverflow, "%s is too large for a count of %d decimals", name, decimals)
		}
		v *= 10
	}
	return v, nil
}

// trim cuts blanks and tabs off both ends.
func trim(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	for len(b) > 0 && (b[len(b)-1] == ' ' || b[len(b)-1] == '\t') {
		b = b[:len(b)-1]
	}
	return b
}
