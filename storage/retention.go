package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"ringsaddle/acquire"
)

// Blocks are the one thing that may be replaced or removed, and only through the
// door: a row in trace_door that exists within the transaction alone. Folding
// replaces adjacent small blocks by one that holds the same readings; retention
// removes old blocks that no capture stands on, and leaves a gap entry and a
// journal entry behind. The triggers refuse everything else.

const (
	// foldReadings is the size at which a folded block is full.
	foldReadings = 8192
	// foldAge is the age at which tails are folded even if they do not fill a block.
	foldAge = time.Hour
	// tailsPerLook bounds how many tails are looked at in one go.
	tailsPerLook = 512
	// retirePerWrite bounds how many blocks one transaction removes.
	retirePerWrite = 64
)

// RetentionPolicy says which readings may go. Readings on which a capture stands
// never go.
type RetentionPolicy struct {
	// KeepFor is how long readings are kept, counted from their wall time; at
	// least an hour, so that no entry in progress loses its readings. Zero keeps
	// them for ever.
	KeepFor time.Duration
}

// Retired says what Retain removed.
type Retired struct {
	Blocks, Readings, Bytes int64
}

// Fold replaces runs of adjacent tails by full blocks and returns how many blocks
// it replaced. Run does this from time to time; another call is harmless.
func (s *Store) Fold(ctx context.Context) (int, error) {
	if s.cfg.ReadOnly {
		return 0, ErrReadOnly
	}
	s.maintainMu.Lock()
	defer s.maintainMu.Unlock()
	streams, err := collect(ctx, s.readers, scanText, `SELECT DISTINCT stream_id FROM trace_block WHERE folded = 0 ORDER BY stream_id`)
	if err != nil {
		return 0, fmt.Errorf("look for tails: %w", err)
	}
	total := 0
	for _, id := range streams {
		n, err := s.foldStream(ctx, id)
		total += n
		if err != nil {
			return total, fmt.Errorf("fold the trace of stream %s: %w", id, err)
		}
	}
	return total, nil
}

type tail struct {
	first, last, minWall, maxWall int64
	data                          []byte
}

func scanTail(rows *sql.Rows) (tail, error) {
	var t tail
	err := rows.Scan(&t.first, &t.last, &t.minWall, &t.maxWall, &t.data)
	return t, err
}

func (s *Store) foldStream(ctx context.Context, streamID string) (int, error) {
	st, err := s.Stream(ctx, streamID)
	if err != nil {
		return 0, err
	}
	total := 0
	for from := int64(0); ; {
		tails, err := collect(ctx, s.readers, scanTail, `SELECT first_seq, last_seq, min_wall_ns, max_wall_ns, data FROM trace_block
			WHERE stream_id = ? AND folded = 0 AND first_seq >= ? ORDER BY first_seq LIMIT ?`, streamID, from, tailsPerLook)
		if err != nil {
			return total, err
		}
		if len(tails) == 0 {
			return total, nil
		}
		used := 0
		for used < len(tails) {
			n, full := s.foldable(tails[used:])
			atEnd := used+n == len(tails)
			old := s.clock().UnixNano()-tails[used+n-1].maxWall > int64(foldAge)
			if atEnd && !full && !old {
				break // more may follow; look at these again next time
			}
			if err := s.foldRun(ctx, st.Stream, tails[used:used+n]); err != nil {
				return total, err
			}
			total += n
			used += n
		}
		if len(tails) < tailsPerLook || used == 0 {
			return total, nil
		}
		from = tails[used-1].last + 1
	}
}

// foldable returns how many tails, from the first, go into one block, and whether
// that block is full: the next one adjoins and does not fit, or does not adjoin.
func (s *Store) foldable(tails []tail) (n int, full bool) {
	lo, hi := tails[0].minWall, tails[0].maxWall
	for i := 1; i < len(tails); i++ {
		t := tails[i]
		lo, hi = min(lo, t.minWall), max(hi, t.maxWall)
		if t.first != tails[i-1].last+1 || t.last-tails[0].first+1 > foldReadings || hi-lo > int64(maxBlockSpan) {
			return i, true
		}
	}
	return len(tails), tails[len(tails)-1].last-tails[0].first+1 >= foldReadings
}

// foldRun replaces adjacent blocks by one with the same readings.
func (s *Store) foldRun(ctx context.Context, st acquire.Stream, tails []tail) error {
	var readings []acquire.Reading
	for _, t := range tails {
		part, err := s.codec.DecodeBlock(t.data)
		if err != nil {
			return fmt.Errorf("readings %d to %d: %w", t.first, t.last, err)
		}
		readings = append(readings, part...)
	}
	b, err := s.makeBlock(st, readings)
	if err != nil {
		return err
	}
	if back, err := s.codec.DecodeBlock(b.data); err != nil || !slices.Equal(back, readings) {
		return fmt.Errorf("readings %d to %d do not come back from the folded block (%w)", b.first, b.last, errors.Join(ErrBlock, err))
	}
	err = s.write(ctx, false, func(t *tx) error {
		return t.throughDoor("fold", func() error {
			res, err := t.exec(`DELETE FROM trace_block WHERE stream_id = ? AND first_seq >= ? AND last_seq <= ? AND folded = 0`,
				st.ID, int64(b.first), int64(b.last))
			if err != nil {
				return err
			}
			if n, err := res.RowsAffected(); err != nil || n != int64(len(tails)) {
				return fmt.Errorf("%d blocks to replace, %d there (%w)", len(tails), n, errors.Join(errors.New("the trace has changed meanwhile"), err))
			}
			return t.putBlock(b, true)
		})
	})
	if err == nil {
		s.count.addBlocks(uint64(len(tails)), 0)
	}
	return err
}

func (t *tx) throughDoor(purpose string, f func() error) error {
	if _, err := t.exec(`INSERT INTO trace_door(one, purpose) VALUES (1, ?)`, purpose); err != nil {
		return err
	}
	if err := f(); err != nil {
		return err
	}
	_, err := t.exec(`DELETE FROM trace_door`)
	return err
}

// foldLoop folds at intervals. A failure is counted and tried again next time.
func (s *Store) foldLoop(ctx context.Context) {
	if s.cfg.FoldEvery < 0 {
		return
	}
	tick := time.NewTicker(s.cfg.FoldEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		if _, err := s.Fold(ctx); err != nil && ctx.Err() == nil {
			s.count.fail(err, s.clock())
		}
	}
}

// Retain removes the blocks that are older than the policy keeps and on which no
// capture stands. Removed runs become gap entries, and the journal says how much
// went. The file does not shrink; the room is used again.
func (s *Store) Retain(ctx context.Context, p RetentionPolicy) (Retired, error) {
	var total Retired
	if p.KeepFor == 0 {
		return total, nil
	}
	if p.KeepFor < time.Hour {
		return total, fmt.Errorf("keep readings for %v: at least an hour, or 0 for ever", p.KeepFor)
	}
	if s.cfg.ReadOnly {
		return total, ErrReadOnly
	}
	s.maintainMu.Lock()
	defer s.maintainMu.Unlock()
	before := s.clock().Add(-p.KeepFor).UnixNano()
	streams, err := collect(ctx, s.readers, scanStream, `SELECT `+streamColumns+` FROM stream
		WHERE opened_wall_ns < ? ORDER BY opened_wall_ns, id`, before)
	if err != nil {
		return total, err
	}
	for _, st := range streams {
		got, err := s.retainStream(ctx, st.Stream, before)
		total.Blocks += got.Blocks
		total.Readings += got.Readings
		total.Bytes += got.Bytes
		if err != nil {
			return total, fmt.Errorf("retire the trace of stream %s: %w", st.ID, err)
		}
	}
	return total, nil
}

type oldBlock struct{ id, first, last, bytes int64 }

func (s *Store) retainStream(ctx context.Context, st acquire.Stream, before int64) (Retired, error) {
	var total Retired
	spans, err := collect(ctx, s.readers, scanSpan,
		`SELECT id, first_seq, last_seq FROM capture WHERE stream_id = ? AND last_seq > 0 ORDER BY first_seq`, st.ID)
	if err != nil {
		return total, err
	}
	for from := int64(0); ; {
		page, err := collect(ctx, s.readers, func(rows *sql.Rows) (oldBlock, error) {
			var b oldBlock
			err := rows.Scan(&b.id, &b.first, &b.last, &b.bytes)
			return b, err
		}, `SELECT id, first_seq, last_seq, length(data) FROM trace_block
			WHERE stream_id = ? AND first_seq >= ? AND max_wall_ns < ? ORDER BY first_seq LIMIT ?`,
			st.ID, from, before, retirePerWrite)
		if err != nil || len(page) == 0 {
			return total, err
		}
		from = page[len(page)-1].first + 1
		free := slices.DeleteFunc(page, func(b oldBlock) bool { return stoodOn(spans, b) })
		if len(free) == 0 {
			continue
		}
		got, err := s.retire(ctx, st, free, before)
		if err != nil {
			return total, err
		}
		total.Blocks += got.Blocks
		total.Readings += got.Readings
		total.Bytes += got.Bytes
	}
}

// stoodOn reports whether a capture's span overlaps the block. Spans are in the
// order of their beginnings.
func stoodOn(spans []span, b oldBlock) bool {
	for _, sp := range spans {
		if int64(sp.first) > b.last {
			return false
		}
		if int64(sp.last) >= b.first {
			return true
		}
	}
	return false
}

func (s *Store) retire(ctx context.Context, st acquire.Stream, blocks []oldBlock, before int64) (Retired, error) {
	var got Retired
	err := s.write(ctx, false, func(t *tx) error {
		got = Retired{}
		err := t.throughDoor("retention", func() error {
			for _, b := range blocks {
				if _, err := t.exec(`DELETE FROM trace_block WHERE id = ?`, b.id); err != nil {
					return err
				}
				got.Blocks++
				got.Readings += b.last - b.first + 1
				got.Bytes += b.bytes
			}
			return nil
		})
		if err != nil {
			return err
		}
		for i := 0; i < len(blocks); {
			n := i + 1
			for n < len(blocks) && blocks[n].first == blocks[n-1].last+1 {
				n++
			}
			if err := t.putGap(st, uint64(blocks[i].first), uint64(blocks[n-1].last), GapRetention); err != nil {
				return err
			}
			i = n
		}
		e := Entry{Station: st.Station, Subject: AboutTrace, SubjectID: st.ID, Kind: KindTraceRetired, WallNS: t.now}
		return t.appendEntry(&e, func(int64) (any, error) {
			return map[string]any{
				"first_seq": blocks[0].first, "last_seq": blocks[len(blocks)-1].last, "blocks": got.Blocks,
				"readings": got.Readings, "before_wall_ns": before,
			}, nil
		})
	})
	if err != nil {
		return Retired{}, err
	}
	s.count.addBlocks(0, uint64(got.Blocks))
	return got, nil
}
