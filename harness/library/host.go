package library

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"example.org/understudy/harness/hostfile"
)

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
	b.WriteString("understudy-host: 1\nrun: [")
	for i, w := range words {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(strconv.Quote(w))
	}
	b.WriteString("]\n")
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
