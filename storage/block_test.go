package storage

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ringsaddle/acquire"
)

func mustCodec(t testing.TB) *BlockCodec {
	t.Helper()
	c, err := NewBlockCodec()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestBlockComesBack(t *testing.T) {
	c := mustCodec(t)
	number := rapid.OneOf(rapid.Int64(), rapid.Int64Range(-300, 300), rapid.Just(int64(0)),
		rapid.SampledFrom([]int64{math.MinInt64, math.MaxInt64}))
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(rt, "n")
		first := rapid.Uint64Range(0, math.MaxInt64-100).Draw(rt, "first")
		withY, withTilt := rapid.Bool().Draw(rt, "y"), rapid.Bool().Draw(rt, "tilt")
		in := make([]acquire.Reading, n)
		for i := range in {
			r := acquire.Reading{Seq: first + uint64(i), At: number.Draw(rt, "at"), X: number.Draw(rt, "x")}
			r.Flags = acquire.Flags(rapid.OneOf(rapid.Just(uint32(0)), rapid.Uint32()).Draw(rt, "flags"))
			if withY {
				r.Y = number.Draw(rt, "y")
			}
			if withTilt {
				r.Tilt = number.Draw(rt, "tilt")
			}
			in[i] = r
		}
		data, err := c.EncodeBlock(in)
		if err != nil {
			rt.Fatal(err)
		}
		again, _ := c.EncodeBlock(in)
		if !bytes.Equal(data, again) {
			rt.Fatal("the same readings gave another block")
		}
		out, err := c.DecodeBlock(data)
		if err != nil {
			rt.Fatal(err)
		}
		if !slices.Equal(in, out) {
			rt.Fatalf("got %v, want %v", out, in)
		}
	})
}

func TestBlockOfEverySize(t *testing.T) {
	c := mustCodec(t)
	for _, n := range []int{1, 2, 15, 16, 17, 1023, 8192, MaxBlockReadings} {
		in := readings(7, n)
		data, err := c.EncodeBlock(in)
		if err != nil {
			t.Fatal(err)
		}
		out, err := c.DecodeBlock(data)
		if err != nil || !slices.Equal(in, out) {
			t.Errorf("%d readings do not come back: %v", n, err)
		}
	}
}

func TestBlockRefusesWhatItCannotHold(t *testing.T) {
	c := mustCodec(t)
	for name, in := range map[string][]acquire.Reading{
		"none":     nil,
		"too many": readings(1, MaxBlockReadings+1),
		"a hole":   {{Seq: 1}, {Seq: 3}},
		"too far":  {{Seq: math.MaxInt64}, {Seq: math.MaxInt64 + 1}},
	} {
		if _, err := c.EncodeBlock(in); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// Every block ever written must be readable for ever: these bytes are version 1.
func TestBlockVersion1(t *testing.T) {
	const stored = "01" + // version
		"0b" + // flags, X and tilt present
		"03" + "05" + // 3 readings from seq 5
		"d00f" + // t0 = 1000 ns
		"e03838cd486f1a05d06668c57324965b7b6d3d88d720206320942183a5143625" + // digest
		"000300" + "001409" + // At: differences 0, +10, -5
		"000300" + "040008" + // flags: 2, 0, +4
		"000300" + "031200" + // X: -2, +9, 0
		"000500" + "d80402d904" // tilt: 300, +1, -301
	want := []acquire.Reading{
		{Seq: 5, At: 1000, X: -2, Flags: acquire.HasTilt, Tilt: 300},
		{Seq: 6, At: 1010, X: 7, Flags: acquire.HasTilt, Tilt: 301},
		{Seq: 7, At: 1005, X: 7, Flags: acquire.HasTilt | acquire.Gap, Tilt: 0},
	}
	c := mustCodec(t)
	data, err := hex.DecodeString(stored)
	if err != nil {
		t.Fatal(err)
	}
	got, err := c.DecodeBlock(data)
	if err != nil || !slices.Equal(want, got) {
		t.Errorf("got %v, %v", got, err)
	}
}

// FuzzBlock: whatever the bytes, decoding gives an error or readings that encode
// and decode to themselves. Bytes that are no block of their own are also used as
// readings.
func FuzzBlock(f *testing.F) {
	c := mustCodec(f)
	for _, in := range [][]acquire.Reading{readings(1, 1), readings(1, 40), readings(1000, 500)} {
		data, err := c.EncodeBlock(in)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		out, err := c.DecodeBlock(data)
		if err != nil {
			if !errors.Is(err, ErrBlock) {
				t.Fatalf("%v does not wrap ErrBlock", err)
			}
			out = readingsOf(data)
			if len(out) == 0 {
				return
			}
		}
		again, err := c.EncodeBlock(out)
		if err != nil {
			t.Fatal(err)
		}
		back, err := c.DecodeBlock(again)
		if err != nil || !slices.Equal(out, back) {
			t.Fatalf("%v: %v came back as %v", err, out, back)
		}
	})
}

// readingsOf makes readings of arbitrary bytes.
func readingsOf(data []byte) []acquire.Reading {
	var out []acquire.Reading
	for p := (&parser{rest: data}); len(p.rest) > 0 && len(out) < 2000; {
		r := acquire.Reading{Seq: 1 + uint64(len(out)), At: p.varint(), X: p.varint(), Flags: acquire.Flags(p.uvarint())}
		if len(data)%2 == 0 {
			r.Y, r.Tilt = p.varint(), p.varint()
		}
		if p.err != nil {
			break
		}
		out = append(out, r)
	}
	return out
}

// A block in which any one byte was changed, or that was cut anywhere, is an
// error and nothing else.
func TestDamagedBlockIsAnError(t *testing.T) {
	c := mustCodec(t)
	data, err := c.EncodeBlock(readings(1, 200))
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range data {
		bad := slices.Clone(data)
		bad[i] ^= byte(1 + rng.IntN(255))
		if _, err := c.DecodeBlock(bad); !errors.Is(err, ErrBlock) {
			t.Errorf("byte %d changed: %v", i, err)
		}
		if _, err := c.DecodeBlock(data[:i]); !errors.Is(err, ErrBlock) {
			t.Errorf("cut after %d bytes: %v", i, err)
		}
	}
	if _, err := c.DecodeBlock(append(slices.Clone(data), 0)); !errors.Is(err, ErrBlock) {
		t.Errorf("a byte too many: %v", err)
	}
}

func TestDecodingDoesNotTrustSizes(t *testing.T) {
	c := mustCodec(t)
	zeros := bytes.Repeat([]byte{0}, 1<<20)
	bomb := c.enc.EncodeAll(zeros, nil)
	head := append([]byte{1, columnX, 2, 1, 0}, make([]byte, 32)...)
	body := append(head, 0, 2, chunkZstd, byte(len(bomb)), byte(len(bomb)>>7))
	if _, err := c.DecodeBlock(append(body, bomb...)); !errors.Is(err, ErrBlock) {
		t.Errorf("a megabyte in a column of two bytes: %v", err)
	}
	many := append([]byte{1, columnX, 0xff, 0xff, 0xff, 0xff, 0x0f, 1, 0}, make([]byte, 34)...)
	if _, err := c.DecodeBlock(many); !errors.Is(err, ErrBlock) {
		t.Errorf("four thousand million readings: %v", err)
	}
}

// benchTrace makes readings as a bench gives them: 0.1 µm counts with 0.1 µm of
// noise, ±500 µm in 20 s plus ±30 µm in 7.3 s, arrival jitter of 80 µs.
func benchTrace(hertz float64, n int, withY bool) []acquire.Reading {
	rng := rand.New(rand.NewPCG(3, 4))
	out := make([]acquire.Reading, n)
	for i := range out {
		s := float64(i) / hertz
		out[i] = acquire.Reading{
			Seq: uint64(i + 1),
			At:  boot0 + int64(s*1e9) + int64(math.Abs(rng.NormFloat64())*80_000),
			X:   int64(math.Round(5000*math.Sin(2*math.Pi*s/20) + 300*math.Sin(2*math.Pi*s/7.3) + rng.NormFloat64())),
		}
		if withY {
			out[i].Flags = acquire.HasY
			out[i].Y = int64(math.Round(20000*math.Sin(2*math.Pi*s/9) + rng.NormFloat64()))
		}
	}
	return out
}

func BenchmarkBlock(b *testing.B) {
	c := mustCodec(b)
	for _, hertz := range []float64{10, 100, 1000} {
		for _, n := range []int{1024, foldReadings} {
			for _, y := range []bool{false, true} {
				in := benchTrace(hertz, n, y)
				noTimes := slices.Clone(in)
				micros := slices.Clone(in)
				for i := range in {
					noTimes[i].At = 0
					micros[i].At = in[i].At / 1000
				}
				data, err := c.EncodeBlock(in)
				if err != nil {
					b.Fatal(err)
				}
				size := func(rs []acquire.Reading) float64 {
					d, err := c.EncodeBlock(rs)
					if err != nil {
						b.Fatal(err)
					}
					return float64(len(d)) / float64(n)
				}
				name := fmt.Sprintf("hertz=%g/n=%d/y=%v", hertz, n, y)
				b.Run(name+"/encode", func(b *testing.B) {
					for b.Loop() {
						if _, err := c.EncodeBlock(in); err != nil {
							b.Fatal(err)
						}
					}
					b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mreadings/s")
					b.ReportMetric(size(in), "B/reading")
					b.ReportMetric(size(in)-size(noTimes), "B/time-ns")
					b.ReportMetric(size(micros)-size(noTimes), "B/time-µs")
					b.ReportMetric(44/size(in), "ratio-to-44B")
				})
				b.Run(name+"/decode", func(b *testing.B) {
					for b.Loop() {
						if _, err := c.DecodeBlock(data); err != nil {
							b.Fatal(err)
						}
					}
					b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mreadings/s")
				})
			}
		}
	}
}
