// Package detect finds turning points in the stream of readings of one station:
// the minimum over tilt and the maximum over cross travel of a ring between two
// ball contacts, or the extrema of another pair of adjustments. Push readings,
// take events. The only final event is EventCaptured; everything announced
// before the end of an entry is provisional.
//
// # What a turning point is
//
// With both adjustments at their extremum the reading is at a saddle: for two
// balls of radius r in a bore of radius R, cross offset y and tilt θ,
//
//	L(y, θ) = 2·√((R−r)² − y²)/cos θ + 2r
//
// A turning point is an extremum of the reading over one adjustment. A turn-back
// is a reversal that the hand makes off the extremum; over time it looks just as
// round. The shape over time is not the parabola, because the hand's speed is
// neither known nor even: only values at extrema are sound.
//
// # The steps
//
//   - Contact (contact.go, track.go). A contact begins where the reading stops
//     moving faster than Params.ApproachMMPerS for 0.2 s. It ends when the
//     reading lies more than Params.JumpMM away for Params.LossSeconds and more
//     than Params.StrayReadings readings, or when it is displaced by 12 µm or
//     more in a movement of at most 0.15 s that begins and ends abruptly and is
//     not taken back. The start depends on nothing before it, so the span of a
//     capture replayed gives the capture again, bit by bit.
//   - Stray readings. A reading is left out if it lies off the line through the
//     medians of the five readings before and the five after it by more than
//     seven times what those do. Runs of up to three are outvoted.
//   - Noise (noise.go). Third differences take out any quadratic movement; their
//     low quantiles give the white noise. Blocks in which the readings scatter
//     about the running mean by more than 1.7 times that are bursts of vibration
//     and get a noise of their own. Bins that only repeat the one before for
//     longer than such noise permits are stale and are left out.
//   - Reversals and rests (reversals.go). A zigzag with a hysteresis of six
//     standard deviations of the running mean, at least 1.3 steps of the readout.
//     A rest is 0.35 s or more in which the running mean holds still and neither
//     quarter at its ends differs from the middle by more than the readings allow.
//   - Shape (shape.go). How alike the two flanks of a reversal are and how its
//     width grows with depth, as likelihood ratios of pass against turn-back, for
//     a hand that moves evenly and for one that does not.
//   - Decision (phases.go). See below.
//   - Estimate (fit.go, estimate.go). See below.
//
// # The decision
//
// An entry is a chain of phases; in each one adjustment is played, and between
// two the reading rests. Every way to divide the entry at its rests, to give the
// parts to the two adjustments in turn, and to call an extremum passed or not
// passed is weighed by how probable it makes the reversals seen. Passes share one
// value within a spread (a mixture of 0.012 to 0.3 µm, or two levels in turn where
// the frame gives to the hand). Turn-backs may lie anywhere within the
// climb that separates them from the next reversal beyond them, so wiggles prove
// nothing. Nothing may lie beyond an extremum. An adjustment that was finished
// rests near its extremum, mostly within some tenths of a micrometre; a hand that
// never passed it rests anywhere, or among its own turn-backs. Hands may
// also change over at a halt of 0.2 s at or between two reversals. Which of the
// rests between two passed extrema it was is weighed once more by the duration of
// the rest, what is left there, the passes before and after it and whether the
// reading turns there, with weights fitted to labelled change-overs (hinges.go).
// Reversals on the far side, and more rarely on the near
// side, may repeat as at an end stop. The best chain of each claim is found by
// dynamic programming over the rests.
//
// Whether the passes of the best chain are passes is judged once more by additive
// evidence (evidence.go): number, agreement and depth of the passes, how a leg's time is
// divided, the rest after them, the speed of the hand and what it does on the far side,
// each with a curve fitted to labelled phases of six simulated hands, every fourth or
// fifth entry of which held a trap. Claims that this leaves unsure are taken back where
// another phase of the same adjustment is sure.
//
// The confirmation rule: a turning point is announced when its evidence makes it more
// probable than 1 − Params.FalseProbability.
// That takes at least two passes that agree, or one and a rest at its level after
// the hand has been away. The evidence is weighed again whenever a reversal has
// been left by more than the noise or the reading has come to rest, at most once
// in 0.25 s plus a fiftieth of the time in contact; what comes in between waits
// for that time and for no further reading. From the last true pass to its cue it
// takes 1.1 s in the median of 494 cues, and 3.3 and 7.7 s in 75 and 95 % (the
// hand's sweep back and its rest included, and evidence that was not enough at
// first); from the last pass of an entry to complete 1.3, 3.1 and 6.0 s; from the
// end of the contact to the capture 0.42 s, 0.49 s in 95 % (TestDelays, -delays 6).
//
// The probability is one among the traces of those hands, and traps are commoner
// there than at a bench. It is not raised for that: a wrong diameter is worse than
// another sweep. Of 2940, 567 and 336 claims said to be right with 0.99 or more, 0.97
// and 0.9, in the mean 0.997, 0.983 and 0.946, there were 0.986, 0.965 and 0.923
// (TestProbabilityIsCalibrated, -corpus 40); of 118 between 0.8 and 0.9, in the mean
// 0.857, there were 0.729.
//
// # The estimate
//
// Each pass is fitted by a polynomial in time (degree 4, or 2 where there are
// few readings) over the widest window whose value agrees with those of all
// narrower ones. Passes and rests are then observations of one linear model:
// saddle, drift, the residual that each adjustment was left with, and flexure
// that turns with the direction of the knob. It contains saddle = C − (E − T)
// and its longer chains. Where the reversals near an extremum do not agree, all ways
// to call each a pass or a turn-back are weighed for all values of extremum and
// flexure, with the knob's direction as a state and both adjustments together
// (flexure.go); levels that might be others go into u, or no diameter is given. How
// much the room wanders and drifts is not known: the model is solved for fifteen
// pairs of both, and the solutions are averaged by how probable they are (models.go).
// u comes from the covariance of the
// model with 0.036 µm for hysteresis, or more where the later flanks of the passes lag
// (hysteresis.go, half of what they show is taken out), and where another rest might
// have been the one at which the hands changed over, from that too; if such a rest
// would move the saddle by more than 0.4 µm and is more probable than 0.15, no
// diameter is given. A rest that a coarse step rounds is used as the range that the
// step leaves. The time of a capture is the end of its last phase.
//
// A tilt or swivel that is played first for 5 s or more, to and fro, and moves the
// reading by 0.6 µm at most need not be caught: half of what it was seen to leave
// is taken out, and that and a tenth of its movement are added to u.
// Nor need one that moves it by less than can be seen, before the other one is played:
// 0.15 µm in 6 s, or 0.3 µm in 8 s, for wander and the hand move it too (flat.go).
//
// Estimators of the value of one pass, 400 passes at 100 Hz with white noise of
// 0.05 µm and an uneven hand (TestEstimators prints this):
//
//	estimator                        bias µm   RMS µm
//	polynomial, adaptive window      −0.001    0.006
//	polynomial, fixed 0.16 s         −0.025    0.031
//	unimodal regression, 2 s         −0.088    0.092
//	order statistic with dwell       −0.004    0.036
//	raw minimum, 2 s                 −0.091    0.094
//
// On whole entries wander, touch and what is left of the first adjustment bound
// the error, not the fit (TestCorpus prints the table).
//
// # The second axis
//
// Where the readout sends the position y of the cross slide too (slide.go, arc.go), the
// stretches in which y moves are the cross phases, and what moves the reading
// between them is the other adjustment. In a cross phase the reading is fitted
// over y by the arc of the formula above, robustly, with a linear drift, a
// flexure that turns with the slide's direction and a lag of the carriage. The
// cross maximum is passed if the vertex lies within the travel of y by more than
// four standard uncertainties and two steps of y, and 0.1 µm of the reading;
// beyond the travel it is not passed, and in between the entry is ambiguous, as
// it is when 1/curvature is no radius between 0.5 and 120 mm, the readings
// scatter about the arc, or a rest lies off it. One pass is enough. Where the
// slide stood before and after tells the cross residual, so that the tilt minimum
// and the vertex each lead to the saddle; u never falls below 0.7 of the wander.
// The tilt is decided by x alone, within its own stretches. A second axis that
// stands still, or is missing from more than a fiftieth of the readings, is not
// used, and nothing changes for traces without one. It belongs to the adjustment
// named cross; tasks without that do not use it.
//
// # Edges
//
//   - Plateaus: a readout that shows steps wider than the noise is taken as it
//     is; q/√12 is added to the spread of passes and rests.
//   - Gaps: a reading flagged acquire.Gap ends an entry only if more than
//     Params.LossSeconds and twelve periods are missing; Lost always does.
//   - Clocks: times that run backwards or stand still are replaced by the usual
//     period; a hole of 3 s ends the entry.
//   - Late readings (late.go): what a stall of the operating system delivers in one
//     bunch after a silence of 0.1 s or more gets the pace at which it was sent;
//     where readings are missing the silence stays. Three stalls of 0.2 to 1 s in
//     each contact leave the outcome in 99.1 % of 221 captures (TestStalls, -stalls
//     6), with values within 0.05 u in 95 %.
//   - Order of conditions: readings lost, then preset, then what the decision
//     says, then reservations.
//
// # Speed
//
// Most of the work is in the looks. Of the pairs of hinges all are bounded and few
// weighed (pairs.go); what does not change from look to look is kept where that needs
// little room (groups of bins, fits, shapes). On one core of a busy machine the corpus
// takes 1.0 million readings a second, looks and captures included, two fifths of it for
// provisional looks, two fifths for those by all readings before a contact may be
// withdrawn; a carriage that stands still takes 30 million, a contact of 20 s 16 million
// and one of 600 s, in which each look weighs up to 127 reversals, 6 million
// (BenchmarkCorpus, BenchmarkIdle, BenchmarkContact).
//
// # Limits
//
// Reversals that repeat at one place off the extremum, round and without a
// rest, cannot be told from passes in x alone. The second axis of a readout
// settles this for the cross slide and not for the tilt. A preset pressed while
// the reading rests looks like a withdrawal; it is named only when play goes on after it. A carriage with play
// in the reading flattens every extremum and biases it by up to half the play.
//
// Two turn-backs may agree by chance as well as two passes do: at an amplitude of
// some micrometres no shape excludes it.
//
// Measured with TestCorpus (-corpus 2000, -simseed 2000000), x alone: of entries in
// which no diameter took place these gave one all the same: extremum of the tilt
// never crossed 0.7 %, of the cross 1.1 %, end stop 9.5 %, remembered digits 16 % of
// 2000 each; crossed once or one knob only, none. Of all contacts but those at end
// stops and remembered digits 0.05 % of 71,012 did. Hands that sweep little are worse:
// of 80 contacts of detecttest/narrow that never crossed one extremum 11 give a diameter
// (TestNarrowHand, -narrow 40, -simseed 5000), of 40 each at stops and at remembered
// digits 24 and 13. Enter every position at least twice: repeats are compared.
//
// With steps of 1 µm a fast movement of the hand of 12 µm or more may be taken for the
// end of the contact; the rest of the entry is a capture of its own then (12 of 2000).
// Where no noise dithers such steps and the hand sweeps 2 to 4 µm, the fit of a pass is
// worse than its largest reading: of 40 contacts of detecttest/narrow 19 come out right
// and 2 are off by more than 3 µm.
//
// A speck of dust that goes while the first adjustment is played moves what was found
// before by a step that nothing shows but a poor rest: 5 % of the class dust are off by
// it, more than of all other classes together.
//
// Near the edge of the decision little turns an outcome. Of 379 captures of all
// classes (TestDoubledRate and TestCoarserSteps, -metamorphic 10) 90 % keep theirs
// when the rate is doubled by interpolation and 92 % when steps of 0.01 µm become
// 0.1 µm; of 330 whose hand sweeps widely, 94 % do when 0.1 µm becomes 1 µm. Of
// diameters with both probabilities above 0.985 there stay 97, 99 and 100 %. Where
// both give a diameter the values agree within 2u in 98.8, 99.6 and 100 %; the
// rest chose another place where the hands changed over, or other passes. u stays
// within 25 % in 93 % at the doubled rate; coarser steps raise it by no more than
// the rounding of a pass, a rest and a pass in 94 % and 100 %.
//
// The reversals of a recorded series (weekly carbon dioxide in the air, 44 years)
// are those that SciPy finds: 87 of 87, within two weeks and 0.19 ppm of the mean
// over seven weeks; the fits differ by 0.13 ppm RMS (TestCandidatesOfARecordedSeries).
//
// Sources: the formula of the saddle and the rule of residuals are derived from
// the geometry above; the variance of a vertex and the bias of a raw extremum are
// order statistics and least squares in any textbook (checked in fit_test.go
// against the exact variance and against tabulated expectations).
package detect
