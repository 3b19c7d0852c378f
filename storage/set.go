package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"

	"ringsaddle/calibrate"
)

// SetRecord is a set as it was begun. What happened in it is in its events.
type SetRecord struct {
	// ID is a UUIDv7; CreateSet makes one if it is empty.
	ID      string
	Station string
	By      string
	// WallNS is the Unix time (ns) of the first event.
	WallNS int64
}

// CreateSet records a set with its first event, which must be SetStarted with
// the plan and the rings as the register has them, and returns both as recorded.
// The rings stand in the register and the station has been recorded; otherwise
// fs.ErrNotExist.
func (s *Store) CreateSet(ctx context.Context, set SetRecord, started calibrate.Event) (SetRecord, calibrate.Event, error) {
	if set.ID == "" {
		set.ID = s.newID()
	}
	var ev calibrate.Event
	err := s.write(ctx, true, func(t *tx) (err error) {
		set.WallNS = started.WallNS
		if set.WallNS == 0 {
			set.WallNS = t.now
		}
		ev, err = t.createSet(set, started)
		return err
	})
	if err != nil {
		return SetRecord{}, calibrate.Event{}, fmt.Errorf("begin set %s: %w", set.ID, err)
	}
	return set, ev, nil
}

func (t *tx) createSet(set SetRecord, started calibrate.Event) (calibrate.Event, error) {
	if started.Kind != calibrate.SetStarted || started.Plan == nil || len(started.Plan.Steps) == 0 {
		return calibrate.Event{}, errors.New("its first event must be set_started with a plan of at least one step")
	}
	var n int
	if err := t.row(`SELECT count(*) FROM station WHERE station = ?`, set.Station).Scan(&n); err != nil {
		return calibrate.Event{}, err
	} else if n == 0 {
		return calibrate.Event{}, fmt.Errorf("station %q: %w", set.Station, fs.ErrNotExist)
	}
	if err := t.row(`SELECT count(*) FROM measurement_set WHERE id = ?`, set.ID).Scan(&n); err != nil {
		return calibrate.Event{}, err
	} else if n != 0 {
		return calibrate.Event{}, ErrExists
	}
	started.WallNS = set.WallNS
	_, err := t.exec(`INSERT INTO measurement_set(id, station, by_whom, wall_ns) VALUES (?,?,?,?)`,
		set.ID, set.Station, set.By, set.WallNS)
	if err != nil {
		return calibrate.Event{}, err
	}
	if err := t.putSetRings(set, started); err != nil {
		return calibrate.Event{}, err
	}
	for i, p := range started.Plan.Steps {
		_, err := t.exec(`INSERT INTO plan_step(set_id, step, station, role, ring_id, height_pm, direction_mdeg, repeats)
			VALUES (?,?,?,?,?,?,?,?)`,
			set.ID, i, set.Station, string(p.Role), p.RingID, int64(p.Height), p.Direction, p.Repeats)
		if err != nil {
			return calibrate.Event{}, fmt.Errorf("step %d: %w", i, err)
		}
	}
	return t.appendEvent(set.Station, set.ID, started)
}

// putSetRings ties the set to the revisions of its rings. The event must carry
// each ring exactly as its newest revision stands in the register, so that the
// journal and the register tell one story.
func (t *tx) putSetRings(set SetRecord, started calibrate.Event) error {
	given := map[string]calibrate.Ring{}
	for _, r := range started.Rings {
		given[r.ID] = r
	}
	done := map[string]bool{}
	for i, p := range started.Plan.Steps {
		if done[p.RingID] {
			continue
		}
		done[p.RingID] = true
		ring, ok := given[p.RingID]
		if !ok {
			return fmt.Errorf("step %d: ring %q is not among the rings of the event", i, p.RingID)
		}
		rec, err := one(t.ctx, t.conn, scanRing, ringByID, p.RingID)
		if err != nil {
			return fmt.Errorf("step %d: ring %q: %w", i, p.RingID, err)
		}
		text, err := canonicalOf(ring)
		if err != nil {
			return err
		}
		if hexOf(sum(text)) != rec.digest {
			return fmt.Errorf("step %d: ring %s (%s) is not as revision %d of the register has it: read it again", i, ring.Ident, ring.ID, rec.Revision)
		}
		_, err = t.exec(`INSERT INTO set_ring(set_id, ring_id, ring_revision, station) VALUES (?,?,?,?)`,
			set.ID, p.RingID, rec.Revision, set.Station)
		if err != nil {
			return err
		}
	}
	return nil
}

const setColumns = `m.id, m.station, m.by_whom, m.wall_ns`

func scanSet(rows *sql.Rows) (SetRecord, error) {
	var r SetRecord
	err := rows.Scan(&r.ID, &r.Station, &r.By, &r.WallNS)
	return r, err
}

// Set returns a set.
func (s *Store) Set(ctx context.Context, id string) (SetRecord, error) {
	r, err := one(ctx, s.readers, scanSet, `SELECT `+setColumns+` FROM measurement_set m WHERE m.id = ?`, id)
	if err != nil {
		return r, fmt.Errorf("set %s: %w", id, err)
	}
	return r, nil
}

// SetFilter selects sets; empty fields do not restrict.
type SetFilter struct {
	Station, RingID string
	// FromWallNS ≤ time of the beginning < ToWallNS; zero does not restrict.
	FromWallNS, ToWallNS int64
	// Limit of zero means 100.
	Limit int
}

// Sets returns sets, newest first.
func (s *Store) Sets(ctx context.Context, f SetFilter) ([]SetRecord, error) {
	q := `SELECT ` + setColumns + ` FROM measurement_set m`
	var w where
	if f.RingID != "" {
		q += ` JOIN set_ring r ON r.set_id = m.id`
		w.and(`r.ring_id = ?`, f.RingID)
	}
	if f.Station != "" {
		w.and(`m.station = ?`, f.Station)
	}
	if f.FromWallNS != 0 {
		w.and(`m.wall_ns >= ?`, f.FromWallNS)
	}
	if f.ToWallNS != 0 {
		w.and(`m.wall_ns < ?`, f.ToWallNS)
	}
	return collect(ctx, s.readers, scanSet, q+w.text+` ORDER BY m.wall_ns DESC, m.id DESC LIMIT ?`,
		append(w.args, limitOr(f.Limit, 100))...)
}

// OpenSets returns the sets of a station (of all if it is empty) that have
// neither been closed nor aborted, oldest first: what a restart has to resume.
func (s *Store) OpenSets(ctx context.Context, station string) ([]SetRecord, error) {
	var w where
	if station != "" {
		w.and(`m.station = ?`, station)
	}
	w.and(`NOT EXISTS (SELECT 1 FROM journal j WHERE j.set_id = m.id AND j.kind IN ('aborted', 'set_closed'))`)
	return collect(ctx, s.readers, scanSet,
		`SELECT `+setColumns+` FROM measurement_set m`+w.text+` ORDER BY m.wall_ns, m.id`, w.args...)
}

// where gathers the conditions of a query.
type where struct {
	text string
	args []any
}

func (w *where) and(cond string, args ...any) {
	if w.text == "" {
		w.text = " WHERE " + cond
	} else {
		w.text += " AND " + cond
	}
	w.args = append(w.args, args...)
}

func limitOr(limit, fallback int) int {
	if limit <= 0 {
		return fallback
	}
	return limit
}
