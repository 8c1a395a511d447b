package plot

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/png"
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
func everything() ([]byte, Options) {
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
	return p.end(24 * time.Second), Options{Channels: []Channel{
		{Gauge: "bush-plug", Channel: "A", Limits: valve},
		{Gauge: "seat-stand", Channel: "left", Limits: zone.Limits{Upper: zone.At(20 * um), WarnUpper: zone.At(15 * um)}},
		{Gauge: "seat-stand", Channel: "right"},
	}}
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

func drawn(t testing.TB, b []byte, opt Options) *Picture {
	t.Helper()
	p, err := FromLedger(bytes.NewReader(b), opt)
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
	all, opt := everything()
	part := opt
	part.From, part.To, part.Title, part.Note = 13500*time.Millisecond, 18*time.Second, "Lifted", "the middle of it"
	part.Width, part.Height = 480, 110
	part.Channels = opt.Channels[:1]
	for name, tc := range map[string]struct {
		ledger []byte
		opt    Options
	}{
		"everything": {all, opt},
		"bare":       {all, Options{}}, // no limits are known
		"part":       {all, part},
		"cut":        {all[:len(all)/3], opt},
		"shift":      {shift(2 * time.Hour), Options{Channels: []Channel{{Gauge: "guide-plug", Channel: "A", Limits: valve}}}},
	} {
		t.Run(name, func(t *testing.T) {
			p := drawn(t, tc.ledger, tc.opt)
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
			if again := svg(t, drawn(t, tc.ledger, tc.opt)); again != got {
				t.Error("drawn twice, it differs")
			}
		})
	}
}

type failer interface{ Errorf(string, ...any) }

// legible checks that each text lies on the sheet, none is smaller than 8
// points, and none lies on another.
func legible(t failer, s *sheet) {
	var boxes []box
	var texts []string
	for _, m := range s.Marks {
		for _, l := range m.Lines {
			for _, p := range l {
				if !(p.X >= -1e-6 && p.X <= s.width+1e-6 && p.Y >= -1e-6 && p.Y <= s.height+1e-6) {
					t.Errorf("a line goes off the sheet, to %v, of %v by %v", p, s.width, s.height)
					return
				}
			}
		}
		if m.Text == "" {
			continue
		}
		if m.Size < 8 {
			t.Errorf("%q is %v points high", m.Text, m.Size)
		}
		b := s.bounds(m)
		if b.X0 < 0 || b.Y0 < 0 || b.X1 > s.width || b.Y1 > s.height {
			t.Errorf("%q lies off the sheet: %v", m.Text, b)
		}
		for i, o := range boxes {
			if b.X0 < o.X1 && o.X0 < b.X1 && b.Y0 < o.Y1 && o.Y0 < b.Y1 {
				t.Errorf("%q at %v lies on %q at %v", m.Text, b, texts[i], o)
			}
		}
		boxes, texts = append(boxes, b), append(texts, m.Text)
	}
}

// Whatever a ledger tells, the picture is legible and is XML.
//
// Kind: property.
func TestAlwaysLegible(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := newPen(rapid.String().Draw(t, "title"))
		names := rapid.SliceOfNDistinct(rapid.StringMatching(`[A-Za-z0-9_-]{1,32}`), 1, 3, rapid.ID).Draw(t, "gauges")
		var opt Options
		opt.Width = rapid.SampledFrom([]float64{0, 320, 480, 900}).Draw(t, "width")
		opt.Height = rapid.SampledFrom([]float64{0, 80, 200}).Draw(t, "height")
		unit := decimal.Unit(rapid.IntRange(0, int(decimal.PM)).Draw(t, "unit"))
		base := rapid.SampledFrom([]int64{0, 1, 8e9, -3e9, 1e12, 9e18}).Draw(t, "base")
		spread := rapid.SampledFrom([]int64{1, 1e3, 1e6, 1e9}).Draw(t, "spread")
		if rapid.Bool().Draw(t, "with limits") {
			for _, n := range names {
				c := Channel{Gauge: n, Channel: "A", Unit: unit}
				at := base - 2*spread
				for _, l := range []*zone.Limit{&c.Limits.Lower, &c.Limits.WarnLower, &c.Limits.WarnUpper, &c.Limits.Upper} {
					at += rapid.Int64Range(0, spread).Draw(t, "step")
					if rapid.Bool().Draw(t, "set") {
						*l = zone.At(decimal.Length(at))
					}
				}
				opt.Channels = append(opt.Channels, c)
			}
		}
		at := time.Duration(0)
		pace := rapid.SampledFrom([]int64{1, 1e6, 1e9, 1e12, 1e15}).Draw(t, "pace")
		for range rapid.IntRange(0, 60).Draw(t, "entries") {
			at += time.Duration(rapid.Int64Range(0, pace).Draw(t, "gap"))
			gauge := rapid.SampledFrom(names).Draw(t, "gauge")
			switch rapid.IntRange(0, 7).Draw(t, "kind") {
			case 0:
				p.cue(at, rapid.SampledFrom([]string{"", gauge}).Draw(t, "of"), rapid.String().Draw(t, "cue"))
			case 1:
				p.link(at, gauge, rapid.SampledFrom([]string{"up", "stalled", "lost", "rejoining", "odd"}).Draw(t, "link"))
			case 2:
				p.put(ledger.Entry{T: at, Gauge: gauge, Kind: ledger.KindCell, Cell: &ledger.Cell{
					Percent: rapid.IntRange(-5, 105).Draw(t, "percent"), Low: rapid.Bool().Draw(t, "low"), Dead: rapid.Bool().Draw(t, "dead")}})
			case 3:
				p.put(ledger.Entry{T: at, Gauge: gauge, Kind: ledger.KindSetting, Setting: &ledger.Setting{
					Name: rapid.SampledFrom([]string{"upper", "unit", "warn-lower", "factor"}).Draw(t, "setting"), To: rapid.SampledFrom([]string{"none", "8.02", "in", "2"}).Draw(t, "to"), By: "host"}})
			default:
				var v = base
				if s := spread; v < math.MaxInt64-s {
					v += rapid.Int64Range(-s, s).Draw(t, "value")
				}
				p.frame(at, gauge, rapid.Int64Range(0, 12000).Draw(t, "tag"), rapid.SampledFrom([]ledger.Fate{"", ledger.Sent, ledger.Lost, ledger.Unread}).Draw(t, "fate"),
					reads("A", v, valve, rapid.SampledFrom([]string{"", "", "", "under", "missing", "<odd> & long reason"}).Draw(t, "void")))
			}
		}
		pic, err := FromLedger(bytes.NewReader(p.end(at)), opt)
		if err != nil {
			if strings.Contains(err.Error(), "nothing to draw") {
				return
			}
			t.Fatal(err)
		}
		legible(t, &pic.sheet)
		var b bytes.Buffer
		_ = pic.WriteSVG(&b)
		if err := wellFormed(b.Bytes()); err != nil {
			t.Fatal(err)
		}
	})
}

func wellFormed(b []byte) error {
	d := xml.NewDecoder(bytes.NewReader(b))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// Kind: property.
func TestPNG(t *testing.T) {
	t.Parallel()
	b, opt := everything()
	opt.Channels, opt.Width = opt.Channels[:1], 400
	p := drawn(t, b, opt)
	var one, two bytes.Buffer
	require.NoError(t, p.WritePNG(&one))
	require.NoError(t, p.WritePNG(&two))
	require.True(t, bytes.Equal(one.Bytes(), two.Bytes()), "drawn twice, it differs")
	m, err := png.Decode(&one)
	require.NoError(t, err)
	// Two dots a point, at 144 to the inch.
	require.InDelta(t, 2*p.sheet.width, m.Bounds().Dx(), 1)
	require.InDelta(t, 2*p.sheet.height, m.Bounds().Dy(), 1)
	// The dots of an upright or level line's middle have its ink.
	seen := map[ink]bool{}
	for _, k := range p.sheet.Marks {
		for _, l := range k.Lines {
			if len(l) == 2 && len(k.Dash) == 0 && k.Width >= 1 && l[0].Y == l[1].Y && l[1].X-l[0].X > 30 && has(m, l[0], l[1], k.Stroke) {
				seen[k.Stroke] = true
			}
		}
	}
	require.True(t, seen[limitInk], "no limit line among the dots")
	require.True(t, seen[tagInk], "no line of a link that is up among the dots")
}

func has(m image.Image, p, q point, i ink) bool {
	for x := int(2*p.X) + 2; x < int(2*q.X)-2; x++ {
		r, g, b, _ := m.At(x, int(2*p.Y)).RGBA()
		if c := rgba(i); byte(r>>8) == c.R && byte(g>>8) == c.G && byte(b>>8) == c.B {
			return true
		}
	}
	return false
}

// The inks keep the contrast their comment claims. The ratio and the luminance
// are those of WCAG 2.1 (definitions "contrast ratio" and "relative
// luminance"); published pairs check this code: white on black is 21:1, #767676
// on white 4.54:1, #0000ff on white 8.59:1, yellow on white 1.07:1.
//
// Kind: outside.
func TestContrast(t *testing.T) {
	t.Parallel()
	luminance := func(i ink) float64 {
		linear := func(v uint8) float64 {
			s := float64(v) / 255
			if s <= 0.04045 {
				return s / 12.92
			}
			return math.Pow((s+0.055)/1.055, 2.4)
		}
		c := rgba(i)
		return 0.2126*linear(c.R) + 0.7152*linear(c.G) + 0.0722*linear(c.B)
	}
	ratio := func(a, b ink) float64 {
		la, lb := luminance(a), luminance(b)
		return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
	}
	for _, c := range []struct {
		a, b ink
		want float64
	}{{"#ffffff", "#000000", 21}, {"#767676", "#ffffff", 4.54}, {"#0000ff", "#ffffff", 8.59}, {"#ffff00", "#ffffff", 1.07}} {
		require.InDelta(t, c.want, ratio(c.a, c.b), 0.005)
	}
	grounds := []ink{white, outGround, warGround, voidFill}
	for _, g := range grounds {
		for _, line := range []ink{shownInk, truthInk, limitInk, warnInk, tagInk, black} {
			if r := ratio(line, g); r < 3 {
				t.Errorf("line %s on %s: %.2f, below 3:1", line, g, r)
			}
		}
		for _, word := range []ink{black, grey, shownInk, limitInk, warnInk, tagInk} {
			if r := ratio(word, g); r < 4.5 {
				t.Errorf("word %s on %s: %.2f, below 4.5:1", word, g, r)
			}
		}
	}
	for _, line := range []ink{shownInk, limitInk, warnInk, tagInk} {
		if r := ratio(line, spreadInk); r < 3 {
			t.Errorf("line %s on the spread: %.2f, below 3:1", line, r)
		}
	}
}

// Thinning loses no extreme, no count and no order, and stays within bounds.
//
// Kind: property.
func TestThinning(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		src := random.New(rapid.Uint64().Draw(t, "seed"))
		n := rapid.IntRange(1, 3*maxBins).Draw(t, "readings")
		pace := rapid.Int64Range(1, 1e10).Draw(t, "pace")
		var s series
		var want extent
		var fs flows
		at := time.Duration(0)
		for i := range n {
			at += time.Duration(src.Int63n(pace))
			v := src.NormFloat64()
			if i == 0 {
				want = one(v)
			}
			want = want.then(one(v))
			s.add(bin{at, at, 1, one(-v), one(v), one(-v), false}, true)
			fs.add(flow{at, 1, 0, i % 2})
			if len(s.bins) > maxBins || len(fs.all) > maxBins || len(s.sample) > maxBins {
				t.Fatalf("%d bins, %d flows, %d samples", len(s.bins), len(fs.all), len(s.sample))
			}
		}
		check := func(what string, bins []bin, values bool) {
			total, got := 0, bins[0].shown
			for i, b := range bins {
				total += b.n
				got = got.then(b.shown)
				if b.to < b.from || i > 0 && b.from < bins[i-1].to {
					t.Fatalf("%s: out of order", what)
				}
			}
			if total != n || values && got != want {
				t.Fatalf("%s: %d readings of %d, %v of %v", what, total, n, got, want)
			}
		}
		check("the series", s.bins, true)
		line, spread := s.columns(max(1, at/900))
		if spread == nil {
			check("the columns", line, true)
		} else {
			check("the spread", spread, true)
			check("the usual", line, false)
			for i, b := range line {
				if b.shown.last < spread[i].shown.lo || b.shown.last > spread[i].shown.hi {
					t.Fatalf("column %d: usual %v outside %v", i, b.shown.last, spread[i].shown)
				}
			}
		}
		if want := (n + s.stride - 1) / s.stride; len(s.sample) != want {
			t.Fatalf("%d samples at stride %d of %d", len(s.sample), s.stride, n)
		}
		sent, lost := 0, 0
		for _, f := range fs.all {
			sent, lost = sent+f.sent, lost+f.lost
		}
		if sent != n || lost != n/2 {
			t.Fatalf("%d sent, %d lost of %d", sent, lost, n)
		}
	})
}

// The curve goes through each reading of a short run, at its own time.
//
// Kind: property.
func TestStepsAreWhereTheReadingsAre(t *testing.T) {
	t.Parallel()
	b, opt := everything()
	p := drawn(t, b, opt)
	g := newGathering(&opt)
	_, err := ledger.Read(bytes.NewReader(b), g.take)
	require.NoError(t, err)
	g.finish()
	c := g.channels[0]
	require.Equal(t, 440, c.count) // 20 Hz for 22 s
	require.Len(t, c.series.bins, 440-29)
	// On the sheet, the first panel's curve holds the corner of each reading
	// that lies in the panel.
	corners := map[point]bool{}
	for _, m := range p.sheet.Marks {
		if m.Stroke == shownInk && m.Width == 1 {
			for _, l := range m.Lines {
				for _, q := range l {
					corners[show.Pt(math.Round(q.X*100), 0)] = true
				}
			}
		}
	}
	d := drawing{g: g, x0: p.corner().X, x1: 640 - marginRight}
	missed := 0
	for i, b := range c.series.bins {
		if i > 0 && b.shown.first != c.series.bins[i-1].shown.first && b.shown.first < 8.03 && !corners[show.Pt(math.Round(d.x(b.from)*100), 0)] {
			missed++
		}
	}
	require.Zero(t, missed, "readings without their corner")
}

// corner is the upper left corner of the first panel.
func (p *Picture) corner() point {
	for _, m := range p.sheet.Marks {
		if m.Closed && m.Fill == "" && m.Stroke == frame && m.Width == 0.8 {
			return m.Lines[0][0]
		}
	}
	return show.Pt(math.NaN(), math.NaN())
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
	opt := Options{Channels: []Channel{{Gauge: "g", Channel: "A", Limits: zone.Limits{Lower: zone.At(0), Upper: zone.At(15 * um)}}}}
	require.NoError(t, opt.check())
	g := newGathering(&opt)
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
	require.Len(t, c.series.bins, 1)
	require.InDelta(t, 0.0254, c.series.bins[0].shown.last, 1e-15)
	require.InDelta(t, 0.0254, c.series.bins[0].truth.last, 1e-15)
}

// Kind: property.
func TestWhatArrives(t *testing.T) {
	t.Parallel()
	b, opt := everything()
	g := newGathering(&opt)
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
		from := time.Duration(rapid.Int64Range(0, 1e15).Draw(t, "from"))
		to := from + time.Duration(rapid.Int64Range(1, 1e15).Draw(t, "span"))
		a := timeAxis(from, to, about)
		if len(a.at) > about+1 {
			t.Fatalf("%d time marks of about %d", len(a.at), about)
		}
		for i, at := range a.at {
			if at < from || at > to || i > 1 && at-a.at[i-1] != a.at[1]-a.at[0] {
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
	s, err := newSheet(640)
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
	whole, _ := everything()
	crowd := newPen("crowd")
	for i := range MaxPanels + 1 {
		crowd.frame(0, fmt.Sprint("g", i), 0, ledger.Sent, reads("A", 1, valve, ""))
	}
	many := crowd.end(1)
	upside := zone.Limits{Lower: zone.At(2), Upper: zone.At(1)}
	for want, tc := range map[string]struct {
		ledger []byte
		opt    Options
	}{
		"tells of no gauge":                             {newPen("empty").end(1), Options{}},
		"is this a ledger?":                             {[]byte("{}\n"), Options{}},
		"has 65 channels and a picture":                 {many, Options{}},
		"65 panels; a picture holds 64":                 {whole, Options{Channels: make([]Channel, 65)}},
		"320 to 4000 points wide, not 7":                {whole, Options{Width: 7}},
		"80 to 2000 points high, not NaN":               {whole, Options{Height: math.NaN()}},
		"nothing can be drawn from -1ns":                {whole, Options{From: -1}},
		"not after its start":                           {whole, Options{From: 2, To: 1}},
		"g A: the lower specification limit lies above": {whole, Options{Channels: []Channel{{Gauge: "g", Channel: "A", Limits: upside}}}},
		"g A is listed twice":                           {whole, Options{Channels: []Channel{{Gauge: "g", Channel: "A"}, {Gauge: "g", Channel: "A"}}}},
		"g A: not a unit of length":                     {whole, Options{Channels: []Channel{{Gauge: "g", Channel: "A", Unit: 200}}}},
	} {
		_, err := FromLedger(bytes.NewReader(tc.ledger), tc.opt)
		require.ErrorContains(t, err, want)
	}
}

// A channel that said nothing gets its panel all the same.
//
// Kind: property.
func TestNoReadings(t *testing.T) {
	t.Parallel()
	b, _ := everything()
	p := drawn(t, b, Options{Channels: []Channel{{Gauge: "nobody", Channel: "A", Limits: valve}}})
	require.Contains(t, svg(t, p), "no readings in this time")
	legible(t, &p.sheet)
}

// Every picture says what it is not.
//
// Kind: property.
func TestDisclaimer(t *testing.T) {
	t.Parallel()
	b, opt := everything()
	require.Contains(t, svg(t, drawn(t, b, opt)), ">Simulated: releases no real part</text>")
}

// Kind: property.
func FuzzFromLedger(f *testing.F) {
	b, _ := everything()
	f.Add(b[:4000])
	f.Add(newPen("empty").end(1))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := FromLedger(bytes.NewReader(b), Options{})
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
	opt := Options{Channels: []Channel{{Gauge: "guide-plug", Channel: "A", Limits: valve}}}
	var reading, drawing time.Duration
	b.ReportAllocs()
	for b.Loop() {
		t0 := time.Now()
		_, _ = ledger.Read(bytes.NewReader(whole), func(ledger.Entry) bool { return true })
		t1 := time.Now()
		p := drawn(b, whole, opt)
		_ = p.WriteSVG(io.Discard)
		reading += t1.Sub(t0)
		drawing += time.Since(t1)
	}
	b.ReportMetric(float64(drawing)/float64(reading), "×reading")
	b.ReportMetric(float64(len(whole))/1e6, "MB")
}

// The numbers along the axes and what is drawn agree: read off the scale as a
// reader would, the limits, the tags and the lost link are where the ledger
// has them.
//
// Kind: property.
func TestScalesAgreeWithTheirNumbers(t *testing.T) {
	t.Parallel()
	b, opt := everything()
	opt.Channels = opt.Channels[:1]
	p := drawn(t, b, opt)
	left, top := p.corner().X, p.corner().Y
	var ys, ms []point // value, place
	for _, m := range p.sheet.Marks {
		v, err := strconv.ParseFloat(m.Text, 64)
		if err != nil {
			continue
		}
		if m.Anchor == show.End && m.At.X == left-5 {
			ys = append(ys, show.Pt(v, under(m.At.Y, -m.Size)))
		}
		if m.Anchor == show.Middle && m.Size == textSize {
			ms = append(ms, show.Pt(v, m.At.X))
		}
	}
	require.GreaterOrEqual(t, len(ys), 4)
	require.GreaterOrEqual(t, len(ms), 4)
	read := func(marks []point, at float64) float64 {
		a, b := marks[0], marks[len(marks)-1]
		return a.X + (at-a.Y)/(b.Y-a.Y)*(b.X-a.X)
	}
	for _, m := range append(slices.Clone(ys), ms...) {
		if slices.Contains(ys, m) {
			require.InDelta(t, m.X, read(ys, m.Y), 1e-9)
		} else {
			require.InDelta(t, m.X, read(ms, m.Y), 1e-9)
		}
	}
	near := func(got, want []float64, by float64) {
		t.Helper()
		slices.Sort(got)
		require.Len(t, got, len(want), "%v", got)
		require.InDeltaSlice(t, want, got, by)
	}
	var limits, warns, lost []float64
	tags := map[string][]float64{}
	for _, m := range p.sheet.Marks {
		if m.Radius > 0 && m.Fill == tagInk && m.At.Y > top {
			tags["disc"] = append(tags["disc"], read(ms, m.At.X))
		}
		if len(m.Lines) != 1 || m.Lines[0][0].Y < top {
			continue // of the legend
		}
		l := m.Lines[0]
		switch {
		case m.Stroke == limitInk && m.Width == 1.2:
			limits = append(limits, read(ys, l[0].Y))
			if len(limits) == 2 { // the upper one before it is set anew
				require.InDelta(t, 0, read(ms, l[0].X), 1e-6)
				require.InDelta(t, 18, read(ms, l[1].X), 1e-6)
			}
		case m.Stroke == warnInk && len(m.Dash) > 0:
			warns = append(warns, read(ys, l[0].Y))
		case m.Fill == tagInk && m.Closed:
			box := bounds(l)
			tags[fmt.Sprint(len(l), " corners")] = append(tags[fmt.Sprint(len(l), " corners")], read(ms, box.Mid().X))
			if len(l) == 4 {
				require.InDelta(t, 8.0142, read(ys, box.Mid().Y), 0.0045)
			}
		case m.Fill == black && m.Closed && len(lost) == 0:
			lost = append(lost, read(ms, l[0].X), read(ms, l[1].X))
		}
	}
	near(limits, []float64{7.985, 7.985, 8.015, 8.020}, 1e-6) // in two stretches of time
	near(warns, []float64{7.990, 7.990, 8.010, 8.010}, 1e-6)
	near(lost, []float64{9, 12}, 24.0/488/2) // by half points
	near(tags["disc"], []float64{1}, 1e-6)
	near(tags["4 corners"], []float64{4, 10, 19, 21}, 1e-6)
}

func bounds(l []point) box {
	b := show.Rect(l[0].X, l[0].Y, l[0].X, l[0].Y)
	for _, p := range l {
		b = show.Rect(min(b.X0, p.X), min(b.Y0, p.Y), max(b.X1, p.X), max(b.Y1, p.Y))
	}
	return b
}
