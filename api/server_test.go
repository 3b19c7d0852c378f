package api

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

var update = flag.Bool("update", false, "write testdata/golden/openapi.json anew")

// bench is a fake with its handler.
type bench struct {
	*fake
	t      *testing.T
	server *Server
	log    *bytes.Buffer
}

func newBench(t *testing.T) *bench {
	t.Helper()
	f := newFake(t)
	log := &bytes.Buffer{}
	d := f.deps()
	d.Log = zerolog.New(log)
	d.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "ringsaddle_up 1\n") })
	return &bench{fake: f, t: t, server: New(d), log: log}
}

// do sends a request; body may be nil, a string or something to be encoded.
func (b *bench) do(method, path string, body any) *httptest.ResponseRecorder {
	b.t.Helper()
	var r io.Reader
	switch v := body.(type) {
	case nil:
	case string:
		r = strings.NewReader(v)
	default:
		data, err := json.Marshal(v)
		if err != nil {
			b.t.Fatal(err)
		}
		r = bytes.NewReader(data)
	}
	req := httptest.NewRequest(method, path, r)
	req.Host = "localhost"
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	rec := httptest.NewRecorder()
	b.server.Handler().ServeHTTP(rec, req)
	return rec
}

// want sends a request, checks the status and decodes the answer.
func want[T any](b *bench, status int, method, path string, body any) T {
	b.t.Helper()
	rec := b.do(method, path, body)
	if rec.Code != status {
		b.t.Fatalf("%s %s: status %d, want %d: %s", method, path, rec.Code, status, rec.Body)
	}
	var v T
	if err := json.Unmarshal(rec.Body.Bytes(), &v); err != nil {
		b.t.Fatalf("%s %s: %v: %s", method, path, err, rec.Body)
	}
	return v
}

// problemDoc is what RFC 9457 asks for, and our list of faults.
type problemDoc struct {
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
	Errors []struct {
		Message, Location string
		Value             any
	} `json:"errors"`
}

// problem sends a request that must fail, and checks the form of the answer.
func (b *bench) problem(status int, method, path string, body any) problemDoc {
	b.t.Helper()
	rec := b.do(method, path, body)
	return checkProblem(b.t, rec.Result(), status)
}

func checkProblem(t *testing.T, res *http.Response, status int) problemDoc {
	t.Helper()
	data, _ := io.ReadAll(res.Body)
	if res.StatusCode != status {
		t.Fatalf("status %d, want %d: %s", res.StatusCode, status, data)
	}
	if ct := res.Header.Get("Content-Type"); ct != "application/problem+json" {
		t.Errorf("content type %q, want application/problem+json", ct)
	}
	var p problemDoc
	if err := json.Unmarshal(data, &p); err != nil {
		t.Fatalf("%v: %s", err, data)
	}
	if p.Status != status || p.Title == "" || p.Detail == "" {
		t.Errorf("problem document is not complete: %s", data)
	}
	return p
}

func order(change func(map[string]any)) map[string]any {
	o := map[string]any{
		"station": "bench-1", "technician": "A. Example", "master_id": "m30", "repeats": 1,
		"works":        []any{map[string]any{"ring_id": "w32", "positions": []any{map[string]any{"height_mm": 5, "direction_deg": 0}, map[string]any{"height_mm": 10.5, "direction_deg": 90}}}},
		"temperatures": []any{map[string]any{"celsius": 20.05}, map[string]any{"ring_id": "m30", "celsius": 20.1, "u_kelvin": 0.05}},
		"checks":       []string{"clean"},
	}
	if change != nil {
		change(o)
	}
	return o
}

func startSet(b *bench) wireSet {
	b.t.Helper()
	return want[wireSet](b, http.StatusCreated, "POST", "/api/v1/sets", order(nil))
}

const reason = `{"by":"A. Example","reason":"dust"}`

func TestSetFromStartToResult(t *testing.T) {
	b := newBench(t)
	rec := b.do("POST", "/api/v1/sets", order(nil))
	if rec.Code != http.StatusCreated || rec.Header().Get("Location") != "/api/v1/sets/set-1" {
		t.Fatalf("start: %d, Location %q: %s", rec.Code, rec.Header().Get("Location"), rec.Body)
	}
	get := func() wireSet { return want[wireSet](b, 200, "GET", "/api/v1/sets/set-1", nil) }
	set := get()
	if set.Waits != "confirm_ring" || set.ConfirmIdent != "M-30-07" || len(set.Steps) != 4 {
		t.Fatalf("after the start: %+v", set)
	}
	if s := set.Steps[2]; s.HeightMM != 10.5 || s.DirectionDeg != 90 || s.Role != "work" || s.Ident != "W-32-118" {
		t.Errorf("step 2: %+v", s)
	}
	if len(set.Temperatures) != 2 || set.Temperatures[1].Celsius != 20.1 || set.Temperatures[0].U != 0.1 {
		t.Errorf("temperatures %+v", set.Temperatures)
	}
	confirm := func(ring string) {
		want[wireSet](b, 200, "POST", "/api/v1/sets/set-1/confirm-ring", map[string]any{"by": "A. Example", "ring_id": ring})
	}
	confirm("m30")
	b.capture(t, 0.5, nil)
	confirm("w32")
	b.capture(t, 2001.25, nil)
	first := get().Captures[1]
	if *first.ReadingMM != 2.00125 || *first.UMM != 0.000032 || first.Standing != "used" || first.Trace != "/api/v1/captures/"+first.ID+"/trace" {
		t.Errorf("capture %+v", first)
	}
	if len(first.TurningPoints) != 2 || first.TurningPoints[0].Sense != "min" || first.TurningPoints[1].Crossings != 3 {
		t.Errorf("turning points %+v", first.TurningPoints)
	}
	b.capture(t, 2001.31, nil)
	// Worked by hand, all of steel with 11.5e-6/K: the master at 20.1 °C and the scale
	// at 20.05 °C take 30·11.5e-6·0.05 = 0.00001725 mm off the opening reading, the
	// scale alone adds 32·11.5e-6·0.05 = 0.0000184 mm to that of the work ring:
	// 30.00042 + (2.00125 + 0.0000184) − (0.0005 − 0.00001725) = 32.00120565.
	if s := get().Steps[1]; s.Diameter20MM == nil || *s.Diameter20MM != 32.00120565 {
		t.Errorf("diameter by the opening %v, want 32.00120565", *s.Diameter20MM)
	}
	b.problem(409, "POST", "/api/v1/sets/set-1/close", `{"by":"A. Example"}`)
	b.problem(404, "GET", "/api/v1/sets/set-1/result", nil)
	b.capture(t, 0.58, nil)
	set = get()
	if set.Waits != "close" || set.ClosingDifferenceMM == nil || *set.ClosingDifferenceMM != 0.00008 || set.ClosingLimitMM != 0.0002 {
		t.Fatalf("before closing: %s, difference %v", set.Waits, set.ClosingDifferenceMM)
	}
	set = want[wireSet](b, 200, "POST", "/api/v1/sets/set-1/close", `{"by":"A. Example"}`)
	if !set.Closed || set.Waits != "nothing" || set.Ended == nil {
		t.Errorf("closed: %+v", set)
	}
	b.problem(409, "POST", "/api/v1/sets/set-1/pause", reason)
	b.results["set-1"] = fakeResult("set-1")
	res := want[wireResult](b, 200, "GET", "/api/v1/sets/set-1/result", nil)
	if res.Positions[0].DoF != nil || *res.Positions[1].DoF != 41 || !strings.Contains(res.Caution, "not a calibration certificate") {
		t.Errorf("result %+v", res)
	}
	list := want[setList](b, 200, "GET", "/api/v1/sets?station=bench-1&limit=5", nil)
	if len(list.Sets) != 1 || list.Sets[0].ID != "set-1" {
		t.Errorf("list %+v", list)
	}
	if got := want[captureList](b, 200, "GET", "/api/v1/captures?set=set-1&limit=2", nil); len(got.Captures) != 2 || *got.Captures[0].ReadingMM != 0.00058 {
		t.Errorf("captures %+v", got)
	}
}

// fakeResult is an invented result; infinite degrees of freedom are nil.
func fakeResult(id string) Result {
	dof, diff := 41.0, 0.00008
	pos := func(step int, h calibrate.Length, dir int64, d float64, dof *float64) PositionResult {
		return PositionResult{
			RingID: "w32", RingIdent: "W-32-118", Step: step, Position: Position{Height: h * calibrate.Millimetre, Direction: dir},
			CaptureIDs: []string{fmt.Sprintf("cap-%d", step+1)}, DiameterMM: d, UMM: 0.000104, DoF: dof, CoverageFactor: 2.02, ExpandedMM: 0.00021,
			DeviationMM: d - 32, Decision: "inside the tolerance", Terms: []ResultTerm{{ID: "master", U: 0.0001, Sensitivity: 1, ContributionMM: 0.0001}},
		}
	}
	return Result{
		SetID: id, Revision: 1, At: fakeDay, Status: "accepted", ClosingDifferenceMM: &diff, ClosingLimitMM: 0.0002,
		Repeatability: &Repeatability{SMM: 0.00004, DoF: 4}, Positions: []PositionResult{pos(1, 5, 0, 32.0011712, nil), pos(2, 10, 90_000, 32.0012312, &dof)},
		Reservations: []string{"The temperature of the work ring was read once."},
	}
}

func TestActions(t *testing.T) {
	b := newBench(t)
	startSet(b)
	path := "/api/v1/sets/set-1/"
	post := func(action string, body any) wireSet { return want[wireSet](b, 200, "POST", path+action, body) }
	for _, ring := range []string{"m30", "w32"} {
		post("confirm-ring", map[string]any{"by": "A", "ring_id": ring})
	}
	opening := b.capture(t, 0.5, nil)
	if set := post("pause", reason); set.Waits != "resume" || set.StopReason != "dust" {
		t.Errorf("paused: %+v", set)
	}
	if set := post("resume", `{}`); set.Waits != "capture" || set.Step != 1 {
		t.Errorf("resumed: %s, step %d", set.Waits, set.Step)
	}
	if set := post("same-again", reason); set.Steps[1].Needed != 2 {
		t.Errorf("same again at the step in hand: %+v", set.Steps[1])
	}
	if set := post("same-again", `{"by":"A","reason":"doubt","step":2}`); set.Steps[2].Needed != 2 || set.Step != 2 {
		t.Errorf("same again at step 2: in hand %d, %+v", set.Step, set.Steps[2])
	}
	if set := post("move", `{"by":"A","reason":"ring at hand","step":1}`); set.Step != 1 {
		t.Errorf("moved: %d", set.Step)
	}
	if set := post("temperatures", `{"by":"A","temperatures":[{"ring_id":"w32","celsius":20.33}]}`); len(set.Temperatures) != 3 || set.Temperatures[2].Source != "typed" {
		t.Errorf("temperatures: %+v", set.Temperatures)
	}
	if p := b.problem(409, "POST", path+"manual-capture", reason); p.Detail != "nothing rests on the contacts" {
		t.Errorf("manual without contact: %q", p.Detail)
	}
	b.detector(func(d *detect.State) { d.Stage = detect.StageContact })
	if set := post("manual-capture", `{"by":"A","reason":"by eye","u_mm":0.0003}`); !set.Captures[1].Manual || *set.Captures[1].UMM != 0.0003 {
		t.Errorf("manual: %+v", set.Captures[1])
	}
	doubtful := b.capture(t, 999_000, func(c *calibrate.CaptureFact) { c.Question = "The reading is 1 m off. Is this the ring?" })
	set := want[wireSet](b, 200, "GET", path[:len(path)-1], nil)
	if set.Waits != "answer" || set.Question == nil || set.Question.CaptureID != doubtful {
		t.Fatalf("question: %+v", set.Question)
	}
	if set := post("answer", map[string]any{"by": "A", "accept": false, "reason": "wrong ring", "capture_id": doubtful}); set.Question != nil || set.Captures[2].RejectedReason != "wrong ring" {
		t.Errorf("answered: %+v", set.Captures[2])
	}
	b.problem(409, "POST", path+"answer", `{"by":"A","accept":true}`)

	capture := "/api/v1/captures/" + opening + "/"
	if set := want[wireSet](b, 200, "POST", capture+"redo", reason); set.Steps[0].Needed != 2 || set.Captures[0].Standing != "used" {
		t.Errorf("redo: %+v", set.Steps[0])
	}
	if set := want[wireSet](b, 200, "POST", capture+"reject", reason); set.Captures[0].RejectedBy != "A. Example" || set.Captures[0].RejectedReason != "dust" {
		t.Errorf("reject: %+v", set.Captures[0])
	}
	if p := b.problem(409, "POST", capture+"reject", reason); !strings.Contains(p.Detail, "already rejected") {
		t.Errorf("rejected twice: %q", p.Detail)
	}
	second := b.capture(t, 0.52, nil)
	if set := want[wireSet](b, 200, "POST", "/api/v1/captures/"+second+"/relabel", `{"by":"A","reason":"was the work ring","step":1}`); set.Captures[3].Step != 1 || len(set.Captures[3].Relabels) != 1 {
		t.Errorf("relabel: %+v", set.Captures[3])
	}
	if set := post("abort", reason); set.Status != "aborted" || set.Waits != "nothing" {
		t.Errorf("aborted: %+v", set)
	}
	b.loose = []Capture{{CaptureRecord: calibrate.CaptureRecord{Fact: calibrate.CaptureFact{ID: "free", Outcome: "ambiguous", Reasons: []string{"Seen once."}, ReasonCodes: []string{"seen_once"}}, Step: -1}, Station: "bench-1"}}
	if c := want[wireCapture](b, 200, "GET", "/api/v1/captures/free", nil); c.ReadingMM != nil || c.Reasons[0] != (wireReason{"seen_once", "Seen once."}) {
		t.Errorf("loose capture %+v", c)
	}
	b.problem(409, "POST", "/api/v1/captures/free/reject", reason)
}

func TestRefusals(t *testing.T) {
	b := newBench(t)
	body := func(change func(map[string]any)) any { return order(change) }
	work := func(ring string) []any {
		return []any{map[string]any{"ring_id": ring, "positions": []any{map[string]any{"height_mm": 5, "direction_deg": 0}}}}
	}
	for _, c := range []struct {
		name, method, path string
		body               any
		status             int
		location, text     string // of one of the errors; "" when detail is meant
	}{
		{"no technician", "POST", "/api/v1/sets", body(func(o map[string]any) { delete(o, "technician") }), 422, "body", "technician"},
		{"blank technician", "POST", "/api/v1/sets", body(func(o map[string]any) { o["technician"] = "  " }), 422, "body.technician", "Say who measures"},
		{"misspelt field", "POST", "/api/v1/sets", body(func(o map[string]any) { o["closing_limit_um"] = 0.2 }), 422, "body.closing_limit_um", "unexpected property"},
		{"unknown station", "POST", "/api/v1/sets", body(func(o map[string]any) { o["station"] = "x" }), 422, "body.station", "not configured"},
		{"unknown ring", "POST", "/api/v1/sets", body(func(o map[string]any) { o["works"] = work("w9") }), 422, "body.works[0].ring_id", "not in the register"},
		{"unknown master", "POST", "/api/v1/sets", body(func(o map[string]any) { o["master_id"] = "m9" }), 422, "body.master_id", "not in the register"},
		{"overdue master", "POST", "/api/v1/sets", body(func(o map[string]any) { o["master_id"] = "m50" }), 422, "body.steps[0].ring_id", "was due on 2026-02-28"},
		{"outside the range", "POST", "/api/v1/sets", body(func(o map[string]any) { o["works"] = work("w400") }), 422, "body.steps[1].ring_id", "outside the instrument's stated range"},
		{"ring twice", "POST", "/api/v1/sets", body(func(o map[string]any) { o["works"] = append(work("w32"), work("w32")...) }), 422, "body.works[1].ring_id", "named twice"},
		{"master as work", "POST", "/api/v1/sets", body(func(o map[string]any) { o["works"] = work("m30") }), 422, "body.works[0].ring_id", "named twice"},
		{"no repeats", "POST", "/api/v1/sets", body(func(o map[string]any) { o["repeats"] = 0 }), 422, "body.repeats", ">= 1"},
		{"no works", "POST", "/api/v1/sets", body(func(o map[string]any) { o["works"] = []any{} }), 422, "body.works", "length >= 1"},
		{"direction", "POST", "/api/v1/sets", body(func(o map[string]any) {
			o["works"] = []any{map[string]any{"ring_id": "w32", "positions": []any{map[string]any{"height_mm": 5, "direction_deg": 360}}}}
		}), 422, "body.works[0].positions[0].direction_deg", "< 360"},
		{"hot", "POST", "/api/v1/sets", body(func(o map[string]any) { o["temperatures"] = []any{map[string]any{"celsius": 68}} }), 422, "body.temperatures[0].celsius", "<= 40"},
		{"not JSON", "POST", "/api/v1/sets", "{", 400, "body", "unexpected end"},
		{"no reason", "POST", "/api/v1/sets/set-1/pause", `{"by":"A"}`, 422, "body", "reason"},
		{"unknown set", "POST", "/api/v1/sets/set-9/pause", reason, 404, "", `set "set-9" does not exist`},
		{"unknown set read", "GET", "/api/v1/sets/set-9", nil, 404, "", `set "set-9" does not exist`},
		{"unknown capture", "POST", "/api/v1/captures/c9/reject", reason, 404, "", `capture "c9" does not exist`},
		{"unknown capture trace", "GET", "/api/v1/captures/c9/trace", nil, 404, "", `capture "c9" does not exist`},
		{"unknown capture read", "GET", "/api/v1/captures/c9", nil, 404, "", "does not exist"},
		{"unknown station read", "GET", "/api/v1/stations/x", nil, 404, "", `station "x" does not exist`},
		{"unknown station live", "GET", "/api/v1/stations/x/live", nil, 404, "", "does not exist"},
		{"unknown station events", "GET", "/api/v1/events?station=x", nil, 404, "", "does not exist"},
		{"live without station", "GET", "/api/v1/events?live=true", nil, 422, "query.station", "name it"},
		{"unknown parameter", "GET", "/api/v1/sets?statoin=x", nil, 422, "query.statoin", "unknown query parameter"},
		{"limit", "GET", "/api/v1/captures?limit=0", nil, 422, "query.limit", ">= 1"},
		{"range backwards", "GET", "/api/v1/stations/bench-1/trace?from=2026-11-25T10:00:00Z&to=2026-11-25T09:00:00Z", nil, 422, "query.to", "after from"},
		{"range too long", "GET", "/api/v1/stations/bench-1/trace?from=2026-11-25T10:00:00Z&to=2026-11-27T09:00:00Z", nil, 422, "query.to", "24h"},
		{"range without end", "GET", "/api/v1/stations/bench-1/trace?from=2026-11-25T10:00:00Z", nil, 422, "query.to", "missing"},
		{"unknown ring read", "GET", "/api/v1/rings/r9", nil, 404, "", `ring "r9" does not exist`},
		{"ring kind", "GET", "/api/v1/rings?kind=plug", nil, 422, "query.kind", "one of"},
		{"ident taken", "POST", "/api/v1/rings", `{"by":"A","ident":"W-33-5","kind":"work","nominal_mm":33,"material":"steel"}`, 409, "", "the ident W-33-5 is taken"},
		{"unknown material", "POST", "/api/v1/rings", `{"by":"A","ident":"X","kind":"work","nominal_mm":33,"material":"cheese"}`, 422, "body.material", "permitted: steel"},
		{"master without certificate", "POST", "/api/v1/rings", `{"by":"A","ident":"X","kind":"master","nominal_mm":33,"material":"steel"}`, 422, "body.certificate", "stands on a certificate"},
		{"one limit", "POST", "/api/v1/rings", `{"by":"A","ident":"X","kind":"work","nominal_mm":33,"material":"steel","lower_limit_mm":-0.001}`, 422, "body.upper_limit_mm", "two limits"},
		{"limits swapped", "POST", "/api/v1/rings", `{"by":"A","ident":"X","kind":"work","nominal_mm":33,"material":"steel","lower_limit_mm":0.001,"upper_limit_mm":0}`, 422, "body.upper_limit_mm", "does not lie above"},
		{"amend unknown", "POST", "/api/v1/rings/r9/amend", `{"by":"A","reason":"r","ident":"X","kind":"work","nominal_mm":33,"material":"steel"}`, 404, "", "does not exist"},
		{"journal number", "GET", "/api/v1/events?after=-2", nil, 422, "query.after", ">= -1"},
		{"no such path", "GET", "/api/v1/nothing", nil, 404, "", "/api/v1/nothing does not exist"},
		{"no such page", "GET", "/nothing", nil, 404, "", "/nothing does not exist"},
		{"no such file", "GET", "/web/nothing.js", nil, 404, "", "does not exist"},
		{"wrong method", "PUT", "/api/v1/sets", nil, 405, "", "permitted: GET, HEAD, POST"},
		{"wrong method on the page", "POST", "/", nil, 405, "", "permitted: GET, HEAD"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b.t = t
			p := b.problem(c.status, c.method, c.path, c.body)
			if c.location == "" {
				if !strings.Contains(p.Detail, c.text) {
					t.Errorf("detail %q lacks %q", p.Detail, c.text)
				}
				return
			}
			for _, e := range p.Errors {
				if e.Location == c.location && strings.Contains(e.Message, c.text) {
					return
				}
			}
			t.Errorf("no error at %s with %q: %+v", c.location, c.text, p)
		})
	}
	b.t = t
	if len(b.order) != 0 {
		t.Error("a refused order started a set")
	}
	startSet(b)
	if p := b.problem(409, "POST", "/api/v1/sets", order(nil)); !strings.Contains(p.Detail, "still open") || strings.Contains(p.Detail, ErrConflict.Error()) {
		t.Errorf("second set: %q", p.Detail)
	}
	if p := b.problem(422, "POST", "/api/v1/sets/set-1/temperatures", `{"by":"A","temperatures":[]}`); len(p.Errors) != 1 {
		t.Errorf("no temperatures: %+v", p)
	}
}

// All faults of an order are listed at once.
func TestRefusalsTogether(t *testing.T) {
	b := newBench(t)
	p := b.problem(422, "POST", "/api/v1/sets", order(func(o map[string]any) {
		o["master_id"] = "m9"
		o["works"] = []any{map[string]any{"ring_id": "w9", "positions": []any{map[string]any{"height_mm": 5, "direction_deg": 0}}}}
	}))
	if len(p.Errors) != 2 || p.Errors[0].Value != "m9" || p.Errors[1].Value != "w9" {
		t.Errorf("%+v", p)
	}
}

// serve runs a server on a free port and returns its address.
func serve(t *testing.T, b *bench) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b.tellCommits(b.server)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.server.Run(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(10 * time.Second):
			t.Error("Run does not end")
		}
	})
	return "http://" + l.Addr().String()
}
