package check_test

import (
	"context"
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"example.org/understudy/harness/check"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// Clients that are not ours read virtual gauges on their ptys: the programs of
// Debian's packages mbpoll (libmodbus), python3-serial and libmodbus-dev.

// live is a scenario on ptys at real pace until the test ends.
type live struct {
	t     *testing.T
	ports *check.Ports
	mu    sync.Mutex
	all   []ledger.Entry
}

func playLive(t *testing.T, text string) *live {
	s, err := scenario.Parse("test.yaml", []byte(text), shippedDialect)
	require.NoError(t, err)
	l := &live{t: t}
	inbox := stage.NewInbox()
	l.ports, err = check.OpenPorts(s, t.TempDir(), inbox)
	require.NoError(t, err)
	st, err := stage.New(s.Play, stage.Options{Ports: l.ports.Ports, Inbox: inbox, Pace: stage.Real, Keep: func(e ledger.Entry) {
		l.mu.Lock()
		l.all = append(l.all, e)
		l.mu.Unlock()
	}})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = st.Run(ctx) // ended by cancel
	}()
	t.Cleanup(func() {
		cancel()
		<-done
		require.NoError(t, st.Finish("the test ended"))
		require.NoError(t, l.ports.Close())
	})
	return l
}

func (l *live) path() string { return l.ports.Ports[0].Path() }

func (l *live) entries() []ledger.Entry {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]ledger.Entry(nil), l.all...)
}

// asked is the readings of the last frame a client asked for.
func (l *live) asked() []ledger.Reading {
	all := l.entries()
	for i := len(all) - 1; i >= 0; i-- {
		if f := all[i].Frame; f != nil && f.Cause == ledger.Asked {
			return f.Readings
		}
	}
	l.t.Fatal("the ledger has no reading that was asked for")
	return nil
}

func output(t testing.TB, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	return string(out)
}

const fourChannels = `
understudy: 1
title: A four-channel fixture read over Modbus
gauges:
  - name: fixture
    dialect: modbus-rtu
    resolution: 0.00001 mm
    channels:
      - {name: A, mid-stroke: 8 mm, preset: 8 mm, limits: [7.9 mm, 8.1 mm]}
      - {name: B, mid-stroke: 9 mm, preset: 9 mm, limits: [8.9 mm, 9.1 mm]}
      - {name: C, mid-stroke: 10 mm, preset: 10 mm, limits: [9.9 mm, 10.1 mm]}
      - {name: D, mid-stroke: 11 mm, preset: 11 mm, limits: [10.9 mm, 11.1 mm], noise: {white: 5 µm}}
cues:
  - {at: 0 s, do: preset}
  - {at: 0 s, do: rest on, size: 8.01234 mm, channel: A}
  - {at: 0 s, do: rest on, size: 8.98765 mm, channel: B}
  - {at: 0 s, do: rest on, size: 10.11111 mm, channel: C}
until: 600 s
`

// counts is the ledger's readings in counts of 0.00001, the registers' unit.
func counts(rs []ledger.Reading) (out []string) {
	for _, r := range rs {
		n, _ := r.Shown.Mul(decimal.New(1, 5)).Int64()
		out = append(out, fmt.Sprint(n))
	}
	return out
}

// Kind: outside.
func TestMbpollReadsAndWrites(t *testing.T) {
	t.Parallel()
	testenv.Works(t, "mbpoll", "mbpoll", "-V")
	l := playLive(t, fourChannels)
	poll := func(args ...string) string {
		return output(t, "mbpoll", append([]string{"-m", "rtu", "-a", "1", "-b", "19200", "-P", "even", "-o", "10", "-1", "-q"}, args...)...)
	}
	values := func(out string) (vs []string) {
		for _, line := range strings.Split(out, "\n") {
			if _, v, ok := strings.Cut(line, "]:"); ok {
				vs = append(vs, strings.TrimSpace(v))
			}
		}
		return vs
	}
	// Input registers 0 to 7: four 32-bit whole numbers, high word first.
	require.Equal(t, values(poll("-t", "3:int", "-B", "-r", "1", "-c", "4", l.path())), counts(l.asked()))
	// From 32: the same as IEEE 754, low word first.
	floats := values(poll("-t", "3:float", "-r", "33", "-c", "3", l.path()))
	require.Equal(t, []string{"8.01234", "8.98765", "10.1111"}, floats)
	// A setting written with function 16 is in the ledger and reads back.
	poll("-t", "4:int", "-B", "-r", "9", l.path(), "805000")
	require.Equal(t, []string{"805000"}, values(poll("-t", "4:int", "-B", "-r", "9", "-c", "1", l.path())))
	var wrote []string
	for _, e := range l.entries() {
		if e.Setting != nil && e.Setting.By == "host" {
			wrote = append(wrote, e.Setting.Name+" "+e.Setting.Channel+" "+e.Setting.To)
		}
	}
	require.Equal(t, []string{"upper A 8.05"}, wrote)
	// A register that is not there: exception 02, illegal data address.
	out, err := exec.Command("mbpoll", "-m", "rtu", "-a", "1", "-b", "19200", "-P", "even", "-o", "10", "-1", "-q", "-t", "4", "-r", "400", "-c", "1", l.path()).CombinedOutput()
	require.Contains(t, string(out), "Illegal data address", "%v", err)
}

// Kind: outside.
func TestLibmodbusReadsFourChannels(t *testing.T) {
	t.Parallel()
	testenv.Works(t, "libmodbus-dev, gcc and pkg-config", "pkg-config", "--exists", "libmodbus")
	testenv.Works(t, "gcc", "gcc", "--version")
	flags := strings.Fields(output(t, "pkg-config", "--cflags", "--libs", "libmodbus"))
	bin := filepath.Join(t.TempDir(), "read_four")
	output(t, "gcc", append([]string{"-Wall", "-Wextra", "-Werror", "-o", bin, "../../testdata/clients/read_four.c"}, flags...)...)
	l := playLive(t, fourChannels)
	got := strings.Fields(output(t, bin, l.path(), "915000"))
	require.Len(t, got, 5)
	var first []ledger.Reading
	for _, e := range l.entries() {
		if e.Frame != nil && e.Frame.Cause == ledger.Asked && first == nil {
			first = e.Frame.Readings
		}
	}
	require.Equal(t, counts(first), got[:4])
	require.Equal(t, "915000", got[4])
}

// Kind: outside.
func TestPythonReadsTheLineDialect(t *testing.T) {
	t.Parallel()
	python := testenv.Python(t)
	l := playLive(t, `
understudy: 1
title: A noisy depth foot that is asked
gauges:
  - {name: foot, dialect: line-ascii, mid-stroke: 5 mm, preset: 5 mm, noise: {white: 20 µm}}
cues:
  - {at: 0 s, do: preset, to: 5 mm}
until: 600 s
`)
	got := strings.Split(strings.TrimSpace(output(t, python, "../../testdata/clients/read_line.py", l.path(), "50")), "\n")
	var want []string
	for _, e := range l.entries() {
		if e.Frame != nil && e.Frame.Cause == ledger.Asked {
			r := e.Frame.Readings[0]
			want = append(want, fmt.Sprintf("+%09s %s", r.Shown, r.Unit))
		}
	}
	require.Equal(t, want, got)
}
