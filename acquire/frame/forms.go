package frame

// Form is a ready configuration, named and described by what the frame looks
// like.
type Form struct {
	Name        string
	Description string
	// Example is a frame, terminator escaped.
	Example string
	Config  Config
}

// Pieces of patterns. A number in a ready form has the decimals that the readout
// sends; how many is configured or learnt.
const (
	signedPoint = `[+-] *[0-9]*\.[0-9]+`
	signedComma = `[+-] *[0-9]*,[0-9]+`
	anyPoint    = `[+-]? *[0-9]*\.[0-9]+`
)

// Forms returns the ready forms. "Signed" forms demand the sign: a frame that
// lost its first characters on the line is then recognised.
func Forms() []Form {
	form := func(name, description, example string, c Config) Form {
		c.Decimals = -1
		c.MaxLength = defaultMaxLength
		return Form{Name: name, Description: description, Example: example, Config: c}
	}
	return []Form{
		form("signed-decimal-mm-crlf", "sign, decimal point, millimetres, CR LF", `+25.00412\r\n`,
			Config{Terminator: `\r\n`, Pattern: ` *(?P<x>` + signedPoint + `) *`}),
		form("signed-decimal-mm-cr", "sign, decimal point, millimetres, CR", `+25.00412\r`,
			Config{Terminator: `\r`, Pattern: `\n? *(?P<x>` + signedPoint + `) *`}),
		form("signed-decimal-mm-lf", "sign, decimal point, millimetres, LF", `+25.00412\n`,
			Config{Terminator: `\n`, Pattern: ` *(?P<x>` + signedPoint + `) *\r?`}),
		form("signed-decimal-comma-mm-crlf", "sign, decimal comma, millimetres, CR LF", `+25,00412\r\n`,
			Config{Terminator: `\r\n`, DecimalMark: "comma", Pattern: ` *(?P<x>` + signedComma + `) *`}),
		form("decimal-mm-crlf", "sign only when negative, decimal point, millimetres, CR LF", `   25.00412\r\n`,
			Config{Terminator: `\r\n`, Pattern: ` *(?P<x>` + anyPoint + `) *`}),
		form("signed-decimal-inch-crlf", "sign, decimal point, inches, CR LF", `+0.984414\r\n`,
			Config{Terminator: `\r\n`, Unit: "inch", Pattern: ` *(?P<x>` + signedPoint + `) *`}),
		form("signed-counts-crlf", "sign, whole counts (give count_length), CR LF", `+2500412\r\n`,
			Config{Terminator: `\r\n`, Unit: "counts", Pattern: ` *(?P<x>[+-] *[0-9]+) *`}),
		form("value-unit-crlf", "decimal point, then the unit mm or in, CR LF", `+25.00412 mm\r\n`,
			Config{
				Terminator: `\r\n`, Unit: "from_frame",
				UnitMM: []string{"mm"}, UnitInch: []string{"in", "inch"},
				Pattern: ` *(?P<x>` + anyPoint + `) *(?P<unit>[A-Za-z]+) *`,
			}),
		form("name-value-unit-crlf", "name of the axis, value, unit mm or in, CR LF", `X=+25.00412 mm\r\n`,
			Config{
				Terminator: `\r\n`, Unit: "from_frame",
				UnitMM: []string{"mm"}, UnitInch: []string{"in", "inch"},
				Pattern: ` *[A-Za-z][A-Za-z0-9]* *[=:]? *(?P<x>` + anyPoint + `) *(?P<unit>[A-Za-z]+) *`,
			}),
		form("two-axis-mm-crlf", "x and y with signs, blank, comma-free separator, millimetres, CR LF", `X+25.00412 Y-0.01234\r\n`,
			Config{
				Terminator: `\r\n`,
				Pattern:    ` *[Xx]? *[=:]? *(?P<x>` + signedPoint + `)[ ;\t]+[Yy]? *[=:]? *(?P<y>` + signedPoint + `) *`,
			}),
		form("value-temperature-mm-crlf", "value in millimetres and temperature of the scale in °C, semicolon between, CR LF", `+25.00412;20.13\r\n`,
			Config{
				Terminator: `\r\n`, TemperatureChannel: "scale",
				Pattern: ` *(?P<x>` + signedPoint + `) *; *(?P<temperature>` + anyPoint + `) *`,
			}),
		form("status-value-mm-crlf", "one status letter (V valid, E error, O out of range), value in millimetres, CR LF", `V +25.00412\r\n`,
			Config{
				Terminator: `\r\n`, StatusValid: []string{"V"}, StatusNotValid: []string{"E", "O"},
				Pattern: ` *(?P<status>[A-Z]) *(?P<x>` + signedPoint + `|[-+ .*?]*) *`,
			}),
	}
}

// FormByName returns the form of that name.
func FormByName(name string) (Form, bool) {
	for _, f := range Forms() {
		if f.Name == name {
			return f, true
		}
	}
	return Form{}, false
}

// FormNames returns the names of all forms.
func FormNames() []string {
	forms := Forms()
	names := make([]string, len(forms))
	for i, f := range forms {
		names[i] = f.Name
	}
	return names
}
