package scenario

import (
	"cmp"
	"fmt"
	"slices"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/quantity"
)

// Writes returns what the host must write to a gauge, in order, as the gauge takes
// it: a value without its unit, which is the gauge's at that moment.
func (s *Scenario) Writes(g int) []Write {
	return s.written(g, func(*Write, error) {})
}

// Commands are what the host writes to the gauges before the timeline begins, as each
// takes it.
func (s *Scenario) Commands() map[int][]gauge.Command {
	all := map[int][]gauge.Command{}
	for g := range s.Play.Cast {
		for _, w := range s.Writes(g) {
			c := slices.IndexFunc(s.Play.Cast[g].Profile.Channels, func(c gauge.Channel) bool { return c.Name == w.Channel })
			all[g] = append(all[g], gauge.Command{Verb: cmp.Or(w.Verb, "set"), Setting: w.Setting, Channel: c, Value: gauge.Written(w.To)})
		}
	}
	return all
}

func (s *Scenario) written(g int, wrong func(w *Write, err error)) (ws []Write) {
	p := s.Play.Cast[g].Profile
	units := map[string]decimal.Unit{}
	for _, c := range p.Channels {
		units[c.Name] = decimal.Unit(c.Unit)
	}
	for i := range s.Host.Writes {
		w := s.Host.Writes[i]
		if w.Gauge != "" && w.Gauge != p.Name {
			continue
		}
		for _, c := range p.Channels {
			if w.Channel != "" && w.Channel != c.Name {
				continue
			}
			to, err := bare(&w, units[c.Name])
			if err == nil && w.Channel == "" && c.Name != p.Channels[0].Name && to != w.To && units[c.Name] != units[p.Channels[0].Name] {
				err = fmt.Errorf("the channels of %s have different units", p.Name)
			}
			if err != nil {
				wrong(&s.Host.Writes[i], err)
				break
			}
			if u, ok := decimal.ParseUnit(w.To); ok && w.Setting == "unit" {
				units[c.Name] = u
			}
			if w.Channel != "" || c.Name == p.Channels[len(p.Channels)-1].Name {
				w.To = to
			}
		}
		ws = append(ws, w)
	}
	return ws
}

// bare is the value of a write without its unit.
func bare(w *Write, unit decimal.Unit) (string, error) {
	num, symbol, err := quantity.Split(w.To)
	if err != nil || symbol == "" {
		return w.To, nil // a word or a number, and the gauge's to judge
	}
	switch w.Setting + w.Verb {
	case "resolution", "preset-size", "lower", "upper", "warn-lower", "warn-upper", "dead-band", "preset":
	case "datum":
		unit = decimal.MM
	case "rate", "idle-off":
		want := map[string]string{"rate": "Hz", "idle-off": "s"}[w.Setting]
		if symbol != want {
			return "", fmt.Errorf("%q belongs in %s here", w.To, want)
		}
		return num.String(), nil
	default:
		return w.To, nil
	}
	var l quantity.Length
	if err := l.UnmarshalText([]byte(w.To)); err != nil {
		return "", err
	}
	if l.Unit == unit {
		return l.Num.String(), nil
	}
	in, exact := l.Picometres().In(unit)
	if !exact {
		return "", fmt.Errorf("%s cannot be written in %s, the unit of the gauge, exactly", l, unit.Symbol())
	}
	return in.String(), nil
}

func (l *loader) writes() {
	for i := range l.Host.Writes {
		w := &l.Host.Writes[i]
		switch {
		case (w.Setting == "") == (w.Verb == ""):
			l.doc.Errorf(w, "write set: and to:, or do:", "the host must be told to set something or to do something")
		case w.Setting != "":
			if err := gauge.CheckSetting(w.Setting); err != nil {
				l.doc.Errorf(&w.Setting, "", "%v", err)
			}
		}
		g, err := l.gaugeIndex(w.Gauge)
		if err != nil {
			l.doc.Errorf(&w.Gauge, "", "%v", err)
			continue
		}
		if _, err := l.channelIndex(g, w.Channel); err != nil {
			l.doc.Errorf(&w.Channel, "", "%v", err)
		}
	}
	for g := range l.Play.Cast {
		l.written(g, func(w *Write, err error) { l.doc.Errorf(&w.To, "", "%v", err) })
	}
}
