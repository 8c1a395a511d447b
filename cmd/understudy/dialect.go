package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/bytesheet"
	"example.org/understudy/harness/capture/dissector"
	"example.org/understudy/harness/library"
	"example.org/understudy/sim/wire"
	"golang.org/x/term"
)

type dialectCmd struct {
	Try dialectTryCmd `cmd:"" help:"Show a dialect's frames byte by byte, and decode bytes with it."`
	New dialectNewCmd `cmd:"" help:"Start a dialect file as a copy of a shipped one."`

	Dissector dialectDissectorCmd `cmd:"" help:"Write a dissector for Wireshark and tshark, in Lua, that shows a dialect's frames in a capture."`
}

type dialectTryCmd struct {
	Dialect string `arg:"" help:"A dialect file, or the name of a shipped dialect."`
	From    string `enum:"gauge,host" default:"gauge" help:"Who sent the bytes that are decoded: gauge (default) or host."`
	Bytes   string `help:"Bytes to decode, as hexadecimal digits or as text with \\r, \\n and \\xNN. Without it, what is piped in is decoded: raw bytes, or with --hex hexadecimal digits."`
	Hex     bool   `help:"What is piped in is hexadecimal digits."`
	Talk    bool   `help:"Step through the conversation: each line read is a command's name, emit, wait SECONDS, or the host's bytes."`
}

func (c *dialectTryCmd) Run(a *app) error {
	d, _, _, err := library.Dialect(c.Dialect)
	if err != nil {
		return err
	}
	if c.Talk {
		return bytesheet.Talk(a.stdout, d, budget.Input(a.ctx, a.stdin))
	}
	stream, cut := c.stream(a)
	if stream == nil && cut != nil {
		return cut
	}
	side := wire.Gauge
	if c.From == "host" {
		side = wire.Host
	}
	if stream == nil {
		return bytesheet.Samples(a.stdout, d)
	}
	good, err := bytesheet.Decode(a.stdout, d, stream, side)
	if err = errors.Join(cut, err); err == nil && !good {
		err = coded{code: exitFinding}
	}
	return err
}

// stream is what is to be decoded; nil when there is nothing. What was piped in before
// the command was asked to end comes with the error that says so.
func (c *dialectTryCmd) stream(a *app) ([]byte, error) {
	if c.Bytes != "" {
		return bytesheet.Pasted(c.Bytes)
	}
	if f, ok := a.stdin.(*os.File); ok {
		if info, err := f.Stat(); err != nil || term.IsTerminal(int(f.Fd())) || info.Mode()&os.ModeCharDevice != 0 {
			return nil, nil
		}
	}
	b, cut := io.ReadAll(io.LimitReader(budget.Input(a.ctx, a.stdin), 16<<20))
	if len(b) == 0 {
		return nil, cut
	}
	if c.Hex {
		raw, err := bytesheet.PastedHex(string(bytes.TrimSpace(b)))
		return raw, errors.Join(err, cut)
	}
	return b, cut
}

type dialectNewCmd struct {
	File string `arg:"" help:"The file to write. It must not exist yet."`
	Like string `default:"line-ascii" placeholder:"DIALECT" help:"The shipped dialect to start from (default: line-ascii)."`
}

// Run copies a shipped dialect under the new file's name.
func (c *dialectNewCmd) Run(a *app) error {
	d, _, text, err := library.Dialect(c.Like)
	if err != nil {
		return err
	}
	name := strings.TrimSuffix(strings.TrimSuffix(filepath.Base(c.File), ".yaml"), ".yml")
	text = bytes.Replace(text, []byte("\ndialect: "+d.Name()+"\n"), []byte("\ndialect: "+name+"\n"), 1)
	if _, err := wire.Parse(c.File, text); err != nil {
		return err
	}
	if err := writeNew(c.File, text); err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "%s is written, a copy of %s. Put your gauge's fields in, and look at them with: understudy dialect try %s\n", c.File, d.Name(), c.File)
	return nil
}

type dialectDissectorCmd struct {
	Dialect string `arg:"" help:"A dialect file, or the name of a shipped dialect."`
}

// Run writes the dissector to standard output.
func (c *dialectDissectorCmd) Run(a *app) error {
	file, text, err := library.Find("dialects", c.Dialect)
	if err != nil {
		return err
	}
	lua, err := dissector.Lua(file, text)
	if err != nil {
		return err
	}
	_, err = a.stdout.Write(lua)
	return err
}
