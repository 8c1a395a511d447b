package report

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strings"

	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/show"
)

// Parts of the page. It stands alone: nothing is loaded, from a network or else.
var (
	//go:embed page.css
	pageCSS string
	//go:embed page.js
	pageJS string
	//go:embed page.tmpl
	pageText string
)

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{"sign": sign, "visible": visible, "lines": lines, "printed": printed, "took": took}).Parse(pageText))

// sign stands beside a verdict's word, so that neither colour nor word alone carries it.
func sign(verdict string) string {
	return map[string]string{"pass": "✓", "fail": "✕", "inconclusive": "?", "error": "!", "skipped": "–"}[verdict]
}

// maxShown bounds the findings under one cause that the page writes out; the
// JSON report has the others.
const maxShown = 50

type page struct {
	CSP, Title, Verdict, Simulated string
	CSS                            template.CSS
	JS                             template.JS
	Diagnoses                      [][]line
	Runs                           []pageRun
	Key                            []keyEntry // of the timelines
}

type pageRun struct {
	*Run
	ID, Verdict, Summary, CauseNames, Coverage string
	Groups                                     []pageGroup
	Timeline                                   template.HTML
}

type pageGroup struct {
	Code, Name, Looks, Why, Fix, Rival, Explains, More string
	Findings                                           []pageFinding
}

type pageFinding struct {
	ID, Kind, Place, Expected, Got, Rule, Raw string
	Problem                                   string
	Number, Frame, Length, Row                int
	Open                                      bool
	Bytes                                     []pageBytes

	f *judge.Finding
}

type pageBytes struct {
	Hex, Name, Text string
	Bad             bool
}

// HTML writes one page that stands alone: the verdicts, the causes with their
// evidence, the timeline of each run.
func HTML(w io.Writer, title string, runs []Run) error {
	p := page{
		Title: visible(title), Verdict: Verdict(runs).String(), Simulated: Simulated, Key: key(),
		CSS: template.CSS(pageCSS), JS: template.JS(pageJS),
		// Only this very style and this very script may be used, and nothing be loaded.
		CSP: fmt.Sprintf("default-src 'none'; style-src '%s'; script-src '%s'; base-uri 'none'; form-action 'none'", hash(pageCSS), hash(pageJS)),
	}
	for _, r := range diagnoses(runs) {
		p.Diagnoses = append(p.Diagnoses, diagnosisText(r))
	}
	for i := range runs {
		p.Runs = append(p.Runs, pageOf(&runs[i], fmt.Sprintf("run%d", i+1)))
	}
	return pageTemplate.Execute(w, p)
}

func hash(s string) string {
	sum := sha256.Sum256([]byte(s))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

// Style is the style of the pages, and the content policy that lets nothing else in.
func Style() (css template.CSS, policy string) {
	return template.CSS(pageCSS), fmt.Sprintf("default-src 'none'; style-src '%s'; base-uri 'none'; form-action 'none'", hash(pageCSS))
}

func pageOf(r *Run, id string) pageRun {
	res := &r.Result
	p := pageRun{Run: r, ID: id, Verdict: res.Verdict.String(), Summary: summary(r), Coverage: CoverageLine([]Run{*r})}
	var names []string
	n := 0
	for _, g := range groups(res) {
		pg := pageGroup{}
		total := len(g.findings)
		if g.ex != nil {
			c := g.ex.Cause
			names = append(names, c.Code+" "+c.Name)
			pg = pageGroup{Code: c.Code, Name: c.Name, Looks: c.Looks, Why: c.Why, Fix: c.Fix, Rival: strings.Join(append(orTexts(levelTexts(g.ex)), rivalTexts(g.ex)...), "; ")}
			pg.Explains = explainsText(g.ex.Explains, res.Counts.Findings, g.ex.Left)
			total = max(total, g.ex.Explains)
		} else if g.pattern != nil {
			names = append(names, "a pattern")
			pg = pageGroup{Name: "pattern", Looks: visible(g.pattern.Text), Rival: strings.Join(orTexts(g.pattern.Or), "; "), Explains: explainsText(g.pattern.Explains, res.Counts.Findings, g.pattern.Left)}
			total = max(total, g.pattern.Explains)
		} else {
			total = max(total, res.Unexplained)
		}
		for i, f := range g.findings {
			if i == maxShown {
				break
			}
			n++
			pf := findingOf(r, f, n)
			pf.ID = fmt.Sprintf("%s-%d", id, n)
			pf.Open = i == 0
			pg.Findings = append(pg.Findings, pf)
		}
		if more := total - len(pg.Findings); more > 0 {
			pg.More = fmt.Sprintf("And %d more; the JSON report lists them.", more)
		}
		p.Groups = append(p.Groups, pg)
	}
	p.CauseNames = strings.Join(names, ", ")
	p.Timeline = drawTimeline(r, p.Groups)
	return p
}

func summary(r *Run) string {
	res := &r.Result
	switch {
	case res.Verdict == judge.Pass:
		s := fmt.Sprintf("All %s of the host agree with what was sent.", show.Counted(res.Counts.Paired, "row"))
		if len(res.NotJudged) > 0 {
			s += " " + show.Counted(len(res.NotJudged), "thing") + " not judged; see below."
		}
		return s
	case res.Verdict == judge.Skipped:
		return "The scenario asks for what the host does not claim."
	case res.Counts.Findings > 0:
		return putDown(res) + "."
	}
	return "No finding, but no verdict either."
}

func findingOf(r *Run, f *judge.Finding, number int) pageFinding {
	p := pageFinding{Number: number, Kind: string(f.Kind), Place: visible(place(f)), Expected: orNothing(f.Expected), Got: orNothing(f.Got), Rule: visible(f.Rule), Frame: f.Frame, Length: len(f.Bytes), f: f}
	if f.Record != nil {
		p.Row, p.Raw = max(1, f.Record.Row), visible(f.Record.Raw)
		if f.Record.Problem != f.Rule {
			p.Problem = visible(f.Record.Problem)
		}
	}
	if len(f.Bytes) > 0 {
		var fields []Field
		if r.Fields != nil {
			fields = r.Fields(f.Gauge, f.Bytes)
		}
		p.Bytes = bytesOf(f.Bytes, fields)
	}
	return p
}

func orNothing(s string) string {
	if s == "" {
		return "nothing"
	}
	return visible(s)
}

// bytesOf cuts a frame along its fields; bytes in no field stand alone, and a
// field that does not fit the frame is left out.
func bytesOf(b []byte, fields []Field) (out []pageBytes) {
	at := 0
	put := func(to int, f Field) {
		if to > at {
			out = append(out, pageBytes{spaced(b[at:to]), visible(f.Name), visible(f.Text), f.Bad})
			at = to
		}
	}
	for _, f := range fields {
		if f.From < at || f.To <= f.From || f.To > len(b) {
			continue
		}
		put(f.From, Field{Text: printable(b[at:f.From])})
		put(f.To, f)
	}
	put(len(b), Field{Text: printable(b[at:])})
	return out
}

func spaced(b []byte) string {
	if len(b) > 64 {
		return fmt.Sprintf("% x …", b[:64])
	}
	return fmt.Sprintf("% x", b)
}

// printable is the text of bytes that are ASCII, with control characters made
// visible; empty when there is no text.
func printable(b []byte) string {
	b = b[:min(len(b), 64)]
	letters := false
	for _, c := range b {
		if c >= 0x7f {
			return ""
		}
		letters = letters || c > ' '
	}
	if !letters {
		return ""
	}
	return strings.NewReplacer("\r", `\r`, "\n", `\n`, "\t", `\t`).Replace(string(b))
}
