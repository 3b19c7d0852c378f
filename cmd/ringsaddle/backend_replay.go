package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"

	"ringsaddle/acquire"
	"ringsaddle/api"
	"ringsaddle/detect"
	"ringsaddle/storage"
)

// TurnBacks implements api.CaptureReader. They are not stored: a fresh detector on
// the stored span finds them again, as it finds the capture.
func (b backend) TurnBacks(ctx context.Context, id string) ([]api.CaptureTurnBack, error) {
	return turnBacks(ctx, b.d.store, id)
}

// lookEvery is after how many readings of a replay its state is looked at.
const lookEvery = 8

func turnBacks(ctx context.Context, store *storage.Store, id string) ([]api.CaptureTurnBack, error) {
	rec, err := store.Capture(ctx, id)
	if err != nil || rec.Manual {
		return nil, err
	}
	if rec.Capture.Revision != detect.Revision {
		return nil, fmt.Errorf("%w: revision %s of the detector made this capture, and revision %s runs now: which turns of the hand it saw is not known",
			api.ErrConflict, rec.Capture.Revision, detect.Revision)
	}
	text, err := store.Params(ctx, rec.Capture.ParamsDigest)
	if err != nil {
		return nil, err
	}
	var params detect.Params
	if err := json.Unmarshal(text, &params); err != nil {
		return nil, fmt.Errorf("the parameters of capture %s: %w", id, err)
	}
	d, err := detect.New(params)
	if err != nil {
		return nil, err
	}
	var last detect.State // the newest in contact
	var found *detect.Capture
	take := func(events []detect.Event) {
		for _, e := range events {
			if e.Kind == detect.EventCaptured {
				found = e.Capture
			}
		}
	}
	n := 0
	err = captureTrace(ctx, store, id, func(_ acquire.Stream, batch []acquire.Reading) error {
		for _, r := range batch {
			take(d.Push(r))
			if n++; n%lookEvery != 0 || found != nil {
				continue
			}
			if s := d.State(); s.Stage == detect.StageContact {
				last = s
			}
		}
		return ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	if rec.Capture.Ending == detect.EndReadingsLost { // what ended it lies behind the span
		take(d.Lost(rec.Capture.LastSeq+1, rec.Capture.LastSeq+1))
	} else {
		take(d.Flush())
	}
	if found == nil || !reflect.DeepEqual(*found, rec.Capture) {
		return nil, fmt.Errorf("%w: the stored readings give another capture now; the turns of the hand are not known", api.ErrConflict)
	}
	out := []api.CaptureTurnBack{}
	for _, t := range last.TurnBacks {
		// Where the clock of the readings jumped, the place of a turn is not known.
		if t.At < found.StartAt || t.At > found.EndAt {
			continue
		}
		out = append(out, api.CaptureTurnBack{
			Adjustment: t.Adjustment, Sense: t.Sense, At: t.At, Value: positionOf(rec.Step, last.Origin, t.Value),
		})
	}
	slices.SortStableFunc(out, func(a, b api.CaptureTurnBack) int { return cmp.Compare(a.At, b.At) })
	return out, nil
}
