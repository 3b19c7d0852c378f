package storage

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"

	"ringsaddle/calibrate"
)

// ResultRecord is one evaluation of a set. Revisions of a set's result stand
// beside each other; the newest is the one that holds.
type ResultRecord struct {
	SetID string
	// Revision counts from 1 and is given by PutResult, like ID (UUIDv7).
	Revision int64
	ID       string
	Station  string
	// Method is how it was worked out ("gum", "mc"); Evaluator identifies the code
	// that did; InputDigest what it was given.
	Method, Evaluator, InputDigest string
	// Status is that of the outcome ("accepted", "not_accepted", …).
	Status string
	// Outcome is the whole outcome as JSON, kept byte for byte; Digest is its
	// SHA-256 in hex.
	Outcome []byte
	Digest  string
	By      string
	Reason  string
	WallNS  int64

	// What metrics and histories ask for, beside the outcome.
	Positions []ResultPosition
	Checks    []ReferenceCheck
	// Repeatability is nil if there is none.
	Repeatability *Repeatability
}

// ResultPosition is the diameter at one position of a work ring, at 20 °C.
type ResultPosition struct {
	SetID          string
	Revision       int64
	Station        string
	RingID         string
	PlanStep       int
	Height         calibrate.Length
	Direction      int64 // thousandths of a degree
	Diameter       calibrate.Length
	U, Expanded    calibrate.Length
	Decision       string
	WallNS         int64
	ResultIsNewest bool // false in histories for a revision that was superseded
}

// ReferenceCheck is the closing difference on a master: closing minus opening,
// both at 20 °C.
type ReferenceCheck struct {
	SetID      string
	Revision   int64
	Station    string
	MasterID   string
	Difference calibrate.Length
	Limit      calibrate.Length
	// DriftPerHour is the drift of the reference in picometres an hour.
	DriftPerHour calibrate.Length
	// Attempts is the number of closing references taken, at least 1.
	Attempts int
	Within   bool
	WallNS   int64
}

// Repeatability is the pooled standard deviation of a set.
type Repeatability struct {
	SetID    string
	Revision int64
	Station  string
	MasterID string
	S        calibrate.Length
	DoF      int
	WallNS   int64
}

// PutResult records an evaluation of a set as its next revision and returns it
// with Revision, ID, Digest and WallNS set. If the newest revision has the same
// outcome, method, evaluator and input, nothing is recorded and that revision is
// returned.
func (s *Store) PutResult(ctx context.Context, r ResultRecord) (ResultRecord, error) {
	var out ResultRecord
	err := s.write(ctx, true, func(t *tx) (err error) {
		out, err = t.putResult(s, r)
		return err
	})
	if err != nil {
		return ResultRecord{}, fmt.Errorf("record the result of set %s: %w", r.SetID, err)
	}
	return out, nil
}

func (t *tx) putResult(s *Store, r ResultRecord) (ResultRecord, error) {
	if !json.Valid(r.Outcome) {
		return r, errors.New("the outcome is not JSON")
	}
	station, err := t.stationOfSet(r.SetID)
	if err != nil {
		return r, err
	}
	newest, err := one(t.ctx, t.conn, scanResult, resultNewest, r.SetID)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return r, err
	}
	if err == nil && bytes.Equal(newest.Outcome, r.Outcome) && newest.Method == r.Method &&
		newest.Evaluator == r.Evaluator && newest.InputDigest == r.InputDigest {
		r.Revision, r.ID, r.Station, r.Digest, r.WallNS = newest.Revision, newest.ID, newest.Station, newest.Digest, newest.WallNS
		return r, nil
	}
	r.Revision, r.ID, r.Station, r.WallNS = newest.Revision+1, s.newID(), station, t.now
	digest := sum(r.Outcome)
	r.Digest = hexOf(digest)
	_, err = t.exec(`INSERT INTO result(set_id, revision, id, station, method, evaluator, input_digest, status, outcome, digest, by_whom, reason, wall_ns)
		VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)`,
		r.SetID, r.Revision, r.ID, r.Station, r.Method, r.Evaluator, r.InputDigest, r.Status, string(r.Outcome), digest[:],
		r.By, r.Reason, r.WallNS)
	if err != nil {
		return r, err
	}
	if err := t.putResultParts(r); err != nil {
		return r, err
	}
	e := Entry{
		Station: station, Subject: AboutResult, SubjectID: r.ID, SetID: r.SetID, Kind: KindResultStored, WallNS: t.now,
	}
	return r, t.appendEntry(&e, func(int64) (any, error) {
		return map[string]any{
			"revision": r.Revision, "digest": r.Digest, "method": r.Method, "evaluator": r.Evaluator,
			"input_digest": r.InputDigest, "status": r.Status, "by": r.By, "reason": r.Reason,
		}, nil
	})
}

func (t *tx) putResultParts(r ResultRecord) error {
	for i, p := range r.Positions {
		_, err := t.exec(`INSERT INTO result_position(set_id, revision, ordinal, station, ring_id, plan_step, height_pm,
				direction_mdeg, diameter_pm, u_pm, expanded_pm, decision, wall_ns)
			VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)`,
			r.SetID, r.Revision, i, r.Station, p.RingID, p.PlanStep, int64(p.Height), p.Direction,
			int64(p.Diameter), int64(p.U), int64(p.Expanded), p.Decision, r.WallNS)
		if err != nil {
			return fmt.Errorf("position %d: %w", i, err)
		}
	}
	for i, c := range r.Checks {
		_, err := t.exec(`INSERT INTO reference_check(set_id, revision, ordinal, station, master_id, difference_pm, limit_pm,
				drift_pm_per_hour, attempts, within, wall_ns)
			VALUES (?,?,?,?,?,?,?,?,?,?,?)`,
			r.SetID, r.Revision, i, r.Station, c.MasterID, int64(c.Difference), int64(c.Limit), int64(c.DriftPerHour),
			c.Attempts, c.Within, r.WallNS)
		if err != nil {
			return fmt.Errorf("reference check %d: %w", i, err)
		}
	}
	if p := r.Repeatability; p != nil {
		_, err := t.exec(`INSERT INTO repeatability(set_id, revision, station, master_id, s_pm, dof, wall_ns) VALUES (?,?,?,?,?,?,?)`,
			r.SetID, r.Revision, r.Station, p.MasterID, int64(p.S), p.DoF, r.WallNS)
		if err != nil {
			return fmt.Errorf("repeatability: %w", err)
		}
	}
	return nil
}

const (
	resultColumns = `set_id, revision, id, station, method, evaluator, input_digest, status, outcome, by_whom, reason, wall_ns`
	resultNewest  = `SELECT ` + resultColumns + ` FROM result WHERE set_id = ? ORDER BY revision DESC LIMIT 1`
)

func scanResult(rows *sql.Rows) (ResultRecord, error) {
	var r ResultRecord
	var outcome string
	err := rows.Scan(&r.SetID, &r.Revision, &r.ID, &r.Station, &r.Method, &r.Evaluator, &r.InputDigest, &r.Status, &outcome,
		&r.By, &r.Reason, &r.WallNS)
	r.Outcome = []byte(outcome)
	r.Digest = hexOf(sum(r.Outcome))
	return r, err
}

// Result returns the newest revision of a set's result.
func (s *Store) Result(ctx context.Context, setID string) (ResultRecord, error) {
	r, err := one(ctx, s.readers, scanResult, resultNewest, setID)
	if err == nil {
		err = s.fillResult(ctx, &r)
	}
	if err != nil {
		return ResultRecord{}, fmt.Errorf("result of set %s: %w", setID, err)
	}
	return r, nil
}

// Results returns all revisions of a set's result, oldest first.
func (s *Store) Results(ctx context.Context, setID string) ([]ResultRecord, error) {
	all, err := collect(ctx, s.readers, scanResult,
		`SELECT `+resultColumns+` FROM result WHERE set_id = ? ORDER BY revision`, setID)
	if err != nil {
		return nil, err
	}
	for i := range all {
		if err := s.fillResult(ctx, &all[i]); err != nil {
			return nil, err
		}
	}
	return all, nil
}

func (s *Store) fillResult(ctx context.Context, r *ResultRecord) (err error) {
	const of = ` WHERE p.set_id = ? AND p.revision = ? ORDER BY p.ordinal`
	r.Positions, err = collect(ctx, s.readers, scanPosition, `SELECT `+positionColumns+` FROM result_position p`+of, r.SetID, r.Revision)
	if err != nil {
		return err
	}
	r.Checks, err = collect(ctx, s.readers, scanCheck, `SELECT `+checkColumns+` FROM reference_check p`+of, r.SetID, r.Revision)
	if err != nil {
		return err
	}
	rep, err := one(ctx, s.readers, scanRepeatability,
		`SELECT `+repeatabilityColumns+` FROM repeatability p WHERE p.set_id = ? AND p.revision = ?`, r.SetID, r.Revision)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	r.Repeatability = &rep
	return err
}

const positionColumns = `p.set_id, p.revision, p.station, p.ring_id, p.plan_step, p.height_pm, p.direction_mdeg,
	p.diameter_pm, p.u_pm, p.expanded_pm, p.decision, p.wall_ns,
	p.revision = (SELECT max(revision) FROM result WHERE set_id = p.set_id)`

func scanPosition(rows *sql.Rows) (ResultPosition, error) {
	var p ResultPosition
	err := rows.Scan(&p.SetID, &p.Revision, &p.Station, &p.RingID, &p.PlanStep, &p.Height, &p.Direction,
		&p.Diameter, &p.U, &p.Expanded, &p.Decision, &p.WallNS, &p.ResultIsNewest)
	return p, err
}

// RingHistory returns the diameters found on a ring, newest first, at most
// limit; superseded revisions are among them and marked.
func (s *Store) RingHistory(ctx context.Context, ringID string, limit int) ([]ResultPosition, error) {
	return collect(ctx, s.readers, scanPosition, `SELECT `+positionColumns+` FROM result_position p
		WHERE p.ring_id = ? ORDER BY p.wall_ns DESC, p.set_id, p.revision DESC, p.ordinal LIMIT ?`, ringID, limit)
}

const checkColumns = `p.set_id, p.revision, p.station, p.master_id, p.difference_pm, p.limit_pm, p.drift_pm_per_hour,
	p.attempts, p.within, p.wall_ns`

func scanCheck(rows *sql.Rows) (ReferenceCheck, error) {
	var c ReferenceCheck
	err := rows.Scan(&c.SetID, &c.Revision, &c.Station, &c.MasterID, &c.Difference, &c.Limit, &c.DriftPerHour,
		&c.Attempts, &c.Within, &c.WallNS)
	return c, err
}

// onlyNewest leaves out what a later revision of the same set's result replaced.
const onlyNewest = ` p.revision = (SELECT max(revision) FROM result WHERE set_id = p.set_id) `

// ReferenceHistory returns the closing differences on a master at a station,
// newest first, at most limit, one for each set.
func (s *Store) ReferenceHistory(ctx context.Context, station, masterID string, limit int) ([]ReferenceCheck, error) {
	return collect(ctx, s.readers, scanCheck, `SELECT `+checkColumns+` FROM reference_check p
		WHERE p.station = ? AND p.master_id = ? AND`+onlyNewest+`
		ORDER BY p.wall_ns DESC, p.set_id DESC LIMIT ?`, station, masterID, limit)
}

// LastReferenceChecks returns the newest closing difference of every station and
// master.
func (s *Store) LastReferenceChecks(ctx context.Context) ([]ReferenceCheck, error) {
	return lastOfEach(ctx, s, "reference_check", func(station, master string) ([]ReferenceCheck, error) {
		return s.ReferenceHistory(ctx, station, master, 1)
	})
}

const repeatabilityColumns = `p.set_id, p.revision, p.station, p.master_id, p.s_pm, p.dof, p.wall_ns`

func scanRepeatability(rows *sql.Rows) (Repeatability, error) {
	var r Repeatability
	err := rows.Scan(&r.SetID, &r.Revision, &r.Station, &r.MasterID, &r.S, &r.DoF, &r.WallNS)
	return r, err
}

// RepeatabilityHistory returns the pooled standard deviations of the sets with a
// master at a station, newest first, at most limit.
func (s *Store) RepeatabilityHistory(ctx context.Context, station, masterID string, limit int) ([]Repeatability, error) {
	return collect(ctx, s.readers, scanRepeatability, `SELECT `+repeatabilityColumns+` FROM repeatability p
		WHERE p.station = ? AND p.master_id = ? AND`+onlyNewest+`
		ORDER BY p.wall_ns DESC, p.set_id DESC LIMIT ?`, station, masterID, limit)
}

// LastRepeatability returns the newest pooled standard deviation of every station
// and master.
func (s *Store) LastRepeatability(ctx context.Context) ([]Repeatability, error) {
	return lastOfEach(ctx, s, "repeatability", func(station, master string) ([]Repeatability, error) {
		return s.RepeatabilityHistory(ctx, station, master, 1)
	})
}

func lastOfEach[T any](ctx context.Context, s *Store, table string, last func(station, master string) ([]T, error)) ([]T, error) {
	type pair struct{ station, master string }
	pairs, err := collect(ctx, s.readers, func(rows *sql.Rows) (pair, error) {
		var p pair
		err := rows.Scan(&p.station, &p.master)
		return p, err
	}, `SELECT DISTINCT station, master_id FROM `+table+` ORDER BY station, master_id`)
	if err != nil {
		return nil, err
	}
	out := []T{}
	for _, p := range pairs {
		l, err := last(p.station, p.master)
		if err != nil {
			return nil, err
		}
		out = append(out, l...)
	}
	return out, nil
}

func (s *Store) digestOfResult(ctx context.Context, id string, _ int64) (string, error) {
	r, err := one(ctx, s.readers, scanResult, `SELECT `+resultColumns+` FROM result WHERE id = ?`, id)
	return r.Digest, err
}
