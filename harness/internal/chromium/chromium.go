//go:build unix

// Package chromium drives a real Chromium for tests, through its debugging
// pipe: file descriptors 3 and 4, messages of the Chrome DevTools Protocol
// ended by a zero byte.
package chromium

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var shots = flag.String("shots", "", "a folder to leave pictures of the pages in")

// Shots is the folder that pictures of pages go to; empty for none.
func Shots() string { return *shots }

// Browser is a running Chromium.
type Browser struct {
	t     testing.TB
	in    *os.File
	out   io.Reader
	buf   []byte
	id    int
	pages map[string]*Page // by session

	timeout *time.Timer
}

// patience is how long a browser is waited for after a page was opened.
const patience = 2 * time.Minute

// Page is one tab. Log is what it complained of: errors, exceptions, what the
// content security policy refused and what failed to load.
type Page struct {
	*Browser
	session string
	loaded  bool
	Log     []string
}

// Start starts Chromium and has it end with the test, which is skipped where
// Chromium is not installed and need not be.
func Start(t testing.TB) *Browser {
	t.Helper()
	program, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("UNDERSTUDY_ALL") == "1" {
			t.Fatal(err)
		}
		t.Skip("the Debian package chromium is not installed")
	}
	dir := t.TempDir()
	childIn, in, err := os.Pipe()
	require.NoError(t, err)
	out, childOut, err := os.Pipe()
	require.NoError(t, err)
	cmd := exec.Command(program, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--remote-debugging-pipe", "--user-data-dir="+filepath.Join(dir, "profile"), "about:blank")
	cmd.Env = append(os.Environ(), "TMPDIR="+dir)
	cmd.ExtraFiles = []*os.File{childIn, childOut}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	require.NoError(t, cmd.Start())
	childIn.Close()
	childOut.Close()
	timeout := time.AfterFunc(patience, func() { out.Close() })
	b := &Browser{t: t, in: in, out: out, timeout: timeout, pages: map[string]*Page{}}
	t.Cleanup(func() {
		// Asked to close it ends its helpers, which have sessions of their own.
		_, _ = in.Write([]byte(`{"id":0,"method":"Browser.close"}` + "\x00"))
		_, _ = io.Copy(io.Discard, out) // until its end of the pipe is closed, or the time is over
		timeout.Stop()
		_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
		_ = cmd.Wait()
		in.Close()
		out.Close()
	})
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
	whole := &Page{Browser: b}
	var target struct{ TargetID string }
	whole.Call("Target.createTarget", map[string]any{"url": "about:blank"}, &target)
	var session struct{ SessionID string }
	whole.Call("Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &session)
	p := &Page{Browser: b, session: session.SessionID}
	b.pages[p.session] = p
	for _, domain := range []string{"Page", "Runtime", "Log", "Network"} {
		p.Call(domain+".enable", nil, nil)
	}
	return p
}

type message struct {
	ID        int
	SessionID string
	Method    string
	Params    json.RawMessage
	Result    json.RawMessage
	Error     *struct{ Message string }
}

func (b *Browser) next() (m message) {
	chunk := make([]byte, 64<<10)
	for {
		if i := bytes.IndexByte(b.buf, 0); i >= 0 {
			require.NoError(b.t, json.Unmarshal(b.buf[:i], &m))
			b.buf = b.buf[i+1:]
			if p := b.pages[m.SessionID]; p != nil {
				switch m.Method {
				case "Log.entryAdded", "Runtime.exceptionThrown", "Network.loadingFailed":
					if !bytes.Contains(m.Params, []byte(`"canceled":true`)) { // by the page itself
						p.Log = append(p.Log, string(m.Params))
					}
				case "Page.loadEventFired":
					p.loaded = true
				}
			}
			return m
		}
		n, err := b.out.Read(chunk)
		b.buf = append(b.buf, chunk[:n]...)
		require.NoError(b.t, err)
	}
}

// Call has the browser do something, and reads the answer into result, which
// may be nil.
func (p *Page) Call(method string, params, result any) {
	p.t.Helper()
	p.id++
	id := p.id
	m := map[string]any{"id": id, "method": method, "params": params}
	if p.session != "" {
		m["sessionId"] = p.session
	}
	msg, err := json.Marshal(m)
	require.NoError(p.t, err)
	_, err = p.in.Write(append(msg, 0))
	require.NoError(p.t, err)
	for {
		m := p.next()
		if m.ID != id {
			continue
		}
		if m.Error != nil {
			require.NoError(p.t, errors.New(method+": "+m.Error.Message))
		}
		if result != nil {
			require.NoError(p.t, json.Unmarshal(m.Result, result))
		}
		return
	}
}

// Open goes to an address and waits until it is loaded.
func (p *Page) Open(url string) {
	p.t.Helper()
	p.loaded = false
	p.Call("Page.navigate", map[string]any{"url": url}, nil)
	p.wait()
}

// Front has the page be the one that is seen; others draw nothing.
func (p *Page) Front() { p.Call("Page.bringToFront", nil, nil) }

// Reload loads the page again.
func (p *Page) Reload() {
	p.t.Helper()
	p.loaded = false
	p.Call("Page.reload", nil, nil)
	p.wait()
}

func (p *Page) wait() {
	for !p.loaded {
		p.next()
	}
}

// Eval runs an expression in the page, waits for it when it is a promise, and
// returns its value as text.
func (p *Page) Eval(expr string) string {
	p.t.Helper()
	var r struct {
		Result           struct{ Value any }
		ExceptionDetails *struct {
			Text      string
			Exception struct{ Description string }
		}
	}
	p.Call("Runtime.evaluate", map[string]any{"expression": expr, "returnByValue": true, "awaitPromise": true}, &r)
	if e := r.ExceptionDetails; e != nil {
		p.t.Fatalf("%s: %s %s", expr, e.Text, e.Exception.Description)
	}
	return fmt.Sprint(r.Result.Value)
}

// Until waits until an expression of the page is true.
func (p *Page) Until(expr string) {
	p.t.Helper()
	for began := time.Now(); time.Since(began) < 15*time.Second; {
		if p.Eval(`new Promise((r) => { const end = performance.now() + 500; const look = () => { if (`+expr+`) r(true); else if (performance.now() > end) r(false); else setTimeout(look, 5); }; look(); })`) == "true" {
			return
		}
	}
	p.t.Fatalf("never true: %s; the page says %v", expr, p.Log)
}

// Press clicks the first button that has a label.
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
	var at struct{ X, Y float64 }
	text := p.Eval(fmt.Sprintf(`(() => { const b = [...document.querySelectorAll("button")].find((b) => b.textContent.trim() === %q); if (!b) return ""; b.scrollIntoView({ block: "nearest" }); const r = b.getBoundingClientRect(); return JSON.stringify({ X: r.x + r.width / 2, Y: r.y + r.height / 2 }); })()`, label))
	if text == "" {
		p.t.Fatalf("there is no button %q to click", label)
	}
	require.NoError(p.t, json.Unmarshal([]byte(text), &at))
	p.Mouse("mousePressed", at.X, at.Y, 0)
	p.Mouse("mouseReleased", at.X, at.Y, 0)
}

// Close closes the tab.
func (p *Page) Close() {
	p.Call("Page.close", nil, nil)
	delete(p.pages, p.session)
}

// Key presses a key and lets it go.
func (p *Page) Key(name string) {
	p.t.Helper()
	for _, kind := range []string{"keyDown", "keyUp"} {
		p.Call("Input.dispatchKeyEvent", map[string]any{"type": kind, "key": name}, nil)
	}
}

// Mouse sends a mouse event at a place: mousePressed, mouseMoved,
// mouseReleased or mouseWheel.
func (p *Page) Mouse(kind string, x, y, wheel float64) {
	p.t.Helper()
	m := map[string]any{"type": kind, "x": x, "y": y, "button": "left", "buttons": 1, "clickCount": 1}
	if kind == "mouseWheel" {
		m = map[string]any{"type": kind, "x": x, "y": y, "deltaX": 0, "deltaY": wheel}
	}
	p.Call("Input.dispatchMouseEvent", m, nil)
}

// Size sets the size of the window.
func (p *Page) Size(width, height int) {
	p.Call("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false}, nil)
}

// Scheme has the page be light or dark.
func (p *Page) Scheme(name string) {
	p.Call("Emulation.setEmulatedMedia", map[string]any{"features": []any{map[string]any{"name": "prefers-color-scheme", "value": name}}}, nil)
}

// Shot leaves a picture in the folder of -shots, if there is one.
func (p *Page) Shot(name string, whole bool) {
	if *shots == "" {
		return
	}
	var r struct{ Data string }
	p.Call("Page.captureScreenshot", map[string]any{"captureBeyondViewport": whole}, &r)
	png, err := base64.StdEncoding.DecodeString(r.Data)
	require.NoError(p.t, err)
	require.NoError(p.t, os.WriteFile(filepath.Join(*shots, name+".png"), png, 0o644))
}

// PDF prints the page on A4, and leaves it in the folder of -shots, if there is
// one.
func (p *Page) PDF(name string) []byte {
	p.t.Helper()
	var r struct{ Data string }
	p.Call("Page.printToPDF", map[string]any{"paperWidth": 8.27, "paperHeight": 11.69}, &r)
	pdf, err := base64.StdEncoding.DecodeString(r.Data)
	require.NoError(p.t, err)
	if *shots != "" {
		require.NoError(p.t, os.WriteFile(filepath.Join(*shots, name+".pdf"), pdf, 0o644))
	}
	return pdf
}
