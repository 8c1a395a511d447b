//go:build unix

package report_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"example.org/understudy/harness/internal/chromium"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"
)

// Kind: process.
func TestPageInABrowser(t *testing.T) {
	t.Parallel()
	b := chromium.Start(t).Page()
	file := filepath.Join(t.TempDir(), "page.html")
	require.NoError(t, os.WriteFile(file, []byte(page(t, runs())), 0o644))
	b.Size(1280, 2600)
	b.Scheme("light")
	b.Open("file://" + file)

	require.Equal(t, "rgb(255, 255, 255)", b.Eval(`getComputedStyle(document.body).backgroundColor`), "the style is let in")
	require.Equal(t, "false", b.Eval(`document.querySelector(".tools").hidden`), "the script is let in")
	view := func() string { return b.Eval(`document.querySelector("svg.plot").getAttribute("viewBox")`) }
	ticks := func() string {
		return b.Eval(`[...document.querySelectorAll(".axis")[0].children].map(t => t.textContent).join(" ")`)
	}
	require.Equal(t, "0 0 1000 170", view())
	require.Equal(t, "0 s 2 s 4 s 6 s 8 s 10 s 12 s", ticks())
	static := func(n int) string {
		return b.Eval(fmt.Sprintf(`document.querySelectorAll("[data-x]")[%d].getAttribute("transform")`, n))
	}
	before := static(2)

	// By keyboard: the chart takes the focus, plus zooms, the arrows move, 0 shows all.
	b.Eval(`document.querySelector(".chart").focus()`)
	b.Do(chromedp.KeyEvent("+"))
	require.Equal(t, "250 0 500 170", view())
	require.Equal(t, "3 s 4 s 5 s 6 s 7 s 8 s 9 s", ticks())
	require.NotEqual(t, before, static(2))
	b.Do(chromedp.KeyEvent(kb.ArrowRight))
	require.Equal(t, "375 0 500 170", view())
	b.Shot("zoomed", true)
	for range 40 {
		b.Do(chromedp.KeyEvent("+"))
	}
	require.NotContains(t, view(), "NaN")
	require.Regexp(t, `^\d+\.\d{4,} s`, ticks(), "down to parts of a millisecond")
	b.Do(chromedp.KeyEvent("0"))
	require.Equal(t, "0 0 1000 170", view())
	require.Equal(t, before, static(2), "the script places marks where the page does")

	// By button, and by link to a finding.
	b.Eval(`document.querySelector("button[data-act=in]").click()`)
	require.Equal(t, "250 0 500 170", view())
	b.Eval(`document.querySelector("button[data-act=all]").click()`)
	b.Eval(`document.getElementById("run2-1").open = false; location.hash = "#run2-1"`)
	require.Equal(t, "true", b.Eval(`dispatchEvent(new HashChangeEvent("hashchange")), document.getElementById("run2-1").open`))
	b.Shot("light", true)
	b.Scheme("dark")
	require.Equal(t, "rgb(20, 23, 26)", b.Eval(`getComputedStyle(document.body).backgroundColor`))
	b.Shot("dark", true)

	// On a narrow screen nothing sticks out sideways.
	b.Scheme("light")
	b.Size(390, 3000)
	require.Equal(t, "true", b.Eval(`document.documentElement.scrollWidth <= innerWidth`))
	b.Shot("narrow", true)
	b.Size(1280, 2600)

	// Printed it opens every finding and hides the buttons.
	b.Eval(`for (const d of document.querySelectorAll("details")) d.open = false`)
	b.PDF("print", chromedp.PDFPrintBackground())
	require.Equal(t, "0", b.Eval(`document.querySelectorAll("details:not([open])").length`))
	require.Empty(t, b.Log(), "no complaint of the page, none of the content security policy, nothing that failed to load")

	// Without scripts the whole run shows, without the buttons.
	chromium.Call(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	b.Open("file://" + file)
	require.Equal(t, "true", b.Eval(`document.querySelector(".tools").hidden`))
	require.Equal(t, "0 0 1000 170", view())
	require.Equal(t, "0 s 2 s 4 s 6 s 8 s 10 s 12 s", ticks())
}
