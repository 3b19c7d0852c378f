package acquire

import (
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/rs/zerolog"
)

// poller decides when a polled readout is asked. Times are ns of the station
// clock.
type poller struct {
	request          []byte
	interval, answer int64
	next             int64 // when the next request is due
	asked            int64 // when the last was sent
	waiting          bool  // for its answer
}

// send sends the request when it is due and the one before is answered or given
// up.
func (p *poller) send(port Port, now int64, w *SourceStats) error {
	if p.waiting && now-p.asked >= p.answer {
		p.waiting = false
		w.PollsUnanswered++
	}
	if p.waiting || now < p.next {
		return nil
	}
	n, err := port.Write(p.request)
	if err != nil {
		return fmt.Errorf("send the request: %w", err)
	}
	if n != len(p.request) {
		return fmt.Errorf("send the request: only %d of %d bytes went out", n, len(p.request))
	}
	w.PollsSent++
	p.asked, p.waiting = now, true
	p.next += p.interval
	if p.next <= now { // late: do not send a burst to catch up
		p.next = now + p.interval
	}
	return nil
}

func (p *poller) answered() { p.waiting = false }

// timeout returns how long a Read may wait so that the next request is in time.
func (p *poller) timeout(now int64, most time.Duration) time.Duration {
	until := p.next - now
	if p.waiting {
		until = p.asked + p.answer - now
	}
	return min(max(time.Duration(until), time.Millisecond), most)
}

// trouble logs a port that stays away: the first fault at once, then one line
// per interval with the number of attempts, and one line on recovery.
type trouble struct {
	every  time.Duration
	log    zerolog.Logger
	since  time.Time // of the first fault; zero: all is well
	logged time.Time
	faults int // since the last line
	total  int
	text   string
}

// note takes a fault and reports whether it is news: the first of a row, or one
// that differs from the last.
func (t *trouble) note(err error) bool {
	if err == nil {
		err = errors.New("unknown fault")
	}
	now := time.Now()
	t.faults++
	t.total++
	text := err.Error()
	switch {
	case t.since.IsZero():
		t.since = now
		t.log.Warn().Err(err).Msg("port lost; trying again")
	case now.Sub(t.logged) >= t.every:
		t.log.Warn().Err(err).Int("attempts", t.faults).
			Dur("for", now.Sub(t.since)).Msg("port still not there; trying again")
	default:
		changed := text != t.text
		t.text = text
		return changed
	}
	t.logged, t.faults = now, 0
	changed := text != t.text
	t.text = text
	return changed
}

// over tells that the port is open again.
func (t *trouble) over() {
	if t.since.IsZero() {
		return
	}
	t.log.Info().Int("attempts", t.total).Dur("after", time.Since(t.since)).Msg("port recovered")
	*t = trouble{every: t.every, log: t.log}
}

func newUUID() string {
	id, err := uuid.NewV7()
	if err != nil {
		// The system's random source failed, which Go treats as fatal itself.
		panic(fmt.Sprintf("make a stream id: %v", err))
	}
	return id.String()
}
