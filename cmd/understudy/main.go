// Command understudy puts virtual gauges on real ports, plays scenarios
// through them, and proves that host software got them right.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/paper"
	_ "example.org/understudy/harness/records/servers"
	_ "example.org/understudy/harness/records/sqlite"
	_ "example.org/understudy/harness/records/xlsx"
	"example.org/understudy/sim/strict"
	"github.com/alecthomas/kong"
)

// Exit codes. They are documented in the README.
const (
	exitPass      = 0 // all passed
	exitFinding   = 1 // a host got something wrong, or a line does not hold
	exitUndecided = 2 // a run could not be decided
	exitUsage     = 3 // bad usage or bad input
)

type cli struct {
	Check    checkCmd    `cmd:"" help:"Play scenarios against a host and judge its records."`
	Play     playCmd     `cmd:"" help:"Put a scenario's gauges on ports and play it."`
	Teach    teachCmd    `cmd:"" help:"Hold a lesson: a screen for the class and one for who presents it."`
	Explain  explainCmd  `cmd:"" help:"Show what a scenario makes true, and what a host must make of it."`
	Lint     lintCmd     `cmd:"" help:"Check scenarios, dialects and host descriptions."`
	Schema   schemaCmd   `cmd:"" help:"Print the JSON Schema of a kind of file."`
	Plot     plotCmd     `cmd:"" help:"Draw a scenario, or a run, over time."`
	Explore  exploreCmd  `cmd:"" help:"Let the machine find the scenario that breaks a host."`
	Rehearse rehearseCmd `cmd:"" help:"Play whole shifts of a line on paper, and say whether it holds."`
	Report   reportCmd   `cmd:"" help:"Judge finished runs again and write their reports."`
	Causes   causesCmd   `cmd:"" help:"List the mistakes hosts make, or tell about one."`
	Verify   verifyCmd   `cmd:"" help:"Compare every model and rule with published values."`
	Dialect  dialectCmd  `cmd:"" help:"Try a wire protocol's description, or start one."`
	Host     hostCmd     `cmd:"" help:"Start a host description, or its tests in Python."`
	Tap      tapCmd      `cmd:"" help:"Sit between a real serial device and a host, and keep what they say."`
	Replay   replayCmd   `cmd:"" help:"Play a capture back as a gauge."`
	Ports    portsCmd    `cmd:"" help:"List the gauges that are running."`
	Capture  captureCmd  `cmd:"" help:"Write the bytes of a run as pcapng."`
	Scenario scenarioCmd `cmd:"" help:"Start a scenario."`
	Help     helpCmd     `cmd:"" help:"Show the help of a command."`
	Version  versionCmd  `cmd:"" help:"Say what this program is, or what it is made of."`

	Completion completionCmd `cmd:"" help:"Print what has a shell complete command lines."`
	budgetFlags
}

// budgetFlags bound every command.
type budgetFlags struct {
	Within   time.Duration `default:"${within}" group:"Budget of every command:" help:"Longest time by the wall clock (default: ${default})."`
	Memory   int64         `default:"${memory}" group:"Budget of every command:" placeholder:"MIB" help:"Most memory, in MiB (default: ${default})."`
	Events   int64         `default:"${events}" group:"Budget of every command:" help:"Most events of a timeline that is played on paper (default: ${default})."`
	Rows     int           `default:"${rows}" group:"Budget of every command:" help:"Most rows of a host's records (default: ${default})."`
	Findings int           `default:"${findings}" group:"Budget of every command:" help:"Most findings of one kind that are listed of a run; all are counted (default: ${default})."`
	Ledger   int64         `default:"${ledger}" group:"Budget of every command:" placeholder:"MIB" help:"Largest ledger of a run, in MiB (default: ${default})."`
}

type helpCmd struct {
	Command []string `arg:"" optional:"" help:"The command, such as check."`
	Man     bool     `help:"Print a manual page of all commands instead, for man."`
}

// Run has the parser print what --help behind the command does.
func (c *helpCmd) Run(a *app, k *kong.Context) error {
	if c.Man {
		_, err := fmt.Fprint(a.stdout, manual(k.Model))
		return err
	}
	_, err := k.Kong.Parse(append(c.Command, "--help"))
	return err
}

// app is what the commands share.
type app struct {
	ctx            context.Context
	stdin          io.Reader
	stdout, stderr io.Writer
	progress       *progress
	words, rest    []string // of the command line: those before --, and behind it
}

func main() {
	if len(os.Args) > 1 && os.Args[1] == "refhost" {
		os.Exit(host.Main(os.Args[2:], os.Stdin, os.Stdout, os.Stderr))
	}
	if os.Getenv("GOMEMLIMIT") == "" {
		// What a long run leaves behind is collected sooner than it would be by
		// the proportion alone: a million records are judged in less than 600 MB.
		debug.SetMemoryLimit(540 << 20)
	}
	ctx, stop := signal.NotifyContext(context.Background(), endings()...)
	// A second signal ends the program at once, but not one that comes with the first:
	// timeout(1) sends each to the program and to its group.
	context.AfterFunc(ctx, func() { time.AfterFunc(time.Second, stop) })
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// endings are the signals that end a command: its ledger is closed and the names of
// its ports are removed. One that hangs up is ignored where it was when the command
// began, as nohup asks.
func endings() []os.Signal {
	all := []os.Signal{os.Interrupt, syscall.SIGTERM, syscall.SIGQUIT}
	if !signal.Ignored(syscall.SIGHUP) {
		all = append(all, syscall.SIGHUP)
	}
	return all
}

// coded is an error with its own exit code; without words nothing is printed.
type coded struct {
	code int
	error
}

// run carries a command line out and returns the exit code.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	shown := newProgress(stderr)
	defer shown.clear()
	stdout, stderr = &clean{Writer: stdout, before: shown.clear}, &clean{Writer: stderr, before: shown.clear}
	a := &app{stdin: stdin, stdout: stdout, stderr: stderr, progress: shown}
	for i, w := range args {
		if w == "--" {
			args, a.rest = args[:i], args[i+1:]
			break
		}
	}
	a.words = args
	var c cli
	stopped, usual := -1, budget.Default()
	parser, err := kong.New(&c, kong.Name("understudy"), kong.Writers(stdout, stderr), kong.Exit(func(code int) { stopped = code }),
		kong.Description("Virtual gauges for testing dimensional inspection software. Simulated results never release real parts."),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}), kong.Bind(a), kong.Vars{
			"cores": fmt.Sprint(runtime.GOMAXPROCS(0)), "within": usual.Within.String(), "memory": fmt.Sprint(usual.Memory),
			"events": fmt.Sprint(usual.Events), "rows": fmt.Sprint(usual.Rows), "findings": fmt.Sprint(usual.Findings), "ledger": fmt.Sprint(usual.Ledger)})
	if err != nil {
		fmt.Fprintln(stderr, "understudy:", err)
		return exitUsage
	}
	if line, asked := os.LookupEnv("COMP_LINE"); asked {
		complete(a, parser.Model, line)
		return exitPass
	}
	parsed, err := parser.Parse(args)
	if stopped >= 0 {
		return stopped // help was printed
	}
	if err == nil {
		var stop func()
		a.ctx, stop = budget.With(budget.Telling(ctx, func(how string) { shown.paint(func(int) string { return how }) }), budget.Limits(c.budgetFlags))
		defer stop()
		if err = parsed.Run(); stopped >= 0 {
			return stopped // help again
		}
	} else if now := renamedOption(args); now != nil {
		err = now
	} else {
		err = fmt.Errorf("%w (understudy --help tells how)", err)
	}
	return a.fail(err)
}

// renamedOption is an error that names what an option of before is called now.
func renamedOption(args []string) error {
	now := map[string]string{"play --keep": "--save-settings", "play --load": "--load-settings", "tap --keep": "--to", "tap --line": "--serial-line", "replay --keep": "--to"}
	for i, w := range args {
		option, _, _ := strings.Cut(w, "=")
		if to := now[args[0]+" "+option]; i > 0 && to != "" {
			return fmt.Errorf("the option %s is called %s now; write %s", option, to, to)
		}
	}
	return nil
}

// fail prints an error, if there is one, and returns the exit code.
func (a *app) fail(err error) int {
	if err == nil {
		return exitPass
	}
	code := exitUsage
	var c coded
	if errors.As(err, &c) {
		if code = c.code; c.error == nil {
			return code
		}
	}
	if a.ctx != nil && a.ctx.Err() != nil { // it was stopped, or its budget is used up
		if cause := context.Cause(a.ctx); errors.Is(err, cause) {
			code = exitUndecided
		} else if errors.Is(err, a.ctx.Err()) {
			code, err = exitUndecided, fmt.Errorf("stopped: %w", cause)
		}
	}
	if errors.As(err, new(paper.Cut)) {
		code = exitUndecided
	}
	var mistakes strict.Errors
	if errors.As(err, &mistakes) {
		fmt.Fprintln(a.stderr, mistakes)
		return code
	}
	fmt.Fprintln(a.stderr, "understudy:", a.quoted(err.Error()))
	return code
}

// quoted is a message that quotes the words of the command line in short.
func (a *app) quoted(message string) string {
	for _, w := range a.words {
		for _, part := range append([]string{w}, strings.FieldsFunc(w, func(r rune) bool { return r == '=' || r == ',' })...) {
			if short := strict.Short(part); short != part {
				message = strings.ReplaceAll(message, part, short)
			}
		}
	}
	return message
}
