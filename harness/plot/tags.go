package plot

import (
	"math"
	"strconv"

	"example.org/understudy/harness/show"
	"example.org/understudy/sim/zone"
)

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
		d.area(fill, stroke, 0.8, show.Pt(p.X, p.Y-k), show.Pt(p.X+k, p.Y), show.Pt(p.X, p.Y+k), show.Pt(p.X-k, p.Y))
	case zone.Above, zone.Below:
		k := float64(r * 1.3)
		if z == zone.Below {
			k = -k
		}
		d.area(fill, stroke, 0.8, show.Pt(p.X, p.Y-k), show.Pt(p.X+math.Abs(k), p.Y+float64(0.8*k)), show.Pt(p.X-math.Abs(k), p.Y+float64(0.8*k)))
	default:
		d.Circle(show.Style{Fill: fill, Stroke: stroke, Width: 0.8}, p, r)
	}
}

func cross(p point, r float64) [][]point {
	return [][]point{{show.Pt(p.X-r, p.Y-r), show.Pt(p.X+r, p.Y+r)}, {show.Pt(p.X-r, p.Y+r), show.Pt(p.X+r, p.Y-r)}}
}

// tags draws the tags: their numbers in a lane along the upper edge, their
// signs at their readings.
func (d *drawing) tags(c *channel, b, plotted box, y func(float64) float64) {
	if len(c.tags) == 0 {
		return
	}
	d.fill(white, show.Rect(b.X0, b.Y0, b.X1, plotted.Y0))
	d.line(frame, 0.5, nil, show.Pt(b.X0, plotted.Y0), show.Pt(b.X1, plotted.Y0))
	few := len(c.tags) <= int(b.X1-b.X0)/8
	r := 3.0
	if !few {
		r = 1.6
	}
	var drops, feet [][]point
	for _, t := range c.tags {
		x := d.x(t.at)
		if few {
			drops = append(drops, []point{show.Pt(x, plotted.Y0), show.Pt(x, d.tagY(t, plotted, y))})
		}
		feet = append(feet, []point{show.Pt(x, plotted.Y0), show.Pt(x, plotted.Y0-2.5)})
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
		d.tagSign(show.Pt(d.x(t.at), d.tagY(t, plotted, y)), t.zone, t.repeat, r)
	}
	for _, m := range d.tagNumbers(c.tags, b) {
		m.At.Y = plotted.Y0 - 4
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
		g.left = min(max(float64((g.x0+g.x1)/2)-float64(w/2), b.X0+2), b.X1-2-w)
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
		words = append(words, mark{Text: g.text, At: point{X: g.left}, Size: smallSize, Bold: true, Ink: tagInk})
	}
	return words
}

func (d *drawing) tagY(t tag, b box, y func(float64) float64) float64 {
	if t.zone == zone.Void {
		return b.Y1 - 8
	}
	return min(max(y(t.value), b.Y0+4), b.Y1-4)
}
