package strict_test

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"example.org/understudy/sim/strict"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
)

type shade uint8

func (shade) Names() []string { return []string{"pale", "deep"} }
func (s *shade) UnmarshalText(b []byte) error {
	for i, n := range s.Names() {
		if n == string(b) {
			*s = shade(i)
			return nil
		}
	}
	return fmt.Errorf("%q is not a shade", b)
}

type leaf struct {
	Name  string   `yaml:"name" need:"yes" doc:"what the leaf is called"`
	Veins int8     `yaml:"veins"`
	Shade shade    `yaml:"shade"`
	Sizes []string `yaml:"sizes"`
}

type tree struct {
	Leaves []leaf         `yaml:"leaves" was:"foliage"`
	Spare  *leaf          `yaml:"spare"`
	Marks  map[string]int `yaml:"marks"`
	Tall   bool           `yaml:"tall"`
	Pair   [2]uint        `yaml:"pair"`
}

const good = `# a tree
leaves:
  - {name: ash leaf, veins: 3, shade: deep, sizes: [8.000 mm, 1.50]}
  - name: "8.000"
    veins: 0x10
spare: {name: s}
marks: {a: 1, b: -2}
tall: true
pair: [1, 2]
`

// Kind: property.
func TestDecodeKeepsTextAndPlace(t *testing.T) {
	var tr tree
	doc, err := strict.Decode("t.yaml", []byte(good), &tr)
	require.NoError(t, err)
	want := tree{
		Leaves: []leaf{{"ash leaf", 3, 1, []string{"8.000 mm", "1.50"}}, {Name: "8.000", Veins: 16}},
		Spare:  &leaf{Name: "s"}, Marks: map[string]int{"a": 1, "b": -2}, Tall: true, Pair: [2]uint{1, 2},
	}
	if d := cmp.Diff(want, tr); d != "" {
		t.Error(d)
	}
	for _, c := range []struct {
		ptr  any
		want string
	}{
		{&tr.Leaves[0].Sizes[1], "t.yaml:3:63"},
		{&tr.Leaves[1], "t.yaml:4:5"},
		{&tr.Leaves[1].Name, "t.yaml:4:11"},
		{&tr.Tall, "t.yaml:8:7"},
		{&tr.Spare.Name, "t.yaml:6:15"},
	} {
		if got := doc.At(c.ptr).String(); got != c.want {
			t.Errorf("At = %s, want %s", got, c.want)
		}
		require.True(t, doc.Has(c.ptr))
	}
	require.False(t, doc.Has(&tr.Spare.Veins))
	doc.Errorf(&tr.Tall, "plant another", "too tall by %d", 2)
	require.EqualError(t, doc.Err(), "t.yaml:8:7: too tall by 2; plant another")
}

// Kind: property.
func TestMistakesAreNamedWhereTheyStand(t *testing.T) {
	for name, c := range map[string]struct{ src, want string }{
		"unknown key, near":   {"leavse: []", `t.yaml:1:1: unknown key "leavse"; did you mean "leaves"?`},
		"unknown key, far":    {"zzz: 1", `t.yaml:1:1: unknown key "zzz"; the keys here are leaves, spare, marks, tall, pair`},
		"unknown key, old":    {"foliage: []", `t.yaml:1:1: the key "foliage" is called "leaves" now; write leaves`},
		"missing key":         {"spare: {veins: 1}", `t.yaml:1:9: the key "name" is missing; what the leaf is called`},
		"enumeration":         {"spare: {name: a, shade: dep}", `t.yaml:1:25: "dep" is not a shade; did you mean "deep"?`},
		"list for scalar":     {"tall: [1]", `t.yaml:1:7: a single value belongs here, not a list`},
		"scalar for list":     {"leaves: 5", "t.yaml:1:9: a list belongs here, not a single value; write it as a list: [ ... ]"},
		"nothing":             {"tall:", "t.yaml:1:1: the value is missing: a single value belongs here; write one, or leave the key out"},
		"too large":           {"spare: {name: a, veins: 200}", `t.yaml:1:25: "200" is not a whole number that fits here`},
		"negative":            {"pair: [1, -2]", `t.yaml:1:11: "-2" is not a whole number, zero or more, that fits here`},
		"count":               {"pair: [1]", "t.yaml:1:7: 2 values belong here, not 1"},
		"not a yes or no":     {"tall: maybe", `t.yaml:1:7: "maybe" is neither true nor false; write true or false`},
		"twice":               {"tall: true\ntall: no", `t.yaml:2:1: the key "tall" stands twice (first at line 1); keep one of them`},
		"empty":               {"# nothing\n", "t.yaml:1:1: the file is empty"},
		"anchor":              {"spare: &a {name: b}", "t.yaml:1:8: anchors, aliases and tags are not part of this language; write the value out"},
		"a boolean of before": {"tall: yes", `t.yaml:1:7: "yes" is called "true" now; write true`},
		"a boolean to some":   {"spare: {name: Off, veins: 1}", `t.yaml:1:15: Off without quotes is a word to some YAML tools and a boolean to others; write "Off" in quotes`},
		"second document":     {"tall: true\n---\ntall: false\n", "t.yaml:3:1: a second document starts here; keep one per file"},
		"two, in file order":  {"tall: maybe\nleavse: 1", "t.yaml:1:7: \"maybe\" is neither true nor false; write true or false\nt.yaml:2:1: unknown key \"leavse\"; did you mean \"leaves\"?"},
	} {
		t.Run(name, func(t *testing.T) {
			var tr tree
			_, err := strict.Decode("t.yaml", []byte(c.src), &tr)
			require.Error(t, err)
			if d := cmp.Diff(c.want, err.Error()); d != "" {
				t.Error(d)
			}
		})
	}
}

// Kind: property.
func TestSyntaxErrorHasAPlace(t *testing.T) {
	var tr tree
	_, err := strict.Decode("t.yaml", []byte("tall: true\nleaves: [1, 2\n"), &tr)
	require.Error(t, err)
	require.Regexp(t, `^t\.yaml:2:\d+: `, err.Error())
}

// A file that makes the YAML library work without end is refused before it does.
//
// Kind: property.
func TestBoundsOfAFile(t *testing.T) {
	keys := func(n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, "k%d: 1\n", i)
		}
		return b.String()
	}
	for name, c := range map[string]struct{ src, want string }{
		"brackets":      {"leaves: " + strings.Repeat("[", 40_000) + strings.Repeat("]", 40_000), "t.yaml:1:109: nested more than 100 deep"},
		"braces":        {"marks: " + strings.Repeat("{a: ", 40_000), "t.yaml:1:408: nested more than 100 deep"},
		"dashes":        {"leaves:\n" + strings.Repeat("- ", 40_000) + "1", "t.yaml:2:201: nested more than 100 deep"},
		"indentation":   {indented(150), "t.yaml:101:101: nested more than 100 deep"},
		"keys":          {"tall: true\nmarks:\n  " + strings.ReplaceAll(keys(100_000), "\n", "\n  "), "t.yaml:4003:3: this mapping has more than 4000 keys; keep to 4000"},
		"values":        {"leaves: [" + strings.Repeat("1, ", 300_000) + "1]", "t.yaml:1:1: the file has more than 200000 lines and values; keep to 200000 lines and values"},
		"size":          {strings.Repeat("#", 5<<20), "t.yaml:1:1: the file has 5242880 bytes; keep it under 4194304"},
		"not UTF-8":     {"tall: true\nspare: {name: é\xff}", "t.yaml:2:16: the byte 0xff is not UTF-8; save the file as UTF-8"},
		"UTF-16":        {"\xff\xfet\x00", "t.yaml:1:1: the file begins with the byte order mark of UTF-16; save it as UTF-8"},
		"a long value":  {"tall: " + strings.Repeat("x", 1_000_000), `t.yaml:1:7: "` + strings.Repeat("x", 147) + "…" + strings.Repeat("x", 50) + `" is neither true nor false; write true or false`},
		"a long shade":  {"spare: {name: a, shade: " + strings.Repeat("x", 1_000_000) + "}", `t.yaml:1:25: "` + strings.Repeat("x", 146) + "…" + strings.Repeat("x", 34) + `" is not a shade`},
		"a long key":    {strings.Repeat("x", 1000) + ": 1", `t.yaml:1:1: unknown key "` + strings.Repeat("x", 147) + "…" + strings.Repeat("x", 50) + `"; the keys here are leaves, spare, marks, tall, pair`},
		"many mistakes": {"{" + strings.ReplaceAll(keys(30_000), "\n", ", ") + "}", ""},
	} {
		t.Run(name, func(t *testing.T) {
			var tr tree
			_, err := strict.Decode("t.yaml", []byte(c.src), &tr)
			require.Error(t, err)
			if c.want == "" {
				require.Len(t, err, 101)
				require.ErrorContains(t, err, "t.yaml: 29900 more mistakes are not listed")
				return
			}
			if d := cmp.Diff(c.want, err.Error()); d != "" {
				t.Error(d)
			}
		})
	}
}

func indented(deep int) string {
	var b strings.Builder
	for i := range deep {
		b.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	return b.String()
}

// Kind: property.
func TestQuotesAndCommentsDoNotNest(t *testing.T) {
	many := strings.Repeat("[", 300)
	for _, src := range []string{
		"spare: {name: \"" + many + "\\\"" + many + "\"}",
		"spare: {name: '" + many + "'}",
		"tall: true # " + many,
		"\ufeffspare:\n  name: it's\n# " + many,
	} {
		var tr tree
		_, err := strict.Decode("t.yaml", []byte(src), &tr)
		require.NoError(t, err)
	}
}

// Kind: property.
func TestNearest(t *testing.T) {
	for _, c := range [][2]string{{"limts", "limits"}, {"lmiits", "limits"}, {"warn", "warn"}, {"velocity", ""}, {"", ""}} {
		if got := strict.Nearest(c[0], []string{"limits", "warn", "gauges"}); got != c[1] {
			t.Errorf("Nearest(%q) = %q, want %q", c[0], got, c[1])
		}
	}
}

// Kind: self.
func TestSchemaListsEveryKey(t *testing.T) {
	var s struct {
		Defs map[string]struct {
			Properties map[string]any
			Required   []string
		} `json:"$defs"`
	}
	require.NoError(t, json.Unmarshal(strict.Schema("tree", tree{}), &s))
	require.Contains(t, s.Defs["tree"].Properties, "leaves")
	require.Equal(t, []string{"name"}, s.Defs["leaf"].Required)
}

// Kind: property.
func FuzzDecode(f *testing.F) {
	f.Add(good)
	f.Add("a: &x [*x, *x]")
	f.Add("? [a]\n: b")
	f.Add(strings.Repeat("[", 200))
	f.Fuzz(func(t *testing.T, src string) {
		var tr tree
		_, err := strict.Decode("f", []byte(src), &tr)
		if err != nil && err.Error() == "" {
			t.Error("an error without words")
		}
		var again tree
		_, err2 := strict.Decode("f", []byte(src), &again)
		if fmt.Sprint(err) != fmt.Sprint(err2) || !reflect.DeepEqual(tr, again) {
			t.Errorf("the same text twice: %v and %v", err, err2)
		}
		if err != nil && !strings.HasPrefix(err.Error(), "f:") && !strings.HasPrefix(err.Error(), "f: ") {
			t.Errorf("the mistake is in no place of the file: %v", err)
		}
		if err != nil {
			return
		}
		var back tree
		if _, err := strict.Decode("f", []byte(tr.text()), &back); err != nil || cmp.Diff(tr, back, cmpopts.EquateEmpty()) != "" {
			t.Errorf("what was accepted, written again: %v\n%s\n%s", err, tr.text(), cmp.Diff(tr, back, cmpopts.EquateEmpty()))
		}
	})
}

// text writes a tree with each key and each text in quotes.
func (tr *tree) text() string {
	quote := func(v any) string {
		b, _ := json.Marshal(v) // of texts and numbers: it cannot fail
		return string(b)
	}
	one := func(l leaf) string {
		return fmt.Sprintf("{name: %s, veins: %d, shade: %s, sizes: [%s]}", quote(l.Name), l.Veins, l.Shade.Names()[l.Shade], strings.Join(texts(l.Sizes, func(s string) string { return quote(s) }), ", "))
	}
	var out strings.Builder
	out.WriteString("leaves: [" + strings.Join(texts(tr.Leaves, one), ", ") + "]\n")
	if tr.Spare != nil {
		out.WriteString("spare: " + one(*tr.Spare) + "\n")
	}
	if tr.Marks != nil {
		out.WriteString("marks: " + quote(tr.Marks) + "\n")
	}
	fmt.Fprintf(&out, "tall: %v\npair: [%d, %d]\n", tr.Tall, tr.Pair[0], tr.Pair[1])
	return out.String()
}

func texts[T any](of []T, text func(T) string) (all []string) {
	for _, v := range of {
		all = append(all, text(v))
	}
	return all
}

// A key's tags say which words or numbers it takes: reading refuses others at
// their place, and the schema tells an editor.
//
// Kind: self.
func TestAllowed(t *testing.T) {
	t.Parallel()
	type file struct {
		Sign  string   `yaml:"sign" one:"minus always"`
		Kinds []string `yaml:"kinds" one:"reading tag"`
		Size  int      `yaml:"size" one:"2 4 8"`
		Width *int     `yaml:"width" range:"-1 16"`
	}
	for text, want := range map[string]string{
		"sign: minus\nkinds: [tag, reading]\nsize: 4\nwidth: 16": "",
		"sign: allways":         `f.yaml:1:7: "allways" cannot stand here; did you mean "always"?`,
		"kinds: [reading, tug]": `f.yaml:1:18: "tug" cannot stand here; did you mean "tag"?`,
		"size: 3":               `f.yaml:1:7: "3" cannot stand here; write 2, 4 or 8`,
		"width: 17":             `f.yaml:1:8: 17 cannot stand here; write -1 to 16`,
		"width: wide":           `f.yaml:1:8: "wide" is not a whole number that fits here`,
	} {
		var f file
		_, err := strict.Decode("f.yaml", []byte(text), &f)
		got := ""
		if err != nil {
			got = err.Error()
		}
		if got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
	for _, part := range []string{`"enum": [`, `"minimum": -1`, `"maximum": 16`} {
		if !strings.Contains(string(strict.Schema("file", file{})), part) {
			t.Errorf("the schema has no %s", part)
		}
	}
}
