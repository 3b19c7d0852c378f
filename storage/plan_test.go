package storage

import (
	"context"
	"database/sql"
	"strings"
	"testing"
)

// The queries that run while a bench is in use, or on tables that grow for years,
// go by an index; a scan of a whole table would be felt after a year.
func TestQueriesUseTheirIndexes(t *testing.T) {
	b := newBench(t, Config{})
	for name, q := range map[string]string{
		"trace":              `SELECT data FROM trace_block WHERE` + blocksFrom + `ORDER BY first_seq LIMIT ?4`,
		"trace by time":      `SELECT stream_id FROM trace_block WHERE station = ?1 AND min_wall_ns >= ?2 AND min_wall_ns < ?3 AND max_wall_ns >= ?2`,
		"gaps":               `SELECT id FROM trace_gap WHERE stream_id = ?1 AND first_seq <= ?3 AND last_seq >= ?2`,
		"tails":              `SELECT DISTINCT stream_id FROM trace_block WHERE folded = 0 ORDER BY stream_id`,
		"tails of a stream":  `SELECT data FROM trace_block WHERE stream_id = ?1 AND folded = 0 AND first_seq >= ?2 ORDER BY first_seq LIMIT 1`,
		"events of a set":    `SELECT seq FROM journal WHERE set_id = ?1 AND subject = 'set' ORDER BY seq`,
		"journal after":      `SELECT seq FROM journal WHERE seq > ?1 ORDER BY seq LIMIT 10`,
		"journal head":       `SELECT seq, hash FROM journal ORDER BY seq DESC LIMIT 1`,
		"open sets":          `SELECT m.id FROM measurement_set m WHERE m.station = ?1 AND NOT EXISTS (SELECT 1 FROM journal j WHERE j.set_id = m.id AND j.kind IN ('aborted', 'set_closed'))`,
		"captures of a set":  `SELECT id FROM capture WHERE set_id = ?1 ORDER BY wall_ns, id LIMIT 10`,
		"captures by time":   `SELECT id FROM capture WHERE station = ?1 AND wall_ns >= ?2 AND wall_ns < ?3 ORDER BY wall_ns, id LIMIT 10`,
		"evidence":           `SELECT 1 FROM capture WHERE stream_id = ?1 AND last_seq >= ?2 AND first_seq <= ?3`,
		"turning points":     `SELECT value FROM turning_point WHERE capture_id = ?1 ORDER BY ordinal`,
		"last temperature":   `SELECT ucelsius FROM temperature WHERE station = ?1 AND channel = ?2 ORDER BY wall_ns DESC, id DESC LIMIT 1`,
		"ring":               ringByID,
		"ring by ident":      ringByIdent,
		"newest result":      resultNewest,
		"history of a ring":  `SELECT p.diameter_pm FROM result_position p WHERE p.ring_id = ?1 ORDER BY p.wall_ns DESC LIMIT 10`,
		"history of master":  `SELECT ` + checkColumns + ` FROM reference_check p WHERE p.station = ?1 AND p.master_id = ?2 AND` + onlyNewest + `ORDER BY p.wall_ns DESC LIMIT 1`,
		"history of repeats": `SELECT ` + repeatabilityColumns + ` FROM repeatability p WHERE p.station = ?1 AND p.master_id = ?2 AND` + onlyNewest + `ORDER BY p.wall_ns DESC LIMIT 1`,
	} {
		steps, err := collect(context.Background(), b.readers, func(rows *sql.Rows) (string, error) {
			var id, parent, unused int
			var detail string
			err := rows.Scan(&id, &parent, &unused, &detail)
			return detail, err
		}, "EXPLAIN QUERY PLAN "+q, 1, 2, 3, 4)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, step := range steps {
			// A walk along an index, or one that stops at the first row, is no scan.
			if strings.HasPrefix(step, "SCAN") && !strings.Contains(step, "USING") && name != "journal head" ||
				strings.Contains(step, "TEMP B-TREE FOR ORDER BY") {
				t.Errorf("%s: %s", name, step)
			}
		}
		if len(steps) == 0 {
			t.Errorf("%s: no plan", name)
		}
	}
}
