package api

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"ringsaddle/calibrate"
)

// HistoryReader tells what was found earlier. Both lists hold the newest revision of
// each set's result, in the order in which the sets were started, newest first.
type HistoryReader interface {
	// RingHistory returns the diameters found on a work ring, at most limit of them.
	RingHistory(ctx context.Context, ringID string, limit int) ([]RingCalibration, error)
	// ClosingHistory returns the closing differences on a master at a station, of
	// sets started at or after since (zero: all), at most limit of them.
	ClosingHistory(ctx context.Context, station, masterID string, since time.Time, limit int) ([]Closing, error)
}

// RingCalibration is a diameter at one position of a ring, at 20 °C, in millimetres.
type RingCalibration struct {
	SetID               string
	Revision            int
	Station, Technician string
	// Started is when the set was started.
	Started time.Time
	// Status is "accepted", "provisional" or "not_accepted".
	Status                      string
	Position                    Position
	DiameterMM, UMM, ExpandedMM float64
	Decision                    string
}

// Closing is a closing difference: closing minus opening, both at 20 °C.
type Closing struct {
	SetID             string
	Technician        string
	Started           time.Time
	Difference, Limit calibrate.Length
	// Attempts is the number of closing references taken, at least 1.
	Attempts int
	Within   bool
}

// wireRingHistory is what was found on a ring.
type wireRingHistory struct {
	Ring         wireRing          `json:"ring"`
	Calibrations []wireCalibration `json:"calibrations" nullable:"false" doc:"Newest first; of every set the newest revision of its result."`
	Caution      string            `json:"caution"`
}

type wireCalibration struct {
	SetID        string      `json:"set_id"`
	Revision     int         `json:"revision"`
	Station      string      `json:"station"`
	Technician   string      `json:"technician"`
	Started      time.Time   `json:"started" doc:"When the set was started."`
	Status       string      `json:"status" enum:"accepted,provisional,not_accepted"`
	HeightMM     float64     `json:"height_mm"`
	DirectionDeg float64     `json:"direction_deg"`
	DiameterMM   float64     `json:"diameter_20c_mm"`
	UMM          float64     `json:"u_mm"`
	ExpandedMM   float64     `json:"expanded_uncertainty_mm"`
	DeviationMM  float64     `json:"deviation_mm" doc:"Diameter minus the nominal diameter of the register."`
	Decision     string      `json:"decision"`
	Change       *wireChange `json:"change,omitempty" doc:"Against the set before at the same height and direction; absent if there is none."`
}

type wireChange struct {
	SetID      string    `json:"set_id" doc:"The set before."`
	Started    time.Time `json:"started"`
	ChangeMM   float64   `json:"change_mm"`
	ExpandedMM float64   `json:"expanded_uncertainty_mm" doc:"Root of the sum of the squares of both expanded uncertainties. What both have in common (master, scale) is counted twice: it is rather too large."`
	Within     bool      `json:"within" doc:"The change is not larger than that."`
}

// historyCaution goes with the comparison of calibrations.
const historyCaution = "Diameters of one ring compare only where height and direction were declared alike. " +
	"The uncertainty of a change counts what both calibrations share (master, scale) twice: it is rather too large."

func wireRingHistoryOf(ring wireRing, list []RingCalibration) wireRingHistory {
	w := wireRingHistory{Ring: ring, Calibrations: []wireCalibration{}, Caution: historyCaution}
	for i, c := range list {
		out := wireCalibration{
			SetID: c.SetID, Revision: c.Revision, Station: c.Station, Technician: c.Technician, Started: c.Started.UTC(), Status: c.Status,
			HeightMM: c.Position.Height.MM(), DirectionDeg: float64(c.Position.Direction) / 1000,
			DiameterMM: c.DiameterMM, UMM: c.UMM, ExpandedMM: c.ExpandedMM, DeviationMM: c.DiameterMM - ring.NominalMM, Decision: c.Decision,
		}
		for _, before := range list[i+1:] {
			if before.SetID == c.SetID || before.Position != c.Position {
				continue
			}
			ch := wireChange{
				SetID: before.SetID, Started: before.Started.UTC(),
				ChangeMM: c.DiameterMM - before.DiameterMM, ExpandedMM: math.Hypot(c.ExpandedMM, before.ExpandedMM),
			}
			ch.Within = math.Abs(ch.ChangeMM) <= ch.ExpandedMM
			out.Change = &ch
			break
		}
		w.Calibrations = append(w.Calibrations, out)
	}
	return w
}

// wireClosingHistory is how a master repeats on a bench.
type wireClosingHistory struct {
	Station  string             `json:"station"`
	Master   wireRing           `json:"master"`
	Closings []wireClosing      `json:"closings" nullable:"false" doc:"Oldest first; of every set the last attempt."`
	Limits   *wireControlLimits `json:"limits,omitempty" doc:"Absent while there are too few closings, or none scatter."`
	WhyNot   string             `json:"why_not" doc:"Why there are no control limits; empty if there are."`
	Signals  []string           `json:"signals" nullable:"false" doc:"What the newest closing says, in sentences; none if all is as before."`
	Caution  string             `json:"caution"`
}

type wireControlLimits struct {
	Baseline   int     `json:"baseline" doc:"How many closings, from the first, the limits are taken from."`
	LowerMM    float64 `json:"lower_mm" doc:"Centre minus three standard deviations."`
	CentreMM   float64 `json:"centre_mm" doc:"Mean of the baseline."`
	UpperMM    float64 `json:"upper_mm"`
	SMM        float64 `json:"s_mm" doc:"Standard deviation of one closing, from the mean moving range of the baseline."`
	DecisionMM float64 `json:"cusum_decision_mm" doc:"A cumulative sum above this is a signal."`
}

type wireClosing struct {
	SetID        string    `json:"set_id"`
	Technician   string    `json:"technician"`
	Started      time.Time `json:"started" doc:"When the set was started."`
	DifferenceMM float64   `json:"difference_mm"`
	LimitMM      float64   `json:"limit_mm" doc:"What the set permitted."`
	Within       bool      `json:"within" doc:"Within that limit."`
	Attempts     int       `json:"attempts"`
	EWMAMM       *float64  `json:"ewma_mm,omitempty" doc:"Exponentially weighted moving average."`
	EWMALowerMM  *float64  `json:"ewma_lower_mm,omitempty"`
	EWMAUpperMM  *float64  `json:"ewma_upper_mm,omitempty"`
	CUSUMHighMM  *float64  `json:"cusum_high_mm,omitempty" doc:"Cumulative sum upwards."`
	CUSUMLowMM   *float64  `json:"cusum_low_mm,omitempty" doc:"Cumulative sum downwards, as a size."`
	Signals      []string  `json:"signals" nullable:"false" doc:"beyond_limits, ewma, cusum."`
}

// The charts that can give a signal.
const (
	signalBeyond = "beyond_limits"
	signalEWMA   = "ewma"
	signalCUSUM  = "cusum"
)

// closingCaution goes with the control limits. The share is from the simulation of
// TestFalseSignalsOfClosings in package calibrate: normal differences, 52 % of series.
const closingCaution = "A signal is a reason to look at temperature, cleanliness, measuring force and seat, not a verdict: " +
	"on a bench where nothing changes, about every second series of a hundred sets shows one by chance. " +
	"Control limits say what is usual here; they do not replace the closing limit of the set."

// wireClosingHistoryOf takes closings newest first.
func wireClosingHistoryOf(station string, master wireRing, list []Closing) wireClosingHistory {
	w := wireClosingHistory{Station: station, Master: master, Closings: []wireClosing{}, Signals: []string{}, Caution: closingCaution}
	var x []float64
	for _, c := range slices.Backward(list) {
		x = append(x, c.Difference.MM())
		w.Closings = append(w.Closings, wireClosing{
			SetID: c.SetID, Technician: c.Technician, Started: c.Started.UTC(), DifferenceMM: c.Difference.MM(), LimitMM: c.Limit.MM(),
			Within: c.Within, Attempts: c.Attempts, Signals: []string{},
		})
	}
	chart, err := calibrate.ChartClosings(x)
	if err != nil {
		w.WhyNot = upper(err.Error()) + "."
		return w
	}
	w.Limits = &wireControlLimits{
		Baseline: chart.Baseline, LowerMM: chart.Limits.Lower, CentreMM: chart.Limits.Centre, UpperMM: chart.Limits.Upper,
		SMM: chart.SD, DecisionMM: chart.Decision,
	}
	for i := range w.Closings {
		c, e, s := &w.Closings[i], chart.EWMA[i], chart.CUSUM[i]
		c.EWMAMM, c.EWMALowerMM, c.EWMAUpperMM, c.CUSUMHighMM, c.CUSUMLowMM = &e.Value, &e.Lower, &e.Upper, &s.High, &s.Low
		if chart.Beyond[i] {
			c.Signals = append(c.Signals, signalBeyond)
		}
		if e.Signal {
			c.Signals = append(c.Signals, signalEWMA)
		}
		if s.Signal {
			c.Signals = append(c.Signals, signalCUSUM)
		}
	}
	w.Signals = signalSentences(chart, x)
	return w
}

// signalSentences says what the newest closing means.
func signalSentences(c calibrate.ClosingChart, x []float64) []string {
	out := []string{}
	i := len(x) - 1
	if c.Beyond[i] {
		side, limit := "above the upper", c.Limits.Upper
		if x[i] < c.Limits.Lower {
			side, limit = "below the lower", c.Limits.Lower
		}
		out = append(out, fmt.Sprintf("The newest closing difference, %s, lies %s control limit of %s.", signedUM(x[i]), side, signedUM(limit)))
	}
	if e := c.EWMA[i]; e.Signal {
		out = append(out, fmt.Sprintf("The closing differences have moved %s: their moving average (EWMA) is %s and has left its limits.", direction(e.Value > e.Upper), signedUM(e.Value)))
	}
	if s := c.CUSUM[i]; s.Signal {
		out = append(out, fmt.Sprintf("Small differences %s have added up: the cumulative sum (CUSUM) is beyond its limit.", direction(s.High > c.Decision)))
	}
	return out
}

func direction(up bool) string {
	if up {
		return "upwards"
	}
	return "downwards"
}

// signedUM writes millimetres as micrometres with two decimals, as the page does.
func signedUM(mm float64) string {
	text := fmt.Sprintf("%+.2f µm", mm*1000)
	return strings.Replace(text, "-", "\u2212", 1)
}

type ringHistoryInput struct {
	Ring  string `path:"ring" maxLength:"64" doc:"Id of the ring."`
	Limit int    `query:"limit" minimum:"1" maximum:"1000" default:"200" doc:"At most so many positions."`
}

type closingHistoryInput struct {
	Station string    `path:"station" maxLength:"64" doc:"Name of the station."`
	Master  string    `query:"master" required:"true" maxLength:"64" doc:"Id of the master ring."`
	Since   time.Time `query:"since" doc:"Only sets started at or after this time, RFC 3339: after the bench was set up anew, for instance."`
	Limit   int       `query:"limit" minimum:"1" maximum:"1000" default:"1000" doc:"At most so many, the newest; the baseline is the first of these."`
}

func (s *Server) historyRoutes(api huma.API) {
	get(api, operation("get-ring-history", http.MethodGet, "/rings/{ring}/history", "register",
		"The diameters found on a ring, set after set", 404, 422),
		func(ctx context.Context, in *ringHistoryInput) (wireRingHistory, error) {
			ring, err := s.deps.Rings.Ring(ctx, in.Ring)
			if err != nil {
				return wireRingHistory{}, s.fail(ctx, quoted("ring", in.Ring), err)
			}
			list, err := s.deps.History.RingHistory(ctx, in.Ring, in.Limit)
			if err != nil {
				return wireRingHistory{}, s.fail(ctx, "the history of the ring", err)
			}
			return wireRingHistoryOf(s.wireRingAt(ring), list), nil
		})
	op := operation("get-closing-history", http.MethodGet, "/stations/{station}/closings", "stations",
		"The closing differences on a master, with control limits", 404, 422)
	op.Description = "Single values with limits from the mean moving range, their exponentially weighted moving average and their cumulative sum. " +
		"Below ten closings there are no limits, and why_not says so."
	get(api, op, func(ctx context.Context, in *closingHistoryInput) (wireClosingHistory, error) {
		master, err := s.deps.Rings.Ring(ctx, in.Master)
		if err == nil && master.Kind != calibrate.Master {
			return wireClosingHistory{}, huma.NewError(http.StatusUnprocessableEntity, "validation failed", &huma.ErrorDetail{
				Message: "expected the id of a master ring", Location: "query.master", Value: in.Master,
			})
		}
		if err != nil {
			return wireClosingHistory{}, s.fail(ctx, quoted("ring", in.Master), err)
		}
		list, err := s.deps.History.ClosingHistory(ctx, in.Station, in.Master, in.Since, in.Limit)
		if err != nil {
			return wireClosingHistory{}, s.fail(ctx, "the history of the master", err)
		}
		if len(list) == 0 {
			// A bench of former days has no configuration but may have a history.
			if _, err := s.deps.Stations.Station(ctx, in.Station); errors.Is(err, fs.ErrNotExist) {
				return wireClosingHistory{}, s.fail(ctx, quoted("station", in.Station), err)
			}
		}
		return wireClosingHistoryOf(in.Station, s.wireRingAt(master), list), nil
	})
}
