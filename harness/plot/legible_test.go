package plot

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
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
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

type failer interface{ Errorf(string, ...any) }

// legible checks that each text lies on the sheet, none is smaller than 8
// points, and none lies on another.
func legible(t failer, s *sheet) {
	var boxes []box
	var texts []string
	for _, m := range s.Marks {
		for _, l := range m.Lines {
			for _, p := range l {
				if !(p.X >= -1e-6 && p.X <= width+1e-6 && p.Y >= -1e-6 && p.Y <= s.height+1e-6) {
					t.Errorf("a line goes off the sheet, to %v, of %v by %v", p, width, s.height)
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
		if b.X0 < 0 || b.Y0 < 0 || b.X1 > width || b.Y1 > s.height {
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
		var channels []Channel
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
				channels = append(channels, c)
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
		pic, err := FromLedger(bytes.NewReader(p.end(at)), channels)
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
	b, channels := everything()
	p := drawn(t, b, channels[:1])
	var one, two bytes.Buffer
	require.NoError(t, p.WritePNG(&one))
	require.NoError(t, p.WritePNG(&two))
	require.True(t, bytes.Equal(one.Bytes(), two.Bytes()), "drawn twice, it differs")
	m, err := png.Decode(&one)
	require.NoError(t, err)
	// Two dots a point, at 144 to the inch.
	require.InDelta(t, 2*width, m.Bounds().Dx(), 1)
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
		var fs thinned[flow]
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
			if len(s.all) > maxBins || len(fs.all) > maxBins || len(s.sample) > maxBins {
				t.Fatalf("%d bins, %d flows, %d samples", len(s.all), len(fs.all), len(s.sample))
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
		check("the series", s.all, true)
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
	b, channels := everything()
	p := drawn(t, b, channels)
	g := newGathering(channels)
	_, err := ledger.Read(bytes.NewReader(b), g.take)
	require.NoError(t, err)
	g.finish()
	c := g.channels[0]
	require.Equal(t, 440, c.count) // 20 Hz for 22 s
	require.Len(t, c.series.all, 440-29)
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
	for i, b := range c.series.all {
		if i > 0 && b.shown.first != c.series.all[i-1].shown.first && b.shown.first < 8.03 && !corners[show.Pt(math.Round(d.x(b.from)*100), 0)] {
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

// The numbers along the axes and what is drawn agree: read off the scale as a
// reader would, the limits, the tags and the lost link are where the ledger
// has them.
//
// Kind: property.
func TestScalesAgreeWithTheirNumbers(t *testing.T) {
	t.Parallel()
	b, channels := everything()
	p := drawn(t, b, channels[:1])
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

// bounds is the box a text takes, from the top of its capitals to its base
// line.
func (s *sheet) bounds(m mark) box {
	w, h := s.measure(m.Text, m.Size, m.Bold), float64(0.72*m.Size)
	shift := float64(w * float64(m.Anchor) / 2)
	x := m.At.X - shift
	if m.Up {
		y := m.At.Y + shift
		return show.Rect(m.At.X-h, y-w, m.At.X, y)
	}
	return show.Rect(x, m.At.Y-h, x+w, m.At.Y)
}
