//go:build linux

package control_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/control"
	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"pgregory.net/rapid"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const text = `understudy: 1
title: A stand on a shelf
seed: 21
part: {feature: shim, nominal: 3.000 mm, limits: [2.990 mm, 3.010 mm], warn: [2.994 mm, 3.006 mm]}
gauges:
  - {name: shim-stand, dialect: line-ascii, stream: 20 Hz, noise: {white: 0.0007 mm}, cell: {charge: 80 %}}
  - {name: shim-snap, dialect: hdlc-binary, stream: 10 Hz}
cues:
  - {at: 0 s, do: preset, to: 3.000 mm}
  - {at: 200 ms, do: move to, size: 3.004 mm, over: 100 ms}
  - {at: 400 ms, do: tag}
until: 1 h
`

func parse(t testing.TB, text []byte) *scenario.Scenario {
	s, err := scenario.Parse("s.yaml", text, func(name string) (string, []byte, error) {
		b, err := scenarios.Files.ReadFile("dialects/" + name + ".yaml")
		return name, b, err
	})
	require.NoError(t, err)
	return s
}

// house is a play under way and its server.
type house struct {
	t       testing.TB
	s       *scenario.Scenario
	srv     *control.Server
	client  *http.Client
	mu      sync.Mutex
	entries []ledger.Entry
	end     func()
}

func open(t testing.TB, opt control.Options) *house {
	h := &house{t: t, s: parse(t, []byte(text)), client: &http.Client{Transport: &http.Transport{}}}
	inbox := stage.NewInbox()
	ports, err := check.OpenPorts(h.s, t.TempDir(), inbox)
	require.NoError(t, err)
	d := control.NewDesk(h.s)
	d.Begin()
	st, err := stage.New(h.s.Play, stage.Options{Ports: ports.Ports, Inbox: inbox, Pace: stage.Real, Keep: func(e ledger.Entry) {
		b, err := json.Marshal(e)
		require.NoError(t, err)
		var c ledger.Entry
		require.NoError(t, json.Unmarshal(b, &c))
		h.mu.Lock()
		h.entries = append(h.entries, c)
		h.mu.Unlock()
		d.Keep(e)
	}})
	require.NoError(t, err)
	if opt.Address == "" {
		opt.Address = "127.0.0.1:0"
	}
	h.srv, err = control.Listen(d, opt)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	d.Take(st, nil)
	done := make(chan struct{})
	go func() { defer close(done); _ = st.Run(ctx) }()
	h.end = sync.OnceFunc(func() {
		cancel()
		<-done
		require.NoError(t, h.srv.Close())
		require.NoError(t, ports.Close())
		h.client.CloseIdleConnections()
	})
	t.Cleanup(h.end)
	return h
}

// send sends a request and returns the status and the body.
func (h *house) send(method, path, body string, set ...func(*http.Request)) (int, string) {
	h.t.Helper()
	var r io.Reader
	if body != "" {
		r = strings.NewReader(body)
	}
	req, err := http.NewRequest(method, h.srv.URL+path, r)
	require.NoError(h.t, err)
	req.Header.Set("Authorization", "Bearer "+h.srv.Token)
	for _, f := range set {
		f(req)
	}
	res, err := h.client.Do(req)
	require.NoError(h.t, err)
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	require.NoError(h.t, err)
	return res.StatusCode, string(b)
}

func (h *house) see() (v control.Sight) {
	h.t.Helper()
	code, body := h.send("GET", "v1/gauges", "")
	require.Equal(h.t, 200, code, body)
	require.NoError(h.t, json.Unmarshal([]byte(body), &v))
	return v
}

func (h *house) clock(body string) (v control.Sight) {
	h.t.Helper()
	code, text := h.send("POST", "v1/clock", body)
	require.Equal(h.t, 200, code, text)
	require.NoError(h.t, json.Unmarshal([]byte(text), &v))
	return v
}

func (h *house) act(body string) {
	h.t.Helper()
	code, text := h.send("POST", "v1/acts", body)
	require.Equal(h.t, 200, code, text)
}

// A program holds the timeline, moves a tip, steps, and sees what came of it.
//
// Kind: process.
func TestSteer(t *testing.T) {
	t.Parallel()
	h := open(t, control.Options{})
	h.clock(`{"do":"pause"}`)
	v := h.clock(`{"do":"step","by":"1 s"}`)
	at := v.At
	h.act(`{"do":"move to","size":"3.009 mm","gauge":"shim-snap"}`)
	v = h.clock(`{"do":"step","by":"500 ms"}`)
	require.True(t, v.Held)
	require.InDelta(t, int64(at+500*time.Millisecond), int64(v.At), float64(time.Millisecond)) // the act's own place on the grid
	snap := v.Gauges[1].Channels[0]
	require.Equal(t, "3.009", snap.Shown)
	require.Equal(t, "warn-high", snap.Zone)
	require.Equal(t, control.Wanted{Channel: "A", Value: "3.009", Unit: "mm", Zone: "warn-high", Rule: v.Wants[1][0].Rule}, v.Wants[1][0])
	require.Equal(t, 1, v.Gauges[1].Tags)

	h.act(`{"do":"press","button":"A","gauge":"shim-snap"}`)
	require.Equal(t, [3]bool{true}, h.see().Gauges[1].Down)
	v = h.clock(`{"do":"step","by":"200 ms"}`)
	require.Equal(t, 2, v.Gauges[1].Tags)
	require.Equal(t, [3]bool{}, v.Gauges[1].Down)

	h.act(`{"do":"lose link","for":"10 s","gauge":"shim-stand"}`)
	require.Equal(t, "lost", h.see().Gauges[0].Link)
	code, body := h.send("POST", "v1/acts", `{"do":"lose link","for":"10 s","gauge":"shim-stand"}`)
	require.Equal(t, 409, code)
	require.Contains(t, body, "lost already")
	h.act(`{"do":"fade cell","to":"4 %","gauge":"shim-stand"}`)
	require.True(t, h.see().Gauges[0].Low)

	// The timeline goes on, and faster.
	h.clock(`{"do":"pace","pace":"50x"}`)
	v = h.clock(`{"do":"go"}`)
	require.Eventually(t, func() bool { return h.see().At > v.At+5*time.Second }, time.Minute, 5*time.Millisecond)
	code, body = h.send("POST", "v1/clock", `{"do":"restart"}`)
	require.Equal(t, 409, code, body)
}

// What is done by hand, at any moment and at any pace, is a scenario that makes
// the same frames when it plays again, and the same bytes of those that went
// otherwise than they were made.
//
// Kind: process.
func TestKeptPlaysBackTheSameBytes(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		h := open(t, control.Options{})
		defer h.end()
		acts := []string{`{"do":"tag"}`, `{"do":"rest on","size":"3.0075 mm"}`, `{"do":"move to","size":"2.992 mm","over":"70 ms"}`, `{"do":"zero","gauge":"shim-snap"}`,
			`{"do":"press","button":"B"}`, `{"do":"garble"}`, `{"do":"change line speed","to":"4800 Bd","for":"150 ms"}`, `{"do":"restore line speed"}`, `{"do":"lift","over":"100 ms"}`, `{"do":"stall","for":"120 ms"}`, `{"do":"fade cell","to":"33 %","gauge":"shim-stand"}`}
		h.clock(fmt.Sprintf(`{"do":"pace","pace":%q}`, rapid.SampledFrom([]string{"1x", "20x"}).Draw(rt, "pace")))
		for range rapid.IntRange(1, 12).Draw(rt, "acts") {
			switch rapid.IntRange(0, 5).Draw(rt, "clock") {
			case 0:
				h.clock(`{"do":"pause"}`)
			case 1:
				h.clock(`{"do":"step","by":"50 ms"}`)
			case 2:
				h.clock(`{"do":"go"}`)
			case 3:
				if v := h.see(); v.NextCue >= 0 {
					_, _ = h.send("POST", "v1/clock", `{"do":"next-cue"}`)
				}
			}
			// One that the gauge refuses is kept too: it has looked at the probe.
			code, body := h.send("POST", "v1/acts", rapid.SampledFrom(acts).Draw(rt, "act"))
			require.Contains(t, []int{200, 409}, code, body)
		}
		h.clock(`{"do":"step","by":"500 ms"}`)
		code, body := h.send("GET", "v1/scenario", "")
		require.Equal(t, 200, code)
		var kept control.Kept
		require.NoError(t, json.Unmarshal([]byte(body), &kept))
		h.end()
		played, err := paper.Ledger(t.Context(), parse(t, []byte(kept.Text)))
		require.NoError(t, err)
		frames := func(list []ledger.Entry) (out []string) {
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
		if d := cmp.Diff(frames(h.entries), frames(played)); d != "" {
			rt.Fatalf("live (-) and played again (+) differ:\n%s\n%s", d, kept.Text)
		}
	})
}

// Ports that cannot be swapped are refused and not kept, so that what is kept can be
// read again.
//
// Kind: process.
func TestARefusedSwapIsNotKept(t *testing.T) {
	t.Parallel()
	h := open(t, control.Options{})
	for _, c := range []struct {
		act, why string
	}{
		{`{"do":"swap ports","with":"shim-stand","for":"1 s","gauge":"shim-stand"}`, "one gauge, with another"},
		{`{"do":"swap ports","with":"shim-stand","for":"1 s"}`, "one gauge, with another"},
		{`{"do":"swap ports","with":"shim-stick","for":"1 s","gauge":"shim-stand"}`, "shim-stick"},
		{`{"do":"swap ports","with":"shim-snap","for":"1 s","gauge":"shim-stand"}`, "differ in dialect"},
		{`{"do":"restart host","for":"1 s"}`, "no host is run here"},
	} {
		code, body := h.send("POST", "v1/acts", c.act)
		require.Contains(t, []int{400, 409}, code, c.act)
		require.Contains(t, body, c.why, c.act)
	}
	h.act(`{"do":"tag"}`)
	code, body := h.send("GET", "v1/scenario", "")
	require.Equal(t, 200, code)
	var kept control.Kept
	require.NoError(t, json.Unmarshal([]byte(body), &kept))
	require.NotContains(t, kept.Text, "swap ports")
	require.NotContains(t, kept.Text, "restart host")
	require.NotContains(t, kept.Text, "refused")
	cues := parse(t, []byte(kept.Text)).Cues // and it can be read
	require.Equal(t, stage.Tag{}, cues[len(cues)-1].Act)
}

// A page that names the gauge in hand is told of no other's stream, and of all
// tags; one that names a gauge that is not there is refused.
//
// Kind: process.
func TestWatchOneGauge(t *testing.T) {
	t.Parallel()
	h := open(t, control.Options{})
	code, body := h.send("GET", "v1/watch?gauge=shim-stick", "")
	require.Equal(t, 404, code, body)
	req, err := http.NewRequest("GET", h.srv.URL+"v1/watch?gauge=shim-snap", nil)
	require.NoError(t, err)
	res, err := h.client.Do(req)
	require.NoError(t, err)
	defer res.Body.Close()
	h.act(`{"do":"tag","gauge":"shim-stand"}`)
	told := map[string]int{}
	for lines := bufio.NewScanner(res.Body); lines.Scan() && (told["shim-snap out"] < 20 || told["shim-stand tag"] == 0); {
		data, ok := strings.CutPrefix(lines.Text(), "data: ")
		if !ok {
			continue
		}
		var m control.Watched
		require.NoError(t, json.Unmarshal([]byte(data), &m))
		for _, l := range m.Lines {
			what := l.Way
			if l.Tag != nil {
				what = "tag"
			}
			told[l.Gauge+" "+what]++
		}
	}
	require.GreaterOrEqual(t, told["shim-snap out"], 20)
	require.GreaterOrEqual(t, told["shim-stand tag"], 1)
	require.Zero(t, told["shim-stand out"], "%v", told)
}

// Nobody gets in who should not.
//
// Kind: process.
func TestTryToGetIn(t *testing.T) {
	t.Parallel()
	h := open(t, control.Options{})
	u, err := url.Parse(h.srv.URL)
	require.NoError(t, err)
	header := func(k, v string) func(*http.Request) { return func(r *http.Request) { r.Header.Set(k, v) } }
	host := func(v string) func(*http.Request) { return func(r *http.Request) { r.Host = v } }
	tag := `{"do":"tag"}`
	for _, c := range []struct {
		name         string
		method, path string
		body         string
		set          func(*http.Request)
		want         int
	}{
		{"itself", "GET", "v1/gauges", "", header("Origin", strings.TrimSuffix(h.srv.URL, "/")), 200},
		{"localhost", "GET", "v1/gauges", "", host("localhost:" + u.Port()), 200},
		{"a name that points here", "GET", "v1/gauges", "", host("gauges.example:" + u.Port()), 421},
		{"a name that begins like ours", "GET", "v1/gauges", "", host("127.0.0.1.example:" + u.Port()), 421},
		{"our address at another port", "GET", "v1/gauges", "", host("127.0.0.1:1"), 421},
		{"no port", "GET", "v1/gauges", "", host("127.0.0.1"), 421},
		{"another literal address", "GET", "v1/gauges", "", host("192.0.2.7:" + u.Port()), 421},
		{"a foreign page reads", "GET", "v1/gauges", "", header("Origin", "http://other.example"), 403},
		{"a foreign page reads the ledger", "GET", "v1/ledger/tail", "", header("Origin", "http://other.example"), 403},
		{"a page on another port of this machine", "GET", "v1/gauges", "", header("Origin", "http://127.0.0.1:1"), 403},
		{"our address by another scheme", "GET", "v1/gauges", "", header("Origin", "https://"+u.Host), 403},
		{"a page in a sandbox", "POST", "v1/acts", tag, header("Origin", "null"), 403},
		{"an image of a foreign page", "GET", "v1/gauges", "", header("Sec-Fetch-Site", "cross-site"), 403},
		{"another port, as the browser says", "GET", "v1/gauges", "", header("Sec-Fetch-Site", "same-site"), 403},
		{"a foreign page with the token", "POST", "v1/acts", tag, header("Origin", "http://other.example"), 403},
		{"no token", "POST", "v1/acts", tag, header("Authorization", ""), 401},
		{"another token", "POST", "v1/acts", tag, header("Authorization", "Bearer "+strings.Repeat("0", 32)), 401},
		{"a token that begins right", "POST", "v1/acts", tag, header("Authorization", "Bearer "+h.srv.Token[:31]), 401},
		{"a longer token", "POST", "v1/acts", tag, header("Authorization", "Bearer "+h.srv.Token+"0"), 401},
		{"the token as a password", "POST", "v1/acts", tag, header("Authorization", "Basic "+h.srv.Token), 401},
		{"the token in the address", "POST", "v1/acts?token=" + h.srv.Token, tag, header("Authorization", ""), 401},
		{"no token for the clock", "POST", "v1/clock", `{"do":"pause"}`, header("Authorization", ""), 401},
		{"no token to keep", "POST", "v1/scenario", `{}`, header("Authorization", ""), 401},
		{"a preflight", "OPTIONS", "v1/acts", "", header("Authorization", ""), 401},
		{"a large body", "POST", "v1/acts", `{"do":"` + strings.Repeat("x", 17<<10) + `"}`, nil, 413},
		{"a large clock", "POST", "v1/clock", `{"do":"` + strings.Repeat("x", 17<<10) + `"}`, nil, 413},
		{"a large header", "GET", "v1/gauges", "", header("X-Large", strings.Repeat("x", 40<<10)), 431},
		{"a deep body", "POST", "v1/acts", `{"do":` + strings.Repeat("[", 8000), nil, 400},
		{"another method", "DELETE", "v1/acts", "", nil, 404},
		{"out of the pages", "GET", "v1/../../etc/passwd", "", nil, 404},
		{"a path for a name", "POST", "v1/scenario", `{"name":"../x"}`, nil, 409},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := h.see().Gauges[0].Tags
			set := c.set
			if set == nil {
				set = func(*http.Request) {}
			}
			code, body := h.send(c.method, c.path, c.body, set)
			require.Equal(t, c.want, code, body)
			if code != 200 {
				require.NotContains(t, body, "shim", "a refusal tells nothing of the play")
				require.NotContains(t, body, h.srv.Token)
			}
			require.LessOrEqual(t, h.see().Gauges[0].Tags-before, 1) // the scenario's own
		})
	}
}

// Kind: property.
func TestKeepNamesAFile(t *testing.T) {
	t.Parallel()
	var names []string
	h := open(t, control.Options{Keep: func(name string, _ []byte) (string, error) { names = append(names, name); return "f", nil }})
	for _, n := range []string{`../x`, `a/b`, `.`, `a b`, strings.Repeat("n", 65), "é", "-rf", "CON", "lpt9", "Nul"} {
		code, _ := h.send("POST", "v1/scenario", fmt.Sprintf(`{"name":%q}`, n))
		require.Equal(t, 400, code, n)
	}
	code, _ := h.send("POST", "v1/scenario", `{"name":"my-lesson_2"}`)
	require.Equal(t, 200, code)
	require.Equal(t, []string{"my-lesson_2"}, names)
}

// A flood is refused, and does not keep the timeline from going on.
//
// Kind: process.
func TestFlood(t *testing.T) {
	t.Parallel()
	h := open(t, control.Options{})
	codes := map[int]int{}
	for range 1500 {
		code, _ := h.send("POST", "v1/acts", `{"do":"nothing"}`)
		codes[code]++
	}
	require.Greater(t, codes[429], 100, codes)
	require.Equal(t, 1500, codes[429]+codes[400])
	at := h.see().At
	require.Eventually(t, func() bool { return h.see().At > at }, time.Minute, 5*time.Millisecond)
}

// Kind: property.
func TestStreamsAreCounted(t *testing.T) {
	t.Parallel()
	h := open(t, control.Options{})
	var open []net.Conn
	defer func() {
		for _, c := range open {
			c.Close()
		}
	}()
	u, _ := url.Parse(h.srv.URL)
	last := ""
	for range 33 {
		c, err := net.Dial("tcp", u.Host)
		require.NoError(t, err)
		open = append(open, c)
		fmt.Fprintf(c, "GET /v1/watch HTTP/1.1\r\nHost: %s\r\n\r\n", u.Host)
		last, err = bufio.NewReader(c).ReadString('\n')
		require.NoError(t, err)
	}
	require.Contains(t, last, "409")
}

// The tail of the ledger goes on where its reader left.
//
// Kind: process.
func TestTail(t *testing.T) {
	t.Parallel()
	h := open(t, control.Options{})
	read := func(id string, n int) (ids, data []string) {
		req, err := http.NewRequest("GET", h.srv.URL+"v1/ledger/tail", nil)
		require.NoError(t, err)
		if id != "" {
			req.Header.Set("Last-Event-ID", id)
		}
		res, err := h.client.Do(req)
		require.NoError(t, err)
		defer res.Body.Close()
		require.Equal(t, "text/event-stream", res.Header.Get("Content-Type"))
		s := bufio.NewScanner(res.Body)
		for len(data) < n && s.Scan() {
			if v, ok := strings.CutPrefix(s.Text(), "id: "); ok {
				ids = append(ids, v)
			}
			if v, ok := strings.CutPrefix(s.Text(), "data: "); ok {
				data = append(data, v)
			}
		}
		require.Len(t, data, n)
		return ids, data
	}
	ids, first := read("", 6)
	_, rest := read(ids[2], 3)
	require.Equal(t, first[3:], rest)
	require.Contains(t, first[0], `"k":"run"`)
	code, body := h.send("GET", "v1/ledger?from=2", "")
	require.Equal(t, 200, code)
	var e control.Entries
	require.NoError(t, json.Unmarshal([]byte(body), &e))
	require.JSONEq(t, first[2], string(e.Entries[0]))
	code, body = h.send("GET", "v1/ledger?from=1000000", "")
	require.Equal(t, 200, code)
	require.NoError(t, json.Unmarshal([]byte(body), &e))
	require.Empty(t, e.Entries, "beyond the end there is nothing yet")
}

// What the description says is what is answered.
//
// Kind: property.
func TestDescription(t *testing.T) {
	t.Parallel()
	h := open(t, control.Options{})
	_, body := h.send("GET", "v1/openapi.json", "")
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(body))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	require.NoError(t, c.AddResource("api.json", doc))
	fits := func(pointer, value string) error {
		schema, err := c.Compile("api.json#" + pointer)
		require.NoError(t, err)
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(value))
		require.NoError(t, err)
		return schema.Validate(v)
	}
	paths := doc.(map[string]any)["paths"].(map[string]any)
	for path, ops := range paths {
		if ops.(map[string]any)["get"] == nil || strings.HasSuffix(path, "/tail") || strings.HasSuffix(path, "/watch") {
			continue
		}
		code, body := h.send("GET", strings.TrimPrefix(strings.ReplaceAll(path, "{name}", "shim-stand"), "/"), "")
		require.Equal(t, 200, code, path)
		require.NoError(t, fits("/paths/"+strings.ReplaceAll(path, "/", "~1")+"/get/responses/200/content/application~1json/schema", body), path)
	}
	require.Len(t, paths, 10)
	require.NoError(t, fits("/components/schemas/Act", `{"do":"move to","size":"3 mm","gauge":"shim-stand"}`))
	require.Error(t, fits("/components/schemas/Act", `{"do":"move to","at":"1 s","size":"3 mm"}`))
	require.Error(t, fits("/components/schemas/Act", `{"do":"move to"}`))
	require.NoError(t, fits("/components/schemas/Clock", `{"do":"step","by":"1 s"}`))
	require.Error(t, fits("/components/schemas/Clock", `{"do":"fly"}`))
	require.Error(t, fits("/components/schemas/Refusal", `{}`))
	_, body = h.send("POST", "v1/clock", `{"do":"fly"}`)
	require.NoError(t, fits("/components/schemas/Refusal", body))
	// Every act that the stage knows is one of the description.
	for _, v := range stage.Verbs() {
		require.Contains(t, body+string(mustJSON(t, doc)), `"const":"`+v+`"`)
	}
}

func mustJSON(t testing.TB, v any) []byte {
	var b bytes.Buffer
	require.NoError(t, json.NewEncoder(&b).Encode(v))
	return b.Bytes()
}

// Kind: property.
func FuzzReadAct(f *testing.F) {
	for _, s := range []string{`{"do":"tag"}`, `{"do":"move to","size":"3 mm","over":"1 s"}`, `{"do":"press","button":"A","times":3}`, `null`, `{"do":{"a":1}}`, `{"do":"set","setting":"\u0000","to":"& *x"}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		_, _, act, err := control.ReadAct(text)
		if (act == nil) != (err != nil) {
			t.Fatalf("%q: act %v, error %v", text, act, err)
		}
		if err == nil && stage.VerbOf(act) == "" {
			t.Fatalf("%q is an act without a verb", text)
		}
	})
}
