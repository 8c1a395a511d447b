package summary

import (
	"math/big"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/study"
	"example.org/understudy/sim/decimal"
)

// figures works the statistics of one channel out, by the rules of a host or with one
// of the mistakes.
type figures struct {
	hostfile.Rules
	*channel
	limits *channel // whose limits it goes by
	*series

	streamed    bool // the mistakes, by the names of their causes
	voidAsZero  bool
	overN       bool
	onePass     int // one more than the way it is done
	allForCp    bool
	withinForPp bool
	variances   bool
	roundsNdc   bool
}

// series is what figures are of; it is worked out once for all that are of the same.
type series struct {
	values []*big.Rat // in the host's unit, in the order of the tags
	all    study.Series
	groups []*big.Rat // variances within subgroups that are as good
	passes [onePasses]*big.Rat
}

func newSeries(values []*big.Rat, rules hostfile.Rules) *series {
	s := &series{values: values}
	if len(values) > 1 {
		s.all, s.groups = study.Of(values), within(values, rules)
	}
	return s
}

// Exact is a statistic of values by rules, between limits where there are any, with so
// many decimals; empty where it cannot be worked out.
func Exact(statistic string, decimals int, rules hostfile.Rules, layout *study.Layout, lower, upper *big.Rat, values ...*big.Rat) string {
	c := &channel{lower: lower, upper: upper, study: layout}
	f := figures{Rules: rules, channel: c, limits: c, series: newSeries(values, rules)}
	vs := f.of(statistic)
	if len(vs) == 0 {
		return ""
	}
	return vs[0].text(decimals)
}

// of are the values that a statistic may have: one, or more where a rounded constant is
// as good as the exact one. There is none where it cannot be worked out.
func (f *figures) of(statistic string) []value {
	n := len(f.values)
	switch statistic {
	case "count":
		return []value{exactly(big.NewRat(int64(n), 1))}
	case "%R&R", "ndc":
		return f.ofStudy(statistic)
	}
	if n < 2 {
		return nil
	}
	mean := f.all.Mean
	switch statistic {
	case "mean":
		return []value{exactly(mean)}
	case "range":
		return []value{exactly(f.all.Range)}
	case "s":
		return []value{root(f.overall())}
	case "Pp", "Ppk":
		if f.withinForPp {
			return f.index(statistic == "Ppk", mean, f.groups)
		}
		return f.index(statistic == "Ppk", mean, []*big.Rat{f.overall()})
	}
	if f.allForCp {
		return f.index(statistic == "Cpk", mean, []*big.Rat{f.overall()})
	}
	return f.index(statistic == "Cpk", mean, f.groups)
}

// overall is the variance of all values, with n - 1.
func (f *figures) overall() *big.Rat {
	if f.onePass > 0 {
		v := &f.passes[f.onePass-1]
		if *v == nil {
			*v = inOnePass(f.values, f.onePass-1)
		}
		return *v
	}
	if n := int64(f.all.N); f.overN {
		return new(big.Rat).Mul(f.all.Variance, big.NewRat(n-1, n))
	}
	return f.all.Variance
}

// onePasses are the ways in which a variance is taken in one pass.
const onePasses = 4

// inOnePass is a variance as binary numbers of 64 bits have it, with the squares summed
// before the mean is known. What is below 0 is 0.
func inOnePass(values []*big.Rat, way int) *big.Rat {
	var sum, squares float64
	for _, v := range values {
		x, _ := v.Float64()
		sum += x
		squares += float64(x * x)
	}
	n := float64(len(values))
	mean := sum / n
	var v float64
	switch way {
	case 0:
		v = (squares - float64(sum*sum)/n) / (n - 1)
	case 1:
		v = (squares - float64(n*mean)*mean) / (n - 1)
	case 2:
		v = (squares/n - float64(mean*mean)) * n / (n - 1)
	case 3:
		v = (float64(n*squares) - float64(sum*sum)) / (n * (n - 1))
	}
	return new(big.Rat).SetFloat64(max(0, v))
}

// MeanRange is d2 as printed tables have it.
func MeanRange(subgroup int) string { return d2[subgroup][0] }

// d2 is the mean range of so many values of a normal distribution, in standard
// deviations: to the three decimals of printed tables, and to eight.
var d2 = [...][2]string{2: {"1.128", "1.12837917"}, {"1.693", "1.69256875"}, {"2.059", "2.05875075"}, {"2.326", "2.32592895"}, {"2.534", "2.53441272"},
	{"2.704", "2.70435675"}, {"2.847", "2.84720061"}, {"2.970", "2.97002632"}, {"3.078", "3.07750546"}}

// within are the variances within subgroups that are as good.
func within(values []*big.Rat, rules hostfile.Rules) []*big.Rat {
	k := rules.Subgroup
	groups := int64(len(values) / k)
	if groups == 0 {
		return nil
	}
	sum := new(big.Rat)
	for g := range int(groups) {
		group := study.Of(values[g*k : (g+1)*k])
		if rules.Within == hostfile.MeanRange {
			sum.Add(sum, group.Range)
		} else {
			sum.Add(sum, group.Variance)
		}
	}
	sum.Quo(sum, big.NewRat(groups, 1))
	if rules.Within != hostfile.MeanRange {
		return []*big.Rat{sum}
	}
	var out []*big.Rat
	for _, text := range d2[k] {
		constant, _ := new(big.Rat).SetString(text)
		s := new(big.Rat).Quo(sum, constant)
		out = append(out, s.Mul(s, s))
	}
	return out
}

// index is the capability by variances: the tolerance over six standard deviations, or the
// distance from the mean to the nearer limit over three.
func (f *figures) index(k bool, mean *big.Rat, variances []*big.Rat) (out []value) {
	var width *big.Rat // six standard deviations of it make an index of 1
	switch {
	case !k && f.limits.lower != nil && f.limits.upper != nil:
		width = new(big.Rat).Sub(f.limits.upper, f.limits.lower)
	case k:
		for _, d := range []*big.Rat{distance(mean, f.limits.upper), distance(f.limits.lower, mean)} {
			if d != nil && (width == nil || d.Cmp(width) < 0) {
				width = d
			}
		}
		if width != nil {
			width = new(big.Rat).Add(width, width)
		}
	}
	for _, v := range variances {
		if width != nil && v.Sign() > 0 {
			out = append(out, value{new(big.Rat).Quo(signed(width), new(big.Rat).Mul(v, big.NewRat(36, 1)))})
		}
	}
	return out
}

func distance(from, to *big.Rat) *big.Rat {
	if from == nil || to == nil {
		return nil
	}
	return new(big.Rat).Sub(to, from)
}

// ofStudy are %R&R and ndc, by analysis of variance.
func (f *figures) ofStudy(statistic string) []value {
	l := f.study
	if l == nil || min(l.Operators, l.Parts, l.Trials) < 2 || len(f.values) != l.Operators*l.Parts*l.Trials {
		return nil
	}
	var g study.Gauge
	for o := range l.Operators {
		byPart := make([][]*big.Rat, l.Parts)
		for i, v := range f.values[o*l.Parts*l.Trials : (o+1)*l.Parts*l.Trials] {
			byPart[i%l.Parts] = append(byPart[i%l.Parts], v)
		}
		g = append(g, byPart)
	}
	v := g.Split(f.Interaction == hostfile.Kept)
	gauge := new(big.Rat).Add(v.Equipment, v.Operators)
	if statistic == "ndc" {
		return f.classes(gauge, v.Parts)
	}
	share := new(big.Rat)
	switch total := new(big.Rat).Add(gauge, v.Parts); {
	case f.ShareOf != hostfile.OfTolerance && total.Sign() > 0:
		share.Quo(gauge, total)
	case f.ShareOf == hostfile.OfTolerance && f.limits.lower != nil && f.limits.upper != nil:
		share.Quo(rat(f.Deviations), new(big.Rat).Sub(f.limits.upper, f.limits.lower))
		share.Mul(share.Mul(share, share), gauge)
	default:
		return nil
	}
	if f.variances {
		return []value{exactly(share.Mul(share, big.NewRat(100, 1)))}
	}
	return []value{root(share.Mul(share, big.NewRat(100*100, 1)))}
}

// classes are the distinct categories: 1.41 or √2 times the parts' standard deviation over
// that of R&R, truncated; where that is 0, some count one.
func (f *figures) classes(gauge, parts *big.Rat) (out []value) {
	if gauge.Sign() == 0 {
		return nil
	}
	ratio := new(big.Rat).Quo(parts, gauge)
	for _, square := range []*big.Rat{big.NewRat(141*141, 100*100), big.NewRat(2, 1)} {
		v := root(new(big.Rat).Mul(ratio, square))
		n := v.floor()
		if f.roundsNdc {
			n = v.at(0).Int64()
		}
		out = append(out, exactly(big.NewRat(n, 1)))
		if n == 0 {
			out = append(out, exactly(big.NewRat(1, 1)))
		}
	}
	return out
}

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
