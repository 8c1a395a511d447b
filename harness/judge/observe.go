package judge

import (
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
)

// kept is how many frames of a gauge may be on their way at once.
const kept = 4096

// brief is how long a host may take from opening a port to setting its line.
const brief = time.Second

// observer follows one gauge through the ledger.
type observer struct {
	made     map[int]made
	low      bool
	sent     int64  // bytes given to the host so far
	tail     []tail // frames given to the host, latest last, since the last hang-up
	downs    []int  // hang-ups that the host has not answered yet, in History.Seen
	returned bool   // the port is back and not opened yet
	path     string // of the port before it was hung up
	tagged   bool
	silent   bool             // the link is lost
	closed   bool             // the host closed the port by itself
	streamed []ledger.Reading // of the last streamed frame that the host was given
	down     bool             // the port is hung up
	off      int              // one more than the Seen of the latest RadioOff
	open     bool             // the host has it open
	again    bool             // the host has set the line, and the session is over
	lines    lines            // the control lines in this session
	downAt   time.Duration    // when it was hung up last
	cut      bool             // a hang-up cut off a frame, and none has come since
	up       int              // one more than the Seen of the port's return, until the host sets the line
	brief    bool             // it went away before the host had set the line
	saw      bool             // the host had the port open when it was hung up
	deserted int              // frames that nobody heard since the host closed the port by itself
	unset    bool             // it came back, and the host, which had set the line, has not done so again
	due      bool             // the host was started again and said that it is ready, and has not opened it
	anew     bool             // the host was ended, and the one that was started then has not opened it yet
	datum    bool             // the host has set the gauge's datum, which the gauge has kept since
	keeps    bool             // and the port has come back to that host
	second   int              // one more than the Seen of the port's return to the host that has it open
	mute     bool             // which then read nothing for long,
	read     int64            // of the bytes given no more than so many
	before   int64            // bytes given before it opened the port last,
	openedAt time.Duration    // and when that was
	severals map[int]several  // frames that are sent as several messages, by their number
	texts    [][]byte         // of the frames of a piece, reused
	places   []int            // where they stand in it, reused
}

// several is a frame that is sent as several messages.
type several struct {
	seen int32
	torn bool // it need not have got all of them
}

type made struct {
	frame *ledger.Frame
	low   bool
	at    time.Duration
}

// tail is a frame's last byte in the stream of bytes to the host.
type tail struct {
	seen int32
	end  int64
}

// observe turns the ledger into what the host could see.
func (j *judging) observe(entries iter.Seq[ledger.Entry]) {
	j.width = j.Width()
	j.names = map[string]int{}
	for g := range j.Gauges {
		j.names[j.Gauges[g].Name] = g
	}
	j.h.Gauges = make([]cause.Facts, len(j.Gauges))
	j.paths = make([]string, len(j.Gauges))
	// A host usually records about what it was given; room is made at once.
	j.h.Seen = make([]cause.Seen, 0, len(j.records)+len(j.records)/8)
	j.h.Readings = make([]cause.Reading, 0, cap(j.h.Seen))
	obs := make([]observer, len(j.Gauges))
	for g := range obs {
		obs[g].made = map[int]made{}
	}
	ended := false
	last := time.Duration(0)
	n := 0
	for e := range entries {
		if n++; n%4096 == 0 && j.ended() {
			return
		}
		last = e.T
		if e.Kind == ledger.KindEnd {
			ended = true
		}
		if e.Kind == ledger.KindHost {
			j.hostNote(obs, &e)
		}
		if e.Gauge == "" {
			continue
		}
		g, known := j.names[e.Gauge]
		if !known {
			j.reason(fmt.Sprintf("the ledger has a gauge %q that the host was not told of", e.Gauge))
			continue
		}
		j.entry(&obs[g], g, &e)
	}
	if !ended {
		j.cut = true
		j.reasons = append(j.reasons, "the ledger has no end: the run was cut off")
	}
	for g := range j.Gauges {
		f := &j.h.Gauges[g]
		j.session(&obs[g], f, last)
		j.unanswered(&obs[g], f, last)
		f.Unset = obs[g].unset && (!j.RealTime || j.HostTime(last-f.Again) >= sureAfter) && slices.ContainsFunc(j.h.Seen, func(s cause.Seen) bool {
			return int(s.Gauge) == g && s.What == cause.Frame && s.State == cause.Sure && s.At > f.Again
		})
		if r := j.asked(g); r != nil {
			j.reason(fmt.Sprintf("the scenario, not the host: %s is to be told %s, and refuses it: %s", j.Gauges[g].Name, say(r.Write), r.Refused))
		}
		if !f.Opened && !j.cut {
			j.reasons = append(j.reasons, "the host never opened the port of "+j.Gauges[g].Name)
		}
	}
	if j.counts.Frames+j.counts.Spoilt+j.counts.Perhaps == 0 && len(j.reasons) == 0 {
		j.reasons = append(j.reasons, "nothing was sent to the host")
	}
}

// givesUpAfter is how long a port has been away at least where a host that ends then may
// have given it up: it is not the loss that has ended it.
const givesUpAfter = time.Second / 2

// quietSince reports whether no frame has come since.
func (j *judging) quietSince(t time.Duration) bool {
	return !slices.ContainsFunc(j.h.Seen, func(s cause.Seen) bool { return s.What == cause.Frame && s.At > t })
}

// hostNote sees to the host's being ended and started again.
func (j *judging) hostNote(obs []observer, e *ledger.Entry) {
	ended := map[string]cause.What{"stopped": cause.Stopped, "killed": cause.Killed}
	switch what, ok := ended[e.Note]; {
	case ok:
		j.ends = append(j.ends, end{int32(len(j.h.Seen)), what == cause.Killed})
		state, had := cause.Sure, e.T
		if what == cause.Killed && (e.Had == nil || *e.Had < e.T) { // it may have had a row in hand
			if state = cause.Perhaps; e.Had != nil {
				had = *e.Had - 1 // what came at that moment may have come after it
			}
		}
		for k := len(j.h.Seen) - 1; k >= 0 && j.h.Seen[k].At > had; k-- {
			if s := &j.h.Seen[k]; s.What == cause.Frame {
				j.perhaps(k)
			} else if s.What == cause.Up || s.What == cause.Down {
				s.State = cause.Perhaps
			} else if s.What == cause.Stopped || s.What == cause.Killed {
				break
			}
		}
		j.h.Add(cause.Seen{At: e.T, What: what, State: state})
		for g := range obs {
			obs[g].streamed, obs[g].unset, obs[g].saw, obs[g].closed, obs[g].anew = nil, false, false, false, true
			obs[g].tear()
		}
	case strings.HasPrefix(e.Note, ledger.Quit):
		own := *e
		j.quit = &own
		for g := range obs {
			if obs[g].down && e.T-obs[g].downAt >= givesUpAfter && j.quietSince(obs[g].downAt) {
				j.away = &j.Gauges[g]
			}
		}
		j.ends = append(j.ends, end{int32(len(j.h.Seen)), true}) // it may lose what it had in hand, as when it is killed
		j.h.Add(cause.Seen{At: e.T, What: cause.Killed, State: cause.Perhaps})
	case e.Note == "ready":
		for g := range obs {
			obs[g].due, obs[g].datum, obs[g].keeps = !obs[g].open, false, false
		}
	case e.Cue > 0: // it was not done, which is the scenario's
	default:
		j.reason(fmt.Sprintf("the host at %s: %s", e.T, e.Note))
	}
}

// end is where, in History.Seen, the host was ended in mid-run.
type end struct {
	seen   int32
	killed bool
}

func (j *judging) entry(o *observer, g int, e *ledger.Entry) {
	see := func(what cause.What) int { return j.see(g, e.T, what, cause.Sure) }
	f := &j.h.Gauges[g]
	switch e.Kind {
	case ledger.KindFrame:
		if e.Frame != nil {
			o.made[e.Frame.ID] = made{e.Frame, o.low, e.T}
			delete(o.made, e.Frame.ID-kept)
			o.tagged = o.tagged || e.Frame.Cause == ledger.Tag
		}
	case ledger.KindOut:
		if e.Out != nil {
			j.out(o, g, e)
		}
	case ledger.KindRequest:
		if r := e.Request; r != nil {
			value := r.Value
			if value == "-" { // a command without a value
				value = ""
			}
			f.Requests = append(f.Requests, cause.Request{Write: cause.Write{Verb: r.Verb, Setting: r.Setting, Channel: r.Channel, To: value},
				Late: o.tagged, Refused: r.Refused})
			f.Opened = true
		}
	case ledger.KindPort:
		if e.Port != nil {
			j.atPort(o, f, g, e)
		}
	case ledger.KindSetting:
		switch s := e.Setting; {
		case s == nil:
		case s.By == "power":
			o.datum, o.keeps = false, false
		case s.By == "host" && (s.Name == "preset" || s.Name == "zero"):
			if o.keeps && s.From != s.To {
				f.Datums = append(f.Datums, cause.Datum{At: e.T, Name: s.Name, From: s.From, To: s.To})
			}
			o.datum = true
		}
	case ledger.KindLink:
		if e.Link == nil {
			return
		}
		switch e.Link.State {
		case "lost":
			if !o.silent && !o.down {
				o.off = see(cause.RadioOff) + 1
				o.silent = true
			}
		case "up":
			if o.silent {
				see(cause.RadioOn)
			}
			o.silent = false
		}
	case ledger.KindCell:
		if e.Cell != nil {
			o.low = e.Cell.Low
			if e.Cell.Dead {
				see(cause.Dead)
			}
		}
	}
}

// out sees to bytes on their way to the host.
func (j *judging) out(o *observer, g int, e *ledger.Entry) {
	out := e.Out
	switch out.Fate {
	case ledger.Unread:
		j.unread(o, g, e)
		return
	case ledger.Sent:
	default:
		j.unheard(o, g, out)
		return
	}
	// The bytes as they went decide what the host got: each frame found whole
	// in them was given, as often as it is found.
	rest, at := []byte(out.Bytes), o.sent
	for pass := 0; ; pass++ {
		found, sent := false, at
		var in []int // where each frame stands in rest
		if len(out.Bytes) > 0 {
			o.texts = o.texts[:0]
			for _, id := range out.Frames {
				var text []byte
				if m, ok := o.made[id]; ok {
					text = m.frame.Bytes
				}
				o.texts = append(o.texts, text)
			}
			o.places = standing(o.places[:0], rest, o.texts)
			in = o.places
		}
		for k, id := range out.Frames {
			m, ok := o.made[id]
			if !ok || len(m.frame.Bytes) == 0 {
				continue
			}
			state := cause.Sure
			switch {
			case len(out.Bytes) == 0:
				at += int64(len(m.frame.Bytes))
			case len(in) == 0:
				state = cause.Perhaps // which of them are whole was not looked for
			case in[k] >= 0:
				at = sent + int64(in[k]+len(m.frame.Bytes))
				found = true
			case pass == 0 && (out.Fault == "" || out.Fault == ledger.Partly): // a conversation writes a frame when it sends it
				at = sent + int64(len(rest))
				if j.message(o, id, out.Fault != "", at) {
					continue
				}
			case pass == 0:
				state = cause.Spoilt
			default:
				continue
			}
			if (strings.Contains(out.Fault, "behind garbage") || out.Fault == ledger.Partly) && state == cause.Sure {
				state = cause.Perhaps // some decoders find it, and a right one need not
			}
			j.give(o, g, e, m, state, k > 0 || pass > 0, at)
		}
		if len(rest) > 0 {
			rest = rest[min(int64(len(rest)), at-sent):]
		}
		if !found {
			break
		}
	}
	o.sent = at + int64(len(rest))
	if len(o.tail) > kept {
		o.tail = append(o.tail[:0], o.tail[len(o.tail)-kept/2:]...)
	}
}

// message sees to one of the messages of a frame that has several, which is one frame for
// the host, and sure when the last has come. It reports whether the frame was given when
// an earlier message came.
func (j *judging) message(o *observer, id int, more bool, end int64) bool {
	p, known := o.severals[id]
	if !known && more {
		if o.severals == nil {
			o.severals = map[int]several{}
		}
		o.severals[id] = several{seen: int32(len(j.h.Seen))}
	}
	if !known {
		return false
	}
	o.tail = append(o.tail, tail{p.seen, end})
	if s := &j.h.Seen[p.seen]; !more && !p.torn && s.State == cause.Perhaps {
		s.State = cause.Sure
		j.counts.Perhaps--
		j.counts.Frames++
	}
	return true
}

// give adds a frame that reached the host; end is where its last byte stands
// among all bytes given.
func (j *judging) give(o *observer, g int, e *ledger.Entry, m made, state cause.State, joined bool, end int64) {
	f := m.frame
	s := cause.Seen{At: e.T, Gauge: uint16(g), State: state, ID: int32(f.ID), Bytes: f.Bytes, Low: m.low, Joined: joined,
		Split: strings.Contains(e.Out.Fault, "split"), Cut: o.cut}
	o.cut = false
	if state == cause.Spoilt && len(e.Out.Frames) == 1 && len(e.Out.Bytes) > 0 {
		s.Bytes = e.Out.Bytes // as they went
	}
	again := joined && len(o.tail) > 0 && j.h.Seen[o.tail[len(o.tail)-1].seen].ID == s.ID // the same frame twice
	switch f.Cause {
	case ledger.Tag:
		s.Tagged, s.Repeat = true, f.Repeat || again
		if f.Tag != nil && !f.Numberless && j.Gauges[g].Tags.Last > 0 {
			s.Numbered, s.Tag = true, *f.Tag
		}
	case ledger.Asked:
		s.Asked = true
	case ledger.Stream:
		s.Repeat = again
	default:
		s.Other = true
	}
	readings := f.Readings
	if f.Bare { // it stands for what the host was given last, which need not be what was sent last
		readings = o.streamed
	} else if f.Cause == ledger.Stream && state != cause.Spoilt {
		o.streamed = ledger.Latest(o.streamed, readings)
	}
	var few [8]cause.Reading
	rs := few[:0]
	for i := range readings {
		r := &readings[i]
		c, ok := j.channel(g, r.Channel)
		if !ok {
			j.reason(fmt.Sprintf("the ledger has a channel %q of %s that the host was not told of", r.Channel, j.Gauges[g].Name))
			continue
		}
		u, _ := decimal.ParseUnit(r.Unit)
		shown := r.Shown
		if r.Sent != nil {
			shown = *r.Sent
		}
		rs = append(rs, cause.Reading{Shown: shown, Unit: u, Channel: c, Void: r.Void != "", Gauge: r.Zone})
	}
	if f.Cause != ledger.Reply { // which the host asks for while it is still setting up
		o.lines.frame()
	}
	o.tail = append(o.tail, tail{int32(len(j.h.Seen)), end})
	j.h.Add(s, rs...)
	switch state {
	case cause.Spoilt:
		j.counts.Spoilt++
	case cause.Perhaps:
		j.counts.Perhaps++
	default:
		j.counts.Frames++
	}
}

// channel is a channel's index.
func (j *judging) channel(g int, name string) (uint16, bool) {
	chs := j.Gauges[g].Channels
	for c := range chs {
		if chs[c].Name == name {
			return uint16(c), true
		}
	}
	return 0, len(chs) == 1 && (name == "" || chs[0].Name == "")
}

// reason adds a reason why the run cannot be decided, once.
func (j *judging) reason(why string) {
	if !slices.Contains(j.reasons, why) {
		j.reasons = append(j.reasons, why)
	}
}

// unheard counts frames that the host was not given.
func (j *judging) unheard(o *observer, g int, out *ledger.Out) {
	if out.Fate == ledger.Down && strings.Contains(out.Fault, "split") && len(out.Frames) > 0 {
		m, ok := o.made[out.Frames[0]]
		o.cut = o.cut || ok && m.at < o.downAt
	}
	j.counts.Unheard += len(out.Frames)
	if o.closed && out.Fate == ledger.Unheard {
		o.deserted += len(out.Frames)
	}
	if out.Fate == ledger.Full {
		j.h.Gauges[g].Full += len(out.Frames)
	}
	j.h.Gauges[g].Unheard = j.h.Gauges[g].Unheard || (o.returned || o.due) && out.Fate == ledger.Unheard
}

// unread marks the frames whose bytes the host may not have read.
func (j *judging) unread(o *observer, g int, e *ledger.Entry) {
	from := o.sent - int64(e.Out.Count)
	o.mute = o.mute || j.RealTime && o.open && o.second > 0 && from <= o.before && j.HostTime(e.T-o.openedAt) >= noticesIn/2
	for k := len(o.tail) - 1; k >= 0 && o.tail[k].end > from; k-- {
		s := int(o.tail[k].seen)
		j.perhaps(s)
		o.cut = o.cut || o.tail[k].end-int64(len(j.h.Seen[s].Bytes)) < from
	}
	o.tear()
	for _, id := range e.Out.Frames {
		found := false
		for k := range o.tail {
			if s := int(o.tail[k].seen); int(j.h.Seen[s].ID) == id {
				j.perhaps(s)
				found = true
			}
		}
		if m, ok := o.made[id]; ok && !found {
			j.give(o, g, e, m, cause.Perhaps, false, o.sent)
		}
	}
}

// tear notes that the host need not get all of what it was given some messages of.
func (o *observer) tear() {
	for id, p := range o.severals {
		p.torn = true
		o.severals[id] = p
	}
}

func (j *judging) perhaps(seen int) {
	if s := &j.h.Seen[seen]; s.State == cause.Sure {
		s.State = cause.Perhaps
		j.counts.Frames--
		j.counts.Perhaps++
	}
}
