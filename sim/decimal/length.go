package decimal

import "math/big"

// Length is a length, or a displacement, as an integer count of picometres.
// The grid makes a scripted "exactly on the limit" exactly on it: one
// millimetre is 10⁹ pm, one inch is 25.4 × 10⁹ pm (the inch is exactly
// 25.4 mm: NIST SP 811, Appendix B.6, footnote 7 / ISO 80000-3). The range is
// about ±9 200 km.
type Length int64

// Whole units of length, in picometres.
const (
	Picometre  Length = 1
	Nanometre  Length = 1e3
	Microinch  Length = 25_400
	Micrometre Length = 1e6
	Thou       Length = 25_400_000
	Millimetre Length = 1e9
	Centimetre Length = 1e10
	Inch       Length = 25_400_000_000
	Metre      Length = 1e12
)

// Unit is a unit of length a reading or a limit is written in.
// The zero value is the millimetre.
type Unit uint8

// Units of length.
const (
	MM  Unit = iota // millimetre
	UM              // micrometre, written "µm" or "um"
	CM              // centimetre
	M               // metre
	IN              // inch, exactly 25.4 mm
	MIL             // thousandth of an inch, written "thou" or "mil"
	UIN             // microinch, written "µin" or "uin"
	NM              // nanometre
	PM              // picometre
	unitCount
)

var unitTable = [unitCount]struct {
	symbol string
	size   Length
}{
	MM:  {"mm", Millimetre},
	UM:  {"µm", Micrometre},
	CM:  {"cm", Centimetre},
	M:   {"m", Metre},
	IN:  {"in", Inch},
	MIL: {"thou", Thou},
	UIN: {"µin", Microinch},
	NM:  {"nm", Nanometre},
	PM:  {"pm", Picometre},
}

// Symbol returns the unit's symbol as printed, e.g. "mm".
func (u Unit) Symbol() string {
	if u >= unitCount {
		return "?"
	}
	return unitTable[u].symbol
}

// String is Symbol.
func (u Unit) String() string { return u.Symbol() }

// Size is the length of one such unit.
func (u Unit) Size() Length {
	if u >= unitCount {
		return 0
	}
	return unitTable[u].size
}

// ParseUnit reads a unit's symbol or one of its other spellings.
func ParseUnit(s string) (Unit, bool) {
	switch s {
	case "um", "μm", "micron", "microns":
		return UM, true
	case "mil", "mils":
		return MIL, true
	case "uin", "μin":
		return UIN, true
	case "inch", "inches", "\"":
		return IN, true
	}
	for u := range unitTable {
		if unitTable[u].symbol == s {
			return Unit(u), true
		}
	}
	return 0, false
}

// UnitSymbols lists the symbols ParseUnit prefers, in the order of the Unit constants.
func UnitSymbols() []string {
	s := make([]string, unitCount)
	for u := range unitTable {
		s[u] = unitTable[u].symbol
	}
	return s
}

// In writes the length in a unit, exactly. Not every length terminates as a
// decimal in inches: ok is false when it does not, and the value is then
// rounded half-even to 15 decimals.
func (l Length) In(u Unit) (v Decimal, ok bool) {
	size := int64(u.Size())
	if u != IN && u != MIL && u != UIN {
		v = New(int64(l), 0).Mul(New(1, -int(log10(size))))
		return v.Trim(), true
	}
	const places = 15
	n := new(big.Int).Mul(big.NewInt(int64(l)), pow10(places))
	q, r := new(big.Int).QuoRem(n, big.NewInt(size), new(big.Int))
	if r.Sign() == 0 {
		return fromBig(q, -places).Trim(), true
	}
	return New(int64(l), 0).Quo(New(size, 0), -places, HalfEven), false
}

// Exactly converts a value in a unit to a Length. ok is false when the value
// is not a whole number of picometres or is out of range.
func Exactly(v Decimal, u Unit) (l Length, ok bool) {
	n, ok := v.Mul(New(int64(u.Size()), 0)).Int64()
	return Length(n), ok
}

func log10(n int64) (k int) {
	for ; n >= 10; n /= 10 {
		k++
	}
	return k
}
