package storage

import (
	"path/filepath"
	"sync"
	"time"
)

// latencyBounds are the upper bounds of the buckets of a Histogram, seconds.
func latencyBounds() [12]float64 {
	return [12]float64{0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 5}
}

// Histogram is a distribution of durations as plain data.
type Histogram struct {
	// UpperSeconds are the upper bounds of the buckets; Counts[i] is the number
	// of observations not above UpperSeconds[i] and above the bound before. The
	// last element of Counts is what lies above all bounds.
	UpperSeconds [12]float64
	Counts       [13]uint64
	SumSeconds   float64
	Count        uint64
}

// Stats is a snapshot of a store.
type Stats struct {
	// DatabaseBytes and WALBytes are the sizes of the files; DiskFreeBytes is
	// what an ordinary user may still write beside them (-1 if unknown).
	DatabaseBytes, WALBytes, DiskFreeBytes int64
	// Writes is the time from submitting a piece of work to its commit;
	// Transactions the time from begin to end of commit.
	Writes, Transactions Histogram
	// QueueLength is the number of pieces of work that wait.
	QueueLength int
	// Errors counts pieces of work that failed; Full those that failed because
	// the disk is full. LastError is the newest, LastErrorAt its wall time.
	Errors, Full uint64
	LastError    string
	LastErrorAt  time.Time
	// BlocksFolded and BlocksRetired count tails replaced by full blocks, and
	// blocks removed by the retention policy.
	BlocksFolded, BlocksRetired uint64
	SchemaVersion               int64
}

// Stats returns a snapshot. It asks the file system for sizes and never waits
// for the writer.
func (s *Store) Stats() Stats {
	st := s.count.snapshot()
	st.DatabaseBytes = fileSize(s.cfg.Path)
	st.WALBytes = fileSize(s.cfg.Path + "-wal")
	free, err := freeBytes(filepath.Dir(s.cfg.Path))
	if err != nil {
		free = -1
	}
	st.DiskFreeBytes = free
	st.QueueLength = s.q.len()
	st.SchemaVersion = s.version
	return st
}

type counters struct {
	writes, transactions histogram

	mu              sync.Mutex
	errors, full    uint64
	lastError       string
	lastErrorAt     time.Time
	folded, retired uint64
}

func (c *counters) fail(err error, at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.errors++
	if IsFull(err) {
		c.full++
	}
	c.lastError, c.lastErrorAt = err.Error(), at
}

func (c *counters) addBlocks(folded, retired uint64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.folded += folded
	c.retired += retired
}

func (c *counters) snapshot() Stats {
	st := Stats{Writes: c.writes.snapshot(), Transactions: c.transactions.snapshot()}
	c.mu.Lock()
	defer c.mu.Unlock()
	st.Errors, st.Full, st.LastError, st.LastErrorAt = c.errors, c.full, c.lastError, c.lastErrorAt
	st.BlocksFolded, st.BlocksRetired = c.folded, c.retired
	return st
}

type histogram struct {
	mu     sync.Mutex
	counts [13]uint64
	sum    float64
	n      uint64
}

func (h *histogram) observe(d time.Duration) {
	s := d.Seconds()
	bounds := latencyBounds()
	i := 0
	for i < len(bounds) && s > bounds[i] {
		i++
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.counts[i]++
	h.sum += s
	h.n++
}

func (h *histogram) snapshot() Histogram {
	h.mu.Lock()
	defer h.mu.Unlock()
	return Histogram{UpperSeconds: latencyBounds(), Counts: h.counts, SumSeconds: h.sum, Count: h.n}
}
