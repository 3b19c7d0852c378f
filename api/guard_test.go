package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"

	"ringsaddle/acquire"
)

func TestBodyLimits(t *testing.T) {
	b := newBench(t)
	long := `{"by":"` + strings.Repeat("a", maxBodyBytes) + `"}`
	b.problem(http.StatusRequestEntityTooLarge, "POST", "/api/v1/sets/set-1/close", long)
	req := httptest.NewRequest("POST", "/api/v1/sets", strings.NewReader("a=b"))
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	rec := httptest.NewRecorder()
	b.server.Handler().ServeHTTP(rec, req)
	checkProblem(t, rec.Result(), http.StatusUnsupportedMediaType)
}

func TestOtherOriginIsRefused(t *testing.T) {
	b := newBench(t)
	for _, site := range []string{"cross-site", "same-origin"} {
		req := httptest.NewRequest("POST", "/api/v1/sets", strings.NewReader("{}"))
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("Sec-Fetch-Site", site)
		req.Header.Set("Origin", "https://elsewhere.example")
		rec := httptest.NewRecorder()
		b.server.Handler().ServeHTTP(rec, req)
		if site == "cross-site" {
			if p := checkProblem(t, rec.Result(), http.StatusForbidden); !strings.Contains(p.Detail, "another origin") {
				t.Errorf("detail %q", p.Detail)
			}
		} else {
			checkProblem(t, rec.Result(), http.StatusUnprocessableEntity)
		}
	}
}

func TestForeignHostNameOnLoopback(t *testing.T) {
	b := newBench(t)
	b.server.deps.Hosts = []string{"bench.example"}
	b.server.loopback.Store(true)
	for host, ok := range map[string]bool{
		"localhost:8080": true, "127.0.0.1:8080": true, "[::1]:8080": true, "[::1]": true, "bench.example": true, "Bench.Example:80": true,
		"elsewhere.example:8080": false, "10.0.0.7:8080": false, "": false,
	} {
		req := httptest.NewRequest("GET", "/api/v1/stations", nil)
		req.Host = host
		rec := httptest.NewRecorder()
		b.server.Handler().ServeHTTP(rec, req)
		if ok && rec.Code != 200 {
			t.Errorf("host %q: %d", host, rec.Code)
		}
		if !ok {
			checkProblem(t, rec.Result(), http.StatusMisdirectedRequest)
		}
	}
}

func TestFaultsOfTheProgram(t *testing.T) {
	b := newBench(t)
	b.broken = errors.New("disk on fire")
	for _, path := range []string{"/stations", "/stations/bench-1", "/sets", "/captures", "/rings", "/materials", "/journal"} {
		if p := b.problem(500, "GET", "/api/v1"+path, nil); strings.Contains(p.Detail, "fire") {
			t.Errorf("%s tells the client about the inside: %q", path, p.Detail)
		}
	}
	if !strings.Contains(b.log.String(), "disk on fire") {
		t.Error("the log does not tell the fault")
	}
	s := New(b.deps())
	s.deps.Stations = nil // a nil interface panics
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "/api/v1/stations", nil))
	checkProblem(t, rec.Result(), 500)
}

func TestRings(t *testing.T) {
	b := newBench(t)
	list := want[ringList](b, 200, "GET", "/api/v1/rings?kind=master", nil)
	if len(list.Rings) != 2 || list.Rings[0].Overdue || !list.Rings[1].Overdue || list.Rings[0].Certificate.DiameterMM != 30.00042 {
		t.Errorf("masters %+v", list.Rings)
	}
	if all := want[ringList](b, 200, "GET", "/api/v1/rings", nil); len(all.Rings) != 5 {
		t.Errorf("%d rings", len(all.Rings))
	}
	body := map[string]any{
		"by": "A", "ident": " M-20-1 ", "kind": "master", "nominal_mm": 20, "material": "steel",
		"certificate": map[string]any{
			"number": "C-7", "diameter_20c_mm": 20.000315, "expanded_uncertainty_mm": 0.0002, "coverage_factor": 2.05,
			"height_mm": 8, "direction_deg": 12.5, "calibrated_on": "2026-01-31", "due_on": "2027-01-31",
		},
	}
	rec := b.do("POST", "/api/v1/rings", body)
	if rec.Code != 201 || rec.Header().Get("Location") != "/api/v1/rings/ring-1" {
		t.Fatalf("%d %q %s", rec.Code, rec.Header().Get("Location"), rec.Body)
	}
	ring, _ := b.Ring(context.Background(), "ring-1")
	if c := ring.Certificate; ring.Ident != "M-20-1" || c.Diameter != 20_000_315_000 || c.CoverageFactorMill != 2050 || c.Direction != 12_500 {
		t.Errorf("registered %+v %+v", ring, ring.Certificate)
	}
	if r := want[wireRing](b, 200, "GET", "/api/v1/rings/ring-1", nil); r.Certificate.DiameterMM != 20.000315 {
		t.Errorf("read back %+v", r)
	}
	cert := body["certificate"].(map[string]any)
	cert["due_on"], cert["diameter_20c_mm"] = "2025-01-31", 21.5
	p := b.problem(422, "POST", "/api/v1/rings", body)
	if len(p.Errors) != 2 {
		t.Errorf("want both faults of the certificate: %+v", p.Errors)
	}
	amended := want[wireRing](b, 200, "POST", "/api/v1/rings/w33/amend",
		`{"by":"A","reason":"typing error","ident":"W-33-5","kind":"work","nominal_mm":33,"material":"steel","lower_limit_mm":-0.002,"upper_limit_mm":0.002}`)
	if *amended.UpperLimitMM != 0.002 {
		t.Errorf("amended %+v", amended)
	}
	if m := want[materialList](b, 200, "GET", "/api/v1/materials", nil); m.Materials[0].ExpansionPerK != 11.5e-6 {
		t.Errorf("materials %+v", m)
	}
}

func TestStations(t *testing.T) {
	b := newBench(t)
	list := want[stationList](b, 200, "GET", "/api/v1/stations", nil)
	if len(list.Stations) != 2 || list.Stations[1].Title != "bench-2" || list.Stations[1].Connected || list.Stations[1].Speed != 1 {
		t.Errorf("%+v", list.Stations)
	}
	b.read(-1_234_567)
	st := want[wireStation](b, 200, "GET", "/api/v1/stations/bench-1", nil)
	if st.Reading.ReadingMM != -12.34567 || st.Reading.Text != "-12.34567" || st.Stream.Decimals != 5 || st.Stream.Unit != "mm" || st.FrameErrors["pattern"] != 3 {
		t.Errorf("%+v %+v", st.Reading, st.Stream)
	}
}

func TestTraces(t *testing.T) {
	b := newBench(t)
	startSet(b)
	id := b.capture(t, 0.5, nil)
	b.traces[id] = []acquire.Reading{
		{Seq: 7, At: 5_000_000_000, Flags: acquire.StreamStart | acquire.Gap},
		{Seq: 8, At: 5_010_000_001, X: 3_000_042},
		{Seq: 9, At: 5_020_000_000, X: -1, Y: 250, Flags: acquire.HasY},
		{Seq: 10, At: 5_030_000_000, Flags: acquire.NotValid},
	}
	rec := b.do("GET", "/api/v1/captures/"+id+"/trace", nil)
	want := "t_s,x_mm,y_mm,tilt_mm,seq,flags,hint\n" +
		"5.000000000,,,,7,gap|stream_start,\n" +
		"5.010000001,30.00042,,,8,,\n" +
		"5.020000000,-0.00001,0.00250,,9,,\n" +
		"5.030000000,,,,10,not_valid,\n"
	if rec.Code != 200 || rec.Body.String() != want {
		t.Errorf("%d\n%s", rec.Code, rec.Body)
	}
	if ct, cd := rec.Header().Get("Content-Type"), rec.Header().Get("Content-Disposition"); !strings.HasPrefix(ct, "text/csv") || cd != `attachment; filename="capture-`+id+`.csv"` {
		t.Errorf("%q %q", ct, cd)
	}
	// What is served is what the offline reader reads.
	trace, err := acquire.ReadCSV(bytes.NewReader(rec.Body.Bytes()), "trace", acquire.CSVOptions{})
	if err != nil || len(trace.Readings) != 4 || trace.Readings[1].X != 3_000_042 {
		t.Errorf("read back: %v %+v", err, trace.Readings)
	}
	rec = b.do("GET", "/api/v1/stations/bench-1/trace?from=2026-11-25T09:00:00Z&to=2026-11-25T10:00:00Z", nil)
	if rec.Code != 200 || rec.Body.String() != "t_s,x_mm,y_mm,tilt_mm,seq,flags,hint\n" {
		t.Errorf("empty range: %d %q", rec.Code, rec.Body)
	}
	b.broken = errors.New("disk on fire")
	b.problem(500, "GET", "/api/v1/captures/"+id+"/trace", nil)
	b.broken = missing("trace")
	b.problem(404, "GET", "/api/v1/captures/"+id+"/trace", nil)
}

// A trace that fails half way must not look whole.
func TestTraceThatBreaksOff(t *testing.T) {
	b := newBench(t)
	startSet(b)
	id := b.capture(t, 0.5, nil)
	many := make([]acquire.Reading, 5000)
	for i := range many {
		many[i] = acquire.Reading{Seq: uint64(i + 1), At: int64(i), X: int64(i)}
	}
	b.traces[id] = many
	d := b.deps()
	d.Traces = breakingTraces{b.fake}
	srv := httptest.NewServer(New(d).Handler())
	defer srv.Close()
	res, err := http.Get(srv.URL + "/api/v1/captures/" + id + "/trace")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if data, err := io.ReadAll(res.Body); err == nil {
		t.Errorf("%d bytes of half a trace were taken for a whole one", len(data))
	}
}

type breakingTraces struct{ *fake }

func (b breakingTraces) CaptureTrace(ctx context.Context, id string, fn TraceFunc) error {
	if err := b.fake.CaptureTrace(ctx, id, fn); err != nil {
		return err
	}
	return errors.New("a block is damaged")
}

func TestProbes(t *testing.T) {
	b := newBench(t)
	if rec := b.do("GET", "/healthz", nil); rec.Code != 200 || !strings.Contains(rec.Body.String(), "ok") {
		t.Errorf("healthz: %d %s", rec.Code, rec.Body)
	}
	if rec := b.do("GET", "/metrics", nil); rec.Code != 200 || !strings.Contains(rec.Body.String(), "ringsaddle_up") {
		t.Errorf("metrics: %d %s", rec.Code, rec.Body)
	}
	type ready struct {
		Ready  bool
		Checks []struct {
			Name string
			OK   bool
			Text string
		}
	}
	if r := want[ready](b, 200, "GET", "/readyz", nil); !r.Ready || len(r.Checks) != 2 {
		t.Errorf("readyz: %+v", r)
	}
	b.checks[1].Err = errors.New("no such port")
	if r := want[ready](b, 503, "GET", "/readyz", nil); r.Ready || r.Checks[1].OK || r.Checks[1].Text != "no such port" || !r.Checks[0].OK {
		t.Errorf("readyz: %+v", r)
	}
	for _, path := range []string{"/docs", "/api/v1/docs", "/schemas", "/openapi.json"} {
		b.problem(404, "GET", path, nil)
	}
}

func TestPageIsServedWhole(t *testing.T) {
	b := newBench(t)
	rec := b.do("GET", "/", nil)
	if rec.Code != 200 || !strings.HasPrefix(rec.Header().Get("Content-Type"), "text/html") || !strings.Contains(rec.Header().Get("Content-Security-Policy"), "default-src 'self'") {
		t.Fatalf("%d %v", rec.Code, rec.Header())
	}
	entries, err := webFiles.ReadDir("web")
	if err != nil || len(entries) < 8 {
		t.Fatalf("%d files embedded, %v", len(entries), err)
	}
	for _, e := range entries {
		rec := b.do("GET", "/web/"+e.Name(), nil)
		if e.Name() == "index.html" {
			continue // served at /
		}
		data, _ := webFiles.ReadFile("web/" + e.Name())
		if rec.Code != 200 || !bytes.Equal(rec.Body.Bytes(), data) {
			t.Errorf("%s: %d", e.Name(), rec.Code)
		}
		// The page must work without a network: nothing may come from elsewhere.
		for _, bad := range []string{"https://", "http://", "//cdn"} {
			if bytes.Contains(bytes.ReplaceAll(data, []byte("http://www.w3.org/2000/svg"), nil), []byte(bad)) {
				t.Errorf("%s names %s", e.Name(), bad)
			}
		}
	}
}

func TestOpenAPI(t *testing.T) {
	const golden = "../testdata/golden/openapi.json"
	b := newBench(t)
	rec := b.do("GET", "/api/v1/openapi.json", nil)
	if rec.Code != 200 {
		t.Fatalf("%d %s", rec.Code, rec.Body)
	}
	var got bytes.Buffer
	if err := json.Indent(&got, bytes.TrimSpace(rec.Body.Bytes()), "", "  "); err != nil {
		t.Fatal(err)
	}
	got.WriteByte('\n')
	if *update {
		if err := os.MkdirAll("../testdata/golden", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, got.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	old, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(old, got.Bytes()) {
		t.Errorf("the document differs from %s; if nothing was taken away, run go test ./api -run TestOpenAPI -update and review the difference", golden)
	}
	var doc struct {
		OpenAPI string
		Paths   map[string]map[string]struct {
			OperationID string
			Summary     string
			Responses   map[string]any
		}
	}
	if err := json.Unmarshal(got.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	ids := map[string]bool{}
	for path, ops := range doc.Paths {
		if !strings.HasPrefix(path, "/api/v1/") {
			t.Errorf("%s lies outside /api/v1", path)
		}
		for method, op := range ops {
			if op.OperationID == "" || op.Summary == "" || ids[op.OperationID] || len(op.Responses) < 2 {
				t.Errorf("%s %s: id %q, summary %q, %d responses", method, path, op.OperationID, op.Summary, len(op.Responses))
			}
			ids[op.OperationID] = true
		}
	}
	if len(ids) != 35 {
		t.Errorf("%d operations", len(ids))
	}
}

func TestRefuse(t *testing.T) {
	err := Refuse(errors.Join(fmt.Errorf("steps[1].ring_id: ring W is outside"), errors.Join(errors.New("no plan at all"), nil), &Refusal{Field: "x", Text: "y"}))
	var list []*Refusal
	collectRefusals(err, &list)
	if len(list) != 3 || list[0].Field != "steps[1].ring_id" || list[0].Text != "ring W is outside" || list[1].Field != "" || list[2].Field != "x" {
		t.Errorf("%+v", list)
	}
	if Refuse(nil) != nil {
		t.Error("nil is no refusal")
	}
}

func TestDecimals(t *testing.T) {
	inch, err := acquire.StepOfDecimals(6, true)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		step   acquire.Step
		counts int64
		text   string
	}{
		{acquire.Step{Num: 10_000, Den: 1}, 3_000_042, "30.00042 mm"},
		{acquire.Step{Num: 10_000, Den: 1}, -5, "-0.00005 mm"},
		{acquire.Step{Num: 100_000, Den: 1}, 0, "0.0000 mm"},
		{acquire.Step{Num: 1_000_000_000, Den: 1}, -12, "-12 mm"},
		{acquire.Step{Num: 500_000, Den: 1}, 3, "0.0015 mm"},
		{inch, 1_181_119, "1.181119 in"},
		{acquire.Step{Num: 10_000, Den: 1}, -1 << 63, "-92233720368547.75808 mm"},
		{acquire.Step{Num: 999_999_937, Den: 1}, 1<<62 + 1, "4611685727891168744.074561985 mm"},
	} {
		f, ok := displayForm(c.step)
		if got := f.text(c.counts) + " " + f.unit; !ok || got != c.text {
			t.Errorf("%d × %v: %s, want %s", c.counts, c.step, got, c.text)
		}
	}
	if _, ok := displayForm(acquire.Step{Num: 1, Den: 3}); ok {
		t.Error("a third of a picometre has no finite decimals")
	}
}
