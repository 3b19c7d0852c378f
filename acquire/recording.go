package acquire

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// The form of a recording, version 1. It is text, so that it can be sent by mail,
// read, cut and kept beside a test:
//
//	ringsaddle-recording/1
//	station "bench-1"
//	port "/dev/ttyUSB0, 9600 baud 8N1"
//	boot "6f1c…"
//	opened 8123000000 1764000000000000000 "opened"
//	bytes 8123456789 "+25.00412\r\n"
//	missed 8200000000 512
//	lost 8300000000 "the device is gone"
//	end 8400000000
//
// The first number of an item is the station clock in nanoseconds; with "opened"
// follows the Unix time in nanoseconds. Bytes are quoted as in Go source: text
// stands for itself, all else is escaped. Lines that are empty or begin with "#"
// are passed over. Without "end" the recording was cut short.
const recordingMagic = "ringsaddle-recording/1"

// ChunkKind says what a Chunk is.
type ChunkKind uint8

// The kinds of chunks.
const (
	// ChunkBytes: bytes as one Read delivered them.
	ChunkBytes ChunkKind = iota
	// ChunkOpened: the port was opened.
	ChunkOpened
	// ChunkLost: the port was lost or closed.
	ChunkLost
	// ChunkMissed: the recorder could not keep up; Missed bytes are not in the
	// recording.
	ChunkMissed
)

// Chunk is one item of a recording of a port.
type Chunk struct {
	Kind ChunkKind
	// At is the station clock (ns) when the Read returned.
	At int64
	// Bytes is set with ChunkBytes.
	Bytes []byte
	// WallNS is the Unix time (ns) at At, set with ChunkOpened.
	WallNS int64
	// Text says why, with ChunkOpened and ChunkLost.
	Text string
	// Missed is set with ChunkMissed.
	Missed int64
}

// RecordingHeader says what was recorded.
type RecordingHeader struct {
	// Station, Port (with its line settings) and BootID as in SourceConfig.
	Station, Port, BootID string
}

// Recording is what a port delivered, with the times at which it did.
type Recording struct {
	RecordingHeader
	// Name is where it came from, for messages.
	Name   string
	Chunks []Chunk
	// EndAt is the station clock (ns) at which recording ended; Complete is
	// false when the end is missing: the recorder was killed, or the file was
	// cut.
	EndAt    int64
	Complete bool
}

// Bytes returns the number of bytes recorded.
func (r Recording) Bytes() (n int64) {
	for _, c := range r.Chunks {
		n += int64(len(c.Bytes))
	}
	return n
}

func appendHeader(b []byte, h RecordingHeader) []byte {
	b = append(b, recordingMagic+"\n"...)
	for _, f := range [...]struct{ key, value string }{{"station", h.Station}, {"port", h.Port}, {"boot", h.BootID}} {
		if f.value != "" {
			b = fmt.Appendf(b, "%s %+q\n", f.key, f.value)
		}
	}
	return b
}

// appendChunk appends a chunk as a line.
func appendChunk(b []byte, c Chunk) []byte {
	switch c.Kind {
	case ChunkBytes:
		b = append(b, "bytes "...)
		b = strconv.AppendInt(b, c.At, 10)
		b = append(b, ' ')
		b = strconv.AppendQuoteToASCII(b, string(c.Bytes))
		return append(b, '\n')
	case ChunkOpened:
		return fmt.Appendf(b, "opened %d %d %+q\n", c.At, c.WallNS, c.Text)
	case ChunkLost:
		return fmt.Appendf(b, "lost %d %+q\n", c.At, c.Text)
	default:
		return fmt.Appendf(b, "missed %d %d\n", c.At, c.Missed)
	}
}

// WriteTo writes the recording in the form that ReadRecording reads.
func (r Recording) WriteTo(w io.Writer) (int64, error) {
	out := &countingWriter{w: w}
	b := bufio.NewWriter(out)
	line := appendHeader(nil, r.RecordingHeader)
	for _, c := range r.Chunks {
		if _, err := b.Write(line); err != nil {
			return out.n, err
		}
		line = appendChunk(line[:0], c)
	}
	if r.Complete {
		line = fmt.Appendf(line, "end %d\n", r.EndAt)
	}
	if _, err := b.Write(line); err != nil {
		return out.n, err
	}
	return out.n, b.Flush()
}

type countingWriter struct {
	w io.Writer
	n int64
}

func (c *countingWriter) Write(p []byte) (int, error) {
	n, err := c.w.Write(p)
	c.n += int64(n)
	return n, err
}

// RecordingError says where a recording cannot be read.
type RecordingError struct {
	Name string
	Line int
	Text string
}

func (e *RecordingError) Error() string {
	return fmt.Sprintf("%s: line %d: %s", e.Name, e.Line, e.Text)
}

// maxRecordingLine bounds a line: a chunk is at most one read, four characters
// a byte.
const maxRecordingLine = 1 << 20

// ReadRecording reads a recording. A last line that was cut off is dropped and
// Complete is false. The error is a *RecordingError, or that of the reader.
func ReadRecording(r io.Reader, name string) (Recording, error) {
	rec := Recording{Name: name}
	in := bufio.NewReaderSize(r, 64<<10)
	for n := 1; ; n++ {
		line, err := in.ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return rec, fmt.Errorf("read %s: %w", name, err)
		}
		cut := err != nil // no line end: the writer was interrupted
		line = strings.TrimRight(line, "\r\n")
		if n == 1 {
			if line != recordingMagic {
				return rec, &RecordingError{name, 1, fmt.Sprintf("found %q, expected %q", clip(line), recordingMagic)}
			}
			if cut {
				return rec, nil
			}
			continue
		}
		if len(line) > maxRecordingLine {
			return rec, &RecordingError{name, n, fmt.Sprintf("longer than %d bytes", maxRecordingLine)}
		}
		if cut {
			return rec, nil
		}
		if rec.Complete && line != "" && line[0] != '#' {
			return rec, &RecordingError{name, n, "an item after the end"}
		}
		if err := rec.parse(line); err != nil {
			return rec, &RecordingError{name, n, err.Error()}
		}
	}
}

func (r *Recording) parse(line string) error {
	if line == "" || line[0] == '#' {
		return nil
	}
	word, rest, _ := strings.Cut(line, " ")
	switch word {
	case "station", "port", "boot":
		text, err := strconv.Unquote(rest)
		if err != nil {
			return fmt.Errorf("%s: found %s, expected text in double quotes", word, clip(rest))
		}
		switch word {
		case "station":
			r.Station = text
		case "port":
			r.Port = text
		default:
			r.BootID = text
		}
		return nil
	case "opened", "bytes", "lost", "missed", "end":
	default:
		return fmt.Errorf("found %q, expected one of: station, port, boot, opened, bytes, lost, missed, end", clip(word))
	}
	number, rest, _ := strings.Cut(rest, " ")
	at, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return fmt.Errorf("%s: found %q, expected a time in nanoseconds", word, clip(number))
	}
	c := Chunk{At: at}
	switch word {
	case "end":
		r.EndAt, r.Complete = at, true
		return nil
	case "missed":
		c.Kind = ChunkMissed
		if c.Missed, err = strconv.ParseInt(rest, 10, 64); err != nil || c.Missed < 0 {
			return fmt.Errorf("missed: found %q, expected a number of bytes", clip(rest))
		}
		r.Chunks = append(r.Chunks, c)
		return nil
	case "opened":
		c.Kind = ChunkOpened
		number, rest, _ = strings.Cut(rest, " ")
		if c.WallNS, err = strconv.ParseInt(number, 10, 64); err != nil {
			return fmt.Errorf("opened: found %q, expected a Unix time in nanoseconds", clip(number))
		}
	case "lost":
		c.Kind = ChunkLost
	}
	text, err := strconv.Unquote(rest)
	if err != nil {
		return fmt.Errorf("%s: found %s, expected text in double quotes", word, clip(rest))
	}
	if c.Kind == ChunkBytes {
		c.Bytes = []byte(text)
	} else {
		c.Text = text
	}
	r.Chunks = append(r.Chunks, c)
	return nil
}
