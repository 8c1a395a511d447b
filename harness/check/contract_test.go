package check_test

import (
	"fmt"
	"os"
	"reflect"
	"strings"
	"testing"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/check"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// The page of the host contract has a table of all that the job file holds, made
// of its Go types, and names every word of a conformance statement.
//
// Kind: self.
func TestHostContract(t *testing.T) {
	t.Parallel()
	const file, begin, end = "../hostfile/README.md", "<!-- job: begin -->\n", "<!-- job: end -->"
	b, err := os.ReadFile(file)
	require.NoError(t, err)
	page := string(b)
	for _, a := range cause.Aspects() {
		require.Contains(t, page, fmt.Sprintf("\n| `%s` |", a), "the table of what a host need not do")
	}
	var table strings.Builder
	table.WriteString("| key | what it says |\n|---|---|\n")
	jobRows(&table, "", reflect.TypeFor[check.Job]())
	head, rest, found := strings.Cut(page, begin)
	require.True(t, found)
	was, tail, found := strings.Cut(rest, end)
	require.True(t, found)
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(head+begin+table.String()+end+tail), 0o644))
		return
	}
	require.Empty(t, cmp.Diff(table.String(), was), "make the table anew with -update")
}

func jobRows(b *strings.Builder, under string, t reflect.Type) {
	for i := range t.NumField() {
		f := t.Field(i)
		key, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		fmt.Fprintf(b, "| `%s%s` | %s |\n", under, key, f.Tag.Get("doc"))
		of := f.Type
		if of.Kind() == reflect.Slice || of.Kind() == reflect.Pointer {
			of = of.Elem()
		}
		if of.Kind() == reflect.Struct && (strings.HasPrefix(of.Name(), "Job") || of.Name() == "Rules" || of.Name() == "Layout") {
			jobRows(b, under+key+".", of)
		}
	}
}
