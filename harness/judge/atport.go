package judge

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/stage/ledger"
)

// see adds to what the host has seen, and returns where.
func (j *judging) see(g int, at time.Duration, what cause.What, state cause.State) int {
	j.h.Add(cause.Seen{At: at, Gauge: uint16(g), What: what, State: state})
	return len(j.h.Seen) - 1
}

// atPort sees to what the host did at a gauge's port, and what became of the port.
func (j *judging) atPort(o *observer, f *cause.Facts, g int, e *ledger.Entry) {
	switch e.Port.What {
	case "opened":
		j.opened(o, f, g, e)
	case "lines":
		o.lines.move([2]bool{strings.Contains(e.Port.Note, "DTR true"), strings.Contains(e.Port.Note, "RTS true")})
	case "break":
		if e.Port.Note == "true" {
			f.Breaks++
		}
	case "garbage":
		f.Garbled = append(f.Garbled, strings.TrimSuffix(fmt.Sprintf("%s: %q", e.Port.Note, string(e.Bytes)), `: ""`))
	case "stalled":
		if e.Port.Lasted > f.Stall {
			f.Stall, f.StallAt = e.Port.Lasted, e.T
		}
	case "closed":
		j.session(o, f, e.T)
		o.mute = o.mute && o.sent-int64(e.Port.Lost) <= o.read
		o.closed, o.open, o.again = len(o.downs) == 0, false, o.again || f.Line != ""
		f.Deserted, o.deserted = e.T, 0
	case "asked":
		if o.open { // else it was noticed as the port was hung up
			o.unset = false
			if !j.RealTime || !j.Gauges[g].Shows { // a client of RFC 2217 goes on opening the port after that
				o.up = 0
			}
		}
		f.LineAt = e.T
		f.Line = known(e.Port.Line, j.Gauges[g].Line)
		f.Hides = strings.Contains(e.Port.Line, "?")
		if !o.again {
			f.First = f.Line
		}
		o.again = o.again || !o.open
	case "hung up":
		j.session(o, f, e.T)
		o.saw = o.open
		o.tail, o.path, o.open, o.down, o.unset = nil, e.Port.Path, false, true, false
		o.again, o.downAt = f.Line != "", e.T
		if k := o.off - 1; k >= 0 && j.h.Seen[k].At == e.T { // the host sees the hang-up, not the silence
			j.h.Seen[k].What = cause.Nothing
			o.silent = false
		}
		// One that went away while the host was still opening it, before it had
		// set the line, may not have been open for the host at all.
		if k := o.up - 1; k >= 0 && (!j.RealTime || j.HostTime(e.T-j.h.Seen[k].At) < brief) {
			j.h.Seen[k].State, o.brief = cause.Perhaps, true
		}
		if f.Opened {
			if j.RealTime && o.returned { // it may have been opened a moment ago, which was not seen
				up := j.see(g, e.T, cause.Up, cause.Perhaps)
				j.h.Seen[up].Place = uint16(j.place(g, e.Port.Path))
			}
			o.downs = append(o.downs, j.see(g, e.T, cause.Down, cause.Perhaps))
		}
	case "returned":
		o.down = false
		// A host is not told of a new name, and cannot open it.
		o.returned = len(o.downs) > 0 && (e.Port.Path == o.path || slices.Contains(j.paths, e.Port.Path))
	case ledger.Accepts, ledger.Refuses:
		f.Answers = append(f.Answers, cause.Answer{At: e.T, Frame: e.Port.Frame, What: e.Port.What})
	case "not reading":
		f.Unheard = f.Unheard || o.returned
		o.mute, o.read = o.open && o.second > 0, o.sent-int64(e.Port.Lost)
	}
}

// opened sees to a port that the host has opened.
func (j *judging) opened(o *observer, f *cause.Facts, g int, e *ledger.Entry) {
	f.Opened, f.Unheard = true, false
	o.open, o.due, o.mute, o.second, o.before, o.openedAt = true, false, false, 0, o.sent, e.T
	j.session(o, f, e.T)
	if len(o.downs) > 0 && !o.brief && !o.anew { // of those that followed before it was opened again it need not know
		j.h.Seen[o.downs[0]].State = cause.Sure
	}
	o.brief, o.up = false, 0
	switch {
	case len(o.downs) > 0 && o.returned:
		o.unset, f.Again = f.Line != "", e.T
		up := j.see(g, e.T, cause.Up, cause.Sure)
		j.h.Seen[up].Place = uint16(j.place(g, e.Port.Path))
		o.up, o.keeps, o.second = up+1, o.datum, up+1
		if o.anew { // it may not know that the port was away, or that it ever had it
			j.h.Seen[up].State = cause.Perhaps
		}
	case o.closed:
		j.see(g, e.T, cause.Restart, cause.Sure)
	}
	o.downs, o.returned, o.closed, o.anew = nil, false, false, false
	if j.paths[g] == "" {
		j.paths[g] = e.Port.Path
	}
}

// lines are DTR and RTS in one session of a host at a port.
type lines struct {
	began   time.Duration
	frames  bool    // some were sent
	moved   bool    // the host has moved them
	on      [2]bool // now
	ever    [2]bool // they were on at some time
	fell    [2]bool // they were on and are no longer
	dropped [2]bool // and frames were sent after that
}

func (l *lines) move(on [2]bool) {
	for i := range on {
		l.fell[i] = !on[i] && (l.on[i] || l.fell[i])
		l.ever[i] = l.ever[i] || on[i]
	}
	l.on, l.moved = on, true
}

func (l *lines) frame() {
	l.frames = true
	for i := range l.fell {
		l.dropped[i] = l.dropped[i] || l.fell[i]
	}
}

// sureAfter is how long a session lasts at least, of a timeline that does not wait,
// before it is held against a host that it has not moved its control lines yet.
const sureAfter = 5 * time.Second

// session ends a session of the host at the port.
func (j *judging) session(o *observer, f *cause.Facts, at time.Duration) {
	l := &o.lines
	if l.frames && (l.moved || !j.RealTime || j.HostTime(at-l.began) >= sureAfter) {
		for i, s := range []*cause.Stood{&f.DTR, &f.RTS} {
			s.On, s.Off = s.On || l.ever[i], s.Off || !l.ever[i] || l.dropped[i]
		}
	}
	o.lines = lines{began: at}
}

// place is the gauge that had a path first: the one itself where none had.
func (j *judging) place(g int, path string) int {
	if k := slices.Index(j.paths, path); path != "" && k >= 0 {
		return k
	}
	return g
}

// noticesIn is how long, by its own clock, a host may take to notice that a port has gone,
// or to open one again that it has closed by itself (common practice, no source: a loop
// that looks every second).
const noticesIn = 2 * time.Second

// unanswered sees to what the host has left as it was until the end of the run: a hang-up
// that took the port from it for good, which it is to notice all the same, and a port that
// it closed by itself while the gauge went on sending.
func (j *judging) unanswered(o *observer, f *cause.Facts, end time.Duration) {
	long := func(since time.Duration) bool { return !j.RealTime || j.HostTime(end-since) >= noticesIn }
	if len(o.downs) > 0 && o.saw && !o.brief {
		if s := &j.h.Seen[o.downs[0]]; len(o.downs) == 1 && long(s.At) {
			s.State = cause.Sure
		}
	}
	if o.mute && !o.down && j.quit == nil {
		f.Mute = o.second
	}
	if o.closed && !o.down && j.quit == nil && long(f.Deserted) {
		f.Unread = o.deserted
	}
}

// known is the line settings a host asked for, with what the transport does not
// show ("?": a pty keeps no parity) taken to be the gauge's own.
func known(asked, own string) string {
	a, o := strings.Fields(asked), strings.Fields(own)
	if len(a) < 2 || len(o) < 2 || len(a[1]) != len(o[1]) {
		return asked
	}
	if a[0] == "?" {
		a[0] = o[0]
	}
	form := []byte(a[1])
	for i := range form {
		if form[i] == '?' {
			form[i] = o[1][i]
		}
	}
	return a[0] + " " + string(form)
}
