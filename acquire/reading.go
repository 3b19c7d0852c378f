package acquire

import "fmt"

// Flags say what a tape entry carries and what happened just before it.
type Flags uint32

const (
	// HasY marks an entry whose frame carried the second axis; Y is valid.
	HasY Flags = 1 << iota
	// HasTilt marks an entry whose frame carried a tilt channel; Tilt is valid.
	HasTilt
	// Gap says that readings may be missing between the entry before and this
	// one: the port was reopened, or bytes were lost or rejected.
	Gap
	// NotValid says that the readout sent a frame but declared its own position
	// not valid (a status word); the positions mean nothing.
	NotValid
	// Silence marks an entry that is no reading: nothing was received for the
	// configured silence limit. At is the time at which that became certain.
	Silence
	// StreamStart marks an entry that is no reading: the entries after it belong
	// to a new Stream (reopened port, changed unit or decimals). Tape.StreamAt
	// tells which. StreamStart always comes with Gap.
	StreamStart
	// Hint marks an entry that is no reading: what the plan seeks now, encoded
	// by package detect in X, Y and Tilt. Hints travel on the tape so that a
	// replay sees them at the same place.
	Hint
)

// Reading is one entry of the tape: a position with its time, exactly as the
// readout sent it, or (see Silence, StreamStart, Hint) a mark between readings.
//
// Order is Seq. Seq starts at 1 with the first entry of a tape, grows by one
// per entry and is never reused by that tape. At may stand still or run
// backwards; that is legal input.
type Reading struct {
	// Seq is the place on the tape.
	Seq uint64
	// At is the station clock in nanoseconds (normally the system's boot-time
	// clock) when the read that delivered the frame's terminator returned.
	At int64
	// X, Y and Tilt are positions in counts of the stream's Step.
	X, Y, Tilt int64
	// Flags say which of them are valid.
	Flags Flags
}

// IsPosition reports whether the entry carries a valid X.
func (r Reading) IsPosition() bool {
	return r.Flags&(NotValid|Silence|StreamStart|Hint) == 0
}

// IsMark reports whether the entry is a mark and no frame of the readout.
func (r Reading) IsMark() bool { return r.Flags&(Silence|StreamStart|Hint) != 0 }

// PicometresPerMM is the number of picometres in a millimetre.
const PicometresPerMM = 1_000_000_000

// Step is the exact length of one count as a rational number of picometres.
// A readout with five decimals of a millimetre has the Step {10_000, 1}; one
// with six decimals of an inch has {25_400, 1}.
type Step struct {
	Num int64 // picometres
	Den int64 // counts, > 0
}

// StepOfDecimals returns the Step of a readout that shows millimetres (or
// inches) with the given number of decimals, 0 to 9.
func StepOfDecimals(decimals int, inch bool) (Step, error) {
	if decimals < 0 || decimals > 9 {
		return Step{}, fmt.Errorf("decimals %d: permitted 0 to 9", decimals)
	}
	num := int64(PicometresPerMM)
	den := int64(1)
	if inch {
		num = 254 * PicometresPerMM / 10
	}
	for range decimals {
		if num%10 == 0 {
			num /= 10
		} else {
			den *= 10
		}
	}
	return Step{Num: num, Den: den}, nil
}

// Valid reports whether the step is a positive length.
func (s Step) Valid() bool { return s.Num > 0 && s.Den > 0 }

// MM returns the length of one count in millimetres.
func (s Step) MM() float64 {
	return float64(s.Num) / float64(s.Den) / PicometresPerMM
}

// PositionMM returns counts as millimetres. The result is correctly rounded
// where counts·Num fits 53 bits, and within one unit in the last place of that
// elsewhere.
func (s Step) PositionMM(counts int64) float64 {
	return float64(counts) * float64(s.Num) / (float64(s.Den) * PicometresPerMM)
}

// Stream describes an unbroken succession of readings from one opening of one
// port with one unit and one number of decimals. It is stored and never changed.
type Stream struct {
	// ID is a UUIDv7.
	ID string
	// Station is the configured name of the bench.
	Station string
	// BootID identifies the boot of the system whose clock At counts.
	BootID string
	// OpenedAt is the station clock (ns) and OpenedWallNS the Unix time (ns) of
	// one and the same instant: the anchors that tie At to wall time.
	OpenedAt, OpenedWallNS int64
	// Step is the exact length of one count.
	Step Step
	// ResolutionPM is the smallest change the readout can show, in picometres.
	// It is at least the Step and may be a multiple of it.
	ResolutionPM int64
	// FirstSeq is the Seq of the stream's StreamStart entry on its tape.
	FirstSeq uint64
	// Reason says in words why the stream was opened ("opened", "reopened after
	// the port vanished", "the readout changed its decimals").
	Reason string
	// UnitChanged says that unit or decimals differ from the stream before: a
	// reference taken before is void.
	UnitChanged bool
}

// TemperatureSample is a temperature received in a frame or entered by hand.
type TemperatureSample struct {
	// At is the station clock, ns.
	At int64
	// Channel names what was measured: "ring", "master", "scale", "air".
	Channel string
	// MicroCelsius is the temperature in millionths of a degree Celsius.
	MicroCelsius int64
}
