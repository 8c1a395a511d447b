package rehearse

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"maps"
	"math"
	"runtime"
	"slices"
	"strings"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/shard"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/quantity"
)

// resultVersion is the version of the form of results.
const resultVersion = 3

// Result is what a rehearsal, or a shard of one, found: shifts by number, and
// the same shifts on the line changed in one way. It holds the line itself, so
// that its report needs nothing else.
type Result struct {
	Version int               `json:"understudy-rehearsal"`
	Shard   shard.Shard       `json:"shard"`
	File    string            `json:"file"`   // of the line, as it was named
	Text    string            `json:"line"`   // the file itself
	Texts   map[string]string `json:"texts"`  // of dialects and profiles
	Seed    uint64            `json:"seed"`   // of the line
	Shifts  int               `json:"shifts"` // of the whole rehearsal
	Played  []Entry           `json:"played"`

	name string // in errors
	line *Line
}

// Entry is one shift of a result.
type Entry struct {
	Change string `json:"change,omitempty"` // empty for the line as it is
	Index  int    `json:"index"`
	Shift  Shift  `json:"shift"`
}

// MostShifts is how many shifts a rehearsal plays at most.
const MostShifts = 1_000_000

// tried is with how many shifts the changes are tried.
const tried = 8

// Rehearse plays a shard of so many shifts, on so many processors (0: all). The
// outcome does not depend on how many. When ctx ends, the result is that of the first
// shifts that are done, with the cause; one that is being played is given up.
func (l *Line) Rehearse(ctx context.Context, shifts int, part shard.Shard, processors int) (*Result, error) {
	r := &Result{Version: resultVersion, Shard: part.Of(), File: l.Path, Text: string(l.Text), Texts: l.texts, Seed: l.Seed, Shifts: shifts, line: l}
	lines := map[string]*Line{}
	for _, c := range l.changes() {
		lines[c.name] = c.line
	}
	for i, of := range r.due() {
		r.Played = append(r.Played, Entry{Change: of, Index: i})
	}
	if processors <= 0 {
		processors = runtime.GOMAXPROCS(0)
	}
	type played struct {
		at int // in r.Played
		Shift
	}
	work, results := make(chan int), make(chan played, len(r.Played))
	entries := slices.Clone(r.Played)
	for range min(processors, len(entries)) {
		go func() {
			for at := range work {
				e := &entries[at]
				results <- played{at, lines[e.Change].Play(e.Index, e.Change == "")}
			}
		}()
	}
	defer close(work)
	done := make([]bool, len(r.Played))
	for given, left := 0, len(r.Played); left > 0; {
		hand := work
		if given == len(r.Played) {
			hand = nil
		}
		select {
		case hand <- given:
			given++
		case p := <-results:
			r.Played[p.at].Shift, done[p.at] = p.Shift, true
			left--
			budget.Tell(ctx, "%d of %d shifts", len(r.Played)-left, len(r.Played))
		case <-ctx.Done():
			r.keep(done)
			return r, context.Cause(ctx)
		}
	}
	return r, nil
}

// due are the shifts of the shard in order: each as the line is, and the first few on
// each line that is changed.
func (r *Result) due() iter.Seq2[int, string] {
	changes := r.line.changes()
	slices.SortFunc(changes, func(a, b change) int { return strings.Compare(a.name, b.name) })
	return func(yield func(int, string) bool) {
		for i := range r.Shifts {
			for _, c := range changes {
				if r.Shard.Mine(i) && (c.name == "" || i < tried) && !yield(i, c.name) {
					return
				}
			}
		}
	}
}

// keep makes the result that of the first shifts alone, as far as all of them is done.
func (r *Result) keep(done []bool) {
	n := slices.Index(done, false)
	if n < 0 {
		n = len(done)
	}
	if n < len(done) {
		r.Shifts = r.Played[n].Index
	}
	r.Played = slices.DeleteFunc(r.Played, func(e Entry) bool { return e.Index >= r.Shifts })
}

// Write writes a result as JSON, the same bytes for the same result.
func (r *Result) Write(w io.Writer) error {
	b, err := json.Marshal(r)
	if err == nil {
		_, err = w.Write(append(b, '\n'))
	}
	return err
}

// Read reads what Write wrote, and its line. The name stands in errors.
func Read(name string, src io.Reader) (*Result, error) {
	r := &Result{name: name}
	d := json.NewDecoder(src)
	if err := d.Decode(r); err != nil {
		return nil, fmt.Errorf("%s is not the result of a rehearsal: %w", name, err)
	}
	if r.Version != resultVersion {
		return nil, fmt.Errorf("%s is of version %d of the results; this program reads version %d: rehearse again", name, r.Version, resultVersion)
	}
	if r.Shifts < 1 || r.Shifts > MostShifts || r.Shard.N < 1 {
		return nil, fmt.Errorf("%s is not the result of a rehearsal: it has %d shifts", name, r.Shifts)
	}
	l, err := Parse(r.File, []byte(r.Text), (&Line{texts: r.Texts}).source)
	if err != nil {
		return nil, fmt.Errorf("%s: its line: %w", name, err)
	}
	r.line = l
	if l.Seed != r.Seed {
		return nil, fmt.Errorf("%s: its seed %d is not that of its line, %d", name, r.Seed, l.Seed)
	}
	return r, r.whole()
}

// whole checks that all shifts of the shard are there, once, in order, each
// with all gauges and ports.
func (r *Result) whole() error {
	at := 0
	for i, c := range r.due() {
		if at >= len(r.Played) || r.Played[at].Index != i || r.Played[at].Change != c {
			return fmt.Errorf("%s is not whole: shift %d %s is missing or out of order", r.name, i, c)
		}
		if err := r.line.fits(&r.Played[at].Shift, c == ""); err != nil {
			return fmt.Errorf("%s is damaged: shift %d %s: %w", r.name, i, c, err)
		}
		at++
	}
	if at != len(r.Played) {
		return fmt.Errorf("%s holds %d shifts too many", r.name, len(r.Played)-at)
	}
	return nil
}

// fits checks that a shift is one of this line.
func (l *Line) fits(s *Shift, charted bool) error {
	ports, notes := 0, 0
	if charted {
		ports, notes = len(l.ports), points+1
	}
	if len(s.Gauges) != len(l.gauges) || len(s.Ports) != ports {
		return fmt.Errorf("it has %d gauges and %d ports, the line %d and %d", len(s.Gauges), len(s.Ports), len(l.gauges), ports)
	}
	for i := range s.Gauges {
		g := &s.Gauges[i]
		if len(g.Judged) != len(l.gauges[i].channels) {
			return fmt.Errorf("%s has %d channels, not %d", l.gauges[i].name, len(g.Judged), len(l.gauges[i].channels))
		}
		if len(g.Cell) != notes {
			return fmt.Errorf("%s has %d notes of its cell, not %d", l.gauges[i].name, len(g.Cell), notes)
		}
		for _, p := range []*Spans{&g.Late, &g.Stalls, &g.Away, &g.Gone, &g.Flat} {
			if err := p.check(); err != nil {
				return fmt.Errorf("%s: %w", l.gauges[i].name, err)
			}
		}
	}
	for i := range s.Ports {
		if err := s.Ports[i].Wait.check(); err != nil {
			return fmt.Errorf("port %s: %w", l.ports[i].name, err)
		}
	}
	return s.Host.Wait.check()
}

// Line is the line that was rehearsed.
func (r *Result) Line() *Line { return r.line }

// Merge puts all shards of a rehearsal together, each once, in whatever order.
// What it gives is what one rehearsal gives, to the last digit.
func Merge(parts []*Result) (*Result, error) {
	var named []shard.Named
	for _, p := range parts {
		first := parts[0]
		switch {
		case p.Seed != first.Seed:
			return nil, fmt.Errorf("%s is of a line with seed %d, %s of one with seed %d: take the shards of one line", p.name, p.Seed, first.name, first.Seed)
		case p.Text != first.Text:
			return nil, fmt.Errorf("%s is of the line %s, %s of another line, or of another state of it, %s: take the shards of one line", p.name, p.File, first.name, first.File)
		case !maps.Equal(p.Texts, first.Texts):
			return nil, fmt.Errorf("%s and %s are of the same line, but its dialects or profiles have changed between them: rehearse again", first.name, p.name)
		case p.Shifts != first.Shifts:
			return nil, fmt.Errorf("%s is of a rehearsal of %d shifts, %s of one of %d: play all shards with the same --shifts", p.name, p.Shifts, first.name, first.Shifts)
		}
		named = append(named, shard.Named{Name: p.name, Shard: p.Shard})
	}
	if err := shard.Whole(named); err != nil {
		return nil, err
	}
	all := *parts[0]
	all.Shard, all.Played = shard.Shard{K: 1, N: 1}, nil
	for _, p := range parts {
		all.Played = append(all.Played, p.Played...)
	}
	slices.SortFunc(all.Played, func(a, b Entry) int {
		return cmp.Or(a.Index-b.Index, strings.Compare(a.Change, b.Change))
	})
	return &all, nil
}

// change is the line with one thing changed; without a name the line as it is.
type change struct {
	name string
	line *Line
}

// changes are the line and the answers to "what if", each a copy of the line.
func (l *Line) changes() []change {
	out := []change{{"", l}}
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
	each("places given out anew", func(*gauge) {})
	again := out[len(out)-1].line
	again.reseat()
	for i := range l.Receivers {
		if l.Receivers[i].SerialLine != nil {
			again.ports = nil // gauges that come from such a receiver have no port that is known
		}
	}
	each("nothing stands in the way", func(*gauge) {})
	out[len(out)-1].line.Obstacles = nil
	return out
}

// reseat lets gauges change seats, or take free ones, for as long as the weaker
// of the two links gains by it.
func (l *Line) reseat() {
	seats := make([]int, len(l.radios))
	for i := range l.gauges {
		if r := l.gauges[i].radio; r >= 0 {
			seats[r]++
		}
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
			if a.wired {
				continue
			}
			for r := range l.radios {
				if seats[r] < l.radios[r].seats && margin(i, r) > margin(i, a.radio) {
					seats[a.radio]--
					seats[r]++
					a.radio, again = r, true
				}
			}
			for j := range i {
				b := &l.gauges[j]
				if !b.wired && math.Min(margin(i, b.radio), margin(j, a.radio)) > math.Min(margin(i, a.radio), margin(j, b.radio)) {
					a.radio, b.radio = b.radio, a.radio
					again = true
				}
			}
		}
	}
}
