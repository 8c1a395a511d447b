package stage

// Garble damages frames on the wire, so that their checksum is wrong. A
// radio that retransmits does not do this; a bad cable does.
type Garble struct {
	Frames int `yaml:"frames" doc:"how many of the next frames (default: 1)"`
}

func (g Garble) do(_ *Stage, a target) error { a.tamper.garble = max(g.Frames, 1); return nil }
