// Package capture is a serial line that was listened to: the bytes of both
// directions, what happened to the port, and when. It is kept as pcapng and can
// be decoded by a dialect into the entries of a ledger.
package capture

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"time"

	"example.org/understudy/harness/registry"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

// Kind says what an Event tells.
type Kind uint8

// Kinds of event.
const (
	FromGauge Kind = iota + 1 // Bytes came from the gauge
	FromHost                  // Bytes came from the host
	Opened                    // the host opened its port
	Closed                    // the host let go of its port
	Asked                     // the host set its line: Text is the settings
	Gone                      // the gauge went away, and the host's port with it
	Back                      // the gauge is back, and the host's port with it; Text is the port's name when it is a new one
	Break                     // the host sent a break
	Lines                     // the host moved its control lines, DTR and RTS
	Lost                      // bytes are missing here; Text says why
	Note                      // Text
)

var kindNames = [...]string{"", "from gauge", "from host", "opened", "closed", "asked", "gone", "back", "break", "lines", "lost", "note"}

func (k Kind) String() string {
	if int(k) < len(kindNames) && k > 0 {
		return kindNames[k]
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// Event is one thing that was heard or seen on a line.
type Event struct {
	At    time.Duration // since the capture began
	Line  int           // index in the capture's lines
	Kind  Kind
	Bytes []byte // FromGauge, FromHost
	Text  string
	DTR   bool // as the host had set them
	RTS   bool
}

// FromPort is what a port tells. What it has no kind for is a note.
func FromPort(e port.Event) (of Event) {
	switch e.Kind {
	case port.Opened:
		of.Kind = Opened
	case port.Closed:
		of.Kind = Closed
	case port.Received:
		of.Kind, of.Bytes = FromHost, e.Data
	case port.Asked:
		of.Kind, of.Text = Asked, e.Settings.String()
		if e.Cooked != "" {
			of.Text += ", and " + e.Cooked
		}
	case port.Lines:
		of.Kind = Lines
	case port.Break:
		of.Kind = Break
	case port.Dropped:
		of.Kind, of.Text = Lost, fmt.Sprintf("%d bytes did not reach the host", len(e.Data))
	case port.Trouble:
		of.Kind, of.Text = Note, e.Err.Error()
	default:
		of.Kind, of.Text = Note, e.Kind.String()
	}
	return of
}

// Line is one of the serial lines of a capture.
type Line struct {
	Name     string // of the gauge
	Settings string // such as 9600 8N1; "" when it is not known
	Baud     int    // 0 when it is not known
}

// Capture is a whole capture in memory.
type Capture struct {
	Began  time.Time
	Lines  []Line
	Events []Event // in the order of their times
}

// Of is the events of a line, until the context is done.
func (c *Capture) Of(ctx context.Context, line int) iter.Seq[Event] {
	return func(yield func(Event) bool) {
		for _, e := range c.Events {
			if e.Line == line && (ctx.Err() != nil || !yield(e)) {
				return
			}
		}
	}
}

// Recording keeps what happens on a line: as a ledger, and as pcapng when it is
// asked to.
type Recording struct {
	began  time.Time
	line   *Ledger
	ledger *ledger.Writer
	pcap   *Writer // nil: none is kept
	files  []*os.File
	counts map[Kind]int
}

// Record makes the files of a recording in a folder. The pcapng file must not be there yet, because what was
// captured before may be all there is of it.
func Record(dir, pcap, title string, line Line, d *wire.Dialect, began time.Time) (k *Recording, err error) {
	k = &Recording{began: began, counts: map[Kind]int{}}
	defer func() {
		if err != nil {
			err = errors.Join(err, k.closeFiles())
		}
	}()
	f, err := registry.Create(filepath.Join(dir, "ledger.jsonl"))
	if err != nil {
		return k, err
	}
	k.files = append(k.files, f)
	k.ledger = ledger.NewWriter(f)
	k.ledger.Write(ledger.Entry{Kind: ledger.KindRun, Run: &ledger.Run{Version: ledger.Version, Scenario: title, Pace: "real"}})
	k.ledger.Write(ledger.Entry{Kind: ledger.KindStart})
	k.line = NewLedger(d, line.Name, k.ledger.Write)
	if pcap == "" {
		return k, k.ledger.Flush()
	}
	f, err = os.OpenFile(pcap, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return k, fmt.Errorf("%s is there already and stays; name another file with --to", pcap)
	}
	if err != nil {
		return k, err
	}
	k.files = append(k.files, f)
	if k.pcap, err = NewWriter(f, began, []Line{line}); err != nil {
		return k, err
	}
	return k, k.ledger.Flush()
}

// Event keeps one event. It is in the files before the next is looked at.
func (k *Recording) Event(e Event) error {
	k.counts[e.Kind]++
	if k.pcap != nil {
		if err := k.pcap.Write(e); err != nil {
			return err
		}
	}
	k.line.Event(e)
	return k.ledger.Flush()
}

// Close ends the recording, and says why in the ledger.
func (k *Recording) Close(why string) error {
	k.line.End()
	k.ledger.Write(ledger.Entry{T: time.Since(k.began), Kind: ledger.KindEnd, Note: why})
	return errors.Join(k.ledger.Flush(), k.closeFiles())
}

// Count is how many events of a kind were kept.
func (k *Recording) Count(of Kind) int { return k.counts[of] }

func (k *Recording) closeFiles() error {
	var errs []error
	for _, f := range k.files {
		errs = append(errs, f.Close())
	}
	return errors.Join(errs...)
}
