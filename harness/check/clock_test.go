package check_test

import (
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"example.org/understudy/harness/process"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// How much faster each way to wait for a second is over under Debian's faketime
// with a clock of ten times the speed, as a ratio to the same wait without it:
// about 10 where the wait follows that clock, 1 where it does not notice, 0 where
// it is not over after 3 s of real time.
//
// A clock that some waits follow and others do not is no clock: the host's
// threads run at different speeds, and a wait whose end lies in the faked future
// lasts far longer than it says. Measured with faketime 0.9.10 on Debian 12:
// sleep, select, both clocks and condition variables follow (8 to 10);
// semaphores, and with them all waits of Python's threads and queues, never end
// (0); time-outs of a terminal's reads, timed locks and interval timers are the
// kernel's and do not notice (1); nor do Go programs, which do not call the C
// library for the time (1). So no host is run on such a clock here.
func BenchmarkAcceleratedClock(b *testing.B) {
	faketime, python, cc := testenv.Program(b, "faketime", "faketime"), testenv.Program(b, "/usr/bin/python3", "python3"), testenv.Program(b, "cc", "gcc")
	self, err := os.Executable()
	require.NoError(b, err)
	script, err := filepath.Abs("../../testdata/clock/waits.py")
	require.NoError(b, err)
	waits := filepath.Join(b.TempDir(), "waits")
	output(b, cc, "-Wall", "-Wextra", "-Werror", "-O1", "-o", waits, "../../testdata/clock/waits.c", "-lpthread")
	for _, c := range []struct {
		lang  string
		words []string
		ways  []string
	}{
		{"python", []string{python, script}, []string{"sleep", "select", "clock", "monotonic", "asyncio", "event", "queue", "join", "terminal", "alarm"}},
		{"c", []string{waits}, []string{"sleep", "condition", "semaphore", "lock"}},
		{"go", []string{self, "wait"}, []string{"sleep"}},
	} {
		for _, way := range c.ways {
			b.Run(c.lang+"/"+way, func(b *testing.B) {
				var plain, faked time.Duration
				for b.Loop() {
					plain += waited(b, append(c.words, way))
					faked += waited(b, append([]string{faketime, "-f", "+0 x10"}, append(c.words, way)...))
				}
				times := 0.0
				if faked < time.Duration(b.N)*tooLong {
					times = plain.Seconds() / faked.Seconds()
				}
				b.ReportMetric(times, "times")
				b.ReportMetric(0, "ns/op")
			})
		}
	}
}

const tooLong = 3 * time.Second

// waited is how long a program takes from begin to end, at most tooLong.
func waited(b *testing.B, words []string) time.Duration {
	p, err := process.Start(b.Context(), process.Spec{Words: words, ReadyLine: regexp.MustCompile("^begin$")})
	require.NoError(b, err)
	defer p.Stop(process.Ask{Signal: "kill"})
	require.NoError(b, p.Await(b.Context(), process.Ready{Line: true, Within: 20 * time.Second}))
	began := time.Now()
	p.Expect(regexp.MustCompile("^end$"))
	_ = p.Await(b.Context(), process.Ready{Line: true, Within: tooLong})
	return min(time.Since(began), tooLong)
}
