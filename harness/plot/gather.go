package plot

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
)

// gathering is what of a ledger is drawn.
type gathering struct {
	given    bool // which channels are drawn
	run      ledger.Run
	channels []*channel
	gauges   []*instrument // of the channels, each once
	events   []event
	to       time.Duration // where the picture ends; it begins at 0
	now      time.Duration // of the entry taken last
	cut      bool          // it does not go on to an end
}

// channel is what one panel shows.
type channel struct {
	of       *instrument
	name     string
	unit     decimal.Unit
	unitText string // as the gauge has it now; its settings are written in it
	known    bool   // the unit is
	series   series
	limits   []limitsFrom
	voids    []spell // state is the reason
	tags     []tag
	function map[string]bool
	step     float64 // of the readings' last digit
	count    int
}

// instrument is what the strips under a gauge's panels show.
type instrument struct {
	name  string
	link  []spell
	cell  []cell
	flows thinned[flow]
	late  time.Duration         // the longest a frame took
	made  map[int]time.Duration // frames on their way
}

type limitsFrom struct {
	at time.Duration
	zone.Limits
}

// spell is a state that lasts from one time to another.
type spell struct {
	from, to time.Duration
	state    string
}

type tag struct {
	at     time.Duration
	number int64
	value  float64
	zone   zone.Zone
	repeat bool
}

type cell struct {
	at        time.Duration
	percent   int
	low, dead bool
}

type event struct {
	at    time.Duration
	gauge string // empty: all
	act   string // the first word or two of the text
	text  string // empty: a tag, whose own sign shows it
}

func newGathering(channels []Channel) *gathering {
	g := &gathering{given: len(channels) > 0}
	for _, c := range channels {
		g.channels = append(g.channels, &channel{of: g.gauge(c.Gauge, true), name: c.Channel, unit: c.Unit, unitText: c.Unit.Symbol(), known: true,
			limits: []limitsFrom{{0, c.Limits}}, function: map[string]bool{}})
	}
	return g
}

// gauge finds the gauge of a name, or takes it in.
func (g *gathering) gauge(name string, add bool) *instrument {
	for _, i := range g.gauges {
		if i.name == name {
			return i
		}
	}
	if !add || name == "" {
		return nil
	}
	i := &instrument{name: name, made: map[int]time.Duration{}}
	g.gauges = append(g.gauges, i)
	return i
}

func (g *gathering) channel(of *instrument, name string) *channel {
	for _, c := range g.channels {
		if c.of == of && c.name == name {
			return c
		}
	}
	if g.given {
		return nil
	}
	c := &channel{of: of, name: name, limits: []limitsFrom{{}}, function: map[string]bool{}}
	g.channels = append(g.channels, c)
	return c
}

// take takes an entry in.
func (g *gathering) take(e ledger.Entry) bool {
	g.now = max(g.now, e.T) // so that a damaged ledger cannot run backwards
	i := g.gauge(e.Gauge, !g.given)
	switch {
	case e.Run != nil:
		g.run = *e.Run
	case e.Gauge != "" && i == nil: // not drawn
	case e.Kind == ledger.KindCue:
		act, _, _ := strings.Cut(e.Note, ", ")
		g.event(e.Gauge, act, cueWords(e.Note))
	case e.Kind == ledger.KindGauge && strings.HasPrefix(e.Note, ledger.NotDone):
		g.event(e.Gauge, "not done", "not done: "+strings.TrimPrefix(e.Note, ledger.NotDone))
	case i == nil: // of no gauge
	case e.Frame != nil:
		i.made[e.Frame.ID] = g.now
		for _, r := range e.Frame.Readings {
			if c := g.channel(i, r.Channel); c != nil {
				c.reading(g.now, e.Frame, &r)
			}
		}
	case e.Out != nil:
		i.out(g.now, e.Out)
	case e.Setting != nil:
		g.setting(i, e.Setting)
	case e.Port != nil && e.Port.What == "not reading":
		g.event(e.Gauge, "the host does not read", "the host does not read")
	case e.Link != nil:
		if i.link == nil {
			i.link = []spell{{state: "up"}}
		}
		i.link[len(i.link)-1].to = g.now
		i.link = append(i.link, spell{from: g.now, state: e.Link.State})
	case e.Cell != nil:
		i.cell = append(i.cell, cell{g.now, min(max(e.Cell.Percent, 0), 100), e.Cell.Low, e.Cell.Dead})
	}
	return true
}

func (g *gathering) event(gauge, act, text string) {
	if text == "tag" {
		text = ""
	}
	e := event{g.now, gauge, act, text}
	if n := len(g.events); n == 0 || g.events[n-1] != e {
		g.events = append(g.events, e)
	}
}

// cueWords shortens a cue to its act and what matters most of it.
func cueWords(note string) string {
	parts := strings.SplitN(note, ", ", 3)
	if len(parts) < 2 {
		return note
	}
	key, value, _ := strings.Cut(parts[1], ": ")
	switch {
	case parts[0] == "set" && len(parts) == 3:
		return "set " + value + " " + strings.TrimPrefix(parts[2], "to: ")
	case key == "size", key == "to" && strings.HasSuffix(parts[0], " to"):
		return parts[0] + " " + value
	}
	return parts[0] + " " + key + " " + value
}

func (c *channel) reading(now time.Duration, f *ledger.Frame, r *ledger.Reading) {
	c.unitText = r.Unit
	if !c.known {
		if u, ok := decimal.ParseUnit(r.Unit); ok {
			c.unit, c.known = u, true
		}
	}
	c.function[r.Function] = true
	shown, step := r.Shown.Float64(), math.Pow10(r.Shown.Exponent())
	if u, ok := decimal.ParseUnit(r.Unit); ok && u != c.unit {
		k := float64(u.Size()) / float64(c.unit.Size())
		shown, step = shown*k, step*k
	}
	truth := r.Exact.Float64() / float64(c.unit.Size())
	// The true size, where the channel reads sizes: a gauge that was set to zero
	// or reads a function does not, and is off by more than a millimetre.
	size := float64(r.Size) / float64(c.unit.Size())
	if r.Function != "live" || math.Abs(size-truth)*float64(c.unit.Size()) > float64(decimal.Millimetre) {
		size = truth
	}
	void := r.Void
	if void == "" && !(math.Abs(shown) < 1e18 && math.Abs(truth) < 1e18) {
		void = "not a length"
	}
	n := len(c.voids)
	open := n > 0 && c.voids[n-1].to == forever
	broken := false
	switch {
	case void != "" && !(open && c.voids[n-1].state == void):
		c.closeVoid(now)
		c.voids = append(c.voids, spell{now, forever, void})
	case void == "" && open:
		c.closeVoid(now)
		broken = true
	}
	c.count++
	if f.Tag != nil {
		z := r.Zone
		if void != "" {
			z = zone.Void
		}
		c.tags = append(c.tags, tag{now, *f.Tag, shown, z, f.Repeat})
	}
	if void == "" {
		if step < 1e18 {
			c.step = max(c.step, step)
		}
		streamed := f.Cause == ledger.Stream || f.Cause == ledger.Asked
		c.series.add(bin{now, now, 1, one(truth), one(shown), one(size), broken}, streamed)
	}
}

const forever = time.Duration(math.MaxInt64)

func (c *channel) closeVoid(now time.Duration) {
	if n := len(c.voids); n > 0 && c.voids[n-1].to == forever {
		c.voids[n-1].to = now
	}
}

func (i *instrument) out(now time.Duration, o *ledger.Out) {
	f := flow{from: now}
	for _, id := range o.Frames {
		if at, ok := i.made[id]; ok {
			delete(i.made, id)
			if o.Fate == ledger.Sent {
				i.late = max(i.late, now-at)
			}
		}
	}
	switch {
	case o.Fate == ledger.Unread:
		f.lost = 1 // at least
	case o.Fate != ledger.Sent:
		f.lost = len(o.Frames)
	case strings.Contains(o.Fault, "garble"), strings.Contains(o.Fault, "wrong speed"):
		f.damaged = max(len(o.Frames), 1)
	default:
		f.sent = len(o.Frames)
	}
	if f != (flow{from: now}) {
		i.flows.add(f)
	}
}

// setting follows the limits, and tells what a host or a hand has changed.
func (g *gathering) setting(i *instrument, s *ledger.Setting) {
	for _, c := range g.channels {
		if c.of != i || s.Channel != "" && s.Channel != c.name {
			continue
		}
		if s.Name == "unit" {
			c.unitText = s.To
		}
		now := c.limits[len(c.limits)-1].Limits
		k := slices.IndexFunc(zone.Kinds[:], func(k zone.Kind) bool { return k.Setting == s.Name })
		if k < 0 {
			continue
		}
		to := zone.Kinds[k].Of(&now)
		if s.To == "none" {
			*to = zone.Limit{}
		} else {
			v, err := decimal.Parse(s.To)
			u, ok := decimal.ParseUnit(c.unitText)
			if err != nil || !ok {
				continue
			}
			l, _ := decimal.Exactly(v, u)
			*to = zone.At(l)
		}
		if last := &c.limits[len(c.limits)-1]; last.at == g.now {
			last.Limits = now
		} else {
			c.limits = append(c.limits, limitsFrom{g.now, now})
		}
	}
	if s.By != "cue" && s.By != "" {
		g.event(i.name, s.By+" sets", fmt.Sprintf("%s sets %s %s", s.By, s.Name, s.To))
	}
}

// finish closes what is still open.
func (g *gathering) finish() {
	g.to = cmp.Or(g.now, time.Second)
	for _, c := range g.channels {
		c.closeVoid(g.to)
	}
	for _, i := range g.gauges {
		if n := len(i.link); n > 0 {
			i.link[n-1].to = g.to
		}
	}
}
