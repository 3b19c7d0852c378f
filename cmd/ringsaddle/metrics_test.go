package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A real Prometheus scrapes a running daemon and knows what it measured, and
// promtool finds nothing to say about the metrics.
func TestPrometheusScrapes(t *testing.T) {
	t.Parallel()
	prometheus, promtool := need(t, "prometheus", "prometheus"), need(t, "promtool", "prometheus")
	rig := newRig(t, shortScenario(t, 1, 2), 21)
	_, address, _ := rig.inProcess()

	folder := t.TempDir()
	cfg := filepath.Join(folder, "prometheus.yml")
	text := fmt.Sprintf("global:\n  scrape_interval: 1s\nscrape_configs:\n- job_name: ringsaddle\n  static_configs:\n  - targets: [%q]\n", address)
	if err := os.WriteFile(cfg, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	listen := freeAddress(t)
	server := exec.Command(prometheus, "--config.file="+cfg, "--storage.tsdb.path="+filepath.Join(folder, "data"), "--web.listen-address="+listen)
	var said bytes.Buffer
	server.Stdout, server.Stderr = &said, &said
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = server.Process.Kill()
		_ = server.Wait()
		if t.Failed() {
			t.Logf("prometheus said:\n%s", said.String())
		}
	})
	rig.begin(address)
	if err := rig.finish(2 * time.Minute).verdict(); err != nil {
		t.Error(err)
	}

	for _, query := range []string{
		`ringsaddle_readout_connected{station="bench-1"} == 1`,
		`ringsaddle_readings_total{station="bench-1"} > 1000`,
		`ringsaddle_captures_total{station="bench-1",outcome="diameter"} >= 6`,
		`abs(ringsaddle_closing_difference_meters{station="bench-1",master="M-40"}) < 1e-6`,
		`ringsaddle_repeatability_meters{station="bench-1",master="M-40"} < 1e-6`,
		`ringsaddle_repeatability_degrees_of_freedom{station="bench-1",master="M-40"} >= 3`,
		`ringsaddle_readings_lost_total{station="bench-1",consumer="detector"} == 0`,
		`ringsaddle_frame_errors_total{station="bench-1",reason="no_match"} >= 0`,
		`ringsaddle_last_reading_age_seconds{station="bench-1"} < 60`,
		`ringsaddle_announcement_delay_seconds_count{station="bench-1"} >= 12`,
		`ringsaddle_database_size_bytes > 0`,
		`ringsaddle_database_write_seconds_count > 0`,
	} {
		waitFor(t, 30*time.Second, query, func() bool { return promQuery(t, listen, query) })
	}

	res, err := http.Get("http://" + address + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	exposition, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	check := exec.Command(promtool, "check", "metrics")
	check.Stdin = bytes.NewReader(exposition)
	if out, err := check.CombinedOutput(); err != nil || len(bytes.TrimSpace(out)) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
	rules := exec.Command(promtool, "check", "rules", filepath.Join("..", "..", "deploy", "alerts.yml"))
	if out, err := rules.CombinedOutput(); err != nil || !strings.Contains(string(out), "SUCCESS") {
		t.Errorf("promtool check rules: %v\n%s", err, out)
	}
}

// promQuery reports whether the query has a result.
func promQuery(t *testing.T, listen, query string) bool {
	t.Helper()
	res, err := http.Get("http://" + listen + "/api/v1/query?query=" + url.QueryEscape(query))
	if err != nil {
		return false
	}
	defer res.Body.Close()
	var answer struct {
		Status string `json:"status"`
		Error  string `json:"error"`
		Data   struct {
			Result []json.RawMessage `json:"result"`
		} `json:"data"`
	}
	if err := json.NewDecoder(res.Body).Decode(&answer); err != nil {
		return false
	}
	if answer.Status == "error" {
		t.Fatalf("%s: %s", query, answer.Error)
	}
	return len(answer.Data.Result) > 0
}
