package proof_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"example.org/understudy/harness/proof"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/wire"
	"github.com/stretchr/testify/require"
)

// Every model gives the values that its documents print.
//
// Kind: outside.
func TestPublishedValues(t *testing.T) {
	for _, r := range proof.Rows() {
		if !r.Agrees {
			t.Errorf("%s, %s: %s is %s; %s has %s", r.Package, r.Model, r.Given, r.Got, r.Document, r.Expected)
		}
	}
}

// Each row's file is shipped and has its words.
//
// Kind: self.
func TestEveryRowIsReached(t *testing.T) {
	for _, r := range proof.Rows() {
		text, err := fs.ReadFile(scenarios.Files, r.File)
		if err != nil {
			text, err = os.ReadFile(filepath.Join("..", "..", r.File))
		}
		require.NoError(t, err)
		require.True(t, strings.Contains(string(text), r.Words), "%s has no %q", r.File, r.Words)
	}
}

// Every package of sim and every check of the wire has a row; a package may have a
// reason instead.
//
// Kind: self.
func TestEveryPackageHasARow(t *testing.T) {
	var have []string
	checked := map[string]bool{"crc": true} // any parameters: a model of its own
	for _, r := range proof.Rows() {
		have = append(have, r.Package)
		if name, _, ok := strings.Cut(r.Given, " of "); ok && r.Model == "checks" {
			checked[name] = true
		}
	}
	root := filepath.Join("..", "..")
	require.NoError(t, filepath.WalkDir(filepath.Join(root, "sim"), func(p string, d fs.DirEntry, err error) error {
		if code, _ := filepath.Glob(filepath.Join(p, "*.go")); err != nil || len(code) == 0 {
			return err
		}
		name, err := filepath.Rel(root, p)
		require.NoError(t, err)
		if slices.Contains(have, name) == (proof.Without()[name] != "") {
			t.Errorf("%s has a row and a reason to have none, or neither", name)
		}
		return nil
	}))
	for _, name := range wire.CheckNames() {
		require.True(t, checked[name], "the check %s has no row", name)
	}
}

// A value that disagrees is found, and how far it agrees is said.
//
// Kind: property.
func TestDisagreement(t *testing.T) {
	rows := slices.Clone(proof.Rows())
	require.True(t, proof.Of(rows).Agree)
	rows[3].Agrees = false
	r := proof.Of(rows)
	require.False(t, r.Agree)
	require.Contains(t, r.Summary, ": 1 disagree.")
	var text, page strings.Builder
	require.NoError(t, r.Text(&text))
	require.NoError(t, r.HTML(&page))
	require.Equal(t, 1, strings.Count(text.String(), "✕"))
	require.Equal(t, 2, strings.Count(page.String(), "✕"), "the value and the verdict")
	for line := range strings.Lines(text.String()) {
		require.LessOrEqual(t, utf8.RuneCountInString(strings.TrimSuffix(line, "\n")), 100, line)
	}
}
