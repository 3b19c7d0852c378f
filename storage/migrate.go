package storage

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"

	"github.com/pressly/goose/v3"
)

//go:embed schema/*.sql
var schemaFiles embed.FS

// migrate brings the schema up to the newest version. Each step is one
// transaction: it is applied whole or not at all. There is no way back down; a
// database written by a newer release is refused.
func migrate(ctx context.Context, db *sql.DB) (int64, error) {
	p, err := provider(db)
	if err != nil {
		return 0, err
	}
	have, newest, err := p.GetVersions(ctx)
	if err != nil {
		return 0, fmt.Errorf("read the version of the schema: %w", err)
	}
	if have > newest {
		return 0, &VersionError{Have: have, Known: newest}
	}
	if _, err := p.Up(ctx); err != nil {
		return 0, fmt.Errorf("bring the schema from version %d to %d: %w", have, newest, err)
	}
	return newest, nil
}

// requireVersion refuses a schema other than the newest; it writes nothing.
func requireVersion(ctx context.Context, db *sql.DB) (int64, error) {
	var have int64
	err := db.QueryRowContext(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`).Scan(&have)
	if err != nil {
		return 0, fmt.Errorf("read the version of the schema: %w", err)
	}
	p, err := provider(db)
	if err != nil {
		return 0, err
	}
	sources := p.ListSources()
	if newest := sources[len(sources)-1].Version; have != newest {
		return 0, &VersionError{Have: have, Known: newest}
	}
	return have, nil
}

func provider(db *sql.DB) (*goose.Provider, error) {
	files, err := fs.Sub(schemaFiles, "schema")
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(goose.DialectSQLite3, db, files)
}

// VersionError says that the schema of a database is not one that this release
// can use.
type VersionError struct {
	Have, Known int64
}

func (e *VersionError) Error() string {
	if e.Have > e.Known {
		return fmt.Sprintf("the database has schema version %d, this release knows up to %d: use the newer release", e.Have, e.Known)
	}
	return fmt.Sprintf("the database has schema version %d, this release needs %d: start the daemon once to bring it up to date", e.Have, e.Known)
}
