package shipping

import (
	_ "embed"
	"strings"
	"text/template"

	"github.com/alecthomas/kong"
)

//go:embed manual.tmpl
var manualText string

// Manual is the manual page of a program with commands, in roff's man macros. The
// sections of before stand above the commands, each a heading and a text.
func Manual(app *kong.Application, before [][2]string) string {
	page := template.Must(template.New("manual").Funcs(template.FuncMap{"upper": strings.ToUpper, "roff": roff,
		"name": func(c *kong.Node) string { return strings.TrimPrefix(c.Summary(), app.Name+" ") }}).Parse(manualText))
	var b strings.Builder
	if err := page.Execute(&b, struct {
		*kong.Application
		Summary string
		Before  [][2]string
	}{app, strings.TrimSuffix(app.Help, "."), before}); err != nil {
		panic(err) // the template is part of the program
	}
	return b.String()
}

// roff writes a text so that it stands for itself.
func roff(text string) string {
	text = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(text)
	lines := strings.Split(text, "\n")
	for i, l := range lines {
		if strings.HasPrefix(l, ".") || strings.HasPrefix(l, "'") {
			lines[i] = `\&` + l
		}
	}
	return strings.Join(lines, "\n")
}

// Pytest is the file that has pytest play scenarios to a host.
//
//go:embed understudy_pytest.py
var Pytest string
