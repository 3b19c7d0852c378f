package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
)

// client speaks to a daemon's API as any program in the shop would. The demo's
// technician uses it.
type client struct {
	base string
	http http.Client
}

// The parts of the answers that the demo looks at; see the OpenAPI document.
type (
	remoteRing struct {
		ID    string `json:"id"`
		Ident string `json:"ident"`
	}
	remoteStep struct {
		Role         string  `json:"role"`
		RingID       string  `json:"ring_id"`
		Ident        string  `json:"ident"`
		HeightMM     float64 `json:"height_mm"`
		DirectionDeg float64 `json:"direction_deg"`
		Title        string  `json:"title"`
		Got          int     `json:"got"`
		Needed       int     `json:"needed"`
	}
	remotePoint struct {
		Adjustment string  `json:"adjustment"`
		ValueMM    float64 `json:"value_mm"`
		UMM        float64 `json:"u_mm"`
		Crossings  int     `json:"crossings"`
	}
	remoteCapture struct {
		ID        string        `json:"id"`
		Outcome   string        `json:"outcome"`
		Standing  string        `json:"standing"`
		Step      int           `json:"step"`
		ReadingMM *float64      `json:"reading_mm"`
		UMM       *float64      `json:"u_mm"`
		Points    []remotePoint `json:"turning_points"`
		Reasons   []struct {
			Code string `json:"code"`
			Text string `json:"text"`
		} `json:"reasons"`
	}
	remoteSet struct {
		ID                  string          `json:"id"`
		Status              string          `json:"status"`
		Waits               string          `json:"waits"`
		Closed              bool            `json:"closed"`
		Sentence            string          `json:"sentence"`
		Step                int             `json:"step"`
		Steps               []remoteStep    `json:"steps"`
		Captures            []remoteCapture `json:"captures"`
		ConfirmRing         string          `json:"confirm_ring"`
		ConfirmIdent        string          `json:"confirm_ident"`
		ClosingDifferenceMM *float64        `json:"closing_difference_mm"`
		ClosingLimitMM      float64         `json:"closing_limit_mm"`
		Question            *struct {
			Text string `json:"text"`
		} `json:"question"`
		Repeatability *struct {
			SMM float64 `json:"s_mm"`
			DoF int     `json:"dof"`
		} `json:"repeatability"`
	}
	remotePosition struct {
		Ident        string   `json:"ident"`
		Step         int      `json:"step"`
		HeightMM     float64  `json:"height_mm"`
		DirectionDeg float64  `json:"direction_deg"`
		Captures     []string `json:"captures"`
		DiameterMM   float64  `json:"diameter_20c_mm"`
		UMM          float64  `json:"u_mm"`
		SpreadMM     float64  `json:"spread_mm"`
		Decision     string   `json:"decision"`
	}
	remoteResult struct {
		Status       string           `json:"status"`
		Positions    []remotePosition `json:"positions"`
		Reservations []string         `json:"reservations"`
	}
)

// call sends in as JSON (nil: nothing) and decodes the answer into out (nil: not
// at all). A problem document becomes an error with its details.
func (c *client) call(ctx context.Context, method, path string, in, out any) error {
	var body io.Reader
	if in != nil {
		text, err := json.Marshal(in)
		if err != nil {
			return err
		}
		body = bytes.NewReader(text)
	}
	req, err := http.NewRequestWithContext(ctx, method, c.base+"/api/v1"+path, body)
	if err != nil {
		return err
	}
	if in != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	res, err := c.http.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		// An answer cut short: the daemon went away while it spoke.
		return &url.Error{Op: method, URL: req.URL.String(), Err: err}
	}
	if res.StatusCode >= 300 {
		return problemOf(method, path, res.StatusCode, text)
	}
	if out == nil {
		return nil
	}
	return json.Unmarshal(text, out)
}

func problemOf(method, path string, status int, text []byte) error {
	var problem struct {
		Title  string `json:"title"`
		Detail string `json:"detail"`
		Errors []struct {
			Location string `json:"location"`
			Message  string `json:"message"`
		} `json:"errors"`
	}
	if json.Unmarshal(text, &problem) != nil {
		return fmt.Errorf("%s %s: status %d: %s", method, path, status, bytes.TrimSpace(text))
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s: %s: %s", method, path, problem.Title, problem.Detail)
	for _, e := range problem.Errors {
		fmt.Fprintf(&b, "; %s: %s", e.Location, e.Message)
	}
	return fmt.Errorf("%s", b.String())
}

func (c *client) set(ctx context.Context, id string) (remoteSet, error) {
	var set remoteSet
	err := c.call(ctx, http.MethodGet, "/sets/"+id, nil, &set)
	return set, err
}

// act posts an action to a set.
func (c *client) act(ctx context.Context, id, action string, in any) error {
	return c.call(ctx, http.MethodPost, "/sets/"+id+"/"+action, in, nil)
}
