package library

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"sort"
	"strconv"
	"strings"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/wire"
)

// Shipped lists the shipped files of a folder, "." for scenarios, by name without
// folder and ending.
func Shipped(dir string) []string {
	files, err := fs.Glob(scenarios.Files, path.Join(dir, "*.yaml"))
	if err != nil {
		panic(err) // the pattern is ours
	}
	for i, f := range files {
		files[i] = strings.TrimSuffix(path.Base(f), ".yaml")
	}
	sort.Strings(files)
	return files
}

// longestName bounds the name of a file, which messages quote.
const longestName = 1024

// Find reads a file by its path, or a shipped one of a folder by its name. A scenario
// or a lesson is also found without its number, 03-inch-host as inch-host, and by words
// of its name that no other has: inch.
func Find(dir, name string) (file string, text []byte, err error) {
	if len(name) > longestName {
		return "", nil, fmt.Errorf("the name of a file has at most %d bytes, and %q has %d", longestName, strict.Short(name), len(name))
	}
	text, err = infile.Read(infile.Anywhere, name, infile.Text)
	if err == nil {
		return name, text, nil
	}
	if !errors.Is(err, fs.ErrNotExist) || strings.ContainsAny(name, `/\`) || strings.HasSuffix(name, ".yaml") {
		return name, nil, err
	}
	names := Shipped(dir)
	if dir == "." {
		for _, n := range Shipped("lessons") {
			names = append(names, "lessons/"+n)
		}
	}
	var known, words []string
	full := map[string]string{} // names by those without number
	for _, n := range names {
		short := path.Base(n)
		known = append(known, short)
		_, bare, numbered := strings.Cut(short, "-")
		if numbered = numbered && dir == "."; numbered && full[bare] == "" {
			known, full[bare] = append(known, bare), short
		}
		if short == name || numbered && bare == name {
			return read(dir, n)
		}
		if numbered && strings.Contains("-"+bare+"-", "-"+name+"-") {
			words = append(words, n)
		}
	}
	if len(words) == 1 {
		return read(dir, words[0])
	}
	list := func(of []string) string { return strings.ReplaceAll(strings.Join(of, ", "), "lessons/", "") }
	want := "the shipped ones are " + list(names)
	if near := strict.Nearest(name, known); len(words) > 1 {
		want = "did you mean one of " + list(words) + "?"
	} else if near != "" {
		want = fmt.Sprintf("did you mean %q?", cmp.Or(full[near], near))
	}
	what := map[string]string{".": "scenario", "dialects": "dialect", "hosts": "host description", "lines": "line"}[dir]
	return name, nil, fmt.Errorf("there is no file and no shipped %s %q; %s", what, name, want)
}

// read reads a shipped file.
func read(dir, name string) (string, []byte, error) {
	file := path.Join(dir, name+".yaml")
	text, err := scenarios.Files.ReadFile(file)
	return "shipped/" + file, text, err
}

// DialectsBeside finds the dialects of a scenario: shipped ones by name,
// others by a path that starts at the scenario's folder.
func DialectsBeside(scenarioFile string) scenario.Source {
	return func(name string) (string, []byte, error) {
		if strings.ContainsAny(name, `/\.`) && !filepath.IsAbs(name) {
			name = filepath.Join(filepath.Dir(scenarioFile), name)
		}
		return Find("dialects", name)
	}
}

// Dialect reads a dialect: a file, or a shipped one by its name.
func Dialect(name string) (d *wire.Dialect, file string, text []byte, err error) {
	if file, text, err = Find("dialects", name); err == nil {
		d, err = wire.Parse(file, text)
	}
	return d, file, text, err
}

// Load reads a scenario: a file, or a shipped one by its name.
func Load(name string) (*scenario.Scenario, error) {
	file, text, err := Find(".", name)
	if err != nil {
		return nil, err
	}
	return scenario.Parse(file, text, DialectsBeside(file))
}

// Name is a scenario's short name: its file's, without folder and ending.
func Name(s *scenario.Scenario) string {
	return strings.TrimSuffix(path.Base(filepath.ToSlash(s.Path)), ".yaml")
}

// Command makes a host description of a bare command line: it starts in the present
// folder, is ready when it has opened its ports, and its records are CSV with our
// column names in {records}.
func Command(words []string) (h *hostfile.Host, text []byte, err error) { return Described(words, "") }

// LoadHost reads a host description: a file, or a shipped one by its name. A folder:
// and a program that are given by a path are looked for from the file's own folder.
func LoadHost(name string) (h *hostfile.Host, text []byte, err error) {
	file, text, err := Find("hosts", name)
	if err != nil {
		return nil, nil, err
	}
	if h, err = answered(hostfile.Parse(file, text)); err != nil {
		return nil, nil, err
	}
	from := func(path string) string {
		if path == "" || filepath.IsAbs(path) || strings.HasPrefix(path, "{") {
			return path
		}
		abs, err := filepath.Abs(filepath.Join(filepath.Dir(file), path))
		if err != nil {
			return path
		}
		return abs
	}
	h.Folder = from(h.Folder)
	if own := h.Folder == "" || h.Folder == "{run}"; own && len(h.Run) > 0 && strings.ContainsRune(h.Run[0], filepath.Separator) {
		h.Run = append([]string{from(h.Run[0])}, h.Run[1:]...)
	}
	return h, text, nil
}

// answered refuses a description that still has questions.
func answered(h *hostfile.Host, err error) (*hostfile.Host, error) {
	if err == nil && len(h.Asked) > 0 {
		err = h.Asked
	}
	return h, err
}

// Described makes a host description of a command and of how its records read, in
// YAML.
func Described(words []string, records string) (h *hostfile.Host, text []byte, err error) {
	var b strings.Builder
	quoted := make([]string, len(words))
	for i, w := range words {
		quoted[i] = strconv.Quote(w)
	}
	b.WriteString("understudy-host: 1\nrun: [" + strings.Join(quoted, ", ") + "]\n")
	if here, err := os.Getwd(); err == nil {
		b.WriteString("folder: " + strconv.Quote(here) + "\n")
	}
	b.WriteString("records:")
	if records = strings.TrimRight(records, " \t\n"); records == "" {
		records = "{form: csv}"
	}
	for line := range strings.SplitSeq(records, "\n") {
		b.WriteString("\n  " + line)
	}
	text = []byte(b.String() + "\n")
	h, err = answered(hostfile.Parse("the command line", text))
	return h, text, err
}
