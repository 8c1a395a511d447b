package wire

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"example.org/understudy/sim/decimal"
)

// Expressions work on whole numbers of 64 bits, texts and flags. A reading is a
// decimal and never enters one. They have no loops, and their size and therefore
// their time are bounded.

const (
	maxExprBytes = 400
	maxExprDepth = 40
)

type expression struct {
	text string
	root *operand
	refs []Term
}

// exprRef is what a name in an expression stands for.
type exprRef struct {
	name string // as the expression writes it
	term Term
	kind Kind
}

// operand is one node of an expression: a constant, a term, or an operator or
// function with its arguments.
type operand struct {
	op   string // "" for a constant or a term
	args []*operand
	val  Value // of a constant
	term Term  // −1: a constant
	kind Kind
	at   int // character in the text, from 1
}

// condition decides whether an optional part of a frame is there.
type condition struct {
	term   Term // of a bare name; −1 for an expression
	negate bool
	flag   bool // the bare name is a flag; else it asks whether there is a value
	known  bool // it is known from earlier fields when decoding
	expr   *expression
}

func (c *condition) holds(rec *Record, ch int) (bool, error) {
	if c.expr == nil {
		v := rec.Get(c.term, ch)
		if c.flag {
			return v.True() != c.negate, nil
		}
		return (v.Kind != Absent) != c.negate, nil
	}
	v, err := c.expr.eval(rec, ch)
	return v.True(), err
}

// exprName is how an expression writes a term: warn-lower is warn_lower.
func exprName(term string) string { return strings.ReplaceAll(term, "-", "_") }

// newExpression reads an expression over the names that find knows.
func newExpression(text string, find func(name string) (exprRef, error), wantBool bool) (*expression, error) {
	if len(text) > maxExprBytes {
		return nil, fmt.Errorf("an expression has at most %d characters", maxExprBytes)
	}
	p := exprParser{text: text, find: find, out: &expression{text: text}}
	p.next()
	root := p.choice(0)
	if p.err == nil && p.token != "" {
		p.fail("%q is not expected", p.token)
	}
	if p.err == nil && wantBool && root.kind != Flag {
		p.fail("a condition is true or false, not a %s", root.kind)
	}
	p.out.root = root
	return p.out, p.err
}

// exprParser reads an expression by recursive descent, one token ahead.
type exprParser struct {
	text  string
	pos   int // behind the token
	start int // of the token
	token string
	word  byte // 'n' a number, 's' a text, 'i' a name, 'o' an operator
	find  func(string) (exprRef, error)
	out   *expression
	err   error
}

func (p *exprParser) fail(format string, args ...any) {
	if p.err == nil {
		p.err = fmt.Errorf("%s (at character %d of the expression)", fmt.Sprintf(format, args...), p.start+1)
		p.token, p.pos = "", len(p.text)
	}
}

var exprOperators = []string{"==", "!=", "<=", ">=", "&&", "||", "**", "..", "<", ">", "+", "-", "*", "%", "/", "^", "!", "?", ":", "(", ")", "[", "]", ",", "#", "|", "{", "}", ";", "="}

func (p *exprParser) next() {
	for p.pos < len(p.text) && p.text[p.pos] == ' ' {
		p.pos++
	}
	p.start, p.token, p.word = p.pos, "", 0
	rest := p.text[p.pos:]
	if rest == "" {
		return
	}
	isName := func(c byte) bool { return c|0x20-'a' <= 25 || c == '_' || isDigit(c) }
	switch c := rest[0]; {
	case isName(c):
		n := 1
		for n < len(rest) && isName(rest[n]) {
			n++
		}
		p.token, p.word = rest[:n], 'i'
		if isDigit(c) {
			p.word = 'n'
			if n+1 < len(rest) && rest[n] == '.' && isDigit(rest[n+1]) {
				p.fail("a number with a fraction is not part of an expression here")
				return
			}
		}
	case c == '\'' || c == '"':
		n := strings.IndexByte(rest[1:], c)
		if n < 0 {
			p.fail("the text has no closing quote")
			return
		}
		p.token, p.word = rest[:n+2], 's'
	default:
		for _, o := range exprOperators {
			if strings.HasPrefix(rest, o) {
				p.token, p.word = o, 'o'
				break
			}
		}
		if p.token == "" {
			p.fail("%q is not part of an expression", rest[:1])
			return
		}
	}
	p.pos += len(p.token)
	switch p.token {
	case "/", "**", "^", "..", "#", "|", "{", "}", ";", "=":
		p.fail("the operator %s is not part of an expression here", p.token)
	}
}

func (p *exprParser) take(tokens ...string) string {
	for _, t := range tokens {
		if p.token == t && p.word != 's' && p.err == nil {
			p.next()
			return t
		}
	}
	return ""
}

func (p *exprParser) want(token string) {
	if p.take(token) == "" {
		p.fail("%q is missing", token)
	}
}

// choice is a ? b : c, the weakest of all.
func (p *exprParser) choice(depth int) *operand {
	if depth > maxExprDepth {
		p.fail("the expression is nested too deep")
	}
	a := p.binary(0, depth)
	if p.take("?") == "" {
		return a
	}
	b := p.choice(depth + 1)
	p.want(":")
	c := p.choice(depth + 1)
	return p.make("?", a, b, c)
}

// exprLevels are the operators, the weakest first.
var exprLevels = [][]string{{"or", "||"}, {"and", "&&"}, {"==", "!=", "<=", ">=", "<", ">", "in", "not"}, {"+", "-"}, {"*", "%"}}

func (p *exprParser) binary(level, depth int) *operand {
	if level == len(exprLevels) {
		return p.unary(depth + 1)
	}
	a := p.binary(level+1, depth)
	for {
		op := p.take(exprLevels[level]...)
		switch op {
		case "":
			return a
		case "not":
			p.want("in")
			return p.make("not", p.list(a, depth))
		case "in":
			return p.list(a, depth)
		}
		a = p.make(op, a, p.binary(level+1, depth))
	}
}

// list is a in [x, y]: equal to one of them.
func (p *exprParser) list(a *operand, depth int) *operand {
	p.want("[")
	args := []*operand{a}
	for p.err == nil {
		args = append(args, p.choice(depth+1))
		if p.take(",") == "" {
			break
		}
	}
	p.want("]")
	return p.make("in", args...)
}

func (p *exprParser) unary(depth int) *operand {
	if depth > maxExprDepth {
		p.fail("the expression is nested too deep")
		return &operand{term: -1}
	}
	if p.take("not", "!") != "" {
		return p.make("not", p.unary(depth+1))
	}
	if p.take("-") != "" {
		return p.make("neg", p.unary(depth+1))
	}
	if p.take("(") != "" {
		a := p.choice(depth + 1)
		p.want(")")
		return a
	}
	o := &operand{term: -1, at: p.start + 1}
	token := p.token
	switch p.word {
	case 'n':
		n, err := strconv.ParseInt(token, 0, 64)
		if err != nil {
			p.fail("%q is not a whole number", token)
		}
		o.val, o.kind = Int(n), Number
	case 's':
		o.val, o.kind = Str(token[1:len(token)-1]), Text
	case 'i':
		p.next()
		if p.token == "(" {
			return p.call(token, depth)
		}
		if token == "true" || token == "false" {
			o.val, o.kind = Bool(token == "true"), Flag
			return o
		}
		ref, err := p.find(token)
		if err != nil {
			p.start = o.at - 1
			if p.err == nil {
				p.err = err
			}
			return o
		}
		o.term, o.kind = ref.term, ref.kind
		p.out.refs = append(p.out.refs, ref.term)
		return o
	default:
		p.fail("a value is missing")
	}
	p.next()
	return o
}

func (p *exprParser) call(name string, depth int) *operand {
	p.want("(")
	var args []*operand
	for p.err == nil && p.token != ")" {
		args = append(args, p.choice(depth+1))
		if p.take(",") == "" {
			break
		}
	}
	p.want(")")
	wants := map[string]int{"div": 2, "bitand": 2, "bitor": 2, "bitxor": 2, "bitnand": 2, "bitshl": 2, "bitshr": 2, "bitnot": 1}[name]
	if p.err == nil && wants == 0 {
		p.fail("the function %s is not part of an expression here", name)
	} else if p.err == nil && len(args) != wants {
		p.fail("%s takes %d values, not %d", name, wants, len(args))
	}
	return p.make(name, args...)
}

// make joins operands and checks their kinds.
func (p *exprParser) make(op string, args ...*operand) *operand {
	o := &operand{op: op, args: args, term: -1, kind: Number}
	if p.err != nil {
		return o
	}
	all := func(k Kind) bool {
		for _, a := range args {
			if a.kind != k {
				return false
			}
		}
		return true
	}
	same := func(list []*operand) bool {
		for _, a := range list {
			if a.kind != list[0].kind {
				return false
			}
		}
		return true
	}
	ok := true
	switch op {
	case "?":
		ok = args[0].kind == Flag && same(args[1:])
		o.kind = args[1].kind
	case "or", "||", "and", "&&", "not":
		ok, o.kind = all(Flag), Flag
	case "==", "!=", "in":
		ok, o.kind = same(args), Flag
	case "<", ">", "<=", ">=":
		ok, o.kind = same(args) && args[0].kind != Flag, Flag
	case "+":
		ok, o.kind = same(args) && args[0].kind != Flag, args[0].kind
	default:
		ok = all(Number)
	}
	if !ok {
		kinds := make([]string, len(args))
		for i, a := range args {
			kinds[i] = a.kind.String()
		}
		p.fail("invalid operation: %s of %s", op, strings.Join(kinds, " and "))
	}
	return o
}

var (
	errDivision = errors.New("division by zero")
	errNoWhole  = errors.New("a value is not a whole number")
)

func (e *expression) eval(rec *Record, ch int) (Value, error) {
	v, err := e.root.eval(rec, ch)
	if err != nil {
		return Value{}, fmt.Errorf("%s: %w", e.text, err)
	}
	return v, nil
}

func (o *operand) eval(rec *Record, ch int) (Value, error) {
	switch {
	case o.op == "" && o.term < 0:
		return o.val, nil
	case o.op == "":
		return o.fetch(rec, ch)
	}
	a, err := o.args[0].eval(rec, ch)
	if err != nil {
		return Value{}, err
	}
	switch o.op { // those that need not look at all arguments
	case "?":
		if a.True() {
			return o.args[1].eval(rec, ch)
		}
		return o.args[2].eval(rec, ch)
	case "or", "||", "and", "&&":
		if a.True() == (o.op[0] == 'o' || o.op[0] == '|') {
			return a, nil
		}
		return o.args[1].eval(rec, ch)
	case "not":
		return Bool(!a.True()), nil
	case "in":
		for _, x := range o.args[1:] {
			if v, err := x.eval(rec, ch); err != nil || v.Same(a) {
				return Bool(true), err
			}
		}
		return Bool(false), nil
	}
	b := Int(0)
	if len(o.args) > 1 {
		if b, err = o.args[1].eval(rec, ch); err != nil {
			return Value{}, err
		}
	}
	return o.apply(a, b)
}

// fetch is a term's value; one that is absent in a channel is looked for among
// those of the whole frame, and counts as 0, "" or no when it is nowhere.
func (o *operand) fetch(rec *Record, ch int) (Value, error) {
	v := rec.Get(o.term, ch)
	if v.Kind == Absent && ch != 0 {
		v = rec.Get(o.term, 0)
	}
	switch {
	case o.kind == Flag:
		return Bool(v.True()), nil
	case o.kind == Text && v.Kind == Number:
		return Str(v.Num.String()), nil
	case o.kind == Text:
		return Str(v.Text), nil
	case v.Kind == Text:
		return Value{}, errNoWhole
	}
	n, ok := v.Num.Int64()
	if !ok {
		return Value{}, errNoWhole
	}
	return Int(n), nil
}

func (o *operand) apply(a, b Value) (Value, error) {
	if a.Kind == Text {
		switch o.op {
		case "+":
			return Str(a.Text + b.Text), nil
		default:
			return Bool(compares(o.op, strings.Compare(a.Text, b.Text))), nil
		}
	}
	x, _ := a.Num.Int64()
	y, _ := b.Num.Int64()
	n := int64(0)
	switch o.op {
	case "+":
		n = x + y
	case "-":
		n = x - y
	case "*":
		n = x * y
	case "%", "div":
		if y == 0 {
			return Value{}, errDivision
		}
		if n = x % y; o.op == "div" {
			n = x / y
		}
	case "neg":
		n = -x
	case "bitand":
		n = x & y
	case "bitor":
		n = x | y
	case "bitxor":
		n = x ^ y
	case "bitnand":
		n = x &^ y
	case "bitnot":
		n = ^x
	case "bitshl":
		n = x << (uint64(y) & 63)
	case "bitshr":
		n = int64(uint64(x) >> (uint64(y) & 63))
	default:
		return Bool(compares(o.op, a.Num.Cmp(b.Num))), nil
	}
	return Value{Num: decimal.New(n, 0), Kind: Number}, nil
}

func compares(op string, c int) bool {
	switch op {
	case "==":
		return c == 0
	case "!=":
		return c != 0
	case "<":
		return c < 0
	case "<=":
		return c <= 0
	case ">":
		return c > 0
	}
	return c >= 0
}

// known says whether every term of the expression has a value.
func (e *expression) known(rec *Record, ch int) bool {
	for _, t := range e.refs {
		if rec.Get(t, ch).Kind == Absent && rec.Get(t, 0).Kind == Absent {
			return false
		}
	}
	return true
}
