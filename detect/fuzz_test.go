package detect

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ringsaddle/acquire"
)

// wellFormed fails if a capture is not what its type promises.
func wellFormed(t *testing.T, c *Capture) {
	t.Helper()
	number := func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
	if c.Outcome == OutcomeDiameter && (!number(c.Saddle) || !number(c.U) || !(c.U > 0)) {
		t.Fatalf("%+v", c)
	}
	for _, p := range c.Points {
		if !number(p.Value) || !(p.U > 0) || !number(p.U) {
			t.Fatalf("%+v", c)
		}
	}
	if c.Ending == EndReadingsLost && c.Outcome == OutcomeDiameter {
		t.Fatalf("a diameter across lost readings: %+v", c)
	}
	if len(c.Reasons) == 0 && c.Outcome != OutcomeDiameter {
		t.Fatalf("no reason: %+v", c)
	}
}

// FuzzPush feeds arbitrary positions, times and flags: no panic, no capture
// across lost readings, nothing but numbers in a capture. Four bytes make an
// entry: two of position, one of time (milliseconds, may be 0 or backwards; −128
// is a jump as wide as scale), one of flags, whose highest bit makes the position
// as wide as scale.
func FuzzPush(f *testing.F) {
	tr := simulate("ordinary", 1)
	var seed []byte
	for _, r := range tr.readings[:min(len(tr.readings), 600)] {
		seed = binary.LittleEndian.AppendUint16(seed, uint16(r.X))
		seed = append(seed, 10, 0)
	}
	f.Add(seed, int64(1))
	f.Add([]byte{0, 0, 0, 0, 255, 255, 3, 255}, int64(1)<<62)
	for _, flag := range []byte{2, 4, 8, 16, 32, 64} { // gap, silence, hint, … in mid-entry
		marked := slices.Clone(seed)
		marked[4*300+3] |= flag
		f.Add(marked, int64(3))
	}
	still, back := slices.Clone(seed), slices.Clone(seed)
	for i := 2; i < len(seed); i += 4 {
		still[i] = 0
		if i%40 == 2 {
			back[i] = 0xec // −20 ms
		}
	}
	f.Add(still, int64(1))
	f.Add(back, int64(1))
	back[4*200+2], back[4*300+2] = 0x80, 0x80
	f.Add(back, int64(500_000_000))
	f.Add(back, int64(math.MinInt64))
	f.Fuzz(func(t *testing.T, data []byte, scale int64) {
		d, err := New(DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 100_000))
		if err != nil {
			t.Fatal(err)
		}
		check := func(ev []Event) {
			for _, e := range ev {
				if e.Capture != nil {
					wellFormed(t, e.Capture)
				}
			}
		}
		at := int64(0)
		for i := 0; i+4 <= len(data); i += 4 {
			v := int64(int16(binary.LittleEndian.Uint16(data[i:])))
			if data[i+3]&0x80 != 0 {
				v *= scale
			}
			if dt := int8(data[i+2]); dt == math.MinInt8 {
				at += scale
			} else {
				at += int64(dt) * 1_000_000
			}
			check(d.Push(acquire.Reading{Seq: uint64(i), At: at, X: v, Y: v, Tilt: 1, Flags: acquire.Flags(data[i+3] & 0x7f)}))
			if data[i+3] == 0xff {
				check(d.Lost(uint64(i), uint64(i+1)))
			}
			_ = d.State()
		}
		check(d.Flush())
		check(d.Flush())
	})
}

// FuzzDisturbed does to a good trace what three bytes each say: a place in it and
// what happens there. No capture spans lost readings, a new stream, or a gap of
// more than Params.LossSeconds and twelve periods.
func FuzzDisturbed(f *testing.F) {
	tr := simulate("ordinary", 1)
	rs := tr.readings
	if len(rs) < 2000 {
		f.Fatalf("%d readings are too few", len(rs))
	}
	p := DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 100_000)
	period := (rs[len(rs)-1].At - rs[0].At) / int64(len(rs)-1)
	for what := range byte(9) {
		f.Add([]byte{128, 0, what})
		f.Add([]byte{80, 7, what, 128, 0, what + 9, 150, 3, 2})
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 3*20 {
			return
		}
		what := map[int]byte{}
		for i := 0; i+3 <= len(data); i += 3 {
			what[int(binary.BigEndian.Uint16(data[i:]))*len(rs)>>16] = data[i+2]
		}
		d, err := New(p)
		if err != nil {
			t.Fatal(err)
		}
		var broken []uint64 // Seq of the first entry after each break
		var caps []*Capture
		take := func(ev []Event) {
			for _, e := range ev {
				if e.Capture != nil {
					wellFormed(t, e.Capture)
					caps = append(caps, e.Capture)
				}
			}
		}
		seq, shift, invalid := uint64(0), int64(0), 0
		push := func(r acquire.Reading) {
			seq++
			r.Seq, r.At = seq, r.At+shift
			take(d.Push(r))
		}
		for i, r := range rs {
			w, ok := what[i]
			switch w % 9 {
			case 1: // the consumer has fallen behind
				if ok {
					take(d.Lost(seq+1, seq+5))
					seq += 5
					broken = append(broken, seq+1)
				}
			case 2:
				push(acquire.Reading{At: r.At, Flags: acquire.StreamStart | acquire.Gap})
				broken = append(broken, seq)
			case 3: // bytes lost in a hole
				hole := int64(w) * 10_000_000
				shift += hole
				r.Flags |= acquire.Gap
				if hole > 360_000_000 && hole > 13*period {
					broken = append(broken, seq+1)
				}
			case 4:
				shift -= int64(w) * 10_000_000
			case 5:
				shift += int64(w) * 10_000_000
			case 6:
				push(acquire.Reading{At: r.At, Flags: acquire.Silence})
			case 7:
				push(EncodeHint(Hint{Seek: int(w) % 2}, r.At))
			case 8:
				invalid = int(w)
			}
			if invalid > 0 {
				invalid--
				r.X, r.Flags = math.MaxInt64, r.Flags|acquire.NotValid
			}
			push(r)
		}
		take(d.Flush())
		for _, c := range caps {
			for _, b := range broken {
				// The break itself may end the span.
				if c.FirstSeq < b && b < c.LastSeq {
					t.Fatalf("the capture %d…%d spans a break before %d: %+v", c.FirstSeq, c.LastSeq, b, c)
				}
			}
		}
	})
}

// FuzzCSV feeds files: what is no finite number is refused with one line, and
// nothing of such a file becomes a capture.
func FuzzCSV(f *testing.F) {
	tr := simulate("ordinary", 1)
	var good bytes.Buffer
	good.WriteString("t_s,x_mm\n")
	for _, r := range tr.readings[:600] {
		fmt.Fprintf(&good, "%.4f,%.5f\n", float64(r.At)*1e-9, float64(r.X)*1e-5)
	}
	f.Add(good.Bytes())
	line := bytes.IndexByte(good.Bytes()[good.Len()/2:], '\n') + good.Len()/2 + 1
	for _, bad := range []string{"NaN,1", "1,nan", "+Inf,1", "1,-Infinity", "1,1e999", "1e999,1", "1,0x1p-2", "1,∞", "1,", ",1", "1,1,1"} {
		b := slices.Concat(good.Bytes()[:line], []byte(bad+"\n"), good.Bytes()[line:])
		if _, err := acquire.ReadCSV(bytes.NewReader(b), "f", acquire.CSVOptions{}); err == nil {
			f.Errorf("%q was read", bad)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		tr, err := acquire.ReadCSV(bytes.NewReader(in), "f", acquire.CSVOptions{})
		if err != nil {
			if len(tr.Readings) > 0 || strings.Contains(err.Error(), "\n") {
				t.Fatalf("%d readings beside the error %q", len(tr.Readings), err)
			}
			return
		}
		text := strings.ToLower(string(in))
		if head, body, _ := strings.Cut(text, "\n"); strings.TrimSpace(head) == "t_s,x_mm" && (strings.Contains(body, "nan") || strings.Contains(body, "inf")) {
			t.Fatalf("read %q", in)
		}
		p := DefaultParams(tr.Step(), 0)
		if p.Validate() != nil {
			return
		}
		for _, c := range detectAll(p, tr.Readings) {
			wellFormed(t, c)
		}
	})
}

// Random walks of any size with jumping clocks and arbitrary flags: never a
// panic, never a diameter that is no number or that spans lost readings.
func TestArbitraryReadings(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 60 {
		d, err := New(DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 100_000))
		if err != nil {
			t.Fatal(err)
		}
		check := func(ev []Event) {
			for _, e := range ev {
				if c := e.Capture; c != nil && c.Outcome == OutcomeDiameter &&
					(math.IsNaN(c.Saddle) || !(c.U > 0) || c.Ending == EndReadingsLost) {
					t.Fatalf("%+v", c)
				}
			}
		}
		at, x, amp := int64(0), int64(0), 1+rng.Int64N(3000)
		for k := range 3000 {
			at += rng.Int64N(30_000_000) - 2_000_000
			x += rng.Int64N(2*amp+1) - amp
			var fl acquire.Flags
			if rng.IntN(300) == 0 {
				fl = acquire.Flags(rng.IntN(128))
			}
			if rng.IntN(2000) == 0 {
				x, at = rng.Int64()-rng.Int64(), at-rng.Int64N(1e12)
			}
			check(d.Push(acquire.Reading{Seq: uint64(k), At: at, X: x, Y: -x, Flags: fl}))
			_ = d.State()
		}
		check(d.Flush())
	}
}
