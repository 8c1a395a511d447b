// Package draft turns a capture of serial lines into a scenario that plays back
// to the same readings.
//
// A listener hears readings and not what made them. So the scenario rests the
// gauge on what it reads, tags where a tag was heard, loses the link where the
// line went away or fell silent, and stalls it where readings came late and at
// once. What the host changed on the gauge is in the readings already; it is
// told in the scenario's comment.
package draft

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
	"example.org/understudy/sim/zone"
)

// Options of a draft.
type Options struct {
	Title   string
	Dialect *wire.Dialect
	Name    string // of the dialect, as the scenario is to write it
}

// Scenario drafts a scenario of all lines of a capture. The notes say what was
// guessed and what could not be carried over.
func Scenario(ctx context.Context, c *capture.Capture, opt Options) (f *scenario.File, notes []string, err error) {
	f = &scenario.File{Understudy: scenario.Version, Title: opt.Title}
	end := time.Duration(0)
	for i := range c.Lines {
		l := &line{opt: opt, name: gaugeName(c.Lines[i].Name, f.Gauges), channels: map[string]*channel{}}
		l.hear(c.Of(ctx, i))
		if ctx.Err() != nil {
			return nil, notes, context.Cause(ctx)
		}
		if len(l.seen) == 0 {
			notes = append(notes, fmt.Sprintf("%s: no reading was heard, so it is left out", c.Lines[i].Name))
			continue
		}
		g := l.gauge()
		l.perform()
		f.Gauges = append(f.Gauges, g)
		f.Cues = append(f.Cues, l.cues...)
		f.Expect = append(f.Expect, scenario.Expect{Gauge: g.Name, Tags: &l.tags})
		end = max(end, l.end)
		for _, n := range l.notes {
			notes = append(notes, g.Name+": "+n)
		}
	}
	if len(f.Gauges) == 0 {
		return nil, notes, fmt.Errorf("no reading was heard; is %s the right dialect?", opt.Name)
	}
	slices.SortStableFunc(f.Cues, func(a, b scenario.Cue) int { return int(max(-1, min(1, a.At-b.At))) })
	if len(f.Gauges) == 1 { // then nothing needs the gauge's name
		f.Expect[0].Gauge = ""
		for i := range f.Cues {
			f.Cues[i].Gauge = ""
		}
	}
	until := quantity.Duration(end)
	f.Until = &until
	f.Notice = "Made from a capture. The gauge rests on what was read, and the host sees the same readings and tags again."
	return f, notes, nil
}

// gaugeName makes a name a scenario takes, one that no gauge has yet.
func gaugeName(name string, taken []scenario.Gauge) string {
	clean := strings.Map(func(r rune) rune {
		if r < 128 && (r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r == '-' || r == '_') {
			return r
		}
		return '-'
	}, name)
	clean = strings.TrimLeft(clean, "-_")
	clean = cmp.Or(clean, "gauge")
	clean = clean[:min(len(clean), 28)]
	for n, try := 2, clean; ; n++ {
		if !slices.ContainsFunc(taken, func(g scenario.Gauge) bool { return g.Name == try }) {
			return try
		}
		try = clean + "-" + strconv.Itoa(n)
	}
}

// sight is something that was heard of the gauge.
type sight struct {
	at       time.Duration
	kind     kind
	readings []ledger.Reading
	tag      *int64
	low      bool
	raw      string
	name     string // back: the port's new name
	again    int    // times it was heard once more at once
}

type kind uint8

const (
	streamed kind = iota
	tagged
	asked
	damaged // a frame whose check does not match
	gone
	back
)

// line is one gauge being drafted.
type line struct {
	opt      Options
	name     string
	seen     []sight
	channels map[string]*channel
	order    []string // names of the channels
	known    map[string]decimal.Decimal
	notes    []string
	told     []string // what the host changed
	period   time.Duration
	rate     decimal.Decimal

	cues []scenario.Cue
	tags int
	end  time.Duration
}

// channel is what was heard of a channel.
type channel struct {
	unit     decimal.Unit
	exp      int // smallest exponent of its readings
	first    *quantity.Length
	min, max decimal.Length
	at       [6][2]*decimal.Decimal // smallest and largest reading in each zone
	now      string                 // what it rests on, as text
}

// same is the time within which frames of several channels are one reading.
const same = 20 * time.Millisecond

// hear decodes a line.
func (l *line) hear(events iter.Seq[capture.Event]) {
	l.known = map[string]decimal.Decimal{}
	garbage := 0
	setting, value := l.opt.Dialect.Term(wire.SettingName), l.opt.Dialect.Term(wire.SettingTo)
	dec := capture.NewDecoder(l.opt.Dialect, func(m capture.Message) {
		switch {
		case m.From == wire.Host:
			if r := m.Request; m.Asks && r.Verb != "read" && r.Verb != "get" && r.Verb != "identify" && r.Verb != "" {
				words := r.Verb
				if r.Setting != "" {
					words += " " + r.Setting
				}
				if r.Value.Kind != wire.Absent {
					words += " to " + r.Value.String()
					l.known[r.Setting] = r.Value.Num
				}
				l.told = append(l.told, words)
			}
			return
		case m.BadCheck:
			l.seen = append(l.seen, sight{at: m.Start, kind: damaged})
		case m.Garbage != nil:
			garbage += len(m.Raw)
		case len(m.Readings) > 0:
			l.reading(m)
		case m.Rec != nil:
			if s, v := m.Rec.Get(setting, 0), m.Rec.Get(value, 0); s.Kind == wire.Text && v.Kind == wire.Number {
				l.known[s.Text] = v.Num
			}
		}
	})
	for e := range events {
		dec.Event(e)
		switch e.Kind {
		case capture.Gone:
			l.seen = append(l.seen, sight{at: e.At, kind: gone})
		case capture.Back:
			l.seen = append(l.seen, sight{at: e.At, kind: back, name: e.Text})
		}
	}
	dec.End()
	if garbage > 0 {
		l.note("%d bytes are no frame and are left out", garbage)
	}
	if len(l.order) == 0 {
		l.seen = nil
		return
	}
	// Time counts from the first reading.
	for len(l.seen) > 0 && l.seen[0].kind >= damaged {
		l.seen = l.seen[1:]
	}
	for i := len(l.seen) - 1; i >= 0; i-- {
		l.seen[i].at -= l.seen[0].at
	}
	if len(l.told) > 0 {
		l.note("the host did: %s", strings.Join(slices.Compact(l.told), ", "))
	}
}

func (l *line) note(format string, args ...any) {
	l.notes = append(l.notes, fmt.Sprintf(format, args...))
}

func (l *line) reading(m capture.Message) {
	s := sight{at: m.Start, kind: asked, readings: slices.Clone(m.Readings), tag: m.Tag, low: m.Low, raw: string(m.Raw)}
	switch m.Cause {
	case ledger.Tag:
		s.kind = tagged
	case ledger.Stream:
		s.kind = streamed
	}
	for _, r := range s.readings {
		l.channel(r)
	}
	if n := len(l.seen); n > 0 {
		last := &l.seen[n-1]
		near := s.kind == last.kind && s.at-last.at <= same
		switch {
		case near && sameTag(s.tag, last.tag) && !slices.ContainsFunc(last.readings, func(r ledger.Reading) bool {
			return slices.ContainsFunc(s.readings, func(q ledger.Reading) bool { return q.Channel == r.Channel })
		}): // another channel's frame of the same reading
			last.readings = append(last.readings, s.readings...)
			return
		case s.raw == last.raw && s.kind != asked && (s.at == last.at || s.kind == tagged && s.tag != nil && s.at-last.at <= 2*time.Second):
			last.again++
			return
		}
	}
	l.seen = append(l.seen, s)
}

func sameTag(a, b *int64) bool { return a == nil && b == nil || a != nil && b != nil && *a == *b }

// channel notes what a reading tells of its channel.
func (l *line) channel(r ledger.Reading) {
	ch := l.channels[r.Channel]
	u := unit(r)
	if ch == nil {
		ch = &channel{unit: u}
		l.channels[r.Channel] = ch
		l.order = append(l.order, r.Channel)
		sort.Strings(l.order)
	}
	if r.Void != "" {
		return
	}
	if ch.first == nil {
		size := length(r)
		ch.first, ch.unit, ch.min, ch.max, ch.exp = &size, u, r.Size, r.Size, r.Shown.Exponent()
	} else if u != ch.unit {
		l.note("channel %s changes from %s to %s, which is not carried over", r.Channel, ch.unit, u)
	}
	ch.min, ch.max, ch.exp = min(ch.min, r.Size), max(ch.max, r.Size), min(ch.exp, r.Shown.Exponent())
	b, v := &ch.at[r.Zone], r.Shown
	if b[0] == nil || v.Cmp(*b[0]) < 0 {
		b[0] = &v
	}
	if b[1] == nil || v.Cmp(*b[1]) > 0 {
		b[1] = &v
	}
}

// unit is a reading's; mm where it is not known.
func unit(r ledger.Reading) decimal.Unit {
	if u, ok := decimal.ParseUnit(r.Unit); ok {
		return u
	}
	return decimal.MM
}

// length is a reading as a size.
func length(r ledger.Reading) quantity.Length {
	u := unit(r)
	q, err := quantity.NewLength(r.Shown, u)
	if err != nil {
		q, _ = quantity.Of(r.Size, u) // beyond what a length holds exactly
	}
	return q
}

// gauge describes the gauge.
func (l *line) gauge() scenario.Gauge {
	g := scenario.Gauge{Name: l.name}
	g.Dialect = l.opt.Name
	l.tempo()
	if l.period > 0 {
		rate := quantity.Rate{Hz: l.rate}
		if l.seen[0].kind == streamed {
			g.Stream = &scenario.Stream{Of: rate}
		} else {
			g.Rate = &rate
		}
	}
	if slices.ContainsFunc(l.seen, func(s sight) bool { return s.low }) {
		g.Cell = &scenario.Cell{}
		l.note("the cell's charge is a guess: it is low where a frame says so")
	}
	for _, name := range l.order {
		ch := l.channels[name]
		keys := l.keys(name, ch)
		if len(l.order) == 1 && name == "A" {
			g.ChannelKeys = keys
		} else {
			g.Channels = append(g.Channels, scenario.Channel{Name: name, ChannelKeys: keys})
		}
	}
	return g
}

func (l *line) keys(name string, ch *channel) (k scenario.ChannelKeys) {
	first := quantity.Length{Unit: ch.unit}
	if ch.first != nil {
		first = *ch.first
	}
	res, err := quantity.NewLength(decimal.New(1, ch.exp), ch.unit)
	if err == nil && res.Picometres() > 0 {
		k.Resolution = &res
	}
	k.MidStroke, k.Preset = &first, &first
	if reach := max(ch.max-first.Picometres(), first.Picometres()-ch.min); reach > 4*decimal.Millimetre {
		stroke := quantity.MM(strconv.FormatInt(int64(2*reach/decimal.Millimetre)+4, 10))
		k.Stroke = &stroke
	}
	k.Limits = l.limits(name, ch, zone.Kinds[:2], [2]zone.Zone{zone.Below, zone.Above}, []zone.Zone{zone.WarnLow, zone.Inside, zone.WarnHigh})
	k.Warn = l.limits(name, ch, zone.Kinds[2:], [2]zone.Zone{zone.WarnLow, zone.WarnHigh}, []zone.Zone{zone.Inside})
	return k
}

// limits are a pair of limits: as the gauge said them, or such that the
// readings that were heard fall where they fell.
func (l *line) limits(name string, ch *channel, kinds []zone.Kind, beyond [2]zone.Zone, inside []zone.Zone) *scenario.Pair {
	p := scenario.Pair{{Word: true}, {Word: true}}
	for side, kind := range kinds {
		if v, said := l.known[kind.Setting]; said && len(l.order) == 1 {
			if q, err := quantity.NewLength(v, ch.unit); err == nil {
				p[side] = scenario.Bound{Of: q}
			}
			continue
		}
		if ch.at[beyond[side]][0] == nil {
			continue
		}
		// The outermost reading inside; else one step in from the innermost beyond.
		var v *decimal.Decimal
		for _, z := range inside {
			if in := ch.at[z][side]; in != nil && (v == nil || in.Cmp(*v)*(2*side-1) > 0) {
				v = in
			}
		}
		if v == nil {
			step := decimal.New(int64(1-2*side), ch.exp)
			moved := ch.at[beyond[side]][1-side].Add(step)
			v = &moved
		}
		if q, err := quantity.NewLength(*v, ch.unit); err == nil {
			p[side] = scenario.Bound{Of: q}
			l.note("the %s of %s is a guess: %s is on the good side of it, and a reading was beyond", kind.Name, name, q)
		}
	}
	if p[0].Word && p[1].Word {
		return nil
	}
	return &p
}

// tempo finds the rate of the stream: by the median of the times between streamed
// readings, or by their mean where they come in bursts, taken for a whole number
// of hertz when it is within 4 % of one.
func (l *line) tempo() {
	var gaps []time.Duration
	bursts := 0 // readings that came with another
	last := time.Duration(-1)
	for _, s := range l.seen {
		if s.kind != streamed {
			continue
		}
		if last >= 0 && s.at > last {
			gaps = append(gaps, s.at-last)
		} else if last >= 0 {
			bursts++
		}
		last = s.at
	}
	if len(gaps) == 0 {
		return
	}
	slices.Sort(gaps)
	mid := gaps[len(gaps)/2]
	near, count, sum := 0, 0, time.Duration(0)
	for _, g := range gaps {
		if d := g - mid; -mid/10 <= d && d <= mid/10 {
			near++
		}
		if g <= max(time.Second, 8*mid) { // not a pause
			count++
			sum += g
		}
	}
	hz := 1e9 / float64(mid)
	if near*10 < len(gaps)*6 && sum > 0 { // they come in bursts
		hz = 1e9 * float64(count+bursts) / float64(sum)
	}
	if whole := math.Round(hz); whole >= 1 && math.Abs(hz-whole) <= 0.04*whole {
		l.rate = decimal.New(int64(whole), 0)
	} else {
		l.rate = decimal.New(int64(math.Round(hz*1000)), -3)
		if l.rate.Sign() <= 0 {
			return
		}
	}
	l.period = quantity.Rate{Hz: l.rate}.Interval(1)
}
