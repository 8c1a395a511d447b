package rehearse

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"math"
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
	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
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

// The latency that a line states is what a tag is late by: by hand, 10 ms at least of a
// stack of 20 ms, and 20 ms, 25 ms and 8 ms on average.
//
// Kind: outside.
func TestLatencyOfALine(t *testing.T) {
	t.Parallel()
	l := edited(t, "bench", "motion: 0.3 m", "motion: 0.3 m\nlatency: {stack: 20 ms, sniff: 50 ms, driver: 16 ms}")
	late := l.Play(0, false).Gauges[0].Late
	mean := late.Sum / time.Duration(late.N)
	if mean < 50*time.Millisecond || mean > 58*time.Millisecond {
		t.Errorf("%v on average", mean)
	}
	_, err := Parse("x.yaml", bytes.Replace(l.Text, []byte("stack: 20 ms"), []byte("stack: 20 s"), 1), dialects)
	require.ErrorContains(t, err, "latency of stack 20s")
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
