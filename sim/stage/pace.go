package stage

import (
	"fmt"
	"math"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
)

// Pace says how fast the timeline runs.
type Pace struct {
	kind  paceKind
	times decimal.Decimal // of Timed: how many times as fast as real
	whole int64           // the same, where it is a whole number
}

type paceKind uint8

const (
	paper paceKind = iota
	drain
	timed
)

// Paces.
var (
	// Paper runs as fast as it can, without ports.
	Paper = Pace{}
	// Drain runs as fast as the far side can follow: the timeline passes an instant only
	// when every host has done what it can do with what it has been given.
	Drain = Pace{kind: drain}
	// Real runs in real time.
	Real = Pace{timed, decimal.New(1, 0), 1}
)

// UnmarshalText reads real, drain, or a speed factor such as 10x.
func (p *Pace) UnmarshalText(b []byte) error {
	switch s := string(b); s {
	case "real":
		*p = Real
	case "drain":
		*p = Drain
	default:
		n, err := decimal.Parse(strings.TrimRight(s, "x×"))
		if err != nil || n.Sign() <= 0 || n.Cmp(decimal.New(100_000, 0)) > 0 || !strings.ContainsAny(s, "x×") {
			return fmt.Errorf("%q is not a pace; write real, drain (as fast as the host reads) or a speed factor such as 10x", s)
		}
		*p = Pace{kind: timed, times: n}
		if whole, ok := n.Int64(); ok {
			p.whole = whole
		}
	}
	return nil
}

// Times is how many times as fast as real time a timed pace runs; 0 of any other.
func (p Pace) Times() float64 {
	if p.kind != timed {
		return 0
	}
	return p.times.Float64()
}

func (p Pace) String() string {
	switch {
	case p.kind == paper:
		return "paper"
	case p.kind == drain:
		return "drain"
	case p == Real:
		return "real"
	}
	return p.times.String() + "x"
}

// MarshalText writes it.
func (p Pace) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// Timed reports whether the timeline follows a clock, so that a host's own
// clock can be compared with it.
func (p Pace) Timed() bool { return p.kind == timed }

// wall is how long a stretch of the timeline takes in real time.
func (p Pace) wall(d time.Duration) time.Duration {
	if p == Real {
		return d
	}
	if p.whole > 0 && d >= 0 {
		return d/time.Duration(p.whole) + d%time.Duration(p.whole)*2/time.Duration(p.whole)
	}
	n, _ := decimal.New(int64(d), 0).Quo(p.times, 0, decimal.HalfUp).Int64()
	return time.Duration(n)
}

// Virtual is the stretch of the timeline that passes in a real time.
func (p Pace) Virtual(d time.Duration) time.Duration {
	if p == Real {
		return d
	}
	if w := time.Duration(p.whole); w > 0 && d >= 0 && d < math.MaxInt64/w {
		return d * w
	}
	n, _ := decimal.New(int64(d), 0).Mul(p.times).Quantize(0, decimal.Truncate).Int64()
	return time.Duration(n)
}
