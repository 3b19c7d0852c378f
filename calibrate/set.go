package calibrate

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Station is what the evaluation needs to know of a bench, beside what a set
// recorded itself.
type Station struct {
	// Instrument is range, error and material of the scale, resolution and sign. A
	// sign of 0 stands for the one recorded with the set.
	Instrument SetInstrument `json:"instrument"`
	Contacts   SetContacts   `json:"contacts"`
	// Repeatability is that of an earlier study on this bench, nil if there is none.
	Repeatability            *SetRepeatability `json:"repeatability,omitempty"`
	CommonTemperatureOffsetK *Quantity         `json:"common_temperature_offset_k,omitempty"`
	Probability              float64           `json:"probability,omitempty"`
	Seed                     uint64            `json:"seed,omitempty"`
	Decision                 *SetDecision      `json:"decision,omitempty"`
	LaboratoryFloor          *LinearLength     `json:"laboratory_floor,omitempty"`
	Corrections              []SetCorrection   `json:"corrections,omitempty"`
}

// ExpansionsOf returns the expansion coefficients for Setup.Expansions of the
// materials of rings and scale. materials are the laboratory's own; they go before
// the built-in register. Unknown materials are left out.
func ExpansionsOf(rings []Ring, scaleMaterial string, materials []SetMaterial) []Expansion {
	look := materialLookup(&SetFile{Materials: materials})
	out := []Expansion{}
	ids := []string{}
	for _, r := range rings {
		ids = append(ids, r.Material)
	}
	for _, id := range append(ids, scaleMaterial) {
		m, ok := look[id]
		if !ok || m.ExpansionPerK == nil || slices.ContainsFunc(out, func(x Expansion) bool { return x.Material == id }) {
			continue
		}
		out = append(out, Expansion{Material: id, PerKelvinPPB: int64(math.Round(m.ExpansionPerK.Value * 1e9))})
	}
	return out
}

// SetFileOf builds the input of Evaluate from a state, so that a set at the bench
// and a set from a file go through one engine.
//
//   - Every capture in use becomes one capture of the file, in its role; repeats
//     are separate captures of one position. Of the closing only the last attempt
//     is in use. Without closing captures the evaluation is provisional.
//   - The readings are those at the saddle, residuals of the adjustments already
//     taken out, and u covers what is left of them; so no cross offset or tilt is
//     stated beside.
//   - Temperatures are those of State.TemperatureOf at the time of the capture. A
//     ring or scale without any is taken as 20 °C with the half-width of
//     Setup.AssumedTemperature, rectangular, anew for every capture; the state
//     has the reservation.
//   - Every ring has an entry of its own for its material, named "steel (W-7)": two
//     pieces have the same bounds and not the same error. Where all rings of the set
//     are of one kind of material, only what differs between two pieces of that kind
//     matters for the compression, and the bounds of their moduli are pieceShare.
//   - Rings are named by their idents, which the register keeps unique.
//   - The repeatability is that of SetRepeatabilityOf.
//
// materials are the laboratory's own; what they leave out is looked up in the
// built-in register. The rings are those recorded when the set started.
func SetFileOf(s State, st Station, materials []SetMaterial) (SetFile, error) {
	if !s.Started {
		return SetFile{}, errors.New("set: it has not started; nothing can be evaluated")
	}
	sign := int(s.Setup.ReadingSign)
	if g := st.Instrument.ReadingSign; g != 0 && g != sign {
		return SetFile{}, fmt.Errorf("station: reading_sign is %d and the set was measured with %d; evaluate the set with the sign recorded with it", g, sign)
	}
	f := SetFile{
		Format: SetFormat, Probability: st.Probability, Seed: st.Seed,
		Instrument: st.Instrument, Contacts: st.Contacts,
		CommonTemperatureOffsetK: st.CommonTemperatureOffsetK, ClosingLimitMM: s.ClosingLimit.MM(),
		Decision: st.Decision, LaboratoryFloor: st.LaboratoryFloor, Corrections: st.Corrections,
	}
	f.Instrument.ReadingSign = sign
	rep, _ := SetRepeatabilityOf(s, st.Repeatability)
	f.Repeatability = &rep
	f.Captures = s.setCaptures()
	roles := map[string]int{}
	for _, c := range f.Captures {
		roles[c.Role]++
	}
	switch {
	case roles[RoleOpening] == 0:
		return SetFile{}, errors.New("set: no capture of the opening reference is in use; measure it first")
	case roles[RoleWork] == 0:
		return SetFile{}, errors.New("set: no capture of a work ring is in use; measure one first")
	}
	f.setRings(&s, materials)
	return f, nil
}

// pieceShare bounds how far the modulus of elasticity and Poisson's ratio of one
// piece lie from the mean of its kind, relative: ±3 % (common practice for hardened
// gauge steels of different melts, no source). The bounds of the register are wider,
// since they also cover what is not known of the kind itself.
const pieceShare = 0.03

// ofOneKind returns q with the bounds of a piece among its kind.
func ofOneKind(q *Quantity) *Quantity {
	if q == nil {
		return nil
	}
	narrow := Quantity{Value: q.Value, HalfWidth: pieceShare * math.Abs(q.Value), Distribution: distRectangular}
	if narrow.StandardUncertainty() >= q.StandardUncertainty() {
		return q
	}
	return &narrow
}

// setCaptures turns the captures in use into those of a file.
func (s *State) setCaptures() []SetCapture {
	var used []*CaptureRecord
	streams := map[string]bool{}
	for i := range s.Captures {
		if c := &s.Captures[i]; c.Standing == StandingUsed {
			used = append(used, c)
			streams[c.Fact.StreamID] = true
		}
	}
	out := []SetCapture{}
	for _, c := range used {
		p := s.Plan.Steps[c.Step]
		// One stream has one clock; captures of several streams meet in wall time.
		at := float64(c.Fact.At-used[0].Fact.At) / 1e9
		if len(streams) > 1 {
			at = float64(c.Fact.WallNS-used[0].Fact.WallNS) / 1e9
		}
		sc := SetCapture{
			ID: c.Fact.ID, Ring: s.walkerIdent(p.RingID), Role: string(c.Role), AtS: at,
			ReadingMM: c.Fact.Reading.MM(), UMM: c.Fact.U.MM(),
			RingCelsius:  s.setTemperature(p.RingID, c.Fact.WallNS),
			ScaleCelsius: s.setTemperature("", c.Fact.WallNS),
		}
		if c.Role == Working {
			sc.Position = &SetPosition{HeightMM: p.Height.MM(), DirectionDeg: float64(p.Direction) / 1000}
		}
		out = append(out, sc)
	}
	return out
}

func (s *State) setTemperature(ringID string, wallNS int64) Quantity {
	t := s.TemperatureOf(ringID, wallNS)
	if t.Assumed {
		return Quantity{Value: ReferenceTemperature.Celsius(), HalfWidth: s.Setup.AssumedTemperature.Celsius(), Distribution: distRectangular}
	}
	return Quantity{Value: t.Value.Celsius(), U: t.U.Celsius()}
}

// setRings adds the rings that the captures name and the materials they need.
func (f *SetFile) setRings(s *State, materials []SetMaterial) {
	look := materialLookup(&SetFile{Materials: materials})
	f.Rings, f.Materials = []SetRing{}, []SetMaterial{}
	inUse := slices.DeleteFunc(slices.Clone(s.Rings), func(r Ring) bool {
		return !slices.ContainsFunc(f.Captures, func(c SetCapture) bool { return c.Ring == r.Ident })
	})
	oneKind := !slices.ContainsFunc(inUse, func(r Ring) bool { return r.Material != inUse[0].Material })
	for _, r := range inUse {
		sr := SetRing{ID: r.Ident, Role: string(r.Kind), NominalMM: r.Nominal.MM(), Material: r.Material}
		if m, ok := look[r.Material]; ok {
			m.ID = fmt.Sprintf("%s (%s)", r.Material, r.Ident)
			if oneKind {
				m.YoungModulusGPa, m.PoissonRatio = ofOneKind(m.YoungModulusGPa), ofOneKind(m.PoissonRatio)
			}
			sr.Material = m.ID
			f.Materials = append(f.Materials, m)
		}
		if c := r.Certificate; c != nil && r.Kind == Master {
			sr.Certificate = &SetCertificate{
				DiameterMM: c.Diameter.MM(), ExpandedMM: c.Expanded.MM(), CoverageFactor: float64(c.CoverageFactorMill) / 1000,
			}
			if c.DriftHalfWidth > 0 {
				sr.DriftMM = &Quantity{HalfWidth: c.DriftHalfWidth.MM(), Distribution: distTriangular}
			}
		}
		if r.LowerLimit != 0 || r.UpperLimit != 0 {
			sr.ToleranceMM = []float64{r.LowerLimit.MM(), r.UpperLimit.MM()}
		}
		f.Rings = append(f.Rings, sr)
	}
	shared := []string{f.Instrument.ScaleMaterial}
	if f.Contacts.Material != f.Instrument.ScaleMaterial {
		shared = append(shared, f.Contacts.Material)
	}
	for _, id := range shared {
		if m, ok := look[id]; ok {
			f.Materials = append(f.Materials, m)
		}
	}
}

// RepeatabilityLevel is the level of the test by which the repeats of a set are
// compared with an earlier study.
const RepeatabilityLevel = 0.05

// SetRepeatabilityOf returns the repeatability of one entry for a set, and in
// words where it comes from:
//
//   - the repeats of the set and the study of the station, pooled by their degrees
//     of freedom, s² = (ν₁s₁² + ν₂s₂²)/(ν₁ + ν₂) (JCGM 100, 4.2.4, speaks of
//     pooled estimates); a study with infinitely many (Dof 0) stands alone;
//   - if the repeats scatter significantly more than the study (one-sided F test at
//     RepeatabilityLevel), the repeats alone;
//   - whichever exists, if the other does not;
//   - with neither, the standard deviation of the agreement rule, as an assumption.
//
// The scatter of repeats holds the noise of the trace and the rounding of the
// readout, which the budget counts as well: this errs on the large side.
func SetRepeatabilityOf(s State, study *SetRepeatability) (rep SetRepeatability, source string) {
	own := SetRepeatability{SMM: s.Repeatability.MM(), Dof: float64(s.RepeatabilityDof)}
	switch {
	case s.RepeatabilityDof == 0 && study == nil:
		rep = SetRepeatability{SMM: s.Setup.Agreement.Repeatability.MM()}
		return rep, fmt.Sprintf("Repeatability assumed: %s; the set has no repeats and the station no study.", walkerSize(s.Setup.Agreement.Repeatability))
	case s.RepeatabilityDof == 0:
		return *study, "Repeatability from the study of the station; the set has no repeats."
	case study == nil:
		return own, "Repeatability from the repeats of the set."
	}
	nu2 := study.Dof
	if nu2 == 0 {
		nu2 = math.Inf(1)
	}
	if p := setFTest(own.SMM*own.SMM, own.Dof, study.SMM*study.SMM, nu2); p < RepeatabilityLevel {
		return own, fmt.Sprintf("Repeatability from the repeats of the set alone: %.2f µm is more than the %.2f µm of the station's study (F test, probability %.2g).", own.SMM*1000, study.SMM*1000, p)
	}
	if math.IsInf(nu2, 1) {
		return *study, "Repeatability from the study of the station; the repeats of the set agree with it."
	}
	nu := own.Dof + nu2
	v := (own.Dof*own.SMM*own.SMM + nu2*study.SMM*study.SMM) / nu
	return SetRepeatability{SMM: math.Sqrt(v), Dof: nu}, "Repeatability pooled from the repeats of the set and the study of the station."
}

// setFTest returns the probability of a ratio of variances v1/v2 at least as
// large, if both estimate one variance, with nu1 and nu2 (possibly infinite)
// degrees of freedom.
func setFTest(v1, nu1, v2, nu2 float64) float64 {
	switch {
	case v1 <= v2:
		return 1
	case v2 == 0:
		return 0
	case math.IsInf(nu2, 1):
		return distuv.ChiSquared{K: nu1}.Survival(nu1 * v1 / v2)
	}
	return distuv.F{D1: nu1, D2: nu2}.Survival(v1 / v2)
}
