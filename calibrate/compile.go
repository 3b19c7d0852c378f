package calibrate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// DefaultProbability is the coverage probability if a set states none.
const DefaultProbability = 0.95

// compiledSet is a valid set with everything looked up that does not depend on
// the work capture.
type compiledSet struct {
	in          *SetFile
	probability float64
	sign        float64
	rings       map[string]*ringConstants
	master      *ringConstants
	ball        ringConstants // moduli of the contacts only
	scaleExpand Quantity
	// order holds the indices of the captures by time; corrected their readings in
	// the sense of the diameter with known temperatures and misalignments taken
	// out, at the estimates.
	order     []int
	corrected []float64
	limit     float64
	// closingHalfWidth and closingName describe the term for what the straight
	// line between opening and closing may miss.
	closingHalfWidth float64
	closingName      string
}

// compile looks everything up. The set has passed Validate.
func compile(in *SetFile) *compiledSet {
	c := &compiledSet{
		in: in, probability: in.Probability, sign: 1, rings: map[string]*ringConstants{},
		limit: in.ClosingLimitMM,
	}
	if c.probability == 0 {
		c.probability = DefaultProbability
	}
	if in.Instrument.ReadingSign < 0 {
		c.sign = -1
	}
	if c.limit == 0 {
		c.limit = DefaultClosingLimit.MM()
	}
	look := materialLookup(in)
	r := in.Contacts.RadiusMM
	for i := range in.Rings {
		ring := &in.Rings[i]
		k := &ringConstants{ring: ring, feature: ring.feature(), diameter: ring.NominalMM}
		if ring.Certificate != nil {
			k.diameter = ring.Certificate.DiameterMM
		}
		m := look[ring.Material]
		k.expand, k.young, k.poisson = *m.ExpansionPerK, *m.YoungModulusGPa, *m.PoissonRatio
		k.align = newAlignmentShape(k.feature, r, k.diameter)
		k.contact = newContactShape(k.feature, r, k.diameter)
		c.rings[ring.ID] = k
		if ring.Role == string(Master) {
			c.master = k
		}
	}
	ball := look[in.Contacts.Material]
	c.ball = ringConstants{young: *ball.YoungModulusGPa, poisson: *ball.PoissonRatio}
	c.scaleExpand = *look[in.Instrument.ScaleMaterial].ExpansionPerK
	for i := range in.Captures {
		c.order = append(c.order, i)
		c.corrected = append(c.corrected, c.correct(&in.Captures[i]))
	}
	slices.SortStableFunc(c.order, func(a, b int) int {
		return cmp.Compare(in.Captures[a].AtS, in.Captures[b].AtS)
	})
	return c
}

// correct returns the reading of a capture as it would be at 20 °C and in perfect
// alignment, in the sense of the diameter.
func (c *compiledSet) correct(cp *SetCapture) float64 {
	ring := c.rings[cp.Ring]
	dt := cp.RingCelsius.Value + orZero(c.in.CommonTemperatureOffsetK).Value - referenceCelsius
	return c.sign*cp.ReadingMM - ring.diameter*ring.expand.Value*dt - ring.align.err(Alignment{
		CrossMM:    orZero(cp.CrossOffsetMM).Value,
		TiltRad:    orZero(cp.TiltMrad).Value / 1000,
		SwivelRad:  orZero(cp.SwivelMrad).Value / 1000,
		SidewaysMM: orZero(c.in.Contacts.OffsetSidewaysMM).Value,
		HeightMM:   orZero(c.in.Contacts.OffsetHeightMM).Value,
	})
}

// ownU is the standard uncertainty of a capture that no other capture shares.
func (c *compiledSet) ownU(i int) float64 {
	cp := &c.in.Captures[i]
	s := 0.0
	if c.in.Repeatability != nil {
		s = c.in.Repeatability.SMM
	}
	ring := c.rings[cp.Ring]
	q := c.in.Instrument.ResolutionMM / math.Sqrt(12)
	t := ring.diameter * ring.expand.Value * cp.RingCelsius.StandardUncertainty()
	return math.Sqrt(cp.UMM*cp.UMM + s*s + q*q + t*t)
}

// artefact names what a capture measured: the master, or a position on a work ring.
func (c *compiledSet) artefact(i int) string {
	cp := &c.in.Captures[i]
	if cp.Role != RoleWork {
		return cp.Ring
	}
	return cp.Ring + positionName(cp.Position)
}

// positionName returns " at 10 mm, 90°", or nothing for an undeclared position.
func positionName(p *SetPosition) string {
	if p == nil {
		return ""
	}
	return fmt.Sprintf(" at %g mm, %g°", p.HeightMM, p.DirectionDeg)
}

func (r *SetRing) feature() Feature {
	if r.Feature == "" {
		return Bore
	}
	return Feature(r.Feature)
}
