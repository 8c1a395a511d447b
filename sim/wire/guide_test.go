package wire

import (
	"fmt"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"example.org/understudy/sim/strict"
	"github.com/stretchr/testify/require"
)

// Every file in the guide is complete, and proves itself.
//
// Kind: self.
func TestGuide(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile(dialectDir + "/GUIDE.md")
	require.NoError(t, err)
	found := regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllStringSubmatch(string(text), -1)
	require.Len(t, found, 4)
	for _, m := range found {
		d := parse(t, "guide.yaml", m[1])
		require.Empty(t, d.Prove(Use{}).Flaws, d.Name())
	}
}

// The reference is made from the structs of the language. Made anew by go test
// ./sim/wire -run Reference -update.
//
// Kind: self.
func TestReferencePage(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString("# Every key of a dialect file\n\nMade by `go test ./sim/wire -run ReferencePage -update`; the test fails when it is out of date.\n")
	table := func(title string, of any) {
		fmt.Fprintf(&b, "\n## %s\n\n| key | meaning |\n|---|---|\n", title)
		for _, f := range strict.FieldsOf(reflect.TypeOf(of)) {
			need := ""
			if f.Needed {
				need = " (needed)"
			}
			fmt.Fprintf(&b, "| `%s`%s | %s |\n", f.Key, need, strings.ReplaceAll(f.Doc, "|", "\\|"))
		}
	}
	table("The file", fileSpec{})
	table("`serial-line`", lineSpec{})
	table("`framing`, `host-framing`, `framings`", namedFraming{})
	table("`frames`", frameSpec{})
	table("`commands`", cmdSpec{})
	table("`states`", stateSpec{})
	table("A rule", ruleSpec{})
	table("`remembers`", rememberSpec{})
	table("`station`", stationSpec{})
	table("`maps`", tableSpec{})
	table("`registers`", mapLine{})
	table("`errors`", errorsSpec{})
	table("`errors: listed`", errorRule{})
	b.WriteString("\nA field is a text, which stands for itself, or a mapping with the key of its kind.\n")
	for _, k := range kinds {
		table("Field `"+k.key+"`", reflect.ValueOf(k.spec).Elem().Interface())
	}
	table("`bits` of `flags`", bitSpec{})
	table("`crc` of `check`", crcSpec{})
	file := dialectDir + "/REFERENCE.md"
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), b.String())
}
