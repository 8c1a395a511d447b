package cause_test

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"example.org/understudy/harness/cause"
	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the page of causes anew")

// The page of the causes says what the catalogue says.
//
// Kind: self.
func TestPage(t *testing.T) {
	var b strings.Builder
	b.WriteString(`# The mistakes hosts make

Each cause that a report can name: its code and name, what it looks like in the
records, why hosts do it, and how to fix it. ` + "`understudy causes NAME`" + ` tells the
same; ` + "`understudy check --defect NAME`" + ` has the reference host make the mistake.

Made of [catalogue.go](catalogue.go) by ` + "`go test ./harness/cause -run Page -update`" + `.
`)
	all := append(cause.All(), cause.Summaries()...)
	group := byte(0)
	for _, c := range all {
		if c.Code[1] != group {
			group = c.Code[1]
			name := cause.Groups()[group]
			fmt.Fprintf(&b, "\n## %s%s\n\n| | what it looks like | why | how to fix it |\n|---|---|---|---|\n", strings.ToUpper(name[:1]), name[1:])
		}
		fmt.Fprintf(&b, "| %s `%s` | %s | %s | %s |\n", c.Code, c.Name, c.Looks, c.Why, c.Fix)
	}
	if *update {
		if err := os.WriteFile("README.md", []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	page, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(b.String(), string(page)); d != "" {
		t.Errorf("out of date; go test ./harness/cause -run Page -update\n%s", d)
	}
}
