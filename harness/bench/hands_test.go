//go:build linux

package bench_test

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/internal/chromium"
	"example.org/understudy/harness/paper"
	"example.org/understudy/sim/stage/ledger"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

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
	require.Eventually(t, func() bool { return outs("wrong speed") > 3 }, time.Minute, 5*time.Millisecond)
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
	require.Eventually(t, func() bool { return outs("garble") == 1 }, time.Minute, 5*time.Millisecond)
	p.Press("Duplicate")
	require.Eventually(t, func() bool { return outs("duplicate") == 1 }, time.Minute, 5*time.Millisecond)
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
	}, time.Minute, 5*time.Millisecond, "two seconds of 20 Hz come as fast as the line carries them")

	// A tag that is lost with the link is one that a right host has no record of.
	p.Until(alarms(3) + ` === ""`)
	require.Eventually(t, func() bool { _, err := os.Lstat(link); return err == nil }, time.Minute, 5*time.Millisecond)
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
