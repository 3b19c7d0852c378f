// Package acquiretest stands in for a readout in tests: it plays a recording back
// as a port, with the recorded times as the station clock, and injects faults on
// demand.
//
// A bug report from the field is a test: record the port with `ringsaddle
// record`, put the file beside the test, and play it.
package acquiretest
