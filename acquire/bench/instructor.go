package bench

import (
	"context"
	"io"
	"sync"
)

// An Instructor tells the hand what to do next, as the screen of a bench tells a
// technician.
type Instructor interface {
	// Next is called whenever the hand is free: with nil at first, then with the
	// truth of the entry that has just ended. It may block until there is something
	// to do; the bench goes on sending meanwhile. io.EOF says that the hand may rest
	// for good; any other error ends the bench. It is called from one goroutine.
	Next(ctx context.Context, done *Entry) (Task, error)
}

// InstructorFunc makes an Instructor of a function.
type InstructorFunc func(ctx context.Context, done *Entry) (Task, error)

// Next calls the function.
func (f InstructorFunc) Next(ctx context.Context, done *Entry) (Task, error) { return f(ctx, done) }

// InOrder returns an Instructor that gives the tasks in order, each as often as
// it says, and then io.EOF.
func InOrder(tasks []Task) Instructor {
	var queue []Task
	for _, t := range tasks {
		for range max(1, t.Repeat) {
			queue = append(queue, t)
		}
	}
	return InstructorFunc(func(context.Context, *Entry) (Task, error) {
		if len(queue) == 0 {
			return Task{}, io.EOF
		}
		t := queue[0]
		queue = queue[1:]
		return t, nil
	})
}

// Orders is an Instructor fed from outside: the caller says what is wanted with
// Want, and the hand takes up the newest wish when it is free. A wish that comes
// while the hand is busy waits; a newer wish replaces an older one that has not
// been taken up.
type Orders struct {
	mu   sync.Mutex
	task *Task
	end  bool
	wake chan struct{}
}

// NewOrders returns Orders with nothing wanted.
func NewOrders() *Orders { return &Orders{wake: make(chan struct{}, 1)} }

// Want says what the hand shall do when it is free.
func (o *Orders) Want(t Task) { o.set(&t, false) }

// Withdraw takes back a wish that has not been taken up.
func (o *Orders) Withdraw() { o.set(nil, false) }

// End says that nothing more will be wanted.
func (o *Orders) End() { o.set(nil, true) }

func (o *Orders) set(t *Task, end bool) {
	o.mu.Lock()
	o.task = t
	o.end = o.end || end
	o.mu.Unlock()
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// Next waits for a wish.
func (o *Orders) Next(ctx context.Context, _ *Entry) (Task, error) {
	for {
		o.mu.Lock()
		t, end := o.task, o.end
		o.task = nil
		o.mu.Unlock()
		switch {
		case t != nil:
			return *t, nil
		case end:
			return Task{}, io.EOF
		}
		select {
		case <-ctx.Done():
			return Task{}, ctx.Err()
		case <-o.wake:
		}
	}
}
