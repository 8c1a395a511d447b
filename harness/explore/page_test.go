//go:build unix

package explore_test

import (
	"os"
	"path/filepath"
	"testing"

	"example.org/understudy/harness/internal/chromium"
	"github.com/stretchr/testify/require"
)

// The page of an exploration that found something, and of one that did not.
//
// Kind: process.
func TestPageInABrowser(t *testing.T) {
	t.Parallel()
	b := chromium.Start(t).Page()
	for _, defect := range []string{"strict-limits", ""} {
		o := options(t, defect, 40)
		o.Host, o.NoShrink = "reference "+defect, true
		told, err := results(t, "results", o).Tell()
		require.NoError(t, err)
		file := filepath.Join(t.TempDir(), "page.html")
		f, err := os.Create(file)
		require.NoError(t, err)
		require.NoError(t, told.HTML(f))
		require.NoError(t, f.Close())
		b.Size(1280, 2000)
		b.Scheme("light")
		b.Open("file://" + file)
		require.Equal(t, "rgb(255, 255, 255)", b.Eval(`getComputedStyle(document.body).backgroundColor`), "the style is let in")
		want := "✓ Nothing was found."
		if defect != "" {
			want = "✕ " + plural(len(told.Found), "cause was", "causes were") + " found."
			require.Equal(t, told.Found[0].Scenario, b.Eval(`document.querySelector("pre").textContent`)+"")
		}
		require.Equal(t, want, b.Eval(`document.querySelector(".verdict").textContent`))
		b.Shot("explore-light"+defect, true)
		b.Scheme("dark")
		b.Size(390, 2000)
		require.Equal(t, "true", b.Eval(`document.documentElement.scrollWidth <= innerWidth`), "on a narrow screen")
		b.Shot("explore-narrow"+defect, true)
	}
	require.Empty(t, b.Log())
}

func plural(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return string(rune('0'+n)) + " " + more
}
