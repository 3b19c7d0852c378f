//go:build explore

package detect

import (
	"crypto/sha256"
	"flag"
	"fmt"
	"hash"
	"os"
	"path/filepath"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

var flagDigest = flag.Int("digest", 8, "simulated traces a class that TestBitIdentity takes")

// TestBitIdentity prints a digest over all captures, and one over all events, of the
// golden traces and of seeded traces of both simulations, class by class. Two
// builds with the same digests give the same captures, bit by bit:
//
//	go test -tags explore ./detect -run TestBitIdentity -v -digest 20
func TestBitIdentity(t *testing.T) {
	names, err := filepath.Glob(filepath.Join(traceDir, "*.trace"))
	if err != nil {
		t.Fatal(err)
	}
	var sum digests
	sum.reset()
	for _, name := range names {
		_, tr, p := openGolden(t, name)
		sum.add(t, p, tr.Readings)
	}
	sum.print("golden")
	for _, class := range bench.Classes() {
		for seed := range uint64(*flagDigest) {
			tr, err := benchCase(class, seed)
			if err != nil {
				t.Fatal(err)
			}
			sum.add(t, benchParams(&tr), tr.Readings)
		}
		sum.print(string(class))
	}
	for _, class := range simClasses {
		for seed := range uint64(*flagDigest) {
			tr := simulate(class, seed)
			sum.add(t, DefaultParams(acquire.Step{Num: 10_000, Den: 1}, tr.resPM), tr.readings)
		}
		sum.print("second " + class)
	}
}

type digests struct {
	captures, events hash.Hash
	n, cues          int
}

func (s *digests) reset() { s.captures, s.events, s.n, s.cues = sha256.New(), sha256.New(), 0, 0 }

func (s *digests) print(name string) {
	fmt.Fprintf(os.Stdout, "%-28s %4d captures %x  %5d events %x\n", name, s.n, s.captures.Sum(nil)[:8], s.cues, s.events.Sum(nil)[:8])
	s.reset()
}

func (s *digests) add(t *testing.T, p Params, rs []acquire.Reading) {
	d, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	take := func(ev []Event) {
		for _, e := range ev {
			s.cues++
			if e.Capture != nil {
				s.n++
				fmt.Fprintf(s.captures, "%+v\n", *e.Capture) // floats in the shortest form that gives them back
			}
			e.Capture = nil
			fmt.Fprintf(s.events, "%+v\n", e)
			st := d.State()
			fmt.Fprintf(s.events, "%+v\n", st)
		}
	}
	for _, r := range rs {
		take(d.Push(r))
	}
	take(d.Flush())
}
