// Package storage keeps what was measured: rings, stations, sets, captures with
// the readings on which they stand, conditions, results, and the journal of
// everything that happened. It is one SQLite file.
//
// # What is promised
//
// When a method that records something returns nil, what it recorded is in one
// committed transaction, written with synchronous FULL. Killing the process at
// any moment loses nothing that was acknowledged, and leaves nothing half
// written; the tests of this package kill a writing process again and again and
// look. A power cut was not tested: there the promise rests on the library's
// documentation of FULL and on a disk that does not lie about its cache. Process
// kills cannot tell FULL from weaker settings.
//
// A capture is committed after the readings up to its last one, together with its
// turning points, its reasons and the events that it causes; announce it after
// that.
//
// # The story of the schema
//
// Facts are only ever added. Tables of facts have triggers that refuse UPDATE,
// DELETE and the reuse of a key. What changes (a ring, the settings of a
// station, the result of a set) gets a new revision beside the old one. Every row
// names its station. Ids that are seen outside are UUIDv7. Times are integers of
// nanoseconds, lengths of picometres, temperatures of millionths of a degree;
// only what the detector computed is floating point, kept bit for bit, and NaN
// is refused.
//
// The journal is one table for all stations and kinds, numbered from 1 without
// holes. Its payloads are canonical JSON without floating point; each entry's
// hash covers the entry before. Entries about captures, rings, streams, settings
// and results hold the digests of those rows, so VerifyJournal finds a change to
// them too. Cutting entries off the end can be found only by comparing Head with
// one that was noted elsewhere.
//
// Readings are kept in blocks (block.go) that know nothing of captures. The
// recorder writes what it has at least once a second; these tails are folded into
// full blocks later. Retention removes blocks on which no capture stands and
// leaves gap entries; readings are never missing without an entry that says why.
// A capture keeps the digest of its decoded readings, which folding does not
// touch; VerifyTrace compares.
//
// # One writer
//
// All writing goes through one queue and one connection: what a person waits for
// first, traces after it, as many pieces of work in one transaction as fit into
// Config.CommitBudget (default 30 ms). A piece that fails takes no other along.
// A lock file keeps a second writing process out. Reading uses connections of its
// own and never waits for the writer.
//
// # When the disk is full
//
// Writing fails with an error for which IsFull is true; reading goes on. The
// recorder tries again until there is room; the tape holds what it can meanwhile
// and the rest becomes a gap. Nothing needs to be restarted. Stats tells the free
// space: raise the alarm before it is gone.
package storage
