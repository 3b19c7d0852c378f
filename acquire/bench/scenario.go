package bench

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"

	"ringsaddle/acquire"
)

// Range is a lowest and a highest value; the simulation draws uniformly between
// them. In a scenario file it is written [lowest, highest].
type Range [2]float64

// Draw returns a value between the limits, uniformly.
func (r Range) Draw(rng *rand.Rand) float64 {
	if r[0] == r[1] {
		return r[0]
	}
	return r[0] + (r[1]-r[0])*rng.Float64()
}

// Fixed is the Range that always gives v.
func Fixed(v float64) Range { return Range{v, v} }

// Count is a lowest and a highest whole number, both included.
type Count [2]int

// Draw returns a whole number between the limits, uniformly.
func (c Count) Draw(rng *rand.Rand) int {
	if c[1] <= c[0] {
		return c[0]
	}
	return c[0] + rng.IntN(c[1]-c[0]+1)
}

// Scenario describes a bench, its parts, its readout and the hand that works on
// it. DefaultScenario gives a complete one to start from. Keys of a scenario
// file are the toml names; every key may be left out and then keeps its default.
type Scenario struct {
	Name        string     `toml:"name"`
	Description string     `toml:"description"`
	Class       Class      `toml:"-"`
	Readout     Readout    `toml:"readout"`
	Frame       FrameForm  `toml:"frame"`
	Instrument  Instrument `toml:"instrument"`
	Thermal     Thermal    `toml:"thermal"`
	Rings       []Ring     `toml:"ring"`
	Tasks       []Task     `toml:"task"`
	Hand        Hand       `toml:"hand"`
	Mechanics   Mechanics  `toml:"mechanics"`
	Disturb     Disturb    `toml:"disturb"`
}

// Readout says how positions are sampled and shown.
type Readout struct {
	// RateHz is the sampling rate, 1 to 5000.
	RateHz float64 `toml:"rate_hz"`
	// Unit is "mm" or "inch"; Decimals is the number of decimals shown, 0 to 8.
	Unit     string `toml:"unit"`
	Decimals int    `toml:"decimals"`
	// Increment is by how many units of the last decimal the reading moves: 1, 2 or 5.
	Increment int `toml:"increment"`
	// SecondAxis adds the position of the second adjustment (the cross slide) to
	// every frame, in steps of SecondIncrement units of the last decimal.
	SecondAxis      bool `toml:"second_axis"`
	SecondIncrement int  `toml:"second_increment"`
	// JitterShare is the standard deviation of the time stamps as a share of the
	// sampling period, 0 to 0.3.
	JitterShare float64 `toml:"jitter_share"`
}

// Instrument is the bench itself.
type Instrument struct {
	// BallMM is the radius of the contacts. Zero stands for 1.5 mm, or an eighth
	// of the smallest ring where that is less.
	BallMM float64 `toml:"ball_radius_mm"`
	// SidewaysUM and HeightUM are the offsets of the balls against each other.
	SidewaysUM float64 `toml:"offset_sideways_um"`
	HeightUM   float64 `toml:"offset_height_um"`
	// Sign is +1 for a readout that counts up with the length, −1 for the other.
	Sign int `toml:"reading_sign"`
	// OriginMM is the length at which the readout shows zero.
	OriginMM float64 `toml:"origin_mm"`
	// CompressionUM is the elastic compression of both contacts together at the
	// measuring force. A bore reads large by it, an outside part small. A ring may
	// carry its own.
	CompressionUM float64 `toml:"compression_um"`
}

// Thermal says how warm things are. The readout shows lengths in units of the
// warm scale; rings expand from 20 °C with their own coefficient.
type Thermal struct {
	// ScaleCelsius is the temperature of the scale at the start, ScaleRate its
	// change in kelvin per hour, ScaleExpansion its coefficient in 1e-6/K.
	ScaleCelsius   float64 `toml:"scale_celsius"`
	ScaleRate      float64 `toml:"scale_kelvin_per_hour"`
	ScaleExpansion float64 `toml:"scale_expansion_1e6_per_k"`
	// HandlingKelvin is by how much a ring is warmed when it is taken in hand and
	// put on the table, decaying with the time constant SoakS (seconds).
	HandlingKelvin Range   `toml:"handling_kelvin"`
	SoakS          float64 `toml:"soak_s"`
	// ThermometerError is the spread (standard deviation, K) of the constant error
	// of each thermometer; ThermometerNoise that of a single reading.
	ThermometerError float64 `toml:"thermometer_error_k"`
	ThermometerNoise float64 `toml:"thermometer_noise_k"`
}

// Ring is a part that can be put on the table.
type Ring struct {
	Ident string `toml:"ident"`
	// Role is "master" or "work"; it means nothing to the simulation and is handed
	// on to whoever compares.
	Role  string `toml:"role"`
	Shape Shape  `toml:"shape"`
	// NominalMM is the nominal size, DeviationUM the true deviation of the mean
	// size from it at 20 °C.
	NominalMM   float64 `toml:"nominal_mm"`
	DeviationUM float64 `toml:"deviation_um"`
	// CertifiedUM is the deviation from nominal that the certificate of a master
	// states, and ExpandedUM its expanded uncertainty (k = 2). The true deviation
	// is DeviationUM; the two differ as they do in life.
	CertifiedUM float64 `toml:"certified_deviation_um"`
	ExpandedUM  float64 `toml:"expanded_uncertainty_um"`
	// TaperUMPerMM is the change of diameter with height above mid-height
	// (LengthMM/2). OvalityUM is the difference between the largest and the
	// smallest diameter; the largest lies in direction OvalityDeg.
	LengthMM     float64 `toml:"length_mm"`
	TaperUMPerMM float64 `toml:"taper_um_per_mm"`
	OvalityUM    float64 `toml:"ovality_um"`
	OvalityDeg   float64 `toml:"ovality_deg"`
	// Expansion is the coefficient in 1e-6/K, Celsius the true temperature of the
	// soaked ring at the start, RateKPerHour its change.
	Expansion    float64 `toml:"expansion_1e6_per_k"`
	Celsius      float64 `toml:"celsius"`
	RateKPerHour float64 `toml:"kelvin_per_hour"`
	// CompressionUM overrides the instrument's where it is not zero.
	CompressionUM float64 `toml:"compression_um"`
}

// Diameter20 returns the true size in millimetres at 20 °C at a height (mm above
// the datum face) and in a direction (degrees from the mark).
func (r Ring) Diameter20(heightMM, directionDeg float64) float64 {
	um := r.DeviationUM + r.TaperUMPerMM*(heightMM-r.LengthMM/2) +
		r.OvalityUM/2*math.Cos(2*(directionDeg-r.OvalityDeg)*math.Pi/180)
	return r.NominalMM + um*1e-3
}

// Task is one entry to be made: a ring at a position.
type Task struct {
	Ring         string  `toml:"ring"`
	HeightMM     float64 `toml:"height_mm"`
	DirectionDeg float64 `toml:"direction_deg"`
	// Repeat is how many entries are made, one after the other; zero means one.
	Repeat int `toml:"repeat"`
	// FirstMode and SecondMode are modes of Play that take the place of the hand's
	// own on the first and the second adjustment in this entry: a slip of the hand
	// at a known place. Empty means as always.
	FirstMode  string `toml:"first_mode"`
	SecondMode string `toml:"second_mode"`
	// Label is handed on to the truth.
	Label string `toml:"label"`
}

// Hand is how the person works.
type Hand struct {
	// Phases is the order in which the adjustments are played, by name, for
	// example ["tilt", "cross"] or ["tilt", "cross", "tilt"].
	Phases []string `toml:"phases"`
	// First is the play on the first adjustment of the shape (tilt, or height),
	// Second on the other one (cross, or swivel), TouchUp on any phase that repeats
	// an adjustment.
	First   Play `toml:"first"`
	Second  Play `toml:"second"`
	TouchUp Play `toml:"touch_up"`
	// SweepS is the time of a full sweep, PauseS that of a rest at a turn.
	SweepS Range `toml:"sweep_s"`
	PauseS Range `toml:"pause_s"`
	// RestS is the time with hands off after a phase; FinalRestS after the last one.
	RestS      Range `toml:"rest_s"`
	FinalRestS Range `toml:"final_rest_s"`
	// BetweenS is the time between two entries (lifting out, turning the ring),
	// ChangeS the additional time of a change of ring.
	BetweenS Range `toml:"between_s"`
	ChangeS  Range `toml:"change_s"`
	// Unevenness is the spread of the speed within a sweep (standard deviation of
	// its logarithm), 0 to 1. Care is how much slower the hand turns near the
	// extremum, 0 (not at all) to 0.9.
	Unevenness float64 `toml:"unevenness"`
	Care       float64 `toml:"care"`
	// ReachMrad and ReachMM are how far an adjustment goes at most.
	ReachMrad float64 `toml:"reach_mrad"`
	ReachMM   float64 `toml:"reach_mm"`
	// ApproachMMPerS is the speed of the carriage, ClearanceMM how far it stands
	// off without contact.
	ApproachMMPerS Range `toml:"approach_mm_per_s"`
	ClearanceMM    Range `toml:"clearance_mm"`
	// AccidentalTouches before the entry: short contacts of 0.1–0.6 s.
	AccidentalTouches Count `toml:"accidental_touches"`
	// LossProbability is the probability that contact is lost in mid-play, for
	// LossS seconds; RestartProbability that the hand then starts all over.
	LossProbability    float64 `toml:"loss_probability"`
	LossS              Range   `toml:"loss_s"`
	RestartProbability float64 `toml:"restart_probability"`
}

// Play is how one adjustment is played in one phase.
type Play struct {
	// Mode is one of:
	//   passes    through the extremum and back, converging
	//   once      through it once, not revisited
	//   park      through it once, then back and parked on it
	//   never     towards it and back, never through it
	//   end_stop  like never, turned back by a hard stop at one place
	//   far_stop  like passes, but a hard stop on the far side turns every pass
	//   digits    like never, turned back at remembered digits
	//   none      not touched
	Mode string `toml:"mode"`
	// StartMrad (angles) or StartMM (slides) is how far off it starts. A start that
	// raises the reading by less than StartRiseUM[0] or more than StartRiseUM[1] is
	// moved to that limit.
	StartMrad   Range `toml:"start_mrad"`
	StartMM     Range `toml:"start_mm"`
	StartRiseUM Range `toml:"start_rise_um"`
	// Passes is the number of deliberate passes (mode passes and far_stop), or of
	// turn-backs (never, end_stop, digits).
	Passes Count `toml:"passes"`
	// DepthUM is how far the reading is let away from the extremum before the hand
	// turns on the last pass; earlier passes go further.
	DepthUM Range `toml:"depth_um"`
	// Reversals is the number of false reversals on one side of the extremum;
	// they turn while the reading is still ReversalUM from it.
	Reversals  Count `toml:"reversals"`
	ReversalUM Range `toml:"reversal_um"`
	// ParkUM is what is left, in the reading, where the hand finally stops; modes
	// never, end_stop and digits turn back at this distance.
	ParkUM Range `toml:"park_um"`
}

// Mechanics are the imperfections of adjustments and carriage. Angles and slides
// have their own values because their units differ.
type Mechanics struct {
	// BacklashMrad and BacklashUM are the full lost motion after a reversal.
	BacklashMrad Range `toml:"backlash_mrad"`
	BacklashUM   Range `toml:"backlash_um"`
	// StickMrad and StickUM are the largest jumps of stick-slip.
	StickMrad Range `toml:"stick_mrad"`
	StickUM   Range `toml:"stick_um"`
	// HysteresisUM is the half-width of the carriage's hysteresis.
	HysteresisUM Range `toml:"hysteresis_um"`
	// FlexureUM is the touch flexure while a knob is turned; its sign follows the
	// knob. It comes on within FlexureOnS and relaxes within FlexureOffS (time
	// constants, seconds).
	FlexureUM   Range `toml:"flexure_um"`
	FlexureOnS  Range `toml:"flexure_on_s"`
	FlexureOffS Range `toml:"flexure_off_s"`
	// SettleUM is the amplitude of the settling after a touch, SettleS its time
	// constant.
	SettleUM Range `toml:"settle_um"`
	SettleS  Range `toml:"settle_s"`
}

// Disturb are the disturbances of the reading.
type Disturb struct {
	NoiseUM  Range `toml:"noise_um"`
	WanderUM Range `toml:"wander_um"`
	WanderS  Range `toml:"wander_s"`
	// DriftUMPerMin is the steady drift; either direction is equally likely.
	DriftUMPerMin Range `toml:"drift_um_per_min"`
	// BurstsPerEntry is the number of vibration bursts.
	BurstsPerEntry Count `toml:"bursts_per_entry"`
	BurstUM        Range `toml:"burst_um"`
	BurstHz        Range `toml:"burst_hz"`
	BurstDecayS    Range `toml:"burst_decay_s"`
	// StrayShare is the share of readings at which a run of 1–3 stray readings
	// begins, StrayUM their distance (drawn on a log scale).
	StrayShare Range `toml:"stray_share"`
	StrayUM    Range `toml:"stray_um"`
	// StalePerMin runs of repeated readings, each StaleS long.
	StalePerMin Range `toml:"stale_per_min"`
	StaleS      Range `toml:"stale_s"`
	// DropsPerMin runs of missing readings, each DropRun long.
	DropsPerMin Range `toml:"drops_per_min"`
	DropRun     Count `toml:"drop_run"`
	// DustProbability is the probability that an entry has a speck of dust under a
	// contact, changing the length by DustUM (drawn on a log scale; shorter for an
	// inside part, longer for an outside part). DustMoves is the probability that
	// the speck leaves in mid-play.
	DustProbability float64 `toml:"dust_probability"`
	DustUM          Range   `toml:"dust_um"`
	DustMoves       float64 `toml:"dust_moves"`
	// PresetProbability is the probability of a preset pressed on the readout
	// during a rest of the entry: one step of PresetMM, either way.
	PresetProbability float64 `toml:"preset_probability"`
	PresetMM          Range   `toml:"preset_mm"`
	// ClockJumpsPerEntry is the number of jumps of the clock that stamps the
	// readings, in mid-play, each by ClockJumpS either way (drawn on a log scale).
	// The truth keeps the times of the clock that did not jump.
	ClockJumpsPerEntry Count `toml:"clock_jumps_per_entry"`
	ClockJumpS         Range `toml:"clock_jump_s"`
}

// DefaultScenario returns a quiet bench with one 40 mm ring and a capable hand.
func DefaultScenario() Scenario {
	play := Play{
		Mode: "passes", StartMrad: Range{3, 15}, StartMM: Range{0.08, 0.4}, StartRiseUM: Range{1, 20},
		Passes: Count{2, 4}, DepthUM: Range{0.8, 2}, Reversals: Count{0, 0}, ReversalUM: Range{0.4, 3},
		ParkUM: Range{0, 0.15},
	}
	touchUp := play
	touchUp.Passes = Count{2, 3}
	touchUp.StartRiseUM = Range{0, 20}
	return Scenario{
		Name:    "default",
		Readout: Readout{RateHz: 100, Unit: "mm", Decimals: 4, Increment: 1, SecondIncrement: 10, JitterShare: 0.02},
		Frame:   DefaultFrameForm(),
		Instrument: Instrument{
			Sign: 1, CompressionUM: 1.08,
		},
		Thermal: Thermal{ScaleCelsius: 20, ScaleExpansion: 8, SoakS: 600},
		Rings: []Ring{{
			Ident: "ring", Role: "work", Shape: Bore, NominalMM: 40, LengthMM: 20, Expansion: 11.5, Celsius: 20,
		}},
		Tasks: []Task{{Ring: "ring", HeightMM: 10}},
		Hand: Hand{
			Phases: []string{Tilt, Cross}, First: play, Second: play, TouchUp: touchUp,
			SweepS: Range{1.5, 5}, PauseS: Range{0.3, 1.2}, RestS: Range{1, 2.5}, FinalRestS: Range{1.2, 3},
			BetweenS: Range{4, 8}, ChangeS: Range{8, 15}, Unevenness: 0.35, Care: 0.6,
			ReachMrad: 30, ReachMM: 0.8,
			ApproachMMPerS: Range{1, 4}, ClearanceMM: Range{3, 8},
			LossS: Range{0.4, 3}, RestartProbability: 0.5,
		},
		Mechanics: Mechanics{
			BacklashMrad: Range{0, 0.2}, BacklashUM: Range{0, 4}, HysteresisUM: Range{0, 0.01},
			FlexureUM: Range{0, 0.03}, FlexureOnS: Range{0.1, 0.3}, FlexureOffS: Range{0.2, 0.6},
			SettleUM: Range{0.5, 10}, SettleS: Range{0.15, 0.5},
		},
		Disturb: Disturb{
			NoiseUM: Range{0.03, 0.05}, WanderUM: Range{0.01, 0.03}, WanderS: Range{10, 40},
			BurstUM: Range{0.2, 1}, BurstHz: Range{12, 45}, BurstDecayS: Range{0.2, 1},
			StrayUM: Range{0.5, 500}, StaleS: Range{0.05, 0.5}, DropRun: Count{1, 10},
			DustUM: Range{0.4, 3}, PresetMM: Range{0.5, 40}, ClockJumpS: Range{0.1, 100},
		},
	}
}

// Step returns the exact length of one count.
func (r Readout) Step() (acquire.Step, error) {
	return acquire.StepOfDecimals(r.Decimals, r.Unit == "inch")
}

// Ring returns the ring with the given ident.
func (s *Scenario) Ring(ident string) (Ring, error) {
	for _, r := range s.Rings {
		if r.Ident == ident {
			return r, nil
		}
	}
	return Ring{}, fmt.Errorf("no ring %q in scenario %q (it has %s)", ident, s.Name, strings.Join(s.idents(), ", "))
}

func (s *Scenario) idents() []string {
	out := make([]string, len(s.Rings))
	for i, r := range s.Rings {
		out[i] = r.Ident
	}
	return out
}

// ballMM returns the contact radius to use.
func (s *Scenario) ballMM() float64 {
	if s.Instrument.BallMM > 0 {
		return s.Instrument.BallMM
	}
	ball := 1.5
	for _, r := range s.Rings {
		ball = math.Min(ball, r.NominalMM/8)
	}
	return ball
}
