package rehearse

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/sim/decimal"
	gaugepkg "example.org/understudy/sim/gauge"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/uart"
	"example.org/understudy/sim/wire"
	"example.org/understudy/sim/zone"
)

// Slice is the beginning of a shift as a scenario: all gauges at once, with
// the parts and the tags of shift number index. A gauge's place, walls and
// receiver become a link in free air at the distance that leaves the same
// margin. Gauges that share a receiver's port have one each. Shadowing,
// temperature and breaks are left out.
func (l *Line) Slice(index int, length time.Duration) *scenario.File {
	f := l.scene(true)
	f.Title = l.Title + ": a slice of the shift"
	f.Seed = l.Seed + uint64(index)
	end := quantity.Duration(length)
	f.Until = &end
	for i := range l.gauges {
		g := &l.gauges[i]
		d := newDay(l, g, index)
		for {
			p := d.next()
			if p.at >= length-time.Second {
				break
			}
			if l.resting(p.at) >= 0 {
				continue
			}
			cue := func(at time.Duration, channel string, act stage.Act) {
				f.Cues = append(f.Cues, scenario.Cue{At: quantity.Duration(max(at, 100*time.Millisecond)), Gauge: g.name, Channel: channel, Act: act})
			}
			if g.remembers {
				cue(p.at-onPart/2, "", stage.Clear{})
			}
			for c := range g.channels {
				if ch := &g.channels[c]; ch.computed == nil {
					size, _ := quantity.Of(l.features[ch.feature].nominal+picometres(p.sizes[c].read), decimal.MM)
					cue(p.at-onPart, ch.name, stage.MoveTo{Size: size, Over: quantity.Duration(onPart / 2)})
				}
			}
			for range p.tags {
				cue(p.at, "", stage.Tag{})
				p.at += againAfter
			}
		}
	}
	slices.SortStableFunc(f.Cues, func(a, b scenario.Cue) int { return int(min(max(a.At-b.At, -1), 1)) })
	return f
}

// onPart is how long before its tag a gauge is set on a part; againAfter how
// soon a tag that is given twice is given again.
const (
	onPart     = 800 * time.Millisecond
	againAfter = 250 * time.Millisecond
)

// picometres puts micrometres of a float on the grid, a nanometre wide.
func picometres(um float64) decimal.Length {
	return decimal.Length(math.Round(um*1000)) * decimal.Nanometre
}

// scene is a scenario with the line's gauges resting on their masters.
func (l *Line) scene(links bool) *scenario.File {
	f := &scenario.File{Understudy: scenario.Version, Title: l.Title, Notice: l.Notice, Host: l.Host.Host}
	finest, widest := l.features[0].shown, decimal.Length(0)
	for i := range l.gauges {
		g := &l.gauges[i]
		k := l.keys(g)
		if !g.wired {
			l.powered(g, &k, links)
		}
		f.Gauges = append(f.Gauges, scenario.Gauge{Name: g.name, Profile: g.profile, GaugeKeys: k})
		f.Cues = append(f.Cues, scenario.Cue{Gauge: g.name, Act: stage.Preset{}})
		for _, c := range g.channels {
			ft := &l.features[c.feature]
			if ft.step < finest.Picometres() {
				finest = ft.shown
			}
			widest = max(widest, picometres(ft.guard))
		}
	}
	if f.Host.Unit == nil {
		f.Host.Unit = &scenario.Unit{Unit: decimal.MM}
	}
	if f.Host.Resolution == nil {
		q, _ := quantity.Of(finest.Picometres(), f.Host.Unit.Unit)
		f.Host.Resolution = &q
	}
	if widest > 0 {
		u, _ := quantity.Of(widest, decimal.MM)
		f.Host.Uncertainty = &u
	}
	f.Host.Writes = slices.DeleteFunc(slices.Clone(f.Host.Writes), func(w scenario.Write) bool { // of other stations
		return w.Gauge != "" && !slices.ContainsFunc(l.gauges, func(g gauge) bool { return g.name == w.Gauge })
	})
	return f
}

// keys are those of a gauge in a scenario, without cell and link.
func (l *Line) keys(g *gauge) scenario.GaugeKeys {
	k := scenario.GaugeKeys{Dialect: g.dialect, SerialLine: g.line}
	if g.rate.Hz.Sign() > 0 {
		k.Stream = &scenario.Stream{Of: g.rate}
	}
	for i := range g.channels {
		c := &g.channels[i]
		ft := &l.features[c.feature]
		bound := func(z zone.Limit) scenario.Bound {
			if !z.Set {
				return scenario.Bound{Word: true}
			}
			q, _ := quantity.Of(z.At, decimal.MM)
			return scenario.Bound{Of: q}
		}
		nominal, _ := quantity.Of(ft.nominal, decimal.MM)
		ck := scenario.ChannelKeys{Preset: &nominal, Resolution: &ft.shown}
		ck.Limits = &scenario.Pair{bound(ft.limits.Lower), bound(ft.limits.Upper)}
		ck.Warn = &scenario.Pair{bound(ft.limits.WarnLower), bound(ft.limits.WarnUpper)}
		switch {
		case c.computed != nil:
			computed := *c.computed
			computed.Preset, computed.Limits, computed.Warn, computed.Resolution = ck.Preset, ck.Limits, ck.Warn, ck.Resolution
			k.Computed = append(k.Computed, computed)
			continue
		case c.name == "":
			k.ChannelKeys = ck
			k.MidStroke, k.StartsOn = &nominal, &nominal
		default:
			ck.MidStroke, ck.StartsOn = &nominal, &nominal
			k.Channels = append(k.Channels, scenario.Channel{Name: c.name, ChannelKeys: ck})
		}
	}
	return k
}

// powered gives a gauge its cell and its link, or a cell and a link without faults.
func (l *Line) powered(g *gauge, k *scenario.GaugeKeys, links bool) {
	if shared := l.Receivers[g.radio].SerialLine; shared != nil {
		k.SerialLine = shared
	}
	k.Tags.Queue = g.queue
	capacity := quantity.Charge{Value: decimal.New(int64(math.Round(g.cell.Capacity)), 0)}
	charge := quantity.Percent{Value: decimal.New(int64(math.Round(g.cell.Charge)), 0)}
	k.Cell = &scenario.Cell{Charge: &charge, LowAt: g.lowAt}
	if !g.whole {
		k.Cell.Capacity, k.Cell.Chemistry = &capacity, g.cell.Chemistry
	}
	if !links {
		return
	}
	b := l.budget(g, g.radio)
	loss := g.class.DBm() - link.RequiredSensitivity - math.Min(b.Margin(), 40)
	far := math.Min(math.Max(math.Pow(10, (loss-link.FreeSpace(1, link.Megahertz))/20), 0.1), 1000)
	metre, _ := quantity.NewLength(decimal.New(int64(math.Round(far*100)), -2), decimal.M)
	step, _ := quantity.NewLength(decimal.New(int64(math.Round(l.walking*1000)), -3), decimal.M)
	k.Link = &scenario.Link{Class: int(g.class), Distance: &metre, Motion: &step, Radio: g.radio + 1, Latency: l.Latency}
}

// frames plays the line's gauges on paper, without links, to learn how long
// their frames are and how their ports are set.
func (l *Line) frames(doc *strict.Doc, dialects scenario.Source) {
	l.texts = map[string]string{}
	find := func(name string) (string, []byte, error) {
		file, text, err := dialects(name)
		if err == nil {
			l.texts[name] = string(text)
		}
		return file, text, err
	}
	if !l.speaks(doc, find) {
		return
	}
	f := l.scene(false)
	end := quantity.Duration(500 * time.Millisecond)
	for i := range l.gauges {
		end = max(end, quantity.Duration(l.gauges[i].rate.Interval(3)))
		f.Cues = append(f.Cues, scenario.Cue{At: quantity.Duration(200 * time.Millisecond), Gauge: l.gauges[i].name, Act: stage.Tag{}})
	}
	f.Until = &end
	s, err := scenario.Parse(l.Path+" as a scenario", scenario.Marshal(f, ""), find)
	if err != nil {
		doc.Errorf(&l.Stations, "", "its gauges do not make a scenario: %v", err)
		return
	}
	l.learn(doc, s)
	err = paper.Play(context.Background(), s, stage.Options{Keep: func(e ledger.Entry) {
		if e.Frame == nil {
			return
		}
		g := &l.gauges[s.GaugeIndex(e.Gauge)]
		switch e.Frame.Cause {
		case ledger.Stream:
			g.frame = max(g.frame, len(e.Frame.Bytes))
		case ledger.Tag:
			g.tagged = max(g.tagged, len(e.Frame.Bytes))
		}
	}})
	if err != nil {
		doc.Errorf(&l.Stations, "", "its gauges do not play: %v", err)
		return
	}
	l.plug(doc, s)
}

// learn takes from a scenario of the line what the gauges have from their profiles.
func (l *Line) learn(doc *strict.Doc, s *scenario.Scenario) {
	for i := range l.gauges {
		g, p := &l.gauges[i], s.Play.Cast[i].Profile
		g.dialect, g.rate = s.Gauges[i].Dialect, p.Rate
		g.remembers = p.Channels[0].Function != gaugepkg.Live || slices.ContainsFunc(s.Writes(i), func(w scenario.Write) bool { return w.Setting == "function" })
		if c := s.Gauges[i].Cell; c != nil {
			g.cell.LowAt = c.Low()
			if g.whole {
				g.cell.Chemistry, g.cell.Series = c.Chemistry, c.Series
			}
			if g.whole && c.Capacity != nil {
				g.cell.Capacity = c.Capacity.Value.Float64()
			}
		}
		if n := len(p.Channels); n != len(g.channels) {
			var names []string
			for _, c := range p.Channels {
				names = append(names, c.Name)
			}
			doc.Errorf(g.spoken, "name each under channels: or computed:, with its feature", "%s has the channels %s", g.name, strings.Join(names, ", "))
		}
	}
}

// speaks reports whether every gauge's dialect is there and has no mistake.
func (l *Line) speaks(doc *strict.Doc, dialects scenario.Source) bool {
	texts := map[string]bool{}
	for i := range l.gauges {
		g := &l.gauges[i]
		if g.dialect != "" && !texts[g.dialect] { // else it is the profile's
			texts[g.dialect] = true
			file, text, err := dialects(g.dialect)
			if err != nil {
				doc.Errorf(g.spoken, "", "%v", err)
			} else if _, err := wire.Parse(file, text); err != nil {
				first, _, _ := strings.Cut(err.Error(), "\n")
				doc.Errorf(g.spoken, "run understudy lint "+file, "the dialect has mistakes: %s", first)
			}
		}
	}
	return doc.Err() == nil
}

// plug gives each gauge its port, as its scenario has the line: one of its own, or its
// receiver's.
func (l *Line) plug(doc *strict.Doc, s *scenario.Scenario) {
	shared := map[int]int{} // ports of receivers
	for i := range l.gauges {
		g := &l.gauges[i]
		if g.frame == 0 || g.tagged == 0 {
			doc.Errorf(g.spoken, "give it a dialect with frames for stream and tag, such as line-ascii", "%s: its dialect %s sends nothing on its own", g.name, g.dialect)
			return
		}
		d := s.Dialects[g.dialect]
		says := func(sent string) bool {
			f := d.FrameFor(sent)
			return slices.ContainsFunc([]string{wire.Name, wire.Serial, wire.Address}, func(term string) bool {
				t := d.Term(term)
				return t >= 0 && f != wire.NoFrame && d.Carries(f, t)
			})
		}
		g.named = says("reading") && says("tag")
		shares := !g.wired && l.Receivers[g.radio].SerialLine != nil
		if shares {
			if p, ok := shared[g.radio]; ok {
				g.port = p
				l.ports[p].gauges = append(l.ports[p].gauges, i)
				continue
			}
			shared[g.radio] = len(l.ports)
		}
		set, err := uart.Parse(s.Line(i))
		if err != nil {
			doc.Errorf(&l.Stations, "", "%s: %v", g.name, err)
			return
		}
		p := port{name: g.name, line: s.Line(i), chars: float64(set.Baud) / set.BitsPerChar(), gauges: []int{i}}
		if shares {
			p.name = l.radios[g.radio].name
		}
		g.port = len(l.ports)
		l.ports = append(l.ports, p)
	}
}

// Scenario makes the slice ready to be played.
func (l *Line) Scenario(index int, length time.Duration) (*scenario.Scenario, error) {
	text := scenario.Marshal(l.Slice(index, length), fmt.Sprintf("The first %v of shift %d of the line %s", length, index, l.Path))
	return scenario.Parse("slice.yaml", text, l.source)
}

// source finds the line's dialects and profiles, as they were when it was read.
func (l *Line) source(name string) (string, []byte, error) {
	text, ok := l.texts[name]
	if !ok {
		return name, nil, fmt.Errorf("%s is not among the line's dialects and profiles", name)
	}
	return name, []byte(text), nil
}

// Only is the line with the gauges of some stations only; nil where one of them is not
// a station of the line. It names all stations.
func (l *Line) Only(stations []string) (kept *Line, all []string) {
	for i := range l.Stations {
		all = append(all, l.Stations[i].Name)
	}
	if slices.ContainsFunc(stations, func(s string) bool { return !slices.Contains(all, s) }) {
		return nil, all
	}
	one := *l
	one.gauges = slices.DeleteFunc(slices.Clone(l.gauges), func(g gauge) bool { return !slices.Contains(stations, g.station) })
	return &one, all
}

// Trial is a scenario of a line's acceptance test, and what it exercises.
type Trial struct {
	*scenario.Scenario
	Exercises []generate.Exercise
}

// Acceptance makes the line's acceptance test: its gauges on their ports, with links
// that fail only where the test has them fail, taken through every case they can have.
func (l *Line) Acceptance() (trials []Trial, err error) {
	f := l.scene(false)
	f.Seed = l.Seed
	parse := func(name string, f *scenario.File) (*scenario.Scenario, error) {
		text := scenario.Marshal(f, fmt.Sprintf("Acceptance test of the line %s", l.Path))
		return scenario.Parse(name+".yaml", text, l.source)
	}
	s, err := parse("line", f)
	if err != nil {
		return nil, err
	}
	for _, t := range generate.Steer(f, s) {
		s, err := parse(t.Name, t.File)
		if err != nil {
			return nil, err
		}
		trials = append(trials, Trial{s, t.Exercises})
	}
	return trials, nil
}
