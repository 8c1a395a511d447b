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
