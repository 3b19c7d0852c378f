package storage

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
)

// querier is a pool or a connection.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// collect runs a query and scans all its rows; the slice is never nil.
func collect[T any](ctx context.Context, q querier, scan func(*sql.Rows) (T, error), query string, args ...any) ([]T, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	out := []T{}
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

// one is collect for a query that gives one row, or fs.ErrNotExist.
func one[T any](ctx context.Context, q querier, scan func(*sql.Rows) (T, error), query string, args ...any) (T, error) {
	all, err := collect(ctx, q, scan, query, args...)
	if err == nil && len(all) == 0 {
		err = fs.ErrNotExist
	}
	if err != nil {
		var zero T
		return zero, err
	}
	return all[0], nil
}

func nullable(s string) any {
	if s == "" {
		return nil
	}
	return s
}

func sum(parts ...[]byte) [sha256.Size]byte {
	h := sha256.New()
	for _, p := range parts {
		h.Write(p)
	}
	var d [sha256.Size]byte
	h.Sum(d[:0])
	return d
}

func hexOf(d [sha256.Size]byte) string { return hex.EncodeToString(d[:]) }

func scanText(rows *sql.Rows) (string, error) {
	var s string
	err := rows.Scan(&s)
	return s, err
}

// stationOfSet returns the station of a set, fs.ErrNotExist if there is none.
func (t *tx) stationOfSet(setID string) (string, error) {
	var station string
	err := t.row(`SELECT station FROM measurement_set WHERE id = ?`, setID).Scan(&station)
	if errors.Is(err, sql.ErrNoRows) {
		return "", fmt.Errorf("set %s: %w", setID, fs.ErrNotExist)
	}
	return station, err
}

func bytesOfHex(s string) ([]byte, error) {
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != sha256.Size {
		return nil, fmt.Errorf("%q is no SHA-256 digest", s)
	}
	return b, nil
}
