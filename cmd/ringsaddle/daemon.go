package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"time"

	"github.com/google/uuid"
	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"ringsaddle/acquire"
	"ringsaddle/api"
	"ringsaddle/storage"
)

// daemon is the whole program behind serve and demo. Run opens in order, serves
// until its context ends, and closes in the order of the stream: sources, tapes,
// consumers, pages, database.
type daemon struct {
	cfg   *config
	log   zerolog.Logger
	speed float64
	// simulated marks the stations as a simulated bench.
	simulated bool
	// clock, if set, takes the place of one that starts with the daemon.
	clock *stationClock
	// listening, if set, is called once with the address of the pages.
	listening func(addr net.Addr)

	store    *storage.Store
	stations []*station
	server   *api.Server
}

// newID returns a UUIDv7: ids sort by the time they were made.
func newID() string { return uuid.Must(uuid.NewV7()).String() }

// Run blocks until ctx ends or a part fails.
func (d *daemon) Run(ctx context.Context) (err error) {
	clock := newStationClock(d.speed, acquire.BootClock)
	if d.clock != nil {
		clock = *d.clock
	}
	wall := func() time.Time { return time.Unix(0, clock.Wall()) }
	d.store, err = storage.Open(ctx, storage.Config{Path: d.cfg.Storage.Path}, wall, newID)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.store.Close(ctx)) }()
	if err := d.openStations(ctx, clock); err != nil {
		return err
	}
	metrics, err := newMetrics(d)
	if err != nil {
		return err
	}
	d.server = api.New(d.deps(metrics))
	listener, err := net.Listen("tcp", d.cfg.HTTP.Listen)
	if err != nil {
		return fmt.Errorf("the pages cannot be served on %s: %w", d.cfg.HTTP.Listen, err)
	}
	d.log.Info().Str("url", "http://"+listener.Addr().String()+"/").Msg("bench page")
	if d.listening != nil {
		d.listening(listener.Addr())
	}
	return d.runParts(ctx, listener)
}

// openStations records the stations and resumes their sets.
func (d *daemon) openStations(ctx context.Context, clock stationClock) error {
	for _, cfg := range d.cfg.Stations {
		settings, err := json.Marshal(cfg.facts())
		if err != nil {
			return err
		}
		if _, err := d.store.UpsertStation(ctx, cfg.Name, settings); err != nil {
			return err
		}
		before, err := d.store.Streams(ctx, cfg.Name, 1)
		if err != nil {
			return err
		}
		s, err := newStation(cfg, clock, stationDeps{
			store: d.store, newID: newID, log: d.log,
			cue:       func(c api.Cue) { d.server.Announce(c) },
			committed: func() { d.server.Committed() },
			previous:  newestStream(before),
		})
		if err != nil {
			return fmt.Errorf("station %s: %w", cfg.Name, err)
		}
		if err := s.session.Resume(ctx); err != nil {
			return err
		}
		d.stations = append(d.stations, s)
	}
	return nil
}

// newestStream is the stream before this start, if there was one: a change of unit
// or decimals across a restart voids the reference as well.
func newestStream(stored []storage.StoredStream) acquire.Stream {
	if len(stored) == 0 {
		return acquire.Stream{}
	}
	return stored[0].Stream
}

// runParts runs everything until ctx ends. The pages stay up until the stations
// have drained, the store's writer until the pages are down.
func (d *daemon) runParts(ctx context.Context, listener net.Listener) error {
	pagesCtx, stopPages := context.WithCancel(context.WithoutCancel(ctx))
	writerCtx, stopWriter := context.WithCancel(context.WithoutCancel(ctx))
	stationsCtx, stopStations := context.WithCancel(ctx)
	defer stopStations()

	var writer, pages errgroup.Group
	writer.Go(func() error {
		defer stopStations()
		return d.store.Run(writerCtx)
	})
	pages.Go(func() error {
		defer stopStations()
		return d.server.Run(pagesCtx, listener)
	})
	pages.Go(func() error {
		d.retain(pagesCtx)
		return nil
	})
	stations, runCtx := errgroup.WithContext(stationsCtx)
	for _, s := range d.stations {
		stations.Go(func() error { return s.Run(runCtx) })
	}
	stations.Go(func() error { // without stations' errors, wait for the end
		<-runCtx.Done()
		return nil
	})
	err := stations.Wait()
	stopPages()
	err = errors.Join(err, pages.Wait())
	stopWriter()
	return errors.Join(err, writer.Wait())
}

// retain applies the retention of traces once an hour.
func (d *daemon) retain(ctx context.Context) {
	keep := d.cfg.Storage.KeepTraces.Duration
	if keep <= 0 {
		return
	}
	tick := time.NewTicker(time.Hour)
	defer tick.Stop()
	for {
		if _, err := d.store.Retain(ctx, storage.RetentionPolicy{KeepFor: keep}); err != nil && ctx.Err() == nil {
			d.log.Error().Err(err).Msg("old traces could not be removed")
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

func (d *daemon) station(name string) (*station, bool) {
	for _, s := range d.stations {
		if s.cfg.Name == name {
			return s, true
		}
	}
	return nil, false
}
