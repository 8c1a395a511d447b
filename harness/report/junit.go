package report

import (
	"cmp"
	"encoding/xml"
	"fmt"
	"io"
	"strings"
	"time"

	"example.org/understudy/harness/judge"
)

// JUnit writes the runs as JUnit XML, for a CI server: a test suite for each
// host, a test case for each scenario. fail becomes a failure; inconclusive and
// error become errors, since neither may count as passed; skipped is skipped.
//
// There is no standard for the form. What is written satisfies both schemas in
// common use: JUnit.xsd for the Apache Ant JUnit tasks (Windy Road Technology,
// 2011), which also fixes the order of elements, and junit-10.xsd of the
// Jenkins xUnit plugin.
func JUnit(w io.Writer, runs []Run) error {
	var out suites
	index := map[string]int{}
	for i := range runs {
		r := &runs[i]
		n, ok := index[r.Host]
		if !ok {
			n = len(out.Suites)
			index[r.Host] = n
			out.Suites = append(out.Suites, suite{Name: cmp.Or(token(r.Host), "host"), Package: "understudy", ID: n, Hostname: "localhost"})
		}
		s := &out.Suites[n]
		if s.started.IsZero() || !r.Started.IsZero() && r.Started.Before(s.started) {
			s.started = r.Started
		}
		s.took += r.Took
		s.Tests++
		c := testcase{Name: cmp.Or(token(r.Called()), token(r.Name), "scenario"), Class: "understudy." + strings.ReplaceAll(s.Name, ".", "_"), Time: decimalSeconds(r.Took)}
		body := strings.TrimRight(details(r), "\n")
		switch r.Result.Verdict {
		case judge.Pass:
		case judge.Skipped:
			s.Skipped++
			c.Skipped = &skipped{Message: headline(r)}
		case judge.Fail:
			s.Failures++
			c.Failure = &trouble{Type: "fail", Message: headline(r), Text: body}
		default:
			s.Errors++
			c.Error = &trouble{Type: r.Result.Verdict.String(), Message: headline(r), Text: body}
		}
		s.Cases = append(s.Cases, c)
		if c := r.Result.Coverage; c != nil {
			s.Props = append(s.Props, property{Name: token(r.Name) + ".not-shown", Value: strings.Join(c.Unshown, " ")})
		}
		s.Props = append(s.Props, property{Name: fmt.Sprintf("%s.seed", token(r.Name)), Value: fmt.Sprint(r.Seed)})
		for _, n := range r.Result.NotJudged {
			s.Out += clean(r.Called() + ": not judged: " + visible(n) + "\n")
		}
	}
	for _, r := range diagnoses(runs) {
		s := &out.Suites[index[r.Host]]
		for _, l := range diagnosisText(r) {
			s.Props = append(s.Props, property{Name: "diagnosis", Value: token(l.Text)})
		}
	}
	for i := range out.Suites {
		s := &out.Suites[i]
		s.Time = decimalSeconds(s.took)
		if s.started.IsZero() {
			s.started = time.Unix(0, 0) // the schema wants a time
		}
		s.Timestamp = s.started.UTC().Format("2006-01-02T15:04:05")
		s.Out += Simulated + "\n"
	}
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return err
	}
	enc := xml.NewEncoder(w)
	enc.Indent("", "  ")
	if err := enc.Encode(out); err != nil {
		return err
	}
	_, err := io.WriteString(w, "\n")
	return err
}

type suites struct {
	XMLName xml.Name `xml:"testsuites"`
	Suites  []suite  `xml:"testsuite"`
}

type suite struct {
	Name      string     `xml:"name,attr"`
	Package   string     `xml:"package,attr"`
	ID        int        `xml:"id,attr"`
	Timestamp string     `xml:"timestamp,attr"`
	Hostname  string     `xml:"hostname,attr"`
	Tests     int        `xml:"tests,attr"`
	Failures  int        `xml:"failures,attr"`
	Errors    int        `xml:"errors,attr"`
	Skipped   int        `xml:"skipped,attr"`
	Time      string     `xml:"time,attr"`
	Props     []property `xml:"properties>property"`
	Cases     []testcase `xml:"testcase"`
	Out       string     `xml:"system-out"`
	Err       string     `xml:"system-err"`

	took    time.Duration
	started time.Time
}

type property struct {
	Name  string `xml:"name,attr"`
	Value string `xml:"value,attr"`
}

type testcase struct {
	Name    string   `xml:"name,attr"`
	Class   string   `xml:"classname,attr"`
	Time    string   `xml:"time,attr"`
	Skipped *skipped `xml:"skipped"`
	Error   *trouble `xml:"error"`
	Failure *trouble `xml:"failure"`
}

type trouble struct {
	Message string `xml:"message,attr"`
	Type    string `xml:"type,attr"`
	Text    string `xml:",chardata"`
}

type skipped struct {
	Message string `xml:"message,attr"`
}

// headline sums a run's trouble up in a line.
func headline(r *Run) string {
	res := &r.Result
	switch {
	case res.Verdict != judge.Fail && len(res.Reasons) > 0:
		return clean(lines(res.Reasons[0])[0])
	case res.Counts.Findings > 0:
		return clean(putDown(res))
	}
	return res.Verdict.String()
}

// details is the terminal's text of a run, without colours.
func details(r *Run) string {
	t := terminal{Screen: Screen{Each: 20}}
	t.run(r)
	return clean(t.b.String())
}

// token makes a text an xs:token: no line ends, no spaces at the ends or in a row.
func token(s string) string { return strings.Join(strings.Fields(clean(visible(s))), " ") }

// clean replaces what XML 1.0 (section 2.2) cannot hold.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '\t' || r == '\n' || r >= ' ' && r <= 0xd7ff || r >= 0xe000 && r <= 0xfffd || r >= 0x10000 {
			return r
		}
		return '\ufffd'
	}, s)
}

func decimalSeconds(d time.Duration) string { return fmt.Sprintf("%.3f", d.Seconds()) }
