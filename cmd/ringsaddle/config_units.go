package main

import (
	"fmt"
	"math/big"
	"strings"
	"time"

	"ringsaddle/calibrate"
)

// The unit-carrying values of the configuration file. Each keeps a decoding
// error instead of returning it, so that the check reports all faults at once.

// length is "0.2 um", "40 mm", "0.00001 in", exact to a picometre.
type length struct {
	calibrate.Length
	err error
}

// celsius is a temperature or a difference of temperatures: "20 °C", "0.05 K".
type celsius struct {
	calibrate.Temperature
	err error
}

// duration is "2s", "500ms".
type duration struct {
	time.Duration
	err error
}

// force is "3.5 N", "200 mN".
type force struct {
	Newton float64
	err    error
}

func (l *length) UnmarshalText(text []byte) error {
	pm, err := parseQuantity(string(text), map[string]string{
		"pm": "1", "nm": "1000", "um": "1000000", "µm": "1000000", "μm": "1000000",
		"mm": "1000000000", "m": "1000000000000", "in": "25400000000", "uin": "25400",
	})
	*l = length{calibrate.Length(pm), err}
	return nil
}

func (c *celsius) UnmarshalText(text []byte) error {
	micro, err := parseQuantity(string(text), map[string]string{
		"K": "1000000", "mK": "1000", "°C": "1000000", "degC": "1000000", "C": "1000000",
	})
	*c = celsius{calibrate.Temperature(micro), err}
	return nil
}

func (d *duration) UnmarshalText(text []byte) error {
	v, err := time.ParseDuration(strings.ReplaceAll(string(text), " ", ""))
	if err != nil {
		err = fmt.Errorf(`%q is no duration; write for example "2s" or "500ms"`, text)
	}
	*d = duration{v, err}
	return nil
}

func (f *force) UnmarshalText(text []byte) error {
	micro, err := parseQuantity(string(text), map[string]string{"N": "1000000", "mN": "1000"})
	*f = force{float64(micro) / 1e6, err}
	return nil
}

// parseQuantity reads "number unit" exactly into whole multiples of the smallest
// unit; units maps each permitted unit to its size.
func parseQuantity(text string, units map[string]string) (int64, error) {
	text = strings.TrimSpace(text)
	cut := strings.LastIndexAny(text, "0123456789.") + 1
	number, unit := strings.TrimSpace(text[:cut]), strings.TrimSpace(text[cut:])
	size, known := units[unit]
	if !known {
		if unit == "" {
			return 0, fmt.Errorf("%q has no unit; write one of %s after the number", text, unitList(units))
		}
		return 0, fmt.Errorf("%q: unknown unit %q; permitted %s", text, unit, unitList(units))
	}
	value, ok := new(big.Rat).SetString(number)
	if !ok || strings.ContainsAny(number, "/eE_") {
		return 0, fmt.Errorf("%q: %q is no decimal number", text, number)
	}
	factor, _ := new(big.Rat).SetString(size)
	value.Mul(value, factor)
	if !value.IsInt() || !value.Num().IsInt64() {
		return 0, fmt.Errorf("%q is finer or larger than can be kept exactly", text)
	}
	return value.Num().Int64(), nil
}

func unitList(units map[string]string) string {
	// The common spelling first; the order is fixed.
	var names []string
	for _, name := range []string{"nm", "um", "mm", "m", "in", "uin", "K", "mK", "degC", "N", "mN"} {
		if _, ok := units[name]; ok {
			names = append(names, name)
		}
	}
	return strings.Join(names, ", ")
}
