package stage

// RestoreSpeed sets the line speed back to the scenario's.
type RestoreSpeed struct{}

func (RestoreSpeed) do(_ *Stage, a target) error {
	a.setSpeed(a.m.lineSettings().Baud)
	return nil
}
