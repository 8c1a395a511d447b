package check

import "example.org/understudy/sim/port"

// newHub makes the one watcher that serves all ptys of a run.
func newHub() (*port.Hub, error) { return port.NewHub() }

func closeHub(h *port.Hub) error {
	if h == nil {
		return nil
	}
	return h.Close()
}
