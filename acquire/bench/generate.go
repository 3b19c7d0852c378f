package bench

import "ringsaddle/acquire"

// Generate makes all tasks of the scenario, each as often as it says, and
// returns the readings with their truth.
func Generate(sc Scenario, seed uint64) (Trace, error) {
	s, err := NewSession(sc, seed)
	if err != nil {
		return Trace{}, err
	}
	var readings []acquire.Reading
	for _, task := range sc.Tasks {
		for range max(1, task.Repeat) {
			if readings, _, err = s.Run(task, readings); err != nil {
				return Trace{}, err
			}
		}
	}
	readings = s.Idle(1, readings)
	return s.Trace(readings), nil
}

// Trace packs readings with the truth of the entries made so far.
func (s *Session) Trace(readings []acquire.Reading) Trace {
	return Trace{
		Scenario: s.sc.Name, Class: s.sc.Class, Seed: s.seed, RateHz: s.sc.Readout.RateHz,
		Step: s.step, ResolutionPM: s.step.Num * s.incr / s.step.Den, HasY: s.sc.Readout.SecondAxis,
		Adjustments: s.names, SeekMaximum: s.maximum, NoiseUM: s.noiseUM, WanderUM: s.wanderUM,
		Readings: readings, Entries: s.entries,
	}
}
