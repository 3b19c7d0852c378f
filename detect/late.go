package detect

import "ringsaddle/acquire"

// Readings carry the time of their arrival. When the operating system stalls,
// nothing arrives for a while and then all that was sent meanwhile comes at once.
// Nothing is missing, so the readings of such a bunch are given the pace at which
// they were sent. What arrives after a silence at the usual pace was not late:
// then readings are missing, and the silence stays where it was.
//
// Which of the two it is shows with the second reading after the silence; until
// then the first one is held back.

const (
	// pauseNS is the shortest silence after which readings may come late, ns:
	// shorter ones are the buffers of adapters.
	pauseNS = 100_000_000
	// paceReadings is how many readings of a contact tell its pace.
	paceReadings = 20
)

// pauses reports whether so long a silence lies before the reading at time at that
// readings may be late.
func (c *contact) pauses(at int64) bool {
	dt := at - c.lastAt
	return dt > pauseNS && dt <= holeNS && c.count >= paceReadings && dt > 4*c.t/c.count
}

// catchUp moves the contact's own time on by the pace of a late reading; it
// reports false when lateness is over.
func (c *contact) catchUp(at int64) (dt int64, ok bool) {
	apart := at - c.arrived
	c.arrived = at
	if apart < 0 || 2*apart >= c.pace || at-c.lastAt <= c.pace {
		c.late = false
		return 0, false
	}
	c.lastAt += c.pace
	c.t += c.pace
	c.still = 0
	return c.pace, true
}

// release takes the reading that was held back; next is the one after it, if
// there is one.
func (d *Detector) release(next *acquire.Reading) {
	if !d.holding {
		return
	}
	d.holding = false
	if c := &d.c; next != nil && d.active {
		c.pace = c.t / c.count
		if apart := next.At - d.held.At; apart >= 0 && 4*apart < c.pace {
			c.late, c.arrived = true, d.held.At
		}
	}
	d.take(d.held)
}
