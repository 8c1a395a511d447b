package stage

import (
	"context"
	"fmt"

	"example.org/understudy/sim/gauge"
)

// Export returns the settings of a gauge of the cast, to keep or to load into
// another. It may be called while the stage runs.
func (s *Stage) Export(ctx context.Context, member int) (gauge.Export, error) {
	var out gauge.Export
	var err error
	if e := s.call(ctx, func() {
		if member < 0 || member >= len(s.actors) {
			err = fmt.Errorf("there is no gauge %d", member)
			return
		}
		out = s.actors[member].g.Export()
	}); e != nil {
		return gauge.Export{}, e // the loop may still be about to fill it in
	}
	return out, err
}

// Kept is Export for after the loop has ended.
func (s *Stage) Kept(member int) gauge.Export { return s.actors[member].g.Export() }

// Import loads settings into a gauge of the cast: all of them or, with an error
// that says why, none. It may be called while the stage runs.
func (s *Stage) Import(ctx context.Context, member int, e gauge.Export) error {
	var err error
	if e := s.call(ctx, func() { err = s.load(member, e, "hand") }); e != nil {
		return e
	}
	return err
}

func (s *Stage) load(member int, e gauge.Export, by string) error {
	if member < 0 || member >= len(s.actors) {
		return fmt.Errorf("there is no gauge %d", member)
	}
	a := s.actors[member]
	var out gauge.Out
	if err := a.g.Import(s.now, e, by, &out); err != nil {
		return fmt.Errorf("settings for %s: %w", a.name, err)
	}
	for i := range out.Emissions {
		a.emitted(&out.Emissions[i])
	}
	a.schedule()
	return nil
}
