package storage

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"

	"ringsaddle/calibrate"
)

// Note says who made an entry, at which station (empty when away from a bench)
// and why.
type Note struct {
	Station, By, Reason string
}

// RingRecord is one revision of a ring in the register.
type RingRecord struct {
	calibrate.Ring
	// Revision counts from 1.
	Revision int64
	Note     Note
	WallNS   int64
	digest   string
}

// AddRing enters a ring in the register; an empty ID gets a new one. ErrExists if
// the id or the ident is taken.
func (s *Store) AddRing(ctx context.Context, ring calibrate.Ring, note Note) (RingRecord, error) {
	if ring.ID == "" {
		ring.ID = s.newID()
	}
	return s.putRing(ctx, ring, note, false)
}

// AmendRing records a new revision of a ring; the revisions before stay as they
// are. fs.ErrNotExist if there is no ring with the id of ring.
func (s *Store) AmendRing(ctx context.Context, ring calibrate.Ring, note Note) (RingRecord, error) {
	return s.putRing(ctx, ring, note, true)
}

func (s *Store) putRing(ctx context.Context, ring calibrate.Ring, note Note, amend bool) (RingRecord, error) {
	var rec RingRecord
	err := s.write(ctx, true, func(t *tx) (err error) {
		rec, err = t.putRing(ring, note, amend)
		return err
	})
	if err != nil {
		return RingRecord{}, fmt.Errorf("ring %s (%s): %w", ring.Ident, ring.ID, err)
	}
	return rec, nil
}

func (t *tx) putRing(ring calibrate.Ring, note Note, amend bool) (RingRecord, error) {
	if ring.Ident == "" {
		return RingRecord{}, errors.New("it has no ident")
	}
	newest, err := one(t.ctx, t.conn, scanRing, ringByID, ring.ID)
	switch {
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return RingRecord{}, err
	case err != nil && amend:
		return RingRecord{}, err
	case err == nil && !amend:
		return RingRecord{}, fmt.Errorf("a ring with this id: %w", ErrExists)
	}
	if other, err := one(t.ctx, t.conn, scanRing, ringByIdent, ring.Ident); err == nil && other.ID != ring.ID {
		return RingRecord{}, fmt.Errorf("a ring with this ident (%s): %w", other.ID, ErrExists)
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return RingRecord{}, err
	}
	facts, err := canonicalOf(ring)
	if err != nil {
		return RingRecord{}, err
	}
	digest := sum(facts)
	kind := KindRingAmended
	if !amend {
		kind = KindRingRegistered
		if _, err := t.exec(`INSERT INTO ring(id, station, wall_ns) VALUES (?,?,?)`, ring.ID, note.Station, t.now); err != nil {
			return RingRecord{}, err
		}
	}
	revision := newest.Revision + 1
	_, err = t.exec(`INSERT INTO ring_revision(ring_id, revision, station, ident, kind, nominal_pm, facts, digest, by_whom, reason, wall_ns)
		VALUES (?,?,?,?,?,?,?,?,?,?,?)`,
		ring.ID, revision, note.Station, ring.Ident, string(ring.Kind), int64(ring.Nominal), string(facts), digest[:],
		note.By, note.Reason, t.now)
	if err != nil {
		return RingRecord{}, err
	}
	e := Entry{Station: note.Station, Subject: AboutRing, SubjectID: ring.ID, Kind: kind, WallNS: t.now}
	err = t.appendEntry(&e, func(int64) (any, error) {
		return map[string]any{
			"ring": ring, "revision": revision, "digest": hexOf(digest), "by": note.By, "reason": note.Reason,
		}, nil
	})
	if err != nil {
		return RingRecord{}, err
	}
	rec := RingRecord{Revision: revision, Note: note, WallNS: t.now, digest: hexOf(digest)}
	return rec, json.Unmarshal(facts, &rec.Ring)
}

const (
	ringColumns = `r.facts, r.revision, r.station, r.by_whom, r.reason, r.wall_ns`
	ringNewest  = `r.revision = (SELECT max(revision) FROM ring_revision WHERE ring_id = r.ring_id)`
	ringByID    = `SELECT ` + ringColumns + ` FROM ring_revision r WHERE r.ring_id = ? ORDER BY r.revision DESC LIMIT 1`
	ringByIdent = `SELECT ` + ringColumns + ` FROM ring_revision r WHERE r.ident = ? AND ` + ringNewest
)

func scanRing(rows *sql.Rows) (RingRecord, error) {
	var r RingRecord
	var facts string
	if err := rows.Scan(&facts, &r.Revision, &r.Note.Station, &r.Note.By, &r.Note.Reason, &r.WallNS); err != nil {
		return r, err
	}
	r.digest = hexOf(sum([]byte(facts)))
	return r, json.Unmarshal([]byte(facts), &r.Ring)
}

// Ring returns the newest revision of a ring.
func (s *Store) Ring(ctx context.Context, id string) (RingRecord, error) {
	r, err := one(ctx, s.readers, scanRing, ringByID, id)
	if err != nil {
		return r, fmt.Errorf("ring %s: %w", id, err)
	}
	return r, nil
}

// RingByIdent returns the ring that bears an ident now.
func (s *Store) RingByIdent(ctx context.Context, ident string) (RingRecord, error) {
	r, err := one(ctx, s.readers, scanRing, ringByIdent, ident)
	if err != nil {
		return r, fmt.Errorf("ring with ident %q: %w", ident, err)
	}
	return r, nil
}

// Rings returns the newest revision of every ring, in the order of their idents.
func (s *Store) Rings(ctx context.Context) ([]RingRecord, error) {
	return collect(ctx, s.readers, scanRing,
		`SELECT `+ringColumns+` FROM ring_revision r WHERE `+ringNewest+` ORDER BY r.ident`)
}

// RingRevisions returns all revisions of a ring, oldest first.
func (s *Store) RingRevisions(ctx context.Context, id string) ([]RingRecord, error) {
	all, err := collect(ctx, s.readers, scanRing,
		`SELECT `+ringColumns+` FROM ring_revision r WHERE r.ring_id = ? ORDER BY r.revision`, id)
	if err == nil && len(all) == 0 {
		err = fs.ErrNotExist
	}
	if err != nil {
		return nil, fmt.Errorf("ring %s: %w", id, err)
	}
	return all, nil
}

func (s *Store) digestOfRing(ctx context.Context, id string, revision int64) (string, error) {
	r, err := one(ctx, s.readers, scanRing,
		`SELECT `+ringColumns+` FROM ring_revision r WHERE r.ring_id = ? AND r.revision = ?`, id, revision)
	return r.digest, err
}
