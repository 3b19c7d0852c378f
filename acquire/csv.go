package acquire

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// maxCSVDecimals is the finest that a position in a file is kept: 10⁻⁹ mm, one
// picometre.
const maxCSVDecimals = 9

// CSVOptions say what a CSV trace cannot say itself.
type CSVOptions struct {
	// ResolutionPM is the smallest change that the readout shows, in picometres;
	// 0 takes the Step, which the decimals of the file tell.
	ResolutionPM int64
}

// CSVError says where a CSV trace cannot be read and what was expected.
type CSVError struct {
	// Name is the name of the file.
	Name string
	// Line and Column count from 1; 0 means that there is none to name.
	Line, Column int
	// Header is the name of the column.
	Header string
	// Text says what was found and what was expected.
	Text string
}

func (e *CSVError) Error() string {
	var b strings.Builder
	b.WriteString(e.Name)
	if e.Line > 0 {
		fmt.Fprintf(&b, ": line %d", e.Line)
	}
	if e.Column > 0 {
		fmt.Fprintf(&b, ", column %d", e.Column)
	}
	if e.Header != "" {
		fmt.Fprintf(&b, " (%s)", e.Header)
	}
	return b.String() + ": " + e.Text
}

// ReadCSV reads a trace: UTF-8, comma separated, a header line with t_s and
// x_mm, optionally y_mm, tilt_mm, seq, flags and hint, and any other columns,
// which are ignored. A byte order mark and CR LF are accepted, comments are not.
//
// Positions become exact counts: the Step is that of the largest number of
// decimals in the file. Only a value with more than nine decimals is rounded
// (to 10⁻⁹ mm, half to even, trailing zeros dropped); one with an exponent
// (2.5e1) is taken at its value and rounded likewise. Trace.Rounded counts them.
// Times are taken to the nanosecond. Rows with equal or backward times are
// legal; NaN and Inf are not.
//
// x_mm may be empty only in rows whose flags say that there is no position. With
// a column seq its values must grow; where they jump the row is flagged Gap.
// Without one, rows are numbered from 1.
//
// The error is a *CSVError.
func ReadCSV(r io.Reader, name string, opt CSVOptions) (Trace, error) {
	c, err := newCSVParser(r, name, true)
	if err != nil {
		return Trace{}, err
	}
	t := Trace{Name: name}
	for {
		row, err := c.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return Trace{}, err
		}
		if grown := c.decimals - c.before; grown > 0 { // so far all was coarser
			for i := range t.Readings {
				if !t.Readings[i].rescale(grown) {
					return Trace{}, c.fault(c.columns.x, "with so many decimals an earlier position is too large to be exact")
				}
			}
		}
		t.Readings = append(t.Readings, row)
	}
	step, _ := StepOfDecimals(c.decimals, false)
	t.Streams = csvStreams(t.Readings, step, opt)
	t.Rounded = c.rounded
	return t, nil
}

// csvStreams returns the stream of the first row and one per StreamStart.
func csvStreams(readings []Reading, step Step, opt CSVOptions) []Stream {
	stream := Stream{Step: step, ResolutionPM: max(opt.ResolutionPM, step.Num/step.Den), FirstSeq: 1}
	if len(readings) == 0 {
		return []Stream{stream}
	}
	var streams []Stream
	for i, r := range readings {
		if i == 0 || r.Flags&StreamStart != 0 {
			stream.FirstSeq, stream.OpenedAt = r.Seq, r.At
			streams = append(streams, stream)
		}
	}
	return streams
}

// rescale multiplies the positions by 10^n and reports whether they still fit.
// What a Hint carries is no position.
func (r *Reading) rescale(n int) bool {
	if r.Flags&Hint != 0 {
		return true
	}
	for range n {
		for _, v := range []*int64{&r.X, &r.Y, &r.Tilt} {
			if *v > math.MaxInt64/10 || *v < math.MinInt64/10 {
				return false
			}
			*v *= 10
		}
	}
	return true
}

// ScanCSV reads a trace to its end without keeping it and returns the decimals
// of its positions, 0 to 9: what a CSVReader of the same file needs. All faults
// of the file show here already.
func ScanCSV(r io.Reader, name string) (decimals int, err error) {
	c, err := newCSVParser(r, name, true)
	if err != nil {
		return 0, err
	}
	for {
		if _, err := c.next(); errors.Is(err, io.EOF) {
			return c.decimals, nil
		} else if err != nil {
			return 0, err
		}
	}
}

// CSVReader reads a trace of any size in bounded memory. It accepts what ReadCSV
// accepts.
type CSVReader struct {
	parser *csvParser
	stream Stream
}

// NewCSVReader returns a reader for positions with the given decimals (see
// ScanCSV); a row with more is an error.
func NewCSVReader(r io.Reader, name string, decimals int, opt CSVOptions) (*CSVReader, error) {
	step, err := StepOfDecimals(decimals, false)
	if err != nil {
		return nil, err
	}
	c, err := newCSVParser(r, name, false)
	if err != nil {
		return nil, err
	}
	c.decimals = decimals
	return &CSVReader{parser: c, stream: csvStreams(nil, step, opt)[0]}, nil
}

// Stream returns the Step and the resolution of the readings.
func (c *CSVReader) Stream() Stream { return c.stream }

// Read fills buf and returns how many readings it holds; io.EOF after the last,
// and a *CSVError for a row that cannot be read.
func (c *CSVReader) Read(buf []Reading) (int, error) {
	for i := range buf {
		r, err := c.parser.next()
		if err != nil {
			if i > 0 && errors.Is(err, io.EOF) {
				return i, nil
			}
			return i, err
		}
		buf[i] = r
	}
	return len(buf), nil
}

// csvParser reads row by row. Positions come as counts of 10^(−decimals) mm.
type csvParser struct {
	name    string
	csv     *csv.Reader
	header  []string
	columns struct{ t, x, y, tilt, seq, flags, hint int } // -1: not there
	record  []string

	grow     bool // decimals may grow with the rows
	decimals int
	before   int // decimals before the last row
	rounded  int
	seq      uint64 // of the last row
}

func newCSVParser(r io.Reader, name string, grow bool) (*csvParser, error) {
	c := &csvParser{name: name, grow: grow}
	in := bufio.NewReaderSize(r, 64<<10)
	switch start, _ := in.Peek(3); {
	case bytes.HasPrefix(start, []byte("\xef\xbb\xbf")):
		_, _ = in.Discard(3)
	case bytes.HasPrefix(start, []byte("\xff\xfe")), bytes.HasPrefix(start, []byte("\xfe\xff")):
		return nil, &CSVError{Name: name, Line: 1, Text: "the file is UTF-16; save it as UTF-8"}
	}
	c.csv = csv.NewReader(in)
	c.csv.ReuseRecord = true
	header, err := c.csv.Read()
	if errors.Is(err, io.EOF) {
		return nil, &CSVError{Name: name, Line: 1, Text: "the file is empty; expected a header line with t_s and x_mm"}
	}
	if err != nil {
		return nil, c.malformed(err)
	}
	at := map[string]int{}
	for i, h := range header {
		h = strings.TrimSpace(h)
		c.header = append(c.header, h)
		if _, twice := at[h]; twice && h != "" {
			return nil, &CSVError{Name: name, Line: 1, Column: i + 1, Header: h, Text: "the column is there twice"}
		}
		at[h] = i
	}
	for _, column := range []struct {
		name     string
		index    *int
		required bool
	}{
		{"t_s", &c.columns.t, true},
		{"x_mm", &c.columns.x, true},
		{"y_mm", &c.columns.y, false},
		{"tilt_mm", &c.columns.tilt, false},
		{"seq", &c.columns.seq, false},
		{"flags", &c.columns.flags, false},
		{"hint", &c.columns.hint, false},
	} {
		i, ok := at[column.name]
		if !ok {
			i = -1
			if column.required {
				text := fmt.Sprintf("no column %s; expected a header line with t_s and x_mm, found %q", column.name, clip(strings.Join(c.header, ",")))
				if len(header) == 1 && strings.Contains(header[0], ";") {
					text += "; separate columns with commas, not semicolons"
				}
				return nil, &CSVError{Name: name, Line: 1, Text: text}
			}
		}
		*column.index = i
	}
	return c, nil
}

// clip shortens text from a file for a message.
func clip(s string) string {
	if len(s) > 60 {
		return s[:60] + "…"
	}
	return s
}

// malformed turns a fault of the CSV syntax into a CSVError.
func (c *csvParser) malformed(err error) error {
	var p *csv.ParseError
	if !errors.As(err, &p) {
		return &CSVError{Name: c.name, Text: fmt.Sprintf("cannot be read: %v", err)}
	}
	e := &CSVError{Name: c.name, Line: p.Line}
	if errors.Is(p.Err, csv.ErrFieldCount) {
		e.Text = fmt.Sprintf("%d cells, expected %d as in the header", len(c.record), len(c.header))
		return e
	}
	e.Text = fmt.Sprintf("%v (at byte %d of the line)", p.Err, p.Column)
	return e
}

// fault makes the error for a cell of the row last read.
func (c *csvParser) fault(column int, format string, args ...any) error {
	line, _ := c.csv.FieldPos(column)
	return &CSVError{
		Name: c.name, Line: line, Column: column + 1, Header: c.header[column], Text: fmt.Sprintf(format, args...),
	}
}

// next returns the next row.
func (c *csvParser) next() (Reading, error) {
	var err error
	if c.record, err = c.csv.Read(); err != nil {
		if errors.Is(err, io.EOF) {
			return Reading{}, io.EOF
		}
		return Reading{}, c.malformed(err)
	}
	c.before = c.decimals
	var r Reading
	if err := c.place(&r); err != nil {
		return Reading{}, err
	}
	t, _, err := c.number(c.columns.t, "a time in seconds such as 12.345")
	if err != nil {
		return Reading{}, err
	}
	if r.At, err = c.scale(t, c.columns.t, 9); err != nil {
		return Reading{}, err
	}
	if r.Flags&Hint != 0 {
		return r, c.hint(&r)
	}
	return r, c.positions(&r)
}

// place reads seq and flags.
func (c *csvParser) place(r *Reading) error {
	if i := c.columns.flags; i >= 0 {
		f, err := ParseFlags(c.record[i])
		if err != nil {
			return c.fault(i, "%v", err)
		}
		r.Flags = f &^ (HasY | HasTilt) // the cells themselves tell
	}
	r.Seq = c.seq + 1
	if i := c.columns.seq; i >= 0 {
		n, err := strconv.ParseUint(strings.TrimSpace(c.record[i]), 10, 64)
		if err != nil || n <= c.seq {
			return c.fault(i, "found %q, expected a whole number above %d", clip(c.record[i]), c.seq)
		}
		if c.seq > 0 && n != c.seq+1 {
			r.Flags |= Gap // rows are missing
		}
		r.Seq = n
	}
	c.seq = r.Seq
	return nil
}

// hint reads what a Hint carries: three whole numbers, x/y/tilt.
func (c *csvParser) hint(r *Reading) error {
	i := c.columns.hint
	if i < 0 {
		return c.fault(c.columns.flags, "a hint, but there is no column hint")
	}
	parts := strings.Split(c.record[i], "/")
	if len(parts) != 3 {
		return c.fault(i, "found %q, expected three whole numbers such as 1/2/3", clip(c.record[i]))
	}
	for k, v := range []*int64{&r.X, &r.Y, &r.Tilt} {
		n, err := strconv.ParseInt(parts[k], 10, 64)
		if err != nil {
			return c.fault(i, "found %q, expected three whole numbers such as 1/2/3", clip(c.record[i]))
		}
		*v = n
	}
	return nil
}

// positions reads x, y and tilt.
func (c *csvParser) positions(r *Reading) error {
	var numbers [3]decimal
	for k, column := range [...]struct {
		index int
		flag  Flags
	}{{c.columns.x, 0}, {c.columns.y, HasY}, {c.columns.tilt, HasTilt}} {
		if column.index < 0 {
			continue
		}
		if strings.TrimSpace(c.record[column.index]) == "" {
			if k == 0 && r.IsPosition() {
				return c.fault(column.index, "empty, expected a length in millimetres such as 25.00412")
			}
			continue
		}
		n, rounded, err := c.number(column.index, "a length in millimetres such as 25.00412")
		if err != nil {
			return err
		}
		if rounded {
			c.rounded++
		}
		numbers[k] = n
		r.Flags |= column.flag
		if n.decimals > c.decimals {
			if !c.grow {
				return c.fault(column.index, "%d decimals, expected at most %d as in the rest of the file", n.decimals, c.decimals)
			}
			c.decimals = n.decimals
		}
	}
	for k, column := range [...]struct {
		index int
		v     *int64
	}{{c.columns.x, &r.X}, {c.columns.y, &r.Y}, {c.columns.tilt, &r.Tilt}} {
		var err error
		if *column.v, err = c.scale(numbers[k], column.index, c.decimals); err != nil {
			return err
		}
	}
	return nil
}

// number parses a cell; see parseDecimal.
func (c *csvParser) number(column int, expected string) (decimal, bool, error) {
	d, rounded, ok := parseDecimal(strings.TrimSpace(c.record[column]))
	if !ok {
		return decimal{}, false, c.fault(column, "found %q, expected %s", clip(c.record[column]), expected)
	}
	return d, rounded, nil
}

// scale returns a number as a count of 10^(−decimals).
func (c *csvParser) scale(d decimal, column, decimals int) (int64, error) {
	v := d.value
	for range decimals - d.decimals {
		if v > math.MaxInt64/10 || v < math.MinInt64/10 {
			return 0, c.fault(column, "%q is too large to be exact", clip(c.record[column]))
		}
		v *= 10
	}
	return v, nil
}
