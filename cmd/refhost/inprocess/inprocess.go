// Package inprocess runs the reference host in the same process as the gauges. The
// host itself knows nothing of the harness; they meet here.
package inprocess

import (
	"context"
	"time"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/sim/port"
)

// Host is the reference host with mistakes, named as for its --defect: the same
// sessions and the same thinking as in the program, with ports, clock and waiting
// of the world.
func Host(wrong string) (inside.Host, error) {
	if err := host.CheckDefects(wrong); err != nil {
		return nil, err
	}
	return func(w *inside.World) error {
		ground := host.Ground{
			Start: inside.Begun, Since: w.Now, Pause: func(time.Duration) {}, Idle: func(context.Context) { w.Idle() }, Dialects: w.Dialects,
			Open: func(_ context.Context, wants host.Wants) host.Port {
				p, err := w.Open(wants.Place, wants.Line)
				if err != nil {
					return nil
				}
				if wants.Lines {
					p.Control(port.ControlLines{DTR: wants.DTR, RTS: wants.RTS})
				}
				if wants.Break {
					p.Break()
				}
				return p
			},
		}
		return host.Inside(host.World{Ground: ground, Context: w.Context(), Job: w.Job, Records: &w.Records, Go: w.Go, Ready: w.Ready}, wrong)
	}, nil
}
