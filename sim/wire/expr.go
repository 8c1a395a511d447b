package wire

import (
	"errors"
	"fmt"
	"strings"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser"

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
	tree, err := parser.Parse(text)
	var syntax *file.Error
	if errors.As(err, &syntax) {
		return nil, fmt.Errorf("%s (at character %d of the expression)", syntax.Message, syntax.Column+1)
	} else if err != nil {
		return nil, err
	}
	b := exprBuilder{find: find, out: &expression{text: text}}
	if b.out.root, err = b.build(tree.Node, 0); err == nil && wantBool && b.out.root.kind != Flag {
		err = fmt.Errorf("a condition is true or false, not a %s", b.out.root.kind)
	}
	return b.out, err
}

// exprBuilder turns a parsed expression into operands of known kinds.
type exprBuilder struct {
	find func(string) (exprRef, error)
	out  *expression
}

// exprOperators are the operators there are, by what they are called here.
var exprOperators = map[string]string{"or": "or", "||": "or", "and": "and", "&&": "and", "==": "==", "!=": "!=", "<": "<", ">": ">", "<=": "<=", ">=": ">=",
	"+": "+", "-": "-", "*": "*", "%": "%", "in": "in"}

// exprFunctions are the functions there are, by how many values they take.
var exprFunctions = map[string]int{"div": 2, "bitand": 2, "bitor": 2, "bitxor": 2, "bitnand": 2, "bitshl": 2, "bitshr": 2, "bitnot": 1}

func (b *exprBuilder) build(n ast.Node, depth int) (*operand, error) {
	fail := func(what string) (*operand, error) {
		return nil, fmt.Errorf("%s is not part of an expression here (at character %d)", what, n.Location().From+1)
	}
	if depth > maxExprDepth {
		return nil, errors.New("the expression is nested too deep")
	}
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
		op := map[string]string{"not": "not", "!": "not", "-": "neg"}[n.Operator]
		if op == "" {
			return fail("the operator " + n.Operator)
		}
		return b.join(op, depth, n.Node)
	case *ast.BinaryNode:
		op := exprOperators[n.Operator]
		list, isList := n.Right.(*ast.ArrayNode)
		switch {
		case op == "" || op == "in" && !isList:
			return fail("the operator " + n.Operator)
		case op == "in":
			return b.join(op, depth, append([]ast.Node{n.Left}, list.Nodes...)...)
		}
		return b.join(op, depth, n.Left, n.Right)
	case *ast.BuiltinNode:
		if takes, ok := exprFunctions[n.Name]; !ok || takes != len(n.Arguments) {
			return fail("the function " + n.Name)
		}
		return b.join(n.Name, depth, n.Arguments...)
	case *ast.CallNode:
		if id, ok := n.Callee.(*ast.IdentifierNode); !ok || id.Value != "div" || len(n.Arguments) != exprFunctions["div"] {
			return fail("this call")
		}
		return b.join("div", depth, n.Arguments...)
	case *ast.FloatNode:
		return fail("a number with a fraction")
	}
	return fail("this")
}

// join makes an operand of others and checks their kinds.
func (b *exprBuilder) join(op string, depth int, nodes ...ast.Node) (*operand, error) {
	o := &operand{op: op, term: -1, kind: Number}
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
		ok, o.kind = same && first != Flag, Flag
	case "+":
		ok, o.kind = same && first != Flag, first
	default:
		ok = same && first == Number
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
