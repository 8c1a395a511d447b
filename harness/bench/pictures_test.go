//go:build linux

package bench_test

import (
	"encoding/json"
	"fmt"
	"os"
	"testing"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/internal/chromium"
	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// The page can be used without a mouse and without seeing colours, at every
// size, with few gauges and many, light and dark: everything that can be worked
// has a name, nothing sticks out sideways, no text is cut or lies on another,
// and every text stands out from its ground as WCAG 2.2, 1.4.3 (AA) has it. A
// host is attached and has got a tag wrong; gauges are in all kinds of trouble.
// Pictures of it are left in the folder of -shots.
//
// Kind: process.
func TestPageSizesAndAccess(t *testing.T) {
	b := chromium.Start(t)
	var all []view
	for _, n := range []int{1, 2, 4, 8, 32} { // 2: with several channels each
		for _, size := range [][2]int64{{1280, 800}, {1920, 1080}, {800, 1280}} {
			for _, scheme := range []string{"light", "dark"} {
				all = append(all, view{n, size[0], size[1], scheme})
			}
		}
	}
	for _, v := range testenv.Sample(t, 5, all) {
		t.Run(v.String(), func(t *testing.T) { looked(t, b, v) })
	}
}

// view is one way to look at the page.
type view struct {
	gauges        int
	width, height int64
	scheme        string
}

func (v view) String() string { return fmt.Sprintf("%d-%d-%s", v.gauges, v.width, v.scheme) }

// looked opens the page in one way and audits what it shows.
func looked(t *testing.T, b *chromium.Browser, v view) {
	text := lathe(v.gauges, "20 Hz")
	if v.gauges == 2 {
		text = many
	}
	h := open(t, text)
	defer h.stop()
	listens := h.far(t, h.s.Gauges[0].Name)
	defer listens.close()
	b.For(t)
	p := b.Page()
	defer p.Close()
	p.Size(v.width, v.height)
	p.Scheme(v.scheme)
	p.Open(h.page())
	p.Until(fmt.Sprintf(`%s.length === %d`, card, v.gauges))
	p.Press("A tag")
	p.Press("Upper specification limit")
	p.Until(`!!document.querySelector("#tags tr")`)
	p.Press("Garble")
	p.Until(`document.querySelector("#wire .check.wrong") && document.querySelectorAll("#wire li.out").length > 2`)
	one := int64(1)
	h.desk.Judged(&check.Outcome{Result: judge.Result{
		Findings:     []judge.Finding{{Kind: judge.KindValue, Expected: "25.000 mm", Got: "50.000 mm", Record: &judge.Record{Row: 1}}},
		Explanations: []judge.Explanation{{Cause: cause.Cause{Name: "factor-twice", Looks: "every value is the reading times the gauge's factor"}}}},
		Records: []judge.Record{{Row: 1, Kind: "reading", Gauge: h.s.Gauges[0].Name, Tag: &one, Text: "50.000", Unit: "mm", Zone: "above"}}})
	p.Until(`document.querySelector(".beside.wrong") && document.querySelector("#tags tr.wrong")`)
	if v.gauges >= 4 {
		for i, fault := range []string{"", "Change line speed", "Empty cell", "Lose link"} {
			if fault != "" {
				p.Eval(fmt.Sprintf(`document.querySelectorAll(".name")[%d].click()`, i))
				p.Press(fault)
				p.Until(fmt.Sprintf(`!!document.querySelectorAll(".card")[%d].querySelector(".alarms span")`, i))
			}
		}
		p.Eval(`document.querySelectorAll(".name")[0].click()`)
		p.Until(`document.querySelector("#tags tr.wrong")`)
	}
	p.Eval(`Promise.all(document.getAnimations().map((a) => a.finished))`) // the flash of a tag
	p.Shot(v.String(), false)
	require.Equal(t, "true", p.Eval(`document.documentElement.scrollWidth <= innerWidth`), "nothing sticks out sideways")
	if v.gauges <= 8 && v.width >= 1280 || v.width >= 1920 {
		require.Equal(t, "", p.Eval(`(() => { const end = document.getElementById("gauges").getBoundingClientRect().bottom; return [...document.querySelectorAll(".card")].filter((c) => c.getBoundingClientRect().bottom > end + 1).map((c) => c.getAttribute("aria-label")).join(); })()`), "all gauges are on the screen")
	}
	require.Equal(t, "", p.Eval(crossed), "no text is cut or lies on another")
	require.Equal(t, "", p.Eval(nameless), "everything that is worked has a name")
	require.Equal(t, "", p.Eval(faint), "every text stands out")
	require.Equal(t, "", p.Eval(`[...document.querySelectorAll("[id]")].map((e) => e.id).filter((id, i, all) => all.indexOf(id) !== i).join()`), "no id is there twice")
	audit(t, p)
	require.Empty(t, p.Log())
}

// crossed lists texts that are cut by the box that holds them, and pairs that
// lie on one another. What is scrolled out of sight is left out.
const crossed = `(() => {
  const seen = [], bad = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const node = walk.currentNode, e = node.parentElement;
    if (!node.data.trim() || !e.checkVisibility() || e.closest("option, .skip")) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    let clip = { left: 0, top: 0, right: innerWidth, bottom: innerHeight };
    for (let up = e; up; up = up.parentElement) {
      if (!/auto|scroll|hidden/.test(getComputedStyle(up).overflow)) continue;
      const r = up.getBoundingClientRect();
      clip = { left: Math.max(clip.left, r.left), top: Math.max(clip.top, r.top), right: Math.min(clip.right, r.right), bottom: Math.min(clip.bottom, r.bottom) };
    }
    const box = e.closest("button, .card, #verdict, header, section, td, th, li, footer");
    for (const r of range.getClientRects()) {
      if (box) {
        const o = box.getBoundingClientRect();
        if (r.left < o.left - 1 || r.right > o.right + 1 || r.top < o.top - 4 || r.bottom > o.bottom + 4) bad.push("cut: " + node.data.slice(0, 40));
      }
      if (e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX === "hidden") bad.push("cut: " + node.data.slice(0, 40));
      const v = { left: Math.max(r.left, clip.left), top: Math.max(r.top, clip.top), right: Math.min(r.right, clip.right), bottom: Math.min(r.bottom, clip.bottom), node };
      if (v.right - v.left > 1 && v.bottom - v.top > 1) seen.push(v);
    }
  }
  for (let i = 0; i < seen.length; i++) for (let j = i + 1; j < seen.length; j++) {
    const a = seen[i], b = seen[j];
    if (a.node === b.node) continue;
    const w = Math.min(a.right, b.right) - Math.max(a.left, b.left), h = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    if (w > 2 && h > 6) bad.push(a.node.data.slice(0, 30) + " on " + b.node.data.slice(0, 30)); // lines of text may share the space above and below their letters
  }
  return [...new Set(bad)].slice(0, 10).join("\n");
})()`

// audit runs the rules of axe-core (4.x, from npm) over a page, where the
// environment names its file axe.min.js in UNDERSTUDY_AXE.
func audit(t *testing.T, p *chromium.Page) {
	file := os.Getenv("UNDERSTUDY_AXE")
	if file == "" {
		require.False(t, testenv.All(), "UNDERSTUDY_AXE does not name axe.min.js")
		t.Log("not audited by axe-core: UNDERSTUDY_AXE does not name axe.min.js")
		return
	}
	source, err := os.ReadFile(file)
	require.NoError(t, err)
	p.Eval(string(source) + "\n;0")
	require.Equal(t, "", p.Eval(`axe.run(document, { resultTypes: ["violations"] }).then((r) => r.violations.map((v) => v.id + ": " + v.nodes.slice(0, 4).map((n) => n.html.slice(0, 140) + " " + (n.any[0] || n.all[0] || n.none[0] || {}).message).join("; ")).join("\n"))`), "axe-core finds nothing")
}

const nameless = `[...document.querySelectorAll("button, select, a, [role=slider], canvas, [tabindex='0']")].filter((e) => !e.hidden && !e.closest("[hidden]") && !(e.textContent.trim() || e.getAttribute("aria-label") || e.getAttribute("aria-labelledby") || e.closest("label"))).map((e) => e.outerHTML.slice(0, 80)).join("\n")`

// faint lists the texts whose contrast with their ground is below 4.5:1, or
// below 3:1 where they are large (24 px, or bold and 18.66 px): WCAG 2.2,
// success criterion 1.4.3, by its definitions of contrast ratio and relative
// luminance. What is disabled is left out, as there.
const faint = `(() => {
  const lum = (c) => { const [r, g, b] = c.map((v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const rgb = (s) => { const m = s.match(/[\d.]+/g).map(Number); return { c: m.slice(0, 3), a: m.length > 3 ? m[3] : 1 }; };
  const bad = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || !e.checkVisibility() || e.closest(":disabled, svg, option, .flash")) continue;
    let up = e, ground = null;
    while (up && !ground) { const g = rgb(getComputedStyle(up).backgroundColor); if (g.a === 1) ground = g.c; up = up.parentElement; }
    const s = getComputedStyle(e), a = lum(rgb(s.color).c), b = lum(ground || [255, 255, 255]);
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), px = parseFloat(s.fontSize);
    if (ratio < (px >= 24 || (px >= 18.66 && s.fontWeight >= 700) ? 3 : 4.5)) bad.push(ratio.toFixed(2) + " " + e.outerHTML.slice(0, 90));
  }
  return bad.join("\n");
})()`

// BenchmarkPicturesOfACrowd measures how many pictures a second a page of 32
// gauges at 20 readings a second makes, beside an empty page in the same
// browser just before.
func BenchmarkPicturesOfACrowd(b *testing.B) {
	h := open(b, lathe(32, "20 Hz"))
	br := chromium.Start(b)
	rate := func(url string, ready string) (r struct{ FPS, Longest, P95 float64 }) {
		p := br.Page()
		defer p.Close()
		p.Size(1920, 1080)
		p.Open(url)
		p.Until(ready)
		require.NoError(b, json.Unmarshal([]byte(p.Eval(pictures)), &r))
		return r
	}
	b.ResetTimer()
	for range b.N {
		empty := rate("about:blank", "true")
		crowd := rate(h.page(), card+`.length === 32 && document.querySelectorAll("#wire li").length > 3`)
		b.ReportMetric(crowd.FPS, "fps")
		b.ReportMetric(empty.FPS, "empty-fps")
		b.ReportMetric(crowd.FPS/empty.FPS, "ratio")
		b.ReportMetric(crowd.P95, "p95-ms")
		b.ReportMetric(crowd.Longest, "longest-ms")
	}
}

// pictures counts the pictures of three seconds, after one to settle.
const pictures = `(async () => {
  const picture = () => new Promise(requestAnimationFrame);
  for (const end = performance.now() + 1000; performance.now() < end;) await picture();
  const gaps = [], from = await picture();
  let was = from;
  while (was - from < 3000) { const now = await picture(); gaps.push(now - was); was = now; }
  gaps.sort((a, b) => a - b);
  return JSON.stringify({ FPS: gaps.length / (was - from) * 1000, Longest: gaps[gaps.length - 1], P95: gaps[Math.floor(gaps.length * 0.95)] });
})()`

// BenchmarkActToPixel measures, in the browser, from a key that moves a tip to
// the picture that shows it, beside the same page waiting for one picture.
func BenchmarkActToPixel(b *testing.B) {
	h := open(b, lathe(8, "30 Hz"))
	p := chromium.Start(b).Page()
	p.Size(1920, 1080)
	p.Open(h.page())
	p.Until(card + `.length === 8`)
	b.ResetTimer()
	var r struct{ P95, Mean, Picture float64 }
	for range b.N {
		require.NoError(b, json.Unmarshal([]byte(p.Eval(actToPixel)), &r))
	}
	b.ReportMetric(r.P95, "p95-ms")
	b.ReportMetric(r.Mean, "mean-ms")
	b.ReportMetric(r.P95/r.Picture, "p95-pictures")
}

const actToPixel = `(async () => {
  const scene = document.querySelectorAll(".scene")[0], now = () => scene.getAttribute("aria-valuenow");
  const picture = () => new Promise(requestAnimationFrame);
  const times = [];
  let t0 = performance.now();
  for (let i = 0; i < 60; i++) await picture();
  const one = (performance.now() - t0) / 60;
  for (let i = 0; i < 60; i++) {
    const was = now(), from = performance.now();
    scene.dispatchEvent(new KeyboardEvent("keydown", { key: i % 2 ? "ArrowUp" : "ArrowDown", bubbles: true }));
    while (now() === was) await picture();
    await picture();
    times.push(performance.now() - from);
    await new Promise((r) => setTimeout(r, 40 + 7 * (i % 5)));
  }
  times.sort((a, b) => a - b);
  return JSON.stringify({ P95: times[56], Mean: times.reduce((a, b) => a + b) / times.length, Picture: one });
})()`
