package narrow

// person is one set of habits. Positions of a knob are in √µm: the reading lies the
// square of it off its extremum.
type person struct {
	speed    float64 // √µm/s, usual peak of a sweep
	pastUM   float64 // how far past the extremum a sweep goes
	shrink   float64 // of that, from sweep to sweep
	flat     float64 // factor on the speed where the digits hardly move
	returns  float64 // factor on the speed of every second sweep
	twist    float64 // √µm a twist of finger and thumb; 0: one flowing turn
	regrip   float64 // √µm after which the screw is gripped anew; 0: never
	pause    float64 // s at a turn, to read the digits
	reaction float64 // s from eye to hand
	tremor   float64 // √µm
	doubts   float64 // 1/s, chance to go back a little in mid-sweep
	park     float64 // √µm, scatter of where the adjustment is left
	wrong    float64 // chance to begin away from the extremum
	passes   int     // usual number
	rocks    bool    // a lever: goes to positions, not to digits
}

// persons returns all persons.
func persons() []person {
	return []person{
		{ // turns evenly, a micrometre either way
			speed: 0.65, pastUM: 1, shrink: 1, flat: 1, returns: 1, pause: 0.5, reaction: 0.25, tremor: 0.006,
			doubts: 0.01, park: 0.18, wrong: 0.15, passes: 3,
		},
		{ // nearly halves the sweeps, with a new grip after 2.4 √µm
			speed: 0.9, pastUM: 2.2, shrink: 0.55, flat: 0.9, returns: 0.9, regrip: 2.4, pause: 0.4, reaction: 0.22,
			tremor: 0.008, doubts: 0.02, park: 0.15, wrong: 0.3, passes: 4,
		},
		{ // turns in small twists
			speed: 0.8, pastUM: 0.7, shrink: 0.9, flat: 0.8, returns: 1, twist: 0.35, pause: 0.7, reaction: 0.3,
			tremor: 0.01, doubts: 0.03, park: 0.25, wrong: 0.25, passes: 2,
		},
		{ // in haste, fastest where nothing moves
			speed: 2, pastUM: 1.8, shrink: 0.8, flat: 1.5, returns: 1.1, pause: 0.12, reaction: 0.2, tremor: 0.015,
			doubts: 0.01, park: 0.5, wrong: 0.4, passes: 2,
		},
		{ // rocks a lever
			speed: 1.5, pastUM: 1.5, shrink: 0.93, flat: 1, returns: 1, pause: 0.05, reaction: 0.25, tremor: 0.012,
			park: 0.3, wrong: 0.5, passes: 5, rocks: true,
		},
		{ // slow, often in doubt
			speed: 0.45, pastUM: 0.6, shrink: 0.85, flat: 0.6, returns: 1.1, regrip: 1.3, pause: 1.1, reaction: 0.4,
			tremor: 0.01, doubts: 0.12, park: 0.2, wrong: 0.3, passes: 3,
		},
		{ // hurries over the flat top to feel for the flanks
			speed: 0.8, pastUM: 1.3, shrink: 0.8, flat: 1.7, returns: 1.3, pause: 0.35, reaction: 0.25, tremor: 0.008,
			doubts: 0.02, park: 0.12, wrong: 0.2, passes: 3,
		},
		{ // looks one way only and hurries back
			speed: 0.5, pastUM: 1.1, shrink: 0.95, flat: 0.7, returns: 2.4, pause: 0.6, reaction: 0.28, tremor: 0.007,
			doubts: 0.01, park: 0.2, wrong: 0.2, passes: 4,
		},
	}
}
