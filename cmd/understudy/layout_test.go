package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"example.org/understudy/harness/library"
	"example.org/understudy/scenarios"
	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/token"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
)

const module = "example.org/understudy/"

// layers are the packages from the top down; imports point down only. A
// package is in the layer of its longest prefix.
var layers = [][]string{
	{"cmd"},
	{"harness"},
	{"scenario"},
	{"scenarios"},
	{"sim/stage"},
	{"sim/port", "sim/link", "sim/power", "sim/motion", "sim/probe"},
	{"sim/gauge", "sim/wire"},
	{"sim/zone", "sim/tolerance", "sim/strict", "sim/quantity", "sim/steady", "sim/decimal", "sim/enum", "sim/random", "sim/uart", "sim/testenv"},
}

// siblings are the imports within a layer. No other is allowed.
var siblings = map[string][]string{
	"cmd/refhost":             {"cmd/refhost/host"},
	"cmd/refhost/inprocess":   {"cmd/refhost/host"},
	"cmd/understudy":          {"cmd/refhost/host", "cmd/refhost/inprocess"},
	"harness":                 {"harness/check", "harness/hostfile", "harness/judge", "harness/library", "harness/report"},
	"harness/accept":          {"harness/cause", "harness/judge", "harness/rehearse", "harness/report", "harness/show"},
	"harness/bytesheet":       {"harness/show"},
	"harness/capture":         {"harness/registry"},
	"harness/capture/draft":   {"harness/capture"},
	"harness/check":           {"harness/budget", "harness/cause", "harness/hostfile", "harness/infile", "harness/judge", "harness/library", "harness/paper", "harness/process", "harness/records", "harness/report", "harness/schema", "harness/study", "harness/summary"},
	"harness/control":         {"harness/budget", "harness/cause", "harness/check", "harness/library", "harness/paper", "harness/registry", "harness/schema"},
	"harness/diagnosis":       {"harness/judge"},
	"harness/explore":         {"harness/check", "harness/library", "harness/paper", "harness/cause", "harness/explore/inside", "harness/hostfile", "harness/judge", "harness/shard"},
	"harness/explore/inside":  {"harness/check", "harness/hostfile", "harness/judge", "harness/paper", "harness/records"},
	"harness/hostfile":        {"harness/cause"},
	"harness/judge":           {"harness/align", "harness/budget", "harness/cause"},
	"harness/library":         {"harness/hostfile", "harness/infile"},
	"harness/paper":           {"harness/budget", "harness/cause", "harness/show", "harness/study"},
	"harness/plot":            {"harness/show"},
	"harness/plot/pictures":   {"harness/check", "harness/paper", "harness/plot"},
	"harness/records":         {"harness/budget", "harness/hostfile", "harness/infile", "harness/judge"},
	"harness/records/sqlite":  {"harness/infile", "harness/records"},
	"harness/proof":           {"harness/hostfile", "harness/judge", "harness/library", "harness/paper", "harness/rehearse", "harness/report", "harness/schema", "harness/show", "harness/study", "harness/summary"},
	"harness/records/servers": {"harness/hostfile", "harness/records"},
	"harness/records/xlsx":    {"harness/infile", "harness/records"},
	"harness/rehearse":        {"harness/budget", "harness/paper", "harness/shard", "harness/show"},
	"harness/replay":          {"harness/capture"},
	"harness/report":          {"harness/cause", "harness/diagnosis", "harness/judge", "harness/show"},
	"harness/suite":           {"harness/budget", "harness/check", "harness/infile", "harness/library", "harness/hostfile", "harness/judge", "harness/show"},
	"harness/summary":         {"harness/cause", "harness/hostfile", "harness/judge", "harness/study"},
	"harness/tap":             {"harness/capture"},
	"scenario/generate":       {"scenario", "scenario/generate/cover"},
	"scenario/shrink":         {"scenario"},
	"sim/decimal":             {"sim/enum"},
	"sim/motion/noise":        {"sim/motion"},
	"sim/probe":               {"sim/motion/noise"},
	"sim/quantity":            {"sim/decimal"},
	"sim/stage":               {"sim/stage/ledger"},
	"sim/strict":              {"sim/enum"},
	"sim/tolerance":           {"sim/decimal"},
	"sim/uart":                {"sim/enum"},
	"sim/zone":                {"sim/decimal", "sim/enum"},
}

func layer(pkg string) int {
	best, length := -1, -1
	for i, l := range layers {
		for _, p := range l {
			if (pkg == p || strings.HasPrefix(pkg, p+"/")) && len(p) > length {
				best, length = i, len(p)
			}
		}
	}
	return best
}

// Imports point down, and within a layer only where it is said.
//
// Kind: self.
func TestImportsPointDown(t *testing.T) {
	t.Parallel()
	out, err := exec.Command("go", "list", "-f", `{{.ImportPath}} {{join .Imports " "}}`, module+"...").Output()
	require.NoError(t, err)
	for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		words := strings.Fields(line)
		from := strings.TrimPrefix(words[0], module)
		require.GreaterOrEqual(t, layer(from), 0, "%s is in no layer: name it in this test and in DEVELOPERS.md", from)
		for _, w := range words[1:] {
			to, ours := strings.CutPrefix(w, module)
			switch {
			case !ours:
			case layer(to) < layer(from):
				t.Errorf("%s imports %s, which lies above it", from, to)
			case layer(to) == layer(from) && !slices.Contains(siblings[from], to):
				t.Errorf("%s imports %s, which lies beside it: do without it, or name it in this test's siblings", from, to)
			}
			if w == "golang.org/x/exp/rand" && from != "sim/random" {
				t.Errorf("%s imports %s; sim/random has what there is of it", from, w)
			}
			forTests := []string{"harness/internal/chromium", "harness/internal/dbserver", "sim/testenv"}
			if !slices.Contains(forTests, from) && (slices.Contains(forTests, to) || strings.HasPrefix(w, "github.com/chromedp/")) {
				t.Errorf("%s imports %s, which is for tests only", from, w)
			}
		}
	}
}

// The reference host is an independent second implementation: of this module it
// may import the wire with its serial line and plain helpers, and nothing that judges or measures. What
// decimal numbers come off the wire is all that it takes from sim/decimal. Its
// adapter to the harness may think nothing of its own.
//
// Kind: self.
func TestReferenceHostIsIndependent(t *testing.T) {
	allowed := map[string][]string{
		"cmd/refhost":           {"cmd/refhost/host"},
		"cmd/refhost/host":      {"sim/strict", "sim/wire", "sim/uart", "sim/decimal"},
		"cmd/refhost/inprocess": {"cmd/refhost/host", "harness/explore/inside", "sim/port"},
	}
	out, err := exec.Command("go", "list", "-f", `{{.ImportPath}} {{join .Imports " "}}`, module+"cmd/refhost/...").Output()
	require.NoError(t, err)
	for line := range strings.Lines(string(out)) {
		words := strings.Fields(line)
		from := strings.TrimPrefix(words[0], module)
		require.Contains(t, allowed, from, "say in this test what it may import")
		for _, w := range words[1:] {
			if to, ours := strings.CutPrefix(w, module); ours && !slices.Contains(allowed[from], to) {
				t.Errorf("%s imports %s; it may import %v", from, to, allowed[from])
			}
		}
	}
	out, err = exec.Command("go", "list", "-deps", module+"cmd/refhost").Output()
	require.NoError(t, err)
	for dep := range strings.Lines(string(out)) {
		for _, oracle := range []string{"harness/", "sim/zone", "sim/gauge", "sim/stage", "scenario"} {
			require.False(t, strings.HasPrefix(dep, module+oracle), "the reference host depends on %s", dep)
		}
	}
	files, err := filepath.Glob("../refhost/host/*.go")
	require.NoError(t, err)
	for _, f := range files {
		src, err := os.ReadFile(f)
		require.NoError(t, err)
		if filepath.Base(f) != "wire.go" && !strings.HasSuffix(f, "_test.go") {
			require.NotContains(t, string(src), `"`+module+`sim/decimal"`, "%s calculates with math/big", f)
		}
	}
}

// Every shipped file is one that its JSON Schema takes, so editors do not mark
// good files as bad.
//
// Kind: self.
func TestShippedFilesFitTheirSchemas(t *testing.T) {
	t.Parallel()
	for _, k := range kinds {
		dir := k.dir
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(string(k.schema())))
		require.NoError(t, err)
		c := jsonschema.NewCompiler()
		require.NoError(t, c.AddResource("schema.json", doc))
		schema, err := c.Compile("schema.json")
		require.NoError(t, err)
		require.NotEmpty(t, library.Shipped(dir))
		for _, name := range library.Shipped(dir) {
			text, err := scenarios.Files.ReadFile(strings.TrimPrefix(dir+"/", "./") + name + ".yaml")
			require.NoError(t, err)
			var v any
			require.NoError(t, yaml.Unmarshal(text, &v), name)
			b, err := json.Marshal(v)
			require.NoError(t, err)
			value, err := jsonschema.UnmarshalJSON(strings.NewReader(string(b)))
			require.NoError(t, err)
			if err := schema.Validate(value); err != nil {
				t.Errorf("%s/%s: %v", dir, name, err)
			}
		}
	}
}

// Readers of YAML 1.1 and of 1.2 take the words of the shipped files alike: none that
// is a boolean to one of them only (https://yaml.org/type/bool.html, from memory) is a
// key, a value without quotes, or a word that a schema allows.
//
// Kind: outside.
func TestNoWordIsABooleanToSomeOnly(t *testing.T) {
	t.Parallel()
	boolean := regexp.MustCompile(`^(y|Y|yes|Yes|YES|n|N|no|No|NO|true|True|TRUE|false|False|FALSE|on|On|ON|off|Off|OFF)$`)
	of := func(text []byte) (found []string) {
		for _, k := range lexer.Tokenize(string(text)) {
			key := k.Next != nil && k.Next.Type == token.MappingValueType
			both := !key && (k.Value == "true" || k.Value == "false")
			if k.Type != token.DoubleQuoteType && k.Type != token.SingleQuoteType && k.Type != token.CommentType && !both && boolean.MatchString(k.Value) {
				found = append(found, fmt.Sprintf("%d: %s", k.Position.Line, k.Value))
			}
		}
		return found
	}
	require.Equal(t, []string{"1: on", "1: off", "2: N"}, of([]byte("is: {on: 1, off: \"off\", \"no\": true}\ntag: N\n")))
	for _, dir := range []string{"scenarios", "testdata", "harness"} {
		require.NoError(t, filepath.WalkDir(filepath.Join("..", "..", dir), func(name string, _ fs.DirEntry, err error) error {
			if filepath.Ext(name) == ".yaml" {
				text, err := os.ReadFile(name)
				require.NoError(t, err)
				require.Empty(t, of(text), name)
			}
			return err
		}))
	}
	var look func(at string, v any)
	look = func(at string, v any) {
		switch v := v.(type) {
		case string:
			require.False(t, boolean.MatchString(v), at)
		case []any:
			for _, e := range v {
				look(at, e)
			}
		case map[string]any:
			for key, e := range v {
				require.False(t, boolean.MatchString(key), at)
				look(at+" "+key, e)
			}
		}
	}
	for _, kind := range []string{"scenario", "gauge", "dialect", "host", "line", "job", "report", "verify"} {
		var out bytes.Buffer
		require.Zero(t, run(t.Context(), []string{"schema", kind}, nil, &out, io.Discard))
		var v any
		require.NoError(t, json.Unmarshal(out.Bytes(), &v))
		look(kind, v)
	}
}

// Every key of every file is explained at its place in its schema.
//
// Kind: self.
func TestSchemasExplainEveryKey(t *testing.T) {
	t.Parallel()
	var look func(of string, v any)
	look = func(of string, v any) {
		switch v := v.(type) {
		case []any:
			for _, e := range v {
				look(of, e)
			}
		case map[string]any:
			keys, _ := v["properties"].(map[string]any)
			for name, key := range keys {
				_, fixed := key.(map[string]any)["const"]
				doc, _ := key.(map[string]any)["description"].(string)
				require.True(t, fixed || doc != "", "%s: %s has no description", of, name)
			}
			for name, e := range v {
				look(of+" "+name, e)
			}
		}
	}
	for _, kind := range []string{"scenario", "gauge", "dialect", "host", "line", "job", "report", "verify"} {
		var out bytes.Buffer
		require.Zero(t, run(t.Context(), []string{"schema", kind}, nil, &out, io.Discard))
		var v any
		require.NoError(t, json.Unmarshal(out.Bytes(), &v))
		look(kind, v)
	}
}

// Each row of the table "Where is the rule" names a function of its file.
// Kind: self.
func TestWhereIsTheRule(t *testing.T) {
	t.Parallel()
	root := filepath.Join("..", "..")
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	require.NoError(t, err)
	rows := regexp.MustCompile("(?m)^\\| .* \\| \\[.*\\]\\((.*\\.go)\\) \\| `(\\w+)` \\|$").FindAllSubmatch(text, -1)
	require.GreaterOrEqual(t, len(rows), 20)
	for _, r := range rows {
		code, err := os.ReadFile(filepath.Join(root, string(r[1])))
		require.NoError(t, err)
		require.Regexp(t, `(?m)^func (\([^)]*\) )?`+string(r[2])+`\(`, string(code), "%s", r[1])
	}
}
