package plot

import (
	"bytes"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/show"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the golden files anew")

const um = decimal.Micrometre

var valve = zone.Limits{Lower: zone.At(7985 * um), WarnLower: zone.At(7990 * um), WarnUpper: zone.At(8010 * um), Upper: zone.At(8015 * um)}

// pen writes ledgers for the tests.
type pen struct {
	b   bytes.Buffer
	w   *ledger.Writer
	ids map[string]int
}

func newPen(title string) *pen {
	p := &pen{ids: map[string]int{}}
	p.w = ledger.NewWriter(&p.b)
	p.put(ledger.Entry{Kind: ledger.KindRun, Run: &ledger.Run{Version: ledger.Version, Scenario: title, File: "bush.yaml", Seed: 7, Pace: "paper"}})
	p.put(ledger.Entry{Kind: ledger.KindStart})
	return p
}

func (p *pen) put(e ledger.Entry) { p.w.Write(e) }

func (p *pen) end(at time.Duration) []byte {
	p.put(ledger.Entry{T: at, Kind: ledger.KindEnd, Note: "the timeline ended"})
	return p.bytes()
}

func (p *pen) bytes() []byte {
	_ = p.w.Flush()
	return p.b.Bytes()
}

// reads is what a channel says at pm, rounded to a micrometre.
func reads(channel string, pm int64, l zone.Limits, void string) ledger.Reading {
	exact := decimal.New(pm, 0)
	shown := exact.Mul(decimal.New(1, -9)).Quantize(-3, decimal.HalfEven)
	r := ledger.Reading{Channel: channel, Exact: exact, Shown: shown, Unit: "mm", Function: "live", Void: void}
	if void == "" {
		at, _ := decimal.Exactly(shown, decimal.MM)
		r.Zone = l.Place(decimal.New(int64(at), 0), zone.Rule{})
	}
	return r
}

// frame makes a frame; its bytes have the fate after a delay, unless that is
// negative.
func (p *pen) frame(at time.Duration, gauge string, tag int64, fate ledger.Fate, rs ...ledger.Reading) {
	p.ids[gauge]++
	f := &ledger.Frame{ID: p.ids[gauge], Cause: ledger.Stream, Name: "reading", Readings: rs, Bytes: ledger.Hex("x")}
	if tag > 0 {
		f.Cause, f.Tag = ledger.Tag, &tag
	}
	p.put(ledger.Entry{T: at, Gauge: gauge, Kind: ledger.KindFrame, Frame: f})
	if fate != "" {
		p.out(at, gauge, fate, "", f.ID)
	}
}

func (p *pen) out(at time.Duration, gauge string, fate ledger.Fate, fault string, ids ...int) {
	p.put(ledger.Entry{T: at, Gauge: gauge, Kind: ledger.KindOut, Out: &ledger.Out{Frames: ids, Fate: fate, Fault: fault}})
}

func (p *pen) cue(at time.Duration, gauge, words string) {
	p.put(ledger.Entry{T: at, Gauge: gauge, Kind: ledger.KindCue, Note: words})
}

func (p *pen) link(at time.Duration, gauge, state string) {
	p.put(ledger.Entry{T: at, Gauge: gauge, Kind: ledger.KindLink, Link: &ledger.Link{State: state}})
}

// everything has each thing a picture can show: a bore gauge whose link stalls
// and is lost, whose cell fades, that is lifted, and a stand with two channels,
// one of them without limits.
func everything() ([]byte, []Channel) {
	p := newPen("A bush is measured while the link comes & goes <twice>")
	src := random.New(3)
	const ms = time.Millisecond
	var held []int
	for at := time.Duration(0); at < 24*time.Second; at += 50 * ms {
		switch at {
		case 0:
			p.cue(at, "bush-plug", "preset, to: 8.000 mm")
		case 2 * time.Second:
			p.cue(at, "bush-plug", "move to, size: 8.0134 mm, over: 400 ms")
		case 4 * time.Second:
			p.cue(at, "", "tag")
		case 5 * time.Second:
			p.cue(at, "bush-plug", "stall, for: 1500 ms")
			p.link(at, "bush-plug", "stalled")
		case 6500 * ms:
			p.link(at, "bush-plug", "up")
			p.out(at, "bush-plug", ledger.Sent, "", held...)
		case 9 * time.Second:
			p.cue(at, "bush-plug", "lose link, for: 4 s")
			p.link(at, "bush-plug", "lost")
		case 12 * time.Second:
			p.link(at, "bush-plug", "rejoining")
		case 13 * time.Second:
			p.link(at, "bush-plug", "up")
		case 14 * time.Second:
			p.put(ledger.Entry{T: at, Gauge: "bush-plug", Kind: ledger.KindCell, Cell: &ledger.Cell{Percent: 41}})
		case 15 * time.Second:
			p.cue(at, "bush-plug", "lift, over: 500 ms")
		case 17 * time.Second:
			p.put(ledger.Entry{T: at, Gauge: "bush-plug", Kind: ledger.KindCell, Cell: &ledger.Cell{Percent: 9, Low: true}})
		case 18 * time.Second:
			p.put(ledger.Entry{T: at, Gauge: "bush-plug", Kind: ledger.KindSetting, Setting: &ledger.Setting{Name: "upper", Channel: "A", From: "8.015", To: "8.020", By: "host"}})
		case 22 * time.Second:
			p.put(ledger.Entry{T: at, Gauge: "bush-plug", Kind: ledger.KindCell, Cell: &ledger.Cell{Dead: true}})
		}
		size, void := int64(8_000_000_000), ""
		switch {
		case at > 15500*ms && at < 17*time.Second:
			void = "under"
		case at > 15*time.Second && at < 16*time.Second:
			size += 60_000_000 * int64((at-15*time.Second)/(50*ms))
		case at > 20*time.Second:
			size += 17_300_000
		case at > 2*time.Second:
			size += 13_400_000
		}
		size += src.Int63n(1_500_000)
		tag := int64(0)
		switch at {
		case time.Second, 4 * time.Second, 10 * time.Second, 16 * time.Second, 19 * time.Second, 21 * time.Second:
			tag = int64(at / time.Second)
		}
		if at < 22*time.Second {
			limits := valve
			if at > 18*time.Second {
				limits.Upper = zone.At(8020 * um)
			}
			r := reads("A", size, limits, void)
			switch {
			case at >= 5*time.Second && at < 6500*ms:
				p.frame(at, "bush-plug", tag, "", r)
				held = append(held, p.ids["bush-plug"])
			case at >= 9*time.Second && at < 13*time.Second:
				p.frame(at, "bush-plug", tag, ledger.Lost, r)
			case at == 7*time.Second:
				p.frame(at, "bush-plug", tag, "", r)
				p.out(at, "bush-plug", ledger.Sent, "garble", p.ids["bush-plug"])
			default:
				p.frame(at, "bush-plug", tag, ledger.Sent, r)
			}
		}
		if at%(200*ms) == 0 {
			up := int64(25_000_000 * math.Sin(at.Seconds()))
			p.frame(at, "seat-stand", 0, ledger.Sent, reads("left", up, zone.Limits{}, ""), reads("right", 12_004_000_000-up/3, zone.Limits{}, ""))
		}
	}
	return p.end(24 * time.Second), []Channel{
		{Gauge: "bush-plug", Channel: "A", Limits: valve},
		{Gauge: "seat-stand", Channel: "left", Limits: zone.Limits{Upper: zone.At(20 * um), WarnUpper: zone.At(15 * um)}},
		{Gauge: "seat-stand", Channel: "right"},
	}
}

// shift is a long run of one gauge: a reading each 200 ms, a part each minute.
func shift(long time.Duration) []byte {
	p := newPen("A shift at the honing machine")
	src := random.New(5)
	size := int64(0)
	for at, n := time.Duration(0), int64(1); at < long; at += 200 * time.Millisecond {
		in := at % time.Minute
		if in == 0 {
			size = 8_000_000_000 + src.Int63n(16_000_000) - 8_000_000 + int64(at/time.Hour)*1_000_000
		}
		void := ""
		if in < 5*time.Second {
			void = "under"
		}
		tag := int64(0)
		if in == 10*time.Second {
			tag = n
			n++
		}
		p.frame(at, "guide-plug", tag, ledger.Sent, reads("A", size+src.Int63n(1_000_000), valve, void))
	}
	return p.end(long)
}

func drawn(t testing.TB, b []byte, channels []Channel) *Picture {
	t.Helper()
	p, err := FromLedger(bytes.NewReader(b), channels)
	require.NoError(t, err)
	return p
}

func svg(t testing.TB, p *Picture) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, p.WriteSVG(&b))
	return b.String()
}

// Kind: golden.
func TestGolden(t *testing.T) {
	t.Parallel()
	all, channels := everything()
	for name, tc := range map[string]struct {
		ledger   []byte
		channels []Channel
	}{
		"everything": {all, channels},
		"bare":       {all, nil}, // no limits are known
		"part":       {all, channels[:1]},
		"cut":        {all[:len(all)/3], channels},
		"shift":      {shift(2 * time.Hour), []Channel{{Gauge: "guide-plug", Channel: "A", Limits: valve}}},
	} {
		t.Run(name, func(t *testing.T) {
			p := drawn(t, tc.ledger, tc.channels)
			got := svg(t, p)
			file := filepath.Join("testdata", name+".svg")
			if *update {
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			if d := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n")); d != "" {
				t.Error(d)
			}
			legible(t, &p.sheet)
			if again := svg(t, drawn(t, tc.ledger, tc.channels)); again != got {
				t.Error("drawn twice, it differs")
			}
		})
	}
}

// Limits that the host sets hold from then on; they are written in the unit
// the channel has. 1 in = 25.4 mm exactly (NIST SP 811, Appendix B.6).
//
// Kind: outside.
func TestUnitsAndLimits(t *testing.T) {
	t.Parallel()
	p := newPen("units")
	inch := ledger.Reading{Channel: "A", Exact: decimal.New(25_400_000, 0), Shown: decimal.MustParse("0.00100"), Unit: "in", Function: "live", Zone: zone.Inside}
	set := func(at time.Duration, name, to string) {
		p.put(ledger.Entry{T: at, Gauge: "g", Kind: ledger.KindSetting, Setting: &ledger.Setting{Name: name, Channel: "A", To: to, By: "cue"}})
	}
	set(0, "upper", "0.030") // mm, as the panel
	set(1, "unit", "in")
	p.frame(2, "g", 0, ledger.Sent, inch)
	set(3, "upper", "0.001")
	set(4, "upper", "none")
	set(4, "lower", "-0.002")
	set(5, "upper", "not a number")
	set(6, "zero", "0 in")
	channels := []Channel{{Gauge: "g", Channel: "A", Limits: zone.Limits{Lower: zone.At(0), Upper: zone.At(15 * um)}}}
	g := newGathering(channels)
	_, err := ledger.Read(bytes.NewReader(p.end(9)), g.take)
	require.NoError(t, err)
	c := g.channels[0]
	want := []limitsFrom{
		{0, zone.Limits{Lower: zone.At(0), Upper: zone.At(30 * um)}},
		{3, zone.Limits{Lower: zone.At(0), Upper: zone.At(25_400_000)}},
		{4, zone.Limits{Lower: zone.At(-50_800_000)}},
	}
	if d := cmp.Diff(want, c.limits, cmp.AllowUnexported(limitsFrom{})); d != "" {
		t.Error(d)
	}
	require.Len(t, c.series.all, 1)
	require.InDelta(t, 0.0254, c.series.all[0].shown.last, 1e-15)
	require.InDelta(t, 0.0254, c.series.all[0].truth.last, 1e-15)
}

// Kind: property.
func TestWhatArrives(t *testing.T) {
	t.Parallel()
	b, channels := everything()
	g := newGathering(channels)
	_, err := ledger.Read(bytes.NewReader(b), g.take)
	require.NoError(t, err)
	i := g.gauges[0]
	var sum flow
	for _, f := range i.flows.all {
		sum.sent, sum.damaged, sum.lost = sum.sent+f.sent, sum.damaged+f.damaged, sum.lost+f.lost
	}
	// 440 frames at 20 Hz: one garbled, 4 s of them lost.
	require.Equal(t, flow{sent: 440 - 1 - 80, damaged: 1, lost: 80}, sum)
	require.Equal(t, 1500*time.Millisecond, i.late)
	require.Empty(t, i.made)
}

// Kind: property.
func TestCueWords(t *testing.T) {
	t.Parallel()
	for note, want := range map[string]string{
		"tag":                                    "tag",
		"rest on, size: 8.010 mm":                "rest on 8.010 mm",
		"move to, size: 8.0152 mm, over: 400 ms": "move to 8.0152 mm",
		"lose link, for: 4 s, seen: silence":     "lose link for 4 s",
		"preset, to: 8.000 mm":                   "preset to 8.000 mm",
		"set, setting: function, to: fim":        "set function fim",
		"fade cell, to: 8 %":                     "fade cell to 8 %",
		"garble, frames: 3":                      "garble frames 3",
	} {
		if d := cmp.Diff(want, cueWords(note)); d != "" {
			t.Error(d)
		}
	}
}

// Time marks are in order, inside the scale, evenly spaced, and not too many.
//
// Kind: property.
func TestTimeMarks(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		about := rapid.IntRange(1, 20).Draw(t, "about")
		to := time.Duration(rapid.Int64Range(1, 2e15).Draw(t, "to"))
		a := timeAxis(to, about)
		if len(a.at) > about+1 {
			t.Fatalf("%d time marks of about %d", len(a.at), about)
		}
		for i, at := range a.at {
			if at < 0 || at > to || i > 1 && at-a.at[i-1] != a.at[1]-a.at[0] {
				t.Fatalf("time marks %v", a.at)
			}
		}
	})
}

// Every tag has its number, or lies between two that are written.
//
// Kind: property.
func TestTagNumbers(t *testing.T) {
	t.Parallel()
	s, err := newSheet()
	require.NoError(t, err)
	d := drawing{sheet: s, g: &gathering{to: 100 * time.Second}, x0: 0, x1: 500} // 5 points to the second
	at := func(seconds float64, number int64) tag {
		return tag{at: time.Duration(seconds * 1e9), number: number}
	}
	for want, tags := range map[string][]tag{
		"7":        {at(50, 7)},
		"1 2 3":    {at(0, 1), at(50, 2), at(100, 3)},
		"9998–2 5": {at(40, 9998), at(40.1, 9999), at(40.2, 1), at(40.3, 2), at(90, 5)},
		"8 3–4":    {at(10, 8), at(99.5, 3), at(100, 4)},
		"5":        {at(10, 5), {at: 10500 * time.Millisecond, number: 5, repeat: true}},
		"5–5":      {at(10, 5), at(10.5, 5)}, // the numbers have come round
	} {
		if d := cmp.Diff(want, words(d.tagNumbers(tags, show.Rect(0, 0, 500, 100)))); d != "" {
			t.Error(d)
		}
	}
	// A crowd is written side by side, and none is left out.
	var crowd []tag
	for i := range 100 {
		crowd = append(crowd, at(float64(i)/2, int64(i+1)))
	}
	next := int64(1)
	for _, g := range strings.Fields(words(d.tagNumbers(crowd, show.Rect(0, 0, 500, 100)))) {
		first, last, ranged := strings.Cut(g, "–")
		if !ranged {
			last = first
		}
		require.Equal(t, strconv.FormatInt(next, 10), first)
		n, err := strconv.ParseInt(last, 10, 64)
		require.NoError(t, err)
		next = n + 1
	}
	require.Equal(t, int64(101), next)
}

func words(marks []mark) string {
	var all []string
	for _, m := range marks {
		all = append(all, m.Text)
	}
	return strings.Join(all, " ")
}

// Kind: property.
func TestSpan(t *testing.T) {
	t.Parallel()
	for d, want := range map[time.Duration]string{
		700: "under 1 ms", 40 * time.Millisecond: "40 ms", 1500 * time.Millisecond: "1.5 s", 42 * time.Second: "42 s",
		90 * time.Second: "1.5 min", 35 * time.Minute: "35 min", 90 * time.Minute: "1.5 h", 12 * time.Hour: "12 h",
	} {
		if got := span(d); got != want {
			t.Errorf("%v: %s, want %s", d, got, want)
		}
	}
}

// Lines cut off at a panel's edges stay inside, and lose nothing inside.
//
// Kind: property.
func TestWithin(t *testing.T) {
	t.Parallel()
	b := show.Rect(0, 10, 100, 20)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 20).Draw(t, "points")
		l := make([]point, n)
		for i := range l {
			l[i] = show.Pt(float64(i)*5, rapid.Float64Range(-20, 50).Draw(t, "y"))
		}
		cut := within([][]point{l}, b)
		var all []point
		for _, c := range cut {
			if len(c) < 2 {
				t.Fatalf("a line of %d points", len(c))
			}
			all = append(all, c...)
		}
		for _, p := range all {
			if p.Y < b.Y0-1e-9 || p.Y > b.Y1+1e-9 {
				t.Fatalf("%v is outside", p)
			}
		}
		for i, p := range l {
			if p.Y > b.Y0 && p.Y < b.Y1 && !slices.Contains(all, p) {
				t.Fatalf("point %d, %v, is lost", i, p)
			}
		}
	})
}

// Kind: property.
func TestErrors(t *testing.T) {
	t.Parallel()
	crowd := newPen("crowd")
	for i := range MaxPanels + 1 {
		crowd.frame(0, fmt.Sprint("g", i), 0, ledger.Sent, reads("A", 1, valve, ""))
	}
	many := crowd.end(1)
	for want, tc := range map[string]struct {
		ledger   []byte
		channels []Channel
	}{
		"tells of no gauge":                             {newPen("empty").end(1), nil},
		"is this a ledger?":                             {[]byte("{}\n"), nil},
		"there are 65 channels, and a picture holds 64": {many, nil},
	} {
		_, err := FromLedger(bytes.NewReader(tc.ledger), tc.channels)
		require.ErrorContains(t, err, want)
	}
}

// A channel that said nothing gets its panel all the same.
//
// Kind: property.
func TestNoReadings(t *testing.T) {
	t.Parallel()
	b, _ := everything()
	p := drawn(t, b, []Channel{{Gauge: "nobody", Channel: "A", Limits: valve}})
	require.Contains(t, svg(t, p), "no readings in this time")
	legible(t, &p.sheet)
}

// Every picture says what it is not.
//
// Kind: property.
func TestDisclaimer(t *testing.T) {
	t.Parallel()
	b, channels := everything()
	require.Contains(t, svg(t, drawn(t, b, channels)), ">Simulated: releases no real part</text>")
}

// Kind: property.
func FuzzFromLedger(f *testing.F) {
	b, _ := everything()
	f.Add(b[:4000])
	f.Add(newPen("empty").end(1))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := FromLedger(bytes.NewReader(b), nil)
		if err != nil {
			return
		}
		var w bytes.Buffer
		if err := p.WriteSVG(&w); err != nil {
			t.Fatal(err)
		}
		if err := wellFormed(w.Bytes()); err != nil {
			t.Fatal(err)
		}
		if s := w.String(); strings.Contains(s, "NaN") && !bytes.Contains(b, []byte("NaN")) || strings.Contains(s, "+Inf") {
			t.Fatal("a place that is not a number")
		}
	})
}

// Drawing against only reading the same ledger.
func BenchmarkShift(b *testing.B) {
	whole := shift(time.Hour)
	channels := []Channel{{Gauge: "guide-plug", Channel: "A", Limits: valve}}
	var reading, drawing time.Duration
	b.ReportAllocs()
	for b.Loop() {
		t0 := time.Now()
		_, _ = ledger.Read(bytes.NewReader(whole), func(ledger.Entry) bool { return true })
		t1 := time.Now()
		p := drawn(b, whole, channels)
		_ = p.WriteSVG(io.Discard)
		reading += t1.Sub(t0)
		drawing += time.Since(t1)
	}
	b.ReportMetric(float64(drawing)/float64(reading), "×reading")
	b.ReportMetric(float64(len(whole))/1e6, "MB")
}
