// Package show is what people are shown: the canvas that every picture is drawn on, a
// list of marks that is written as SVG; round numbers for scales beside them; counts and
// bytes in words.
package show

import (
	_ "embed"
	"math"
	"strconv"
	"strings"
)

// Canvas is a drawing as a list of marks, from back to front. x runs right and y down.
type Canvas struct {
	Marks []Mark
}

// Point is a place on a canvas.
type Point struct{ X, Y float64 }

// Pt is the point at x and y.
func Pt(x, y float64) Point { return Point{x, y} }

// Box is an upright rectangle.
type Box struct{ X0, Y0, X1, Y1 float64 }

// Rect is the box between two corners.
func Rect(x0, y0, x1, y1 float64) Box { return Box{x0, y0, x1, y1} }

// Mid is the middle of a box.
func (b Box) Mid() Point { return Point{float64((b.X0 + b.X1) / 2), float64((b.Y0 + b.Y1) / 2)} }

// Ink is a colour: #rrggbb, or in a page the name of one, as var(--name). "" is none.
type Ink string

// Style says how a mark looks. A page may say it by the style sheet's Class instead.
type Style struct {
	Class        string
	Fill, Stroke Ink
	Width        float64
	Dash         []float64
	Title        string // what a page shows of the mark under the pointer
}

// Anchor says which part of a text stands at its place.
type Anchor uint8

// Anchors of a text.
const (
	Start Anchor = iota
	Middle
	End
)

// Mark is lines, or a circle if Radius is set, or a text if there is one, or where an
// element begins or ends that other marks are inside of.
type Mark struct {
	Style
	Lines  [][]Point
	Closed bool // the lines are outlines
	Radius float64

	Text   string
	Ink    Ink     // of a text
	At     Point   // of the text's base line, or the circle's middle
	Size   float64 // of the font; 0: as the style sheet has it
	Length float64 // of the text, whatever font there is; 0: as it comes
	Bold   bool
	Anchor Anchor
	Up     bool // turned to read upwards

	begin string // a tag with its attributes
	end   string
}

// Begin begins an element, such as a group or a link, with attributes by name and
// value. End ends it.
func (c *Canvas) Begin(element string, attributes ...string) {
	tag := "<" + element
	for i := 0; i+1 < len(attributes); i += 2 {
		tag += " " + attributes[i] + `="` + escape(attributes[i+1]) + `"`
	}
	c.Marks = append(c.Marks, Mark{begin: tag + ">"})
}

// End ends an element.
func (c *Canvas) End(element string) {
	c.Marks = append(c.Marks, Mark{end: "</" + element + ">"})
}

// Words are text inside of an element.
func (c *Canvas) Words(text string) { c.Marks = append(c.Marks, Mark{end: escape(text)}) }

// Element is an element that holds a text and no mark, such as a title.
func (c *Canvas) Element(element, text string, attributes ...string) {
	c.Begin(element, attributes...)
	c.Words(text)
	c.End(element)
}

// Line draws a line through points.
func (c *Canvas) Line(s Style, pts ...Point) { c.Lines(s, [][]Point{pts}) }

// Lines draws lines as one mark, if there are any.
func (c *Canvas) Lines(s Style, lines [][]Point) {
	if len(lines) > 0 {
		c.Marks = append(c.Marks, Mark{Style: s, Lines: lines})
	}
}

// Area draws what is inside of an outline.
func (c *Canvas) Area(s Style, pts ...Point) {
	c.Marks = append(c.Marks, Mark{Style: s, Lines: [][]Point{pts}, Closed: true})
}

// Rect draws a box.
func (c *Canvas) Rect(s Style, b Box) {
	c.Area(s, Point{b.X0, b.Y0}, Point{b.X1, b.Y0}, Point{b.X1, b.Y1}, Point{b.X0, b.Y1})
}

// Circle draws a disc.
func (c *Canvas) Circle(s Style, at Point, r float64) {
	c.Marks = append(c.Marks, Mark{Style: s, At: at, Radius: r})
}

// Text writes a text.
func (c *Canvas) Text(m Mark) { c.Marks = append(c.Marks, m) }

// Hatch fills a box with slanting lines: rising to the right, or falling.
func (c *Canvas) Hatch(s Style, gap float64, falling bool, b Box) {
	w, h := b.X1-b.X0, b.Y1-b.Y0
	var lines [][]Point
	for d := gap / 2; d < w+h; d += gap { // along the upper edge, then down the right one
		p, q := Point{max(0, d-h), min(d, h)}, Point{min(d, w), max(0, d-w)}
		if falling {
			p.Y, q.Y = h-p.Y, h-q.Y
		}
		lines = append(lines, []Point{{b.X0 + p.X, b.Y0 + p.Y}, {b.X0 + q.X, b.Y0 + q.Y}})
	}
	c.Lines(s, lines)
}

// Moved is the mark farther down.
func (m Mark) Moved(dy float64) Mark {
	m.At.Y += dy
	lines := make([][]Point, len(m.Lines)) // marks may share them
	for i, l := range m.Lines {
		lines[i] = make([]Point, len(l))
		for j, p := range l {
			lines[i][j] = Point{p.X, p.Y + dy}
		}
	}
	m.Lines = lines
	return m
}

// SVG is the marks as elements of SVG 1.1, a line each.
func (c *Canvas) SVG() string {
	var w writer
	for i := range c.Marks {
		w.mark(&c.Marks[i])
	}
	return w.String()
}

// writer writes SVG.
type writer struct{ strings.Builder }

func (w *writer) mark(m *Mark) {
	switch {
	case m.begin+m.end != "":
		w.WriteString(m.begin + m.end)
	case m.Text != "":
		w.text(m)
	case m.Radius != 0:
		w.WriteString("<circle")
		w.number("cx", m.At.X)
		w.number("cy", m.At.Y)
		w.number("r", m.Radius)
		w.style(m)
		w.close("circle", m.Title, "")
	default:
		w.WriteString(`<path d="`)
		for _, l := range m.Lines {
			w.line(l)
			if m.Closed {
				w.WriteByte('Z')
			}
		}
		w.WriteByte('"')
		w.style(m)
		w.close("path", m.Title, "")
	}
}

// line is the path through points, with the short forms for upright and level steps.
func (w *writer) line(pts []Point) {
	var x, y string
	for i, p := range pts {
		wasX, wasY := x, y
		x, y = Number(p.X), Number(p.Y)
		switch {
		case i == 0:
			w.WriteString("M" + x + " " + y)
		case y == wasY:
			w.WriteString("H" + x)
		case x == wasX:
			w.WriteString("V" + y)
		default:
			w.WriteString("L" + x + " " + y)
		}
	}
}

func (w *writer) text(m *Mark) {
	w.WriteString("<text")
	if m.Up {
		w.attribute("transform", "translate("+Number(m.At.X)+" "+Number(m.At.Y)+") rotate(-90)")
	} else {
		w.number("x", m.At.X)
		w.number("y", m.At.Y)
	}
	if m.Size != 0 {
		w.number("font-size", m.Size)
	}
	if m.Bold {
		w.attribute("font-weight", "bold")
	}
	if m.Anchor != Start {
		w.attribute("text-anchor", []string{"start", "middle", "end"}[m.Anchor])
	}
	if m.Length != 0 {
		w.number("textLength", m.Length)
		w.attribute("lengthAdjust", "spacingAndGlyphs")
	}
	w.style(m)
	w.close("text", m.Title, m.Text)
}

// style writes a mark's style; a class says all of it.
func (w *writer) style(m *Mark) {
	if m.Class != "" {
		w.attribute("class", m.Class)
	}
	switch {
	case m.Ink != "":
		w.attribute("fill", string(m.Ink))
	case m.Fill != "":
		w.attribute("fill", string(m.Fill))
	case m.Class == "" && m.Text == "":
		w.attribute("fill", "none")
	}
	if m.Stroke == "" {
		return
	}
	w.attribute("stroke", string(m.Stroke))
	w.number("stroke-width", m.Width)
	if len(m.Dash) > 0 {
		dash := make([]string, len(m.Dash))
		for i, d := range m.Dash {
			dash[i] = Number(d)
		}
		w.attribute("stroke-dasharray", strings.Join(dash, " "))
	}
}

func (w *writer) attribute(name, value string) {
	w.WriteString(" " + name + `="` + escape(value) + `"`)
}

func (w *writer) number(name string, v float64) { w.attribute(name, Number(v)) }

func (w *writer) close(element, title, text string) {
	switch {
	case title+text == "":
		w.WriteString("/>\n")
		return
	case title != "":
		title = "<title>" + escape(title) + "</title>"
	}
	w.WriteString(">" + title + escape(text) + "</" + element + ">\n")
}

// Number writes a length on the canvas, to a hundredth of its unit.
func Number(v float64) string {
	v = math.Round(v*100) / 100
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		v = 0 // not -0, and nothing that SVG has no word for
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

func escape(text string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&#34;").Replace(text)
}

// Sheet is the style sheet of pages that are signed, on a screen and on paper.
//
//go:embed sheet.css
var Sheet string
