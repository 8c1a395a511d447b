package explore

import (
	_ "embed"
	"html/template"
	"io"
)

//go:embed page.tmpl
var pageText string

var pageTemplate = template.Must(template.New("page").Parse(pageText))

// Undecided is how many runs came to no verdict.
func (t *Told) Undecided() int {
	return t.Runs - t.Verdicts["pass"] - t.Verdicts["fail"] - t.Verdicts["skipped"]
}

// HTML writes what results come to as one page that stands alone.
func (t *Told) HTML(w io.Writer) error {
	return pageTemplate.Execute(w, struct {
		*Told
		Bar int
	}{t, 600 * t.Tuples / max(t.Of, 1)})
}
