package proof

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"example.org/understudy/harness/report"
	"example.org/understudy/harness/schema"
	"example.org/understudy/harness/show"
)

//go:embed page.tmpl
var pageText string

var pageTemplate = template.Must(template.New("page").Parse(pageText))

// Report is the whole table, as JSON has it.
type Report struct {
	Version   int    `json:"understudy-verify" doc:"version of this form"`
	Agree     bool   `json:"agree" doc:"whether every computed value is the published one"`
	Summary   string `json:"summary" doc:"how many values there are, and how their documents were seen"`
	Simulated string `json:"simulated" doc:"what a pass does not say"`
	Rows      []Row  `json:"rows" doc:"one published value each"`
}

// Schema is the JSON Schema (2020-12) of the JSON form.
func Schema() []byte { return schema.Document("understudy verify", Report{}) }

// Of makes a report of rows.
func Of(rows []Row) Report {
	r := Report{Version: 1, Agree: true, Rows: rows,
		Simulated: "This compares models with published values. It says nothing about a real part, gauge or operator."}
	how := make([]int, len(Opened.Names()))
	models, wrong := map[string]bool{}, 0
	for i := range rows {
		how[rows[i].Seen]++
		models[rows[i].Package+rows[i].Model] = true
		if !rows[i].Agrees {
			r.Agree = false
			wrong++
		}
	}
	says := fmt.Sprintf("%d disagree", wrong)
	if r.Agree {
		says = "all agree"
	}
	var parts []string
	for i, name := range Opened.Names() {
		parts = append(parts, fmt.Sprintf("%s %d", name, how[i]))
	}
	r.Summary = fmt.Sprintf("%d values of %d models and rules: %s. How the documents were seen: %s.", len(rows), len(models), says, strings.Join(parts, ", "))
	return r
}

// JSON writes the report as JSON.
func (r Report) JSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(r)
}

// width is the widest line of the text form.
const width = 100

// Text writes the report for a terminal.
func (r Report) Text(w io.Writer) error {
	var b strings.Builder
	last := Row{}
	for i := range r.Rows {
		row := &r.Rows[i]
		if row.Package != last.Package || row.Model != last.Model {
			fmt.Fprintf(&b, "\n%s: %s\n", row.Package, row.Model)
			last = Row{}
		}
		if row.File != last.File || row.Words != last.Words {
			b.WriteString(show.Wrap("reached by "+row.File+", "+row.Words, "  ", width))
		}
		if row.Document != last.Document {
			b.WriteString(show.Wrap(row.Document+" ("+row.Seen.String()+")", "  ", width))
		}
		last = *row
		sign := " "
		if !row.Agrees {
			sign = "✕"
		}
		line := fmt.Sprintf("  %s %-45s %-19s %-19s %s", sign, row.Given, row.Expected, row.Got, row.Digits)
		if utf8.RuneCountInString(line) <= width {
			b.WriteString(line + "\n")
			continue
		}
		fmt.Fprintf(&b, "  %s %s", sign, strings.TrimLeft(show.Wrap(row.Given, "    ", width), " "))
		b.WriteString(show.Wrap("expected "+row.Expected, "      ", width))
		if row.Got == row.Expected {
			b.WriteString("      got the same\n")
		} else {
			b.WriteString(show.Wrap("got      "+row.Got, "      ", width))
		}
	}
	for _, p := range []string{r.Summary, without(), r.Simulated} {
		b.WriteString("\n" + show.Wrap(p, "", width))
	}
	_, err := io.WriteString(w, strings.TrimPrefix(b.String(), "\n"))
	return err
}

// without says which packages have no row.
func without() string {
	var parts []string
	for name, why := range Without() {
		parts = append(parts, name+" ("+why+")")
	}
	slices.Sort(parts)
	return "Packages without a value: " + strings.Join(parts, "; ") + "."
}

// HTML writes the report as one page that stands alone.
func (r Report) HTML(w io.Writer) error {
	type source struct { // of one model
		Row
		Rows []Row
	}
	type group struct {
		Name    string
		Sources []source
	}
	var groups []group
	for _, row := range r.Rows {
		if len(groups) == 0 || groups[len(groups)-1].Name != row.Package {
			groups = append(groups, group{Name: row.Package})
		}
		g := &groups[len(groups)-1]
		if n := len(g.Sources); n == 0 || g.Sources[n-1].Model != row.Model || g.Sources[n-1].Document != row.Document {
			g.Sources = append(g.Sources, source{Row: row})
		}
		s := &g.Sources[len(g.Sources)-1]
		s.Rows = append(s.Rows, row)
	}
	css, policy := report.Style()
	return pageTemplate.Execute(w, map[string]any{"Report": r, "Groups": groups, "Without": without(), "CSS": css, "CSP": policy})
}
