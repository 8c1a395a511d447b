package zone

import "strings"

// Set is a set of zones: what a verdict word means that tells less than the zone,
// such as OK for inside and both warnings.
type Set uint8

// SetOf is the set of some zones.
func SetOf(zs ...Zone) (s Set) {
	for _, z := range zs {
		s |= 1 << z
	}
	return s
}

// Has reports whether a zone is among them.
func (s Set) Has(z Zone) bool { return int(z) < len(names) && s>>z&1 != 0 }

const or = " or "

// String is the names in order, joined by "or"; empty for no zone.
func (s Set) String() string {
	var ns []string
	for z := range Zone(len(names)) {
		if s.Has(z) {
			ns = append(ns, z.String())
		}
	}
	return strings.Join(ns, or)
}

// MarshalText writes the names.
func (s Set) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads one name, or several joined by "or".
func (s *Set) UnmarshalText(b []byte) error {
	var all Set
	for name := range strings.SplitSeq(string(b), or) {
		var z Zone
		if err := z.UnmarshalText([]byte(name)); err != nil {
			return err
		}
		all |= SetOf(z)
	}
	*s = all
	return nil
}
