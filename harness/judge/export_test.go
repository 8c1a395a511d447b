package judge

import (
	"slices"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/stage/ledger"
)

// Model gives what a host with given mistakes writes in a run, and the run as
// the host saw it.
func Model(spec Spec, entries []ledger.Entry, hyp cause.Hypothesis) (*cause.Rows, *cause.History) {
	j := &judging{Spec: &spec}
	j.observe(slices.Values(entries))
	return cause.Expect(&spec, &j.h, hyp), &j.h
}
