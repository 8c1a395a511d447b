package plot

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"example.org/understudy/harness/show"
	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"
)

// sheet is a canvas in points (1/72 in) that knows how wide texts are.
type sheet struct {
	show.Canvas
	height            float64
	title, desc       string // for readers who do not see it
	regular, boldFace *opentype.Font
}

type (
	point = show.Point
	box   = show.Box
	ink   = show.Ink
	mark  = show.Mark
)

// under is the base line that centres a text's capitals on y.
func under(y, size float64) float64 { return y + float64(0.35*size) }

func newSheet() (s sheet, err error) {
	if s.regular, err = opentype.Parse(liberationsansregular.TTF); err != nil {
		return s, fmt.Errorf("the font: %w", err)
	}
	if s.boldFace, err = opentype.Parse(liberationsansbold.TTF); err != nil {
		return s, fmt.Errorf("the font: %w", err)
	}
	return s, nil
}

func (s *sheet) face(size float64, bold bool) font.Face {
	f := font.Face{Font: font.Font{Typeface: "Liberation", Variant: "Sans", Size: font.Length(size)}, Face: s.regular}
	if bold {
		f.Font.Weight, f.Face = xfont.WeightBold, s.boldFace
	}
	return f
}

// measure is how wide a text is.
func (s *sheet) measure(text string, size float64, bold bool) float64 {
	f := s.face(size, bold)
	return math.Ceil(float64(f.Width(text))*20) / 20
}

// text writes a text as long as the layout counts on, whatever font the reader has.
func (s *sheet) text(m mark) {
	m.Length = s.measure(m.Text, m.Size, m.Bold)
	s.Text(m)
}

func (s *sheet) line(stroke ink, width float64, dash []float64, pts ...point) {
	s.lines(stroke, width, dash, [][]point{pts})
}

func (s *sheet) lines(stroke ink, width float64, dash []float64, lines [][]point) {
	s.Lines(show.Style{Stroke: stroke, Width: width, Dash: dash}, lines)
}

func (s *sheet) area(fill, stroke ink, width float64, pts ...point) {
	s.Area(show.Style{Fill: fill, Stroke: stroke, Width: width}, pts...)
}

func (s *sheet) rect(fill, stroke ink, width float64, b box) {
	s.Rect(show.Style{Fill: fill, Stroke: stroke, Width: width}, b)
}

func (s *sheet) fill(i ink, b box) { s.rect(i, "", 0, b) }

func (s *sheet) hatch(stroke ink, width, gap float64, falling bool, b box) {
	s.Hatch(show.Style{Stroke: stroke, Width: width}, gap, falling, b)
}

// label writes a text on a patch of white, so that it can be read over lines.
func (s *sheet) label(m mark) {
	w, h := float64(s.measure(m.Text, m.Size, m.Bold)/2)+1.5, float64(m.Size*0.5)
	up := float64(0.35 * m.Size)
	c := show.Pt(m.At.X, m.At.Y-up)
	if m.Up {
		c = show.Pt(m.At.X-up, m.At.Y)
		w, h = h, w
	} else if m.Anchor == show.Start {
		c.X += w - 1.5
	} else if m.Anchor == show.End {
		c.X -= w - 1.5
	}
	s.fill(white, show.Rect(c.X-w, c.Y-h, c.X+w, c.Y+h))
	s.text(m)
}

// fitted shortens a text to a width.
func (s *sheet) fitted(text string, width, size float64, bold bool) string {
	if s.measure(text, size, bold) <= width {
		return text
	}
	r := []rune(text)
	for len(r) > 0 && s.measure(string(r)+"…", size, bold) > width {
		r = r[:len(r)-1]
	}
	return strings.TrimRight(string(r), " ,;:") + "…"
}

// plain takes out what cannot be drawn or would break a line, and what no line
// could hold.
func plain(text string) string {
	const longest = 400
	if len(text) > longest {
		text = strings.ToValidUTF8(text[:longest], "") + "…"
	}
	return strings.Map(func(r rune) rune {
		if r == unicode.ReplacementChar || !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, text)
}

// WriteSVG writes the picture as SVG 1.1. Its text stays text, in Liberation
// Sans or a like face, which is stretched to the width the layout counts on.
func (p *Picture) WriteSVG(w io.Writer) error {
	s := &p.sheet
	wide, high := show.Number(width), show.Number(s.height)
	var c show.Canvas
	c.Begin("svg", "xmlns", "http://www.w3.org/2000/svg", "role", "img", "width", wide+"pt", "height", high+"pt", "viewBox", "0 0 "+wide+" "+high,
		"font-family", "'Liberation Sans',Arial,Helvetica,sans-serif", "stroke-linejoin", "round")
	c.Element("title", s.title)
	c.Element("desc", s.desc)
	c.Rect(show.Style{Fill: white}, box{X1: width, Y1: s.height})
	c.Marks = append(c.Marks, s.Marks...)
	c.End("svg")
	_, err := io.WriteString(w, c.SVG()+"\n")
	return err
}

// PNGDotsPerInch is the resolution WritePNG draws at: two dots to a point.
const PNGDotsPerInch = 144

// WritePNG paints the picture as PNG.
func (p *Picture) WritePNG(w io.Writer) error {
	s := &p.sheet
	c := vgimg.NewWith(vgimg.UseWH(vg.Length(width), vg.Length(s.height)), vgimg.UseDPI(PNGDotsPerInch), vgimg.UseBackgroundColor(rgba(white)))
	for i := range s.Marks {
		s.paint(c, &s.Marks[i])
	}
	_, err := vgimg.PngCanvas{Canvas: c}.WriteTo(w)
	return err
}

func (s *sheet) paint(c *vgimg.Canvas, m *mark) {
	at := func(p point) vg.Point { return vg.Point{X: vg.Length(p.X), Y: vg.Length(s.height - p.Y)} }
	if m.Text != "" {
		c.SetColor(rgba(m.Ink))
		c.Push()
		c.Translate(at(m.At))
		if m.Up {
			c.Rotate(math.Pi / 2)
		}
		c.FillString(s.face(m.Size, m.Bold), vg.Point{X: -vg.Length(m.Length * float64(m.Anchor) / 2)}, m.Text)
		c.Pop()
		return
	}
	var path vg.Path
	if m.Radius > 0 {
		path.Arc(at(m.At), vg.Length(m.Radius), 0, 2*math.Pi)
	}
	for _, l := range m.Lines {
		path.Move(at(l[0]))
		for _, p := range l[1:] {
			path.Line(at(p))
		}
		if m.Closed {
			path.Close()
		}
	}
	if m.Fill != "" {
		c.SetColor(rgba(m.Fill))
		c.Fill(path)
	}
	if m.Stroke != "" {
		dash := make([]vg.Length, len(m.Dash))
		for i, d := range m.Dash {
			dash[i] = vg.Length(d)
		}
		c.SetColor(rgba(m.Stroke))
		c.SetLineWidth(vg.Length(m.Width))
		c.SetLineDash(dash, 0)
		c.Stroke(path)
	}
}

// rgba is the colour of an ink, #rrggbb.
func rgba(i ink) color.RGBA {
	v, _ := strconv.ParseUint(strings.TrimPrefix(string(i), "#"), 16, 32) // ours
	return color.RGBA{uint8(v >> 16), uint8(v >> 8), uint8(v), 255}
}
