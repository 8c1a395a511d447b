package check_test

import (
	"testing"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/process"
	"github.com/google/go-cmp/cmp"
)

// What bears on no verdict is noted: how a host ended that did not end well, rows
// that hold nothing, and rows that cannot be read as they stand, each trouble once
// and none that a finding tells.
//
// Kind: process.
func TestNotes(t *testing.T) {
	t.Parallel()
	trouble := func(row int, problem string) judge.Record {
		return judge.Record{Row: row, Problem: problem, Raw: "raw"}
	}
	base := &check.Check{Scenario: shipped(t, "01-in-the-middle"), Host: new(hostfile.Host)}
	quit := judge.Result{Verdict: judge.Fail, Findings: []judge.Finding{{Kind: judge.KindQuit}}}
	told := trouble(2, "the first")
	for name, c := range map[string]struct {
		out  check.Outcome
		want []string
	}{
		"none":       {check.Outcome{Records: []judge.Record{{Row: 2}}}, nil},
		"killed":     {check.Outcome{Exit: process.Exit{Asked: true, Killed: true}}, []string{"the host ended only when it was killed, and not when it was asked to"}},
		"a status":   {check.Outcome{Exit: process.Exit{Code: 3}}, []string{"the host ended with exit status 3"}},
		"as asked":   {check.Outcome{Exit: process.Exit{Code: -1, Signal: "SIGTERM (terminated)", ByAsk: true}}, nil},
		"a finding":  {check.Outcome{Exit: process.Exit{Code: 3}, Result: quit}, nil},
		"a reason":   {check.Outcome{Exit: process.Exit{Code: 3}, Why: "the host ended with exit status 3"}, nil},
		"blank rows": {check.Outcome{Blank: []int{4}}, []string{"row 4 holds nothing but separators or empty values"}},
		"troubles": {check.Outcome{Blank: []int{4, 6}, Records: []judge.Record{told, trouble(3, "a second"), trouble(5, "a second")}, Result: judge.Result{Findings: []judge.Finding{{Record: &told}}}},
			[]string{"2 rows, the first of them row 4, hold nothing but separators or empty values", "2 rows, the first of them row 3, hold what cannot be read: a second: raw"}},
		"many": {check.Outcome{Records: []judge.Record{trouble(1, "a"), trouble(2, "b"), trouble(3, "c"), trouble(4, "d"), trouble(5, "e"), trouble(6, "f")}},
			[]string{"row 1 holds what cannot be read: a: raw", "row 2 holds what cannot be read: b: raw", "row 3 holds what cannot be read: c: raw", "row 4 holds what cannot be read: d: raw", "row 5 holds what cannot be read: e: raw", "more rows of the records hold what cannot be read"}},
	} {
		t.Run(name, func(t *testing.T) {
			c.out.Check = base
			if d := cmp.Diff(c.want, c.out.Report().Notes); d != "" {
				t.Error(d)
			}
		})
	}
}
