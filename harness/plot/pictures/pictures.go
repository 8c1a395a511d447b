// Package pictures draws scenarios and the folders of runs, as harness/plot draws a
// ledger.
package pictures

import (
	"context"
	"errors"
	"io"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/plot"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
)

// Scenario plays a scenario on paper and draws what happens. Where that is cut off,
// the picture shows what there is, and the error is a paper.Cut.
func Scenario(ctx context.Context, s *scenario.Scenario) (*plot.Picture, error) {
	text, to := io.Pipe()
	played := make(chan error, 1)
	go func() {
		w := ledger.NewWriter(to)
		played <- errors.Join(paper.Play(ctx, s, stage.Options{Ledger: w}), to.Close())
	}()
	pic, err := plot.FromLedger(text, channels(s))
	text.Close() // or a ledger that cannot be drawn would be waited for
	if cut := <-played; err == nil {
		err = cut
	}
	return pic, err
}

// Folder draws the ledger of a run's folder, or of a play's, of which no scenario is
// kept.
func Folder(ctx context.Context, dir string) (*plot.Picture, error) {
	s, _, text, err := check.Ledger(ctx, dir)
	if err != nil {
		return nil, err
	}
	defer text.Close()
	if s == nil {
		return plot.FromLedger(text, nil)
	}
	return plot.FromLedger(text, channels(s))
}

// channels are those of a scenario, with their limits.
func channels(s *scenario.Scenario) (all []plot.Channel) {
	for g := range s.Play.Cast {
		p := s.Play.Cast[g].Profile
		for c := range p.Channels {
			unit := p.Channels[c].Unit
			if s.Host.Unit != nil {
				unit = s.Host.Unit.Unit
			}
			all = append(all, plot.Channel{Gauge: p.Name, Channel: p.Channels[c].Name, Unit: decimal.Unit(unit), Limits: s.Limits(g, c)})
		}
	}
	return all
}
