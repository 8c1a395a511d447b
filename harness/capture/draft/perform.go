package draft

import (
	"slices"
	"strconv"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
)

// perform makes the cues. The gauge samples at whole periods from 0 on, and each
// streamed reading that was heard gets the sample it must have come from; what
// lies between two of them stays between them.
func (l *line) perform() {
	var (
		slot      = int64(-1) // of the last streamed reading
		heard     time.Duration
		now       time.Duration // of the scenario, for what was last heard
		streaming = l.seen[0].kind == streamed
		lost      = time.Duration(-1)
		rejoined  bool       // the link is back, and nothing was streamed since
		next      = int64(1) // tag number
		low       bool
	)
	l.cue(0, stage.Preset{}, "")
	for _, name := range l.order {
		if ch := l.channels[name]; ch.first != nil {
			ch.now = ch.first.String()
		}
	}
	for i := 0; i < len(l.seen); i++ {
		s := &l.seen[i]
		since := max(0, s.at-heard)
		switch {
		case s.kind != streamed && s.kind != damaged || l.period == 0:
			if streaming && !rejoined && s.kind < damaged && l.stops(i, now+since-l.sample(max(slot, 0))) {
				l.cue(l.sample(slot)+l.period/2, stage.Set{Setting: "stream", To: "off"}, "")
				streaming = false
			}
			now += l.between(since, slot, now, streaming)
		case !streaming: // the stream begins, or begins again
			slot = int64((now + since + l.period - 1) / l.period)
			now = l.sample(slot)
			l.cue(now, stage.Set{Setting: "stream", To: "on"}, "")
			streaming = true
		default:
			was := l.sample(slot)
			if slot < 0 {
				was = 0
			}
			gap := now + since - was
			from := max(was+l.period/2, now+l.step()) // where a gap begins: behind all that was heard
			n := int64(1)
			switch {
			case gap <= l.period*3/2:
			case l.catchesUp(i, gap): // nothing was lost: this and what follows come late
				l.cue(from, stage.Stall{For: quantity.Duration(l.ms(was + gap - from))}, "")
			default:
				n = max(1, int64((gap+l.period/2)/l.period))
				if !rejoined && slot >= 0 && n > 1 {
					until := was + l.period/2 + time.Duration(n-1)*l.period
					l.cue(from, stage.LoseLink{For: quantity.Duration(l.ms(until - from)), Seen: stage.Silence}, "")
				}
			}
			for slot += n; rejoined && l.sample(slot) <= now; {
				slot++ // a sample of before would be lost with the link
			}
			now, rejoined = l.sample(slot), false
		}
		heard = s.at
		switch s.kind {
		case gone:
			lost = now
			continue
		case back:
			if lost >= 0 {
				away := l.ms(now - lost)
				l.cue(lost, stage.LoseLink{For: quantity.Duration(away), Return: s.name}, "")
				now, lost, rejoined = lost+away+l.step(), -1, true
			}
			continue
		case damaged:
			l.cue(now, stage.Garble{}, "")
			continue
		}
		if s.low != low {
			to := quantity.Percent{Value: decimal.New(5, 0)}
			if low = s.low; !low {
				to.Value = decimal.New(80, 0)
			}
			l.cue(now, stage.FadeCell{To: to}, "")
		}
		l.rest(now, s.readings)
		if s.again > 0 {
			l.cue(now, stage.Duplicate{}, "")
		}
		if s.kind == tagged {
			if s.tag != nil && *s.tag != next {
				l.cue(now, stage.Set{Setting: "tag-next", To: strconv.FormatInt(*s.tag, 10)}, "")
				next = *s.tag
			}
			l.cue(now, stage.Tag{}, "")
			l.tags++
			next++
		}
	}
	l.end = now + max(l.period/2, 10*time.Millisecond)
	if streaming && slot >= 0 { // no sample more than was heard
		l.end = max(now+l.step(), min(l.end, l.sample(slot+1)-l.step()))
	}
	slices.SortStableFunc(l.cues, func(a, b scenario.Cue) int { return int(max(-1, min(1, a.At-b.At))) })
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
// sample and what else there was, and before the next sample.
func (l *line) between(since time.Duration, slot int64, now time.Duration, streaming bool) time.Duration {
	to := max((now + since).Truncate(time.Millisecond), now+l.step())
	if slot >= 0 {
		to = max(to, l.sample(slot)+l.step())
		if since < l.period*3/2 && streaming {
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
		want := r.Void
		if want == "" {
			want = length(r).String()
		}
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
