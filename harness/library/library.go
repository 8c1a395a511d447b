package library

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"sort"
	"strings"

	"example.org/understudy/harness/infile"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/strict"
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

// Find reads a file by its path, or a shipped one of a folder by its name, with or
// without its number: 03-inch-host, or inch-host.
func Find(dir, name string) (file string, text []byte, err error) {
	text, err = infile.Read(infile.Anywhere, name, infile.Text)
	if err == nil {
		return name, text, nil
	}
	if !errors.Is(err, fs.ErrNotExist) || strings.ContainsAny(name, `/\`) || strings.HasSuffix(name, ".yaml") {
		return name, nil, err
	}
	names := Shipped(dir)
	if dir == "." && slices.Contains(Shipped("lessons"), name) {
		dir, names = "lessons", []string{name}
	}
	for _, n := range names {
		if _, bare, _ := strings.Cut(n, "-"); n == name || dir == "." && bare == name {
			file = path.Join(dir, n+".yaml")
			text, err = scenarios.Files.ReadFile(file)
			return "shipped/" + file, text, err
		}
	}
	what := map[string]string{".": "scenario", "dialects": "dialect", "hosts": "host description", "lines": "line"}[dir]
	want := "the shipped ones are " + strings.Join(names, ", ")
	if near := strict.Nearest(name, names); near != "" {
		want = fmt.Sprintf("did you mean %q?", near)
	}
	return name, nil, fmt.Errorf("there is no file and no shipped %s %q; %s", what, name, want)
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
