package acquire_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/big"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ringsaddle/acquire"
)

func TestReadCSV(t *testing.T) {
	const s = int64(1e9)
	for _, c := range []struct {
		name, in string
		want     []acquire.Reading
		step     acquire.Step
		rounded  int
	}{
		{"plain", "t_s,x_mm\n0,25.00412\n0.01,25.00413\n", []acquire.Reading{
			{Seq: 1, X: 2_500_412}, {Seq: 2, At: s / 100, X: 2_500_413},
		}, mm(5), 0},
		{"the finest decimals count, also for what came before", "t_s,x_mm\n0,25\n1,-25.1\n2,25.00412\n3,0.5\n", []acquire.Reading{
			{Seq: 1, X: 2_500_000}, {Seq: 2, At: s, X: -2_510_000}, {Seq: 3, At: 2 * s, X: 2_500_412}, {Seq: 4, At: 3 * s, X: 50_000},
		}, mm(5), 0},
		{"byte order mark, CR LF, blanks, quotes", "\xef\xbb\xbft_s, x_mm\r\n 1 , +2.5\r\n\"2\",\"2.5\"\r\n", []acquire.Reading{
			{Seq: 1, At: s, X: 25}, {Seq: 2, At: 2 * s, X: 25},
		}, mm(1), 0},
		{"other columns, another order, y", "operator,x_mm,t_s,y_mm\nme,1.0,1,-0.001\nyou,1.1,2,\n", []acquire.Reading{
			{Seq: 1, At: s, X: 1000, Y: -1, Flags: acquire.HasY}, {Seq: 2, At: 2 * s, X: 1100},
		}, mm(3), 0},
		{"time stands still and runs backwards", "t_s,x_mm\n5,1\n5,2\n4.5,3\n-1,4\n", []acquire.Reading{
			{Seq: 1, At: 5 * s, X: 1}, {Seq: 2, At: 5 * s, X: 2}, {Seq: 3, At: 45 * s / 10, X: 3}, {Seq: 4, At: -s, X: 4},
		}, mm(0), 0},
		{"nine decimals are exact", "t_s,x_mm\n0.123456789,25.004120001\n", []acquire.Reading{{Seq: 1, At: 123_456_789, X: 25_004_120_001}}, mm(9), 0},
		{"more are rounded, half to even, and lose trailing zeros", "t_s,x_mm\n0,25.004120000000001\n1,0.0000000005\n2,0.0000000015\n3,1.99999999999\n", []acquire.Reading{
			{Seq: 1, X: 25_004_120_000}, {Seq: 2, At: s}, {Seq: 3, At: 2 * s, X: 2}, {Seq: 4, At: 3 * s, X: 2_000_000_000},
		}, mm(9), 4},
		{"ten decimals, the last zero", "t_s,x_mm\n0,25.0041200000\n", []acquire.Reading{{Seq: 1, X: 2_500_412}}, mm(5), 0},
		{"exponents", "t_s,x_mm\n1e-3,2.5e1\n1E0,2500412e-5\n2,1e-30\n", []acquire.Reading{
			{Seq: 1, At: 1_000_000, X: 2_500_000}, {Seq: 2, At: s, X: 2_500_412}, {Seq: 3, At: 2 * s},
		}, mm(5), 1},
		{"seq and flags", "t_s,x_mm,seq,flags\n1,1.0,7,gap\n2,,8,silence\n3,,9,not_valid\n4,1.1,10,\n5,1.2,13,0\n6,1.3,14,4\n", []acquire.Reading{
			{Seq: 7, At: s, X: 10, Flags: acquire.Gap},
			{Seq: 8, At: 2 * s, Flags: acquire.Silence},
			{Seq: 9, At: 3 * s, Flags: acquire.NotValid},
			{Seq: 10, At: 4 * s, X: 11},
			{Seq: 13, At: 5 * s, X: 12, Flags: acquire.Gap},
			{Seq: 14, At: 6 * s, X: 13, Flags: acquire.Gap},
		}, mm(1), 0},
		{"a hint is no position", "t_s,x_mm,flags,hint\n1,1,,\n2,,hint,1/-2/3\n3,1.5,,\n", []acquire.Reading{
			{Seq: 1, At: s, X: 10}, {Seq: 2, At: 2 * s, X: 1, Y: -2, Tilt: 3, Flags: acquire.Hint}, {Seq: 3, At: 3 * s, X: 15},
		}, mm(1), 0},
		{"only a header", "t_s,x_mm\n", nil, mm(0), 0},
		{"no line end at the end", "t_s,x_mm\n1,2", []acquire.Reading{{Seq: 1, At: s, X: 2}}, mm(0), 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := acquire.ReadCSV(strings.NewReader(c.in), "trace.csv", acquire.CSVOptions{})
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, got.Readings); diff != "" {
				t.Errorf("readings (-want +got):\n%s", diff)
			}
			if got.Step() != c.step || got.Rounded != c.rounded {
				t.Errorf("step %v, %d rounded; want %v, %d", got.Step(), got.Rounded, c.step, c.rounded)
			}
			if got.Streams[0].ResolutionPM != c.step.Num {
				t.Errorf("resolution %d; want the step %d", got.Streams[0].ResolutionPM, c.step.Num)
			}
			// The reader for big files must agree.
			decimals, err := acquire.ScanCSV(strings.NewReader(c.in), "trace.csv")
			if err != nil {
				t.Fatal(err)
			}
			r, err := acquire.NewCSVReader(strings.NewReader(c.in), "trace.csv", decimals, acquire.CSVOptions{ResolutionPM: 1e9})
			if err != nil {
				t.Fatal(err)
			}
			var streamed []acquire.Reading
			buf := make([]acquire.Reading, 2)
			for {
				n, err := r.Read(buf)
				streamed = append(streamed, buf[:n]...)
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			if diff := cmp.Diff(got.Readings, streamed); diff != "" || r.Stream().Step != c.step || r.Stream().ResolutionPM != 1e9 {
				t.Errorf("streamed, step %v, resolution %d (-whole +streamed):\n%s", r.Stream().Step, r.Stream().ResolutionPM, diff)
			}
		})
	}
}

func mm(decimals int) acquire.Step {
	s, _ := acquire.StepOfDecimals(decimals, false)
	return s
}

func TestReadCSVRejects(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"empty", "", "trace.csv: line 1: the file is empty; expected a header line with t_s and x_mm"},
		{"no header", "0,25.0\n", `trace.csv: line 1: no column t_s; expected a header line with t_s and x_mm, found "0,25.0"`},
		{"another column", "t_s,x\n0,25.0\n", `trace.csv: line 1: no column x_mm; expected a header line with t_s and x_mm, found "t_s,x"`},
		{"semicolons", "t_s;x_mm\n0;25,0\n", `trace.csv: line 1: no column t_s; expected a header line with t_s and x_mm, found "t_s;x_mm"; separate columns with commas, not semicolons`},
		{"twice", "t_s,x_mm,x_mm\n", "trace.csv: line 1, column 3 (x_mm): the column is there twice"},
		{"UTF-16", "\xff\xfet\x00", "trace.csv: line 1: the file is UTF-16; save it as UTF-8"},
		{"bad cell", "t_s,x_mm\n0,25.0\n1,25.O\n", `trace.csv: line 3, column 2 (x_mm): found "25.O", expected a length in millimetres such as 25.00412`},
		{"bad cell after a blank line", "t_s,x_mm\n0,25.0\n\n1,\n", `trace.csv: line 4, column 2 (x_mm): empty, expected a length in millimetres such as 25.00412`},
		{"bad time", "x_mm,t_s\n0,12:30\n", `trace.csv: line 2, column 2 (t_s): found "12:30", expected a time in seconds such as 12.345`},
		{"NaN", "t_s,x_mm\n0,NaN\n", `trace.csv: line 2, column 2 (x_mm): found "NaN", expected a length in millimetres such as 25.00412`},
		{"Inf", "t_s,x_mm\n-Inf,1\n", `trace.csv: line 2, column 1 (t_s): found "-Inf", expected a time in seconds such as 12.345`},
		{"hexadecimal", "t_s,x_mm\n0,0x10\n", `trace.csv: line 2, column 2 (x_mm): found "0x10", expected a length in millimetres such as 25.00412`},
		{"two points", "t_s,x_mm\n0,1.2.3\n", `trace.csv: line 2, column 2 (x_mm): found "1.2.3", expected a length in millimetres such as 25.00412`},
		{"a bad y", "t_s,x_mm,y_mm\n0,1,2\n0,1,-\n", `trace.csv: line 3, column 3 (y_mm): found "-", expected a length in millimetres such as 25.00412`},
		{"too large", "t_s,x_mm\n0,99999999999999999999\n", `trace.csv: line 2, column 2 (x_mm): found "99999999999999999999", expected a length in millimetres such as 25.00412`},
		{"too large with these decimals", "t_s,x_mm\n0,9999999999999999\n1,0.00001\n", `trace.csv: line 3, column 2 (x_mm): with so many decimals an earlier position is too large to be exact`},
		{"time too large", "t_s,x_mm\n1e18,1\n", `trace.csv: line 2, column 1 (t_s): "1e18" is too large to be exact`},
		{"cells", "t_s,x_mm\n0,1,2\n", "trace.csv: line 2: 3 cells, expected 2 as in the header"},
		{"decimal comma", "t_s,x_mm\n\"0,5\",1\n", `trace.csv: line 2, column 1 (t_s): found "0,5", expected a time in seconds such as 12.345`},
		{"quotes", "t_s,x_mm\n0,\"1\n", `trace.csv: line 2: extraneous or missing " in quoted-field (at byte 6 of the line)`},
		{"seq", "t_s,x_mm,seq\n0,1,2\n0,1,2\n", `trace.csv: line 3, column 3 (seq): found "2", expected a whole number above 2`},
		{"flag", "t_s,x_mm,flags\n0,1,gap|bump\n", `trace.csv: line 2, column 3 (flags): flag "bump" is not known; permitted: y, tilt, gap, not_valid, silence, stream_start, hint`},
		{"flag number", "t_s,x_mm,flags\n0,1,128\n", `trace.csv: line 2, column 3 (flags): flags 128: permitted are 0 to 127`},
		{"hint", "t_s,x_mm,flags,hint\n0,,hint,1/2\n", `trace.csv: line 2, column 4 (hint): found "1/2", expected three whole numbers such as 1/2/3`},
		{"comment", "t_s,x_mm\n# no comments\n", "trace.csv: line 2: 1 cells, expected 2 as in the header"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := acquire.ReadCSV(strings.NewReader(c.in), "trace.csv", acquire.CSVOptions{})
			var e *acquire.CSVError
			if !errors.As(err, &e) {
				t.Fatalf("error %v; want a CSVError", err)
			}
			if err.Error() != c.want {
				t.Errorf("got  %s\nwant %s", err, c.want)
			}
			if strings.Contains(err.Error(), "\n") {
				t.Error("more than one line")
			}
		})
	}
}

// What a trace is written as is read back as the same lengths, times, order and
// flags.
func TestCSVRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		step := rapid.SampledFrom([]acquire.Step{mm(0), mm(3), mm(5), mm(9), {Num: 25_400, Den: 1}, {Num: 500_000, Den: 1}, {Num: 3, Den: 1}}).Draw(t, "step")
		n := rapid.IntRange(1, 50).Draw(t, "n")
		in := make([]acquire.Reading, n)
		seq := uint64(0)
		for i := range in {
			seq += rapid.SampledFrom([]uint64{1, 1, 1, 5}).Draw(t, "seq")
			r := acquire.Reading{Seq: seq, At: rapid.Int64Min(-1<<62).Draw(t, "at")}
			if r.Flags = rapid.SampledFrom([]acquire.Flags{
				0, 0, 0, acquire.Gap, acquire.NotValid | acquire.Gap, acquire.Silence, acquire.StreamStart | acquire.Gap, acquire.Hint,
			}).Draw(t, "flags"); r.IsPosition() {
				limit := int64(1) << 62 / max(step.Num, 1)
				counts := rapid.Int64Range(-limit, limit)
				r.X = counts.Draw(t, "x")
				if rapid.Bool().Draw(t, "hasY") {
					r.Y, r.Flags = counts.Draw(t, "y"), r.Flags|acquire.HasY
				}
				if rapid.Bool().Draw(t, "hasTilt") {
					r.Tilt, r.Flags = counts.Draw(t, "tilt"), r.Flags|acquire.HasTilt
				}
			} else if r.Flags&acquire.Hint != 0 {
				r.X, r.Y, r.Tilt = rapid.Int64().Draw(t, "hx"), rapid.Int64().Draw(t, "hy"), rapid.Int64().Draw(t, "ht")
			}
			if i > 0 && seq != in[i-1].Seq+1 {
				r.Flags |= acquire.Gap
			}
			in[i] = r
		}
		var file bytes.Buffer
		w := acquire.NewCSVWriter(&file)
		for _, r := range in {
			if err := w.Write(step, r); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		got, err := acquire.ReadCSV(&file, "trace.csv", acquire.CSVOptions{})
		if err != nil {
			t.Fatalf("%v\n%s", err, file.String())
		}
		if len(got.Readings) != n || got.Rounded != 0 {
			t.Fatalf("%d rows, %d rounded; want %d and none", len(got.Readings), got.Rounded, n)
		}
		for i, r := range got.Readings {
			want := in[i]
			if want.Flags&acquire.Hint == 0 {
				same := func(a, b int64) bool {
					x := new(big.Int).Mul(big.NewInt(a), big.NewInt(got.Step().Num))
					y := new(big.Int).Mul(big.NewInt(b), big.NewInt(step.Num))
					return x.Cmp(y) == 0
				}
				if !same(r.X, want.X) || !same(r.Y, want.Y) || !same(r.Tilt, want.Tilt) {
					t.Fatalf("row %d: %+v of %v; want %+v of %v", i, r, got.Step(), want, step)
				}
				r.X, r.Y, r.Tilt = want.X, want.Y, want.Tilt
			}
			if r != want {
				t.Fatalf("row %d: %+v; want %+v", i, r, want)
			}
		}
	})
}

func TestCSVWriter(t *testing.T) {
	var file bytes.Buffer
	w := acquire.NewCSVWriter(&file)
	for _, c := range []struct {
		step acquire.Step
		r    acquire.Reading
	}{
		{mm(5), acquire.Reading{Seq: 1, At: 5, Flags: acquire.StreamStart | acquire.Gap}},
		{mm(5), acquire.Reading{Seq: 2, At: 1_500_000_000, X: 2_500_412, Y: -5, Flags: acquire.HasY}},
		{acquire.Step{Num: 254, Den: 10}, acquire.Reading{Seq: 3, At: -1, X: -1}}, // 1 nin
		{mm(5), acquire.Reading{Seq: 4, X: 7, Flags: acquire.Hint}},
	} {
		if err := w.Write(c.step, c.r); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	want := `t_s,x_mm,y_mm,tilt_mm,seq,flags,hint
0.000000005,,,,1,gap|stream_start,
1.500000000,25.00412,-0.00005,,2,,
-0.000000001,-0.0000000254,,,3,,
0.000000000,,,,4,hint,7/0/0
`
	if diff := cmp.Diff(want, file.String()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if err := w.Write(acquire.Step{Num: 1, Den: 3}, acquire.Reading{}); err == nil {
		t.Error("a third of a picometre was written as a decimal")
	}
}

func FuzzReadCSV(f *testing.F) {
	for _, b := range loadCorpus(f, "testdata/csv/*.csv") {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		tr, err := acquire.ReadCSV(bytes.NewReader(in), "f", acquire.CSVOptions{})
		if err != nil {
			if strings.Contains(err.Error(), "\n") || !strings.HasPrefix(err.Error(), "f:") {
				t.Errorf("error %q", err)
			}
			return
		}
		// What was read can be written and read again without a change.
		var file bytes.Buffer
		w := acquire.NewCSVWriter(&file)
		for _, r := range tr.Readings {
			if err := w.Write(tr.Step(), r); err != nil {
				t.Skip("too large to write exactly")
			}
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		again, err := acquire.ReadCSV(&file, "f", acquire.CSVOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for i := range tr.Readings { // positions of marks are not written
			if r := &tr.Readings[i]; !r.IsPosition() && r.Flags&acquire.Hint == 0 {
				r.X, r.Y, r.Tilt = 0, 0, 0
				r.Flags &^= acquire.HasY | acquire.HasTilt
			}
		}
		if len(tr.Readings) > 0 && again.Step() != tr.Step() {
			return // only marks had the most decimals
		}
		if diff := cmp.Diff(tr.Readings, again.Readings); diff != "" {
			t.Errorf("(-first +again):\n%s", diff)
		}
	})
}

func BenchmarkReadCSV(b *testing.B) {
	var in bytes.Buffer
	in.WriteString("t_s,x_mm\n")
	for i := range 100_000 {
		fmt.Fprintf(&in, "%.3f,%.5f\n", float64(i)*1e-2, 25+float64(i%977)*1e-5)
	}
	b.SetBytes(int64(in.Len()))
	b.ReportAllocs()
	for b.Loop() {
		if tr, err := acquire.ReadCSV(bytes.NewReader(in.Bytes()), "b", acquire.CSVOptions{}); err != nil || len(tr.Readings) != 100_000 {
			b.Fatal(err)
		}
	}
}
