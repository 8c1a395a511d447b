package stage

// Duplicate sends frames twice.
type Duplicate struct {
	Frames int `yaml:"frames" doc:"how many of the next frames (default: 1)"`
}

func (d Duplicate) do(_ *Stage, a target) error { a.tamper.duplicate = max(d.Frames, 1); return nil }
