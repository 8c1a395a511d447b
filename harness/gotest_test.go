package harness_test

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness"
	"example.org/understudy/harness/judge"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"
	"go.uber.org/goleak"
	_ "modernc.org/sqlite"
)

// recorder is a test that is itself looked at.
type recorder struct {
	*testing.T
	failed, fatal, skipped string
}

func (r *recorder) Error(args ...any) { r.failed += fmt.Sprint(args...) }
func (r *recorder) Skip(args ...any)  { r.skipped += fmt.Sprint(args...) }
func (r *recorder) Fatal(args ...any) { r.fatal += fmt.Sprint(args...) }

func recorded(t *testing.T, c harness.Case) (*recorder, *harness.Outcome) {
	r := &recorder{T: t}
	return r, harness.Run(r, c)
}

// reading is the reference host as a function of this program.
func reading(defect string) func(context.Context, *harness.Job) error {
	return func(ctx context.Context, j *harness.Job) error {
		return host.Do(ctx, filepath.Join(filepath.Dir(j.Records), "job.json"), defect)
	}
}

func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "refhost" {
		os.Exit(host.Main(os.Args[2:], os.Stdin, os.Stdout, os.Stderr))
	}
	goleak.VerifyTestMain(m)
}

// A host in each form passes, and a wrong one fails the test with the cause, the
// bytes and the row.
//
// Kind: process.
func TestRun(t *testing.T) {
	t.Parallel()
	self, err := os.Executable()
	require.NoError(t, err)
	command := []string{self, "refhost", "--job", "{job}"}
	for name, c := range map[string]harness.Case{
		"described": {Scenario: "link-lost", Host: "reference", Self: self},
		"command":   {Scenario: "link-lost", Command: command, Records: "form: csv\nfile: '{records}'"},
		"function":  {Scenario: "link-lost", Func: reading("")},
		"restarted": {Scenario: "the-host-ends-twice", Func: reading("")},
	} {
		t.Run(name, func(t *testing.T) {
			r, out := recorded(t, c)
			require.Empty(t, r.failed+r.fatal)
			require.Equal(t, judge.Pass, out.Verdict)
		})
	}
	for scenario, why := range map[string]string{"tag-burst": "does not claim this scenario", "two-channels": "does not claim the dialect multi-ascii",
		"at-the-line": "does not claim ports", "set-up-by-the-host": "does not claim settings", "in-the-middle": ""} {
		file := filepath.Join(t.TempDir(), "host.yaml")
		only := "dialects: [line-ascii]\nports: [pty]\ndoes-not-claim: [settings]\nrecords: {form: csv}\n"
		if scenario == "tag-burst" {
			only = "scenarios: [in-the-middle]\n" + only
		}
		text := fmt.Sprintf("understudy-host: 1\nrun: [%q, refhost, --job, '{job}']\n%s", self, only)
		require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
		r, _ := recorded(t, harness.Case{Scenario: scenario, Host: file})
		require.Empty(t, r.failed+r.fatal)
		require.Contains(t, r.skipped, why, scenario)
		require.Equal(t, why == "", r.skipped == "")
	}
	seed := uint64(99)
	folder := filepath.Join(t.TempDir(), "kept")
	r, out := recorded(t, harness.Case{Scenario: "on-every-limit", Func: reading("strict-limits"), Seed: &seed, Pace: "200x", Folder: folder})
	require.Empty(t, r.fatal)
	require.Contains(t, r.failed, "C301 strict-limits")
	require.Contains(t, r.failed, "expected warn-low, the host has below")
	require.Equal(t, judge.Fail, out.Verdict)
	require.Equal(t, seed, out.Check.Scenario.Play.Seed)
	require.FileExists(t, filepath.Join(folder, "ledger.jsonl"))
}

// What the caller must put right ends the test; what the host does wrong as a
// program is told with its words.
//
// Kind: process.
func TestRunThatCannotBe(t *testing.T) {
	t.Parallel()
	wrong := func(what string) func(context.Context, *harness.Job) error {
		return func(context.Context, *harness.Job) error {
			if what == "panic" {
				panic("no dongle")
			}
			return errors.New(what)
		}
	}
	dies := func(ctx context.Context, j *harness.Job) error {
		p, err := serial.Open(j.Gauges[0].Port, &serial.Mode{BaudRate: 9600})
		if err != nil {
			return err
		}
		defer p.Close()
		if _, err := p.Read(make([]byte, 64)); err != nil {
			return err
		}
		return errors.New("the disk is full") // before it has made its records
	}
	for _, c := range []struct {
		harness.Case
		fatal, failed string
	}{
		{harness.Case{Scenario: "link-losst", Host: "reference"}, `did you mean "08-link-lost"?`, ""},
		{harness.Case{Scenario: "link-lost"}, "one of Host, Command and Func, not 0 of them", ""},
		{harness.Case{Scenario: "link-lost", Host: "reference", Func: reading("")}, "not 2 of them", ""},
		{harness.Case{Scenario: "link-lost", Host: "reference"}, "reference starts the understudy program, and nothing says where that is", ""},
		{harness.Case{Scenario: "link-lost", Func: dies}, "", "expected the host at work until it is asked to end, the host has ended: the disk is full"},
		{harness.Case{Scenario: "link-lost", Host: "reference", Records: "form: csv"}, "leave Records out", ""},
		{harness.Case{Scenario: "link-lost", Func: reading(""), Records: "form: cvs"}, `"cvs" is not a form of records`, ""},
		{harness.Case{Scenario: "link-lost", Func: reading(""), Pace: "fast"}, `"fast" is not a pace`, ""},
		{harness.Case{Scenario: "link-lost", Command: []string{"/nowhere/host"}}, "/nowhere/host", ""},
		{harness.Case{Scenario: "link-lost", Func: wrong("the licence has run out")}, "", "the host returned before it was ready: the licence has run out"},
		{harness.Case{Scenario: "link-lost", Func: wrong("panic")}, "", "it panicked: no dongle"},
		{harness.Case{Scenario: "in-the-middle", Func: reading("quits")}, "", "expected the host at work until it is asked to end, the host has ended: a row too many"},
		{harness.Case{Scenario: "in-the-middle", Func: reading(""), Records: "form: sqlite"}, "", `import _ "example.org/understudy/harness/records/sqlite"`},
	} {
		r, _ := recorded(t, c.Case)
		if c.fatal == "" {
			require.Empty(t, r.fatal)
			require.Contains(t, r.failed, c.failed)
			continue
		}
		require.Contains(t, r.fatal, c.fatal)
	}
}

// Records may be in any database that database/sql has a driver for; SQLite stands
// in for it. Rows of earlier runs are not of this one.
//
// Kind: process.
func TestRunWithADatabase(t *testing.T) {
	t.Parallel()
	db, err := sql.Open("sqlite", filepath.Join(t.TempDir(), "records.db"))
	require.NoError(t, err)
	defer db.Close()
	_, err = db.Exec("create table sizes (nr integer primary key, gauge text, tag int, size text, verdict text)")
	require.NoError(t, err)
	host := func(wrong string) func(context.Context, *harness.Job) error {
		return func(ctx context.Context, j *harness.Job) error {
			p, err := serial.Open(j.Gauges[0].Port, &serial.Mode{BaudRate: 9600})
			if err != nil {
				return err
			}
			defer p.Close()
			go func() { <-ctx.Done(); p.Close() }()
			for lines := bufio.NewScanner(p); lines.Scan(); {
				w := strings.Fields(lines.Text()) // T0017 +00008.015 mm 3 .*6C
				if len(w) != 5 || w[0][0] != 'T' {
					continue
				}
				verdict := map[string]string{"1": "NOK", "2": "OK", "3": "OK", "4": "OK", "5": "NOK"}[w[3]]
				if wrong != "" {
					verdict = wrong
				}
				if _, err := db.Exec("insert into sizes (gauge, tag, size, verdict) values (?, ?, ?, ?)", j.Gauges[0].Name, w[0][1:], w[1], verdict); err != nil {
					return err
				}
			}
			return nil
		}
	}
	form := `
form: sql
query: select * from sizes order by nr
columns: {gauge: gauge, channel: {always: A}, tag: tag, value: size, unit: {always: mm}, zone: verdict}
zones: {OK: [inside, warn-low, warn-high], NOK: [below, above]}
`
	for range 2 {
		r, out := recorded(t, harness.Case{Scenario: "on-every-limit", Func: host(""), Database: db, Records: form})
		require.Empty(t, r.fatal+r.failed)
		require.NotZero(t, out.Counts.Expected)
	}
	r, _ := recorded(t, harness.Case{Scenario: "on-every-limit", Func: host("OK"), Database: db, Records: form})
	require.Contains(t, r.failed, "expected above, the host has warn-low or inside or warn-high")
	r, _ = recorded(t, harness.Case{Scenario: "on-every-limit", Func: host(""), Records: form})
	require.Contains(t, r.failed, "only a Go test can hand over")
	r, _ = recorded(t, harness.Case{Scenario: "on-every-limit", Func: host(""), Database: db, Records: "form: sql"})
	require.Contains(t, r.fatal, "nothing says which rows of the database are the records")
}

// The example in the documents is the one that is tested.
//
// Kind: self.
func TestRunInTheDocuments(t *testing.T) {
	t.Parallel()
	example, err := os.ReadFile("../testdata/hosts/go/main_test.go")
	require.NoError(t, err)
	readme, err := os.ReadFile("../README.md")
	require.NoError(t, err)
	_, code, ok := strings.Cut(string(readme), "```go\n")
	require.True(t, ok)
	code, _, _ = strings.Cut(code, "```")
	require.Contains(t, string(example), strings.TrimSpace(code))
	out, err := exec.Command("go", "test", "-count=1", "../testdata/hosts/go").CombinedOutput()
	require.NoError(t, err, "%s", out)
}

// A Go test plays a scenario to its host and fails with what the host got wrong.
func ExampleRun() {
	t := &printing{} // in a test of your own: the *testing.T
	defer t.end()
	out := harness.Run(t, harness.Case{
		Scenario: "in-the-middle", // or a file of your own
		Func: func(ctx context.Context, job *harness.Job) error {
			// Your host opens job.Gauges[0].Port, and writes its records to job.Records.
			return host.Do(ctx, filepath.Join(filepath.Dir(job.Records), "job.json"), "")
		},
	})
	fmt.Println(out.Verdict, out.Counts.Expected)
	// Output: pass 3
}

// printing stands in for a test in an example.
type printing struct{ dir string }

func (p *printing) Helper()                  {}
func (p *printing) Context() context.Context { return context.Background() }
func (p *printing) Log(args ...any)          { fmt.Println(args...) }
func (p *printing) Error(args ...any)        { fmt.Println(args...) }
func (p *printing) Skip(args ...any)         { fmt.Println(args...) }
func (p *printing) Fatal(args ...any)        { panic(fmt.Sprint(args...)) }
func (p *printing) end()                     { os.RemoveAll(p.dir) }
func (p *printing) TempDir() string {
	var err error
	if p.dir, err = os.MkdirTemp("", "understudy-"); err != nil {
		panic(err)
	}
	return p.dir
}
