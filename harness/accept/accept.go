// Package accept says what a line's acceptance test came to: a matrix of gauges and
// cases, each exercised, right or wrong, and what the test could not have shown.
package accept

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/rehearse"
	"example.org/understudy/harness/report"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
)

// State is what a case at a gauge or channel came to.
type State string

// States of a case.
const (
	None         State = ""              // it does not apply
	Right        State = "right"         // exercised, and all that was recorded of it is right
	Wrong        State = "wrong"         // exercised, and something recorded of it is wrong
	NotExercised State = "not exercised" // it applies, and did not happen
)

// Cell is a case at a gauge or channel.
type Cell struct {
	State    State
	Findings int
	Why      string // of one that does not apply, or was not exercised
}

// Row is a gauge, or one of its channels, and what each of its cases came to.
type Row struct {
	Gauge, Channel string
	Cells          []Cell
}

func (r *Row) name() string { return strings.TrimSpace(r.Gauge + " " + r.Channel) }

// Table is rows by cases.
type Table struct {
	Of    string
	Cases []string
	Rows  []Row
}

// Test is what an acceptance test came to.
type Test struct {
	Line, Host string
	Tables     []Table // of channels, and of gauges
	Verdict    judge.Verdict
	Exercised  int // cases
	Applies    int
	Elsewhere  int // findings that belong to no case of a gauge
	Runs       []report.Run
}

// Of puts together what the trials of a line exercised, and what came of them.
func Of(line string, trials []rehearse.Trial, runs []report.Run) *Test {
	t := &Test{Line: line, Host: runs[0].Host, Runs: runs, Verdict: report.Verdict(runs),
		Tables: []Table{{Of: "channel", Cases: generate.ChannelCases}, {Of: "gauge", Cases: generate.GaugeCases}}}
	for i := range trials {
		if i < len(runs) {
			t.add(&trials[i], &runs[i])
		}
	}
	for i := range t.Tables {
		for j := range t.Tables[i].Rows {
			for _, c := range t.Tables[i].Rows[j].Cells {
				if c.State != None {
					t.Applies++
				}
				if c.State == Right || c.State == Wrong {
					t.Exercised++
				}
			}
		}
	}
	if t.Verdict == judge.Pass && t.Exercised < t.Applies {
		t.Verdict = judge.Inconclusive
	}
	return t
}

// cell finds the cell of an exercise.
func (t *Test) cell(e *generate.Exercise) *Cell {
	table := &t.Tables[0]
	if e.Channel == "" {
		table = &t.Tables[1]
	}
	i := slices.IndexFunc(table.Rows, func(r Row) bool { return r.Gauge == e.Gauge && r.Channel == e.Channel })
	if i < 0 {
		i = len(table.Rows)
		table.Rows = append(table.Rows, Row{e.Gauge, e.Channel, make([]Cell, len(table.Cases))})
	}
	return &table.Rows[i].Cells[slices.Index(table.Cases, e.Case)]
}

// add adds what one trial exercised.
func (t *Test) add(trial *rehearse.Trial, run *report.Run) {
	had := happened(run)
	own := make([]bool, len(run.Result.Findings))
	for i := range trial.Exercises {
		e := &trial.Exercises[i]
		c := t.cell(e)
		switch why := had.missing(e); {
		case e.Not != "" && !e.Applies:
			if c.State == None {
				c.Why = e.Not
			}
			continue
		case e.Not != "":
			c.State, c.Why = NotExercised, e.Not
			continue
		case why != "":
			if c.State != Wrong {
				c.State, c.Why = NotExercised, why
			}
		case c.State == None:
			c.State = Right
		}
		for k := range run.Result.Findings {
			f := &run.Result.Findings[k]
			of := f.Gauge == e.Gauge && (f.Channel == e.Channel || f.Channel == "" || e.Channel == "") && f.At >= e.From && f.At <= e.To
			if of {
				own[k] = true
				c.State, c.Why = Wrong, ""
				c.Findings++
			}
		}
	}
	for _, found := range own {
		if !found {
			t.Elsewhere++
		}
	}
}

// events are what a run's ledger says of each gauge.
type events struct {
	why     string // nothing of it counts
	frames  map[string][]*ledger.Entry
	heard   map[string]map[int]bool
	notDone map[string][]*ledger.Entry
}

func happened(run *report.Run) events {
	v := events{frames: map[string][]*ledger.Entry{}, heard: map[string]map[int]bool{}, notDone: map[string][]*ledger.Entry{}}
	if run.NotRun || len(run.Ledger) == 0 || run.Result.Verdict == judge.Skipped {
		v.why = strings.Join(append([]string{"its scenario was not played"}, run.Result.Reasons...), ": ")
		return v
	}
	for i := range run.Ledger {
		e := &run.Ledger[i]
		switch {
		case e.Frame != nil && e.Frame.Cause == ledger.Tag:
			v.frames[e.Gauge] = append(v.frames[e.Gauge], e)
		case e.Out != nil && e.Out.Fate == ledger.Sent:
			if v.heard[e.Gauge] == nil {
				v.heard[e.Gauge] = map[int]bool{}
			}
			for _, id := range e.Out.Frames {
				v.heard[e.Gauge][id] = true
			}
		case e.Cue > 0:
			v.notDone[e.Gauge] = append(v.notDone[e.Gauge], e)
		}
	}
	return v
}

// missing says what an exercise lacks to have happened; empty: nothing.
func (v *events) missing(e *generate.Exercise) string {
	if v.why != "" {
		return v.why
	}
	within := func(at time.Duration) bool { return at >= e.From && at <= e.To }
	for _, n := range v.notDone[e.Gauge] {
		if within(n.T) {
			return n.Note
		}
	}
	near := ""
	for _, f := range v.frames[e.Gauge] {
		if !within(f.T) || !v.heard[e.Gauge][f.Frame.ID] {
			continue
		}
		if e.Reading == nil || f.Frame.Bare {
			return ""
		}
		for i := range f.Frame.Readings {
			r := &f.Frame.Readings[i]
			if r.Channel != e.Channel {
				continue
			}
			u, _ := decimal.ParseUnit(r.Unit)
			if l, ok := decimal.Exactly(r.Shown, u); ok && l == *e.Reading {
				return ""
			}
			near = fmt.Sprintf("it read %s %s", r.Shown, r.Unit)
		}
	}
	if near != "" {
		return near + " where it was to read another value"
	}
	return "no tag of it reached the host"
}
