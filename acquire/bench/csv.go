package bench

import (
	"bufio"
	"encoding/json"
	"io"
	"strconv"

	"ringsaddle/acquire"
)

// WriteCSV writes readings as UTF-8 CSV with the header t_s,x_mm, and y_mm where
// there is a second axis. Times start at the first reading and have nanoseconds;
// positions have the decimals of the readout.
func (t *Trace) WriteCSV(w io.Writer) error {
	bw := bufio.NewWriterSize(w, 1<<16)
	header := "t_s,x_mm\n"
	if t.HasY {
		header = "t_s,x_mm,y_mm\n"
	}
	if _, err := bw.WriteString(header); err != nil {
		return err
	}
	mm := millimetres(t.Step)
	var b []byte
	for i := range t.Readings {
		r := &t.Readings[i]
		b = mm.seconds(b[:0], r.At)
		b = append(b, ',')
		b = mm.append(b, r.X)
		if t.HasY {
			b = append(b, ',')
			b = mm.append(b, r.Y)
		}
		b = append(b, '\n')
		if _, err := bw.Write(b); err != nil {
			return err
		}
	}
	return bw.Flush()
}

// WriteTruth writes everything but the readings as indented JSON. Times are in
// nanoseconds of the same clock as the CSV's t_s.
func (t *Trace) WriteTruth(w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(t)
}

// millimetres writes counts of a step as millimetres without rounding.
type mmWriter struct {
	num, den int64 // picometres per count
	digits   int   // decimals of a millimetre that are always enough
}

func millimetres(s acquire.Step) mmWriter {
	m := mmWriter{num: s.Num, den: s.Den, digits: 9}
	for m.den == 1 && m.digits > 0 && m.num%10 == 0 {
		m.num /= 10
		m.digits--
	}
	return m
}

func (m mmWriter) append(b []byte, counts int64) []byte {
	if m.den != 1 { // steps of an inch finer than a picometre
		return strconv.AppendFloat(b, float64(counts)*float64(m.num)/float64(m.den)*1e-9, 'f', 9, 64)
	}
	return fixed(b, counts*m.num, m.digits)
}

func (m mmWriter) seconds(b []byte, ns int64) []byte { return fixed(b, ns, 9) }

// fixed appends v·10^-digits.
func fixed(b []byte, v int64, digits int) []byte {
	if v < 0 {
		b = append(b, '-')
		v = -v
	}
	p := int64(1)
	for range digits {
		p *= 10
	}
	b = strconv.AppendInt(b, v/p, 10)
	if digits == 0 {
		return b
	}
	b = append(b, '.')
	for rest, q := v%p, p/10; q > 0; q /= 10 {
		b = append(b, byte('0'+rest/q%10))
	}
	return b
}
