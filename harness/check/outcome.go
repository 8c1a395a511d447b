package check

import (
	"bytes"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/report"
	"example.org/understudy/sim/wire"
)

// Report is the outcome as the reports take it.
func (o *Outcome) Report() report.Run {
	s := o.Check.Scenario
	r := report.Run{
		Name: library.Name(s), Title: s.Title, Notice: strings.TrimSpace(s.Notice), Host: o.Check.Host.Title,
		Seed: s.Play.Seed, Took: o.Took, Started: o.Began, HostEnd: o.Exit.String(), Result: o.Result, Spec: o.Spec, Ledger: o.Entries, Every: o.Every, Records: o.Records,
		Output: o.Output, Notes: o.notes(),
		Fields: func(gauge string, frame []byte) []report.Field {
			return Fields(s.Play.Cast[s.GaugeIndex(gauge)].Dialect, frame)
		},
	}
	for i := range s.Play.Cast {
		r.Dialects = append(r.Dialects, s.Play.Cast[i].Dialect.Name())
	}
	if o.Began.IsZero() || o.Check.Host.Running {
		r.HostEnd = "" // it was not started here
	}
	if o.Why != "" {
		r.Result.Reasons = append(r.Result.Reasons, o.Why)
	}
	r.NotRun = o.NotRun
	if len(o.Entries) > 0 && o.Entries[0].Run != nil {
		r.Pace = o.Entries[0].Run.Pace
	}
	return r
}

// maxProblems of the records' rows are noted.
const maxProblems = 5

// notes is what bears on no verdict and has to be known all the same: that the
// host did not end well, and rows of its records that cannot be read as they
// stand and are in no finding.
func (o *Outcome) notes() (notes []string) {
	if o.Why != "" {
		return nil
	}
	if o.Twice != "" {
		notes = append(notes, o.Twice)
	}
	if o.Statistics > 0 {
		notes = append(notes, fmt.Sprintf("summaries: %d statistics are right, at the digits they are written with", o.Statistics))
	}
	told := map[string]bool{"": true}
	quit := false
	for i := range o.Findings {
		f := &o.Findings[i]
		quit = quit || f.Kind == judge.KindQuit
		if f.Record != nil {
			told[f.Record.Problem] = true
		}
	}
	if !o.Exit.Clean() && !quit {
		notes = append(notes, "the host "+o.Exit.String())
	}
	if n := len(o.Blank); n > 0 {
		notes = append(notes, rows(n, o.Blank[0])+" nothing but separators or empty values")
	}
	type trouble struct {
		rec *judge.Record // the first that has it
		n   int
	}
	var all []*trouble
	more := false
	for i := range o.Records {
		rec := &o.Records[i]
		if told[rec.Problem] {
			continue
		}
		k := slices.IndexFunc(all, func(t *trouble) bool { return t.rec.Problem == rec.Problem })
		if k < 0 {
			if k = len(all); k == maxProblems {
				more = true
				break
			}
			all = append(all, &trouble{rec: rec})
		}
		all[k].n++
	}
	for _, t := range all {
		notes = append(notes, fmt.Sprintf("%s what cannot be read: %s: %s", rows(t.n, t.rec.Row), t.rec.Problem, start(t.rec.Raw)))
	}
	if more {
		notes = append(notes, "more rows of the records hold what cannot be read")
	}
	return notes
}

// rows is so many rows, of which the first is named, that hold something.
func rows(n, first int) string {
	if n == 1 {
		return fmt.Sprintf("row %d holds", first)
	}
	return fmt.Sprintf("%d rows, the first of them row %d, hold", n, first)
}

// start is a text, or as much of it as tells what it is.
func start(s string) string {
	const most = 200
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// The end of a host's error output is shown: so many lines, of so many bytes.
const (
	shownLines = 25
	shownBytes = 64 << 10
)

// Outputs are the files of a run folder that hold what the host printed.
func Outputs() []string { return []string{outputFile, errorsFile} }

// lastLines are the last lines that the host printed of errors.
func (c *Check) lastLines(p hostfile.Places) []string {
	f, err := infile.Open(c.opener(), filepath.Join(filepath.Dir(p.Output), errorsFile), infile.Streamed)
	if err != nil {
		return nil // a host that is a function prints none, nor one that was removed
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.Size() > shownBytes {
		_, _ = f.Seek(-shownBytes, io.SeekEnd)
	}
	b, _ := io.ReadAll(io.LimitReader(f, shownBytes))
	if b = bytes.TrimRight(b, "\r\n"); len(b) == 0 {
		return nil
	}
	lines := strings.Split(strings.ReplaceAll(string(b), "\r\n", "\n"), "\n")
	return lines[max(0, len(lines)-shownLines):]
}

// Fields names the parts of a gauge's frame.
func Fields(d *wire.Dialect, frame []byte) (fs []report.Field) {
	for _, s := range d.Annotate(frame, wire.Gauge) {
		fs = append(fs, report.Field{From: s.Start, To: s.End, Name: s.Field, Text: s.Shows, Bad: !s.Good})
	}
	return fs
}
