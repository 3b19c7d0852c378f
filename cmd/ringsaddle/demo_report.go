package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"text/tabwriter"
)

// demoReport is what the demo found, beside what is true.
type demoReport struct {
	set       remoteSet
	result    remoteResult
	positions []demoPosition
	planned   int // work positions of the plan
	firstTry  int // entries that gave a diameter at once
	entries   int
}

// demoPosition is one position with its truth.
type demoPosition struct {
	remotePosition
	trueMM       float64
	tilt, cross  remotePoint
	hasTilt      bool
	hasCross     bool
	errUM, uUM   float64
	captureCount int
}

// Limits of the demo's verdict, micrometres.
const (
	demoMaxErrorUM = 0.3
	demoMaxUUM     = 0.15
)

// report reads the result and puts the simulated truth beside it.
func (t *technician) report(ctx context.Context) (*demoReport, error) {
	r := &demoReport{}
	var err error
	if r.set, err = t.api.set(ctx, t.setID); err != nil {
		return nil, err
	}
	if err := t.api.call(ctx, http.MethodGet, "/sets/"+t.setID+"/result", nil, &r.result); err != nil {
		return nil, err
	}
	captures := map[string]remoteCapture{}
	for _, c := range r.set.Captures {
		captures[c.ID] = c
		r.entries++
		if c.Outcome == "diameter" {
			r.firstTry++
		}
	}
	for _, s := range r.set.Steps {
		if s.Role == "work" {
			r.planned++
		}
	}
	for _, p := range r.result.Positions {
		d := demoPosition{remotePosition: p, uUM: p.UMM * 1e3, captureCount: len(p.Captures)}
		for _, ring := range t.scenario.Rings {
			if ring.Ident == p.Ident {
				d.trueMM = ring.Diameter20(p.HeightMM, p.DirectionDeg)
			}
		}
		d.errUM = (p.DiameterMM - d.trueMM) * 1e3
		if len(p.Captures) > 0 {
			for _, point := range captures[p.Captures[0]].Points {
				switch point.Adjustment {
				case "tilt":
					d.tilt, d.hasTilt = point, true
				case "cross":
					d.cross, d.hasCross = point, true
				}
			}
		}
		r.positions = append(r.positions, d)
	}
	return r, nil
}

func (r *demoReport) print(out io.Writer) {
	fmt.Fprintln(out)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "height\tdirection\tentries\ttilt minimum\tcross maximum\tpasses\tdiameter 20 °C\tu\ttruth\terror\t")
	fmt.Fprintln(w, "mm\t°\t\tmm\tmm\ttilt/cross\tmm\tµm\tmm\tµm\t")
	for _, p := range r.positions {
		tilt, cross, passes := "-", "-", [2]string{"-", "-"}
		if p.hasTilt {
			tilt, passes[0] = fmt.Sprintf("%.5f", p.tilt.ValueMM), fmt.Sprint(p.tilt.Crossings)
		}
		if p.hasCross {
			cross, passes[1] = fmt.Sprintf("%.5f", p.cross.ValueMM), fmt.Sprint(p.cross.Crossings)
		}
		fmt.Fprintf(w, "%g\t%g\t%d\t%s\t%s\t%s/%s\t%.5f\t%.3f\t%.5f\t%+.3f\t\n",
			p.HeightMM, p.DirectionDeg, p.captureCount, tilt, cross, passes[0], passes[1], p.DiameterMM, p.uUM, p.trueMM, p.errUM)
	}
	w.Flush()
	fmt.Fprintln(out)
	if d := r.set.ClosingDifferenceMM; d != nil {
		fmt.Fprintf(out, "Closing difference %+.3f µm (limit %.2f µm): %s\n", *d*1e3, r.set.ClosingLimitMM*1e3, r.result.Status)
	}
	if rep := r.set.Repeatability; rep != nil {
		fmt.Fprintf(out, "Repeatability of one entry %.3f µm with %d degrees of freedom\n", rep.SMM*1e3, rep.DoF)
	}
	fmt.Fprintf(out, "Captures: %d, of which %d gave a diameter\n", r.entries, r.firstTry)
	for _, text := range r.result.Reservations {
		fmt.Fprintln(out, "Reservation:", text)
	}
	fmt.Fprintln(out, "u is the combined standard uncertainty. This is a simulation and no certificate.")
}

// verdict says why the demo would not end with status 0; nil if it would.
func (r *demoReport) verdict() error {
	var errs []error
	if len(r.positions) != r.planned || r.planned == 0 {
		errs = append(errs, fmt.Errorf("%d of %d positions have a diameter", len(r.positions), r.planned))
	}
	for _, p := range r.positions {
		where := fmt.Sprintf("position %g mm, %g°", p.HeightMM, p.DirectionDeg)
		if e := math.Abs(p.errUM); !(e <= demoMaxErrorUM && e <= 3*p.uUM) {
			errs = append(errs, fmt.Errorf("%s: error %+.3f µm; permitted %g µm and 3u = %.3f µm", where, p.errUM, demoMaxErrorUM, 3*p.uUM))
		}
		if !(p.uUM > 0 && p.uUM <= demoMaxUUM) {
			errs = append(errs, fmt.Errorf("%s: u = %.3f µm; permitted at most %g µm", where, p.uUM, demoMaxUUM))
		}
	}
	return errors.Join(errs...)
}
