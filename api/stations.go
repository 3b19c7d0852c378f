package api

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"ringsaddle/acquire"
)

// wireStation is a bench.
type wireStation struct {
	Name        string            `json:"name"`
	Title       string            `json:"title"`
	Connected   bool              `json:"connected"`
	Problem     string            `json:"problem" doc:"One sentence on what is wrong and how to mend it; empty if all is well."`
	Simulated   bool              `json:"simulated"`
	Speed       float64           `json:"speed" doc:"How much faster than a wall clock the station's clock runs; 1 on a real bench."`
	Stream      *wireStream       `json:"stream,omitempty" doc:"Absent before the first reading."`
	Reading     *wireReading      `json:"reading,omitempty" doc:"The newest position; absent if none was received."`
	Readings    uint64            `json:"readings" doc:"Positions received since the daemon started."`
	FrameErrors map[string]uint64 `json:"frame_errors" doc:"Frames rejected, by reason."`
	Lost        map[string]uint64 `json:"lost" doc:"Readings that a consumer missed, by consumer."`
	Reconnects  uint64            `json:"reconnects"`
	SetID       string            `json:"set_id" doc:"The set that takes events on this station; empty if none."`
}

type wireStream struct {
	ID           string    `json:"id"`
	Opened       time.Time `json:"opened"`
	Reason       string    `json:"reason"`
	StepMM       float64   `json:"step_mm" doc:"Length of one count."`
	ResolutionMM float64   `json:"resolution_mm" doc:"Smallest change the readout can show."`
	Unit         string    `json:"unit" enum:"mm,in" doc:"Unit in which the readout shows."`
	Decimals     int       `json:"decimals" doc:"Decimals of that unit."`
}

type wireReading struct {
	Seq       uint64  `json:"seq"`
	ReadingMM float64 `json:"reading_mm"`
	Text      string  `json:"text" doc:"With exactly the decimals of the readout, in the stream's unit."`
	AgeS      float64 `json:"age_s"`
}

func wireStationOf(st Station) wireStation {
	w := wireStation{
		Name: st.Name, Title: orElse(st.Title, st.Name), Connected: st.Connected, Problem: st.Problem,
		Simulated: st.Simulated, Speed: st.Speed, Readings: st.Readings, Reconnects: st.Reconnects, SetID: st.SetID,
		FrameErrors: map[string]uint64{}, Lost: map[string]uint64{},
	}
	if w.Speed == 0 {
		w.Speed = 1
	}
	for k, v := range st.FrameErrors {
		w.FrameErrors[k] = v
	}
	for k, v := range st.Lost {
		w.Lost[k] = v
	}
	if st.Stream == nil {
		return w
	}
	form, ok := displayForm(st.Stream.Step)
	w.Stream = &wireStream{
		ID: st.Stream.ID, Opened: wallTime(st.Stream.OpenedWallNS), Reason: st.Stream.Reason,
		StepMM: st.Stream.Step.MM(), ResolutionMM: float64(st.Stream.ResolutionPM) / acquire.PicometresPerMM,
		Unit: "mm",
	}
	if ok {
		w.Stream.Unit, w.Stream.Decimals = form.unit, form.digits
	}
	if st.Last != nil && st.Last.IsPosition() {
		w.Reading = &wireReading{
			Seq: st.Last.Seq, ReadingMM: st.Stream.Step.PositionMM(st.Last.X), AgeS: st.SinceLast.Seconds(),
		}
		if ok {
			w.Reading.Text = form.text(st.Last.X)
		}
	}
	return w
}

type stationPath struct {
	Station string `path:"station" maxLength:"64" doc:"Configured name of the station."`
}

type stationList struct {
	Stations []wireStation `json:"stations" nullable:"false"`
}

func (s *Server) stationRoutes(api huma.API) {
	get(api, operation("list-stations", http.MethodGet, "/stations", "stations", "All stations", 500),
		func(ctx context.Context, _ *struct{}) (stationList, error) {
			list, err := s.deps.Stations.Stations(ctx)
			if err != nil {
				return stationList{}, s.fail(ctx, "the list of stations", err)
			}
			out := stationList{Stations: []wireStation{}}
			for _, st := range list {
				out.Stations = append(out.Stations, wireStationOf(st))
			}
			return out, nil
		})
	get(api, operation("get-station", http.MethodGet, "/stations/{station}", "stations", "One station", 404),
		func(ctx context.Context, in *stationPath) (wireStation, error) {
			st, err := s.deps.Stations.Station(ctx, in.Station)
			if err != nil {
				return wireStation{}, s.fail(ctx, quoted("station", in.Station), err)
			}
			return wireStationOf(st), nil
		})

	op := operation("stream-station", http.MethodGet, "/stations/{station}/live", "stations",
		"Live readings and the state of contact, 4 to 30 frames a second", 404, 503)
	op.Description = "First a trace event with everything to be drawn, then live frames that carry on where it ends. " +
		"A client that skipped frames is sent the trace again. Frames have no id and are never resent."
	streamSchema(api, &op, map[string]any{"trace": liveTrace{}, "live": liveFrame{}, "heartbeat": wireHeartbeat{}})
	huma.Register(api, op, func(ctx context.Context, in *stationPath) (*huma.StreamResponse, error) {
		if _, err := s.deps.Stations.Station(ctx, in.Station); err != nil {
			return nil, s.fail(ctx, quoted("station", in.Station), err)
		}
		return s.streaming(func(ctx context.Context, e *eventStream) {
			s.pump(ctx, e, pumpOptions{live: in.Station})
		})
	})
}

// quoted names a thing in a sentence.
func quoted(what, id string) string { return what + " \"" + id + "\"" }
