//go:build unix

package report_test

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

var shots = flag.String("shots", "", "a folder to leave screenshots of the page in")

// browser drives a real Chromium through its debugging pipe (file descriptors
// 3 and 4, messages of the Chrome DevTools Protocol ended by a zero byte).
type browser struct {
	t       *testing.T
	in      *os.File
	out     io.Reader
	buf     []byte
	id      int
	session string
	log     []string // what the page complained of
}

func openBrowser(t *testing.T) *browser {
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
	timeout := time.AfterFunc(2*time.Minute, func() { out.Close() })
	b := &browser{t: t, in: in, out: out}
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
	var target struct{ TargetID string }
	b.call("Target.createTarget", map[string]any{"url": "about:blank"}, &target)
	var session struct{ SessionID string }
	b.call("Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &session)
	b.session = session.SessionID
	for _, domain := range []string{"Page", "Runtime", "Log", "Network"} {
		b.call(domain+".enable", nil, nil)
	}
	return b
}

type message struct {
	ID     int
	Method string
	Params json.RawMessage
	Result json.RawMessage
	Error  *struct{ Message string }
}

func (b *browser) next() (m message) {
	chunk := make([]byte, 64<<10)
	for {
		if i := bytes.IndexByte(b.buf, 0); i >= 0 {
			require.NoError(b.t, json.Unmarshal(b.buf[:i], &m))
			b.buf = b.buf[i+1:]
			switch m.Method {
			case "Log.entryAdded", "Runtime.exceptionThrown", "Network.loadingFailed":
				b.log = append(b.log, string(m.Params))
			}
			return m
		}
		n, err := b.out.Read(chunk)
		b.buf = append(b.buf, chunk[:n]...)
		require.NoError(b.t, err)
	}
}

func (b *browser) call(method string, params, result any) {
	b.t.Helper()
	b.id++
	msg, err := json.Marshal(map[string]any{"id": b.id, "method": method, "params": params, "sessionId": b.session})
	require.NoError(b.t, err)
	_, err = b.in.Write(append(msg, 0))
	require.NoError(b.t, err)
	for {
		m := b.next()
		if m.ID != b.id {
			continue
		}
		if m.Error != nil {
			require.NoError(b.t, errors.New(method+": "+m.Error.Message))
		}
		if result != nil {
			require.NoError(b.t, json.Unmarshal(m.Result, result))
		}
		return
	}
}

func (b *browser) open(file string) {
	b.t.Helper()
	b.call("Page.navigate", map[string]any{"url": "file://" + file}, nil)
	for b.next().Method != "Page.loadEventFired" {
	}
}

// eval runs an expression in the page and returns its value as text.
func (b *browser) eval(expr string) string {
	b.t.Helper()
	var r struct {
		Result           struct{ Value any }
		ExceptionDetails *struct{ Text string }
	}
	b.call("Runtime.evaluate", map[string]any{"expression": expr, "returnByValue": true}, &r)
	if r.ExceptionDetails != nil {
		b.t.Fatalf("%s: %s", expr, r.ExceptionDetails.Text)
	}
	return fmt.Sprint(r.Result.Value)
}

func (b *browser) key(name string) {
	b.t.Helper()
	for _, kind := range []string{"keyDown", "keyUp"} {
		b.call("Input.dispatchKeyEvent", map[string]any{"type": kind, "key": name}, nil)
	}
}

func (b *browser) shot(name string) {
	if *shots == "" {
		return
	}
	var r struct{ Data string }
	b.call("Page.captureScreenshot", map[string]any{"captureBeyondViewport": true}, &r)
	png, err := base64.StdEncoding.DecodeString(r.Data)
	require.NoError(b.t, err)
	require.NoError(b.t, os.WriteFile(filepath.Join(*shots, name+".png"), png, 0o644))
}

func (b *browser) size(width, height int) {
	b.call("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false}, nil)
}

func (b *browser) scheme(s string) {
	b.call("Emulation.setEmulatedMedia", map[string]any{"features": []any{map[string]any{"name": "prefers-color-scheme", "value": s}}}, nil)
}

func TestPageInABrowser(t *testing.T) {
	b := openBrowser(t)
	file := filepath.Join(t.TempDir(), "page.html")
	require.NoError(t, os.WriteFile(file, []byte(page(t, runs())), 0o644))
	b.size(1280, 2600)
	b.scheme("light")
	b.open(file)

	require.Equal(t, "rgb(255, 255, 255)", b.eval(`getComputedStyle(document.body).backgroundColor`), "the style is let in")
	require.Equal(t, "false", b.eval(`document.querySelector(".tools").hidden`), "the script is let in")
	view := func() string { return b.eval(`document.querySelector("svg.plot").getAttribute("viewBox")`) }
	ticks := func() string {
		return b.eval(`[...document.querySelectorAll(".axis")[0].children].map(t => t.textContent).join(" ")`)
	}
	require.Equal(t, "0 0 1000 170", view())
	require.Equal(t, "0 s 2 s 4 s 6 s 8 s 10 s 12 s", ticks())
	static := func(n int) string {
		return b.eval(fmt.Sprintf(`document.querySelectorAll("[data-x]")[%d].getAttribute("transform")`, n))
	}
	before := static(2)

	// By keyboard: the chart takes the focus, plus zooms, the arrows move, 0 shows all.
	b.eval(`document.querySelector(".chart").focus()`)
	b.key("+")
	require.Equal(t, "250 0 500 170", view())
	require.Equal(t, "3 s 4 s 5 s 6 s 7 s 8 s 9 s", ticks())
	require.NotEqual(t, before, static(2))
	b.key("ArrowRight")
	require.Equal(t, "375 0 500 170", view())
	b.shot("zoomed")
	for range 40 {
		b.key("+")
	}
	require.NotContains(t, view(), "NaN")
	require.Regexp(t, `^\d+\.\d{4,} s`, ticks(), "down to parts of a millisecond")
	b.key("0")
	require.Equal(t, "0 0 1000 170", view())
	require.Equal(t, before, static(2), "the script places marks where the page does")

	// By button, and by link to a finding.
	b.eval(`document.querySelector("button[data-act=in]").click()`)
	require.Equal(t, "250 0 500 170", view())
	b.eval(`document.querySelector("button[data-act=all]").click()`)
	b.eval(`document.getElementById("run2-1").open = false; location.hash = "#run2-1"`)
	require.Equal(t, "true", b.eval(`dispatchEvent(new HashChangeEvent("hashchange")), document.getElementById("run2-1").open`))
	b.shot("light")
	b.scheme("dark")
	require.Equal(t, "rgb(20, 23, 26)", b.eval(`getComputedStyle(document.body).backgroundColor`))
	b.shot("dark")

	// On a narrow screen nothing sticks out sideways.
	b.scheme("light")
	b.size(390, 3000)
	require.Equal(t, "true", b.eval(`document.documentElement.scrollWidth <= innerWidth`))
	b.shot("narrow")
	b.size(1280, 2600)

	// Printed it opens every finding and hides the buttons.
	b.eval(`for (const d of document.querySelectorAll("details")) d.open = false`)
	var pdf struct{ Data string }
	b.call("Page.printToPDF", map[string]any{"printBackground": true}, &pdf)
	require.Equal(t, "0", b.eval(`document.querySelectorAll("details:not([open])").length`))
	if *shots != "" {
		data, err := base64.StdEncoding.DecodeString(pdf.Data)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(*shots, "print.pdf"), data, 0o644))
	}
	require.Empty(t, b.log, "no complaint of the page, none of the content security policy, nothing that failed to load")

	// Without scripts the whole run shows, without the buttons.
	b.call("Emulation.setScriptExecutionDisabled", map[string]any{"value": true}, nil)
	b.open(file)
	require.Equal(t, "true", b.eval(`document.querySelector(".tools").hidden`))
	require.Equal(t, "0 0 1000 170", view())
	require.Equal(t, "0 s 2 s 4 s 6 s 8 s 10 s 12 s", ticks())
}
