// Package diagnosis finds one name for what is wrong with a host over all of its runs: a
// host has one mistake as a rule, and what one run leaves open another decides. It is
// pure: it asks the runs that it is given and looks at nothing else.
package diagnosis

import (
	"cmp"
	"slices"

	"example.org/understudy/harness/judge"
)

// Run is a judged run of a host.
type Run struct {
	Name     string
	Dialects []string // of its gauges
	First    []string // what the run by itself is put down to: names of causes, or sentences
	Evidence
}

// Evidence is what a run says of explanations.
type Evidence interface {
	Findings() int
	Candidates() []judge.Candidate        // those that fit the run
	Weigh(e judge.Candidate) judge.Weight // what it says of any
}

// Diagnosis is what explains the findings of all runs.
type Diagnosis struct {
	Named    []Name            // the fewest that explain all and that no run contradicts
	Or       []judge.Candidate // others in the place of the one that is named, the plainest first
	Dialect  string            // the mistake shows with this dialect only
	Failing  int               // runs with findings
	Passing  int               // and without
	Findings int
	// Alone is what explains single runs only, where nothing is named.
	Alone []Alone

	fit map[string]bool // names of all that could stand in its place
}

// Name is a mistake, and what it explains.
type Name struct {
	judge.Candidate
	Findings, Runs int
}

// Alone is what some runs are put down to by themselves.
type Alone struct {
	judge.Candidate
	Runs    int    // that it explains
	Against string // a run that contradicts it; empty: it leaves findings of others
}

// Bounds of what is told.
const (
	mostOthers = 3
	nearly     = 3.0 // bits within which another candidate is told too
	slackBits  = 1.0 // for each thing that a candidate leaves to chance
	mostSlack  = 4
)

// A mistake that loses the last rows may leave all of them there by chance. It is named if
// it lost some at more than so many ends for each such end at which it lost none.
const lostToKept = 3

// What a candidate may leave to chance, as in a single run.
const (
	mostChance = 0.05
	leastGone  = 6
)

// weighed is a candidate that no run contradicts.
type weighed struct {
	judge.Candidate
	first    int // runs that are put down to it by themselves
	cost     float64
	explains [][]int // by run
	findings int
	runs     int
}

// Of makes the diagnosis of runs of one host.
func Of(runs []Run) Diagnosis {
	d := of(runs)
	if d.Failing == 0 || len(d.Named) == 1 {
		return d
	}
	// What the host does wrong in reading one dialect the others say nothing of.
	for _, dialect := range common(runs) {
		some := slices.DeleteFunc(slices.Clone(runs), func(r Run) bool { return !slices.Contains(r.Dialects, dialect) })
		if len(some) == len(runs) {
			continue
		}
		if one := of(some); len(one.Named) == 1 {
			one.Dialect, one.Passing = dialect, d.Passing
			return one
		}
	}
	if len(d.Named) == 0 {
		d.Alone = alone(runs)
	}
	return d
}

func of(runs []Run) (d Diagnosis) {
	for _, r := range runs {
		if n := r.Findings(); n > 0 {
			d.Failing++
			d.Findings += n
		} else {
			d.Passing++
		}
	}
	all := candidates(runs)
	one := slices.DeleteFunc(slices.Clone(all), func(w weighed) bool { return w.findings < d.Findings })
	if len(one) > 0 {
		d.Named, d.fit = []Name{one[0].name()}, map[string]bool{}
		for _, w := range one {
			d.fit[w.Title()] = true
			if w.Title() != one[0].Title() && len(d.Or) < mostOthers && w.cost-one[0].cost <= nearly {
				d.Or = append(d.Or, w.Candidate)
			}
		}
		return d
	}
	var best [2]*weighed
	for a := range all {
		for b := a + 1; b < len(all) && (best[0] == nil || all[a].cost+all[b].cost < best[0].cost+best[1].cost); b++ {
			if all[a].findings+all[b].findings >= d.Findings && together(&all[a], &all[b]) == d.Findings {
				best = [2]*weighed{&all[a], &all[b]}
			}
		}
	}
	if best[0] != nil {
		d.Named = []Name{best[0].name(), best[1].name()}
		slices.SortStableFunc(d.Named, func(a, b Name) int { return cmp.Compare(b.Findings, a.Findings) })
	}
	return d
}

// Fits reports whether a cause or a sentence explains all that the one that is named does.
func (d *Diagnosis) Fits(title string) bool { return d.fit[title] }

func (w *weighed) name() Name { return Name{w.Candidate, w.findings, w.runs} }

// together is how many findings either of two explains.
func together(a, b *weighed) (n int) {
	for r := range a.explains {
		n += len(a.explains[r])
		for _, k := range b.explains[r] {
			if _, ok := slices.BinarySearch(a.explains[r], k); !ok {
				n++
			}
		}
	}
	return n
}

// common are the dialects that all runs with findings have.
func common(runs []Run) (out []string) {
	begun := false
	for _, r := range runs {
		switch {
		case r.Findings() == 0:
		case !begun:
			out, begun = slices.Clone(r.Dialects), true
		default:
			out = slices.DeleteFunc(out, func(d string) bool { return !slices.Contains(r.Dialects, d) })
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// candidates are those of all runs that no run contradicts: first those that runs are put
// down to by themselves, then the plainest.
func candidates(runs []Run) (out []weighed) {
	known := map[string]bool{}
	for _, r := range runs {
		for _, e := range r.Candidates() {
			if known[e.Key] {
				continue
			}
			known[e.Key] = true
			if w, ok := weigh(runs, e); ok {
				out = append(out, w)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b weighed) int {
		return cmp.Or(cmp.Compare(b.first, a.first), cmp.Compare(a.cost, b.cost))
	})
	return out
}

// weigh asks all runs about a candidate; ok is false where one contradicts it, or where
// what it leaves to chance came so in too few cases.
func weigh(runs []Run, e judge.Candidate) (w weighed, ok bool) {
	w = weighed{Candidate: e, cost: e.Bits}
	gone, may, chance, slack := 0, 0, 1.0, 0
	lost, kept := map[judge.End]int{}, map[judge.End]int{}
	for _, r := range runs {
		one := r.Weigh(e)
		if one.Against {
			return w, false
		}
		w.explains = append(w.explains, one.Explains)
		if n := len(one.Explains); n > 0 {
			w.runs++
			w.findings += n
			if n == r.Findings() && len(r.First) == 1 && r.First[0] == e.Title() {
				w.first++
			}
		}
		slack += one.Slack
		gone, may = gone+one.Gone, may+one.May
		for range one.Gone {
			chance *= float64(one.May) / float64(one.Expected+one.May)
		}
		if one.Lost {
			lost[one.End]++
		} else {
			kept[one.End]++
		}
	}
	w.cost += slackBits * float64(min(slack, mostSlack))
	for end, n := range lost {
		if end != judge.AnyEnd && lostToKept*kept[end] >= n {
			return w, false
		}
	}
	return w, gone == 0 || gone >= may || chance <= mostChance && leastGone*gone >= may
}

// alone are what the runs are put down to by themselves, and what is against each.
func alone(runs []Run) (out []Alone) {
	at := map[string]int{}
	for _, r := range runs {
		if len(r.First) != 1 {
			continue
		}
		if n, ok := at[r.First[0]]; ok {
			out[n].Runs++
			continue
		}
		for _, e := range r.Candidates() {
			if e.Title() != r.First[0] {
				continue
			}
			a := Alone{Candidate: e, Runs: 1}
			for _, o := range runs {
				if a.Against == "" && o.Weigh(e).Against {
					a.Against = o.Name
				}
			}
			at[r.First[0]] = len(out)
			out = append(out, a)
			break
		}
	}
	return out
}
