package acquire

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
