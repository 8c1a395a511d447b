package report

import (
	"fmt"
	"html/template"
	"math"
	"sort"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/show"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
)

const (
	chartLeft  = 76
	chartWidth = 1004
	laneHeight = 170
	laneGap    = 30
	chartTop   = 24   // room for the first lane's name
	whole      = 1000 // the run's length on a lane, which the page zooms
	// Bounds of what is drawn: the lines are thinned, keeping the highest and
	// the lowest of each stretch, and the marks of one kind stop.
	maxPoints = 2500
	maxMarks  = 600
)

// timeline is a run as the page draws it: a lane for each channel. Binary floats are
// for drawing only; every number that is written comes from decimals.
type timeline struct {
	show.Canvas
	end   time.Duration
	lanes []*lane
}

// lane is one channel.
type lane struct {
	gauge   string
	channel *judge.Channel
	points  []point
	top     float64
	lo, hi  float64 // values at its edges, in the unit of the run
}

// point is a reading on the timeline.
type point struct {
	t            time.Duration
	truth, shown float64 // in the lane's unit
	text         string
	void         bool
	zone         zone.Zone
	tag          *int64
}

// drawTimeline draws a run with its findings; nothing where there are no readings.
func drawTimeline(r *Run, shown []pageGroup) template.HTML {
	t := timeline{end: 1}
	t.gather(r)
	if len(t.lanes) == 0 {
		return ""
	}
	height := chartTop + len(t.lanes)*(laneHeight+laneGap) + 4
	t.Begin("svg", "viewBox", fmt.Sprintf("0 0 1100 %d", height), "data-left", strconv.Itoa(chartLeft), "data-width", strconv.Itoa(chartWidth),
		"data-span", strconv.FormatFloat(t.end.Seconds(), 'f', 9, 64))
	t.links(r.Ledger)
	for _, l := range t.lanes {
		t.lane(l, r.Spec.Unit)
	}
	for i, l := range t.lanes {
		t.readings(l)
		t.findings(l, i == 0, shown)
	}
	t.cues(r.Ledger)
	axis := strconv.Itoa(height - 14)
	t.Begin("g", "class", "axis", "data-y", axis)
	at, decimals := show.Ticks(0, t.end.Seconds(), 8)
	for _, s := range at {
		t.Text(show.Mark{Text: show.Decimal(s, decimals) + " s", At: show.Pt(chartLeft+chartWidth*s/t.end.Seconds(), float64(height-14)), Anchor: show.Middle})
	}
	t.End("g")
	t.End("svg")
	return template.HTML(t.SVG())
}

// gather sorts the readings of a ledger into lanes. A channel without any has none.
func (t *timeline) gather(r *Run) {
	unit := r.Spec.Unit
	byStream := map[[2]string]*lane{}
	var lanes []*lane
	for g := range r.Spec.Gauges {
		for ch := range r.Spec.Gauges[g].Channels {
			l := &lane{gauge: r.Spec.Gauges[g].Name, channel: &r.Spec.Gauges[g].Channels[ch]}
			lanes = append(lanes, l)
			byStream[[2]string{l.gauge, l.channel.Name}] = l
		}
	}
	for i := range r.Ledger {
		e := &r.Ledger[i]
		t.end = max(t.end, e.T)
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
	for _, l := range lanes {
		if len(l.points) > 0 {
			l.top = float64(chartTop + len(t.lanes)*(laneHeight+laneGap))
			l.fit(unit, r.Spec.Resolution)
			t.lanes = append(t.lanes, l)
		}
	}
}

// x is where a time is on a lane.
func (t *timeline) x(at time.Duration) float64 {
	return whole * max(0, at.Seconds()) / t.end.Seconds()
}

// paged is where an x of the lanes is on the page before it is zoomed.
func paged(x float64) float64 { return chartLeft + x*chartWidth/whole }

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
func (l *lane) near(t time.Duration) *point {
	i := sort.Search(len(l.points), func(i int) bool { return l.points[i].t >= t })
	if i < len(l.points) && l.points[i].t == t {
		return &l.points[i]
	}
	return nil
}

// fit chooses the values at a lane's edges.
func (l *lane) fit(unit decimal.Unit, resolution decimal.Decimal) {
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
	l.lo, l.hi = lo-room, hi+room
}

// down is how far below the lane's upper edge a value is; one beyond an edge is at it.
func (l *lane) down(v float64) float64 {
	return laneHeight * (l.hi - min(max(v, l.lo), l.hi)) / (l.hi - l.lo)
}

// lane draws the scale, the limits and the lines of a channel.
func (t *timeline) lane(l *lane, unit decimal.Unit) {
	t.Begin("text", "x", strconv.Itoa(chartLeft), "y", show.Number(l.top-6))
	t.Element("tspan", visible(l.gauge+"/"+l.channel.Name), "class", "name")
	t.Words(", " + unit.Symbol())
	t.End("text")
	t.Rect(show.Style{Class: "frame"}, show.Rect(chartLeft, l.top, chartLeft+chartWidth, l.top+laneHeight))
	at, decimals := show.Ticks(l.lo, l.hi, 5)
	for _, v := range at {
		y := l.top + l.down(v)
		t.Line(show.Style{Class: "grid"}, show.Pt(chartLeft, y), show.Pt(chartLeft+chartWidth, y))
		t.Text(show.Mark{Text: show.Decimal(v, decimals), At: show.Pt(chartLeft-6, y+4), Anchor: show.End})
	}
	height := strconv.Itoa(laneHeight)
	t.Begin("svg", "class", "plot", "x", strconv.Itoa(chartLeft), "y", show.Number(l.top), "width", strconv.Itoa(chartWidth), "height", height,
		"viewBox", fmt.Sprintf("0 0 %d %d", whole, laneHeight), "data-h", height, "preserveAspectRatio", "none")
	lim := l.channel.Limits
	for k, kind := range zone.Kinds {
		if at := kind.Of(&lim); at.Set {
			v, _ := at.At.In(unit)
			y := l.down(float64(at.At) / float64(unit.Size()))
			class := [...]string{"l-limit", "l-limit", "l-warn", "l-warn"}[k]
			t.Line(show.Style{Class: class, Title: kind.Name + " " + v.String() + " " + unit.Symbol()}, show.Pt(0, y), show.Pt(whole, y))
		}
	}
	t.Lines(show.Style{Class: "truth"}, t.path(l, func(p *point) float64 { return p.truth }, false))
	t.Lines(show.Style{Class: "reading"}, t.path(l, func(p *point) float64 { return p.shown }, true))
	t.End("svg")
}

// path is a line through the values of a lane, with a break at a void reading. A
// stepped line holds each value until the next.
func (t *timeline) path(l *lane, value func(*point) float64, stepped bool) (lines [][]show.Point) {
	broken := true
	for _, p := range l.thinned(value) {
		if broken = broken || p.void; p.void {
			continue
		}
		if broken {
			lines = append(lines, nil)
		}
		line := &lines[len(lines)-1]
		at := show.Pt(t.x(p.t), l.down(value(p)))
		if stepped && !broken {
			*line = append(*line, show.Pt(at.X, (*line)[len(*line)-1].Y))
		}
		*line = append(*line, at)
		broken = false
	}
	if len(l.points) == 1 && len(lines) == 1 { // or nothing would show
		at := lines[0][0]
		lines[0] = append(lines[0], show.Pt(at.X+1, at.Y))
	}
	return lines
}

// thinned are the points of a lane: all, or the void ones with the lowest and the
// highest of each stretch.
func (l *lane) thinned(value func(*point) float64) (kept []*point) {
	if len(l.points) <= maxPoints {
		for i := range l.points {
			kept = append(kept, &l.points[i])
		}
		return kept
	}
	per := (len(l.points) + maxPoints/4 - 1) / (maxPoints / 4)
	for from := 0; from < len(l.points); from += per {
		part := l.points[from:min(from+per, len(l.points))]
		low, high := 0, 0
		for i := range part {
			if part[i].void {
				kept = append(kept, &part[i])
				continue
			}
			if part[low].void || value(&part[i]) < value(&part[low]) {
				low = i
			}
			if part[high].void || value(&part[i]) > value(&part[high]) {
				high = i
			}
		}
		kept = append(kept, &part[min(low, high)], &part[max(low, high)])
	}
	return kept
}

// readings marks the tags and the void readings of a lane.
func (t *timeline) readings(l *lane) {
	tags, voids := 0, 0
	for _, p := range l.points {
		switch {
		case p.void && voids < maxMarks:
			voids++
			t.mark("void", t.x(p.t), l.top+laneHeight-10, seconds(p.t)+": void reading", "")
		case !p.void && p.tag != nil && tags < maxMarks:
			tags++
			t.mark(tagSign(p.zone), t.x(p.t), l.top+l.down(p.shown), fmt.Sprintf("%s: tag %d, reading %s", seconds(p.t), *p.tag, p.text), "")
		}
	}
}

// findings marks what was found on a lane, and on the first what is of no gauge.
func (t *timeline) findings(l *lane, first bool, shown []pageGroup) {
	wrong := 0
	for _, g := range shown {
		for k := range g.Findings {
			f := g.Findings[k].f
			if f.Gauge != l.gauge && f.Gauge != "" || f.Channel != "" && f.Channel != l.channel.Name || f.Gauge == "" && !first || wrong >= maxMarks {
				continue
			}
			wrong++
			y := l.top + 14
			if p := l.near(f.At); p != nil && !p.void {
				y = max(y, l.top+l.down(p.shown)-6)
			}
			t.mark("finding", t.x(f.At), y, fmt.Sprintf("finding %d, %s: %s", g.Findings[k].Number, f.Kind, visible(disagreement(f))), g.Findings[k].ID)
			if f.Record != nil && f.Record.Value != nil && f.Record.Kind == "reading" {
				t.mark("host", t.x(f.At), l.top+l.down(f.Record.Value.Float64()), "the host has "+f.Record.Value.String()+" "+visible(f.Record.Unit), g.Findings[k].ID)
			}
		}
	}
}

func (t *timeline) cues(entries []ledger.Entry) {
	n := 0
	for i := range entries {
		if e := &entries[i]; e.Kind == ledger.KindCue && n < maxMarks {
			n++
			t.mark("cue", t.x(e.T), chartTop, seconds(e.T)+": "+visible(strings.TrimSpace(e.Gauge+" "+e.Note)), "")
		}
	}
}

// mark draws a sign at a time, which the page moves when it zooms; with link it leads
// to a finding.
func (t *timeline) mark(kind string, x, y float64, title, link string) {
	element, attributes := "g", []string{"data-x", show.Number(x), "data-y", show.Number(y), "transform", "translate(" + show.Number(paged(x)) + " " + show.Number(y) + ")"}
	if link != "" {
		element, attributes = "a", append([]string{"href", "#" + link}, attributes...)
	}
	t.Begin(element, attributes...)
	t.Element("title", title)
	if kind == "cue" {
		t.Line(show.Style{Class: "m-cue"}, show.Pt(0, 0), show.Pt(0, float64(len(t.lanes)*(laneHeight+laneGap)-laneGap)))
	} else {
		sign := signs[kind]
		sign.draw(&t.Canvas, 0)
	}
	t.End(element)
}

// tagSign is the sign of a tag, by its zone as a plot has it.
func tagSign(z zone.Zone) string {
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

// shape is a sign about its place: a class of the page's style and the corners of its
// lines; without any a disc.
type shape struct {
	class  string
	closed bool
	lines  [][][2]float64
}

// signs are those of a timeline, and of its key.
var signs = map[string]shape{
	"truth":     {"truth", false, [][][2]float64{{{-11, 0}, {11, 0}}}},
	"reading":   {"reading", false, [][][2]float64{{{-11, 3}, {-3, 3}, {-3, -3}, {11, -3}}}},
	"limit":     {"l-limit", false, [][][2]float64{{{-11, 0}, {11, 0}}}},
	"warn":      {"l-warn", false, [][][2]float64{{{-11, 0}, {11, 0}}}},
	"tag":       {"m-tag", true, nil},
	"tag-warn":  {"m-tag", true, [][][2]float64{{{0, -5}, {5, 0}, {0, 5}, {-5, 0}}}},
	"tag-above": {"m-tag", true, [][][2]float64{{{0, -5}, {5, 4}, {-5, 4}}}},
	"tag-below": {"m-tag", true, [][][2]float64{{{0, 5}, {5, -4}, {-5, -4}}}},
	"void":      {"m-void", false, [][][2]float64{{{-4, -4}, {4, 4}}, {{-4, 4}, {4, -4}}}},
	"finding":   {"m-wrong", true, [][][2]float64{{{-1, 0}, {-1, -16}, {10, -12}, {1, -8}, {1, 0}}}},
	"flag":      {"m-wrong", true, [][][2]float64{{{-5, 6}, {-5, -6}, {6, -2}, {-3, 2}, {-3, 6}}}}, // a finding in the key
	"host":      {"m-host", true, [][][2]float64{{{-4.5, -4.5}, {4.5, -4.5}, {4.5, 4.5}, {-4.5, 4.5}}}},
	"cue":       {"m-cue", false, [][][2]float64{{{0, -6}, {0, 6}}}},
	"gap":       {"gap", true, [][][2]float64{{{-12, -6}, {12, -6}, {12, 6}, {-12, 6}}}},
}

// draw draws a sign at x on the middle line.
func (s *shape) draw(c *show.Canvas, x float64) {
	if s.lines == nil {
		c.Circle(show.Style{Class: s.class}, show.Pt(x, 0), 4)
		return
	}
	m := show.Mark{Style: show.Style{Class: s.class}, Closed: s.closed}
	for _, l := range s.lines {
		var line []show.Point
		for _, p := range l {
			line = append(line, show.Pt(x+p[0], p[1]))
		}
		m.Lines = append(m.Lines, line)
	}
	c.Marks = append(c.Marks, m)
}

// links shades the times in which a gauge's link was not up.
func (t *timeline) links(entries []ledger.Entry) {
	type down struct {
		from  time.Duration
		state string
	}
	open := map[string]down{}
	var away *down // the host
	shade := func(gauge string, d down, to time.Duration) {
		for _, l := range t.lanes {
			if l.gauge == gauge {
				t.gap(l, t.x(d.from), t.x(to), fmt.Sprintf("%s from %s to %s", d.state, seconds(d.from), seconds(to)))
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
				for _, l := range t.lanes {
					shade(l.gauge, *away, e.T)
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
	for _, l := range t.lanes {
		if d, is := open[l.gauge]; is {
			shade(l.gauge, d, t.end)
			delete(open, l.gauge)
		}
		if away != nil {
			shade(l.gauge, *away, t.end)
		}
	}
}

// gap shades a stretch of a lane, which the page moves and stretches.
func (t *timeline) gap(l *lane, from, to float64, title string) {
	n := show.Number
	t.Begin("rect", "class", "gap", "data-x", n(from), "data-w", n(to-from), "x", n(paged(from)), "width", n((to-from)*chartWidth/whole), "y", n(l.top), "height", n(laneHeight))
	t.Element("title", title)
	t.End("rect")
}

// key explains the signs of a timeline.
func key() (entries []keyEntry) {
	for _, k := range [][]string{
		{"value before rounding", "truth"}, {"reading", "reading"}, {"specification limit", "limit"}, {"warning limit", "warn"},
		{"tag", "tag"}, {"tag in warning zone", "tag-warn"}, {"tag out of limits", "tag-above", "tag-below"}, {"void reading", "void"},
		{"finding (a link)", "flag"}, {"what the host has instead", "host"}, {"cue", "cue"}, {"link lost or stalled, or the host away", "gap"},
	} {
		var c show.Canvas
		c.Begin("svg", "viewBox", "-12 -6 24 12", "aria-hidden", "true")
		for i, name := range k[1:] {
			sign := signs[name]
			sign.draw(&c, float64(12*i-6*(len(k)-2)))
		}
		c.End("svg")
		entries = append(entries, keyEntry{template.HTML(c.SVG()), k[0]})
	}
	return entries
}

type keyEntry struct {
	Sign template.HTML
	Text string
}
