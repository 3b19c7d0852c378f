package storage

import (
	"context"
	"errors"
	"sync"
	"time"
)

// job is one indivisible piece of writing. run may be called more than once (the
// transaction around it may have to be repeated), so it must set, never add to,
// what it returns through captured variables.
type job struct {
	run    func(*tx) error
	queued time.Time
	begun  bool // under queue.mu; a job that has begun is waited for
	gone   bool // under queue.mu; the caller gave up before it began
	err    error
	done   chan struct{}
}

// queue holds the work that waits for the writer: what a person waits for
// (captures, events, rings) before bulk (traces, folding).
type queue struct {
	mu           sync.Mutex
	urgent, bulk []*job
	wake         chan struct{}
	attached     bool          // Run takes the work
	running      chan struct{} // closed when Run returns; nil if it is not running
	closed       bool
}

func (q *queue) init() { q.wake = make(chan struct{}, 1) }

func (q *queue) startRun() error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.closed {
		return ErrClosed
	}
	if q.running != nil {
		return errors.New("the writer runs already")
	}
	q.attached, q.running = true, make(chan struct{})
	return nil
}

// detach makes callers commit their own work from now on.
func (q *queue) detach() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.attached = false
}

func (q *queue) endRun() {
	q.mu.Lock()
	defer q.mu.Unlock()
	close(q.running)
	q.running = nil
}

// close refuses further work. It reports whether this was the first call, and
// the channel on which the end of Run can be awaited.
func (q *queue) close() (first bool, running <-chan struct{}) {
	q.mu.Lock()
	defer q.mu.Unlock()
	first, q.closed = !q.closed, true
	q.signal()
	return first, q.running
}

func (q *queue) signal() {
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

// wait returns true when there is work, false when ctx ends or the queue is
// closed and empty.
func (q *queue) wait(ctx context.Context) bool {
	for {
		q.mu.Lock()
		n, closed := len(q.urgent)+len(q.bulk), q.closed
		q.mu.Unlock()
		if n > 0 {
			return ctx.Err() == nil
		}
		if closed {
			return false
		}
		select {
		case <-q.wake:
		case <-ctx.Done():
			return false
		}
	}
}

// push adds a job and reports whether Run will take it.
func (q *queue) push(j *job, urgent bool) (attached bool, err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.closed {
		return false, ErrClosed
	}
	if urgent {
		q.urgent = append(q.urgent, j)
	} else {
		q.bulk = append(q.bulk, j)
	}
	q.signal()
	return q.attached, nil
}

// next takes the job to be done next, nil if there is none.
func (q *queue) next() *job {
	q.mu.Lock()
	defer q.mu.Unlock()
	for {
		var j *job
		switch {
		case len(q.urgent) > 0:
			j, q.urgent = q.urgent[0], q.urgent[1:]
		case len(q.bulk) > 0:
			j, q.bulk = q.bulk[0], q.bulk[1:]
		default:
			return nil
		}
		if !j.gone {
			j.begun = true
			return j
		}
	}
}

// giveUp takes back a job that has not begun.
func (q *queue) giveUp(j *job) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if j.begun {
		return false
	}
	j.gone = true
	return true
}

func (q *queue) len() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.urgent) + len(q.bulk)
}
