package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync/atomic"
	"time"

	"ringsaddle/acquire/bench"
	"ringsaddle/api"
	"ringsaddle/detect"
)

// glance is what the demo's technician sees of the bench page in mid-entry: the
// sentence of the step and its sign for the hand, from the event stream that the
// page itself stands on. The hand follows it as a person would (see bench.Follow).
type glance struct {
	shown atomic.Pointer[bench.Advice]
}

// Advise implements bench.Adviser.
func (g *glance) Advise(int64) bench.Advice {
	if a := g.shown.Load(); a != nil {
		return *a
	}
	return bench.Advice{}
}

// Run follows the page until ctx ends. While the page is away nothing is advised.
func (g *glance) Run(ctx context.Context, c *client) error {
	for ctx.Err() == nil {
		_ = g.follow(ctx, c) // a page that is away comes back, or the demo ends
		g.shown.Store(nil)
		select {
		case <-time.After(time.Second):
		case <-ctx.Done():
		}
	}
	return nil
}

// follow reads one event stream to its end.
func (g *glance) follow(ctx context.Context, c *client) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.base+"/api/v1/events?station=bench-1&live=true", nil)
	if err != nil {
		return err
	}
	res, err := c.http.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("the event stream answers %s", res.Status)
	}
	lines := bufio.NewScanner(res.Body)
	lines.Buffer(nil, 16<<20) // a whole trace is one line
	live := false
	for lines.Scan() {
		line := lines.Bytes()
		if kind, ok := bytes.CutPrefix(line, []byte("event:")); ok {
			live = string(bytes.TrimSpace(kind)) == "live"
			continue
		}
		data, ok := bytes.CutPrefix(line, []byte("data:"))
		if !ok || !live {
			continue
		}
		var f struct {
			Move string `json:"move"`
			Now  struct {
				Title string `json:"title"`
			} `json:"now"`
		}
		if err := json.Unmarshal(data, &f); err != nil {
			return err
		}
		a := bench.Advice{Move: benchMoves[f.Move], Adjustment: adjustmentIn(f.Now.Title)}
		if old := g.shown.Load(); old == nil || *old != a {
			g.shown.Store(&a)
		}
	}
	return lines.Err()
}

// adjustmentIn is the adjustment that a sentence of the page names.
func adjustmentIn(sentence string) string {
	s := strings.ToLower(sentence)
	switch {
	case strings.Contains(s, "cross slide"):
		return string(detect.Cross)
	case strings.Contains(s, "tilt"):
		return string(detect.Tilt)
	}
	return ""
}

// benchMoves translates the page's moves for a hand. A ring is brought once more
// because the set asks for it, not in mid-entry.
var benchMoves = map[string]bench.Move{
	api.MoveSettle: bench.MoveWait, api.MoveGoPast: bench.MoveFurther, api.MoveComeBack: bench.MovePass,
	api.MoveOnceMore: bench.MovePass, api.MoveRest: bench.MoveRest, api.MoveNext: bench.MoveNext, api.MoveWithdraw: bench.MoveWithdraw,
}
