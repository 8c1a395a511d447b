package summary

import (
	"math/big"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/sim/decimal"
)

// mistake is what a cause of the catalogue does to the figures, in one way or several.
type mistake struct {
	ways int
	with func(f *figures, way int)
}

// mistakes are those of the catalogue, by name; limits are chosen among so many channels.
func mistakes(channels []*channel) map[string]mistake {
	one := func(with func(f *figures)) mistake { return mistake{1, func(f *figures, _ int) { with(f) }} }
	return map[string]mistake{
		"spread-over-n":        one(func(f *figures) { f.overN = true }),
		"spread-in-one-pass":   {onePasses, func(f *figures, way int) { f.onePass = way + 1 }},
		"capability-overall":   one(func(f *figures) { f.allForCp = true }),
		"performance-within":   one(func(f *figures) { f.withinForPp = true }),
		"summary-limits":       {len(channels), func(f *figures, way int) { f.limits = channels[way] }},
		"summary-streamed":     one(func(f *figures) { f.streamed = true }),
		"summary-void-as-zero": one(func(f *figures) { f.voidAsZero = true }),
		"summary-rounding":     one(func(f *figures) { f.Of = 1 - f.Of }),
		"study-variation": one(func(f *figures) {
			six, other := decimal.New(6, 0), decimal.New(515, -2)
			if !f.Deviations.Equal(six) {
				other = six
			}
			f.Deviations = other
		}),
		"share-of-variances": one(func(f *figures) { f.variances = true }),
		"share-of-other":     one(func(f *figures) { f.ShareOf = 1 - f.ShareOf }),
		"classes-rounded":    one(func(f *figures) { f.roundsNdc = true }),
	}
}

// kind is what tells series of a channel apart.
type kind struct {
	streamed, voidAsZero bool
	of                   hostfile.Of
}

// fill takes the values that the figures are of.
func (f *figures) fill() {
	k := kind{f.streamed, f.voidAsZero, f.Of}
	if f.made[k] == nil {
		f.made[k] = newSeries(f.taken(), f.Rules)
	}
	f.series = f.made[k]
}

func (f *figures) taken() (values []*big.Rat) {
	for i := range f.due {
		d := &f.due[i]
		switch {
		case !d.Tagged && !f.streamed, d.Void && !f.voidAsZero:
		case d.Void:
			values = append(values, new(big.Rat))
		case f.Of == hostfile.Received:
			values = append(values, new(big.Rat).Quo(rat(d.Received), big.NewRat(int64(f.unit.Size()), 1)))
		default:
			values = append(values, rat(d.Shown))
		}
	}
	return values
}
