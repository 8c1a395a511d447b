package cause

import (
	"slices"

	"example.org/understudy/sim/decimal"
)

// writes are the requests the host makes before the first tag.
func (m *model) writes(g int) []Request {
	if m.has(settingsNotWritten) {
		return nil
	}
	gauge := &m.Gauges[g]
	rs := make([]Request, 0, len(gauge.Writes)+1)
	for _, w := range gauge.Writes {
		if w.Verb == "" {
			w.Verb = "set"
		}
		if w.Setting == "function" && m.has(functionIgnored) {
			w.To = "live"
		}
		rs = append(rs, Request{Write: w})
	}
	if m.has(functionIgnored) && !slices.ContainsFunc(rs, func(r Request) bool { return r.Setting == "function" }) && gauge.Function != "" && gauge.Function != "live" {
		rs = append(rs, Request{Write: Write{Verb: "set", Setting: "function", To: "live"}})
	}
	if m.has(writesReversed) {
		slices.Reverse(rs)
	}
	return rs
}

// line is the serial line setting the host asks for.
func (m *model) line(g int) string {
	switch {
	case m.has(wrongBaud):
		return AnotherSpeed
	case m.has(wrongParity):
		return AnotherParity
	}
	return m.Gauges[g].Line
}

// other is the unit a metric one is confused with, and the reverse.
func other(u decimal.Unit) decimal.Unit {
	switch u {
	case decimal.IN:
		return decimal.MM
	case decimal.UIN:
		return decimal.UM
	case decimal.UM:
		return decimal.UIN
	}
	return decimal.IN
}
