package report_test

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/diagnosis"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/report"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, got, 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Error(d)
	}
}

func dec(s string) *decimal.Decimal { d := decimal.MustParse(s); return &d }
func num(n int64) *int64            { return &n }

func mm(s string) zone.Limit {
	l, ok := decimal.Exactly(decimal.MustParse(s), decimal.MM)
	if !ok {
		panic(s)
	}
	return zone.At(l)
}

// sample is a run of an invented part: a guide bore measured once a tenth of
// a second, tagged every second, with the link lost for a while.
func sample() report.Run {
	spec := judge.Spec{Unit: decimal.MM, Resolution: decimal.MustParse("0.001"), Gauges: []judge.Gauge{{Name: "bore-1", Serial: "US-0001", Channels: []judge.Channel{
		{Name: "A", Limits: zone.Limits{Lower: mm("7.985"), Upper: mm("8.015"), WarnLower: mm("7.990"), WarnUpper: mm("8.010")}}}}}}
	entries := []ledger.Entry{
		{Kind: ledger.KindRun, Run: &ledger.Run{Version: 1, Scenario: "Valve guide bore", Seed: 41, Pace: "drain"}},
		{Kind: ledger.KindStart},
		{T: 2 * time.Second, Kind: ledger.KindCue, Gauge: "bore-1", Note: "move to 8.0152 mm over 400 ms"},
	}
	var bytesOf = func(text string) ledger.Hex { return ledger.Hex(text + "\r\n") }
	tag := int64(0)
	for i := range 120 {
		at := time.Duration(i) * 100 * time.Millisecond
		if at > 6*time.Second && at < 8*time.Second {
			continue
		}
		um := int64(8000000 + i*150)
		shown := decimal.New(um, -6).Quantize(-3, decimal.HalfEven)
		r := ledger.Reading{Channel: "A", Exact: decimal.New(um*1000, 0), Shown: shown, Unit: "mm", Function: "live"}
		if i == 95 {
			r.Void = "over range"
		}
		f := &ledger.Frame{ID: i + 1, Cause: ledger.Stream, Name: "reading", Readings: []ledger.Reading{r}, Bytes: bytesOf("+" + shown.String() + " mm")}
		if i%10 == 0 {
			tag++
			f.Cause, f.Tag = ledger.Tag, num(tag)
		}
		entries = append(entries, ledger.Entry{T: at, Gauge: "bore-1", Kind: ledger.KindFrame, Frame: f})
	}
	entries = append(entries,
		ledger.Entry{T: 6050 * time.Millisecond, Gauge: "bore-1", Kind: ledger.KindLink, Link: &ledger.Link{State: "lost"}},
		ledger.Entry{T: 7950 * time.Millisecond, Gauge: "bore-1", Kind: ledger.KindLink, Link: &ledger.Link{State: "up"}},
		ledger.Entry{T: 12 * time.Second, Kind: ledger.KindEnd})
	strict, _ := cause.Find("strict-limits")
	return report.Run{
		Name: "bore-upper", Title: "Valve guide bore, operator rides the upper limit", Notice: "The tag at 10 s reads exactly the upper limit, which conforms.",
		Host: "Line host", Seed: 41, Pace: "drain", Started: time.Date(2026, 3, 2, 7, 30, 0, 0, time.UTC), Took: 1250 * time.Millisecond, HostEnd: "ended with exit status 0",
		Spec: spec, Ledger: entries,
		Result: judge.Result{
			Verdict: judge.Fail,
			Findings: []judge.Finding{
				{Kind: judge.KindZone, Gauge: "bore-1", Channel: "A", At: 10 * time.Second, Frame: 101, Bytes: bytesOf("+8.015 mm"), Expected: "warn-high", Got: "above", Cause: "strict-limits",
					Rule:   "the displayed value equals the upper specification limit 8.015 mm and limits are inclusive",
					Record: &judge.Record{Row: 9, Kind: "reading", Gauge: "bore-1", Channel: "A", Tag: num(9), Value: dec("8.015"), Unit: "mm", Zone: "above", Problem: "the verdict word \"above\" is not in the host description's zones", Raw: "2026-03-02T07:30:10Z,bore-1,A,9,8.015,mm,above,reading"}},
				{Kind: judge.KindTagLost, Gauge: "bore-1", Channel: "A", At: 11 * time.Second, Frame: 111, Bytes: bytesOf("+8.016 mm"), Expected: "tag 10, 8.016 mm, above", Rule: "every tagged reading is recorded once"},
			},
			Explanations: []judge.Explanation{{Cause: strict, Explains: 1, Rivals: []judge.Rival{{Name: "float-compare", Same: true}}}},
			Unexplained:  1,
			NotJudged:    []string{"time: the host does not claim it"},
			Counts:       judge.Counts{Frames: 101, Expected: 10, Records: 9, Paired: 9, Findings: 2, Explained: 1},
		},
		Fields: func(_ string, b []byte) []report.Field {
			return []report.Field{{From: 0, To: 6, Name: "reading", Text: string(b[1:6])}, {From: 7, To: 9, Name: "unit", Text: "mm"}, {From: len(b) - 2, To: len(b), Name: "end", Bad: b[5] == '6'}}
		},
	}
}

func runs() []report.Run {
	good := sample()
	good.Notes = []string{"the host ended with exit status 3", "2 rows hold nothing but separators, the first of them row 4"}
	good.Name, good.Title, good.Result = "bore-middle", "Valve guide bore, in the middle", judge.Result{Counts: judge.Counts{Frames: 101, Expected: 10, Records: 10, Paired: 10}}
	none := report.Run{Name: "bore-silent", Title: "Host never opens the port", Host: "Line host", HostEnd: "ended with exit status 3", Output: []string{"opening /dev/null", "no \x1b[31mport\x00"},
		Result: judge.Result{Verdict: judge.Inconclusive, Reasons: []string{"the host never opened the port of bore-1"}}}
	broken := report.Run{Name: "bore-disk", Title: "Records <on> a \"full\" disk & more", Host: "Other host", Took: 61 * time.Second,
		Result: judge.Result{Verdict: judge.Error, Reasons: []string{"the host ended with exit status 2 and did not get ready; the end of its error output:\n  panic: no licence\n  \n  goroutine 1 [running]:\r\n  main.main()\n  \t/src/main.go:4 +0x1d\x1b[31m", "the ledger could not be written: no space left on device"}}}
	skipped := report.Run{Name: "bore-pair", Title: "Two bores at a time", Host: "Other host",
		Result: judge.Result{Verdict: judge.Skipped, Reasons: []string{"not played: the host does not claim the dialect multi-ascii of pair"}}}
	bad := sample()
	strict := bad.Result.Explanations[0].Cause
	of := judge.Candidate{Cause: strict, Text: strict.Looks}
	good.Diagnosis = &diagnosis.Diagnosis{Named: []diagnosis.Name{{Candidate: of, Findings: 2, Runs: 1}}, Dialect: "line-ascii",
		Or: []judge.Candidate{{Text: "where the value is on the upper limit, the zone is above"}}, Failing: 1, Passing: 1, Findings: 2}
	bad.Diagnosis = good.Diagnosis
	return []report.Run{good, bad, none, broken, skipped}
}

func write(t testing.TB, f func(io.Writer) error) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, f(&b))
	return b.Bytes()
}

// Kind: golden.
func TestTerminal(t *testing.T) {
	t.Parallel()
	out := write(t, func(w io.Writer) error { return report.Terminal(w, runs(), report.Screen{Width: 80}) })
	golden(t, "terminal.txt", out)
	for _, l := range strings.Split(string(out), "\n") {
		require.LessOrEqual(t, len([]rune(l)), 80)
	}
	require.Contains(t, string(out), "releases no real part")
	require.NotContains(t, string(out), "\x1b", "neither colours unasked for nor the host's own")
	out = write(t, func(w io.Writer) error { return report.Terminal(w, runs(), report.Screen{Color: true}) })
	require.Contains(t, string(out), "\x1b[1;31mFAIL\x1b[0m ")
	require.NotContains(t, string(out), "\x1b[31mport")
}

// What a host has printed is read line by line, and steers no terminal.
//
// Kind: property.
func TestPrintedLines(t *testing.T) {
	t.Parallel()
	out := string(write(t, func(w io.Writer) error { return report.TerminalRun(w, &runs()[3], report.Screen{}, false) }))
	require.Contains(t, out, "\n                panic: no licence\n                \n                goroutine 1 [running]:\n                main.main()\n                    /src/main.go:4 +0x1d\\x1b[31m\n")
	out = page(t, runs()[3:])
	require.Contains(t, out, "<code class=\"row\">  panic: no licence\n  \n  goroutine 1 [running]:\n  main.main()\n      /src/main.go:4 &#43;0x1d\\x1b[31m\n</code>")
	require.NotContains(t, out, "\x1b")
	junit := string(write(t, func(w io.Writer) error { return report.JUnit(w, runs()[3:]) }))
	require.Contains(t, junit, `message="the host ended with exit status 2 and did not get ready; the end of its error output:" `)
}

// Kind: property.
func TestTerminalIsWideSafe(t *testing.T) {
	t.Parallel()
	r := sample()
	r.Title = strings.Repeat("測定子の位置", 20) + " e\u0301 " + strings.Repeat("x", 100)
	out := write(t, func(w io.Writer) error { return report.TerminalRun(w, &r, report.Screen{Width: 40}, false) })
	for _, l := range strings.Split(string(out), "\n") {
		n := 0
		for _, c := range l {
			switch {
			case c >= 0x3000 && c < 0xa000: // wide by Unicode Standard Annex 11
				n += 2
			case c == '\u0301':
			default:
				n++
			}
		}
		require.LessOrEqual(t, n, 40, l)
	}
}

// Kind: property.
func TestVerdictOfSeveral(t *testing.T) {
	t.Parallel()
	require.Equal(t, judge.Error, report.Verdict(runs()))
	require.Equal(t, judge.Pass, report.Verdict(runs()[:1]))
	require.Equal(t, judge.Inconclusive, report.Verdict(nil), "nothing that was played is nothing that passed")
}

// Kind: golden.
func TestJSONKeepsToItsSchema(t *testing.T) {
	t.Parallel()
	out := write(t, func(w io.Writer) error { return report.JSON(w, runs()) })
	golden(t, "report.json", out)
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(report.Schema()))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	require.NoError(t, c.AddResource("report.json", doc))
	s, err := c.Compile("report.json")
	require.NoError(t, err)
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(out))
	require.NoError(t, err)
	require.NoError(t, s.Validate(v))
	v.(map[string]any)["verdict"] = "passed"
	require.Error(t, s.Validate(v))

	var empty struct{ Verdict string }
	require.NoError(t, json.Unmarshal(write(t, func(w io.Writer) error { return report.JSON(w, nil) }), &empty))
	require.Equal(t, "inconclusive", empty.Verdict)
}

func page(t testing.TB, rs []report.Run) string {
	return string(write(t, func(w io.Writer) error { return report.HTML(w, "Guide bore line", rs) }))
}

// Kind: golden.
func TestPageStandsAlone(t *testing.T) {
	t.Parallel()
	out := page(t, runs())
	golden(t, "page.html", []byte(out))
	require.NotRegexp(t, `(?i)(src|href)="?(https?:|//|/)`, out, "nothing is loaded")
	require.NotRegexp(t, `(?i)@import|url\(`, out)
	require.NotRegexp(t, ` style="| on[a-z]+="`, out, "the content security policy forbids them")
	require.Regexp(t, `http-equiv="Content-Security-Policy" content="default-src &#39;none&#39;; style-src &#39;sha256-[^"]*script-src`, out)
	require.Contains(t, out, report.Simulated)
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(out, -1) {
		require.False(t, ids[m[1]], m[1])
		ids[m[1]] = true
	}
	for _, m := range regexp.MustCompile(`href="#([^"]+)"`).FindAllStringSubmatch(out, -1) {
		require.True(t, ids[m[1]], m[1])
	}
}

// Kind: property.
func TestPageEscapesTheHost(t *testing.T) {
	t.Parallel()
	r := sample()
	bad := `</script><script>alert(1)</script><img src=x onerror=alert(1)>` + "\x00\u202e"
	r.Title, r.Notice, r.Host, r.HostEnd = bad, bad, bad, bad
	r.Result.Findings[0].Got, r.Result.Findings[0].Record.Raw, r.Result.Findings[0].Gauge = bad, bad, bad
	r.Output = []string{bad}
	out := page(t, []report.Run{r})
	require.Equal(t, 1, strings.Count(out, "<script>"))
	require.NotContains(t, out, "<img")
	require.NotContains(t, out, "\u202e")
	require.NotContains(t, out, "\x00")
}

// Kind: property.
func TestPageOfALongRunStaysSmall(t *testing.T) {
	t.Parallel()
	r := sample()
	f := r.Ledger[3]
	r.Ledger = nil
	for i := range 200_000 {
		fr := *f.Frame
		fr.ID = i + 1
		fr.Tag = nil
		e := f
		e.T, e.Frame = time.Duration(i)*time.Millisecond, &fr
		r.Ledger = append(r.Ledger, e)
	}
	for i := range 5000 {
		x := r.Result.Findings[1]
		x.At = time.Duration(i) * 10 * time.Millisecond
		r.Result.Findings = append(r.Result.Findings, x)
	}
	out := page(t, []report.Run{r})
	require.Less(t, len(out), 400_000)
	require.Contains(t, out, "more; the JSON report lists them")
}

// Contrast by WCAG 2.2, success criteria 1.4.3 (text, 4.5:1) and 1.4.11
// (graphics, 3:1), with relative luminance as WCAG defines it (from memory).
//
// Kind: outside.
func TestPageColorsCanBeSeen(t *testing.T) {
	t.Parallel()
	css, err := os.ReadFile("page.css")
	require.NoError(t, err)
	blocks := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(string(css), -1)
	require.Len(t, blocks, 3, "light, dark and print")
	for i, b := range blocks {
		c := map[string]float64{}
		for _, m := range regexp.MustCompile(`--([a-z]+): #([0-9a-f]{6})`).FindAllStringSubmatch(b[1], -1) {
			var lum float64
			for k, w := range []float64{0.2126, 0.7152, 0.0722} {
				n, err := strconv.ParseUint(m[2][2*k:2*k+2], 16, 8)
				require.NoError(t, err)
				v := float64(n) / 255
				if v <= 0.04045 {
					v /= 12.92
				} else {
					v = math.Pow((v+0.055)/1.055, 2.4)
				}
				lum += w * v
			}
			c[m[1]] = lum
		}
		contrast := func(a, b string) float64 {
			return (max(c[a], c[b]) + 0.05) / (min(c[a], c[b]) + 0.05)
		}
		for _, text := range []string{"ink", "soft", "pass", "fail", "inconclusive", "error"} {
			require.GreaterOrEqual(t, contrast(text, "paper"), 4.5, "%d %s", i, text)
			require.GreaterOrEqual(t, contrast(text, "panel"), 4.5, "%d %s", i, text)
		}
		for _, line := range []string{"reading", "limit", "warn", "tag", "wrong"} {
			require.GreaterOrEqual(t, contrast(line, "paper"), 3.0, "%d %s", i, line)
		}
	}
}

// Kind: property.
func FuzzPage(f *testing.F) {
	f.Add("title", []byte("+8.015 mm\r\n"), 0, 6, int64(1e9), "8.015")
	f.Add("\xff<", []byte{0, 255}, -1, 9, int64(-5), "-1e30")
	f.Fuzz(func(t *testing.T, text string, frame []byte, from, to int, at int64, value string) {
		r := sample()
		r.Title = text
		x := &r.Result.Findings[0]
		x.Bytes, x.At, x.Rule = frame, time.Duration(at), text
		if v, err := decimal.Parse(value); err == nil {
			x.Record.Value = &v
			r.Ledger[5].Frame.Readings[0].Shown = v
			r.Ledger[5].T = time.Duration(at)
		}
		r.Fields = func(string, []byte) []report.Field {
			return []report.Field{{From: from, To: to, Name: text, Text: value, Bad: from == 1}}
		}
		rs := []report.Run{r}
		out := page(t, rs)
		if strings.Contains(out, "NaN") || strings.Contains(out, "Inf") {
			t.Error("a number that cannot be drawn")
		}
		if err := xml.Unmarshal(write(t, func(w io.Writer) error { return report.JUnit(w, rs) }), new(struct{})); err != nil {
			t.Error(err)
		}
	})
}
