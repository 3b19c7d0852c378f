package detect

import "ringsaddle/acquire"

// Hint is what the plan tells the detector through the tape. It is never
// needed: it steers what State advises, and breaks a tie between two
// adjustments that seek the same extremum.
type Hint struct {
	// Seek is the index into Params.Seeks of the adjustment that the technician
	// is asked to play now; -1 means nothing in particular.
	Seek int
}

// hintVersion marks the encoding of a Hint in a tape entry.
const hintVersion = 1

// EncodeHint returns the tape entry that carries h. Seq is given by the tape.
func EncodeHint(h Hint, at int64) acquire.Reading {
	return acquire.Reading{At: at, X: int64(h.Seek), Y: 0, Tilt: hintVersion, Flags: acquire.Hint}
}

// DecodeHint returns the hint that r carries; ok is false if r is no hint, or
// one that this build does not know.
func DecodeHint(r acquire.Reading) (h Hint, ok bool) {
	if r.Flags&acquire.Hint == 0 || r.Tilt != hintVersion || r.X < -1 || r.X > 1 {
		return Hint{Seek: -1}, false
	}
	return Hint{Seek: int(r.X)}, true
}
