// Package accept says what a line's acceptance test came to: a matrix of gauges and
// cases, each exercised, right or wrong, and what the test could not have shown.
package accept

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/rehearse"
	"example.org/understudy/harness/report"
	"example.org/understudy/harness/show"
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
	t.Exercised = t.count(Right) + t.count(Wrong)
	t.Applies = t.Exercised + t.count(NotExercised)
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

//go:embed page.tmpl
var pageText string

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{
	"mark":  func(s State) string { return marks[s] },
	"style": func() template.CSS { return template.CSS(show.Sheet) },
	"upper": strings.ToUpper,
	"inc":   func(i int) int { return i + 1 },
}).Parse(pageText))

// marks stand for states, so that neither colour nor place alone carries them.
var marks = map[State]string{None: "·", Right: "✓", Wrong: "✕", NotExercised: "?"}

// Sentence says in a sentence what the test came to: never a verdict without what it covers.
func (t *Test) Sentence() string {
	covered := fmt.Sprintf("%d of the %d cases that apply were exercised", t.Exercised, t.Applies)
	switch {
	case t.Verdict == judge.Pass:
		return fmt.Sprintf("PASS: %s, and all that the host recorded of them is right; %s.", covered, t.unshown())
	case t.Verdict == judge.Fail:
		return fmt.Sprintf("FAIL: %s, %d of them wrong; %s.", covered, t.count(Wrong), t.unshown())
	}
	return fmt.Sprintf("%s: %s; %s.", strings.ToUpper(t.Verdict.String()), covered, t.unshown())
}

// unshown says how many mistakes the test could not have shown.
func (t *Test) unshown() string {
	if line := report.CoverageLine(t.Runs); line != "" {
		return line
	}
	return "which mistakes the test could have shown is not known"
}

func (t *Test) count(s State) (n int) {
	for _, table := range t.Tables {
		for _, row := range table.Rows {
			for _, c := range row.Cells {
				if c.State == s {
					n++
				}
			}
		}
	}
	return n
}

// Reason is why cases do not apply or were not exercised, and where.
type Reason struct {
	Case, Why string
	Where     []string
}

// Reasons gathers the cases in a state by case and reason.
func (t *Test) Reasons(state State) (out []*Reason) {
	by := map[[2]string]*Reason{}
	for i := range t.Tables {
		for k, name := range t.Tables[i].Cases {
			for j := range t.Tables[i].Rows {
				row := &t.Tables[i].Rows[j]
				c := row.Cells[k]
				if c.State != state || c.Why == "" {
					continue
				}
				key := [2]string{name, c.Why}
				if by[key] == nil {
					by[key] = &Reason{Case: name, Why: c.Why}
					out = append(out, by[key])
				}
				by[key].Where = append(by[key].Where, row.name())
			}
		}
	}
	return out
}

// Text writes the matrix as plain text.
func (t *Test) Text(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "\nAcceptance test of %s\n%s\n", t.Line, t.Sentence())
	fmt.Fprintf(&b, "%s right, %s wrong, %s not exercised, %s not applicable\n", marks[Right], marks[Wrong], marks[NotExercised], marks[None])
	for i := range t.Tables {
		table := &t.Tables[i]
		wide := 0
		for j := range table.Rows {
			wide = max(wide, len(table.Rows[j].name()))
		}
		b.WriteByte('\n')
		for k, c := range table.Cases {
			fmt.Fprintf(&b, "%*s %s┌ %s\n", wide, "", strings.Repeat("│ ", k), c)
		}
		for j := range table.Rows {
			fmt.Fprintf(&b, "%-*s ", wide, table.Rows[j].name())
			for _, c := range table.Rows[j].Cells {
				b.WriteString(marks[c.State] + " ")
			}
			b.WriteByte('\n')
		}
	}
	for _, r := range t.Reasons(NotExercised) {
		fmt.Fprintf(&b, "not exercised: %s at %s: %s\n", r.Case, strings.Join(r.Where, ", "), r.Why)
	}
	if t.Elsewhere > 0 {
		fmt.Fprintf(&b, "findings that belong to no case of a gauge: %d\n", t.Elsewhere)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// HTML writes the protocol as one page that stands alone.
func (t *Test) HTML(w io.Writer) error {
	page := struct {
		*Test
		Unshown               []cause.Cause
		Missing, Inapplicable []*Reason
		Simulated             string
	}{Test: t, Missing: t.Reasons(NotExercised), Inapplicable: t.Reasons(None), Simulated: report.Simulated}
	if all, ok := report.Covered(t.Runs); ok {
		for _, c := range append(cause.All(), cause.Summaries()...) {
			if slices.Contains(all.Unshown, c.Name) {
				page.Unshown = append(page.Unshown, c)
			}
		}
	}
	return pageTemplate.Execute(w, page)
}
