package rehearse

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// Kind: golden.
func TestSummaryGolden(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	for _, name := range []string{"bench", "cell"} {
		l := shipped(t, name)
		require.NoError(t, l.Summarise(rehearsed(t, l, 8)).Text(&b))
		b.WriteString("\n")
	}
	file := filepath.Join("testdata", "summary.golden")
	if *update {
		require.NoError(t, os.WriteFile(file, b.Bytes(), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	if d := cmp.Diff(string(want), b.String()); d != "" {
		t.Error(d)
	}
}

// Kind: property.
func TestPage(t *testing.T) {
	t.Parallel()
	for _, name := range testenv.Sample(t, 2, []string{"bench", "cell", "hall", "housing"}) {
		l := hours(shipped(t, name), 2)
		var b bytes.Buffer
		require.NoError(t, l.Summarise(rehearsed(t, l, 1)).HTML(&b))
		page := b.String()
		for i := range l.gauges {
			require.Contains(t, page, `<td class="w">`+l.gauges[i].name+"</td>")
			require.Equal(t, !l.gauges[i].wired, strings.Contains(page, `aria-label="`+l.gauges[i].name+`: charge`), l.gauges[i].name)
		}
		require.Contains(t, page, "never releases real parts")
		for i := range l.ports {
			require.Contains(t, page, `<td class="w">`+l.ports[i].name+`</td><td class="w">`+l.ports[i].line+`</td>`)
		}
		for _, heading := range []string{"Risks, the greatest first", "Plan, with link margins", "Cells over the shift", "Throughput against capacity", "Silent and lost links", "What if", "The shift in figures", "Features", "Gauges", "Ports", "Assumptions and their sources", "Signed off"} {
			require.Contains(t, page, "<h2>"+heading+"</h2>")
		}
		require.NotContains(t, page, "NaN")
		require.NotContains(t, page, "ZgotmplZ")
		require.NotRegexp(t, `(src|href)=`, page, "the page stands alone")
		if got := strings.Count(page, `stroke-width="1.5"`); got != l.onAir() {
			t.Errorf("%s: the plan has %d links", name, got)
		}
	}
}

// onAir counts the gauges that have a radio.
func (l *Line) onAir() (n int) {
	for i := range l.gauges {
		if !l.gauges[i].wired {
			n++
		}
	}
	return n
}

// The PDF is printed by Chromium, and holds the whole page.
//
// Kind: process.
func TestPDF(t *testing.T) {
	t.Parallel()
	testenv.Program(t, "chromium", "chromium")
	l := shipped(t, "cell")
	s := l.Summarise(rehearsed(t, l, 2))
	file := filepath.Join(t.TempDir(), "line.pdf")
	require.NoError(t, s.PDF(context.Background(), file))
	b, err := os.ReadFile(file)
	require.NoError(t, err)
	pages := len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(b, -1))
	if pages != 4 && pages != 5 { // 3.4 sheets long, and what is kept together
		t.Errorf("%d pages", pages)
	}
}

// Kind: property.
func TestNoBrowser(t *testing.T) {
	l := shipped(t, "bench")
	t.Setenv("PATH", t.TempDir())
	require.ErrorIs(t, l.Summarise(rehearsed(t, l, 1)).PDF(context.Background(), "x.pdf"), ErrNoBrowser)
}
