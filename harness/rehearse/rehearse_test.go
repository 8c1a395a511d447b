package rehearse

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/harness/shard"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/testenv"
	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the golden files anew")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func dialects(name string) (string, []byte, error) {
	file := "dialects/" + name + ".yaml"
	text, err := scenarios.Files.ReadFile(file)
	return file, text, err
}

func shipped(t testing.TB, name string) *Line {
	t.Helper()
	file := "lines/" + name + ".yaml"
	text, err := scenarios.Files.ReadFile(file)
	require.NoError(t, err)
	l, err := Parse(file, text, dialects)
	require.NoError(t, err)
	return l
}

// edited is a shipped line with words replaced, old and new in turn.
func edited(t testing.TB, name string, words ...string) *Line {
	t.Helper()
	text := string(shipped(t, name).Text)
	for i := 0; i < len(words); i += 2 {
		require.Contains(t, text, words[i])
		text = strings.ReplaceAll(text, words[i], words[i+1])
	}
	l, err := Parse(name+".yaml", []byte(text), dialects)
	require.NoError(t, err)
	return l
}

func written(t testing.TB, r *Result) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, r.Write(&b))
	return b.String()
}

// Kind: property.
func TestShippedLines(t *testing.T) {
	t.Parallel()
	for name, want := range map[string][2]int{"bench": {1, 1}, "cell": {7, 1}, "hall": {60, 9}, "housing": {9, 1}} {
		l := shipped(t, name)
		if got := [2]int{len(l.gauges), len(l.radios)}; got != want {
			t.Errorf("%s has %v gauges and receivers", name, got)
		}
		for i := range l.gauges {
			// R +00008.015 mm 3 .*6C and T0001 +00008.015 mm 3 .*6B, CR LF: line-ascii.yaml
			if g := &l.gauges[i]; g.dialect == "line-ascii" && g.profile == "" && (g.frame != 24 || g.tagged != 28 || l.ports[g.port].chars != 960) {
				t.Errorf("%s %s: frames of %d and %d bytes at %v characters a second", name, g.name, g.frame, g.tagged, l.ports[g.port].chars)
			}
		}
	}
}

// Limits of the bench's 8 H8: ISO 286-1 Table 1, IT8 over 6 to 10 mm is 22 µm.
// Its margin by hand: 4 dBm (class 2), less the loss of P.1238 in an office in
// sight (α 1.46, β 34.62, γ 2.03) at 2.693 m and 2441 MHz, over -70 - 12 dBm.
//
// Kind: outside.
func TestBenchByHand(t *testing.T) {
	t.Parallel()
	l := shipped(t, "bench")
	f := &l.features[0]
	near(t, "lower limit", f.lower, 0, 0)
	near(t, "upper limit", f.upper, 22, 0)
	loss := 14.6*math.Log10(math.Sqrt(2.5*2.5+1)) + 34.62 + 20.3*math.Log10(2.441)
	near(t, "margin", l.budget(&l.gauges[0], 0).Margin(), 10*math.Log10(2.5)-loss+82, 0.001)
	// the port: 10 frames of 24 bytes a second, at 960 characters a second
	s := l.Summarise(rehearsed(t, l, 2))
	near(t, "use of the port", s.Ports[0].Use, 0.25, 0.001)
	near(t, "frames a second", s.Ports[0].Frames, 10.02, 0.001) // and 568 tags in 28800 s
	// the receiver: a packet of 24 bytes in two slots of 0.625 ms, ten times a second
	near(t, "use of the receiver", s.Radios[0].Use, 0.0125, 0.0002)
	// the radio and the rest for 8 h, at 13.5 mA and 10 times 2.5 ms of 28.3 mA
	// (power.TypicalParts), less nothing: 113.7 mAh; the cell leaks a little
	near(t, "drain", (100-s.Gauges[0].End)/100*180*meanHealth(l, 2), 113.7, 1)
}

func meanHealth(l *Line, shifts int) float64 {
	sum := 0.0
	for i := range shifts {
		radio := make([]link.Radio, 1)
		var s served
		s.start(l, 0, i, &radio[0])
		sum += 1 / s.health
	}
	return float64(shifts) / sum // charge is a share: the harmonic mean belongs to it
}

// before are rehearsals that were played before: tests look at the same ones.
var before sync.Map

func rehearsed(t testing.TB, l *Line, shifts int) *Result {
	t.Helper()
	key := fmt.Sprintf("%s %d %v %s", l.Path, shifts, l.Shift, l.Text)
	play, _ := before.LoadOrStore(key, sync.OnceValues(func() (*Result, error) {
		return l.Rehearse(context.Background(), shifts, shard.Shard{}, 0)
	}))
	r, err := play.(func() (*Result, error))()
	require.NoError(t, err)
	return r
}

// hours cuts a line's shifts short where long tests are not run in full.
func hours(l *Line, n int) *Line {
	l.Shift = quantity.Duration(time.Duration(testenv.Count(n, 8)) * time.Hour)
	return l
}

// N shards merged equal one run to the last digit, in whatever order they come
// and however many processors played them.
//
// Kind: property.
func TestShardsMergeToTheWhole(t *testing.T) {
	t.Parallel()
	l := shipped(t, "cell")
	shifts := testenv.Count(4, 10)
	one := rehearsed(t, l, shifts)
	whole := written(t, one)
	var a, b bytes.Buffer
	mine := l.Summarise(one)
	require.NoError(t, errors.Join(mine.HTML(&a), mine.Text(&b)))
	for _, n := range testenv.Sample(t, 2, []int{1, 3, 12}) { // twelve: some have nothing to do
		var shards []*Result
		for k := n; k >= 1; k-- {
			r, err := l.Rehearse(context.Background(), shifts, shard.Shard{K: k, N: n}, k%3+1)
			require.NoError(t, err)
			back, err := Read("a shard", strings.NewReader(written(t, r)))
			require.NoError(t, err)
			shards = append(shards, back)
		}
		merged, err := Merge(shards)
		require.NoError(t, err)
		if written(t, merged) != whole {
			t.Errorf("%d shards do not make the whole", n)
		}
		var c, d bytes.Buffer
		theirs := merged.Line().Summarise(merged)
		require.NoError(t, errors.Join(theirs.HTML(&c), theirs.Text(&d)))
		if a.String() != c.String() || b.String() != d.String() {
			t.Errorf("%d shards make another report", n)
		}
	}
}

// Kind: property.
func TestMergeRefuses(t *testing.T) {
	t.Parallel()
	bench := shipped(t, "bench")
	part := func(l *Line, name string, k, n, shifts int) *Result {
		r, err := l.Rehearse(context.Background(), shifts, shard.Shard{K: k, N: n}, 1)
		require.NoError(t, err)
		back, err := Read(name, strings.NewReader(written(t, r)))
		require.NoError(t, err)
		return back
	}
	const file = "lines/bench.yaml"
	for _, c := range []struct {
		parts []*Result
		want  string
	}{
		{nil, "there are no results"},
		{[]*Result{part(bench, "a", 1, 3, 3), part(bench, "b", 3, 3, 3)}, "of 3 shards these are not there: 2/3; make them with --shard 2/3 and give all of them"},
		{[]*Result{part(bench, "a", 1, 2, 2), part(bench, "b", 1, 2, 2)}, "a and b are both shard 1/2: leave one of them out"},
		{[]*Result{part(bench, "a", 1, 2, 2), part(bench, "b", 2, 3, 2)}, "b is shard 2/3, but a is shard 1/2: take the shards of one work, all of 2 or all of 3"},
		{[]*Result{part(bench, "a", 1, 2, 2), part(bench, "b", 2, 2, 4)}, "b is of a rehearsal of 4 shifts, a of one of 2: play all shards with the same --shifts"},
		{[]*Result{part(bench, "a", 1, 2, 2), part(edited(t, "bench", "45 s", "46 s"), "b", 2, 2, 2)}, "b is of the line bench.yaml, a of another line, or of another state of it, " + file + ": take the shards of one line"},
		{[]*Result{part(bench, "a", 1, 2, 2), part(edited(t, "bench", "seed: 101", "seed: 102"), "b", 2, 2, 2)}, "b is of a line with seed 102, a of one with seed 101: take the shards of one line"},
	} {
		_, err := Merge(c.parts)
		require.EqualError(t, err, c.want)
	}
	good := written(t, rehearsed(t, bench, 2))
	for _, c := range []struct{ text, want string }{
		{"[]", "x.json is not the result of a rehearsal: json: cannot unmarshal"},
		{"{}", "x.json is of version 0 of the results; this program reads version 3: rehearse again"},
		{good[:len(good)/2], "x.json is not the result of a rehearsal: unexpected EOF"},
		{strings.Replace(good, `"shifts":2`, `"shifts":0`, 1), "x.json is not the result of a rehearsal: it has 0 shifts"},
		{strings.Replace(good, `"shifts":2`, `"shifts":3`, 1), "x.json is not whole: shift 2  is missing or out of order"},
		{strings.Replace(good, `"shifts":2`, `"shifts":1`, 1), "x.json holds 14 shifts too many"},
		{strings.Replace(good, `"index":1`, `"index":7`, 1), "x.json is not whole: shift 1  is missing or out of order"},
		{strings.Replace(good, `"seed":101`, `"seed":102`, 1), "x.json: its seed 102 is not that of its line, 101"},
		{strings.Replace(good, `takt: 45 s`, `takt: 45 mm`, 1), "x.json: its line: lines/bench.yaml:9:7: "},
		{strings.Replace(good, `"cell":[`, `"cell":[100,`, 1), "x.json is damaged: shift 0 : bore-1 has 50 notes of its cell, not 49"},
		{strings.Replace(good, `"late":{"n":`, `"late":{"n":1`, 1), "x.json is damaged: shift 0 : bore-1: its spans do not add up"},
		{strings.Replace(good, `"texts":{"line-ascii"`, `"texts":{"other"`, 1), "line-ascii is not among the line's dialects and profiles"},
	} {
		_, err := Read("x.json", strings.NewReader(c.text))
		require.ErrorContains(t, err, c.want)
	}
}

// A receiver that hands its gauges to one port: one queue for all, which the
// host can only take apart if the frames say whose they are.
//
// Kind: property.
func TestSharedPort(t *testing.T) {
	t.Parallel()
	l := edited(t, "cell", "better-by: 12 dB", "better-by: 12 dB, serial-line: 19200 8N1")
	s := l.Summarise(rehearsed(t, l, 1))
	if len(s.Ports) != 1 || s.Ports[0].Name != "column" || s.Ports[0].Line != "19200 8N1" || s.Ports[0].Gauges != 7 {
		t.Fatalf("%+v", s.Ports)
	}
	near(t, "use", s.Ports[0].Use, 7*0.125+3790*28/1920.0/28800, 0.0001)
	near(t, "frames a second", s.Ports[0].Frames, 70.13, 0.01)
	var told []string
	for _, r := range s.Risks {
		told = append(told, r.What)
	}
	require.Contains(t, told, "Gauges cannot be told apart at port column")
	require.Contains(t, told, "A port is close to its line rate: column")
	require.False(t, s.Holds)
	// line-ascii with the gauge's serial number before each reading
	says := func(name string) (string, []byte, error) {
		file, text, err := dialects(name)
		return file, bytes.Replace(text, []byte(`else: ["R "]`), []byte("else: [\"R \"]\n      - {text: serial}\n      - \" \""), 1), err
	}
	named, err := Parse("named.yaml", bytes.Replace(l.Text, []byte("19200 8N1"), []byte("115200 8N1"), 1), says)
	require.NoError(t, err)
	require.Greater(t, named.gauges[0].frame, 24)
	for _, r := range named.Summarise(rehearsed(t, named, 1)).Risks {
		require.NotContains(t, r.What, "told apart")
	}
	_, err = Parse("x.yaml", bytes.Replace(l.Text, []byte("{name: bore-3,"), []byte("{name: bore-3, receiver: column, serial-line: 9600 8N1,"), 1), dialects)
	require.ErrorContains(t, err, "bore-3 has a line of its own, but receiver column hands all its gauges to one port")
}

// A gauge more or less changes nothing in the others' parts, and a changed habit
// nothing in the sizes.
//
// Kind: property.
func TestOwnChance(t *testing.T) {
	t.Parallel()
	l := shipped(t, "cell")
	base := l.Play(3, false)
	fewer := edited(t, "cell", "{name: height-2, feature: boss height, spares: 1}", "{name: another-2, feature: boss height}").Play(3, false)
	for i := range 6 {
		if d := cmp.Diff(base.Gauges[i].Judged[0].Size.Sum, fewer.Gauges[i].Judged[0].Size.Sum); d != "" {
			t.Errorf("%s: %s", l.gauges[i].name, d)
		}
	}
	if base.Gauges[6].Judged[0].Size.Sum == fewer.Gauges[6].Judged[0].Size.Sum {
		t.Error("another gauge measures the same parts")
	}
	habit := edited(t, "cell", "forgets: 0.5 %, double-tags: 1 %", "forgets: 20 %, double-tags: 9 %").Play(3, false)
	for i := range habit.Gauges {
		if habit.Gauges[i].Judged[0].Size.Sum != base.Gauges[i].Judged[0].Size.Sum {
			t.Errorf("%s measures other parts when habits change", l.gauges[i].name)
		}
	}
	if a, b := written(t, &Result{Played: []Entry{{Shift: base}}}), written(t, &Result{Played: []Entry{{Shift: l.Play(3, false)}}}); a != b {
		t.Error("the same shift twice is not the same")
	}
}

// A spare takes a gauge's place when its cell falls to the charge at which the gauge
// calls it low, and not before: at the default of 10 %, at what the line says, and at
// what the gauge's profile says.
//
// Kind: property.
func TestASpareComesAtTheLowMark(t *testing.T) {
	t.Parallel()
	for more, want := range map[string]float64{"{name: bore-1}": 10, "{name: bore-1, low-at: 30 %}": 30, "{name: bore-1, profile: bore-plug, charge: 15 %}": 12} {
		l := edited(t, "bench", "{name: bore-1}", more, "capacity: 180 mAh, health: 70 %", "capacity: 180 mAh, charge: 60 %, spares: 9")
		if g := l.Play(0, true).Gauges[0]; g.Swaps == 0 || g.Least > want+0.5 || g.Least < want-1.5 {
			t.Errorf("%s: %d swaps, emptiest %.2f %%", more, g.Swaps, g.Least)
		}
	}
}

// Stalls against the closed form: fades of a Rayleigh channel (Clarke's model;
// sim/link) that last 0.1 s and more. Fades come crossings times a second, and,
// being those of a Gilbert-Elliott channel (Gilbert 1960, Elliott 1963), last
// geometrically: a share (1-r)^80 of them for more than 80 tries of 1.25 ms, and the rest
// of those again as long on average, half of them no more than ln 2 times that.
//
// Kind: outside.
func TestStallsAsWorkedOut(t *testing.T) {
	t.Parallel()
	l := edited(t, "bench", "place: office-in-sight", "place: free-air", "at: [2.5 m, 1 m], better-by: 12 dB", "at: [60 m, 0 m], better-by: 5 dB", "motion: 0.3 m", "motion: 0.2 m", "capacity: 180 mAh", "capacity: 3000 mAh")
	b := l.budget(&l.gauges[0], 0)
	cfg, err := b.Config(0.2)
	require.NoError(t, err)
	share, crossings, mean := link.Fades(b.Margin(), link.Doppler(0.2, link.Megahertz))
	const shifts = 10
	var stalls Spans
	for i := range shifts {
		s := l.Play(i, true)
		stalls.merge(&s.Gauges[0].Stalls)
		// every frame that is held back still comes, but for those of a spell that
		// reaches beyond the shift's end
		if frames := s.Ports[0].Records - s.Gauges[0].Late.N; frames < 287_950 || frames > 288_000 {
			t.Errorf("shift %d: %d frames of the stream", i, frames)
		}
	}
	long := math.Pow(1-cfg.Bursts.Recover, 80)
	want := crossings * long * 8 * 3600 * shifts
	t.Logf("margin %.1f dB, %.3g of the time, fades of %v, %.0f stalls", b.Margin(), share, mean, want)
	near(t, "stalls", float64(stalls.N), want, 4*math.Sqrt(want))
	rest := mean.Seconds()
	near(t, "mean stall", stalls.Mean().Seconds(), 0.1+rest, 4*rest/math.Sqrt(want)+0.00125)
	near(t, "half of the stalls", stalls.Below(0.5).Seconds(), 0.1+rest*math.Ln2, (0.1+rest*math.Ln2)/16)
	near(t, "95 % of the stalls", stalls.Below(0.95).Seconds(), 0.1+rest*math.Log(20), (0.1+rest*math.Log(20))/16+4*rest*math.Sqrt(19/want))
}

// Links that fade for longer than the supervision are lost, and come back when a
// try succeeds, by hand: after 1 s and 2.56 s of trying, then after 2 s more and
// another try, 4 s, and so on to 30 s, each wait up to a fifth longer.
//
// Kind: outside.
func TestWaysBack(t *testing.T) {
	t.Parallel()
	l := edited(t, "cell", "motion: 0.5 m", "motion: 0.01 m", "better-by: 12 dB", "better-by: -6 dB", "place: shop-in-sight", "place: shop-out-of-sight")
	var away Spans
	for i := range 4 {
		s := l.Play(i, true)
		for g := range s.Gauges {
			away.merge(&s.Gauges[g].Away)
			if s.Gauges[g].Gone.N > 1 {
				t.Errorf("a link is lost %d times until the shift's end", s.Gauges[g].Gone.N)
			}
		}
	}
	if away.N < 10 {
		t.Fatalf("only %d came back", away.N)
	}
	type window struct{ low, high float64 }
	var windows []window
	for low, high, wait := 0.0, 0.0, 1.0; high < away.Most.Seconds()+60; wait = math.Min(2*wait, 30) {
		low, high = low+wait+2.56, high+1.2*wait+2.56
		windows = append(windows, window{low, high})
	}
	for _, b := range away.Bins {
		from, to := binEnds(b[0])
		if !slices.ContainsFunc(windows, func(w window) bool { return to.Seconds() > w.low && from.Seconds() <= w.high }) {
			t.Errorf("%d came back after %v to %v", b[1], from, to)
		}
	}
	if away.Bins[0][0] < binOf(3560*time.Millisecond) {
		t.Errorf("one came back after %v", away.Bins[0])
	}
}

// What must add up, on every shipped line and changed lines.
//
// Kind: property.
func TestBooksBalance(t *testing.T) {
	t.Parallel()
	lines := []*Line{shipped(t, "bench"), shipped(t, "cell"), edited(t, "bench", "health: 70 %", "health: 40 %, spares: 1"), edited(t, "bench", "capacity: 180 mAh", "capacity: 90 mAh"),
		edited(t, "cell", "health: 75 %", "health: 75 %, queue: 3", "better-by: 12 dB", "better-by: -9 dB", "place: shop-in-sight", "place: shop-out-of-sight")}
	lost, stalls, flat := 0, 0, 0
	for _, l := range lines {
		for index := range 3 {
			s := l.Play(index, true)
			arrived := 0
			for i, g := range s.Gauges {
				if g.Parts != g.Judged[0].Size.N || g.Tags < g.Parts-g.Untagged || g.Late.N+g.Lost != g.Tags {
					t.Errorf("%s %d %s does not add up: %+v", l.Title, index, l.gauges[i].name, g)
				}
				if g.Judged[0].FalseIn > g.Judged[0].Bad || g.Judged[0].FalseOut > g.Parts-g.Judged[0].Bad || len(g.Cell) != points+1 || g.Least > g.End || g.Least < 0 || g.End > 100 {
					t.Errorf("%s %d %s cannot be: %+v", l.Title, index, l.gauges[i].name, g)
				}
				for _, sp := range []Spans{g.Late, g.Stalls, g.Away, g.Gone, g.Flat} {
					if sp.Most > sp.Sum || sp.Sum > time.Duration(sp.N)*sp.Most || sp.Sum < 0 {
						t.Errorf("%s %d %s: %+v", l.Title, index, l.gauges[i].name, sp)
					}
				}
				arrived += g.Late.N
				lost, stalls, flat = lost+g.Lost, stalls+g.Stalls.N, flat+g.Flat.N
			}
			if arrived != s.Host.Records {
				t.Errorf("%s %d: %d tags arrived, %d records", l.Title, index, arrived, s.Host.Records)
			}
		}
	}
	if lost == 0 || stalls == 0 || flat == 0 {
		t.Errorf("the changed lines lose %d tags, stall %d times, go flat %d times: the check sees nothing", lost, stalls, flat)
	}
}

// A stronger class, a shorter way or a lower need never leaves a smaller margin,
// and lost tags fall when the margin grows.
//
// Kind: property.
func TestChangesMoveTheRightWay(t *testing.T) {
	t.Parallel()
	l := hours(edited(t, "hall", "better-by: 12 dB", "better-by: 4 dB"), 1)
	s := l.Summarise(rehearsed(t, l, 1))
	by := map[string]ChangeRow{}
	for _, c := range s.Changes {
		by[c.Name] = c
	}
	one, two, three, base := by["all gauges of class 1"], by["all gauges of class 2"], by["all gauges of class 3"], by["the line as it is"]
	if !(one.Margin > two.Margin && two.Margin > three.Margin && one.Lost <= two.Lost && two.Lost <= three.Lost && base.Lost > 0) {
		t.Errorf("classes 1, 2, 3: %+v %+v %+v", one, two, three)
	}
	near(t, "class 1 over class 3", one.Margin-three.Margin, 20, 1e-6) // 100 mW against 1 mW
	if f := by["fresh cells"]; f.End < base.End {
		t.Errorf("fresh cells end at %v, old ones at %v", f.End, base.End)
	}
	if r := by["double the rate"]; math.Abs(r.RadioUse/base.RadioUse-2) > 1e-9 {
		t.Errorf("double the rate uses %v instead of %v", r.RadioUse, base.RadioUse)
	}
	if n := by["places given out anew"]; n.Margin < base.Margin+5 { // the last gauge of the file got what was left
		t.Errorf("with other places the smallest margin is %v instead of %v", n.Margin, base.Margin)
	}
	if n := by["nothing stands in the way"]; n.Margin < base.Margin {
		t.Errorf("without obstacles the margin falls from %v to %v", base.Margin, n.Margin)
	}
	told := false
	for i, r := range s.Risks {
		told = told || r.What == "Tags are lost on the radio" && strings.HasPrefix(r.Remove, "all gauges of class 1: ")
		if i > 0 && r.Touches > s.Risks[i-1].Touches {
			t.Errorf("risk %d is greater than the one before", i)
		}
	}
	if s.Holds || !told {
		t.Errorf("holds: %v, risks %+v", s.Holds, s.Risks)
	}
}

// The slice that a host sees measures the parts of the shift on paper.
//
// Kind: property.
func TestSliceIsTheShift(t *testing.T) {
	t.Parallel()
	l := shipped(t, "cell")
	const length = 5 * time.Minute
	s, err := l.Scenario(2, length)
	require.NoError(t, err)
	tags := 0
	for _, c := range s.Cues {
		if _, ok := c.Act.(stage.Tag); ok {
			tags++
		}
	}
	want := 0
	for i := range l.gauges {
		d := newDay(l, &l.gauges[i], 2)
		for p := d.next(); p.at < length-time.Second; p = d.next() {
			want += p.tags
		}
	}
	require.Equal(t, want, tags)
	require.Greater(t, tags, 30)
	for i := range l.gauges {
		b := l.budget(&l.gauges[i], l.gauges[i].radio)
		k := s.Gauges[i].Link
		there := link.Budget{Class: link.Class(k.Class), Metres: metres(*k.Distance)}
		near(t, l.gauges[i].name+": margin in the slice", there.Margin(), math.Min(b.Margin(), 40), 0.8) // to the centimetre
	}
}

// A wired gauge has no radio and no cell, whatever the rest of its line does: its tags
// are at their port as they are given, and on its first channel it measures the parts
// that it would have measured on the radio.
//
// Kind: property.
func TestWired(t *testing.T) {
	t.Parallel()
	wired := edited(t, "bench", "{name: bore-1}", "{name: bore-1, wired: true}", "receivers:\n  - {name: desk, at: [2.5 m, 1 m], better-by: 12 dB}\n", "")
	w, r := wired.Play(2, true), shipped(t, "bench").Play(2, true)
	g := w.Gauges[0]
	require.Equal(t, r.Gauges[0].Judged, g.Judged)
	require.Equal(t, r.Gauges[0].Tags, g.Tags)
	require.Zero(t, g.Lost+g.Stalls.N+g.Away.N+g.Gone.N+g.Flat.N+g.Swaps)
	require.Zero(t, g.Late.Most, "a wire takes no time of its own")
	require.Equal(t, g.Tags, w.Host.Records)
	frames := int(wired.Shift.D().Seconds())*10 + g.Tags // 10 Hz
	require.InDelta(t, frames, w.Ports[0].Records, 1)
	result, err := wired.Rehearse(context.Background(), 2, shard.Shard{K: 1, N: 1}, 0)
	require.NoError(t, err)
	s := wired.Summarise(result)
	require.True(t, s.Holds)
	require.NotContains(t, strings.Join(s.Words, " "), "radio reaches")
	var page, text bytes.Buffer
	require.NoError(t, errors.Join(s.HTML(&page), s.Text(&text)))
	require.NotContains(t, page.String()+text.String(), "Inf")
}

// Each channel of a fixture is judged by the feature it measures, the computed ones
// too, and what the host shows of a process has the error of measurement in it: the
// variances add (JCGM 106:2012, 6.2.1, from memory), and rounding to a step q adds
// q²/12 (JCGM 100:2008, F.2.2.1, from memory).
//
// Kind: outside.
func TestFixtures(t *testing.T) {
	t.Parallel()
	l := shipped(t, "housing")
	result, err := l.Rehearse(context.Background(), 8, shard.Shard{K: 1, N: 1}, 0)
	require.NoError(t, err)
	s := l.Summarise(result)
	parts := map[string]float64{}
	for i := range s.Features {
		f, of := &s.Features[i], &l.features[i]
		parts[of.name] = f.Parts
		step, _ := of.grid()
		near(t, of.name+": spread of the readings", f.Shown.All, math.Sqrt(of.spread*of.spread+of.u*of.u+step*step/12), 0.04*of.spread)
		near(t, of.name+": spread of the parts", f.Capability.All, of.spread, 0.04*of.spread)
		require.Equal(t, math.IsInf(of.lower, -1), math.IsInf(f.Capability.Cp.Value, 1), of.name)
	}
	near(t, "faces are measured by four probes", parts["face"], 4*parts["width"], 1e-9)
	near(t, "each part has one run-out", parts["run-out"], parts["width"], 1e-9)
	var b bytes.Buffer
	require.NoError(t, s.Text(&b))
	require.Contains(t, b.String(), "run-out up to 0.03 mm")
}

// Each station of a line plays by itself, with the settings that are its gauges'.
//
// Kind: property.
func TestStations(t *testing.T) {
	t.Parallel()
	l := shipped(t, "housing")
	gauges := 0
	for i := range l.Stations {
		one, all := l.Only([]string{l.Stations[i].Name})
		require.Len(t, all, 4)
		s, err := one.Scenario(0, time.Minute)
		require.NoError(t, err)
		require.Len(t, s.Gauges, len(l.Stations[i].Gauges))
		gauges += len(s.Gauges)
		trials, err := one.Acceptance()
		require.NoError(t, err)
		require.Len(t, trials, 3)
	}
	require.Equal(t, len(l.gauges), gauges)
	none, _ := l.Only([]string{"boring", "no such"})
	require.Nil(t, none)
}

// Kind: golden.
func TestSummaryGolden(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	for _, name := range []string{"bench", "cell"} {
		l := shipped(t, name)
		require.NoError(t, l.Summarise(rehearsed(t, l, 8)).Text(&b))
		b.WriteString("\n")
	}
	file := filepath.Join("testdata", "summary.golden")
	if *update {
		require.NoError(t, os.WriteFile(file, b.Bytes(), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	if d := cmp.Diff(string(want), b.String()); d != "" {
		t.Error(d)
	}
}

// Kind: property.
func TestPage(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"bench", "cell", "hall", "housing"} {
		l := hours(shipped(t, name), 2)
		var b bytes.Buffer
		require.NoError(t, l.Summarise(rehearsed(t, l, 1)).HTML(&b))
		page := b.String()
		for i := range l.gauges {
			require.Contains(t, page, `<td class="w">`+l.gauges[i].name+"</td>")
			require.Equal(t, !l.gauges[i].wired, strings.Contains(page, `aria-label="`+l.gauges[i].name+`: charge`), l.gauges[i].name)
		}
		require.Contains(t, page, "never releases real parts")
		for i := range l.ports {
			require.Contains(t, page, `<td class="w">`+l.ports[i].name+`</td><td class="w">`+l.ports[i].line+`</td>`)
		}
		for _, heading := range []string{"Risks, the greatest first", "Plan, with link margins", "Cells over the shift", "Throughput against capacity", "Silent and lost links", "What if", "The shift in figures", "Features", "Gauges", "Ports", "Assumptions and their sources", "Signed off"} {
			require.Contains(t, page, "<h2>"+heading+"</h2>")
		}
		require.NotContains(t, page, "NaN")
		require.NotContains(t, page, "ZgotmplZ")
		require.NotRegexp(t, `(src|href)=`, page, "the page stands alone")
		if got := strings.Count(page, `stroke-width="1.5"`); got != l.onAir() {
			t.Errorf("%s: the plan has %d links", name, got)
		}
	}
}

// onAir counts the gauges that have a radio.
func (l *Line) onAir() (n int) {
	for i := range l.gauges {
		if !l.gauges[i].wired {
			n++
		}
	}
	return n
}

// The PDF is printed by Chromium, and holds the whole page.
//
// Kind: process.
func TestPDF(t *testing.T) {
	t.Parallel()
	testenv.Program(t, "chromium", "chromium")
	l := shipped(t, "cell")
	s := l.Summarise(rehearsed(t, l, 2))
	file := filepath.Join(t.TempDir(), "line.pdf")
	require.NoError(t, s.PDF(context.Background(), file))
	b, err := os.ReadFile(file)
	require.NoError(t, err)
	pages := len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(b, -1))
	if pages != 4 && pages != 5 { // 3.4 sheets long, and what is kept together
		t.Errorf("%d pages", pages)
	}
}

// Kind: property.
func TestNoBrowser(t *testing.T) {
	l := shipped(t, "bench")
	t.Setenv("PATH", t.TempDir())
	require.ErrorIs(t, l.Summarise(rehearsed(t, l, 1)).PDF(context.Background(), "x.pdf"), ErrNoBrowser)
}

// Memory does not grow with the length of the shift.
//
// Kind: property.
func TestMemoryIsFlat(t *testing.T) {
	use := func(shift string) (bytes uint64) {
		l := edited(t, "cell", "shift: 8 h", "shift: "+shift, "takt: 60 s", "takt: 20 s")
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		l.Play(0, true)
		runtime.ReadMemStats(&after)
		return after.TotalAlloc - before.TotalAlloc
	}
	short, long := use("7 h"), use("24 h")
	if float64(long) > 1.2*float64(short) {
		t.Errorf("24 h take %d bytes, 7 h %d", long, short)
	}
}

// Kind: property.
func TestStops(t *testing.T) {
	t.Parallel()
	ctx, stop := context.WithCancel(context.Background())
	stop()
	_, err := shipped(t, "hall").Rehearse(ctx, 1000, shard.Shard{}, 2)
	require.ErrorIs(t, err, context.Canceled)
}

// A rehearsal that is stopped is one of the shifts that are done.
// Kind: property.
func TestStoppedRehearsalIsAShortOne(t *testing.T) {
	t.Parallel()
	l := shipped(t, "bench")
	var got *Result
	for after := 100 * time.Millisecond; got == nil || got.Shifts == 0; after *= 2 { // as the machine has it
		ctx, stop := context.WithTimeout(t.Context(), after)
		var err error
		got, err = l.Rehearse(ctx, MostShifts/10, shard.Shard{}, 2)
		stop()
		require.ErrorIs(t, err, context.DeadlineExceeded)
	}
	want, err := l.Rehearse(t.Context(), got.Shifts, shard.Shard{}, 2)
	require.NoError(t, err)
	var a, b bytes.Buffer
	require.NoError(t, got.Write(&a))
	require.NoError(t, want.Write(&b))
	require.Equal(t, b.String(), a.String())
}

// Kind: property.
func TestCrosses(t *testing.T) {
	t.Parallel()
	p := func(x, y float64) [2]float64 { return [2]float64{x, y} }
	for _, c := range []struct {
		a, b, c, d [2]float64
		want       bool
	}{
		{p(0, 0), p(4, 4), p(0, 4), p(4, 0), true},
		{p(0, 0), p(1, 1), p(0, 4), p(4, 0), false},
		{p(0, 0), p(2, 2), p(0, 4), p(4, 0), true}, // ends on it
		{p(0, 0), p(0, 0), p(0, 4), p(4, 0), false},
		{p(0, 0), p(9, 0), p(3, -1), p(3, 1), true},
		{p(0, 0), p(9, 0), p(3, 1), p(3, 2), false},
	} {
		if got := crosses(c.a, c.b, c.c, c.d); got != c.want {
			t.Errorf("%v-%v and %v-%v: %v", c.a, c.b, c.c, c.d, got)
		}
	}
}

// Kind: property.
func TestWarmth(t *testing.T) {
	t.Parallel()
	l := shipped(t, "hall") // 14 at 0 h, 18 at 2 h, 24 at 6 h, 23 at 8 h
	for at, want := range map[time.Duration]int{0: 14, time.Hour: 16, 2 * time.Hour: 18, 4 * time.Hour: 21, 6 * time.Hour: 24, 8 * time.Hour: 23} {
		if got := l.warmth(at); got != want {
			t.Errorf("%v: %d °C, not %d", at, got, want)
		}
	}
}

// Mistakes of a file are told with their place and with what would be right.
//
// Kind: property.
func TestMistakes(t *testing.T) {
	t.Parallel()
	bench := string(shipped(t, "bench").Text)
	for _, c := range []struct{ old, new, want string }{
		{"8 H8", "8 H19", "bench.yaml:17:30: "},
		{"8 H8", "8H8", "write one such as 8 H8"},
		{"8 H8", "600 H8", "up to 500 mm"},
		{"size: 8 H8", "nominal: 8 mm", `"spool bore" has no tolerance`},
		{"size: 8 H8", "nominal: 8 mm, limits: [8.02 mm, 8.00 mm]", "not in order"},
		{"spread: 0.0022 mm", "spread: 0 mm", "a width above zero"},
		{"takt: 45 s", "takt: 45 mm", "bench.yaml:9:7: "},
		{"shift: 8 h", "shift: 80 h", "write a time of 1m0s to 24h0m0s"},
		{"takt:", "tact:", `"takt"`},
		{"class: 2", "class: 4", "bench.yaml:20:15: there is no power class 4; write 1, 2 or 3"},
		{"rate: 10 Hz", "rate: 0.01 Hz", "bench.yaml:20:24: no radio gauge streams at 0.01 Hz; write 0.1 Hz to 1000 Hz"},
		{"dialect: line-ascii", "dialect: modbus-rtu", "bench.yaml:20:40: bore-1: its dialect modbus-rtu sends nothing on its own"},
		{"dialect: line-ascii", "dialect: no-such", "bench.yaml:20:40: open dialects/no-such.yaml"},
		{"8 H8", "8 Q8", `bench.yaml:17:30: "Q8" is not a tolerance class of ISO 286-1: no deviation Q is known here; write one such as H8, g6 or js7`},
		{"at: [0 m, 0 m]", "at: [5000 m, 0 m]", "bench.yaml:22:23: bore-1 stands 4998 m from its receiver desk; write places no more than 1000 m apart"},
		{"at: [0 m, 0 m]", "at: [0 m]", "2 values belong here, not 1"},
		{"place: office-in-sight", "place: office", `"office" is not a place; write free-air, office-in-sight`},
		{"better-by: 12 dB", "better-by: 12 dBm", "bench.yaml:19:47: "},
		{"receivers:", "recievers:", `unknown key "recievers"; did you mean "receivers"?`},
		{"double-tags: 0.5 %", "double-tags: 0.5", "has no unit"},
		{"{name: bore-1}", "{name: bore-1}, {name: bore-1}", `a second gauge is called "bore-1"`},
		{"{name: bore-1}", "{name: bore 1}", "cannot name a gauge"},
		{"{name: bore-1}", "{name: b, receiver: dusk}", `did you mean "desk"?`},
		{"{name: bore-1}", "{name: b, feature: spol bore}", `did you mean "spool bore"?`},
		{"{name: bore-1}", "{name: a}, {name: b}, {name: c}, {name: d}, {name: e}, {name: f}, {name: g}, {name: h}", "h has no receiver: all 7 places of the line's receivers are taken; add a receiver"},
		{"better-by: 12 dB", "better-by: 12 dB, places: 8", "bench.yaml:19:62: no radio talks to 8 gauges at a time; write 1 to 7"},
		{"better-by: 12 dB", "better-by: 12 dB, places: 1", ""},
		{"{name: bore-1}", "{name: bore-1, queue: -1}", "-1 is no number"},
		{"gauges: [{name: bore-1}]", "gauges: []", `"bench" has no gauge`},
		{"{at: 4 h, for: 30 min}", "{at: 1 h, for: 30 min}", "write the breaks in order"},
		{"{at: 6 h, for: 10 min}", "{at: 7 h, for: 2 h}", "does not lie in a shift"},
		{"is: 19 °C", "is: 90 °C", "a cell works from"},
		{"forgets: 0.3 %", "forgets: 130 %", "0 to 100 %"},
		{"better-by: 12 dB", "better-by: 60 dB", "hears 60 dB better"},
		{"understudy-line: 1", "understudy-line: 2", "write understudy-line: 1"},
		{"capacity: 180 mAh", "capacity: 0 mAh", "bench.yaml:20:62: "},
		{"per-record: 20 ms", "per-record: 20 ms, guarded: true", ""},
		{"per-record: 20 ms", "per-record: 2 h", "write a time of"},
		{"per-record: 20 ms", "per-record: 20 ms, uncertainty: 0.002 mm", "on a line each feature has its own uncertainty; write guarded: true"},
		{"per-record: 20 ms", "per-record: 20 ms, writes: [{gauge: bore-2, set: function, to: min}]", `there is no gauge "bore-2"; did you mean "bore-1"?`},
		{"{name: bore-1}", "{name: bore-1, wired: true}", ""},
		{"{name: bore-1}", "{name: bore-1, wired: true, class: 1}", "bore-1 is wired: it has no radio, no cell and no place at a receiver; leave it out"},
		{"{name: bore-1}", "{name: bore-1, wired: true, charge: 50 %}", "bore-1 is wired"},
		{"{name: bore-1}", "{name: bore-1, profile: no-such}", "no-such"},
		{"{name: bore-1}", "{name: bore-1, profile: fixture-four}", "bore-1 has the channels P1, P2, P3, P4, width, spread; name each under channels: or computed:, with its feature"},
		{"{name: bore-1}", "{name: f, dialect: multi-ascii, channels: [{name: A}, {name: B, feature: spol bore}]}", `did you mean "spool bore"?`},
		{"{name: bore-1}", "{name: f, dialect: multi-ascii, computed: [{name: C, is: sum, of: [A, B]}]}", "f computes channels of channels that it does not name; write channels: [{name: A}, {name: B}]"},
		{"{name: bore-1}", "{name: f, dialect: multi-ascii, channels: [{name: A}, {name: B}], computed: [{name: C, is: sum, of: [A, B], limits: [none, 1 mm]}]}", "what C is held against is its feature's; write it at the feature"},
		{"size: 8 H8", "nominal: 0.008 mm, limits: [none, 0.030 mm]", ""},
		{"size: 8 H8", "nominal: 8 mm, limits: [none, none]", `"spool bore" has no tolerance`},
		{"size: 8 H8", "nominal: 0.040 mm, limits: [none, 0.030 mm]", "not in order; write the smaller limit first, and the nominal size and the warning limits inside"},
	} {
		require.Contains(t, bench, c.old)
		_, err := Parse("bench.yaml", []byte(strings.Replace(bench, c.old, c.new, 1)), dialects)
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%s: %v", c.new, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%s: %v", c.new, err)
		}
	}
	// what all gauges share is told once, where it stands
	hall := strings.NewReplacer("rate: 10 Hz", "rate: 5000 Hz", "health: 75 %", "health: 5 %").Replace(string(shipped(t, "hall").Text))
	_, err := Parse("hall.yaml", []byte(hall), dialects)
	require.EqualError(t, err, "hall.yaml:35:24: no radio gauge streams at 5000 Hz; write 0.1 Hz to 1000 Hz\n"+
		"hall.yaml:35:81: 5 is no share for it; write 20 % to 100 %")
	eight := strings.Replace(bench, "{name: bore-1}", "{name: a}, {name: b}, {name: c}, {name: d}, {name: e}, {name: f}, {name: g}, {name: h}", 1)
	eight = strings.Replace(eight, "each: {", "each: {receiver: desk, ", 1)
	_, err = Parse("bench.yaml", []byte(eight), dialects)
	require.ErrorContains(t, err, "h is one too many for receiver desk, which talks to 7 at a time; give it to another receiver")
}

// A file is read and its gauges made ready, and a short shift is played, but
// without the frames of its dialects, which are fuzzed where they are read.
//
// Kind: property.
func FuzzParse(f *testing.F) {
	for _, name := range []string{"bench", "cell"} {
		text := string(shipped(f, name).Text)
		f.Add(text)
		f.Add(strings.NewReplacer("8 h", "2 min", "takt: 45 s", "takt: 2 s", "4 h", "1 min").Replace(text))
	}
	f.Add("understudy-line: 1\n")
	f.Fuzz(func(t *testing.T, text string) {
		l := &Line{}
		doc, _ := strict.Decode("fuzz.yaml", []byte(text), &l.File)
		if doc.Err() == nil {
			(&reader{l, doc, map[any]bool{}}).build()
		}
		if doc.Err() == nil && l.Shift.D() <= 5*time.Minute && len(l.gauges) < 20 {
			require.Empty(t, cmp.Diff(l.Play(0, true), l.Play(0, true)), "the same shift twice")
		}
	})
}

// Kind: property.
func FuzzRead(f *testing.F) {
	l := shipped(f, "bench")
	f.Add(written(f, rehearsed(f, l, 1)))
	f.Add(`{"understudy-rehearsal":2,"shifts":1,"played":[{"index":0}]}`)
	f.Fuzz(func(t *testing.T, text string) {
		if r, err := Read("fuzz.json", strings.NewReader(text)); err == nil {
			if m, err := Merge([]*Result{r}); err == nil {
				require.NoError(t, m.Line().Summarise(m).HTML(io.Discard))
				again, err := Read("again.json", strings.NewReader(written(t, m)))
				require.NoError(t, err)
				require.Equal(t, m.Played, again.Played)
			}
		}
	})
}

// A number of a result that was tampered with is refused or told, and breaks
// nothing.
//
// Kind: property.
func TestTamperedResults(t *testing.T) {
	t.Parallel()
	good := written(t, rehearsed(t, shipped(t, "bench"), 2))
	numbers := regexp.MustCompile(`[:\[,]-?\d+(\.\d+)?`).FindAllStringIndex(good, -1)
	taken := 0
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.SampledFrom(numbers).Draw(t, "number")
		to := rapid.SampledFrom([]string{"0", "-1", "1", "8", "488", "1000000000000000000", "-9223372036854775808", "1e300", "-1e300", "0.5"}).Draw(t, "instead")
		r, err := Read("x.json", strings.NewReader(good[:at[0]+1]+to+good[at[1]:]))
		if err != nil {
			return
		}
		taken++
		m, err := Merge([]*Result{r})
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(r.Line().Summarise(m).HTML(io.Discard), r.Line().Summarise(m).Text(io.Discard)); err != nil {
			t.Fatal(err)
		}
	})
	if taken == 0 {
		t.Error("every tampered result was refused: the check sees nothing")
	}
}

// The examples of batch engines: their form, and that their parts are all parts.
//
// Kind: process.
func TestKubernetesExample(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("examples/kubernetes-job.yaml")
	require.NoError(t, err)
	var job struct {
		APIVersion string `yaml:"apiVersion"`
		Kind       string
		Metadata   struct{ Name string }
		Spec       struct {
			CompletionMode           string `yaml:"completionMode"`
			Completions, Parallelism int
			BackoffLimit             int `yaml:"backoffLimit"`
			Template                 struct {
				Spec struct {
					RestartPolicy string `yaml:"restartPolicy"`
					Containers    []struct {
						Name, Image  string
						Command      []string
						Resources    map[string]map[string]string
						VolumeMounts []map[string]string `yaml:"volumeMounts"`
					}
					Volumes []map[string]any
				}
			}
		}
	}
	require.NoError(t, yaml.UnmarshalWithOptions(text, &job, yaml.Strict()))
	require.Equal(t, []string{"batch/v1", "Job", "Indexed", "Never"}, []string{job.APIVersion, job.Kind, job.Spec.CompletionMode, job.Spec.Template.Spec.RestartPolicy})
	require.LessOrEqual(t, job.Spec.Parallelism, job.Spec.Completions)
	require.Len(t, job.Spec.Template.Spec.Containers, 1)
	c := job.Spec.Template.Spec.Containers[0]
	require.Equal(t, []string{"/bin/sh", "-c"}, c.Command[:2])
	covers(t, job.Spec.Completions, func(i int) *exec.Cmd {
		cmd := exec.Command(c.Command[0], c.Command[1:]...)
		cmd.Env = []string{"JOB_COMPLETION_INDEX=" + fmt.Sprint(i)} // Kubernetes counts from 0
		return cmd
	})
}

// Kind: process.
func TestSlurmExample(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("examples/slurm-array.sh")
	require.NoError(t, err)
	m := regexp.MustCompile(`(?m)^#SBATCH --array=1-(\d+)$`).FindSubmatch(text)
	require.NotNil(t, m, "a line #SBATCH --array=1-N")
	require.NoError(t, exec.Command("sh", "-n", "examples/slurm-array.sh").Run())
	var n int
	_, err = fmt.Sscan(string(m[1]), &n)
	require.NoError(t, err)
	for _, line := range strings.Split(string(text), "\n") {
		if strings.HasPrefix(line, "#SBATCH") {
			require.Regexp(t, `^#SBATCH --[a-z-]+=\S+$`, line)
		}
	}
	covers(t, n, func(i int) *exec.Cmd {
		cmd := exec.Command("sh", "examples/slurm-array.sh")
		cmd.Env = []string{fmt.Sprintf("SLURM_ARRAY_TASK_ID=%d", i+1), fmt.Sprintf("SLURM_ARRAY_TASK_MAX=%d", n)}
		return cmd
	})
}

// covers runs each of n commands with a stand-in for the program that notes
// its words, and checks that their shards are 1/n to n/n.
func covers(t *testing.T, n int, command func(i int) *exec.Cmd) {
	t.Helper()
	bin := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(bin, "understudy"), []byte("#!/bin/sh\necho \"$@\"\n"), 0o755))
	for i := range n {
		cmd := command(i)
		cmd.Env = append(cmd.Env, "PATH="+bin+":/usr/bin:/bin")
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, string(out))
		words := strings.Fields(string(out))
		require.Equal(t, "rehearse", words[0])
		var s shard.Shard
		file := ""
		for j, w := range words[:len(words)-1] {
			switch w {
			case "--shard":
				require.NoError(t, s.UnmarshalText([]byte(words[j+1])))
			case "--json":
				file = words[j+1]
			}
		}
		require.Equal(t, shard.Shard{K: i + 1, N: n}, s)
		require.Contains(t, file, fmt.Sprint(i+1), "each shard has a file of its own")
	}
}

// A shift of the hall at its real duty against a plain loop that advances
// sixty links alone: what the rest costs.
func BenchmarkHallShift(b *testing.B) {
	l := shipped(b, "hall")
	b.Run("whole", func(b *testing.B) {
		for b.Loop() {
			l.Play(0, true)
		}
	})
	b.Run("without ports", func(b *testing.B) {
		for b.Loop() {
			l.Play(0, false)
		}
	})
	b.Run("links alone", func(b *testing.B) {
		for b.Loop() {
			for i := range l.gauges {
				var radio link.Radio
				var s served
				s.start(l, i, 0, &radio)
				s.advance(l.Shift.D())
			}
		}
	})
}

// A hundred shifts on one processor and on all.
func BenchmarkHundredShifts(b *testing.B) {
	l := shipped(b, "cell")
	for _, n := range []int{1, 0} {
		name := "one processor"
		if n == 0 {
			name = "all processors"
		}
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := l.Rehearse(b.Context(), 100, shard.Shard{}, n); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// A shift of eight hours and one of a day and night: what is allocated.
func BenchmarkLength(b *testing.B) {
	for _, shift := range []string{"7 h", "24 h"} {
		l := edited(b, "cell", "shift: 8 h", "shift: "+shift)
		b.Run(shift, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				l.Play(0, true)
			}
		})
	}
}

// Kind: property.
func TestResultJSONHasNoMachine(t *testing.T) {
	t.Parallel()
	var v map[string]any
	require.NoError(t, json.Unmarshal([]byte(written(t, rehearsed(t, shipped(t, "bench"), 1))), &v))
	for key := range v {
		switch key {
		case "understudy-rehearsal", "shard", "file", "line", "texts", "seed", "shifts", "played":
		default:
			t.Errorf("unexpected key %s", key)
		}
	}
}
