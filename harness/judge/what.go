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
	lost bool // there is no row
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
	if it.rec < 0 || want.lost {
		return it.rec < 0 && want.lost
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
	{of: ofLoss, bits: 1, text: "the row is missing", says: func(*item) (answer, bool) { return answer{}, true }},
	{of: ofMore, bits: 1, text: "the row stands more than once", says: func(*item) (answer, bool) { return answer{}, true }},
	{of: ofEvent, bits: 1, text: "its row is missing", says: func(*item) (answer, bool) { return answer{}, true }},
}

// shown is a length as the host shows it.
func (j *judging) shown(it *item, pm decimal.Decimal) answer {
	v, _ := j.Display(it.g, it.c, pm)
	return answer{v: v}
}

func (j *judging) made(it *item, r *cause.Reading) (answer, bool) {
	if r == nil || r.Void {
		return answer{}, false
	}
	return j.shown(it, r.Length()), true
}

// adds takes a way in which a value can be wrong.
type adds func(bits float64, text string, says func(it *item) (answer, bool))

// values are the ways in which a value can be wrong; examples are wrong items.
func (j *judging) values(examples []*item) (ws []what) {
	add := func(bits float64, text string, says func(it *item) (answer, bool)) {
		ws = append(ws, what{of: ofValue, bits: bits, text: text, says: says})
	}
	j.replaced(add)
	j.misread(add, examples)
	j.changed(add, examples)
	j.stepped(add)
	return ws
}

// replaced are values in whose place another stands.
func (j *judging) replaced(add adds) {
	add(4, asLiteral, func(it *item) (answer, bool) { pm, ok := atItsWord(it); return j.shown(it, pm), ok })
	for places := 3; places <= 6; places++ {
		add(4.5, fmt.Sprintf("the binary fraction of 32 bits in the frame is cut off after decimal %d", places), func(it *item) (answer, bool) {
			pm, ok := asCut(it, places)
			return j.shown(it, pm), ok
		})
	}
	add(3, "there is no value", func(*item) (answer, bool) { return answer{none: true}, true })
	add(3, "the value is 0", func(*item) (answer, bool) { return answer{}, true })
	add(3, "the value is that of the row before", func(it *item) (answer, bool) {
		if it.prev == nil || it.prev.w.Void {
			return answer{}, false
		}
		return answer{v: it.prev.w.Value}, true
	})
	add(3.5, "the value is the last before it that was not void", func(it *item) (answer, bool) {
		p := it.prev
		for p != nil && p.w.Void {
			p = p.prev
		}
		if p == nil {
			return answer{}, false
		}
		return answer{v: p.w.Value}, true
	})
	add(3, "the value is the one streamed last before", func(it *item) (answer, bool) { return j.made(it, it.streamed) })
	add(4, "the value is that of the gauge's frame before", func(it *item) (answer, bool) { return j.made(it, it.before) })
	add(4, "the value is the other channel's", func(it *item) (answer, bool) { return j.made(it, it.beside) })
	add(4, "the value is the last of another gauge", func(it *item) (answer, bool) { return j.made(it, it.foreign) })
	add(3, "the value is the last number that came before it, whichever its channel", func(it *item) (answer, bool) { return j.made(it, it.latest) })
	add(4, "the value is the smallest of the channel so far", func(it *item) (answer, bool) {
		if it.w.Void || it.least == nil {
			return answer{}, false
		}
		return answer{v: it.least.Value}, true
	})
	add(5, "the value is the deviation from the first of the channel", func(it *item) (answer, bool) {
		if it.w.Void || it.first == nil || it.first.w.Void {
			return answer{}, false
		}
		return answer{v: it.w.Value.Sub(it.first.w.Value)}, true
	})
	add(5, "the value is that of the row after", func(it *item) (answer, bool) {
		if it.next == nil || it.next.w.Void {
			return answer{}, false
		}
		return answer{v: it.next.w.Value}, true
	})
	add(3, "channels without a reading are left out, and those after them take their places", func(it *item) (answer, bool) {
		if it.seen == nil || it.c < 0 {
			return answer{}, false
		}
		n := it.c
		for q, rs := 0, j.h.Of(it.seen); q < len(rs); q++ {
			if rs[q].Void {
				continue
			}
			if n--; n < 0 {
				return j.made(it, &rs[q])
			}
		}
		return answer{none: true, lost: it.rec < 0}, true
	})
	for _, l := range zone.Kinds {
		add(5, "the value is the "+l.Name, func(it *item) (answer, bool) {
			limits := j.limits(it)
			at := l.Of(limits)
			return j.shown(it, decimal.New(int64(at.At), 0)), at.Set
		})
	}
	add(4, "the value is the deviation from the middle of the specification limits", func(it *item) (answer, bool) {
		l := j.limits(it)
		if it.r == nil || it.r.Void || !l.Lower.Set || !l.Upper.Set {
			return answer{}, false
		}
		return j.shown(it, it.r.Length().Sub(decimal.New(int64(l.Lower.At+l.Upper.At), 0).Mul(decimal.New(5, -1)))), true
	})
}

// changed are values of which the number is changed: as it was sent, or as it is shown.
func (j *judging) changed(add adds, examples []*item) {
	for _, op := range append(numberOps(j), learnedOps(j, examples)...) {
		add(op.bits, op.text, func(it *item) (answer, bool) {
			if it.w.Void {
				return answer{}, false
			}
			v, ok := op.do(it.w.Value)
			return answer{v: v}, ok
		})
		if strings.HasSuffix(op.text, " by 25.4") {
			continue // a number in one unit is taken for one in another
		}
		add(op.bits+1, op.text+", in the unit it was sent in", func(it *item) (answer, bool) {
			if it.r == nil || it.r.Void {
				return answer{}, false
			}
			v, ok := op.do(it.r.Shown)
			return j.shown(it, v.Mul(decimal.New(int64(it.r.Unit.Size()), 0))), ok
		})
	}
	for places := 1; places <= 6; places++ {
		add(4.5, fmt.Sprintf("the value is rounded to decimal %d in the gauge's unit first", places), func(it *item) (answer, bool) {
			if it.r == nil || it.r.Void {
				return answer{}, false
			}
			v := it.r.Shown.Quantize(max(it.r.Shown.Exponent(), -places), decimal.HalfEven)
			return j.shown(it, v.Mul(decimal.New(int64(it.r.Unit.Size()), 0))), true
		})
	}
	add(4, "the number is taken for one in the unit that the gauge began with", func(it *item) (answer, bool) {
		if it.r == nil || it.r.Void {
			return answer{}, false
		}
		return j.shown(it, it.r.Shown.Mul(decimal.New(int64(it.initial.Unit.Size()), 0))), true
	})
	for _, u := range [][2]decimal.Unit{{decimal.IN, decimal.MM}, {decimal.MM, decimal.IN}} {
		names := map[decimal.Unit]string{decimal.IN: "inches", decimal.MM: "millimetres"}
		add(5, fmt.Sprintf("the number in %s is taken for one in %s", names[u[0]], names[u[1]]), func(it *item) (answer, bool) {
			if it.r == nil || it.r.Void || it.r.Unit != u[0] {
				return answer{}, false
			}
			return j.shown(it, it.r.Shown.Mul(decimal.New(int64(u[1].Size()), 0))), true
		})
	}
}

// numberOp is something that is done to a number.
type numberOp struct {
	bits float64
	text string
	do   func(decimal.Decimal) (decimal.Decimal, bool)
}

func numberOps(j *judging) (ops []numberOp) {
	add := func(bits float64, text string, do func(decimal.Decimal) (decimal.Decimal, bool)) {
		ops = append(ops, numberOp{bits, text, do})
	}
	always := func(f func(decimal.Decimal) decimal.Decimal) func(decimal.Decimal) (decimal.Decimal, bool) {
		return func(v decimal.Decimal) (decimal.Decimal, bool) { return f(v), true }
	}
	add(3, "the value has lost its sign", always(decimal.Decimal.Abs))
	add(3, "the value has the opposite sign", always(decimal.Decimal.Neg))
	add(4, "the sign of a value between -1 and 0 is lost", always(func(v decimal.Decimal) decimal.Decimal {
		if v.Quantize(0, decimal.Truncate).IsZero() {
			return v.Abs()
		}
		return v
	}))
	add(5, "the value keeps its sign only before the decimal mark", always(func(v decimal.Decimal) decimal.Decimal {
		whole := v.Quantize(0, decimal.Truncate)
		return whole.Add(v.Sub(whole).Abs())
	}))
	for _, f := range []string{"10", "0.1", "100", "0.01", "1000", "0.001", "2", "0.5", "25.4", "645.16"} {
		k := decimal.MustParse(f)
		add(5, "the value is multiplied by "+f, always(func(v decimal.Decimal) decimal.Decimal { return v.Mul(k) }))
	}
	add(5, "the value is divided by 25.4", always(func(v decimal.Decimal) decimal.Decimal {
		return v.Quo(decimal.New(254, -1), j.Resolution.Exponent()-6, decimal.HalfEven)
	}))
	for less := 1; less <= 3; less++ {
		for _, how := range []struct {
			name string
			mode decimal.Rounding
		}{{"cut off", decimal.Truncate}, {"rounded", decimal.HalfEven}, {"rounded half up", decimal.HalfUp}} {
			add(3+float64(less), fmt.Sprintf("the value is %s to %d fewer decimals", how.name, less), func(v decimal.Decimal) (decimal.Decimal, bool) {
				return v.Quantize(max(v.Exponent(), j.Resolution.Exponent())+less, how.mode), true
			})
		}
	}
	for digits := 3; digits <= 7; digits++ {
		for _, how := range []struct {
			name string
			mode decimal.Rounding
		}{{"rounded", decimal.HalfEven}, {"cut off", decimal.Truncate}} {
			add(5, fmt.Sprintf("the value is %s to %d significant digits", how.name, digits), always(func(v decimal.Decimal) decimal.Decimal {
				whole := v.Abs().Quantize(0, decimal.Truncate)
				n := len(whole.String())
				if whole.IsZero() {
					c, _ := v.Abs().Coefficient()
					n = len(strconv.FormatInt(c, 10)) + v.Exponent()
				}
				return v.Quantize(max(v.Exponent(), n-digits), how.mode)
			}))
		}
	}
	add(4, "the value ends at the decimal mark", always(func(v decimal.Decimal) decimal.Decimal { return v.Quantize(0, decimal.Truncate) }))
	text := func(bits float64, name string, f func(whole, frac string) string) {
		add(bits, name, func(v decimal.Decimal) (decimal.Decimal, bool) {
			whole, frac, _ := strings.Cut(v.Abs().String(), ".")
			out, err := decimal.Parse(f(whole, frac))
			if v.Sign() < 0 {
				out = out.Neg()
			}
			return out, err == nil
		})
	}
	text(8, "the first digit of the value is lost", func(whole, frac string) string { return "0" + whole[1:] + "." + frac + "0" })
	text(6, "zeros after the decimal mark are lost", func(whole, frac string) string { return whole + "." + strings.TrimLeft(frac, "0") + "0" })
	text(6, "zeros at the end of the value are lost, also before the decimal mark", func(whole, frac string) string { return "0" + strings.TrimRight(whole+"."+frac, "0.") })
	text(6, "the decimal mark is lost", func(whole, frac string) string { return whole + frac })
	ops = append(ops, j.overflows()...)
	return ops
}

// overflows are what becomes of a number of counts in so many bits.
func (j *judging) overflows() (ops []numberOp) {
	wrap := func(n int64, b int, signed bool) int64 {
		m := int64(1) << b
		if n = ((n % m) + m) % m; signed && n >= m/2 {
			n -= m
		}
		return n
	}
	counted := func(bits float64, text string, count decimal.Decimal, f func(n int64) int64) {
		ops = append(ops, numberOp{bits, text, func(v decimal.Decimal) (decimal.Decimal, bool) {
			n, ok := v.Quo(count, 0, decimal.HalfEven).Int64()
			if m := f(n); m != n {
				v = count.Mul(decimal.New(m, 0))
			}
			return v, ok
		}})
	}
	signs := map[bool]string{true: "a signed", false: "an unsigned"}
	for _, signed := range []bool{true, false} {
		for _, b := range []int{8, 12, 14, 15, 16, 24, 31, 32} {
			counted(6, fmt.Sprintf("the value in steps is taken for %s number of %d bits", signs[signed], b), j.Resolution, func(n int64) int64 { return wrap(n, b, signed) })
		}
	}
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
			ops = append(ops, numberOp{13, fmt.Sprintf("the value is %s by %s", word, j.number(by.Trim())), func(v decimal.Decimal) (decimal.Decimal, bool) { return v.Add(c), true }})
		}
		if k := "=" + got.String(); !seen[k] {
			seen[k] = true
			ops = append(ops, numberOp{13, "the value is " + j.number(got.Trim()), func(decimal.Decimal) (decimal.Decimal, bool) { return got, true }})
		}
		if sum := got.Add(it.w.Value); !seen["m"+sum.String()] {
			seen["m"+sum.String()] = true
			ops = append(ops, numberOp{14, "the value is " + j.number(sum.Trim()) + " less the right one", func(v decimal.Decimal) (decimal.Decimal, bool) { return sum.Sub(v), true }})
		}
		if it.w.Value.Sign() != 0 {
			f := got.Quo(it.w.Value, -3, decimal.HalfEven)
			if k := "x" + f.String(); !seen[k] && f.Sign() != 0 {
				seen[k] = true
				ops = append(ops, numberOp{14, "the value is multiplied by " + f.Trim().String(), func(v decimal.Decimal) (decimal.Decimal, bool) {
					return v.Mul(f).Quo(j.Resolution, 0, decimal.HalfEven).Mul(j.Resolution), true
				}})
			}
		}
	}
	return ops
}

// tagsWrong are the ways in which a tag number can be wrong.
func (j *judging) tagsWrong(examples []*item) (ws []what) {
	add := func(bits float64, text string, says func(n int64) (int64, bool)) {
		ws = append(ws, what{of: ofTag, bits: bits, text: text, says: func(it *item) (answer, bool) {
			if !it.w.Tagged {
				return answer{none: true}, true
			}
			n, ok := says(it.w.Tag)
			return answer{n: n, lost: !ok}, true
		}})
	}
	always := func(bits float64, text string, f func(n int64) int64) {
		add(bits, text, func(n int64) (int64, bool) { return f(n), true })
	}
	ws = append(ws, what{of: ofTag, bits: 3, text: "there is no tag number", says: func(*item) (answer, bool) { return answer{none: true}, true }},
		what{of: ofTag, bits: 4, text: "the tag is that of the row before", says: func(it *item) (answer, bool) {
			if it.prev == nil {
				return answer{}, false
			}
			return answer{n: it.prev.w.Tag, none: !it.prev.w.Tagged}, true
		}},
		what{of: ofTag, bits: 4, text: "the tag is that of the row after", says: func(it *item) (answer, bool) {
			if it.next == nil {
				return answer{}, false
			}
			return answer{n: it.next.w.Tag, none: !it.next.w.Tagged}, true
		}},
		what{of: ofTag, bits: 5, text: "the tag is the number of the row", says: func(it *item) (answer, bool) { return answer{n: int64(it.nth)}, true }})
	mods := []int64{10, 16, 32, 64, 100, 128, 256, 512, 1000, 1024, 4096, 16384, 32768}
	learned := map[int64]bool{}
	for _, it := range examples[:min(len(examples), 12)] {
		if it.rec < 0 || !j.rows[it.rec].hasTag || !it.w.Tagged {
			continue
		}
		d := it.w.Tag - j.rows[it.rec].tag
		if learned[d] {
			continue
		}
		learned[d] = true
		if d > 1 {
			mods = append(mods, d)
		}
		word, by := "too small", d
		if d < 0 {
			word, by = "too large", -d
		}
		always(9, fmt.Sprintf("the tag is %s by %d", word, by), func(n int64) int64 { return n - d })
	}
	for _, m := range mods {
		always(6, fmt.Sprintf("the tag is the sent number mod %d", m), func(n int64) int64 { return n % m })
	}
	always(7, "the tag is taken for a signed number of 8 bits", func(n int64) int64 { return int64(int8(n)) })
	always(7, "the tag is taken for a signed number of 16 bits", func(n int64) int64 { return int64(int16(n)) })
	always(7, "the two bytes of the tag are exchanged", func(n int64) int64 { return n&0xff<<8 | n>>8&0xff })
	digits := func(bits float64, text string, f func(s string) (string, int)) {
		add(bits, text, func(n int64) (int64, bool) {
			s, base := f(strconv.FormatInt(n, 10))
			v, err := strconv.ParseInt("0"+s, base, 64)
			return v, err == nil
		})
	}
	digits(5, "the tag is read as octal, and one that is no octal number has no row", func(s string) (string, int) { return s, 8 })
	digits(5, "the tag is read as octal as far as its digits go", func(s string) (string, int) {
		if at := strings.IndexAny(s, "89"); at >= 0 {
			s = s[:at]
		}
		return s, 8
	})
	digits(6, "the tag is read as hexadecimal", func(s string) (string, int) { return s, 16 })
	digits(6, "the last digit of the tag is lost", func(s string) (string, int) { return s[:len(s)-1], 10 })
	digits(6, "the first digit of the tag is lost", func(s string) (string, int) { return s[1:], 10 })
	for n := 1; n <= 3; n++ {
		digits(5, fmt.Sprintf("of the tag's digits the first %d alone are taken", n), func(s string) (string, int) { return s[:min(n, len(s))], 10 })
	}
	digits(7, "zeros at the end of the tag are lost", func(s string) (string, int) { return strings.TrimRight(s, "0"), 10 })
	return ws
}
