package explore

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"

	"example.org/understudy/harness/shard"
	"example.org/understudy/scenario/generate/cover"
)

// Results are the results of an exploration, or of a shard of one.
type Results struct {
	name  string
	start line
	lines []line // runs, each followed by what it found, in order
	end   *line  // nil: they were cut off
}

// Read reads results as Explore wrote them. Those that were cut off are read as
// far as they go. The name stands in errors.
func Read(name string, src io.Reader) (*Results, error) {
	r := &Results{name: name}
	in := bufio.NewReader(src)
	for k := 1; ; k++ {
		text, err := in.ReadBytes('\n')
		if err != nil {
			if !errors.Is(err, io.EOF) {
				return nil, fmt.Errorf("%s: %w", name, err)
			}
			if r.start.Kind == "" {
				return nil, fmt.Errorf("%s is not the results of an exploration: it has no whole line", name)
			}
			return r, nil // what is left is part of a line that was cut off
		}
		var l line
		if err := json.Unmarshal(text, &l); err != nil {
			return nil, fmt.Errorf("%s:%d: %w", name, k, err)
		}
		switch {
		case k == 1 && l.Kind == "start" && l.Version != Version:
			return nil, fmt.Errorf("%s is of version %d of the results; this program reads version %d: explore again", name, l.Version, Version)
		case k == 1 && (l.Kind != "start" || l.Shard == nil || l.Shard.N < 1 || l.Strength < 1 || l.Strength > 3):
			return nil, fmt.Errorf("%s does not start as the results of an exploration do", name)
		case k == 1:
			r.start = l
		case r.end != nil:
			return nil, fmt.Errorf("%s:%d: there is something behind the end", name, k)
		case l.Kind == "end":
			r.end = &l
		case l.Kind == "run" && l.Run > 0 && r.start.Shard.Mine(l.Run-1) && l.Run > r.last():
			r.lines = append(r.lines, l)
		case l.Kind == "found" && l.Run > 0 && l.Run == r.last():
			r.lines = append(r.lines, l)
		default:
			return nil, fmt.Errorf("%s:%d: no %q of run %d of shard %v belongs here", name, k, l.Kind, l.Run, r.start.Shard)
		}
	}
}

// last is the run of the last line.
func (r *Results) last() int {
	if len(r.lines) == 0 {
		return 0
	}
	return r.lines[len(r.lines)-1].Run
}

// Told is what results come to.
type Told struct {
	Host       string
	Seed       uint64
	Strength   int
	Runs       int
	Verdicts   map[string]int
	Why        []string // of runs without a verdict, each once
	Tuples     int      // combinations that were run, of Of
	Of         int
	Open       []string // combinations that were not run
	Found      []FoundBefore
	Stopped    bool                 // before the work was done
	Impossible []ImpossibleTogether // combinations no scenario can have
}

// FoundBefore is a cause that results tell of.
type FoundBefore struct {
	Cause, Code, Scenario string
	Run, Cues, Gauges     int
}

// ImpossibleTogether is a combination of levels that no scenario can have.
type ImpossibleTogether struct {
	Tuple string
	Why   []string
}

// Merge puts all shards of an exploration together, each once, in whatever
// order. What it gives is what one exploration of all the scenarios gives: of a
// cause that several shards found, what the first scenario found stays.
func Merge(parts []*Results) (*Results, error) {
	var named []shard.Named
	for _, p := range parts {
		a, b := &parts[0].start, &p.start
		differ := func(what string, mine, others any) error {
			return fmt.Errorf("%s is of an exploration with %s %v, %s of one with %v: take the shards of one exploration", p.name, what, mine, parts[0].name, others)
		}
		switch {
		case b.Seed != a.Seed:
			return nil, differ("seed", b.Seed, a.Seed)
		case b.Strength != a.Strength:
			return nil, differ("strength", b.Strength, a.Strength)
		case fmt.Sprint(b.Only) != fmt.Sprint(a.Only):
			return nil, differ("levels", b.Only, a.Only)
		case b.Host != a.Host:
			return nil, differ("the host", b.Host, a.Host)
		case b.Possible != a.Possible:
			return nil, fmt.Errorf("%s and %s were explored by different states of this program: explore again", p.name, parts[0].name)
		}
		named = append(named, shard.Named{Name: p.name, Shard: *b.Shard})
	}
	if err := shard.Whole(named); err != nil {
		return nil, err
	}
	all := &Results{name: parts[0].name, start: parts[0].start, end: &line{Kind: "end"}}
	all.start.Shard = &shard.Shard{K: 1, N: 1}
	for _, p := range parts {
		all.lines = append(all.lines, p.lines...)
		if p.end == nil || p.end.Stopped {
			all.end.Stopped = true
		}
		if p.end != nil {
			all.end.TookMS += p.end.TookMS
		}
	}
	slices.SortStableFunc(all.lines, func(a, b line) int { return a.Run - b.Run })
	known := map[string]bool{}
	all.lines = slices.DeleteFunc(all.lines, func(l line) bool {
		twice := l.Kind == "found" && known[l.Cause]
		known[l.Cause] = known[l.Cause] || l.Kind == "found"
		return twice
	})
	told, err := all.Tell()
	if err != nil {
		return nil, err
	}
	all.end.Runs, all.end.Tuples = told.Runs, told.Tuples
	return all, nil
}

// Write writes results as Explore does.
func (r *Results) Write(w io.Writer) error {
	lines := append([]line{r.start}, r.lines...)
	if r.end != nil {
		lines = append(lines, *r.end)
	}
	for _, l := range lines {
		b, err := json.Marshal(l)
		if err == nil {
			_, err = w.Write(append(b, '\n'))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// Whole says whether the work was done to its end.
func (r *Results) Whole() bool { return r.end != nil && !r.end.Stopped }

// Tell counts what results come to.
func (r *Results) Tell() (*Told, error) {
	array, err := arrayOf(r.start.Strength, r.start.Seed, r.start.Only)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", r.name, err)
	}
	if array.Possible != r.start.Possible {
		return nil, fmt.Errorf("%s was explored by another state of this program, which has other combinations: explore again", r.name)
	}
	ran := array.Coverage()
	t := &Told{Host: r.start.Host, Seed: r.start.Seed, Strength: r.start.Strength, Of: array.Possible, Verdicts: map[string]int{}, Stopped: !r.Whole()}
	for _, im := range r.start.Impossible {
		t.Impossible = append(t.Impossible, ImpossibleTogether(im))
	}
	for _, l := range r.lines {
		if l.Kind == "found" {
			t.Found = append(t.Found, FoundBefore{l.Cause, l.Code, l.Scenario, l.Run, l.Cues, l.Gauges})
			continue
		}
		t.Runs++
		t.Verdicts[l.Verdict]++
		if row, ok := rowOf(&array.Plan, l.Levels); ok {
			ran.Add(row)
		}
		if slices.Contains([]string{"pass", "fail", "skipped"}, l.Verdict) {
			continue
		}
		for _, why := range l.Reasons {
			if !slices.Contains(t.Why, why) {
				t.Why = append(t.Why, why)
			}
		}
	}
	t.Tuples, t.Open = ran.Run(), ran.Open()
	return t, nil
}

// rowOf is the row with these levels.
func rowOf(p *cover.Plan, levels map[string]string) (row []int, ok bool) {
	for _, f := range p.Factors {
		l := slices.Index(f.Levels, levels[f.Name])
		if l < 0 {
			return nil, false
		}
		row = append(row, l)
	}
	return row, true
}
