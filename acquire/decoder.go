package acquire

import "fmt"

// Decoder turns the bytes between two terminators into a Frame. It is pure: it
// keeps no state between frames and does no I/O. Package frame has the one that
// is configured without code.
type Decoder interface {
	// Terminator returns the bytes that end a frame; at least one.
	Terminator() []byte
	// MaxFrame returns the longest permitted frame in bytes, terminator not
	// counted.
	MaxFrame() int
	// Decode decodes one frame (terminator cut off) into f, which it overwrites.
	// It returns nil, or why the frame is rejected; Offset, At and Raw of the
	// FrameError are filled in by the caller.
	Decode(frame []byte, f *Frame) *FrameError
}

// Frame is one decoded frame.
type Frame struct {
	// X, Y and Tilt are counts of Step; Flags (HasY, HasTilt) say which of Y and
	// Tilt were there. NotValid in Flags: the readout declares its position not
	// valid, the counts mean nothing and Step may be zero.
	X, Y, Tilt int64
	Flags      Flags
	// Step is the length of one count, as the decimals and the unit of this very
	// frame tell it.
	Step Step
	// ResolutionPM is the smallest change the readout can show, in picometres.
	ResolutionPM int64
	// Temperature and HasTemperature: a temperature in millionths of a degree
	// Celsius, and the configured name of what was measured.
	Temperature        int64
	HasTemperature     bool
	TemperatureChannel string
}

// Reason is the bounded set of causes for which bytes are rejected.
type Reason uint8

// The reasons. Their codes (see Reason.String) are stable: metrics and scripts
// use them.
const (
	// ReasonNoMatch: the frame does not match the configured pattern.
	ReasonNoMatch Reason = iota
	// ReasonBadNumber: a group of the pattern is not a decimal number.
	ReasonBadNumber
	// ReasonEmpty: nothing, or only blanks, between two terminators. No reading
	// is taken to be missing.
	ReasonEmpty
	// ReasonTooLong: more bytes without a terminator than a frame may have.
	ReasonTooLong
	// ReasonTooManyDigits: more digits or decimals than a count can hold exactly.
	ReasonTooManyDigits
	// ReasonOverflow: the position is beyond what a count of the Step can hold.
	ReasonOverflow
	// ReasonDecimalsChanged: the number of decimals is not that of the stream,
	// and the frames that follow do not confirm it: a digit was lost.
	ReasonDecimalsChanged
	// ReasonUnit: a unit that is not configured.
	ReasonUnit
	// ReasonStatus: a status word that is neither valid nor "not valid".
	ReasonStatus
	// ReasonPartial: the bytes up to the first terminator after the port was
	// opened. The frame's beginning may have been missed, and a number without
	// its first digits can look whole.
	ReasonPartial
	// ReasonUnfinished: bytes without a terminator when the port was lost.
	ReasonUnfinished

	// ReasonCount is the number of reasons.
	ReasonCount
)

// String returns the code of the reason: lower case with underscores.
func (r Reason) String() string {
	names := [ReasonCount]string{
		"no_match", "bad_number", "empty", "too_long", "too_many_digits", "overflow",
		"decimals_changed", "unit", "status", "partial", "unfinished",
	}
	if r < ReasonCount {
		return names[r]
	}
	return fmt.Sprintf("reason_%d", uint8(r))
}

// FrameError says why bytes were rejected, with the evidence.
type FrameError struct {
	// Reason is the code.
	Reason Reason
	// Text says it for a person.
	Text string
	// At is the station clock (ns) when the bytes became a rejected frame.
	At int64
	// Offset is the place of the first byte, counted from the opening of the
	// port.
	Offset int64
	// Raw holds the first bytes of the frame, terminator not counted; Length is
	// the number of bytes rejected with it, terminator counted.
	Raw    []byte
	Length int
}

func (e *FrameError) Error() string {
	return fmt.Sprintf("frame rejected (%s): %s", e.Reason, e.Text)
}
