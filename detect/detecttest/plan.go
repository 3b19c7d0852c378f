package detecttest

// A manner is how one adjustment is played.
type manner int

const (
	full   manner = iota // passes to and fro, then parked
	never                // on one side only
	once                 // a single pass
	stop                 // back at an end stop
	digits               // back at remembered digits
)

// task is one adjustment to play: n passes or turn-backs, with sweeps of scale
// times the usual size.
type task struct {
	adj    int
	manner manner
	n      int
	scale  float64
}

// tasks draws what is played in contact c of an entry of the class, and whether
// contact is lost over it.
func tasks(r source, class Class, c int) (ts []task, lose bool) {
	passes := func() int { return []int{2, 2, 3, 3, 3, 4, 4, 5, 6}[r.IntN(9)] }
	play := func(adj int) task { return task{adj, full, passes(), 1} }
	ts = []task{play(Tilt), play(Cross)}
	spoil := func(m manner, adj int) {
		ts[adj] = task{adj, m, r.integer(2, 5), 1}
		if r.chance(0.2) && (adj == Cross || m != once) {
			ts[0], ts[1] = ts[1], ts[0]
		}
	}
	switch class {
	case ClassNeverTilt:
		spoil(never, Tilt)
	case ClassNeverCross:
		spoil(never, Cross)
	case ClassOnceTilt:
		spoil(once, Tilt)
	case ClassOnceCross:
		spoil(once, Cross)
	case ClassOneKnob:
		return []task{play(r.integer(Tilt, Cross))}, false
	case ClassCrossFirst:
		ts[0], ts[1] = ts[1], ts[0]
		return ts, false
	case ClassTouchUp:
		ts = append(ts, task{Tilt, full, r.integer(1, 3), r.uniform(0.15, 0.7)})
		if r.chance(0.15) {
			ts = append(ts, task{Cross, full, r.integer(1, 2), r.uniform(0.2, 0.7)})
		}
		return ts, false
	case ClassEndStop:
		spoil(stop, r.integer(Tilt, Cross))
	case ClassDigits:
		spoil(digits, r.integer(Tilt, Cross))
	case ClassLost:
		if c == 0 {
			if r.chance(0.12) {
				ts = ts[:1]
			}
			return ts, true
		}
	case ClassY:
		if r.chance(0.25) {
			ts[0], ts[1] = ts[1], ts[0]
		}
	}
	// Now and then the tilt is touched up.
	if ts[0].manner == full && ts[1].manner == full && r.chance(0.08) {
		ts = append(ts, task{Tilt, full, r.integer(1, 3), r.uniform(0.15, 0.7)})
	}
	return ts, false
}
