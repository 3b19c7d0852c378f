package detect

import (
	"math"
	"testing"

	"ringsaddle/acquire/bench"
)

// No pair of hinges exceeds its bound, and the decision is the same as if all pairs
// had been weighed.
func TestBoundsOfPairs(t *testing.T) {
	contacts, pairs, weighed := 0, 0, 0
	for _, class := range bench.Classes() {
		for seed := range uint64(3) {
			tr := metamorphicCase(t, class, seed, 0)
			d, err := New(benchParams(&tr))
			if err != nil {
				t.Fatal(err)
			}
			d.inspect = func(c *contact, a *analyser) {
				if !a.played || a.slide.n > 0 {
					return
				}
				contacts++
				// What follows the decision may turn its phases; it is made again.
				a.dec = decision{}
				a.decide()
				got := a.dec
				H := len(a.hinges)
				for i := range H {
					for j := i + 1; j < H; j++ {
						for k := range 2 {
							e := &a.pairs[pairOf(i, j)].seek[k]
							pairs++
							if e.state == pairWeighed {
								weighed++
							}
							a.rough = true
							a.boundPair(i, j, k)
							a.rough = false
							bound := *e
							a.weighPair(i, j, k)
							if bound.state == pairNone != (e.state == pairNone) {
								t.Fatalf("%s seed %d: hinges %d and %d as seek %d: state %d when bounded, %d when weighed", class, seed, i, j, k, bound.state, e.state)
							}
							if e.state == pairWeighed && (e.caught > bound.caught || e.not > bound.not) {
								t.Errorf("%s seed %d: hinges %d and %d as seek %d: caught %g of at most %g, not %g of at most %g", class, seed, i, j, k, e.caught, bound.caught, e.not, bound.not)
							}
						}
					}
				}
				a.dec = decision{}
				a.chain()
				top := a.dec.logp[a.dec.mask]
				for m := range 4 {
					if a.dec.logp[m] > top-lnNil+1 && (a.dec.logp[m] != got.logp[m] || a.dec.end[m] != got.end[m]) {
						t.Errorf("%s seed %d: logp[%d] = %g, with all pairs %g", class, seed, m, got.logp[m], a.dec.logp[m])
					}
				}
				if a.dec.prob != got.prob || a.dec.mask != got.mask || a.dec.n != got.n || a.dec.ph != got.ph {
					t.Errorf("%s seed %d: decision %+v, with all pairs %+v", class, seed, got, a.dec)
				}
			}
			for _, r := range tr.Readings {
				d.Push(r)
			}
			d.Flush()
		}
	}
	t.Logf("%d contacts, %d of %d pairs weighed", contacts, weighed, pairs)
	if contacts < 50 || weighed > pairs/2 {
		t.Errorf("%d contacts, %d of %d pairs weighed", contacts, weighed, pairs)
	}
}

// The bounds of logarithms are bounds.
func TestRoughLogarithms(t *testing.T) {
	var a analyser
	a.soft.fill()
	for i := range 200_000 {
		x := math.Exp(float64(i)*0.0003 - 30)
		if d := math.Log(x) - lnBelow(x); d < -1e-13 || d > 0.0141 {
			t.Fatalf("lnBelow(%g) is off by %g", x, d)
		}
	}
	for i := range 50_000 {
		d := float64(i) * 0.0005
		if more := a.roughAdd(1, 1-d) - 1 - math.Log1p(math.Exp(-d)); more < 0 || more > 4e-5 {
			t.Fatalf("roughAdd at a difference of %g is off by %g", d, more)
		}
	}
}
