package detect

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"ringsaddle/acquire"
)

// FuzzPush feeds arbitrary positions, times and flags: no panic, no capture
// across lost readings, nothing but numbers in a diameter.
func FuzzPush(f *testing.F) {
	tr := simulate("ordinary", 1)
	var seed []byte
	for _, r := range tr.readings[:min(len(tr.readings), 600)] {
		seed = binary.LittleEndian.AppendUint16(seed, uint16(r.X))
		seed = append(seed, 10, 0)
	}
	f.Add(seed, int64(1))
	f.Add([]byte{0, 0, 0, 0, 255, 255, 3, 255}, int64(1)<<62)
	f.Fuzz(func(t *testing.T, data []byte, scale int64) {
		d, err := New(DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 100_000))
		if err != nil {
			t.Fatal(err)
		}
		check := func(ev []Event) {
			for _, e := range ev {
				c := e.Capture
				if e.Kind != EventCaptured {
					continue
				}
				if c.Outcome == OutcomeDiameter && (math.IsNaN(c.Saddle) || math.IsInf(c.Saddle, 0) || !(c.U > 0)) {
					t.Fatalf("%+v", c)
				}
				if c.Ending == EndReadingsLost && c.Outcome == OutcomeDiameter {
					t.Fatalf("a diameter across lost readings: %+v", c)
				}
				if len(c.Reasons) == 0 && c.Outcome != OutcomeDiameter {
					t.Fatalf("no reason: %+v", c)
				}
			}
		}
		at := int64(0)
		for i := 0; i+4 <= len(data); i += 4 {
			v := int64(int16(binary.LittleEndian.Uint16(data[i:])))
			if data[i+3]&0x40 != 0 {
				v *= scale
			}
			at += int64(int8(data[i+2])) * 1_000_000
			check(d.Push(acquire.Reading{Seq: uint64(i), At: at, X: v, Y: v, Flags: acquire.Flags(data[i+3] & 0x3f << 1 >> 1)}))
			if data[i+3] == 0xff {
				check(d.Lost(uint64(i), uint64(i+1)))
			}
			_ = d.State()
		}
		check(d.Flush())
		check(d.Flush())
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
