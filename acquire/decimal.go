package acquire

import (
	"math"
	"strconv"
	"strings"
)

// decimal is value · 10^(−decimals), decimals 0 to maxCSVDecimals.
type decimal struct {
	value    int64
	decimals int
}

// parseDecimal reads a decimal number with an optional exponent, exactly. A
// number with more than nine decimals is rounded to nine, half to even, and
// loses its trailing zeros: a computed 25.004120000000001 is 25.00412. It
// reports whether it rounded; ok is false for what is no number (NaN and Inf
// included) and for what does not fit.
func parseDecimal(s string) (d decimal, rounded, ok bool) {
	negative := false
	switch {
	case strings.HasPrefix(s, "-"):
		negative, s = true, s[1:]
	case strings.HasPrefix(s, "+"):
		s = s[1:]
	}
	exponent := 0
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		var err error
		if exponent, err = strconv.Atoi(s[i+1:]); err != nil || exponent < -400 || exponent > 400 {
			return decimal{}, false, false
		}
		s = s[:i]
	}
	whole, fraction, _ := strings.Cut(s, ".")
	if whole == "" && fraction == "" {
		return decimal{}, false, false
	}
	for _, part := range []string{whole, fraction} {
		for i := range len(part) {
			if part[i] < '0' || part[i] > '9' {
				return decimal{}, false, false
			}
		}
	}
	// The digits, and how many of them stand behind the point.
	digits, decimals := whole+fraction, len(fraction)-exponent
	computed := exponent != 0
	if decimals > maxCSVDecimals {
		computed = true
		cut := decimals - maxCSVDecimals
		digits, rounded = roundDigits(digits, cut)
		decimals = maxCSVDecimals
	}
	for decimals < 0 { // 2.5e3
		digits += "0"
		decimals++
	}
	if computed {
		for decimals > 0 && strings.HasSuffix(digits, "0") {
			digits = digits[:len(digits)-1]
			decimals--
		}
	}
	digits = strings.TrimLeft(digits, "0")
	if digits == "" {
		if computed {
			decimals = 0
		}
		return decimal{decimals: decimals}, rounded, true
	}
	v, err := strconv.ParseUint(digits, 10, 64)
	if err != nil || v > math.MaxInt64 {
		return decimal{}, false, false
	}
	d = decimal{value: int64(v), decimals: decimals}
	if negative {
		d.value = -d.value
	}
	return d, rounded, true
}

// roundDigits drops the last cut digits, half to even, and reports whether any
// of them was not zero.
func roundDigits(digits string, cut int) (string, bool) {
	if cut > len(digits) {
		return "", strings.Trim(digits, "0") != ""
	}
	kept, dropped := digits[:len(digits)-cut], digits[len(digits)-cut:]
	exact := strings.Trim(dropped, "0") == ""
	half := dropped[0] == '5' && strings.Trim(dropped[1:], "0") == ""
	odd := kept != "" && (kept[len(kept)-1]-'0')%2 == 1
	if dropped[0] < '5' || half && !odd {
		return kept, !exact
	}
	b := []byte("0" + kept)
	for i := len(b) - 1; ; i-- {
		if b[i]++; b[i] <= '9' {
			break
		}
		b[i] = '0'
	}
	return string(b), !exact
}
