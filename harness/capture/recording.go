package capture

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"example.org/understudy/harness/registry"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

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
