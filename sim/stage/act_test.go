package stage

import (
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// TestAnActIsAFile holds every act to one file that is named after its verb and
// has its struct and what it does; and every such file to an act.
//
// Kind: self.
func TestAnActIsAFile(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("act_*.go")
	require.NoError(t, err)
	files = slices.DeleteFunc(files, func(f string) bool { return strings.HasSuffix(f, "_test.go") })
	var want []string
	for verb, a := range verbs {
		file := "act_" + strings.ReplaceAll(verb, " ", "_") + ".go"
		want = append(want, file)
		b, err := os.ReadFile(file)
		require.NoError(t, err, "%s has no file", verb)
		name := reflect.TypeOf(a).Name()
		require.Regexp(t, `(?m)^// `+name+` .*(\n//.*)*\ntype `+name+` struct`, string(b), "%s: its struct, with what it is", file)
		require.Regexp(t, regexp.MustCompile(`(?m)^func \(\w* ?`+name+`\) do\(`), string(b), "%s: what it does", file)
	}
	slices.Sort(want)
	require.Empty(t, cmp.Diff(want, files))
}
