package host

import (
	"bytes"
	"context"
	"encoding/csv"
	"io"
)

// World is a world that the host runs in, in the same process as the gauges.
type World struct {
	Ground
	Context context.Context // done when the host is to end
	Job     []byte
	Records *bytes.Buffer // of earlier starts too
	Go      func(func())  // runs a task beside the others
	Ready   func()        // is called when the host is ready
}

// Inside starts the host, with mistakes named as for --defect, in a world.
func Inside(w World, wrong string) error {
	on, err := parseDefects(wrong)
	if err != nil {
		return err
	}
	h, sessions, err := newHost("the job", w.Job, on, w.Ground)
	if err != nil {
		return err
	}
	h.stdout, h.stderr, h.rows = readySign(w.Ready), io.Discard, csv.NewWriter(w.Records)
	h.fail = func(err error) { panic(err) }
	if h.mind.has("starts-over") {
		w.Records.Reset()
	}
	if w.Records.Len() == 0 {
		h.write(header)
	}
	for _, s := range sessions {
		w.Go(func() {
			s.run(w.Context)
			h.finish()
		})
	}
	return nil
}

// readySign takes what the host prints, which is that it is ready.
type readySign func()

func (r readySign) Write(p []byte) (int, error) {
	r()
	return len(p), nil
}
