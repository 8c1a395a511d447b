package main

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/registry"
	"example.org/understudy/harness/tap"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage/ledger"
)

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
	name := c.Name
	if name == "" {
		name = filepath.Base(c.Device)
	}
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
	file := c.To
	if file == "" {
		file = filepath.Join(dir, "capture.pcapng")
	}
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
	if err := writeFile(c.Out, func(out *os.File) error {
		buffer := bufio.NewWriter(out)
		w, err := capture.NewWriter(buffer, began, all.Lines)
		for i := 0; i < len(all.Events) && err == nil; i++ {
			err = w.Write(all.Events[i])
		}
		return errors.Join(err, buffer.Flush())
	}); err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "%s: %s of %s\n", c.Out, counted(len(all.Events), "event"), counted(len(all.Lines), "gauge"))
	return nil
}
