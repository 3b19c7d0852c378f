// Package detecttest makes traces of a ring that is played on a bench, with the
// truth beside them, for tests of package detect. It is a second opinion on what
// a hand does: it shares no line with the simulated bench of acquire/bench and
// knows nothing of how readings are judged.
//
// # The hand
//
// A person sits at two knobs, each of which moves the table by a worm gear: one
// tilts the ring, so that the reading passes a minimum, the other moves it across
// the line of measurement, so that it passes a maximum. The person watches the
// digits. A knob is turned in short turns of the wrist with a new grip after each,
// in one slow turn, or in small taps; the speed is uneven, and careful where the
// digits move little. Each adjustment is swept over its extremum to and fro, in
// one of five habits (plainly; fast over it and slowly back; slowly one way and
// fast the other; with a stop on the extremum; with a wide and a narrow side),
// then the digits are brought home in a few ever smaller steps, the hand leaves
// the knob and goes to the other one. Some persons are sloppy about what is left
// over, some turn back before they have passed anything.
//
// The hand aims at levels of the reading on either side of the extremum, as a person
// does who knows by now what a sweep shows; it does not read the single number and
// react to its noise.
//
// # From the knob to the digits
//
//	knob → play of the gear → stick-slip → adjustment (tilt angle or cross travel)
//	  → geometry of two ball contacts in a bore, exact
//	  → + settling after the touch, flexure under the fingers on the knob
//	  → hysteresis of the carriage
//	  → + wander, drift, vibration, white noise
//	  → nearest step of the readout → stray, stale and dropped readings, jitter
//
// The reading lies above that of the saddle by 2·(√(a² − y²)/cos θ − a), where a
// is R − r, the radius of the bore less that of the ball contact, y the cross
// travel and θ the tilt. An adjustment is kept as the square root of what it adds
// to the reading, in √µm.
//
// # Ranges
//
// Drawn uniformly unless "log" is said; a class named after a disturbance draws
// it from a range of its own. The figures are common practice, no source.
//
//	quantity                 unit     all classes             classes of their own
//	R − r                    mm       4–70, log               small 0.7–3, log
//	tilt of a sweep          µm       1.5–14, log (a)         coarse 5–25, log; small 2–8 mrad, log
//	cross of a sweep         µm       2–18, log (a); 1 in 10  coarse 6–35, log
//	                                  of persons ×1.5–4
//	time of a sweep          s        1.5–6, log; each ×lognormal(0.22)
//	unevenness of speed      -        0.2–0.5, correlation 0.2–1 s
//	passes                   -        2–6, then 0–3 smaller steps, then parked
//	left over when parked    µm       (b); 0–30 % of parks 0.15–1.2, log
//	hands off between knobs  s        0.5–4; one person in eight 0.12–0.5; each ×lognormal(0.2)
//	wait at a reversal       s        0.03–0.25, log          deadtime 0.15–0.6, log
//	play of the gear         sweep    0.005–0.08, log         deadtime 0.15–0.6
//	false reversals a sweep  -        0; 1 in 5: 0.1–0.4      reversals 0.8–2.5
//	stick-slip               √µm      none                    stickslip 0.06–0.3, log
//	flexure under fingers    µm       0.005–0.06, log         touch, ymm_touchrev 0.1–0.5
//	hysteresis, half width   µm       0.001–0.02, log         hysteresis 0.03–0.15, log
//	white noise σ            µm       0.01–0.12, log
//	wander σ (time)          µm (s)   0.01–0.08, log (2–20, log)
//	drift                    µm/min   ±0.1                    drift ±0.12–0.3
//	vibration                µm       none                    vibration 0.15–1.5, log: 1–6
//	                                                          bursts of 0.3–4 s, 7–60 Hz
//	step of the readout      µm       0.1 (60 %), 0.01 (40 %) coarse 1; 1 in 10 of outliers,
//	                                                          endstop 1
//	readings a second        Hz       10–1000, log            half of small 20–1000, log
//	jitter of the time       period   up to ±0.15
//	stray readings           -        none                    outliers 0.1–2 % of readings, ≤ 3
//	                                                          a second, runs ≤ 3
//	stale readings           1/s      none                    stale 0.03–0.4, up to 0.5 s
//	dropped readings         1/s      none                    dropped 0.03–0.5, runs ≤ 10
//	second axis y            µm       none                    ymm, ymm_touchrev: σ 0.05–0.5,
//	                                                          origin ±3 mm, either sign
//
//	(a) never below what shows: 1 µm, 4 steps of the readout, 8 σ of white noise, 4
//	    times the flexure, 12 times the hysteresis, 3 times the vibration
//	(b) median of a person max(0.03, 0.6 σ of white noise, 0.35 steps) × lognormal(0.3)
//
// The other classes differ in what is done: never_tilt and never_cross turn back
// on one side of the extremum, once_tilt and once_cross pass it a single time,
// oneknob plays one adjustment, crossfirst the cross first, touchup the tilt
// again, entries makes 2 to 4 entries, lost loses contact in mid-sweep, endstop
// turns back at a stop and digits at a remembered number.
//
// # The truth
//
// The saddle is the reading without noise at both extrema, with the drift of
// Contact.RefNS. A diameter is allowed where both adjustments visited their
// extremum at least twice and crossed it; it is expected (Supported) where
// the readings show two visits of each and the level between them. SigmaUM is the
// standard deviation of an oracle, a fit that knows the times of the passes, the
// window that serves it best, and the size of every disturbance; OracleUM is its
// error on these readings.
//
// # Not modelled
//
// Temperature of ring and scale, form of the ring, dust, Abbe errors, presets and
// clocks that step, contacts made by accident, a person who looks at prompts,
// coupling of the two adjustments, tables without a worm gear, swivels.
package detecttest
