// Package chromium drives a real Chromium for tests, by chromedp.
package chromium

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"example.org/understudy/sim/testenv"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

var shots = flag.String("shots", "", "a folder to leave pictures of the pages in")

// Browser is a running Chromium.
type Browser struct {
	t       testing.TB
	ctx     context.Context
	timeout *time.Timer
}

// patience is how long a browser is waited for after a page was opened.
const patience = 2 * time.Minute

// Page is one tab, in a window of its own.
type Page struct {
	*Browser
	ctx   context.Context
	Close context.CancelFunc // closes the tab

	mu  sync.Mutex
	log []string
}

// Start starts Chromium and has it end with the test, which is skipped where
// Chromium is not installed and need not be.
func Start(t testing.TB) *Browser {
	t.Helper()
	program := testenv.Program(t, "chromium", "chromium")
	root, stop := context.WithCancel(context.Background())
	root, done := chromedp.NewExecAllocator(root, append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(program), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("hide-scrollbars", false), // they take room, as on a screen
		chromedp.Env("TMPDIR="+t.TempDir()))...)
	ctx, _ := chromedp.NewContext(root)
	b := &Browser{t: t, ctx: ctx, timeout: time.AfterFunc(patience, stop)}
	t.Cleanup(func() {
		// Asked to close it ends its helpers; with the root it is killed.
		if err := chromedp.Cancel(ctx); err != nil {
			t.Errorf("the browser did not end well: %v", err)
		}
		b.timeout.Stop()
		stop()
		done()
	})
	require.NoError(t, chromedp.Do(ctx))
	return b
}

// For has what fails from now on fail in a test of the browser's own.
func (b *Browser) For(t testing.TB) {
	was := b.t
	b.t = t
	t.Cleanup(func() { b.t = was })
}

// Page opens a tab.
func (b *Browser) Page() *Page {
	b.t.Helper()
	b.timeout.Reset(patience)
	p := &Page{Browser: b}
	p.ctx, p.Close = chromedp.NewContext(b.ctx, chromedp.WithListener(p.listen))
	p.Do()
	return p
}

func (p *Page) listen(event any) {
	switch e := event.(type) {
	case *log.EventEntryAdded, *runtime.EventExceptionThrown:
	case *network.EventLoadingFailed:
		if e.Canceled { // by the page itself
			return
		}
	default:
		return
	}
	text, _ := json.Marshal(event)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.log = append(p.log, string(text))
}

// Log is what the page has complained of: errors, exceptions, what the content
// security policy refused and what failed to load.
func (p *Page) Log() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.log)
}

// Do does something on the page.
func (p *Page) Do(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	require.NoError(p.t, chromedp.Do(p.ctx, steps...))
}

// Call has the browser do something with the page.
func Call[P, R any](p *Page, command cdp.Command[P, R], params P) {
	p.t.Helper()
	_, err := chromedp.Call(p.ctx, command, params)
	require.NoError(p.t, err)
}

// Open goes to an address and waits until it is loaded.
func (p *Page) Open(url string) { p.t.Helper(); p.Do(chromedp.Navigate(url)) }

// Eval runs an expression in the page, waits for it when it is a promise, and
// returns its value as text.
func (p *Page) Eval(expr string) string {
	p.t.Helper()
	v, err := chromedp.Run(p.ctx, chromedp.Evaluate[any](expr, chromedp.EvalAwaitPromise))
	require.NoError(p.t, err, expr)
	return fmt.Sprint(v)
}

// Until waits until an expression of the page is true. (Poll of chromedp makes a
// function of a text, which the content security policy refuses.)
func (p *Page) Until(expr string) {
	p.t.Helper()
	for began := time.Now(); time.Since(began) < 15*time.Second; {
		if p.Eval(`new Promise((r) => { const end = performance.now() + 500; const look = () => { if (`+expr+`) r(true); else if (performance.now() > end) r(false); else setTimeout(look, 5); }; look(); })`) == "true" {
			return
		}
	}
	p.t.Fatalf("never true: %s; the page says %v", expr, p.Log())
}

// Press has the first button that has a label be clicked by a script.
func (p *Page) Press(label string) {
	p.t.Helper()
	if got := p.Eval(fmt.Sprintf(`(() => { const b = [...document.querySelectorAll("button")].find((b) => b.textContent.trim() === %q); if (!b || b.disabled) return "no"; b.click(); return "yes"; })()`, label)); got != "yes" {
		p.t.Fatalf("there is no button %q to press", label)
	}
}

// Click clicks the first button that has a label with the mouse, which a page
// takes for a sign that somebody is there.
func (p *Page) Click(label string) {
	p.t.Helper()
	p.Do(chromedp.Click(chromedp.Search(fmt.Sprintf(`//button[normalize-space()=%q]`, label))))
}

// Drag sends an event of the mouse with its left button down.
func (p *Page) Drag(kind input.DispatchMouseEventType, x, y float64) {
	p.t.Helper()
	p.Do(chromedp.MouseEvent(kind, x, y, chromedp.ButtonLeft, chromedp.ClickCount(1), func(e *input.DispatchMouseEventParams) { e.Buttons = 1 }))
}

// Wheel turns the wheel of the mouse at a place, by so many pixels.
func (p *Page) Wheel(x, y, by float64) {
	p.t.Helper()
	p.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		// by hand: cdproto leaves out a deltaX of 0, and Chromium refuses that
		return t.Call(ctx, input.CommandDispatchMouseEvent, map[string]any{"type": chromedp.MouseWheel, "x": x, "y": y, "deltaX": 0, "deltaY": by}, nil)
	}))
}

// Size sets the size of the window.
func (p *Page) Size(width, height int64) { p.t.Helper(); p.Do(chromedp.EmulateViewport(width, height)) }

// Scheme has the page be light or dark.
func (p *Page) Scheme(name string) {
	p.t.Helper()
	Call(p, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}})
}

// Shot leaves a picture in the folder of -shots, if there is one.
func (p *Page) Shot(name string, whole bool) {
	p.t.Helper()
	take := chromedp.CaptureScreenshot()
	if whole {
		take = chromedp.FullScreenshot(100)
	}
	if *shots != "" {
		p.keep(name+".png", take)
	}
}

// PDF prints the page on A4, and leaves it in the folder of -shots, if there is
// one.
func (p *Page) PDF(name string, options ...chromedp.PDFOption) []byte {
	p.t.Helper()
	return p.keep(name+".pdf", chromedp.PrintToPDF(append(options, chromedp.PDFPaper(chromedp.PaperA4))...))
}

func (p *Page) keep(file string, make chromedp.Action[[]byte]) []byte {
	p.t.Helper()
	made, err := chromedp.Run(p.ctx, make)
	require.NoError(p.t, err)
	if *shots != "" {
		require.NoError(p.t, os.WriteFile(filepath.Join(*shots, file), made, 0o644))
	}
	return made
}
