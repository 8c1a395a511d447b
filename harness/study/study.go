// Package study works out what a measurement study comes to: the statistics of a
// series of readings, and the components of a gauge R&R study. Sums are exact
// fractions; only roots and what follows from them are binary floats.
package study

import (
	"math"
	"math/big"
)

// Series is what a series of values comes to.
type Series struct {
	N        int
	Mean     *big.Rat
	Range    *big.Rat
	Variance *big.Rat // with N - 1; nil of fewer than two values
}

// S is the standard deviation; NaN of fewer than two values.
func (s *Series) S() float64 {
	if s.Variance == nil {
		return math.NaN()
	}
	return root(s.Variance)
}

// Of is what values, at least one, come to.
func Of(values []*big.Rat) Series {
	steps, step := onGrid(values)
	n := big.NewInt(int64(len(steps)))
	least, most, sum := steps[0], steps[0], new(big.Int)
	for _, v := range steps {
		if v.Cmp(least) < 0 {
			least = v
		}
		if v.Cmp(most) > 0 {
			most = v
		}
		sum.Add(sum, v)
	}
	times := func(steps *big.Int) *big.Rat { return new(big.Rat).Mul(step, new(big.Rat).SetInt(steps)) }
	s := Series{N: len(values), Mean: over(times(sum), len(values)), Range: times(new(big.Int).Sub(most, least))}
	if s.N < 2 {
		return s
	}
	squares, off := new(big.Int), new(big.Int)
	for _, v := range steps { // deviations from the mean, n times as large
		off.Sub(off.Mul(v, n), sum)
		squares.Add(squares, off.Mul(off, off))
	}
	s.Variance = over(over(times(squares), s.N*s.N), s.N-1)
	s.Variance.Mul(s.Variance, step)
	return s
}

// onGrid writes values as whole multiples of the greatest step that all of them are on:
// whole numbers are many times as fast as fractions.
func onGrid(values []*big.Rat) (steps []*big.Int, step *big.Rat) {
	of := big.NewInt(1)
	for _, v := range values {
		if d := v.Denom(); new(big.Int).Rem(of, d).Sign() != 0 {
			of.Mul(of, new(big.Int).Quo(d, new(big.Int).GCD(nil, nil, of, d)))
		}
	}
	for _, v := range values {
		steps = append(steps, new(big.Int).Mul(v.Num(), new(big.Int).Quo(of, v.Denom())))
	}
	return steps, new(big.Rat).SetFrac(big.NewInt(1), of)
}

// Layout is how the tags of a study come: operator by operator, and of each all parts in
// their order as often as there are trials.
type Layout struct {
	Operators int `json:"operators" doc:"operators, who measure one after the other"`
	Parts     int `json:"parts" doc:"parts, which each measures in the same order"`
	Trials    int `json:"trials" doc:"how often each measures all parts"`
}

// Gauge is a gauge R&R study: readings by operator, part and trial, each part
// measured as often by each operator.
type Gauge [][][]*big.Rat

// Analysis is the analysis of variance of a study.
type Analysis struct {
	// Sums of squares, and their degrees of freedom.
	Operators, Parts, Both, Equipment, Total *big.Rat
	Freedom                                  [4]int // of the first four
}

// Variance analyses a study of at least two operators, parts and trials.
func (g Gauge) Variance() (v Analysis) {
	ops, parts, trials := len(g), len(g[0]), len(g[0][0])
	n := ops * parts * trials
	ofPart := make([]*big.Rat, parts)
	for p := range ofPart {
		ofPart[p] = new(big.Rat)
	}
	all, squares := new(big.Rat), new(big.Rat)
	ofOperators, ofCells := new(big.Rat), new(big.Rat)
	for _, byPart := range g {
		ofOperator := new(big.Rat)
		for p, readings := range byPart {
			cell := sum(readings)
			for _, x := range readings {
				squares.Add(squares, square(x))
			}
			ofCells.Add(ofCells, square(cell))
			ofOperator.Add(ofOperator, cell)
			ofPart[p].Add(ofPart[p], cell)
		}
		ofOperators.Add(ofOperators, square(ofOperator))
		all.Add(all, ofOperator)
	}
	ofParts := new(big.Rat)
	for _, p := range ofPart {
		ofParts.Add(ofParts, square(p))
	}
	mean := over(square(all), n)
	cells := minus(over(ofCells, trials), mean)
	v.Total = minus(squares, mean)
	v.Operators, v.Parts = minus(over(ofOperators, parts*trials), mean), minus(over(ofParts, ops*trials), mean)
	v.Equipment = minus(v.Total, cells)
	v.Both = minus(minus(cells, v.Operators), v.Parts)
	v.Freedom = [4]int{ops - 1, parts - 1, (ops - 1) * (parts - 1), n - ops*parts}
	return v
}

// Components are the standard deviations a study comes to.
type Components struct {
	Equipment float64 // repeatability
	Operators float64 // reproducibility
	Gauge     float64 // both: R&R
	Parts     float64
	Total     float64
	Share     float64 // R&R of the total, in per cent
	Classes   int     // distinct categories that the gauge can tell apart (ndc)
}

// Split are the variances that a study comes to.
type Split struct{ Equipment, Operators, Parts *big.Rat }

// Split splits a study's variance by the sources of it. The interaction is pooled with the
// equipment, as where it is not significant, or kept, and is the operators' then; a
// negative variance is 0.
func (g Gauge) Split(kept bool) Split {
	v, ops, parts, trials := g.Variance(), len(g), len(g[0]), len(g[0][0])
	equipment, both := over(new(big.Rat).Add(v.Equipment, v.Both), v.Freedom[3]+v.Freedom[2]), new(big.Rat)
	beside := equipment // the mean square that the others are held against
	if kept {
		equipment, beside = over(v.Equipment, v.Freedom[3]), over(v.Both, v.Freedom[2])
		both = component(beside, equipment, trials)
	}
	return Split{equipment, new(big.Rat).Add(both, component(over(v.Operators, v.Freedom[0]), beside, parts*trials)),
		component(over(v.Parts, v.Freedom[1]), beside, ops*trials)}
}

// component is the variance of what a mean square has beside another, n times.
func component(mean, beside *big.Rat, n int) *big.Rat {
	if d := over(minus(mean, beside), n); d.Sign() > 0 {
		return d
	}
	return new(big.Rat)
}

// Components are a study's, with the interaction pooled.
func (g Gauge) Components() Components {
	v := g.Split(false)
	return components(root(v.Equipment), root(v.Operators), root(v.Parts))
}

// ratio is how many times the R&R the parts' spread holds a category: 1.41, as the
// trade writes √2.
const ratio = 1.41

func components(equipment, operators, parts float64) Components {
	c := Components{Equipment: equipment, Operators: operators, Parts: parts}
	c.Gauge = math.Hypot(equipment, operators)
	c.Total = math.Hypot(c.Gauge, parts)
	c.Share = 100 * c.Gauge / c.Total
	c.Classes = max(1, int(ratio*parts/c.Gauge))
	return c
}

func sum(values []*big.Rat) *big.Rat {
	total := new(big.Rat)
	for _, v := range values {
		total.Add(total, v)
	}
	return total
}

func minus(a, b *big.Rat) *big.Rat { return new(big.Rat).Sub(a, b) }
func square(a *big.Rat) *big.Rat   { return new(big.Rat).Mul(a, a) }

func over(a *big.Rat, n int) *big.Rat { return new(big.Rat).Quo(a, big.NewRat(int64(n), 1)) }

// root is the square root of a variance, 0 of one below 0.
func root(v *big.Rat) float64 {
	if v.Sign() <= 0 {
		return 0
	}
	f, _ := new(big.Float).Sqrt(new(big.Float).SetPrec(200).SetRat(v)).Float64()
	return f
}
