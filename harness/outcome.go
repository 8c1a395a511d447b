package harness

import (
	"example.org/understudy/harness/report"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/wire"
	"path"
	"path/filepath"
	"strings"
)

// Report is the outcome as the reports take it.
func (o *Outcome) Report() report.Run {
	s := o.Check.Scenario
	r := report.Run{
		Name: Name(s), Title: s.Title, Notice: strings.TrimSpace(s.Notice), Host: o.Check.Host.Title,
		Seed: s.Play.Seed, Took: o.Took, Started: o.Began, HostEnd: o.Exit.String(), Result: o.Result, Spec: o.Spec, Ledger: o.Entries, Every: o.Every, Records: o.Records,
		Fields: func(gauge string, frame []byte) []report.Field {
			return Fields(s.Play.Cast[s.GaugeIndex(gauge)].Dialect, frame)
		},
	}
	if o.Why != "" {
		r.Result.Reasons = append(r.Result.Reasons, o.Why)
	}
	if len(o.Entries) > 0 && o.Entries[0].Run != nil {
		r.Pace = o.Entries[0].Run.Pace
	}
	return r
}

// Name is a scenario's short name: its file's, without folder and ending.
func Name(s *scenario.Scenario) string {
	return strings.TrimSuffix(path.Base(filepath.ToSlash(s.Path)), ".yaml")
}

// Fields names the parts of a gauge's frame.
func Fields(d *wire.Dialect, frame []byte) (fs []report.Field) {
	for _, s := range d.Annotate(frame, wire.Gauge) {
		fs = append(fs, report.Field{From: s.Start, To: s.End, Name: s.Field, Text: s.Shows, Bad: !s.Good})
	}
	return fs
}
