package detect

// A contact is looked at many times, and most of its reversals are the same every
// time, with the same windows around them. Their polynomials are kept from look to
// look: they depend on nothing but the readings in the window.

// windowKey says which readings a window holds. Bins that no reading is added to any
// more never change in one generation of a contact.
type windowKey struct {
	generation uint32
	kind       int8
	group      int32 // bins taken together
	// Repeats beyond this length were left out. With the ends of the window, and
	// the number of elements in it, that tells which ones.
	repeats int32
	first   int32 // bins of the contact
	last    int32
	n       int32
}

// keptFits is how many polynomials are kept; one that falls on the place of another
// takes it.
const keptFits = 1024

type keptFit struct {
	key windowKey
	polynomial
}

type fitTable [keptFits]keptFit

func (k *windowKey) place() uint32 {
	h := uint32(k.first)*0x9e3779b1 ^ uint32(k.last)*0x85ebca77 ^ uint32(k.group)*0xc2b2ae3d
	return (h ^ h>>15) % keptFits
}

// fitted returns the polynomial of bins l…r, sg being +1 for a minimum.
func (a *analyser) fitted(l, r int, sg float64) *polynomial {
	key := a.window
	key.kind, key.first, key.last, key.n = int8(sg), a.bin[l], a.bin[r], int32(r-l+1)
	at := &a.fits[key.place()]
	if key.last >= a.closed {
		key.generation = 0 // the last bin may still grow
	}
	if key.generation == 0 || at.key != key {
		at.key, at.polynomial = key, a.fitPolynomial(l, r, sg)
	}
	return &at.polynomial
}
