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
	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"
)

// sheet is a drawing as a list of marks, from back to front. Lengths are
// points; x runs right and y down from the upper left corner.
type sheet struct {
	width, height     float64
	title, desc       string // for readers who do not see it
	marks             []mark
	regular, boldFace *opentype.Font
}

type point struct{ x, y float64 }

type box struct{ x0, y0, x1, y1 float64 }

func (b box) mid() point { return point{float64((b.x0 + b.x1) / 2), float64((b.y0 + b.y1) / 2)} }

// under is the base line that centres a text's capitals on y.
func under(y, size float64) float64 { return y + float64(0.35*size) }

// ink is a colour, 0x1rrggbb; 0 is none.
type ink uint32

func (i ink) rgb() string { return fmt.Sprintf("#%06x", uint32(i)&0xffffff) }

func (i ink) rgba() color.RGBA {
	return color.RGBA{uint8(i >> 16), uint8(i >> 8), uint8(i), 255}
}

// mark is a set of lines, or a text.
type mark struct {
	lines        [][]point
	closed       bool
	fill, stroke ink
	width        float64
	dash         []float64

	text   string
	at     point // of its base line
	size   float64
	bold   bool
	anchor anchor
	up     bool // turned to read upwards
}

// moved is the mark farther down.
func (m mark) moved(dy float64) mark {
	m.at.y += dy
	lines := make([][]point, len(m.lines)) // marks may share them
	for i, l := range m.lines {
		lines[i] = make([]point, len(l))
		for j, p := range l {
			lines[i][j] = point{p.x, p.y + dy}
		}
	}
	m.lines = lines
	return m
}

type anchor uint8

const (
	start anchor = iota
	middle
	end
)

func newSheet(width float64) (sheet, error) {
	s := sheet{width: width}
	var err error
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

func (s *sheet) text(m mark) { s.marks = append(s.marks, m) }

func (s *sheet) line(stroke ink, width float64, dash []float64, pts ...point) {
	s.lines(stroke, width, dash, [][]point{pts})
}

func (s *sheet) lines(stroke ink, width float64, dash []float64, lines [][]point) {
	if len(lines) > 0 {
		s.marks = append(s.marks, mark{lines: lines, stroke: stroke, width: width, dash: dash})
	}
}

func (s *sheet) area(fill, stroke ink, width float64, pts ...point) {
	s.marks = append(s.marks, mark{lines: [][]point{pts}, closed: true, fill: fill, stroke: stroke, width: width})
}

func (s *sheet) rect(fill, stroke ink, width float64, b box) {
	s.area(fill, stroke, width, point{b.x0, b.y0}, point{b.x1, b.y0}, point{b.x1, b.y1}, point{b.x0, b.y1})
}

// hatch fills a box with slanting lines: rising to the right, or falling.
func (s *sheet) hatch(stroke ink, width, gap float64, falling bool, b box) {
	w, h := b.x1-b.x0, b.y1-b.y0
	var lines [][]point
	for d := gap / 2; d < w+h; d += gap { // along the upper edge, then down the right one
		p, q := point{max(0, d-h), min(d, h)}, point{min(d, w), max(0, d-w)}
		if falling {
			p.y, q.y = h-p.y, h-q.y
		}
		lines = append(lines, []point{{b.x0 + p.x, b.y0 + p.y}, {b.x0 + q.x, b.y0 + q.y}})
	}
	s.lines(stroke, width, nil, lines)
}

// label writes a text on a patch of white, so that it can be read over lines.
func (s *sheet) label(m mark) {
	w, h := float64(s.measure(m.text, m.size, m.bold)/2)+1.5, float64(m.size*0.5)
	up := float64(0.35 * m.size)
	c := point{m.at.x, m.at.y - up}
	if m.up {
		c = point{m.at.x - up, m.at.y}
		w, h = h, w
	} else if m.anchor == start {
		c.x += w - 1.5
	} else if m.anchor == end {
		c.x -= w - 1.5
	}
	s.rect(white, 0, 0, box{c.x - w, c.y - h, c.x + w, c.y + h})
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

// bounds is the box a text takes, from the top of its capitals to its base
// line.
func (s *sheet) bounds(m mark) box {
	w, h := s.measure(m.text, m.size, m.bold), float64(0.72*m.size)
	shift := float64(w * float64(m.anchor) / 2)
	x := m.at.x - shift
	if m.up {
		y := m.at.y + shift
		return box{m.at.x - h, y - w, m.at.x, y}
	}
	return box{x, m.at.y - h, x + w, m.at.y}
}

// WriteSVG writes the picture as SVG 1.1. Its text stays text, in Liberation
// Sans or a like face, which is stretched to the width the layout counts on.
func (p *Picture) WriteSVG(w io.Writer) error {
	s := &p.sheet
	var b []byte
	num := func(v float64) {
		v = math.Round(v*100) / 100
		if v == 0 {
			v = 0 // not -0
		}
		b = strconv.AppendFloat(b, v, 'f', -1, 64)
	}
	attr := func(name string, v float64) {
		b = append(append(append(b, ' '), name...), `="`...)
		num(v)
		b = append(b, '"')
	}
	b = append(b, `<svg xmlns="http://www.w3.org/2000/svg" role="img"`...)
	b = append(b, ` width="`...)
	num(s.width)
	b = append(b, `pt" height="`...)
	num(s.height)
	b = append(b, `pt" viewBox="0 0 `...)
	num(s.width)
	b = append(b, ' ')
	num(s.height)
	b = append(b, "\" font-family=\"'Liberation Sans',Arial,Helvetica,sans-serif\" stroke-linejoin=\"round\">\n"...)
	b = fmt.Appendf(b, "<title>%s</title>\n<desc>%s</desc>\n", escape(s.title), escape(s.desc))
	b = fmt.Appendf(b, `<rect width="100%%" height="100%%" fill="%s"/>`+"\n", white.rgb())
	for _, m := range s.marks {
		if m.text != "" {
			b = append(b, "<text"...)
			if m.up {
				b = append(b, ` transform="translate(`...)
				num(m.at.x)
				b = append(b, ' ')
				num(m.at.y)
				b = append(b, `) rotate(-90)"`...)
			} else {
				attr("x", m.at.x)
				attr("y", m.at.y)
			}
			attr("font-size", m.size)
			if m.bold {
				b = append(b, ` font-weight="bold"`...)
			}
			if m.anchor != start {
				b = append(b, ` text-anchor="`+[]string{"start", "middle", "end"}[m.anchor]+`"`...)
			}
			attr("textLength", s.measure(m.text, m.size, m.bold)) // whatever face the reader has
			b = fmt.Appendf(b, " lengthAdjust=\"spacingAndGlyphs\" fill=\"%s\">%s</text>\n", m.fill.rgb(), escape(m.text))
			continue
		}
		b = append(b, `<path d="`...)
		for _, l := range m.lines {
			for i, pt := range l {
				b = append(b, "ML"[min(i, 1)])
				num(pt.x)
				b = append(b, ' ')
				num(pt.y)
			}
			if m.closed {
				b = append(b, 'Z')
			}
		}
		b = append(b, `" fill="`...)
		if m.fill == 0 {
			b = append(b, `none"`...)
		} else {
			b = append(append(b, m.fill.rgb()...), '"')
		}
		if m.stroke != 0 {
			b = append(append(append(b, ` stroke="`...), m.stroke.rgb()...), '"')
			attr("stroke-width", m.width)
			if len(m.dash) > 0 {
				b = append(b, ` stroke-dasharray="`...)
				for i, d := range m.dash {
					if i > 0 {
						b = append(b, ' ')
					}
					num(d)
				}
				b = append(b, '"')
			}
		}
		b = append(b, "/>\n"...)
	}
	b = append(b, "</svg>\n"...)
	_, err := w.Write(b)
	return err
}

func escape(text string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;").Replace(text)
}

// PNGDotsPerInch is the resolution WritePNG draws at: two dots to a point.
const PNGDotsPerInch = 144

// WritePNG writes the picture as PNG.
func (p *Picture) WritePNG(w io.Writer) error {
	s := &p.sheet
	c := vgimg.NewWith(vgimg.UseWH(vg.Length(s.width), vg.Length(s.height)), vgimg.UseDPI(PNGDotsPerInch), vgimg.UseBackgroundColor(white.rgba()))
	at := func(p point) vg.Point { return vg.Point{X: vg.Length(p.x), Y: vg.Length(s.height - p.y)} }
	for _, m := range s.marks {
		if m.text != "" {
			p := at(m.at)
			shift := -vg.Length(s.measure(m.text, m.size, m.bold) * float64(m.anchor) / 2)
			c.SetColor(m.fill.rgba())
			c.Push()
			c.Translate(p)
			if m.up {
				c.Rotate(math.Pi / 2)
			}
			c.FillString(s.face(m.size, m.bold), vg.Point{X: shift}, m.text)
			c.Pop()
			continue
		}
		var path vg.Path
		for _, l := range m.lines {
			for i, p := range l {
				if i == 0 {
					path.Move(at(p))
				} else {
					path.Line(at(p))
				}
			}
			if m.closed {
				path.Close()
			}
		}
		if m.fill != 0 {
			c.SetColor(m.fill.rgba())
			c.Fill(path)
		}
		if m.stroke != 0 {
			dash := make([]vg.Length, len(m.dash))
			for i, d := range m.dash {
				dash[i] = vg.Length(d)
			}
			c.SetColor(m.stroke.rgba())
			c.SetLineWidth(vg.Length(m.width))
			c.SetLineDash(dash, 0)
			c.Stroke(path)
		}
	}
	_, err := vgimg.PngCanvas{Canvas: c}.WriteTo(w)
	return err
}
