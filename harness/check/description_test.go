package check_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/library"
	"github.com/stretchr/testify/require"
)

// A correct host is not blamed for what its description leaves open: the run asks.
// A wrong one is, beside the question.
//
// Kind: process.
func TestDescriptionIsJudgedFirst(t *testing.T) {
	t.Parallel()
	if _, err := os.Stat("/bin/sh"); err != nil {
		t.Skip("there is no /bin/sh")
	}
	self, err := os.Executable()
	require.NoError(t, err)
	const columns = "  columns: {time: time, gauge: gauge, channel: channel, tag: tag, value: value, unit: unit, zone: zone, event: event}\n"
	for name, c := range map[string]struct {
		scenario, records, edit, defect string // the records as the host would write them otherwise
		verdict                         judge.Verdict
		asks                            string
	}{
		"earlier word":      {"in-the-middle", "", "s/,inside,/,in,/", "", judge.Inconclusive, `write which zone it means, such as in: inside, for so the zone is called now`},
		"unknown word":      {"in-the-middle", "", "s/,inside,/,GOOD,/", "", judge.Inconclusive, `row 2 has the verdict word "GOOD", which is not under zones: write which zone it means (3 of`},
		"two for one":       {"on-every-limit", "  zones: {warn-high: above, above: above}\n", "", "", judge.Inconclusive, `no word under zones means warn-high: write which one does, or a list where a word means it too; "above" and "warn-high" both mean above`},
		"an ignored event":  {"low-cell", "  events: {low-cell: ignored}\n", "", "", judge.Inconclusive, `2 rows with the event word "low-cell", the first of them row`},
		"void-like":         {"no-reading", "", "s/,,mm,void,/,-o-,mm,,/", "", judge.Inconclusive, `has "-o-" in place of a value: write it under void if`},
		"a void row's unit": {"no-reading", "", "s/,,mm,void,/,,NONE,void,/", "", judge.Inconclusive, `is a void reading with the unit word "NONE", which is neither under units nor under void`},
		"which is known":    {"no-reading", "  void: [NONE]\n", "s/,,mm,void,/,,NONE,void,/", "", judge.Pass, ""},
		"an empty column":   {"in-the-middle", columns, `s/^\([^,]*,[^,]*,[^,]*\),[0-9]*,/\1,,/`, "", judge.Inconclusive, "no row has anything in the column of tag"},
		"no tag was due":    {"testdata/no-tags.yaml", columns, "$p", "", judge.Fail, ""},
		"no such rows":      {"low-cell", columns, "/,low-cell/!{/^time/!d}", "", judge.Fail, ""},
		"unknown unit":      {"in-the-middle", "", "s/,mm,/,Millis,/", "", judge.Inconclusive, `row 2 has the unit word "Millis"`},
		"the host's too":    {"on-every-limit", "", "s/,inside,/,GOOD,/", "strict-limits", judge.Fail, `the verdict word "GOOD"`},
		"the host's only":   {"on-every-limit", "  zones: {HIGH: above, OVER: above}\n", "", "strict-limits", judge.Fail, ""},
		"another event":     {"low-cell", "  events: {pause: ignored}\n", "", "low-cell-missed", judge.Fail, ""},
		"words of a start":  {"low-cell", "  events: {pause: ignored}\n", `1a2026-01-01T00:00:00Z,,,,,,,pause\n2026-01-01T00:00:00Z,,,,,,,pause`, "low-cell-missed", judge.Fail, ""},
		"no gap":            {"in-the-middle", columns, "", "", judge.Pass, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			script := `"$0" refhost --job "$1" $4 & trap "kill $!; wait $!; sed -i '$3' '$2'" TERM; wait`
			defect := ""
			if c.defect != "" {
				defect = "--defect " + c.defect
			}
			file := filepath.Join(t.TempDir(), "host.yaml")
			text := fmt.Sprintf("understudy-host: 1\nrun: [/bin/sh, -c, %q, %q, '{job}', '{records}', %q, %q]\nready: {says: ^ready$}\nrecords:\n  form: csv\n%s", script, self, c.edit, defect, c.records)
			require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
			h, err := hostfile.Parse(file, []byte(text))
			require.NoError(t, err)
			sc, err := library.Load(c.scenario)
			require.NoError(t, err)
			check := check.Check{Scenario: sc, Host: h, Run: filepath.Join(t.TempDir(), "run"), HostText: []byte(text)}
			out, err := check.Do(t.Context())
			require.NoError(t, err)
			require.Equal(t, c.verdict, out.Verdict, "%v\n%v\n%+v", out.Why, out.Reasons, out.Findings)
			if c.asks == "" {
				require.Empty(t, out.Reasons)
			} else {
				require.Contains(t, fmt.Sprint(out.Reasons), "the host description: ")
				require.Contains(t, fmt.Sprint(out.Reasons), c.asks)
			}
			if c.defect != "" {
				require.NotEmpty(t, out.Explanations)
				require.Equal(t, c.defect, out.Explanations[0].Cause.Name)
			} else if c.verdict != judge.Fail {
				require.Empty(t, out.Explanations)
			}
		})
	}
}
