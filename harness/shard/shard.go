// Package shard names the parts of a work that is spread over machines, and
// says what is wrong with a set of parts that do not make the whole.
package shard

import (
	"fmt"
	"strings"
)

// Shard is part K of N of a work, K from 1. The zero Shard is the whole, 1/1.
type Shard struct{ K, N int }

// Most is how many parts a work may have.
const Most = 100_000

// Of is the shard with the whole written as 1/1.
func (s Shard) Of() Shard {
	if s == (Shard{}) {
		return Shard{1, 1}
	}
	return s
}

// Mine says whether the i-th piece of the work, from 0, is this shard's.
func (s Shard) Mine(i int) bool { s = s.Of(); return i%s.N == s.K-1 }

func (s Shard) String() string { s = s.Of(); return fmt.Sprintf("%d/%d", s.K, s.N) }

// MarshalText writes it as 2/8.
func (s Shard) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads "2/8".
func (s *Shard) UnmarshalText(b []byte) error {
	var to Shard
	var rest string
	n, _ := fmt.Sscanf(string(b)+" .", "%d/%d %s", &to.K, &to.N, &rest)
	if n != 3 || rest != "." || to.K < 1 || to.K > to.N || to.N > Most {
		return fmt.Errorf("%q is not a shard; write its number and how many there are, such as 2/8", b)
	}
	*s = to
	return nil
}

// Named is a shard and what its results are called.
type Named struct {
	Name string
	Shard
}

// Whole checks that parts are all the shards of one work, each once, in
// whatever order.
func Whole(parts []Named) error {
	if len(parts) == 0 {
		return fmt.Errorf("there are no results")
	}
	first := parts[0]
	n := first.Of().N
	by := map[int]string{}
	for _, p := range parts {
		s := p.Of()
		if s.N != n {
			return fmt.Errorf("%s is shard %v, but %s is shard %v: take the shards of one work, all of %d or all of %d", p.Name, s, first.Name, first.Of(), n, s.N)
		}
		if other, ok := by[s.K]; ok {
			return fmt.Errorf("%s and %s are both shard %v: leave one of them out", other, p.Name, s)
		}
		by[s.K] = p.Name
	}
	if len(by) == n {
		return nil
	}
	var missing, make []string
	for k := 1; k <= n; k++ {
		if by[k] != "" {
			continue
		}
		missing = append(missing, Shard{k, n}.String())
		if len(make) < 3 {
			make = append(make, "--shard "+Shard{k, n}.String())
		}
	}
	tail := ""
	if len(missing) > 10 {
		missing, tail = missing[:10], fmt.Sprintf(" and %d more", n-len(by)-10)
	}
	if n-len(by) > len(make) {
		make = append(make, "...")
	}
	return fmt.Errorf("of %d shards these are not there: %s%s; make them with %s and give all of them", n, strings.Join(missing, ", "), tail, strings.Join(make, ", "))
}
