package process

import "context"

// StartWatched starts a host as Start does where the system has no signal for the death
// of who started it.
func StartWatched(ctx context.Context, s Spec) (*Process, error) { return start(ctx, s, true) }
