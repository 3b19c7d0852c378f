package storage

import (
	"context"
	"database/sql"
)

// Histories are told in the order in which the sets were measured, by the newest
// revision of each result: an evaluation that is done again years later does not
// move a set in time.

// RingCalibration is a diameter found on a ring, with its set.
type RingCalibration struct {
	ResultPosition
	// StartedWallNS is when the set was started and By who started it; Status is
	// that of its result.
	StartedWallNS int64
	By, Status    string
}

// RingCalibrations returns what was found on a ring, set after set, newest first, at
// most limit positions.
func (s *Store) RingCalibrations(ctx context.Context, ringID string, limit int) ([]RingCalibration, error) {
	return collect(ctx, s.readers, func(rows *sql.Rows) (RingCalibration, error) {
		var c RingCalibration
		p := &c.ResultPosition
		err := rows.Scan(&p.SetID, &p.Revision, &p.Station, &p.RingID, &p.PlanStep, &p.Height, &p.Direction,
			&p.Diameter, &p.U, &p.Expanded, &p.Decision, &p.WallNS, &p.ResultIsNewest, &c.StartedWallNS, &c.By, &c.Status)
		return c, err
	}, `SELECT `+positionColumns+`, m.wall_ns, m.by_whom, r.status
		FROM result_position p
		JOIN measurement_set m ON m.id = p.set_id
		JOIN result r ON r.set_id = p.set_id AND r.revision = p.revision
		WHERE p.ring_id = ? AND`+onlyNewest+`
		ORDER BY m.wall_ns DESC, p.set_id DESC, p.ordinal LIMIT ?`, ringID, limit)
}

// Closing is a closing difference with its set.
type Closing struct {
	ReferenceCheck
	// StartedWallNS is when the set was started, By who started it.
	StartedWallNS int64
	By            string
}

// Closings returns the closing differences on a master at a station, of sets
// started at or after sinceWallNS, newest first, at most limit.
func (s *Store) Closings(ctx context.Context, station, masterID string, sinceWallNS int64, limit int) ([]Closing, error) {
	return collect(ctx, s.readers, func(rows *sql.Rows) (Closing, error) {
		var c Closing
		k := &c.ReferenceCheck
		err := rows.Scan(&k.SetID, &k.Revision, &k.Station, &k.MasterID, &k.Difference, &k.Limit, &k.DriftPerHour,
			&k.Attempts, &k.Within, &k.WallNS, &c.StartedWallNS, &c.By)
		return c, err
	}, `SELECT `+checkColumns+`, m.wall_ns, m.by_whom
		FROM reference_check p JOIN measurement_set m ON m.id = p.set_id
		WHERE p.station = ? AND p.master_id = ? AND m.wall_ns >= ? AND`+onlyNewest+`
		ORDER BY m.wall_ns DESC, p.set_id DESC LIMIT ?`, station, masterID, sinceWallNS, limit)
}
