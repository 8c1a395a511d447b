package rehearse

import (
	"fmt"

	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate"
)

// Trial is a scenario of a line's acceptance test, and what it exercises.
type Trial struct {
	*scenario.Scenario
	Exercises []generate.Exercise
}

// Acceptance makes the line's acceptance test: its gauges on their ports, with links
// that fail only where the test has them fail, taken through every case they can have.
func (l *Line) Acceptance() (trials []Trial, err error) {
	f := l.scene(false)
	f.Seed = l.Seed
	parse := func(name string, f *scenario.File) (*scenario.Scenario, error) {
		text := scenario.Marshal(f, fmt.Sprintf("Acceptance test of the line %s", l.Path))
		return scenario.Parse(name+".yaml", text, l.source)
	}
	s, err := parse("line", f)
	if err != nil {
		return nil, err
	}
	for _, t := range generate.Steer(f, s) {
		s, err := parse(t.Name, t.File)
		if err != nil {
			return nil, err
		}
		trials = append(trials, Trial{s, t.Exercises})
	}
	return trials, nil
}
