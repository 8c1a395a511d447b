package check

import (
	"context"
	"fmt"
	"io"
	"iter"
	"path/filepath"
	"slices"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/infile"
	"example.org/understudy/sim/stage/ledger"
)

// MostHeld bounds the entries of a ledger that an Outcome holds: all of a shorter
// one, and of a longer one those of every second, fourth, eighth... frame of each
// gauge, with all that is not about single frames.
const MostHeld = 200_000

// held is what is held of a ledger.
type held struct {
	most    int
	entries []ledger.Entry
	every   int // of the frames of a gauge, by their numbers
	singles int // how many of the entries are about frames
}

func (h *held) add(e ledger.Entry) {
	if h.every == 0 {
		h.every = 1
	}
	single, keep := h.single(&e)
	if !keep {
		return
	}
	h.entries = append(h.entries, e)
	if single {
		h.singles++
	}
	for len(h.entries) > h.most && h.singles > len(h.entries)/8 {
		h.every *= 2
		h.singles = 0
		h.entries = slices.DeleteFunc(h.entries, func(e ledger.Entry) bool {
			single, keep := h.single(&e)
			if single && keep {
				h.singles++
			}
			return !keep
		})
	}
}

// single reports whether an entry is about single frames, and whether it is kept.
func (h *held) single(e *ledger.Entry) (single, keep bool) {
	kept := func(id int) bool { return id%h.every == 0 }
	switch {
	case e.Frame != nil:
		return true, kept(e.Frame.ID)
	case e.Out != nil && len(e.Out.Frames) > 0:
		return true, slices.ContainsFunc(e.Out.Frames, kept)
	}
	return false, true
}

// readLedger reads the ledger of a run and holds about so many entries at most: those
// of every second, fourth, eighth... frame, which every says.
func (c *Check) readLedger(ctx context.Context, most int) (entries []ledger.Entry, every int, err error) {
	h := held{most: most}
	err = c.eachEntry(ctx, func(e ledger.Entry) bool {
		h.add(e)
		return true
	})
	return h.entries, h.every, err
}

// openLedger opens the ledger of a run, to be read until the context is done.
func (c *Check) openLedger(ctx context.Context) (io.ReadCloser, error) {
	f, err := infile.Open(c.opener(), filepath.Join(c.Run, ledgerFile), (budget.Of(ctx).Ledger+1)<<20)
	if err != nil {
		return nil, fmt.Errorf("the ledger (--ledger): %w", err)
	}
	return struct {
		io.Reader
		io.Closer
	}{budget.Reader(ctx, f), f}, nil
}

func (c *Check) eachEntry(ctx context.Context, yield func(ledger.Entry) bool) error {
	f, err := c.openLedger(ctx)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = ledger.Read(f, yield)
	return err
}

// whole is every entry of an outcome's ledger, from its file where not all is
// held. A failure to read it ends it, and is put into err.
func (o *Outcome) whole(ctx context.Context, err *error) iter.Seq[ledger.Entry] {
	if o.Every <= 1 {
		return slices.Values(o.Entries)
	}
	return func(yield func(ledger.Entry) bool) { *err = o.Check.eachEntry(ctx, yield) }
}
