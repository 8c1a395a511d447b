package tap_test

import (
	"bufio"
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/tap"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience bounds what a test waits for; it decides nothing.
const patience = 20 * time.Second

func shippedDialect(name string) (string, []byte, error) {
	file := "dialects/" + name + ".yaml"
	text, err := scenarios.Files.ReadFile(file)
	return file, text, err
}

// kept is a list that is waited for.
type kept[T any] struct {
	mu   sync.Mutex
	cond *sync.Cond
	all  []T
}

func newKept[T any]() *kept[T] {
	k := &kept[T]{}
	k.cond = sync.NewCond(&k.mu)
	return k
}

func (k *kept[T]) put(v T) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.all = append(k.all, v)
	k.cond.Broadcast()
}

// await waits until one of the list is as it should be.
func (k *kept[T]) await(t *testing.T, what string, is func(T) bool) T {
	t.Helper()
	over := false
	timer := time.AfterFunc(patience, func() { k.mu.Lock(); over = true; k.mu.Unlock(); k.cond.Broadcast() })
	defer timer.Stop()
	k.mu.Lock()
	defer k.mu.Unlock()
	for i := 0; ; i++ {
		for i == len(k.all) && !over {
			k.cond.Wait()
		}
		if i == len(k.all) {
			t.Fatalf("%s did not come; there is %+v", what, k.all)
		}
		if is(k.all[i]) {
			return k.all[i]
		}
	}
}

// device is a virtual gauge on a pty, which stands in for a real one. It plays
// until the test ends; do has something done to it.
func device(t *testing.T, text string) (path string, entries *kept[ledger.Entry], do func(stage.Act)) {
	s, err := scenario.Parse("device.yaml", []byte(text), shippedDialect)
	require.NoError(t, err)
	entries = newKept[ledger.Entry]()
	inbox := stage.NewInbox()
	ports, err := check.OpenPorts(s, t.TempDir(), inbox)
	require.NoError(t, err)
	st, err := stage.New(s.Play, stage.Options{Ports: ports.Ports, Inbox: inbox, Pace: stage.Real, Keep: entries.put})
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
		require.NoError(t, ports.Close())
	})
	return ports.Ports[0].Path(), entries, func(a stage.Act) { require.NoError(t, st.Do(ctx, 0, -1, a)) }
}

const silent = `
understudy: 1
title: A gauge that speaks when it is asked
part: {feature: hub width, nominal: 12.000 mm, limits: [11.98 mm, 12.02 mm]}
gauges: [{name: hub-stand, dialect: line-ascii, resolution: 0.001 mm}]
cues:
  - {at: 0 s, do: preset}
  - {at: 0 s, do: rest on, size: 12.007 mm}
until: 600 s
`

func start(t *testing.T, path string) (tp *tap.Tap, heard *kept[capture.Event], stop func()) {
	heard = newKept[capture.Event]()
	line, err := port.ParseSettings("9600 8N1")
	require.NoError(t, err)
	dir := t.TempDir()
	tp, err = tap.Open(tap.Config{
		Device: func() (tap.Device, error) { return tap.OpenSerial(path, line) },
		Port: func(sink func(port.Event)) (port.Port, error) {
			return port.OpenPTY(port.Config{Name: "tapped", Dir: dir, Line: line}, sink)
		},
		Record: func(e capture.Event) error { heard.put(e); return nil },
		Retry:  time.Millisecond,
	})
	require.NoError(t, err)
	require.Equal(t, filepath.Join(dir, "tapped"), tp.Path())
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- tp.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		require.NoError(t, <-done)
	})
	t.Cleanup(stop)
	return tp, heard, stop
}

func kind(k capture.Kind) func(capture.Event) bool {
	return func(e capture.Event) bool { return e.Kind == k }
}

// Kind: process.
func TestPassesAndRecordsBothWays(t *testing.T) {
	t.Parallel()
	path, entries, _ := device(t, silent)
	tp, heard, stop := start(t, path)
	host, err := serial.Open(tp.Path(), &serial.Mode{BaudRate: 9600})
	require.NoError(t, err)
	require.NoError(t, host.SetReadTimeout(patience))
	heard.await(t, "opened", kind(capture.Opened))
	lines := bufio.NewReader(host)
	for range 3 {
		_, err = host.Write([]byte("N\r\n"))
		require.NoError(t, err)
		line, err := lines.ReadString('\n')
		require.NoError(t, err)
		require.True(t, strings.HasPrefix(line, "R +00012.007 mm 3 .*"), line)
	}
	// What the host asks of its line is asked of the device.
	require.NoError(t, host.SetMode(&serial.Mode{BaudRate: 19200}))
	asked := entries.await(t, "19200 at the device", func(e ledger.Entry) bool {
		return e.Port != nil && e.Port.What == "asked" && strings.HasPrefix(e.Port.Line, "19200")
	})
	require.Equal(t, "hub-stand", asked.Gauge)
	require.NoError(t, host.Close())
	heard.await(t, "closed", kind(capture.Closed))
	stop()

	var sent, got bytes.Buffer
	last := time.Duration(0)
	for _, e := range heard.all {
		require.GreaterOrEqual(t, e.At, last)
		last = e.At
		switch e.Kind {
		case capture.FromHost:
			sent.Write(e.Bytes)
		case capture.FromGauge:
			got.Write(e.Bytes)
		case capture.Lost:
			t.Errorf("lost: %s", e.Text)
		}
	}
	require.Equal(t, "N\r\nN\r\nN\r\n", sent.String())
	require.Equal(t, 3, strings.Count(got.String(), "R +00012.007 mm"))
}

// A device that goes away takes the host's port with it, and brings it back.
//
// Kind: process.
func TestFollowsADeviceThatGoesAway(t *testing.T) {
	t.Parallel()
	path, _, do := device(t, silent)
	tp, heard, _ := start(t, path)
	host, err := serial.Open(tp.Path(), &serial.Mode{BaudRate: 9600})
	require.NoError(t, err)
	heard.await(t, "opened", kind(capture.Opened))
	do(stage.LoseLink{For: 300e6})
	heard.await(t, "gone", kind(capture.Gone))
	_, err = host.Read(make([]byte, 1))
	require.Error(t, err, "the host's port is hung up")
	require.NoError(t, host.Close())
	_, err = os.Lstat(tp.Path())
	require.ErrorIs(t, err, os.ErrNotExist)
	heard.await(t, "back", kind(capture.Back))
	host, err = serial.Open(tp.Path(), &serial.Mode{BaudRate: 9600})
	require.NoError(t, err)
	require.NoError(t, host.SetReadTimeout(patience))
	_, err = host.Write([]byte("N\r\n"))
	require.NoError(t, err)
	line, err := bufio.NewReader(host).ReadString('\n')
	require.NoError(t, err)
	require.Contains(t, line, "12.007")
	require.NoError(t, host.Close())
}

// Kind: process.
func TestSaysWhatCannotBeOpened(t *testing.T) {
	t.Parallel()
	none := filepath.Join(t.TempDir(), "none")
	_, err := tap.Open(tap.Config{Device: func() (tap.Device, error) { return tap.OpenSerial(none, port.Settings{Baud: 9600}) }})
	require.ErrorContains(t, err, none)
}
