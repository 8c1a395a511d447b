//go:build unix

package rehearse

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"

	"example.org/understudy/harness/internal/chromium"
	"github.com/chromedp/cdproto/emulation"
	"github.com/stretchr/testify/require"
)

// The page in a browser, light and dark, wide, narrow and printed: nothing
// covers another label, nothing is cut off, nothing sticks out sideways.
//
// Kind: process.
func TestPageInABrowser(t *testing.T) {
	t.Parallel()
	b := chromium.Start(t).Page()
	for _, name := range []string{"bench", "cell", "hall", "housing"} {
		l := hours(shipped(t, name), 2)
		file := filepath.Join(t.TempDir(), name+".html")
		f, err := os.Create(file)
		require.NoError(t, err)
		require.NoError(t, l.Summarise(rehearsed(t, l, 1)).HTML(f))
		require.NoError(t, f.Close())

		b.Size(1280, 2600)
		b.Scheme("light")
		b.Open("file://" + file)
		require.Equal(t, "rgb(255, 255, 255)", b.Eval(`getComputedStyle(document.body).backgroundColor`), "the style is let in")
		require.Equal(t, fmt.Sprint(len(l.gauges)), b.Eval(`document.querySelectorAll(".plan circle").length`))
		// labels of the plan that cover each other, and texts that leave their drawing
		require.Equal(t, "", b.Eval(`(() => {
			const texts = [...document.querySelectorAll(".plan text")].map(e => [e.textContent, e.getBoundingClientRect()]);
			const bad = [];
			texts.forEach(([a, p], i) => texts.slice(i + 1).forEach(([b, q]) => {
				const w = Math.min(p.right, q.right) - Math.max(p.left, q.left), h = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
				if (w > 1 && h > 3) bad.push(a + " on " + b);
			}));
			return bad.join(", ");
		})()`), "%s: labels of the plan", name)
		require.Equal(t, "", b.Eval(`[...document.querySelectorAll("svg text")].filter(e => {
			const p = e.getBoundingClientRect(), q = e.ownerSVGElement.getBoundingClientRect();
			return p.left < q.left - 1 || p.right > q.right + 1 || p.top < q.top - 1 || p.bottom > q.bottom + 1;
		}).map(e => e.textContent).join(", ")`), "%s: texts that are cut off", name)
		require.Equal(t, "true", b.Eval(`document.documentElement.scrollWidth <= innerWidth`))
		require.Equal(t, "", b.Eval(`[...document.querySelectorAll(".box")].filter(e => e.scrollWidth > e.clientWidth).map(e => e.previousElementSibling.textContent).join(", ")`), "%s: tables wider than the page", name)
		b.Shot(name+"-light", true)
		b.Scheme("dark")
		require.Equal(t, "rgb(20, 23, 26)", b.Eval(`getComputedStyle(document.body).backgroundColor`))
		// every text stands out from what lies below it: at least 4.5 to 1 (WCAG 2.2, 1.4.3)
		const contrast = `(() => {
			const lum = c => { const [r, g, b] = c.match(/[\d.]+/g).map(v => v / 255).map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
			const paper = lum(getComputedStyle(document.body).backgroundColor), panel = document.createElement("p");
			document.body.append(panel); panel.style.color = "var(--panel)";
			const below = [paper, lum(getComputedStyle(panel).color)]; panel.remove();
			const low = new Set();
			for (const e of document.querySelectorAll("h1, h2, p, td, th, small, figcaption, svg text")) {
				const s = getComputedStyle(e), ink = lum(e.ownerSVGElement ? s.fill : s.color);
				for (const b of below) if ((Math.max(ink, b) + 0.05) / (Math.min(ink, b) + 0.05) < 4.5) low.add(e.tagName + "." + (e.getAttribute("class") || ""));
			}
			return [...low].join(", ");
		})()`
		require.Equal(t, "", b.Eval(contrast), "%s: texts that are hard to see in the dark", name)
		b.Shot(name+"-dark", true)
		b.Scheme("light")
		require.Equal(t, "", b.Eval(contrast), "%s: texts that are hard to see", name)
		b.Size(390, 3000)
		require.Equal(t, "true", b.Eval(`document.documentElement.scrollWidth <= innerWidth`), "%s on a narrow screen", name)
		b.Shot(name+"-narrow", true)

		// as wide as A4 within its margins, 186 mm at 96 dots an inch
		b.Size(703, 2600)
		chromium.Call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
		require.Equal(t, "true", b.Eval(`document.documentElement.scrollWidth <= innerWidth`), "%s on paper", name)
		require.Equal(t, "", b.Eval(`[...document.querySelectorAll("table")].filter(e => e.getBoundingClientRect().right > innerWidth).map(e => e.textContent.slice(0, 40)).join(", ")`), "%s: tables wider than the paper", name)
		tall, err := strconv.Atoi(b.Eval(`"" + document.documentElement.scrollHeight`))
		require.NoError(t, err)
		chromium.Call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{})
		pdf := b.PDF(name)
		const a4 = 269 * 96 / 25.4 // its height within its margins, in dots
		sheets := int(math.Ceil(float64(tall) / a4))
		if n := len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(pdf, -1)); n != sheets && n != sheets+1 {
			t.Errorf("%s has %d pages, not %d, or one more for what is kept together", name, n, sheets)
		}
	}
	require.Empty(t, b.Log(), "no complaint of the page, none of the content security policy")
}
