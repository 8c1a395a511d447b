package judge

import (
	"fmt"
	"strconv"
	"strings"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// answer is what a row says of one aspect.
type answer struct {
	v    decimal.Decimal // of a value; meaningless when none
	n    int64           // of a tag, or a zone
	none bool
}

// what is a way in which an aspect of rows can be wrong: what stands there instead.
type what struct {
	of   aspect
	bits float64 // length of its description
	text string  // "the value is …"
	says func(it *item) (answer, bool)
}

// got is what the row of an item says, and whether it says what is meant.
func (j *judging) got(it *item, a aspect, want answer) bool {
	switch a {
	case ofLoss, ofEvent:
		return it.rec < 0
	case ofMore:
		return it.bad[ofMore] != nil
	}
	r := &j.rows[it.rec]
	switch a {
	case ofValue:
		return want.none == !r.hasValue && (want.none || equal(want.v, *r.value))
	case ofZone:
		return r.zones.Has(zone.Zone(want.n))
	default:
		return want.none == !r.hasTag && (want.none || want.n == r.tag)
	}
}

// simple is what is so of whole rows.
var simple = []what{
	{ofLoss, 1, "the row is missing", func(*item) (answer, bool) { return answer{}, true }},
	{ofMore, 1, "the row stands twice", func(*item) (answer, bool) { return answer{}, true }},
	{ofEvent, 1, "its row is missing", func(*item) (answer, bool) { return answer{}, true }},
}

// shown is a length as the host shows it.
func (j *judging) shown(pm decimal.Decimal) answer {
	v, _ := j.Display(pm)
	return answer{v: v}
}

func (j *judging) made(r *cause.Reading) (answer, bool) {
	if r == nil || r.Void {
		return answer{}, false
	}
	return j.shown(r.Length()), true
}

// values are the ways in which a value can be wrong; examples are wrong items.
func (j *judging) values(examples []*item) (ws []what) {
	add := func(bits float64, text string, says func(it *item) (answer, bool)) {
		ws = append(ws, what{ofValue, bits, text, says})
	}
	add(3, "there is no value", func(*item) (answer, bool) { return answer{none: true}, true })
	add(3, "the value is 0", func(*item) (answer, bool) { return answer{}, true })
	add(3, "the value is that of the row before", func(it *item) (answer, bool) {
		if it.prev == nil || it.prev.w.Void {
			return answer{}, false
		}
		return answer{v: it.prev.w.Value}, true
	})
	add(3, "the value is the one streamed last before", func(it *item) (answer, bool) { return j.made(it.streamed) })
	add(4, "the value is that of the gauge's frame before", func(it *item) (answer, bool) { return j.made(it.before) })
	add(4, "the value is the other channel's", func(it *item) (answer, bool) { return j.made(it.beside) })
	add(4, "the value is the last of another gauge", func(it *item) (answer, bool) { return j.made(it.foreign) })
	for _, l := range limitNames {
		add(5, "the value is the "+l.name, func(it *item) (answer, bool) {
			at := l.of(j.limits(it))
			return j.shown(decimal.New(int64(at.At), 0)), at.Set
		})
	}
	// What is done to the number: as it was sent, or as it is shown.
	for _, op := range numberOps(j, examples) {
		add(op.bits, op.text, func(it *item) (answer, bool) {
			if it.w.Void {
				return answer{}, false
			}
			v, ok := op.do(it.w.Value)
			return answer{v: v}, ok
		})
		add(op.bits+1, op.text+", in the unit it was sent in", func(it *item) (answer, bool) {
			if it.r == nil || it.r.Void {
				return answer{}, false
			}
			v, ok := op.do(it.r.Shown)
			return j.shown(v.Mul(decimal.New(int64(it.r.Unit.Size()), 0))), ok
		})
	}
	for _, r := range []struct {
		text string
		how  decimal.Rounding
	}{{"the value is cut off, not rounded", decimal.Truncate}, {"the value is rounded half up", decimal.HalfUp}, {"the value is rounded half to even", decimal.HalfEven}} {
		add(4, r.text, func(it *item) (answer, bool) {
			if it.r == nil || it.r.Void {
				return answer{}, false
			}
			step := j.Resolution.Mul(decimal.New(int64(j.Unit.Size()), 0))
			n := it.r.Length().Quo(step, 0, r.how)
			return answer{v: j.Resolution.Mul(n)}, true
		})
	}
	return ws
}

// numberOp is something that is done to a number.
type numberOp struct {
	bits float64
	text string
	do   func(decimal.Decimal) (decimal.Decimal, bool)
}

func numberOps(j *judging, examples []*item) (ops []numberOp) {
	add := func(bits float64, text string, do func(decimal.Decimal) (decimal.Decimal, bool)) {
		ops = append(ops, numberOp{bits, text, do})
	}
	always := func(f func(decimal.Decimal) decimal.Decimal) func(decimal.Decimal) (decimal.Decimal, bool) {
		return func(v decimal.Decimal) (decimal.Decimal, bool) { return f(v), true }
	}
	add(3, "the value has lost its sign", always(decimal.Decimal.Abs))
	add(3, "the value has the opposite sign", always(decimal.Decimal.Neg))
	for _, f := range []struct{ times, name string }{{"10", "10"}, {"0.1", "0.1"}, {"100", "100"}, {"0.01", "0.01"}, {"1000", "1000"}, {"0.001", "0.001"},
		{"2", "2"}, {"0.5", "0.5"}, {"25.4", "25.4"}, {"25", "25"}, {"645.16", "25.4 twice"}, {"1.016", "1.016"}} {
		k := decimal.MustParse(f.times)
		add(6, "the value is multiplied by "+f.name, always(func(v decimal.Decimal) decimal.Decimal { return v.Mul(k) }))
		if strings.HasPrefix(f.times, "25") || strings.HasPrefix(f.times, "6") {
			add(6, "the value is divided by "+f.name, always(func(v decimal.Decimal) decimal.Decimal { return v.Quo(k, j.Resolution.Exponent()-6, decimal.HalfEven) }))
		}
	}
	for less := 1; less <= 3; less++ {
		for _, how := range []struct {
			name string
			mode decimal.Rounding
		}{{"cut off", decimal.Truncate}, {"rounded", decimal.HalfEven}, {"rounded half up", decimal.HalfUp}} {
			add(5+float64(less), fmt.Sprintf("the value is %s to %d fewer decimals", how.name, less), func(v decimal.Decimal) (decimal.Decimal, bool) {
				return v.Quantize(j.Resolution.Exponent()+less, how.mode), true
			})
		}
	}
	add(4, "the value ends at the decimal mark", always(func(v decimal.Decimal) decimal.Decimal { return v.Quantize(0, decimal.Truncate) }))
	text := func(bits float64, name string, f func(neg, whole, frac string) string) {
		add(bits, name, func(v decimal.Decimal) (decimal.Decimal, bool) {
			s := v.String()
			neg := ""
			if strings.HasPrefix(s, "-") {
				neg, s = "-", s[1:]
			}
			whole, frac, _ := strings.Cut(s, ".")
			out, err := decimal.Parse(f(neg, whole, frac))
			return out, err == nil
		})
	}
	text(4, "the first digit of the value is lost", func(neg, whole, frac string) string { return neg + "0" + whole[1:] + "." + frac + "0" })
	text(4, "zeros after the decimal mark are lost", func(neg, whole, frac string) string { return neg + whole + "." + strings.TrimLeft(frac, "0") + "0" })
	text(5, "the decimal mark is lost", func(neg, whole, frac string) string { return neg + whole + frac })
	text(5, "the value keeps its sign only before the decimal mark", func(neg, whole, frac string) string {
		if neg == "" || strings.Trim(frac, "0") == "" {
			return neg + whole + "." + frac + "0"
		}
		w, f := decimal.MustParse(whole), decimal.MustParse("0."+frac)
		return f.Sub(w).String()
	})
	text(4, "the sign of a value between -1 and 0 is lost", func(neg, whole, frac string) string {
		if strings.Trim(whole, "0") == "" {
			neg = ""
		}
		return neg + whole + "." + frac + "0"
	})
	for n := 3; n <= 7; n++ {
		text(7, fmt.Sprintf("only the first %d characters of the value are taken", n), func(neg, whole, frac string) string {
			s := neg + whole + "." + frac
			return strings.TrimSuffix(s[:min(n, len(s))], ".") + ""
		})
	}
	for _, b := range []int{8, 12, 14, 15, 16, 24} {
		add(7, fmt.Sprintf("the value in steps is taken for a signed number of %d bits", b), func(v decimal.Decimal) (decimal.Decimal, bool) {
			n, ok := v.Quo(j.Resolution, 0, decimal.HalfEven).Int64()
			m := int64(1) << b
			n = ((n % m) + m) % m
			if n >= m/2 {
				n -= m
			}
			return j.Resolution.Mul(decimal.New(n, 0)), ok
		})
		add(7, fmt.Sprintf("the value in steps is taken for an unsigned number of %d bits", b), func(v decimal.Decimal) (decimal.Decimal, bool) {
			n, ok := v.Quo(j.Resolution, 0, decimal.HalfEven).Int64()
			m := int64(1) << b
			return j.Resolution.Mul(decimal.New(((n%m)+m)%m, 0)), ok
		})
	}
	ops = append(ops, learnedOps(j, examples)...)
	return ops
}

// learnedOps adds, and multiplies by, what the examples show, and gives the value they
// all have.
func learnedOps(j *judging, examples []*item) (ops []numberOp) {
	seen := map[string]bool{}
	for _, it := range examples[:min(len(examples), 12)] {
		if it.rec < 0 || it.w.Void || !j.rows[it.rec].hasValue {
			continue
		}
		got := *j.rows[it.rec].value
		c := got.Sub(it.w.Value)
		if k := "+" + c.String(); !seen[k] {
			seen[k] = true
			word, by := "too large", c
			if c.Sign() < 0 {
				word, by = "too small", c.Neg()
			}
			ops = append(ops, numberOp{9, fmt.Sprintf("the value is %s by %s", word, j.number(by.Trim())), func(v decimal.Decimal) (decimal.Decimal, bool) { return v.Add(c), true }})
		}
		if k := "=" + got.String(); !seen[k] {
			seen[k] = true
			ops = append(ops, numberOp{9, "the value is " + j.number(got.Trim()), func(decimal.Decimal) (decimal.Decimal, bool) { return got, true }})
		}
		if sum := got.Add(it.w.Value); !seen["m"+sum.String()] {
			seen["m"+sum.String()] = true
			ops = append(ops, numberOp{10, "the value is " + j.number(sum.Trim()) + " less the right one", func(v decimal.Decimal) (decimal.Decimal, bool) { return sum.Sub(v), true }})
		}
		if it.w.Value.Sign() != 0 {
			f := got.Quo(it.w.Value, -3, decimal.HalfEven)
			if k := "x" + f.String(); !seen[k] && f.Sign() != 0 {
				seen[k] = true
				ops = append(ops, numberOp{10, "the value is multiplied by " + f.Trim().String(), func(v decimal.Decimal) (decimal.Decimal, bool) {
					return v.Mul(f).Quo(j.Resolution, 0, decimal.HalfEven).Mul(j.Resolution), true
				}})
			}
		}
	}
	return ops
}

type limitName struct {
	name string
	of   func(zone.Limits) zone.Limit
}

var limitNames = []limitName{
	{"lower limit", func(l zone.Limits) zone.Limit { return l.Lower }},
	{"upper limit", func(l zone.Limits) zone.Limit { return l.Upper }},
	{"lower warning limit", func(l zone.Limits) zone.Limit { return l.WarnLower }},
	{"upper warning limit", func(l zone.Limits) zone.Limit { return l.WarnUpper }},
}

func (j *judging) limits(it *item) zone.Limits {
	if it.c < 0 || it.c >= len(j.Gauges[it.g].Channels) {
		return zone.Limits{}
	}
	return j.Gauges[it.g].Channels[it.c].Limits
}

// zones are the ways in which a zone can be wrong.
func (j *judging) zones() (ws []what) {
	add := func(bits float64, text string, says func(it *item) (zone.Zone, bool)) {
		ws = append(ws, what{ofZone, bits, text, func(it *item) (answer, bool) {
			z, ok := says(it)
			return answer{n: int64(z)}, ok
		}})
	}
	for z := zone.Void; z <= zone.Above; z++ {
		add(4, "the zone is "+z.String(), func(*item) (zone.Zone, bool) { return z, true })
	}
	add(4, "the zone is that of the row before", func(it *item) (zone.Zone, bool) {
		if it.prev == nil {
			return 0, false
		}
		return it.prev.w.Zone, true
	})
	mirror := [...]zone.Zone{zone.Void, zone.Above, zone.WarnHigh, zone.Inside, zone.WarnLow, zone.Below}
	add(4, "below and above are exchanged", func(it *item) (zone.Zone, bool) { return mirror[it.w.Zone], true })
	placed := func(it *item, l zone.Limits, rule zone.Rule, pm, shown decimal.Decimal) (zone.Zone, bool) {
		if it.w.Void {
			return zone.Void, true
		}
		v := shown
		if rule.Decide == zone.Unrounded {
			v = pm
		}
		return l.Place(v, rule), true
	}
	lengths := func(it *item) (pm, shown decimal.Decimal, ok bool) {
		if it.r == nil || it.r.Void {
			return pm, shown, false
		}
		pm = it.r.Length()
		_, shown = j.Display(pm)
		return pm, shown, true
	}
	with := func(bits float64, text string, change func(it *item, l *zone.Limits, rule *zone.Rule) bool) {
		add(bits, text, func(it *item) (zone.Zone, bool) {
			pm, shown, ok := lengths(it)
			l, rule := j.limits(it), j.Rule
			if !ok || !change(it, &l, &rule) {
				return 0, false
			}
			return placed(it, l, rule, pm, shown)
		})
	}
	for g := range j.Gauges {
		for c := range j.Gauges[g].Channels {
			name := j.Gauges[g].Name
			if n := j.Gauges[g].Channels[c].Name; n != "" && len(j.Gauges[g].Channels) > 1 {
				name += "/" + n
			}
			with(5, "the zone is right by the limits of "+name, func(it *item, l *zone.Limits, _ *zone.Rule) bool {
				*l = j.Gauges[g].Channels[c].Limits
				return g != it.g || c != it.c
			})
		}
	}
	with(4, "the zone is right by strict limits", func(_ *item, _ *zone.Limits, r *zone.Rule) bool { r.Strict = true; return !j.Rule.Strict })
	with(4, "the zone is right by inclusive limits", func(_ *item, _ *zone.Limits, r *zone.Rule) bool { r.Strict = false; return j.Rule.Strict })
	with(4, "the zone is right without a guard band", func(_ *item, _ *zone.Limits, r *zone.Rule) bool { r.Guard = 0; return true })
	with(4, "the zone is right by the value as received", func(_ *item, _ *zone.Limits, r *zone.Rule) bool { r.Decide = zone.Unrounded; return true })
	with(4, "the zone is right by the value as shown", func(_ *item, _ *zone.Limits, r *zone.Rule) bool { r.Decide = zone.Displayed; return true })
	with(4, "the zone is right without the warning limits", func(_ *item, l *zone.Limits, _ *zone.Rule) bool {
		l.WarnLower, l.WarnUpper = zone.Limit{}, zone.Limit{}
		return true
	})
	for k, n := range limitNames {
		with(5, "the zone is right without the "+n.name, func(_ *item, l *zone.Limits, _ *zone.Rule) bool {
			*[]*zone.Limit{&l.Lower, &l.Upper, &l.WarnLower, &l.WarnUpper}[k] = zone.Limit{}
			return true
		})
	}
	for _, op := range numberOps(j, nil)[:20] {
		add(op.bits+2, "the zone is right for another value: "+op.text, func(it *item) (zone.Zone, bool) {
			if it.w.Void {
				return 0, false
			}
			v, ok := op.do(it.w.Value)
			pm := v.Mul(decimal.New(int64(j.Unit.Size()), 0))
			z, _ := placed(it, j.limits(it), j.Rule, pm, pm)
			return z, ok
		})
	}
	add(6, "value and limits are compared as text", func(it *item) (zone.Zone, bool) {
		if it.w.Void {
			return 0, false
		}
		return j.textZone(it), true
	})
	return ws
}

// textZone is the zone where numbers are compared as texts.
func (j *judging) textZone(it *item) zone.Zone {
	l := j.limits(it)
	v := it.w.Value.String()
	text := func(at zone.Limit) string {
		n, _ := at.At.In(j.Unit)
		return n.Quantize(j.Resolution.Exponent(), decimal.HalfEven).String()
	}
	switch {
	case l.Lower.Set && v < text(l.Lower):
		return zone.Below
	case l.Upper.Set && v > text(l.Upper):
		return zone.Above
	case l.WarnLower.Set && v < text(l.WarnLower):
		return zone.WarnLow
	case l.WarnUpper.Set && v > text(l.WarnUpper):
		return zone.WarnHigh
	}
	return zone.Inside
}

// tagsWrong are the ways in which a tag number can be wrong.
func (j *judging) tagsWrong(examples []*item) (ws []what) {
	add := func(bits float64, text string, says func(n int64) (int64, bool)) {
		ws = append(ws, what{ofTag, bits, text, func(it *item) (answer, bool) {
			if !it.w.Tagged {
				return answer{none: true}, true
			}
			n, ok := says(it.w.Tag)
			return answer{n: n}, ok
		}})
	}
	ws = append(ws, what{ofTag, 3, "there is no tag number", func(*item) (answer, bool) { return answer{none: true}, true }},
		what{ofTag, 4, "the tag is that of the row before", func(it *item) (answer, bool) {
			if it.prev == nil {
				return answer{}, false
			}
			return answer{n: it.prev.w.Tag, none: !it.prev.w.Tagged}, true
		}},
		what{ofTag, 5, "the tag is the number of the row", func(it *item) (answer, bool) { return answer{n: int64(it.nth)}, true }})
	mods := []int64{10, 16, 32, 64, 100, 128, 256, 512, 1000, 1024, 4096}
	learned := map[int64]bool{}
	for _, it := range examples[:min(len(examples), 12)] {
		if r := &j.rows[it.rec]; r.hasTag && it.w.Tagged {
			d := it.w.Tag - r.tag
			if d > 1 && !learned[d] {
				mods = append(mods, d)
			}
			if !learned[d] {
				learned[d] = true
				word, by := "too small", d
				if d < 0 {
					word, by = "too large", -d
				}
				add(8, fmt.Sprintf("the tag is %s by %d", word, by), func(n int64) (int64, bool) { return n - d, true })
			}
			if k := -r.tag - 1; !learned[k] {
				learned[k] = true
				is := r.tag
				add(8, fmt.Sprintf("the tag is %d", is), func(int64) (int64, bool) { return is, true })
			}
		}
	}
	for _, m := range mods {
		add(6, fmt.Sprintf("the tag is the sent number mod %d", m), func(n int64) (int64, bool) { return n % m, true })
	}
	for _, b := range []int{8, 16} {
		add(7, fmt.Sprintf("the tag is taken for a signed number of %d bits", b), func(n int64) (int64, bool) {
			m := int64(1) << b
			n = ((n % m) + m) % m
			if n >= m/2 {
				n -= m
			}
			return n, true
		})
	}
	based := func(bits float64, text string, base int) {
		add(bits, text, func(n int64) (int64, bool) {
			v, err := strconv.ParseInt(strconv.FormatInt(n, 10), base, 64)
			return v, err == nil
		})
	}
	based(5, "the tag is read as octal", 8)
	based(6, "the tag is read as hexadecimal", 16)
	add(6, "the last digit of the tag is lost", func(n int64) (int64, bool) { return n / 10, true })
	add(6, "the first digit of the tag is lost", func(n int64) (int64, bool) {
		s := strconv.FormatInt(n, 10)
		v, err := strconv.ParseInt("0"+s[1:], 10, 64)
		return v, err == nil
	})
	add(7, "zeros at the end of the tag are lost", func(n int64) (int64, bool) {
		for n != 0 && n%10 == 0 {
			n /= 10
		}
		return n, true
	})
	add(7, "the digits of the tag are reversed", func(n int64) (int64, bool) {
		var m int64
		for ; n > 0; n /= 10 {
			m = m*10 + n%10
		}
		return m, true
	})
	return ws
}
