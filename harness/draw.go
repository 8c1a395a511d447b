package harness

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"

	"example.org/understudy/harness/plot"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
)

// IsRun reports whether a folder is that of a finished run.
func IsRun(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, metaFile))
	return err == nil
}

// Plot plays a scenario on paper and draws what happens. Where that is cut off, the
// picture shows what there is, and the error is a Cut.
func Plot(ctx context.Context, s *scenario.Scenario) (*plot.Picture, error) {
	text, to := io.Pipe()
	played := make(chan error, 1)
	go func() {
		w := ledger.NewWriter(to)
		played <- errors.Join(Paper(ctx, s, stage.Options{Ledger: w}), to.Close())
	}()
	pic, err := draw(s, text)
	text.Close() // or a ledger that cannot be drawn would be waited for
	if cut := <-played; err == nil {
		err = cut
	}
	return pic, err
}

// IsPlay reports whether a folder is that of a play: there is a ledger in it, and no
// host that could be judged.
func IsPlay(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, ledgerFile))
	return err == nil && !IsRun(dir)
}

// PlotPlay draws the ledger of a play.
func PlotPlay(ctx context.Context, dir string) (*plot.Picture, error) {
	in, err := openCage(dir)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	f, err := (&Check{Run: in.dir, from: in}).openLedger(ctx)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return plot.FromLedger(f, plot.Options{})
}

// PlotRun draws the ledger of a run.
func PlotRun(ctx context.Context, dir string) (*plot.Picture, error) {
	in, err := openCage(dir)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	c, _, err := reopen(in)
	if err != nil {
		return nil, err
	}
	f, err := c.openLedger(ctx)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return draw(c.Scenario, f)
}

// draw draws a ledger.
func draw(s *scenario.Scenario, text io.Reader) (*plot.Picture, error) {
	opt := plot.Options{}
	for g := range s.Play.Cast {
		p := s.Play.Cast[g].Profile
		for c := range p.Channels {
			unit := p.Channels[c].Unit
			if s.Host.Unit != nil {
				unit = s.Host.Unit.Unit
			}
			opt.Channels = append(opt.Channels, plot.Channel{Gauge: p.Name, Channel: p.Channels[c].Name, Unit: decimal.Unit(unit), Limits: s.Limits(g, c)})
		}
	}
	return plot.FromLedger(text, opt)
}
