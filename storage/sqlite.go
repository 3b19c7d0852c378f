package storage

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/mattn/go-sqlite3"
)

// The driver ignores an option that it does not know, and the library is built
// with NORMAL as the default of synchronous in WAL mode. So every connection
// reads its pragmas back and is refused if one of them is not as it must be.

// busyTimeout is how long a statement waits for a lock of another process.
const busyTimeout = 5 * time.Second

// walSizeLimit is the size to which the write-ahead log is cut back after a
// checkpoint, bytes.
const walSizeLimit = 32 << 20

// pragma is one setting with the value that it must read back as.
type pragma struct {
	name, set, want string
}

func pragmas(readOnly bool, maxPages int64) []pragma {
	ps := []pragma{
		{"foreign_keys", "ON", "1"},
		{"recursive_triggers", "ON", "1"},
		{"busy_timeout", fmt.Sprint(busyTimeout.Milliseconds()), fmt.Sprint(busyTimeout.Milliseconds())},
		{"synchronous", "FULL", "2"},
		{"journal_size_limit", fmt.Sprint(walSizeLimit), fmt.Sprint(walSizeLimit)},
		{"trusted_schema", "OFF", "0"},
		{"cell_size_check", "ON", "1"},
	}
	if maxPages > 0 && !readOnly {
		ps = append(ps, pragma{"max_page_count", fmt.Sprint(maxPages), fmt.Sprint(maxPages)})
	}
	if readOnly {
		return append(ps, pragma{"journal_mode", "", "wal"}, pragma{"query_only", "ON", "1"})
	}
	return append(ps, pragma{"journal_mode", "WAL", "wal"})
}

// PragmaError says that a connection did not take a setting on which the
// promises of the package rest.
type PragmaError struct {
	Name, Got, Want string
}

func (e *PragmaError) Error() string {
	return fmt.Sprintf("sqlite: pragma %s reads back %q, must be %q", e.Name, e.Got, e.Want)
}

// connector opens connections to one database file and settles their pragmas.
type connector struct {
	driver   *sqlite3.SQLiteDriver
	dsn      string
	pragmas  []pragma
	onCommit func() int // tests only: non-zero makes a commit fail
}

func newConnector(path string, readOnly bool, maxPages int64) *connector {
	mode := "rwc"
	if readOnly {
		mode = "rw" // query_only keeps it from writing; mode=ro cannot recover a log
	}
	escaped := strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23").Replace(path)
	return &connector{
		driver:  &sqlite3.SQLiteDriver{},
		dsn:     "file:" + escaped + "?mode=" + mode + "&_txlock=immediate&_stmt_cache_size=64",
		pragmas: pragmas(readOnly, maxPages),
	}
}

func (c *connector) Driver() driver.Driver { return c.driver }

func (c *connector) Connect(ctx context.Context) (driver.Conn, error) {
	conn, err := c.driver.Open(c.dsn)
	if err != nil {
		return nil, err
	}
	sc := conn.(*sqlite3.SQLiteConn)
	for _, p := range c.pragmas {
		if err := settle(ctx, sc, p); err != nil {
			_ = conn.Close()
			return nil, err
		}
	}
	if c.onCommit != nil {
		sc.RegisterCommitHook(c.onCommit)
	}
	return conn, nil
}

// settle sets one pragma and reads it back.
func settle(ctx context.Context, c *sqlite3.SQLiteConn, p pragma) error {
	if p.set != "" {
		if _, err := c.ExecContext(ctx, "PRAGMA "+p.name+" = "+p.set, nil); err != nil {
			return fmt.Errorf("set pragma %s: %w", p.name, err)
		}
	}
	rows, err := c.QueryContext(ctx, "PRAGMA "+p.name, nil)
	if err != nil {
		return fmt.Errorf("read pragma %s back: %w", p.name, err)
	}
	defer func() { _ = rows.Close() }()
	got := make([]driver.Value, len(rows.Columns()))
	if err := rows.Next(got); errors.Is(err, io.EOF) {
		return &PragmaError{Name: p.name, Got: "", Want: p.want}
	} else if err != nil {
		return fmt.Errorf("read pragma %s back: %w", p.name, err)
	}
	if s := fmt.Sprint(got[0]); s != p.want {
		return &PragmaError{Name: p.name, Got: s, Want: p.want}
	}
	return nil
}

// IsFull reports whether err says that the disk (or the permitted size of the
// database) is exhausted. Writing goes on by itself once there is room again.
// Opening a database on a full disk fails with another code, so both are
// looked for.
func IsFull(err error) bool {
	var e sqlite3.Error
	if !errors.As(err, &e) {
		return false
	}
	return e.Code == sqlite3.ErrFull || e.SystemErrno == errNoSpace
}

// inTransaction reports whether the connection has an open transaction. After a
// full disk the statement's error has rolled it back already.
func inTransaction(conn *sql.Conn) bool {
	open := false
	_ = conn.Raw(func(c any) error {
		open = !c.(*sqlite3.SQLiteConn).AutoCommit()
		return nil
	})
	return open
}
