package wire

import (
	"encoding/binary"
	"math"
	"math/bits"
	"strconv"

	"example.org/understudy/sim/decimal"
)

// Each function here returns why it failed, "" when it did not: a constant
// text, so that trying the next frame costs no allocation.

const (
	whyDecimals = "has more decimals than the field"
	whyWidth    = "does not fit in the field"
	whyNegative = "is negative and the field has no sign"
	whyNumber   = "is not a number"
	whyRange    = "is outside the field's range"
	whyWhole    = "is not a whole number"
	whyCount    = "is not a whole number of counts"
	whyEnd      = "the frame ends too early"
)

// settle brings a value to the field's decimals and range.
func (o *op) settle(v decimal.Decimal) (decimal.Decimal, string) {
	if o.hasRange && (v.Cmp(o.least) < 0 || v.Cmp(o.most) > 0) {
		return v, whyRange
	}
	if o.excepted(v) {
		return v, whyRange
	}
	if o.wraps > 0 {
		n, ok := v.Int64()
		if !ok {
			return v, whyWhole
		}
		if n %= o.wraps; n < 0 {
			n += o.wraps
		}
		return decimal.New(n, 0), ""
	}
	return v, ""
}

func (o *op) excepted(v decimal.Decimal) bool {
	for _, x := range o.except {
		if v.Equal(decimal.New(x, 0)) {
			return true
		}
	}
	return false
}

func (o *op) accept(v decimal.Decimal) string {
	if o.excepted(v) {
		return whyRange
	}
	if o.hasRange && (v.Cmp(o.least) < 0 || v.Cmp(o.most) > 0) {
		return whyRange
	}
	if o.wraps > 0 && (v.Sign() < 0 || v.Cmp(decimal.New(o.wraps, 0)) >= 0) {
		return whyRange
	}
	return ""
}

func (o *op) appendDecimal(dst []byte, v decimal.Decimal) ([]byte, string) {
	if o.exponent == exponentAlways {
		return o.appendExponent(dst, v)
	}
	if o.decimals >= 0 {
		if v.Exponent() != -o.decimals {
			q := v.Quantize(-o.decimals, o.round)
			if !o.mayRound && !q.Equal(v) {
				return dst, whyDecimals
			}
			v = q
		}
	} else if v.Exponent() > 0 {
		v = v.Quantize(0, decimal.HalfEven)
	}
	coef, ok := v.Coefficient()
	if !ok || v.Exponent() < -18 {
		return dst, whyWidth
	}
	neg := coef < 0
	u := uint64(coef)
	if neg {
		u = -u
		if o.sign == signNone {
			return dst, whyNegative
		}
	}
	places := -v.Exponent()
	if o.width > 0 && o.pad == '0' && cap(dst)-len(dst) >= o.width {
		if out, ok := o.fillZero(dst, u, places, neg); ok {
			return out, ""
		}
		return dst, whyWidth
	}
	var buf [64]byte
	i := len(buf)
	if places > 0 {
		for range places {
			i--
			buf[i] = byte('0' + u%10)
			u /= 10
		}
		if o.mark != 0 {
			i--
			buf[i] = o.mark
		}
	}
	// With an implied mark the digits before it are still written, if only a
	// zero, so that the text is never empty.
	for {
		i--
		buf[i] = byte('0' + u%10)
		u /= 10
		if u == 0 {
			break
		}
	}
	sign := byte(0)
	switch {
	case neg:
		sign = '-'
	case o.sign == signAlways:
		sign = '+'
	case o.sign == signSpace:
		sign = ' '
	}
	return o.place(dst, sign, buf[i:])
}

// fillZero writes a number padded with zeros straight into its place.
func (o *op) fillZero(dst []byte, u uint64, places int, neg bool) ([]byte, bool) {
	n := len(dst)
	out := dst[:n+o.width]
	field := out[n:]
	i := len(field) - 1
	if places > 0 {
		for ; places > 0 && i >= 0; places-- {
			field[i] = byte('0' + u%10)
			u /= 10
			i--
		}
		if o.mark != 0 && i >= 0 {
			field[i] = o.mark
			i--
		}
	}
	first := 0
	switch {
	case neg:
		field[0] = '-'
		first = 1
	case o.sign == signAlways:
		field[0] = '+'
		first = 1
	case o.sign == signSpace:
		field[0] = ' '
		first = 1
	}
	if places > 0 || i < first { // at least one digit before the mark
		return dst, false
	}
	for ; i >= first; i-- {
		field[i] = byte('0' + u%10)
		u /= 10
	}
	return out, u == 0
}

// place fills digits up to the field's width.
func (o *op) place(dst []byte, sign byte, digits []byte) ([]byte, string) {
	n := len(digits)
	if sign != 0 {
		n++
	}
	if o.width == 0 {
		if n > o.longest {
			return dst, whyWidth
		}
		if sign != 0 {
			dst = append(dst, sign)
		}
		return append(dst, digits...), ""
	}
	fill := o.width - n
	if fill < 0 {
		return dst, whyWidth
	}
	zero := o.pad == '0' && !o.left
	if !zero && !o.left {
		dst = appendFill(dst, o.pad, fill)
	}
	if sign != 0 {
		dst = append(dst, sign)
	}
	if zero {
		dst = appendFill(dst, '0', fill)
	}
	dst = append(dst, digits...)
	if o.left {
		dst = appendFill(dst, o.pad, fill)
	}
	return dst, ""
}

func appendFill(dst []byte, b byte, n int) []byte {
	for range n {
		dst = append(dst, b)
	}
	return dst
}

const (
	exponentAccept = 1
	exponentAlways = 2
)

// appendExponent writes IEEE 488.2 NR3 form: one digit, the mark, the other
// digits, E, a signed power of ten of at least two digits.
func (o *op) appendExponent(dst []byte, v decimal.Decimal) ([]byte, string) {
	coef, ok := v.Coefficient()
	if !ok {
		return dst, whyWidth
	}
	u := uint64(coef)
	sign := byte(0)
	if coef < 0 {
		u, sign = -u, '-'
		if o.sign == signNone {
			return dst, whyNegative
		}
	} else if o.sign == signAlways {
		sign = '+'
	}
	var tmp, buf [64]byte
	digits := strconv.AppendUint(tmp[:0], u, 10)
	power := v.Exponent() + len(digits) - 1
	if u == 0 {
		power = v.Exponent()
	}
	out := append(buf[:0], digits[0], o.mark)
	if len(digits) == 1 {
		out = append(out, '0')
	}
	out = append(out, digits[1:]...)
	out = append(out, 'E')
	if power < 0 {
		out, power = append(out, '-'), -power
	} else {
		out = append(out, '+')
	}
	if power < 10 {
		out = append(out, '0')
	}
	return o.place(dst, sign, strconv.AppendInt(out, int64(power), 10))
}

func isDigit(b byte) bool { return b-'0' <= 9 }

// parseDecimal reads what appendDecimal writes. A field of fixed width is read
// exactly; one of free width takes any plain number a host may write.
func (o *op) parseDecimal(b []byte) (decimal.Decimal, string) {
	if o.zeros && len(b) == o.width {
		if v, ok := o.parseZeros(b); ok {
			return v, ""
		}
	}
	if o.width > 0 {
		if o.left {
			for len(b) > 1 && b[len(b)-1] == o.pad {
				b = b[:len(b)-1]
			}
		} else if o.pad != '0' {
			for len(b) > 1 && b[0] == o.pad {
				b = b[1:]
			}
		}
	}
	neg := false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+' || b[0] == ' ' && o.sign == signSpace) {
		if o.sign == signNone {
			return decimal.Decimal{}, whyNumber
		}
		neg = b[0] == '-'
		b = b[1:]
	} else if o.sign == signAlways && o.width > 0 {
		return decimal.Decimal{}, "has no sign"
	}
	var coef uint64
	digits, places, seen := 0, 0, false
	for i, c := range b {
		switch {
		case isDigit(c):
			if digits++; digits > 18 && coef >= math.MaxInt64/10 {
				return o.parseLong(b, neg)
			}
			coef = coef*10 + uint64(c-'0')
			if seen {
				places++
			}
		case c == o.mark && c != 0 && !seen:
			seen = true
		case (c == 'E' || c == 'e') && o.exponent != 0 && digits > 0:
			e, ok := parsePower(b[i+1:])
			if !ok {
				return decimal.Decimal{}, whyNumber
			}
			places -= e
			b = nil
		default:
			return decimal.Decimal{}, whyNumber
		}
		if b == nil {
			break
		}
	}
	if digits == 0 {
		return decimal.Decimal{}, whyNumber
	}
	if o.mark == 0 {
		places = max(o.decimals, 0)
	} else if o.width > 0 && o.decimals >= 0 && o.exponent == 0 && places != o.decimals {
		return decimal.Decimal{}, "has the wrong number of decimals"
	}
	n := int64(coef)
	if neg {
		n = -n
	}
	return decimal.New(n, -places), ""
}

// parseZeros reads a number padded with zeros whose mark stands where it must.
func (o *op) parseZeros(b []byte) (decimal.Decimal, bool) {
	first := 0
	if o.sign != signNone {
		if b[0] != '+' && b[0] != '-' {
			return decimal.Decimal{}, false
		}
		first = 1
	}
	at := len(b) - o.decimals
	if o.mark != 0 {
		if at--; b[at] != o.mark {
			return decimal.Decimal{}, false
		}
	}
	var n int64
	for _, c := range b[first:at] {
		if c -= '0'; c > 9 {
			return decimal.Decimal{}, false
		}
		n = n*10 + int64(c)
	}
	for _, c := range b[len(b)-o.decimals:] {
		if c -= '0'; c > 9 {
			return decimal.Decimal{}, false
		}
		n = n*10 + int64(c)
	}
	if b[0] == '-' {
		n = -n
	}
	return decimal.New(n, -o.decimals), true
}

func (o *op) parseLong(b []byte, neg bool) (decimal.Decimal, string) {
	text := string(b)
	if o.mark != 0 && o.mark != '.' {
		t := []byte(text)
		for i := range t {
			switch t[i] {
			case o.mark:
				t[i] = '.'
			case '.':
				return decimal.Decimal{}, whyNumber
			}
		}
		text = string(t)
	}
	v, err := decimal.Parse(text)
	if err != nil || v.Exponent() < -18 || b[0] == '-' || b[0] == '+' || o.mark == 0 && v.Exponent() != 0 {
		return v, whyNumber
	}
	if _, fits := v.Coefficient(); !fits {
		return v, whyRange // what appendDecimal could not write again
	}
	if neg {
		v = v.Neg()
	}
	if o.mark == 0 && o.decimals > 0 {
		v = v.Mul(decimal.New(1, -o.decimals))
	}
	return v, ""
}

func parsePower(b []byte) (int, bool) {
	neg := false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		neg = b[0] == '-'
		b = b[1:]
	}
	if len(b) == 0 || len(b) > 3 {
		return 0, false
	}
	e := 0
	for _, c := range b {
		if !isDigit(c) {
			return 0, false
		}
		e = e*10 + int(c-'0')
	}
	if neg {
		e = -e
	}
	return e, e >= -30 && e <= 30
}

// counts turns a value into the whole number that stands on the wire.
func (o *op) counts(v decimal.Decimal) (n int64, big uint64, why string) {
	if o.hasOffset {
		v = v.Sub(o.offset)
	}
	if o.scaleTen {
		if v.Exponent() != o.scaleExp {
			q := v.Quantize(o.scaleExp, o.round)
			if !o.mayRound && !q.Equal(v) {
				return 0, 0, whyCount
			}
			v = q
		}
		c, ok := v.Coefficient()
		if !ok {
			if u, err := strconv.ParseUint(v.Mul(decimal.New(1, -o.scaleExp)).String(), 10, 64); err == nil {
				return 0, u, ""
			}
			return 0, 0, whyWidth
		}
		return c, 0, ""
	}
	n, ok := v.Steps(o.scale, o.round)
	if !ok {
		return 0, 0, whyWidth
	}
	if !o.mayRound && !o.scale.Mul(decimal.New(n, 0)).Equal(v) {
		return 0, 0, whyCount
	}
	return n, 0, ""
}

// pattern fits a whole number into width bits in the field's sign style.
func (o *op) pattern(n int64, big uint64, width int) (uint64, string) {
	switch o.sign {
	case signTwos:
		if big != 0 || width < 64 && (n < -1<<(width-1) || n >= 1<<(width-1)) {
			return 0, whyWidth
		}
		return uint64(n) & (^uint64(0) >> (64 - width)), ""
	case signMag:
		if big != 0 || n == math.MinInt64 {
			return 0, whyWidth
		}
		u := uint64(n)
		if n < 0 {
			u = -u
		}
		if u>>(width-1) != 0 {
			return 0, whyWidth
		}
		if n < 0 {
			u |= 1 << (width - 1)
		}
		return u, ""
	}
	if n < 0 {
		return 0, whyNegative
	}
	u := uint64(n) | big
	if width < 64 && u>>width != 0 {
		return 0, whyWidth
	}
	return u, ""
}

// value turns width bits from the wire into the value they stand for.
func (o *op) value(u uint64, width int) decimal.Decimal {
	var n int64
	switch o.sign {
	case signTwos:
		n = int64(u<<(64-width)) >> (64 - width)
	case signMag:
		n = int64(u &^ (1 << (width - 1)))
		if u>>(width-1)&1 != 0 {
			n = -n
		}
	default:
		n = int64(u)
	}
	var v decimal.Decimal
	switch {
	case n < 0 && o.sign == signNone: // 64 unsigned bits
		v = decimal.New(int64(u>>1), 0).Mul(decimal.New(2, 0)).Add(decimal.New(int64(u&1), 0)).Mul(o.scale)
	case o.scaleTen:
		v = decimal.New(n, o.scaleExp)
	default:
		v = o.scale.Mul(decimal.New(n, 0))
	}
	if o.hasOffset {
		v = v.Add(o.offset)
	}
	return v
}

// appendUint writes the low size bytes of u.
func appendUint(dst []byte, u uint64, size int, order byteOrder) []byte {
	switch {
	case size == 1:
		dst = append(dst, byte(u))
	case size == 4 && order == littleEndian:
		dst = binary.LittleEndian.AppendUint32(dst, uint32(u))
	case size == 4 && order == bigEndian:
		dst = binary.BigEndian.AppendUint32(dst, uint32(u))
	case order == bigEndian:
		for i := size - 1; i >= 0; i-- {
			dst = append(dst, byte(u>>(8*i)))
		}
	case order == littleEndian:
		for i := range size {
			dst = append(dst, byte(u>>(8*i)))
		}
	default:
		var b [8]byte
		putSwapped(b[:size], u, order)
		dst = append(dst, b[:size]...)
	}
	return dst
}

// putSwapped writes 16-bit words in the other order than their bytes:
// big-swapped has the low word first, each word high byte first.
func putSwapped(b []byte, u uint64, order byteOrder) {
	for i := range b {
		j := i ^ 1 // place in a wholly little- or big-endian number
		if order == bigSwapped {
			b[i] = byte(u >> (8 * j))
		} else {
			b[i] = byte(u >> (8 * (len(b) - 1 - j)))
		}
	}
}

func readUint(b []byte, order byteOrder) (u uint64) {
	switch order {
	case bigEndian:
		switch len(b) {
		case 1:
			return uint64(b[0])
		case 2:
			return uint64(binary.BigEndian.Uint16(b))
		case 4:
			return uint64(binary.BigEndian.Uint32(b))
		}
		for _, c := range b {
			u = u<<8 | uint64(c)
		}
	case littleEndian:
		if len(b) == 4 {
			return uint64(binary.LittleEndian.Uint32(b))
		}
		for i, c := range b {
			u |= uint64(c) << (8 * i)
		}
	default:
		for i, c := range b {
			j := i ^ 1
			if order == littleSwapped {
				j = len(b) - 1 - j
			}
			u |= uint64(c) << (8 * j)
		}
	}
	return u
}

// floatBits returns the IEEE 754 pattern nearest to the value (round to
// nearest, ties to even) in a format of size bytes: 2, 4 or 8.
func floatBits(v decimal.Decimal, size int) (uint64, string) {
	switch size {
	case 8:
		f, err := strconv.ParseFloat(v.String(), 64)
		if err != nil {
			return 0, whyWidth
		}
		return math.Float64bits(f), ""
	case 4:
		f, err := strconv.ParseFloat(v.String(), 32)
		if err != nil {
			return 0, whyWidth
		}
		return uint64(math.Float32bits(float32(f))), ""
	}
	return halfBits(v)
}

// halfBits rounds a decimal to binary16 in one step, exactly: going through
// a wider float would round twice.
func halfBits(v decimal.Decimal) (uint64, string) {
	neg := v.Sign() < 0
	v = v.Abs()
	// The least step of binary16 is 2^−24; every step is a power of two times it.
	step := decimal.New(59604644775390625, -24) // 2^−24 exactly
	// Ties of the step 2^−24 are handled by Quo's half-even rounding; larger
	// numbers take a larger step.
	for e := 0; ; e++ {
		q := v.Quo(step, 0, decimal.HalfEven)
		n, ok := q.Int64()
		if ok && n < 2048 {
			var u uint64
			if e == 0 {
				u = uint64(n) // subnormal, or the first normal binade: the pattern is the count
			} else {
				u = uint64(e)<<10 + uint64(n)
			}
			if u >= 0x7c00 {
				return 0, whyWidth
			}
			if neg {
				u |= 0x8000
			}
			return u, ""
		}
		if ok && n == 2048 { // rounded up to the next binade
			u := uint64(e+2) << 10
			if u >= 0x7c00 {
				return 0, whyWidth
			}
			if neg {
				u |= 0x8000
			}
			return u, ""
		}
		if e > 30 {
			return 0, whyWidth
		}
		step = step.Mul(decimal.New(2, 0))
	}
}

// floatValue reads an IEEE 754 pattern as the shortest decimal that rounds
// back to it, so that a decimal of few digits survives the trip.
func floatValue(u uint64, size int) (decimal.Decimal, string) {
	var buf [32]byte
	var text []byte
	switch size {
	case 8:
		f := math.Float64frombits(u)
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return decimal.Decimal{}, whyNumber
		}
		text = strconv.AppendFloat(buf[:0], f, 'e', -1, 64)
	case 4:
		f := math.Float32frombits(uint32(u))
		if f != f || math.IsInf(float64(f), 0) {
			return decimal.Decimal{}, whyNumber
		}
		text = strconv.AppendFloat(buf[:0], float64(f), 'e', -1, 32)
	default:
		return halfValue(u)
	}
	neg := text[0] == '-'
	if neg {
		text = text[1:]
	}
	var coef int64
	places := 0
	seen := false
	for i, c := range text {
		switch {
		case isDigit(c):
			coef = coef*10 + int64(c-'0')
			if seen {
				places++
			}
		case c == '.':
			seen = true
		case c == 'e':
			e, _ := strconv.Atoi(string(text[i+1:]))
			places -= e
			if neg {
				coef = -coef
			}
			if places < 0 && places > -18 {
				return decimal.New(coef, -places).Quantize(0, decimal.HalfEven), ""
			}
			return decimal.New(coef, -places), ""
		}
	}
	return decimal.Decimal{}, whyNumber
}

func halfValue(u uint64) (decimal.Decimal, string) {
	e, m := int(u>>10&31), int64(u&1023)
	if e == 31 {
		return decimal.Decimal{}, whyNumber
	}
	if e > 0 {
		m += 1024
		e--
	}
	exact := decimal.New(59604644775390625, -24).Mul(decimal.New(m<<e, 0))
	// The shortest decimal that comes back as the same pattern.
	best := exact.Trim()
	mag := u & 0x7fff
	for digits := 1; digits <= 6; digits++ {
		lead := len(best.Quantize(0, decimal.Truncate).String())
		exp := lead - digits
		if best.Cmp(decimal.New(1, 0)) < 0 {
			exp = leadExponent(best) + 1 - digits
		}
		short := best.Quantize(exp, decimal.HalfEven)
		if b, why := halfBits(short); why == "" && b == mag {
			best = short
			break
		}
	}
	if best.Exponent() > 0 {
		best = best.Quantize(0, decimal.HalfEven)
	}
	if u&0x8000 != 0 {
		best = best.Neg()
	}
	return best, ""
}

// leadExponent is the power of ten of the first digit of a value below one.
func leadExponent(v decimal.Decimal) int {
	e := -1
	for v.Sign() != 0 && v.Cmp(decimal.New(1, e)) < 0 {
		e--
	}
	return e
}

// appendBCD packs decimal digits two to a byte, first digit in the high half.
func (o *op) appendBCD(dst []byte, v decimal.Decimal) ([]byte, string) {
	n, _, why := o.counts(v)
	if why != "" {
		return dst, why
	}
	nib := o.digits
	neg := n < 0
	if neg {
		if o.sign == signNone {
			return dst, whyNegative
		}
		if n == math.MinInt64 {
			return dst, whyWidth
		}
		n = -n
	}
	var b [20]byte
	sign := byte(0xc)
	if neg {
		sign = 0xd
	}
	// b holds one nibble each, in order.
	total := 2 * o.width
	i := total
	if o.sign == signLast {
		i--
		b[i] = sign
	}
	for range nib {
		i--
		b[i] = byte(n % 10)
		n /= 10
	}
	if n != 0 {
		return dst, whyWidth
	}
	if o.sign == signFirst {
		if i--; neg {
			b[i] = 0xf
		}
	}
	for k := range o.width {
		j := k
		if o.order == littleEndian {
			j = o.width - 1 - k
		}
		dst = append(dst, b[2*j]<<4|b[2*j+1])
	}
	return dst, ""
}

func (o *op) parseBCD(p []byte) (decimal.Decimal, string) {
	var b [20]byte
	for k, c := range p {
		j := k
		if o.order == littleEndian {
			j = o.width - 1 - k
		}
		b[2*j], b[2*j+1] = c>>4, c&15
	}
	i := 2 * o.width
	neg := false
	if o.sign == signLast {
		i--
		switch b[i] {
		case 0xc:
		case 0xd:
			neg = true
		default:
			return decimal.Decimal{}, "has no sign digit"
		}
	}
	var n, unit int64 = 0, 1
	for range o.digits {
		i--
		if b[i] > 9 {
			return decimal.Decimal{}, "has a digit above 9"
		}
		n += int64(b[i]) * unit
		unit *= 10
	}
	if o.sign == signFirst {
		switch i--; b[i] {
		case 0:
		case 0xf:
			neg = true
		default:
			return decimal.Decimal{}, "has no sign digit"
		}
	}
	for i > 0 {
		if i--; b[i] != 0 {
			return decimal.Decimal{}, "has more digits than the field"
		}
	}
	if neg {
		n = -n
	}
	return o.value(uint64(n), 64), ""
}

func appendHex(dst []byte, u uint64, width int, lower bool) []byte {
	digits := "0123456789ABCDEF"
	if lower {
		digits = "0123456789abcdef"
	}
	for i := width - 1; i >= 0; i-- {
		dst = append(dst, digits[u>>(4*i)&15])
	}
	return dst
}

func hexDigit(c byte) (byte, bool) {
	switch {
	case c-'0' <= 9:
		return c - '0', true
	case c-'A' <= 5:
		return c - 'A' + 10, true
	case c-'a' <= 5:
		return c - 'a' + 10, true
	}
	return 0, false
}

func parseHex(b []byte) (u uint64, ok bool) {
	if len(b) == 0 || len(b) > 16 {
		return 0, false
	}
	for _, c := range b {
		d, ok := hexDigit(c)
		if !ok {
			return 0, false
		}
		u = u<<4 | uint64(d)
	}
	return u, true
}

func hexWidth(u uint64) int { return max(1, (bits.Len64(u)+3)/4) }
