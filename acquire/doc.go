// Package acquire turns the bytes of a readout into readings on a tape.
//
// The concepts, in the order in which data meets them:
//
//   - A port is an open serial line. One goroutine, the Source, owns it from
//     open to close; no other code holds the handle.
//   - A frame is what the readout sends between two terminators. Package frame
//     decodes it; what does not match is counted by reason and kept for show.
//   - A reading is one position with its time, an exact integer count of the
//     stream's Step. Nothing in this package turns a position into floating
//     point, and only ReadCSV rounds one: beyond a picometre.
//   - A stream is an unbroken run of readings with one Step. Every reopening of
//     the port and every change of unit or decimals begins a new one.
//     Neither is taken from one frame alone: a lost digit makes a number that
//     looks whole, so three frames must agree before a stream with a new Step is
//     begun (they wait, and are not lost), and the first frame after opening,
//     whose beginning may be missing, is dropped.
//   - The tape is a ring of recent readings with one writer and any number of
//     independent reading heads. The writer never waits. A head that falls a
//     whole ring behind is told exactly which readings it lost.
//
// What the time of a reading means: At is taken when the read that delivered
// the frame's terminator returns. It is arrival time, not sampling time. The
// readout's own delay, the adapter's buffering and the scheduler all lie in
// between, so frames may arrive in bunches with equal times, and a time may even
// run backwards between streams. Order is Seq alone; time is used for drift and
// for durations of tenths of a second, never to order readings.
//
// What cannot be recognised: a digit that the line turned into another digit, or
// a lost digit before the decimal mark. Such a frame is a lone outlier for those
// who judge the readings. Bytes that the system's own buffer lost are seen only as
// frames that do not match.
//
// What a gap means: readings may be missing before this one, and nobody knows
// how many. Silences and gaps are entries on the tape, not ticks.
package acquire
