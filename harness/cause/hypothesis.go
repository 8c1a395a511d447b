package cause

import (
	"cmp"
	"encoding/binary"
	"math"
	"slices"
)

// Set is a set of switches.
type Set [2]uint64

func (s *Set) add(d defect)      { s[d/64] |= 1 << (d % 64) }
func (s *Set) has(d defect) bool { return s[d/64]>>(d%64)&1 != 0 }

// Variant is one cause with one parameter of its mistake.
type Variant struct {
	defect defect
	param  int
}

// Name of the cause.
func (v Variant) Name() string { return catalogue[v.defect].Name }

// Cause of the variant.
func (v Variant) Cause() Cause { return catalogue[v.defect].Cause }

// Number reports whether the mistake changes the number that is recorded.
func (v Variant) Number() bool { return v.defect <= notRounded }

// Rounds reports whether the mistake is made in rounding that number.
func (v Variant) Rounds() bool { return v.defect >= truncates && v.defect <= notRounded }

// Rank orders causes: the lower is named first where all else is equal.
func (v Variant) Rank() int { return int(v.defect) }

// Bits is how much it takes to say that a mistake of the zone is made and which variant
// of it; those that say more of a host than most findings show take more.
func (v Variant) Bits() float64 {
	bits := 2 + math.Log2(float64(max(1, len(catalogue[v.defect].params))))
	switch v.defect {
	case upperIgnored, lowerIgnored:
		bits += 0.5
	case zoneAlwaysInside:
		bits++
	}
	return bits
}

// Loses reports whether rows are missing whatever they say.
func (v Variant) Loses() bool {
	switch v.defect {
	case recordsNothing, rowsBuffered, lastRowLost, startsOver:
		return true
	}
	return false
}

// Unchecked reports whether the mistake is about the check of a frame.
func (v Variant) Unchecked() bool { return v.defect == checksumIgnored }

// Broad reports whether the mistake goes for all values beyond a limit, however far.
func (v Variant) Broad() bool { return v.defect == upperIgnored || v.defect == lowerIgnored }

// Place reports whether all that the mistake says of the rows it concerns is where in the
// run they stand. That a host was started again tells more of those before it.
func (v Variant) Place() bool {
	switch v.defect {
	case firstTagMissed, tagLostAtRejoin, rowsBuffered, lastRowLost:
		return true
	}
	return false
}

// Hypothesis is a set of mistakes made together. Nil is the correct host.
type Hypothesis []Variant

// Has reports whether a cause is among them, whatever its parameter.
func (h Hypothesis) Has(v Variant) bool {
	for _, w := range h {
		if w.defect == v.defect {
			return true
		}
	}
	return false
}

// Key is the same for hypotheses of the same causes and parameters.
func (h Hypothesis) Key() string {
	sorted := slices.SortedFunc(slices.Values(h), func(a, b Variant) int {
		return cmp.Or(cmp.Compare(a.defect, b.defect), cmp.Compare(a.param, b.param))
	})
	var b []byte
	for _, v := range sorted {
		b = binary.AppendVarint(binary.AppendVarint(b, int64(v.defect)), int64(v.param))
	}
	return string(b)
}

// With returns the hypothesis and one more cause.
func (h Hypothesis) With(v Variant) Hypothesis {
	return append(append(make(Hypothesis, 0, len(h)+1), h...), v)
}

// Variants lists every cause with every parameter, in order of rank.
func Variants() []Variant {
	var vs []Variant
	for d := range defectCount {
		params := catalogue[d].params
		if params == nil {
			params = []int{0}
		}
		for _, p := range params {
			vs = append(vs, Variant{d, p})
		}
	}
	return vs
}

// Named returns the first variant of each named cause; a name that is not in
// the catalogue is left out.
func Named(names ...string) Hypothesis {
	var h Hypothesis
	for _, n := range names {
		for _, v := range Variants() {
			if v.Name() == n {
				h = append(h, v)
				break
			}
		}
	}
	return h
}
