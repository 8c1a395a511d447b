//go:build linux

package bench_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
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
	}, time.Minute, 5*time.Millisecond, "the port never said %q", want)
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
