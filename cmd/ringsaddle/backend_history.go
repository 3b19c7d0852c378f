package main

import (
	"context"
	"time"

	"ringsaddle/api"
)

var _ api.HistoryReader = backend{}

// RingHistory implements api.HistoryReader.
func (b backend) RingHistory(ctx context.Context, ringID string, limit int) ([]api.RingCalibration, error) {
	list, err := b.d.store.RingCalibrations(ctx, ringID, limit)
	if err != nil {
		return nil, err
	}
	out := []api.RingCalibration{}
	for _, c := range list {
		out = append(out, api.RingCalibration{
			SetID: c.SetID, Revision: int(c.Revision), Station: c.Station, Technician: c.By, Started: time.Unix(0, c.StartedWallNS),
			Status: c.Status, Position: api.Position{Height: c.Height, Direction: c.Direction},
			DiameterMM: c.Diameter.MM(), UMM: c.U.MM(), ExpandedMM: c.Expanded.MM(), Decision: c.Decision,
		})
	}
	return out, nil
}

// ClosingHistory implements api.HistoryReader.
func (b backend) ClosingHistory(ctx context.Context, station, masterID string, since time.Time, limit int) ([]api.Closing, error) {
	var from int64
	if !since.IsZero() {
		from = since.UnixNano()
	}
	list, err := b.d.store.Closings(ctx, station, masterID, from, limit)
	if err != nil {
		return nil, err
	}
	out := []api.Closing{}
	for _, c := range list {
		out = append(out, api.Closing{
			SetID: c.SetID, Technician: c.By, Started: time.Unix(0, c.StartedWallNS),
			Difference: c.Difference, Limit: c.Limit, Attempts: c.Attempts, Within: c.Within,
		})
	}
	return out, nil
}
