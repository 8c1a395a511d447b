package plot

import (
	"math"
	"slices"
	"strconv"
	"time"

	"example.org/understudy/harness/show"
)

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
			x := b.X0 + float64(float64(i)/2)
			brief = append(brief, []point{show.Pt(x, b.Y1), show.Pt(x, b.Y1-2-float64(10*cover[i]))})
		}
	}
	if len(brief) > 0 {
		d.used["brief"] = true
		d.lines(voidInk, 0.5, nil, brief)
	}
	d.blocks(c.voids, state, func(reason string, x0, x1 float64) {
		d.used["void"] = true
		in := show.Rect(x0, b.Y0, x1, b.Y1)
		d.fill(voidFill, in)
		d.hatch(voidInk, 0.5, 6, false, in)
		d.lines(voidInk, 0.5, nil, [][]point{{show.Pt(x0, b.Y0), show.Pt(x0, b.Y1)}, {show.Pt(x1, b.Y0), show.Pt(x1, b.Y1)}})
		words := reason
		if w, ok := voidWords[reason]; ok {
			words = w
		}
		words = plain(words)
		mid := in.Mid()
		switch w := d.measure(words, smallSize, false); {
		case w+8 < x1-x0:
			d.label(mark{Text: words, At: show.Pt(mid.X, under(mid.Y, smallSize)), Size: smallSize, Anchor: show.Middle, Ink: black})
		case x1-x0 > smallSize+3 && w+8 < b.Y1-b.Y0:
			d.label(mark{Text: words, At: show.Pt(under(mid.X, smallSize), mid.Y), Size: smallSize, Anchor: show.Middle, Up: true, Ink: black})
		}
	})
}

// trail is a line that drops the points it does not need.
type trail []point

func (t *trail) to(x, y float64) {
	p := show.Pt(x, y)
	if n := len(*t); n > 0 && (*t)[n-1] == p {
		return
	} else if n > 1 {
		a, b := (*t)[n-2], (*t)[n-1]
		if a.Y == b.Y && b.Y == y && (b.X-a.X)*(x-b.X) >= 0 || a.X == b.X && b.X == x && (b.Y-a.Y)*(y-b.Y) >= 0 {
			(*t)[n-1] = p
			return
		}
	}
	*t = append(*t, p)
}

// curves draws the value before rounding, the reading, and the part size where
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
			dots = append(dots, show.Pt(d.x(last.to), y(last.shown.last)))
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
		if p.Y >= b.Y0 && p.Y <= b.Y1 {
			d.Circle(show.Style{Fill: truthInk}, p, 2.6)
			d.Circle(show.Style{Fill: shownInk}, p, 1.4)
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
	cut := func(v float64) float64 { return min(max(y(v), b.Y0), b.Y1) }
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
	if p.Y < b.Y0 && q.Y < b.Y0 || p.Y > b.Y1 && q.Y > b.Y1 {
		return p, q, false
	}
	at := func(y float64) point { return show.Pt(p.X+float64((q.X-p.X)*((y-p.Y)/(q.Y-p.Y))), y) }
	from, to := p, q
	for _, e := range []*point{&from, &to} {
		if e.Y < b.Y0 {
			*e = at(b.Y0)
		} else if e.Y > b.Y1 {
			*e = at(b.Y1)
		}
	}
	return from, to, true
}

// beyonds marks where readings leave the panel, and says how far they go.
func (d *drawing) beyonds(bins []bin, b box, y func(float64) float64) {
	for _, up := range []bool{true, false} {
		beyond := func(e extent) (float64, bool) {
			if up {
				return e.hi, y(e.hi) < b.Y0-0.5
			}
			return e.lo, y(e.lo) > b.Y1+0.5
		}
		free := b.X0 // where the last words on this edge end
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
			p := show.Pt(x, b.Y1-1)
			if up {
				p.Y = b.Y0 + 1
			}
			d.beyond(p, up)
			words := strconv.FormatFloat(v, 'g', 6, 64)
			w := d.measure(words, smallSize, false)
			left := x + 5
			if left+w > b.X1-2 {
				left = x - 5 - w
			}
			if left > free+2 {
				py := b.Y1 - 2.5
				if up {
					py = b.Y0 + smallSize
				}
				d.label(mark{Text: words, At: show.Pt(left, py), Size: smallSize, Ink: shownInk})
				free = left + w
			}
		}
	}
}

// beyond is a triangle that points up from a point, or down.
func (d *drawing) beyond(p point, up bool) {
	base := p.Y + 6
	if !up {
		base = p.Y - 6
	}
	d.area(shownInk, white, 0.6, p, show.Pt(p.X+3.5, base), show.Pt(p.X-3.5, base))
}
