//go:build linux

package host

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"example.org/understudy/sim/wire"
)

// fakeGauge speaks a dialect on a pseudo-terminal under a stable name.
type fakeGauge struct {
	t       *testing.T
	dialect *wire.Dialect
	path    string

	ptm, tty *os.File
	done     chan struct{} // closed when the reader has ended

	mu     sync.Mutex
	asked  []string      // commands, in order
	heard  chan struct{} // one for each command
	refuse string        // answer to every command, when not empty
	mute   int           // commands that are still to go unanswered
	serial string        // what it says it is
}

func newFakeGauge(t *testing.T, dialect, path string) *fakeGauge {
	src, err := os.ReadFile(dialect)
	require.NoError(t, err)
	d, err := wire.Parse(dialect, src)
	require.NoError(t, err)
	f := &fakeGauge{t: t, dialect: d, path: path, heard: make(chan struct{}, 1000)}
	f.appear()
	t.Cleanup(func() {
		if f.ptm != nil {
			f.hangUp()
		}
	})
	return f
}

// appear puts the gauge on a fresh pseudo-terminal.
func (f *fakeGauge) appear() {
	ptm0, tty, err := pty.Open()
	require.NoError(f.t, err)
	fd, err := unix.Dup(int(ptm0.Fd()))
	require.NoError(f.t, err)
	ptm0.Close()
	require.NoError(f.t, unix.SetNonblock(fd, true)) // so that Close ends a Read
	f.ptm, f.tty = os.NewFile(uintptr(fd), "gauge"), tty
	require.NoError(f.t, os.Symlink(f.tty.Name(), f.path))
	f.done = make(chan struct{})
	ptm, done := f.ptm, f.done
	go func() {
		defer close(done)
		f.listen(ptm)
	}()
}

func (f *fakeGauge) listen(ptm *os.File) {
	end := f.dialect.NewEnd(wire.Gauge)
	buf := make([]byte, 1024)
	for {
		n, err := ptm.Read(buf)
		if err != nil {
			return
		}
		end.Receive(buf[:n], 0, func(inc wire.Incoming) {
			req, ok := end.Request(inc)
			if !ok {
				return
			}
			f.mu.Lock()
			defer f.mu.Unlock()
			f.asked = append(f.asked, strings.TrimSuffix(strings.TrimSpace(req.Verb+" "+req.Setting)+" "+req.Value.String(), " -"))
			if f.mute--; f.mute < 0 {
				var rec *wire.Record
				if f.serial != "" && req.Verb == "identify" {
					rec = f.dialect.NewRecord()
					for term, text := range map[string]string{wire.Name: "gauge", wire.Serial: f.serial, wire.Firmware: "1"} {
						rec.Set(f.dialect.Term(term), 0, wire.Str(text))
					}
				}
				out, err := end.AppendReply(nil, req, wire.Outcome{OK: f.refuse == "", Reason: f.refuse, Rec: rec})
				if err == nil {
					ptm.Write(out)
				}
			}
			f.heard <- struct{}{}
		})
	}
}

func (f *fakeGauge) commands() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]string(nil), f.asked...)
}

func (f *fakeGauge) frame(s said) []byte { return frame(f.t, f.dialect, s) }

func (f *fakeGauge) send(parts ...[]byte) {
	for _, p := range parts {
		_, err := f.ptm.Write(p)
		require.NoError(f.t, err)
	}
}

func (f *fakeGauge) hangUp() {
	os.Remove(f.path)
	f.tty.Close()
	f.ptm.Close()
	<-f.done
	f.ptm = nil
}

// running is a host that a test has started in this process.
type running struct {
	t       *testing.T
	records string
	cancel  context.CancelFunc
	code    chan int
	ready   chan struct{}
	stderr  lockedBuffer
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// readyWriter closes a channel when the host says that it is ready.
type readyWriter chan struct{}

func (w readyWriter) Write(p []byte) (int, error) {
	if string(p) == "ready\n" {
		close(w)
	}
	return len(p), nil
}

// writeJob writes a job file into a folder and returns its name. Each gauge is
// made from plainJob's first one by a change.
func writeJob(t *testing.T, dir string, keeps string, gauges ...map[string]any) string {
	for i, g := range gauges {
		full := map[string]any{"name": fmt.Sprintf("bore-%d", i+1), "dialect": lineASCII, "serial-line": "9600 8N1", "function": "live",
			"tags":     map[string]any{"first": 1, "last": 9999, "window": "60 s"},
			"channels": []any{map[string]any{"name": "A", "limits-unit": "mm", "lower": "7.985", "upper": "8.015", "warn-lower": "7.990", "warn-upper": "8.010"}}}
		for k, v := range g {
			full[k] = v
		}
		gauges[i] = full
	}
	src, err := json.Marshal(map[string]any{"version": 1, "unit": "mm", "resolution": "0.001", "rounding": "half-even", "keeps": keeps,
		"records": filepath.Join(dir, "records.csv"), "gauges": gauges})
	require.NoError(t, err)
	file := filepath.Join(dir, "job.json")
	require.NoError(t, os.WriteFile(file, src, 0o666))
	return file
}

func startHost(t *testing.T, jobFile, defect string) *running {
	trying(defect)
	ctx, cancel := context.WithCancel(t.Context())
	h := &running{t: t, records: filepath.Join(filepath.Dir(jobFile), "records.csv"), cancel: cancel, code: make(chan int, 1), ready: make(chan struct{})}
	go func() {
		h.code <- run(ctx, []string{"--job", jobFile, "--defect", defect}, nil, readyWriter(h.ready), &h.stderr)
	}()
	t.Cleanup(func() { h.stop() })
	return h
}

func await(t *testing.T, what string, c <-chan struct{}) {
	t.Helper()
	select {
	case <-c:
	case <-time.After(patience):
		t.Fatalf("%s did not come", what)
	}
}

// rows reads the records as "gauge channel tag value unit zone event", leaving
// out what is empty.
func (h *running) rows() (out []string) {
	src, err := os.ReadFile(h.records)
	require.NoError(h.t, err)
	all, err := csv.NewReader(bytes.NewReader(src)).ReadAll()
	require.NoError(h.t, err)
	if len(all) == 0 {
		return nil
	}
	require.Equal(h.t, header, all[0])
	last := ""
	for _, r := range all[1:] {
		_, err := time.Parse(time.RFC3339Nano, r[0])
		require.NoError(h.t, err)
		require.GreaterOrEqual(h.t, r[0], last)
		last = r[0]
		out = append(out, strings.Join(strings.Fields(strings.Join(r[1:], " ")), " "))
	}
	return out
}

func (h *running) waitRows(n int) []string {
	h.t.Helper()
	for deadline := time.Now().Add(patience); ; time.Sleep(2 * time.Millisecond) {
		got := h.rows()
		if len(got) >= n {
			return got
		}
		if time.Now().After(deadline) {
			stacks := make([]byte, 1<<16)
			h.t.Fatalf("%d rows did not come, only %q; stderr: %s\n%s", n, got, h.stderr.String(), stacks[:runtime.Stack(stacks, true)])
		}
	}
}

// stop stops the host as a signal does and returns its rows.
func (h *running) stop() []string {
	h.cancel()
	if h.code != nil {
		require.Equal(h.t, exitDone, <-h.code, "exit code; stderr: %s", h.stderr.String())
		h.code = nil
	}
	return h.rows()
}
