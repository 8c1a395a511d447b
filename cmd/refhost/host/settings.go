package host

import (
	"slices"
	"time"
)

// writes are the commands the host gives a gauge before it is ready.
func (h *mind) writes(g int) []write {
	gauge := h.job.Gauges[g]
	ws := slices.Clone(gauge.Writes)
	if h.has("settings-not-written") {
		return nil
	}
	if h.has("writes-reversed") {
		slices.Reverse(ws)
	}
	if h.has("function-ignored") {
		written := false
		for i := range ws {
			if ws[i].Setting == "function" {
				ws[i].To, written = "live", true
			}
		}
		if !written && gauge.Function != "" && gauge.Function != "live" {
			ws = append(ws, write{Verb: "set", Setting: "function", To: "live"})
		}
	}
	if h.has("setting-wrong-unit") {
		for i := range ws {
			ws[i].To = inOtherUnit(ws[i], *gauge.Unit)
		}
	}
	return ws
}

// lengths are the settings, and the verbs with a value, that are lengths.
var lengths = []string{"datum", "preset", "lower", "upper", "warn-lower", "warn-upper", "resolution"}

// inOtherUnit is what a write says when its length is taken for the other
// unit's: a number converted once too often, or the other unit's word.
func inOtherUnit(w write, u unit) string {
	var named unit
	if w.Setting == "unit" && named.UnmarshalText([]byte(w.To)) == nil {
		return string(named.other())
	}
	v, err := parseNumber(w.To)
	if err != nil || !slices.Contains(lengths, w.Setting) && !slices.Contains(lengths, w.Verb) {
		return w.To
	}
	v.rat.Mul(v.rat, ratio(u, u.other()))
	return round(v.rat, tenth(v.places), halfEven).FloatString(v.places)
}

// replyWait is how long the host waits for an answer before it asks again.
const replyWait = 500 * time.Millisecond

// asker gives a gauge its commands one after another, each when the one before
// was answered, and again when no answer came.
type asker struct {
	queue   []write
	waiting bool
	sent    time.Time
	tries   int
}

// next returns the command to send now, if there is one.
func (a *asker) next(now time.Time) (w write, send bool) {
	if len(a.queue) == 0 || a.waiting && now.Sub(a.sent) < replyWait {
		return write{}, false
	}
	a.waiting, a.sent = true, now
	a.tries++
	return a.queue[0], true
}

// answered takes the command that was sent off the queue. An answer that
// nothing was asked for is ignored.
func (a *asker) answered() (w write, ok bool) {
	if !a.waiting {
		return write{}, false
	}
	w = a.queue[0]
	a.queue = a.queue[1:]
	a.waiting, a.tries = false, 0
	return w, true
}

// again forgets that a command was sent: its answer went down with the line.
func (a *asker) again() { a.waiting = false }

func (a *asker) done() bool { return len(a.queue) == 0 }

func (w write) String() string {
	s := w.Verb
	for _, part := range []string{w.Setting, w.Channel, w.To} {
		if part != "" {
			s += " " + part
		}
	}
	return s
}
