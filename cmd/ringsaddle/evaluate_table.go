package main

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"ringsaddle/calibrate"
)

// printOutcome writes an outcome for people: lengths rounded to the uncertainty,
// contributions in micrometres.
func printOutcome(w io.Writer, set calibrate.SetFile, out calibrate.Outcome) error {
	b := bufio.NewWriter(w)
	p := set.Probability
	if p == 0 {
		p = calibrate.DefaultProbability
	}
	limit := set.ClosingLimitMM
	if limit == 0 {
		limit = calibrate.DefaultClosingLimit.MM()
	}
	fmt.Fprintf(b, "Set %s", strings.ReplaceAll(string(out.Status), "_", " "))
	if d := out.ClosingDifferenceMM; d != nil {
		fmt.Fprintf(b, ": closing difference %+.3f µm at 20 °C, limit ±%.3f µm", *d*1000, limit*1000)
	}
	fmt.Fprintln(b, ".")
	if f := out.Drift; f != nil {
		fmt.Fprintf(b, "Redundant set, least squares: drift %+.3f µm/h (t = %.2f, p = %.2g), residual sd %.3f µm (ν = %d), fit p = %.2g\n",
			f.RateMMPerS*3.6e6, f.DriftT, f.DriftP, f.ResidualSDMM*1000, f.Dof, f.FitP)
	}
	for _, r := range out.Reservations {
		fmt.Fprintf(b, "Note: %s.\n", r)
	}
	for _, s := range out.Rings {
		printRing(b, s)
	}
	for _, r := range out.Results {
		fmt.Fprintf(b, "\n%s, ring %s%s\n", r.Capture, r.Ring, placeName(r.Position))
		printDiameter(b, r.DiameterMM, r.UMM, r.Dof, r.CoverageFactor, r.ExpandedMM, p)
		if r.FloorApplied {
			fmt.Fprintf(b, "  U is the laboratory's smallest stated uncertainty; computed: %s µm\n", twoDigits(r.ComputedExpandedMM))
		}
		fmt.Fprintf(b, "  %s\n", r.Decision)
		printMonteCarlo(b, r.MonteCarlo, p)
		printTerms(b, r)
	}
	return b.Flush()
}

func placeName(p *calibrate.SetPosition) string {
	if p == nil {
		return ""
	}
	return fmt.Sprintf(", height %g mm, direction %g°", p.HeightMM, p.DirectionDeg)
}

func dofText(dof *float64) string {
	switch {
	case dof == nil:
		return "∞"
	case *dof >= 100:
		return fmt.Sprintf("%.0f", *dof)
	default:
		return fmt.Sprintf("%.1f", *dof)
	}
}

// twoDigits writes a length in millimetres as micrometres with two significant
// digits.
func twoDigits(mm float64) string {
	_, um := calibrate.Rounded(0, mm)
	return um
}

// plain writes x with the given decimals, never as minus zero.
func plain(x float64, decimals int) string {
	s := fmt.Sprintf("%.*f", decimals, x)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

func printDiameter(w io.Writer, y, u float64, dof *float64, k, expanded, p float64) {
	value, um := calibrate.Rounded(y, expanded)
	fmt.Fprintf(w, "  D(20 °C) = %s mm ± %s µm   (U, k = %.2f, p = %.4g %%; u = %s µm, ν = %s)\n",
		value, um, k, 100*p, twoDigits(u), dofText(dof))
}

func printMonteCarlo(w io.Writer, m *calibrate.MonteCarloReport, p float64) {
	if m == nil {
		return
	}
	end := func(x float64) string { v, _ := calibrate.Rounded(x, 2*m.UMM); return v }
	fmt.Fprintf(w, "  Monte Carlo, %d trials, seed %d: mean %s mm, u = %s µm\n", m.Trials, m.Seed, end(m.MeanMM), twoDigits(m.UMM))
	fmt.Fprintf(w, "    %.4g %% symmetric [%s, %s] mm, shortest [%s, %s] mm\n", 100*p,
		end(m.SymmetricMM[0]), end(m.SymmetricMM[1]), end(m.ShortestMM[0]), end(m.ShortestMM[1]))
	verdict := "the budget's interval is validated"
	if !m.Validated {
		verdict = "the budget's interval is NOT validated: use the Monte Carlo interval"
	}
	fmt.Fprintf(w, "    ends differ by %.4f and %.4f µm, tolerance %.4f µm: %s\n", m.LowDifferenceMM*1000, m.HighDifferenceMM*1000, m.ToleranceMM*1000, verdict)
	if !m.Converged {
		fmt.Fprintf(w, "    stopped at the bound on trials; stable to %.4f µm (aim %.4f µm)\n", m.StableToMM*1000, m.ToleranceMM/5*1000)
	}
}

// printTerms writes the budget as a table.
func printTerms(w io.Writer, r calibrate.Result) {
	rows := [][]string{{"term", "", "estimate / mm", "u / µm", "kind", "distribution", "ν", "|c|", "|c|·u / µm", "share"}}
	for _, t := range r.Terms {
		rows = append(rows, []string{
			t.Symbol, t.Name, plain(t.Value, 6), fmt.Sprintf("%.4f", t.U*1000), t.Kind, t.Distribution,
			dofText(t.Dof), fmt.Sprintf("%.3f", t.Sensitivity), fmt.Sprintf("%.4f", t.Contribution*1000), fmt.Sprintf("%.1f %%", 100*t.Share),
		})
	}
	rows = append(rows, []string{"D", "diameter at 20 °C", plain(r.DiameterMM, 6), "", "", "", dofText(r.Dof), "", fmt.Sprintf("%.4f", r.UMM*1000), "100.0 %"})
	printTable(w, rows, "llrrllrrrr")
}

// printTable writes rows in columns; align has l or r for each.
func printTable(w io.Writer, rows [][]string, align string) {
	width := make([]int, len(align))
	for _, row := range rows {
		for i, cell := range row {
			width[i] = max(width[i], utf8.RuneCountInString(cell))
		}
	}
	for _, row := range rows {
		line := " "
		for i, cell := range row {
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(cell))
			if align[i] == 'r' {
				cell, pad = pad, cell
			}
			line += " " + cell + pad + " "
		}
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
}

func printRing(w io.Writer, s calibrate.RingSummary) {
	fmt.Fprintf(w, "\nRing %s: %s\n", s.Ring, s.Decision)
	rows := [][]string{{"height / mm", "direction / °", "n", "D(20 °C) / mm", "U / µm", "k", "ν", "spread / µm"}}
	for _, q := range s.Positions {
		height, direction := "-", "-"
		if q.Position != nil {
			height, direction = fmt.Sprint(q.Position.HeightMM), fmt.Sprint(q.Position.DirectionDeg)
		}
		value, um := calibrate.Rounded(q.ValueMM, q.ExpandedMM)
		if q.FloorApplied {
			um += " (floor)"
		}
		rows = append(rows, []string{
			height, direction, fmt.Sprint(len(q.Captures)), value, um,
			fmt.Sprintf("%.2f", q.CoverageFactor), dofText(q.Dof), fmt.Sprintf("%.3f", q.SpreadMM*1000),
		})
	}
	printTable(w, rows, "rrrrrrrr")
	if len(s.Positions) < 2 {
		return
	}
	value, um := calibrate.Rounded(s.Mean.ValueMM, s.Mean.ExpandedMM)
	fmt.Fprintf(w, "  mean of the positions %s mm ± %s µm (k = %.2f); form beyond the measurement: sd %.3f µm\n", value, um, s.Mean.CoverageFactor, s.FormMM*1000)
	difference := func(name string, e *calibrate.Estimate) {
		if e != nil {
			fmt.Fprintf(w, "  %s %+.3f µm ± %s µm (k = %.2f)%s\n", name, e.ValueMM*1000, twoDigits(e.ExpandedMM), e.CoverageFactor, notSignificant(e))
		}
	}
	difference("taper over the heights", s.Taper)
	difference("out-of-roundness (largest range of directions)", s.OutOfRoundness)
}

func notSignificant(e *calibrate.Estimate) string {
	if math.Abs(e.ValueMM) < e.ExpandedMM {
		return ", not significant"
	}
	return ""
}
