// Package random draws pseudorandom numbers from a seed. It is the one place that
// imports golang.org/x/exp/rand. That package is deprecated in favour of math/rand/v2,
// whose generators draw other numbers from the same seed; a scenario's seed promises
// the same bytes on the wire from one release to the next, so the old one stays.
package random

import (
	//lint:ignore SA1019 a seed promises the numbers that this generator draws
	"golang.org/x/exp/rand"
)

// Rand draws numbers from a source of its own.
type Rand = rand.Rand

// Source is a stream of random bits.
type Source = rand.Source

// PCG is the permuted congruential generator (XSL RR 128/64) behind all sources. It is
// a value: copying it copies its state.
type PCG = rand.PCGSource

// NewSource returns the source of a seed.
func NewSource(seed uint64) Source { return rand.NewSource(seed) }

// New draws from the source of a seed.
func New(seed uint64) *Rand { return rand.New(rand.NewSource(seed)) }

// From draws from a source.
func From(src Source) *Rand { return rand.New(src) }
