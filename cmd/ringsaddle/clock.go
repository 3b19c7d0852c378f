package main

import "time"

// stationClock is the clock of a station: Now is what readings are stamped with
// (normally the system's boot-time clock, ns), Wall the Unix time (ns) of the same
// instant. In the demo both run faster than the wall clock by the same factor, so
// that no rule in seconds changes its meaning.
type stationClock struct {
	boot         func() int64
	boot0, wall0 int64
	speed        float64
}

// newStationClock returns a clock that starts now; boot is normally the system's
// boot-time clock.
func newStationClock(speed float64, boot func() int64) stationClock {
	return stationClock{boot: boot, boot0: boot(), wall0: time.Now().UnixNano(), speed: speed}
}

// Now returns the station clock, ns.
func (c stationClock) Now() int64 {
	boot := c.boot()
	if c.speed == 1 {
		return boot
	}
	return c.boot0 + int64(float64(boot-c.boot0)*c.speed)
}

// Wall returns the Unix time, ns. At speed 1 it is the system's own, which may
// be set while the daemon runs.
func (c stationClock) Wall() int64 {
	if c.speed == 1 {
		return time.Now().UnixNano()
	}
	return c.wall0 + (c.Now() - c.boot0)
}

// WallOf returns the Unix time (ns) of an instant of the station clock.
func (c stationClock) WallOf(at int64) int64 { return c.Wall() - (c.Now() - at) }
