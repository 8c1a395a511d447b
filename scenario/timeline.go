package scenario

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/strict"
)

// gaugeIndex finds a gauge by its name; "" is all of them, −1.
func (s *Scenario) gaugeIndex(name string) (int, error) {
	if name == "" {
		return -1, nil
	}
	var names []string
	for i, g := range s.Gauges {
		if g.Name == name {
			return i, nil
		}
		names = append(names, g.Name)
	}
	return 0, unknown("gauge", name, names)
}

// channelIndex finds a channel of a gauge, or of the first gauge when g is −1.
func (l *loader) channelIndex(g int, name string) (int, error) {
	if name == "" {
		return -1, nil
	}
	var names []string
	for i, c := range l.Play.Cast[max(g, 0)].Profile.Channels {
		if c.Name == name {
			return i, nil
		}
		names = append(names, c.Name)
	}
	return 0, unknown("channel", name, names)
}

func unknown(what, name string, names []string) error {
	return fmt.Errorf("there is no %s %q; %s", what, name, strict.Suggest(name, names, "there is "+strings.Join(names, ", ")))
}

func (l *loader) cues() {
	end := time.Duration(0)
	var names placeNames
	for i := range l.Gauges {
		names.add(l.Gauges[i].Name, -1, 0, i)
	}
	for i := range l.Cues {
		c := &l.Cues[i]
		if c.At < 0 {
			c.at.Errorf("the timeline starts at 0 s", "a cue at %s is before the start", c.At)
		}
		if i > 0 && c.At < l.Cues[i-1].At {
			c.at.Errorf("write the cues in the order of their times", "the cue at %s stands after one at %s", c.At, l.Cues[i-1].At)
		}
		g, err := l.gaugeIndex(c.Gauge)
		if err != nil {
			c.at.Errorf("", "%v", err)
			continue
		}
		ch, err := l.channelIndex(g, c.Channel)
		if err != nil {
			c.at.Errorf("", "%v", err)
			continue
		}
		if err := stage.CheckAct(c.Act); err != nil {
			c.at.Errorf("", "%s: %v", c.verbName(), err)
			continue
		}
		if c.At.D() > stage.Longest {
			c.at.Errorf("do it earlier", "%s is after the end of the longest timeline, %s", c.At, quantity.Duration(stage.Longest))
			continue
		}
		if chs := l.Play.Cast[max(g, 0)].Profile.Channels; ch >= 0 && chs[ch].Calc != nil && stage.OfTip(c.Act) {
			c.at.Errorf("do it to a channel it is computed of", "%s: %s is computed and has no tip", c.verbName(), chs[ch].Name)
		}
		if err := l.renames(&names, c, i, g); err != nil {
			c.at.Errorf("", "%s: %v", c.verbName(), err)
		}
		if stage.OfHost(c.Act) && (c.Gauge != "" || c.Channel != "") {
			c.at.Errorf("leave gauge: and channel: out", "%s: it is done to the host, not to a gauge", c.verbName())
		}
		l.Play.Cues = append(l.Play.Cues, stage.Cue{At: c.At.D(), Gauge: g, Channel: ch, Act: c.Act, Text: stage.Describe(c.Act)})
		end = max(end, c.At.D()+stage.Lasts(c.Act))
	}
	for _, two := range names.clashes() {
		l.Cues[two.cue].at.Errorf("take another name", "%s: the port of %s comes back as %s, which is the name of %s's port then",
			l.Cues[two.cue].verbName(), l.Gauges[two.gauge].Name, two.name, l.Gauges[two.other].Name)
	}
	l.restarts()
	l.Play.Until = end + time.Second
	if l.Until != nil && l.Until.D() > stage.Longest {
		l.doc.Errorf(l.Until, "end it earlier", "%s is longer than the longest timeline, %s", l.Until, quantity.Duration(stage.Longest))
	} else if l.Until != nil {
		l.Play.Until = l.Until.D()
		if l.Until.D() < end && len(l.Cues) > 0 && l.Until.D() < l.Cues[len(l.Cues)-1].At.D() {
			l.doc.Errorf(l.Until, "end it later", "the timeline ends before its last cue at %s", l.Cues[len(l.Cues)-1].At)
		}
	}
}

func (l *loader) chapters() {
	for i := range l.Chapters {
		c := &l.Chapters[i]
		switch {
		case c.At < 0:
			l.doc.Errorf(&c.At, "the timeline starts at 0 s", "the chapter %q begins at %s, before the start", c.Title, c.At)
		case i > 0 && c.At <= l.Chapters[i-1].At:
			l.doc.Errorf(&c.At, "write the chapters in the order of their times", "the chapter %q begins at %s, and the one before it at %s", c.Title, c.At, l.Chapters[i-1].At)
		case c.At.D() >= l.Play.Until:
			l.doc.Errorf(&c.At, "begin it earlier, or write a later until:", "the chapter %q begins at %s, when the timeline has ended", c.Title, c.At)
		case c.Answer != "" && c.Ask == "":
			l.doc.Errorf(&c.Answer, "write ask: and the question", "the chapter %q answers what it does not ask", c.Title)
		case c.AskAt != nil && c.Ask == "":
			l.doc.Errorf(c.AskAt, "write ask: and the question", "the chapter %q has no question to ask at %s", c.Title, c.AskAt)
		case c.AskAt != nil && (c.AskAt.D() < c.At.D() || c.AskAt.D() > l.Play.Until || i+1 < len(l.Chapters) && *c.AskAt >= l.Chapters[i+1].At):
			l.doc.Errorf(c.AskAt, "ask while the chapter lasts", "the chapter %q asks at %s, when it has not begun or is over", c.Title, c.AskAt)
		}
	}
}

// Asked is when the chapter's question is asked.
func (c *Chapter) Asked() time.Duration {
	if c.AskAt != nil {
		return c.AskAt.D()
	}
	return c.At.D()
}

// restarts sees to it that a host that is started again finds every port: it
// could not get ready without.
func (l *loader) restarts() {
	for i := range l.Cues {
		r, ok := l.Cues[i].Act.(stage.RestartHost)
		if !ok {
			continue
		}
		from, to := l.Cues[i].At, l.Cues[i].At+r.For
		for k := range l.Cues {
			c := &l.Cues[k]
			lost, hangs := c.Act.(stage.LoseLink)
			_, swaps := c.Act.(stage.SwapPorts)
			back := c.At + quantity.Duration(stage.Lasts(c.Act))
			if (hangs && lost.Seen == stage.HangUp || swaps) && c.At <= to && from <= back {
				l.Cues[i].at.Errorf("let it be back before or be lost after", "restart host: the port of %s is away from %s to %s, so that the host could not open it",
					cmp.Or(c.Gauge, "every gauge"), c.At, back)
			}
			if _, ok := c.Act.(stage.RestartHost); ok && k > i && c.At <= to {
				c.at.Errorf("restart it later", "restart host: at %s it is still away from the restart at %s", c.At, from)
			}
		}
	}
}

func (l *loader) expectations() {
	for i := range l.Expect {
		e := &l.Expect[i]
		g, err := l.gaugeIndex(e.Gauge)
		if err != nil {
			l.doc.Errorf(&e.Gauge, "", "%v", err)
			continue
		}
		ch, err := l.channelIndex(g, e.Channel)
		if err != nil {
			l.doc.Errorf(&e.Channel, "", "%v", err)
		}
		l.expected = append(l.expected, [2]int{max(g, 0), max(ch, 0)})
		if (e.Reading != nil || e.Zone != nil || e.Void != "") && e.At == nil {
			l.doc.Errorf(e, "write at: and a time", "a reading is expected at no time")
		}
		if e.Tags == nil && e.Reading == nil && e.Zone == nil && e.Void == "" {
			l.doc.Errorf(e, "write tags, reading, zone or void", "nothing is expected")
		}
	}
}
