package judge

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// when is a condition on a row that is due.
type when struct {
	bits float64
	text string // after "where"
	no   string // what is so where it is not; empty: the condition is not turned round
	is   func(it *item) bool
}

// measure is a number about a row, which a condition may bound.
type measure struct {
	bits  float64
	least string // with %s for the bound: "the tag is %s or greater"
	most  string
	of    func(it *item) (float64, bool)
	say   func(float64) string
}

var minusZero = regexp.MustCompile(`-0+(\.0+)?($|[^0-9.])`)

// conditions are those that stand for themselves.
func (j *judging) conditions(items []*item) (cs []when) {
	add := func(bits float64, text, no string, is func(it *item) bool) { cs = append(cs, when{bits, text, no, is}) }
	number := func(f func(v decimal.Decimal, it *item) bool) func(it *item) bool {
		return func(it *item) bool { return it.r != nil && !it.r.Void && f(it.r.Shown, it) }
	}
	add(2, "the reading is negative", "the reading is not negative", number(func(v decimal.Decimal, _ *item) bool { return v.Sign() < 0 }))
	add(4, "the reading is positive", "", number(func(v decimal.Decimal, _ *item) bool { return v.Sign() > 0 }))
	add(3, "the reading is 0", "the reading is not 0", number(func(v decimal.Decimal, _ *item) bool { return v.Sign() == 0 }))
	add(4, "the reading is sent as minus 0", "", number(func(v decimal.Decimal, it *item) bool { return v.Sign() == 0 && minusZero.Match(it.seen.Bytes) }))
	add(3, "the reading is void", "the reading is not void", func(it *item) bool { return it.w.Void })
	add(5, "the reading is a whole number", "", number(func(v decimal.Decimal, _ *item) bool { return v.Quantize(0, decimal.Truncate).Equal(v) }))
	for _, n := range []struct {
		text string
		of   func(v decimal.Decimal, it *item) decimal.Decimal
	}{{"the value", func(_ decimal.Decimal, it *item) decimal.Decimal { return it.w.Value }}, {"the reading as sent", func(v decimal.Decimal, _ *item) decimal.Decimal { return v }}} {
		for d := range byte(10) {
			add(7, fmt.Sprintf("%s ends in %d", n.text, d), "", number(func(v decimal.Decimal, it *item) bool {
				s := n.of(v, it).String()
				return s[len(s)-1] == '0'+d
			}))
		}
	}
	add(3, "the reading lies exactly between two steps", "", number(j.tie))
	add(4, "rounding changes the zone", "", number(func(_ decimal.Decimal, it *item) bool {
		pm := it.r.Length()
		_, shown := j.Display(pm)
		l := j.limits(it)
		return l.Place(pm, j.Rule) != l.Place(shown, j.Rule)
	}))
	on := func(l zone.Limit, it *item) bool {
		pm := it.r.Length()
		_, shown := j.Display(pm)
		at := decimal.New(int64(l.At), 0)
		return l.Set && (shown.Equal(at) || j.Rule.Decide == zone.Unrounded && pm.Equal(at))
	}
	for _, n := range limitNames {
		add(4, "the value is on the "+n.name, "", number(func(_ decimal.Decimal, it *item) bool { return on(n.of(j.limits(it)), it) }))
	}
	add(3, "the value is on a limit", "", number(func(_ decimal.Decimal, it *item) bool {
		return slices.ContainsFunc(limitNames, func(n limitName) bool { return on(n.of(j.limits(it)), it) })
	}))
	for z := zone.Below; z <= zone.Above; z++ {
		add(4, "the value is "+z.String(), "the value is not "+z.String(), func(it *item) bool { return it.w.Zone == z && it.c >= 0 })
	}
	before := func(f func(it, prev *item) bool) func(it *item) bool {
		return func(it *item) bool { return it.prev != nil && f(it, it.prev) }
	}
	add(3, "the value equals the one before it", "", before(func(it, p *item) bool {
		return it.w.Void == p.w.Void && (it.w.Void || it.w.Value.Equal(p.w.Value))
	}))
	add(4, "the value is less than the one before it", "", before(func(it, p *item) bool {
		return !it.w.Void && !p.w.Void && it.w.Value.Cmp(p.w.Value) < 0
	}))
	add(4, "the value is greater than the one before it", "", before(func(it, p *item) bool {
		return !it.w.Void && !p.w.Void && it.w.Value.Cmp(p.w.Value) > 0
	}))
	add(4, "the reading before it is void", "", before(func(_, p *item) bool { return p.w.Void }))
	add(5, "the zone is the same as before it", "the zone is another than before it", before(func(it, p *item) bool { return it.w.Zone == p.w.Zone }))
	add(4, "the tag number is lower than the one before it", "", before(func(it, p *item) bool { return it.w.Tagged && p.w.Tagged && it.w.Tag < p.w.Tag }))
	add(5, "the tag number does not follow the one before it", "", before(func(it, p *item) bool { return it.w.Tagged && p.w.Tagged && it.w.Tag != p.w.Tag+1 }))
	frame := func(f func(s *cause.Seen) bool) func(it *item) bool {
		return func(it *item) bool { return it.seen != nil && f(it.seen) }
	}
	add(3, "the reading is tagged", "the reading is not tagged", frame(func(s *cause.Seen) bool { return s.Tagged }))
	add(3, "the frame came in the same piece as the one before it", "", frame(func(s *cause.Seen) bool { return s.Joined }))
	add(3, "another frame came in the same piece after it", "", func(it *item) bool { return it.follows })
	add(3, "the frame came in one piece with another", "", func(it *item) bool { return it.follows || it.seen != nil && it.seen.Joined })
	add(3, "the frame came in parts", "", frame(func(s *cause.Seen) bool { return s.Split }))
	add(4, "the cell is low", "the cell is not low", frame(func(s *cause.Seen) bool { return s.Low }))
	add(5, "the host asked for the reading", "", frame(func(s *cause.Seen) bool { return s.Asked }))
	add(3, "the frame before it arrived damaged", "", func(it *item) bool { return it.damaged })
	add(5, "the frame before it is another gauge's", "the frame before it is the same gauge's", func(it *item) bool { return it.other })
	add(2, "it is the first after the port came back", "", func(it *item) bool { return it.up == 1 })
	add(2, "the port has come back", "the port has not gone yet", func(it *item) bool { return it.up > 0 })
	add(3, "it is the first after the host was started again", "", func(it *item) bool { return it.anew == 1 })
	add(3, "the host has been started again", "", func(it *item) bool { return it.anew > 0 })
	add(3, "it is the first of the channel", "", func(it *item) bool { return it.nth == 1 && it.c >= 0 })
	add(3, "it is the first of the run", "", func(it *item) bool { return it.run == 1 })
	add(3, "it is the last of the channel", "", func(it *item) bool { return it.last })
	return append(cs, j.drawn(items)...)
}

// tie reports whether a reading lies in the middle of two of the host's steps.
func (j *judging) tie(_ decimal.Decimal, it *item) bool {
	step := j.Resolution.Mul(decimal.New(int64(j.Unit.Size()), 0))
	twice := it.r.Length().Mul(decimal.New(2, 0))
	n, ok := twice.Quo(step, 0, decimal.HalfEven).Int64()
	return ok && n%2 != 0 && step.Mul(decimal.New(n, 0)).Equal(twice)
}

// drawn are conditions on what there is in this run: gauges, units, digits, bytes.
func (j *judging) drawn(items []*item) (cs []when) {
	add := func(bits float64, text, no string, is func(it *item) bool) { cs = append(cs, when{bits, text, no, is}) }
	if len(j.Gauges) > 1 {
		for g := range j.Gauges {
			add(2+math.Log2(float64(len(j.Gauges))), "the gauge is "+j.Gauges[g].Name, "the gauge is not "+j.Gauges[g].Name, func(it *item) bool { return it.g == g })
		}
	}
	channels, units := map[string]bool{}, map[decimal.Unit]bool{}
	for g := range j.Gauges {
		for _, c := range j.Gauges[g].Channels {
			channels[c.Name] = true
		}
	}
	for i := range j.h.Readings {
		units[j.h.Readings[i].Unit] = true
	}
	if len(channels) > 1 {
		for _, n := range slices.Sorted(maps.Keys(channels)) {
			add(3, "the channel is "+n, "the channel is not "+n, func(it *item) bool { return it.c >= 0 && j.Gauges[it.g].Channels[it.c].Name == n })
		}
	}
	if len(units) > 1 {
		for _, u := range slices.Sorted(maps.Keys(units)) {
			add(4, "the gauge sends "+u.Symbol(), "the gauge does not send "+u.Symbol(), func(it *item) bool { return it.r != nil && it.r.Unit == u })
		}
	}
	tagged := func(f func(n int64) bool) func(it *item) bool {
		return func(it *item) bool { return it.w.Tagged && it.c >= 0 && f(it.w.Tag) }
	}
	add(5, "the tag number is even", "the tag number is odd", tagged(func(n int64) bool { return n%2 == 0 }))
	add(5, "the tag number is a multiple of 10", "", tagged(func(n int64) bool { return n%10 == 0 }))
	add(6, "the tag number is a multiple of 100", "", tagged(func(n int64) bool { return n%100 == 0 }))
	for d := range 10 {
		add(8, fmt.Sprintf("the tag number ends in %d", d), "", tagged(func(n int64) bool { return n%10 == int64(d) }))
		add(8, fmt.Sprintf("the tag number has the digit %d", d), "", tagged(func(n int64) bool { return strings.ContainsRune(fmt.Sprint(n), rune('0'+d)) }))
	}
	for n := 2; n <= 10; n++ {
		for k := range n {
			add(5+math.Log2(float64(n*n)), fmt.Sprintf("it is row %d of every %d of the channel", k+1, n), "", func(it *item) bool { return it.c >= 0 && (it.nth-1)%n == k })
		}
	}
	for _, e := range []cause.Event{cause.LowCellEvent, cause.LinkLostEvent, cause.LinkBackEvent} {
		add(2, "the event is "+e.String(), "", func(it *item) bool { return it.w.Event == e })
	}
	// Bytes that some frames have and others do not.
	var in [256]int
	frames := 0
	for _, it := range items[:min(len(items), 2000)] {
		if it.seen == nil {
			continue
		}
		frames++
		var has [256]bool
		for _, b := range it.seen.Bytes {
			if !has[b] {
				has[b] = true
				in[b]++
			}
		}
	}
	for b := range in {
		if in[b] > 0 && in[b] < frames {
			add(9, fmt.Sprintf("the frame holds the byte %02x", b), "", func(it *item) bool { return it.seen != nil && bytes.IndexByte(it.seen.Bytes, byte(b)) >= 0 })
		}
	}
	return cs
}

// measures are the numbers that conditions bound.
func (j *judging) measures() []measure {
	count := func(f float64) string { return fmt.Sprintf("%.0f", f) }
	value := func(f float64) string {
		return j.number(decimal.MustParse(fmt.Sprintf("%.*f", max(0, -j.Resolution.Exponent()), f)))
	}
	lasts := func(f float64) string { return time.Duration(f).String() }
	return []measure{
		{8, "the tag number is %s or greater", "the tag number is %s or less", func(it *item) (float64, bool) { return float64(it.w.Tag), it.w.Tagged && it.c >= 0 }, count},
		{9, "the value is %s or more", "the value is %s or less", func(it *item) (float64, bool) { return it.w.Value.Float64(), !it.w.Void && it.c >= 0 }, value},
		{9, "the value, whatever its sign, is %s or more", "the value, whatever its sign, is %s or less", func(it *item) (float64, bool) { return it.w.Value.Abs().Float64(), !it.w.Void && it.c >= 0 }, value},
		{9, "it is row %s of the channel or a later one", "it is row %s of the channel or an earlier one", func(it *item) (float64, bool) { return float64(it.nth), it.c >= 0 }, count},
		{9, "it is row %s of the run or a later one", "it is row %s of the run or an earlier one", func(it *item) (float64, bool) { return float64(it.run), it.run > 0 }, count},
		{9, "the gauge's tag before it is %s or more ago", "the gauge's tag before it is %s or less ago", func(it *item) (float64, bool) { return float64(it.since), it.since >= 0 && it.c >= 0 }, lasts},
		{9, "it is row %s after the port came back or a later one", "it is row %s after the port came back or an earlier one", func(it *item) (float64, bool) { return float64(it.up), it.up > 0 }, count},
		{9, "it is row %s after the host was started again or a later one", "it is row %s after the host was started again or an earlier one", func(it *item) (float64, bool) { return float64(it.anew), it.anew > 0 }, count},
	}
}

// bounds are the conditions that keep a measure to what the rows that are wrong in one
// way have, with the roundest bounds that the other rows leave.
func bounds(m measure, wrong, others []*item) (cs []when) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, it := range wrong {
		f, ok := m.of(it)
		if !ok {
			return nil
		}
		lo, hi = min(lo, f), max(hi, f)
	}
	below, above := math.Inf(-1), math.Inf(1) // the nearest of the others
	for _, it := range others {
		if f, ok := m.of(it); ok && f < lo {
			below = max(below, f)
		} else if ok && f > hi {
			above = min(above, f)
		}
	}
	if !math.IsInf(below, -1) {
		at := roundest(below, lo, false)
		cs = append(cs, when{m.bits, fmt.Sprintf(m.least, m.say(at)), "", func(it *item) bool { f, ok := m.of(it); return ok && f >= at }})
	}
	if !math.IsInf(above, 1) {
		at := roundest(hi, above, true)
		cs = append(cs, when{m.bits, fmt.Sprintf(m.most, m.say(at)), "", func(it *item) bool { f, ok := m.of(it); return ok && f <= at }})
	}
	return cs
}

// roundest is the number with the fewest digits in (from, to], or with open the other
// way in [from, to).
func roundest(from, to float64, open bool) float64 {
	for p := 9; p >= -3; p-- {
		step := math.Pow10(p)
		if open {
			if n := math.Ceil(to/step)*step - step; n >= from && n < to {
				return n
			}
		} else if n := math.Floor(to/step) * step; n > from && n <= to {
			return n
		}
	}
	if open {
		return from
	}
	return to
}
