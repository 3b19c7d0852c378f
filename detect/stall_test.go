package detect

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

var flagStalls = flag.Int("stalls", 1, "simulated traces a class that TestStalls takes")

// stalled returns the readings as a stall of the operating system delivers them:
// those of 0.2 to 1 s come in one bunch at its end, either with one and the same
// time or a few microseconds apart. Nothing is lost. There are n stalls in each
// contact.
func stalled(rs []acquire.Reading, contacts []bench.Contact, n int, rng *rand.Rand) []acquire.Reading {
	out := slices.Clone(rs)
	for i := range contacts {
		c := &contacts[i]
		for range n {
			from := c.TouchNS + int64(rng.Float64()*float64(c.EndNS-c.TouchNS))
			to := from + 200_000_000 + rng.Int64N(800_000_000)
			apart := []int64{0, 0, 2_000, 20_000}[rng.IntN(4)]
			at := to
			for k := range out {
				if rs[k].At > from && rs[k].At <= to {
					out[k].At = max(at, out[k].At)
					at += apart
				}
			}
		}
	}
	for k := 1; k < len(out); k++ {
		out[k].At = max(out[k].At, out[k-1].At)
	}
	return out
}

// spansGiveCapturesAgain checks that late readings are given the same pace by a
// fresh detector that sees the span of a capture alone.
func spansGiveCapturesAgain(t *testing.T, p Params, rs []acquire.Reading, captures []*Capture) {
	t.Helper()
	for i, c := range captures {
		if hasReason(c, ReasonPreset) {
			continue // a preset is seen from the contact before
		}
		lo := slices.IndexFunc(rs, func(r acquire.Reading) bool { return r.Seq >= c.FirstSeq })
		hi := slices.IndexFunc(rs, func(r acquire.Reading) bool { return r.Seq > c.LastSeq })
		if hi < 0 {
			hi = len(rs)
		}
		again := detectAll(p, rs[lo:hi])
		if len(again) == 0 {
			t.Errorf("capture %d: its span gives none", i)
		} else if diff := cmp.Diff(c, again[len(again)-1]); diff != "" {
			t.Errorf("capture %d of a stalled stream is another from its span: %s", i, diff)
		}
	}
}

// A stall is no loss of contact and makes no entry fail: captures with and
// without three stalls in every contact are compared.
//
//	go test ./detect -run TestStalls -v -stalls 20 -timeout 30m
func TestStalls(t *testing.T) {
	var s likeness
	extra, clock, lostContact := 0, 0, 0
	for k, class := range bench.Classes() {
		for seed := range uint64(*flagStalls) {
			if class == bench.ClassClockJump {
				continue
			}
			tr := metamorphicCase(t, class, seed, 0)
			p := benchParams(&tr)
			late := stalled(tr.Readings, tr.Contacts(), 3, rand.New(rand.NewPCG(seed, uint64(k))))
			s.compare(p, p, tr.Readings, late)
			a, b := detectAll(p, tr.Readings), detectAll(p, late)
			if seed == 0 {
				spansGiveCapturesAgain(t, p, late, b)
			}
			extra += int(math.Abs(float64(len(a) - len(b))))
			for i := range min(len(a), len(b)) {
				if hasReason(b[i], ReasonClock) {
					clock++
				}
				if a[i].Ending != b[i].Ending {
					lostContact++
				}
			}
		}
	}
	t.Logf("%s\n    %d captures more or fewer, %d end otherwise, %d doubt the clock", &s, extra, lostContact, clock)
	require(t, "same outcome", s.same, s.n, 0.98)
	require(t, "sure diameters kept", s.sureKept, s.sure, 0.99)
	require(t, "value within u", s.within, s.both, 0.98)
	require(t, "u within 25 %", s.alike, s.both, 0.98)
	if lostContact > 0 {
		t.Errorf("%d captures end otherwise", lostContact)
	}
	if extra > 1+s.n/100 || clock > 2+s.n/10 {
		t.Errorf("of %d captures %d more or fewer, %d doubt the clock", s.n, extra, clock)
	}
}

// A silence in which readings are lost stays a silence: the readings after it
// keep their times. One in which none are lost leaves no trace but a late arrival.
func TestLateOrLost(t *testing.T) {
	rs := longContact(20)
	p := DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 100_000)
	spans := func(rs []acquire.Reading) (lengths []int64) {
		d, err := New(p)
		if err != nil {
			t.Fatal(err)
		}
		d.inspect = func(c *contact, _ *analyser) { lengths = append(lengths, c.t, int64(c.clockJumps)) }
		for _, r := range rs {
			d.Push(r)
		}
		d.Flush()
		return lengths
	}
	want := spans(rs)
	lost := append(slices.Clone(rs[:7000]), rs[7800:]...)
	if got := spans(lost); !slices.Equal(got, want) {
		t.Errorf("0.8 s lost: the contact lasts %v, expected %v", got, want)
	}
	for _, apart := range []int64{0, 3_000} {
		late := slices.Clone(rs)
		for i := 7000; i < 7800; i++ {
			late[i].At = late[7800].At - 1_000_000 + int64(i-7799)*apart
		}
		if got := spans(late); !slices.Equal(got, want) {
			t.Errorf("0.8 s late, %d ns apart: the contact lasts %v, expected %v", apart, got, want)
		}
		again, plain := detectAll(p, late), detectAll(p, rs)
		if len(again) != 1 || len(plain) != 1 || again[0].Outcome != plain[0].Outcome || math.Abs(again[0].Saddle-plain[0].Saddle) > 0.1*plain[0].U {
			t.Errorf("0.8 s late, %d ns apart: %+v, expected %+v", apart, again, plain)
		}
	}
	// Bytes lost in the bunch may hide anything.
	late := slices.Clone(rs)
	for i := 7000; i < 7800; i++ {
		late[i].At = late[7800].At - 1_000_000
	}
	late[7200].Flags |= acquire.Gap
	if caps := detectAll(p, late); len(caps) == 0 || caps[0].Ending != EndReadingsLost {
		t.Errorf("a gap in a late bunch: %+v", caps)
	}
	// What is held back is not forgotten.
	if got := spans(append(slices.Clone(rs[:7000]), rs[7800])); !slices.Equal(got, []int64{7_800_000_000, 0}) {
		t.Errorf("the last reading after a silence: the contact lasts %v", got)
	}
}
