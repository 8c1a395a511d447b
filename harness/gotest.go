// Package harness plays scenarios to a host in a Go test: see Run. What it stands on
// is in the packages below it; harness/check runs and judges.
package harness

import (
	"bytes"
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"strings"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/report"
	"example.org/understudy/sim/stage"
)

// T is what Run needs of a *testing.T.
type T interface {
	Helper()
	Context() context.Context
	TempDir() string
	Error(args ...any)
	Skip(args ...any)
	Fatal(args ...any)
}

// Job is what a host is told of its work.
type Job = check.Job

// Outcome is what a run came to.
type Outcome = check.Outcome

// Case is one scenario against one host, for a Go test. One of Host, Command and
// Func says which host.
type Case struct {
	Scenario string // a file, or the name of a shipped scenario, such as link-lost

	Host    string                            // a host description: a file, or the name of a shipped one
	Command []string                          // the host's command, with places such as {port} and {records}
	Func    func(context.Context, *Job) error // the host itself, in this program

	// Self is the understudy program, for a description that starts it ({self}), as
	// that of the reference host does: the test program is another one.
	Self string
	// Records says how the records of Command and Func read: the records: section of
	// a host description, in YAML (default: CSV with our column names in {records},
	// which is Job.Records).
	Records string

	// Database is where records of form sql are, whatever its driver. What stands
	// there before the run is not of the run.
	Database *sql.DB

	Seed *uint64 // instead of the scenario's own
	Pace string  // drain, real, or a speed factor such as 10x (default: as the host description says)
	// Folder for the run: ledger, records, and what the host printed (default: a
	// temporary one, which the test removes).
	Folder string
}

// Run plays a scenario against a host in a Go test. When the host did not do what
// was asked of it the test fails with the causes, the bytes and the rows, and when
// that cannot be told it fails with the reason. A scenario that asks for what the
// host's description does not claim is skipped. The outcome is for further checks.
//
// A Func gets its ports from the job and opens them as hosts do. It is asked to
// end by its context, and is not ready before it has opened every port. It cannot
// be killed: where a scenario kills the host, it is asked to end too.
func Run(t T, c Case) *Outcome {
	t.Helper()
	out, err := c.do(t)
	if err != nil {
		t.Fatal(err)
		return nil
	}
	switch out.Verdict {
	case judge.Pass:
		return out
	case judge.Skipped:
		t.Skip(strings.Join(out.Report().Result.Reasons, "; "))
		return out
	}
	var b strings.Builder
	r := out.Report()
	if err := report.TerminalRun(&b, &r, report.Screen{}, false); err != nil {
		t.Fatal(err)
	}
	t.Error("\n" + b.String())
	return out
}

func (c *Case) do(t T) (*Outcome, error) {
	s, err := library.Load(c.Scenario)
	if err != nil {
		return nil, err
	}
	if c.Seed != nil {
		s.Play.Seed = *c.Seed
	}
	run := check.Check{Scenario: s, Func: c.Func, Run: c.Folder, Database: c.Database}
	if run.Host, run.HostText, err = c.host(); err != nil {
		return nil, err
	}
	if c.Pace != "" {
		run.Pace = new(stage.Pace)
		if err := run.Pace.UnmarshalText([]byte(c.Pace)); err != nil {
			return nil, err
		}
	}
	if run.Run == "" {
		run.Run = filepath.Join(t.TempDir(), library.Name(s))
	}
	if run.Self = c.Self; c.Self == "" && bytes.Contains(run.HostText, []byte("{self}")) {
		return nil, fmt.Errorf("%s starts the understudy program, and nothing says where that is: write it into Self", cmp.Or(c.Host, "the command"))
	}
	return run.Prove(t.Context())
}

// host makes the host's description.
func (c *Case) host() (*hostfile.Host, []byte, error) {
	ways := 0
	for _, is := range []bool{c.Host != "", len(c.Command) > 0, c.Func != nil} {
		if is {
			ways++
		}
	}
	switch {
	case ways != 1:
		return nil, nil, fmt.Errorf("say which host: one of Host, Command and Func, not %d of them", ways)
	case c.Host != "" && c.Records != "":
		return nil, nil, fmt.Errorf("leave Records out: %s says how its records read", c.Host)
	case c.Host != "":
		return library.LoadHost(c.Host)
	}
	words := c.Command
	if c.Func != nil {
		words = []string{"a function of the test"}
	}
	return library.Described(words, c.Records)
}
