package storage

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"math"
	"math/bits"

	"github.com/klauspost/compress/zstd"

	"ringsaddle/acquire"
)

// A trace block holds consecutive readings of one stream:
//
//	version   1 byte, 1
//	columns   1 byte: which of the optional columns follow (column…)
//	count     uvarint, 1 to MaxBlockReadings
//	first seq uvarint
//	t0        varint, At of the first reading, ns
//	digest    32 bytes, SHA-256 over the decoded readings
//	columns   At, then Flags, X, Y, Tilt as far as present
//
// A column that is zero throughout is left out. Every other one stands as
// differences, or differences of differences, mapped to unsigned numbers
// (zigzag), either as varints or as byte planes (all lowest bytes, then all
// second bytes, …), each chunk raw, compressed or as one repeated byte. The
// encoder tries all four and keeps the smallest; the codec byte before the
// column tells. Varints suit counts, which differ by little; planes suit arrival
// times, whose low bytes are noise that nothing compresses and whose high bytes
// hardly change.
//
// Times are kept to the nanosecond: the detector sees them, and a replay that
// must be bit-identical cannot do with less.
const (
	blockVersion = 1
	// MaxBlockReadings is the largest number of readings in a block.
	MaxBlockReadings = 1 << 16

	columnFlags = 1 << 0
	columnX     = 1 << 1
	columnY     = 1 << 2
	columnTilt  = 1 << 3
	columnAll   = columnFlags | columnX | columnY | columnTilt

	codecSecond = 1 << 0 // differences of differences
	codecPlanes = 1 << 1 // byte planes
	codecAll    = codecSecond | codecPlanes

	chunkRaw      = 0
	chunkZstd     = 1
	chunkConstant = 2
)

// ErrBlock says that bytes are no trace block, or one that was damaged.
var ErrBlock = errors.New("damaged trace block")

// BlockCodec encodes and decodes trace blocks. It holds buffers of the
// compressor and no state: the same input gives the same output. It may be used
// by many goroutines.
type BlockCodec struct {
	enc *zstd.Encoder
	dec *zstd.Decoder
}

// NewBlockCodec returns a codec.
func NewBlockCodec() (*BlockCodec, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderCRC(false),
		zstd.WithSingleSegment(true), zstd.WithWindowSize(1<<20), zstd.WithLowerEncoderMem(true))
	if err != nil {
		return nil, fmt.Errorf("compressor: %w", err)
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(2), zstd.WithDecoderMaxMemory(16<<20),
		zstd.WithDecodeAllCapLimit(true))
	if err != nil {
		return nil, fmt.Errorf("decompressor: %w", err)
	}
	return &BlockCodec{enc: enc, dec: dec}, nil
}

// EncodeBlock returns the block of readings whose Seq are consecutive, 1 to
// MaxBlockReadings of them.
func (c *BlockCodec) EncodeBlock(readings []acquire.Reading) ([]byte, error) {
	n := len(readings)
	if n == 0 || n > MaxBlockReadings {
		return nil, fmt.Errorf("a block of %d readings: permitted 1 to %d", n, MaxBlockReadings)
	}
	first := readings[0].Seq
	if first > math.MaxInt64-uint64(n) {
		return nil, fmt.Errorf("reading %d: sequence numbers end below 2^63", first)
	}
	var flags, x, y, tilt uint64
	for i, r := range readings {
		if r.Seq != first+uint64(i) {
			return nil, fmt.Errorf("reading %d follows %d: a block holds consecutive readings", r.Seq, readings[i-1].Seq)
		}
		flags |= uint64(r.Flags)
		x |= uint64(r.X)
		y |= uint64(r.Y)
		tilt |= uint64(r.Tilt)
	}
	present := byte(0)
	for i, any := range []uint64{flags, x, y, tilt} {
		if any != 0 {
			present |= columnFlags << i
		}
	}
	out := []byte{blockVersion, present}
	out = binary.AppendUvarint(out, uint64(n))
	out = binary.AppendUvarint(out, first)
	out = binary.AppendVarint(out, readings[0].At)
	d := digestReadings(readings)
	out = append(out, d[:]...)
	work := &columnWork{values: make([]uint64, n), first: make([]uint64, n), second: make([]uint64, n)}
	for i, get := range columns() {
		if i > 0 && present&(columnFlags<<(i-1)) == 0 {
			continue
		}
		for k := range readings {
			work.values[k] = get(&readings[k])
		}
		base := uint64(0)
		if i == 0 {
			base = uint64(readings[0].At)
		}
		out = c.appendColumn(out, work, base)
	}
	return out, nil
}

// columns returns what takes each column out of a reading: At, Flags, X, Y, Tilt.
func columns() [5]func(*acquire.Reading) uint64 {
	return [5]func(*acquire.Reading) uint64{
		func(r *acquire.Reading) uint64 { return uint64(r.At) },
		func(r *acquire.Reading) uint64 { return uint64(r.Flags) },
		func(r *acquire.Reading) uint64 { return uint64(r.X) },
		func(r *acquire.Reading) uint64 { return uint64(r.Y) },
		func(r *acquire.Reading) uint64 { return uint64(r.Tilt) },
	}
}

type columnWork struct {
	values, first, second []uint64
	best, trial, scratch  []byte
}

// appendColumn encodes the values in every way and appends the shortest. All
// arithmetic is modulo 2^64, so that no value overflows.
func (c *BlockCodec) appendColumn(out []byte, w *columnWork, base uint64) []byte {
	prev, prevDiff := base, uint64(0)
	for i, v := range w.values {
		diff := v - prev
		w.first[i] = zigzag(diff)
		w.second[i] = zigzag(diff - prevDiff)
		prev, prevDiff = v, diff
	}
	w.best = w.best[:0]
	for codec := byte(0); codec <= codecAll; codec++ {
		values := w.first
		if codec&codecSecond != 0 {
			values = w.second
		}
		w.trial = append(w.trial[:0], codec)
		if codec&codecPlanes != 0 {
			w.trial = c.appendPlanes(w.trial, w, values)
		} else {
			w.scratch = w.scratch[:0]
			for _, v := range values {
				w.scratch = binary.AppendUvarint(w.scratch, v)
			}
			w.trial = binary.AppendUvarint(w.trial, uint64(len(w.scratch)))
			w.trial = c.appendChunk(w.trial, w.scratch)
		}
		if len(w.best) == 0 || len(w.trial) < len(w.best) {
			w.best, w.trial = w.trial, w.best
		}
	}
	return append(out, w.best...)
}

func (c *BlockCodec) appendPlanes(out []byte, w *columnWork, values []uint64) []byte {
	all := uint64(0)
	for _, v := range values {
		all |= v
	}
	width := (bits.Len64(all) + 7) / 8
	out = append(out, byte(width))
	for p := range width {
		w.scratch = w.scratch[:0]
		for _, v := range values {
			w.scratch = append(w.scratch, byte(v>>(8*p)))
		}
		out = c.appendChunk(out, w.scratch)
	}
	return out
}

// appendChunk appends raw in the shortest of its three forms.
func (c *BlockCodec) appendChunk(out, raw []byte) []byte {
	if len(raw) > 1 && bytes.Count(raw, raw[:1]) == len(raw) {
		return append(out, chunkConstant, raw[0])
	}
	if len(raw) >= 16 { // below that the frame's own header costs more than it saves
		if packed := c.enc.EncodeAll(raw, nil); len(packed) < len(raw) {
			out = append(out, chunkZstd)
			out = binary.AppendUvarint(out, uint64(len(packed)))
			return append(out, packed...)
		}
	}
	return append(append(out, chunkRaw), raw...)
}

// DecodeBlock returns the readings of a block. Any damage gives an error that
// wraps ErrBlock, never wrong readings: the digest is checked.
func (c *BlockCodec) DecodeBlock(data []byte) ([]acquire.Reading, error) {
	out, err := c.decode(data)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrBlock, err)
	}
	return out, nil
}

func (c *BlockCodec) decode(data []byte) ([]acquire.Reading, error) {
	p := &parser{rest: data}
	if v := p.byte(); p.err == nil && v != blockVersion {
		return nil, fmt.Errorf("version %d, this release knows %d", v, blockVersion)
	}
	present := p.byte()
	count := p.uvarint()
	first := p.uvarint()
	t0 := p.varint()
	want := p.take(sha256.Size)
	if p.err != nil {
		return nil, p.err
	}
	if present&^columnAll != 0 || count == 0 || count > MaxBlockReadings || first > math.MaxInt64-count {
		return nil, fmt.Errorf("impossible header: columns %#x, %d readings from %d", present, count, first)
	}
	if uint64(len(p.rest)) < 2 {
		return nil, errShort
	}
	n := int(count)
	values := make([]uint64, n)
	out := make([]acquire.Reading, n)
	for i := range out {
		out[i].Seq = first + uint64(i)
	}
	for i := range 5 { // At, Flags, X, Y, Tilt
		if i > 0 && present&(columnFlags<<(i-1)) == 0 {
			continue
		}
		base := uint64(0)
		if i == 0 {
			base = uint64(t0)
		}
		if err := c.readColumn(p, values, base); err != nil {
			return nil, err
		}
		for k, v := range values {
			switch i {
			case 0:
				out[k].At = int64(v)
			case 1:
				if v > math.MaxUint32 {
					return nil, fmt.Errorf("flags %#x", v)
				}
				out[k].Flags = acquire.Flags(v)
			case 2:
				out[k].X = int64(v)
			case 3:
				out[k].Y = int64(v)
			case 4:
				out[k].Tilt = int64(v)
			}
		}
	}
	if len(p.rest) != 0 {
		return nil, fmt.Errorf("%d bytes too many", len(p.rest))
	}
	if d := digestReadings(out); !bytes.Equal(d[:], want) {
		return nil, errors.New("the readings do not match their digest")
	}
	return out, nil
}

func (c *BlockCodec) readColumn(p *parser, values []uint64, base uint64) error {
	codec := p.byte()
	if p.err != nil {
		return p.err
	}
	if codec&^codecAll != 0 {
		return fmt.Errorf("unknown codec %#x", codec)
	}
	if codec&codecPlanes != 0 {
		width := int(p.byte())
		if p.err == nil && width > 8 {
			return fmt.Errorf("%d byte planes", width)
		}
		clear(values)
		for plane := range width {
			raw, err := c.readChunk(p, len(values))
			if err != nil {
				return err
			}
			for i, b := range raw {
				values[i] |= uint64(b) << (8 * plane)
			}
		}
	} else {
		size := p.uvarint()
		if p.err == nil && size > uint64(len(values)*binary.MaxVarintLen64) {
			return fmt.Errorf("a column of %d bytes for %d readings", size, len(values))
		}
		if p.err != nil {
			return p.err
		}
		raw, err := c.readChunk(p, int(size))
		if err != nil {
			return err
		}
		v := &parser{rest: raw}
		for i := range values {
			values[i] = v.uvarint()
		}
		if v.err != nil {
			return v.err
		}
		if len(v.rest) != 0 {
			return errors.New("a column is longer than its readings")
		}
	}
	if p.err != nil {
		return p.err
	}
	prev, prevDiff := base, uint64(0)
	for i, v := range values {
		diff := unzigzag(v)
		if codec&codecSecond != 0 {
			diff += prevDiff
		}
		prev += diff
		prevDiff = diff
		values[i] = prev
	}
	return nil
}

func (c *BlockCodec) readChunk(p *parser, size int) ([]byte, error) {
	switch kind := p.byte(); {
	case p.err != nil:
		return nil, p.err
	case kind == chunkRaw:
		raw := p.take(size)
		return raw, p.err
	case kind == chunkConstant:
		b := p.byte()
		return bytes.Repeat([]byte{b}, size), p.err
	case kind == chunkZstd:
		packed := p.take(int(min(p.uvarint(), math.MaxInt32)))
		if p.err != nil {
			return nil, p.err
		}
		raw, err := c.dec.DecodeAll(packed, make([]byte, 0, size))
		if err != nil {
			return nil, err
		}
		if len(raw) != size {
			return nil, fmt.Errorf("%d bytes unpacked, %d expected", len(raw), size)
		}
		return raw, nil
	default:
		return nil, fmt.Errorf("unknown chunk %d", kind)
	}
}

var errShort = errors.New("it ends too early")

// parser takes bytes off the front; after the first error it gives zeros.
type parser struct {
	rest []byte
	err  error
}

func (p *parser) take(n int) []byte {
	if p.err != nil || n > len(p.rest) {
		p.fail(errShort)
		return nil
	}
	b := p.rest[:n]
	p.rest = p.rest[n:]
	return b
}

func (p *parser) byte() byte {
	if b := p.take(1); len(b) == 1 {
		return b[0]
	}
	return 0
}

func (p *parser) uvarint() uint64 {
	if p.err != nil {
		return 0
	}
	v, n := binary.Uvarint(p.rest)
	if n <= 0 {
		p.fail(errShort)
		return 0
	}
	p.rest = p.rest[n:]
	return v
}

func (p *parser) varint() int64 { return int64(unzigzag(p.uvarint())) }

func (p *parser) fail(err error) {
	if p.err == nil {
		p.err = err
	}
}

// zigzag maps small numbers of either sign to small unsigned numbers.
func zigzag(v uint64) uint64 { return v<<1 ^ uint64(int64(v)>>63) }

func unzigzag(v uint64) uint64 { return v>>1 ^ -(v & 1) }

// readingDigest is a running SHA-256 over readings: for each the 44 bytes seq,
// at, x, y, tilt (8 each, least significant first) and flags (4).
type readingDigest struct{ h hash.Hash }

func newReadingDigest() readingDigest {
	h := sha256.New()
	h.Write([]byte("ringsaddle readings 1"))
	return readingDigest{h}
}

func (d readingDigest) add(r acquire.Reading) {
	var b [44]byte
	putReading(b[:0], r)
	d.h.Write(b[:])
}

func (d readingDigest) sum() (out [sha256.Size]byte) {
	d.h.Sum(out[:0])
	return out
}

func putReading(b []byte, r acquire.Reading) []byte {
	for _, v := range [5]uint64{r.Seq, uint64(r.At), uint64(r.X), uint64(r.Y), uint64(r.Tilt)} {
		b = binary.LittleEndian.AppendUint64(b, v)
	}
	return binary.LittleEndian.AppendUint32(b, uint32(r.Flags))
}

func digestReadings(readings []acquire.Reading) [sha256.Size]byte {
	d := newReadingDigest()
	buf := make([]byte, 0, 64*44)
	for i, r := range readings {
		buf = putReading(buf, r)
		if len(buf) == cap(buf) || i == len(readings)-1 {
			d.h.Write(buf)
			buf = buf[:0]
		}
	}
	return d.sum()
}
