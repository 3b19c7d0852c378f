package storage

import (
	"context"
	"database/sql"
	"fmt"
	"iter"
	"slices"
	"time"

	"ringsaddle/acquire"
)

// maxBlockSpan bounds the time that a block covers (unless it holds a single
// reading), so that blocks of a time range can be found by their beginning.
const maxBlockSpan = time.Minute

// blocksPerPage is how many blocks one query of a trace loads.
const blocksPerPage = 8

// GapReason says why readings are not in the trace.
type GapReason string

// The reasons.
const (
	// GapOverrun: the recorder fell a whole tape behind.
	GapOverrun GapReason = "overrun"
	// GapRetention: the retention policy removed them.
	GapRetention GapReason = "retention"
)

// TraceGap is a run of readings that were on the tape and are not stored. What
// the readout itself did not deliver is in the readings' Gap flags instead.
type TraceGap struct {
	StreamID          string
	FirstSeq, LastSeq uint64
	Reason            GapReason
	// WallNS is when the gap came about.
	WallNS int64
}

// TimedReading is a reading with its stream and its wall time by the stream's
// anchors.
type TimedReading struct {
	acquire.Reading
	StreamID string
	WallNS   int64
}

// block is an encoded block on its way to the database.
type block struct {
	stream   acquire.Stream
	first    uint64
	last     uint64
	min, max int64 // wall time, ns
	data     []byte
}

func (s *Store) makeBlock(st acquire.Stream, readings []acquire.Reading) (block, error) {
	data, err := s.codec.EncodeBlock(readings)
	if err != nil {
		return block{}, err
	}
	b := block{stream: st, first: readings[0].Seq, last: readings[len(readings)-1].Seq, data: data}
	b.min = wallOf(st, readings[0].At)
	b.max = b.min
	for _, r := range readings {
		w := wallOf(st, r.At)
		b.min, b.max = min(b.min, w), max(b.max, w)
	}
	return b, nil
}

func (t *tx) putBlock(b block, folded bool) error {
	_, err := t.exec(`INSERT INTO trace_block(station, stream_id, first_seq, last_seq, min_wall_ns, max_wall_ns, folded, data)
		VALUES (?,?,?,?,?,?,?,?)`,
		b.stream.Station, b.stream.ID, int64(b.first), int64(b.last), b.min, b.max, folded, b.data)
	return err
}

func (t *tx) putGap(st acquire.Stream, first, last uint64, reason GapReason) error {
	_, err := t.exec(`INSERT INTO trace_gap(station, stream_id, first_seq, last_seq, reason, wall_ns) VALUES (?,?,?,?,?,?)`,
		st.Station, st.ID, int64(first), int64(last), string(reason), t.now)
	return err
}

// blocksFrom is the condition for the blocks of stream ?1 that overlap the
// readings ?2 to ?3; it begins at the block that holds ?2, if there is one.
const blocksFrom = ` stream_id = ?1 AND last_seq >= ?2 AND first_seq <= ?3
	AND first_seq >= coalesce((SELECT max(first_seq) FROM trace_block WHERE stream_id = ?1 AND first_seq <= ?2), ?2) `

// Trace gives the stored readings from to to (both included) of a stream in
// order of Seq. Readings that are not stored are passed over; Gaps says why. No
// reading at all is not an error. The trace is loaded as it is consumed, without
// holding a connection in between.
func (s *Store) Trace(ctx context.Context, streamID string, from, to uint64) iter.Seq2[acquire.Reading, error] {
	return func(yield func(acquire.Reading, error) bool) {
		next, last := int64(min(from, 1<<62)), int64(min(to, 1<<62))
		for next <= last {
			page, err := collect(ctx, s.readers, scanBlob,
				`SELECT data FROM trace_block WHERE`+blocksFrom+`ORDER BY first_seq LIMIT ?4`,
				streamID, next, last, blocksPerPage)
			if err != nil {
				yield(acquire.Reading{}, fmt.Errorf("trace of stream %s: %w", streamID, err))
				return
			}
			if len(page) == 0 {
				return
			}
			for _, data := range page {
				readings, err := s.codec.DecodeBlock(data)
				if err != nil {
					yield(acquire.Reading{}, fmt.Errorf("trace of stream %s from reading %d: %w", streamID, next, err))
					return
				}
				for _, r := range readings {
					if int64(r.Seq) < next {
						continue
					}
					if int64(r.Seq) > last {
						return
					}
					if !yield(r, nil) {
						return
					}
				}
				next = int64(readings[len(readings)-1].Seq) + 1
			}
		}
	}
}

func scanBlob(rows *sql.Rows) ([]byte, error) {
	var b []byte
	err := rows.Scan(&b)
	return b, err
}

// TraceByTime gives the stored readings of a station with fromWallNS ≤ wall time
// < toWallNS, stream after stream in the order in which they were opened, each in
// order of Seq.
func (s *Store) TraceByTime(ctx context.Context, station string, fromWallNS, toWallNS int64) iter.Seq2[TimedReading, error] {
	return func(yield func(TimedReading, error) bool) {
		spans, err := collect(ctx, s.readers, scanSpan, `
			SELECT b.stream_id, min(b.first_seq), max(b.last_seq)
			FROM trace_block b JOIN stream s ON s.id = b.stream_id
			WHERE b.station = ? AND b.min_wall_ns >= ? AND b.min_wall_ns < ? AND b.max_wall_ns >= ?
			GROUP BY b.stream_id ORDER BY s.opened_wall_ns, s.first_seq`,
			station, fromWallNS-int64(maxBlockSpan), toWallNS, fromWallNS)
		if err != nil {
			yield(TimedReading{}, fmt.Errorf("trace of station %s: %w", station, err))
			return
		}
		for _, span := range spans {
			st, err := s.Stream(ctx, span.stream)
			if err != nil {
				yield(TimedReading{}, err)
				return
			}
			for r, err := range s.Trace(ctx, span.stream, span.first, span.last) {
				if err != nil {
					yield(TimedReading{}, err)
					return
				}
				wall := st.WallNS(r.At)
				if wall < fromWallNS || wall >= toWallNS {
					continue
				}
				if !yield(TimedReading{Reading: r, StreamID: span.stream, WallNS: wall}, nil) {
					return
				}
			}
		}
	}
}

type span struct {
	stream      string
	first, last uint64
}

func scanSpan(rows *sql.Rows) (span, error) {
	var sp span
	var first, last int64
	err := rows.Scan(&sp.stream, &first, &last)
	sp.first, sp.last = uint64(first), uint64(last)
	return sp, err
}

// Gaps returns the gaps of a stream that overlap the readings from to to, in
// order.
func (s *Store) Gaps(ctx context.Context, streamID string, from, to uint64) ([]TraceGap, error) {
	return collect(ctx, s.readers, scanGap, `
		SELECT stream_id, first_seq, last_seq, reason, wall_ns FROM trace_gap
		WHERE stream_id = ? AND first_seq <= ? AND last_seq >= ? ORDER BY first_seq`,
		streamID, int64(min(to, 1<<62)), int64(min(from, 1<<62)))
}

func scanGap(rows *sql.Rows) (TraceGap, error) {
	var g TraceGap
	var first, last int64
	err := rows.Scan(&g.StreamID, &first, &last, &g.Reason, &g.WallNS)
	g.FirstSeq, g.LastSeq = uint64(first), uint64(last)
	return g, err
}

// unexplained returns how many of the readings from to to are neither stored
// nor named by a gap entry.
func (s *Store) unexplained(ctx context.Context, streamID string, from, to uint64) (uint64, error) {
	const covered = `
		SELECT coalesce(sum(min(last_seq, ?3) - max(first_seq, ?2) + 1), 0) FROM trace_block WHERE` + blocksFrom + `
		UNION ALL
		SELECT coalesce(sum(min(last_seq, ?3) - max(first_seq, ?2) + 1), 0) FROM trace_gap
		WHERE stream_id = ?1 AND first_seq <= ?3 AND last_seq >= ?2`
	parts, err := collect(ctx, s.readers, func(rows *sql.Rows) (int64, error) {
		var n int64
		err := rows.Scan(&n)
		return n, err
	}, covered, streamID, int64(from), int64(to))
	if err != nil {
		return 0, err
	}
	n := int64(to-from) + 1
	for _, p := range parts {
		n -= p
	}
	return uint64(max(n, 0)), nil
}

// cutByTime returns how many of the readings, from the first, fit into one block
// by the time they cover.
func cutByTime(readings []acquire.Reading) int {
	lo, hi := readings[0].At, readings[0].At
	i := slices.IndexFunc(readings, func(r acquire.Reading) bool {
		lo, hi = min(lo, r.At), max(hi, r.At)
		return hi-lo > int64(maxBlockSpan) || hi < lo
	})
	if i < 0 {
		return len(readings)
	}
	return max(i, 1)
}
