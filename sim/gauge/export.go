package gauge

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Export is a gauge's settings as plain values, to keep or to move to another
// gauge of the same model.
type Export struct {
	Model    string   `json:"model"`
	Channels []string `json:"channels"`
	Settings []Saved  `json:"settings"`
}

// Saved is one setting in an Export. Lengths are in picometres, with the unit
// behind them.
type Saved struct {
	Name    string `json:"name"`
	Channel string `json:"channel,omitempty"`
	Value   string `json:"value"`
}

// Export returns the gauge's settings.
func (g *Gauge) Export() Export {
	e := Export{Model: g.p.Model}
	for i := range g.ch {
		e.Channels = append(e.Channels, g.ch[i].name)
	}
	for i := range list {
		switch s := &list[i]; {
		case s.Own:
		case !s.PerChannel:
			e.Settings = append(e.Settings, Saved{s.Name, "", s.get(g, nil).String()})
		default:
			for k := range g.ch {
				c := &g.ch[k]
				s.exactly(c, func() {
					v := s.get(g, c).String()
					if s.Name == "datum" {
						v = c.datum.Mul(decimal.New(1, -9).Fraction()).Trim().String()
					}
					if s.Length && v != "none" {
						v += " pm"
					}
					e.Settings = append(e.Settings, Saved{s.Name, c.name, v})
				})
			}
		}
	}
	return e
}

// Import writes settings that another gauge of the model has exported. Either
// all are written or, with an error that says why, none is.
func (g *Gauge) Import(at time.Duration, e Export, by string, out *Out) error {
	out.Emissions, out.readings = out.Emissions[:0], out.readings[:0]
	var names []string
	for i := range g.ch {
		names = append(names, g.ch[i].name)
	}
	switch {
	case g.power != On:
		return fmt.Errorf("the gauge is %s", g.power)
	case g.Locked:
		return fmt.Errorf("the %s", Locked)
	case e.Model != g.p.Model:
		return fmt.Errorf("the settings are of the model %q, the gauge is of the model %q", e.Model, g.p.Model)
	case !slices.Equal(e.Channels, names):
		return fmt.Errorf("the settings are of the channels %s, the gauge has %s", strings.Join(e.Channels, ", "), strings.Join(names, ", "))
	}
	trial := g.Clone()
	for i := range trial.ch { // so that no limit stands in another's way
		trial.ch[i].Limits = zone.Limits{}
	}
	order := slices.Clone(e.Settings)
	slices.SortStableFunc(order, func(a, b Saved) int {
		return slices.Index(SettingNames(), a.Name) - slices.Index(SettingNames(), b.Name)
	})
	for _, v := range order {
		s, ok := table[v.Name]
		if !ok || s.Own {
			return fmt.Errorf("%q is no setting that moves from gauge to gauge", v.Name)
		}
		cmd := Command{Setting: v.Name, Channel: -1, Value: Text(v.Value)}
		if s.PerChannel {
			if cmd.Channel = slices.Index(names, v.Channel); cmd.Channel < 0 {
				return fmt.Errorf("%s of channel %q, which the gauge does not have", v.Name, v.Channel)
			}
		}
		var why Refusal
		set := func() { why = trial.set(at, cmd, by, &Out{}) }
		if s.PerChannel {
			s.exactly(&trial.ch[cmd.Channel], set)
		} else {
			set()
		}
		if why != Done {
			return fmt.Errorf("%s %s cannot be %q: %s", v.Name, v.Channel, v.Value, why)
		}
	}
	g.changing(by, out, func() { *g = *trial })
	g.showLamps(out)
	return nil
}
