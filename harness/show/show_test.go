package show_test

import (
	"encoding/xml"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.org/understudy/harness/show"
	"pgregory.net/rapid"
)

// Marks of a scale are round, in order, inside it, evenly spaced, and not too many.
//
// Kind: property.
func TestTicks(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		lo := rapid.Float64Range(-1e6, 1e6).Draw(t, "lo")
		hi := lo + rapid.Float64Range(1e-3, 1e6).Draw(t, "size")
		about := rapid.IntRange(1, 20).Draw(t, "about")
		at, decimals := show.Ticks(lo, hi, about)
		if len(at) > about+1 {
			t.Fatalf("%d of about %d", len(at), about)
		}
		step := show.Step((hi - lo) / float64(about))
		if m := step / math.Pow(10, math.Floor(math.Log10(step)+1e-9)); math.Abs(m-1) > 1e-6 && math.Abs(m-2) > 1e-6 && math.Abs(m-5) > 1e-6 {
			t.Fatalf("step %v is not 1, 2 or 5", step)
		}
		for i, v := range at {
			if v < lo-1e-9*step || v > hi+1e-9*step || i > 0 && math.Abs(v-at[i-1]-step) > 1e-6*step {
				t.Fatalf("%v to %v: mark %v at step %v", lo, hi, v, step)
			}
			if show.Decimal(v, decimals) != show.Decimal(math.Round(v/step)*step, decimals) {
				t.Fatalf("%v written as %s", v, show.Decimal(v, decimals))
			}
		}
	})
	if got := show.Decimal(math.Copysign(0, -1), 2) + show.Decimal(-0.001, 2) + show.Decimal(-0.01, 2); got != "0.000.00-0.01" {
		t.Error(got)
	}
}

// Kind: property.
func TestHatchStaysInside(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		b := show.Box{X0: 10, Y0: 20, X1: 10 + rapid.Float64Range(0.1, 90).Draw(t, "w"), Y1: 20 + rapid.Float64Range(0.1, 90).Draw(t, "h")}
		var c show.Canvas
		c.Hatch(show.Style{Stroke: "#000000", Width: 1}, 4, rapid.Bool().Draw(t, "falling"), b)
		for _, m := range c.Marks {
			for _, l := range m.Lines {
				for _, p := range l {
					if p.X < b.X0-1e-9 || p.X > b.X1+1e-9 || p.Y < b.Y0-1e-9 || p.Y > b.Y1+1e-9 {
						t.Fatalf("%v outside %v", p, b)
					}
				}
				if d := math.Abs(math.Abs(l[1].X-l[0].X) - math.Abs(l[1].Y-l[0].Y)); d > 1e-9 {
					t.Fatalf("not at 45°: %v", l)
				}
			}
		}
	})
}

// The lines of a canvas, read back from the SVG, go through its points to a hundredth,
// and whatever text and attribute there is, it is one XML element.
//
// Kind: property.
func TestSVGReadsBack(t *testing.T) {
	t.Parallel()
	coordinate := rapid.Custom(func(t *rapid.T) float64 { return float64(rapid.IntRange(-40, 40).Draw(t, "v")) / 8 })
	rapid.Check(t, func(t *rapid.T) {
		pts := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) show.Point {
			return show.Point{X: coordinate.Draw(t, "x"), Y: coordinate.Draw(t, "y")}
		}), 1, 9).Draw(t, "points")
		text := rapid.StringMatching(`[ -~é]{1,12}`).Draw(t, "text")
		var c show.Canvas
		c.Begin("g", "data-text", text)
		c.Line(show.Style{Stroke: "#000000", Title: text}, pts...)
		c.Text(show.Mark{Text: text})
		c.End("g")
		var g struct {
			Data string `xml:"data-text,attr"`
			Path struct {
				D     string `xml:"d,attr"`
				Title string `xml:"title"`
			} `xml:"path"`
			Text string `xml:"text"`
		}
		if err := xml.Unmarshal([]byte(c.SVG()), &g); err != nil {
			t.Fatal(err)
		}
		if g.Data != text || g.Path.Title != text || g.Text != text {
			t.Fatalf("%q became %q, %q and %q", text, g.Data, g.Path.Title, g.Text)
		}
		var at show.Point
		for i, step := range regexp.MustCompile(`[MLHV][-0-9. ]+`).FindAllString(g.Path.D, -1) {
			switch step[0] {
			case 'H':
				at.X = number(t, step[1:])
			case 'V':
				at.Y = number(t, step[1:])
			default:
				x, y, _ := strings.Cut(step[1:], " ")
				at = show.Point{X: number(t, x), Y: number(t, y)}
			}
			if math.Abs(at.X-pts[i].X) > 0.00501 || math.Abs(at.Y-pts[i].Y) > 0.00501 {
				t.Fatalf("%v is drawn at %v: %s", pts[i], at, g.Path.D)
			}
		}
	})
}

func number(t *rapid.T, text string) float64 {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
