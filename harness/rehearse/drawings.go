package rehearse

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"time"

	"example.org/understudy/harness/show"
)

// Colours of the page, which has others in the dark.
const (
	inkColour   show.Ink = "var(--ink)"
	lineColour  show.Ink = "var(--line)"
	panelColour show.Ink = "var(--panel)"
	bandColour  show.Ink = "var(--band)"
	blueColour  show.Ink = "var(--blue)"
	goodColour  show.Ink = "var(--good)"
	warnColour  show.Ink = "var(--warn)"
	badColour   show.Ink = "var(--bad)"
)

// drawing begins a drawing of the page. With wide it is as wide as it says, where the
// page has room.
func drawing(width, height float64, label string, wide bool) (c show.Canvas) {
	attributes := []string{"viewBox", "0 0 " + show.Number(width) + " " + show.Number(height), "role", "img", "aria-label", label}
	if wide {
		attributes = append(attributes, "width", show.Number(width))
	}
	c.Begin("svg", attributes...)
	return c
}

func ended(c *show.Canvas) template.HTML {
	c.End("svg")
	return template.HTML(c.SVG())
}

func words(x, y float64, anchor show.Anchor, class, text string) show.Mark {
	return show.Mark{Style: show.Style{Class: class}, At: show.Pt(x, y), Anchor: anchor, Text: text}
}

// lengths draws how many spans are how long, a bar for each doubling from a
// length to another; shorter and longer ones are in the first and the last bar.
func lengths(s *Spans, from, to time.Duration) template.HTML {
	if s.N == 0 {
		return ""
	}
	first, last := binOf(from)/8, binOf(to)/8
	bars := make([]int, last-first+1)
	for _, b := range s.Bins {
		bars[min(max(b[0]/8-first, 0), last-first)] += b[1]
	}
	most := slices.Max(bars)
	const w, h = 112.0, 18.0
	step := w / float64(len(bars))
	c := drawing(w, h, "lengths", false)
	for i, n := range bars {
		if n > 0 {
			x, tall := float64(i)*step, (h-1)*math.Log1p(float64(n))/math.Log1p(float64(most))
			c.Rect(show.Style{Fill: blueColour}, show.Rect(x, h-1-tall, x+step-1, h-1))
		}
	}
	c.Line(show.Style{Stroke: lineColour, Width: 1}, show.Pt(0, h-0.5), show.Pt(w, h-0.5))
	return ended(&c)
}

// floor is how the floor of a line lies on its plan, y upwards.
type floor struct {
	low, high    [2]float64 // metres
	left, bottom float64
	scale        float64 // of a metre
}

func (f *floor) reach(p [2]float64) {
	for k := range 2 {
		f.low[k], f.high[k] = math.Min(f.low[k], p[k]), math.Max(f.high[k], p[k])
	}
}

func (f *floor) at(p [2]float64) show.Point {
	return show.Pt(f.left+float64((p[0]-f.low[0])*f.scale), f.bottom-float64((p[1]-f.low[1])*f.scale))
}

// plan draws the floor from above.
func (s *Summary) plan() template.HTML {
	l := s.line
	f := floor{low: [2]float64{math.Inf(1), math.Inf(1)}, high: [2]float64{math.Inf(-1), math.Inf(-1)}}
	for i := range l.gauges {
		f.reach(l.gauges[i].at)
	}
	for i := range l.radios {
		f.reach(l.radios[i].at)
	}
	for i := range l.Obstacles {
		f.reach(l.Obstacles[i].From.metres())
		f.reach(l.Obstacles[i].To.metres())
	}
	const width, edge = 900.0, 46.0
	f.scale = math.Min((width-2*edge)/math.Max(f.high[0]-f.low[0], 1), 560/math.Max(f.high[1]-f.low[1], 1))
	height := float64((f.high[1]-f.low[1])*f.scale) + 2*edge
	f.left, f.bottom = (width-float64((f.high[0]-f.low[0])*f.scale))/2, height-edge

	c := drawing(width, height+18, "plan of the line with the margin of each link", true)
	c.Rect(show.Style{Fill: panelColour}, show.Rect(0, 0, width, height+18))
	// Labels are drawn last, over the lines.
	var labels []show.Mark
	for i := range l.Obstacles {
		o := &l.Obstacles[i]
		from, to := f.at(o.From.metres()), f.at(o.To.metres())
		c.Line(show.Style{Class: "wall", Title: o.Name}, from, to)
		labels = append(labels, words((from.X+to.X)/2+6, (from.Y+to.Y)/2-6, show.Start, "small", fmt.Sprintf("%s, %s dB", o.Name, o.Loss.Value)))
	}
	of, rise := s.seats(&c, &f)
	for i := range l.radios {
		at := f.at(l.radios[i].at)
		c.Rect(show.Style{Fill: inkColour}, show.Rect(at.X-6, at.Y-6, at.X+6, at.Y+6))
		y := at.Y - 11
		if rise[i] > 0 {
			y = at.Y + 19
		}
		of = append(of, words(at.X, y, show.Middle, "", l.radios[i].name))
	}
	for _, m := range append(labels, of...) {
		c.Text(m)
	}
	metre := show.Step(max((f.high[0]-f.low[0])/5, 0.2))
	end := edge + float64(metre*f.scale)
	c.Line(show.Style{Stroke: inkColour, Width: 2}, show.Pt(edge, height+6), show.Pt(end, height+6))
	c.Text(words(end+6, height+10, show.Start, "", fmt.Sprintf("%g m", metre)))
	return ended(&c)
}

// seats draws the gauges, each with the line to its receiver, and returns the labels:
// a gauge's margin on the side away from its receiver, and its station's name beyond
// it. rise is how far a receiver's gauges are above it.
func (s *Summary) seats(c *show.Canvas, f *floor) (labels []show.Mark, rise []float64) {
	l := s.line
	rise = make([]float64, len(l.radios))
	counted, placed := map[string]int{}, map[string]int{}
	for i := range l.gauges {
		counted[l.gauges[i].station]++
	}
	for i := range l.gauges {
		g, row := &l.gauges[i], &s.Gauges[i]
		middle := f.at(g.at)
		at := middle
		at.X += float64((float64(placed[g.station]) - float64(counted[g.station]-1)/2) * 26)
		y, beyond := at.Y-9, -12.0
		label, class := "wire", "small"
		if !g.wired {
			to := f.at(l.radios[g.radio].at)
			rise[g.radio] += to.Y - at.Y
			label = fmt.Sprintf("%.0f", row.Margin)
			link := show.Style{Stroke: goodColour, Width: 1.5, Title: fmt.Sprintf("%s to %s: %.1f dB", row.Name, row.Receiver, row.Margin)}
			switch {
			case row.Margin < 10:
				link.Dash, link.Stroke, class = []float64{2, 4}, badColour, "small low"
			case row.Margin < 20:
				link.Dash, link.Stroke, class = []float64{8, 4}, warnColour, "small some"
			}
			c.Line(link, at, to)
			if to.Y <= at.Y {
				y, beyond = at.Y+16, 14
			}
		}
		c.Circle(show.Style{Fill: blueColour, Title: row.Name}, at, 5)
		labels = append(labels, words(at.X, y, show.Middle, class, label))
		if placed[g.station]++; placed[g.station] == 1 {
			labels = append(labels, words(middle.X, y+beyond, show.Middle, "", g.station))
		}
	}
	return labels, rise
}

// cell draws one gauge's charge over the shift.
func (s *Summary) cell(g *GaugeRow) template.HTML {
	const w, h, top = 170.0, 62.0, 16.0
	c := drawing(w, h+18, g.Name+": charge over the shift", false)
	c.Text(words(0, 11, show.Start, "", g.Name))
	c.Text(words(w, 11, show.End, "small", fmt.Sprintf("ends %.0f %%, worst %.0f %%", g.End, g.EndWorst[0])))
	c.Rect(show.Style{Fill: panelColour}, show.Rect(0, top, w, top+h))
	shift := float64(s.line.Shift)
	for _, p := range s.line.Breaks {
		c.Rect(show.Style{Fill: lineColour}, show.Rect(w*float64(p.At)/shift, top, w*float64(p.At+p.For)/shift, top+h))
	}
	n := len(g.median)
	if n < 2 {
		return ended(&c)
	}
	var line, worst []show.Point
	for i := range n {
		x := w * float64(i) / float64(n-1)
		line = append(line, show.Pt(x, top+h-h*g.median[i]/100))
		worst = append(worst, show.Pt(x, top+h-h*g.worst[i]/100))
	}
	colour := blueColour
	if g.EndWorst[0] < 20 {
		colour = badColour
	}
	back := slices.Clone(line)
	slices.Reverse(back)
	c.Area(show.Style{Fill: bandColour}, append(slices.Clone(worst), back...)...)
	c.Line(show.Style{Stroke: colour, Width: 1}, worst...)
	c.Line(show.Style{Stroke: colour, Width: 1.8}, line...)
	return ended(&c)
}

// bars draws uses against full capacity.
func (s *Summary) bars() template.HTML {
	type bar struct {
		name string
		use  float64
	}
	all := []bar{{"host, " + s.line.Host.PerRecord.String() + " a record", s.HostUse}}
	for _, r := range s.Radios {
		all = append(all, bar{fmt.Sprintf("receiver %s, %s", r.Name, show.Counted(r.Seats, "gauge")), r.Use})
	}
	for _, p := range s.Busiest(10) {
		all = append(all, bar{"port " + p.Name + ", " + p.Line, p.Use})
	}
	const w, row, left, room = 900.0, 20.0, 250.0, 580.0
	height := row * float64(len(all))
	c := drawing(w, height+8, "use of host, receivers and ports", true)
	for i, v := range all {
		y, colour := row*float64(i), blueColour
		if v.use >= full {
			colour = badColour
		}
		c.Text(words(0, y+14, show.Start, "", v.name))
		c.Rect(show.Style{Fill: panelColour}, show.Rect(left, y+3, left+room, y+16))
		c.Rect(show.Style{Fill: colour}, show.Rect(left, y+3, left+room*math.Min(v.use, 1), y+16))
		c.Text(words(left+room+6, y+14, show.Start, "", fmt.Sprintf("%.1f %%", 100*v.use)))
	}
	x := left + float64(room*full)
	c.Line(show.Style{Stroke: inkColour, Width: 1, Dash: []float64{3, 3}}, show.Pt(x, 0), show.Pt(x, height+4))
	return ended(&c)
}
