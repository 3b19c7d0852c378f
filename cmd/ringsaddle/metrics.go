package main

import (
	"context"
	"maps"
	"net/http"
	"slices"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
	"ringsaddle/storage"
)

// stationStats counts what only the wiring sees.
type stationStats struct {
	mu       sync.Mutex
	outcomes map[string]uint64
	celsius  map[string]float64
	delay    delayHistogram
}

// delayHistogram counts the delays from a turning point to the announcement of
// its capture, which comes after the withdrawal.
type delayHistogram struct {
	counts [len(delayBounds)]uint64 // not cumulative
	sum    float64
	n      uint64
}

// delayBounds are upper bounds in seconds: a sweep takes seconds, an entry about a
// minute.
var delayBounds = [...]float64{0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300}

func newStationStats() stationStats {
	return stationStats{outcomes: map[string]uint64{}, celsius: map[string]float64{}}
}

func (s *stationStats) captured(outcome string, delays []float64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.outcomes[outcome]++
	for _, d := range delays {
		s.delay.sum += d
		s.delay.n++
		for i, bound := range delayBounds {
			if d <= bound {
				s.delay.counts[i]++
				break
			}
		}
	}
}

func (s *stationStats) temperature(channel string, celsius float64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.celsius[channel] = celsius
}

func (s *stationStats) snapshot() (outcomes map[string]uint64, celsius map[string]float64, delay delayHistogram) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return maps.Clone(s.outcomes), maps.Clone(s.celsius), s.delay
}

// metrics turns the snapshots of all parts into Prometheus metrics at each
// scrape. Label values are stations, consumers, reasons and outcomes, which are
// few, and the idents of masters in the register.
type metrics struct {
	d *daemon

	connected, lastReading, readings, frameErrors, rejectedBytes *prometheus.Desc
	reconnects, silences, lost, captures, delay                  *prometheus.Desc
	closing, closingLimit, drift, repeatability, freedom         *prometheus.Desc
	temperature, dbSize, dbWAL, dbFree, dbWrite, dbErrors        *prometheus.Desc
	recorderFailing                                              *prometheus.Desc
	controlLower, controlUpper, closingSignal                    *prometheus.Desc
}

// newMetrics returns the handler of /metrics with a registry of its own.
func newMetrics(d *daemon) (http.Handler, error) {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("ringsaddle_"+name, help, labels, nil)
	}
	m := &metrics{
		d:               d,
		connected:       desc("readout_connected", "Whether the port of the readout is open.", "station"),
		lastReading:     desc("last_reading_age_seconds", "Time since the last valid position, on the station clock.", "station"),
		readings:        desc("readings_total", "Valid positions received.", "station"),
		frameErrors:     desc("frame_errors_total", "Frames rejected, by reason.", "station", "reason"),
		rejectedBytes:   desc("rejected_bytes_total", "Bytes rejected, by reason.", "station", "reason"),
		reconnects:      desc("reconnects_total", "Openings of the port after the first.", "station"),
		silences:        desc("silences_total", "Times that nothing valid arrived for the silence limit.", "station"),
		lost:            desc("readings_lost_total", "Entries of the tape that a consumer missed because it was slow.", "station", "consumer"),
		captures:        desc("captures_total", "Captures since the start of the daemon, by outcome.", "station", "outcome"),
		delay:           desc("announcement_delay_seconds", "Delay from a turning point to the announcement of its capture, on the station clock.", "station"),
		closing:         desc("closing_difference_meters", "Closing minus opening reference at 20 °C in the newest result.", "station", "master"),
		closingLimit:    desc("closing_limit_meters", "Largest permitted closing difference in the newest result.", "station", "master"),
		controlLower:    desc("closing_control_lower_meters", "Lower control limit of the closing differences; absent while there are too few.", "station", "master"),
		controlUpper:    desc("closing_control_upper_meters", "Upper control limit of the closing differences; absent while there are too few.", "station", "master"),
		closingSignal:   desc("closing_signal", "Whether the newest closing difference is out of control, by chart; absent while there are too few.", "station", "master", "chart"),
		drift:           desc("reference_drift_meters_per_second", "Drift of the reference between opening and closing in the newest result.", "station", "master"),
		repeatability:   desc("repeatability_meters", "Pooled standard deviation of one entry in the newest result.", "station", "master"),
		freedom:         desc("repeatability_degrees_of_freedom", "Degrees of freedom of the pooled repeatability.", "station", "master"),
		temperature:     desc("temperature_celsius", "Last temperature received, by what it measures.", "station", "channel"),
		dbSize:          desc("database_size_bytes", "Size of the database file."),
		dbWAL:           desc("database_wal_size_bytes", "Size of the database's write-ahead log."),
		dbFree:          desc("database_disk_free_bytes", "Free space on the disk of the database."),
		dbWrite:         desc("database_write_seconds", "Time from submitting a piece of work to its commit."),
		dbErrors:        desc("database_errors_total", "Pieces of work that could not be committed."),
		recorderFailing: desc("recorder_failing", "Whether readings are not being stored now.", "station"),
	}
	registry := prometheus.NewRegistry()
	build := prometheus.NewGaugeFunc(prometheus.GaugeOpts{
		Name: "ringsaddle_build_info", Help: "Constant 1; the version is a label.",
		ConstLabels: prometheus.Labels{"version": version()},
	}, func() float64 { return 1 })
	for _, c := range []prometheus.Collector{
		m, build, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	} {
		if err := registry.Register(c); err != nil {
			return nil, err
		}
	}
	return promhttp.HandlerFor(registry, promhttp.HandlerOpts{Registry: registry}), nil
}

// Describe implements prometheus.Collector.
func (m *metrics) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		m.connected, m.lastReading, m.readings, m.frameErrors, m.rejectedBytes, m.reconnects, m.silences, m.lost,
		m.captures, m.delay, m.closing, m.closingLimit, m.drift, m.repeatability, m.freedom, m.temperature,
		m.dbSize, m.dbWAL, m.dbFree, m.dbWrite, m.dbErrors, m.recorderFailing,
		m.controlLower, m.controlUpper, m.closingSignal,
	} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (m *metrics) Collect(ch chan<- prometheus.Metric) {
	for _, s := range m.d.stations {
		m.collectStation(ch, s)
	}
	m.collectStore(ch)
}

func gauge(ch chan<- prometheus.Metric, d *prometheus.Desc, v float64, labels ...string) {
	ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
}

func counter(ch chan<- prometheus.Metric, d *prometheus.Desc, v uint64, labels ...string) {
	ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), labels...)
}

func (m *metrics) collectStation(ch chan<- prometheus.Metric, s *station) {
	name := s.cfg.Name
	source := s.source.Stats()
	gauge(ch, m.connected, boolValue(source.Connected), name)
	if source.LastReadingAt > 0 {
		gauge(ch, m.lastReading, time.Duration(s.clock.Now()-source.LastReadingAt).Seconds(), name)
	}
	counter(ch, m.readings, source.Readings, name)
	for i := range source.FramesRejected {
		reason := acquire.Reason(i).String()
		counter(ch, m.frameErrors, source.FramesRejected[i], name, reason)
		counter(ch, m.rejectedBytes, source.BytesRejected[i], name, reason)
	}
	counter(ch, m.reconnects, source.Reconnects, name)
	counter(ch, m.silences, source.Silences, name)
	lost := map[string]uint64{}
	for _, h := range s.tape.Stats().Heads {
		lost[h.Name] += h.Lost
	}
	for _, consumer := range slices.Sorted(maps.Keys(lost)) {
		counter(ch, m.lost, lost[consumer], name, consumer)
	}
	outcomes, celsius, delay := s.stats.snapshot()
	for _, o := range slices.Sorted(maps.Keys(outcomes)) {
		counter(ch, m.captures, outcomes[o], name, o)
	}
	for _, c := range slices.Sorted(maps.Keys(celsius)) {
		gauge(ch, m.temperature, celsius[c], name, c)
	}
	buckets := map[float64]uint64{}
	var sum uint64
	for i, bound := range delayBounds {
		sum += delay.counts[i]
		buckets[bound] = sum
	}
	ch <- prometheus.MustNewConstHistogram(m.delay, delay.n, delay.sum, buckets, name)
	gauge(ch, m.recorderFailing, boolValue(s.recorder.Stats().Failing), name)
}

func (m *metrics) collectStore(ch chan<- prometheus.Metric) {
	st := m.d.store.Stats()
	gauge(ch, m.dbSize, float64(st.DatabaseBytes))
	gauge(ch, m.dbWAL, float64(st.WALBytes))
	if st.DiskFreeBytes >= 0 {
		gauge(ch, m.dbFree, float64(st.DiskFreeBytes))
	}
	counter(ch, m.dbErrors, st.Errors)
	buckets := map[float64]uint64{}
	var sum uint64
	for i, bound := range st.Writes.UpperSeconds {
		sum += st.Writes.Counts[i]
		buckets[bound] = sum
	}
	ch <- prometheus.MustNewConstHistogram(m.dbWrite, st.Writes.Count, st.Writes.SumSeconds, buckets)

	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	checks, err := m.d.store.LastReferenceChecks(ctx)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(m.closing, err)
		return
	}
	idents := m.idents(ctx)
	const metersPerPM = 1e-12
	for _, c := range checks {
		master := idents(c.MasterID)
		gauge(ch, m.closing, float64(c.Difference)*metersPerPM, c.Station, master)
		gauge(ch, m.closingLimit, float64(c.Limit)*metersPerPM, c.Station, master)
		gauge(ch, m.drift, float64(c.DriftPerHour)*metersPerPM/3600, c.Station, master)
		m.collectControl(ctx, ch, c.Station, c.MasterID, master)
	}
	repeats, err := m.d.store.LastRepeatability(ctx)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(m.repeatability, err)
		return
	}
	for _, r := range repeats {
		gauge(ch, m.repeatability, float64(r.S)*metersPerPM, r.Station, idents(r.MasterID))
		gauge(ch, m.freedom, float64(r.DoF), r.Station, idents(r.MasterID))
	}
}

// controlWindow is how many closings, the newest, the control charts look back.
const controlWindow = 1000

// collectControl tells whether the closing differences of a master are under
// control.
func (m *metrics) collectControl(ctx context.Context, ch chan<- prometheus.Metric, station, masterID, master string) {
	list, err := m.d.store.Closings(ctx, station, masterID, 0, controlWindow)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(m.closingSignal, err)
		return
	}
	var meters []float64
	for _, c := range slices.Backward(list) {
		meters = append(meters, float64(c.Difference)*1e-12)
	}
	chart, err := calibrate.ChartClosings(meters)
	if err != nil {
		return // too few, or no scatter: no limits
	}
	last := len(meters) - 1
	gauge(ch, m.controlLower, chart.Limits.Lower, station, master)
	gauge(ch, m.controlUpper, chart.Limits.Upper, station, master)
	gauge(ch, m.closingSignal, boolValue(chart.Beyond[last]), station, master, "single")
	gauge(ch, m.closingSignal, boolValue(chart.EWMA[last].Signal), station, master, "ewma")
	gauge(ch, m.closingSignal, boolValue(chart.CUSUM[last].Signal), station, master, "cusum")
}

// idents looks up what is engraved on a ring; its id where that is not known.
func (m *metrics) idents(ctx context.Context) func(id string) string {
	rings, err := m.d.store.Rings(ctx)
	known := map[string]storage.RingRecord{}
	if err == nil {
		for _, r := range rings {
			known[r.ID] = r
		}
	}
	return func(id string) string {
		if r, ok := known[id]; ok {
			return r.Ident
		}
		return id
	}
}

func boolValue(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
