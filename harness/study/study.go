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
	N     int
	Mean  *big.Rat
	Range *big.Rat
	S     float64 // standard deviation, with N - 1; NaN of fewer than two values
}

// Of is what values, at least one, come to.
func Of(values []*big.Rat) Series {
	least, most, mean := values[0], values[0], over(sum(values), len(values))
	squares := new(big.Rat)
	for _, v := range values {
		if v.Cmp(least) < 0 {
			least = v
		}
		if v.Cmp(most) > 0 {
			most = v
		}
		squares.Add(squares, square(minus(v, mean)))
	}
	s := Series{N: len(values), Mean: mean, Range: minus(most, least), S: math.NaN()}
	if s.N > 1 {
		s.S = root(over(squares, s.N-1))
	}
	return s
}

// Gauge is a gauge R&R study: readings by operator, part and trial, each part
// measured as often by each operator.
type Gauge [][][]*big.Rat

// Variance is the analysis of variance of a study.
type Variance struct {
	// Sums of squares, and their degrees of freedom.
	Operators, Parts, Both, Equipment, Total *big.Rat
	Freedom                                  [4]int // of the first four
}

// Variance analyses a study of at least two operators, parts and trials.
func (g Gauge) Variance() (v Variance) {
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

// Components are a study's, from its analysis of variance. The interaction is pooled
// with the equipment, as where it is not significant; a negative variance is 0.
func (g Gauge) Components() Components {
	v, ops, parts, trials := g.Variance(), len(g), len(g[0]), len(g[0][0])
	equipment := over(new(big.Rat).Add(v.Equipment, v.Both), v.Freedom[3]+v.Freedom[2])
	of := func(squares *big.Rat, freedom, n int) float64 {
		return root(over(minus(over(squares, freedom), equipment), n))
	}
	return components(root(equipment), of(v.Operators, v.Freedom[0], parts*trials), of(v.Parts, v.Freedom[1], ops*trials))
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
