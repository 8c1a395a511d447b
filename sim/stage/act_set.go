package stage

import (
	"fmt"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/strict"
)

// Set writes a setting, as from the gauge's own menu.
type Set struct {
	Setting string `yaml:"setting" need:"yes" doc:"name of the setting"`
	To      string `yaml:"to" need:"yes" doc:"its value; lengths in the channel's unit"`
}

func (c Set) check() error {
	if strict.Nearest(c.Setting, gauge.SettingNames()) != c.Setting {
		return fmt.Errorf("there is no setting %q; the settings are %s", c.Setting, strings.Join(gauge.SettingNames(), ", "))
	}
	return nil
}

func (c Set) do(_ *Stage, a *actor) error {
	v := gauge.Text(c.To)
	if n, err := decimal.Parse(c.To); err == nil {
		v = gauge.Number(n)
	}
	return a.command(gauge.Command{Verb: "set", Setting: c.Setting, Value: v})
}
