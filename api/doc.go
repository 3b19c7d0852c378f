// Package api serves a Ringsaddle daemon over HTTP: a JSON interface for
// programs, a live stream and the bench page for the technician, metrics and
// probes for whoever runs the machine.
//
// # Routes
//
//	/                         the bench page (embedded, works without a network)
//	/api/v1/openapi.json      the description of everything below /api/v1
//	/api/v1/stations          benches, their live readings and raw traces
//	/api/v1/events, journal   the journal as server-sent events with cues, and in pages
//	/api/v1/sets              sets and the actions of the person on them
//	/api/v1/captures          captures, their turning points, raw traces and envelopes
//	/api/v1/rings, materials  the register, and what was found on a ring
//	/metrics /healthz /readyz for the machine room
//
// # Promise
//
// Under /api/v1 changes only add: a path, an operation id, a field or an enum
// value that was served once stays and keeps its meaning. The generated document
// is a golden file, so that a break shows in review. Readers must ignore fields
// they do not know; writers are refused unknown fields, because a misspelt limit
// must not be dropped silently.
//
// # Units
//
// Every quantity has its unit in its name: reading_mm, u_mm, direction_deg,
// celsius, age_s. Lengths are JSON numbers in decimals of a millimetre. Recorded
// lengths are whole picometres; as numbers they are written with the fewest
// digits that identify the double nearest to them, which for lengths under
// 900 m (2^53 pm is 9007 m) are exactly the digits of the picometre count.
// Angles of direction are degrees, resolved to a thousandth. u is a standard
// uncertainty; an expanded one is called so and comes with its coverage factor.
//
// Times are RFC 3339 in UTC with up to nine decimals of a second.
//
// # Errors
//
// Every answer with a status of 400 and above is a problem document (RFC 9457,
// application/problem+json), those of the router and of the origin check
// included. A refusal (422) lists all faults at once in "errors", each with
// location, value and what is permitted. 409 means: sound, but not now.
//
// # Streams
//
// A page needs one connection: /api/v1/events?station=NAME&live=true. Journal
// events carry the journal's sequence number, from 1, as their id, and a client
// that comes back with Last-Event-ID (or after=) misses none. Cues, live frames
// and heartbeats carry no id and are never resent. A heartbeat comes each second;
// a page that has heard nothing for two seconds says that the connection is lost.
// Each client has a mailbox of one frame: a slow one skips frames and is then
// sent the trace again as a whole, and one that takes nothing for five seconds
// is cut off. Nothing a client does can delay a bench.
//
// # Who may do what
//
// There is no login here. The daemon listens on loopback unless told otherwise;
// requests from other origins that would change something are refused, and so
// are names of the host that are not loopback ones. The names given as "by" are
// declared, not proved.
package api
