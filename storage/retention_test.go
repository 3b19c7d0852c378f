package storage

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"ringsaddle/acquire"
)

func (b *bench) blocks(t testing.TB) (total, folded int) {
	t.Helper()
	err := b.readers.QueryRow(`SELECT count(*), coalesce(sum(folded), 0) FROM trace_block`).Scan(&total, &folded)
	if err != nil {
		t.Fatal(err)
	}
	return total, folded
}

func TestFoldingKeepsEveryReading(t *testing.T) {
	b := newBench(t, Config{})
	ctx := t.Context()
	all := readings(1, 20_000)
	lost := func(r acquire.Reading) bool { return r.Seq > 12_000 && r.Seq <= 12_100 }
	b.putTrace(t, all[:12_000], 100)
	b.putTrace(t, all[12_100:], 100)
	rec := b.capture(5000, 9000)
	if _, err := b.CommitCapture(ctx, rec, nil); err != nil {
		t.Fatal(err)
	}
	want := slices.DeleteFunc(slices.Clone(all), lost)
	n, err := b.Fold(ctx)
	if err != nil {
		t.Fatal(err)
	}
	// 100 readings a second: a block is full after a minute. The newest run stays.
	total, folded := b.blocks(t)
	if n == 0 || folded == 0 || total >= 199 || b.Stats().BlocksFolded != uint64(n) {
		t.Errorf("%d folded, %d blocks, %d of them full", n, total, folded)
	}
	if got := stored(t, b.Store, b.stream.ID); !slices.Equal(want, got) {
		t.Errorf("%d readings after folding, want %d", len(got), len(want))
	}
	if err := b.VerifyTrace(ctx, rec.ID); err != nil {
		t.Error(err)
	}
	if again, err := b.Fold(ctx); err != nil || again != 0 {
		t.Errorf("folding again replaced %d, %v", again, err)
	}
	b.clock.Advance(2 * foldAge)
	if _, err := b.Fold(ctx); err != nil {
		t.Fatal(err)
	}
	if total, folded := b.blocks(t); total != folded {
		t.Errorf("%d of %d blocks folded after an hour", folded, total)
	}
	if got := stored(t, b.Store, b.stream.ID); !slices.Equal(want, got) {
		t.Errorf("%d readings after the last folding, want %d", len(got), len(want))
	}
	checkIntegrity(t, b.Store)
}

// A fault at any statement of a fold leaves the tails or the block, never both
// and never neither.
func TestFoldingIsAllOrNothing(t *testing.T) {
	b := newBench(t, Config{})
	want := readings(1, 2000)
	b.putTrace(t, want, 100)
	b.clock.Advance(2 * foldAge)
	for at := 1; ; at++ {
		f := &faults{at: at, sticky: true}
		b.fault = f.hit
		_, err := b.Fold(t.Context())
		b.fault = nil
		if got := stored(t, b.Store, b.stream.ID); !slices.Equal(want, got) {
			t.Fatalf("fault at statement %d: %d readings", at, len(got))
		}
		var open int
		if err := b.readers.QueryRow(`SELECT count(*) FROM trace_door`).Scan(&open); err != nil || open != 0 {
			t.Fatalf("fault at statement %d: the door is open, %v", at, err)
		}
		if err == nil {
			if at < 6 {
				t.Errorf("folded with %d statements", at-1)
			}
			return
		}
		if !errors.Is(err, errInjected) {
			t.Fatal(err)
		}
	}
}

func TestRetentionKeepsTheEvidence(t *testing.T) {
	b := newBench(t, Config{})
	ctx := t.Context()
	all := readings(1, 20_000) // 200 s
	b.putTrace(t, all, 500)
	b.putTrace(t, readings(20_001, 1000), 500)
	first, second := b.capture(3200, 4700), b.capture(9001, 9500)
	for _, rec := range []CaptureRecord{first, second} {
		if _, err := b.CommitCapture(ctx, rec, nil); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := b.Retain(ctx, RetentionPolicy{}); err != nil || got != (Retired{}) {
		t.Errorf("keeping for ever: %+v, %v", got, err)
	}
	if _, err := b.Retain(ctx, RetentionPolicy{KeepFor: time.Second}); err == nil {
		t.Error("a second is too short")
	}
	b.clock.Advance(time.Hour + 200*time.Second) // what is older than 200 s by the trace goes
	got, err := b.Retain(ctx, RetentionPolicy{KeepFor: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	// 39 whole blocks of 500 are old enough (the 40th ends at 200.00 s); 4 hold the
	// first capture, 1 the second.
	if want := int64(39 - 4 - 1); got.Blocks != want || got.Readings != want*500 || got.Bytes <= 0 {
		t.Errorf("%+v, want %d blocks", got, want)
	}
	for _, rec := range []CaptureRecord{first, second} {
		if err := b.VerifyTrace(ctx, rec.ID); err != nil {
			t.Error(err)
		}
	}
	gaps, err := b.Gaps(ctx, b.stream.ID, 0, 1<<40)
	if err != nil {
		t.Fatal(err)
	}
	var spans [][2]uint64
	for _, g := range gaps {
		if g.Reason != GapRetention {
			t.Errorf("%+v", g)
		}
		spans = append(spans, [2]uint64{g.FirstSeq, g.LastSeq})
	}
	if want := [][2]uint64{{1, 3000}, {5001, 9000}, {9501, 19500}}; !slices.Equal(spans, want) {
		t.Errorf("gaps %v, want %v", spans, want)
	}
	if u, err := b.unexplained(ctx, b.stream.ID, 1, 21_000); err != nil || u != 0 {
		t.Errorf("%d readings are missing without a gap, %v", u, err)
	}
	entries, err := b.EventsAfter(ctx, 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	if last := entries[len(entries)-1]; last.Kind != KindTraceRetired || !strings.Contains(string(last.Payload), `"blocks":34`) {
		t.Errorf("%s %s", last.Kind, last.Payload)
	}
	if again, err := b.Retain(ctx, RetentionPolicy{KeepFor: time.Hour}); err != nil || again != (Retired{}) {
		t.Errorf("retaining again: %+v, %v", again, err)
	}
	checkIntegrity(t, b.Store)
}

// Even a mistake in this package cannot remove evidence: the trigger refuses.
func TestTheDoorGuardsEvidence(t *testing.T) {
	b := newBench(t, Config{})
	b.putTrace(t, readings(1, 100), 100)
	rec := b.capture(50, 60)
	if _, err := b.CommitCapture(t.Context(), rec, nil); err != nil {
		t.Fatal(err)
	}
	err := b.write(t.Context(), false, func(x *tx) error {
		return x.throughDoor("retention", func() error {
			_, err := x.exec(`DELETE FROM trace_block`)
			return err
		})
	})
	if err == nil || !strings.Contains(err.Error(), "a capture stands on this block") {
		t.Errorf("got %v", err)
	}
	blk, err := b.makeBlock(b.stream, readings(90, 20))
	if err != nil {
		t.Fatal(err)
	}
	err = b.write(t.Context(), false, func(x *tx) error { return x.putBlock(blk, false) })
	if err == nil || !strings.Contains(err.Error(), "overlaps a stored block") {
		t.Errorf("overlapping block: %v", err)
	}
}
