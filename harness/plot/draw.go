package plot

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// The inks. Lines and words keep a contrast of 3:1 and 4.5:1 against every
// ground they are drawn on (WCAG 2.1, success criteria 1.4.11 and 1.4.3).
const (
	white     ink = 0x1ffffff
	black     ink = 0x11c2126
	grey      ink = 0x1555c66
	faint     ink = 0x1dfe3e8 // guides; nothing depends on them
	guide     ink = 0x1b4bac2
	frame     ink = 0x17d8591
	truthInk  ink = 0x15d85b2 // broad and pale
	shownInk  ink = 0x10e2746 // thin and dark
	sizeInk   ink = 0x1555c66 // dotted
	spreadInk ink = 0x1c6d3e2 // a ground for those lines
	limitInk  ink = 0x18f2d14 // solid
	warnInk   ink = 0x1775600 // dashed
	tagInk    ink = 0x1005a4c
	outGround ink = 0x1f6e6df
	warGround ink = 0x1fbf4dc
	voidFill  ink = 0x1efefef
	voidInk   ink = 0x17f7f7f
)

// Sizes in points.
const (
	titleSize   = 13
	headingSize = 10
	textSize    = 8.5
	smallSize   = 8
	marginLeft  = 56
	marginRight = 88
	margin      = 14
	stripHeight = 14
	stripGap    = 5
	tagLane     = 13
	cueRows     = 6
	truthWidth  = 2.6
	sizeWidth   = 1.3
)

// Disclaimer stands on every picture.
const Disclaimer = "Simulated: releases no real part"

var (
	warnDash = []float64{5, 2.5}
	sizeDash = []float64{1.5, 2}
)

func (l limitsFrom) all() []zone.Limit {
	return []zone.Limit{l.Lower, l.WarnLower, l.WarnUpper, l.Upper}
}

func (c *channel) value(l decimal.Length) float64 {
	return float64(l) / float64(c.unit.Size())
}

// drawing is a sheet being drawn from the top down.
type drawing struct {
	sheet
	g      *gathering
	opt    *Options
	x0, x1 float64 // of the time axis
	y      float64 // how far down it is drawn
	axis   axis
	used   map[string]bool // signs for the legend
}

func draw(g *gathering, opt *Options) (sheet, error) {
	s, err := newSheet(opt.Width)
	if err != nil {
		return s, err
	}
	d := &drawing{sheet: s, g: g, opt: opt, x0: marginLeft, x1: opt.Width - marginRight, used: map[string]bool{}}
	panels := make([]panel, len(g.channels))
	for i, c := range g.channels {
		panels[i] = d.prepare(c)
		for _, v := range panels[i].ticks {
			d.x0 = max(d.x0, math.Ceil(12+d.measure(v.words, smallSize, false)))
		}
	}
	d.axis = timeAxis(g.from, g.to, max(2, int((d.x1-d.x0)/60)))

	// The panels come first, for the legend to show the signs they use; then
	// all is moved below the head.
	for i, c := range g.channels {
		if c.of != g.channels[max(i-1, 0)].of || i == 0 {
			d.y += 6
		}
		d.panel(&panels[i])
		if i == len(g.channels)-1 || g.channels[i+1].of != c.of {
			d.strips(c.of)
		}
		d.y += 10
	}
	d.y -= 10
	d.timeMarks()
	d.cues()
	body := d.marks
	d.marks = nil
	bottom := d.y

	d.y = margin
	d.head()
	for _, m := range body {
		d.marks = append(d.marks, m.moved(d.y))
	}
	d.y += bottom
	d.foot()
	d.height = d.y
	return d.sheet, nil
}

// x is where a time is.
func (d *drawing) x(t time.Duration) float64 {
	t = min(max(t, d.g.from), d.g.to)
	return d.x0 + float64((d.x1-d.x0)*(float64(t-d.g.from)/float64(d.g.to-d.g.from)))
}

func (d *drawing) head() {
	title := d.opt.Title
	if title == "" {
		title = d.g.run.Scenario
	}
	d.title = plain(title)
	wide := d.width - 2*margin
	for _, l := range d.wrap(plain(title), wide, titleSize, true, 2) {
		d.y += titleSize
		d.text(mark{text: l, at: point{margin, d.y}, size: titleSize, bold: true, fill: black})
		d.y += 3
	}
	note := d.opt.Note
	if note == "" {
		note = fmt.Sprintf("seed %d, pace %s", d.g.run.Seed, d.g.run.Pace)
		if d.g.run.File != "" {
			note = d.g.run.File + ", " + note
		}
	}
	d.y += textSize + 1
	d.text(mark{text: d.fitted(plain(note), wide, textSize, false), at: point{margin, d.y}, size: textSize, fill: grey})
	d.y += 6
	d.legend(wide)
	d.y += 4
}

// wrap breaks a text into at most so many lines.
func (d *drawing) wrap(text string, width, size float64, bold bool, most int) (lines []string) {
	line := ""
	words := strings.Fields(text)
	for i, w := range words {
		next := strings.TrimSpace(line + " " + w)
		if line != "" && d.measure(next, size, bold) > width {
			if len(lines) == most-1 {
				return append(lines, d.fitted(line+" "+strings.Join(words[i:], " "), width, size, bold))
			}
			lines = append(lines, line)
			next = w
		}
		line = next
	}
	if line != "" {
		lines = append(lines, d.fitted(line, width, size, bold))
	}
	return lines
}

// legend explains the signs that are used.
func (d *drawing) legend(wide float64) {
	const sample, gap = 20, 14
	x := float64(margin)
	d.y += textSize + 2
	entry := func(sign, words string, show func(b box)) {
		if !d.used[sign] {
			return
		}
		w := d.measure(words, smallSize, false)
		if x > margin && x+sample+4+w > margin+wide {
			x = margin
			d.y += smallSize + 5
		}
		show(box{x, d.y - smallSize + 1, x + sample, d.y})
		d.text(mark{text: words, at: point{x + sample + 4, d.y - 0.5}, size: smallSize, fill: black})
		x += sample + 4 + w + gap
	}
	across := func(i ink, width float64, dash []float64) func(b box) {
		return func(b box) {
			y := (b.y0 + b.y1) / 2
			d.line(i, width, dash, point{b.x0, y}, point{b.x1, y})
		}
	}
	entry("truth", "value before rounding", across(truthInk, truthWidth, nil))
	entry("size", "true size", across(sizeInk, sizeWidth, sizeDash))
	if d.used["spread"] {
		entry("reading", "usual reading", across(shownInk, 1, nil))
	} else {
		entry("reading", "reading", across(shownInk, 1, nil))
	}
	entry("spread", "smallest to largest reading", func(b box) { d.rect(spreadInk, 0, 0, b) })
	entry("limit", "specification limit", across(limitInk, 1.2, nil))
	entry("warn", "warning limit", across(warnInk, 1, warnDash))
	for _, t := range []struct {
		sign, words string
		zones       []zone.Zone
		repeat      bool
	}{
		{"tag", "tag", []zone.Zone{zone.Inside}, false},
		{"tag-warn", "tag in warning zone", []zone.Zone{zone.WarnHigh}, false},
		{"tag-out", "tag out of limits", []zone.Zone{zone.Above, zone.Below}, false},
		{"tag-void", "tag without a reading", []zone.Zone{zone.Void}, false},
		{"tag-repeat", "tag sent again", []zone.Zone{zone.Inside}, true},
	} {
		entry(t.sign, t.words, func(b box) {
			for i, z := range t.zones {
				x := b.x0 + (b.x1-b.x0)*float64(i+1)/float64(len(t.zones)+1)
				d.tagSign(point{x, (b.y0 + b.y1) / 2}, z, t.repeat, 3)
			}
		})
	}
	entry("void", "no reading", func(b box) {
		d.rect(voidFill, 0, 0, b)
		d.hatch(voidInk, 0.5, 4, false, b)
		d.rect(0, voidInk, 0.5, b)
	})
	entry("brief", "no reading for a moment", func(b box) {
		for i, x := 0, b.x0+4; x < b.x1; i, x = i+1, x+4 {
			d.line(voidInk, 0.5, nil, point{x, b.y1}, point{x, b.y1 - 3 - float64(2*(i%2))})
		}
	})
	entry("beyond", "goes on beyond the panel", func(b box) {
		d.beyond(point{b.mid().x, b.y0 + 1}, true)
	})
	d.y += 4
}

// panel is one channel made ready to be drawn.
type panel struct {
	*channel
	column       time.Duration
	line, spread []bin // see series.columns
	all          []bin // those with the smallest and largest readings
	scale        scale
	ticks        []tick
}

type tick struct {
	at    float64
	words string
}

func (d *drawing) prepare(c *channel) panel {
	p := panel{channel: c, column: max(1, time.Duration(float64(d.g.to-d.g.from)/(2*(d.x1-d.x0))))}
	p.line, p.spread = c.series.columns(p.column)
	if p.all = p.spread; p.all == nil {
		p.all = p.line
	}
	p.scale = c.fit(p.all)
	at, decimals := p.scale.ticks(int(d.opt.Height / 25))
	for _, v := range at {
		words := number(v, decimals)
		if len(words) > 14 {
			words = strconv.FormatFloat(v, 'g', 8, 64)
		}
		p.ticks = append(p.ticks, tick{v, words})
	}
	return p
}

func (d *drawing) panel(p *panel) {
	c := p.channel
	d.y += headingSize
	d.heading(c)
	d.y += 5
	b := box{d.x0, d.y, d.x1, d.y + d.opt.Height}
	d.y = b.y1
	plotted := b // below the numbers of the tags
	if len(c.tags) > 0 {
		plotted.y0 += tagLane
	}
	y := func(v float64) float64 {
		return plotted.y1 - float64((plotted.y1-plotted.y0)*((v-p.scale.lo)/(p.scale.hi-p.scale.lo)))
	}
	d.ground(c, plotted, y)
	for _, t := range p.ticks {
		d.line(faint, 0.5, nil, point{b.x0, y(t.at)}, point{b.x1, y(t.at)})
		d.line(frame, 0.7, nil, point{b.x0 - 3, y(t.at)}, point{b.x0, y(t.at)})
		d.text(mark{text: t.words, at: point{b.x0 - 5, under(y(t.at), smallSize)}, size: smallSize, anchor: end, fill: black})
	}
	d.guides(b)
	d.voids(c, plotted)
	d.spread(p, plotted, y)
	d.limitLines(c, plotted, y)
	d.curves(p, plotted, y)
	d.beyonds(p.all, plotted, y)
	d.tags(c, b, plotted, y)
	d.rect(0, frame, 0.8, b)
	d.sideWords(c, plotted, y)
	if c.count == 0 {
		d.label(mark{text: "no readings in this time", at: point{b.mid().x, under(b.mid().y, headingSize)}, size: headingSize, anchor: middle, fill: grey})
	}
}

func (d *drawing) heading(c *channel) {
	name := c.of.name
	if c.name != "" {
		name += ", channel " + c.name
	}
	name = d.fitted(plain(name), (d.x1-d.x0)/2, headingSize, true)
	d.text(mark{text: name, at: point{d.x0, d.y}, size: headingSize, bold: true, fill: black})
	parts := []string{c.unit.Symbol()}
	for _, f := range []string{"max", "min", "fim"} {
		if c.function[f] {
			parts = append(parts, f)
		}
	}
	if len(parts) > 1 && c.function["live"] {
		parts = slices.Insert(parts, 1, "live")
	}
	parts = append(parts, count(c.count, "reading"))
	if len(c.tags) > 0 {
		parts = append(parts, count(len(c.tags), "tag"))
	}
	d.text(mark{text: strings.Join(parts, ", "), at: point{d.x0 + d.measure(name, headingSize, true) + 8, d.y}, size: textSize, fill: grey})
}

func count(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return strconv.Itoa(n) + " " + what
}

// guides draws the lines of the time marks behind a panel.
func (d *drawing) guides(b box) {
	for _, t := range d.axis.at {
		if x := d.x(t); x > b.x0+0.5 && x < b.x1-0.5 {
			d.line(faint, 0.5, nil, point{x, b.y0}, point{x, b.y1})
		}
	}
}

// stretches calls f for each stretch of time with the same limits.
func (d *drawing) stretches(c *channel, f func(l zone.Limits, x0, x1 float64)) {
	for i, l := range c.limits {
		to := d.g.to
		if i+1 < len(c.limits) {
			to = c.limits[i+1].at
		}
		if x0, x1 := d.x(l.at), d.x(to); x1 > x0 {
			f(l.Limits, x0, x1)
		}
	}
}

// ground shades the zones.
func (d *drawing) ground(c *channel, b box, y func(float64) float64) {
	d.stretches(c, func(l zone.Limits, x0, x1 float64) {
		band := func(i ink, from, to zone.Limit) {
			top, bottom := b.y0, b.y1
			if to.Set {
				top = y(c.value(to.At))
			}
			if from.Set {
				bottom = y(c.value(from.At))
			}
			if bottom > top {
				d.rect(i, 0, 0, box{x0, top, x1, bottom})
			}
		}
		if l.WarnUpper.Set {
			band(warGround, l.WarnUpper, l.Upper)
		}
		if l.WarnLower.Set {
			band(warGround, l.Lower, l.WarnLower)
		}
		if l.Upper.Set {
			band(outGround, l.Upper, zone.Limit{})
		}
		if l.Lower.Set {
			band(outGround, zone.Limit{}, l.Lower)
		}
	})
}

func (d *drawing) limitLines(c *channel, b box, y func(float64) float64) {
	d.stretches(c, func(l zone.Limits, x0, x1 float64) {
		for i, at := range (limitsFrom{Limits: l}).all() {
			if !at.Set {
				continue
			}
			v := y(c.value(at.At))
			if i == 0 || i == 3 {
				d.used["limit"] = true
				d.line(limitInk, 1.2, nil, point{x0, v}, point{x1, v})
			} else {
				d.used["warn"] = true
				d.line(warnInk, 1, warnDash, point{x0, v}, point{x1, v})
			}
		}
	})
}

// sideWords names the zones and the limits that hold at the end, at the right
// edge.
func (d *drawing) sideWords(c *channel, b box, y func(float64) float64) {
	type word struct {
		y    float64
		text string
		ink  ink
		line bool // a limit's
	}
	var words []word
	l := c.limits[len(c.limits)-1]
	zones := [...]string{"below", "warn-low", "inside", "inside"} // just under each limit
	if l.WarnUpper.Set {
		zones[3] = "warn-high"
	}
	names := [...]string{"lower ", "warn ", "warn ", "upper "}
	inks := [...]ink{limitInk, warnInk, warnInk, limitInk}
	edge, top := b.y1, "inside"
	written := c.written(l.all())
	for i, at := range l.all() {
		if !at.Set {
			continue
		}
		v := y(c.value(at.At))
		words = append(words, word{(edge + v) / 2, zones[i], grey, false}, word{v, names[i] + written[i], inks[i], true})
		edge = v
		top = [...]string{"inside", "inside", "warn-high", "above"}[i]
	}
	if len(words) > 0 {
		words = append(words, word{(edge + b.y0) / 2, top, grey, false})
	}
	const gap = smallSize + 1.5
	for _, drop := range []string{"warn-", ""} { // the limits stay, the zones go where they do not fit
		if float64(len(words))*gap > b.y1-b.y0 {
			words = slices.DeleteFunc(words, func(w word) bool { return !w.line && strings.HasPrefix(w.text, drop) })
		}
	}
	// Upwards from the lower edge, then down again where they ran over the top.
	ys := make([]float64, len(words))
	at := b.y1 + gap/2
	for i, w := range words {
		at = min(w.y, at-gap)
		ys[i] = at
	}
	at = b.y0 - gap/2
	for i := len(ys) - 1; i >= 0; i-- {
		at = max(ys[i], at+gap)
		ys[i] = at
	}
	for i, w := range words {
		if w.line {
			d.line(w.ink, 0.6, nil, point{b.x1, w.y}, point{b.x1 + 3, w.y}, point{b.x1 + 8, ys[i]}, point{b.x1 + 10, ys[i]})
		}
		d.text(mark{text: w.text, at: point{b.x1 + 12, under(ys[i], smallSize)}, size: smallSize, bold: w.line, fill: w.ink})
	}
}

// written writes limits with as many decimals as the finest of them has, if
// that fits beside a panel.
func (c *channel) written(limits []zone.Limit) []string {
	out := make([]string, len(limits))
	decimals := 0
	for i, l := range limits {
		v, _ := l.At.In(c.unit)
		out[i] = v.String()
		decimals = max(decimals, -v.Exponent())
	}
	for i, l := range limits {
		v, _ := l.At.In(c.unit)
		if same := v.Quantize(-min(decimals, 8), decimal.HalfEven).String(); len(out[i]) <= 10 && len(same) <= 10 {
			out[i] = same
		}
		for n := 7; n > 1 && len(out[i]) > 10; n-- {
			out[i] = strconv.FormatFloat(v.Float64(), 'g', n, 64)
		}
	}
	return out
}

// columns gives each half point of the time axis to one of the spells that
// touch it, by rank; −1 where none does. cover is the share of it they take.
func (d *drawing) columns(spells []spell, rank func(state string) int) (state []int, cover []float64) {
	n := int(2 * (d.x1 - d.x0))
	state, cover = make([]int, n), make([]float64, n)
	for i := range state {
		state[i] = -1
	}
	for k, s := range spells {
		if s.to < d.g.from || s.from > d.g.to {
			continue
		}
		x0, x1 := 2*(d.x(s.from)-d.x0), 2*(d.x(s.to)-d.x0)
		for i := int(x0); i < n && (float64(i) < x1 || i == int(x0)); i++ {
			if state[i] < 0 || rank(spells[state[i]].state) <= rank(s.state) {
				state[i] = k
			}
			cover[i] += max(0, min(x1, float64(i+1))-max(x0, float64(i)))
		}
	}
	return state, cover
}

// blocks joins neighbouring columns of one state.
func (d *drawing) blocks(spells []spell, state []int, f func(state string, x0, x1 float64)) {
	for i := 0; i < len(state); {
		j := i + 1
		for j < len(state) && (state[j] >= 0) == (state[i] >= 0) && (state[i] < 0 || spells[state[j]].state == spells[state[i]].state) {
			j++
		}
		if state[i] >= 0 {
			f(spells[state[i]].state, d.x0+float64(float64(i)/2), d.x0+float64(float64(j)/2))
		}
		i = j
	}
}

var voidWords = map[string]string{"under": "under range", "over": "over range", "missing": "no probe", "empty": "nothing measured"}

// voids hatches the times without a reading. Where they take less than half of
// a column, they only mark the lower edge, the higher the more.
func (d *drawing) voids(c *channel, b box) {
	state, cover := d.columns(c.voids, func(string) int { return 0 })
	var brief [][]point
	half := func(i int) bool { return i >= 0 && i < len(cover) && cover[i] >= 0.5 }
	for i := range state {
		if state[i] < 0 || half(i) {
			continue
		}
		state[i] = -1
		if !half(i-1) && !half(i+1) { // else it is the rim of a longer time
			x := b.x0 + float64(float64(i)/2)
			brief = append(brief, []point{{x, b.y1}, {x, b.y1 - 2 - float64(10*cover[i])}})
		}
	}
	if len(brief) > 0 {
		d.used["brief"] = true
		d.lines(voidInk, 0.5, nil, brief)
	}
	d.blocks(c.voids, state, func(reason string, x0, x1 float64) {
		d.used["void"] = true
		in := box{x0, b.y0, x1, b.y1}
		d.rect(voidFill, 0, 0, in)
		d.hatch(voidInk, 0.5, 6, false, in)
		d.lines(voidInk, 0.5, nil, [][]point{{{x0, b.y0}, {x0, b.y1}}, {{x1, b.y0}, {x1, b.y1}}})
		words := reason
		if w, ok := voidWords[reason]; ok {
			words = w
		}
		words = plain(words)
		mid := in.mid()
		switch w := d.measure(words, smallSize, false); {
		case w+8 < x1-x0:
			d.label(mark{text: words, at: point{mid.x, under(mid.y, smallSize)}, size: smallSize, anchor: middle, fill: black})
		case x1-x0 > smallSize+3 && w+8 < b.y1-b.y0:
			d.label(mark{text: words, at: point{under(mid.x, smallSize), mid.y}, size: smallSize, anchor: middle, up: true, fill: black})
		}
	})
}

// trail is a line that drops the points it does not need.
type trail []point

func (t *trail) to(x, y float64) {
	p := point{x, y}
	if n := len(*t); n > 0 && (*t)[n-1] == p {
		return
	} else if n > 1 {
		a, b := (*t)[n-2], (*t)[n-1]
		if a.y == b.y && b.y == y && (b.x-a.x)*(x-b.x) >= 0 || a.x == b.x && b.x == x && (b.y-a.y)*(y-b.y) >= 0 {
			(*t)[n-1] = p
			return
		}
	}
	*t = append(*t, p)
}

// curves draws the value before rounding, the reading, and the true size where
// the probe makes something else of it.
func (d *drawing) curves(p *panel, b box, y func(float64) float64) {
	c := p.channel
	hold := c.series.typical()
	var truth, shown, size [][]point
	var dots []point
	for _, run := range c.series.runs(p.line, p.column) {
		var t, s, z trail
		strays := false
		for i, r := range run {
			x0, x1 := d.x(r.from), d.x(r.to)
			if i > 0 {
				s.to(x0, y(run[i-1].shown.last))
			}
			follow(&t, r.truth, x0, x1, y)
			follow(&s, r.shown, x0, x1, y)
			follow(&z, r.size, x0, x1, y)
			strays = strays || math.Abs(r.size.last-r.truth.last) > c.step
		}
		if strays {
			size = append(size, z)
		}
		last := run[len(run)-1]
		until := last.to + min(hold, time.Second)
		for _, v := range c.voids {
			if v.from >= last.to {
				until = min(until, v.from)
				break
			}
		}
		if x := d.x(until); x-d.x(run[0].from) > 1 {
			s.to(x, y(last.shown.last))
			t.to(x, y(last.truth.last))
			truth, shown = append(truth, t), append(shown, s)
		} else {
			dots = append(dots, point{d.x(last.to), y(last.shown.last)})
		}
	}
	if len(p.line) > 0 {
		d.used["truth"], d.used["reading"] = true, true
	}
	thin := 1.0
	if p.spread != nil {
		thin = 0.7
	}
	d.lines(truthInk, truthWidth*thin, nil, within(truth, b))
	for _, p := range dots {
		if p.y >= b.y0 && p.y <= b.y1 {
			d.disc(p, 2.6, truthInk, 0)
			d.disc(p, 1.4, shownInk, 0)
		}
	}
	d.lines(shownInk, thin, nil, within(shown, b))
	if kept := within(size, b); len(kept) > 0 {
		d.used["size"] = true
		d.lines(sizeInk, sizeWidth, sizeDash, kept)
	}
}

// spread shades from the smallest to the largest reading of each column.
func (d *drawing) spread(p *panel, b box, y func(float64) float64) {
	cut := func(v float64) float64 { return min(max(y(v), b.y0), b.y1) }
	columns, width := p.spread, p.column
	for i := 0; i < len(columns); {
		j := i + 1
		for j < len(columns) && columns[j].from/width == columns[j-1].from/width+1 {
			j++
		}
		var upper, lower trail
		for _, r := range columns[i:j] {
			x0, x1 := d.x(r.from/width*width), d.x((r.from/width+1)*width)
			upper.to(x0, cut(r.shown.hi))
			upper.to(x1, cut(r.shown.hi))
			lower.to(x0, cut(r.shown.lo))
			lower.to(x1, cut(r.shown.lo))
		}
		slices.Reverse(lower)
		d.area(spreadInk, spreadInk, 0.4, append(upper, lower...)...)
		d.used["spread"] = true
		i = j
	}
}

// follow adds a bin's values to a trail.
func follow(t *trail, e extent, x0, x1 float64, y func(float64) float64) {
	t.to(x0, y(e.first))
	if e.lo != e.hi {
		mid := (x0 + x1) / 2
		t.to(mid, y(e.lo))
		t.to(mid, y(e.hi))
	}
	t.to(x1, y(e.last))
}

// within cuts lines off at the upper and lower edge of a box.
func within(lines [][]point, b box) (out [][]point) {
	for _, l := range lines {
		var cut []point
		for i := 1; i < len(l); i++ {
			p, q, ok := clip(l[i-1], l[i], b)
			if !ok {
				continue
			}
			if n := len(cut); n == 0 || cut[n-1] != p {
				if n > 0 {
					out = append(out, cut)
				}
				cut = []point{p}
			}
			cut = append(cut, q)
		}
		if len(cut) > 0 {
			out = append(out, cut)
		}
	}
	return out
}

func clip(p, q point, b box) (point, point, bool) {
	if p.y < b.y0 && q.y < b.y0 || p.y > b.y1 && q.y > b.y1 {
		return p, q, false
	}
	at := func(y float64) point { return point{p.x + float64((q.x-p.x)*((y-p.y)/(q.y-p.y))), y} }
	from, to := p, q
	for _, e := range []*point{&from, &to} {
		if e.y < b.y0 {
			*e = at(b.y0)
		} else if e.y > b.y1 {
			*e = at(b.y1)
		}
	}
	return from, to, true
}

// beyonds marks where readings leave the panel, and says how far they go.
func (d *drawing) beyonds(bins []bin, b box, y func(float64) float64) {
	for _, up := range []bool{true, false} {
		beyond := func(e extent) (float64, bool) {
			if up {
				return e.hi, y(e.hi) < b.y0-0.5
			}
			return e.lo, y(e.lo) > b.y1+0.5
		}
		free := b.x0 // where the last words on this edge end
		for i := 0; i < len(bins); {
			v, out := beyond(bins[i].shown)
			if !out {
				i++
				continue
			}
			x, last := d.x(bins[i].from), d.x(bins[i].from)
			for i++; i < len(bins) && d.x(bins[i].from)-last < 16; i++ {
				if w, out := beyond(bins[i].shown); out {
					last = d.x(bins[i].from)
					if up && w > v || !up && w < v {
						v, x = w, last
					}
				}
			}
			d.used["beyond"] = true
			p := point{x, b.y1 - 1}
			if up {
				p.y = b.y0 + 1
			}
			d.beyond(p, up)
			words := strconv.FormatFloat(v, 'g', 6, 64)
			w := d.measure(words, smallSize, false)
			left := x + 5
			if left+w > b.x1-2 {
				left = x - 5 - w
			}
			if left > free+2 {
				py := b.y1 - 2.5
				if up {
					py = b.y0 + smallSize
				}
				d.label(mark{text: words, at: point{left, py}, size: smallSize, fill: shownInk})
				free = left + w
			}
		}
	}
}

// beyond is a triangle that points up from a point, or down.
func (d *drawing) beyond(p point, up bool) {
	base := p.y + 6
	if !up {
		base = p.y - 6
	}
	d.area(shownInk, white, 0.6, p, point{p.x + 3.5, base}, point{p.x - 3.5, base})
}

// disc is a many-cornered circle.
func (d *drawing) disc(p point, r float64, fill, stroke ink) {
	// cos and sin of multiples of 30°
	const a, b = 0.8660254037844386, 0.5
	var pts []point
	for _, u := range []point{{1, 0}, {a, b}, {b, a}, {0, 1}, {-b, a}, {-a, b}, {-1, 0}, {-a, -b}, {-b, -a}, {0, -1}, {b, -a}, {a, -b}} {
		pts = append(pts, point{p.x + float64(r*u.x), p.y + float64(r*u.y)})
	}
	d.area(fill, stroke, 0.8, pts...)
}

// tagSign is a tag's shape: by its zone a disc, a diamond, a triangle up or
// down, or a cross for none; hollow when the tag was sent again.
func (d *drawing) tagSign(p point, z zone.Zone, repeat bool, r float64) {
	fill, stroke := tagInk, white
	if repeat {
		fill, stroke = white, tagInk
	}
	switch z {
	case zone.Void:
		d.lines(white, 3, nil, cross(p, r))
		d.lines(tagInk, 1.6, nil, cross(p, r))
	case zone.WarnLow, zone.WarnHigh:
		k := float64(r * 1.35)
		d.area(fill, stroke, 0.8, point{p.x, p.y - k}, point{p.x + k, p.y}, point{p.x, p.y + k}, point{p.x - k, p.y})
	case zone.Above, zone.Below:
		k := float64(r * 1.3)
		if z == zone.Below {
			k = -k
		}
		d.area(fill, stroke, 0.8, point{p.x, p.y - k}, point{p.x + math.Abs(k), p.y + float64(0.8*k)}, point{p.x - math.Abs(k), p.y + float64(0.8*k)})
	default:
		d.disc(p, r, fill, stroke)
	}
}

func cross(p point, r float64) [][]point {
	return [][]point{{{p.x - r, p.y - r}, {p.x + r, p.y + r}}, {{p.x - r, p.y + r}, {p.x + r, p.y - r}}}
}

// tags draws the tags: their numbers in a lane along the upper edge, their
// signs at their readings.
func (d *drawing) tags(c *channel, b, plotted box, y func(float64) float64) {
	if len(c.tags) == 0 {
		return
	}
	d.rect(white, 0, 0, box{b.x0, b.y0, b.x1, plotted.y0})
	d.line(frame, 0.5, nil, point{b.x0, plotted.y0}, point{b.x1, plotted.y0})
	few := len(c.tags) <= int(b.x1-b.x0)/8
	r := 3.0
	if !few {
		r = 1.6
	}
	var drops, feet [][]point
	for _, t := range c.tags {
		x := d.x(t.at)
		if few {
			drops = append(drops, []point{{x, plotted.y0}, {x, d.tagY(t, plotted, y)}})
		}
		feet = append(feet, []point{{x, plotted.y0}, {x, plotted.y0 - 2.5}})
	}
	d.lines(tagInk, 0.5, []float64{1, 1.5}, drops)
	d.lines(tagInk, 0.8, nil, feet)
	for _, t := range c.tags {
		sign := "tag"
		switch {
		case t.zone == zone.Void:
			sign = "tag-void"
		case t.repeat:
			sign = "tag-repeat"
		case t.zone == zone.WarnLow || t.zone == zone.WarnHigh:
			sign = "tag-warn"
		case !zone.Conforms(t.zone):
			sign = "tag-out"
		}
		d.used[sign] = true
		d.tagSign(point{d.x(t.at), d.tagY(t, plotted, y)}, t.zone, t.repeat, r)
	}
	for _, m := range d.tagNumbers(c.tags, b) {
		m.at.y = plotted.y0 - 4
		d.text(m)
	}
}

// tagNumbers places the tags' numbers side by side; those that have no room of
// their own are written from first to last.
func (d *drawing) tagNumbers(tags []tag, b box) (words []mark) {
	type group struct {
		first, last int64
		n           int     // of its tags that are not sent again
		x0, x1      float64 // of its tags
		left, right float64 // of its words
		text        string
	}
	place := func(g group) group {
		g.text = strconv.FormatInt(g.first, 10)
		if g.n > 1 {
			g.text += "–" + strconv.FormatInt(g.last, 10)
		}
		w := d.measure(g.text, smallSize, true)
		g.left = min(max(float64((g.x0+g.x1)/2)-float64(w/2), b.x0+2), b.x1-2-w)
		g.right = g.left + w
		return g
	}
	var groups []group
	for _, t := range tags {
		x := d.x(t.at)
		one := group{first: t.number, last: t.number, n: 1, x0: x, x1: x}
		if t.repeat {
			one.n = 0
		}
		groups = append(groups, place(one))
		for n := len(groups); n > 1 && groups[n-1].left < groups[n-2].right+5; n-- {
			g := groups[n-2]
			g.last, g.x1, g.n = groups[n-1].last, groups[n-1].x1, g.n+groups[n-1].n
			groups = append(groups[:n-2], place(g))
		}
	}
	for _, g := range groups {
		words = append(words, mark{text: g.text, at: point{x: g.left}, size: smallSize, bold: true, fill: tagInk})
	}
	return words
}

func (d *drawing) tagY(t tag, b box, y func(float64) float64) float64 {
	if t.zone == zone.Void {
		return b.y1 - 8
	}
	return min(max(y(t.value), b.y0+4), b.y1-4)
}

// timeMarks draws the time axis below all panels.
func (d *drawing) timeMarks() {
	d.y += 3
	d.line(frame, 0.8, nil, point{d.x0, d.y}, point{d.x1, d.y})
	free := 0.0
	for _, t := range d.axis.at {
		x := d.x(t)
		d.line(frame, 0.8, nil, point{x, d.y}, point{x, d.y + 4})
		words := number(float64(t)/float64(d.axis.size), d.axis.decimals)
		if w := float64(d.measure(words, textSize, false) / 2); x-w > free && x+w < d.x1+10 {
			d.text(mark{text: words, at: point{x, d.y + 5 + textSize}, size: textSize, anchor: middle, fill: black})
			free = x + w + 4
		}
	}
	d.text(mark{text: "time, " + d.axis.unit, at: point{d.x1 + 12, d.y + 5 + textSize}, size: textSize, fill: grey})
	d.y += 8 + textSize
}

func (d *drawing) foot() {
	d.y += 8
	d.line(frame, 0.5, nil, point{margin, d.y}, point{d.width - margin, d.y})
	d.y += textSize + 4
	d.text(mark{text: Disclaimer, at: point{margin, d.y}, size: textSize, bold: true, fill: black})
	if d.g.cut {
		d.text(mark{text: "The ledger is cut off: the run goes on past it, or was stopped", at: point{d.width - margin, d.y}, size: textSize, anchor: end, fill: limitInk})
	}
	d.y += margin - 4
	var all []string
	for _, c := range d.g.channels {
		all = append(all, fmt.Sprintf("%s %s: %s, %s", c.of.name, c.name, count(c.count, "reading"), count(len(c.tags), "tag")))
	}
	d.desc = plain(strings.Join(all, "; ") + ". " + Disclaimer + ".")
}
