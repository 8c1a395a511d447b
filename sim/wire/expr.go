package wire

import (
	"errors"
	"fmt"
	"strings"

	"github.com/expr-lang/expr"
	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser"
	"github.com/expr-lang/expr/vm"

	"example.org/understudy/sim/decimal"
)

// Expressions work on whole numbers, texts and flags only. A reading is a
// decimal and never enters one: the expression library's fractions are binary
// floats, so its division, powers and fractional constants are refused too.
// An expression has no loops, and its size, its memory and therefore its time
// are bounded.

const (
	maxExprBytes  = 400
	maxExprNodes  = 100
	maxExprMemory = 10_000
)

type expression struct {
	text string
	prog *vm.Program
	refs []exprRef
}

type exprRef struct {
	name string // as the expression writes it
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
	if err != nil {
		return false, err
	}
	return v.True(), nil
}

// exprName is how an expression writes a term: warn-lower is warn_lower.
func exprName(term string) string { return strings.ReplaceAll(term, "-", "_") }

var errExprForm = errors.New("not part of an expression here")

type exprCheck struct {
	names []string
	err   error
	at    file.Location
	nodes int
}

func (c *exprCheck) Visit(n *ast.Node) {
	c.nodes++
	fail := func(what string) {
		if c.err == nil {
			c.err, c.at = fmt.Errorf("%s is %w", what, errExprForm), (*n).Location()
		}
	}
	switch n := (*n).(type) {
	case *ast.IntegerNode, *ast.BoolNode, *ast.StringNode, *ast.ConditionalNode, *ast.ArrayNode:
	case *ast.IdentifierNode:
		c.names = append(c.names, n.Value)
	case *ast.UnaryNode:
	case *ast.BinaryNode:
		switch n.Operator {
		case "==", "!=", "<", ">", "<=", ">=", "and", "or", "&&", "||", "+", "-", "*", "%", "in", "not in":
		default:
			fail("the operator " + n.Operator)
		}
	case *ast.BuiltinNode:
		switch n.Name {
		case "bitand", "bitor", "bitxor", "bitnand", "bitshl", "bitshr", "bitnot":
		default:
			fail("the function " + n.Name)
		}
	case *ast.CallNode:
		if id, ok := n.Callee.(*ast.IdentifierNode); !ok || id.Value != "div" {
			fail("this call")
		}
	case *ast.FloatNode:
		fail("a number with a fraction")
	default:
		fail("this")
	}
}

// exprNames lists the names an expression uses.
func exprNames(text string) ([]string, error) {
	if len(text) > maxExprBytes {
		return nil, fmt.Errorf("an expression of more than %d characters", maxExprBytes)
	}
	tree, err := parser.Parse(text)
	if err != nil {
		return nil, shortExprError(err)
	}
	var c exprCheck
	ast.Walk(&tree.Node, &c)
	if c.nodes > maxExprNodes {
		return nil, fmt.Errorf("an expression of more than %d parts", maxExprNodes)
	}
	if c.err != nil {
		return nil, fmt.Errorf("%w (at character %d)", c.err, c.at.From+1)
	}
	names := c.names[:0]
	for _, n := range c.names {
		if n != "div" {
			names = append(names, n)
		}
	}
	return names, nil
}

func shortExprError(err error) error {
	var fe *file.Error
	if errors.As(err, &fe) {
		return fmt.Errorf("%s (at character %d of the expression)", fe.Message, fe.Column+1)
	}
	return err
}

var exprKinds = map[Kind]any{Number: 0, Text: "", Flag: false}

// newExpression compiles an expression over known names.
func newExpression(text string, find func(name string) (exprRef, error), wantBool bool) (*expression, error) {
	names, err := exprNames(text)
	if err != nil {
		return nil, err
	}
	e := &expression{text: text}
	env := map[string]any{}
	for _, n := range names {
		if _, dup := env[n]; dup {
			continue
		}
		ref, err := find(n)
		if err != nil {
			return nil, err
		}
		env[n] = exprKinds[ref.kind]
		e.refs = append(e.refs, ref)
	}
	opts := []expr.Option{expr.Env(env), expr.DisableAllBuiltins(), expr.Optimize(false), expr.MaxNodes(maxExprNodes),
		expr.Function("div", func(p ...any) (any, error) {
			if p[1].(int) == 0 {
				return nil, errors.New("division by zero")
			}
			return p[0].(int) / p[1].(int), nil
		}, new(func(int, int) int))}
	for _, b := range []string{"bitand", "bitor", "bitxor", "bitnand", "bitshl", "bitshr", "bitnot"} {
		opts = append(opts, expr.EnableBuiltin(b))
	}
	if wantBool {
		opts = append(opts, expr.AsBool())
	}
	if e.prog, err = expr.Compile(text, opts...); err != nil {
		return nil, shortExprError(err)
	}
	return e, nil
}

func (e *expression) eval(rec *Record, ch int) (Value, error) {
	env := make(map[string]any, len(e.refs))
	for _, r := range e.refs {
		v := rec.Get(r.term, ch)
		if v.Kind == Absent && ch != 0 {
			v = rec.Get(r.term, 0)
		}
		switch r.kind {
		case Number:
			n, ok := v.Num.Int64()
			if v.Kind == Text || !ok {
				return Value{}, fmt.Errorf("%s is %s, which is not a whole number", r.name, v)
			}
			env[r.name] = int(n)
		case Text:
			env[r.name] = v.Text
			if v.Kind == Number {
				env[r.name] = v.Num.String()
			}
		default:
			env[r.name] = v.True()
		}
	}
	machine := vm.VM{MemoryBudget: maxExprMemory}
	out, err := machine.Run(e.prog, env)
	if err != nil {
		return Value{}, fmt.Errorf("%s: %w", e.text, shortExprError(err))
	}
	switch out := out.(type) {
	case int:
		return Value{Num: decimal.New(int64(out), 0), Kind: Number}, nil
	case string:
		return Str(out), nil
	case bool:
		return Bool(out), nil
	}
	return Value{}, fmt.Errorf("%s gives neither a whole number, a text nor a flag", e.text)
}

// known says whether every term of the expression has a value.
func (e *expression) known(rec *Record, ch int) bool {
	for _, r := range e.refs {
		if rec.Get(r.term, ch).Kind == Absent && rec.Get(r.term, 0).Kind == Absent {
			return false
		}
	}
	return true
}
