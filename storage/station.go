package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"

	"ringsaddle/acquire"
)

// StationRevision is one state of a station's settings.
type StationRevision struct {
	// Station is the configured name, Revision counts from 1.
	Station  string
	Revision int64
	// Settings is JSON with sorted keys; Digest is the SHA-256 of it, in hex.
	Settings []byte
	Digest   string
	WallNS   int64
}

// UpsertStation records the settings of a station (JSON) and returns their
// revision: the newest one if it has the same settings, else a new one.
func (s *Store) UpsertStation(ctx context.Context, station string, settings []byte) (StationRevision, error) {
	text, err := canonical(settings, true)
	if err == nil && station == "" {
		err = errors.New("it has no name")
	}
	if err != nil {
		return StationRevision{}, fmt.Errorf("settings of station %q: %w", station, err)
	}
	var rev StationRevision
	err = s.write(ctx, true, func(t *tx) error {
		rev, err = t.upsertStation(s, station, text)
		return err
	})
	if err != nil {
		return StationRevision{}, fmt.Errorf("record station %s: %w", station, err)
	}
	return rev, nil
}

func (t *tx) upsertStation(s *Store, station string, settings []byte) (StationRevision, error) {
	newest, err := one(t.ctx, t.conn, scanStation, newestStation, station)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return StationRevision{}, err
	}
	digest := sum(settings)
	if err == nil && newest.Digest == hexOf(digest) {
		return newest, nil
	}
	if err != nil {
		if _, err := t.exec(`INSERT INTO station(station, id, wall_ns) VALUES (?,?,?)`, station, s.newID(), t.now); err != nil {
			return StationRevision{}, err
		}
	}
	rev := StationRevision{
		Station: station, Revision: newest.Revision + 1, Settings: settings, Digest: hexOf(digest), WallNS: t.now,
	}
	_, err = t.exec(`INSERT INTO station_revision(station, revision, settings, digest, wall_ns) VALUES (?,?,?,?,?)`,
		station, rev.Revision, string(settings), digest[:], t.now)
	if err != nil {
		return StationRevision{}, err
	}
	e := Entry{Station: station, Subject: AboutStation, SubjectID: station, Kind: KindStationRevised, WallNS: t.now}
	err = t.appendEntry(&e, func(int64) (any, error) {
		return map[string]any{"revision": rev.Revision, "digest": rev.Digest}, nil
	})
	return rev, err
}

const newestStation = `SELECT station, revision, settings, wall_ns FROM station_revision
	WHERE station = ? ORDER BY revision DESC LIMIT 1`

func scanStation(rows *sql.Rows) (StationRevision, error) {
	var r StationRevision
	var settings string
	err := rows.Scan(&r.Station, &r.Revision, &settings, &r.WallNS)
	r.Settings = []byte(settings)
	r.Digest = hexOf(sum(r.Settings))
	return r, err
}

// Station returns the newest settings of a station.
func (s *Store) Station(ctx context.Context, station string) (StationRevision, error) {
	r, err := one(ctx, s.readers, scanStation, newestStation, station)
	if err != nil {
		return r, fmt.Errorf("station %s: %w", station, err)
	}
	return r, nil
}

// StationAt returns one revision of the settings of a station.
func (s *Store) StationAt(ctx context.Context, station string, revision int64) (StationRevision, error) {
	r, err := one(ctx, s.readers, scanStation,
		`SELECT station, revision, settings, wall_ns FROM station_revision WHERE station = ? AND revision = ?`, station, revision)
	if err != nil {
		return r, fmt.Errorf("station %s, revision %d: %w", station, revision, err)
	}
	return r, nil
}

func (s *Store) digestOfStation(ctx context.Context, station string, revision int64) (string, error) {
	r, err := s.StationAt(ctx, station, revision)
	return r.Digest, err
}

// PutStream records a stream with the settings (JSON) of its station that were
// in force when it was opened; nil stands for the newest recorded ones. Putting
// the same stream again does nothing; another stream under a known id gives
// ErrExists.
func (s *Store) PutStream(ctx context.Context, st acquire.Stream, settings []byte) error {
	err := s.write(ctx, true, func(t *tx) error { return t.putStream(s, st, settings) })
	if err != nil {
		return fmt.Errorf("record stream %s: %w", st.ID, err)
	}
	return nil
}

func (t *tx) putStream(s *Store, st acquire.Stream, settings []byte) error {
	if st.ID == "" || st.Station == "" || !st.Step.Valid() {
		return fmt.Errorf("id %q, station %q, step %d/%d pm: all are needed", st.ID, st.Station, st.Step.Num, st.Step.Den)
	}
	known, err := one(t.ctx, t.conn, scanStream, streamByID, st.ID)
	if err == nil {
		if known.Stream != st {
			return fmt.Errorf("another stream with this id: %w", ErrExists)
		}
		return nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	var rev StationRevision
	if settings != nil {
		text, err := canonical(settings, true)
		if err != nil {
			return fmt.Errorf("settings of station %q: %w", st.Station, err)
		}
		if rev, err = t.upsertStation(s, st.Station, text); err != nil {
			return err
		}
	} else if rev, err = one(t.ctx, t.conn, scanStation, newestStation, st.Station); err != nil {
		return fmt.Errorf("settings of station %s: %w", st.Station, err)
	}
	_, err = t.exec(`INSERT INTO stream(id, station, station_revision, boot_id, opened_at_ns, opened_wall_ns,
			step_num_pm, step_den, resolution_pm, first_seq, reason, unit_changed)
		VALUES (?,?,?,?,?,?,?,?,?,?,?,?)`,
		st.ID, st.Station, rev.Revision, st.BootID, st.OpenedAt, st.OpenedWallNS,
		st.Step.Num, st.Step.Den, st.ResolutionPM, int64(st.FirstSeq), st.Reason, st.UnitChanged)
	if err != nil {
		return err
	}
	digest, err := streamDigest(st, rev.Revision)
	if err != nil {
		return err
	}
	e := Entry{Station: st.Station, Subject: AboutStream, SubjectID: st.ID, Kind: KindStreamOpened, WallNS: st.OpenedWallNS}
	return t.appendEntry(&e, func(int64) (any, error) {
		return map[string]any{
			"digest": digest, "reason": st.Reason, "unit_changed": st.UnitChanged, "station_revision": rev.Revision,
		}, nil
	})
}

// StoredStream is a stream with the revision of its station's settings.
type StoredStream struct {
	acquire.Stream
	StationRevision int64
}

// WallNS returns the Unix time (ns) at which the station clock stood at at,
// by the stream's anchors.
func (st StoredStream) WallNS(at int64) int64 { return wallOf(st.Stream, at) }

func wallOf(st acquire.Stream, at int64) int64 { return st.OpenedWallNS + (at - st.OpenedAt) }

const streamColumns = `id, station, station_revision, boot_id, opened_at_ns, opened_wall_ns,
	step_num_pm, step_den, resolution_pm, first_seq, reason, unit_changed`

const streamByID = `SELECT ` + streamColumns + ` FROM stream WHERE id = ?`

func scanStream(rows *sql.Rows) (StoredStream, error) {
	var st StoredStream
	var first int64
	err := rows.Scan(&st.ID, &st.Station, &st.StationRevision, &st.BootID, &st.OpenedAt, &st.OpenedWallNS,
		&st.Step.Num, &st.Step.Den, &st.ResolutionPM, &first, &st.Reason, &st.UnitChanged)
	st.FirstSeq = uint64(first)
	return st, err
}

// Stream returns a stream.
func (s *Store) Stream(ctx context.Context, id string) (StoredStream, error) {
	st, err := one(ctx, s.readers, scanStream, streamByID, id)
	if err != nil {
		return st, fmt.Errorf("stream %s: %w", id, err)
	}
	return st, nil
}

// Streams returns the streams of a station, newest first, at most limit.
func (s *Store) Streams(ctx context.Context, station string, limit int) ([]StoredStream, error) {
	return collect(ctx, s.readers, scanStream,
		`SELECT `+streamColumns+` FROM stream WHERE station = ? ORDER BY opened_wall_ns DESC, id DESC LIMIT ?`, station, limit)
}

func streamDigest(st acquire.Stream, revision int64) (string, error) {
	text, err := canonicalOf(map[string]any{
		"format": "stream/1", "id": st.ID, "station": st.Station, "station_revision": revision, "boot_id": st.BootID,
		"opened_at_ns": st.OpenedAt, "opened_wall_ns": st.OpenedWallNS, "step_num_pm": st.Step.Num, "step_den": st.Step.Den,
		"resolution_pm": st.ResolutionPM, "first_seq": st.FirstSeq, "reason": st.Reason, "unit_changed": st.UnitChanged,
	})
	return hexOf(sum(text)), err
}

func (s *Store) digestOfStream(ctx context.Context, id string, _ int64) (string, error) {
	st, err := s.Stream(ctx, id)
	if err != nil {
		return "", err
	}
	return streamDigest(st.Stream, st.StationRevision)
}
