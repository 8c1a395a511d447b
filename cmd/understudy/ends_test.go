//go:build linux

package main

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// ending is a command with work for much longer than a second.
type ending struct {
	words string // DIR is its own folder, WORK the one of workFor
	// ready is what it has printed, or the file it has made, when its work has begun;
	// where that is empty, it has used more processor time than it takes to begin.
	ready string
	code  int
	says  string // when it has ended
}

var endingCommands = map[string]ending{
	"check":                {"check in-the-middle WORK/slow.yaml tag-burst --jobs 1 -r DIR/runs --pace 10x", "DIR/runs/slow/ledger.jsonl", 2, "3 scenarios: 1 pass, 2 not run"},
	"check, deaf host":     {"check in-the-middle -r DIR/runs -- sh WORK/deaf.sh {port} {run}", "DIR/runs/*/deaf", 2, "1 scenario: 1 not run"},
	"play":                 {"play WORK/slow.yaml -r DIR/run", "DIR/run/ledger.jsonl", 0, "stopped by hand after "},
	"explore":              {"explore --runs 100000 --budget 0s", "", 2, "combinations of 2 factors run, in "},
	"explore --outside":    {"explore --outside --runs 100000 --budget 0s", "", 2, "combinations of 2 factors run, in "},
	"explore --defect all": {"explore --defect all --budget 1h", "", 2, "mistake "},
	"rehearse":             {"rehearse cell --shifts 100000", "", 2, "SIGNAL signal received) after "},
	"check of a line":      {"check cell -r DIR/runs --pace real", "DIR/runs/*/ledger.jsonl", 2, "3 scenarios: 3 not run"},
	"report":               {"report WORK/run", "", 2, "SIGNAL signal received"},
	"capture":              {"capture WORK/run -o DIR/c.pcapng", "", 2, "SIGNAL signal received"},
	"plot of a run":        {"plot WORK/run -o DIR/p.svg", "", 2, "SIGNAL signal received"},
	"plot of a scenario":   {"plot WORK/long.yaml -o DIR/p.svg", "", 2, "s and no further: SIGNAL signal received"},
	"explain":              {"explain WORK/long.yaml", "", 2, "s and no further: SIGNAL signal received"},
	"scenario from":        {"scenario from WORK/c.pcapng --dialect line-ascii", "", 2, "SIGNAL signal received"},
	"replay, reading":      {"replay WORK/c.pcapng --dialect line-ascii -r DIR/run", "", 2, "SIGNAL signal received"},
	"replay":               {"replay WORK/short.pcapng --dialect line-ascii -r DIR/run", "Stop with Ctrl-C", 0, "sent on its own: 0 of 3"},
	"tap":                  {"tap DEVICE -r DIR/run", "Stop with Ctrl-C", 0, "the capture is whole"},
	"lint":                 {"lint WORK/many", "", 2, " of 3000 files checked"},
	"dialect try":          {"dialect try line-ascii", "stdin", 2, "6D does not match; it should be 6C"},
	"dialect try --talk":   {"dialect try line-ascii --talk", "write a command", 2, "SIGNAL signal received"},
}

// What can take long ends when a signal asks it to, before its work is done: it tells
// what is known so far, and leaves no process and no name of a port. Each signal is
// sent twice, as timeout(1) does, and is one all the same.
//
// Kind: process.
func TestEndsWhenAsked(t *testing.T) {
	t.Parallel()
	// A hang-up that is ignored from the start, as nohup(1) has it, stays ignored in what
	// is started; one that is waited for here does not.
	hangups := make(chan os.Signal, 1)
	signal.Notify(hangups, syscall.SIGHUP)
	t.Cleanup(func() { signal.Stop(hangups) })
	signals := map[string]syscall.Signal{"interrupt": syscall.SIGINT, "terminated": syscall.SIGTERM, "hangup": syscall.SIGHUP, "quit": syscall.SIGQUIT}
	var all []string
	for _, name := range slices.Sorted(maps.Keys(endingCommands)) {
		for _, named := range slices.Sorted(maps.Keys(signals)) {
			all = append(all, name+"/"+named)
		}
	}
	work := workFor(t)
	for _, name := range testenv.Sample(t, 8, all) {
		t.Run(name, func(t *testing.T) {
			words, named, _ := strings.Cut(name, "/")
			c, dir := endingCommands[words], t.TempDir()
			require.NoError(t, os.Mkdir(filepath.Join(dir, "tmp"), 0o755))
			device := ""
			if strings.Contains(c.words, "DEVICE") {
				p, err := port.OpenPTY(port.Config{Name: "device", Dir: t.TempDir()}, func(port.Event) {})
				require.NoError(t, err)
				defer p.Close()
				device = p.Path()
			}
			place := strings.NewReplacer("DIR", dir, "WORK", work, "DEVICE", device, "SIGNAL", named)
			c.words, c.ready, c.says = place.Replace(c.words), place.Replace(c.ready), place.Replace(c.says)
			c.end(t, dir, signals[named])
		})
	}
}

// end starts a command, waits until it works, and has the signal end it. All that it
// leaves would be in the folder.
func (c ending) end(t *testing.T, dir string, signal syscall.Signal) {
	mark := "TMPDIR=" + dir + "/tmp"
	cmd := exec.CommandContext(t.Context(), "understudy", strings.Fields(c.words)...)
	cmd.Env = append(os.Environ(), mark, "XDG_RUNTIME_DIR="+dir+"/tmp")
	stdin, err := cmd.StdinPipe()
	require.NoError(t, err)
	defer stdin.Close()
	var printed output
	cmd.Stdout, cmd.Stderr = &printed, &printed
	require.NoError(t, cmd.Start())
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	if c.ready == "stdin" {
		// When the second has been taken, the first has been read.
		for range 2 {
			_, err := io.WriteString(stdin, "R +00008.015 mm 3 .*6D\r\n")
			require.NoError(t, err)
			for n := 1; n > 0; time.Sleep(time.Millisecond) {
				n, err = unix.IoctlGetInt(int(stdin.(*os.File).Fd()), unix.TIOCINQ)
				require.NoError(t, err)
			}
		}
	}
	for !c.works(cmd.Process.Pid, &printed) {
		select {
		case <-ended:
			t.Fatalf("it ended by itself: %s", printed.String())
		case <-time.After(5 * time.Millisecond):
		}
	}
	asked := time.Now()
	for range 2 {
		_ = cmd.Process.Signal(signal) // the second may be too late
	}
	<-ended
	t.Logf("it took %.3f s", time.Since(asked).Seconds())
	require.Equal(t, c.code, cmd.ProcessState.ExitCode(), printed.String())
	require.Contains(t, printed.String(), c.says)
	processes, err := filepath.Glob("/proc/[0-9]*/environ")
	require.NoError(t, err)
	for _, p := range processes {
		if b, err := os.ReadFile(p); err == nil && bytes.Contains(b, []byte(mark)) {
			words, _ := os.ReadFile(filepath.Join(filepath.Dir(p), "cmdline"))
			t.Errorf("a process is left: %q", words)
		}
	}
	require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Type()&fs.ModeSymlink != 0 {
			t.Errorf("the name %s is left", path)
		}
		return err
	}))
}

// works reports whether a command's long work has begun.
func (c ending) works(pid int, printed *output) bool {
	switch {
	case c.ready == "stdin":
		return true
	case filepath.IsAbs(c.ready):
		files, _ := filepath.Glob(c.ready)
		return len(files) > 0
	case c.ready != "":
		return strings.Contains(printed.String(), c.ready)
	}
	begun := 300 * time.Millisecond
	if raced {
		begun = 1500 * time.Millisecond // to begin with takes longer
	}
	return used(pid) >= begun
}

// output is what a command prints, which may be read meanwhile.
type output struct {
	mu  sync.Mutex
	all bytes.Buffer
}

func (o *output) Write(b []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.all.Write(b)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.all.String()
}

// used is the processor time of a process.
func used(pid int) time.Duration {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0
	}
	_, rest, _ := strings.Cut(string(b), ") ")
	f := strings.Fields(rest)
	user, _ := strconv.Atoi(f[11])
	system, _ := strconv.Atoi(f[12])
	return time.Duration(user+system) * 10 * time.Millisecond
}

// workFor makes files that take long, and returns their folder: a run and a capture of
// a host that was sent 300,000 frames, a scenario that is long on paper and one that is
// slow, and many files to lint.
func workFor(t *testing.T) string {
	dir := t.TempDir()
	write := func(name, text string) {
		file := filepath.Join(dir, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
		require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
	}
	scenario := "understudy: 1\ntitle: Long\ngauges: [{name: g, dialect: line-ascii, stream: 10 kHz}]\ncues: [{at: 1000 s, do: tag}]\n"
	write("long.yaml", scenario)
	write("slow.yaml", strings.Replace(scenario, "10 kHz", "10 Hz", 1))
	write("deaf.sh", "trap '' INT TERM HUP QUIT\n: >\"$2/deaf\"\nwhile :; do sleep 1; done <\"$1\"\n")
	for i := range 3000 {
		write(fmt.Sprintf("many/%d.yaml", i), strings.Replace(scenario, "1000 s", "1 s", 1))
	}
	code, printed := command(t.Context(), "check", "in-the-middle", "-r", filepath.Join(dir, "runs"))
	require.Equal(t, exitPass, code, printed)
	runs, err := filepath.Glob(filepath.Join(dir, "runs", "*"))
	require.NoError(t, err)
	require.NoError(t, os.Rename(runs[0], filepath.Join(dir, "run")))
	ledger := filepath.Join(dir, "run", "ledger.jsonl")
	text, err := os.ReadFile(ledger)
	require.NoError(t, err)
	lines := strings.SplitAfter(string(text), "\n")
	i := slices.IndexFunc(lines, func(l string) bool { return strings.Contains(l, `"k":"frame"`) })
	f, err := os.Create(ledger)
	require.NoError(t, err)
	defer f.Close()
	w := bufio.NewWriter(f)
	for k, l := range lines {
		for range map[bool]int{true: 300_000, false: 1}[k == i || k == i+1] {
			w.WriteString(l)
		}
	}
	require.NoError(t, w.Flush())
	for name, n := range map[string]int{"c.pcapng": 300_000, "short.pcapng": 3} {
		f, err := os.Create(filepath.Join(dir, name))
		require.NoError(t, err)
		defer f.Close()
		b := bufio.NewWriter(f)
		w, err := capture.NewWriter(b, time.Unix(1e9, 0), []capture.Line{capture.NewLine("g", "9600 8N1")})
		require.NoError(t, err)
		for i := range n {
			require.NoError(t, w.Write(capture.Event{At: time.Duration(i) * time.Second, Kind: capture.FromGauge, Bytes: []byte("R +00008.015 mm 3 .*6D\r\n")}))
		}
		require.NoError(t, b.Flush())
	}
	return dir
}
