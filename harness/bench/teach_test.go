//go:build linux

package bench_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/harness/bench"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/control"
	"example.org/understudy/harness/internal/chromium"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// teach holds a lesson as the command does.
func teach(t *testing.T, file string) *house {
	text, err := scenarios.Files.ReadFile(file)
	require.NoError(t, err)
	h := &house{s: parse(t, string(text)), folder: t.TempDir()}
	stops := control.Stops(h.s)
	h.s.Play.Until = 24 * time.Hour
	inbox := stage.NewInbox()
	ports, err := check.OpenPorts(h.s, h.folder, inbox)
	require.NoError(t, err)
	h.desk = control.NewDesk(h.s)
	h.srv, err = control.Listen(h.desk, control.Options{Address: "127.0.0.1:0", Pages: bench.Pages(), Class: true})
	require.NoError(t, err)
	p := control.Playing{Scenario: h.s, Ports: ports.Ports, Inbox: inbox, Pace: stage.Real, Ledger: filepath.Join(h.folder, "ledger.jsonl"), Desk: h.desk, Stops: stops,
		Began: func(*stage.Stage) func() { return func() {} }}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { _, _, err := p.Run(ctx); done <- err }()
	h.stop = sync.OnceFunc(func() {
		cancel()
		require.NoError(t, h.srv.Close())
		require.NoError(t, <-done)
		require.NoError(t, ports.Close())
	})
	t.Cleanup(h.stop)
	require.Eventually(t, func() bool { v, err := h.desk.See(ctx); return err == nil && v.Held }, 30*time.Second, time.Millisecond)
	return h
}

// shown reads what a link's screen shows now.
func (h *house) shown(t *testing.T, token string) (l control.Lesson, text string) {
	req, err := http.NewRequestWithContext(t.Context(), "GET", h.srv.URL+"v1/lesson", nil)
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer "+token)
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	res, err := client.Do(req)
	require.NoError(t, err)
	defer res.Body.Close()
	require.Equal(t, 200, res.StatusCode)
	r := bufio.NewReaderSize(res.Body, 1<<20)
	text, err = r.ReadString('\n')
	require.NoError(t, err)
	text = strings.TrimPrefix(strings.TrimSpace(text), "data: ")
	require.NoError(t, json.Unmarshal([]byte(text), &l))
	return l, text
}

func (h *house) post(t *testing.T, token, path, body string) int {
	req, err := http.NewRequest("POST", h.srv.URL+path, strings.NewReader(body))
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer "+token)
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	res, err := client.Do(req)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	return res.StatusCode
}

// A class is told no answer, no note and no cue, and no question before it is
// asked, wherever the lesson stands. Every chapter is held at its start, forward and
// back, with what happened before it done.
//
// Kind: process.
func TestTheClassIsToldNoAnswer(t *testing.T) {
	for _, file := range testenv.Sample(t, 3, lessons(t)) {
		t.Run(file, func(t *testing.T) {
			h := teach(t, file)
			defer h.stop()
			n := len(h.s.Chapters)
			for _, to := range []int{1, 2, n, 3, 1} {
				require.Equal(t, 200, h.post(t, h.srv.Token, "v1/chapter", fmt.Sprintf(`{"chapter":%d}`, to)))
				c := h.s.Chapters[to-1]
				l, text := h.shown(t, h.srv.Watch)
				require.True(t, l.Held)
				require.Equal(t, max(1, c.At.D()), l.At)
				require.Equal(t, to, l.Chapter)
				require.Equal(t, c.Title, l.Heading)
				require.Nil(t, l.Notes)
				if c.Asked() > c.At.D() {
					require.Empty(t, l.Ask)
				} else {
					require.Equal(t, c.Ask, l.Ask)
				}
				for _, c := range h.s.Chapters {
					require.NotContains(t, text, c.Answer)
					require.NotContains(t, text, c.Say)
				}
				for _, cue := range h.s.Play.Cues {
					if strings.Contains(cue.Text, " ") { // "preset" alone is a key of the view, too
						require.NotContains(t, text, cue.Text)
					}
				}
				require.NotContains(t, text, "nextText")
				require.NotContains(t, text, h.srv.Token)
				p, _ := h.shown(t, h.srv.Token)
				require.Equal(t, c.Answer, p.Notes.Answer)
				require.Len(t, p.Notes.Chapters, n)
			}
		})
	}
}

// A lesson that goes on is held at its next question, to the nanosecond.
//
// Kind: process.
func TestALessonStopsAtItsQuestion(t *testing.T) {
	h := teach(t, "lessons/1-limits-and-warnings.yaml")
	defer h.stop()
	for _, want := range []time.Duration{0, 9 * time.Second, 22 * time.Second, 62 * time.Second} {
		require.Eventually(t, func() bool { v, err := h.desk.See(t.Context()); return err == nil && v.Held }, time.Minute, time.Millisecond)
		l, _ := h.shown(t, h.srv.Watch)
		require.Equal(t, want, l.At)
		if want > 0 {
			require.NotEmpty(t, l.Ask)
		}
		require.Equal(t, 200, h.post(t, h.srv.Token, "v1/clock", `{"do":"pace","pace":"50x"}`))
		require.Equal(t, 200, h.post(t, h.srv.Token, "v1/clock", `{"do":"go"}`))
	}
}

// A link has its own right: a class watches the lesson and nothing else, and who
// has no link sees nothing of it.
//
// Kind: process.
func TestTheRightsOfLinks(t *testing.T) {
	h := teach(t, "lessons/4-tags.yaml")
	defer h.stop()
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	defer client.CloseIdleConnections()
	for _, who := range []struct {
		name, token string
		header      [2]string
	}{
		{"the class", h.srv.Watch, [2]string{}}, {"nobody", "", [2]string{}}, {"a guess", strings.Repeat("0", 32), [2]string{}},
		{"half a right", h.srv.Token[:31], [2]string{}}, {"both rights", h.srv.Watch + h.srv.Token, [2]string{}},
		{"a foreign page", h.srv.Token, [2]string{"Origin", "http://other.example"}}, {"a page in a sandbox", h.srv.Token, [2]string{"Origin", "null"}},
		{"a picture of another site", h.srv.Token, [2]string{"Sec-Fetch-Site", "cross-site"}}, {"a name that points here", h.srv.Token, [2]string{"Host", "lesson.example"}},
	} {
		for _, call := range []string{"GET v1/run", "GET v1/gauges", "GET v1/gauges/flange-snap", "GET v1/ledger", "GET v1/ledger/tail", "GET v1/watch", "GET v1/scenario", "GET v1/openapi.json", "GET v1/lesson",
			"POST v1/acts", "POST v1/clock", "POST v1/chapter", "POST v1/scenario", "GET v1/run?token=" + h.srv.Token} {
			if who.name == "the class" && call == "GET v1/lesson" {
				continue
			}
			method, path, _ := strings.Cut(call, " ")
			req, err := http.NewRequestWithContext(t.Context(), method, h.srv.URL+path, strings.NewReader(`{"do":"go"}`))
			require.NoError(t, err)
			if who.token != "" {
				req.Header.Set("Authorization", "Bearer "+who.token)
			}
			if who.header[0] == "Host" {
				req.Host = who.header[1]
			} else if who.header[0] != "" {
				req.Header.Set(who.header[0], who.header[1])
			}
			res, err := client.Do(req)
			require.NoError(t, err)
			var b [4096]byte
			n, _ := res.Body.Read(b[:])
			require.NoError(t, res.Body.Close())
			require.Contains(t, []int{401, 403, 421}, res.StatusCode, "%s: %s", who.name, call)
			require.NotContains(t, string(b[:n]), "flange")
			require.NotContains(t, string(b[:n]), h.srv.Token)
		}
	}
	for _, bad := range []string{`{"chapter":0}`, `{"chapter":6}`, `{"chapter":-1}`, `{}`, `{"chapter":"1"}`, `{"chapter":1,"x":2}`, `[`} {
		require.Equal(t, 400, h.post(t, h.srv.Token, "v1/chapter", bad), bad)
	}
	v, err := h.desk.See(t.Context())
	require.NoError(t, err)
	require.True(t, v.Held)
	require.Zero(t, v.At)
}

// The two screens of each lesson can be read and worked at every size, light and
// dark; the presenter's keys take the lesson forward and back, and are no smaller
// than 44 px (WCAG 2.2, 2.5.5).
//
// Kind: process.
func TestTheTwoScreens(t *testing.T) {
	b := chromium.Start(t)
	type way struct {
		file, scheme  string
		width, height int64
	}
	var all []way
	for i, file := range lessons(t) {
		for k, size := range [][2]int64{{1280, 800}, {1920, 1080}, {390, 844}} {
			all = append(all, way{file, []string{"light", "dark"}[(i+k)%2], size[0], size[1]})
		}
	}
	for _, w := range testenv.Sample(t, 3, all) {
		name := fmt.Sprintf("%s-%d-%s", strings.TrimSuffix(filepath.Base(w.file), ".yaml"), w.width, w.scheme)
		t.Run(name, func(t *testing.T) {
			h := teach(t, w.file)
			defer h.stop()
			b.For(t)
			screen := func(url string) *chromium.Page {
				p := b.Page()
				p.Size(w.width, w.height)
				p.Scheme(w.scheme)
				p.Open(url)
				p.Until(card + `.length > 0 && document.body.classList.contains("paused")`)
				return p
			}
			look := func(p *chromium.Page, who string) {
				p.Eval(`Promise.all(document.getAnimations().map((a) => a.finished))`) // the flash of a tag
				p.Shot("teach-"+who+"-"+name, false)
				require.Equal(t, "true", p.Eval(`document.documentElement.scrollWidth <= innerWidth`), "nothing sticks out sideways")
				require.Equal(t, "", p.Eval(crossed))
				require.Equal(t, "", p.Eval(nameless))
				require.Equal(t, "", p.Eval(faint))
				audit(t, p)
				require.Empty(t, p.Log())
			}
			holds := screen(h.srv.PresenterURL())
			defer holds.Close()
			holds.Press("Chapter forward")
			holds.Until(`document.getElementById("heading").textContent.startsWith("2 of")`)
			holds.Press("Chapter forward")
			holds.Until(`document.getElementById("heading").textContent.startsWith("3 of")`)
			holds.Press("Chapter back")
			two := fmt.Sprintf(`document.getElementById("heading").textContent === %q`, "2 of 5: "+h.s.Chapters[1].Title)
			holds.Until(two)
			require.Equal(t, "Answer: "+h.s.Chapters[1].Answer, holds.Eval(`document.getElementById("answer").textContent`))
			require.Equal(t, "", holds.Eval(`[...document.querySelectorAll("button, .clock a")].filter((e) => e.checkVisibility() && !e.matches(".name") && e.getBoundingClientRect().height < 44).map((e) => e.textContent).join()`), "a thumb hits every key")
			look(holds, "presenter")
			watches := screen(h.srv.ClassURL())
			defer watches.Close()
			watches.Until(two)
			look(watches, "class")
		})
	}
}
