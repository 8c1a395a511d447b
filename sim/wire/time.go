package wire

import (
	"cmp"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

// timeForm is a time of day or an elapsed time in seconds.
type timeForm struct {
	counts
	layout []timePart
}

type timePart struct {
	lit  byte // 0: a number
	unit byte // h, m, s, f
	n    int  // digits
}

type timeSpec struct {
	Term string `yaml:"time" need:"yes" doc:"a time of day or an elapsed time in seconds, as layout says"`
	common
	Layout string `yaml:"layout" doc:"such as hh:mm:ss.fff"`
	numberKeys
}

func (s *timeSpec) compile(c *compiler, _ *scope, n *node) {
	f := &timeForm{}
	const order = "hmsf"
	last, decimals := -1, 0
	for rest := s.Layout; rest != ""; {
		k := strings.IndexByte(order, rest[0])
		if k < 0 {
			f.layout = append(f.layout, timePart{lit: rest[0], n: 1})
			rest = rest[1:]
			continue
		}
		n := len(rest) - len(strings.TrimLeft(rest, rest[:1]))
		if last >= 0 && k != last+1 || n > 9 || k == 3 && last != 2 {
			c.doc.Errorf(&s.Layout, "write hours, minutes, seconds and a fraction in that order: hh:mm:ss.fff", "%q is no layout of a time", s.Layout)
			return
		}
		f.layout = append(f.layout, timePart{unit: rest[0], n: n})
		if last = k; k == 3 {
			decimals = n
		}
		rest = rest[n:]
	}
	if last < 2 {
		c.doc.Errorf(&s.Layout, "write hours, minutes and seconds: hh:mm:ss", "%q has no seconds", s.Layout)
		return
	}
	f.counts = places(decimals)
	width, _ := f.pattern().sizes()
	c.number(n, s.Term, &s.numberKeys, &f.counts, f, func(a strict.Any) []byte { return c.textToken(a, width) })
}

func (f *timeForm) write(dst []byte, v decimal.Decimal) ([]byte, string) {
	n, neg, why := f.count(v)
	if why != "" || neg {
		return dst, cmp.Or(why, whyRange)
	}
	second := uint64(1)
	for range -f.exp {
		second *= 10
	}
	top := true
	for _, p := range f.layout {
		var k uint64
		switch p.unit {
		case 0:
			dst = append(dst, p.lit)
			continue
		case 'h':
			k = n / second / 3600
		case 'm':
			k = n / second / 60
		case 's':
			k = n / second
		default:
			k = n % second
		}
		if !top && p.unit != 'f' {
			k %= 60
		}
		top = false
		digits := numeral{form: inDigits, width: p.n}
		var why string
		if dst, why = digits.append(dst, k); why != "" {
			return dst, whyRange
		}
	}
	return dst, ""
}

func (f *timeForm) read(d *decoder) (v decimal.Decimal, why string) {
	var seconds, fraction int64
	top := true
	for _, p := range f.layout {
		raw := d.take(p.n)
		if raw == nil {
			return v, whyEnd
		}
		if p.unit == 0 {
			if raw[0] != p.lit {
				return v, whyLiteral
			}
			continue
		}
		digits := numeral{form: inDigits}
		u, ok := digits.read(raw)
		switch k := int64(u); {
		case !ok:
			return v, whyNumber
		case p.unit == 'f':
			fraction = k
		case !top && k >= 60:
			return v, whyRange
		default:
			seconds += k * map[byte]int64{'h': 3600, 'm': 60, 's': 1}[p.unit]
		}
		top = false
	}
	return decimal.New(seconds, 0).Add(decimal.New(fraction, f.exp)), ""
}

func (f *timeForm) pattern() pattern {
	var out row
	for _, p := range f.layout {
		if p.unit == 0 {
			out = append(out, bytesAs([]byte{p.lit}, false))
		} else {
			out = append(out, times(byteRange('0', '9'), p.n))
		}
	}
	return out
}
