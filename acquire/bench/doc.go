// Package bench simulates a one-axis length measuring bench: two ball contacts
// on a sprung carriage, a ring on a movable table, two knobs, a hand that turns
// them and a readout that sends positions. It is written from the physics alone
// and knows nothing of how the readings will be judged.
//
// Two uses:
//
//   - Generate (or a Session, step by step) makes readings as fast as the
//     processor allows, together with the truth of every contact: where the
//     extrema were crossed, how deep the sweeps were, and the noise-free reading
//     at the saddle.
//   - Bench runs a Session over a pseudo-terminal against the clock, so that a
//     program can be tried through its real serial path before anything is wired.
//
// Everything random comes from the seed: the same scenario, seed and order of
// tasks give the same readings. The hand, the noise and the readout draw from
// separate generators, so that another sampling rate leaves the hand's movements
// as they were.
//
// # The chain from hand to digits
//
// For each sampling instant t:
//
//	knob position           a piecewise smooth movement of the hand (hand.go, motion.go)
//	  → backlash, stick-slip  the adjustment's own position a (tilt, rad) or b (cross, mm)
//	  → geometry              L(a, b), exact (geometry.go)
//	  → temperature           ring and scale expand; L is seen in units of the warm scale
//	  → + compression, drift, dust, touch flexure, settling after the touch
//	  → carriage hysteresis   a play of half-width H in the reading itself
//	  → + wander + white noise + vibration
//	  → quantisation          nearest step of the readout
//	  → readout faults        stale, dropped and stray readings, jitter of the time
//
// The truth leaves out everything from touch flexure on, except dust and a preset, which
// move the reading for good.
//
// # Ranges of the disturbances
//
// What the ready classes draw from, uniformly unless "log" is said. "All" is
// drawn in every class; a class named after a disturbance draws from the row
// of its own instead.
//
//	disturbance            all classes                 class of its own
//	white noise σ          0.02–0.10 µm, log           coarse 0.10–0.35 µm
//	wander (OU) σ          0.01–0.05 µm                wander 0.05–0.10 µm
//	wander time constant   10–60 s
//	thermal drift          ≤ 0.05 µm/min               drift 0.1–0.3 µm/min
//	touch flexure          ≤ 0.05 µm                   flexure 0.1–0.5 µm
//	carriage hysteresis H  ≤ 0.015 µm                  hysteresis 0.03–0.15 µm
//	backlash (full)        tilt ≤ 0.3 mrad             dead_time 0.8–3 mrad,
//	                       cross ≤ 6 µm                20–80 µm
//	stick-slip             none                        tilt 0.1–0.6 mrad, cross 3–20 µm
//	vibration bursts       none                        1–6 per entry, 0.2–1.0 µm, 12–45 Hz,
//	                                                   decaying over 0.2–1.0 s
//	stray readings         none                        outliers 0.05–0.5 % of readings, runs
//	                                                   of 1–3, 0.5–500 µm, log
//	stale readings         none                        2–10 per minute, 0.05–0.5 s
//	dropped readings       none                        3–20 per minute, runs of 1–10
//	jitter of the time     late by |N(0, σ)|, σ ≤ 5 % of the period, never backwards
//	dust                   none                        0.4–3 µm, log
//	preset                 none                        one step of 0.5–40 mm while at rest
//	clock jumps            none                        1–3 per entry, 0.1–100 s either way, log
//	settling after touch   0.5–15 µm, time constant 0.15–0.6 s
//	quantisation           0.01 or 0.1 µm              coarse 1 µm
//
// The hand: a sweep takes 1–6 s (shorter ones less), a rest at a turn 0.3–2 s, a
// rest with hands off 0.6–2.5 s after a phase and 0.8–3 s at the end; it starts
// 3–15 mrad and 0.05–0.5 mm off, passes 2–5 times with depths that shrink to 2.5–6
// times what can be seen, and parks with 0–0.3 µm left in the reading. Class mixed
// draws each of twelve disturbances with a probability of a quarter.
//
// Rings have 12–150 mm (small_ring 3–8 mm), contacts a radius of 1–2.5 mm, the rate
// is 50–500 Hz (slow_10hz 10–20 Hz, fast_1khz 1000 Hz). A quarter of the readouts
// shows 0.01 µm, the others 0.1 µm.
//
// # What is not simulated
//
// Deformation of the ring by its own clamping, roughness, a taper's effect on the
// tilt minimum, coupling between the two knobs, tremor of the hand, a burr that is
// met only in part of a sweep, and the delay and bunching of a serial adapter (the
// live bench has those of the system it runs on).
package bench
