package acquire

import (
	"fmt"
	"strconv"
	"strings"
)

// flagNames are the names of the flags in order of their bits; they are stable,
// files use them.
var flagNames = [...]string{"y", "tilt", "gap", "not_valid", "silence", "stream_start", "hint"}

// allFlags has every known bit set.
const allFlags = Flags(1)<<len(flagNames) - 1

// String returns the names of the flags joined with "|", such as
// "gap|stream_start"; no flag is "".
func (f Flags) String() string {
	if f == 0 {
		return ""
	}
	var names []string
	for i, name := range flagNames {
		if f&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	if rest := f &^ allFlags; rest != 0 {
		names = append(names, fmt.Sprintf("%#x", uint32(rest)))
	}
	return strings.Join(names, "|")
}

// ParseFlags reads what Flags.String writes, or the flags as a number.
func ParseFlags(s string) (Flags, error) {
	s = strings.TrimSpace(s)
	if s == "" {
		return 0, nil
	}
	if n, err := strconv.ParseUint(s, 0, 32); err == nil {
		if f := Flags(n); f&^allFlags == 0 {
			return f, nil
		}
		return 0, fmt.Errorf("flags %s: permitted are 0 to %d", s, uint32(allFlags))
	}
	var f Flags
next:
	for name := range strings.SplitSeq(s, "|") {
		for i, known := range flagNames {
			if strings.TrimSpace(name) == known {
				f |= 1 << i
				continue next
			}
		}
		return 0, fmt.Errorf("flag %q is not known; permitted: %s", name, strings.Join(flagNames[:], ", "))
	}
	return f, nil
}
