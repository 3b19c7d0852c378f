// Package narrow makes traces of a ring that is played by persons who sweep little,
// 0.6 to 2.2 µm past an extremum, with the truth beside them, for tests of package
// detect. Of package detecttest it has only the types; hand, bench and truth are its
// own.
//
// # The hand
//
// A person turns a thumbscrew for the tilt and one for the cross, or rocks a lever,
// and reads the digits, late by a reaction of 0.2 to 0.4 s. A sweep ends when the
// digits stand visibly beyond the best of this sweep, or when the knob has gone far
// enough; then the person looks, and sweeps back. There are eight persons:
//
//   - one turns evenly, a micrometre either way, with a halt of half a second
//   - one begins with 2.2 µm, nearly halves each sweep, and grips the screw anew in wide
//     ones
//   - one turns in small twists of finger and thumb with a look after each
//   - one is in haste, fastest where nothing moves, and leaves it anywhere
//   - one rocks a lever to positions, about five times
//   - one is slow, barely goes past, and often goes back a little in doubt
//   - one hurries over the flat top to feel for the flanks, and leaves it closest
//   - one looks one way only and hurries back
//
// All may begin the wrong way. In the end the adjustment is brought near the extremum,
// by one move or by two, and the hand leaves the knob.
//
// # From the knob to the digits
//
//	knob + tremor → backlash → stick-slip → adjustment (tilt angle or cross travel)
//	  → geometry of two ball contacts in a bore, exact
//	  → − a speck of dust, + settling after the touch
//	  → hysteresis of the carriage
//	  → + flexure under the fingers that turn, wander, vibration, drift, white noise
//	  → nearest step of the readout → stray, stale and dropped readings, jitter
//
// The reading is 2·√((R − r)² − y²)/cos θ + 2·r, where R is the radius of the bore and
// r that of the ball contact, y the cross travel and θ the tilt. An adjustment is kept
// as the square root of what it changes the reading by, in √µm.
//
// # Ranges
//
// Drawn uniformly unless "log" is said; "person" is a habit of one of the eight. A
// class named after a disturbance draws it from a range of its own. The figures are
// common practice, no source.
//
//	quantity                 unit     all classes                  classes of their own
//	R                        mm       10–75, log                   small_ring 2–4.2
//	r                        mm       0.75, 1, 1.5 or 2.5          small_ring 0.5–0.9
//	start off the extremum   √µm      0.8–2.1                      coarse ×1.3; small_ring tilt ≤ 0.16
//	sweep past the extremum  µm       person 0.6–2.2 ×0.7–1.5,     coarse 2 more, ≥ 2.4;
//	                                  log (a)                      small_ring tilt ≤ 0.18 √µm
//	peak speed               √µm/s    person 0.45–2 ×0.75–1.35,    slow, digits ≤ 0.8, 0.9
//	                                  log; each ×0.85–1.2, log
//	unevenness of speed      -        σ 0.22, correlation 0.35 s
//	tremor                   √µm      person 0.006–0.015, 7–10 Hz
//	passes                   -        person 2–5, ±1, ≥ 2          once 1; parked 1–2
//	doubts in mid-sweep      1/s      person 0–0.12                many_reversals ×3, ≥ 0.35
//	left over                √µm      person, σ 0.12–0.5           parked σ 0.06, for 2–7 s
//	hands off between knobs  s        1.2–3.5
//	backlash                 √µm      0–0.03                       dead_time 0.12–0.6, log
//	stick-slip               √µm      none                         stick_slip 0.03–0.14, log
//	flexure under fingers    µm       0–0.03                       flexure ±0.1–0.5, log
//	  which goes in          s        0.15–0.6, log
//	hysteresis, half width   µm       none                         hysteresis 0.03–0.15, log
//	white noise σ            µm       0.01–0.1, log
//	wander σ (time)          µm (s)   0.005–0.04, log (9)
//	drift                    µm/min   ±0.03                        drift ±0.06–0.3
//	vibration                µm       none                         vibration 0.15–1, log: bursts of
//	                                                               0.2–1.5 s every 2.5–14 s, 11–45 Hz
//	dust                     µm       none                         dust 0.4–3, log: a quarter stays, a
//	                                                               quarter goes after 9–25 s, a half
//	                                                               within 12 s of the first phase's end
//	settling (time)          µm (s)   ±0.4–6, log (0.06–0.5, log)
//	approach, withdrawal     mm/s     1–12, log; 3–60, log
//	step of the readout      µm       0.01 (60 %), 0.1 (40 %)      coarse 1
//	readings a second        Hz       20–500                       slow 10; fast 1000; outliers,
//	                                                               dropped ≥ 50
//	jitter of the time σ     period   0.01–0.12, at most 3 σ
//	stray readings           runs/s   none                         outliers 0.05–1.2, log, runs ≤ 3,
//	                                                               0.8–400 µm, log; 3 in 10 traces ×50
//	stale readings           1/s      none                         stale 0.02–0.48, log; 0.03–0.5 s, log
//	dropped readings         runs/s   none                         dropped 0.05–1.2, log, runs ≤ 10
//	second axis y            µm       none                         y_mm σ 0.05–0.8, log, origin ±8 mm
//
//	(a) never below 1.8 times what shows in the first sweep and 1.4 times in later ones.
//	    What shows is the largest of 0.15 µm, 1.2 steps of the readout, 1.2 times the
//	    flexure, 3 times white noise, wander and hysteresis, and stick-slip.
//
// The other classes differ in what is done: never_tilt and never_cross turn back on
// one side of the extremum, once_tilt and once_cross pass it a single time, one_knob
// plays one adjustment, cross_first the cross first (as one in twelve of ordinary
// does), touch_up the tilt again, entries makes 2 to 4 entries, lost loses contact in
// mid-sweep, end_stop turns back at a hard stop and digits at a remembered number.
//
// # The truth
//
// The saddle is the reading without noise at both extrema, with the drift of
// Contact.RefNS; a speck that stays, or goes after the last phase, belongs to it. A
// pass counts that reaches what shows, see (a), on both sides. A diameter is expected
// (Supported) where the last phase of each adjustment has two such passes, and then it
// alone is allowed, beside a refusal where a speck went in mid-play. With fewer passes
// a diameter, a refusal and what was passed are allowed; with none of one adjustment,
// no diameter. The tilt of a small ring counts as passed. Contact.Phases lists all
// crossings of 0.01 µm and more on both sides.
//
// SigmaUM is the standard deviation of an oracle, a cubic fit in time that knows the
// times of the passes, the window that serves it best, and the size of every
// disturbance; OracleUM is its error on these readings, 0 where it has nothing to
// chain.
//
// Times begin anywhere from 1 to 21 s.
//
// # Not modelled
//
// Temperature of ring and scale, form of the ring, Abbe errors, presets and clocks
// that step, contacts made by accident, a person who looks at prompts or works both
// knobs at once, coupling of the two adjustments, wide sweeps, swivels.
package narrow
