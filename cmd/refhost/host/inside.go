package host

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"time"

	"example.org/understudy/harness/explore/inside"
	simport "example.org/understudy/sim/port"
)

// Inside is the host with mistakes, named as for --defect, as a function that
// runs in the same process as the gauges: the same sessions and the same core,
// with ports, clock and waiting of the world.
func Inside(wrong string) (inside.Host, error) {
	on, err := parseDefects(wrong)
	if err != nil {
		return nil, err
	}
	return func(w *inside.World) error {
		j, err := parseJob("the job", w.Job)
		if err != nil {
			return err
		}
		h := &host{core: newCore(j, on), start: inside.Begun, clock: w.Now, stdout: io.Discard, stderr: io.Discard,
			fail: func(err error) { panic(err) }, rows: csv.NewWriter(&w.Records), waitFor: len(j.Gauges)}
		if h.core.has("starts-over") {
			w.Records.Reset()
		}
		if w.Records.Len() == 0 {
			h.write(header)
		}
		h.stdout = readySign{w}
		for g := range j.Gauges {
			j.Gauges[g].dialect = w.Dialects[j.Gauges[g].Dialect]
			s, err := h.newSession(g)
			if err != nil {
				return err
			}
			w.Go(func() {
				s.inside(w.Context(), w)
				h.finish()
			})
		}
		return nil
	}, nil
}

// readySign takes what the host prints, which is that it is ready.
type readySign struct{ w *inside.World }

func (r readySign) Write(p []byte) (int, error) {
	r.w.Ready()
	return len(p), nil
}

// inside is run in a world.
func (s *session) inside(ctx context.Context, w *inside.World) {
	m := modeOf(s.gauge.Line, s.core.defects)
	line := fmt.Sprintf("%d %d%c%s", m.BaudRate, m.DataBits, "NOEMS"[m.Parity], s.gauge.Line.Stop)
	for first := true; ; first = false {
		p, err := w.Open(s.place, line)
		if err != nil {
			return
		}
		for _, c := range s.gauge.at.control(s.core.defects) { // as on a port over the network
			switch c[1] {
			case 5:
				p.Break()
			case 11, 12:
				p.Control(simport.ControlLines{DTR: s.gauge.at.DTR == "on", RTS: c[1] == 11})
			}
		}
		s.begin(first)
		lost := s.serve(ctx, p)
		s.flush()
		p.Close()
		if !lost {
			return
		}
		s.think(func(c *core, now time.Time) { c.lost(s.g, now) })
		if s.core.has("never-reopens") {
			w.Idle()
			return
		}
	}
}
