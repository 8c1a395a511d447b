package draft

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
)

// performer is a gauge as it performs what was seen of it.
type performer struct {
	*line
	slot      int64 // of the last streamed reading
	heard     time.Duration
	now       time.Duration // of the scenario, for what was last heard
	streaming bool
	lost      time.Duration
	rejoined  bool  // the link is back, and nothing was streamed since
	next      int64 // tag number
	low       bool
}

// perform makes the cues. The gauge samples at whole periods from 0 on, and each
// streamed reading that was heard gets the sample it must have come from; what
// lies between two of them stays between them.
func (l *line) perform() {
	p := &performer{line: l, slot: -1, streaming: l.seen[0].kind == streamed, lost: -1, next: 1}
	l.cue(0, stage.Preset{}, "")
	for _, name := range l.order {
		if ch := l.channels[name]; ch.first != nil {
			ch.now = ch.first.String()
		}
	}
	for i := range l.seen {
		s := &l.seen[i]
		p.pass(i, s)
		p.heard = s.at
		switch s.kind {
		case gone:
			p.lost = p.now
		case back:
			p.back(s)
		case damaged:
			l.cue(p.now, stage.Garble{}, "")
		default:
			p.send(s)
		}
	}
	p.end = p.now + max(p.period/2, 10*time.Millisecond)
	if slices.ContainsFunc(l.seen, func(s sight) bool { return s.kind == damaged }) {
		p.end += time.Second // what a host refuses comes again
	}
	if p.streaming && p.slot >= 0 { // no sample more than was heard
		p.end = max(p.now+p.step(), min(p.end, p.sample(p.slot+1)-p.step()))
	}
	slices.SortStableFunc(p.cues, func(a, b scenario.Cue) int { return int(max(-1, min(1, a.At-b.At))) })
}

// pass goes on in time to what was seen.
func (p *performer) pass(i int, s *sight) {
	since := max(0, s.at-p.heard)
	switch {
	case s.kind != streamed && s.kind != damaged || p.period == 0:
		if p.streaming && !p.rejoined && s.kind < damaged && p.stops(i, p.now+since-p.sample(max(p.slot, 0))) {
			p.cue(p.sample(p.slot)+p.period/2, stage.Set{Setting: "stream", To: "off"}, "")
			p.streaming = false
		}
		// What comes late, ahead of samples that do, was made before them.
		soon := p.streaming && (since < p.period*3/2 || p.slot >= 0 && p.catchesUp(i, p.now+since-p.sample(p.slot)))
		p.now += p.between(since, p.slot, p.now, soon)
	case !p.streaming: // the stream begins, or begins again
		p.slot = int64((p.now + since + p.period - 1) / p.period)
		p.now = p.sample(p.slot)
		p.cue(p.now, stage.Set{Setting: "stream", To: "on"}, "")
		p.streaming = true
	default:
		p.stream(i, since)
	}
}

// stream goes on to the sample of a streamed reading. What came between is a stall, or
// readings that were lost.
func (p *performer) stream(i int, since time.Duration) {
	was := p.sample(p.slot)
	if p.slot < 0 {
		was = 0
	}
	gap := p.now + since - was
	from := max(was+p.period/2, p.now+p.step()) // where a gap begins: behind all that was heard
	n := int64(1)
	switch {
	case gap <= p.period*3/2:
	case p.catchesUp(i, gap): // nothing was lost: this and what follows come late
		p.cue(from, stage.Stall{For: quantity.Duration(p.ms(was + gap - from))}, "")
	default:
		n = max(1, int64((gap+p.period/2)/p.period))
		if !p.rejoined && p.slot >= 0 && n > 1 {
			until := was + p.period/2 + time.Duration(n-1)*p.period
			p.cue(from, stage.LoseLink{For: quantity.Duration(p.ms(until - from)), Seen: stage.Silence}, "")
		}
	}
	for p.slot += n; p.rejoined && p.sample(p.slot) <= p.now; {
		p.slot++ // a sample of before would be lost with the link
	}
	p.now, p.rejoined = p.sample(p.slot), false
}

// back ends the loss of a link.
func (p *performer) back(s *sight) {
	if p.lost < 0 {
		return
	}
	away := p.ms(p.now - p.lost)
	p.cue(p.lost, stage.LoseLink{For: quantity.Duration(away), Return: s.name}, "")
	p.now, p.lost, p.rejoined = p.lost+away+p.step(), -1, true
}

// send sends a frame as it was seen.
func (p *performer) send(s *sight) {
	if s.low != p.low {
		to := quantity.Percent{Value: decimal.New(5, 0)}
		if p.low = s.low; !p.low {
			to.Value = decimal.New(80, 0)
		}
		p.cue(p.now, stage.FadeCell{To: to}, "")
	}
	p.rest(p.now, s.readings)
	if s.again > 0 {
		p.cue(p.now, stage.Duplicate{}, "")
	}
	if s.kind == tagged {
		if s.tag != nil && *s.tag != p.next {
			p.cue(p.now, stage.Set{Setting: "tag-next", To: strconv.FormatInt(*s.tag, 10)}, "")
			p.next = *s.tag
		}
		p.cue(p.now, stage.Tag{}, "")
		p.tags++
		p.next++
	}
}

// sample is when a sample is taken.
func (l *line) sample(slot int64) time.Duration { return quantity.Rate{Hz: l.rate}.Interval(slot) }

// ms is a time in whole milliseconds, so that it reads well.
func (l *line) ms(d time.Duration) time.Duration {
	return max(time.Millisecond, d.Round(time.Millisecond))
}

// step is a time that is short beside a period.
func (l *line) step() time.Duration {
	if l.period > 0 {
		return min(time.Millisecond, l.period/8)
	}
	return time.Millisecond
}

// between is how much later something that is no sample happens: after the last
// sample and what else there was, and, where it comes soon, before the next sample.
func (l *line) between(since time.Duration, slot int64, now time.Duration, soon bool) time.Duration {
	to := max((now + since).Truncate(time.Millisecond), now+l.step())
	if slot >= 0 {
		to = max(to, l.sample(slot)+l.step())
		if soon {
			to = min(to, l.sample(slot+1)-l.step())
		}
	}
	return max(to-now, 0)
}

// stops reports whether the gauge has stopped streaming before something else
// that it sent, a gap after its last streamed reading: the link is there, and no
// reading comes late.
func (l *line) stops(i int, gap time.Duration) bool {
	if gap < 3*l.period {
		return false
	}
	for j := i + 1; j < len(l.seen); j++ {
		if l.seen[j].kind == streamed {
			return !l.catchesUp(j, gap+l.seen[j].at-l.seen[i].at)
		}
	}
	return true
}

// catchesUp reports whether the streamed readings from i on come faster than
// they are made, so that after a gap none is missing.
func (l *line) catchesUp(i int, gap time.Duration) bool {
	k := time.Duration(0)
	for _, s := range l.seen[i+1 : min(i+64, len(l.seen))] {
		if s.kind != streamed {
			continue
		}
		k++
		if gap+s.at-l.seen[i].at <= (k+1)*l.period+l.period/2 {
			return true
		}
	}
	return false
}

func (l *line) cue(at time.Duration, act stage.Act, channel string) {
	l.cues = append(l.cues, scenario.Cue{At: quantity.Duration(at), Gauge: l.name, Channel: channel, Act: act})
}

// rest puts the gauge on what was read.
func (l *line) rest(at time.Duration, rs []ledger.Reading) {
	for _, r := range rs {
		ch := l.channels[r.Channel]
		only := r.Channel
		if len(l.order) == 1 {
			only = ""
		}
		want := cmp.Or(r.Void, length(r).String())
		if want == ch.now || sameSize(want, ch.now) {
			continue
		}
		if ch.now == "missing" {
			l.cue(at, stage.Plug{}, only)
		}
		switch r.Void {
		case "":
			l.cue(at, stage.RestOn{Size: length(r)}, only)
		case "under":
			l.cue(at, stage.Lift{}, only)
		case "over":
			far, _ := quantity.Of(l.beyond(ch), ch.unit)
			l.cue(at, stage.RestOn{Size: far}, only)
		case "missing":
			l.cue(at, stage.Unplug{}, only)
		default:
			l.note("channel %s is void (%s) at %s, which is not carried over", r.Channel, r.Void, quantity.Duration(at))
			continue
		}
		ch.now = want
	}
}

// sameSize reports whether two texts are the same size, however it is written.
func sameSize(a, b string) bool {
	var p, q quantity.Length
	return p.UnmarshalText([]byte(a)) == nil && q.UnmarshalText([]byte(b)) == nil && p.Equal(q)
}

// beyond is a size beyond the channel's stroke.
func (l *line) beyond(ch *channel) decimal.Length {
	first := decimal.Length(0)
	if ch.first != nil {
		first = ch.first.Picometres()
	}
	return max(ch.max, first+5*decimal.Millimetre) + 3*decimal.Millimetre
}
