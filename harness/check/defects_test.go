package check_test

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sort"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// The test program is the reference host too, so that hosts are processes of
// their own.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "refhost" {
		os.Exit(host.Main(os.Args[2:], os.Stdin, os.Stdout, os.Stderr))
	}
	if len(os.Args) > 1 && os.Args[1] == "wait" { // for BenchmarkAcceleratedClock
		fmt.Println("begin")
		time.Sleep(time.Second)
		fmt.Println("end")
		return
	}
	flag.Parse()
	if p := flag.Lookup("test.parallel"); p.Value.String() == p.DefValue { // most of them wait
		if err := p.Value.Set(strconv.Itoa(3 * runtime.GOMAXPROCS(0))); err != nil {
			panic(err) // it is a number
		}
	}
	goleak.VerifyTestMain(m)
}

func shippedDialect(name string) (string, []byte, error) {
	file := "dialects/" + name + ".yaml"
	b, err := scenarios.Files.ReadFile(file)
	return file, b, err
}

func shipped(t testing.TB, name string) *scenario.Scenario {
	text, err := scenarios.Files.ReadFile(name + ".yaml")
	require.NoError(t, err)
	s, err := scenario.Parse(name+".yaml", text, shippedDialect)
	require.NoError(t, err)
	return s
}

func shippedNames(t testing.TB) (names []string) {
	entries, err := scenarios.Files.ReadDir(".")
	require.NoError(t, err)
	for _, e := range entries {
		if n, ok := strings.CutSuffix(e.Name(), ".yaml"); ok {
			names = append(names, n)
		}
	}
	return names
}

func reference(t testing.TB) *hostfile.Host {
	text, err := scenarios.Files.ReadFile("hosts/reference.yaml")
	require.NoError(t, err)
	h, err := hostfile.Parse("reference.yaml", text)
	require.NoError(t, err)
	return h
}

func judged(t testing.TB, s *scenario.Scenario, extra ...string) *check.Outcome {
	self, err := os.Executable()
	require.NoError(t, err)
	c := check.Check{Scenario: s, Host: reference(t), Run: t.TempDir(), Self: self, Extra: extra, Coverage: len(extra) > 0}
	out, err := c.Do(context.Background())
	require.NoError(t, err)
	return out
}

// Every shipped scenario keeps its own promises, and the correct host passes.
//
// Kind: process.
func TestShippedScenarios(t *testing.T) {
	t.Parallel()
	for _, name := range shippedNames(t) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := shipped(t, name)
			require.NoError(t, paper.Expectations(t.Context(), s))
			require.NotEmpty(t, s.Notice, "a shipped scenario says what to notice")
			out := judged(t, s)
			require.Equal(t, judge.Pass, out.Verdict, explain(out))
			require.NotZero(t, out.Counts.Expected)
		})
	}
}

func explain(o *check.Outcome) string {
	var b strings.Builder
	fmt.Fprintln(&b, o.Why, o.Reasons)
	for _, f := range o.Findings {
		fmt.Fprintf(&b, "%s %s/%s at %s: expected %s, got %s (%s)\n", f.Kind, f.Gauge, f.Channel, f.At, f.Expected, f.Got, f.Cause)
	}
	return b.String()
}

// shows names a shipped scenario that shows each defect of the reference host.
var shows = map[string]string{
	"averages":             "01-in-the-middle",
	"channel-first-only":   "12-two-channels",
	"channels-as-first":    "12-two-channels",
	"channels-swapped":     "12-two-channels",
	"checksum-ignored":     "11-damaged-frames",
	"datum-dropped":        "01-in-the-middle",
	"daylight-jump":        "02-on-every-limit",
	"events-late":          "08-link-lost",
	"records-nothing":      "01-in-the-middle",
	"quits":                "01-in-the-middle",
	"rows-buffered":        "37-the-host-ends-twice",
	"starts-over":          "37-the-host-ends-twice",
	"datum-twice":          "01-in-the-middle",
	"decides-displayed":    "13-the-fine-print",
	"decides-unrounded":    "03-inch-host",
	"decimal-comma":        "01-in-the-middle",
	"decimal-shifted":      "01-in-the-middle",
	"factor-inverted":      "04-preset-on-a-master",
	"factor-twice":         "04-preset-on-a-master",
	"first-tag-missed":     "01-in-the-middle",
	"float-compare":        "02-on-every-limit",
	"function-ignored":     "14-set-up-by-the-host",
	"gauges-by-port":       "36-ports-swapped",
	"gauges-swapped":       "06-max-min-fim",
	"greatest-so-far":      "01-in-the-middle",
	"guard-ignored":        "11-damaged-frames",
	"guard-on-warnings":    "11-damaged-frames",
	"guard-outwards":       "11-damaged-frames",
	"inch-as-25":           "03-inch-host",
	"inclusive-limits":     "13-the-fine-print",
	"last-row-lost":        "01-in-the-middle",
	"limits-of-first":      "12-two-channels",
	"limits-swapped":       "02-on-every-limit",
	"limits-unit":          "01-in-the-middle",
	"link-back-missed":     "08-link-lost",
	"link-loss-missed":     "08-link-lost",
	"low-cell-missed":      "09-low-cell",
	"low-cell-repeated":    "09-low-cell",
	"lower-ignored":        "02-on-every-limit",
	"never-reopens":        "08-link-lost",
	"not-rounded":          "03-inch-host",
	"rounds-coarse":        "01-in-the-middle",
	"rounds-half-even":     "13-the-fine-print",
	"rounds-half-up":       "10-no-reading",
	"rounds-twice":         "10-no-reading",
	"row-doubled":          "01-in-the-middle",
	"sense-inverted":       "01-in-the-middle",
	"setting-late":         "10-no-reading",
	"setting-wrong-unit":   "14-set-up-by-the-host",
	"settings-not-written": "10-no-reading",
	"sign-inverted":        "01-in-the-middle",
	"sign-lost":            "11-damaged-frames",
	"sign-not-extended":    "11-damaged-frames",
	"split-frame-lost":     "07-tag-burst",
	"stale-after-rejoin":   "08-link-lost",
	"stream-as-tag":        "01-in-the-middle",
	"streams-unrecorded":   "11-damaged-frames",
	"streams-recorded":     "01-in-the-middle",
	"strict-limits":        "02-on-every-limit",
	"strict-warnings":      "02-on-every-limit",
	"tag-dropped-burst":    "07-tag-burst",
	"tag-lost-at-rejoin":   "08-link-lost",
	"tag-merged":           "06-max-min-fim",
	"tag-number-off":       "01-in-the-middle",
	"tag-repeated":         "07-tag-burst",
	"tag-unrecorded":       "01-in-the-middle",
	"tag-value-streamed":   "07-tag-burst",
	"tag-window-endless":   "07-tag-burst",
	"tag-wrap-dropped":     "07-tag-burst",
	"tags-out-of-order":    "07-tag-burst",
	"time-zone":            "01-in-the-middle",
	"times-backwards":      "01-in-the-middle",
	"truncates":            "03-inch-host",
	"unit-converted-twice": "03-inch-host",
	"unit-inverted":        "03-inch-host",
	"unit-label":           "01-in-the-middle",
	"unit-unconverted":     "03-inch-host",
	"upper-ignored":        "02-on-every-limit",
	"value-stale":          "01-in-the-middle",
	"void-as-last":         "10-no-reading",
	"void-as-zero":         "10-no-reading",
	"void-dropped":         "10-no-reading",
	"void-inside":          "10-no-reading",
	"warnings-as-limits":   "02-on-every-limit",
	"warnings-first":       "02-on-every-limit",
	"warnings-ignored":     "02-on-every-limit",
	"writes-reversed":      "14-set-up-by-the-host",
	"control-lines-idle":   "38-at-the-line",
	"sends-breaks":         "38-at-the-line",
	"wrong-baud":           "01-in-the-middle",
	"wrong-parity":         "38-at-the-line",
	"zone-always-inside":   "02-on-every-limit",
	"zone-from-gauge":      "13-the-fine-print",
	"zone-stale":           "02-on-every-limit",
}

// unseen are the defects no shipped scenario can show, and why. They must pass:
// what cannot be seen must not be accused either.
var unseen = map[string]string{
	"reads-too-slowly": "as fast as the host reads is not too fast for it; see TestHostThatReadsTooSlowly",
	"stalls-reading":   "time waits for the host while it does not read; see TestHostThatStalls",
}

// Every defect is found by a shipped scenario and named as the first cause.
// -v prints the table.
//
// Kind: process.
func TestEveryDefectIsNamed(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex
	var table []string
	defects := testenv.Sample(t, 16, host.Defects())
	t.Run("each", func(t *testing.T) {
		for _, d := range defects {
			if why, ok := unseen[d.Name]; ok {
				t.Run(d.Name, func(t *testing.T) {
					t.Parallel()
					out := judged(t, shipped(t, "01-in-the-middle"), "--defect", d.Name)
					require.Equal(t, judge.Pass, out.Verdict, explain(out))
					t.Log("not to be seen: ", why)
				})
				continue
			}
			t.Run(d.Name, func(t *testing.T) {
				t.Parallel()
				name, ok := shows[d.Name]
				require.True(t, ok, "no shipped scenario shows it")
				out := judged(t, shipped(t, name), "--defect", d.Name)
				require.Equal(t, judge.Fail, out.Verdict, out.Why)
				require.NotEmpty(t, out.Explanations, explain(out))
				require.Contains(t, out.Coverage.Shown, d.Name)
				first := out.Explanations[0]
				require.Equal(t, d.Name, first.Cause.Name, explain(out))
				require.Zero(t, out.Unexplained, explain(out))
				if d.Name == "checksum-ignored" { // the row of a damaged frame has its bytes beside it
					require.NotZero(t, out.Findings[0].Frame)
					require.NotEmpty(t, out.Findings[0].Bytes)
				}
				mu.Lock()
				defer mu.Unlock()
				table = append(table, fmt.Sprintf("%-22s %-26s %4d findings", d.Name, name, len(out.Findings)))
			})
		}
	})
	sort.Strings(table)
	t.Log("\n" + strings.Join(table, "\n") + fmt.Sprintf("\n%d of %d defects found and named", len(table), len(defects)))
}

// A host that does not keep up is found when time does not wait for it.
//
// Kind: process.
func TestHostThatReadsTooSlowly(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile(filepath.Join("testdata", "flood.yaml"))
	require.NoError(t, err)
	for defect, speed := range map[string]string{"": "2x", "reads-too-slowly": "10x"} { // on a busy machine the right one waits too
		s, err := scenario.Parse("flood.yaml", text, shippedDialect)
		require.NoError(t, err)
		self, err := os.Executable()
		require.NoError(t, err)
		var pace stage.Pace
		require.NoError(t, pace.UnmarshalText([]byte(speed)))
		c := check.Check{Scenario: s, Host: reference(t), Run: t.TempDir(), Self: self, Extra: []string{"--defect", defect}, Pace: &pace}
		if defect == "" { // one that is kept waiting for a processor is played once more, at real pace
			out, err := c.Prove(t.Context())
			require.NoError(t, err)
			require.NotEqual(t, judge.Fail, out.Verdict, explain(out))
			continue
		}
		out, err := c.Do(t.Context())
		require.NoError(t, err)
		require.Equal(t, judge.Fail, out.Verdict, out.Why)
		require.NotEmpty(t, out.Explanations, explain(out))
		require.Equal(t, defect, out.Explanations[0].Cause.Name, explain(out))
	}
}

// A host that leaves bytes waiting is found when time does not wait for it, where
// the scenario says how long they may: to the byte on a pty, and on Linux at a socket too.
//
// Kind: process.
func TestHostThatStalls(t *testing.T) {
	t.Parallel()
	text, err := scenarios.Files.ReadFile("38-at-the-line.yaml")
	require.NoError(t, err)
	unstated := strings.Replace(string(text), ", reads-within: 500 ms", "", 1)
	pty := strings.Replace(string(text), "port: rfc2217, ", "", 1)
	for _, k := range []struct {
		name, text, defect string
		verdict            judge.Verdict
	}{
		{"reads in time", pty, "", judge.Pass},
		{"stalls", pty, "stalls-reading", judge.Fail},
		{"stalls, which nothing forbids", strings.Replace(unstated, "port: rfc2217, ", "", 1), "stalls-reading", judge.Pass},
		{"stalls at the network", string(text), "stalls-reading", map[bool]judge.Verdict{true: judge.Fail, false: judge.Pass}[runtime.GOOS == "linux"]},
	} {
		t.Run(k.name, func(t *testing.T) {
			t.Parallel()
			s, err := scenario.Parse("line.yaml", []byte(k.text), shippedDialect)
			require.NoError(t, err)
			self, err := os.Executable()
			require.NoError(t, err)
			pace := stage.Real
			c := check.Check{Scenario: s, Host: reference(t), Run: t.TempDir(), Self: self, Extra: []string{"--defect", k.defect}, Pace: &pace}
			out, err := c.Do(t.Context())
			require.NoError(t, err)
			require.Equal(t, k.verdict, out.Verdict, explain(out))
			if k.verdict == judge.Fail {
				require.Equal(t, k.defect, out.Explanations[0].Cause.Name, explain(out))
				require.Len(t, out.Findings, 1)
				require.Equal(t, judge.KindStall, out.Findings[0].Kind)
				require.NotZero(t, out.Findings[0].At)
			}
		})
	}
}

// The correct host is never accused, whatever the seed of a noisy scenario.
//
// Kind: process.
func TestCorrectHostIsNotAccused(t *testing.T) {
	t.Parallel()
	seeds := testenv.Count(12, 200)
	text, err := os.ReadFile(filepath.Join("testdata", "noisy.yaml"))
	require.NoError(t, err)
	const lanes = 4 // each run waits for its host more than it works
	for lane := range lanes {
		t.Run(fmt.Sprintf("lane %d", lane), func(t *testing.T) {
			t.Parallel()
			for seed := lane; seed < seeds; seed += lanes {
				s, err := scenario.Parse("noisy.yaml", text, shippedDialect)
				require.NoError(t, err)
				s.Play.Seed = uint64(seed)
				out := judged(t, s)
				require.Equal(t, judge.Pass, out.Verdict, "seed %d: %s", seed, explain(out))
			}
		})
	}
}
