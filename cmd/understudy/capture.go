package main

import (
	"bufio"
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/capture"
	"example.org/understudy/harness/capture/draft"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/registry"
	"example.org/understudy/harness/replay"
	"example.org/understudy/harness/show"
	"example.org/understudy/harness/tap"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

// lineFlags are the flags of commands that put one gauge on a port from a line.
type lineFlags struct {
	Dialect string `short:"d" help:"Dialect of the serial line: a file, or the name of a shipped one (default: none; the bytes alone are known)."`
	Folder  string `name:"run-folder" short:"r" default:"run" help:"Folder for the port's stable name and the ledger."`
	As      string `enum:"pty,tcp,rfc2217" default:"pty" help:"What the host opens: pty, tcp or rfc2217. A pty does not show what parity and character size the host asks for; rfc2217 does."`
}

// dialect reads the dialect; nil when none is named.
func (f *lineFlags) dialect() (*wire.Dialect, error) {
	if f.Dialect == "" {
		return nil, nil
	}
	d, _, _, err := library.Dialect(f.Dialect)
	return d, err
}

// claim takes the run folder and enters the run.
func (f *lineFlags) claim(kind, what string) (dir string, c *registry.Claim, err error) {
	return claim(f.Folder, kind, what)
}

// opener opens the port of the kind that was asked for.
func (f *lineFlags) opener(a *app, dir, name string, line port.Settings) func(sink func(port.Event)) (port.Port, error) {
	cfg := port.Config{Name: name, Dir: filepath.Join(dir, "ports"), Line: line}
	return func(sink func(port.Event)) (p port.Port, err error) {
		var warning string
		switch f.As {
		case "tcp":
			p, warning, err = port.OpenTCP(cfg, sink)
		case "rfc2217":
			p, warning, err = port.OpenRFC2217(cfg, sink)
		default:
			return port.OpenPTY(cfg, sink)
		}
		if warning != "" {
			fmt.Fprintln(a.stderr, "understudy:", warning)
		}
		return p, err
	}
}

type tapCmd struct {
	Device string `arg:"" name:"port" help:"The serial port of the real device, such as /dev/ttyUSB0."`
	Line   string `name:"serial-line" help:"Settings of the device's serial line until the host asks for others, such as '9600 8N1' (default: as the dialect has it, or 9600 8N1)."`
	Name   string `help:"What the gauge is called (default: after its port)."`
	To     string `type:"path" placeholder:"FILE.pcapng" help:"File for the bytes of both directions with their times, which Wireshark and tshark open (default: capture.pcapng in the run folder)."`
	lineFlags
}

func (c *tapCmd) Run(a *app) (err error) {
	d, err := c.dialect()
	if err != nil {
		return err
	}
	text := c.Line
	if text == "" {
		text = "9600 8N1"
		if d != nil {
			text = d.Line().String()
		}
	}
	line, err := port.ParseSettings(text)
	if err != nil {
		return fmt.Errorf("--serial-line: %w", err)
	}
	name := cmp.Or(c.Name, filepath.Base(c.Device))
	title := "A tap on " + c.Device
	dir, claim, err := c.claim("tap", title)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, claim.Close()) }()
	var k *capture.Recording
	t, err := tap.Open(tap.Config{
		Device: func() (tap.Device, error) { return tap.OpenSerial(c.Device, line) },
		Port:   c.opener(a, dir, name, line),
		Record: func(e capture.Event) error { return k.Event(e) },
	})
	if err != nil {
		return err
	}
	file := cmp.Or(c.To, filepath.Join(dir, "capture.pcapng"))
	k, err = capture.Record(dir, file, title, capture.NewLine(name, text), d, t.Began())
	if err == nil {
		err = claim.Publish([]registry.Gauge{{Name: name, Path: t.Path()}})
	}
	if err != nil {
		return errors.Join(err, t.Port().Close())
	}
	fmt.Fprintf(a.stdout, "%s is tapped (%s). The host opens %s\ncapture: %s\nStop with Ctrl-C.\n", c.Device, text, t.Path(), file)
	err = t.Run(a.ctx)
	err = errors.Join(err, k.Close("the tap was ended"))
	fmt.Fprintf(a.stdout, "after %.3f s: %d pieces from the gauge, %d from the host; the capture is whole\n", time.Since(t.Began()).Seconds(), k.Count(capture.FromGauge), k.Count(capture.FromHost))
	return err
}

type captureCmd struct {
	Folder string `arg:"" name:"run" type:"existingdir" help:"The folder of a run."`
	Out    string `short:"o" default:"capture.pcapng" type:"path" help:"The file to write."`
}

// Run writes the bytes of a run as pcapng.
func (c *captureCmd) Run(a *app) error {
	_, began, text, err := check.Ledger(a.ctx, c.Folder)
	if err != nil {
		return err
	}
	defer text.Close()
	var entries []ledger.Entry
	if _, err := ledger.Read(text, func(e ledger.Entry) bool { entries = append(entries, e); return true }); err != nil {
		return err
	}
	if began.IsZero() && len(entries) > 0 { // reckoned back from when the ledger was last written
		info, err := os.Stat(filepath.Join(c.Folder, "ledger.jsonl"))
		if err != nil {
			return err
		}
		began = info.ModTime().Add(-entries[len(entries)-1].T)
	}
	all := capture.FromLedger(entries, began)
	if err := writeFiles(file{c.Out, func(out io.Writer) error {
		buffer := bufio.NewWriter(out)
		w, err := capture.NewWriter(buffer, began, all.Lines)
		for i := 0; i < len(all.Events) && err == nil; i++ {
			err = w.Write(all.Events[i])
		}
		return errors.Join(err, buffer.Flush())
	}}); err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "%s: %s of %s\n", c.Out, show.Counted(len(all.Events), "event"), show.Counted(len(all.Lines), "gauge"))
	return nil
}

type replayCmd struct {
	Capture  string        `arg:"" help:"A pcapng capture of a serial line."`
	Gauge    string        `short:"g" help:"Which gauge of the capture (default: the only one)."`
	Patience time.Duration `default:"2s" help:"How long the timeline waits for a request that the capture has at its place."`
	UntilEnd bool          `help:"End with the timeline, instead of answering on."`
	To       string        `type:"path" placeholder:"FILE.pcapng" help:"File for the bytes of the replay (default: none)."`
	lineFlags
}

// readCapture reads a capture, and says so when it is cut off.
func readCapture(a *app, name string) (*capture.Capture, error) {
	f, err := infile.Open(infile.Anywhere, name, infile.Capture)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	c, whole, err := capture.Read(budget.Reader(a.ctx, f))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if !whole {
		fmt.Fprintf(a.stderr, "understudy: %s is cut off; what is whole is used\n", name)
	}
	return c, nil
}

func (c *replayCmd) Run(a *app) (err error) {
	d, err := c.dialect()
	if err != nil {
		return err
	}
	heard, err := readCapture(a, c.Capture)
	if err != nil {
		return err
	}
	i, err := replay.Line(heard, c.Gauge)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Capture, err)
	}
	script, err := replay.NewScript(a.ctx, heard, i, d)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Capture, err)
	}
	var line port.Settings
	if script.Settings != "" {
		if line, err = port.ParseSettings(script.Settings); err != nil { // another program's words
			fmt.Fprintf(a.stderr, "understudy: the line of %s is not known: %v\n", script.Name, err)
		}
	}
	title := "A replay of " + c.Capture
	dir, claim, err := c.claim("replay", title)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, claim.Close()) }()
	var k *capture.Recording
	srv, err := replay.Open(replay.Config{Script: script, Patience: c.Patience, Ends: c.UntilEnd,
		Port:   c.opener(a, dir, script.Name, line),
		Record: func(e capture.Event) error { return k.Event(e) }})
	if err != nil {
		return err
	}
	k, err = capture.Record(dir, c.To, title, capture.NewLine(script.Name, script.Settings), d, srv.Began())
	if err == nil {
		err = claim.Publish([]registry.Gauge{{Name: script.Name, Path: srv.Port().Path()}})
	}
	if err != nil {
		return errors.Join(err, srv.Port().Close())
	}
	fmt.Fprintf(a.stdout, "%s is at %s; its timeline of %.3f s starts when a host opens it\nDifferent requests it answers: %d; times it sends on its own: %d. Stop with Ctrl-C.\n",
		script.Name, srv.Port().Path(), script.Span().Seconds(), script.Requests(), script.Sends())
	n, err := srv.Run(a.ctx)
	err = errors.Join(err, k.Close("the replay was ended"))
	fmt.Fprintf(a.stdout, "sent on its own: %d of %d; requests answered: %d", n.Sent, script.Sends(), n.Answered)
	for _, w := range []struct {
		n    int
		what string
	}{
		{n.Silent, "requests that the gauge had not answered either"}, {n.Unknown, "requests that are not in the capture"},
		{n.Strange, "bytes that are no request"}, {n.GivenUp, "requests of the capture that did not come in time"},
	} {
		if w.n > 0 {
			fmt.Fprintf(a.stdout, "; %s: %d", w.what, w.n)
		}
	}
	fmt.Fprintln(a.stdout)
	return err
}

type scenarioCmd struct {
	From scenarioFromCmd `cmd:"" help:"Turn a capture into a scenario that plays back to the same readings."`
}

type scenarioFromCmd struct {
	Capture string `arg:"" help:"A pcapng capture of serial lines."`
	Dialect string `short:"d" required:"" help:"Dialect of the serial lines: a file, or the name of a shipped one."`
	Title   string `help:"The scenario's title."`
	Out     string `short:"o" type:"path" help:"The file to write (default: standard output). It must not exist yet."`
}

func (c *scenarioFromCmd) Run(a *app) error {
	d, file, _, err := library.Dialect(c.Dialect)
	if err != nil {
		return err
	}
	heard, err := readCapture(a, c.Capture)
	if err != nil {
		return err
	}
	title := cmp.Or(c.Title, "From the capture "+filepath.Base(c.Capture))
	name := c.Dialect
	if file == name && c.Out != "" { // a file of the user's: the scenario finds it from its own folder
		if name, err = relative(c.Out, name); err != nil {
			return err
		}
	}
	f, notes, err := draft.Scenario(a.ctx, heard, draft.Options{Title: title, Dialect: d, Name: name})
	if err != nil {
		return fmt.Errorf("%s: %w", c.Capture, err)
	}
	out := scenario.Marshal(f, strings.Join(notes, "\n"))
	if c.Out == "" {
		_, err := a.stdout.Write(out)
		return err
	}
	if err := writeNew(c.Out, out); err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "%s: %s, %s\n", c.Out, show.Counted(len(f.Gauges), "gauge"), show.Counted(len(f.Cues), "cue"))
	return nil
}

// relative is the path of a file as seen from another file's folder.
func relative(from, to string) (string, error) {
	from, err := filepath.Abs(filepath.Dir(from))
	if err != nil {
		return "", err
	}
	if to, err = filepath.Abs(to); err != nil {
		return "", err
	}
	return filepath.Rel(from, to)
}
