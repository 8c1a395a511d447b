//go:build linux

package bench_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/bench"
	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/control"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/internal/chromium"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/testenv"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "refhost" {
		os.Exit(host.Main(os.Args[2:], os.Stdin, os.Stdout, os.Stderr))
	}
	goleak.VerifyTestMain(m)
}

// lathe is a scenario of n gauges of several kinds.
func lathe(n int, hz string) string {
	var b strings.Builder
	b.WriteString(`understudy: 1
title: Four places at a lathe
seed: 5
part: {feature: journal, nominal: 25.000 mm, limits: [24.985 mm, 25.015 mm], warn: [24.990 mm, 25.010 mm]}
gauges:
`)
	for i := range n {
		kind := []string{"", ", larger-part: releases", ", cell: {charge: 64 %}, lamps: [{name: ring, shows: zone, looks: {inside: {colour: green}, above: {colour: red}}}]",
			", link: {class: 2, distance: 14 m, place: shop-in-sight}"}[i%4]
		fmt.Fprintf(&b, "  - {name: place-%d, dialect: line-ascii, serial-line: 115200 8N1, stream: %s, noise: {white: 0.0006 mm}%s}\n", i+1, hz, kind)
	}
	b.WriteString(`cues:
  - {at: 0 s, do: preset, to: 25.000 mm}
until: 24 h
chapters:
  - {at: 0 s, title: On the master, say: The gauge is set on its master., ask: What does it read?, answer: The size of the master.}
`)
	return b.String()
}

// many has gauges of several channels.
const many = `understudy: 1
title: Two channels and what is computed of them
seed: 6
part: {feature: taper seat, nominal: 12.000 mm, limits: [11.980 mm, 12.020 mm], warn: [11.988 mm, 12.012 mm]}
gauges:
  - {name: seat-two, dialect: multi-ascii, stream: 10 Hz, channels: [{name: top}, {name: foot}], computed: [{name: cone, is: difference, of: [top, foot]}], cell: {charge: 9 %}}
  - {name: seat-plug, dialect: line-ascii, larger-part: releases, stroke: 2 mm, stream: 10 Hz, function: max}
cues:
  - {at: 0 s, do: preset, to: 12.000 mm}
until: 24 h
`

// house is a play with its page.
type house struct {
	s       *scenario.Scenario
	desk    *control.Desk
	srv     *control.Server
	folder  string
	mu      sync.Mutex
	entries []ledger.Entry
	stop    func()
}

func open(t testing.TB, text string) *house {
	h := &house{s: parse(t, text), folder: t.TempDir()}
	inbox := stage.NewInbox()
	ports, err := check.OpenPorts(h.s, h.folder, inbox)
	require.NoError(t, err)
	d := control.NewDesk(h.s)
	h.desk = d
	h.srv, err = control.Listen(d, control.Options{Address: "127.0.0.1:0", Pages: bench.Pages(), Keep: func(name string, text []byte) (string, error) {
		file := filepath.Join(h.folder, name+".yaml")
		return file, os.WriteFile(file, text, 0o644)
	}})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		var old *stage.Stage
		for again := true; again; {
			d.Begin()
			h.mu.Lock()
			h.entries = nil
			h.mu.Unlock()
			st, err := stage.New(h.s.Play, stage.Options{Ports: ports.Ports, Inbox: inbox, Pace: stage.Real, Keep: func(e ledger.Entry) {
				b, _ := json.Marshal(e)
				var c ledger.Entry
				_ = json.Unmarshal(b, &c)
				h.mu.Lock()
				h.entries = append(h.entries, c)
				h.mu.Unlock()
				d.Keep(e)
			}})
			if err != nil {
				panic(err)
			}
			if old != nil {
				_ = st.Succeed(old)
			}
			rctx, end := context.WithCancel(ctx)
			again = false
			d.Take(st, func() { again = true; end() })
			_ = st.Run(rctx)
			d.Take(nil, nil)
			end()
			old = st
		}
	}()
	h.stop = sync.OnceFunc(func() {
		cancel()
		require.NoError(t, h.srv.Close())
		<-done
		require.NoError(t, ports.Close())
	})
	t.Cleanup(h.stop)
	return h
}

func (h *house) page() string { return h.srv.URL + "#token=" + h.srv.Token }

const card = `document.querySelectorAll(".card")`

// far is the far side of a port: it keeps all that has come.
type far struct {
	port serial.Port
	mu   sync.Mutex
	all  string
	done chan struct{}
}

func (h *house) far(t *testing.T, name string) *far {
	baud := h.s.Play.Cast[h.s.GaugeIndex(name)].Line.Baud
	p, err := serial.Open(filepath.Join(h.folder, name), &serial.Mode{BaudRate: baud})
	require.NoError(t, err)
	f := &far{port: p, done: make(chan struct{})}
	go func() {
		defer close(f.done)
		buf := make([]byte, 4096)
		for {
			n, err := p.Read(buf)
			f.mu.Lock()
			f.all += string(buf[:n])
			f.mu.Unlock()
			if err != nil || n == 0 {
				return
			}
		}
	}()
	return f
}

func (f *far) close() { f.port.Close(); <-f.done }

// gets does something, and waits until the port has said so since.
func (f *far) gets(t *testing.T, want string, do func()) {
	t.Helper()
	f.mu.Lock()
	from := len(f.all)
	f.mu.Unlock()
	do()
	require.Eventually(t, func() bool {
		f.mu.Lock()
		defer f.mu.Unlock()
		return strings.Contains(f.all[from:], want)
	}, 10*time.Second, 5*time.Millisecond, "the port never said %q", want)
}

// Kind: process.
func TestBenchInABrowser(t *testing.T) {
	b := chromium.Start(t)
	h := open(t, lathe(4, "20 Hz"))
	p := b.Page()
	p.Size(1280, 800)
	p.Open(h.page())
	p.Until(card + `.length === 4 && document.querySelector(".figures").textContent.startsWith("2")`)
	require.NotContains(t, p.Eval(`location.href`), "token", "the token does not stay in the address")

	// Two viewers see the same; this one has no hands.
	q := b.Page()
	q.Open(h.srv.URL)
	q.Eval(`sessionStorage.clear()`)
	q.Do(chromedp.Reload())
	q.Until(card + `.length === 4`)
	require.Contains(t, q.Eval(`document.getElementById("message").textContent`), "Watching only")

	// The wheel moves the tip by one count, the keyboard too, and the reading
	// follows.
	size := `Number(document.querySelectorAll(".scene")[0].getAttribute("aria-valuenow"))`
	box := func(expr string) (x, y float64) {
		var r struct{ X, Y float64 }
		require.NoError(t, json.Unmarshal([]byte(p.Eval(`(() => { const r = `+expr+`.getBoundingClientRect(); return JSON.stringify({ x: r.x + r.width / 2, y: r.y + r.height / 2 }); })()`)), &r))
		return r.X, r.Y
	}
	p.Eval(`document.querySelectorAll(".scene")[0].focus()`)
	p.Do(chromedp.KeyEvent(kb.ArrowUp))
	p.Until(size + ` === 25.001`)
	x, y := box(`document.querySelectorAll(".scene")[0]`)
	p.Wheel(x, y, 100)
	p.Until(size + ` === 25`)

	// Dragging the tip changes what the port says.
	far := h.far(t, "place-1")
	defer far.close()
	far.gets(t, "R +00025.00", func() {})
	far.gets(t, "R +00025.01", func() {
		p.Drag(chromedp.MousePressed, x, y)
		for i := range 20 {
			p.Drag(chromedp.MouseMoved, x, y-float64(i))
			if p.Eval(size+` > 25.012`) == "true" {
				break
			}
		}
		p.Drag(chromedp.MouseReleased, x, y)
	})
	p.Until(size + ` > 25.01`)
	q.Until(size + ` > 25.01`)
	p.Until(`document.querySelector(".port").textContent.startsWith("port open")`)

	// On the upper specification limit by a master: inside, and it says so in words.
	p.Press("Lift off")
	p.Until(`document.querySelectorAll(".zone")[0].textContent === "under range"`)
	p.Press("Master")
	p.Until(`document.querySelectorAll(".zone")[0].textContent === "inside"`)

	// A tag: its frame is on the port, on the wire list, in the table.
	far.gets(t, "T0001 +0002", func() {
		p.Eval(`document.querySelectorAll(".card .push")[0].click()`)
	})
	p.Until(`document.querySelector("#tags tr") && document.querySelector(".tags").textContent === "1 tag"`)
	require.Contains(t, p.Eval(`document.querySelector("#tags tr").textContent`), "mm")
	p.Until(`document.querySelector("#wire .check") && document.querySelector("#wire .check").textContent === "✓ xor right"`)
	p.Eval(`document.querySelector("#wire .span").focus()`)
	require.Regexp(t, `^Bytes 0–\d+: .* = `, p.Eval(`document.getElementById("byte").textContent`))
	p.Eval(`document.activeElement.blur()`)

	// By keyboard on the card: b presets, a tags.
	p.Eval(`document.querySelector(".name").focus()`)
	p.Until(`!document.querySelector(".push.down")`) // the last press is over
	p.Do(chromedp.KeyEvent("a"))
	p.Until(`document.querySelector(".tags").textContent === "2 tags"`)

	// A damaged frame is shown damaged.
	p.Press("Garble")
	p.Until(`document.querySelector("#wire li.went.bad .check.wrong")`)

	// The link is lost, and comes back.
	p.Press("Lose link")
	p.Until(`document.querySelector(".link").textContent.startsWith("link lost")`)
	q.Until(`document.querySelector(".link").textContent.startsWith("link lost")`)

	// Held, stepped, and on.
	p.Eval(`document.getElementById("pause").click()`)
	p.Until(`document.getElementById("pause").textContent === "Go on"`)
	at := p.Eval(`document.getElementById("time").textContent`)
	p.Eval(`document.getElementById("step").click()`)
	p.Until(`document.getElementById("time").textContent !== ` + fmt.Sprintf("%q", at))

	// Slowed down.
	pace := `document.getElementById("pace")`
	p.Eval(pace + `.value = "0.25x"; ` + pace + `.dispatchEvent(new Event("change"))`)
	p.Until(pace + `.value === "0.25x"`)
	q.Until(pace + `.value === "0.25x"`)

	// Reloaded, it shows the same gauge in hand and still has hands.
	p.Eval(`document.querySelectorAll(".name")[2].click()`)
	p.Do(chromedp.Reload())
	p.Until(`document.getElementById("picked").textContent.startsWith("place-3")`)
	require.Equal(t, "", p.Eval(`document.getElementById("message").textContent`))

	// Kept as a scenario it plays back the same bytes.
	p.Eval(`document.getElementById("keep").click()`)
	p.Until(`document.getElementById("message").textContent.startsWith("Kept in")`)
	text, err := os.ReadFile(filepath.Join(h.folder, "kept.yaml"))
	require.NoError(t, err)
	h.mu.Lock()
	live := frames(h.entries)
	h.mu.Unlock()
	played, err := paper.Ledger(t.Context(), parse(t, string(text)))
	require.NoError(t, err)
	require.Greater(t, len(live), 50)
	if d := cmp.Diff(live, frames(played)); d != "" {
		t.Errorf("live (-) and played again (+) differ:\n%s", d)
	}

	// A lesson's answer is shown when asked for.
	require.Equal(t, "1 of 1: On the master", p.Eval(`document.getElementById("lesson-title").textContent`))
	require.Equal(t, "true", p.Eval(`document.getElementById("answer").hidden`))
	p.Eval(`document.getElementById("reveal").click()`)
	require.Equal(t, "false", p.Eval(`document.getElementById("answer").hidden`))

	// From the start, with the same seed.
	p.Eval(`document.getElementById("again").click()`)
	p.Until(`document.querySelector(".tags").textContent === "0 tags"`)
	p.Until(`document.querySelector(".link").textContent.startsWith("link up")`)

	for _, viewer := range []*chromium.Page{p, q} {
		require.Empty(t, viewer.Log(), "no complaint of the page, none of the content security policy, nothing that failed to load")
	}
}

func frames(list []ledger.Entry) (out []string) {
	for _, e := range list {
		if e.Frame != nil {
			out = append(out, fmt.Sprintf("%d %s %x", e.T, e.Gauge, e.Frame.Bytes))
		}
		if e.Out != nil && e.Out.Fault != "" { // the bytes as they went
			out = append(out, fmt.Sprintf("%d %s %s %x", e.T, e.Gauge, e.Out.Fault, e.Out.Bytes))
		}
	}
	return out
}

// A page of another origin gets nothing, however it asks.
//
// Kind: process.
func TestHostilePage(t *testing.T) {
	b := chromium.Start(t)
	h := open(t, lathe(1, "20 Hz"))
	evil := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		_, _ = io.WriteString(w, "<!doctype html><title>other</title><link rel=icon href=data:,>")
	}))
	defer evil.Close()
	p := b.Page()
	p.Open(evil.URL)
	for name, expr := range map[string]string{
		"fetch":              `fetch("%sv1/gauges").then((r) => r.text(), () => "nothing")`,
		"opaque fetch":       `fetch("%sv1/gauges", { mode: "no-cors" }).then((r) => r.text(), () => "")`,
		"a change":           `fetch("%sv1/acts", { method: "POST", mode: "no-cors", body: '{"do":"tag"}' }).then((r) => r.text(), () => "")`,
		"with a token":       `fetch("%sv1/acts", { method: "POST", headers: { Authorization: "Bearer ` + h.srv.Token + `" }, body: '{"do":"tag"}' }).then((r) => r.text(), () => "nothing")`,
		"an event stream":    `new Promise((r) => { const e = new EventSource("%sv1/watch"); e.onmessage = (m) => { e.close(); r(m.data); }; e.onerror = () => { e.close(); r("nothing"); }; })`,
		"a script":           `new Promise((r) => { const s = document.createElement("script"); s.src = "%sbench.js"; s.onload = () => r("ran"); s.onerror = () => r("nothing"); document.head.append(s); })`,
		"a picture":          `new Promise((r) => { const s = new Image(); s.src = "%sicon.svg"; s.onload = () => r("seen"); s.onerror = () => r("nothing"); })`,
		"a frame, by script": `new Promise((r) => { const f = document.createElement("iframe"); f.src = "%s"; f.onload = () => { try { r(f.contentDocument ? f.contentDocument.body.textContent : "nothing"); } catch { r("nothing"); } }; document.body.append(f); })`,
	} {
		got := p.Eval(fmt.Sprintf(expr, h.srv.URL))
		require.Contains(t, []string{"", "nothing"}, got, name)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, e := range h.entries {
		require.NotContains(t, e.Note, "by hand")
	}
}

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

// Beside what should be recorded the page shows what a host has recorded, as it
// arrives, and says at once that it is wrong, and why.
//
// Kind: process.
func TestHostBeside(t *testing.T) {
	p := chromium.Start(t).Page()
	text, err := scenarios.Files.ReadFile("04-preset-on-a-master.yaml")
	require.NoError(t, err)
	desc, err := scenarios.Files.ReadFile("hosts/reference.yaml")
	require.NoError(t, err)
	hf, err := hostfile.Parse("reference.yaml", desc)
	require.NoError(t, err)
	self, err := os.Executable()
	require.NoError(t, err)
	s := parse(t, string(text))
	d := control.NewDesk(s)
	srv, err := control.Listen(d, control.Options{Address: "127.0.0.1:0", Pages: bench.Pages()})
	require.NoError(t, err)
	defer srv.Close()
	p.Size(1280, 800)
	var pace stage.Pace
	require.NoError(t, pace.UnmarshalText([]byte("2x")))
	d.Begin()
	c := check.Check{Scenario: s, Host: hf, Run: t.TempDir(), Self: self, Extra: []string{"--defect", "factor-twice"}, Pace: &pace,
		Watch: &check.Watch{Stage: func(st *stage.Stage) { d.Take(st, nil) }, Entry: d.Keep, SoFar: d.Judged}}
	done := make(chan error, 1)
	var out *check.Outcome
	go func() {
		var err error
		out, err = c.Do(context.Background())
		done <- err
	}()
	p.Open(srv.URL + "#token=" + srv.Token)
	p.Until(`document.querySelector("#verdict.wrong") && document.querySelector("#tags tr.wrong")`)
	require.Contains(t, p.Eval(`document.getElementById("verdict").textContent`), "✗ The host is wrong: ")
	p.Until(`[...document.querySelectorAll("#tags tr")].some((r) => /^130\.000|^1.*✗ 60\.000/.test(r.textContent))`)
	p.Eval(`document.getElementById("again").click()`)
	p.Until(`document.getElementById("message").textContent.includes("cannot be started again")`)
	p.Shot("host", false)
	require.NoError(t, <-done)
	require.Equal(t, judge.Fail, out.Verdict)
	require.NoError(t, srv.Close())
}

// Every fault has its control; what it does is seen on the page in words, and at
// the port by a host, and all of it together is kept as a scenario that plays
// back the same bytes.
//
// Kind: process.
func TestEveryFaultByHand(t *testing.T) {
	p := chromium.Start(t).Page()
	h := open(t, lathe(4, "20 Hz"))
	p.Size(1280, 800)
	p.Open(h.page())
	p.Until(card + `.length === 4`)
	pick := func(i int) { p.Eval(fmt.Sprintf(`document.querySelectorAll(".name")[%d].click()`, i)) }
	alarms := func(i int) string { return fmt.Sprintf(`document.querySelectorAll(".alarms")[%d].textContent`, i) }
	zone := func(i int) string { return fmt.Sprintf(`document.querySelectorAll(".read .zone")[%d].textContent`, i) }
	outs := func(fault string) (n int) {
		h.mu.Lock()
		defer h.mu.Unlock()
		for _, e := range h.entries {
			if e.Out != nil && strings.Contains(e.Out.Fault, fault) {
				n++
			}
		}
		return n
	}

	// place-4: the link is lost with its port, and both come back.
	pick(3)
	link := filepath.Join(h.folder, "place-4")
	p.Press("Lose link")
	p.Until(alarms(3) + ` === "▲ link lost"`)
	_, err := os.Lstat(link)
	require.ErrorIs(t, err, fs.ErrNotExist)

	// place-3: the cell fades, is empty, and is changed.
	pick(2)
	p.Press("Fade cell")
	p.Until(alarms(2) + ` === "▲ cell low"`)
	p.Press("Empty cell")
	p.Until(alarms(2) + ` === "▲ cell empty: gauge off"`)
	p.Until(zone(2) + ` === "gauge off"`)
	p.Press("Fresh cell")
	p.Until(alarms(2) + ` === ""`)

	// place-1, with a host: at the wrong speed it reads what the ledger says.
	pick(0)
	far := h.far(t, "place-1")
	defer far.close()
	far.gets(t, "R +00025.", func() {})
	p.Press("Change line speed")
	p.Until(alarms(0) + ` === "▲ line speed 57600, the host at 115200"`)
	require.Eventually(t, func() bool { return outs("wrong speed") > 3 }, 10*time.Second, 5*time.Millisecond)
	h.mu.Lock()
	var went string
	for _, e := range h.entries {
		if e.Gauge == "place-1" && e.Out != nil && e.Out.Fault == "wrong speed" && e.Out.Fate == ledger.Sent {
			went += string(e.Out.Bytes)
		}
	}
	h.mu.Unlock()
	far.gets(t, "R +00025.", func() {
		p.Press("Restore line speed")
		p.Until(alarms(0) + ` === ""`)
	})
	far.mu.Lock()
	require.Contains(t, far.all, went)
	far.mu.Unlock()

	p.Press("Garble")
	p.Until(`document.querySelector("#wire li.went.bad .check.wrong")`)
	require.Eventually(t, func() bool { return outs("garble") == 1 }, 10*time.Second, 5*time.Millisecond)
	p.Press("Duplicate")
	require.Eventually(t, func() bool { return outs("duplicate") == 1 }, 10*time.Second, 5*time.Millisecond)
	p.Press("Unplug probe")
	p.Until(alarms(0) + ` === "▲ probe unplugged"`)
	p.Until(zone(0) + ` === "no probe"`)
	p.Until(alarms(0) + ` === ""`)
	p.Press("Stick tip")
	p.Press("Upper specification limit")
	p.Until(alarms(0) + ` === "▲ tip sticks" && document.querySelector(".scene").getAttribute("aria-valuenow") === "25.015"`)
	require.Regexp(t, `^(25\.00|24\.99)`, p.Eval(`document.querySelector(".figures").textContent`), "a stuck tip reads what it read")
	p.Until(alarms(0) + ` === "" && document.querySelector(".figures").textContent.startsWith("25.01")`)

	// Nothing arrives, and then all at once.
	p.Press("Stall, then burst")
	p.Until(alarms(0) + ` === "▲ link stalled"`)
	p.Press("A tag")
	p.Until(alarms(0) + ` === ""`)
	require.Eventually(t, func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		var sent []time.Duration
		for _, e := range h.entries {
			if e.Gauge == "place-1" && e.Out != nil && e.Out.Fate == ledger.Sent {
				sent = append(sent, e.T)
			}
		}
		for i := 30; i < len(sent); i++ {
			if sent[i]-sent[i-30] < 200*time.Millisecond {
				return true
			}
		}
		return false
	}, 10*time.Second, 5*time.Millisecond, "two seconds of 20 Hz come as fast as the line carries them")

	// A tag that is lost with the link is one that a right host has no record of.
	p.Until(alarms(3) + ` === ""`)
	require.Eventually(t, func() bool { _, err := os.Lstat(link); return err == nil }, 10*time.Second, 5*time.Millisecond)
	pick(3)
	p.Press("Lose link")
	p.Until(alarms(3) + ` === "▲ link lost"`)
	p.Eval(`document.querySelectorAll(".card")[3].querySelector(".push").click()`)
	p.Until(`document.querySelector("#tags tr td")?.textContent === "none: lost with the link"`)

	p.Press("Keep as scenario")
	p.Until(`document.getElementById("message").textContent.startsWith("Kept in")`)
	text, err := os.ReadFile(filepath.Join(h.folder, "kept.yaml"))
	require.NoError(t, err)
	for _, verb := range []string{"lose link", "stall", "garble", "duplicate", "unplug probe", "stick tip", "change line speed", "restore line speed", "fade cell"} {
		require.Contains(t, string(text), "do: "+verb)
	}
	played, err := paper.Ledger(t.Context(), parse(t, string(text)))
	require.NoError(t, err)
	replayed := frames(played)
	h.mu.Lock()
	live := frames(h.entries)
	h.mu.Unlock()
	require.Greater(t, len(live), 500)
	require.GreaterOrEqual(t, len(live), len(replayed)) // the bench goes on after it was kept
	require.Empty(t, cmp.Diff(live[:len(replayed)], replayed))
	require.Empty(t, p.Log())
}

// A button that is held, with the mouse or by its key, is held on the gauge.
//
// Kind: process.
func TestHeldButton(t *testing.T) {
	p := chromium.Start(t).Page()
	h := open(t, `understudy: 1
title: A button that does more when it is held
seed: 9
part: {feature: rim, nominal: 3.000 mm, limits: [2.990 mm, 3.010 mm]}
gauges: [{name: rim-stand, dialect: line-ascii, stream: 20 Hz, buttons: {A: {press: tag, long: zero, after: 600 ms}, B: {press: preset}}}]
cues: [{at: 0 s, do: preset, to: 3.000 mm}]
until: 24 h
`)
	p.Size(1280, 800)
	p.Open(h.page())
	reads := func(want string) {
		p.Until(fmt.Sprintf(`document.querySelector(".figures")?.textContent === %q`, want))
	}
	reads("3.000")
	p.Eval(`document.querySelector(".name").focus()`)
	chromium.Call(p, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kb.KeyDown, Key: "a"})
	p.Until(`!!document.querySelector(".push.held")`)
	p.Eval(`new Promise((r) => setTimeout(r, 800))`)
	chromium.Call(p, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kb.KeyUp, Key: "a"})
	reads("0.000")
	p.Do(chromedp.KeyEvent("b"))
	reads("3.000")
	var r struct{ X, Y float64 }
	require.NoError(t, json.Unmarshal([]byte(p.Eval(`(() => { const r = document.querySelector(".push").getBoundingClientRect(); return JSON.stringify({ x: r.x + 9, y: r.y + 9 }); })()`)), &r))
	p.Drag(chromedp.MousePressed, r.X, r.Y)
	p.Eval(`new Promise((r) => setTimeout(r, 800))`)
	p.Drag(chromedp.MouseReleased, r.X, r.Y)
	reads("0.000")
	require.Equal(t, "0 tags", p.Eval(`document.querySelector(".tags").textContent`), "held it does not tag")
	require.Empty(t, p.Log())
}

// On a tablet a finger drags the tip and presses the button, and the page does
// not scroll away under it.
//
// Kind: process.
func TestTouch(t *testing.T) {
	p := chromium.Start(t).Page()
	h := open(t, lathe(4, "20 Hz"))
	p.Do(chromedp.EmulateViewport(800, 1280, chromedp.EmulateTouch))
	p.Open(h.page())
	p.Until(card + `.length === 4`)
	touch := func(kind input.DispatchTouchEventType, points ...*input.TouchPoint) {
		chromium.Call(p, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
	}
	place := func(expr string) (x, y float64) {
		var r struct{ X, Y float64 }
		require.NoError(t, json.Unmarshal([]byte(p.Eval(`(() => { const r = `+expr+`.getBoundingClientRect(); return JSON.stringify({ x: r.x + r.width / 2, y: r.y + r.height / 2 }); })()`)), &r))
		return r.X, r.Y
	}
	x, y := place(`document.querySelectorAll(".scene")[1]`)
	touch(input.DispatchTouchEventTypeTouchStart, &input.TouchPoint{X: x, Y: y})
	for i := range 20 {
		touch(input.DispatchTouchEventTypeTouchMove, &input.TouchPoint{X: x, Y: y - float64(i)})
	}
	// The finger rests before it is lifted: of one that flings, the browser may
	// take the next tap for what stops the fling.
	p.Eval(`new Promise((r) => setTimeout(r, 200))`)
	touch(input.DispatchTouchEventTypeTouchEnd)
	p.Until(`Number(document.querySelectorAll(".scene")[1].getAttribute("aria-valuenow")) > 25.01`)
	require.Equal(t, "0", p.Eval(`scrollY`))
	p.Until(`document.getElementById("picked").textContent.startsWith("place-2")`)
	x, y = place(`document.querySelectorAll(".card")[1].querySelector(".push")`)
	p.Do(chromedp.TapXY(x, y))
	p.Until(`document.querySelectorAll(".tags")[1].textContent === "1 tag"`)
	require.Empty(t, p.Log())
}

// The buzzer is heard when the sound is on, which it is not at first, and a page
// that is loaded again does not sound what was long ago.
//
// Kind: process.
func TestSound(t *testing.T) {
	p := chromium.Start(t).Page()
	h := open(t, `understudy: 1
title: A gauge that buzzes
seed: 8
part: {feature: rim, nominal: 3.000 mm, limits: [2.990 mm, 3.010 mm]}
gauges: [{name: rim-stand, dialect: line-ascii, stream: 20 Hz, buzzer: true}]
until: 24 h
`)
	chromium.Call(p, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: `window.tones = [];
		const start = OscillatorNode.prototype.start;
		OscillatorNode.prototype.start = function () { window.tones.push(this.frequency.value); return start.call(this); };`})
	p.Open(h.page())
	p.Until(card + `.length === 1`)
	buzzed := func(n int) {
		t.Helper()
		p.Click("A tag")
		p.Until(fmt.Sprintf(`document.querySelector(".tags").textContent.startsWith("%d tag")`, n))
		p.Until(`!document.querySelector(".buzz").hidden && document.querySelector(".buzz").textContent === "♪ buzzer"`)
		p.Until(`document.querySelector(".buzz").hidden`)
	}
	require.Equal(t, "false", p.Eval(`document.getElementById("sound").getAttribute("aria-pressed")`))
	buzzed(1)
	require.Equal(t, "0", p.Eval(`tones.length`), "the sound is off at first")
	p.Click("Sound off")
	require.Equal(t, "Sound on true", p.Eval(`document.getElementById("sound").textContent + " " + document.getElementById("sound").getAttribute("aria-pressed")`))
	require.Equal(t, "[2300]", p.Eval(`JSON.stringify(tones)`), "what it sounds like")
	buzzed(2)
	require.Equal(t, "2", p.Eval(`tones.length`))
	p.Eval(`new Promise((r) => setTimeout(r, 1100))`)
	p.Do(chromedp.Reload())
	p.Until(`document.querySelectorAll("#log li").length > 3`)
	require.Equal(t, "Sound on 0", p.Eval(`document.getElementById("sound").textContent + " " + tones.length`))
	buzzed(3)
	require.Equal(t, "1", p.Eval(`tones.length`))
	p.Click("Sound on")
	buzzed(4)
	require.Equal(t, "1", p.Eval(`tones.length`))
	require.Empty(t, p.Log())
}

// eachLesson puts each lesson on a bench, and a browser's page beside it.
func eachLesson(t *testing.T, do func(t *testing.T, file string, h *house, p *chromium.Page)) {
	b := chromium.Start(t)
	for _, file := range testenv.Sample(t, 2, lessons(t)) {
		t.Run(file, func(t *testing.T) {
			text, err := scenarios.Files.ReadFile(file)
			require.NoError(t, err)
			h := open(t, string(text))
			defer h.stop()
			b.For(t)
			p := b.Page()
			defer p.Close()
			do(t, file, h, p)
		})
	}
}

// Each lesson's chapters come up on the page at their times, as a trainer skips
// from cue to cue.
//
// Kind: process.
func TestLessonsOnThePage(t *testing.T) {
	eachLesson(t, func(t *testing.T, file string, h *house, p *chromium.Page) {
		p.Size(1280, 800)
		p.Open(h.page())
		p.Until(card + `.length > 0`)
		p.Press("Pause") // or the last cue passes by itself between a look and a press
		p.Until(`document.getElementById("pause").textContent === "Go on"`)
		const place = `(document.getElementById("time").textContent + document.getElementById("cue").textContent)`
		seen := 0
		for i, c := range h.s.Chapters {
			here := fmt.Sprintf(`document.getElementById("lesson-title").textContent === %q`, fmt.Sprintf("%d of %d: %s", i+1, len(h.s.Chapters), c.Title))
			for range h.s.Cues {
				// At once, for what arrives between a look and a press can take the button away.
				was := p.Eval(`(() => { const next = document.getElementById("next"), was = ` + place + `; if (next.disabled || ` + here + `) return ""; next.click(); return was; })()`)
				if was == "" {
					break
				}
				p.Until(fmt.Sprintf(place+` !== %q`, was))
			}
			if p.Eval(here) == "true" {
				seen++
				require.Equal(t, c.Ask, p.Eval(`document.getElementById("ask").textContent`))
				require.Equal(t, "true", p.Eval(`document.getElementById("answer").hidden`))
			}
		}
		require.GreaterOrEqual(t, seen, len(h.s.Chapters)-1, "the last may have no cue of its own")
		p.Press("Show the answer")
		require.Equal(t, "false", p.Eval(`document.getElementById("answer").hidden`))
		p.Shot("lesson-"+filepath.Base(file), false)
		require.Equal(t, "", p.Eval(crossed))
		require.Empty(t, p.Log())
	})
}

// The handout of each lesson has the questions with room to write, and the
// answers on a sheet of their own; each is one page of A4.
//
// Kind: process.
func TestHandout(t *testing.T) {
	eachLesson(t, func(t *testing.T, file string, h *house, p *chromium.Page) {
		p.Size(800, 1130)
		p.Open(h.srv.URL + "handout.html")
		n := len(h.s.Chapters)
		p.Until(fmt.Sprintf(`document.querySelectorAll("#questions li").length === %d && document.querySelectorAll("#answers li").length === %d`, n, n))
		name := "handout-" + strings.TrimSuffix(filepath.Base(file), ".yaml")
		p.Shot(name, true)
		require.Equal(t, "page", p.Eval(`getComputedStyle(document.getElementById("answers")).breakBefore`))
		require.Equal(t, "", p.Eval(faint))
		require.Equal(t, "", p.Eval(crossed))
		pdf := p.PDF(name)
		require.Equal(t, 2, bytes.Count(pdf, []byte("/Type /Page\n")), "a sheet of questions and one of answers")
		require.Empty(t, p.Log())
	})
}

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
