package storage

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// tx is the transaction in which a job writes.
type tx struct {
	ctx   context.Context
	conn  *sql.Conn
	fault func(stage, statement string) error
	now   int64 // Unix time (ns) of the job
}

func (t *tx) exec(statement string, args ...any) (sql.Result, error) {
	if t.fault != nil {
		if err := t.fault("before", statement); err != nil {
			return nil, err
		}
	}
	res, err := t.conn.ExecContext(t.ctx, statement, args...)
	if err == nil && t.fault != nil {
		err = t.fault("after", statement)
	}
	return res, err
}

func (t *tx) row(query string, args ...any) *sql.Row {
	return t.conn.QueryRowContext(t.ctx, query, args...)
}

// write has a job done and returns once it is committed, or has failed and left
// nothing behind. If ctx ends before the job has begun it is not done at all; a
// job that has begun is waited for (tens of milliseconds), so that the caller
// always learns the outcome.
func (s *Store) write(ctx context.Context, urgent bool, run func(*tx) error) error {
	if s.cfg.ReadOnly {
		return ErrReadOnly
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	j := &job{run: run, queued: time.Now(), done: make(chan struct{})}
	attached, err := s.q.push(j, urgent)
	if err != nil {
		return err
	}
	if !attached {
		s.drive()
	}
	select {
	case <-j.done:
		return j.err
	case <-ctx.Done():
	}
	if s.q.giveUp(j) {
		return ctx.Err()
	}
	<-j.done
	return j.err
}

// drive commits until the queue is empty.
func (s *Store) drive() {
	for s.commitGroup() {
	}
}

// commitGroup takes work from the queue into one transaction until the queue is
// empty or the budget of time is spent, and commits. Each job stands in a
// savepoint of its own, so that one that fails does not take the others along.
// It reports whether there was any work.
func (s *Store) commitGroup() bool {
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	j := s.q.next()
	if j == nil {
		return false
	}
	began := time.Now()
	t := &tx{ctx: context.Background(), conn: s.writer, fault: s.fault, now: s.clock().UnixNano()}
	if err := s.begin(t); err != nil {
		s.finish(j, err)
		return true
	}
	var good []*job
	var lost bool
	for ; j != nil; j = s.q.next() {
		err := s.inSavepoint(t, j)
		if err == nil {
			good = append(good, j)
		} else {
			s.finish(j, err)
		}
		if lost = !inTransaction(s.writer); lost {
			break
		}
		if time.Since(began) > s.cfg.CommitBudget {
			break
		}
	}
	if !lost {
		lost = s.commit(t) != nil
	}
	s.count.transactions.observe(time.Since(began))
	if !lost {
		for _, j := range good {
			s.finish(j, nil)
		}
		return true
	}
	// The transaction is gone with the work of jobs that did nothing wrong. Each
	// gets a transaction of its own, and its own verdict.
	for _, j := range good {
		s.finish(j, s.alone(t, j))
	}
	return true
}

func (s *Store) begin(t *tx) error {
	if _, err := t.exec("BEGIN IMMEDIATE"); err != nil {
		s.rollback(t)
		return fmt.Errorf("begin: %w", err)
	}
	return nil
}

func (s *Store) commit(t *tx) error {
	if _, err := t.exec("COMMIT"); err != nil {
		s.rollback(t)
		return fmt.Errorf("commit: %w", err)
	}
	return nil
}

func (s *Store) rollback(t *tx) {
	if inTransaction(s.writer) {
		_, _ = s.writer.ExecContext(t.ctx, "ROLLBACK")
	}
}

func (s *Store) inSavepoint(t *tx, j *job) error {
	if _, err := t.exec("SAVEPOINT job"); err != nil {
		return err
	}
	err := j.run(t)
	if err == nil {
		_, err = t.exec("RELEASE job")
		if err == nil {
			return nil
		}
	}
	if inTransaction(s.writer) {
		if _, rerr := s.writer.ExecContext(t.ctx, "ROLLBACK TO job"); rerr != nil {
			s.rollback(t)
		} else if _, rerr := s.writer.ExecContext(t.ctx, "RELEASE job"); rerr != nil {
			s.rollback(t)
		}
	}
	return err
}

// alone repeats one job in a transaction of its own.
func (s *Store) alone(t *tx, j *job) error {
	began := time.Now()
	defer func() { s.count.transactions.observe(time.Since(began)) }()
	if err := s.begin(t); err != nil {
		return err
	}
	if err := j.run(t); err != nil {
		s.rollback(t)
		return err
	}
	return s.commit(t)
}

func (s *Store) finish(j *job, err error) {
	j.err = err
	if err != nil {
		s.count.fail(err, s.clock())
	} else {
		s.count.writes.observe(time.Since(j.queued))
	}
	close(j.done)
}
