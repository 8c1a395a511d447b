package stage

// Merge holds frames back and hands several to the port in one piece.
type Merge struct {
	Frames int `yaml:"frames" need:"yes" doc:"how many frames go in one piece"`
}

func (m Merge) do(_ *Stage, a target) error { a.tamper.merge = max(m.Frames, 1); return nil }
