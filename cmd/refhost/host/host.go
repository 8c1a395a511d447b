// Package host is the reference host: a small, correct host program for
// gauges, whose mistakes can be switched on one by one. The harness is proven
// with it: every mistake must be found and named, and the correct host must
// never be accused.
//
// It is told what to do by a job file (see job), decodes and commands the
// gauges through their dialects, judges by the job's limits with its own
// arithmetic, and writes its records as CSV, each row flushed as it is made.
package host

import (
	"context"
	"encoding/csv"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"sync"
	"syscall"
	"text/tabwriter"
	"time"

	"example.org/understudy/sim/wire"
)

// Exit codes of Main.
const (
	exitDone    = 0 // stopped by a signal, everything read is recorded
	exitFailed  = 1 // the records could not be written
	exitBadCall = 3 // bad usage or input
)

// Main runs the host until SIGINT or SIGTERM and returns its exit code. It
// prints "ready" to stdout when all ports are open and all writes were
// answered; what goes wrong goes to stderr.
//
// With --jobs it does one job after the other, as it is told on stdin.
func Main(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return run(ctx, args, stdin, stdout, stderr)
}

func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("refhost", flag.ContinueOnError)
	flags.SetOutput(stderr)
	file := flags.String("job", "", "the job `file` to do")
	many := flags.Bool("jobs", false, "read what to do from standard input: a line \"job FILE\" for a job, then \"end\", and so on")
	wrong := flags.String("defect", "", "make these mistakes: `names` separated by commas")
	list := flags.Bool("list", false, "print the mistakes that can be made")
	if err := flags.Parse(args); errors.Is(err, flag.ErrHelp) {
		return exitDone
	} else if err != nil {
		return exitBadCall
	}
	if *list {
		w := tabwriter.NewWriter(stdout, 0, 8, 2, ' ', 0)
		for _, d := range slices.Concat(catalogue, ofSummaries) {
			fmt.Fprintf(w, "%s\t%s\n", d.Name, d.Meaning)
		}
		w.Flush()
		return exitDone
	}
	fail := func(code int, err error) int {
		fmt.Fprintln(stderr, "refhost:", err)
		return code
	}
	if (*file == "") != *many || flags.NArg() > 0 {
		return fail(exitBadCall, errors.New("it is called as refhost --job FILE [--defect NAME,...], refhost --jobs [--defect NAME,...] or refhost --list"))
	}
	on, err := parseDefects(*wrong)
	if err != nil {
		return fail(exitBadCall, err)
	}
	if *many {
		return doJobs(ctx, on, stdin, stdout, stderr)
	}
	return do(ctx, *file, on, stdout, stderr)
}

// Do is the host with mistakes, named as for --defect, as a function: it does the
// job of a file until ctx is done.
func Do(ctx context.Context, file, wrong string) error {
	on, err := parseDefects(wrong)
	if err != nil {
		return err
	}
	var said strings.Builder
	if do(ctx, file, on, io.Discard, &said) != exitDone {
		lines := strings.Split(strings.TrimSpace(said.String()), "\n")
		return errors.New(strings.TrimPrefix(lines[len(lines)-1], "refhost: "))
	}
	return nil
}

// do does the job of a file until ctx is done.
func do(ctx context.Context, file string, on defects, stdout, stderr io.Writer) int {
	fail := func(code int, err error) int {
		fmt.Fprintln(stderr, "refhost:", err)
		return code
	}
	src, err := os.ReadFile(file)
	if err != nil {
		return fail(exitBadCall, err)
	}
	start := time.Now()
	h, sessions, err := newHost(file, src, on, Ground{Start: start, Since: func() time.Duration { return time.Since(start) },
		Pause: time.Sleep, Idle: func(ctx context.Context) { <-ctx.Done() }})
	if err != nil {
		return fail(exitBadCall, err)
	}
	h.stdout, h.stderr, h.ground.Open = stdout, stderr, h.open
	// What an earlier start of the host has recorded stays.
	how := os.O_CREATE | os.O_WRONLY | os.O_APPEND
	if h.mind.has("starts-over") {
		how = os.O_CREATE | os.O_WRONLY | os.O_TRUNC
	}
	out, err := os.OpenFile(h.mind.job.Records, how, 0o644)
	if err != nil {
		return fail(exitBadCall, err)
	}
	defer out.Close()
	ctx, h.fail = context.WithCancelCause(ctx)
	defer h.fail(nil)
	h.rows = csv.NewWriter(out)
	if at, err := out.Seek(0, io.SeekEnd); err == nil && at == 0 {
		h.write(header)
	}
	var all sync.WaitGroup
	for _, s := range sessions {
		all.Go(func() { s.run(ctx) })
	}
	all.Wait()
	h.finish()
	if h.failed == nil {
		h.failed = out.Close()
	}
	if h.failed != nil {
		return fail(exitFailed, h.failed)
	}
	return exitDone
}

// host is what the gauges' sessions share. Each session owns its port and
// decoder; thinking and recording happen one at a time, under mu.
type host struct {
	ground         Ground
	stdout, stderr io.Writer
	fail           context.CancelCauseFunc

	mu      sync.Mutex
	mind    *mind
	rows    *csv.Writer
	waitFor int   // sessions that are not ready yet
	wrote   int   // rows, the header among them
	failed  error // first failure to write the records
}

// newHost makes a host that does the job of a file, and a session for each gauge.
func newHost(file string, src []byte, on defects, ground Ground) (h *host, all []*session, err error) {
	j, err := parseJob(file, src)
	if err != nil {
		return nil, nil, err
	}
	h = &host{mind: newMind(j, on), ground: ground, waitFor: len(j.Gauges)}
	for g := range j.Gauges {
		gauge := &j.Gauges[g]
		if gauge.dialect = ground.Dialects[gauge.Dialect]; gauge.dialect == nil {
			if gauge.dialect, err = readDialect(gauge.Dialect); err != nil {
				return nil, nil, err
			}
		}
		all = append(all, h.newSession(g))
	}
	return h, all, nil
}

func readDialect(file string) (*wire.Dialect, error) {
	src, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	return wire.Parse(file, src)
}

// think lets f use the mind and writes what it has recorded. The clock is read
// here, so that rows stand in the order of their times.
func (h *host) think(f func(m *mind, now time.Time)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	f(h.mind, h.now())
	for _, r := range h.mind.take() {
		h.write(r.columns())
	}
}

// finish writes what has been held back.
func (h *host) finish() {
	h.think((*mind).finish)
	h.summarize()
	h.mu.Lock()
	defer h.mu.Unlock()
	h.rows.Flush()
	if err := h.rows.Error(); err != nil && h.failed == nil {
		h.failed = err
	}
}

// now is the clock as it was at the start plus the time since, so that setting
// the clock does not put rows out of order.
func (h *host) now() time.Time { return h.ground.Start.Add(h.ground.Since()) }

func (h *host) write(columns []string) {
	if h.wrote++; h.mind.has("quits") && h.wrote == 4 {
		h.failed = errors.New("a row too many")
		h.fail(h.failed)
		return
	}
	h.rows.Write(columns)
	if !h.mind.has("rows-buffered") {
		h.rows.Flush()
	}
	if err := h.rows.Error(); err != nil && h.failed == nil {
		h.failed = err
		h.fail(err)
	}
}

// ready counts a session as ready and says so when it was the last.
func (h *host) ready() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.waitFor--; h.waitFor == 0 {
		fmt.Fprintln(h.stdout, "ready")
	}
}

// complain says what went wrong with a gauge.
func (h *host) complain(gauge, format string, args ...any) {
	h.mu.Lock()
	defer h.mu.Unlock()
	fmt.Fprintf(h.stderr, "refhost: gauge %s: %s\n", gauge, fmt.Sprintf(format, args...))
}
