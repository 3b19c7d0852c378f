package storage

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"

	"ringsaddle/calibrate"
)

// Subject says what an entry of the journal is about.
type Subject string

// The subjects. SubjectID is the public id of the thing: the set, the capture,
// the ring, the stream, the result; for a station its name.
const (
	AboutSet     Subject = "set"     // payload: a calibrate.Event
	AboutCapture Subject = "capture" // a capture was committed, with its digests
	AboutRing    Subject = "ring"
	AboutStation Subject = "station"
	AboutStream  Subject = "stream"
	AboutResult  Subject = "result"
	AboutTrace   Subject = "trace" // readings were removed by the retention policy
)

// The kinds of entry outside a set's own events (those have the kinds of
// package calibrate).
const (
	KindCaptureCommitted = "capture_committed"
	KindRingRegistered   = "ring_registered"
	KindRingAmended      = "ring_amended"
	KindStationRevised   = "station_revised"
	KindStreamOpened     = "stream_opened"
	KindResultStored     = "result_stored"
	KindTraceRetired     = "trace_retired"
)

// Entry is one entry of the journal.
type Entry struct {
	// Seq counts from 1 without holes.
	Seq     int64
	Station string
	Subject Subject
	// SubjectID names the thing; SetID is empty outside sets.
	SubjectID, SetID string
	Kind             string
	WallNS           int64
	// Payload is canonical JSON.
	Payload []byte
	Hash    [sha256.Size]byte
}

// Event returns the event of a set that the entry records; false for entries
// about anything else.
func (e Entry) Event() (calibrate.Event, bool, error) {
	if e.Subject != AboutSet {
		return calibrate.Event{}, false, nil
	}
	var ev calibrate.Event
	if err := json.Unmarshal(e.Payload, &ev); err != nil {
		return calibrate.Event{}, false, fmt.Errorf("journal entry %d: %w", e.Seq, err)
	}
	return ev, true, nil
}

// chain returns the hash of e after the entry whose hash is prev:
//
//	SHA-256("ringsaddle journal 1" ‖ prev ‖ seq ‖ wall ‖ len(f₁) ‖ f₁ ‖ … )
//
// over the fields station, subject, subject id, set id, kind, payload; seq, wall
// and the lengths are 8 bytes, most significant first.
func (e *Entry) chain(prev [sha256.Size]byte) [sha256.Size]byte {
	h := sha256.New()
	var n [8]byte
	number := func(v uint64) {
		binary.BigEndian.PutUint64(n[:], v)
		h.Write(n[:])
	}
	h.Write([]byte("ringsaddle journal 1"))
	h.Write(prev[:])
	number(uint64(e.Seq))
	number(uint64(e.WallNS))
	for _, f := range [][]byte{
		[]byte(e.Station), []byte(e.Subject), []byte(e.SubjectID), []byte(e.SetID), []byte(e.Kind), e.Payload,
	} {
		number(uint64(len(f)))
		h.Write(f)
	}
	var sum [sha256.Size]byte
	h.Sum(sum[:0])
	return sum
}

// appendEntry adds one entry to the journal. The payload is made by payload from
// the Seq that the entry gets.
func (t *tx) appendEntry(e *Entry, payload func(seq int64) (any, error)) error {
	var prev [sha256.Size]byte
	var last int64
	var hash []byte
	err := t.row(`SELECT seq, hash FROM journal ORDER BY seq DESC LIMIT 1`).Scan(&last, &hash)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("read the end of the journal: %w", err)
	}
	copy(prev[:], hash)
	e.Seq = last + 1
	v, err := payload(e.Seq)
	if err != nil {
		return err
	}
	if e.Payload, err = canonicalOf(v); err != nil {
		return fmt.Errorf("journal entry %s: %w", e.Kind, err)
	}
	e.Hash = e.chain(prev)
	_, err = t.exec(`INSERT INTO journal(seq, station, subject, subject_id, set_id, kind, wall_ns, payload, hash)
		VALUES (?,?,?,?,?,?,?,?,?)`,
		e.Seq, e.Station, string(e.Subject), e.SubjectID, nullable(e.SetID), e.Kind, e.WallNS, string(e.Payload), e.Hash[:])
	if err != nil {
		return fmt.Errorf("append to the journal: %w", err)
	}
	return nil
}

// appendEvent adds an event of a set and returns it as it was recorded.
func (t *tx) appendEvent(station, setID string, ev calibrate.Event) (calibrate.Event, error) {
	if ev.Kind == "" {
		return ev, errors.New("an event without kind cannot be recorded")
	}
	if ev.WallNS == 0 {
		ev.WallNS = t.now
	}
	e := Entry{
		Station: station, Subject: AboutSet, SubjectID: setID, SetID: setID,
		Kind: string(ev.Kind), WallNS: ev.WallNS,
	}
	err := t.appendEntry(&e, func(seq int64) (any, error) {
		ev.Seq = seq
		return ev, nil
	})
	if err != nil {
		return calibrate.Event{}, err
	}
	recorded, _, err := e.Event()
	return recorded, err
}

// AppendEvent records an event of a set and returns it as recorded, with its
// Seq; a WallNS of zero becomes the time of the clock. What it returns is what
// Events will return, so the plan walker may fold either.
func (s *Store) AppendEvent(ctx context.Context, setID string, ev calibrate.Event) (calibrate.Event, error) {
	var out calibrate.Event
	err := s.write(ctx, true, func(t *tx) error {
		station, err := t.stationOfSet(setID)
		if err != nil {
			return err
		}
		out, err = t.appendEvent(station, setID, ev)
		return err
	})
	if err != nil {
		return calibrate.Event{}, fmt.Errorf("record %s in set %s: %w", ev.Kind, setID, err)
	}
	return out, nil
}

const entryColumns = `seq, station, subject, subject_id, coalesce(set_id, ''), kind, wall_ns, payload, hash`

func scanEntry(rows *sql.Rows) (Entry, error) {
	var e Entry
	var hash []byte
	var payload string
	err := rows.Scan(&e.Seq, &e.Station, &e.Subject, &e.SubjectID, &e.SetID, &e.Kind, &e.WallNS, &payload, &hash)
	e.Payload = []byte(payload)
	copy(e.Hash[:], hash)
	return e, err
}

// Events returns all events of a set in their order. A set that does not exist
// gives fs.ErrNotExist.
func (s *Store) Events(ctx context.Context, setID string) ([]calibrate.Event, error) {
	entries, err := collect(ctx, s.readers, scanEntry,
		`SELECT `+entryColumns+` FROM journal WHERE set_id = ? AND subject = 'set' ORDER BY seq`, setID)
	if err != nil {
		return nil, fmt.Errorf("events of set %s: %w", setID, err)
	}
	if len(entries) == 0 { // a set is stored together with its first event
		return nil, fmt.Errorf("set %s: %w", setID, fs.ErrNotExist)
	}
	events := make([]calibrate.Event, len(entries))
	for i, e := range entries {
		if events[i], _, err = e.Event(); err != nil {
			return nil, err
		}
	}
	return events, nil
}

// EventsAfter returns the entries of the journal with Seq > after, oldest first,
// at most limit of them; none is not an error.
func (s *Store) EventsAfter(ctx context.Context, after int64, limit int) ([]Entry, error) {
	entries, err := collect(ctx, s.readers, scanEntry,
		`SELECT `+entryColumns+` FROM journal WHERE seq > ? ORDER BY seq LIMIT ?`, after, limit)
	if err != nil {
		return nil, fmt.Errorf("journal after %d: %w", after, err)
	}
	return entries, nil
}

// Head returns the Seq and hash of the newest entry; 0 and zeros for an empty
// journal. Printed on a certificate, the pair lets anybody see later that the
// journal up to there is still the same.
func (s *Store) Head(ctx context.Context) (seq int64, hash [sha256.Size]byte, err error) {
	var b []byte
	err = s.readers.QueryRowContext(ctx, `SELECT seq, hash FROM journal ORDER BY seq DESC LIMIT 1`).Scan(&seq, &b)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, hash, nil
	}
	copy(hash[:], b)
	return seq, hash, err
}

// LastSeq returns the Seq of the newest entry; 0 for an empty journal.
func (s *Store) LastSeq(ctx context.Context) (int64, error) {
	seq, _, err := s.Head(ctx)
	return seq, err
}

// JournalError names the first entry at which the journal, or a fact that the
// entry vouches for, is not as it was recorded.
type JournalError struct {
	Seq    int64
	Reason string
}

func (e *JournalError) Error() string { return fmt.Sprintf("journal entry %d: %s", e.Seq, e.Reason) }

// VerifyJournal walks the chain from the first entry and checks that no entry is
// missing, that each hash follows from the entry and the one before, that each
// payload is canonical, and that the captures, ring revisions, station settings,
// results of which entries hold digests are still the same. It returns a
// *JournalError that names the first broken entry. It cannot know of entries cut
// off the end: compare Head with one noted earlier.
func (s *Store) VerifyJournal(ctx context.Context) error {
	var prev [sha256.Size]byte
	var last int64
	for {
		entries, err := s.EventsAfter(ctx, last, 1000)
		if err != nil {
			return err
		}
		if len(entries) == 0 {
			return nil
		}
		for i := range entries {
			e := &entries[i]
			if e.Seq != last+1 {
				return &JournalError{Seq: last + 1, Reason: "missing"}
			}
			if e.chain(prev) != e.Hash {
				return &JournalError{Seq: e.Seq, Reason: "its hash does not follow from its content and the entry before"}
			}
			if c, err := canonical(e.Payload, false); err != nil || string(c) != string(e.Payload) {
				return &JournalError{Seq: e.Seq, Reason: "its payload is not canonical"}
			}
			if err := s.verifyFact(ctx, e); err != nil {
				return err
			}
			prev, last = e.Hash, e.Seq
		}
	}
}

// vouched is the part of a payload that vouches for a row elsewhere.
type vouched struct {
	Digest   string `json:"digest"`
	Revision int64  `json:"revision"`
}

func (s *Store) verifyFact(ctx context.Context, e *Entry) error {
	var digest func(context.Context, string, int64) (string, error)
	switch e.Subject {
	case AboutCapture:
		digest = s.digestOfCapture
	case AboutRing:
		digest = s.digestOfRing
	case AboutStation:
		digest = s.digestOfStation
	case AboutResult:
		digest = s.digestOfResult
	case AboutStream:
		digest = s.digestOfStream
	default:
		return nil
	}
	var v vouched
	if err := json.Unmarshal(e.Payload, &v); err != nil {
		return &JournalError{Seq: e.Seq, Reason: err.Error()}
	}
	got, err := digest(ctx, e.SubjectID, v.Revision)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &JournalError{Seq: e.Seq, Reason: fmt.Sprintf("the %s %s that it records is missing", e.Subject, e.SubjectID)}
	case err != nil:
		return fmt.Errorf("journal entry %d: %w", e.Seq, err)
	case got != v.Digest:
		return &JournalError{Seq: e.Seq, Reason: fmt.Sprintf("the %s %s is not as it was recorded", e.Subject, e.SubjectID)}
	}
	return nil
}
