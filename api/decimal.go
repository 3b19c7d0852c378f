package api

import (
	"math/big"
	"math/bits"
	"strconv"

	"ringsaddle/acquire"
)

// decimalForm writes counts of a Step as exact decimals of a unit:
// value = counts·factor / 10^digits.
type decimalForm struct {
	unit   string // "mm" or "in"
	digits int
	factor int64
}

const (
	picometresPerInch = 25_400_000_000
	maxDigits         = 15
)

// exactMM returns the form in millimetres. It reports false for a step that has
// no finite decimals (none that a readout can have).
func exactMM(s acquire.Step) (decimalForm, bool) {
	return formIn(s, "mm", acquire.PicometresPerMM)
}

// displayForm returns the form that shows counts as the readout does: the unit,
// millimetre or inch, in which a count has the fewer decimals.
func displayForm(s acquire.Step) (decimalForm, bool) {
	mm, okMM := exactMM(s)
	in, okIn := formIn(s, "in", picometresPerInch)
	if okIn && (!okMM || in.digits < mm.digits) {
		return in, true
	}
	return mm, okMM
}

func formIn(s acquire.Step, unit string, picometres int64) (decimalForm, bool) {
	if !s.Valid() {
		return decimalForm{}, false
	}
	num := big.NewInt(s.Num)
	den := new(big.Int).Mul(big.NewInt(s.Den), big.NewInt(picometres))
	ten := big.NewInt(10)
	for digits := 0; digits <= maxDigits; digits++ {
		q, r := new(big.Int).QuoRem(num, den, new(big.Int))
		if r.Sign() == 0 && q.IsInt64() {
			return decimalForm{unit: unit, digits: digits, factor: q.Int64()}, true
		}
		num.Mul(num, ten)
	}
	return decimalForm{}, false
}

// append appends counts as a decimal number, with a minus sign of ASCII.
func (f decimalForm) append(dst []byte, counts int64) []byte {
	magnitude := uint64(counts)
	if counts < 0 {
		dst = append(dst, '-')
		magnitude = -magnitude
	}
	hi, lo := bits.Mul64(magnitude, uint64(f.factor))
	var text []byte
	if hi == 0 {
		text = strconv.AppendUint(make([]byte, 0, 24), lo, 10)
	} else {
		v := new(big.Int).SetUint64(magnitude)
		text = v.Mul(v, big.NewInt(f.factor)).Append(nil, 10)
	}
	if f.digits == 0 {
		return append(dst, text...)
	}
	for len(text) <= f.digits {
		text = append([]byte{'0'}, text...)
	}
	whole := len(text) - f.digits
	dst = append(dst, text[:whole]...)
	dst = append(dst, '.')
	return append(dst, text[whole:]...)
}

// text returns counts as append writes them.
func (f decimalForm) text(counts int64) string { return string(f.append(nil, counts)) }
