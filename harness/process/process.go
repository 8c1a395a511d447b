// Package process runs a host program: it starts it in a process group of its
// own, keeps what it prints, waits until it is ready, asks it to end and, when
// it does not, ends the whole group. When Stop has returned nothing of the host
// is left.
package process

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"time"
)

// Spec says what to start and how.
type Spec struct {
	Words []string          // the command and its words
	Dir   string            // working folder
	Env   map[string]string // added to this process's environment
	// Output and Errors are the files that keep what the host prints; a host
	// that is started again appends to them. An empty name keeps nothing.
	Output, Errors string
	// Limit bounds each of the files; 0 means 64 MiB. What goes beyond it is
	// counted and dropped.
	Limit int64
	// ReadyLine is watched for on standard output, from the first byte.
	ReadyLine *regexp.Regexp
}

// DefaultLimit bounds the kept output when Spec.Limit is 0.
const DefaultLimit = 64 << 20

// Process is a host that was started.
type Process struct {
	cmd      *exec.Cmd
	stdin    io.WriteCloser
	out, err *capture
	mark     string // NAME=value in the environment of everything the host starts
	readers  sync.WaitGroup
	unwatch  func()        // sends its watchdog away, if it has one
	done     chan struct{} // closed when nothing is left of the host
	stopOnce sync.Once
	asked    chan Ask
	exit     Exit // valid once done is closed
}

// Exit says how the host ended.
type Exit struct {
	Code    int    // exit status; −1 when a signal ended it
	Signal  string // the signal that ended it, such as "SIGTERM (terminated)"; empty if none did
	Asked   bool   // it ended after Stop had asked it to, and not only killed it
	ByAsk   bool   // the signal that ended it is the one that asked it to
	Killed  bool   // it had to be killed: it did not end within the grace
	Left    int    // processes of its group, or strays of it, that had to be killed after it
	Said    string // of a host that is no process: what went wrong with it
	Dropped int64  // bytes of its output that were beyond the limit
	Took    time.Duration
}

// String goes on with a sentence that begins with the host, or the host has.
func (e Exit) String() string {
	s := fmt.Sprintf("ended with exit status %d", e.Code)
	if e.Signal != "" {
		s = "ended by signal " + e.Signal
	}
	if e.Said != "" {
		s = "ended: " + e.Said
	}
	switch {
	case e.Killed && !e.Asked:
		s = "ended when it was killed, without being asked to end before"
	case e.Killed:
		s = "ended only when it was killed, and not when it was asked to"
	}
	switch {
	case e.Left == 1:
		s += "; a process it had started was killed after it"
	case e.Left > 1:
		s += fmt.Sprintf("; %d processes it had started were killed after it", e.Left)
	}
	return s
}

// Clean reports whether the host ended by itself, or when asked, with status 0
// or by the signal that asked it, and left nothing behind.
func (e Exit) Clean() bool {
	return (e.Code == 0 || e.ByAsk) && e.Said == "" && !e.Killed && e.Left == 0
}

// Ask says how a host is asked to end.
type Ask struct {
	Signal string        // term, int, hup, quit or kill; to the whole process group
	Line   string        // written to its standard input, which is then closed; instead of a signal
	Grace  time.Duration // how long it may take before its group is killed
}

// markName names the variable by which processes are found that left the group.
const markName = "UNDERSTUDY_HOST"

func newMark() string { return markName + "=" + rand.Text() }

// Start starts the host. When ctx ends the host is killed. Stop must be called
// in every case to wait for its end.
func Start(ctx context.Context, s Spec) (*Process, error) { return start(ctx, s, !deathSignal) }

// start starts it, with a watchdog where the host would else outlive this program.
func start(ctx context.Context, s Spec, watched bool) (*Process, error) {
	if len(s.Words) == 0 || s.Words[0] == "" {
		return nil, errors.New("the host cannot be started: the command is empty")
	}
	if s.Dir != "" {
		if fi, err := os.Stat(s.Dir); err != nil || !fi.IsDir() {
			return nil, fmt.Errorf("the host cannot be started: its folder %s is not there", s.Dir)
		}
	}
	limit := cmp.Or(s.Limit, DefaultLimit)
	p := &Process{mark: newMark(), done: make(chan struct{}), asked: make(chan Ask, 1)}
	p.out, p.err = newCapture(limit, s.ReadyLine), newCapture(limit, nil)
	p.cmd = exec.Command(s.Words[0], s.Words[1:]...)
	p.cmd.Dir = s.Dir
	p.cmd.Env = append(os.Environ(), p.mark)
	for k, v := range s.Env {
		p.cmd.Env = append(p.cmd.Env, k+"="+v)
	}
	ownGroup(p.cmd)

	var opened []io.Closer
	fail := func(err error) (*Process, error) {
		for _, c := range opened {
			c.Close()
		}
		return nil, err
	}
	var childEnds []io.Closer
	var err error
	if p.stdin, err = p.cmd.StdinPipe(); err != nil {
		return fail(err)
	}
	opened = append(opened, p.stdin)
	sources := [2]*os.File{}
	for i, c := range []struct {
		cap  *capture
		name string
	}{{p.out, s.Output}, {p.err, s.Errors}} {
		if c.name != "" {
			f, err := os.OpenFile(c.name, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o644)
			if err != nil {
				return fail(fmt.Errorf("the host's output cannot be kept: %w", err))
			}
			c.cap.file = f
			opened = append(opened, f)
		}
		r, w, err := os.Pipe()
		if err != nil {
			return fail(err)
		}
		opened = append(opened, r, w)
		childEnds = append(childEnds, w)
		sources[i] = r
		if i == 0 {
			p.cmd.Stdout = w
		} else {
			p.cmd.Stderr = w
		}
	}
	began := time.Now()
	ended, err := p.launch(watched)
	if err != nil {
		return fail(startError(s, err))
	}
	for _, w := range childEnds {
		w.Close()
	}
	for i, c := range []*capture{p.out, p.err} {
		p.readers.Add(1)
		go func() {
			defer p.readers.Done()
			c.drain(sources[i])
		}()
	}
	go p.watch(ctx, began, sources[:], ended)
	return p, nil
}

// launch starts the host from a thread that lives as long as it: see endWithUs. The
// channel is closed when the host has ended.
func (p *Process) launch(watched bool) (ended chan struct{}, err error) {
	started := make(chan error)
	ended = make(chan struct{})
	go func() {
		runtime.LockOSThread() // and never unlocked, so that the thread is nobody else's
		if !watched {
			endWithUs(p.cmd)
		}
		err := p.cmd.Start()
		if err == nil && watched {
			if p.unwatch, err = watchdog(p.cmd); err != nil {
				killGroup(p.cmd.Process.Pid)
			}
		}
		started <- err
		if p.cmd.Process != nil {
			_ = p.cmd.Wait() // how it ended is in ProcessState
		}
		close(ended)
	}()
	return ended, <-started
}

func startError(s Spec, err error) error {
	hint := ""
	if errors.Is(err, exec.ErrNotFound) || errors.Is(err, os.ErrNotExist) {
		hint = "; is it installed, and is its path right?"
		if !filepath.IsAbs(s.Words[0]) && strings.ContainsRune(s.Words[0], filepath.Separator) {
			hint = "; a path that is not absolute is looked for from the folder " + s.Dir
		}
	}
	return fmt.Errorf("the host %s cannot be started: %w%s", s.Words[0], err, hint)
}

// watch sees the host to its end.
func (p *Process) watch(ctx context.Context, began time.Time, sources []*os.File, ended <-chan struct{}) {
	pid := p.cmd.Process.Pid
	var by Ask                 // how it was asked to end
	var left []int             // what had to be killed after the leader's own end
	var grace <-chan time.Time // runs out: kill
	var ticks <-chan time.Time // look whether the group is empty
	leaderEnded := false
	cancelled := ctx.Done()
loop:
	for {
		select {
		case a := <-p.asked:
			p.exit.Asked, by = a.Signal != "kill", a
			grace = time.After(a.Grace)
			switch {
			case a.Line != "":
				go func() { _, _ = io.WriteString(p.stdin, a.Line+"\n"); p.stdin.Close() }()
			case a.Signal == "kill":
				killGroup(pid)
			default:
				signalGroup(pid, a.Signal)
			}
			continue
		case <-ended:
			leaderEnded, ended = true, nil
			if grace != nil && !p.exit.Killed && groupAlive(pid) {
				// Others of its group may still be ending; they have the rest of the grace.
				t := time.NewTicker(5 * time.Millisecond)
				defer t.Stop()
				ticks = t.C
				continue
			}
		case <-ticks:
			if groupAlive(pid) {
				continue
			}
		case <-cancelled:
			cancelled = nil
		case <-grace:
			grace = nil
		}
		// Either the leader has ended and its group with it, or time is up.
		switch gone := killGroup(pid); {
		case !leaderEnded:
			p.exit.Killed = true
			continue loop // to see it end
		case !p.exit.Killed:
			left = gone
		}
		break
	}
	left = append(left, killMarked(p.mark)...)
	if p.unwatch != nil {
		p.unwatch()
	}
	p.stdin.Close()
	// Everything that could hold the pipes is gone, so the readers come to the
	// end; should something unknown hold them, they are cut off.
	cut := time.AfterFunc(2*time.Second, func() {
		for _, r := range sources {
			r.Close()
		}
	})
	p.readers.Wait()
	cut.Stop()
	for _, r := range sources {
		r.Close()
	}
	p.out.close()
	p.err.close()
	p.exit.Left = len(left)
	p.exit.Dropped = p.out.dropped + p.err.dropped
	p.exit.Took = time.Since(began)
	p.exit.Code, p.exit.Signal = status(p.cmd.ProcessState)
	name, _, _ := strings.Cut(p.exit.Signal, " ")
	p.exit.ByAsk = name != "" && by.Line == "" && strings.EqualFold(name, "SIG"+by.Signal)
	close(p.done)
}

// Done is closed when the host has ended, with all it had started.
func (p *Process) Done() <-chan struct{} { return p.done }

// Pid is the process's number.
func (p *Process) Pid() int { return p.cmd.Process.Pid }

// Stop asks the host to end and waits until nothing of it is left. It may be
// called more than once; the first ask counts.
func (p *Process) Stop(a Ask) Exit {
	if a.Line == "" && a.Signal == "" {
		a.Signal = "term"
	}
	p.stopOnce.Do(func() { p.asked <- a })
	<-p.done
	return p.exit
}

// Exit says how the host ended; ok is false while it runs.
func (p *Process) Exit() (e Exit, ok bool) {
	select {
	case <-p.done:
		return p.exit, true
	default:
		return e, false
	}
}

// LastLines returns the last lines that the host printed, of standard output
// and of standard error, at most n of each.
func (p *Process) LastLines(n int) (out, errs []string) { return p.out.last(n), p.err.last(n) }

// Ready is a condition for Await; the zero value is fulfilled at once.
type Ready struct {
	Line   bool                        // a line has matched Spec.ReadyLine
	File   string                      // the file is there
	When   func(context.Context) error // returns nil when it is fulfilled, an error when it cannot be any more
	After  time.Duration               // this long from now
	What   string                      // the condition in words that follow "the host did not", such as "open its port"
	Within time.Duration               // time-out; 0 means none but ctx's
}

// Expect forgets the line that is watched for and watches for another one, or
// the same again, from the next line on; Await then waits for that.
func (p *Process) Expect(line *regexp.Regexp) { p.out.expect(line) }

// Say writes a line to the host's standard input. A host that reads nothing
// holds it up until ctx ends; the host is then of no more use.
func (p *Process) Say(ctx context.Context, line string) error {
	said := make(chan error, 1)
	go func() {
		_, err := io.WriteString(p.stdin, line+"\n")
		said <- err
	}()
	select {
	case err := <-said:
		if err != nil {
			return fmt.Errorf("the host does not take the line %q on its standard input: %w", line, err)
		}
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the host does not read the line %q from its standard input", line)
	}
}

// Await waits until the host is ready. The error says what did not happen, how
// the host ended if it did, and what it printed last.
func (p *Process) Await(ctx context.Context, r Ready) error {
	waitCtx, cancel := context.WithCancel(ctx)
	defer cancel()
	if r.Within > 0 {
		waitCtx, cancel = context.WithTimeout(waitCtx, r.Within)
		defer cancel()
	}
	fulfilled := make(chan error, 1)
	var what string
	pattern, matched := p.out.watched()
	switch {
	case r.Line:
		what = cmp.Or(r.What, fmt.Sprintf("print a line that matches %v", pattern))
		go func() {
			select {
			case <-matched:
				fulfilled <- nil
			case <-waitCtx.Done():
			}
		}()
	case r.File != "":
		what = cmp.Or(r.What, "make the file "+r.File)
		go func() { fulfilled <- awaitFile(waitCtx, r.File) }()
	case r.When != nil:
		what = cmp.Or(r.What, "meet its condition")
		go func() { fulfilled <- r.When(waitCtx) }()
	default:
		what = cmp.Or(r.What, "run for "+r.After.String())
		t := time.AfterFunc(r.After, func() { fulfilled <- nil })
		defer t.Stop()
	}
	select {
	case err := <-fulfilled:
		if err == nil {
			return nil
		}
		if waitCtx.Err() == nil {
			return p.notReady(fmt.Sprintf("the host did not %s: %v", what, err))
		}
	case <-p.done:
		// What it printed may have been the line, just before it ended.
		select {
		case <-matched:
			if r.Line {
				return nil
			}
		default:
		}
		return p.notReady("the host " + p.exit.String() + " and did not " + what)
	case <-waitCtx.Done():
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return p.notReady(fmt.Sprintf("the host did not %s within %s", what, r.Within))
}

func (p *Process) notReady(msg string) error {
	// The first lines of a crash's report say most, and stand above the last ones.
	out, _ := p.LastLines(5)
	_, errs := p.LastLines(crashLines)
	for _, part := range []struct {
		name  string
		lines []string
	}{{"output", out}, {"error output", errs}} {
		if len(part.lines) > 0 {
			msg += "; the end of its " + part.name + ":\n  " + strings.Join(part.lines, "\n  ")
		}
	}
	return errors.New(msg)
}

func awaitFile(ctx context.Context, name string) error {
	t := time.NewTicker(10 * time.Millisecond)
	defer t.Stop()
	for {
		if _, err := os.Stat(name); err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-t.C:
		}
	}
}

// capture keeps what the host prints on one stream.
type capture struct {
	limit int64

	mu      sync.Mutex
	ready   *regexp.Regexp // the line that is watched for
	matched chan struct{}  // closed when it was seen
	file    *os.File
	kept    int64
	dropped int64
	seen    bool     // a line has matched
	line    []byte   // the line that is being printed, bounded
	lines   []string // the last whole lines
}

// crashLines of the error output are shown of a host that is not ready.
const crashLines = 25

const (
	maxLine   = 8 << 10
	lastLines = 40
)

func newCapture(limit int64, ready *regexp.Regexp) *capture {
	return &capture{limit: limit, ready: ready, matched: make(chan struct{})}
}

func (c *capture) expect(line *regexp.Regexp) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.ready, c.matched, c.seen = line, make(chan struct{}), false
}

func (c *capture) watched() (*regexp.Regexp, <-chan struct{}) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.ready, c.matched
}

func (c *capture) drain(r io.Reader) {
	buf := make([]byte, 32<<10)
	for {
		n, err := r.Read(buf)
		c.take(buf[:n])
		if err != nil {
			return
		}
	}
}

func (c *capture) take(b []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.file != nil {
		keep := b[:min(int64(len(b)), max(0, c.limit-c.kept))]
		if _, err := c.file.Write(keep); err != nil {
			keep = nil // a full disk must not stop the host
		}
		c.kept += int64(len(keep))
		c.dropped += int64(len(b) - len(keep))
	}
	for len(b) > 0 {
		i := bytes.IndexByte(b, '\n')
		part := b
		if i >= 0 {
			part = b[:i]
		}
		c.line = append(c.line, part[:min(len(part), max(0, maxLine-len(c.line)))]...)
		if i < 0 {
			return
		}
		b = b[i+1:]
		c.endLine()
	}
}

func (c *capture) endLine() {
	line := strings.TrimSuffix(string(c.line), "\r")
	c.line = c.line[:0]
	if len(c.lines) == lastLines {
		c.lines = append(c.lines[:0], c.lines[1:]...)
	}
	c.lines = append(c.lines, line)
	if c.ready != nil && !c.seen && c.ready.MatchString(line) {
		c.seen = true
		close(c.matched)
	}
}

func (c *capture) close() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.line) > 0 {
		c.endLine()
	}
	if c.file != nil {
		c.file.Close()
	}
}

func (c *capture) last(n int) []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	lines := c.lines
	if len(c.line) > 0 {
		lines = append(append([]string(nil), lines...), string(c.line))
	}
	return append([]string(nil), lines[max(0, len(lines)-n):]...)
}
