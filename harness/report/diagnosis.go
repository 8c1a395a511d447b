package report

import (
	"context"
	"fmt"
	"slices"

	"example.org/understudy/harness/diagnosis"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/show"
)

// Diagnose finds one name for what is wrong over all runs of each host, and has what each
// run is put down to follow it. Of a host of which there is one run, that run says all.
func Diagnose(ctx context.Context, runs []Run) {
	hosts := map[string][]*Run{}
	var order []string
	for i := range runs {
		h := runs[i].Host
		if v := runs[i].Result.Verdict; v != judge.Pass && v != judge.Fail {
			continue
		}
		if hosts[h] == nil {
			order = append(order, h)
		}
		hosts[h] = append(hosts[h], &runs[i])
	}
	for _, h := range order {
		if len(hosts[h]) > 1 && slices.ContainsFunc(hosts[h], func(r *Run) bool { return r.Result.Verdict == judge.Fail }) {
			diagnose(ctx, hosts[h])
		}
	}
}

// Hold has what a scenario that was played twice is put down to in the second run hold for
// the first, too: for a name that the first contradicts stands one that explains both, or none.
func Hold(ctx context.Context, first, second Run) judge.Result {
	before, after := judge.NewCase(ctx, first.Spec, first.Ledger, first.Records), judge.NewCase(ctx, second.Spec, second.Ledger, second.Records)
	if before == nil || after == nil || max(first.Every, second.Every) > 1 {
		return second.Result
	}
	said := groups(&second.Result)
	if slices.ContainsFunc(after.Candidates(), func(e judge.Candidate) bool {
		return slices.ContainsFunc(said, func(g group) bool { return g.title() == e.Title() }) && before.Weigh(e).Against
	}) {
		if d := diagnose(ctx, []*Run{&first, &second}); len(d.Named) != 1 {
			second.Result.Forget()
		}
	}
	return second.Result
}

func diagnose(ctx context.Context, runs []*Run) (d diagnosis.Diagnosis) {
	var asked []diagnosis.Run
	var of []*Run
	left := 0
	for _, r := range runs {
		fails := r.Result.Verdict == judge.Fail
		var c *judge.Case
		if r.Every <= 1 {
			c = judge.NewCase(ctx, r.Spec, r.Ledger, r.Records)
		}
		if c == nil || (c.Findings() > 0) != fails {
			if fails {
				left++
			}
			continue
		}
		own := diagnosis.Run{Name: r.Name, Dialects: r.Dialects, Evidence: c}
		for _, g := range groups(&r.Result) {
			own.First = append(own.First, g.title())
		}
		asked, of = append(asked, own), append(of, r)
	}
	if d = diagnosis.Of(asked); d.Failing == 0 || ctx.Err() != nil {
		return d
	}
	// What the one run with findings says by itself is not said twice.
	tell := d.Failing > 1 || len(d.Named) > 0 && !slices.ContainsFunc(asked, func(r diagnosis.Run) bool {
		return slices.Equal(r.First, []string{d.Named[0].Title()})
	})
	for i, r := range of {
		if tell {
			r.Diagnosis, r.Unasked = &d, left
		}
		if r.Result.Verdict == judge.Fail && len(d.Named) == 1 {
			follow(&r.Result, &d, asked[i].Weigh(d.Named[0].Candidate))
		}
		for _, a := range d.Alone {
			if a.Against != "" && slices.Contains(asked[i].First, a.Title()) {
				r.Notes = append(slices.Clone(r.Notes), fmt.Sprintf("the scenario %s contradicts this: %s", a.Against, a.Title()))
			}
		}
	}
	return d
}

// title is the name of the cause or the sentence, empty for findings without either.
func (g *group) title() string {
	switch {
	case g.ex != nil:
		return g.ex.Cause.Name
	case g.pattern != nil:
		return g.pattern.Text
	}
	return ""
}

// follow has a run put down to what is named for all runs, and tells of what else fits
// the run only what fits the others too.
func follow(res *judge.Result, d *diagnosis.Diagnosis, w judge.Weight) {
	name := d.Named[0]
	var or []string
	for _, o := range d.Or {
		or = append(or, candidateText(o))
	}
	res.Findings = slices.Clone(res.Findings)
	for i := range res.Findings {
		res.Findings[i].Cause, res.Findings[i].Pattern = name.Cause.Name, 0
		if name.Cause.Name == "" {
			res.Findings[i].Pattern = 1
		}
	}
	n := res.Counts.Findings
	res.Unexplained, res.Counts.Explained = 0, n
	if name.Cause.Name == "" {
		res.Explanations, res.Patterns = nil, []judge.Pattern{{Text: name.Text, Rows: w.Rows, Explains: n, Or: or}}
		return
	}
	res.Explanations, res.Patterns = []judge.Explanation{{Cause: name.Cause, Explains: n, Or: or}}, nil
}

func candidateText(c judge.Candidate) string {
	if c.Cause.Name == "" {
		return visible(c.Text)
	}
	return fmt.Sprintf("%s %s: %s", c.Cause.Code, c.Cause.Name, c.Cause.Looks)
}

// line is a line of text, and how far in it is.
type line struct {
	In   int
	Text string
}

// diagnoses are those of the hosts of runs, each once.
func diagnoses(runs []Run) (out []*Run) {
	for i := range runs {
		if d := runs[i].Diagnosis; d != nil && !slices.ContainsFunc(out, func(r *Run) bool { return r.Diagnosis == d }) {
			out = append(out, &runs[i])
		}
	}
	return out
}

// diagnosisText says what explains all runs of a host, or that nothing does.
func diagnosisText(r *Run) (out []line) {
	d := r.Diagnosis
	add := func(in int, format string, args ...any) { out = append(out, line{in, fmt.Sprintf(format, args...)}) }
	all := fmt.Sprintf("%s in %s", show.Counted(d.Findings, "finding"), show.Counted(d.Failing, "scenario"))
	with := ""
	if d.Dialect != "" {
		with = "; it shows with the dialect " + visible(d.Dialect) + " only"
	}
	switch {
	case len(d.Named) == 1:
		add(0, "One mistake explains all: %s%s.", all, with)
	case len(d.Named) > 1:
		add(0, "No one mistake explains all (%s), but these together do:", all)
	case len(d.Alone) > 0:
		add(0, "Several mistakes, or one that has no name here: nothing explains all (%s). What explains some:", all)
	default:
		add(0, "Several mistakes, or one that has no name here: nothing explains all (%s).", all)
	}
	var or, causes []string
	for _, o := range d.Or {
		if o.Cause.Name != "" {
			causes = append(causes, candidateText(o))
		} else {
			or = append(or, candidateText(o))
		}
	}
	for _, n := range d.Named {
		first := ""
		if n.Cause.Name != "" {
			first, or = judge.Level(n.Cause.Name, or)
		}
		var level []string
		if first != "" {
			level = []string{first}
		}
		for _, l := range eitherTexts(candidateText(n.Candidate), level...) {
			add(2, "%s", l)
		}
		if len(d.Named) > 1 {
			add(4, "explains %s in %s", show.Counted(n.Findings, "finding"), show.Counted(n.Runs, "scenario"))
		}
		if n.Cause.Fix != "" {
			add(4, "%s", fixText(&n.Cause, first != ""))
		}
	}
	for _, o := range append(causes, or...) {
		add(4, "or, as far as these scenarios tell: %s", o)
	}
	for _, a := range d.Alone {
		why := ""
		if a.Against != "" {
			why = "; " + visible(a.Against) + " contradicts it"
		}
		add(2, "in %s: %s%s", show.Counted(a.Runs, "scenario"), candidateText(a.Candidate), why)
	}
	if r.Unasked > 0 {
		add(2, "%s with findings, too long to be compared, left out", show.Counted(r.Unasked, "scenario"))
	}
	return out
}
