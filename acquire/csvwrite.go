package acquire

import (
	"bufio"
	"fmt"
	"io"
	"math/bits"
	"strconv"
)

// CSVWriter writes a trace in the form that ReadCSV reads, exactly: every
// position is written with all decimals of its Step.
type CSVWriter struct {
	w    *bufio.Writer
	line []byte
	err  error
}

// NewCSVWriter writes the header line to w and returns the writer. Call Flush at
// the end.
func NewCSVWriter(w io.Writer) *CSVWriter {
	c := &CSVWriter{w: bufio.NewWriter(w)}
	_, c.err = c.w.WriteString("t_s,x_mm,y_mm,tilt_mm,seq,flags,hint\n")
	return c
}

// Write writes one row: r with positions in counts of step. The first error
// stays.
func (c *CSVWriter) Write(step Step, r Reading) error {
	if c.err != nil {
		return c.err
	}
	b := appendDecimal(c.line[:0], r.At, 9)
	b = append(b, ',')
	if r.IsPosition() {
		var ok bool
		if b, ok = step.appendMM(b, r.X); !ok {
			c.err = fmt.Errorf("entry %d: %d counts of %d/%d pm cannot be written exactly", r.Seq, r.X, step.Num, step.Den)
			return c.err
		}
		for _, v := range [...]struct {
			counts int64
			flag   Flags
		}{{r.Y, HasY}, {r.Tilt, HasTilt}} {
			b = append(b, ',')
			if r.Flags&v.flag == 0 {
				continue
			}
			if b, ok = step.appendMM(b, v.counts); !ok {
				c.err = fmt.Errorf("entry %d: %d counts of %d/%d pm cannot be written exactly", r.Seq, v.counts, step.Num, step.Den)
				return c.err
			}
		}
	} else {
		b = append(b, ",,"...)
	}
	b = append(b, ',')
	b = strconv.AppendUint(b, r.Seq, 10)
	b = append(b, ',')
	b = append(b, (r.Flags &^ (HasY | HasTilt)).String()...)
	b = append(b, ',')
	if r.Flags&Hint != 0 {
		b = fmt.Appendf(b, "%d/%d/%d", r.X, r.Y, r.Tilt)
	}
	c.line = append(b, '\n')
	_, c.err = c.w.Write(c.line)
	return c.err
}

// Flush writes what is buffered.
func (c *CSVWriter) Flush() error {
	if c.err != nil {
		return c.err
	}
	return c.w.Flush()
}

// appendMM appends counts of the step in millimetres, with as many decimals as
// every multiple of the step needs. It reports false for a step that has no
// finite decimals or a position that does not fit.
func (s Step) appendMM(b []byte, counts int64) ([]byte, bool) {
	if !s.Valid() {
		return b, false
	}
	num, decimals := s.Num, 9
	for den := s.Den; den > 1; den /= 10 {
		if den%10 != 0 {
			return b, false
		}
		decimals++
	}
	for decimals > 0 && num%10 == 0 {
		num /= 10
		decimals--
	}
	magnitude := uint64(counts)
	if counts < 0 {
		magnitude = -magnitude
	}
	hi, lo := bits.Mul64(magnitude, uint64(num))
	if hi != 0 || lo > 1<<63-1 {
		return b, false
	}
	v := int64(lo)
	if counts < 0 {
		v = -v
	}
	return appendDecimal(b, v, decimals), true
}

// appendDecimal appends v · 10^(−decimals) with that many decimals.
func appendDecimal(b []byte, v int64, decimals int) []byte {
	u := uint64(v)
	if v < 0 {
		b = append(b, '-')
		u = -u
	}
	if decimals == 0 {
		return strconv.AppendUint(b, u, 10)
	}
	p := uint64(1)
	for range decimals {
		p *= 10
	}
	b = strconv.AppendUint(b, u/p, 10)
	b = append(b, '.')
	fraction := u % p
	for p /= 10; p > 1 && fraction < p; p /= 10 {
		b = append(b, '0')
	}
	return strconv.AppendUint(b, fraction, 10)
}
