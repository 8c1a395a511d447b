package replay

import (
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/wire"
)

// Deed is something the gauge does: it sends Data, its port goes away, or its
// port comes back, under a new name when Name is not "".
type Deed struct {
	Data []byte
	Gone bool
	Back bool
	Name string
}

// Counts say how the replay went.
type Counts struct {
	Sent     int // times the gauge sent something on its own
	Answered int
	Silent   int // requests that the capture has, without an answer
	Unknown  int // requests that the capture does not have
	Strange  int // bytes of the host that are no request
	GivenUp  int // requests of the capture that the host did not make in time
}

// Player plays a script. It is pure: times come in, deeds come out. Times are
// since any origin and must not go back. It is not safe for concurrent use.
type Player struct {
	s        *Script
	patience time.Duration
	counts   Counts

	started bool
	zero    time.Duration // when the script's beginning is
	pos     int           // next step
	credit  map[string]int
	lost    map[string]bool // requests that are no longer waited for
	used    map[string]int  // answers given
	queue   []due           // answers on their way

	end *wire.End // with a dialect
	buf []byte    // without: bytes of the host that may begin a request
	at  time.Duration
}

type due struct {
	at   time.Duration
	data []byte
}

// maxQueue bounds the answers that are on their way.
const maxQueue = 4096

// NewPlayer makes a player ready. Patience is how long it waits for a request
// that the capture has; 0 is not at all.
func NewPlayer(s *Script, patience time.Duration) *Player {
	p := &Player{s: s, patience: patience, credit: map[string]int{}, lost: map[string]bool{}, used: map[string]int{}}
	if s.Dialect != nil {
		p.end = s.Dialect.NewEnd(wire.Gauge)
	}
	return p
}

// Start begins the timeline. Requests are answered before it too.
func (p *Player) Start(at time.Duration) {
	if !p.started {
		p.started, p.zero = true, at
	}
}

// Later puts the rest of the timeline off.
func (p *Player) Later(by time.Duration) { p.zero += by }

// Counts says how it went so far.
func (p *Player) Counts() Counts { return p.counts }

// Over reports whether the timeline has ended. Requests are still answered.
func (p *Player) Over() bool { return p.pos == len(p.s.steps) && len(p.queue) == 0 }

// Receive takes bytes of the host.
func (p *Player) Receive(data []byte, at time.Duration) {
	p.at = at
	if p.end != nil {
		p.end.Receive(data, at, func(inc wire.Incoming) { p.incoming(inc, at) })
		return
	}
	p.buf = append(p.buf, data...)
	p.match(false)
}

func (p *Player) incoming(inc wire.Incoming, at time.Duration) {
	k := key(p.s.Dialect, inc.Frame, inc.Rec, inc.Raw)
	if inc.Garbage != nil {
		k = string(inc.Raw)
	}
	if _, known := p.s.answers[k]; !known && inc.Garbage != nil {
		p.counts.Strange += len(inc.Raw)
		return
	}
	p.asked(k, at)
}

// match finds requests at the beginning of what the host sent. The longest
// counts; while more bytes may make a longer one, it waits, unless the line has
// been quiet.
func (p *Player) match(quiet bool) {
	for len(p.buf) > 0 {
		best, longer := -1, false
		for k := range p.s.answers {
			if len(k) <= len(p.buf) && len(k) > best && strings.HasPrefix(string(p.buf[:len(k)]), k) {
				best = len(k)
			}
			longer = longer || len(k) > len(p.buf) && strings.HasPrefix(k, string(p.buf))
		}
		switch {
		case longer && !quiet:
			return
		case best > 0:
			k := string(p.buf[:best])
			p.buf = p.buf[best:]
			p.asked(k, p.at)
		default:
			p.counts.Strange++
			p.buf = p.buf[1:]
		}
	}
	p.buf = nil
}

// asked answers a request, and lets the timeline go on if it waited for it.
func (p *Player) asked(k string, at time.Duration) {
	list, known := p.s.answers[k]
	switch {
	case !known:
		p.counts.Unknown++
		return
	case len(list) == 0:
		p.counts.Silent++
	case len(p.queue) < maxQueue:
		p.counts.Answered++
		a := list[min(p.used[k], len(list)-1)]
		p.used[k]++
		p.put(due{at + a.after, a.data})
	}
	if held, since := p.held(); held && p.s.steps[p.pos].text == k && at >= since {
		p.zero += at - since
		p.pos++
		return
	}
	p.credit[k]++
}

func (p *Player) put(d due) {
	i, _ := slices.BinarySearchFunc(p.queue, d, func(a, b due) int {
		if a.at <= b.at {
			return -1 // behind those of the same time
		}
		return 1
	})
	p.queue = slices.Insert(p.queue, i, d)
}

// held reports whether the timeline stands at a request, and since when.
func (p *Player) held() (bool, time.Duration) {
	if !p.started || p.pos == len(p.s.steps) {
		return false, 0
	}
	st := &p.s.steps[p.pos]
	return st.what == await && p.credit[st.text] == 0 && !p.lost[st.text], p.zero + st.at
}

// Next is when Advance has something to do, if nothing is received before.
func (p *Player) Next() (at time.Duration, ok bool) {
	least := func(t time.Duration) {
		if !ok || t < at {
			at, ok = t, true
		}
	}
	if len(p.queue) > 0 {
		least(p.queue[0].at)
	}
	if len(p.buf) > 0 {
		least(p.at + sameRequest)
	}
	if p.end != nil {
		if t, ok := p.end.Deadline(); ok {
			least(t)
		}
	}
	if p.started && p.pos < len(p.s.steps) {
		if held, since := p.held(); held {
			least(since + p.patience)
		} else {
			least(p.zero + p.s.steps[p.pos].at)
		}
	}
	return at, ok
}

// Advance does what is due up to a time.
func (p *Player) Advance(to time.Duration, do func(Deed)) {
	for {
		at, ok := p.Next()
		if !ok || at > to {
			return
		}
		if p.end != nil {
			if t, ok := p.end.Deadline(); ok && t <= at {
				p.end.Quiet(t, func(inc wire.Incoming) { p.incoming(inc, t) })
			}
		}
		if len(p.buf) > 0 && p.at+sameRequest <= at {
			p.at = at
			p.match(true)
		}
		for len(p.queue) > 0 && p.queue[0].at <= at {
			data := p.queue[0].data
			p.queue = p.queue[1:]
			do(Deed{Data: data})
		}
		p.step(at, do)
	}
}

// step carries out the next step if it is due.
func (p *Player) step(at time.Duration, do func(Deed)) {
	if !p.started || p.pos == len(p.s.steps) {
		return
	}
	st := &p.s.steps[p.pos]
	if held, since := p.held(); held {
		if at < since+p.patience {
			return
		}
		p.counts.GivenUp++
		p.lost[st.text] = true
		p.zero += p.patience
	} else if at < p.zero+st.at {
		return
	}
	p.pos++
	switch st.what {
	case send:
		p.counts.Sent++
		do(Deed{Data: st.data})
	case await:
		if p.credit[st.text] > 0 {
			p.credit[st.text]--
		}
	case gone:
		do(Deed{Gone: true})
	case back:
		do(Deed{Back: true, Name: st.text})
	}
}
