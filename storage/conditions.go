package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"ringsaddle/acquire"
)

// TemperatureRecord is one temperature at a station.
type TemperatureRecord struct {
	acquire.TemperatureSample
	Station string
	// StreamID is empty for what was entered by hand.
	StreamID string
	// WallNS is the Unix time (ns) of the sample.
	WallNS int64
	// UMicroCelsius is the standard uncertainty in millionths of a degree; 0 if
	// nothing is known.
	UMicroCelsius int64
	// Source says where it comes from ("frame", "typed").
	Source string
}

// PutTemperatures records temperatures in one transaction.
func (s *Store) PutTemperatures(ctx context.Context, samples ...TemperatureRecord) error {
	if len(samples) == 0 {
		return nil
	}
	var errs []error
	for i, x := range samples {
		if x.Station == "" || x.Channel == "" || x.UMicroCelsius < 0 {
			errs = append(errs, fmt.Errorf("temperature %d: station %q, channel %q, u %d: the first two are needed, u is not negative",
				i, x.Station, x.Channel, x.UMicroCelsius))
		}
	}
	if err := errors.Join(errs...); err != nil {
		return err
	}
	err := s.write(ctx, false, func(t *tx) error {
		for _, x := range samples {
			_, err := t.exec(`INSERT INTO temperature(station, stream_id, channel, at_ns, wall_ns, ucelsius, u_ucelsius, source)
				VALUES (?,?,?,?,?,?,?,?)`,
				x.Station, nullable(x.StreamID), x.Channel, x.At, x.WallNS, x.MicroCelsius, x.UMicroCelsius, x.Source)
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("record %d temperatures: %w", len(samples), err)
	}
	return nil
}

const temperatureColumns = `station, coalesce(stream_id, ''), channel, at_ns, wall_ns, ucelsius, u_ucelsius, source`

func scanTemperature(rows *sql.Rows) (TemperatureRecord, error) {
	var x TemperatureRecord
	err := rows.Scan(&x.Station, &x.StreamID, &x.Channel, &x.At, &x.WallNS, &x.MicroCelsius, &x.UMicroCelsius, &x.Source)
	return x, err
}

// Temperatures returns the temperatures of a station with fromWallNS ≤ wall time
// < toWallNS in the order of channel and time.
func (s *Store) Temperatures(ctx context.Context, station string, fromWallNS, toWallNS int64) ([]TemperatureRecord, error) {
	return collect(ctx, s.readers, scanTemperature, `SELECT `+temperatureColumns+` FROM temperature
		WHERE station = ? AND wall_ns >= ? AND wall_ns < ? ORDER BY channel, wall_ns, id`, station, fromWallNS, toWallNS)
}

// LastTemperatures returns the newest temperature of each channel of a station.
func (s *Store) LastTemperatures(ctx context.Context, station string) ([]TemperatureRecord, error) {
	channels, err := collect(ctx, s.readers, scanText, `
		WITH RECURSIVE c(channel) AS (
			SELECT min(channel) FROM temperature WHERE station = ?1
			UNION ALL
			SELECT (SELECT min(t.channel) FROM temperature t WHERE t.station = ?1 AND t.channel > c.channel) FROM c WHERE c.channel IS NOT NULL)
		SELECT channel FROM c WHERE channel IS NOT NULL`, station)
	if err != nil {
		return nil, err
	}
	out := make([]TemperatureRecord, 0, len(channels))
	for _, ch := range channels {
		x, err := one(ctx, s.readers, scanTemperature, `SELECT `+temperatureColumns+` FROM temperature
			WHERE station = ? AND channel = ? ORDER BY wall_ns DESC, id DESC LIMIT 1`, station, ch)
		if err != nil {
			return nil, err
		}
		out = append(out, x)
	}
	return out, nil
}
