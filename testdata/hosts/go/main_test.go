package main

import (
	"context"
	"testing"

	"example.org/understudy/harness"
)

// records says how the host's records read, as a host description does.
const records = `
form: json-lines
time: unix-ms
columns: {time: t, gauge: gauge, channel: {always: A}, tag: tag, value: size, unit: unit, zone: verdict, event: what}
zones: {"1": below, "2": warn-low, "3": inside, "4": warn-high, "5": above, "6": void}
events: {size: reading, battery: low-cell, offline: link-lost, online: link-back}
`

// Each scenario is played to the host, on a pseudo-terminal, as if a gauge were
// there. A test fails with what the host got wrong, and why.
//
// Kind: process.
func TestHost(t *testing.T) {
	for _, scenario := range []string{"in-the-middle", "on-every-limit", "tag-burst", "link-lost", "low-cell", "the-host-ends-twice"} {
		t.Run(scenario, func(t *testing.T) {
			harness.Run(t, harness.Case{
				Scenario: scenario,
				Records:  records,
				Func: func(ctx context.Context, job *harness.Job) error {
					return host(ctx, job.Records, job.Gauges[0].Port)
				},
			})
		})
	}
}
