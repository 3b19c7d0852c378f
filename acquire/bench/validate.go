package bench

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// KeyError is one thing wrong with a scenario.
type KeyError struct {
	// Key is the dotted name of the value, as in the file.
	Key string
	// Problem says what was found and what is permitted.
	Problem string
}

func (e *KeyError) Error() string { return e.Key + ": " + e.Problem }

// Validate reports every fault at once, joined; each of them is a *KeyError.
func (s *Scenario) Validate() error {
	v := &validator{}
	v.readout(s)
	v.parts(s)
	v.hand(s)
	v.disturb(s)
	for _, f := range s.Frame.faults() {
		v.add("frame."+f.Key, "%s", f.Problem)
	}
	return errors.Join(v.errs...)
}

type validator struct{ errs []error }

func (v *validator) add(key, format string, args ...any) {
	v.errs = append(v.errs, &KeyError{Key: key, Problem: fmt.Sprintf(format, args...)})
}

func (v *validator) num(key string, x, lo, hi float64) {
	if !(x >= lo && x <= hi) {
		v.add(key, "%g: permitted %g to %g", x, lo, hi)
	}
}

func (v *validator) rng(key string, r Range, lo, hi float64) {
	switch {
	case !(r[0] >= lo && r[1] <= hi):
		v.add(key, "[%g, %g]: permitted %g to %g", r[0], r[1], lo, hi)
	case r[0] > r[1]:
		v.add(key, "[%g, %g]: the lowest value comes first", r[0], r[1])
	}
}

func (v *validator) cnt(key string, c Count, lo, hi int) {
	switch {
	case c[0] < lo || c[1] > hi:
		v.add(key, "[%d, %d]: permitted %d to %d", c[0], c[1], lo, hi)
	case c[0] > c[1]:
		v.add(key, "[%d, %d]: the lowest value comes first", c[0], c[1])
	}
}

func (v *validator) oneOf(key, x string, permitted ...string) {
	for _, p := range permitted {
		if x == p {
			return
		}
	}
	v.add(key, "%q: permitted %s", x, strings.Join(permitted, ", "))
}

func (v *validator) readout(s *Scenario) {
	r := s.Readout
	v.num("readout.rate_hz", r.RateHz, 1, 5000)
	v.oneOf("readout.unit", r.Unit, "mm", "inch")
	v.num("readout.decimals", float64(r.Decimals), 0, 8)
	if r.Increment != 1 && r.Increment != 2 && r.Increment != 5 {
		v.add("readout.increment", "%d: permitted 1, 2, 5", r.Increment)
	}
	v.num("readout.second_increment", float64(r.SecondIncrement), 1, 10000)
	v.num("readout.jitter_share", r.JitterShare, 0, 0.3)
	if s.Instrument.Sign != 1 && s.Instrument.Sign != -1 {
		v.add("instrument.reading_sign", "%d: permitted 1, -1", s.Instrument.Sign)
	}
	v.num("instrument.ball_radius_mm", s.Instrument.BallMM, 0, 20)
	v.num("instrument.offset_sideways_um", s.Instrument.SidewaysUM, -500, 500)
	v.num("instrument.offset_height_um", s.Instrument.HeightUM, -500, 500)
	v.num("instrument.origin_mm", s.Instrument.OriginMM, -2000, 2000)
	v.num("instrument.compression_um", s.Instrument.CompressionUM, 0, 20)
	t := s.Thermal
	v.num("thermal.scale_celsius", t.ScaleCelsius, 0, 50)
	v.num("thermal.scale_kelvin_per_hour", t.ScaleRate, -5, 5)
	v.num("thermal.scale_expansion_1e6_per_k", t.ScaleExpansion, -2, 30)
	v.rng("thermal.handling_kelvin", t.HandlingKelvin, 0, 5)
	v.num("thermal.soak_s", t.SoakS, 1, 1e5)
	v.num("thermal.thermometer_error_k", t.ThermometerError, 0, 1)
	v.num("thermal.thermometer_noise_k", t.ThermometerNoise, 0, 1)
}

func (v *validator) parts(s *Scenario) {
	if len(s.Rings) == 0 {
		v.add("ring", "no ring: at least one [[ring]] is needed")
	}
	if len(s.Tasks) == 0 {
		v.add("task", "no task: at least one [[task]] is needed")
	}
	seen := map[string]bool{}
	shape := Shape("")
	for i, r := range s.Rings {
		key := fmt.Sprintf("ring[%d].", i)
		if r.Ident == "" {
			v.add(key+"ident", "empty: every ring needs a name of its own")
		}
		if seen[r.Ident] {
			v.add(key+"ident", "%q is used twice", r.Ident)
		}
		seen[r.Ident] = true
		v.oneOf(key+"role", r.Role, "master", "work")
		v.oneOf(key+"shape", string(r.Shape), "bore", "cylinder", "faces", "block", "sphere")
		if shape == "" {
			shape = r.Shape
		} else if r.Shape != shape {
			v.add(key+"shape", "%q differs from the first ring's %q: one scenario has one shape", r.Shape, shape)
		}
		v.num(key+"nominal_mm", r.NominalMM, 2, 500)
		if ball := s.ballMM(); (r.Shape == Bore || r.Shape == Faces) && r.NominalMM < 2.5*ball {
			v.add(key+"nominal_mm", "%g: too small for two contacts of radius %g mm", r.NominalMM, ball)
		}
		v.num(key+"deviation_um", r.DeviationUM, -500, 500)
		v.num(key+"length_mm", r.LengthMM, 0, 1000)
		v.num(key+"taper_um_per_mm", r.TaperUMPerMM, -10, 10)
		v.num(key+"ovality_um", r.OvalityUM, 0, 100)
		v.num(key+"expansion_1e6_per_k", r.Expansion, -2, 30)
		v.num(key+"celsius", r.Celsius, 0, 50)
		v.num(key+"kelvin_per_hour", r.RateKPerHour, -5, 5)
		v.num(key+"compression_um", r.CompressionUM, 0, 20)
	}
	for i, t := range s.Tasks {
		key := fmt.Sprintf("task[%d].", i)
		if !seen[t.Ring] {
			v.add(key+"ring", "%q is no ring of this scenario (it has %s)", t.Ring, strings.Join(s.idents(), ", "))
		}
		v.num(key+"repeat", float64(t.Repeat), 0, 100)
		v.oneOf(key+"first_mode", t.FirstMode, append(playModes(), "")...)
		v.oneOf(key+"second_mode", t.SecondMode, append(playModes(), "")...)
	}
}

// playModes are the modes of a Play.
func playModes() []string {
	return []string{"passes", "once", "park", "never", "end_stop", "far_stop", "digits", "none"}
}

// checkModes reports a mode of play that does not exist.
func (t Task) checkModes() error {
	for _, mode := range []string{t.FirstMode, t.SecondMode} {
		if mode != "" && !slices.Contains(playModes(), mode) {
			return fmt.Errorf("mode of play %q: permitted %s", mode, strings.Join(playModes(), ", "))
		}
	}
	return nil
}

func (v *validator) hand(s *Scenario) {
	h := s.Hand
	if len(s.Rings) > 0 {
		if names, _, err := s.Rings[0].Shape.Adjustments(); err == nil {
			for i, p := range h.Phases {
				v.oneOf(fmt.Sprintf("hand.phases[%d]", i), p, names[0], names[1])
			}
		}
	}
	if len(h.Phases) > 8 {
		v.add("hand.phases", "%d phases: permitted 0 to 8", len(h.Phases))
	}
	for _, p := range []struct {
		key  string
		play Play
	}{{"hand.first.", h.First}, {"hand.second.", h.Second}, {"hand.touch_up.", h.TouchUp}} {
		v.oneOf(p.key+"mode", p.play.Mode, playModes()...)
		v.rng(p.key+"start_mrad", p.play.StartMrad, 0, 60)
		v.rng(p.key+"start_mm", p.play.StartMM, 0, 2)
		v.rng(p.key+"start_rise_um", p.play.StartRiseUM, 0, 100)
		v.cnt(p.key+"passes", p.play.Passes, 1, 12)
		v.rng(p.key+"depth_um", p.play.DepthUM, 0.01, 100)
		v.cnt(p.key+"reversals", p.play.Reversals, 0, 20)
		v.rng(p.key+"reversal_um", p.play.ReversalUM, 0.01, 100)
		v.rng(p.key+"park_um", p.play.ParkUM, 0, 100)
	}
	v.rng("hand.sweep_s", h.SweepS, 0.2, 60)
	v.rng("hand.pause_s", h.PauseS, 0, 60)
	v.rng("hand.rest_s", h.RestS, 0, 600)
	v.rng("hand.final_rest_s", h.FinalRestS, 0, 600)
	v.rng("hand.between_s", h.BetweenS, 0.5, 600)
	v.rng("hand.change_s", h.ChangeS, 0, 600)
	v.num("hand.unevenness", h.Unevenness, 0, 1)
	v.num("hand.care", h.Care, 0, 0.9)
	v.num("hand.reach_mrad", h.ReachMrad, 0.1, 60)
	v.num("hand.reach_mm", h.ReachMM, 0.005, 5)
	v.rng("hand.approach_mm_per_s", h.ApproachMMPerS, 0.1, 50)
	v.rng("hand.clearance_mm", h.ClearanceMM, 0.2, 50)
	v.cnt("hand.accidental_touches", h.AccidentalTouches, 0, 10)
	v.num("hand.loss_probability", h.LossProbability, 0, 1)
	v.rng("hand.loss_s", h.LossS, 0.35, 60)
	v.num("hand.restart_probability", h.RestartProbability, 0, 1)
	m := s.Mechanics
	v.rng("mechanics.backlash_mrad", m.BacklashMrad, 0, 20)
	v.rng("mechanics.backlash_um", m.BacklashUM, 0, 500)
	v.rng("mechanics.stick_mrad", m.StickMrad, 0, 5)
	v.rng("mechanics.stick_um", m.StickUM, 0, 100)
	v.rng("mechanics.hysteresis_um", m.HysteresisUM, 0, 2)
	v.rng("mechanics.flexure_um", m.FlexureUM, 0, 5)
	v.rng("mechanics.flexure_on_s", m.FlexureOnS, 0.01, 5)
	v.rng("mechanics.flexure_off_s", m.FlexureOffS, 0.01, 5)
	v.rng("mechanics.settle_um", m.SettleUM, 0, 100)
	v.rng("mechanics.settle_s", m.SettleS, 0.01, 5)
}

func (v *validator) disturb(s *Scenario) {
	d := s.Disturb
	v.rng("disturb.noise_um", d.NoiseUM, 0, 10)
	v.rng("disturb.wander_um", d.WanderUM, 0, 10)
	v.rng("disturb.wander_s", d.WanderS, 0.1, 1e4)
	v.rng("disturb.drift_um_per_min", d.DriftUMPerMin, 0, 10)
	v.cnt("disturb.bursts_per_entry", d.BurstsPerEntry, 0, 50)
	v.rng("disturb.burst_um", d.BurstUM, 0, 50)
	v.rng("disturb.burst_hz", d.BurstHz, 0.1, 500)
	v.rng("disturb.burst_decay_s", d.BurstDecayS, 0.01, 30)
	v.rng("disturb.stray_share", d.StrayShare, 0, 0.1)
	v.rng("disturb.stray_um", d.StrayUM, 0.01, 1e5)
	v.rng("disturb.stale_per_min", d.StalePerMin, 0, 60)
	v.rng("disturb.stale_s", d.StaleS, 0, 5)
	v.rng("disturb.drops_per_min", d.DropsPerMin, 0, 60)
	v.cnt("disturb.drop_run", d.DropRun, 1, 1000)
	v.num("disturb.dust_probability", d.DustProbability, 0, 1)
	v.rng("disturb.dust_um", d.DustUM, 0.01, 100)
	v.num("disturb.dust_moves", d.DustMoves, 0, 1)
	v.num("disturb.preset_probability", d.PresetProbability, 0, 1)
	v.rng("disturb.preset_mm", d.PresetMM, 0.001, 500)
	v.cnt("disturb.clock_jumps_per_entry", d.ClockJumpsPerEntry, 0, 10)
	v.rng("disturb.clock_jump_s", d.ClockJumpS, 0.001, 1e6)
}
