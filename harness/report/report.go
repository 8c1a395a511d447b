// Package report writes what came of playing scenarios against a host: for a
// terminal, as JUnit XML, as JSON and as one HTML page. It is pure: it writes
// what it is given and looks at nothing else.
package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/diagnosis"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/show"
	"example.org/understudy/sim/stage/ledger"
)

// Simulated stands in every report.
const Simulated = "The readings are simulated: a pass says that the host handled them rightly, and releases no real part."

// Run is one scenario that was played against a host, and what came of it.
type Run struct {
	Name    string // short and unique in the report, such as the scenario file's name
	Title   string // the scenario's
	Notice  string // what the scenario says to notice
	Host    string // the host's title
	Seed    uint64
	Pace    string
	Started time.Time     // by the wall clock; zero if unknown
	Took    time.Duration // by the wall clock
	NotRun  bool          // nothing was tried: the reason is in Result
	HostEnd string        // how the host ended, in words
	Output  []string      // the last lines the host printed
	Notes   []string      // what bears on no verdict and has to be known all the same

	Dialects  []string             // of the gauges
	Diagnosis *diagnosis.Diagnosis // of all runs of the host; see Diagnose
	Unasked   int                  // runs with findings of which it says nothing

	Result  judge.Result
	Spec    judge.Spec
	Ledger  []ledger.Entry // for the timeline; may be empty
	Every   int            // above 1: Ledger is about every Every-th frame of a gauge only
	Records []judge.Record
	// Fields names the parts of a frame's bytes; may be nil.
	Fields func(gauge string, frame []byte) []Field
}

// Field is a named part of a frame: its bytes From to To (not including To),
// and what they say, or what is wrong with them.
type Field struct {
	From, To   int
	Name, Text string
	Bad        bool
}

// Called is what a run is called in running text.
func (r *Run) Called() string {
	if r.Title != "" {
		return r.Title
	}
	return r.Name
}

// Verdict is the worst of the runs' verdicts. Where nothing was judged, nothing is
// decided: a mistake in what a host claims must not look like a pass.
func Verdict(runs []Run) judge.Verdict {
	v, judged := judge.Pass, false
	for i := range runs {
		one := runs[i].Result.Verdict
		v, judged = judge.Combine(v, one), judged || one != judge.Skipped
	}
	if !judged {
		return judge.Inconclusive
	}
	return v
}

// causes groups the listed findings under the named causes, in the order the
// judge names them, then under the patterns; the unexplained ones come last.
type group struct {
	ex       *judge.Explanation
	pattern  *judge.Pattern
	findings []*judge.Finding
}

func groups(res *judge.Result) (out []group) {
	at := map[string]int{}
	for i := range res.Explanations {
		at[res.Explanations[i].Cause.Name] = i
		out = append(out, group{ex: &res.Explanations[i]})
	}
	causes := len(out)
	for i := range res.Patterns {
		out = append(out, group{pattern: &res.Patterns[i]})
	}
	var rest group
	for i := range res.Findings {
		f := &res.Findings[i]
		if g, ok := at[f.Cause]; ok && f.Cause != "" {
			out[g].findings = append(out[g].findings, f)
		} else if n := f.Pattern; n > 0 && n <= len(res.Patterns) {
			out[causes+n-1].findings = append(out[causes+n-1].findings, f)
		} else {
			rest.findings = append(rest.findings, f)
		}
	}
	if len(rest.findings) > 0 || res.Unexplained > 0 {
		out = append(out, rest)
	}
	return out
}

// place says where a finding is, such as "bore-1/A at 3.250 s".
func place(f *judge.Finding) string {
	var s []string
	if f.Gauge != "" {
		g := f.Gauge
		if f.Channel != "" {
			g += "/" + f.Channel
		}
		s = append(s, g)
	}
	if f.Record != nil && f.Record.Tag != nil {
		s = append(s, fmt.Sprintf("tag %d", *f.Record.Tag))
	}
	if f.At >= 0 && (f.At > 0 || f.Frame > 0) {
		s = append(s, "at "+seconds(f.At))
	}
	return strings.Join(s, " ")
}

// disagreement says what was expected and what the host has instead.
func disagreement(f *judge.Finding) string {
	got := cmp.Or(f.Got, "nothing")
	want := cmp.Or(f.Expected, "nothing")
	return "expected " + want + ", the host has " + got
}

// putDown says in a line what a run's findings are put down to.
func putDown(res *judge.Result) string {
	s := show.Counted(res.Counts.Findings, "finding")
	if len(res.Explanations)+len(res.Patterns) == 0 {
		return s + ", none with a known cause"
	}
	var parts []string
	for _, e := range res.Explanations {
		parts = append(parts, fmt.Sprintf("%s %s explains %d", e.Cause.Code, e.Cause.Name, e.Explains))
	}
	for _, p := range res.Patterns {
		parts = append(parts, fmt.Sprintf("a pattern explains %d (%s)", p.Explains, visible(p.Text)))
	}
	if res.Unexplained > 0 {
		parts = append(parts, fmt.Sprintf("%d without a known cause", res.Unexplained))
	}
	return s + ": " + strings.Join(parts, ", ")
}

// explainsText says what a cause or a pattern explains, and what speaks against it.
func explainsText(n, findings, left int) string {
	against := "no row contradicts it"
	if left > 0 {
		against = fmt.Sprintf("it leaves %d of their kind", left)
	}
	return fmt.Sprintf("explains %d of %s; %s", n, show.Counted(findings, "finding"), against)
}

// rivalTexts are what else fits the rows that a cause explains.
func rivalTexts(ex *judge.Explanation) (out []string) {
	for _, r := range ex.Rivals {
		if !r.Same {
			out = append(out, rivalText(r.Name)+" fits all of these rows too")
		}
	}
	_, rest := judge.Level(ex.Cause.Name, ex.Or)
	return append(out, orTexts(rest)...)
}

func rivalText(name string) string {
	if c, ok := cause.Find(name); ok {
		return fmt.Sprintf("%s %s (%s)", c.Code, c.Name, c.Looks)
	}
	return name
}

// levelTexts are what fits as well as a cause, to be told in one breath with it: causes
// whose hosts would leave the same records, and a sentence.
func levelTexts(ex *judge.Explanation) (out []string) {
	for _, r := range ex.Rivals {
		if r.Same {
			out = append(out, rivalText(r.Name)+", which would leave the same records here")
		}
	}
	if or, _ := judge.Level(ex.Cause.Name, ex.Or); or != "" {
		out = append(out, or)
	}
	return out
}

// eitherTexts are a cause and what fits as well, if there is something.
func eitherTexts(cause string, others ...string) []string {
	if len(others) == 0 {
		return []string{cause}
	}
	out := []string{"either " + cause}
	for _, s := range others {
		out = append(out, "or     "+visible(s))
	}
	return out
}

func fixText(c *cause.Cause, either bool) string {
	if either {
		return "to fix " + c.Code + ": " + c.Fix
	}
	return "to fix: " + c.Fix
}

func orTexts(or []string) (out []string) {
	for _, s := range or {
		out = append(out, "or: "+visible(s))
	}
	return out
}

func seconds(d time.Duration) string {
	return fmt.Sprintf("%.3f s", d.Seconds())
}

func took(d time.Duration) string {
	if d < 10*time.Second {
		return fmt.Sprintf("%.1f s", d.Seconds())
	}
	return d.Round(time.Second).String()
}

// lines are the lines of a text that may hold what a program has printed: each
// made visible, with its indentation.
func lines(s string) []string {
	out := strings.Split(strings.ReplaceAll(s, "\r\n", "\n"), "\n")
	for i, l := range out {
		out[i] = printed(l)
	}
	return out
}

// printed is a line that a program has printed, made visible.
func printed(l string) string { return visible(strings.ReplaceAll(l, "\t", "    ")) }

// visible makes control characters and broken text visible, so that a host's
// records cannot steer the reader's terminal or break a file's form.
func visible(s string) string {
	clean := true
	for i := 0; i < len(s) && clean; i++ {
		clean = s[i] >= ' ' && s[i] < 0x7f
	}
	if clean {
		return s
	}
	var b strings.Builder
	for i, r := range s {
		switch {
		case r == '\t':
			b.WriteString("⇥")
		case r == utf8.RuneError && !strings.HasPrefix(s[i:], "\ufffd"):
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case unicode.IsControl(r) && r < 0x100:
			fmt.Fprintf(&b, `\x%02x`, r)
		case unicode.Is(unicode.Cf, r) || r == '\u2028' || r == '\u2029': // marks that turn the writing direction hide text
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// Covered is what runs together could have shown; ok is false where it was worked out
// for none.
func Covered(runs []Run) (all judge.Coverage, ok bool) {
	for i := range runs {
		c := runs[i].Result.Coverage
		switch {
		case c == nil:
		case !ok:
			ok = true
			all = judge.Coverage{Shown: slices.Clone(c.Shown), Unshown: slices.Clone(c.Unshown), Lacks: slices.Clone(c.Lacks), Frames: c.Frames}
		default:
			for _, n := range c.Shown {
				if k := slices.Index(all.Unshown, n); k >= 0 {
					all.Unshown, all.Shown = slices.Delete(all.Unshown, k, k+1), append(all.Shown, n)
				}
			}
			all.Lacks = slices.DeleteFunc(all.Lacks, func(l string) bool { return !slices.Contains(c.Lacks, l) })
			all.Frames = max(all.Frames, c.Frames)
		}
	}
	return all, ok
}

// CoverageLine says in a line what runs could not have shown; empty where that was not
// worked out.
func CoverageLine(runs []Run) string {
	c, ok := Covered(runs)
	if !ok {
		return ""
	}
	these := "these runs"
	if len(runs) == 1 {
		these = "this run"
	}
	n := len(c.Unshown)
	if n == 0 {
		return fmt.Sprintf("%s could have shown all %d mistakes of the catalogue", these, len(c.Shown))
	}
	s := fmt.Sprintf("%s could not have shown %d of %d mistakes of the catalogue", these, n, n+len(c.Shown))
	if len(c.Lacks) > 0 {
		s += ": no " + strings.Join(c.Lacks, ", no ")
	}
	if c.Frames > 0 {
		s += fmt.Sprintf(" (of a long run the first %d frames were looked at)", c.Frames)
	}
	return s
}
