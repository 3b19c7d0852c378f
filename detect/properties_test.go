package detect

import (
	"flag"
	"math"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

// TestMain sets how often each property is tried: a trace is a large sample.
func TestMain(m *testing.M) {
	if err := flag.Set("rapid.checks", "30"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

// anyTrace draws a trace of the simulated bench.
func anyTrace(t *rapid.T) bench.Trace {
	class := rapid.SampledFrom(bench.Classes()).Draw(t, "class")
	seed := uint64(rapid.IntRange(0, 400).Draw(t, "seed"))
	tr, err := benchCase(class, seed)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

// forget clears what may differ between two runs on shifted input.
func forget(caps []*Capture, shift int64, seqShift uint64) []Capture {
	var out []Capture
	for _, c := range caps {
		d := *c
		d.Origin -= shift
		d.FirstSeq -= seqShift
		d.LastSeq -= seqShift
		for i := range d.Points {
			d.Points = append([]TurningPoint(nil), d.Points...)
			d.Points[i].First -= seqShift
			d.Points[i].Last -= seqShift
		}
		d.Reasons = nil // they print positions
		for _, r := range c.Reasons {
			d.Reasons = append(d.Reasons, Reason{Code: r.Code})
		}
		out = append(out, d)
	}
	return out
}

// A shift of all positions by whole counts shifts the captures and changes no
// bit of them.
func TestShiftIsBitIdentical(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := anyTrace(t)
		shift := rapid.Int64Range(-1<<40, 1<<40).Draw(t, "shift")
		moved := append([]acquire.Reading(nil), tr.Readings...)
		for i := range moved {
			moved[i].X += shift
		}
		p := benchParams(&tr)
		a, b := forget(detectAll(p, tr.Readings), 0, 0), forget(detectAll(p, moved), shift, 0)
		if diff := cmp.Diff(a, b); diff != "" {
			t.Fatal(diff)
		}
	})
}

// A mirrored reading with mirrored seeks gives the mirrored values, bit by bit.
func TestMirrorIsBitIdentical(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := anyTrace(t)
		p := benchParams(&tr)
		q := p
		for i := range q.Seeks {
			q.Seeks[i].Sense = -q.Seeks[i].Sense
		}
		mirrored := append([]acquire.Reading(nil), tr.Readings...)
		for i := range mirrored {
			mirrored[i].X = -mirrored[i].X
		}
		a, b := detectAll(p, tr.Readings), detectAll(q, mirrored)
		if len(a) != len(b) {
			t.Fatalf("%d captures, mirrored %d", len(a), len(b))
		}
		for i := range a {
			if a[i].Outcome != b[i].Outcome || a[i].Saddle != -b[i].Saddle || a[i].U != b[i].U || a[i].Origin != -b[i].Origin {
				t.Fatalf("capture %d: %v %v ± %v, mirrored %v %v ± %v", i, a[i].Outcome, a[i].Saddle, a[i].U, b[i].Outcome, b[i].Saddle, b[i].U)
			}
			for k := range a[i].Points {
				if a[i].Points[k].Value != -b[i].Points[k].Value {
					t.Fatalf("point %d: %v, mirrored %v", k, a[i].Points[k].Value, b[i].Points[k].Value)
				}
			}
		}
	})
}

// A fresh detector on the span of a capture gives that capture.
func TestSpanGivesTheCaptureAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := anyTrace(t)
		p := benchParams(&tr)
		for i, c := range detectAll(p, tr.Readings) {
			var span []acquire.Reading
			for _, r := range tr.Readings {
				if r.Seq >= c.FirstSeq && r.Seq <= c.LastSeq {
					span = append(span, r)
				}
			}
			again := detectAll(p, span)
			if len(again) == 0 {
				t.Fatalf("capture %d: nothing again", i)
			}
			got, want := *again[len(again)-1], *c
			if want.Ending != got.Ending && got.Ending == EndOfStream {
				t.Fatalf("capture %d: the span ends too early", i)
			}
			if diff := cmp.Diff(want, got); diff != "" && !hasReason(c, ReasonPreset) {
				t.Fatalf("capture %d: %s", i, diff)
			}
		}
	})
}

func hasReason(c *Capture, code ReasonCode) bool {
	for _, r := range c.Reasons {
		if r.Code == code {
			return true
		}
	}
	return false
}

// A long time out of contact before changes no bit.
func TestIdleBeforeIsBitIdentical(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := anyTrace(t)
		n := uint64(rapid.IntRange(1, 200_000).Draw(t, "n"))
		first := tr.Readings[0]
		var rs []acquire.Reading
		for i := range n {
			r := first
			r.Seq = i + 1
			r.At = first.At - int64(n-i)*10_000_000
			r.X = first.X + int64(i%2)
			rs = append(rs, r)
		}
		for _, r := range tr.Readings {
			r.Seq += n
			rs = append(rs, r)
		}
		p := benchParams(&tr)
		a, b := forget(detectAll(p, tr.Readings), 0, 0), forget(detectAll(p, rs), 0, n)
		if diff := cmp.Diff(a, b); diff != "" {
			t.Fatal(diff)
		}
	})
}

// Provisional looks leave the capture alone: reading the state at any time, or
// never, gives the same.
func TestStateDoesNotDisturb(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := anyTrace(t)
		p := benchParams(&tr)
		every := rapid.IntRange(1, 500).Draw(t, "every")
		d, err := New(p)
		if err != nil {
			t.Fatal(err)
		}
		var got []*Capture
		for i, r := range tr.Readings {
			for _, e := range d.Push(r) {
				if e.Kind == EventCaptured {
					got = append(got, e.Capture)
				}
			}
			if i%every == 0 {
				if s := d.State(); s.Complete && !(s.U > 0) {
					t.Fatalf("complete with u = %v", s.U)
				}
			}
		}
		for _, e := range d.Flush() {
			if e.Kind == EventCaptured {
				got = append(got, e.Capture)
			}
		}
		if diff := cmp.Diff(detectAll(p, tr.Readings), got); diff != "" {
			t.Fatal(diff)
		}
	})
}

// Every capture keeps the promises of its type.
func TestCapturesAreWellFormed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := anyTrace(t)
		p := benchParams(&tr)
		known := map[ReasonCode]bool{}
		for _, r := range Reasons() {
			known[r.Code] = true
		}
		var last uint64
		for _, c := range detectAll(p, tr.Readings) {
			if c.Outcome == OutcomeDiameter {
				if !(c.U > 0) || math.IsInf(c.U, 0) || math.IsNaN(c.Saddle) {
					t.Fatalf("diameter %v ± %v", c.Saddle, c.U)
				}
				// What was too flat to see has no turning point, and the capture says so.
				want := 2
				if hasReason(c, ReasonTooFlat) {
					want = 1
				}
				if len(c.Points) != want {
					t.Fatalf("a diameter with %d points, %d are wanted: %v", len(c.Points), want, c.Reasons)
				}
			} else if len(c.Reasons) == 0 {
				t.Fatalf("%s without a reason", c.Outcome)
			}
			for _, r := range c.Reasons {
				if !known[r.Code] || r.Text == "" {
					t.Fatalf("reason %+v", r)
				}
			}
			if c.FirstSeq < last || c.LastSeq < c.FirstSeq || c.StartAt > c.EndAt && !hasReason(c, ReasonClock) {
				t.Fatalf("span %d…%d after %d", c.FirstSeq, c.LastSeq, last)
			}
			last = c.LastSeq
			if c.ParamsDigest != p.Digest() || c.Revision != Revision {
				t.Fatal("the capture does not say what made it")
			}
		}
	})
}
