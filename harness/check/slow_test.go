package check_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/library"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"
)

// Correct hosts that take their time are accused of nothing at pace drain.

// slow describes the example host in Python made slow: see testdata/slow.py.
func slow(t *testing.T, style string, seed int) *hostfile.Host {
	t.Helper()
	if exec.Command("/usr/bin/python3", "-c", "import serial").Run() != nil {
		testenv.Missing(t, "needs Debian's python3-serial")
	}
	h := example(t, "python", "testdata")
	sizes, err := filepath.Abs("../../testdata/hosts/python/sizes.py")
	require.NoError(t, err)
	script, err := filepath.Abs("testdata/slow.py")
	require.NoError(t, err)
	h.Folder, h.Run = filepath.Dir(script), []string{"/usr/bin/python3", script, sizes, "{job}", "{records}", fmt.Sprint(seed), style}
	h.Ports, h.CommitsWithin = nil, 0
	if style == "rows" || style == "batch" {
		h.Records.Form, h.Records.Separator = hostfile.SQLite, 0
		h.Records.Columns.Time.Name = "when_"
	}
	return h
}

const tagsThenKill = `understudy: 1
title: The computer loses its power a moment after four tags
seed: 5
gauges:
  - {name: a, dialect: line-ascii, stream: 2 Hz}
cues:
  - {at: 1 s, do: tag, times: 4, every: 50 ms}
  - {at: 1500 ms, do: restart host, by: kill}
  - {at: 2 s, do: tag}
  - {at: 2 s, do: tag}
`

const swapsAndLosses = `understudy: 1
title: Two gauges change places, and one is lost
seed: 6
gauges:
  - {name: a, dialect: line-ascii, stream: 2 Hz}
  - {name: b, dialect: line-ascii, stream: 2 Hz}
cues:
  - {at: 1 s, do: tag}
  - {at: 1200 ms, do: swap ports, gauge: a, with: b, for: 300 ms}
  - {at: 1800 ms, do: tag}
  - {at: 2 s, do: lose link, gauge: b, for: 400 ms}
  - {at: 2900 ms, do: tag}
  - {at: 3 s, do: swap ports, gauge: a, with: b, for: 300 ms}
  - {at: 4 s, do: tag}
`

const tagsAtOnce = `understudy: 1
title: A port over the network comes back, and tags come at once
gauges:
  - {name: g, dialect: line-ascii, port: rfc2217, stream: 5 Hz}
cues:
  - {at: 300 ms, do: tag}
  - {at: 600 ms, do: lose link, for: 300 ms}
  - {at: 910 ms, do: tag, times: 6, every: 40 ms}
  - {at: 1500 ms, do: tag}
`

// A client that throws away what comes while it still waits for the answer to its purge
// is not accused at a timed pace either (python3-serial 3.5 does, when it opens a port).
//
// Kind: process.
func TestWhatAClientPurges(t *testing.T) {
	t.Parallel()
	s, err := scenario.Parse("purge.yaml", []byte(tagsAtOnce), shippedDialect)
	require.NoError(t, err)
	c := check.Check{Scenario: s, Host: slow(t, "plain", 1), Run: t.TempDir(), Pace: &stage.Real}
	out, err := c.Do(context.Background())
	require.NoError(t, err)
	require.Equal(t, judge.Pass, out.Verdict, "%s\n%s", out.Why, explain(out))
}

// Each scenario is played many times, to a host with other random delays each time.
//
// Kind: process.
func TestSlowHostsAreNotAccused(t *testing.T) {
	t.Parallel()
	read := func(text string) func() *scenario.Scenario {
		return func() *scenario.Scenario {
			s, err := scenario.Parse("slow.yaml", []byte(text), shippedDialect)
			require.NoError(t, err)
			return s
		}
	}
	for _, c := range []struct {
		name, style string
		plays       int
		s           func() *scenario.Scenario
	}{
		{"kill after tags", "delays", testenv.Count(5, 40), read(tagsThenKill)},
		{"ports that come back", "delays", testenv.Count(5, 40), read(swapsAndLosses)},
		{"ports that come back, over tcp", "delays", testenv.Count(2, 8), read(strings.ReplaceAll(swapsAndLosses, "dialect:", "port: tcp, dialect:"))},
		{"rfc2217, which negotiates and purges", "plain", testenv.Count(5, 40), func() *scenario.Scenario { return shipped(t, "38-at-the-line") }},
		{"killed with a commit a row", "rows", testenv.Count(2, 8), func() *scenario.Scenario { return shipped(t, "37-the-host-ends-twice") }},
		{"killed with a commit every 200 ms", "batch", testenv.Count(2, 8), func() *scenario.Scenario { return shipped(t, "37-the-host-ends-twice") }},
	} {
		for n := range c.plays {
			t.Run(fmt.Sprintf("%s/%d", c.name, n), func(t *testing.T) {
				t.Parallel()
				one := check.Check{Scenario: c.s(), Host: slow(t, c.style, n), Run: t.TempDir()}
				out, err := one.Do(context.Background())
				require.NoError(t, err)
				require.Equal(t, judge.Pass, out.Verdict, "%s\n%s", out.Why, explain(out))
			})
		}
	}
}

const threeTags = `understudy: 1
title: Three tags, one after another
gauges:
  - {name: g, dialect: line-ascii, port: pty, stream: 20 Hz}
cues:
  - {at: 300 ms, do: tag}
  - {at: 600 ms, do: tag}
  - {at: 900 ms, do: tag}
`

// At the end a host is waited for, at every pace and kind of port: one that records a
// row some time after it has read it, and loses what it has in hand when it is asked to
// end, has its rows. One that never records its last row is found. All are played at once.
//
// Kind: process.
func TestRowsThatComeLate(t *testing.T) {
	t.Parallel()
	const never = time.Hour
	type play struct {
		name string
		late time.Duration
		out  *check.Outcome
		done chan error
	}
	var ten stage.Pace
	require.NoError(t, ten.UnmarshalText([]byte("10x")))
	var plays []*play
	for _, port := range []string{"pty", "tcp"} {
		for _, pace := range []stage.Pace{stage.Drain, ten, stage.Real} {
			for _, late := range []time.Duration{0, 30, 60, 100, 200, 1000, never / time.Millisecond} {
				s, err := scenario.Parse("late.yaml", []byte(strings.ReplaceAll(threeTags, "pty", port)), shippedDialect)
				require.NoError(t, err)
				p := &play{name: fmt.Sprintf("%s/%s/%s", port, pace, late*time.Millisecond), late: late * time.Millisecond, done: make(chan error, 1)}
				c := check.Check{Scenario: s, Run: t.TempDir(), Pace: &pace, Func: func(ctx context.Context, j *check.Job) error {
					return recordsLate(ctx, j, p.late)
				}}
				c.Host, c.HostText, err = library.Described([]string{"a function of the test"}, "form: csv\nzones: {'1': below, '2': warn-low, '3': inside, '4': warn-high, '5': above}")
				require.NoError(t, err)
				go func() {
					var err error
					p.out, err = c.Prove(t.Context())
					p.done <- err
				}()
				plays = append(plays, p)
			}
		}
	}
	for _, p := range plays {
		t.Run(p.name, func(t *testing.T) {
			require.NoError(t, <-p.done)
			if p.late < never {
				require.Equal(t, judge.Pass, p.out.Verdict, explain(p.out))
				return
			}
			require.Equal(t, judge.Fail, p.out.Verdict, explain(p.out))
			require.Equal(t, 1, p.out.Counts.Findings, explain(p.out))
		})
	}
}

// recordsLate is a host of one gauge that speaks line-ascii, and records each tag some
// time after it has read it, the last one and what follows it not before the next.
func recordsLate(ctx context.Context, j *check.Job, late time.Duration) error {
	file, err := os.Create(j.Records)
	if err != nil {
		return err
	}
	defer file.Close()
	fmt.Fprintln(file, "time,gauge,channel,tag,value,unit,zone,event")
	var port io.ReadCloser
	if g := j.Gauges[0]; g.PortKind == "tcp" {
		port, err = net.Dial("tcp", g.Port)
	} else {
		port, err = serial.Open(g.Port, &serial.Mode{BaudRate: 9600, DataBits: 8})
	}
	if err != nil {
		return err
	}
	defer port.Close()
	stop := context.AfterFunc(ctx, func() { port.Close() })
	defer stop()
	tags := 0
	for lines := bufio.NewScanner(port); lines.Scan(); {
		f := strings.Fields(lines.Text())
		if len(f) != 5 || f[0][0] != 'T' {
			continue
		}
		if tags++; late < time.Hour || tags == 3 {
			select {
			case <-time.After(late):
			case <-ctx.Done():
				return nil
			}
		}
		fmt.Fprintf(file, "%s,%s,A,%s,%s,%s,%s,\n", time.Now().Format(time.RFC3339Nano), j.Gauges[0].Name, f[0][1:], strings.TrimLeft(f[1], "+0"), f[2], f[3])
	}
	return nil
}
