package shipping

import (
	"bytes"
	"os"
	"path/filepath"
	"runtime/debug"
	"testing"

	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
)

var built = &debug.BuildInfo{
	GoVersion: "go1.26.8",
	Main:      debug.Module{Path: "example.org/understudy", Version: "v1.2.3"},
	Deps: []*debug.Module{
		{Path: "github.com/BurntSushi/toml", Version: "v1.5.0", Sum: "h1:abc="},
		{Path: "example.org/old", Version: "v1.0.0", Replace: &debug.Module{Path: "example.org/new", Version: "v2.0.0+incompatible"}},
	},
	Settings: []debug.BuildSetting{{Key: "GOARCH", Value: "arm64"}, {Key: "GOOS", Value: "linux"}, {Key: "vcs.modified", Value: "true"},
		{Key: "vcs.revision", Value: "5ac63a0"}, {Key: "vcs.time", Value: "2026-11-28T12:00:00Z"}},
}

// Kind: property.
func TestVersion(t *testing.T) {
	want := "understudy v1.2.3\ncommit 5ac63a0 of 2026-11-28T12:00:00Z, with changes that are not committed\ngo1.26.8, linux/arm64\n"
	require.Empty(t, cmp.Diff(want, Version(built)))
	require.Equal(t, "understudy (devel)\ngo1.26.8, /\n", Version(&debug.BuildInfo{GoVersion: "go1.26.8"}))
}

// A package URL of Go has its names in lower case and its version percent-encoded
// (package-url/purl-spec, types: golang, from memory).
//
// Kind: outside.
func TestPackageURLs(t *testing.T) {
	for _, ref := range []string{"pkg:golang/example.org/understudy@v1.2.3", "pkg:golang/std@1.26.8", "pkg:golang/github.com/burntsushi/toml@v1.5.0", "pkg:golang/example.org/new@v2.0.0%2Bincompatible"} {
		require.Contains(t, string(SBOM(built)), `"purl": "`+ref+`"`)
	}
	require.NotContains(t, string(SBOM(built)), "example.org/old", "what was replaced is not in the program")
}

// A bill of materials fits the published JSON Schema of CycloneDX 1.6, which comes with
// the npm package @cyclonedx/cyclonedx-library: UNDERSTUDY_CYCLONEDX names its folder res/schema.
//
// Kind: outside.
func TestSBOMFitsItsSchema(t *testing.T) {
	dir := os.Getenv("UNDERSTUDY_CYCLONEDX")
	if dir == "" {
		testenv.Missing(t, "UNDERSTUDY_CYCLONEDX does not name the schemas of CycloneDX")
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	for _, name := range []string{"bom-1.6", "spdx", "jsf-0.82"} {
		text, err := os.ReadFile(filepath.Join(dir, name+".SNAPSHOT.schema.json"))
		require.NoError(t, err)
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		require.NoError(t, err)
		require.NoError(t, c.AddResource("http://cyclonedx.org/schema/"+name+".SNAPSHOT.schema.json", doc))
	}
	schema, err := c.Compile("http://cyclonedx.org/schema/bom-1.6.SNAPSHOT.schema.json")
	require.NoError(t, err)
	own, ok := debug.ReadBuildInfo()
	require.True(t, ok)
	for _, info := range []*debug.BuildInfo{built, own} {
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(SBOM(info)))
		require.NoError(t, err)
		require.NoError(t, schema.Validate(v))
	}
	wrong, err := jsonschema.UnmarshalJSON(bytes.NewReader(bytes.ReplaceAll(SBOM(built), []byte(`"library"`), []byte(`"book"`))))
	require.NoError(t, err)
	require.Error(t, schema.Validate(wrong), "the schema can say no")
}

// What begins a line of roff as a request, or is an escape in it, stands for itself
// (groff_man(7), groff(7)).
//
// Kind: outside.
func TestRoff(t *testing.T) {
	require.Equal(t, "\\&.so file\n\\&'x \\e \\-\\-all", roff(".so file\n'x \\ --all"))
}
