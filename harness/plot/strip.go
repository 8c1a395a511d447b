package plot

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/show"
)

// strips draws what goes on beside a gauge's readings, where there is anything
// to tell: its link, what reached the host, its cell.
func (d *drawing) strips(i *instrument) {
	if len(i.link) > 0 {
		d.linkStrip(i)
	}
	lost, damaged := 0, 0
	for _, f := range i.flows.all {
		lost += f.lost
		damaged += f.damaged
	}
	if lost+damaged > 0 || i.late > 100*time.Millisecond {
		d.flowStrip(i, lost, damaged)
	}
	for k := range i.cell {
		if c := i.cell[k]; c.low || c.dead || c != (cell{c.at, i.cell[0].percent, i.cell[0].low, i.cell[0].dead}) {
			d.cellStrip(i)
			break
		}
	}
}

func (d *drawing) strip(name string, height float64) box {
	d.y += stripGap
	b := show.Rect(d.x0, d.y, d.x1, d.y+height)
	d.y = b.Y1
	d.text(mark{Text: name, At: show.Pt(b.X0-5, under(b.Mid().Y, smallSize)), Size: smallSize, Anchor: show.End, Ink: black})
	return b
}

// side writes a strip's words at the right edge, one above the other.
func (d *drawing) side(b box, words ...string) {
	y := under(b.Mid().Y, smallSize) - float64(float64(len(words)-1)*(smallSize+0.5)/2)
	for _, w := range words {
		d.text(mark{Text: d.fitted(plain(w), marginRight-16, smallSize, false), At: show.Pt(b.X1+12, y), Size: smallSize, Ink: grey})
		y += smallSize + 0.5
	}
}

var linkRank = map[string]int{"up": 0, "stalled": 1, "rejoining": 2, "lost": 3}

func (d *drawing) linkStrip(i *instrument) {
	var words []string
	for _, state := range []string{"stalled", "lost", "rejoining"} {
		total := time.Duration(0)
		for _, s := range i.link {
			if from, to := s.from, min(s.to, d.g.to); s.state == state && to > from {
				total += to - from
			}
		}
		if total > 0 {
			words = append(words, state+" "+span(total))
		}
	}
	b := d.strip("link", stripHeight*max(1, 0.62*float64(len(words))))
	d.guides(b)
	state, _ := d.columns(i.link, func(s string) int { return linkRank[s] })
	said := false
	d.blocks(i.link, state, func(state string, x0, x1 float64) {
		in := show.Rect(x0, b.Y0, x1, b.Y1)
		w := d.measure(state, smallSize, false)
		word := mark{Text: state, At: show.Pt(in.Mid().X, under(b.Mid().Y, smallSize)), Size: smallSize, Anchor: show.Middle, Ink: black}
		fits := w+6 < x1-x0 && !(state == "up" && said) // the usual is said once
		switch state {
		case "up":
			said = said || fits
			d.line(tagInk, 2, nil, show.Pt(x0, (b.Y0+b.Y1)/2), show.Pt(x1, (b.Y0+b.Y1)/2))
		case "stalled":
			if x1-x0 < 3 {
				d.fill(grey, in)
				break
			}
			d.fill(voidFill, in)
			d.hatch(grey, 0.8, 4, false, in)
		case "lost":
			d.fill(black, in)
			if word.Ink = white; fits {
				d.text(word)
			}
			return
		default:
			d.fill(white, in)
			d.hatch(grey, 0.8, 4, true, in)
			d.hatch(grey, 0.8, 4, false, in)
		}
		if fits {
			d.label(word)
		}
	})
	d.rect("", frame, 0.5, b)
	d.side(b, words...)
}

// flowStrip shows frames as they reach the host, upwards, and those that do
// not, downwards; the height is the square root of their number, so that a
// burst does not flatten the rest.
func (d *drawing) flowStrip(i *instrument, lost, damaged int) {
	b := d.strip("arrivals", 1.6*stripHeight)
	base := b.Y0 + float64(0.62*(b.Y1-b.Y0))
	d.guides(b)
	n := int(d.x1 - d.x0)
	got, gone, bad := make([]int, n), make([]int, n), make([]bool, n)
	most := 1
	for _, f := range i.flows.all {
		x := min(int(d.x(f.from)-d.x0), n-1)
		got[x] += f.sent + f.damaged
		gone[x] += f.lost
		bad[x] = bad[x] || f.damaged > 0
		most = max(most, got[x], gone[x])
	}
	var up, down, crosses [][]point
	for k := range n {
		x := d.x0 + float64(k) + 0.5
		if got[k] > 0 {
			up = append(up, []point{show.Pt(x, base), show.Pt(x, base-max(1.5, (base-b.Y0)*root(got[k], most)))})
		}
		if gone[k] > 0 {
			down = append(down, []point{show.Pt(x, base+1), show.Pt(x, base+1+max(2, (b.Y1-base-1)*root(gone[k], most)))})
		}
		if bad[k] {
			crosses = append(crosses, cross(show.Pt(x, b.Y1-3), 2)...)
		}
	}
	d.lines(shownInk, 0.9, nil, up)
	d.lines(limitInk, 0.9, nil, down)
	d.lines(limitInk, 1.1, nil, crosses)
	d.line(frame, 0.5, nil, show.Pt(b.X0, base+0.5), show.Pt(b.X1, base+0.5))
	d.rect("", frame, 0.5, b)
	words := []string{}
	if i.late >= time.Millisecond {
		words = append(words, "up to "+span(i.late)+" late")
	}
	switch {
	case lost > 0 && damaged > 0:
		words = append(words, fmt.Sprintf("%d lost, %d bad ×", lost, damaged))
	case lost > 0:
		words = append(words, fmt.Sprintf("%d lost (down)", lost))
	case damaged > 0:
		words = append(words, fmt.Sprintf("%d damaged (×)", damaged))
	}
	d.side(b, words...)
}

// cellStrip shows the charge the gauge last told, from 0 to 100 %.
func (d *drawing) cellStrip(i *instrument) {
	b := d.strip("cell", 1.6*stripHeight)
	d.guides(b)
	y := func(percent int) float64 { return b.Y1 - 1 - float64(float64(percent)/100*(b.Y1-b.Y0-2)) }
	var t trail
	var lows []spell
	for k, c := range i.cell {
		to := d.g.to
		if k+1 < len(i.cell) {
			to = i.cell[k+1].at
		}
		switch {
		case c.dead:
			lows = append(lows, spell{c.at, to, "off"})
		case c.low:
			lows = append(lows, spell{c.at, to, "low"})
		}
		if k > 0 {
			t.to(d.x(c.at), y(i.cell[k-1].percent))
		}
		t.to(d.x(c.at), y(c.percent))
		t.to(d.x(to), y(c.percent))
	}
	state, _ := d.columns(lows, func(s string) int { return len(s) })
	var words []mark
	d.blocks(lows, state, func(state string, x0, x1 float64) {
		in := show.Rect(x0, b.Y0, x1, b.Y1)
		m := mark{Text: state, At: show.Pt((x0+x1)/2, b.Y0+smallSize+1), Size: smallSize, Anchor: show.Middle, Ink: black}
		if state == "off" {
			d.fill(black, in)
			m.Ink = white
		} else {
			d.fill(warGround, in)
			d.hatch(warnInk, 0.5, 5, false, in)
		}
		if d.measure(state, smallSize, false)+4 < x1-x0 {
			words = append(words, m)
		}
	})
	d.lines(white, 2.6, nil, [][]point{t})
	d.lines(shownInk, 1.2, nil, [][]point{t})
	for _, m := range words {
		if m.Ink == white {
			d.text(m)
		} else {
			d.label(m)
		}
	}
	d.rect("", frame, 0.5, b)
	last := i.cell[len(i.cell)-1]
	word := fmt.Sprintf("%d %%", last.percent)
	if last.dead {
		word = "off"
	} else if last.low {
		word += ", low"
	}
	d.side(b, word)
}

// cues writes the cues, and what the host or a hand did, below the time axis:
// each a tick with a few words on the first row that has room.
func (d *drawing) cues() {
	events := d.g.events
	if len(events) == 0 {
		return
	}
	d.y += 4
	top := d.y
	d.text(mark{Text: "cues", At: show.Pt(d.x0-5, top+4+smallSize), Size: smallSize, Anchor: show.End, Ink: black})
	const row = smallSize + 3
	var ends [cueRows]float64
	var words []mark
	var ticks, leaders [][]point
	rows, unnamed := 0, 0
	for _, e := range events {
		x := d.x(e.at)
		ticks = append(ticks, []point{show.Pt(x, top), show.Pt(x, top+4)})
		if e.text == "" {
			continue
		}
		text := plain(e.text)
		if e.gauge != "" && len(d.g.gauges) > 1 {
			text = plain(e.gauge) + ": " + text
		}
		m := mark{Text: text, At: point{X: x + 2.5}, Size: smallSize, Ink: black}
		left, room := x, width-margin-x-3
		if w := d.measure(text, smallSize, false); w > room && d.x0+w+3 < x {
			left, m.At.X, m.Anchor = x-w-3, x-2.5, show.End // on the other side
		} else {
			m.Text = d.fitted(text, room, smallSize, false)
		}
		r := slices.IndexFunc(ends[:], func(end float64) bool { return end == 0 || end+5 < left })
		if r < 0 {
			unnamed++
			continue
		}
		ends[r] = left + 3 + d.measure(m.Text, smallSize, false)
		y := top + 4 + float64(float64(r)*row)
		m.At.Y = y + smallSize
		leaders = append(leaders, []point{show.Pt(x, top+4), show.Pt(x, y+row-2)})
		words = append(words, m)
		rows = max(rows, r+1)
	}
	wide := 0.8
	if unnamed > len(words)/2 {
		wide = 0.4
	}
	d.lines(black, wide, nil, ticks)
	d.y = top + 5
	if unnamed > len(words)/2 {
		d.y += smallSize
		d.text(mark{Text: d.fitted(tally(events), width-margin-d.x0, smallSize, false), At: show.Pt(d.x0, d.y), Size: smallSize, Ink: black})
		return
	}
	d.lines(guide, 0.5, nil, leaders)
	for _, m := range words {
		d.label(m)
	}
	d.y += float64(float64(rows) * row)
	if unnamed > 0 {
		d.y += smallSize
		d.text(mark{Text: "no room for the words of " + show.Counted(unnamed, "more cue"), At: show.Pt(d.x0, d.y), Size: smallSize, Ink: grey})
	}
}

// tally counts events by what was done, the most frequent first.
func tally(events []event) string {
	n := map[string]int{}
	var acts []string
	for _, e := range events {
		if n[e.act]++; n[e.act] == 1 {
			acts = append(acts, e.act)
		}
	}
	slices.SortStableFunc(acts, func(a, b string) int { return n[b] - n[a] })
	for i, a := range acts {
		acts[i] = fmt.Sprintf("%d × %s", n[a], plain(a))
	}
	return "too many to name: " + strings.Join(acts, ", ")
}

// root is the square root of a share.
func root(n, of int) float64 { return math.Sqrt(float64(n) / float64(of)) }
