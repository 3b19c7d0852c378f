package bench

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"
)

// FaultKind names a fault that can be had on demand.
type FaultKind string

// The faults.
const (
	// FaultUnplug pulls the cable for Seconds, or until FaultPlug for zero: the
	// device vanishes and comes back under another number behind the same link.
	FaultUnplug FaultKind = "unplug"
	// FaultPlug puts the cable back at once.
	FaultPlug FaultKind = "plug"
	// FaultGarbage sends Bytes random bytes.
	FaultGarbage FaultKind = "garbage"
	// FaultHalfFrame sends the first half of a frame, without its terminator.
	FaultHalfFrame FaultKind = "half_frame"
	// FaultPowerCycle switches the readout off for Seconds; afterwards it counts
	// from zero.
	FaultPowerCycle FaultKind = "power_cycle"
	// FaultPreset presses the preset key: the reading becomes MM.
	FaultPreset FaultKind = "preset"
	// FaultStall sends nothing for Seconds; the readout keeps its origin.
	FaultStall FaultKind = "stall"
)

// Fault is a fault on demand. Seconds are simulated seconds.
type Fault struct {
	Kind    FaultKind
	Seconds float64
	Bytes   int
	MM      float64
}

func (f Fault) validate() error {
	switch f.Kind {
	case FaultUnplug:
		if !(f.Seconds >= 0 && f.Seconds <= 3600) {
			return fmt.Errorf("fault %s: %g seconds: permitted 0 (until it is plugged in) to 3600", f.Kind, f.Seconds)
		}
	case FaultPowerCycle, FaultStall:
		if !(f.Seconds > 0 && f.Seconds <= 3600) {
			return fmt.Errorf("fault %s: %g seconds: permitted more than 0, up to 3600", f.Kind, f.Seconds)
		}
	case FaultGarbage:
		if f.Bytes < 1 || f.Bytes > 65536 {
			return fmt.Errorf("fault %s: %d bytes: permitted 1 to 65536", f.Kind, f.Bytes)
		}
	case FaultPreset:
		if !(f.MM >= -2000 && f.MM <= 2000) {
			return fmt.Errorf("fault %s: %g mm: permitted -2000 to 2000", f.Kind, f.MM)
		}
	case FaultHalfFrame, FaultPlug:
	default:
		return fmt.Errorf("fault %q: permitted unplug, plug, garbage, half_frame, power_cycle, preset, stall", f.Kind)
	}
	return nil
}

// Inject makes a running bench suffer a fault and returns when it has begun.
func (b *Bench) Inject(ctx context.Context, f Fault) error {
	if err := f.validate(); err != nil {
		return err
	}
	select {
	case b.orders <- f:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("fault %s: %w", f.Kind, ctx.Err())
	}
}

// inject carries out a fault and returns how long it lasts in real time.
func (b *Bench) inject(f Fault) (time.Duration, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	wait := time.Duration(f.Seconds / b.opt.Speed * 1e9)
	switch f.Kind {
	case FaultUnplug:
		if b.line == nil {
			return wait, nil
		}
		// The new device is opened before the old one is closed: else it could get
		// the same number.
		l, err := openLine()
		if err != nil {
			return 0, err
		}
		old := b.line
		b.line, b.spare = nil, l
		b.ses.truth.fact(factUnplugged)
		var lerr error
		if b.opt.Link != "" {
			lerr = removeLink(b.opt.Link)
		}
		return wait, errors.Join(lerr, old.close())
	case FaultGarbage:
		rng := rand.New(rand.NewPCG(b.opt.Seed, uint64(b.ses.ticks)))
		junk := make([]byte, f.Bytes)
		for i := range junk {
			junk[i] = byte(rng.Uint32())
		}
		return 0, b.write(junk, time.Now())
	case FaultHalfFrame:
		frame := b.opt.Scenario.Frame.Append(nil, b.last, b.opt.Scenario.Readout.Decimals)
		return 0, b.write(frame[:(len(frame)-len(b.opt.Scenario.Frame.Terminator))/2], time.Now())
	case FaultPowerCycle:
		b.ses.powerCycle(f.Seconds)
	case FaultPreset:
		b.ses.preset(f.MM)
	}
	return wait, nil
}
