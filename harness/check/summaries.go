package check

import (
	"context"
	"errors"
	"io/fs"
	"slices"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/records"
	"example.org/understudy/harness/summary"
)

// ofValues are the kinds of finding after which summaries are not judged: they may be
// right of what the host has recorded.
var ofValues = []judge.Kind{judge.KindValue, judge.KindUnit, judge.KindTag, judge.KindVoid, judge.KindLost, judge.KindTagLost,
	judge.KindTagRepeated, judge.KindExtra, judge.KindOrder, judge.KindIdentity, judge.KindUnreadable}

// summaries judges the statistics that the host has written, where it claims some.
func (c *Check) summaries(ctx context.Context, out *Outcome, rows []judge.Record, m meta) {
	if c.Host.Summary == nil || m.live {
		return
	}
	var res summary.Result
	why := "the rows that they are of are not all right"
	wrong := func(k judge.Kind) bool { return out.Counts.ByKind[k] > 0 }
	if (out.Verdict == judge.Pass || out.Verdict == judge.Fail) && !slices.ContainsFunc(ofValues, wrong) {
		res, why = c.statistics(ctx, out, rows, m)
	}
	if why != "" {
		out.NotJudged = append(out.NotJudged, "summaries: "+why)
	}
	for _, n := range res.NotJudged {
		out.NotJudged = append(out.NotJudged, "summaries: "+n)
	}
	if v := out.Coverage; v != nil {
		for _, mistake := range cause.Summaries() {
			if slices.Contains(res.Shown, mistake.Name) {
				v.Shown = append(v.Shown, mistake.Name)
			} else {
				v.Unshown = append(v.Unshown, mistake.Name)
			}
		}
	}
	out.Statistics = res.Right
	n := len(res.Findings)
	if n == 0 {
		return
	}
	out.Verdict = judge.Fail
	out.Findings = append(out.Findings, res.Findings...)
	out.Explanations = append(out.Explanations, res.Explanations...)
	out.Unexplained += res.Unexplained
	out.Counts.Findings += n
	out.Counts.Explained += n - res.Unexplained
	if out.Counts.ByKind == nil {
		out.Counts.ByKind = map[judge.Kind]int{}
	}
	out.Counts.ByKind[judge.KindSummary] = n
}

// statistics reads and judges them, or says why it does not.
func (c *Check) statistics(ctx context.Context, out *Outcome, rows []judge.Record, m meta) (res summary.Result, why string) {
	of := c.Host.Summary
	if of.Records != nil {
		file, err := m.Places.Expand(of.Records.File)
		for _, part := range of.Parts() {
			var some []judge.Record
			if err == nil {
				some, _, err = records.Read(ctx, part, c.opener(), file)
			}
			rows = append(rows, some...)
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return res, err.Error()
		}
	}
	for _, a := range []cause.Aspect{cause.Value, cause.Complete} {
		if !out.Spec.Claimed(a) {
			return res, "the host does not claim " + string(a) + ", so they may be of other readings"
		}
	}
	if len(rows) == 0 {
		return res, "the host has written none"
	}
	var err error
	due, whole := judge.ReadingsDue(ctx, out.Spec, out.whole(ctx, &err))
	if err != nil || !whole {
		return res, "the host did not do the whole run in one go"
	}
	return summary.Judge(&summary.Run{Rules: of.Rules, Spec: out.Spec, Due: due, Layouts: paper.Layouts(c.Scenario), Rows: rows}), ""
}
