package judge

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
)

// Sentences about what a host writes into the settings of gauges.

// written is about what a host writes into settings instead of what is due.
func (j *judging) written(base *outcome) (f found, ok bool) {
	number := func(do func(n decimal.Decimal) decimal.Decimal) func(_ *cause.Gauge, due, got cause.Write) bool {
		return func(_ *cause.Gauge, due, got cause.Write) bool {
			n, err := decimal.Parse(due.To)
			m, wrong := decimal.Parse(got.To)
			return err == nil && wrong == nil && got.Channel == due.Channel && !m.Equal(n) && m.Equal(do(n))
		}
	}
	type way struct {
		text string
		is   func(g *cause.Gauge, due, got cause.Write) bool
	}
	ways := []way{{"numbers are written into settings with an exponent, as in 5e-05", func(_ *cause.Gauge, due, got cause.Write) bool {
		n, err := decimal.Parse(due.To)
		v, wrong := decimal.Parse(exponent.FindString(got.To))
		return err == nil && wrong == nil && v.Equal(n)
	}}, {"numbers are written into settings with a decimal comma", func(_ *cause.Gauge, due, got cause.Write) bool {
		comma := strings.ReplaceAll(due.To, ".", ",")
		return comma != due.To && strings.Contains(got.To, comma)
	}}}
	for places := 6; places >= 0; places-- {
		ways = append(ways, way{fmt.Sprintf("numbers are written into settings with %d decimals", places), number(func(n decimal.Decimal) decimal.Decimal { return n.Quantize(-places, decimal.HalfEven) })},
			way{fmt.Sprintf("numbers are written into settings cut off after %d decimals", places), number(func(n decimal.Decimal) decimal.Decimal { return n.Quantize(-places, decimal.Truncate) })})
	}
	ways = append(ways, way{"numbers are written into settings without the zeros at their end, also before the decimal mark", number(func(n decimal.Decimal) decimal.Decimal {
		cut, _ := decimal.Parse("0" + strings.TrimRight(n.Abs().Trim().String(), "0"))
		return cut
	})}, way{"numbers are written into settings without their sign", number(decimal.Decimal.Abs)})
	for _, by := range []int{-1, 1} {
		ways = append(ways, way{fmt.Sprintf("what is set for a channel is set for the one %s it", map[int]string{-1: "before", 1: "after"}[by]), func(g *cause.Gauge, due, got cause.Write) bool {
			at := func(name string) int {
				return slices.IndexFunc(g.Channels, func(c cause.Channel) bool { return c.Name == name })
			}
			return due.To == got.To && at(due.Channel) >= 0 && at(got.Channel) == at(due.Channel)+by
		}})
	}
	of := func(d *diff) bool {
		return d.kind == KindSettingValue || d.kind == KindSettingRefused || d.kind == KindSettingMissing
	}
	for _, w := range ways {
		f = sentence(w.text)
		same := true
		f.take(base, func(d *diff) bool {
			g := &j.Gauges[d.gauge]
			is := of(d) && int(d.nth) < len(g.Writes) && (j.instead(d, func(due, got cause.Write) bool { return w.is(g, due, got) }) ||
				slices.ContainsFunc(j.h.Gauges[d.gauge].Garbled, func(sent string) bool { return w.is(g, g.Writes[d.nth], cause.Write{To: sent}) }))
			same = same && (is || !of(d))
			return is
		})
		f.trips = slices.ContainsFunc(base.diffs, func(d diff) bool { return d.kind == KindSettingMissing && len(j.h.Gauges[d.gauge].Garbled) > 0 })
		if same && len(f.keys) > 0 {
			return f, true
		}
	}
	return j.unwritten(base)
}

// unwritten is about settings that are not written where they are due.
func (j *judging) unwritten(base *outcome) (f found, ok bool) {
	first, most := math.MaxInt, 0
	elsewhere := true
	missing := map[[2]int32]bool{}
	for i := range base.diffs {
		d := &base.diffs[i]
		if d.kind != KindSettingMissing || int(d.nth) >= len(j.Gauges[d.gauge].Writes) {
			continue
		}
		first, most = min(first, int(d.nth)), max(most, len(j.Gauges[d.gauge].Writes))
		missing[[2]int32{d.gauge, d.nth}] = true
		due := j.Gauges[d.gauge].Writes[d.nth]
		due.Verb = cmp.Or(due.Verb, "set")
		at := func(f cause.Facts) bool {
			return slices.ContainsFunc(f.Requests, func(r cause.Request) bool { return r.Write == due })
		}
		elsewhere = elsewhere && slices.ContainsFunc(j.h.Gauges, at)
	}
	rest := first > 0
	for g := range j.Gauges {
		for n := first; n < len(j.Gauges[g].Writes); n++ {
			rest = rest && missing[[2]int32{int32(g), int32(n)}]
		}
	}
	switch {
	case len(missing) == 0:
		return f, false
	case elsewhere:
		f = sentence("what is to be set at one gauge is set at another")
	case rest && most > 1:
		f = sentence(fmt.Sprintf("of the settings of a gauge no more than the first %d are written", first))
	default:
		return f, false
	}
	f.take(base, func(d *diff) bool { return missing[[2]int32{d.gauge, d.nth}] && d.kind == KindSettingMissing })
	return f, true
}

var exponent = regexp.MustCompile(`[-+]?[0-9]+(\.[0-9]*)?[eE][-+]?[0-9]+`)

// instead reports whether the host has written something else of the kind that a finding
// says is due.
func (j *judging) instead(d *diff, is func(due, got cause.Write) bool) bool {
	due := j.Gauges[d.gauge].Writes[d.nth]
	due.Verb = cmp.Or(due.Verb, "set")
	return slices.ContainsFunc(j.h.Gauges[d.gauge].Requests, func(r cause.Request) bool {
		return r.Verb == due.Verb && r.Setting == due.Setting && is(due, r.Write)
	})
}
