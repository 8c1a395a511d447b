package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.org/understudy/harness/library"
	"github.com/stretchr/testify/require"
)

// plainer are phrases that have to be read twice, and what says the same at once.
var plainer = map[string]string{
	`seed of all chance`:                   "random seed",
	`\b(own|same) luck\b`:                  "random seed",
	`any so many`:                          "2 (pairwise) or 3 (three-way)",
	`wrong name tells`:                     "an unknown name lists the valid ones",
	`what is found small`:                  "shrinking",
	`may stand several times`:              "repeatable",
	`when left out`:                        "(default: …)",
	`a number of times such as`:            "a speed factor such as",
	`part K of N of the work`:              "shard K of N",
	`places such as \{`:                    "placeholders such as {",
	`at whose place`:                       "which port each gauge occupies",
	`\blet pass\b`:                         "ignored",
	`is no arithmetic`:                     "is not a supported operator",
	`nothing says what the`:                "unknown …: map it under …",
	`\bspoil(t|ed)\b`:                      "corrupted",
	`which there are`:                      "the valid ones",
	`(tells|told) apart all the same`:      "is still flagged",
	`tells nothing of how much`:            "constant-time comparison",
	`gets to its feet`:                     "has restarted",
	`some levels of what varies`:           "given levels",
	`\bundecided\b`:                        "inconclusive",
	`stand in (this|the) (folder|package)`: "are in",
}

// No text that a user sees has a phrase for which there is a plainer one: the strings of
// the programs, the documents, the pages, and all that is shipped.
//
// Kind: self.
func TestPlainWords(t *testing.T) {
	t.Parallel()
	var all []string
	for phrase := range plainer {
		all = append(all, phrase)
	}
	any := regexp.MustCompile(`(?i)` + strings.Join(all, "|"))
	look := func(where, text string) {
		for _, hit := range any.FindAllString(text, -1) {
			for phrase, instead := range plainer {
				if regexp.MustCompile(`(?i)` + phrase).MatchString(hit) {
					t.Errorf("%s: %q: write %q or the like", where, hit, instead)
				}
			}
		}
	}
	texts := 0
	err := filepath.WalkDir("../..", func(file string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir():
			if name := d.Name(); name == ".git" || name == "testdata" {
				return filepath.SkipDir
			}
			return nil
		case strings.HasSuffix(file, "_test.go"):
			return nil
		}
		switch filepath.Ext(file) {
		case ".go":
			return literals(file, look)
		case ".md", ".yaml", ".tmpl", ".html", ".js":
			text, err := os.ReadFile(file)
			texts++
			words := regexp.MustCompile(`\{\{.*?\}\}`).ReplaceAllString(string(text), "") // of a page, what is filled in
			look(file, strings.Join(strings.Fields(words), " "))
			return err
		}
		return nil
	})
	require.NoError(t, err)
	require.Greater(t, texts, 80, "documents, pages and shipped files")
}

// literals calls look with the strings of a program, without the keys of a struct's
// fields but with what they say of themselves.
func literals(file string, look func(where, text string)) error {
	set := token.NewFileSet()
	f, err := parser.ParseFile(set, file, nil, parser.SkipObjectResolution)
	if err != nil {
		return err
	}
	said := regexp.MustCompile(`\b(doc|help):"((?:[^"\\]|\\.)*)"`)
	tags := map[*ast.BasicLit]bool{}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.Field:
			if tags[n.Tag] = true; n.Tag != nil {
				for _, m := range said.FindAllStringSubmatch(n.Tag.Value, -1) {
					look(set.Position(n.Pos()).String(), m[2])
				}
			}
		case *ast.BasicLit:
			if n.Kind == token.STRING && !tags[n] {
				text, _ := strconv.Unquote(n.Value)
				look(set.Position(n.Pos()).String(), text)
			}
		}
		return true
	})
	return nil
}

// Where a cue or a key of a shipped scenario stands for what can hurt on a real machine,
// its notice says so in one line, and leaves it to the rules of the site.
//
// Kind: self.
func TestCautions(t *testing.T) {
	t.Parallel()
	hurts := regexp.MustCompile(`do: (turn|cycle|set on cradle|fade cell)\b|\bshocks: \{`)
	found := 0
	for _, dir := range []string{".", "lessons"} {
		for _, name := range library.Shipped(dir) {
			file, text, err := library.Find(dir, name)
			require.NoError(t, err)
			if hurts.Match(text) {
				found++
				notice := strings.Join(strings.Fields(string(text[:strings.Index(string(text), "\nseed:")])), " ")
				require.Regexp(t, `Caution: [^.]+ the safety rules of your site\b[^.]* come first\.`, notice, file)
			}
		}
	}
	require.GreaterOrEqual(t, found, 7)
}
