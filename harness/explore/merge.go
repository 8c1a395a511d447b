package explore

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"

	"example.org/understudy/scenario/generate"
	"example.org/understudy/scenario/generate/cover"
)

// Merged is what several shards of an exploration came to together.
type Merged struct {
	Runs     int
	Verdicts map[string]int
	Tuples   int // combinations run by any shard, of Of
	Of       int
	Open     []string // combinations no shard ran
	Missing  []int    // shards whose results are not there or not whole
	Found    []MergedCause
}

// MergedCause is a cause with the smallest scenario any shard has for it.
type MergedCause struct {
	Cause, Code, Scenario string
	Cues, Gauges          int
	Shards                int // that found it
}

// Merge reads the results of the shards of one exploration.
func Merge(results ...io.Reader) (*Merged, error) {
	m := &Merged{Verdicts: map[string]int{}}
	var first line
	var array *cover.Array
	var ran *cover.Coverage
	whole := map[int]bool{}
	causes := map[string]*MergedCause{}
	for n, r := range results {
		sc := bufio.NewScanner(r)
		sc.Buffer(nil, 16<<20)
		var start line
		for k := 1; sc.Scan(); k++ {
			var l line
			if err := json.Unmarshal(sc.Bytes(), &l); err != nil {
				return nil, fmt.Errorf("results %d, line %d: %w", n+1, k, err)
			}
			switch {
			case k == 1 && (l.Kind != "start" || l.Version != Version):
				return nil, fmt.Errorf("results %d do not start as results of this program do", n+1)
			case l.Kind == "start":
				start = l
				if first.Kind == "" {
					first = l
					var err error
					if array, err = cover.Make(generate.Plan(l.Strength, l.Seed)); err != nil {
						return nil, err
					}
					ran, m.Of = array.Coverage(), array.Possible
				}
				if l.Seed != first.Seed || l.Strength != first.Strength || l.Shards != first.Shards || l.Possible != array.Possible {
					return nil, fmt.Errorf("results %d are of another exploration: seed, strength or number of shards differ", n+1)
				}
			case l.Kind == "run":
				m.Runs++
				m.Verdicts[l.Verdict]++
				if row, ok := rowOf(&array.Plan, l.Levels); ok {
					ran.Add(row)
				}
			case l.Kind == "found":
				c := causes[l.Cause]
				if c == nil {
					c = &MergedCause{Cause: l.Cause, Code: l.Code, Cues: l.Cues + 1}
					causes[l.Cause] = c
				}
				c.Shards++
				if c.Scenario == "" || l.Gauges < c.Gauges || l.Gauges == c.Gauges && l.Cues < c.Cues {
					c.Scenario, c.Cues, c.Gauges = l.Scenario, l.Cues, l.Gauges
				}
			case l.Kind == "end":
				whole[start.Shard] = !l.Stopped
			}
		}
		if err := sc.Err(); err != nil {
			return nil, fmt.Errorf("results %d: %w", n+1, err)
		}
	}
	if array == nil {
		return nil, errors.New("there are no results")
	}
	for s := 1; s <= first.Shards; s++ {
		if !whole[s] {
			m.Missing = append(m.Missing, s)
		}
	}
	m.Tuples, m.Open = ran.Run(), ran.Open()
	for _, name := range slices.Sorted(maps.Keys(causes)) {
		m.Found = append(m.Found, *causes[name])
	}
	return m, nil
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
