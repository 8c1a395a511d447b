package host

import (
	"math/big"
	"slices"
	"time"
)

// rules say how statistics of the tagged readings are worked out.
type rules struct {
	Of          string `json:"of"`       // recorded or received
	Subgroup    int    `json:"subgroup"` // readings, in the order of the tags
	Within      string `json:"within"`   // pooled or mean-range
	Interaction string `json:"interaction"`
	ShareOf     string `json:"share-of"` // study-variation or tolerance
	Deviations  number `json:"study-variation"`
}

// layout is how the tags of a study come: operator by operator, and of each all parts in
// their order as often as there are trials.
type layout struct {
	Operators int `json:"operators"`
	Parts     int `json:"parts"`
	Trials    int `json:"trials"`
}

// SummaryDefects lists the mistakes that a host can be told to make in its statistics.
func SummaryDefects() []Defect { return slices.Clone(ofSummaries) }

// ofSummaries are the mistakes that show in the statistics only.
var ofSummaries = []Defect{
	elsewhere("spread-over-n", "divides the sum of squares by n"),
	elsewhere("spread-in-one-pass", "works the standard deviation out in one pass, in binary"),
	elsewhere("capability-overall", "uses the standard deviation of all readings for Cp and Cpk"),
	elsewhere("performance-within", "uses the spread within subgroups for Pp and Ppk"),
	elsewhere("summary-limits", "works every capability out by the limits of the first gauge's first channel"),
	elsewhere("summary-streamed", "has streamed readings in its statistics"),
	elsewhere("summary-void-as-zero", "counts a void reading as 0 in its statistics"),
	elsewhere("summary-rounding", "uses the values as received where the recorded ones are stated, or the reverse"),
	elsewhere("study-variation", "takes 5.15 standard deviations for a study variation, or 6 where another number is stated"),
	elsewhere("share-of-variances", "writes the share of the variances as %R&R"),
	elsewhere("share-of-other", "writes the other of the two shares as %R&R"),
	elsewhere("classes-rounded", "rounds ndc"),
}

// taken is a reading that statistics may be of, in the records' unit.
type taken struct {
	tagged             bool
	recorded, received *big.Rat // nil: void
}

// keep keeps a reading for the statistics.
func (h *mind) keep(g int, r reading, tagged bool) {
	if h.job.Summary == nil {
		return
	}
	t := taken{tagged: tagged}
	if !r.void {
		step := h.job.Resolution.rat
		if own := h.job.Gauges[g].Channels[r.channel].Resolution; own != nil {
			step = own.rat
		}
		t.received = new(big.Rat).Mul(r.value, ratio(r.unit, h.job.Unit))
		t.recorded = round(t.received, step, h.job.Rounding)
	}
	m := h.memory(g, r.channel)
	m.sums = append(m.sums, t)
}

// of are the values that a channel's statistics are of.
func (h *mind) of(m *memory) (values []*big.Rat) {
	received := (h.job.Summary.Of == "received") != h.has("summary-rounding")
	for _, t := range m.sums {
		switch {
		case !t.tagged && !h.has("summary-streamed"):
		case t.received == nil && h.has("summary-void-as-zero"):
			values = append(values, new(big.Rat))
		case t.received == nil:
		case received:
			values = append(values, t.received)
		default:
			values = append(values, t.recorded)
		}
	}
	return values
}

// statistics are the rows that sum a channel's readings up.
func (h *mind) statistics(g, c int, now time.Time) (rows []row) {
	if h.job.Summary == nil {
		return nil
	}
	gauge := &h.job.Gauges[g]
	channel := gauge.Channels[c]
	values := h.of(h.memory(g, c))
	if len(values) < 2 {
		return nil
	}
	put := func(what, text, unit string) {
		rows = append(rows, row{time: now, gauge: gauge.Name, channel: channel.Name, value: text, unit: unit, event: what})
	}
	places := h.job.Resolution.places
	if channel.Resolution != nil {
		places = channel.Resolution.places
	}
	unit := string(h.job.Unit)
	n := big.NewRat(int64(len(values)), 1)
	mean := new(big.Rat).Quo(total(values), n)
	overall, within := h.overall(values), h.within(values)
	put("count", n.FloatString(0), "")
	put("mean", decimals(mean, places+3), unit)
	put("s", rootText(overall, places+4), unit)
	put("range", decimals(spread(values), places+3), unit)
	limits := channel
	if h.has("summary-limits") {
		limits = h.job.Gauges[0].Channels[0]
	}
	forCp, forPp := within, overall
	if h.has("capability-overall") {
		forCp = overall
	}
	if h.has("performance-within") {
		forPp = within
	}
	for _, is := range []struct {
		what string
		of   *big.Rat
	}{{"C", forCp}, {"P", forPp}} {
		if is.of == nil || is.of.Sign() <= 0 {
			continue
		}
		if p, pk := h.indices(limits, mean, is.of); pk != nil {
			if p != nil {
				put(is.what+"p", signedRootText(p, 4), "")
			}
			put(is.what+"pk", signedRootText(pk, 4), "")
		}
	}
	share, classes := h.study(gauge.Study, limits, values)
	if share != nil {
		put("%R&R", rootText(share, 3), "")
	}
	if classes != "" {
		put("ndc", classes, "")
	}
	return rows
}

func total(values []*big.Rat) *big.Rat {
	sum := new(big.Rat)
	for _, v := range values {
		sum.Add(sum, v)
	}
	return sum
}

// spread is the greatest value less the least.
func spread(values []*big.Rat) *big.Rat {
	return new(big.Rat).Sub(slices.MaxFunc(values, (*big.Rat).Cmp), slices.MinFunc(values, (*big.Rat).Cmp))
}

// decimals writes a number with so many, a tie away from zero.
func decimals(x *big.Rat, places int) string {
	return round(x, tenth(places), halfUp).FloatString(places)
}

// rootText writes the square root of a number that is not negative: digit by digit, as
// whole numbers have it.
func rootText(square *big.Rat, places int) string {
	shifted := new(big.Rat).Quo(square, new(big.Rat).Mul(tenth(places), tenth(places)))
	digits := new(big.Int).Sqrt(new(big.Int).Quo(new(big.Int).Mul(shifted.Num(), big.NewInt(4)), shifted.Denom())) // twice as fine
	digits.Add(digits, big.NewInt(1)).Rsh(digits, 1)
	return new(big.Rat).Mul(new(big.Rat).SetInt(digits), tenth(places)).FloatString(places)
}

// signedRootText writes the root of a square that has its number's sign.
func signedRootText(square *big.Rat, places int) string {
	if square.Sign() < 0 {
		return "-" + rootText(new(big.Rat).Neg(square), places)
	}
	return rootText(square, places)
}

// overall is the variance of all values.
func (h *mind) overall(values []*big.Rat) *big.Rat {
	n := int64(len(values))
	switch {
	case h.has("spread-in-one-pass"):
		var sum, squares float64
		for _, v := range values {
			x, _ := v.Float64()
			sum, squares = sum+x, squares+float64(x*x)
		}
		return new(big.Rat).SetFloat64(max(0, (squares-float64(sum*sum)/float64(n))/float64(n-1)))
	case h.has("spread-over-n"):
		v := variance(values)
		return v.Mul(v, big.NewRat(n-1, n))
	}
	return variance(values)
}

// variance is n times the sum of the squares less the square of the sum, over n (n - 1):
// without a mean, and exact.
func variance(values []*big.Rat) *big.Rat {
	n := int64(len(values))
	squares, sum := new(big.Rat), total(values)
	for _, v := range values {
		squares.Add(squares, new(big.Rat).Mul(v, v))
	}
	squares.Mul(squares, big.NewRat(n, 1)).Sub(squares, sum.Mul(sum, sum))
	return squares.Quo(squares, big.NewRat(n*(n-1), 1))
}

// chart has the constants d2 of control charts, for subgroups of 2 to 10.
var chart = [...]string{"1.128", "1.693", "2.059", "2.326", "2.534", "2.704", "2.847", "2.970", "3.078"}

// within is the variance within subgroups; nil where there is none.
func (h *mind) within(values []*big.Rat) *big.Rat {
	size := h.job.Summary.Subgroup
	var each []*big.Rat
	for ; len(values) >= size; values = values[size:] {
		group := values[:size]
		if h.job.Summary.Within == "mean-range" {
			each = append(each, spread(group))
		} else {
			each = append(each, variance(group))
		}
	}
	if len(each) == 0 {
		return nil
	}
	mean := total(each)
	mean.Quo(mean, big.NewRat(int64(len(each)), 1))
	if h.job.Summary.Within == "mean-range" {
		d2, _ := new(big.Rat).SetString(chart[size-2])
		mean.Quo(mean, d2)
		mean.Mul(mean, mean)
	}
	return mean
}

// indices are the squares of a capability and of that to the nearer limit, the second
// with its sign; nil where limits are missing.
func (h *mind) indices(c channel, mean, variance *big.Rat) (p, pk *big.Rat) {
	over := func(d *big.Rat, deviations int64) *big.Rat {
		q := new(big.Rat).Mul(d, new(big.Rat).Abs(d))
		return q.Quo(q, new(big.Rat).Mul(variance, big.NewRat(deviations*deviations, 1)))
	}
	at := func(n *number) *big.Rat { return new(big.Rat).Mul(n.value(), ratio(c.LimitsUnit, h.job.Unit)) }
	if c.Lower != nil && c.Upper != nil {
		p = over(new(big.Rat).Sub(at(c.Upper), at(c.Lower)), 6)
	}
	if c.Upper != nil {
		pk = over(new(big.Rat).Sub(at(c.Upper), mean), 3)
	}
	if c.Lower != nil {
		if low := over(new(big.Rat).Sub(mean, at(c.Lower)), 3); pk == nil || low.Cmp(pk) < 0 {
			pk = low
		}
	}
	return p, pk
}

// study is what a gauge study comes to: the square of %R&R, and ndc.
func (h *mind) study(l *layout, limits channel, values []*big.Rat) (share *big.Rat, classes string) {
	if l == nil || l.Operators < 2 || l.Parts < 2 || l.Trials < 2 || len(values) != l.Operators*l.Parts*l.Trials {
		return nil, ""
	}
	equipment, operators, parts := l.components(values, h.job.Summary.Interaction == "kept")
	gauge := new(big.Rat).Add(equipment, operators)
	if gauge.Sign() > 0 {
		twice := new(big.Rat).Quo(new(big.Rat).Mul(parts, big.NewRat(141*141, 100*100)), gauge)
		classes = rootDown(twice, h.has("classes-rounded"))
	}
	if (h.job.Summary.ShareOf == "tolerance") != h.has("share-of-other") {
		if limits.Lower == nil || limits.Upper == nil {
			return nil, classes
		}
		deviations := h.job.Summary.Deviations.value()
		if h.has("study-variation") {
			six := big.NewRat(6, 1)
			if deviations.Cmp(six) == 0 {
				six = big.NewRat(515, 100)
			}
			deviations = six
		}
		tolerance := new(big.Rat).Sub(limits.Upper.value(), limits.Lower.value())
		share = deviations.Quo(deviations, tolerance.Mul(tolerance, ratio(limits.LimitsUnit, h.job.Unit)))
		share = new(big.Rat).Mul(new(big.Rat).Mul(share, share), gauge)
	} else if all := new(big.Rat).Add(gauge, parts); all.Sign() > 0 {
		share = all.Quo(gauge, all)
	} else {
		return nil, classes
	}
	if h.has("share-of-variances") {
		share.Mul(share, share)
	}
	return share.Mul(share, big.NewRat(100*100, 1)), classes
}

// rootDown writes the whole part of a root, or the nearest whole number.
func rootDown(square *big.Rat, nearest bool) string {
	if nearest {
		return rootText(square, 0)
	}
	return new(big.Int).Sqrt(new(big.Int).Quo(square.Num(), square.Denom())).String()
}

// components are the variances of a study, by the deviations of means from means.
func (l *layout) components(values []*big.Rat, kept bool) (equipment, operators, parts *big.Rat) {
	mean := func(of func(o, p, t int) bool) *big.Rat {
		var some []*big.Rat
		for i, v := range values {
			if of(i/(l.Parts*l.Trials), i%l.Parts, i/l.Parts%l.Trials) {
				some = append(some, v)
			}
		}
		m := total(some)
		return m.Quo(m, big.NewRat(int64(len(some)), 1))
	}
	squares := func(a, b *big.Rat) *big.Rat {
		d := new(big.Rat).Sub(a, b)
		return d.Mul(d, d)
	}
	grand := mean(func(int, int, int) bool { return true })
	ofOperators, ofParts, ofCells, ofTrials := new(big.Rat), new(big.Rat), new(big.Rat), new(big.Rat)
	var byPart []*big.Rat
	for p := range l.Parts {
		m := mean(func(_, part, _ int) bool { return part == p })
		byPart = append(byPart, m)
		ofParts.Add(ofParts, squares(m, grand))
	}
	for o := range l.Operators {
		own := mean(func(operator, _, _ int) bool { return operator == o })
		ofOperators.Add(ofOperators, squares(own, grand))
		for p := range l.Parts {
			cell := mean(func(operator, part, _ int) bool { return operator == o && part == p })
			expected := new(big.Rat).Add(own, byPart[p])
			ofCells.Add(ofCells, squares(cell, expected.Sub(expected, grand)))
			for t := range l.Trials {
				ofTrials.Add(ofTrials, squares(values[(o*l.Trials+t)*l.Parts+p], cell))
			}
		}
	}
	times := func(x *big.Rat, n, over int) *big.Rat { return new(big.Rat).Mul(x, big.NewRat(int64(n), int64(over))) }
	freedom := (l.Operators - 1) * (l.Parts - 1)
	cells := l.Operators * l.Parts
	trials, both := times(ofTrials, 1, cells*(l.Trials-1)), times(ofCells, l.Trials, freedom)
	less := func(mean, beside *big.Rat, n int) *big.Rat {
		if d := new(big.Rat).Sub(mean, beside); d.Sign() > 0 {
			return times(d, 1, n)
		}
		return new(big.Rat)
	}
	equipment, interaction, beside := trials, new(big.Rat), both
	if kept {
		interaction = less(both, trials, l.Trials)
	} else {
		pooled := new(big.Rat).Add(ofTrials, times(ofCells, l.Trials, 1))
		equipment = times(pooled, 1, cells*(l.Trials-1)+freedom)
		beside = equipment
	}
	operators = less(times(ofOperators, l.Parts*l.Trials, l.Operators-1), beside, l.Parts*l.Trials)
	parts = less(times(ofParts, l.Operators*l.Trials, l.Parts-1), beside, l.Operators*l.Trials)
	return equipment, operators.Add(operators, interaction), parts
}

// summarize writes the statistics of all channels, when the host ends.
func (h *host) summarize() {
	h.mu.Lock()
	defer h.mu.Unlock()
	now := h.now()
	for g := range h.mind.gauges {
		for c := range h.mind.gauges[g].channels {
			for _, r := range h.mind.statistics(g, c, now) {
				h.write(r.columns())
			}
		}
	}
}
