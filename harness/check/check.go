// Package check proves host software right or wrong: it puts a scenario's
// gauges on ports, runs the host, plays, stops the host, reads its records and
// compares them with the ledger.
package check

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/process"
	"example.org/understudy/harness/records"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
)

// Check is one scenario against one host.
type Check struct {
	Scenario *scenario.Scenario
	Host     *hostfile.Host
	Run      string      // the run folder; made if it is not there, and must be empty
	Self     string      // the understudy program, for {self}
	Extra    []string    // words added to the host's command
	HostText []byte      // the host description as written, kept in the run folder for Reopen
	Pace     *stage.Pace // instead of the host description's
	// Func, if set, is the host: a function of this program instead of the
	// description's command. It returns when its context is done, or earlier with
	// what went wrong.
	Func func(context.Context, *Job) error
	// Kept, if set, is the host of the check before, and is kept for the next.
	// A host that goes on (hostfile.Host.GoesOn) needs the same run folder in
	// all checks.
	Kept *Kept
	// Database holds the records if they are of form sql; of a database server's form
	// it is opened for the check where it is not given.
	Database *sql.DB
	// Watch, if set, sees the check while it goes on.
	Watch *Watch
	// Coverage has the run's coverage of the catalogue's mistakes worked out.
	Coverage bool
	// Drawn says that nobody wrote the scenario: a cue that cannot be done is no reason
	// to doubt the rest.
	Drawn bool
	// Progress, if set, is told in words what the check is doing.
	Progress func(string)

	from infile.Opener // of what the run left; nil: infile.Anywhere
}

// Outcome is what came of a check.
type Outcome struct {
	judge.Result
	Check *Check
	Spec  cause.Spec
	Why   string // why there is no verdict, when it is inconclusive or an error
	// NotReady is set when the host did not become ready, so that nothing was played.
	NotReady bool
	NotRun   bool // nothing was tried; Why says why
	Exit     process.Exit
	Began    time.Time
	Entries  []ledger.Entry // of the ledger; of a long one only some, see MostHeld
	Every    int            // above 1: Entries are about every Every-th frame of a gauge only
	Records  []judge.Record
	Blank    []int    // rows of the records that hold nothing
	Output   []string // the last lines that a host printed which did not end well
	Took     time.Duration
	// Statistics is how many of the host's summaries are right.
	Statistics int
	Twice      string // of a scenario that was played twice: how the runs differ

	hasty string    // why a slower pace may show more
	plays time.Time // when the timeline began
	meta  meta
}

// files of a run folder.
const (
	ledgerFile  = "ledger.jsonl"
	hostFile    = "host.yaml"
	metaFile    = "run.json"
	jobFile     = "job.json"
	outputFile  = "host.out"
	errorsFile  = "host.err"
	portsDir    = "ports"
	dialectsDir = "dialects"
)

// settle is how long a host that has read everything may still work on it
// before it is asked to stop.
const settle = 50 * time.Millisecond

// openWithin is how long a host that is ready may take to open its ports.
const openWithin = 3 * time.Second

// Do runs the check. The error is for what the user must put right (a host
// that cannot be started, a folder that cannot be written); a host that
// misbehaves is an Outcome, and so is one that does not claim what the scenario
// asks for and is not started, of which nothing is kept.
func (c *Check) Do(ctx context.Context) (*Outcome, error) {
	began := time.Now()
	out := &Outcome{Check: c}
	if out.Why = c.unclaimed(); out.Why != "" {
		out.Verdict = judge.Skipped
		return out, nil
	}
	if c.Database == nil && c.Host.Records.Form.Server() {
		db, err := records.Connect(ctx, c.Host.Records)
		if err != nil {
			return nil, err
		}
		c.Database = db
		defer func() { c.Database = nil; db.Close() }()
	}
	r, err := c.prepare(ctx)
	if err != nil {
		return nil, err
	}
	defer r.close()
	earlier, upto := 0, (*int)(nil)
	if r.Kept != nil || r.Database != nil {
		earlier = r.written(ctx)
	}
	why, err := r.perform(ctx, out)
	if errors.Is(err, ledger.ErrFull) {
		why, err = fmt.Sprintf("the run was stopped: its ledger is larger than %d MiB (--ledger)", budget.Of(ctx).Ledger), nil
	}
	if err != nil {
		return nil, err
	}
	if r.Kept != nil && r.Host.GoesOn() {
		n := max(0, r.written(ctx)-earlier)
		upto = &n
	}
	if err := r.close(); err != nil {
		return nil, err
	}
	out.Entries, out.Every, err = c.readLedger(context.WithoutCancel(ctx), MostHeld)
	if err != nil {
		return nil, err
	}
	out.Why = why
	out.Took = time.Since(began)
	out.meta = meta{Pace: r.pace, Began: began, Took: out.Took, Why: why, Exit: out.Exit, Places: r.places, Earlier: earlier, Upto: upto, Plays: out.plays, Unsettled: r.unsettled}
	if r.endpoint != nil {
		out.meta.Places.Records = filepath.Join(c.Run, recordsName(hostfile.HTTP))
	}
	if err := c.keep(out.meta); err != nil {
		return nil, err
	}
	if c.judge(ctx, out, out.meta); out.hasty != "" {
		return c.slower(ctx, out, r.pace)
	}
	return out, nil
}

// unclaimed says what the scenario asks for that the host does not claim; it is
// empty when it claims all.
func (c *Check) unclaimed() string {
	if !c.Host.Plays(library.Name(c.Scenario)) {
		return "not played: the host does not claim this scenario"
	}
	for i, m := range c.Scenario.Play.Cast {
		g := &c.Scenario.Gauges[i]
		switch {
		case m.Dialect != nil && !c.Host.Speaks(m.Dialect.Name()):
			return fmt.Sprintf("not played: the host does not claim the dialect %s of %s", m.Dialect.Name(), g.Name)
		case !c.Host.Opens(g.Port.String()):
			return fmt.Sprintf("not played: the host does not claim ports such as that of %s, %s", g.Name, g.Port)
		case len(c.Scenario.Writes(i)) > 0 && slices.Contains(c.Host.NoClaim, string(cause.Settings)):
			return fmt.Sprintf("not played: the host does not claim settings, and %s has to be set up by it", g.Name)
		}
	}
	if c.Host.Running && slices.ContainsFunc(c.Scenario.Play.Cues, func(cue stage.Cue) bool { return stage.OfHost(cue.Act) }) {
		return "not played: the scenario ends the host and starts it again, and this one is started by hand; a description with run: can be started"
	}
	return ""
}

// run is a check under way.
type run struct {
	*Check
	*Ports
	inbox    *stage.Inbox
	stage    *stage.Stage
	file     *os.File
	places   hostfile.Places
	job      *Job
	endpoint *records.Endpoint
	pace     stage.Pace
	life     *life
	closed   bool
	playing  bool // the timeline has begun
	// unsettled says that the host was still recording when it was asked to end.
	unsettled bool
}

func (c *Check) say(format string, args ...any) {
	if c.Progress != nil {
		c.Progress(fmt.Sprintf(format, args...))
	}
}

func (c *Check) prepare(ctx context.Context) (r *run, err error) {
	if c.Run, err = filepath.Abs(c.Run); err != nil {
		return nil, err
	}
	folders := []string{filepath.Join(c.Run, portsDir), filepath.Join(c.Run, dialectsDir)}
	if c.Kept != nil {
		if c.Kept.Folder, err = filepath.Abs(c.Kept.Folder); err != nil {
			return nil, err
		}
		folders = append(folders, c.Kept.Folder)
	}
	if c.Kept == nil && IsRun(c.Run) {
		return nil, fmt.Errorf("the run folder %s holds an earlier run: take another one, or remove it", c.Run)
	}
	for _, d := range folders {
		if err := os.MkdirAll(d, 0o755); err != nil {
			return nil, fmt.Errorf("the run folder: %w", err)
		}
	}
	r = &run{Check: c, inbox: stage.NewInbox(), pace: stage.Drain}
	if c.Pace != nil {
		r.pace = *c.Pace
	} else if c.Host.Pace != 0 {
		if err := r.pace.UnmarshalText([]byte(paceText(float64(c.Host.Pace)))); err != nil {
			return nil, err
		}
	}
	began := r
	defer func() {
		if err != nil {
			_ = began.close()
		}
	}()
	if r.Ports, err = OpenPorts(c.Scenario, filepath.Join(c.Run, portsDir), r.inbox); err != nil {
		return nil, err
	}
	if r.file, err = os.Create(filepath.Join(c.Run, ledgerFile)); err != nil {
		return nil, err
	}
	r.life = &life{run: r}
	opt := stage.Options{Ports: r.Ports.Ports, Inbox: r.inbox, Pace: r.pace, Ledger: ledger.NewWriter(ledger.UpTo(r.file, budget.Of(ctx).Ledger<<20))}
	if c.Watch != nil {
		opt.Keep = c.Watch.keep
	}
	opt.Within, opt.Signs = c.Host.Commits(), r.signs
	if !c.Host.Running {
		opt.Host = r.life
	}
	if r.stage, err = stage.New(c.Scenario.Play, opt); err != nil {
		return nil, err
	}
	return r, r.describe()
}

func paceText(p float64) string {
	if p == 1 {
		return "real"
	}
	return strconv.FormatFloat(p, 'f', -1, 64) + "x"
}

// describe writes the job and what it refers to, and fills the places in.
func (r *run) describe() error {
	dialects := dialectFiles(r.Scenario)
	for name, file := range dialects {
		dialects[name] = filepath.Join(r.Run, file)
		if err := os.WriteFile(dialects[name], r.Scenario.Dialects[name].Text, 0o644); err != nil {
			return err
		}
	}
	var paths []string
	named := map[string]string{}
	for i, p := range r.Ports.Ports {
		paths = append(paths, p.Path())
		named[r.Scenario.Gauges[i].Name] = p.Path()
	}
	recordsAt := filepath.Join(r.Run, recordsName(r.Host.Records.Form))
	if r.Host.Records.Form == hostfile.HTTP {
		var err error
		if r.endpoint, err = records.Listen(recordsAt); err != nil {
			return err
		}
	}
	r.places = hostfile.Places{Port: paths[0], Ports: named, Run: r.Run, Job: filepath.Join(r.Run, jobFile), Records: recordsAt,
		Output: r.output(outputFile), Self: r.Self}
	if r.endpoint != nil {
		r.places.Records = r.endpoint.URL
	}
	r.job = newJob(r.Scenario, paths, dialects, r.places.Records)
	if s := r.Host.Summary; s != nil {
		r.job.Summary = &s.Rules
	}
	text, err := json.MarshalIndent(r.job, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(r.Run, jobFile), append(text, '\n'), 0o644)
}

func recordsName(f hostfile.Form) string {
	switch f {
	case hostfile.JSONLines, hostfile.HTTP:
		return "records.jsonl"
	case hostfile.SQLite:
		return "records.sqlite"
	case hostfile.XLSX:
		return "records.xlsx"
	}
	return "records.csv"
}

func (r *run) close() error {
	if r.closed {
		return nil
	}
	r.closed = true
	errs := []error{r.Ports.Close()}
	if r.endpoint != nil {
		errs = append(errs, r.endpoint.Close(time.Second))
	}
	if r.file != nil {
		errs = append(errs, r.file.Close())
	}
	return errors.Join(errs...)
}

// perform starts the host, plays, and stops the host. why is not empty when
// the host did nothing that could be judged.
func (r *run) perform(ctx context.Context, out *Outcome) (why string, err error) {
	actx, cancel := context.WithCancel(ctx)
	defer cancel()
	host := r.life
	host.ctx = actx
	ready, err := r.launch(actx)
	if err != nil {
		return "", err
	}
	why = "the run was stopped"
	stopped, end := false, "the timeline ended"
	defer func() {
		if r.Kept == nil || why != "" || err != nil {
			if e := host.stop(process.Ask{Signal: "kill"}); !stopped {
				out.Exit = e
			}
		}
		cancel()
		host.work.Wait()
		if why != "" {
			end = why
		}
		if e := r.stage.Finish(end); err == nil && e != nil {
			err = e
		}
	}()

	if err := r.stage.Prelude(ctx, ready); err != nil {
		if ctx.Err() != nil {
			return why, ctx.Err()
		}
		out.NotReady = true
		if why = err.Error(); !host.over() {
			why = strings.Join(append([]string{why}, r.Ports.unopened()...), "; ")
		}
		return why, nil
	}
	r.say("playing")
	out.plays, r.playing = time.Now(), true
	pctx, stop := context.WithCancel(ctx)
	defer stop()
	defer r.watched(pctx, stop)()
	if !r.Host.Running {
		host.quit = stop
		host.watch()
	}
	if err := r.stage.Run(pctx); err != nil {
		if ctx.Err() != nil {
			return why, ctx.Err()
		}
		if pctx.Err() == nil {
			return "", err
		}
		end = "the host ended by itself"
		r.stage.HostQuit(host.stop(process.Ask{}).String())
	}
	r.say("stopping the host")
	done := make(chan struct{})
	go func() {
		defer close(done)
		r.unsettled = r.conclude(ctx)
		out.Exit = host.last()
	}()
	r.stage.Settle(context.WithoutCancel(ctx), done)
	<-done
	stopped, why = true, ""
	return why, ctx.Err()
}

// launch starts the host, or waits for one that is started by hand, and tells when it
// is ready.
func (r *run) launch(ctx context.Context) (<-chan error, error) {
	if !r.Host.Running {
		ready, err := r.life.raise()
		if err != nil {
			r.life.stop(process.Ask{Signal: "kill"})
			return nil, fmt.Errorf("the host: %w", err)
		}
		return ready, nil
	}
	cond, err := r.ready(false)
	if err != nil {
		return nil, err
	}
	alone := make(chan error, 1)
	go func() {
		err := awaitAlone(ctx, cond)
		r.noted(ctx)
		alone <- err
	}()
	return alone, nil
}

// wait waits for a time, or until ctx is done.
func wait(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
}

// noted gives a host that runs on the time to note that its ports are back,
// which it does before the timeline begins.
func (r *run) noted(ctx context.Context) {
	if r.Kept != nil && r.Host.GoesOn() {
		wait(ctx, settle)
	}
}

func (r *run) command() (process.Spec, error) {
	places := r.places
	if r.Kept != nil {
		places.Run = r.Kept.Folder
	}
	words, err := places.ExpandAll(append(append([]string(nil), r.Host.Run...), r.Extra...))
	if err != nil {
		return process.Spec{}, err
	}
	spec := process.Spec{Words: words, Dir: places.Run, Env: map[string]string{}, Output: r.output(outputFile), Errors: r.output(errorsFile), ReadyLine: r.Host.Ready.Pattern}
	if r.Host.Folder != "" {
		if spec.Dir, err = places.Expand(r.Host.Folder); err != nil {
			return spec, err
		}
	}
	for k, v := range r.Host.Environment {
		if spec.Env[k], err = places.Expand(v); err != nil {
			return spec, err
		}
	}
	return spec, nil
}

// ready makes the host's condition of readiness. One that was kept and is not
// told of the run is ready when it has opened the ports again.
func (r *run) ready(again bool) (process.Ready, error) {
	d := r.Host.Ready
	if again && r.Host.GoesOn() {
		d = hostfile.Ready{Opened: true, Within: d.Within}
	}
	ready := process.Ready{After: d.After.D(), Within: d.Within.D()}
	switch {
	case d.Pattern != nil:
		ready.Line, ready.What = true, fmt.Sprintf("print a line that matches %q", d.Says)
	case d.File != "":
		f, err := r.places.Expand(d.File)
		if err != nil {
			return ready, err
		}
		ready.File, ready.What = f, "make the file "+d.File
	case d.Command:
		ready.What = "send something to every gauge"
		ready.When = func(ctx context.Context) error { return r.Spoken(ctx, r.life.heard) }
	case d.After == 0:
		ready.What = "open the ports of all gauges"
		ready.When = func(ctx context.Context) error {
			err := r.Opened(ctx)
			if err == nil && r.pace.Timed() && !r.playing && slices.ContainsFunc(r.Ports.Ports, clears) {
				wait(ctx, stage.ClearsFor) // nothing else tells that it has set itself up
			}
			return err
		}
	}
	return ready, nil
}

func clears(p port.Port) bool {
	c, ok := p.(port.Clearer)
	return ok && c.Clears()
}

// awaitAlone waits for a host that is not ours to watch.
func awaitAlone(ctx context.Context, r process.Ready) error {
	if r.Within > 0 {
		var cancel func()
		ctx, cancel = context.WithTimeout(ctx, r.Within)
		defer cancel()
	}
	var err error
	switch {
	case r.When != nil:
		err = r.When(ctx)
	case r.After > 0:
		timer := time.NewTimer(r.After)
		defer timer.Stop()
		select {
		case <-timer.C:
		case <-ctx.Done():
			err = ctx.Err()
		}
	}
	if err != nil {
		return fmt.Errorf("the host did not %s within %s", r.What, r.Within)
	}
	return nil
}
