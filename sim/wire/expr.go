package wire

import (
	"errors"
	"fmt"
	"strings"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser"

	"example.org/understudy/sim/strict"
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

// operand is one node of an expression: a constant, a term, or an operator or
// function with its arguments.
type operand struct {
	op   string // "" for a constant or a term
	args []*operand
	val  Value // of a constant
	term Term  // −1: a constant
	kind Kind
	math func(x, y int64) int64 // of whole numbers
}

// exprRef is what a name in an expression stands for.
type exprRef struct {
	term Term
	kind Kind
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

// expression reads the expression at a place of the file, which must give a kind
// of value; Absent is any. It is nil when there is a mistake in it. may says which
// terms it may speak of; nil is all.
func (c *compiler) expression(at any, text string, want Kind, may func(Term) bool) *expression {
	e, err := newExpression(text, want, func(name string) (exprRef, error) {
		names := make([]string, len(c.d.terms))
		for i, t := range c.d.terms {
			term := Term(i)
			switch names[i] = exprName(t); {
			case names[i] != name:
				continue
			case c.frac[term]:
				return exprRef{}, fmt.Errorf("%s is a decimal; an expression works on whole numbers only", t)
			case may != nil && !may(term):
				return exprRef{}, fmt.Errorf("%s does not stand earlier in the frame, and who reads it cannot know it", t)
			}
			k, ok := c.kinds[term]
			if !ok {
				k = Number
			}
			return exprRef{term, k}, nil
		}
		if ask := strict.Suggest(name, names, ""); ask != "" {
			return exprRef{}, fmt.Errorf("unknown name %q; %s", name, ask)
		}
		return exprRef{}, fmt.Errorf("unknown name %q", name)
	})
	if err != nil {
		c.doc.Errorf(at, "", "%v", err)
		return nil
	}
	return e
}

// newExpression reads an expression over the names that find knows.
func newExpression(text string, want Kind, find func(name string) (exprRef, error)) (*expression, error) {
	if len(text) > maxExprBytes {
		return nil, fmt.Errorf("an expression has at most %d characters", maxExprBytes)
	}
	tree, err := parser.Parse(text)
	var syntax *file.Error
	if errors.As(err, &syntax) {
		return nil, fmt.Errorf("%s (at character %d of the expression)", syntax.Message, syntax.Column+1)
	} else if err != nil {
		return nil, err
	}
	b := exprBuilder{find: find, out: &expression{text: text}}
	if b.out.root, err = b.build(tree.Node, 0); err == nil && want != Absent && b.out.root.kind != want {
		err = fmt.Errorf("%s gives a %s, and a %s is wanted here", text, b.out.root.kind, want)
	}
	return b.out, err
}

// exprBuilder turns a parsed expression into operands of known kinds.
type exprBuilder struct {
	find func(string) (exprRef, error)
	out  *expression
}

// exprNames are the operators and functions by what they are called here.
var exprNames = map[string]string{"||": "or", "&&": "and", "!": "not"}

// exprArgs are the operators and functions that do no sums, by how many values they take.
var exprArgs = map[string]int{"or": 2, "and": 2, "not": 1, "==": 2, "!=": 2, "<": 2, ">": 2, "<=": 2, ">=": 2, "%": 2, "div": 2}

// exprMath are those on one and on two whole numbers.
var exprMath = [3]map[string]func(x, y int64) int64{
	1: {"-": func(x, _ int64) int64 { return -x }, "bitnot": func(x, _ int64) int64 { return ^x }},
	2: {
		"+":       func(x, y int64) int64 { return x + y },
		"-":       func(x, y int64) int64 { return x - y },
		"*":       func(x, y int64) int64 { return x * y },
		"bitand":  func(x, y int64) int64 { return x & y },
		"bitor":   func(x, y int64) int64 { return x | y },
		"bitxor":  func(x, y int64) int64 { return x ^ y },
		"bitnand": func(x, y int64) int64 { return x &^ y },
		"bitshl":  func(x, y int64) int64 { return x << (uint64(y) & 63) },
		"bitshr":  func(x, y int64) int64 { return int64(uint64(x) >> (uint64(y) & 63)) },
	},
}

func (b *exprBuilder) build(n ast.Node, depth int) (*operand, error) {
	if depth > maxExprDepth {
		return nil, errors.New("the expression is nested too deep")
	}
	what := "this"
	switch n := n.(type) {
	case *ast.IntegerNode:
		return &operand{val: Int(int64(n.Value)), kind: Number, term: -1}, nil
	case *ast.StringNode:
		return &operand{val: Str(n.Value), kind: Text, term: -1}, nil
	case *ast.BoolNode:
		return &operand{val: Bool(n.Value), kind: Flag, term: -1}, nil
	case *ast.IdentifierNode:
		ref, err := b.find(n.Value)
		b.out.refs = append(b.out.refs, ref.term)
		return &operand{term: ref.term, kind: ref.kind}, err
	case *ast.ConditionalNode:
		return b.join("?", depth, n.Cond, n.Exp1, n.Exp2)
	case *ast.UnaryNode:
		if what = "the operator " + n.Operator; b.has(n.Operator, 1) {
			return b.join(n.Operator, depth, n.Node)
		}
	case *ast.BinaryNode:
		what = "the operator " + n.Operator
		if list, ok := n.Right.(*ast.ArrayNode); ok && n.Operator == "in" {
			return b.join("in", depth, append([]ast.Node{n.Left}, list.Nodes...)...)
		} else if b.has(n.Operator, 2) {
			return b.join(n.Operator, depth, n.Left, n.Right)
		}
	case *ast.BuiltinNode:
		if what = "the function " + n.Name; b.has(n.Name, len(n.Arguments)) {
			return b.join(n.Name, depth, n.Arguments...)
		}
	case *ast.CallNode:
		what = "this call"
		if id, ok := n.Callee.(*ast.IdentifierNode); ok && id.Value == "div" && len(n.Arguments) == 2 {
			return b.join("div", depth, n.Arguments...)
		}
	case *ast.FloatNode:
		what = "a number with a fraction"
	}
	return nil, fmt.Errorf("%s is not part of an expression here (at character %d)", what, n.Location().From+1)
}

// has says whether there is an operator or function of some values.
func (b *exprBuilder) has(op string, args int) bool {
	if as := exprNames[op]; as != "" {
		op = as
	}
	return args > 0 && args < len(exprMath) && (exprArgs[op] == args || exprMath[args][op] != nil)
}

// join makes an operand of others and checks their kinds.
func (b *exprBuilder) join(op string, depth int, nodes ...ast.Node) (*operand, error) {
	if as := exprNames[op]; as != "" {
		op = as
	}
	o := &operand{op: op, term: -1}
	var kinds []string
	same := true
	for _, n := range nodes {
		a, err := b.build(n, depth+1)
		if err != nil {
			return nil, err
		}
		o.args = append(o.args, a)
		kinds = append(kinds, a.kind.String())
		same = same && a.kind == o.args[0].kind
	}
	first, ok := o.args[0].kind, same
	switch op {
	case "?":
		ok, o.kind = first == Flag && o.args[1].kind == o.args[2].kind, o.args[1].kind
	case "or", "and", "not":
		ok, o.kind = same && first == Flag, Flag
	case "==", "!=", "in":
		o.kind = Flag
	case "<", ">", "<=", ">=":
		ok, o.kind = same && first == Number, Flag
	default:
		ok, o.kind = same && first == Number, Number
		o.math = exprMath[min(len(nodes), 2)][op]
	}
	if !ok {
		return nil, fmt.Errorf("invalid operation: %s of %s", op, strings.Join(kinds, " and "))
	}
	return o, nil
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
	case "or", "and":
		if a.True() == (o.op == "or") {
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
	case o.kind == Text:
		text, _ := textOf(&v)
		return Str(text), nil
	}
	n, ok := v.Num.Int64()
	if !ok || v.Kind == Text {
		return Value{}, errNoWhole
	}
	return Int(n), nil
}

func (o *operand) apply(a, b Value) (Value, error) {
	x, _ := a.Num.Int64()
	y, _ := b.Num.Int64()
	switch o.op {
	case "==", "!=":
		return Bool(a.Same(b) == (o.op == "==")), nil
	case "<":
		return Bool(x < y), nil
	case ">":
		return Bool(x > y), nil
	case "<=":
		return Bool(x <= y), nil
	case ">=":
		return Bool(x >= y), nil
	case "%", "div":
		if y == 0 {
			return Value{}, errDivision
		}
		if o.op == "%" {
			return Int(x % y), nil
		}
		return Int(x / y), nil
	}
	return Int(o.math(x, y)), nil
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
