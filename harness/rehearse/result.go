package rehearse

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"runtime"
	"slices"
	"sync"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/quantity"
)

// Shard is one part of a rehearsal that is spread over machines: K of N.
type Shard struct{ K, N int }

// UnmarshalText reads "2/8".
func (s *Shard) UnmarshalText(b []byte) error {
	var rest string
	n, _ := fmt.Sscanf(string(b)+" .", "%d/%d %s", &s.K, &s.N, &rest)
	if n != 3 || rest != "." || s.K < 1 || s.N < 1 || s.K > s.N || s.N > 100_000 {
		return fmt.Errorf("%q is not a shard; write its number and how many there are, such as 2/8", b)
	}
	return nil
}

// Result is what a rehearsal, or a shard of one, found: shifts by number, and
// the same shifts on the line changed in one way.
type Result struct {
	Version int     `json:"understudy-rehearsal"`
	Line    string  `json:"line"`   // SHA-256 of the line file
	Seed    uint64  `json:"seed"`   // of the line
	Shifts  int     `json:"shifts"` // of the whole rehearsal
	Played  []Entry `json:"played"`
}

// Entry is one shift of a result.
type Entry struct {
	Change string `json:"change,omitempty"` // empty for the line as it is
	Index  int    `json:"index"`
	Shift  Shift  `json:"shift"`
}

// most shifts with which the changes are tried.
const tried = 8

// Rehearse plays a shard of so many shifts, on so many processors (0: all). The
// outcome does not depend on how many.
func (l *Line) Rehearse(ctx context.Context, shifts int, shard Shard, processors int) (*Result, error) {
	sum := sha256.Sum256(l.Text)
	r := &Result{Version: 1, Line: hex.EncodeToString(sum[:]), Seed: l.Seed, Shifts: shifts}
	lines := map[string]*Line{"": l}
	changes := l.changes()
	for _, c := range changes {
		lines[c.name] = c.line
	}
	for i := range shifts {
		if i%shard.N != shard.K-1 {
			continue
		}
		r.Played = append(r.Played, Entry{Index: i})
		for _, c := range changes {
			if i < tried {
				r.Played = append(r.Played, Entry{Change: c.name, Index: i})
			}
		}
	}
	if processors <= 0 {
		processors = runtime.GOMAXPROCS(0)
	}
	work := make(chan *Entry)
	var workers sync.WaitGroup
	for range processors {
		workers.Go(func() {
			for e := range work {
				e.Shift = lines[e.Change].Play(e.Index, e.Change == "")
			}
		})
	}
	for i := range r.Played {
		if ctx.Err() != nil {
			break
		}
		work <- &r.Played[i]
	}
	close(work)
	workers.Wait()
	r.sort()
	return r, ctx.Err()
}

func (r *Result) sort() {
	slices.SortFunc(r.Played, func(a, b Entry) int {
		switch {
		case a.Index != b.Index:
			return a.Index - b.Index
		case a.Change < b.Change:
			return -1
		case a.Change > b.Change:
			return 1
		}
		return 0
	})
}

// Write writes a result as JSON, the same bytes for the same result.
func (r *Result) Write(w io.Writer) error {
	b, err := json.Marshal(r)
	if err == nil {
		_, err = w.Write(append(b, '\n'))
	}
	return err
}

// Read reads what Write wrote.
func Read(file string, src io.Reader) (*Result, error) {
	var r Result
	d := json.NewDecoder(src)
	if err := d.Decode(&r); err != nil {
		return nil, fmt.Errorf("%s: it is not the result of a rehearsal: %w", file, err)
	}
	if r.Version != 1 {
		return nil, fmt.Errorf("%s: it is not a result this program reads", file)
	}
	return &r, nil
}

// Merge puts the shards of a rehearsal of l together. All must be there, once.
func (l *Line) Merge(shards []*Result) (*Result, error) {
	sum := sha256.Sum256(l.Text)
	all := &Result{Version: 1, Line: hex.EncodeToString(sum[:]), Seed: l.Seed}
	for i, s := range shards {
		if s.Line != all.Line {
			return nil, fmt.Errorf("result %d is of another line, or of another state of this line's file", i+1)
		}
		if i > 0 && s.Shifts != all.Shifts {
			return nil, fmt.Errorf("result %d is of a rehearsal of %d shifts, the first of one of %d", i+1, s.Shifts, all.Shifts)
		}
		all.Shifts = s.Shifts
		all.Played = append(all.Played, s.Played...)
	}
	all.sort()
	next := 0
	for i := range all.Played {
		e := &all.Played[i]
		if i > 0 && e.Index == all.Played[i-1].Index && e.Change == all.Played[i-1].Change {
			return nil, fmt.Errorf("shift %d was played by two of the results", e.Index)
		}
		if len(e.Shift.Gauges) != len(l.gauges) {
			return nil, fmt.Errorf("shift %d has %d gauges, the line %d", e.Index, len(e.Shift.Gauges), len(l.gauges))
		}
		if e.Change != "" {
			continue
		}
		if e.Index != next {
			return nil, fmt.Errorf("shift %d of %d is missing", next, all.Shifts)
		}
		next++
	}
	if next != all.Shifts || next == 0 {
		return nil, fmt.Errorf("shift %d of %d is missing", next, all.Shifts)
	}
	return all, nil
}

// change is the line with one thing changed.
type change struct {
	name string
	line *Line
}

// changes are the answers to "what if". Each is a copy of the line.
func (l *Line) changes() (out []change) {
	each := func(name string, do func(g *gauge)) {
		c := *l
		c.gauges = slices.Clone(l.gauges)
		c.radios = slices.Clone(l.radios)
		for i := range c.gauges {
			do(&c.gauges[i])
		}
		out = append(out, change{name, &c})
	}
	for class := link.Class1; class <= link.Class3; class++ {
		each(fmt.Sprintf("all gauges of class %d", class), func(g *gauge) { g.class = class })
	}
	times := func(num, den int64) func(g *gauge) {
		return func(g *gauge) {
			hz := g.rate.Hz.Mul(decimal.New(num, 0)).Quo(decimal.New(den, 0), -6, decimal.HalfEven)
			if hz.Sign() > 0 {
				g.rate = quantity.Rate{Hz: hz}
			}
		}
	}
	each("half the rate", times(1, 2))
	each("double the rate", times(2, 1))
	each("five times the rate", times(5, 1))
	each("no spare gauges", func(g *gauge) { g.spares = 0 })
	each("one spare for each gauge", func(g *gauge) { g.spares = 1 })
	each("fresh cells", func(g *gauge) { g.health = 1 })
	each("tags wait for the link (8)", func(g *gauge) { g.queue = max(g.queue, 8) })
	each("receivers in the middle of their gauges", func(*gauge) {})
	c := out[len(out)-1].line
	for r := range c.radios {
		var x, y, n float64
		for i := range c.gauges {
			if g := &c.gauges[i]; g.radio == r {
				x, y, n = x+g.at[0], y+g.at[1], n+1
			}
		}
		if n > 0 {
			c.radios[r].at = [2]float64{x / n, y / n}
		}
	}
	each("seats given out anew", func(*gauge) {})
	out[len(out)-1].line.reseat()
	each("nothing stands in the way", func(*gauge) {})
	out[len(out)-1].line.Obstacles = nil
	return out
}

// reseat lets gauges change seats, or take free ones, for as long as the weaker
// of the two links gains by it.
func (l *Line) reseat() {
	seats := make([]int, len(l.radios))
	for i := range l.gauges {
		seats[l.gauges[i].radio]++
	}
	margins := make([][]float64, len(l.gauges))
	for i := range margins {
		for r := range l.radios {
			margins[i] = append(margins[i], l.budget(&l.gauges[i], r).Margin())
		}
	}
	margin := func(i, r int) float64 { return margins[i][r] }
	for again := true; again; {
		again = false
		for i := range l.gauges {
			a := &l.gauges[i]
			for r := range l.radios {
				if seats[r] < link.MaxActive && margin(i, r) > margin(i, a.radio) {
					seats[a.radio]--
					seats[r]++
					a.radio, again = r, true
				}
			}
			for j := range i {
				b := &l.gauges[j]
				if math.Min(margin(i, b.radio), margin(j, a.radio)) > math.Min(margin(i, a.radio), margin(j, b.radio)) {
					a.radio, b.radio = b.radio, a.radio
					again = true
				}
			}
		}
	}
}
