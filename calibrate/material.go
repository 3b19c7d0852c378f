package calibrate

// Material is an entry of the register: coefficient of expansion, modulus of
// elasticity and Poisson's ratio with their bounds, and where the figures come
// from.
type Material struct {
	ID, Name        string
	ExpansionPerK   Quantity
	YoungModulusGPa Quantity
	PoissonRatio    Quantity
	Source          string
}

// Materials returns the built-in register. The figures are bounds for a kind of
// material, not for a piece: where a certificate or the maker of a ring states
// its own, use that. The bounds of the moduli are ±10 % unless noted, as
// handbook values may be off by as much.
func Materials() []Material {
	rect := func(v, a float64) Quantity {
		return Quantity{Value: v, HalfWidth: a, Distribution: distRectangular}
	}
	return []Material{
		{
			ID: "steel", Name: "gauge steel, bearing steel", ExpansionPerK: rect(11.5e-6, 1e-6),
			YoungModulusGPa: rect(206, 20.6), PoissonRatio: rect(0.28, 0.015),
			Source: "expansion: EA-4/02 gauge block example (bounds from memory; JCGM 100 H.1 has the value with ±2e-6); E 190 to 210 GPa and ν 0.27 to 0.30: data sheets of 52100 steel",
		},
		{
			ID: "carbide", Name: "tungsten carbide", ExpansionPerK: rect(5.4e-6, 1.5e-6),
			YoungModulusGPa: rect(630, 63), PoissonRatio: rect(0.24, 0.03),
			Source: "open material tables: expansion 5.4 to 6.9e-6/K, 4.2 to 4.5 from memory; E 530 to 700 GPa by grade",
		},
		{
			ID: "ruby", Name: "ruby, sapphire", ExpansionPerK: rect(5.8e-6, 0.9e-6),
			YoungModulusGPa: rect(373, 37.3), PoissonRatio: rect(0.23, 0.02),
			Source: "abstract of a handbook chapter on sapphire: expansion 6.7e-6/K along and 5.0e-6/K across the c axis, E 373 and 362 GPa; ν derived from its single-crystal constants",
		},
		{
			ID: "alumina", Name: "alumina ceramic", ExpansionPerK: rect(8e-6, 1e-6),
			YoungModulusGPa: rect(380, 38), PoissonRatio: rect(0.23, 0.03),
			Source: "a table of ceramic properties: 8e-6/K, 380 GPa; ν from memory",
		},
		{
			ID: "zirconia", Name: "zirconia ceramic", ExpansionPerK: rect(9.75e-6, 0.75e-6),
			YoungModulusGPa: rect(200, 20), PoissonRatio: rect(0.30, 0.03),
			Source: "a table of ceramic properties: 10e-6/K, 200 GPa; 9.5e-6/K for ceramic gauge blocks from a description of such blocks; ν from memory",
		},
		{
			ID: "glass", Name: "glass of a measuring scale", ExpansionPerK: rect(8e-6, 1e-6),
			YoungModulusGPa: rect(70, 7), PoissonRatio: rect(0.22, 0.03),
			Source: "from memory; use what is stated for the scale",
		},
	}
}

// ForPiece returns the material as an entry of a set under its own id, so that the
// piece has its own, independent coefficient and moduli within the same bounds.
func (m Material) ForPiece(id string) SetMaterial {
	return SetMaterial{ID: id, ExpansionPerK: &m.ExpansionPerK, YoungModulusGPa: &m.YoungModulusGPa, PoissonRatio: &m.PoissonRatio}
}

// materialLookup returns the materials of the register overlaid by those of the
// set.
func materialLookup(in *SetFile) map[string]SetMaterial {
	out := map[string]SetMaterial{}
	for _, m := range Materials() {
		out[m.ID] = m.ForPiece(m.ID)
	}
	for _, m := range in.Materials {
		if known, ok := out[m.ID]; ok {
			// What the set leaves out of a known material is taken from the register.
			if m.ExpansionPerK == nil {
				m.ExpansionPerK = known.ExpansionPerK
			}
			if m.YoungModulusGPa == nil {
				m.YoungModulusGPa = known.YoungModulusGPa
			}
			if m.PoissonRatio == nil {
				m.PoissonRatio = known.PoissonRatio
			}
		}
		out[m.ID] = m
	}
	return out
}
