-- +goose Up

-- Every time is in nanoseconds: *_at_ns on the station clock, *_wall_ns Unix
-- time. Every length is in whole picometres, every temperature in millionths of
-- a degree Celsius, every direction in thousandths of a degree.
--
-- Floating point lives in columns of type ANY with CHECK (typeof(x) = 'real'):
-- a REAL column would store 0.0 for -0.0 and so not give back the same bits.
-- NOT NULL keeps NaN out, which the engine would store as NULL.

CREATE TABLE station (
    station TEXT PRIMARY KEY CHECK (station <> ''),
    id      TEXT NOT NULL UNIQUE,
    wall_ns INTEGER NOT NULL
) STRICT;

CREATE TABLE station_revision (
    station  TEXT NOT NULL REFERENCES station(station),
    revision INTEGER NOT NULL CHECK (revision >= 1),
    settings TEXT NOT NULL CHECK (json_valid(settings)),
    digest   BLOB NOT NULL CHECK (length(digest) = 32),
    wall_ns  INTEGER NOT NULL,
    PRIMARY KEY (station, revision)
) STRICT;

CREATE TABLE stream (
    id               TEXT PRIMARY KEY CHECK (id <> ''),
    station          TEXT NOT NULL,
    station_revision INTEGER NOT NULL,
    boot_id          TEXT NOT NULL,
    opened_at_ns     INTEGER NOT NULL,
    opened_wall_ns   INTEGER NOT NULL,
    step_num_pm      INTEGER NOT NULL CHECK (step_num_pm > 0),
    step_den         INTEGER NOT NULL CHECK (step_den > 0),
    resolution_pm    INTEGER NOT NULL CHECK (resolution_pm >= 0),
    first_seq        INTEGER NOT NULL CHECK (first_seq >= 0),
    reason           TEXT NOT NULL,
    unit_changed     INTEGER NOT NULL CHECK (unit_changed IN (0, 1)),
    FOREIGN KEY (station, station_revision) REFERENCES station_revision(station, revision)
) STRICT;
CREATE INDEX stream_by_station ON stream(station, opened_wall_ns);

-- The register of rings is shared by all benches; station says where the entry
-- was made and is empty when it was made away from a bench.
CREATE TABLE ring (
    id      TEXT PRIMARY KEY CHECK (id <> ''),
    station TEXT NOT NULL,
    wall_ns INTEGER NOT NULL
) STRICT;

CREATE TABLE ring_revision (
    ring_id    TEXT NOT NULL REFERENCES ring(id),
    revision   INTEGER NOT NULL CHECK (revision >= 1),
    station    TEXT NOT NULL,
    ident      TEXT NOT NULL CHECK (ident <> ''),
    kind       TEXT NOT NULL,
    nominal_pm INTEGER NOT NULL,
    facts      TEXT NOT NULL CHECK (json_valid(facts)),
    digest     BLOB NOT NULL CHECK (length(digest) = 32),
    by_whom    TEXT NOT NULL,
    reason     TEXT NOT NULL,
    wall_ns    INTEGER NOT NULL,
    PRIMARY KEY (ring_id, revision)
) STRICT;
CREATE INDEX ring_revision_by_ident ON ring_revision(ident);

CREATE TABLE measurement_set (
    id      TEXT PRIMARY KEY CHECK (id <> ''),
    station TEXT NOT NULL REFERENCES station(station),
    by_whom TEXT NOT NULL,
    wall_ns INTEGER NOT NULL
) STRICT;
CREATE INDEX measurement_set_by_station ON measurement_set(station, wall_ns);

CREATE TABLE set_ring (
    set_id        TEXT NOT NULL REFERENCES measurement_set(id),
    ring_id       TEXT NOT NULL,
    ring_revision INTEGER NOT NULL,
    station       TEXT NOT NULL REFERENCES station(station),
    PRIMARY KEY (set_id, ring_id),
    FOREIGN KEY (ring_id, ring_revision) REFERENCES ring_revision(ring_id, revision)
) STRICT;
CREATE INDEX set_ring_by_ring ON set_ring(ring_id);

CREATE TABLE plan_step (
    set_id         TEXT NOT NULL,
    step           INTEGER NOT NULL CHECK (step >= 0),
    station        TEXT NOT NULL REFERENCES station(station),
    role           TEXT NOT NULL,
    ring_id        TEXT NOT NULL,
    height_pm      INTEGER NOT NULL,
    direction_mdeg INTEGER NOT NULL,
    repeats        INTEGER NOT NULL,
    PRIMARY KEY (set_id, step),
    FOREIGN KEY (set_id, ring_id) REFERENCES set_ring(set_id, ring_id)
) STRICT;

-- One chain of entries for everything that happened:
-- hash = SHA-256 over the hash before and all columns of this entry.
CREATE TABLE journal (
    seq        INTEGER PRIMARY KEY CHECK (seq >= 1),
    station    TEXT NOT NULL,
    subject    TEXT NOT NULL,
    subject_id TEXT NOT NULL,
    set_id     TEXT REFERENCES measurement_set(id),
    kind       TEXT NOT NULL,
    wall_ns    INTEGER NOT NULL,
    payload    TEXT NOT NULL CHECK (json_valid(payload)),
    hash       BLOB NOT NULL CHECK (length(hash) = 32)
) STRICT;
CREATE INDEX journal_by_set ON journal(set_id, seq) WHERE set_id IS NOT NULL;
CREATE INDEX journal_set_ends ON journal(set_id) WHERE kind IN ('aborted', 'set_closed');

CREATE TABLE detector_params (
    digest  TEXT PRIMARY KEY CHECK (digest <> ''),
    station TEXT NOT NULL REFERENCES station(station),
    params  TEXT NOT NULL CHECK (json_valid(params)),
    wall_ns INTEGER NOT NULL
) STRICT;

CREATE TABLE capture (
    id                TEXT PRIMARY KEY CHECK (id <> ''),
    station           TEXT NOT NULL REFERENCES station(station),
    stream_id         TEXT NOT NULL REFERENCES stream(id),
    set_id            TEXT REFERENCES measurement_set(id),
    plan_step         INTEGER NOT NULL CHECK (plan_step >= -1),
    recomputed_from   TEXT REFERENCES capture(id),
    manual            INTEGER NOT NULL CHECK (manual IN (0, 1)),
    by_whom           TEXT NOT NULL,
    first_seq         INTEGER NOT NULL CHECK (first_seq >= 0),
    last_seq          INTEGER NOT NULL CHECK (last_seq >= first_seq),
    start_at_ns       INTEGER NOT NULL,
    end_at_ns         INTEGER NOT NULL,
    at_ns             INTEGER NOT NULL,
    wall_ns           INTEGER NOT NULL,
    recorded_wall_ns  INTEGER NOT NULL,
    step_num_pm       INTEGER NOT NULL CHECK (step_num_pm > 0),
    step_den          INTEGER NOT NULL CHECK (step_den > 0),
    origin            INTEGER NOT NULL,
    outcome           TEXT NOT NULL CHECK (outcome <> ''),
    ending            TEXT NOT NULL,
    saddle            ANY NOT NULL CHECK (typeof(saddle) = 'real'),
    u                 ANY NOT NULL CHECK (typeof(u) = 'real'),
    residual_0        ANY NOT NULL CHECK (typeof(residual_0) = 'real'),
    residual_1        ANY NOT NULL CHECK (typeof(residual_1) = 'real'),
    residual_u_0      ANY NOT NULL CHECK (typeof(residual_u_0) = 'real'),
    residual_u_1      ANY NOT NULL CHECK (typeof(residual_u_1) = 'real'),
    parked_0          INTEGER NOT NULL CHECK (parked_0 IN (0, 1)),
    parked_1          INTEGER NOT NULL CHECK (parked_1 IN (0, 1)),
    probability_0     ANY NOT NULL CHECK (typeof(probability_0) = 'real'),
    probability_1     ANY NOT NULL CHECK (typeof(probability_1) = 'real'),
    detector_revision TEXT NOT NULL,
    params_digest     TEXT NOT NULL,
    trace_readings    INTEGER NOT NULL CHECK (trace_readings >= 0),
    trace_missing     INTEGER NOT NULL CHECK (trace_missing >= 0),
    trace_digest      BLOB NOT NULL CHECK (length(trace_digest) = 32),
    digest            BLOB NOT NULL CHECK (length(digest) = 32)
) STRICT;
CREATE INDEX capture_by_span ON capture(stream_id, last_seq, first_seq);
CREATE INDEX capture_by_station ON capture(station, wall_ns);
CREATE INDEX capture_by_set ON capture(set_id, wall_ns) WHERE set_id IS NOT NULL;

CREATE TABLE turning_point (
    capture_id TEXT NOT NULL REFERENCES capture(id),
    ordinal    INTEGER NOT NULL CHECK (ordinal >= 0),
    station    TEXT NOT NULL REFERENCES station(station),
    adjustment TEXT NOT NULL,
    sense      INTEGER NOT NULL CHECK (sense IN (-1, 1)),
    at_ns      INTEGER NOT NULL,
    value      ANY NOT NULL CHECK (typeof(value) = 'real'),
    u          ANY NOT NULL CHECK (typeof(u) = 'real'),
    crossings  INTEGER NOT NULL,
    first_seq  INTEGER NOT NULL,
    last_seq   INTEGER NOT NULL,
    PRIMARY KEY (capture_id, ordinal)
) STRICT;

CREATE TABLE capture_reason (
    capture_id TEXT NOT NULL REFERENCES capture(id),
    ordinal    INTEGER NOT NULL CHECK (ordinal >= 0),
    station    TEXT NOT NULL REFERENCES station(station),
    code       TEXT NOT NULL,
    reason     TEXT NOT NULL,
    PRIMARY KEY (capture_id, ordinal)
) STRICT;

CREATE TABLE temperature (
    id          INTEGER PRIMARY KEY,
    station     TEXT NOT NULL REFERENCES station(station),
    stream_id   TEXT REFERENCES stream(id),
    channel     TEXT NOT NULL CHECK (channel <> ''),
    at_ns       INTEGER NOT NULL,
    wall_ns     INTEGER NOT NULL,
    ucelsius    INTEGER NOT NULL,
    u_ucelsius  INTEGER NOT NULL CHECK (u_ucelsius >= 0),
    source      TEXT NOT NULL
) STRICT;
CREATE INDEX temperature_by_station ON temperature(station, channel, wall_ns);

CREATE TABLE result (
    set_id       TEXT NOT NULL REFERENCES measurement_set(id),
    revision     INTEGER NOT NULL CHECK (revision >= 1),
    id           TEXT NOT NULL UNIQUE,
    station      TEXT NOT NULL REFERENCES station(station),
    method       TEXT NOT NULL,
    evaluator    TEXT NOT NULL,
    input_digest TEXT NOT NULL,
    status       TEXT NOT NULL,
    outcome      TEXT NOT NULL CHECK (json_valid(outcome)),
    digest       BLOB NOT NULL CHECK (length(digest) = 32),
    by_whom      TEXT NOT NULL,
    reason       TEXT NOT NULL,
    wall_ns      INTEGER NOT NULL,
    PRIMARY KEY (set_id, revision)
) STRICT;
CREATE INDEX result_by_station ON result(station, wall_ns);

CREATE TABLE result_position (
    set_id         TEXT NOT NULL,
    revision       INTEGER NOT NULL,
    ordinal        INTEGER NOT NULL CHECK (ordinal >= 0),
    station        TEXT NOT NULL REFERENCES station(station),
    ring_id        TEXT NOT NULL REFERENCES ring(id),
    plan_step      INTEGER NOT NULL,
    height_pm      INTEGER NOT NULL,
    direction_mdeg INTEGER NOT NULL,
    diameter_pm    INTEGER NOT NULL,
    u_pm           INTEGER NOT NULL CHECK (u_pm >= 0),
    expanded_pm    INTEGER NOT NULL CHECK (expanded_pm >= 0),
    decision       TEXT NOT NULL,
    wall_ns        INTEGER NOT NULL,
    PRIMARY KEY (set_id, revision, ordinal),
    FOREIGN KEY (set_id, revision) REFERENCES result(set_id, revision)
) STRICT;
CREATE INDEX result_position_by_ring ON result_position(ring_id, wall_ns);

CREATE TABLE reference_check (
    set_id             TEXT NOT NULL,
    revision           INTEGER NOT NULL,
    ordinal            INTEGER NOT NULL CHECK (ordinal >= 0),
    station            TEXT NOT NULL REFERENCES station(station),
    master_id          TEXT NOT NULL REFERENCES ring(id),
    difference_pm      INTEGER NOT NULL,
    limit_pm           INTEGER NOT NULL CHECK (limit_pm >= 0),
    drift_pm_per_hour  INTEGER NOT NULL,
    attempts           INTEGER NOT NULL CHECK (attempts >= 1),
    within             INTEGER NOT NULL CHECK (within IN (0, 1)),
    wall_ns            INTEGER NOT NULL,
    PRIMARY KEY (set_id, revision, ordinal),
    FOREIGN KEY (set_id, revision) REFERENCES result(set_id, revision)
) STRICT;
CREATE INDEX reference_check_by_master ON reference_check(station, master_id, wall_ns);

CREATE TABLE repeatability (
    set_id   TEXT NOT NULL,
    revision INTEGER NOT NULL,
    station  TEXT NOT NULL REFERENCES station(station),
    master_id TEXT NOT NULL REFERENCES ring(id),
    s_pm     INTEGER NOT NULL CHECK (s_pm >= 0),
    dof      INTEGER NOT NULL CHECK (dof >= 1),
    wall_ns  INTEGER NOT NULL,
    PRIMARY KEY (set_id, revision),
    FOREIGN KEY (set_id, revision) REFERENCES result(set_id, revision)
) STRICT;
CREATE INDEX repeatability_by_master ON repeatability(station, master_id, wall_ns);

CREATE TABLE trace_block (
    id           INTEGER PRIMARY KEY,
    station      TEXT NOT NULL REFERENCES station(station),
    stream_id    TEXT NOT NULL REFERENCES stream(id),
    first_seq    INTEGER NOT NULL CHECK (first_seq >= 0),
    last_seq     INTEGER NOT NULL CHECK (last_seq >= first_seq),
    min_wall_ns  INTEGER NOT NULL,
    max_wall_ns  INTEGER NOT NULL CHECK (max_wall_ns >= min_wall_ns),
    folded       INTEGER NOT NULL CHECK (folded IN (0, 1)),
    data         BLOB NOT NULL
) STRICT;
CREATE UNIQUE INDEX trace_block_by_seq ON trace_block(stream_id, first_seq);
CREATE INDEX trace_block_by_time ON trace_block(station, min_wall_ns);
CREATE INDEX trace_block_tails ON trace_block(stream_id, first_seq) WHERE folded = 0;

CREATE TABLE trace_gap (
    id        INTEGER PRIMARY KEY,
    station   TEXT NOT NULL REFERENCES station(station),
    stream_id TEXT NOT NULL REFERENCES stream(id),
    first_seq INTEGER NOT NULL CHECK (first_seq >= 0),
    last_seq  INTEGER NOT NULL CHECK (last_seq >= first_seq),
    reason    TEXT NOT NULL CHECK (reason IN ('overrun', 'retention')),
    wall_ns   INTEGER NOT NULL
) STRICT;
CREATE INDEX trace_gap_by_seq ON trace_gap(stream_id, first_seq);

-- The door through which blocks may be replaced or removed. A row is here only
-- within the transaction that folds ('fold': the same readings come back in one
-- block) or applies the retention policy ('retention').
CREATE TABLE trace_door (
    one     INTEGER PRIMARY KEY CHECK (one = 1),
    purpose TEXT NOT NULL CHECK (purpose IN ('fold', 'retention'))
) STRICT;


-- Facts are only ever added. A third trigger refuses a key that is taken, because
-- INSERT OR REPLACE removes the old row without its delete trigger on a
-- connection that leaves recursive_triggers off.


-- +goose StatementBegin
CREATE TRIGGER station_no_update BEFORE UPDATE ON station
BEGIN SELECT RAISE(ABORT, 'station: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER station_no_delete BEFORE DELETE ON station
BEGIN SELECT RAISE(ABORT, 'station: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER station_no_replace BEFORE INSERT ON station WHEN EXISTS (SELECT 1 FROM station WHERE station = NEW.station)
BEGIN SELECT RAISE(ABORT, 'station: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER station_revision_no_update BEFORE UPDATE ON station_revision
BEGIN SELECT RAISE(ABORT, 'station_revision: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER station_revision_no_delete BEFORE DELETE ON station_revision
BEGIN SELECT RAISE(ABORT, 'station_revision: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER station_revision_no_replace BEFORE INSERT ON station_revision WHEN EXISTS (SELECT 1 FROM station_revision WHERE station = NEW.station AND revision = NEW.revision)
BEGIN SELECT RAISE(ABORT, 'station_revision: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER stream_no_update BEFORE UPDATE ON stream
BEGIN SELECT RAISE(ABORT, 'stream: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER stream_no_delete BEFORE DELETE ON stream
BEGIN SELECT RAISE(ABORT, 'stream: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER stream_no_replace BEFORE INSERT ON stream WHEN EXISTS (SELECT 1 FROM stream WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'stream: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER ring_no_update BEFORE UPDATE ON ring
BEGIN SELECT RAISE(ABORT, 'ring: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER ring_no_delete BEFORE DELETE ON ring
BEGIN SELECT RAISE(ABORT, 'ring: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER ring_no_replace BEFORE INSERT ON ring WHEN EXISTS (SELECT 1 FROM ring WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'ring: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER ring_revision_no_update BEFORE UPDATE ON ring_revision
BEGIN SELECT RAISE(ABORT, 'ring_revision: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER ring_revision_no_delete BEFORE DELETE ON ring_revision
BEGIN SELECT RAISE(ABORT, 'ring_revision: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER ring_revision_no_replace BEFORE INSERT ON ring_revision WHEN EXISTS (SELECT 1 FROM ring_revision WHERE ring_id = NEW.ring_id AND revision = NEW.revision)
BEGIN SELECT RAISE(ABORT, 'ring_revision: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER measurement_set_no_update BEFORE UPDATE ON measurement_set
BEGIN SELECT RAISE(ABORT, 'measurement_set: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER measurement_set_no_delete BEFORE DELETE ON measurement_set
BEGIN SELECT RAISE(ABORT, 'measurement_set: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER measurement_set_no_replace BEFORE INSERT ON measurement_set WHEN EXISTS (SELECT 1 FROM measurement_set WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'measurement_set: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER set_ring_no_update BEFORE UPDATE ON set_ring
BEGIN SELECT RAISE(ABORT, 'set_ring: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER set_ring_no_delete BEFORE DELETE ON set_ring
BEGIN SELECT RAISE(ABORT, 'set_ring: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER set_ring_no_replace BEFORE INSERT ON set_ring WHEN EXISTS (SELECT 1 FROM set_ring WHERE set_id = NEW.set_id AND ring_id = NEW.ring_id)
BEGIN SELECT RAISE(ABORT, 'set_ring: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER plan_step_no_update BEFORE UPDATE ON plan_step
BEGIN SELECT RAISE(ABORT, 'plan_step: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER plan_step_no_delete BEFORE DELETE ON plan_step
BEGIN SELECT RAISE(ABORT, 'plan_step: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER plan_step_no_replace BEFORE INSERT ON plan_step WHEN EXISTS (SELECT 1 FROM plan_step WHERE set_id = NEW.set_id AND step = NEW.step)
BEGIN SELECT RAISE(ABORT, 'plan_step: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER journal_no_update BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'journal: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER journal_no_delete BEFORE DELETE ON journal
BEGIN SELECT RAISE(ABORT, 'journal: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER journal_no_replace BEFORE INSERT ON journal WHEN EXISTS (SELECT 1 FROM journal WHERE seq = NEW.seq)
BEGIN SELECT RAISE(ABORT, 'journal: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER detector_params_no_update BEFORE UPDATE ON detector_params
BEGIN SELECT RAISE(ABORT, 'detector_params: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER detector_params_no_delete BEFORE DELETE ON detector_params
BEGIN SELECT RAISE(ABORT, 'detector_params: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER detector_params_no_replace BEFORE INSERT ON detector_params WHEN EXISTS (SELECT 1 FROM detector_params WHERE digest = NEW.digest)
BEGIN SELECT RAISE(ABORT, 'detector_params: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER capture_no_update BEFORE UPDATE ON capture
BEGIN SELECT RAISE(ABORT, 'capture: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER capture_no_delete BEFORE DELETE ON capture
BEGIN SELECT RAISE(ABORT, 'capture: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER capture_no_replace BEFORE INSERT ON capture WHEN EXISTS (SELECT 1 FROM capture WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'capture: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER turning_point_no_update BEFORE UPDATE ON turning_point
BEGIN SELECT RAISE(ABORT, 'turning_point: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER turning_point_no_delete BEFORE DELETE ON turning_point
BEGIN SELECT RAISE(ABORT, 'turning_point: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER turning_point_no_replace BEFORE INSERT ON turning_point WHEN EXISTS (SELECT 1 FROM turning_point WHERE capture_id = NEW.capture_id AND ordinal = NEW.ordinal)
BEGIN SELECT RAISE(ABORT, 'turning_point: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER capture_reason_no_update BEFORE UPDATE ON capture_reason
BEGIN SELECT RAISE(ABORT, 'capture_reason: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER capture_reason_no_delete BEFORE DELETE ON capture_reason
BEGIN SELECT RAISE(ABORT, 'capture_reason: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER capture_reason_no_replace BEFORE INSERT ON capture_reason WHEN EXISTS (SELECT 1 FROM capture_reason WHERE capture_id = NEW.capture_id AND ordinal = NEW.ordinal)
BEGIN SELECT RAISE(ABORT, 'capture_reason: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER temperature_no_update BEFORE UPDATE ON temperature
BEGIN SELECT RAISE(ABORT, 'temperature: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER temperature_no_delete BEFORE DELETE ON temperature
BEGIN SELECT RAISE(ABORT, 'temperature: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER temperature_no_replace BEFORE INSERT ON temperature WHEN EXISTS (SELECT 1 FROM temperature WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'temperature: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_no_update BEFORE UPDATE ON result
BEGIN SELECT RAISE(ABORT, 'result: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_no_delete BEFORE DELETE ON result
BEGIN SELECT RAISE(ABORT, 'result: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_no_replace BEFORE INSERT ON result WHEN EXISTS (SELECT 1 FROM result WHERE set_id = NEW.set_id AND revision = NEW.revision)
BEGIN SELECT RAISE(ABORT, 'result: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_position_no_update BEFORE UPDATE ON result_position
BEGIN SELECT RAISE(ABORT, 'result_position: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_position_no_delete BEFORE DELETE ON result_position
BEGIN SELECT RAISE(ABORT, 'result_position: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER result_position_no_replace BEFORE INSERT ON result_position WHEN EXISTS (SELECT 1 FROM result_position WHERE set_id = NEW.set_id AND revision = NEW.revision AND ordinal = NEW.ordinal)
BEGIN SELECT RAISE(ABORT, 'result_position: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER reference_check_no_update BEFORE UPDATE ON reference_check
BEGIN SELECT RAISE(ABORT, 'reference_check: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER reference_check_no_delete BEFORE DELETE ON reference_check
BEGIN SELECT RAISE(ABORT, 'reference_check: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER reference_check_no_replace BEFORE INSERT ON reference_check WHEN EXISTS (SELECT 1 FROM reference_check WHERE set_id = NEW.set_id AND revision = NEW.revision AND ordinal = NEW.ordinal)
BEGIN SELECT RAISE(ABORT, 'reference_check: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER repeatability_no_update BEFORE UPDATE ON repeatability
BEGIN SELECT RAISE(ABORT, 'repeatability: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER repeatability_no_delete BEFORE DELETE ON repeatability
BEGIN SELECT RAISE(ABORT, 'repeatability: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER repeatability_no_replace BEFORE INSERT ON repeatability WHEN EXISTS (SELECT 1 FROM repeatability WHERE set_id = NEW.set_id AND revision = NEW.revision)
BEGIN SELECT RAISE(ABORT, 'repeatability: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER trace_gap_no_update BEFORE UPDATE ON trace_gap
BEGIN SELECT RAISE(ABORT, 'trace_gap: facts are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER trace_gap_no_delete BEFORE DELETE ON trace_gap
BEGIN SELECT RAISE(ABORT, 'trace_gap: facts are never removed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER trace_gap_no_replace BEFORE INSERT ON trace_gap WHEN EXISTS (SELECT 1 FROM trace_gap WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'trace_gap: this key is taken'); END;
-- +goose StatementEnd

-- The journal has no holes.

-- +goose StatementBegin
CREATE TRIGGER journal_next BEFORE INSERT ON journal WHEN NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM journal)
BEGIN SELECT RAISE(ABORT, 'journal: sequence numbers have no holes'); END;
-- +goose StatementEnd

-- No two rings bear one ident now; a former ident may be used again.

-- +goose StatementBegin
CREATE TRIGGER ring_revision_ident BEFORE INSERT ON ring_revision WHEN EXISTS (
    SELECT 1 FROM ring_revision r
    WHERE r.ident = NEW.ident AND r.ring_id <> NEW.ring_id
      AND r.revision = (SELECT max(revision) FROM ring_revision WHERE ring_id = r.ring_id))
BEGIN SELECT RAISE(ABORT, 'ring_revision: the ident is taken'); END;
-- +goose StatementEnd

-- Blocks of a stream do not overlap, are never changed, and leave only through
-- the door; retention never takes one that overlaps a capture.

-- +goose StatementBegin
CREATE TRIGGER trace_block_overlap BEFORE INSERT ON trace_block WHEN (
    SELECT last_seq FROM trace_block
    WHERE stream_id = NEW.stream_id AND first_seq <= NEW.last_seq
    ORDER BY first_seq DESC LIMIT 1) >= NEW.first_seq
BEGIN SELECT RAISE(ABORT, 'trace_block: overlaps a stored block'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER trace_block_no_replace BEFORE INSERT ON trace_block WHEN EXISTS (SELECT 1 FROM trace_block WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'trace_block: this key is taken'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER trace_block_no_update BEFORE UPDATE ON trace_block
BEGIN SELECT RAISE(ABORT, 'trace_block: blocks are never changed'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER trace_block_no_delete BEFORE DELETE ON trace_block WHEN NOT EXISTS (SELECT 1 FROM trace_door)
BEGIN SELECT RAISE(ABORT, 'trace_block: blocks are removed by folding and retention alone'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER trace_block_evidence BEFORE DELETE ON trace_block WHEN (SELECT purpose FROM trace_door) = 'retention'
  AND EXISTS (
    SELECT 1 FROM capture
    WHERE stream_id = OLD.stream_id AND last_seq >= OLD.first_seq AND first_seq <= OLD.last_seq)
BEGIN SELECT RAISE(ABORT, 'trace_block: a capture stands on this block'); END;
-- +goose StatementEnd
