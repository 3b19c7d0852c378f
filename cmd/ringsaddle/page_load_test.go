package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	cdp "github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/heapprofiler"
	"github.com/chromedp/cdproto/memory"
	cdpruntime "github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

var (
	pageMinutes = flag.Float64("page-minutes", 0.1, "how long TestPageHeap watches a page at a thousand readings a second")
	pageSeconds = flag.Int("page-seconds", 10, "how long each stretch of BenchmarkPageCost lasts")
)

// fastRig is a bench that sends a thousand readings a second at life's speed, with a
// daemon in a process of its own and a set in progress. Its hand measures many
// entries, or leaves the contacts free.
type fastRig struct {
	bench *bench.Bench
	child *exec.Cmd
	api   *client
	base  string
}

func newFastRig(t testing.TB, playing bool) *fastRig {
	t.Helper()
	sc := briskScenario(t)
	sc.Readout.RateHz = 1000
	for i := range sc.Tasks {
		sc.Tasks[i].Repeat = 10
	}
	hand := newOperator(1)
	var instructor bench.Instructor = bench.NewOrders()
	if playing {
		instructor = hand
	}
	folder := t.TempDir()
	device := filepath.Join(folder, "bench")
	r := &fastRig{}
	var err error
	if r.bench, err = bench.New(bench.Options{Scenario: sc, Seed: 4, Link: device, Instructor: instructor}); err != nil {
		t.Fatal(err)
	}
	if _, err := r.bench.Open(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.bench.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the bench: %v", err)
		}
	})
	listen := freeAddress(t)
	r.base = "http://" + listen
	r.api = &client{base: r.base}
	r.child = startChild(t, demoConfig(sc, device, filepath.Join(folder, "ringsaddle.db"), listen), listen, newStationClock(1, acquire.BootClock))
	tech := &technician{out: io.Discard, scenario: sc, api: r.api}
	if err := tech.register(ctx); err != nil {
		t.Fatal(err)
	}
	if err := tech.start(ctx); err != nil {
		t.Fatal(err)
	}
	set, err := r.api.set(ctx, tech.setID)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.api.act(ctx, set.ID, "confirm-ring", map[string]any{"by": technicianName, "ring_id": set.ConfirmRing}); err != nil {
		t.Fatal(err)
	}
	hand.watch(listen, nil)
	return r
}

// counted is what the daemon has received and lost.
type counted struct {
	Readings uint64            `json:"readings"`
	Lost     map[string]uint64 `json:"lost"`
}

func (r *fastRig) counted(t testing.TB) counted {
	t.Helper()
	var c counted
	if err := r.api.call(context.Background(), "GET", "/stations/bench-1", nil, &c); err != nil {
		t.Fatal(err)
	}
	return c
}

func (c counted) lost() (n uint64) {
	for _, l := range c.Lost {
		n += l
	}
	return n
}

// cpu is the processor time that the daemon has used.
func (r *fastRig) cpu(t testing.TB) time.Duration {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", r.child.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	// Fields 14 and 15 of proc(5), counted from behind the name: user and system
	// time in ticks of a hundredth of a second.
	fields := strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:]))
	var ticks int64
	for _, f := range fields[11:13] {
		n, err := strconv.ParseInt(f, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond
}

// drawScript counts frames of the screen, and the points that the page draws in one.
const drawScript = `(() => {
	const n = window.drawn = { frames: 0, points: 0, most: 0 };
	const line = CanvasRenderingContext2D.prototype.lineTo;
	CanvasRenderingContext2D.prototype.lineTo = function (x, y) { n.points++; return line.call(this, x, y); };
	const frame = () => { n.frames++; n.most = Math.max(n.most, n.points); n.points = 0; requestAnimationFrame(frame); };
	requestAnimationFrame(frame);
})()`

// At a thousand readings a second the page draws at most once for each frame of the
// screen, from a bounded number of points, and its memory stays as it is.
//
//	go test ./cmd/ringsaddle -run TestPageHeap -page-minutes 10 -v -timeout 20m
//
// watches the heap for ten minutes and prints its course.
func TestPageHeap(t *testing.T) {
	t.Parallel()
	page := newPage(t)
	page.before(drawScript)
	rig := newFastRig(t, true)
	page.open(rig.base+"/", 1280, 800)
	page.see("contact", `document.querySelector('#contact').dataset.contact === 'settled'`)
	type draws struct {
		Draws   float64 `json:"draws"`
		Frames  float64 `json:"frames"`
		Most    float64 `json:"most"`
		Columns float64 `json:"columns"`
	}
	look := func() draws {
		t.Helper()
		d, err := evalPage[draws](page, "({ draws: ringsaddle.trace.draws, frames: drawn.frames, most: drawn.most, columns: ringsaddle.trace.columns.length })")
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	began, first, readings := time.Now(), look(), rig.counted(t).Readings
	var minutes, heap []float64
	end := began.Add(time.Duration(*pageMinutes * float64(time.Minute)))
	every := max(time.Second, time.Until(end)/40)
	for time.Now().Before(end) {
		time.Sleep(every)
		used, nodes := usedHeap(t, page)
		minutes, heap = append(minutes, time.Since(began).Minutes()), append(heap, used/1024)
		t.Logf("%5.2f min: heap %6.0f KiB, %d nodes", time.Since(began).Minutes(), used/1024, nodes)
	}
	last, taken := look(), float64(rig.counted(t).Readings-readings)
	drawn, frames := last.Draws-first.Draws, last.Frames-first.Frames
	t.Logf("%.0f readings, %.0f frames of the screen, %.0f draws, at most %.0f points in one, %.0f columns kept", taken, frames, drawn, last.Most, last.Columns)
	if drawn == 0 || drawn > frames+1 {
		t.Errorf("%.0f draws in %.0f frames of the screen", drawn, frames)
	}
	if taken < 10*drawn {
		t.Errorf("%.0f readings for %.0f draws: this is no fast stream", taken, drawn)
	}
	if last.Columns > 4096 || last.Most > 4*4096 {
		t.Errorf("%.0f columns kept, %.0f points drawn in one frame", last.Columns, last.Most)
	}
	if *pageMinutes < 2 {
		return
	}
	// The first minute fills the trace. After it the heap must not grow by more than
	// a tenth.
	from := 0
	for minutes[from] < 1 {
		from++
	}
	half := from + (len(heap)-from)/2
	early, late := mean(heap[from:half]), mean(heap[half:])
	t.Logf("heap: mean of the first half %.0f KiB, of the second %.0f KiB, ratio %.3f", early, late, late/early)
	if late > 1.1*early {
		t.Errorf("the heap grows: %.0f KiB, then %.0f KiB", early, late)
	}
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(max(1, len(x)))
}

// usedHeap returns what of the page's heap is in use after a collection, bytes, and
// the number of its nodes.
func usedHeap(t testing.TB, page *watcher) (used float64, nodes int64) {
	t.Helper()
	err := chromedp.Do(page.ctx, chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		for range 2 {
			if _, err := chromedp.Call(page.ctx, heapprofiler.CollectGarbage, cdp.Empty{}); err != nil {
				return err
			}
		}
		u, err := chromedp.Call(page.ctx, cdpruntime.GetHeapUsage, cdp.Empty{})
		if err != nil {
			return err
		}
		n, err := chromedp.Call(page.ctx, memory.GetDOMCounters, cdp.Empty{})
		used, nodes = u.UsedSize, n.Nodes
		return err
	}))
	if err != nil {
		t.Fatal(err)
	}
	return used, nodes
}

// BenchmarkPageCost compares stretches with no, one and four open pages in one run at
// a thousand readings a second: processor time of the daemon and readings taken. What
// the detector does varies with the hand and would hide what a page costs, so that is
// taken with the contacts free; entries are measured to see whether readings are lost.
//
// A browser that draws keeps a small machine so busy that the daemon is woken less
// often, with more readings at a time, and uses less time with pages than without. So
// what it costs to serve a page is taken with readers of the page's event stream
// ("served"), which take no notice of what they get; "free" and "playing" are whole
// pages in a browser.
//
//	go test ./cmd/ringsaddle -run '^$' -bench PageCost -benchtime 1x -page-seconds 20
func BenchmarkPageCost(b *testing.B) {
	b.Run("served", func(b *testing.B) { pageCost(b, false, readStreams) })
	b.Run("free", func(b *testing.B) { pageCost(b, false, openPages) })
	b.Run("playing", func(b *testing.B) { pageCost(b, true, openPages) })
}

// readStreams opens n event streams as pages do, and returns what closes them.
func readStreams(b *testing.B, base string) func(n int) (leave func()) {
	return func(n int) func() {
		ctx, cancel := context.WithCancel(context.Background())
		var g sync.WaitGroup
		for range n {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, base+"/api/v1/events?station=bench-1&live=true&after=-1", nil)
			if err != nil {
				b.Fatal(err)
			}
			res, err := http.DefaultClient.Do(req)
			if err != nil {
				b.Fatal(err)
			}
			if res.StatusCode != http.StatusOK {
				b.Fatalf("the event stream answers %s", res.Status)
			}
			g.Go(func() {
				defer res.Body.Close()
				got, _ := io.Copy(io.Discard, res.Body) // until it is left
				if got == 0 {
					b.Error("an event stream without events")
				}
			})
		}
		return func() { cancel(); g.Wait() }
	}
}

// openPages opens n pages in a browser, and returns what blanks them.
func openPages(b *testing.B, base string) func(n int) (leave func()) {
	pages := []*watcher{newPage(b)}
	for range 3 {
		pages = append(pages, pages[0].another())
	}
	return func(n int) func() {
		for _, p := range pages[:n] {
			p.open(base+"/", 1280, 800)
			p.see("readings", `/\d/.test(document.querySelector('#reading').innerText)`)
		}
		return func() {
			for _, p := range pages[:n] {
				p.open("about:blank", 1280, 800)
			}
		}
	}
}

func pageCost(b *testing.B, playing bool, look func(*testing.B, string) func(int) func()) {
	rig := newFastRig(b, playing)
	with := look(b, rig.base)
	type stretch struct{ cpu, seconds, taken, sent, lost float64 }
	sum := map[int]stretch{}
	for b.Loop() {
		for _, n := range []int{0, 1, 0, 4, 0, 1, 0, 4, 0} {
			leave := with(n)
			time.Sleep(time.Second)
			cpu, at, c, sent := rig.cpu(b), time.Now(), rig.counted(b), rig.bench.Stats()
			time.Sleep(time.Duration(*pageSeconds) * time.Second)
			s, now, later := sum[n], rig.counted(b), rig.bench.Stats()
			s.cpu += (rig.cpu(b) - cpu).Seconds()
			s.seconds += time.Since(at).Seconds()
			s.taken += float64(now.Readings - c.Readings)
			s.sent += float64(later.Frames - sent.Frames)
			s.lost += float64(now.lost()-c.lost()) + float64(later.BytesLost-sent.BytesLost)
			sum[n] = s
			leave()
		}
	}
	none := sum[0]
	for _, n := range []int{0, 1, 4} {
		s := sum[n]
		b.Logf("%d pages: %.1f s, daemon %.2f %% of a core, %.1f readings/s, taken/sent %.4f, lost %.0f", n, s.seconds, 100*s.cpu/s.seconds, s.taken/s.seconds, s.taken/s.sent, s.lost)
	}
	b.ReportMetric(100*(sum[1].cpu/sum[1].seconds-none.cpu/none.seconds), "%core/page")
	b.ReportMetric(100*(sum[4].cpu/sum[4].seconds-none.cpu/none.seconds), "%core/4pages")
	b.ReportMetric((sum[1].cpu/sum[1].seconds)/(none.cpu/none.seconds), "cpu-1/cpu-0")
	b.ReportMetric((sum[4].cpu/sum[4].seconds)/(none.cpu/none.seconds), "cpu-4/cpu-0")
	b.ReportMetric((sum[4].taken/sum[4].sent)/(none.taken/none.sent), "taken-4/taken-0")
	b.ReportMetric(0, "ns/op")
}
