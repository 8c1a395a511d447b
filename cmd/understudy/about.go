package main

import (
	"debug/buildinfo"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/proof"
	"example.org/understudy/harness/shipping"
	"github.com/alecthomas/kong"
)

type versionCmd struct {
	Program string `arg:"" optional:"" help:"A built program, for any system (default: this one)."`
	SBOM    bool   `name:"sbom" help:"Print its bill of materials instead, as CycloneDX JSON."`
}

func (c *versionCmd) Run(a *app) (err error) {
	info, ok := debug.ReadBuildInfo()
	if c.Program != "" {
		if info, err = buildinfo.ReadFile(c.Program); err != nil {
			return err
		}
	} else if !ok {
		return errors.New("this program was built without what says its version")
	}
	if c.SBOM {
		_, err = a.stdout.Write(shipping.SBOM(info))
		return err
	}
	_, err = fmt.Fprint(a.stdout, shipping.Version(info))
	return err
}

type completionCmd struct {
	Shell string `arg:"" enum:"bash,fish,zsh" help:"The shell: bash, fish or zsh."`
}

func (c *completionCmd) Run(a *app, k *kong.Context) error {
	text, err := shipping.Setup(k.Model, c.Shell)
	fmt.Fprint(a.stdout, text)
	return err
}

// complete prints what may come next in a command line that a shell asks about.
func complete(a *app, model *kong.Application, line string) {
	values := map[string][]string{"line": library.Shipped("lines"), "dialect": library.Shipped("dialects"), "host": library.Shipped("hosts")}
	for _, name := range library.Shipped(".") {
		values["scenario"] = append(values["scenario"], strings.TrimLeft(name, "0123456789-"))
	}
	for _, k := range append(cause.All(), cause.Summaries()...) {
		values["name"] = append(values["name"], k.Name)
	}
	values["defect"] = values["name"]
	for _, n := range model.Children {
		values["command"] = append(values["command"], n.Name)
	}
	for _, w := range shipping.Complete(model, line, values) {
		fmt.Fprintln(a.stdout, w)
	}
}

// manual is the manual page of all commands.
func manual(model *kong.Application) string {
	return shipping.Manual(model, [][2]string{
		{"Description", "understudy stands in for hand gauges: it puts virtual ones on ports, plays scenarios through them, and judges the records of host software. Words behind -- are the command of a host."},
		{"Exit status", fmt.Sprintf("%d: all passed. %d: a host got something wrong, or a line does not hold. %d: a run could not be decided. %d: bad usage or bad input.", exitPass, exitFinding, exitUndecided, exitUsage)},
	})
}

type causesCmd struct {
	Name string `arg:"" optional:"" help:"A cause's name or code (default: all of them)."`
}

func (c *causesCmd) Run(a *app) error {
	if c.Name != "" {
		k, ok := cause.Find(c.Name)
		if !ok {
			return fmt.Errorf("there is no cause %q; understudy causes lists them", c.Name)
		}
		fmt.Fprintf(a.stdout, "%s %s\n\nWhat it looks like\n  %s\nWhy it happens\n  %s\nHow to fix it\n  %s\n", k.Code, k.Name, k.Looks, k.Why, k.Fix)
		return nil
	}
	groups := cause.Groups()
	last := byte(0)
	for _, k := range append(cause.All(), cause.Summaries()...) {
		if k.Code[1] != last {
			last = k.Code[1]
			fmt.Fprintf(a.stdout, "\n%s\n", groups[last])
		}
		fmt.Fprintf(a.stdout, "  %s %-22s %s\n", k.Code, k.Name, k.Looks)
	}
	return nil
}

type verifyCmd struct {
	HTML string `name:"html" type:"path" help:"Write the table as a page to this file."`
	JSON string `name:"json" type:"path" help:"Write the table as JSON to this file."`
}

func (c *verifyCmd) Run(a *app) error {
	r := proof.Of(proof.Rows())
	if err := r.Text(a.stdout); err != nil {
		return err
	}
	if err := writeFiles(file{c.HTML, r.HTML}, file{c.JSON, r.JSON}); err != nil {
		return err
	}
	if !r.Agree {
		return coded{code: exitFinding}
	}
	return nil
}
