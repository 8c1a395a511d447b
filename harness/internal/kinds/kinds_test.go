// Package kinds holds every test of the project to saying what it rests on.
package kinds_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// kinds are the kinds of test, by what a test rests on.
var kinds = map[string]string{
	"outside":  "a published figure or clause, another program, or a value worked out by hand",
	"model":    "a second way to the same result that shares no code with the first",
	"property": "a rule that is stated, on chosen or drawn cases",
	"golden":   "what was kept, after a person looked at it",
	"process":  "real processes, terminals, sockets or browsers",
	"self":     "the project's own code or words: that two parts of it agree",
}

var (
	isTest = regexp.MustCompile(`^(Test|Fuzz)[A-Z]`)
	said   = regexp.MustCompile(`(?m)^Kind: (\w+)\.$`)
)

// Every test and fuzz target ends its comment with its kind, "Kind: property." The
// log has the counts; fewer than one in twenty rests on the project itself.
//
// Kind: self.
func TestEveryTestSaysItsKind(t *testing.T) {
	const root = "../../.."
	count, total := map[string]int{}, 0
	require.NoError(t, filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && d.Name() == "testdata" && filepath.Dir(p) != filepath.Clean(root) {
			return fs.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(p, "_test.go") {
			return nil
		}
		f, err := parser.ParseFile(token.NewFileSet(), p, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		for _, decl := range f.Decls {
			fn, ok := decl.(*ast.FuncDecl)
			if !ok || fn.Recv != nil || !isTest.MatchString(fn.Name.Name) || fn.Name.Name == "TestMain" {
				continue
			}
			total++
			m := said.FindStringSubmatch(fn.Doc.Text())
			if m == nil || kinds[m[1]] == "" {
				t.Errorf("%s: %s does not say its kind: end its comment with a line such as\n// Kind: property.\nThe kinds are %v", p, fn.Name.Name, kinds)
				continue
			}
			count[m[1]]++
		}
		return nil
	}))
	var words []string
	for k, n := range count {
		words = append(words, fmt.Sprintf("%s %d", k, n))
	}
	slices.Sort(words)
	t.Logf("kinds of %d tests: %s", total, strings.Join(words, ", "))
	require.Less(t, 20*count["self"], total, "of %d tests %d rest on the project itself", total, count["self"])
}
