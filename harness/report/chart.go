package report

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
)

// chart is the timeline as the page draws it. Binary floats are for drawing
// only; every number that is written comes from decimals.
type chart struct {
	Height, Left, Width, ScaleX, AxisY int
	Span                               string // seconds the whole width stands for
	Lanes                              []lane
	Gaps                               []gap
	Marks                              []mark
	Ticks                              []tick
}

type lane struct {
	Name, Unit     string
	Y, H, NameY    int
	Scale          []tick
	Limits         []limitLine
	Truth, Reading string

	gauge string
}

type limitLine struct{ Class, Y, Text string }

type gap struct {
	X, W, PX, PW string
	Y, H         int
	Text         string
}

type mark struct {
	Kind, X, Y, Transform, Text, Link string
	H                                 int
}

type tick struct{ X, Y, TextY, Text string }

const (
	chartLeft  = 76
	chartWidth = 1004
	laneHeight = 170
	laneGap    = 30
	chartTop   = 24 // room for the first lane's name
	// Bounds of what is drawn: the lines are thinned, keeping the highest and
	// the lowest of each stretch, and the marks of one kind stop.
	maxPoints = 2500
	maxMarks  = 600
)

// point is a reading on the timeline.
type point struct {
	t            time.Duration
	truth, shown float64 // in the lane's unit
	text         string
	void         bool
	zone         zone.Zone
	tag          *int64
}

type laneData struct {
	gauge   string
	channel *judge.Channel
	points  []point
}

func drawChart(r *Run, shown []pageGroup) (c chart) {
	unit := r.Spec.Unit
	byStream := map[[2]string]*laneData{}
	var lanes []*laneData
	for g := range r.Spec.Gauges {
		for ch := range r.Spec.Gauges[g].Channels {
			l := &laneData{gauge: r.Spec.Gauges[g].Name, channel: &r.Spec.Gauges[g].Channels[ch]}
			lanes = append(lanes, l)
			byStream[[2]string{l.gauge, l.channel.Name}] = l
		}
	}
	end := time.Duration(1)
	for i := range r.Ledger {
		e := &r.Ledger[i]
		end = max(end, e.T)
		if e.Frame == nil {
			continue
		}
		for k := range e.Frame.Readings {
			rd := &e.Frame.Readings[k]
			if l := byStream[[2]string{e.Gauge, rd.Channel}]; l != nil {
				l.points = append(l.points, pointOf(e, rd, unit))
			}
		}
	}
	drawn := lanes[:0]
	for _, l := range lanes {
		if len(l.points) > 0 {
			drawn = append(drawn, l)
		}
	}
	if len(drawn) == 0 {
		return c
	}
	c.Left, c.Width, c.ScaleX = chartLeft, chartWidth, chartLeft-6
	c.Height = chartTop + len(drawn)*(laneHeight+laneGap) + 4
	c.AxisY = c.Height - 14
	c.Span = strconv.FormatFloat(end.Seconds(), 'f', 9, 64)
	x := func(t time.Duration) float64 { return 1000 * max(0, t.Seconds()) / end.Seconds() }

	for i, l := range drawn {
		top := chartTop + i*(laneHeight+laneGap)
		y, ln := l.draw(top, unit, r.Spec.Resolution, x)
		c.Lanes = append(c.Lanes, ln)
		tags, voids, wrong := 0, 0, 0
		for _, p := range l.points {
			switch {
			case p.void && voids < maxMarks:
				voids++
				c.mark("void", x(p.t), float64(top+laneHeight-10), seconds(p.t)+": void reading", "")
			case !p.void && p.tag != nil && tags < maxMarks:
				tags++
				c.mark(tagKind(p.zone), x(p.t), y(p.shown), fmt.Sprintf("%s: tag %d, reading %s", seconds(p.t), *p.tag, p.text), "")
			}
		}
		for _, g := range shown {
			for k := range g.Findings {
				f := g.Findings[k].f
				if f.Gauge != l.gauge && f.Gauge != "" || f.Channel != "" && f.Channel != l.channel.Name || f.Gauge == "" && i > 0 || wrong >= maxMarks {
					continue
				}
				wrong++
				at := float64(top + 14)
				if p := l.near(f.At); p != nil && !p.void {
					at = max(at, y(p.shown)-6)
				}
				c.mark("finding", x(f.At), at, fmt.Sprintf("finding %d, %s: %s", g.Findings[k].Number, f.Kind, visible(disagreement(f))), g.Findings[k].ID)
				if f.Record != nil && f.Record.Value != nil && f.Record.Kind == "reading" {
					c.mark("host", x(f.At), y(f.Record.Value.Float64()), "the host has "+f.Record.Value.String()+" "+visible(f.Record.Unit), g.Findings[k].ID)
				}
			}
		}
	}
	c.links(r.Ledger, end, x)
	cues := 0
	for i := range r.Ledger {
		if e := &r.Ledger[i]; e.Kind == ledger.KindCue && cues < maxMarks {
			cues++
			c.mark("cue", x(e.T), chartTop, seconds(e.T)+": "+visible(strings.TrimSpace(e.Gauge+" "+e.Note)), "")
			c.Marks[len(c.Marks)-1].H = len(drawn)*(laneHeight+laneGap) - laneGap
		}
	}
	for _, t := range ticks(0, end.Seconds(), 8) {
		c.Ticks = append(c.Ticks, tick{X: px(chartLeft + chartWidth*t/end.Seconds()), Text: strconv.FormatFloat(t, 'f', -1, 64) + " s"})
	}
	return c
}

// tagKind is the sign of a tag, by its zone as a plot has it.
func tagKind(z zone.Zone) string {
	switch z {
	case zone.WarnLow, zone.WarnHigh:
		return "tag-warn"
	case zone.Above:
		return "tag-above"
	case zone.Below:
		return "tag-below"
	}
	return "tag"
}

func pointOf(e *ledger.Entry, rd *ledger.Reading, unit decimal.Unit) point {
	p := point{t: e.T, void: rd.Void != "", zone: rd.Zone, tag: e.Frame.Tag, text: rd.Shown.String() + " " + rd.Unit}
	size := float64(unit.Size())
	p.truth = drawable(rd.Exact.Float64() / size)
	if u, ok := decimal.ParseUnit(rd.Unit); ok {
		p.shown = drawable(rd.Shown.Float64() * (float64(u.Size()) / size))
	}
	return p
}

// drawable keeps a number that no gauge can send, in a ledger that was made up
// or damaged, from making the whole picture infinite.
func drawable(v float64) float64 { return min(max(v, -1e12), 1e12) }

// near finds the reading of a moment; the points are in order of time.
func (l *laneData) near(t time.Duration) *point {
	i := sort.Search(len(l.points), func(i int) bool { return l.points[i].t >= t })
	if i < len(l.points) && l.points[i].t == t {
		return &l.points[i]
	}
	return nil
}

// draw makes a lane and returns the function from a value to its height on the
// page. Values beyond the lane stand at its edge.
func (l *laneData) draw(top int, unit decimal.Unit, resolution decimal.Decimal, x func(time.Duration) float64) (y func(float64) float64, ln lane) {
	lo, hi := math.Inf(1), math.Inf(-1)
	see := func(v float64) { lo, hi = min(lo, v), max(hi, v) }
	for _, p := range l.points {
		if !p.void {
			see(p.shown)
			see(p.truth)
		}
	}
	lim := l.channel.Limits
	for _, k := range []zone.Limit{lim.Lower, lim.Upper, lim.WarnLower, lim.WarnUpper} {
		if k.Set {
			see(float64(k.At) / float64(unit.Size()))
		}
	}
	if math.IsInf(lo, 0) {
		lo, hi = 0, 1
	}
	room := max((hi-lo)*0.08, resolution.Float64()*2, 1e-9)
	lo, hi = lo-room, hi+room
	in := func(v float64) float64 { return laneHeight * (hi - min(max(v, lo), hi)) / (hi - lo) }
	y = func(v float64) float64 { return float64(top) + in(v) }

	ln = lane{gauge: l.gauge, Name: visible(l.gauge + "/" + l.channel.Name), Unit: unit.Symbol(), Y: top, H: laneHeight, NameY: top - 6}
	for _, k := range []struct {
		zone.Limit
		class, what string
	}{{lim.Upper, "l-limit", "upper limit"}, {lim.WarnUpper, "l-warn", "upper warning limit"}, {lim.WarnLower, "l-warn", "lower warning limit"}, {lim.Lower, "l-limit", "lower limit"}} {
		if k.Set {
			v, _ := k.At.In(unit)
			ln.Limits = append(ln.Limits, limitLine{k.class, px(in(float64(k.At) / float64(unit.Size()))), k.what + " " + v.String() + " " + unit.Symbol()})
		}
	}
	for _, t := range ticks(lo, hi, 5) {
		at := y(t)
		ln.Scale = append(ln.Scale, tick{Y: px(at), TextY: px(at + 4), Text: strconv.FormatFloat(t, 'f', decimals(hi-lo), 64)})
	}
	ln.Truth = path(l.points, x, func(p *point) float64 { return in(p.truth) }, false)
	ln.Reading = path(l.points, x, func(p *point) float64 { return in(p.shown) }, true)
	return y, ln
}

// path draws a line through the points, with a break at a void reading. A
// stepped line holds each value until the next.
func path(points []point, x func(time.Duration) float64, y func(*point) float64, stepped bool) string {
	var b strings.Builder
	pen := false
	to := func(p *point) {
		if p.void {
			pen = false
			return
		}
		switch {
		case !pen:
			b.WriteString("M" + px(x(p.t)) + " " + px(y(p)))
		case stepped:
			b.WriteString("H" + px(x(p.t)) + "V" + px(y(p)))
		default:
			b.WriteString("L" + px(x(p.t)) + " " + px(y(p)))
		}
		pen = true
	}
	if len(points) <= maxPoints {
		for i := range points {
			to(&points[i])
		}
		if len(points) == 1 && pen {
			b.WriteString("h1")
		}
		return b.String()
	}
	per := (len(points) + maxPoints/4 - 1) / (maxPoints / 4)
	for from := 0; from < len(points); from += per {
		part := points[from:min(from+per, len(points))]
		low, high := 0, 0
		for i := range part {
			if part[i].void {
				to(&part[i])
				continue
			}
			if part[low].void || y(&part[i]) > y(&part[low]) {
				low = i
			}
			if part[high].void || y(&part[i]) < y(&part[high]) {
				high = i
			}
		}
		to(&part[min(low, high)])
		to(&part[max(low, high)])
	}
	return b.String()
}

func (c *chart) mark(kind string, x, y float64, text, link string) {
	c.Marks = append(c.Marks, mark{Kind: kind, X: px(x), Y: px(y), Text: text, Link: link, Transform: "translate(" + px(chartLeft+x*chartWidth/1000) + " " + px(y) + ")"})
}

// links shades the times in which a gauge's link was not up.
func (c *chart) links(entries []ledger.Entry, end time.Duration, x func(time.Duration) float64) {
	type down struct {
		from  time.Duration
		state string
	}
	open := map[string]down{}
	var away *down // the host
	shade := func(gauge string, d down, to time.Duration) {
		a, b := x(d.from), x(to)
		for i := range c.Lanes {
			if l := &c.Lanes[i]; l.gauge == gauge {
				c.Gaps = append(c.Gaps, gap{X: px(a), W: px(b - a), PX: px(chartLeft + a*chartWidth/1000), PW: px((b - a) * chartWidth / 1000), Y: l.Y, H: l.H,
					Text: fmt.Sprintf("%s from %s to %s", d.state, seconds(d.from), seconds(to))})
			}
		}
	}
	for i := range entries {
		e := &entries[i]
		state := ""
		switch {
		case e.Kind == ledger.KindHost:
			if e.Note == "stopped" || e.Note == "killed" {
				away = &down{e.T, "host " + e.Note + ", away"}
			} else if away != nil && e.Note == "ready" {
				for i := range c.Lanes {
					shade(c.Lanes[i].gauge, *away, e.T)
				}
				away = nil
			}
			continue
		case e.Link != nil:
			state = e.Link.State
		case e.Port != nil && e.Port.What == "hung up":
			state = "lost"
		case e.Port != nil && e.Port.What == "returned":
			state = "up"
		default:
			continue
		}
		state = fmt.Sprintf("link of %s %s", visible(e.Gauge), state)
		if d, is := open[e.Gauge]; is && d.state != state {
			shade(e.Gauge, d, e.T)
			delete(open, e.Gauge)
		}
		if _, is := open[e.Gauge]; !is && !strings.HasSuffix(state, " up") {
			open[e.Gauge] = down{e.T, state}
		}
	}
	for i := range c.Lanes {
		gauge := c.Lanes[i].gauge
		if d, is := open[gauge]; is {
			shade(gauge, d, end)
			delete(open, gauge)
		}
		if away != nil {
			shade(gauge, *away, end)
		}
	}
}

// ticks are about n round numbers between lo and hi.
func ticks(lo, hi float64, n int) (out []float64) {
	step := roundStep((hi - lo) / float64(n))
	for i := math.Ceil(lo / step); i*step <= hi && len(out) < 20; i++ {
		out = append(out, i*step+0) // +0 makes a zero of −0
	}
	return out
}

func roundStep(raw float64) float64 {
	if raw <= 0 || math.IsInf(raw, 0) || math.IsNaN(raw) {
		return 1
	}
	step := math.Pow(10, math.Floor(math.Log10(raw)))
	switch r := raw / step; {
	case r > 5:
		return step * 10
	case r > 2:
		return step * 5
	case r > 1:
		return step * 2
	}
	return step
}

// decimals that tell the ticks of a span apart.
func decimals(span float64) int {
	return min(max(0, int(math.Ceil(-math.Log10(roundStep(span/5))))), 12)
}

func px(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	s := strconv.FormatFloat(v, 'f', 2, 64)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}
