package wire

import (
	"cmp"
	"fmt"
	"math"
	"strconv"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

// decimalForm is a number in ASCII digits.
type decimalForm struct {
	counts
	width    int // characters; 0: as many as it needs, up to longest
	longest  int
	decimals int // −1: as many as the value has
	sign     string
	pad      byte
	mark     byte // 0: none
	powers   bool // a power of ten may follow
	always   bool // one does
	shift    int  // what is sent is the value times 10^−shift
}

type decimalSpec struct {
	Term string `yaml:"decimal" need:"yes" doc:"a decimal number in ASCII digits"`
	common
	Width    int             `yaml:"width" range:"1 40" doc:"characters, when it is always the same"`
	Longest  int             `yaml:"longest" range:"1 40" doc:"most characters (default: 20)"`
	Decimals *int            `yaml:"decimals" range:"0 15" doc:"digits after the mark; as many as the value has unless given"`
	Sign     string          `yaml:"sign" one:"minus always space none" doc:"minus (when negative), always, space (or minus) or none (default: minus)"`
	Pad      string          `yaml:"pad" doc:"the character that fills up the width (default: a space)"`
	Mark     string          `yaml:"mark" doc:"the decimal mark (default: a point); none when it is only implied"`
	Exponent string          `yaml:"exponent" one:"never accept always" doc:"never, accept: a power of ten may follow, or always: it does (default: never)"`
	Scale    decimal.Decimal `yaml:"scale" doc:"what a 1 that is sent is worth, a power of ten such as 1000 (default: 1)"`
	numberKeys
}

func (s *decimalSpec) compile(c *compiler, _ *scope, n *node) {
	f := &decimalForm{longest: cmp.Or(s.Longest, defaultDigits), mark: '.', always: s.Exponent == "always", width: s.Width, sign: cmp.Or(s.Sign, "minus")}
	f.powers = f.always || s.Exponent == "accept"
	f.pad = c.char(&s.Pad, ' ')
	if isDigit(f.pad) && f.pad != '0' {
		c.doc.Errorf(&s.Pad, "pad with a space", "padding with %q would change the number", f.pad)
	}
	f.decimals = decimalsOf(s.Decimals)
	if c.doc.Has(&s.Scale) {
		t := s.Scale.Trim()
		if one, _ := t.Coefficient(); one != 1 {
			c.doc.Errorf(&s.Scale, "write a power of ten, such as 1000", "%s is no scale of a decimal number", s.Scale)
		}
		f.shift = t.Exponent()
	}
	s.readMark(c, f)
	s.checkWidth(c, f)
	f.counts = places(max(f.decimals, 0) - f.shift)
	f.free = f.decimals < 0 || f.always
	c.number(n, s.Term, &s.numberKeys, &f.counts, f, func(a strict.Any) []byte {
		token := c.textToken(a, f.width)
		if number, why := f.parse(token); token != nil && why == "" && f.allows(number) {
			a.Errorf("choose a text that is no number, or give the field a range", "%q is also a number", a.Scalar)
			return nil
		}
		return token
	})
}

// decimalsOf is how many decimals a key says; −1 when it is not given.
func decimalsOf(ptr *int) int {
	if ptr == nil {
		return -1
	}
	return *ptr
}

func (s *decimalSpec) readMark(c *compiler, f *decimalForm) {
	switch {
	case s.Mark == "none":
		f.mark = 0
		if s.Decimals == nil {
			c.doc.Errorf(&s.Mark, "say how many decimals", "an implied decimal mark needs decimals")
			f.decimals = 0
		}
		if f.always {
			c.doc.Errorf(&s.Exponent, "", "a power of ten needs a decimal mark")
		}
	case c.doc.Has(&s.Mark):
		f.mark = c.char(&s.Mark, '.')
		if isDigit(f.mark) || f.mark == '-' || f.mark == '+' || f.mark == ' ' {
			c.doc.Errorf(&s.Mark, "write . or ,", "%q is no decimal mark", s.Mark)
		}
	}
	if f.decimals == 0 && !f.powers {
		f.mark = 0 // a whole number has none
	}
}

func (s *decimalSpec) checkWidth(c *compiler, f *decimalForm) {
	// The narrowest number the field can hold: a digit, its decimals and sign.
	least := 1
	if f.decimals > 0 {
		if least += f.decimals; f.mark != 0 {
			least++
		}
	}
	if f.sign == "always" || f.sign == "space" {
		least++
	}
	if f.width > 0 && f.width < least {
		c.doc.Errorf(&s.Width, fmt.Sprintf("it needs at least %d", least), "a number with these decimals does not fit in %d characters", f.width)
	}
}

func (f *decimalForm) write(dst []byte, v decimal.Decimal) ([]byte, string) {
	places := f.decimals
	var u uint64
	var neg bool
	if f.free {
		if f.shift != 0 {
			v = v.Mul(decimal.New(1, -f.shift))
		}
		if !f.always {
			v = v.Quantize(min(v.Exponent(), 0), decimal.HalfEven)
		}
		n, ok := v.Coefficient()
		if places = -v.Exponent(); !ok || places > 18 {
			return dst, whyWidth
		}
		if u, neg = uint64(n), n < 0; neg {
			u = -u
		}
	} else {
		var why string
		if u, neg, why = f.count(v); why != "" {
			return dst, why
		} else if u > math.MaxInt64 {
			return dst, whyWidth
		}
	}
	sign := byte(0)
	switch {
	case neg && f.sign == "none":
		return dst, whyNegative
	case neg:
		sign = '-'
	case f.sign == "always":
		sign = '+'
	case f.sign == "space":
		sign = ' '
	}
	var digits, text [64]byte
	plain := strconv.AppendUint(digits[:0], u, 10)
	if f.always {
		return f.place(dst, sign, f.scientific(text[:0], plain, -places))
	}
	places = max(places, 0) // of a number to wrap at, none
	out := text[:0]
	for n := len(plain); n <= places; n++ {
		out = append(out, '0') // at least one digit before the mark
	}
	out = append(out, plain...)
	if places > 0 && f.mark != 0 {
		at := len(out) - places
		out = append(out, 0)
		copy(out[at+1:], out[at:])
		out[at] = f.mark
	}
	return f.place(dst, sign, out)
}

// scientific writes IEEE 488.2 NR3 form: one digit, the mark, the other digits,
// E, a signed power of ten of at least two digits.
func (f *decimalForm) scientific(out, digits []byte, power int) []byte {
	if len(digits) > 1 || digits[0] != '0' {
		power += len(digits) - 1
	}
	out = append(out, digits[0], f.mark)
	if len(digits) == 1 {
		out = append(out, '0')
	}
	out = append(append(out, digits[1:]...), 'E')
	if power < 0 {
		out, power = append(out, '-'), -power
	} else {
		out = append(out, '+')
	}
	if power < 10 {
		out = append(out, '0')
	}
	return strconv.AppendInt(out, int64(power), 10)
}

// place fills digits up to the field's width.
func (f *decimalForm) place(dst []byte, sign byte, digits []byte) ([]byte, string) {
	n := len(digits)
	if sign != 0 {
		n++
	}
	fill := max(f.width-n, 0)
	if f.width > 0 && n > f.width || f.width == 0 && n > f.longest {
		return dst, whyWidth
	}
	if f.pad != '0' {
		dst, fill = appendFill(dst, f.pad, fill), 0
	}
	if sign != 0 {
		dst = append(dst, sign)
	}
	return append(appendFill(dst, '0', fill), digits...), ""
}

func (f *decimalForm) read(d *decoder) (v decimal.Decimal, why string) {
	n := f.width
	if n == 0 {
		if n = f.extent(d.buf[d.pos:d.end]); n == 0 {
			return v, whyNumber
		}
	}
	raw := d.take(n)
	if raw == nil {
		return v, whyEnd
	}
	v, why = f.parse(raw)
	if f.wraps > 0 && (v.Sign() < 0 || v.Cmp(decimal.New(int64(f.wraps), 0)) >= 0) {
		why = whyRange
	}
	if f.shift != 0 {
		v = v.Mul(decimal.New(1, f.shift))
	}
	return v, why
}

// extent is how many of the bytes may belong to a number of free width.
func (f *decimalForm) extent(b []byte) int {
	for n, c := range b[:min(len(b), f.longest)] {
		if isDigit(c) || c == f.mark && c != 0 {
			continue
		}
		power := f.powers && (c == 'E' || c == 'e')
		sign := (c == '+' || c == '-') && (n == 0 || f.powers && b[n-1]|0x20 == 'e')
		if !power && !sign && !(n == 0 && c == ' ' && f.sign == "space") {
			return n
		}
	}
	return min(len(b), f.longest)
}

// parse reads what put writes. A field of fixed width is read exactly; one of
// free width takes any plain number a host may write.
func (f *decimalForm) parse(b []byte) (decimal.Decimal, string) {
	var none decimal.Decimal
	for f.width > 0 && f.pad != '0' && len(b) > 1 && b[0] == f.pad {
		b = b[1:]
	}
	neg := false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+' || b[0] == ' ' && f.sign == "space") {
		if f.sign == "none" {
			return none, whyNumber
		}
		neg, b = b[0] == '-', b[1:]
	} else if f.sign == "always" && f.width > 0 {
		return none, "has no sign"
	}
	var coef uint64
	digits, places, seen := 0, 0, false
	for i, c := range b {
		switch {
		case isDigit(c):
			n := uint64(c - '0')
			if digits++; coef > (math.MaxInt64-n)/10 {
				return none, whyRange // what put could not write again
			}
			coef = coef*10 + n
			if seen {
				places++
			}
			continue
		case c == f.mark && c != 0 && !seen:
			seen = true
			continue
		case (c == 'E' || c == 'e') && f.powers && digits > 0:
			power, ok := parsePower(b[i+1:])
			if !ok {
				return none, whyNumber
			}
			places -= power
		default:
			return none, whyNumber
		}
		break
	}
	if digits == 0 {
		return none, whyNumber
	}
	if f.mark == 0 {
		places = max(f.decimals, 0)
	} else if f.width > 0 && f.decimals >= 0 && !f.powers && places != f.decimals {
		return none, "has the wrong number of decimals"
	}
	n := int64(coef)
	if neg {
		n = -n
	}
	return decimal.New(n, -places), ""
}

func parsePower(b []byte) (int, bool) {
	if len(b) == 0 || len(b) > 4 || len(b) == 4 && isDigit(b[0]) {
		return 0, false
	}
	e, err := strconv.Atoi(string(b))
	return e, err == nil && e >= -30 && e <= 30
}

func (f *decimalForm) pattern() pattern {
	digits := byteRange('0', '9')
	if f.mark != 0 {
		digits.add(f.mark)
	}
	var lead byteSet
	if f.sign != "none" {
		lead.addAll([]byte("+-"))
	}
	if f.sign == "space" {
		lead.add(' ')
	}
	body := digits
	if f.powers {
		body.addAll([]byte("Ee+-"))
	}
	if f.width > 0 {
		body.union(lead)
		body.add(f.pad)
		first := body
		if f.sign == "always" && f.pad == '0' {
			first = lead
		}
		return row{times(first, 1), times(body, f.width-1)}
	}
	if lead.empty() {
		return row{times(digits, 1), run{body, 0, f.longest - 1}}
	}
	return row{either{row{}, times(lead, 1)}, times(digits, 1), run{body, 0, max(f.longest-2, 1)}}
}
