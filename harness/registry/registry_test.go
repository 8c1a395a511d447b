package registry_test

import (
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"example.org/understudy/harness/registry"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

var began = time.Date(2026, 3, 2, 7, 15, 0, 0, time.UTC)

// TestMain lets the test program be a run that holds a folder until its
// standard input ends.
func TestMain(m *testing.M) {
	if dir := os.Getenv("REGISTRY_TEST_FOLDER"); dir != "" {
		c, err := registry.At(os.Getenv("REGISTRY_TEST_DIR")).Claim(dir, registry.Entry{Kind: "play", Scenario: "another", Began: began})
		if err == nil {
			err = c.Publish([]registry.Gauge{{Name: "bore-1", Serial: "SN-1", Path: "/there"}})
		}
		if err != nil {
			panic(err)
		}
		os.Stdout.WriteString("ready\n")
		_, _ = os.Stdin.Read(make([]byte, 1))
		os.Exit(0) // without striking itself out
	}
	os.Exit(m.Run())
}

// Kind: property.
func TestClaimPublishList(t *testing.T) {
	r, run := registry.At(filepath.Join(t.TempDir(), "a", "b")), t.TempDir()
	all, err := r.List()
	require.NoError(t, err)
	require.Empty(t, all)
	c, err := r.Claim(run, registry.Entry{Kind: "play", Scenario: "Three bushes", Began: began})
	require.NoError(t, err)
	_, err = r.Claim(run, registry.Entry{Kind: "tap", Scenario: "x", Began: began})
	var in registry.InUse
	require.ErrorAs(t, err, &in)
	require.Equal(t, os.Getpid(), in.By.PID)
	require.ErrorContains(t, err, `in use by a play of "Three bushes"`)

	gauges := []registry.Gauge{{Name: "bore-1", Serial: "SN-1", Path: "/x/bore-1"}}
	require.NoError(t, c.Publish(nil))
	require.NoError(t, c.Publish(gauges))
	all, err = r.List()
	require.NoError(t, err)
	require.Len(t, all, 1)
	require.Empty(t, cmp.Diff(gauges, all[0].Gauges))
	require.Equal(t, began, all[0].Began.UTC())

	require.NoError(t, c.Close())
	all, err = r.List()
	require.NoError(t, err)
	require.Empty(t, all)
	left, err := os.ReadDir(run)
	require.NoError(t, err)
	require.Empty(t, left)
	c, err = r.Claim(run, registry.Entry{Kind: "tap", Began: began})
	require.NoError(t, err)
	require.NoError(t, c.Close())
}

// A run that was killed holds nothing and is listed no more.
//
// Kind: process.
func TestCrashedRunIsForgotten(t *testing.T) {
	dir, run := t.TempDir(), t.TempDir()
	require.NoError(t, os.Chmod(dir, 0o700))
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "REGISTRY_TEST_DIR="+dir, "REGISTRY_TEST_FOLDER="+run)
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	_, err = out.Read(make([]byte, 6))
	require.NoError(t, err)

	r := registry.At(dir)
	all, err := r.List()
	require.NoError(t, err)
	require.Len(t, all, 1)
	require.Equal(t, cmd.Process.Pid, all[0].PID)
	_, err = r.Claim(run, registry.Entry{Kind: "play", Began: began})
	require.ErrorAs(t, err, new(registry.InUse))

	names := map[string]string{"ports/bore-1": "/dev/pts/999", "01-x/ports/bore-1": "/dev/pts/998", "ports/mine": "/dev/null"}
	for name, to := range names {
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(run, name)), 0o755))
		require.NoError(t, os.Symlink(to, filepath.Join(run, name)))
	}
	require.NoError(t, in.Close())
	require.NoError(t, cmd.Wait())
	all, err = r.List()
	require.NoError(t, err)
	require.Empty(t, all)
	files, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, files, "the entry is cleared away")
	for name, to := range names {
		_, err := os.Readlink(filepath.Join(run, name))
		require.Equal(t, to == "/dev/null", err == nil, "%s: only what stood for a pty is removed", name)
	}
	c, err := r.Claim(run, registry.Entry{Kind: "play", Began: began})
	require.NoError(t, err)
	require.NoError(t, c.Close())
}

// A process with the number of one that has ended is not taken for it.
//
// Kind: process.
func TestNumberUsedAgain(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only Linux tells when a process started")
	}
	dir := t.TempDir()
	require.NoError(t, os.Chmod(dir, 0o700))
	text, err := json.Marshal(registry.Entry{Kind: "play", PID: os.Getpid(), Process: "1 an earlier start", Began: began})
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "1-a.json"), text, 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "2-b.json"), []byte("{"), 0o600))
	all, err := registry.At(dir).List()
	require.NoError(t, err)
	require.Empty(t, all)
	_, err = os.Stat(filepath.Join(dir, "1-a.json"))
	require.ErrorIs(t, err, os.ErrNotExist)
}

// A folder that others can write to is not trusted.
//
// Kind: property.
func TestForeignFolder(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("folders have no such permissions here")
	}
	dir := t.TempDir()
	require.NoError(t, os.Chmod(dir, 0o777))
	c, err := registry.At(dir).Claim(t.TempDir(), registry.Entry{Kind: "play", Began: began})
	require.NoError(t, err)
	require.ErrorContains(t, c.Publish(nil), "not a folder of this user's alone")
	require.NoError(t, c.Close())
}

// Of many that claim a folder and give it back, one has it at a time.
//
// Kind: process.
func TestOneAtATime(t *testing.T) {
	r, run := registry.At(t.TempDir()), t.TempDir()
	var inside atomic.Int32
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for had := 0; had < 20 && !t.Failed(); {
				c, err := r.Claim(run, registry.Entry{Kind: "play", Began: began})
				if err != nil {
					if !errors.As(err, new(registry.InUse)) {
						t.Error(err)
					}
					runtime.Gosched()
					continue
				}
				had++
				if inside.Add(1) != 1 {
					t.Error("two have the folder")
				}
				runtime.Gosched() // where another may try
				inside.Add(-1)
				if err := c.Close(); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
}
