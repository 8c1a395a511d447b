package suite

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/show"
)

// Found is what paths lead to: folders of finished runs, and files of results.
type Found struct {
	Runs                     []string
	Rehearsals, Explorations []string
}

// Find looks at paths, and at what is in folders.
func Find(paths []string) (f Found, err error) {
	for _, p := range paths {
		if err := f.add(p, true); err != nil {
			return f, err
		}
	}
	return f, nil
}

// Kinds is how many kinds of work were found.
func (f *Found) Kinds() int {
	return min(len(f.Runs), 1) + min(len(f.Rehearsals), 1) + min(len(f.Explorations), 1)
}

// kindOf says what a file of results is: explore, rehearse, or neither.
func kindOf(file string) (string, error) {
	f, err := infile.Open(infile.Anywhere, file, infile.Capture)
	if err != nil {
		return "", err
	}
	defer f.Close()
	d := json.NewDecoder(f)
	open, err := d.Token()
	if err != nil || open != json.Delim('{') {
		return "", nil
	}
	switch key, _ := d.Token(); key {
	case "explore":
		return "explore", nil
	case "understudy-rehearsal":
		return "rehearse", nil
	}
	return "", nil
}

func (f *Found) add(path string, named bool) error {
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return err
	case check.IsRun(path):
		f.Runs = append(f.Runs, path)
		return nil
	case info.IsDir() && !named:
		return nil
	case info.IsDir():
		inside, err := os.ReadDir(path)
		if err != nil {
			return err
		}
		before := f.count()
		for _, e := range inside {
			if err := f.add(filepath.Join(path, e.Name()), false); err != nil {
				return err
			}
		}
		if f.count() == before {
			if check.IsPlay(path) {
				return fmt.Errorf("%s is the folder of a play: no host was judged in it; plot draws it", path)
			}
			return fmt.Errorf("there is no finished run in %s, and no result of explore --results or rehearse --json", path)
		}
		return nil
	case !named && !slices.Contains([]string{".json", ".jsonl"}, filepath.Ext(path)):
		return nil
	}
	kind, err := kindOf(path)
	switch {
	case err != nil:
		return err
	case kind == "explore":
		f.Explorations = append(f.Explorations, path)
	case kind == "rehearse":
		f.Rehearsals = append(f.Rehearsals, path)
	case named:
		return fmt.Errorf("%s is neither the folder of a finished run, nor what explore --results or rehearse --json wrote", path)
	}
	return nil
}

func (f *Found) count() int { return len(f.Runs) + len(f.Rehearsals) + len(f.Explorations) }

// String says what was found.
func (f Found) String() string {
	var parts []string
	say := func(n int, what, of string) {
		if n > 0 {
			parts = append(parts, show.Counted(n, what)+of)
		}
	}
	say(len(f.Runs), "finished run", "")
	say(len(f.Rehearsals), "result", " of a rehearsal")
	say(len(f.Explorations), "result", " of an exploration")
	return strings.Join(parts, ", ")
}
