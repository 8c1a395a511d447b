package plot

import (
	"slices"
	"strconv"
	"strings"

	"example.org/understudy/harness/show"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

func (l limitsFrom) all() []zone.Limit {
	return []zone.Limit{l.Lower, l.WarnLower, l.WarnUpper, l.Upper}
}

func (c *channel) value(l decimal.Length) float64 {
	return float64(l) / float64(c.unit.Size())
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
			top, bottom := b.Y0, b.Y1
			if to.Set {
				top = y(c.value(to.At))
			}
			if from.Set {
				bottom = y(c.value(from.At))
			}
			if bottom > top {
				d.fill(i, show.Rect(x0, top, x1, bottom))
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
				d.line(limitInk, 1.2, nil, show.Pt(x0, v), show.Pt(x1, v))
			} else {
				d.used["warn"] = true
				d.line(warnInk, 1, warnDash, show.Pt(x0, v), show.Pt(x1, v))
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
	edge, top := b.Y1, "inside"
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
		words = append(words, word{(edge + b.Y0) / 2, top, grey, false})
	}
	const gap = smallSize + 1.5
	for _, drop := range []string{"warn-", ""} { // the limits stay, the zones go where they do not fit
		if float64(len(words))*gap > b.Y1-b.Y0 {
			words = slices.DeleteFunc(words, func(w word) bool { return !w.line && strings.HasPrefix(w.text, drop) })
		}
	}
	// Upwards from the lower edge, then down again where they ran over the top.
	ys := make([]float64, len(words))
	at := b.Y1 + gap/2
	for i, w := range words {
		at = min(w.y, at-gap)
		ys[i] = at
	}
	at = b.Y0 - gap/2
	for i := len(ys) - 1; i >= 0; i-- {
		at = max(ys[i], at+gap)
		ys[i] = at
	}
	for i, w := range words {
		if w.line {
			d.line(w.ink, 0.6, nil, show.Pt(b.X1, w.y), show.Pt(b.X1+3, w.y), show.Pt(b.X1+8, ys[i]), show.Pt(b.X1+10, ys[i]))
		}
		d.text(mark{Text: w.text, At: show.Pt(b.X1+12, under(ys[i], smallSize)), Size: smallSize, Bold: w.line, Ink: w.ink})
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
