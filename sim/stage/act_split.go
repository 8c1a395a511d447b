package stage

// Split hands frames to the port in pieces, each when the one before has had its time on
// the line.
type Split struct {
	Frames int `yaml:"frames" doc:"how many of the next frames (default: 1)"`
	At     int `yaml:"first" doc:"bytes in the first piece, which is followed by the rest (default: every byte on its own); a piece follows the one before when the line has carried it, after 2 ms at least"`
}

func (sp Split) do(_ *Stage, a target) error {
	a.tamper.split, a.tamper.splitAt = max(sp.Frames, 1), sp.At
	return nil
}
