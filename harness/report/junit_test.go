package report_test

import (
	"encoding/xml"
	"io"
	"os/exec"
	"strings"
	"testing"

	"example.org/understudy/harness/report"
	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// junit is what is written of the sample runs.
func junit(t *testing.T) string {
	rs := runs()
	rs[1].Result.Findings[0].Record.Raw = "8.015\x00\x1b\uffff]]><"
	return string(write(t, func(w io.Writer) error { return report.JUnit(w, rs) }))
}

// xmllint, of libxml2, judges what is written by a schema that is as narrow as the
// two in common use, which its head names.
//
// Kind: outside.
func TestJUnitIsValid(t *testing.T) {
	t.Parallel()
	xmllint := testenv.Program(t, "xmllint", "libxml2-utils")
	valid := func(doc string) error {
		cmd := exec.Command(xmllint, "--nonet", "--noout", "--relaxng", "testdata/junit.rng", "-")
		cmd.Stdin = strings.NewReader(doc)
		out, err := cmd.CombinedOutput()
		t.Logf("%s", out)
		return err
	}
	doc := junit(t)
	require.NoError(t, valid(doc))
	var rude []report.Run
	for _, text := range rapid.SliceOfN(rapid.String(), 200, 200).Example(1) {
		r := runs()[1]
		r.Name, r.Title, r.Host, r.Result.NotJudged = text, text, text, []string{text}
		rude = append(rude, r)
	}
	require.NoError(t, valid(string(write(t, func(w io.Writer) error { return report.JUnit(w, rude) }))))
	for old, wrong := range map[string]string{
		` name="bore-middle.seed"`:          ``,
		` tests="3"`:                        ` tests="three"`,
		` time="2.500"`:                     ` time="-2.500"`,
		`timestamp="2026-03-02T07:30:00"`:   `timestamp="2026-03-02T07:30:00Z"`,
		` classname="understudy.Line host"`: ``,
		` type="inconclusive"`:              ``,
		`<properties>`:                      `<system-err></system-err><properties>`,
		`<system-err></system-err>`:         ``,
	} {
		require.Contains(t, doc, old)
		require.EqualError(t, valid(strings.Replace(doc, old, wrong, 1)), "exit status 3", "%s became %s", old, wrong) // "validation error", xmllint(1)
	}
}

// The counts of a suite are those of its cases, and nothing undecided counts as
// passed.
//
// Kind: golden.
func TestJUnit(t *testing.T) {
	t.Parallel()
	out := junit(t)
	golden(t, "junit.xml", []byte(out))
	type mark struct{}
	var doc struct {
		Suites []struct {
			Tests    int `xml:"tests,attr"`
			Failures int `xml:"failures,attr"`
			Errors   int `xml:"errors,attr"`
			Skipped  int `xml:"skipped,attr"`
			Cases    []struct {
				Failure *mark `xml:"failure"`
				Error   *mark `xml:"error"`
				Skipped *mark `xml:"skipped"`
			} `xml:"testcase"`
		} `xml:"testsuite"`
	}
	require.NoError(t, xml.Unmarshal([]byte(out), &doc))
	for i, s := range doc.Suites {
		count := [4]int{len(s.Cases)}
		for _, c := range s.Cases {
			for k, m := range []*mark{c.Failure, c.Error, c.Skipped} {
				if m != nil {
					count[k+1]++
				}
			}
		}
		if d := cmp.Diff(count, [4]int{s.Tests, s.Failures, s.Errors, s.Skipped}); d != "" {
			t.Errorf("suite %d: %s", i, d)
		}
	}
	require.Len(t, doc.Suites, 2)
	require.Contains(t, out, `type="inconclusive"`)
}
