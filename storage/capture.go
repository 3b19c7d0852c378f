package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// CaptureRecord is a capture with what ties it to a bench, a stream and a set.
type CaptureRecord struct {
	// ID is a UUIDv7.
	ID      string
	Station string
	// StreamID is the stream of the readings FirstSeq to LastSeq; it must have
	// been recorded.
	StreamID string
	// SetID is empty for a capture outside any set; PlanStep is the index of the
	// step for which it was taken, -1 if none.
	SetID    string
	PlanStep int
	// Capture is what the detector made. Slices of length zero come back as nil.
	Capture detect.Capture
	// Step is the exact length of one count.
	Step acquire.Step
	// WallNS is the Unix time (ns) of Capture.At.
	WallNS int64
	// Manual is true if a person took the reading; then FirstSeq and LastSeq may
	// be 0: no trace.
	Manual bool
	// By is the person who took or asked for it; empty when the daemon did.
	By string
	// RecomputedFrom is the id of the capture whose readings were evaluated
	// again; empty for a live capture.
	RecomputedFrom string
	// Params are the detector's parameters as JSON, kept once for each
	// Capture.ParamsDigest; may be nil if they are recorded already or not to be.
	Params []byte

	// The rest is set by the store.

	// RecordedWallNS is when it was committed.
	RecordedWallNS int64
	// TraceReadings of the span were stored and TraceMissing were not (a gap entry
	// says why) when the capture was committed.
	TraceReadings, TraceMissing uint64
	// TraceDigest is the SHA-256 (hex) over the stored readings of the span,
	// Digest that over all the rest.
	TraceDigest, Digest string
}

// CommitCapture records a capture with its turning points and reasons, and the
// events that it causes in its set, in one transaction, and returns the events
// as recorded. It first waits until the readings up to LastSeq are committed.
// What it has returned nil for is on the disk.
//
// Errors: ErrExists if the id is taken; fs.ErrNotExist for an unknown set or
// stream; ErrTraceNotStored if readings of the span are missing without a gap
// entry; an error for NaN or infinite values. Nothing is recorded then.
func (s *Store) CommitCapture(ctx context.Context, rec CaptureRecord, events []calibrate.Event) ([]calibrate.Event, error) {
	out, err := s.commitCapture(ctx, rec, events)
	if err != nil {
		return nil, fmt.Errorf("record capture %s: %w", rec.ID, err)
	}
	return out, nil
}

func (s *Store) commitCapture(ctx context.Context, rec CaptureRecord, events []calibrate.Event) ([]calibrate.Event, error) {
	if err := rec.check(len(events)); err != nil {
		return nil, err
	}
	if err := s.settleTrace(ctx, &rec); err != nil {
		return nil, err
	}
	var params []byte
	if rec.Params != nil {
		var err error
		if params, err = canonical(rec.Params, true); err != nil {
			return nil, fmt.Errorf("parameters: %w", err)
		}
	}
	var out []calibrate.Event
	err := s.write(ctx, true, func(t *tx) error {
		r := rec
		r.RecordedWallNS = t.now
		digest, err := r.computeDigest()
		if err != nil {
			return err
		}
		r.Digest = digest
		if err := t.putCapture(&r, params); err != nil {
			return err
		}
		out = make([]calibrate.Event, 0, len(events))
		for _, ev := range events {
			recorded, err := t.appendEvent(r.Station, r.SetID, ev)
			if err != nil {
				return err
			}
			out = append(out, recorded)
		}
		return nil
	})
	return out, err
}

// check reports all faults of what was handed in at once.
func (r *CaptureRecord) check(events int) error {
	var errs []error
	refuse := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	c := &r.Capture
	if r.ID == "" || r.Station == "" || r.StreamID == "" {
		refuse("id %q, station %q, stream %q: all are needed", r.ID, r.Station, r.StreamID)
	}
	if r.PlanStep < -1 {
		refuse("plan step %d: must be an index or -1", r.PlanStep)
	}
	if events > 0 && r.SetID == "" {
		refuse("events without a set")
	}
	if !r.Step.Valid() {
		refuse("step %d/%d pm: must be positive", r.Step.Num, r.Step.Den)
	}
	if c.Outcome == "" {
		refuse("it has no outcome")
	}
	if c.LastSeq < c.FirstSeq || c.LastSeq > math.MaxInt64 {
		refuse("readings %d to %d: not a span", c.FirstSeq, c.LastSeq)
	}
	if c.LastSeq == 0 && !r.Manual {
		refuse("a capture without readings must be manual")
	}
	finite := func(name string, vs ...float64) {
		for _, v := range vs {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				refuse("%s: %v is no finite number", name, v)
			}
		}
	}
	finite("saddle", c.Saddle)
	finite("u", c.U)
	finite("residual", c.Residual[:]...)
	finite("residual u", c.ResidualU[:]...)
	finite("probability", c.Probability[:]...)
	for i, p := range c.Points {
		finite(fmt.Sprintf("turning point %d (%s) value", i, p.Adjustment), p.Value)
		finite(fmt.Sprintf("turning point %d (%s) u", i, p.Adjustment), p.U)
		if p.Sense != detect.Minimum && p.Sense != detect.Maximum {
			refuse("turning point %d (%s): sense %d", i, p.Adjustment, p.Sense)
		}
		if p.First > math.MaxInt64 || p.Last > math.MaxInt64 {
			refuse("turning point %d (%s): readings %d to %d", i, p.Adjustment, p.First, p.Last)
		}
	}
	return errors.Join(errs...)
}

// settleTrace waits for the readings of the span and takes their digest.
func (s *Store) settleTrace(ctx context.Context, r *CaptureRecord) error {
	c := &r.Capture
	if c.LastSeq == 0 {
		r.TraceDigest = hexOf(digestReadings(nil))
		return nil
	}
	missing, err := s.unexplained(ctx, r.StreamID, c.FirstSeq, c.LastSeq)
	if err != nil {
		return err
	}
	if missing > 0 {
		rec := s.recorder(r.Station)
		if rec == nil {
			return fmt.Errorf("%d of the readings %d to %d of stream %s: %w", missing, c.FirstSeq, c.LastSeq, r.StreamID, ErrTraceNotStored)
		}
		if err := rec.Flush(ctx, c.LastSeq); err != nil {
			return fmt.Errorf("wait for reading %d to be stored: %w", c.LastSeq, err)
		}
		if missing, err = s.unexplained(ctx, r.StreamID, c.FirstSeq, c.LastSeq); err != nil {
			return err
		} else if missing > 0 {
			return fmt.Errorf("%d of the readings %d to %d of stream %s: %w", missing, c.FirstSeq, c.LastSeq, r.StreamID, ErrTraceNotStored)
		}
	}
	d := newReadingDigest()
	for reading, err := range s.Trace(ctx, r.StreamID, c.FirstSeq, c.LastSeq) {
		if err != nil {
			return err
		}
		d.add(reading)
		r.TraceReadings++
	}
	r.TraceMissing = c.LastSeq - c.FirstSeq + 1 - r.TraceReadings
	r.TraceDigest = hexOf(d.sum())
	return nil
}

func (t *tx) putCapture(r *CaptureRecord, params []byte) error {
	c := &r.Capture
	var n int
	if err := t.row(`SELECT count(*) FROM capture WHERE id = ?`, r.ID).Scan(&n); err != nil {
		return err
	} else if n != 0 {
		return ErrExists
	}
	if err := t.row(`SELECT count(*) FROM stream WHERE id = ? AND station = ?`, r.StreamID, r.Station).Scan(&n); err != nil {
		return err
	} else if n == 0 {
		return fmt.Errorf("stream %s of station %s: %w", r.StreamID, r.Station, fs.ErrNotExist)
	}
	if r.SetID != "" {
		station, err := t.stationOfSet(r.SetID)
		if err != nil {
			return err
		}
		if station != r.Station {
			return fmt.Errorf("set %s belongs to station %s, not %s", r.SetID, station, r.Station)
		}
	}
	if params != nil && c.ParamsDigest != "" {
		_, err := t.exec(`INSERT INTO detector_params(digest, station, params, wall_ns)
			SELECT ?1, ?2, ?3, ?4 WHERE NOT EXISTS (SELECT 1 FROM detector_params WHERE digest = ?1)`,
			c.ParamsDigest, r.Station, string(params), t.now)
		if err != nil {
			return err
		}
	}
	trace, err := bytesOfHex(r.TraceDigest)
	if err != nil {
		return err
	}
	digest, err := bytesOfHex(r.Digest)
	if err != nil {
		return err
	}
	_, err = t.exec(`INSERT INTO capture(`+captureColumns+`)
		VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)`,
		r.ID, r.Station, r.StreamID, nullable(r.SetID), r.PlanStep, nullable(r.RecomputedFrom), r.Manual, r.By,
		int64(c.FirstSeq), int64(c.LastSeq), c.StartAt, c.EndAt, c.At, r.WallNS, r.RecordedWallNS,
		r.Step.Num, r.Step.Den, c.Origin, string(c.Outcome), string(c.Ending),
		c.Saddle, c.U, c.Residual[0], c.Residual[1], c.ResidualU[0], c.ResidualU[1], c.Parked[0], c.Parked[1],
		c.Probability[0], c.Probability[1], c.Revision, c.ParamsDigest, int64(r.TraceReadings), int64(r.TraceMissing), trace, digest)
	if err != nil {
		return err
	}
	for i, p := range c.Points {
		_, err := t.exec(`INSERT INTO turning_point(capture_id, ordinal, station, adjustment, sense, at_ns, value, u, crossings, first_seq, last_seq)
			VALUES (?,?,?,?,?,?,?,?,?,?,?)`,
			r.ID, i, r.Station, string(p.Adjustment), int(p.Sense), p.At, p.Value, p.U, p.Crossings, int64(p.First), int64(p.Last))
		if err != nil {
			return err
		}
	}
	for i, reason := range c.Reasons {
		_, err := t.exec(`INSERT INTO capture_reason(capture_id, ordinal, station, code, reason) VALUES (?,?,?,?,?)`,
			r.ID, i, r.Station, string(reason.Code), reason.Text)
		if err != nil {
			return err
		}
	}
	e := Entry{
		Station: r.Station, Subject: AboutCapture, SubjectID: r.ID, SetID: r.SetID,
		Kind: KindCaptureCommitted, WallNS: r.WallNS,
	}
	return t.appendEntry(&e, func(int64) (any, error) {
		return map[string]any{
			"capture_id": r.ID, "digest": r.Digest, "trace_digest": r.TraceDigest, "stream_id": r.StreamID,
			"first_seq": c.FirstSeq, "last_seq": c.LastSeq, "step": r.PlanStep, "outcome": c.Outcome,
			"manual": r.Manual, "recomputed_from": r.RecomputedFrom, "by": r.By,
		}, nil
	})
}

// computeDigest returns the SHA-256 (hex) over everything the store keeps of a
// capture, floating point by its bits.
func (r *CaptureRecord) computeDigest() (string, error) {
	c := r.Capture
	bits := func(v float64) string { return fmt.Sprintf("%016x", math.Float64bits(v)) }
	points := []any{}
	for _, p := range c.Points {
		points = append(points, map[string]any{
			"adjustment": p.Adjustment, "sense": p.Sense, "at_ns": p.At, "value": bits(p.Value), "u": bits(p.U),
			"crossings": p.Crossings, "first_seq": p.First, "last_seq": p.Last,
		})
	}
	reasons := []any{}
	for _, x := range c.Reasons {
		reasons = append(reasons, []string{string(x.Code), x.Text})
	}
	text, err := canonicalOf(map[string]any{
		"format": "capture/1", "id": r.ID, "station": r.Station, "stream_id": r.StreamID, "set_id": r.SetID,
		"plan_step": r.PlanStep, "recomputed_from": r.RecomputedFrom, "manual": r.Manual, "by": r.By,
		"first_seq": c.FirstSeq, "last_seq": c.LastSeq, "start_at_ns": c.StartAt, "end_at_ns": c.EndAt, "at_ns": c.At,
		"wall_ns": r.WallNS, "recorded_wall_ns": r.RecordedWallNS, "step_num_pm": r.Step.Num, "step_den": r.Step.Den,
		"origin": c.Origin, "outcome": c.Outcome, "ending": c.Ending, "saddle": bits(c.Saddle), "u": bits(c.U),
		"residual":   []string{bits(c.Residual[0]), bits(c.Residual[1])},
		"residual_u": []string{bits(c.ResidualU[0]), bits(c.ResidualU[1])}, "parked": c.Parked,
		"probability": []string{bits(c.Probability[0]), bits(c.Probability[1])},
		"revision":    c.Revision, "params_digest": c.ParamsDigest, "points": points, "reasons": reasons,
		"trace_readings": r.TraceReadings, "trace_missing": r.TraceMissing, "trace_digest": r.TraceDigest,
	})
	return hexOf(sum(text)), err
}

const captureColumns = `id, station, stream_id, set_id, plan_step, recomputed_from, manual, by_whom,
	first_seq, last_seq, start_at_ns, end_at_ns, at_ns, wall_ns, recorded_wall_ns,
	step_num_pm, step_den, origin, outcome, ending,
	saddle, u, residual_0, residual_1, residual_u_0, residual_u_1, parked_0, parked_1, probability_0, probability_1,
	detector_revision, params_digest, trace_readings, trace_missing, trace_digest, digest`

func scanCapture(rows *sql.Rows) (CaptureRecord, error) {
	var r CaptureRecord
	c := &r.Capture
	var set, from sql.NullString
	var first, last, readings, missing int64
	var trace, digest []byte
	err := rows.Scan(&r.ID, &r.Station, &r.StreamID, &set, &r.PlanStep, &from, &r.Manual, &r.By,
		&first, &last, &c.StartAt, &c.EndAt, &c.At, &r.WallNS, &r.RecordedWallNS,
		&r.Step.Num, &r.Step.Den, &c.Origin, &c.Outcome, &c.Ending,
		&c.Saddle, &c.U, &c.Residual[0], &c.Residual[1], &c.ResidualU[0], &c.ResidualU[1], &c.Parked[0], &c.Parked[1],
		&c.Probability[0], &c.Probability[1], &c.Revision, &c.ParamsDigest, &readings, &missing, &trace, &digest)
	r.SetID, r.RecomputedFrom = set.String, from.String
	c.FirstSeq, c.LastSeq = uint64(first), uint64(last)
	r.TraceReadings, r.TraceMissing = uint64(readings), uint64(missing)
	r.TraceDigest, r.Digest = fmt.Sprintf("%x", trace), fmt.Sprintf("%x", digest)
	return r, err
}

// CaptureFilter selects captures; empty fields do not restrict.
type CaptureFilter struct {
	Station, SetID, StreamID string
	// FromWallNS ≤ WallNS < ToWallNS; zero does not restrict.
	FromWallNS, ToWallNS int64
	// Limit of zero means 1000.
	Limit int
}

// Captures returns captures in the order of their times.
func (s *Store) Captures(ctx context.Context, f CaptureFilter) ([]CaptureRecord, error) {
	var w where
	for _, c := range []struct{ column, value string }{{"station", f.Station}, {"set_id", f.SetID}, {"stream_id", f.StreamID}} {
		if c.value != "" {
			w.and(c.column+` = ?`, c.value)
		}
	}
	if f.FromWallNS != 0 {
		w.and(`wall_ns >= ?`, f.FromWallNS)
	}
	if f.ToWallNS != 0 {
		w.and(`wall_ns < ?`, f.ToWallNS)
	}
	return s.captures(ctx, `SELECT `+captureColumns+` FROM capture`+w.text+` ORDER BY wall_ns, id LIMIT ?`,
		append(slices.Clone(w.args), limitOr(f.Limit, 1000))...)
}

// Capture returns one capture.
func (s *Store) Capture(ctx context.Context, id string) (CaptureRecord, error) {
	all, err := s.captures(ctx, `SELECT `+captureColumns+` FROM capture WHERE id = ?`, id)
	if err == nil && len(all) == 0 {
		err = fs.ErrNotExist
	}
	if err != nil {
		return CaptureRecord{}, fmt.Errorf("capture %s: %w", id, err)
	}
	return all[0], nil
}

func (s *Store) captures(ctx context.Context, query string, args ...any) ([]CaptureRecord, error) {
	all, err := collect(ctx, s.readers, scanCapture, query, args...)
	if err != nil {
		return nil, err
	}
	for i := range all {
		if err := s.fillCapture(ctx, &all[i]); err != nil {
			return nil, fmt.Errorf("capture %s: %w", all[i].ID, err)
		}
	}
	return all, nil
}

func (s *Store) fillCapture(ctx context.Context, r *CaptureRecord) error {
	points, err := collect(ctx, s.readers, func(rows *sql.Rows) (detect.TurningPoint, error) {
		var p detect.TurningPoint
		var first, last int64
		err := rows.Scan(&p.Adjustment, &p.Sense, &p.At, &p.Value, &p.U, &p.Crossings, &first, &last)
		p.First, p.Last = uint64(first), uint64(last)
		return p, err
	}, `SELECT adjustment, sense, at_ns, value, u, crossings, first_seq, last_seq
		FROM turning_point WHERE capture_id = ? ORDER BY ordinal`, r.ID)
	if err != nil {
		return err
	}
	if len(points) > 0 {
		r.Capture.Points = points
	}
	reasons, err := collect(ctx, s.readers, func(rows *sql.Rows) (detect.Reason, error) {
		var x detect.Reason
		err := rows.Scan(&x.Code, &x.Text)
		return x, err
	}, `SELECT code, reason FROM capture_reason WHERE capture_id = ? ORDER BY ordinal`, r.ID)
	if err != nil {
		return err
	}
	if len(reasons) > 0 {
		r.Capture.Reasons = reasons
	}
	return nil
}

func (s *Store) digestOfCapture(ctx context.Context, id string, _ int64) (string, error) {
	r, err := s.Capture(ctx, id)
	if err != nil {
		return "", err
	}
	return r.computeDigest()
}

// Params returns the detector parameters (JSON) with a digest.
func (s *Store) Params(ctx context.Context, digest string) ([]byte, error) {
	text, err := one(ctx, s.readers, scanText, `SELECT params FROM detector_params WHERE digest = ?`, digest)
	if err != nil {
		return nil, fmt.Errorf("detector parameters %s: %w", digest, err)
	}
	return []byte(text), nil
}

// VerifyTrace reads the stored readings of a capture's span again and compares
// them with the digest taken when the capture was committed.
func (s *Store) VerifyTrace(ctx context.Context, captureID string) error {
	r, err := s.Capture(ctx, captureID)
	if err != nil {
		return err
	}
	d := newReadingDigest()
	if r.Capture.LastSeq != 0 {
		for reading, err := range s.Trace(ctx, r.StreamID, r.Capture.FirstSeq, r.Capture.LastSeq) {
			if err != nil {
				return err
			}
			d.add(reading)
		}
	}
	if hexOf(d.sum()) != r.TraceDigest {
		return fmt.Errorf("capture %s: the stored readings %d to %d of stream %s are not those it was recorded with",
			r.ID, r.Capture.FirstSeq, r.Capture.LastSeq, r.StreamID)
	}
	return nil
}
