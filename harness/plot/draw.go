package plot

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/harness/show"
	"example.org/understudy/sim/zone"
)

// The inks. Lines and words keep a contrast of 3:1 and 4.5:1 against every
// ground they are drawn on (WCAG 2.1, success criteria 1.4.11 and 1.4.3).
const (
	white     ink = "#ffffff"
	black     ink = "#1c2126"
	grey      ink = "#555c66"
	faint     ink = "#dfe3e8" // guides; nothing depends on them
	guide     ink = "#b4bac2"
	frame     ink = "#7d8591"
	truthInk  ink = "#5d85b2" // broad and pale
	shownInk  ink = "#0e2746" // thin and dark
	sizeInk   ink = "#555c66" // dotted
	spreadInk ink = "#c6d3e2" // a ground for those lines
	limitInk  ink = "#8f2d14" // solid
	warnInk   ink = "#775600" // dashed
	tagInk    ink = "#005a4c"
	outGround ink = "#f6e6df"
	warGround ink = "#fbf4dc"
	voidFill  ink = "#efefef"
	voidInk   ink = "#7f7f7f"
)

// Sizes in points.
const (
	titleSize   = 13
	headingSize = 10
	textSize    = 8.5
	smallSize   = 8
	width       = 640 // of the picture
	panelHeight = 150
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

// drawing is a sheet being drawn from the top down.
type drawing struct {
	sheet
	g      *gathering
	x0, x1 float64 // of the time axis
	y      float64 // how far down it is drawn
	axis   axis
	used   map[string]bool // signs for the legend
}

func draw(g *gathering) (sheet, error) {
	s, err := newSheet()
	if err != nil {
		return s, err
	}
	d := &drawing{sheet: s, g: g, x0: marginLeft, x1: width - marginRight, used: map[string]bool{}}
	panels := make([]panel, len(g.channels))
	for i, c := range g.channels {
		panels[i] = d.prepare(c)
		for _, v := range panels[i].ticks {
			d.x0 = max(d.x0, math.Ceil(12+d.measure(v.words, smallSize, false)))
		}
	}
	d.axis = timeAxis(g.to, max(2, int((d.x1-d.x0)/60)))

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
	body := d.Marks
	d.Marks = nil
	bottom := d.y

	d.y = margin
	d.head()
	for _, m := range body {
		d.Marks = append(d.Marks, m.Moved(d.y))
	}
	d.y += bottom
	d.foot()
	d.height = d.y
	return d.sheet, nil
}

// x is where a time is.
func (d *drawing) x(t time.Duration) float64 {
	t = min(max(t, 0), d.g.to)
	return d.x0 + float64((d.x1-d.x0)*(float64(t)/float64(d.g.to)))
}

func (d *drawing) head() {
	d.title = plain(d.g.run.Scenario)
	const wide = width - 2*margin
	for _, l := range d.wrap(d.title, wide, titleSize, true, 2) {
		d.y += titleSize
		d.text(mark{Text: l, At: show.Pt(margin, d.y), Size: titleSize, Bold: true, Ink: black})
		d.y += 3
	}
	note := fmt.Sprintf("seed %d, pace %s", d.g.run.Seed, d.g.run.Pace)
	if d.g.run.File != "" {
		note = d.g.run.File + ", " + note
	}
	d.y += textSize + 1
	d.text(mark{Text: d.fitted(plain(note), wide, textSize, false), At: show.Pt(margin, d.y), Size: textSize, Ink: grey})
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
	entry := func(sign, words string, example func(b box)) {
		if !d.used[sign] {
			return
		}
		w := d.measure(words, smallSize, false)
		if x > margin && x+sample+4+w > margin+wide {
			x = margin
			d.y += smallSize + 5
		}
		example(show.Rect(x, d.y-smallSize+1, x+sample, d.y))
		d.text(mark{Text: words, At: show.Pt(x+sample+4, d.y-0.5), Size: smallSize, Ink: black})
		x += sample + 4 + w + gap
	}
	across := func(i ink, width float64, dash []float64) func(b box) {
		return func(b box) {
			y := (b.Y0 + b.Y1) / 2
			d.line(i, width, dash, show.Pt(b.X0, y), show.Pt(b.X1, y))
		}
	}
	entry("truth", "value before rounding", across(truthInk, truthWidth, nil))
	entry("size", "part size", across(sizeInk, sizeWidth, sizeDash))
	if d.used["spread"] {
		entry("reading", "usual reading", across(shownInk, 1, nil))
	} else {
		entry("reading", "reading", across(shownInk, 1, nil))
	}
	entry("spread", "smallest to largest reading", func(b box) { d.fill(spreadInk, b) })
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
				x := b.X0 + (b.X1-b.X0)*float64(i+1)/float64(len(t.zones)+1)
				d.tagSign(show.Pt(x, (b.Y0+b.Y1)/2), z, t.repeat, 3)
			}
		})
	}
	entry("void", "no reading", func(b box) {
		d.fill(voidFill, b)
		d.hatch(voidInk, 0.5, 4, false, b)
		d.rect("", voidInk, 0.5, b)
	})
	entry("brief", "no reading for a moment", func(b box) {
		for i, x := 0, b.X0+4; x < b.X1; i, x = i+1, x+4 {
			d.line(voidInk, 0.5, nil, show.Pt(x, b.Y1), show.Pt(x, b.Y1-3-float64(2*(i%2))))
		}
	})
	entry("beyond", "goes on beyond the panel", func(b box) {
		d.beyond(show.Pt(b.Mid().X, b.Y0+1), true)
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
	p := panel{channel: c, column: max(1, time.Duration(float64(d.g.to)/(2*(d.x1-d.x0))))}
	p.line, p.spread = c.series.columns(p.column)
	if p.all = p.spread; p.all == nil {
		p.all = p.line
	}
	p.scale = c.fit(p.all)
	at, decimals := show.Ticks(p.scale.lo, p.scale.hi, panelHeight/25)
	for _, v := range at {
		words := show.Decimal(v, decimals)
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
	b := show.Rect(d.x0, d.y, d.x1, d.y+panelHeight)
	d.y = b.Y1
	plotted := b // below the numbers of the tags
	if len(c.tags) > 0 {
		plotted.Y0 += tagLane
	}
	y := func(v float64) float64 {
		return plotted.Y1 - float64((plotted.Y1-plotted.Y0)*((v-p.scale.lo)/(p.scale.hi-p.scale.lo)))
	}
	d.ground(c, plotted, y)
	for _, t := range p.ticks {
		d.line(faint, 0.5, nil, show.Pt(b.X0, y(t.at)), show.Pt(b.X1, y(t.at)))
		d.line(frame, 0.7, nil, show.Pt(b.X0-3, y(t.at)), show.Pt(b.X0, y(t.at)))
		d.text(mark{Text: t.words, At: show.Pt(b.X0-5, under(y(t.at), smallSize)), Size: smallSize, Anchor: show.End, Ink: black})
	}
	d.guides(b)
	d.voids(c, plotted)
	d.spread(p, plotted, y)
	d.limitLines(c, plotted, y)
	d.curves(p, plotted, y)
	d.beyonds(p.all, plotted, y)
	d.tags(c, b, plotted, y)
	d.rect("", frame, 0.8, b)
	d.sideWords(c, plotted, y)
	if c.count == 0 {
		d.label(mark{Text: "no readings in this time", At: show.Pt(b.Mid().X, under(b.Mid().Y, headingSize)), Size: headingSize, Anchor: show.Middle, Ink: grey})
	}
}

func (d *drawing) heading(c *channel) {
	name := c.of.name
	if c.name != "" {
		name += ", channel " + c.name
	}
	name = d.fitted(plain(name), (d.x1-d.x0)/2, headingSize, true)
	d.text(mark{Text: name, At: show.Pt(d.x0, d.y), Size: headingSize, Bold: true, Ink: black})
	parts := []string{c.unit.Symbol()}
	for _, f := range []string{"max", "min", "fim"} {
		if c.function[f] {
			parts = append(parts, f)
		}
	}
	if len(parts) > 1 && c.function["live"] {
		parts = slices.Insert(parts, 1, "live")
	}
	parts = append(parts, show.Counted(c.count, "reading"))
	if len(c.tags) > 0 {
		parts = append(parts, show.Counted(len(c.tags), "tag"))
	}
	d.text(mark{Text: strings.Join(parts, ", "), At: show.Pt(d.x0+d.measure(name, headingSize, true)+8, d.y), Size: textSize, Ink: grey})
}

// guides draws the lines of the time marks behind a panel.
func (d *drawing) guides(b box) {
	for _, t := range d.axis.at {
		if x := d.x(t); x > b.X0+0.5 && x < b.X1-0.5 {
			d.line(faint, 0.5, nil, show.Pt(x, b.Y0), show.Pt(x, b.Y1))
		}
	}
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

// timeMarks draws the time axis below all panels.
func (d *drawing) timeMarks() {
	d.y += 3
	d.line(frame, 0.8, nil, show.Pt(d.x0, d.y), show.Pt(d.x1, d.y))
	free := 0.0
	for _, t := range d.axis.at {
		x := d.x(t)
		d.line(frame, 0.8, nil, show.Pt(x, d.y), show.Pt(x, d.y+4))
		words := show.Decimal(float64(t)/float64(d.axis.size), d.axis.decimals)
		if w := float64(d.measure(words, textSize, false) / 2); x-w > free && x+w < d.x1+10 {
			d.text(mark{Text: words, At: show.Pt(x, d.y+5+textSize), Size: textSize, Anchor: show.Middle, Ink: black})
			free = x + w + 4
		}
	}
	d.text(mark{Text: "time, " + d.axis.unit, At: show.Pt(d.x1+12, d.y+5+textSize), Size: textSize, Ink: grey})
	d.y += 8 + textSize
}

func (d *drawing) foot() {
	d.y += 8
	d.line(frame, 0.5, nil, show.Pt(margin, d.y), show.Pt(width-margin, d.y))
	d.y += textSize + 4
	d.text(mark{Text: Disclaimer, At: show.Pt(margin, d.y), Size: textSize, Bold: true, Ink: black})
	if d.g.cut {
		d.text(mark{Text: "The ledger is cut off: the run goes on past it, or was stopped", At: show.Pt(width-margin, d.y), Size: textSize, Anchor: show.End, Ink: limitInk})
	}
	d.y += margin - 4
	var all []string
	for _, c := range d.g.channels {
		all = append(all, fmt.Sprintf("%s %s: %s, %s", c.of.name, c.name, show.Counted(c.count, "reading"), show.Counted(len(c.tags), "tag")))
	}
	d.desc = plain(strings.Join(all, "; ") + ". " + Disclaimer + ".")
}
