package hostfile

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"example.org/understudy/sim/strict"
)

// Places are what the places in a description's texts stand for:
//
//	{port}       the port of the scenario's only (or first) gauge
//	{port:NAME}  the port of the gauge NAME
//	{run}        the run folder
//	{job}        the job file, which tells a host what to do
//	{records}    where the host's records belong (an address for form http)
//	{output}     the file that keeps the host's standard output
//	{self}       the understudy program
//
// Two braces {{ stand for one. Braces that hold anything but a small word, as
// in JSON, are left as they are.
type Places struct {
	Port    string
	Ports   map[string]string
	Run     string
	Job     string
	Records string
	Output  string
	Self    string
}

// Move makes the places of a run folder that was moved those of its new place.
func (p *Places) Move(run string) {
	for _, f := range []*string{&p.Job, &p.Records, &p.Output} {
		if rel, ok := strings.CutPrefix(*f, p.Run); ok && p.Run != "" {
			*f = run + rel
		}
	}
	p.Run = run
}

var placeForm = regexp.MustCompile(`\{\{|\{([a-z]+)(?::([^{}]*))?\}`)

var placeNames = []string{"port", "run", "job", "records", "output", "self"}

// checkPlaces reports places that have no meaning.
func checkPlaces(doc *strict.Doc, ptr any, text string) {
	for _, m := range placeForm.FindAllStringSubmatch(text, -1) {
		if m[0] == "{{" {
			continue
		}
		if err := placeError(m[1], m[2], strings.Contains(m[0], ":")); err != nil {
			doc.Errorf(ptr, err.want, "%s", err.msg)
		}
	}
}

type badPlace struct{ msg, want string }

func placeError(name, arg string, hasArg bool) *badPlace {
	switch {
	case !slices.Contains(placeNames, name):
		want := "the places are {" + strings.Join(placeNames, "}, {") + "} and {port:NAME}; write {{ for a brace that is none"
		if near := strict.Nearest(name, placeNames); near != "" {
			want = fmt.Sprintf("did you mean {%s}?", near)
		}
		return &badPlace{fmt.Sprintf("{%s} is not a place", name), want}
	case hasArg && name != "port":
		return &badPlace{fmt.Sprintf("{%s:%s}: only {port:NAME} takes a name", name, arg), fmt.Sprintf("write {%s}", name)}
	case hasArg && arg == "":
		return &badPlace{"{port:} names no gauge", "write {port:NAME}, or {port}"}
	}
	return nil
}

// Expand fills the places of a text in. The error names a place that the
// scenario cannot fill.
func (p Places) Expand(text string) (string, error) {
	var bad error
	out := placeForm.ReplaceAllStringFunc(text, func(s string) string {
		if s == "{{" {
			return "{"
		}
		name, arg, hasArg := strings.Cut(s[1:len(s)-1], ":")
		if err := placeError(name, arg, hasArg); err != nil {
			bad = fmt.Errorf("%s; %s", err.msg, err.want)
			return s
		}
		v := map[string]string{"port": p.Port, "run": p.Run, "job": p.Job, "records": p.Records, "output": p.Output, "self": p.Self}[name]
		if hasArg {
			v = p.Ports[arg]
			if v == "" {
				bad = fmt.Errorf("the scenario has no gauge %q for %s; its gauges are %s", arg, s, strings.Join(sortedKeys(p.Ports), ", "))
			}
		} else if v == "" {
			bad = fmt.Errorf("nothing stands for %s in this run", s)
		}
		return v
	})
	return out, bad
}

// ExpandAll fills the places of several texts in.
func (p Places) ExpandAll(texts []string) ([]string, error) {
	out := make([]string, len(texts))
	for i, t := range texts {
		var err error
		if out[i], err = p.Expand(t); err != nil {
			return nil, err
		}
	}
	return out, nil
}
