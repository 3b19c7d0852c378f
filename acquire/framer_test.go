package acquire_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"ringsaddle/acquire"
)

// cut is what a framer made of some bytes: whole frames, and the bytes of the
// over-long ones joined.
type cut struct {
	Frames  []string
	TooLong []string
	Offsets []int64
	Pending string
}

// frameAll pushes what the reader delivers, as it delivers it.
func frameAll(t testing.TB, f *acquire.Framer, r io.Reader) cut {
	t.Helper()
	var c cut
	buf := make([]byte, 512)
	read, consumed := 0, 0
	for {
		n, err := r.Read(buf)
		read += n
		f.Push(buf[:n])
		for {
			token, ok := f.Next()
			if !ok {
				break
			}
			if token.Offset != int64(consumed) {
				t.Fatalf("a token at %d; want %d", token.Offset, consumed)
			}
			consumed += token.Length
			switch {
			case !token.TooLong:
				c.Frames = append(c.Frames, string(token.Frame))
				c.Offsets = append(c.Offsets, token.Offset)
			case token.First:
				c.TooLong = append(c.TooLong, string(token.Frame))
			default:
				c.TooLong[len(c.TooLong)-1] += string(token.Frame)
			}
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil && !errors.Is(err, iotest.ErrTimeout) {
			t.Fatal(err)
		}
	}
	if f.Skipping() { // the rest of the over-long frame
		c.TooLong[len(c.TooLong)-1] += string(f.Pending())
	} else {
		c.Pending = string(f.Pending())
	}
	if consumed+len(f.Pending()) != read {
		t.Fatalf("%d bytes in tokens and %d pending of %d read", consumed, len(f.Pending()), read)
	}
	return c
}

func TestFramer(t *testing.T) {
	for _, c := range []struct {
		name, term string
		max        int
		in         string
		want       cut
	}{
		{"two frames", "\r\n", 8, "ab\r\ncd\r\n", cut{Frames: []string{"ab", "cd"}, Offsets: []int64{0, 4}}},
		{"unfinished", "\r\n", 8, "ab\r\ncd\r", cut{Frames: []string{"ab"}, Offsets: []int64{0}, Pending: "cd\r"}},
		{"empty frames", "\n", 8, "\n\na\n", cut{Frames: []string{"", "", "a"}, Offsets: []int64{0, 1, 2}}},
		{"half a terminator inside", "\r\n", 8, "a\rb\r\r\nc\r\n", cut{Frames: []string{"a\rb\r", "c"}, Offsets: []int64{0, 6}}},
		{"overlapping terminator", "aab", 8, "aaab1aab", cut{Frames: []string{"a", "1"}, Offsets: []int64{0, 4}}},
		{"just fits", "\r\n", 4, "abcd\r\n", cut{Frames: []string{"abcd"}, Offsets: []int64{0}}},
		{"one too long, then good", "\r\n", 4, "abcde\r\nok\r\n", cut{TooLong: []string{"abcde"}, Frames: []string{"ok"}, Offsets: []int64{7}}},
		{"long garbage, then good", "\r\n", 4, "0123456789\r\rxx\r\nok\r\n", cut{TooLong: []string{"0123456789\r\rxx"}, Frames: []string{"ok"}, Offsets: []int64{16}}},
		{"garbage without end", "\r\n", 4, "0123456789\r", cut{TooLong: []string{"0123456789\r"}}},
		{"any bytes", "\x00\xff", 8, "\xff\x00\x00\xffz", cut{Frames: []string{"\xff\x00"}, Offsets: []int64{0}, Pending: "z"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := []byte(c.in)
			for name, r := range map[string]io.Reader{
				"whole": bytes.NewReader(in), "one byte": iotest.OneByteReader(bytes.NewReader(in)),
				"half": iotest.HalfReader(bytes.NewReader(in)), "data with error": iotest.DataErrReader(bytes.NewReader(in)),
				"timeout": iotest.TimeoutReader(bytes.NewReader(in)),
			} {
				got := frameAll(t, acquire.NewFramer([]byte(c.term), c.max), r)
				if diff := cmp.Diff(c.want, got); diff != "" {
					t.Errorf("%s (-want +got):\n%s", name, diff)
				}
			}
		})
	}
}

func TestFramerReset(t *testing.T) {
	f := acquire.NewFramer([]byte("\n"), 4)
	frameAll(t, f, bytes.NewReader([]byte("far too long")))
	f.Reset()
	if f.Skipping() || len(f.Pending()) != 0 {
		t.Fatal("Reset left something behind")
	}
	if got := frameAll(t, f, bytes.NewReader([]byte("ok\n"))); len(got.Frames) != 1 || got.Frames[0] != "ok" {
		t.Errorf("after Reset: %+v", got)
	}
}

// loadCorpus returns the files of a corpus. An empty corpus is an error, or the
// fuzzing would quietly start from nothing.
func loadCorpus(t testing.TB, pattern string) map[string][]byte {
	t.Helper()
	files, err := filepath.Glob(pattern)
	if err != nil || len(files) == 0 {
		t.Fatalf("no files match %s: %v", pattern, err)
	}
	corpus := map[string][]byte{}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if len(b) == 0 {
			t.Fatalf("%s is empty", f)
		}
		corpus[filepath.Base(f)] = b
	}
	return corpus
}

// splitReader delivers pieces of pseudo-random sizes.
type splitReader struct {
	rest []byte
	rng  *rand.Rand
}

func (s *splitReader) Read(p []byte) (int, error) {
	if len(s.rest) == 0 {
		return 0, io.EOF
	}
	n := copy(p[:min(len(p), 1+s.rng.IntN(24))], s.rest)
	s.rest = s.rest[n:]
	return n, nil
}

// FuzzFramer: what a framer yields does not depend on how the bytes were split
// between reads, and equals what cutting the whole at the terminator gives.
func FuzzFramer(f *testing.F) {
	for _, b := range loadCorpus(f, "testdata/bytes/*.bin") {
		f.Add(b, []byte("\r\n"), 32, uint64(1))
		f.Add(b, []byte("\r"), 8, uint64(2))
	}
	f.Add([]byte("aaaabaab"), []byte("aab"), 2, uint64(3))
	f.Fuzz(func(t *testing.T, in, term []byte, longest int, seed uint64) {
		if len(term) == 0 || len(term) > 16 || longest < 1 || longest > 4096 {
			t.Skip("not a configuration")
		}
		want := frameWhole(in, term, longest)
		for name, r := range map[string]io.Reader{
			"whole":    bytes.NewReader(in),
			"one byte": iotest.OneByteReader(bytes.NewReader(in)),
			"random":   &splitReader{in, rand.New(rand.NewPCG(seed, 1))},
		} {
			got := frameAll(t, acquire.NewFramer(term, longest), r)
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("%s (-want +got):\n%s", name, diff)
			}
		}
	})
}

// frameWhole is the definition: cut at the terminator, then sort by length.
func frameWhole(in, term []byte, longest int) cut {
	var c cut
	pieces := bytes.Split(in, term)
	offset := int64(0)
	for _, p := range pieces[:len(pieces)-1] {
		if len(p) > longest {
			c.TooLong = append(c.TooLong, string(p))
		} else {
			c.Frames = append(c.Frames, string(p))
			c.Offsets = append(c.Offsets, offset)
		}
		offset += int64(len(p) + len(term))
	}
	// The last piece is unfinished. Its last bytes may begin a terminator and so
	// do not yet make it too long.
	if last := pieces[len(pieces)-1]; len(last)-len(term)+1 > longest {
		c.TooLong = append(c.TooLong, string(last))
	} else {
		c.Pending = string(last)
	}
	return c
}

func BenchmarkFramer(b *testing.B) {
	var in bytes.Buffer
	for i := range 10_000 {
		fmt.Fprintf(&in, "%+.5f\r\n", 25+float64(i%977)*1e-5)
	}
	b.SetBytes(int64(in.Len()))
	f := acquire.NewFramer([]byte("\r\n"), 256)
	for b.Loop() {
		frames := 0
		for rest := in.Bytes(); len(rest) > 0; {
			n := min(len(rest), 1024)
			f.Push(rest[:n])
			rest = rest[n:]
			for {
				if _, ok := f.Next(); !ok {
					break
				}
				frames++
			}
		}
		if frames != 10_000 {
			b.Fatalf("%d frames", frames)
		}
	}
}
