// Package calibrate turns captures of a master and of a work ring into a diameter
// at 20 °C with its uncertainty budget and a decision. Give Evaluate a SetFile; it
// gives an Outcome. The walker of a plan (Fold, Apply) is in the same package; what
// follows is about the evaluation. All of it is pure: no clock, no I/O, no
// goroutine; the same input gives the same output.
//
// # Measurement equation
//
// A work ring W is compared with a master M. With the reading r of the instrument
// at the saddle, referred to the master by weights wᵢ (Σ wᵢ = 1) of its captures,
//
//	D_W (1 + α_W Δt_W) = D_M + δ_D + L (1 + α_S Δt_S)
//	                     + Σ wᵢ [(D_M + δ_D) α_M Δtᵢ + gᵢ] − g_W
//	                     + 2σ (δ_M − δ_W) + δ_Z + δ_F + Σ δ_k
//	L = s (r_W − Σ wᵢ rᵢ) − E_S
//
// in the terms of a budget (Term.ID; the summands follow the ring-gauge example of
// EA-4/02, S13, which is known here from memory):
//
//	master         D_M   certified diameter at 20 °C, u = U/k (JCGM 100, 4.3.3)
//	drift_master   δ_D   change of the master since its calibration
//	reading        r     readings at the saddle, s = ±1 the sign of the readout; u from
//	                     the trace alone (Type A, 4.2)
//	scale          E_S   error of the scale over the distance, indication minus truth:
//	                     a quantity, a permissible error (rectangular, 4.3.7), or a
//	                     table whose rows both diameters may share
//	temperature    Δt    temperature − 20 °C (ISO 1): own temperature of the capture
//	                     plus the common offset, for rings and scale alike; the scale's
//	                     is that at the work capture
//	expansion      α     coefficients of expansion of work, master and scale
//	alignment      g     reading minus diameter by cross offset, tilt and the offsets
//	                     of the balls (AlignmentError)
//	compression    δ     elastic approach at one contact (HertzContact); σ = +1 for
//	                     internal, −1 for external features: an internal reading comes
//	                     out large, so only the difference of master and work counts
//	resolution     δ_Q   rounding of every reading, half a step (rectangular, F.2.2.1)
//	repeatability  δ_W   scatter of one entry, for every capture, pooled with its
//	                     degrees of freedom (4.2.4)
//	closing        δ_Z   what the straight line between opening and closing may miss:
//	                     expectation 0, within half of the largest difference between
//	                     neighbouring visits to the master (rectangular)
//	form           δ_F   form of the rings at the place of measurement, as stated
//
// Further stated corrections δ_k are listed under the term they name.
//
// The weights: with one opening and one closing visit, the mean opening and the
// mean closing reading are joined by a straight line in time. With visits in
// between (role "reference") the line is that of the weighted least-squares
// solution of all captures (FitDrift), and weights of work captures add up to 0 for
// every position. Without closing the opening holds, the term closing takes the
// closing limit as its half width, and the outcome is provisional.
//
// What is shared is one random variable: force, ball offsets, the common
// temperature offset, the certificate, a material entry, the reference captures. All
// inputs are independent, so correlation between terms is nothing but a shared input
// and is propagated exactly (JCGM 100, 5.2 and F.1.2.3).
//
// # Uncertainty
//
// Propagate is the law of propagation (JCGM 100, 5.1.2, equation (10)) with the
// second-order terms of its note: products such as coefficient × temperature
// deviation are the whole effect where both expectations are zero, and a first-order
// budget would drop them (H.1.7). The curvature over cross offset and tilt also moves
// the expectation; the estimate of the alignment contains that. Effective degrees
// of freedom by Welch and Satterthwaite (G.4.1), all scatter that rests on one pooled
// standard deviation counted once, truncated to a whole number; coverage factor from
// Student's t (G.3). MonteCarlo draws the same model (JCGM 101): t distributions for
// estimated standard deviations, adaptive number of trials (7.9.4), shortest and
// symmetric intervals (7.7), validation of the other method (clause 8).
//
// A laboratory floor replaces a smaller expanded uncertainty and says so
// (Result.FloorApplied). Rounding is for people only (Rounded: two digits, 7.2.6).
//
// # Positions
//
// Every work capture has its own result. RingSummary joins the captures of one
// position and the positions of one ring by the contributions of their inputs, so
// what they share is not averaged away in a mean and cancels in a difference. This is
// by the law of propagation, whichever method the single results use.
//
// # What is not covered
//
//   - Contacts other than balls; friction and permanent deformation: HertzContact is
//     elastic, and PeakPressureMPa is there to be compared with what the surfaces
//     bear.
//   - Rotation of a ring about the measuring line, which changes the cross offset in
//     second order (5e-6 mm for 0.5 mm and 20 mrad in a 40 mm ring).
//   - Bending of the arms by a change of force between master and work, carriage
//     hysteresis and dirt, unless stated as a correction or contained in the
//     repeatability.
//   - Gradients of temperature within a ring, and what the contacts' own temperature
//     does: the opening and closing reference see the second.
//   - Form between the measured positions: diameters do not show lobes of odd number.
//   - Correlation between inputs other than by sharing them.
//   - Height and direction are declared by the person and carry no uncertainty here.
//
// A result stands on what was declared. The laboratory's own procedures decide
// whether a set may be used.
package calibrate
