package shipping

import (
	_ "embed"
	"fmt"
	"strings"

	"github.com/alecthomas/kong"
)

// Manual is the manual page of a program with commands, in roff's man macros. The
// sections of before stand above the commands, each a heading and a text.
func Manual(app *kong.Application, before [][2]string) string {
	var b strings.Builder
	name := strings.ToUpper(app.Name)
	fmt.Fprintf(&b, ".TH %s 1 \"\" \"%s\"\n.SH NAME\n%s \\- %s\n.SH SYNOPSIS\n.B %s\n.I command\n[\\fIoptions\\fR]\n", name, app.Name, app.Name, roff(strings.TrimSuffix(app.Help, ".")), app.Name)
	for _, s := range before {
		fmt.Fprintf(&b, ".SH %s\n%s\n", strings.ToUpper(roff(s[0])), roff(s[1]))
	}
	b.WriteString(".SH COMMANDS\n")
	for _, c := range app.Leaves(true) {
		fmt.Fprintf(&b, ".SS %s\n%s\n", roff(strings.TrimPrefix(c.Summary(), app.Name+" ")), roff(c.Help))
		for _, p := range c.Positional {
			fmt.Fprintf(&b, ".TP\n.I %s\n%s\n", roff(p.Name), roff(p.Help))
		}
		flags(&b, c.Flags)
	}
	b.WriteString(".SH OPTIONS OF EVERY COMMAND\n")
	flags(&b, app.Flags)
	return b.String()
}

func flags(b *strings.Builder, all []*kong.Flag) {
	for _, f := range all {
		if !f.Hidden {
			fmt.Fprintf(b, ".TP\n.B %s\n%s\n", roff(f.String()), roff(f.Help))
		}
	}
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
