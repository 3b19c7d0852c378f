package acquire

import "bytes"

// Framer cuts a stream of bytes at a terminator. It never gives up: after
// garbage it resynchronises at the next terminator, and it holds no more than
// one frame's bytes. What it yields depends on the bytes alone and not on how
// they were split between calls of Push.
//
// Every byte pushed ends in exactly one token, or is one of the Pending bytes.
type Framer struct {
	term []byte
	max  int

	buf     []byte // bytes not yet in a token
	scanned int    // buf[:scanned] holds no terminator's first byte
	start   int    // buf[:start] has been handed out
	offset  int64  // of buf[start] since Reset
	skip    bool   // within an over-long frame: reject up to the terminator
}

// Token is one piece of the stream: a frame, or bytes that belong to none.
type Token struct {
	// Frame holds the bytes of the frame without its terminator. Of an over-long
	// frame it is the part that came with this token. It is valid until the next
	// call of Push or Reset.
	Frame []byte
	// Length is the number of bytes consumed, terminator counted.
	Length int
	// Offset is the place of the first byte since the Framer was reset.
	Offset int64
	// TooLong marks the bytes of an over-long frame. First marks the first of
	// its tokens; the others only continue the count.
	TooLong, First bool
}

// NewFramer returns a framer for the terminator (at least one byte) and for
// frames of at most maxFrame bytes, terminator not counted (at least 1).
func NewFramer(terminator []byte, maxFrame int) *Framer {
	if len(terminator) == 0 {
		terminator = []byte{'\n'}
	}
	return &Framer{term: bytes.Clone(terminator), max: max(maxFrame, 1)}
}

// Push adds bytes as they were read. Call Next until it reports false before
// pushing more: that keeps the buffer at one frame plus what was pushed.
func (f *Framer) Push(p []byte) {
	if f.start > 0 {
		n := copy(f.buf, f.buf[f.start:])
		f.buf = f.buf[:n]
		f.scanned -= f.start
		f.start = 0
	}
	f.buf = append(f.buf, p...)
}

// Next returns the next token and true, or false when more bytes are needed.
func (f *Framer) Next() (Token, bool) {
	from := max(f.start, f.scanned)
	if i := bytes.Index(f.buf[from:], f.term); i >= 0 {
		end := from + i
		first, tooLong := !f.skip, f.skip || end-f.start > f.max
		f.skip = false
		return f.token(end, end+len(f.term), tooLong, first), true
	}
	// The last bytes may be the beginning of a terminator.
	keep := len(f.buf) - len(f.term) + 1
	f.scanned = max(f.start, keep)
	if f.skip && keep > f.start {
		return f.token(keep, keep, true, false), true
	}
	if !f.skip && keep-f.start > f.max {
		f.skip = true
		return f.token(keep, keep, true, true), true
	}
	return Token{}, false
}

// token hands out buf[start:end] and consumes up to buf[:next].
func (f *Framer) token(end, next int, tooLong, first bool) Token {
	t := Token{
		Frame: f.buf[f.start:end:end], Length: next - f.start, Offset: f.offset,
		TooLong: tooLong, First: tooLong && first,
	}
	f.offset += int64(t.Length)
	f.start = next
	f.scanned = max(f.scanned, next)
	return t
}

// Pending returns the bytes that are in no token yet: the beginning of a frame.
func (f *Framer) Pending() []byte { return f.buf[f.start:] }

// Skipping reports whether the framer is within an over-long frame.
func (f *Framer) Skipping() bool { return f.skip }

// Reset forgets everything, for a newly opened port.
func (f *Framer) Reset() {
	f.buf, f.scanned, f.start, f.offset, f.skip = f.buf[:0], 0, 0, 0, false
}
