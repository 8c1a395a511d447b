package gauge

import (
	"fmt"
	"slices"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/enum"
	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/parser"
)

// CalcKind is how a computed channel is made of others.
type CalcKind = enum.Of[calcs]

// Kinds of computed channel.
const (
	Sum        CalcKind = iota
	Difference          // the first minus the second
	Mean
	Spread // the largest minus the smallest of the channels
	Taper  // the first minus the second over the distance between them, for a stated length
	Formula
)

type calcs struct{}

func (calcs) Names() []string { return calcNames }
func (calcs) What() string    { return "a way to compute a channel" }

var calcNames = []string{"sum", "difference", "mean", "spread", "taper", "formula"}

// Calc makes a channel's value of the values of channels before it, exactly.
type Calc struct {
	Kind CalcKind
	Of   []int // channels, each before this one
	// Over is the distance between the two channels of a taper, Per the length
	// the taper is told for: 0.01 mm over 40 mm is 0.025 mm per 100 mm.
	Over, Per decimal.Length
	Formula   *Expr // of Formula; its arguments are Of
}

func (c *Calc) check(i int) error {
	for _, j := range c.Of {
		if j < 0 || j >= i {
			return fmt.Errorf("it is computed of channels that stand before it")
		}
	}
	two := c.Kind == Difference || c.Kind == Taper
	switch {
	case len(c.Of) == 0 && c.Kind != Formula, two && len(c.Of) != 2:
		return fmt.Errorf("a %s of %d channels", c.Kind, len(c.Of))
	case c.Kind == Taper && (c.Over <= 0 || c.Per <= 0):
		return fmt.Errorf("a taper has a distance between its channels, and a length it is told for")
	case c.Kind == Formula && c.Formula == nil:
		return fmt.Errorf("the formula is missing")
	}
	return nil
}

// whole is a whole number as a fraction.
func whole[T ~int | ~int64](n T) decimal.Fraction { return decimal.New(int64(n), 0).Fraction() }

// Value computes the channel, in picometres, of its arguments in the order of
// Of. ok is false when it has none: a division by zero.
func (c *Calc) Value(args []decimal.Fraction) (v decimal.Fraction, ok bool) {
	switch c.Kind {
	case Difference:
		return args[0].Sub(args[1]), true
	case Mean:
		return mean(args), true
	case Spread:
		return most(args).Sub(least(args)), true
	case Taper:
		return args[0].Sub(args[1]).Mul(whole(c.Per)).Quo(whole(c.Over)), true
	case Formula:
		return c.Formula.eval(args)
	}
	return total(args), true
}

func total(vs []decimal.Fraction) (sum decimal.Fraction) {
	for _, v := range vs {
		sum = sum.Add(v)
	}
	return sum
}

func mean(vs []decimal.Fraction) decimal.Fraction  { return total(vs).Quo(whole(len(vs))) }
func least(vs []decimal.Fraction) decimal.Fraction { return slices.MinFunc(vs, decimal.Fraction.Cmp) }
func most(vs []decimal.Fraction) decimal.Fraction  { return slices.MaxFunc(vs, decimal.Fraction.Cmp) }

// Expr is a formula over channels: + − * /, brackets, numbers, lengths such as
// mm(2.5) or inch(0.1), and the functions abs, min, max and mean. It is exact
// throughout. Dimensions are checked when it is read: a length cannot be added to a
// number, and the result is a length.
type Expr struct {
	Text string
	Args []string // channels it speaks of, in the order in which it first does
	eval work
}

// work is how a value is worked out of others; false when there is none.
type work func(vs []decimal.Fraction) (decimal.Fraction, bool)

// NewExpr reads a formula. Channels stand in it by name.
func NewExpr(text string) (*Expr, error) {
	if len(text) > 500 {
		return nil, fmt.Errorf("a formula has at most 500 characters")
	}
	tree, err := parser.Parse(text)
	if err != nil {
		first, _, _ := strings.Cut(err.Error(), "\n")
		return nil, fmt.Errorf("the formula %q: %s", text, first)
	}
	e := &Expr{Text: text}
	r := reader{e: e, runes: []rune(text)}
	n, err := r.read(tree.Node)
	if err != nil {
		return nil, fmt.Errorf("the formula %q: %w", text, err)
	}
	if n.dim != 1 {
		return nil, fmt.Errorf("the formula %q gives %s; a reading is a length", text, dimension(n.dim))
	}
	e.eval = n.eval
	return e, nil
}

func dimension(d int) string {
	switch d {
	case 0:
		return "a plain number"
	case 1:
		return "a length"
	}
	return fmt.Sprintf("a length to the power %d", d)
}

// term is a part of a formula: its dimension as a power of length, and how it
// is worked out of the channels, lengths in picometres.
type term struct {
	dim  int
	eval work
}

// of makes a term of others.
func of(dim int, terms []term, do work) term {
	return term{dim, func(args []decimal.Fraction) (v decimal.Fraction, ok bool) {
		vs := make([]decimal.Fraction, len(terms))
		for i, t := range terms {
			if vs[i], ok = t.eval(args); !ok {
				return v, false
			}
		}
		return do(vs)
	}}
}

type reader struct {
	e     *Expr
	runes []rune
}

// literal takes a number as it stands in the text, so that no binary float
// ever comes between.
func (r *reader) literal(n ast.Node) (term, error) {
	at := n.Location()
	d, err := decimal.Parse(strings.ReplaceAll(string(r.runes[at.From:min(at.To, len(r.runes))]), "_", ""))
	return of(0, nil, func([]decimal.Fraction) (decimal.Fraction, bool) { return d.Fraction(), true }), err
}

func (r *reader) read(n ast.Node) (term, error) {
	switch n := n.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		return r.literal(n)
	case *ast.IdentifierNode:
		return term{1, r.argument(n.Value)}, nil
	case *ast.UnaryNode:
		x, err := r.read(n.Node)
		if err != nil || n.Operator == "+" {
			return x, err
		}
		if n.Operator != "-" {
			return term{}, fmt.Errorf("%q is not a supported operator; write + - * or /", n.Operator)
		}
		return of(x.dim, []term{x}, func(v []decimal.Fraction) (decimal.Fraction, bool) { return v[0].Neg(), true }), nil
	case *ast.BinaryNode:
		return r.binary(n)
	case *ast.CallNode:
		if f, ok := n.Callee.(*ast.IdentifierNode); ok {
			return r.call(f.Value, n.Arguments)
		}
	case *ast.BuiltinNode:
		return r.call(n.Name, n.Arguments)
	}
	return term{}, fmt.Errorf("%s is not supported; write + - * /, brackets, numbers, channels, abs, min, max, mean, or a length such as mm(2.5)", n)
}

func (r *reader) argument(name string) work {
	i := slices.Index(r.e.Args, name)
	if i < 0 {
		i = len(r.e.Args)
		r.e.Args = append(r.e.Args, name)
	}
	return func(args []decimal.Fraction) (decimal.Fraction, bool) { return args[i], true }
}

func (r *reader) binary(n *ast.BinaryNode) (term, error) {
	x, err := r.read(n.Left)
	if err != nil {
		return x, err
	}
	y, err := r.read(n.Right)
	if err != nil {
		return y, err
	}
	if (n.Operator == "+" || n.Operator == "-") && x.dim != y.dim {
		return term{}, fmt.Errorf("%s has %s on one side and %s on the other", n, dimension(x.dim), dimension(y.dim))
	}
	both := []term{x, y}
	switch n.Operator {
	case "+":
		return of(x.dim, both, func(v []decimal.Fraction) (decimal.Fraction, bool) { return v[0].Add(v[1]), true }), nil
	case "-":
		return of(x.dim, both, func(v []decimal.Fraction) (decimal.Fraction, bool) { return v[0].Sub(v[1]), true }), nil
	case "*":
		return of(x.dim+y.dim, both, func(v []decimal.Fraction) (decimal.Fraction, bool) { return v[0].Mul(v[1]), true }), nil
	case "/":
		return of(x.dim-y.dim, both, func(v []decimal.Fraction) (decimal.Fraction, bool) {
			if v[1].Sign() == 0 {
				return v[0], false
			}
			return v[0].Quo(v[1]), true
		}), nil
	}
	return term{}, fmt.Errorf("%q is not a supported operator; write + - * or /", n.Operator)
}

func (r *reader) call(name string, args []ast.Node) (term, error) {
	var ts []term
	for _, a := range args {
		t, err := r.read(a)
		if err != nil {
			return t, err
		}
		if len(ts) > 0 && t.dim != ts[0].dim {
			return t, fmt.Errorf("%s of %s and %s", name, dimension(ts[0].dim), dimension(t.dim))
		}
		ts = append(ts, t)
	}
	if u, ok := decimal.ParseUnit(name); ok {
		if len(ts) != 1 || ts[0].dim != 0 {
			return term{}, fmt.Errorf("%s makes a length of one number", name)
		}
		return of(1, ts, func(v []decimal.Fraction) (decimal.Fraction, bool) { return v[0].Mul(whole(u.Size())), true }), nil
	}
	do, ok := map[string]func([]decimal.Fraction) decimal.Fraction{"min": least, "max": most, "mean": mean,
		"abs": func(v []decimal.Fraction) decimal.Fraction { return v[0].Abs() }}[name]
	if !ok || len(ts) == 0 || name == "abs" && len(ts) != 1 {
		return term{}, fmt.Errorf("%s is not a supported function of %d arguments; there are abs, min, max and mean, and units such as mm(2.5)", name, len(ts))
	}
	return of(ts[0].dim, ts, func(v []decimal.Fraction) (decimal.Fraction, bool) { return do(v), true }), nil
}
