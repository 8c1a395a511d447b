package stage

// Split hands frames to the port in pieces.
type Split struct {
	Frames int `yaml:"frames" doc:"how many of the next frames (default: 1)"`
	At     int `yaml:"first" doc:"bytes in the first piece (default: every byte on its own)"`
}

func (sp Split) do(_ *Stage, a target) error {
	a.tamper.split, a.tamper.splitAt = max(sp.Frames, 1), sp.At
	return nil
}
