package wire

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"reflect"
	"sort"
	"strconv"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

type kindKey struct {
	key  string
	ptr  *string
	kind opKind
}

func (f *fieldSpec) kindKeys() []kindKey {
	return []kindKey{
		{"bytes", &f.Bytes, opLiteral}, {"decimal", &f.Decimal, opDecimal}, {"hex", &f.Hex, opHex},
		{"int", &f.Int, opInt}, {"float", &f.Float, opFloat}, {"bcd", &f.BCD, opBCD}, {"text", &f.Text, opText},
		{"choice", &f.Choice, opChoice}, {"flag", &f.Flag, opChoice}, {"flags", &f.Flags, opFlags},
		{"time", &f.Time, opTime}, {"each", &f.Each, opEach}, {"when", &f.When, opWhen}, {"check", &f.Check, opCheck},
		{"length", &f.Length, opLength}, {"skip", &f.Skip, opSkip}, {"space", &f.Space, opSpace},
		{"block", &f.Block, opBlock}, {"header", &f.Header, opHeader}, {"map", &f.Map, opMap},
	}
}

// options lists the keys each kind of field takes, besides name and at.
var options = map[string]string{
	"bytes":   "",
	"decimal": "value width longest decimals sign pad align mark exponent round range wraps void absent",
	"hex":     "value width longest sign scale offset round range wraps case void absent",
	"int":     "value size sign order scale offset round range except wraps void absent",
	"float":   "value size order decimals round range void absent",
	"bcd":     "value digits decimals sign order round range wraps void absent",
	"text":    "value width longest pad align quoted numbers void absent",
	"choice":  "value size order is like otherwise any-case absent void",
	"flag":    "size order yes no",
	"flags":   "size order bits",
	"time":    "layout round absent",
	"each":    "count between fields",
	"when":    "fields else",
	"check":   "size order form from to crc case",
	"length":  "size order form width plus per case",
	"skip":    "fill",
	"space":   "longest",
	"block":   "longest absent",
	"header":  "",
	"map":     "first count longest",
}

// field compiles one field.
func (c *compiler) field(sc *scope, f *fieldSpec) op {
	o := op{spec: f, term: -1, other: -1, decimals: -1, countBy: -1, markStart: -1, markEnd: -1,
		from: -1, to: -1, target: -1, fromByte: -1, toByte: -1, first: -1, num: -1, per: 1,
		scale: decimal.New(1, 0), scaleTen: true, pad: ' '}
	if f.isText {
		o.kind = opLiteral
		var err error
		if o.lit, err = toBytes(f.Literal); err != nil {
			c.doc.Errorf(f, `write bytes above 7F as "\xB5"`, "%v", err)
		}
		o.width = len(o.lit)
		o.name = strconv.Quote(f.Literal)
		if o.width == 0 {
			c.doc.Errorf(f, "", "a literal is empty")
		}
		return o
	}
	var key kindKey
	for _, k := range f.kindKeys() {
		if !c.doc.Has(k.ptr) {
			continue
		}
		if key.key != "" {
			c.doc.Errorf(k.ptr, "make two fields of it", "a field is one thing, not both %s and %s", key.key, k.key)
			return o
		}
		key = k
	}
	if key.key == "" {
		c.doc.Errorf(f, "start it with its kind, such as {decimal: reading, width: 8}", "the field has no kind")
		return o
	}
	c.allowed(f, key.key)
	o.kind = key.kind
	o.name = *key.ptr
	if f.Name != "" {
		o.name = f.Name
	}
	o.order = f.Order
	if *key.ptr == "" {
		c.doc.Errorf(key.ptr, "", "%s says nothing", key.key)
		return o
	}
	before := c.doc.Err() == nil
	switch key.key {
	case "bytes", "each", "when", "check", "length", "skip", "space", "header", "map", "flags":
	default:
		o.term = c.term(*key.ptr)
	}
	switch key.key {
	case "bytes":
		b, err := hex.DecodeString(strings.ReplaceAll(f.Bytes, " ", ""))
		if err != nil || len(b) == 0 {
			c.doc.Errorf(&f.Bytes, "write pairs of hexadecimal digits, such as AA 55", "%q is not bytes", f.Bytes)
		}
		o.lit, o.width = b, len(b)
	case "decimal", "hex", "int", "float", "bcd":
		c.number(sc, f, &o, key.key)
	case "text", "block":
		c.text(f, &o)
	case "choice", "flag":
		c.choices(sc, f, &o, key.key)
	case "flags":
		c.flags(sc, f, &o)
	case "time":
		c.layout(f, &o)
	case "each":
		c.each(sc, f, &o)
	case "when":
		c.when(sc, f, &o)
	case "check":
		c.check(f, &o)
	case "length":
		c.length(f, &o)
	case "skip":
		o.pad = byte(f.Fill)
		if o.rest = f.Skip == "rest"; !o.rest {
			n, err := strconv.Atoi(f.Skip)
			if err != nil || n < 1 || n > maxLongest {
				c.doc.Errorf(&f.Skip, "write how many bytes, or rest", "%q is no number of bytes", f.Skip)
			}
			o.width = n
		}
		o.name = "skip"
	case "space":
		o.longest = f.Longest
		if o.longest == 0 {
			o.longest = 8
		}
		switch f.Space {
		case "some":
			o.digits = 1
		case "any":
		default:
			c.doc.Errorf(&f.Space, "write some or any", "%q is no kind of white space", f.Space)
		}
		o.name = "space"
	case "header":
		words, err := headerWords(f.Header)
		if err != nil {
			c.doc.Errorf(&f.Header, "write it as SYSTem:ERRor[:NEXT]?", "%v", err)
			words = []string{"X"}
		}
		o.words = words
	case "map":
		c.mapField(sc, f, &o)
	}
	if o.term >= 0 {
		sc.seen[o.term] = true
		if before && c.doc.Err() == nil && c.doc.Has(&f.Value) {
			c.constant(sc, f, &o)
		}
	}
	return o
}

// allowed refuses keys that mean nothing for a kind of field.
func (c *compiler) allowed(f *fieldSpec, kind string) {
	takes := strings.Fields(options[kind])
	v := reflect.ValueOf((*plainField)(f)).Elem()
	for i := range v.NumField() {
		key := v.Type().Field(i).Tag.Get("yaml")
		if key == "" || key == "-" || key == kind || key == "name" || key == "at" || !c.doc.Has(v.Field(i).Addr().Interface()) {
			continue
		}
		if !contains(takes, key) {
			c.doc.Errorf(v.Field(i).Addr().Interface(), "it takes name, at "+strings.Join(takes, ", "), "the key %q means nothing for %s", key, kind)
		}
	}
}

func contains(list []string, s string) bool {
	for _, l := range list {
		if l == s {
			return true
		}
	}
	return false
}

func (c *compiler) char(ptr *string, def byte) byte {
	if !c.doc.Has(ptr) {
		return def
	}
	b := c.bytesOf(ptr)
	if len(b) != 1 {
		c.doc.Errorf(ptr, "write one character", "%q is not one character", *ptr)
		return def
	}
	return b[0]
}

func (c *compiler) pick(ptr *string, def string, names ...string) string {
	if !c.doc.Has(ptr) {
		return def
	}
	if contains(names, *ptr) {
		return *ptr
	}
	want := "write " + strings.Join(names, " or ")
	if near := strict.Nearest(*ptr, names); near != "" {
		want = fmt.Sprintf("did you mean %q?", near)
	}
	c.doc.Errorf(ptr, want, "%q cannot stand here", *ptr)
	return def
}

var signs = map[string]signStyle{"minus": signMinus, "always": signAlways, "space": signSpace, "none": signNone,
	"twos": signTwos, "magnitude": signMag, "first": signFirst, "last": signLast}

func (c *compiler) decimalAt(ptr *string) (decimal.Decimal, bool) {
	if !c.doc.Has(ptr) {
		return decimal.Decimal{}, false
	}
	v, err := decimal.Parse(*ptr)
	if err != nil {
		c.doc.Errorf(ptr, "", "%v", err)
	}
	return v, err == nil
}

// whole is a number kind that never has decimals on its own.
func (c *compiler) number(_ *scope, f *fieldSpec, o *op, kind string) {
	c.kinds[o.term] = Number
	if f.Round != "" {
		if err := o.round.UnmarshalText([]byte(f.Round)); err != nil {
			c.doc.Errorf(&f.Round, "", "%v", err)
		}
		o.mayRound = true
	}
	if f.Decimals != nil {
		o.decimals = *f.Decimals
		if o.decimals < 0 || o.decimals > 15 {
			c.doc.Errorf(f.Decimals, "write 0 to 15", "%d is not a number of decimals", o.decimals)
			o.decimals = 0
		}
	}
	o.lower = c.pick(&f.Case, "upper", "upper", "lower") == "lower"
	switch kind {
	case "decimal":
		o.width, o.longest = f.Width, f.Longest
		o.sign = signs[c.pick(&f.Sign, "minus", "minus", "always", "space", "none")]
		o.pad = c.char(&f.Pad, ' ')
		o.left = c.pick(&f.Align, "right", "left", "right") == "left"
		if o.left && o.pad == '0' || isDigit(o.pad) && o.pad != '0' {
			c.doc.Errorf(&f.Pad, "pad with a space", "padding with %q would change the number", o.pad)
		}
		switch m := f.Mark; {
		case !c.doc.Has(&f.Mark):
			o.mark = '.'
		case m == "none":
			if f.Decimals == nil {
				c.doc.Errorf(&f.Mark, "say how many decimals", "an implied decimal mark needs decimals")
				o.decimals = 0
			}
		default:
			o.mark = c.char(&f.Mark, '.')
			if isDigit(o.mark) || o.mark == '-' || o.mark == '+' || o.mark == ' ' {
				c.doc.Errorf(&f.Mark, "write . or ,", "%q is no decimal mark", m)
			}
		}
		switch c.pick(&f.Exponent, "", "accept", "always") {
		case "accept":
			o.exponent = exponentAccept
		case "always":
			o.exponent = exponentAlways
			if o.mark == 0 {
				c.doc.Errorf(&f.Exponent, "", "a power of ten needs a decimal mark")
			}
		}
		if o.decimals == 0 && o.exponent == 0 {
			o.mark = 0 // a whole number has none
		}
	case "hex":
		o.width, o.longest = f.Width, f.Longest
		if o.width > 16 {
			c.doc.Errorf(&f.Width, "write 1 to 16", "a hexadecimal number has at most 16 digits")
			o.width = 16
		}
		if o.longest == 0 || o.longest > 16 {
			o.longest = 16
		}
		o.sign = signs[c.pick(&f.Sign, "none", "none", "twos", "magnitude")]
		if o.sign != signNone && o.width == 0 {
			c.doc.Errorf(&f.Sign, "give it a width", "a signed hexadecimal number needs a width")
		}
	case "int", "float":
		o.width = f.Size
		if kind == "float" {
			if o.width != 2 && o.width != 4 && o.width != 8 {
				c.doc.Errorf(&f.Size, "write size: 2, 4 or 8", "a float has 2, 4 or 8 bytes, not %d", o.width)
				o.width = 4
			}
		} else if o.width < 1 || o.width > 8 {
			c.doc.Errorf(&f.Size, "write size: 1 to 8", "a binary number has 1 to 8 bytes, not %d", o.width)
			o.width = 1
		}
		if o.order >= bigSwapped && o.width%2 != 0 {
			c.doc.Errorf(&f.Order, "write big or little", "%d bytes are not whole 16-bit words", o.width)
			o.order = bigEndian
		}
		o.sign = signs[c.pick(&f.Sign, "none", "none", "twos", "magnitude")]
	case "bcd":
		o.digits = f.Digits
		if o.digits < 1 || o.digits > 18 {
			c.doc.Errorf(&f.Digits, "write digits: 1 to 18", "a packed decimal number has 1 to 18 digits, not %d", o.digits)
			o.digits = 1
		}
		o.sign = signs[c.pick(&f.Sign, "none", "none", "first", "last")]
		n := o.digits
		if o.sign != signNone {
			n++
		}
		o.width = (n + 1) / 2
		if o.order > littleEndian {
			c.doc.Errorf(&f.Order, "write big or little", "packed decimal digits have no word order")
			o.order = bigEndian
		}
		if o.decimals < 0 {
			o.decimals = 0
		}
		o.scaleExp = -o.decimals
		o.scale = decimal.New(1, -o.decimals)
	}
	if o.kind == opDecimal {
		if o.longest == 0 {
			o.longest = defaultDigits
		}
		for _, p := range []*int{&f.Width, &f.Longest} {
			if *p < 0 || *p > maxDigits {
				c.doc.Errorf(p, fmt.Sprintf("write 1 to %d", maxDigits), "%d is not a width", *p)
				o.width, o.longest = 0, defaultDigits
			}
		}
		// The narrowest number the field can hold: a digit, its decimals and sign.
		least := 1
		if o.decimals > 0 {
			least = o.decimals + 1
			if o.mark != 0 {
				least++
			}
		}
		if o.sign == signAlways || o.sign == signSpace {
			least++
		}
		if o.width > 0 && o.width < least {
			c.doc.Errorf(&f.Width, fmt.Sprintf("it needs at least %d", least), "a number with these decimals does not fit in %d characters", o.width)
		}
	}
	if s, ok := c.decimalAt(&f.Scale); ok {
		if s.Sign() <= 0 {
			c.doc.Errorf(&f.Scale, "write what one count is worth, such as 0.001", "a scale must be greater than zero")
		} else {
			o.scale = s
			t := s.Trim()
			n, fits := t.Coefficient()
			if o.scaleTen = fits && n == 1; o.scaleTen {
				o.scaleExp = t.Exponent()
				if e := s.Exponent(); e > o.scaleExp {
					o.scaleExp = e
				}
			}
		}
	}
	if off, ok := c.decimalAt(&f.Offset); ok && !off.IsZero() {
		o.offset, o.hasOffset = off, true
	}
	if c.doc.Has(&f.Wraps) {
		n, err := strconv.ParseInt(f.Wraps, 0, 64)
		if err != nil || n < 2 {
			c.doc.Errorf(&f.Wraps, "write how many values there are, such as 1000", "%q is no number to wrap at", f.Wraps)
		} else {
			o.wraps = n
			if why := c.fits(o, decimal.New(n-1, 0)); why != "" {
				c.doc.Errorf(&f.Wraps, "", "the count overflows before it wraps: %d %s", n-1, why)
			}
		}
	}
	if c.doc.Has(&f.Range) {
		c.numberRange(f, o)
	}
	o.zeros = o.kind == opDecimal && o.decimals > 0 && o.width >= o.decimals+3 && o.width <= 18 && o.pad == '0' && !o.left && (o.sign == signAlways || o.sign == signNone)
	o.except = f.Except
	o.bounded = o.hasRange || o.wraps > 0 || len(o.except) > 0
	o.fastInt = o.kind == opInt && (o.sign == signTwos || o.sign == signNone && o.width < 8) && o.order <= littleEndian && o.scaleTen && !o.hasOffset
	whole := !c.doc.Has(&f.Offset) && o.scaleExp == 0 && o.scaleTen && (kind == "int" || kind == "hex" || kind == "bcd") || o.decimals == 0 || o.wraps > 0
	if !whole {
		c.frac[o.term] = true
	}
	c.specials(f, o)
}

func (c *compiler) numberRange(f *fieldSpec, o *op) {
	if len(f.Range) != 2 {
		c.doc.Errorf(&f.Range, "write the least and the greatest value: [-12.5, 12.5]", "a range has two ends")
		return
	}
	for i := range f.Range {
		v, err := decimal.Parse(f.Range[i])
		if err != nil {
			c.doc.Errorf(&f.Range[i], "", "%v", err)
			return
		}
		if i == 0 {
			o.least = v
		} else {
			o.most = v
		}
		if why := c.fits(o, v); why != "" {
			c.doc.Errorf(&f.Range[i], "widen the field, or change its scale", "the value overflows the field: %s %s", v, why)
			return
		}
	}
	if o.least.Cmp(o.most) > 0 {
		c.doc.Errorf(&f.Range, "", "the range ends before it starts")
		return
	}
	o.hasRange = true
}

// fits tries to write a value in the field.
func (c *compiler) fits(o *op, v decimal.Decimal) string {
	rec := newRecord(int(o.term) + 1)
	rec.Set(o.term, 0, Num(v))
	e := encoder{rec: rec}
	trial := *o
	trial.mayRound = true
	_, why := e.value(nil, &trial, rec.at(o.term, 0))
	return why
}

// specials compiles what stands in a value's place.
func (c *compiler) specials(f *fieldSpec, o *op) {
	add := func(n strict.Any, reason string, void bool) {
		var token []byte
		switch o.kind {
		case opInt, opBCD:
			u, err := strconv.ParseInt(n.Scalar, 0, 64)
			big := uint64(0)
			if err != nil {
				if big, err = strconv.ParseUint(n.Scalar, 0, 64); err != nil {
					n.Errorf("", "%q is not a whole number", n.Scalar)
					return
				}
			}
			pattern := uint64(u) | big
			if u >= 0 && o.width < 8 && pattern>>(8*o.width) != 0 || u < 0 && (o.sign != signTwos || o.width < 8 && u < -1<<(8*o.width-1)) {
				n.Errorf("", "%s does not fit in %d bytes", n.Scalar, o.width)
				return
			}
			token = appendUint(nil, pattern, o.width, o.order)
			if v := o.value(readUint(token, o.order), 8*o.width); o.hasRange && o.kind == opInt && o.accept(v) == "" {
				n.Errorf("choose a count outside the range", "%s is also the value %s", n.Scalar, v)
			}
		case opFloat:
			bits := map[string]map[int]uint64{
				"nan":       {2: 0x7e00, 4: 0x7fc00000, 8: 0x7ff8000000000000},
				"infinity":  {2: 0x7c00, 4: 0x7f800000, 8: 0x7ff0000000000000},
				"-infinity": {2: 0xfc00, 4: 0xff800000, 8: 0xfff0000000000000}}[n.Scalar]
			if bits == nil {
				n.Errorf("write nan, infinity or -infinity", "%q is no float without a value", n.Scalar)
				return
			}
			token = appendUint(nil, bits[o.width], o.width, o.order)
		default:
			var err error
			if token, err = toBytes(n.Scalar); err != nil || len(token) == 0 && o.kind != opText {
				n.Errorf("", "%q cannot stand for a value", n.Scalar)
				return
			}
			if o.width > 0 && len(token) != o.width {
				n.Errorf(fmt.Sprintf("write %d", o.width), "%q has %d characters", n.Scalar, len(token))
				return
			}
			if o.kind == opDecimal {
				if v, why := o.parseDecimal(token); why == "" && (!o.hasRange || o.accept(v) == "") {
					n.Errorf("choose a text that is no number, or give the field a range", "%q is also a number", n.Scalar)
					return
				}
			}
		}
		for _, s := range o.specials {
			if bytes.Equal(s.token, token) {
				n.Errorf("give each its own", "%q stands for two things: the second can never be read", n.Scalar)
				return
			}
		}
		o.specials = append(o.specials, special{token, reason, void})
	}
	if n := f.VoidAs; n.Kind == strict.Mapping {
		for _, p := range n.Pairs {
			if !contains([]string{"under", "over", "missing", "empty", "none"}, p.Key) {
				n.Errorf("write under, over, missing, empty or none", "%q is no reason for a void reading", p.Key)
				continue
			}
			add(p.Value, p.Key, true)
		}
	} else if n.Kind == strict.Scalar {
		add(n, "", true)
	} else if n.Kind == strict.Sequence {
		n.Errorf("", "write one value, or one for each reason")
	}
	if f.NoneAs.Kind == strict.Scalar {
		add(f.NoneAs, "", false)
	}
	if len(o.specials) > 0 {
		o.countBy = c.d.void
		sort.SliceStable(o.specials, func(i, j int) bool { return len(o.specials[i].token) > len(o.specials[j].token) })
	}
}

func (c *compiler) text(f *fieldSpec, o *op) {
	c.kinds[o.term] = Text
	o.width, o.longest = f.Width, f.Longest
	o.quoted = f.Quoted
	o.numbers = f.Numbers
	o.pad = c.char(&f.Pad, ' ')
	o.left = c.pick(&f.Align, "left", "left", "right") == "left"
	if o.longest == 0 {
		o.longest = defaultText
	}
	if o.quoted {
		o.longest = min(o.longest, 256)
		if o.width > 0 {
			c.doc.Errorf(&f.Width, "write longest", "a text in quotes has no fixed width")
		}
	}
	if o.width < 0 || o.width > maxLongest || o.longest > maxLongest || o.longest < 1 {
		c.doc.Errorf(f, "", "the text's width cannot be")
		o.width, o.longest = 0, defaultText
	}
	c.specials(f, o)
}

// knownValues are the values the gauge gives some terms.
var knownValues = map[string][]string{
	Zone:     {"below", "warn-low", "in", "warn-high", "above", "void"},
	Void:     {"under", "over", "missing", "empty", "none"},
	Function: {"live", "max", "min", "fim"},
	Link:     {"up", "stalled", "lost", "rejoining"},
	Sense:    {"rising", "falling"},
}

func (c *compiler) choices(sc *scope, f *fieldSpec, o *op, key string) {
	o.quoted = f.AnyCase
	o.width = 0
	if c.doc.Has(&f.Size) && (f.Size < 1 || f.Size > 8) {
		c.doc.Errorf(&f.Size, "write 1 to 8", "a binary number has 1 to 8 bytes, not %d", f.Size)
		return
	}
	if key == "flag" {
		c.kinds[o.term] = Flag
		o.anyCase = true
		for _, p := range []struct {
			s   *string
			on  bool
			key string
		}{{f.Yes, true, "yes"}, {f.No, false, "no"}} {
			if p.s == nil {
				c.doc.Errorf(f, "write yes and no", "the flag does not say what is sent for %s", p.key)
				return
			}
			lit, err := toBytes(*p.s)
			if f.Size > 0 {
				lit, err = numberBytes(*p.s, f.Size, o.order)
			}
			if err != nil {
				c.doc.Errorf(p.s, "", "%v", err)
				return
			}
			o.choices = append(o.choices, choice{val: Bool(p.on), lit: lit})
		}
		if bytes.Equal(o.choices[0].lit, o.choices[1].lit) {
			c.doc.Errorf(f.No, "give no its own", "yes and no are both sent as %q: no can never be read", *f.No)
		}
		c.finishChoices(o)
		return
	}
	if f.Is.Kind != strict.Mapping || len(f.Is.Pairs) == 0 {
		c.doc.Errorf(f, "write is: {value: what is sent, ...}", "the choice lists no values")
		o.choices = []choice{{val: Str("?"), lit: []byte("?")}}
		return
	}
	c.kinds[o.term] = Text
	numbers := true
	for _, p := range f.Is.Pairs {
		if _, err := decimal.Parse(p.Key); err != nil {
			numbers = false
		}
	}
	if numbers {
		c.kinds[o.term] = Number
		c.frac[o.term] = true
	}
	for _, p := range f.Is.Pairs {
		c.knownValue(f.Choice, p)
		if p.Value.Kind != strict.Scalar {
			p.Value.Errorf("", "what is sent for %q must be one value", p.Key)
			continue
		}
		v := Str(p.Key)
		if numbers {
			v = Num(decimal.MustParse(p.Key))
		}
		lit, err := toBytes(p.Value.Scalar)
		if f.Size > 0 {
			lit, err = numberBytes(p.Value.Scalar, f.Size, o.order)
		}
		if err != nil {
			p.Value.Errorf("", "%v", err)
			continue
		}
		for _, e := range o.choices {
			if bytes.Equal(e.lit, lit) {
				p.Value.Errorf("give each value its own", "%s is already sent for %s: %s can never be read", p.Value.Scalar, e.val, p.Key)
			}
		}
		o.choices = append(o.choices, choice{val: v, lit: lit})
	}
	for _, from := range sortedKeys(f.Like) {
		found := false
		for _, e := range o.choices {
			if e.val.String() == from {
				c.doc.Errorf(&f.Like, "", "%q is listed under is as well", from)
			}
			if e.val.String() == f.Like[from] && !e.alias && !found {
				found = true
				v := Str(from)
				if numbers {
					if n, err := decimal.Parse(from); err == nil {
						v = Num(n)
					}
				}
				o.choices = append(o.choices, choice{v, e.lit, true})
			}
		}
		if !found {
			c.doc.Errorf(&f.Like, "name one of the values under is", "%q is not listed", f.Like[from])
		}
	}
	if f.Other != "" {
		for i, e := range o.choices {
			if e.val.String() == f.Other {
				o.other = i
			}
		}
		if o.other < 0 {
			c.doc.Errorf(&f.Other, "name one of the values under is", "%q is not listed", f.Other)
		}
	}
	listed := map[string]bool{}
	for _, e := range o.choices {
		listed[e.val.String()] = true
	}
	if !c.doc.Has(&f.Value) {
		c.allKnown(sc, f, f.Choice, o.other >= 0, listed)
	}
	c.specials(f, o)
	c.finishChoices(o)
}

// allKnown refuses a choice that the gauge sends and that leaves out a value
// the gauge may have: the frame could not be sent then.
func (c *compiler) allKnown(sc *scope, at any, term string, other bool, listed map[string]bool) {
	if sc.frame.from == Host || other || term == Void {
		return
	}
	for _, v := range knownValues[term] {
		if !listed[v] {
			c.doc.Errorf(at, "list it, or write otherwise", "%s may be %s, and nothing is sent for that", term, v)
			return
		}
	}
}

func (c *compiler) knownValue(term string, p strict.Pair) {
	if known := knownValues[term]; known != nil && !contains(known, p.Key) {
		want := "a gauge has " + strings.Join(known, ", ")
		if near := strict.Nearest(p.Key, known); near != "" {
			want = fmt.Sprintf("did you mean %q?", near)
		}
		p.Value.Errorf(want, "%q is no value of %s", p.Key, term)
	}
}

func numberBytes(s string, size int, order byteOrder) ([]byte, error) {
	u, err := strconv.ParseUint(s, 0, 64)
	if err != nil {
		return nil, fmt.Errorf("%q is not a whole number, zero or more", s)
	}
	if size < 8 && u>>(8*size) != 0 {
		return nil, fmt.Errorf("%s does not fit in %d bytes", s, size)
	}
	return appendUint(nil, u, size, order), nil
}

func sortedKeys(m map[string]string) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}

// finishChoices sorts the choices so that the longest is tried first, and
// notes a common width.
func (c *compiler) finishChoices(o *op) {
	var other Value
	if o.other >= 0 {
		other = o.choices[o.other].val
	}
	// Aliases come last, so that the value itself is what is read.
	sort.SliceStable(o.choices, func(i, j int) bool {
		a, b := &o.choices[i], &o.choices[j]
		if a.alias != b.alias {
			return b.alias
		}
		return len(a.lit) > len(b.lit)
	})
	for i := range o.choices {
		if o.other >= 0 && o.choices[i].val.Same(other) {
			o.other = i
		}
	}
	var texts []string
	for _, ch := range o.choices {
		texts = append(texts, ch.val.Text)
	}
	o.byText = newTextIndex(texts)
	same := len(o.choices) > 0 && len(o.specials) == 0
	for _, ch := range o.choices {
		same = same && len(ch.lit) == len(o.choices[0].lit)
	}
	if same {
		o.width = len(o.choices[0].lit)
		o.index()
	}
	if len(o.choices) > 0 && o.choices[0].val.Kind == Flag {
		o.yesNo = true
		if o.choices[0].val.True() {
			o.noAt = 1
		}
	}
}

func (c *compiler) flags(sc *scope, f *fieldSpec, o *op) {
	o.width = f.Size
	if o.width < 1 || o.width > 8 {
		c.doc.Errorf(&f.Size, "write size: 1 to 8", "a word of bits has 1 to 8 bytes, not %d", o.width)
		return
	}
	var used uint64
	for i := range f.Bits {
		s := &f.Bits[i]
		b := bitOp{term: -1, other: -1, width: 1}
		lo, hi := 0, 0
		switch {
		case s.Bit != nil && len(s.Bits) == 0:
			lo, hi = *s.Bit, *s.Bit
		case s.Bit == nil && len(s.Bits) == 2:
			lo, hi = min(s.Bits[0], s.Bits[1]), max(s.Bits[0], s.Bits[1])
		default:
			c.doc.Errorf(s, "write bit: 3 or bits: [4, 6]", "which bits is not said")
			continue
		}
		if lo < 0 || hi >= 8*o.width {
			c.doc.Errorf(s, fmt.Sprintf("bits count from 0 to %d", 8*o.width-1), "bit %d is outside the word", hi)
			continue
		}
		mask := (^uint64(0) >> (63 - (hi - lo))) << lo
		if used&mask != 0 {
			c.doc.Errorf(s, "", "the bits overlap another field's")
			continue
		}
		used |= mask
		b.shift, b.width = uint8(lo), uint8(hi-lo+1)
		set := func(name string, kind opKind, k Kind) {
			if b.name != "" {
				c.doc.Errorf(s, "", "the bits are one thing, not both %s and %s", b.name, name)
			}
			b.name, b.kind, b.term = name, kind, c.term(name)
			c.kinds[b.term] = k
			sc.seen[b.term] = true
		}
		if s.Flag != "" {
			set(s.Flag, opFlags, Flag)
			if b.width != 1 {
				c.doc.Errorf(s, "", "a flag has one bit")
			}
		}
		if s.Int != "" {
			set(s.Int, opInt, Number)
		}
		if s.Choice != "" {
			set(s.Choice, opChoice, Text)
			c.bitChoices(sc, s, &b)
		}
		if s.Value != "" {
			n, err := strconv.ParseUint(s.Value, 0, 64)
			if err != nil || b.width < 64 && n>>b.width != 0 {
				c.doc.Errorf(&s.Value, "", "%q does not fit in %d bits", s.Value, b.width)
			}
			o.bitMask |= mask
			o.bitValue |= n << lo
			if b.name != "" {
				c.doc.Errorf(s, "", "the bits are one thing, not both %s and a constant", b.name)
			}
			continue
		}
		if b.name == "" {
			c.doc.Errorf(s, "write flag, int, choice or value", "the bits carry nothing")
			continue
		}
		o.bits = append(o.bits, b)
	}
	// Bits nobody described are sent as zero and must be zero.
	o.bitMask |= ^used & (^uint64(0) >> (64 - 8*o.width))
}

func (c *compiler) bitChoices(sc *scope, s *bitSpec, b *bitOp) {
	if s.Is.Kind != strict.Mapping || len(s.Is.Pairs) == 0 {
		c.doc.Errorf(s, "write is: {value: number, ...}", "the choice lists no values")
		return
	}
	for _, p := range s.Is.Pairs {
		c.knownValue(s.Choice, p)
		n, err := strconv.ParseUint(p.Value.Scalar, 0, 64)
		if err != nil || b.width < 64 && n>>b.width != 0 {
			p.Value.Errorf("", "%q does not fit in %d bits", p.Value.Scalar, b.width)
			continue
		}
		for _, e := range b.choices {
			if e.n == n {
				p.Value.Errorf("give each value its own", "%d is already sent for %s: %s can never be read", n, e.val, p.Key)
			}
		}
		if p.Key == s.Other {
			b.other = len(b.choices)
		}
		b.choices = append(b.choices, bitChoice{Str(p.Key), n})
	}
	var texts []string
	listed := map[string]bool{}
	for _, e := range b.choices {
		texts = append(texts, e.val.Text)
		listed[e.val.Text] = true
	}
	c.allKnown(sc, s, s.Choice, b.other >= 0, listed)
	b.byText = newTextIndex(texts)
	if b.width <= 4 {
		b.byNumber = make([]int8, 1<<b.width)
		for i := range b.byNumber {
			b.byNumber[i] = -1
		}
		for i, e := range b.choices {
			b.byNumber[e.n] = int8(i)
		}
	}
	if s.Other != "" && b.other < 0 {
		c.doc.Errorf(&s.Other, "name one of the values under is", "%q is not listed", s.Other)
	}
}

func (c *compiler) layout(f *fieldSpec, o *op) {
	c.kinds[o.term] = Number
	c.frac[o.term] = true
	if f.Round != "" {
		if err := o.round.UnmarshalText([]byte(f.Round)); err != nil {
			c.doc.Errorf(&f.Round, "", "%v", err)
		}
		o.mayRound = true
	}
	order := "hmsf"
	at := -1
	for i := 0; i < len(f.Layout); {
		ch := f.Layout[i]
		k := strings.IndexByte(order, ch)
		if k < 0 {
			o.layout = append(o.layout, timePart{lit: ch})
			o.width++
			i++
			continue
		}
		n := 1
		for i+n < len(f.Layout) && f.Layout[i+n] == ch {
			n++
		}
		if at >= 0 && k != at+1 || n > 9 || ch == 'f' && at < 0 || ch == 'f' && order[at] != 's' {
			c.doc.Errorf(&f.Layout, "write hours, minutes, seconds and a fraction in that order: hh:mm:ss.fff", "%q is no layout of a time", f.Layout)
			return
		}
		at = k
		o.layout = append(o.layout, timePart{unit: ch, n: n})
		o.width += n
		i += n
	}
	if at < 2 {
		c.doc.Errorf(&f.Layout, "write hours, minutes and seconds: hh:mm:ss", "%q has no seconds", f.Layout)
	}
	c.specials(f, o)
}

func (c *compiler) each(sc *scope, f *fieldSpec, o *op) {
	if sc.each {
		c.doc.Errorf(&f.Each, "", "a group of channels cannot stand in another")
		return
	}
	o.between = c.bytesOf(&f.Between)
	switch n, err := strconv.Atoi(f.Count); {
	case f.Count == "":
		c.doc.Errorf(f, "write count: 4, count: channels or count: rest", "how many groups there are is not said")
	case f.Count == "rest":
		o.rest = true
	case err == nil:
		if n < 1 || n > MaxChannels {
			c.doc.Errorf(&f.Count, fmt.Sprintf("write 1 to %d", MaxChannels), "%d is not a number of channels", n)
		}
		o.countN = n
	default:
		t, ok := c.d.termOf[f.Count]
		if !ok || !sc.seen[t] || c.kinds[t] != Number {
			c.doc.Errorf(&f.Count, "write a number, rest, or a number field that stands earlier in the frame", "%q does not say how many groups there are", f.Count)
		}
		o.countBy = t
	}
	if len(f.Fields) == 0 {
		c.doc.Errorf(f, "", "the group has no fields")
		return
	}
	inner := *sc
	inner.each = true
	o.sub = c.fields(&inner, f.Fields)
	c.ranges(&inner, o.sub, true)
	sc.marks, sc.depth = inner.marks, inner.depth
	o.smallest, _ = sizeOf(o.sub)
	if o.smallest == 0 && o.rest {
		c.doc.Errorf(f, "", "the group may be empty: how many there are cannot be told")
	}
}

func (c *compiler) when(sc *scope, f *fieldSpec, o *op) {
	if len(f.Fields) == 0 {
		c.doc.Errorf(f, "", "the condition has no fields")
		return
	}
	text, negate := strings.TrimSpace(f.When), false
	if rest, ok := strings.CutPrefix(text, "not "); ok && !strings.ContainsAny(rest, " ()=<>") {
		text, negate = strings.TrimSpace(rest), true
	}
	cond := &condition{negate: negate, term: -1}
	o.cond = cond
	o.name = "when " + f.When
	if plainName(text) {
		cond.term = c.term(text)
		cond.known = sc.seen[cond.term]
		if k, ok := c.kinds[cond.term]; ok {
			cond.flag = k == Flag
		}
		if !cond.known {
			// Not seen yet: it is a flag that this part stands for, unless the
			// part itself carries it.
			if cond.flag = !carries(f.Fields, text) && !carries(f.Else, text); cond.flag {
				c.kinds[cond.term] = Flag
			}
		}
	} else {
		before := sc.seen
		e, err := newExpression(f.When, c.finder(func(t Term) bool { return before[t] || c.keepT[t] }, "does not stand earlier in the frame"), true)
		if err != nil {
			c.doc.Errorf(&f.When, "", "%v", err)
			return
		}
		if len(e.refs) == 0 {
			c.doc.Errorf(&f.When, "leave the condition out", "the condition never changes: one of its alternatives is unreachable")
		}
		cond.expr, cond.known = e, true
	}
	o.sub = c.fields(sc, f.Fields)
	o.alt = c.fields(sc, f.Else)
	if cond.term >= 0 && !cond.known {
		sc.seen[cond.term] = true
	}
}

func carries(fields []fieldSpec, term string) bool {
	for i := range fields {
		for _, k := range fields[i].kindKeys() {
			if *k.ptr == term {
				return true
			}
		}
		for j := range fields[i].Bits {
			if b := fields[i].Bits[j]; b.Flag == term || b.Int == term || b.Choice == term {
				return true
			}
		}
	}
	return false
}

// finder resolves the names of an expression.
func (c *compiler) finder(may func(Term) bool, whyNot string) func(string) (exprRef, error) {
	return func(name string) (exprRef, error) {
		for i, t := range c.d.terms {
			if exprName(t) != name {
				continue
			}
			term := Term(i)
			if c.frac[term] {
				return exprRef{}, fmt.Errorf("%s is a decimal; an expression works on whole numbers only", t)
			}
			if may != nil && !may(term) {
				return exprRef{}, fmt.Errorf("%s %s", t, whyNot)
			}
			k, ok := c.kinds[term]
			if !ok {
				k = Number
			}
			return exprRef{name, term, k}, nil
		}
		names := make([]string, len(c.d.terms))
		for i, t := range c.d.terms {
			names[i] = exprName(t)
		}
		if near := strict.Nearest(name, names); near != "" {
			return exprRef{}, fmt.Errorf("unknown name %q; did you mean %q?", name, near)
		}
		return exprRef{}, fmt.Errorf("unknown name %q", name)
	}
}

func (c *compiler) check(f *fieldSpec, o *op) {
	size := f.Size
	if size == 0 {
		size = 1
	}
	if size > 8 {
		c.doc.Errorf(&f.Size, "write 1 to 8", "a check has 1 to 8 bytes, not %d", size)
		size = 8
	}
	var custom *CRC
	if f.CRC != nil {
		s := f.CRC
		custom = &CRC{s.Width, s.Poly, s.Init, s.XorOut, s.ReflectIn, s.ReflectOut}
		if s.Width < 1 || s.Width > 64 {
			c.doc.Errorf(&s.Width, "write 1 to 64", "a CRC has 1 to 64 bits, not %d", s.Width)
			custom.Width = 8
		} else if s.Width < 64 && (s.Poly>>s.Width != 0 || s.Init>>s.Width != 0 || s.XorOut>>s.Width != 0) {
			c.doc.Errorf(&s.Poly, "leave out the polynomial's leading one", "a parameter does not fit in %d bits", s.Width)
		}
	}
	chk, err := newChecker(f.Check, size, custom)
	if err != nil {
		want := "write one of " + strings.Join(CheckNames(), ", ")
		if near := strict.Nearest(f.Check, CheckNames()); near != "" {
			want = fmt.Sprintf("did you mean %q?", near)
		}
		c.doc.Errorf(&f.Check, want, "%v", err)
		chk, _ = newChecker("xor", 1, nil)
	}
	o.check = chk
	o.lower = c.pick(&f.Case, "upper", "upper", "lower") == "lower"
	switch c.pick(&f.Form, "binary", "binary", "hex", "decimal") {
	case "hex":
		o.form, o.width = formHex, (chk.bits+3)/4
	case "decimal":
		o.form = formDecimal
		o.width = len(strconv.FormatUint(^uint64(0)>>(64-chk.bits), 10))
	default:
		o.form, o.width = formBinary, (chk.bits+7)/8
		if o.order >= bigSwapped && o.width%2 != 0 {
			c.doc.Errorf(&f.Order, "write big or little", "%d bytes are not whole 16-bit words", o.width)
			o.order = bigEndian
		}
	}
}

func (c *compiler) length(f *fieldSpec, o *op) {
	o.lower = c.pick(&f.Case, "upper", "upper", "lower") == "lower"
	o.plus = f.Plus
	if f.Per > 0 {
		o.per = f.Per
	}
	switch c.pick(&f.Form, "binary", "binary", "hex", "decimal") {
	case "hex":
		o.form, o.width = formHex, f.Width
	case "decimal":
		o.form, o.width = formDecimal, f.Width
		o.decimals, o.pad, o.sign, o.mark = 0, '0', signNone, '.'
	default:
		o.width = f.Size
		if o.order >= bigSwapped && o.width%2 != 0 {
			o.order = bigEndian
		}
	}
	if o.width < 1 || o.width > 8 {
		c.doc.Errorf(f, "write size (bytes) or width (digits), 1 to 8", "the length has no size")
		o.width = 1
	}
	o.name = "length"
	if f.Name != "" {
		o.name = f.Name
	}
}

// constant gives a field a fixed or derived value.
func (c *compiler) constant(sc *scope, f *fieldSpec, o *op) {
	if text, ok := strings.CutPrefix(f.Value, "="); ok {
		e, err := newExpression(text, c.finder(nil, ""), false)
		if err != nil {
			c.doc.Errorf(&f.Value, "", "%v", err)
			return
		}
		o.derive = e
		return
	}
	var v Value
	switch c.kinds[o.term] {
	case Number:
		n, err := decimal.Parse(f.Value)
		if err != nil {
			if u, err2 := strconv.ParseInt(f.Value, 0, 64); err2 == nil {
				n, err = decimal.New(u, 0), nil
			}
		}
		if err != nil {
			c.doc.Errorf(&f.Value, "", "%v", err)
			return
		}
		v = Num(n)
	default:
		v = Str(f.Value)
	}
	rec := newRecord(len(c.d.terms))
	rec.Set(o.term, 0, v)
	e := encoder{rec: rec}
	lit, why := e.value(nil, o, rec.at(o.term, 0))
	if why != "" {
		c.doc.Errorf(&f.Value, "", "the constant overflows the field: %s %s", v, why)
		return
	}
	*o = op{kind: opLiteral, name: o.name, spec: f, term: o.term, lit: lit, width: len(lit), konst: v, countBy: -1,
		markStart: -1, markEnd: -1, from: -1, to: -1, target: -1, fromByte: -1, toByte: -1, first: -1, num: -1, other: -1, decimals: -1}
}
