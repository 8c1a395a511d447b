package stage

import "example.org/understudy/sim/gauge"

// Set writes a setting, as from the gauge's own menu.
type Set struct {
	Setting string `yaml:"setting" need:"yes" doc:"name of the setting"`
	To      string `yaml:"to" need:"yes" doc:"its value; lengths in the channel's unit"`
}

func (c Set) check() error {
	return gauge.CheckSetting(c.Setting)
}

func (c Set) do(_ *Stage, a target) error {
	return a.command(gauge.Command{Verb: "set", Setting: c.Setting, Value: gauge.Written(c.To)})
}
