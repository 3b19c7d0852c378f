package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"
)

// Errors on which a caller may branch. What does not exist wraps fs.ErrNotExist.
var (
	// ErrClosed: the store has been closed.
	ErrClosed = errors.New("the database is closed")
	// ErrInUse: another process has the database open for writing.
	ErrInUse = errors.New("another process has this database open for writing")
	// ErrReadOnly: the store was opened for reading alone.
	ErrReadOnly = errors.New("the database was opened for reading only")
	// ErrExists: a fact with this id (or a ring with this ident) is stored already.
	ErrExists = errors.New("exists already")
	// ErrTraceNotStored: the readings on which a capture stands are not in the
	// database, and no gap entry says why.
	ErrTraceNotStored = errors.New("the readings of the capture are not stored")
)

// Config says where the database is and how it is used. The zero value of all
// but Path is a default.
type Config struct {
	// Path of the database file. Its folder must exist; -wal, -shm and .lock
	// files appear beside it.
	Path string
	// ReadOnly opens an existing database for reading, beside a running daemon.
	ReadOnly bool
	// Readers is the number of connections that read at the same time, 1 to 64;
	// default 4.
	Readers int
	// CommitBudget is how long a transaction may go on taking further work,
	// 1 ms to 1 s; default 30 ms.
	CommitBudget time.Duration
	// FoldEvery is the interval at which Run folds the tails of a second into
	// full blocks; default one minute, negative never.
	FoldEvery time.Duration
	// CloseTimeout bounds the work of Close; default 10 s.
	CloseTimeout time.Duration
	// MaxPages bounds the size of the database in pages of 4096 bytes; 0 is no
	// bound.
	MaxPages int64
}

func (c Config) withDefaults() Config {
	if c.Readers == 0 {
		c.Readers = 4
	}
	if c.CommitBudget == 0 {
		c.CommitBudget = 30 * time.Millisecond
	}
	if c.FoldEvery == 0 {
		c.FoldEvery = time.Minute
	}
	if c.CloseTimeout == 0 {
		c.CloseTimeout = 10 * time.Second
	}
	return c
}

// Validate reports all faults at once.
func (c Config) Validate() error {
	var errs []error
	if c.Path == "" {
		errs = append(errs, errors.New("path: empty, must name the database file"))
	}
	if c.Readers < 0 || c.Readers > 64 {
		errs = append(errs, fmt.Errorf("readers: %d, permitted 1 to 64", c.Readers))
	}
	if c.CommitBudget != 0 && (c.CommitBudget < time.Millisecond || c.CommitBudget > time.Second) {
		errs = append(errs, fmt.Errorf("commit budget: %v, permitted 1ms to 1s", c.CommitBudget))
	}
	if c.CloseTimeout < 0 {
		errs = append(errs, fmt.Errorf("close timeout: %v, must not be negative", c.CloseTimeout))
	}
	if c.MaxPages < 0 {
		errs = append(errs, fmt.Errorf("max pages: %d, must not be negative", c.MaxPages))
	}
	return errors.Join(errs...)
}

// Store is an open database. All methods may be called from many goroutines.
type Store struct {
	cfg     Config
	clock   func() time.Time
	newID   func() string
	codec   *BlockCodec
	version int64
	lock    *os.File

	readers *sql.DB
	writeDB *sql.DB
	writer  *sql.Conn
	writeMu sync.Mutex // held by whoever drives the writer

	q     queue
	count counters

	recMu     sync.Mutex
	recorders map[string]*Recorder // by station

	maintainMu sync.Mutex // one fold or retention at a time

	fault func(stage, statement string) error // tests only: fail before or after a statement
}

// Open opens the database, creates it if there is none, and brings its schema up
// to date. The clock gives the wall time of what is recorded, newID a new
// UUIDv7. Open starts nothing: Run owns the writer.
//
// Errors: ErrInUse if another process writes to it, *PragmaError if a setting
// could not be made, *VersionError if a newer release wrote it; IsFull tells a
// full disk.
func Open(ctx context.Context, cfg Config, clock func() time.Time, newID func() string) (*Store, error) {
	return open(ctx, cfg, clock, newID, nil)
}

func open(ctx context.Context, cfg Config, clock func() time.Time, newID func() string, onCommit func() int) (_ *Store, err error) {
	if clock == nil || newID == nil {
		return nil, errors.New("open the database: clock and newID are required")
	}
	if err := cfg.Validate(); err != nil {
		return nil, fmt.Errorf("open the database: %w", err)
	}
	cfg = cfg.withDefaults()
	codec, err := NewBlockCodec()
	if err != nil {
		return nil, err
	}
	s := &Store{cfg: cfg, clock: clock, newID: newID, codec: codec, recorders: map[string]*Recorder{}}
	s.q.init()
	defer func() {
		if err != nil {
			s.release()
			err = fmt.Errorf("open the database %s: %w", cfg.Path, err)
		}
	}()
	if cfg.ReadOnly {
		if _, err := os.Stat(cfg.Path); err != nil {
			return nil, err
		}
	} else if err := s.openWriter(ctx, onCommit); err != nil {
		return nil, err
	}
	s.readers = sql.OpenDB(newConnector(cfg.Path, true, 0))
	s.readers.SetMaxOpenConns(cfg.Readers)
	s.readers.SetMaxIdleConns(cfg.Readers)
	if err := s.readers.PingContext(ctx); err != nil {
		return nil, err
	}
	if cfg.ReadOnly {
		if s.version, err = requireVersion(ctx, s.readers); err != nil {
			return nil, err
		}
	}
	return s, nil
}

func (s *Store) openWriter(ctx context.Context, onCommit func() int) (err error) {
	if st, err := os.Stat(filepath.Dir(s.cfg.Path)); err != nil {
		return fmt.Errorf("its folder: %w", err)
	} else if !st.IsDir() {
		return fmt.Errorf("%s is not a folder", filepath.Dir(s.cfg.Path))
	}
	if s.lock, err = lockFile(s.cfg.Path + ".lock"); err != nil {
		return err
	}
	conn := newConnector(s.cfg.Path, false, s.cfg.MaxPages)
	conn.onCommit = onCommit
	s.writeDB = sql.OpenDB(conn)
	s.writeDB.SetMaxOpenConns(1)
	if s.version, err = migrate(ctx, s.writeDB); err != nil {
		return err
	}
	s.writer, err = s.writeDB.Conn(ctx)
	return err
}

// release closes whatever is open.
func (s *Store) release() error {
	var errs []error
	if s.readers != nil {
		errs = append(errs, s.readers.Close())
	}
	if s.writer != nil {
		errs = append(errs, s.writer.Close())
	}
	if s.writeDB != nil {
		errs = append(errs, s.writeDB.Close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// SchemaVersion returns the version of the database's schema.
func (s *Store) SchemaVersion() int64 { return s.version }

// Run owns the writer until ctx ends or Close is called: it commits what is
// submitted, in groups, captures before traces, and folds tails of traces from
// time to time. It returns nil after the last submitted work is committed.
//
// A store also works without Run: then each caller commits its own work, one at
// a time. So nothing is lost if a recorder flushes after Run has ended.
func (s *Store) Run(ctx context.Context) error {
	if s.cfg.ReadOnly {
		return ErrReadOnly
	}
	if err := s.q.startRun(); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	var folding sync.WaitGroup
	folding.Go(func() { s.foldLoop(ctx) })
	for {
		s.drive()
		if !s.q.wait(ctx) {
			break
		}
	}
	cancel()
	// The folder may wait for a job of its own: go on committing until it is out.
	s.q.detach()
	s.drive()
	folding.Wait()
	s.drive()
	s.q.endRun()
	return nil
}

// Close refuses new work, commits what was submitted, waits for Run to return,
// writes the log back into the database file and closes it. It goes on even if
// ctx is done, for at most Config.CloseTimeout. Closing twice is harmless.
func (s *Store) Close(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.cfg.CloseTimeout)
	defer cancel()
	first, running := s.q.close()
	if !first {
		return nil
	}
	var errs []error
	if running != nil {
		select {
		case <-running:
		case <-ctx.Done():
			errs = append(errs, fmt.Errorf("close the database: the writer did not end within %v", s.cfg.CloseTimeout))
		}
	}
	if s.writer != nil && len(errs) == 0 {
		s.drive()
		s.writeMu.Lock()
		// Readers may hold the log; then it stays and is replayed at the next opening.
		if _, err := s.writer.ExecContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`); err != nil {
			errs = append(errs, fmt.Errorf("write the log back: %w", err))
		}
		s.writeMu.Unlock()
	}
	errs = append(errs, s.release())
	return errors.Join(errs...)
}
