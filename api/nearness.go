package api

import (
	"fmt"
	"math"

	"ringsaddle/acquire"
	"ringsaddle/detect"
)

// farUM is the distance from the turning point at which the tone is at its
// lowest, µm.
const farUM = 50.0

// liveNearness is how far the reading is from the turning point sought.
type liveNearness struct {
	Adjustment string  `json:"adjustment"`
	Sense      string  `json:"sense" enum:"min,max"`
	Best       float64 `json:"best_mm" doc:"The turning point, or the reading nearest to it so far."`
	Away       float64 `json:"away_mm" doc:"How far the newest reading is from it; not negative."`
	Closeness  float64 `json:"closeness" doc:"For a tone: 1 within what can be seen, 0 from 50 µm on, by the logarithm of the distance."`
	Passed     bool    `json:"passed" doc:"The turning point has been passed at least once, for certain. Before, every reading on the way there is the nearest so far."`
	Side       string  `json:"side" enum:",before,past" doc:"Where the slide stands, seen from where it stood at the beginning, if the readout sends its position and the turning point has been passed; else empty."`
	SideText   string  `json:"side_text" doc:"The same in words; empty if not known."`
}

// liveTurnBack is a reversal that the hand is believed to have made.
type liveTurnBack struct {
	T     float64 `json:"t_s" doc:"Station clock since the stream was opened, seconds."`
	Value float64 `json:"value_mm"`
	Sense string  `json:"sense" enum:"min,max"`
}

// closeness is 1 within three times what can be seen and falls with the
// logarithm of the distance to 0 at farUM. Lengths in µm, not negative.
func closeness(away, visible float64) float64 {
	near := math.Min(math.Max(3*visible, 0.02), farUM/2)
	return math.Min(1, math.Max(0, math.Log(farUM/math.Max(away, near))/math.Log(farUM/near)))
}

// nearnessOf returns nil where nothing is sought or nothing has been seen.
func nearnessOf(step acquire.Step, sweep Sweep) *liveNearness {
	d := &sweep.State
	if d.Stage != detect.StageContact {
		return nil
	}
	k := soughtOf(d)
	s := &d.Seek[k]
	if !s.Seen {
		return nil
	}
	mm := step.MM()
	n := &liveNearness{
		Adjustment: string(sweep.Seeks[k].Adjustment), Sense: sweep.Seeks[k].Sense.String(),
		Best: roundMM(step.PositionMM(d.Origin) + s.Extreme*mm), Away: roundMM(s.Away * mm),
		Closeness: closeness(s.Away*mm*1e3, d.Visible*mm*1e3), Passed: s.Passes > 0 || s.Caught, Side: string(s.Side),
	}
	extremum := extremumWords(sweep.Seeks[k].Sense)
	name := upper(adjustmentWords(sweep.Seeks[k].Adjustment))
	switch s.Side {
	case detect.SideBefore:
		n.SideText = fmt.Sprintf("%s on the side it came from, before the %s reading", name, extremum)
	case detect.SidePast:
		n.SideText = fmt.Sprintf("%s past the %s reading", name, extremum)
	}
	return n
}

// soughtOf is the seek to be played now; the first while none is known.
func soughtOf(d *detect.State) int {
	if d.Sought == 1 {
		return 1
	}
	return 0
}

// residualOf returns what was left of the adjustment that was played before the
// one sought, mm, and says it.
func residualOf(step acquire.Step, sweep Sweep) (*float64, string) {
	d := &sweep.State
	if d.Stage != detect.StageContact || d.Sought < 0 {
		return nil, ""
	}
	k := 1 - soughtOf(d)
	if d.Complete { // the one played last is left as well
		k = soughtOf(d)
		if !d.Parked[k] {
			k = 1 - k
		}
	}
	if !d.Parked[k] || !d.Seek[k].Caught || !finite(d.Residual[k]) {
		return nil, ""
	}
	mm := roundMM(d.Residual[k] * step.MM())
	return &mm, fmt.Sprintf("%s left %.2f µm from its turning point; this is taken out", upper(adjustmentWords(sweep.Seeks[k].Adjustment)), mm*1e3)
}

func extremumWords(s detect.Sense) string {
	if s == detect.Minimum {
		return "smallest"
	}
	return "largest"
}
