package main

import (
	"encoding/json"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// pure are the packages that ask no clock, touch no file and no network, draw
// from no chance but what they are given, and print nothing.
var pure = []string{"sim/decimal", "sim/quantity", "sim/strict", "sim/steady", "sim/zone", "sim/tolerance", "sim/enum", "sim/gauge", "sim/wire", "sim/motion", "sim/probe",
	"sim/power", "sim/link", "sim/uart", "sim/random", "scenario", "harness/align", "harness/cause", "harness/judge", "harness/hostfile", "harness/report", "harness/proof", "harness/plot", "harness/show", "harness/bytesheet", "harness/shard"}

// allowed are the packages outside the project that a pure one may use, each with
// what it may use of it; nothing named allows all of it.
var allowed = map[string][]string{
	"bufio": {}, "bytes": {}, "cmp": {}, "context": {"Context", "CancelFunc", "Background", "Canceled", "Cause", "WithCancelCause"}, "crypto/sha256": {}, "embed": {}, "encoding": {},
	"encoding/base64": {}, "encoding/binary": {}, "encoding/hex": {}, "encoding/json": {}, "encoding/xml": {}, "errors": {},
	"fmt":          {"Sprint", "Sprintf", "Sprintln", "Errorf", "Fprint", "Fprintf", "Fprintln", "Append", "Appendf", "Appendln", "Sscan", "Sscanf", "Stringer", "State", "Formatter"},
	"hash/maphash": {}, "html/template": {"Template", "HTML", "URL", "CSS", "JS", "FuncMap", "New", "Must", "HTMLEscapeString"}, "image/color": {}, "io": {}, "iter": {}, "maps": {}, "math": {}, "math/big": {}, "math/bits": {}, "net/url": {},
	"path": {}, "reflect": {}, "regexp": {}, "slices": {}, "sort": {}, "strconv": {}, "strings": {}, "sync": {}, "unicode": {}, "unicode/utf8": {},
	"time": {"Duration", "Time", "Month", "Weekday", "Location", "UTC", "Date", "Unix", "UnixMilli", "UnixMicro", "ParseDuration", "Parse", "ParseInLocation", "FixedZone", "LoadLocation",
		"Nanosecond", "Microsecond", "Millisecond", "Second", "Minute", "Hour", "RFC3339", "RFC3339Nano", "DateOnly", "DateTime", "TimeOnly", "January", "December"},
	"time/tzdata":                   {},
	"golang.org/x/exp/rand":         {"Rand", "Source", "PCGSource", "New", "NewSource"}, // each with its own seed; for sim/random alone
	"github.com/expr-lang/expr/ast": {}, "github.com/expr-lang/expr/parser": {}, "github.com/expr-lang/expr/file": {},
	"github.com/goccy/go-yaml": {}, "github.com/goccy/go-yaml/ast": {}, "github.com/goccy/go-yaml/parser": {}, "github.com/goccy/go-yaml/token": {},
	"golang.org/x/image/font": {}, "golang.org/x/image/font/opentype": {}, "golang.org/x/text/encoding": {}, "golang.org/x/text/encoding/charmap": {}, "golang.org/x/text/encoding/unicode": {},
	"golang.org/x/text/transform": {}, "golang.org/x/text/width": {}, "gonum.org/v1/plot/font": {}, "gonum.org/v1/plot/vg": {}, "gonum.org/v1/plot/vg/vgimg": {}, "gonum.org/v1/plot/vg/draw": {},
	"codeberg.org/go-fonts/liberation/liberationsansbold": {}, "codeberg.org/go-fonts/liberation/liberationsansregular": {},
}

// local are the methods of allowed types that ask the machine all the same.
var local = []string{"(time.Time).Local"}

// impure says, by the types of what they use, what packages use that is not
// allowed. A package is its files by name.
func impure(t *testing.T, pkgs map[string][]string, exports map[string]string) (found []string) {
	fset := token.NewFileSet()
	imp := importer.ForCompiler(fset, "gc", func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) })
	for path, names := range pkgs {
		var files []*ast.File
		for _, name := range names {
			f, err := parser.ParseFile(fset, name, nil, 0)
			require.NoError(t, err)
			files = append(files, f)
			for _, i := range f.Imports {
				at := strings.Trim(i.Path.Value, `"`)
				if _, ok := allowed[at]; !ok && !strings.HasPrefix(at, module) {
					found = append(found, path+" imports "+at)
				}
			}
		}
		info := &types.Info{Uses: map[*ast.Ident]types.Object{}}
		_, err := (&types.Config{Importer: imp}).Check(path, fset, files, info)
		require.NoError(t, err)
		for id, obj := range info.Uses {
			if obj.Pkg() == nil || obj.Pkg().Path() == path {
				continue
			}
			may := allowed[obj.Pkg().Path()]
			member := obj.Parent() != obj.Pkg().Scope() // a method or a field
			if fn, ok := obj.(*types.Func); ok && slices.Contains(local, fn.FullName()) || !member && len(may) > 0 && !slices.Contains(may, obj.Name()) {
				found = append(found, fset.Position(id.Pos()).String()+" uses "+obj.Pkg().Path()+"."+obj.Name())
			}
		}
	}
	slices.Sort(found)
	return found
}

// exports are the compiled packages that pure packages need, and the sources of
// those under some folders.
func exports(t *testing.T, patterns ...string) (compiled map[string]string, sources map[string][]string) {
	cmd := exec.Command("go", append([]string{"list", "-export", "-deps", "-json=ImportPath,Export,Dir,GoFiles"}, patterns...)...)
	out, err := cmd.Output()
	require.NoError(t, err)
	compiled, sources = map[string]string{}, map[string][]string{}
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p struct {
			ImportPath, Export, Dir string
			GoFiles                 []string
		}
		if err := d.Decode(&p); err == io.EOF {
			return compiled, sources
		} else {
			require.NoError(t, err)
		}
		compiled[p.ImportPath] = p.Export
		for _, f := range p.GoFiles {
			sources[p.ImportPath] = append(sources[p.ImportPath], filepath.Join(p.Dir, f))
		}
	}
}

// The pure packages use only what is allowed.
//
// Kind: self.
func TestPurePackages(t *testing.T) {
	t.Parallel()
	var patterns []string
	for _, p := range pure {
		patterns = append(patterns, module+p+"/...")
	}
	compiled, sources := exports(t, patterns...)
	mine := map[string][]string{}
	for path, files := range sources {
		if rest, ours := strings.CutPrefix(path, module); ours && slices.ContainsFunc(pure, func(p string) bool { return rest == p || strings.HasPrefix(rest, p+"/") }) {
			mine[path] = files
		}
	}
	require.GreaterOrEqual(t, len(mine), len(pure))
	for _, f := range impure(t, mine, compiled) {
		t.Error(f)
	}
}

// What is not pure is found, however it is written.
//
// Kind: self.
func TestImpureIsFound(t *testing.T) {
	t.Parallel()
	compiled, _ := exports(t, "time", "path/filepath", "os/signal", "math/rand/v2", "golang.org/x/exp/rand", "fmt", "os")
	for body, want := range map[string]string{
		`import "time"; var _ = time.AfterFunc`:                               "uses time.AfterFunc",
		`import "time"; var _ = time.Until(time.Time{})`:                      "uses time.Until",
		`import clock "time"; var _ = clock.Now()`:                            "uses time.Now",
		`import . "time"; var _ = Since(Time{})`:                              "uses time.Since",
		`import "time"; var _ = time.Time{}.Local()`:                          "uses time.Local",
		`import "path/filepath"; var _ = filepath.Join`:                       "imports path/filepath",
		`import "os/signal"; var _ = signal.Notify`:                           "imports os/signal",
		`import "math/rand/v2"; var _ = rand.IntN(3)`:                         "imports math/rand/v2",
		`import "golang.org/x/exp/rand"; var _ = rand.Intn(3)`:                "uses golang.org/x/exp/rand.Intn",
		`import "fmt"; func f() { fmt.Println() }`:                            "uses fmt.Println",
		`import "golang.org/x/exp/rand"; var _ = rand.New(rand.NewSource(1))`: "",
		`import "time"; var _ = time.Second.String() + time.UTC.String()`:     "",
	} {
		file := filepath.Join(t.TempDir(), "p.go")
		require.NoError(t, os.WriteFile(file, []byte("package p\n"+body), 0o644))
		found := strings.Join(impure(t, map[string][]string{"p": {file}}, compiled), "\n")
		if want == "" {
			require.Empty(t, found, body)
		} else {
			require.Contains(t, found, want, body)
		}
	}
}
