package api

import (
	"fmt"
	"math"
	"math/big"
	"time"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// liveFrame is the data of a live event.
type liveFrame struct {
	Station   string `json:"station"`
	Stream    string `json:"stream" doc:"Id of the stream; it changes when the port is reopened or the readout changes unit or decimals."`
	Connected bool   `json:"connected"`
	Problem   string `json:"problem" doc:"One sentence for the person; empty if all is well."`
	// Age is how old the newest reading is.
	Age          float64        `json:"age_s" doc:"Age of the newest reading, seconds (up to half a second late)."`
	Reading      *liveReading   `json:"reading,omitempty"`
	Contact      string         `json:"contact" enum:"unknown,open,settling,settled"`
	ContactText  string         `json:"contact_text"`
	ContactSeq   uint64         `json:"contact_seq" doc:"Tape entry at which the contact in progress began; 0 if there is none."`
	Seeking      string         `json:"seeking" doc:"Adjustment to be played now; empty if none."`
	Missing      string         `json:"missing" doc:"What the detector still lacks, for the person."`
	Complete     bool           `json:"complete" doc:"All that the task asks for is caught; provisional."`
	Now          prompt         `json:"now"`
	Columns      []liveColumn   `json:"columns" nullable:"false" doc:"Envelope of the readings since the frame before."`
	Points       []livePoint    `json:"points" nullable:"false"`
	TurnBacks    []liveTurnBack `json:"turn_backs" nullable:"false" doc:"Reversals of the entry in progress that look like the turning point sought and are taken for the hand's; provisional, the newest 16."`
	Nearness     *liveNearness  `json:"nearness" doc:"How far the reading is from the turning point sought; null if nothing is being played."`
	Residual     *float64       `json:"residual_mm" doc:"What was left of the adjustment that was played first, in the reading; null if not known."`
	ResidualText string         `json:"residual_text" doc:"The same in words; empty if not known."`
	Move         string         `json:"move" enum:",settle,go_past,come_back,once_more,rest,next,withdraw,again" doc:"What the hand should do now: let the carriage settle; turn on past the turning point; come back over it; pass it once more; take the hand off; go on to the other adjustment; withdraw; play the entry again. now.title says it in words."`
	SetID        string         `json:"set_id" doc:"The set on the station, empty if none."`
	SetSeq       int64          `json:"set_seq" doc:"Journal number of the newest event of the set."`
}

type liveReading struct {
	Valid        bool    `json:"valid" doc:"False if the readout declared its position not valid."`
	MM           float64 `json:"mm"`
	Text         string  `json:"text" doc:"The reading with exactly the decimals of the readout, in unit."`
	Unit         string  `json:"unit" enum:"mm,in"`
	DiameterText string  `json:"diameter_text" doc:"Diameter in millimetres by the opening reference, without corrections; empty before."`
}

// liveColumn is the envelope of the readings of one frame interval.
type liveColumn struct {
	T      float64 `json:"t_s" doc:"Station clock since the stream was opened, seconds."`
	Seq    uint64  `json:"seq"`
	Min    float64 `json:"min_mm"`
	Max    float64 `json:"max_mm"`
	Last   float64 `json:"last_mm"`
	Broken bool    `json:"broken" doc:"Readings are missing before this column."`
}

type livePoint struct {
	Adjustment string  `json:"adjustment"`
	Sense      string  `json:"sense" enum:"min,max"`
	T          float64 `json:"t_s" doc:"Station clock to which the value is referred, since the stream was opened, seconds."`
	Value      float64 `json:"value_mm"`
	U          float64 `json:"u_mm"`
	Crossings  int     `json:"crossings"`
}

// liveTrace is the data of a trace event: everything to be drawn, in one piece.
type liveTrace struct {
	Station      string       `json:"station"`
	Stream       string       `json:"stream"`
	ResolutionMM float64      `json:"resolution_mm"`
	Columns      []liveColumn `json:"columns" nullable:"false"`
}

type wireCue struct {
	Station    string `json:"station"`
	Kind       string `json:"kind" enum:"contact,caught,refined,revoked,complete,captured,again,withdrawn" doc:"again: the entry just captured gave no diameter and is asked for once more."`
	Adjustment string `json:"adjustment"`
	Text       string `json:"text" doc:"A short sentence for the person."`
}

type wireEvent struct {
	Seq       int64     `json:"seq"`
	At        time.Time `json:"at"`
	Kind      string    `json:"kind"`
	Station   string    `json:"station"`
	SetID     string    `json:"set_id"`
	CaptureID string    `json:"capture_id"`
	RingID    string    `json:"ring_id"`
	Step      int       `json:"step" doc:"Index of a step of the plan, -1 if none."`
	By        string    `json:"by"`
	Reason    string    `json:"reason"`
}

type wireHello struct {
	Version string    `json:"version"`
	LastSeq int64     `json:"last_seq" doc:"Newest journal number."`
	Reset   bool      `json:"reset" doc:"The number asked for lies beyond the journal (another database): forget what you know and read again."`
	Now     time.Time `json:"now"`
	Zone    string    `json:"zone" doc:"Time zone of the bench: a name of the IANA data base, or an offset such as +05:30."`
}

type wireHeartbeat struct {
	Now time.Time `json:"now"`
}

func wireCueOf(c Cue) wireCue {
	return wireCue{Station: c.Station, Kind: string(c.Kind), Adjustment: string(c.Adjustment), Text: cueText(c)}
}

func wireEventOf(e JournalEvent) wireEvent {
	return wireEvent{
		Seq: e.Seq, At: wallTime(e.WallNS), Kind: e.Kind, Station: e.Station, SetID: e.SetID,
		CaptureID: e.CaptureID, RingID: e.RingID, Step: e.Step, By: e.By, Reason: e.Reason,
	}
}

func wallTime(ns int64) time.Time { return time.Unix(0, ns).UTC() }

// datumOf returns the datum of a set's opening reference, nil before there is one.
func datumOf(set *Set) *datum {
	if set == nil {
		return nil
	}
	d, ok := set.State.Datum()
	if !ok {
		return nil
	}
	return &datum{d}
}

// datum is a calibrate.Datum that writes diameters.
type datum struct{ calibrate.Datum }

// text is the diameter of a reading with the decimals that the step has in
// millimetres.
func (d *datum) text(step acquire.Step, counts int64) string {
	digits := 5
	if f, ok := exactMM(step); ok {
		digits = f.digits
	}
	pm := new(big.Rat).SetFrac(
		new(big.Int).Mul(big.NewInt(counts), big.NewInt(step.Num)), big.NewInt(step.Den))
	pm.Sub(pm, new(big.Rat).SetInt64(int64(d.Reading)))
	if d.Sign < 0 {
		pm.Neg(pm)
	}
	pm.Add(pm, new(big.Rat).SetInt64(int64(d.Diameter)))
	return pm.Quo(pm, new(big.Rat).SetInt64(acquire.PicometresPerMM)).FloatString(digits)
}

// trimMM writes a length in millimetres without needless zeros.
func trimMM(l calibrate.Length) string { return fmt.Sprintf("%g mm", l.MM()) }

// degrees writes thousandths of a degree.
func degrees(mdeg int64) string { return fmt.Sprintf("%g°", float64(mdeg)/1000) }

// adjustmentWords names what the hand turns.
func adjustmentWords(a detect.Adjustment) string {
	switch a {
	case detect.Cross:
		return "cross slide"
	case "":
		return ""
	}
	return string(a)
}

// roundMM rounds to a nanometre's thousandth, for numbers people may look at.
func roundMM(mm float64) float64 { return math.Round(mm*1e9) / 1e9 }

// finite reports whether v may be written as JSON.
func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
