package accept

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/report"
	"example.org/understudy/harness/show"
)

//go:embed page.tmpl
var pageText string

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{
	"mark":  func(s State) string { return marks[s] },
	"style": func() template.CSS { return template.CSS(show.Sheet) },
	"upper": strings.ToUpper,
	"inc":   func(i int) int { return i + 1 },
}).Parse(pageText))

// marks stand for states, so that neither colour nor place alone carries them.
var marks = map[State]string{None: "·", Right: "✓", Wrong: "✕", NotExercised: "?"}

// Sentence says in a sentence what the test came to: never a verdict without what it covers.
func (t *Test) Sentence() string {
	covered := fmt.Sprintf("%d of the %d cases that apply were exercised", t.Exercised, t.Applies)
	switch {
	case t.Verdict == judge.Pass:
		return fmt.Sprintf("PASS: %s, and all that the host recorded of them is right; %s.", covered, t.unshown())
	case t.Verdict == judge.Fail:
		return fmt.Sprintf("FAIL: %s, %d of them wrong; %s.", covered, t.count(Wrong), t.unshown())
	}
	return fmt.Sprintf("%s: %s; %s.", strings.ToUpper(t.Verdict.String()), covered, t.unshown())
}

// unshown says how many mistakes the test could not have shown.
func (t *Test) unshown() string {
	if line := report.CoverageLine(t.Runs); line != "" {
		return line
	}
	return "which mistakes the test could have shown is not known"
}

func (t *Test) count(s State) (n int) {
	for i := range t.Tables {
		for j := range t.Tables[i].Rows {
			for _, c := range t.Tables[i].Rows[j].Cells {
				if c.State == s {
					n++
				}
			}
		}
	}
	return n
}

// Reason is why cases do not apply or were not exercised, and where.
type Reason struct {
	Case, Why string
	Where     []string
}

// Reasons gathers the cases in a state by case and reason.
func (t *Test) Reasons(state State) (out []*Reason) {
	by := map[[2]string]*Reason{}
	for i := range t.Tables {
		for k, name := range t.Tables[i].Cases {
			for j := range t.Tables[i].Rows {
				row := &t.Tables[i].Rows[j]
				c := row.Cells[k]
				if c.State != state || c.Why == "" {
					continue
				}
				key := [2]string{name, c.Why}
				if by[key] == nil {
					by[key] = &Reason{Case: name, Why: c.Why}
					out = append(out, by[key])
				}
				by[key].Where = append(by[key].Where, row.name())
			}
		}
	}
	return out
}

// Text writes the matrix as plain text.
func (t *Test) Text(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "\nAcceptance test of %s\n%s\n", t.Line, t.Sentence())
	fmt.Fprintf(&b, "%s right, %s wrong, %s not exercised, %s not applicable\n", marks[Right], marks[Wrong], marks[NotExercised], marks[None])
	for i := range t.Tables {
		table := &t.Tables[i]
		wide := 0
		for j := range table.Rows {
			wide = max(wide, len(table.Rows[j].name()))
		}
		b.WriteByte('\n')
		for k, c := range table.Cases {
			fmt.Fprintf(&b, "%*s %s┌ %s\n", wide, "", strings.Repeat("│ ", k), c)
		}
		for j := range table.Rows {
			fmt.Fprintf(&b, "%-*s ", wide, table.Rows[j].name())
			for _, c := range table.Rows[j].Cells {
				b.WriteString(marks[c.State] + " ")
			}
			b.WriteByte('\n')
		}
	}
	for _, r := range t.Reasons(NotExercised) {
		fmt.Fprintf(&b, "not exercised: %s at %s: %s\n", r.Case, strings.Join(r.Where, ", "), r.Why)
	}
	if t.Elsewhere > 0 {
		fmt.Fprintf(&b, "findings that belong to no case of a gauge: %d\n", t.Elsewhere)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// HTML writes the protocol as one page that stands alone.
func (t *Test) HTML(w io.Writer) error {
	page := struct {
		*Test
		Unshown               []cause.Cause
		Missing, Inapplicable []*Reason
		Simulated             string
	}{Test: t, Missing: t.Reasons(NotExercised), Inapplicable: t.Reasons(None), Simulated: report.Simulated}
	if all, ok := report.Covered(t.Runs); ok {
		for _, c := range append(cause.All(), cause.Summaries()...) {
			for _, n := range all.Unshown {
				if n == c.Name {
					page.Unshown = append(page.Unshown, c)
				}
			}
		}
	}
	return pageTemplate.Execute(w, page)
}
