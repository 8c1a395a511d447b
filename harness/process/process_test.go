//go:build unix

package process_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.org/understudy/harness/process"
	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// The test program is its own host: with HOST set it plays one.
func TestMain(m *testing.M) {
	if play := os.Getenv("HOST"); play == "starter" {
		starts(process.Start)
	} else if play == "watched starter" {
		starts(process.StartWatched)
	} else if play != "" {
		host(play)
		return
	}
	goleak.VerifyTestMain(m)
}

func host(play string) {
	say := func(s string) { fmt.Println(s) }
	forever := func() { // not select {}, which without cgo ends as a deadlock
		for {
			time.Sleep(time.Hour)
		}
	}
	child := func(play string, session bool) {
		c := exec.Command(os.Args[0])
		c.Env = append(os.Environ(), "HOST="+play)
		c.Stdout = os.Stdout
		c.SysProcAttr = &syscall.SysProcAttr{Setsid: session}
		if err := c.Start(); err != nil {
			panic(err)
		}
	}
	switch play {
	case "good":
		term := make(chan os.Signal, 1)
		signal.Notify(term, syscall.SIGTERM, syscall.SIGINT)
		say("ready " + os.Getenv("WORD"))
		<-term
		say("bye")
	case "stubborn": // ignores every polite signal, and so does all it starts
		signal.Ignore(syscall.SIGTERM, syscall.SIGINT)
		child("stubborn-child", false)
		child("stubborn-child", true)
		forever()
	case "stubborn-child":
		signal.Ignore(syscall.SIGTERM, syscall.SIGINT, syscall.SIGHUP)
		if os.Getenv("DEPTH") == "" {
			os.Setenv("DEPTH", "1")
			child("stubborn-child", false)
		}
		say("pid " + strconv.Itoa(os.Getpid()))
		forever()
	case "leaves": // ends and leaves a child
		child("stubborn-child", false)
		time.Sleep(50 * time.Millisecond)
	case "slow-child": // ends at once when asked; its child takes longer and then writes
		term := make(chan os.Signal, 1)
		signal.Notify(term, syscall.SIGTERM)
		child("late-writer", false)
		<-term
	case "late-writer":
		term := make(chan os.Signal, 1)
		signal.Notify(term, syscall.SIGTERM)
		say("ready")
		<-term
		time.Sleep(100 * time.Millisecond)
		say("written late")
	case "fails":
		say("opening")
		fmt.Fprint(os.Stderr, "no such port\nwithout a line end")
		os.Exit(3)
	case "line":
		var word string
		for word != "quit" {
			if _, err := fmt.Scanln(&word); err != nil {
				os.Exit(4)
			}
		}
		say("left in order")
	case "touch":
		if err := os.WriteFile(os.Getenv("WORD"), nil, 0o644); err != nil {
			panic(err)
		}
		forever()
	case "loud":
		for range 2000 {
			say(strings.Repeat("x", 99))
		}
		say("ready")
		forever()
	case "repeats": // says again what it is told
		for sc := bufio.NewScanner(os.Stdin); sc.Scan(); {
			say("heard " + sc.Text())
		}
	case "busy":
		say("ready")
		for n := 0; ; n++ {
		}
	case "silent":
		forever()
	}
}

// starts plays the program that starts a host, says its number, and is killed.
func starts(start func(context.Context, process.Spec) (*process.Process, error)) {
	p, err := start(context.Background(), process.Spec{Words: []string{os.Args[0]}, Env: map[string]string{"HOST": "good"}, ReadyLine: regexp.MustCompile("^ready")})
	if err == nil {
		err = p.Await(context.Background(), soon) // so that nobody's reading its output does not end it
	}
	if err != nil {
		panic(err)
	}
	fmt.Println("host", p.Pid())
	select {}
}

func start(t *testing.T, ctx context.Context, play string, change func(*process.Spec)) *process.Process {
	t.Helper()
	dir := t.TempDir()
	s := process.Spec{Words: []string{os.Args[0]}, Env: map[string]string{"HOST": play}, Dir: dir,
		Output: filepath.Join(dir, "output"), Errors: filepath.Join(dir, "errors"), ReadyLine: regexp.MustCompile("^ready")}
	if change != nil {
		change(&s)
	}
	p, err := process.Start(ctx, s)
	require.NoError(t, err)
	t.Cleanup(func() { p.Stop(process.Ask{Signal: "kill"}) })
	return p
}

var soon = process.Ready{Line: true, Within: 20 * time.Second}

// Kind: process.
func TestGoodHost(t *testing.T) {
	t.Parallel()
	var file string
	p := start(t, t.Context(), "good", func(s *process.Spec) { s.Env["WORD"] = "set"; file = s.Output })
	require.NoError(t, p.Await(t.Context(), soon))
	_, ended := p.Exit()
	require.False(t, ended)
	e := p.Stop(process.Ask{Grace: 20 * time.Second})
	require.True(t, e.Clean(), e.String())
	require.True(t, e.Asked)
	require.Equal(t, "ended with exit status 0", e.String())
	b, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "ready set\nbye\n", string(b))
	require.Equal(t, e, p.Stop(process.Ask{}), "a second Stop tells the same")
}

// A host is told things while it runs, and each time another line is awaited.
//
// Kind: process.
func TestToldAndAwaited(t *testing.T) {
	t.Parallel()
	p := start(t, t.Context(), "repeats", func(s *process.Spec) { s.ReadyLine = nil })
	for _, word := range []string{"one", "two", "two"} {
		p.Expect(regexp.MustCompile("^heard " + word + "$"))
		require.NoError(t, p.Say(t.Context(), word))
		require.NoError(t, p.Await(t.Context(), soon))
	}
	p.Expect(regexp.MustCompile("^heard two$"))
	require.EqualError(t, p.Await(t.Context(), process.Ready{Line: true, Within: 20 * time.Millisecond}),
		"the host did not print a line that matches ^heard two$ within 20ms; the end of its output:\n  heard one\n  heard two\n  heard two", "what it printed before does not count")
	require.True(t, p.Stop(process.Ask{Line: "bye", Grace: 20 * time.Second}).Clean())
	require.ErrorContains(t, p.Say(t.Context(), "more"), `the host does not take the line "more" on its standard input: `)

	p = start(t, t.Context(), "silent", nil)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	long := strings.Repeat("x", 1<<20) // more than a pipe takes
	require.ErrorContains(t, p.Say(ctx, long), "from its standard input")
	p.Stop(process.Ask{Signal: "kill"}) // and the line is given up
}

func needLinux(t *testing.T) {
	if runtime.GOOS != "linux" {
		testenv.Missing(t, "needs Linux's /proc to look for processes")
	}
}

// running reports whether a process runs; one that has ended but is not reaped
// does not.
func running(pid int) bool {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err == nil && !strings.Contains(string(b[strings.LastIndexByte(string(b), ')'):]), ") Z")
}

// Kind: process.
func TestNothingIsLeftOfAStubbornHost(t *testing.T) {
	t.Parallel()
	needLinux(t)
	p := start(t, t.Context(), "stubborn", nil)
	pids := family(t, p)
	e := p.Stop(process.Ask{Signal: "term", Grace: 100 * time.Millisecond})
	require.True(t, e.Killed)
	require.False(t, e.Clean())
	require.Equal(t, 2, e.Left, "the child in a session of its own, and its child")
	for pid := range pids {
		require.False(t, running(pid), pid)
	}
}

// family waits until a stubborn host has all its children, and returns them and it.
func family(t *testing.T, p *process.Process) map[int]bool {
	t.Helper()
	pids := map[int]bool{p.Pid(): true}
	require.NoError(t, p.Await(t.Context(), process.Ready{Within: 20 * time.Second, When: func(ctx context.Context) error {
		for len(pids) < 5 { // itself, two children, a grandchild of each
			lines, _ := p.LastLines(40)
			for _, l := range lines {
				if n, err := strconv.Atoi(strings.TrimPrefix(l, "pid ")); err == nil {
					pids[n] = true
				}
			}
			if err := ctx.Err(); err != nil {
				return err
			}
			runtime.Gosched()
		}
		return nil
	}}))
	for pid := range pids {
		require.True(t, running(pid))
	}
	return pids
}

// Kind: process.
func TestWhatAHostLeavesIsEnded(t *testing.T) {
	t.Parallel()
	needLinux(t)
	p := start(t, t.Context(), "leaves", nil)
	<-p.Done()
	e, ended := p.Exit()
	require.True(t, ended)
	require.False(t, e.Asked)
	require.Positive(t, e.Left)
	require.Regexp(t, `^ended with exit status 0; (a process it had started was|\d processes it had started were) killed after it$`, e.String())
}

// Kind: process.
func TestChildrenMayEndWithinTheGrace(t *testing.T) {
	t.Parallel()
	needLinux(t)
	p := start(t, t.Context(), "slow-child", nil)
	require.NoError(t, p.Await(t.Context(), soon))
	e := p.Stop(process.Ask{Grace: 20 * time.Second})
	require.True(t, e.Clean(), e.String())
	lines, _ := p.LastLines(1)
	require.Equal(t, []string{"written late"}, lines)
}

// Kind: process.
func TestEndBeforeReady(t *testing.T) {
	t.Parallel()
	p := start(t, t.Context(), "fails", nil)
	err := p.Await(t.Context(), soon)
	want := "the host ended with exit status 3 and did not print a line that matches ^ready; the end of its output:\n  opening; the end of its error output:\n  no such port\n  without a line end"
	if d := cmp.Diff(want, err.Error()); d != "" {
		t.Error(d)
	}
}

// Kind: process.
func TestNotReadyInTime(t *testing.T) {
	t.Parallel()
	p := start(t, t.Context(), "silent", nil)
	require.EqualError(t, p.Await(t.Context(), process.Ready{Line: true, Within: 20 * time.Millisecond}), "the host did not print a line that matches ^ready within 20ms")
	require.EqualError(t, p.Await(t.Context(), process.Ready{File: "/nowhere/x", Within: 20 * time.Millisecond}), "the host did not make the file /nowhere/x within 20ms")
	require.EqualError(t, p.Await(t.Context(), process.Ready{When: func(context.Context) error { return errors.New("the port is gone") }, What: "open its port"}), "the host did not open its port: the port is gone")
	require.NoError(t, p.Await(t.Context(), process.Ready{After: time.Millisecond}))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, p.Await(ctx, soon), context.Canceled)
}

// Kind: process.
func TestReadyByFile(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "here")
	p := start(t, t.Context(), "touch", func(s *process.Spec) { s.Env["WORD"] = file })
	require.NoError(t, p.Await(t.Context(), process.Ready{File: file, Within: 20 * time.Second}))
}

// Kind: process.
func TestStopByLine(t *testing.T) {
	t.Parallel()
	p := start(t, t.Context(), "line", nil)
	e := p.Stop(process.Ask{Line: "quit", Grace: 20 * time.Second})
	require.True(t, e.Clean(), e.String())
	lines, _ := p.LastLines(9)
	require.Equal(t, []string{"left in order"}, lines)
}

// Kind: process.
func TestCancelKills(t *testing.T) {
	t.Parallel()
	needLinux(t)
	ctx, cancel := context.WithCancel(t.Context())
	p := start(t, ctx, "stubborn", nil)
	pids := family(t, p)
	cancel()
	<-p.Done()
	e, _ := p.Exit()
	require.True(t, e.Killed)
	require.Equal(t, 2, e.Left)
	for pid := range pids {
		require.False(t, running(pid), pid)
	}
}

// Kind: process.
func TestKillIsACrashAndNotAFailureToEnd(t *testing.T) {
	t.Parallel()
	p := start(t, t.Context(), "good", nil)
	require.NoError(t, p.Await(t.Context(), soon))
	e := p.Stop(process.Ask{Signal: "kill", Grace: 20 * time.Second})
	require.Equal(t, "ended by signal SIGKILL (killed)", e.String())
	require.False(t, e.Killed)
	require.True(t, e.Clean(), "as it was asked to")
}

// What a host's end is called goes on with "the host" and with "the host has".
//
// Kind: property.
func TestEndsInWords(t *testing.T) {
	t.Parallel()
	for want, e := range map[string]process.Exit{
		"ended with exit status 7":                                               {Code: 7},
		"ended by signal SIGSEGV (segmentation fault)":                           {Code: -1, Signal: "SIGSEGV (segmentation fault)"},
		"ended: a row too many":                                                  {Said: "a row too many"},
		"ended only when it was killed, and not when it was asked to":            {Code: -1, Signal: "SIGKILL (killed)", Asked: true, Killed: true},
		"ended when it was killed, without being asked to end before":            {Code: -1, Signal: "SIGKILL (killed)", Killed: true},
		"ended with exit status 0; a process it had started was killed after it": {Left: 1},
	} {
		require.Equal(t, want, e.String())
		require.False(t, e.Clean(), want)
	}
	for _, e := range []process.Exit{{}, {Code: -1, Signal: "SIGTERM (terminated)", Asked: true, ByAsk: true}} {
		require.True(t, e.Clean(), e.String())
	}
}

// A host that knows nothing of the signal that asks it ends by it, and no other
// signal is the one it was asked by.
//
// Kind: process.
func TestEndBySignal(t *testing.T) {
	t.Parallel()
	p := start(t, t.Context(), "silent", nil)
	e := p.Stop(process.Ask{Signal: "term", Grace: 20 * time.Second})
	require.Equal(t, "ended by signal SIGTERM (terminated)", e.String())
	require.True(t, e.Clean())

	p = start(t, t.Context(), "silent", nil)
	require.NoError(t, syscall.Kill(p.Pid(), syscall.SIGKILL))
	<-p.Done()
	e = p.Stop(process.Ask{})
	require.Equal(t, "ended by signal SIGKILL (killed)", e.String())
	require.False(t, e.Clean())
}

// Kind: process.
func TestOutputIsBounded(t *testing.T) {
	t.Parallel()
	var file string
	p := start(t, t.Context(), "loud", func(s *process.Spec) { s.Limit = 1000; file = s.Output })
	require.NoError(t, p.Await(t.Context(), soon), "readiness is seen beyond the limit")
	e := p.Stop(process.Ask{Signal: "kill", Grace: 20 * time.Second})
	require.Equal(t, int64(2000*100+6-1000), e.Dropped)
	fi, err := os.Stat(file)
	require.NoError(t, err)
	require.Equal(t, int64(1000), fi.Size())
}

// Kind: process.
func TestStartedAgainTheOutputGoesOn(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for range 2 {
		p := start(t, t.Context(), "good", func(s *process.Spec) { s.Output = filepath.Join(dir, "o") })
		require.NoError(t, p.Await(t.Context(), soon))
		p.Stop(process.Ask{Grace: 20 * time.Second})
	}
	b, err := os.ReadFile(filepath.Join(dir, "o"))
	require.NoError(t, err)
	require.Equal(t, "ready \nbye\nready \nbye\n", string(b))
}

// Kind: process.
func TestCannotStart(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		s    process.Spec
		want string
	}{
		{process.Spec{}, "the host cannot be started: the command is empty"},
		{process.Spec{Words: []string{"no-such-host-program"}}, "the host no-such-host-program cannot be started: .*not found.*is it installed, and is its path right\\?"},
		{process.Spec{Words: []string{"x"}, Dir: "/nowhere"}, "its folder /nowhere is not there"},
		{process.Spec{Words: []string{os.Args[0]}, Output: "/nowhere/x"}, "the host's output cannot be kept"},
	} {
		_, err := process.Start(t.Context(), c.s)
		require.Error(t, err)
		require.Regexp(t, c.want, err.Error())
	}
}
