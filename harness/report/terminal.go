package report

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"unicode"

	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/show"
	"golang.org/x/text/width"
)

// Screen says what the terminal can do.
type Screen struct {
	Color bool // write colours
	Width int  // columns; 0 leaves lines as long as they are
	Each  int  // findings shown under each cause; 0 means 3
}

// Terminal writes the runs for a reader at a terminal: a line each, what
// went wrong under it, and a summary.
func Terminal(w io.Writer, runs []Run, s Screen) error {
	for i := range runs {
		if err := TerminalRun(w, &runs[i], s, len(runs) > 1); err != nil {
			return err
		}
	}
	return TerminalSummary(w, runs, s)
}

// TerminalRun writes one run, as Terminal does; of one among others the findings are in the
// summary, where what all of them come from goes before. What was not run is there too.
func TerminalRun(w io.Writer, r *Run, s Screen, among bool) error {
	t := terminal{Screen: s}
	switch {
	case r.NotRun:
	case among && r.Result.Verdict == judge.Fail:
		t.head(r)
	default:
		t.run(r)
	}
	_, err := io.WriteString(w, t.b.String())
	return err
}

// TerminalSummary writes what stands under the runs.
func TerminalSummary(w io.Writer, runs []Run, s Screen) error {
	t := terminal{Screen: s}
	t.summary(runs)
	_, err := io.WriteString(w, t.b.String())
	return err
}

type terminal struct {
	Screen
	told bool // what explains all runs stands above: a run says no more of it
	b    strings.Builder
}

// Colours by ECMA-48 (SGR). The word beside each says the same.
var colors = map[judge.Verdict]string{judge.Pass: "32", judge.Fail: "1;31", judge.Inconclusive: "33", judge.Error: "1;35", judge.Skipped: "2"}

const indent = 14

func (t *terminal) word(v judge.Verdict) string {
	s := strings.ToUpper(v.String())
	pad := strings.Repeat(" ", max(1, indent-len(s)))
	if t.Color {
		s = "\x1b[" + colors[v] + "m" + s + "\x1b[0m"
	}
	return s + pad
}

func (t *terminal) head(r *Run) {
	res := &r.Result
	line := visible(r.Called())
	if n := res.Counts.Findings; n > 0 {
		line += "  (" + show.Counted(n, "finding") + ")"
	}
	t.b.WriteString(t.word(res.Verdict))
	t.text(line, indent, indent)
}

func (t *terminal) run(r *Run) {
	res := &r.Result
	t.head(r)
	told := false
	for _, why := range res.Reasons {
		told = told || strings.Contains(why, r.HostEnd)
		for _, l := range lines(why) {
			t.text(l, 0, indent)
		}
	}
	of := ""
	if n := len(res.Findings); n < res.Counts.Findings {
		of = fmt.Sprintf(" of the %d that are listed (--findings)", n)
	}
	for _, g := range groups(res) {
		t.heading(&g, res)
		each := cmp.Or(t.Each, 3)
		for i, f := range g.findings {
			if i == each {
				t.text(fmt.Sprintf("and %d more%s", len(g.findings)-i, of), 0, indent+2)
				break
			}
			t.finding(f)
		}
	}
	if res.Searched != "" {
		t.text("searched: "+res.Searched, 0, indent)
	}
	if len(res.NotJudged) > 0 {
		t.text("not judged: "+visible(strings.Join(res.NotJudged, "; ")), 0, indent)
	}
	for _, n := range r.Notes {
		t.text("note: "+visible(n), 0, indent)
	}
	if len(res.Reasons) > 0 && r.HostEnd != "" && !told {
		t.text("the host "+visible(r.HostEnd), 0, indent)
	}
	if res.Verdict != judge.Pass {
		for _, l := range r.Output {
			t.text("| "+printed(l), 0, indent+2)
		}
	}
}

// heading says what the findings of a group are put down to.
func (t *terminal) heading(g *group, res *judge.Result) {
	switch {
	case g.ex == nil && g.pattern == nil:
		t.text(show.Counted(res.Unexplained, "finding")+" without a known cause", 0, indent)
	case t.told:
	case g.pattern != nil:
		t.text("pattern: "+visible(g.pattern.Text), 0, indent)
		t.text(explainsText(g.pattern.Explains, res.Counts.Findings, g.pattern.Left), 0, indent+2)
		for _, or := range orTexts(g.pattern.Or) {
			t.text(or, 0, indent+2)
		}
	default:
		level := levelTexts(g.ex)
		for _, l := range eitherTexts(fmt.Sprintf("%s %s: %s", g.ex.Cause.Code, g.ex.Cause.Name, g.ex.Cause.Looks), level...) {
			t.text(l, 0, indent)
		}
		t.text(explainsText(g.ex.Explains, res.Counts.Findings, g.ex.Left), 0, indent+2)
		for _, rival := range rivalTexts(g.ex) {
			t.text(rival, 0, indent+2)
		}
		if g.ex.Cause.Fix != "" {
			t.text(fixText(&g.ex.Cause, len(level) > 0), 0, indent+2)
		}
	}
}

func (t *terminal) finding(f *judge.Finding) {
	t.text("- "+visible(strings.TrimSpace(string(f.Kind)+" "+place(f))+": "+disagreement(f)), 0, indent+2)
	if f.Rule != "" {
		t.text(visible(f.Rule), 0, indent+4)
	}
	if f.Frame > 0 && len(f.Bytes) > 0 {
		t.text(fmt.Sprintf("frame %d: %s", f.Frame, wireText(f.Bytes)), 0, indent+4)
	}
	if f.Record != nil {
		t.text(fmt.Sprintf("row %d: %s", f.Record.Row, visible(f.Record.Raw)), 0, indent+4)
		if p := f.Record.Problem; p != "" && p != f.Rule {
			t.text("in the row: "+visible(p), 0, indent+4)
		}
	}
}

// wireText is a frame as text, with the ends of lines as \r and \n, or in
// hexadecimal where it is none.
func wireText(b []byte) string {
	const most = 48
	for _, c := range b {
		if (c < ' ' || c >= 0x7f) && c != '\r' && c != '\n' && c != '\t' {
			if len(b) > most {
				return fmt.Sprintf("% x and %d bytes more", b[:most], len(b)-most)
			}
			return fmt.Sprintf("% x", b)
		}
	}
	return strings.NewReplacer("\r", `\r`, "\n", `\n`, "\t", `\t`).Replace(string(b))
}

// failures are the findings of runs, under what all of them come from.
func (t *terminal) failures(runs []Run) {
	for _, r := range diagnoses(runs) {
		t.b.WriteByte('\n')
		for _, l := range diagnosisText(r) {
			t.text(l.Text, 0, l.In)
		}
	}
	for i := range runs {
		if r := &runs[i]; !r.NotRun && r.Result.Verdict == judge.Fail {
			t.b.WriteByte('\n')
			t.told = r.Diagnosis != nil && len(r.Diagnosis.Named) == 1
			t.run(r)
		}
	}
}

func (t *terminal) summary(runs []Run) {
	if len(runs) > 1 {
		t.failures(runs)
	}
	counts := map[judge.Verdict]int{}
	var parts, notRun []string
	why := ""
	for i := range runs {
		r := &runs[i]
		if r.NotRun {
			notRun, why = append(notRun, visible(r.Name)), strings.Join(r.Result.Reasons, "; ")
			continue
		}
		counts[r.Result.Verdict]++
	}
	for _, v := range []judge.Verdict{judge.Pass, judge.Fail, judge.Inconclusive, judge.Error, judge.Skipped} {
		if counts[v] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", counts[v], v))
		}
	}
	if n := len(notRun); n > 0 {
		parts = append(parts, fmt.Sprintf("%d not run", n))
		t.b.WriteByte('\n')
		t.text(visible(why)+": "+strings.Join(notRun, ", "), 0, 0)
	}
	t.b.WriteByte('\n')
	if len(runs) == 0 {
		t.text("no scenario was played", 0, 0)
	} else {
		t.text(show.Counted(len(runs), "scenario")+": "+strings.Join(parts, ", "), 0, 0)
	}
	if n := counts[judge.Skipped]; n > 0 && n == len(runs) {
		t.text("nothing was judged: the host's description claims none of them", 0, 0)
	}
	if line := CoverageLine(runs); line != "" {
		t.text(line, 0, 0)
	}
	t.text(Simulated, 0, 0)
}

// text writes a line, wrapped to the terminal's width with the following lines
// at the indent; the first has begun at column at.
func (t *terminal) text(s string, at, in int) {
	if at == 0 {
		t.b.WriteString(strings.Repeat(" ", in))
		at = in
	}
	limit := t.Width
	if limit == 0 {
		t.b.WriteString(s + "\n")
		return
	}
	limit = max(limit, in+20)
	col := at
	for i, word := range strings.Split(s, " ") {
		w := columns(word)
		if i > 0 {
			if col+1+w > limit && col > in {
				t.b.WriteString("\n" + strings.Repeat(" ", in))
				col = in
			} else {
				t.b.WriteByte(' ')
				col++
			}
		}
		for col+w > limit { // a word longer than a line is cut
			head, rest := cutColumns(word, limit-col)
			t.b.WriteString(head + "\n" + strings.Repeat(" ", in))
			word, w, col = rest, columns(rest), in
		}
		t.b.WriteString(word)
		col += w
	}
	t.b.WriteByte('\n')
}

// columns is how many columns of a terminal a text takes up: wide characters
// (Unicode Standard Annex 11) take two, combining ones none.
func columns(s string) (n int) {
	for _, r := range s {
		n += columnsOf(r)
	}
	return n
}

func columnsOf(r rune) int {
	switch {
	case r < 0x300:
		return 1
	case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
		return 0
	}
	switch width.LookupRune(r).Kind() {
	case width.EastAsianWide, width.EastAsianFullwidth:
		return 2
	}
	return 1
}

func cutColumns(s string, n int) (head, rest string) {
	for i, r := range s {
		if n -= columnsOf(r); n < 0 {
			if i == 0 { // not even one fits: never loop without progress
				return string(r), s[len(string(r)):]
			}
			return s[:i], s[i:]
		}
	}
	return s, ""
}
