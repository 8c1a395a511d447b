// Package summary judges the statistics that a host writes of its tagged readings: mean,
// spread, capability, and what a gauge study comes to. They are compared with the exact
// ones, at the digits that the host has written, and what is wrong is put down to a
// mistake where its figures are exactly those of the host. It is pure.
package summary

import (
	"cmp"
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/study"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Run is what a host's summaries are judged by.
type Run struct {
	hostfile.Rules
	Spec    judge.Spec
	Due     [][][]judge.Due // by gauge and channel
	Layouts []*study.Layout // of each gauge's study; nil: its tags are not those of one
	Rows    []judge.Record  // those whose kind is a statistic
}

// Result is what summaries come to.
type Result struct {
	Findings     []judge.Finding
	Explanations []judge.Explanation
	Unexplained  int
	Right        int      // statistics that are
	Shown        []string // mistakes that would have left other rows
	NotJudged    []string
}

// channel is one that summaries may be of.
type channel struct {
	gauge, name  string
	due          []judge.Due
	lower, upper *big.Rat // specification limits; nil: none
	study        *study.Layout
	unit         decimal.Unit
	greatest     value // of its readings, without their signs
	made         map[kind]*series
}

// row is a statistic as the host has written it.
type row struct {
	*channel
	rec      *judge.Record
	ratio    *big.Rat // of the host's unit to the row's
	decimals int      // that are judged
	want     []value
	right    bool
}

// Judge judges the last row of each statistic of a channel.
func Judge(run *Run) (res Result) {
	channels := run.channels()
	var rows []*row
	taken, not := map[string]bool{}, map[string][]string{}
	for i := len(run.Rows) - 1; i >= 0; i-- {
		key := run.Rows[i].Kind + "\x00" + run.Rows[i].Gauge + "\x00" + run.Rows[i].Channel
		if taken[key] {
			continue
		}
		taken[key] = true
		r, why := run.row(&run.Rows[i], channels)
		switch {
		case why != "":
			why = cmp.Or(run.Rows[i].Gauge, "the gauge") + ": " + why
			not[why] = append(not[why], run.Rows[i].Kind)
		case r.right:
			res.Right++
			fallthrough
		default:
			rows = append(rows, r)
		}
	}
	slices.Reverse(rows)
	for _, why := range slices.Sorted(maps.Keys(not)) {
		slices.Reverse(not[why])
		res.NotJudged = append(res.NotJudged, fmt.Sprintf("%s of %s", strings.Join(not[why], ", "), why))
	}
	named := run.explain(&res, rows, channels)
	for _, r := range rows {
		if !r.right {
			f := run.finding(r)
			f.Cause = named[r]
			res.Findings = append(res.Findings, f)
			if f.Cause == "" {
				res.Unexplained++
			}
		}
	}
	return res
}

func (run *Run) channels() (all []*channel) {
	unit := run.Spec.Unit
	limit := func(l zone.Limit) *big.Rat {
		if !l.Set {
			return nil
		}
		return big.NewRat(int64(l.At), int64(unit.Size()))
	}
	for g := range run.Spec.Gauges {
		for i := range run.Spec.Gauges[g].Channels {
			of := &run.Spec.Gauges[g].Channels[i]
			c := &channel{gauge: run.Spec.Gauges[g].Name, name: of.Name, due: run.Due[g][i], study: run.Layouts[g], unit: unit,
				lower: limit(of.Limits.Lower), upper: limit(of.Limits.Upper), greatest: exactly(new(big.Rat)), made: map[kind]*series{}}
			for _, d := range c.due {
				if v := exactly(rat(d.Shown.Abs())); !d.Void && v.square.Cmp(c.greatest.square) > 0 {
					c.greatest = v
				}
			}
			all = append(all, c)
		}
	}
	return all
}

// row makes a row ready, or says why it is not judged.
func (run *Run) row(rec *judge.Record, channels []*channel) (*row, string) {
	r := &row{rec: rec, ratio: big.NewRat(1, 1)}
	fits := func(c *channel) bool {
		return (rec.Gauge == c.gauge || rec.Gauge == "" && len(run.Spec.Gauges) == 1) && (rec.Channel == c.name || rec.Channel == "")
	}
	if i := slices.IndexFunc(channels, fits); i >= 0 {
		r.channel = channels[i]
	}
	switch {
	case !slices.Contains(hostfile.Statistics, rec.Kind):
		return nil, "it is not a statistic: write under events which it is"
	case r.channel == nil:
		return nil, "the run has no such gauge and channel"
	case slices.ContainsFunc(r.due, func(d judge.Due) bool { return d.Tagged && !d.Sure }):
		return nil, "which tags the host has received as readings of their own is not sure"
	case !run.Spec.Claimed(cause.Void) && slices.ContainsFunc(r.due, func(d judge.Due) bool { return d.Tagged && d.Void }):
		return nil, "a tag has no reading, and the host does not claim void"
	case rec.Text == "", rec.Zone == zone.Void.String():
		return nil, "it has no value"
	case rec.Unit != "" && rec.Unit != r.unit.Symbol() && ofLength(rec.Kind):
		u, ok := decimal.ParseUnit(rec.Unit)
		if !ok {
			return nil, "its unit is not known"
		}
		r.ratio = big.NewRat(int64(r.unit.Size()), int64(u.Size()))
	}
	f := figures{Rules: run.Rules, channel: r.channel, limits: r.channel}
	if r.want = r.of(f); len(r.want) == 0 {
		return nil, "the readings, the limits or the study that it takes are not there"
	}
	r.decimals = r.judged(rec)
	r.right = r.is(r.want)
	return r, ""
}

// ofLength reports whether a statistic has the unit of the readings.
func ofLength(statistic string) bool {
	return slices.Contains([]string{"mean", "s", "range"}, statistic)
}

// Digits that are judged, at most: a host that works in binary numbers of 64 bits has no
// more of its readings, and less of what is left of their differences.
const (
	mostDigits    = 7
	mostOfReading = 14
)

// judged is how many decimals of a row are: those that are written, or fewer.
func (r *row) judged(rec *judge.Record) int {
	decimals := mostOfReading
	if rec.Value != nil {
		decimals = -rec.Value.Exponent()
	}
	if v := r.want[0]; rec.Kind != "mean" && v.square.Sign() != 0 {
		decimals = min(decimals, mostDigits-1-v.first())
	}
	if ofLength(rec.Kind) && r.greatest.square.Sign() != 0 {
		decimals = min(decimals, mostOfReading-1-r.greatest.times(r.ratio).first())
	}
	return decimals
}

// of are the values of the row's statistic by figures, in the row's unit.
func (r *row) of(f figures) (out []value) {
	f.fill()
	for _, v := range f.of(r.rec.Kind) {
		out = append(out, v.times(r.ratio))
	}
	return out
}

func (r *row) is(vs []value) bool {
	return r.rec.Value != nil && slices.ContainsFunc(vs, func(v value) bool { return v.near(*r.rec.Value, r.decimals) })
}

// tells reports whether values look otherwise than those that are right, at the row's
// decimals.
func (r *row) tells(vs []value) bool {
	return len(vs) > 0 && !slices.ContainsFunc(vs, func(v value) bool {
		return slices.ContainsFunc(r.want, func(w value) bool { return v.at(r.decimals).Cmp(w.at(r.decimals)) == 0 })
	})
}

// figures is the number of digits of a row that are judged.
func (r *row) figures() int {
	if r.want[0].square.Sign() == 0 {
		return 1
	}
	return max(1, r.decimals+1+r.want[0].first())
}

// finding is what is wrong with a row.
func (run *Run) finding(r *row) judge.Finding {
	unit := ""
	if ofLength(r.rec.Kind) {
		unit = " " + cmp.Or(r.rec.Unit, r.unit.Symbol())
	}
	return judge.Finding{Kind: judge.KindSummary, Gauge: r.gauge, Channel: r.name, At: -1, Record: r.rec,
		Expected: r.rec.Kind + " " + r.want[0].text(r.decimals) + unit, Got: r.rec.Kind + " " + strings.TrimSuffix(r.rec.Text, unit) + unit, Rule: run.rule(r)}
}

// rule says how a statistic is worked out.
func (run *Run) rule(r *row) string {
	f := figures{Rules: run.Rules, channel: r.channel, limits: r.channel}
	f.fill()
	within := map[hostfile.Within]string{0: "the root of the mean variance within", hostfile.MeanRange: "the mean range over d2 of"}[run.Within]
	share := "the total"
	if run.ShareOf == hostfile.OfTolerance {
		share = fmt.Sprintf("the tolerance, with %s standard deviations to a study variation", run.Deviations)
	}
	how := map[string]string{
		"count": "the number", "mean": "the mean", "range": "the greatest less the smallest", "s": "the standard deviation, with n - 1,",
		"Cp":  fmt.Sprintf("the tolerance over six times %s subgroups of %d,", within, run.Subgroup),
		"Cpk": fmt.Sprintf("from the mean to the nearer limit, over three times %s subgroups of %d,", within, run.Subgroup),
		"Pp":  "the tolerance over six standard deviations", "Ppk": "from the mean to the nearer limit, over three standard deviations",
		"%R&R": fmt.Sprintf("R&R as a share of %s, by analysis of variance with the interaction %s,", share, run.Interaction),
		"ndc":  "1.41 times the parts' over the R&R standard deviation, truncated,",
	}[r.rec.Kind]
	return fmt.Sprintf("%s of %d tagged readings as %s", how, len(f.values), run.Of)
}

// way is a mistake, made in one of its ways.
type way struct {
	cause.Cause
	explains []*row
	figures  int // digits of the rows that it explains
}

// explain names the mistakes that no row contradicts, the one that explains most first,
// and notes which would have shown.
func (run *Run) explain(res *Result, rows []*row, channels []*channel) map[*row]string {
	var fit []way
	all := mistakes(channels)
	for _, c := range cause.Summaries() {
		var best *way
		shown := false
		for k := range all[c.Name].ways {
			w, against := way{Cause: c}, false
			for _, r := range rows {
				f := figures{Rules: run.Rules, channel: r.channel, limits: r.channel}
				all[c.Name].with(&f, k)
				vs := r.of(f)
				if !r.tells(vs) {
					continue
				}
				shown = true
				if against = against || !r.is(vs); !r.right {
					w.explains, w.figures = append(w.explains, r), w.figures+r.figures()
				}
			}
			if !against && (best == nil || len(w.explains) > len(best.explains)) {
				best = &w
			}
		}
		if shown {
			res.Shown = append(res.Shown, c.Name)
		}
		if best != nil && (best.figures >= leastFigures || best.Name == "classes-rounded") && len(best.explains) > 0 {
			fit = append(fit, *best)
		}
	}
	slices.SortStableFunc(fit, func(a, b way) int { return len(b.explains) - len(a.explains) })
	named := map[*row]string{}
	for _, w := range fit {
		if named[w.explains[0]] != "" {
			continue
		}
		ex := judge.Explanation{Cause: w.Cause, Explains: len(w.explains)}
		for _, r := range w.explains {
			named[r] = cmp.Or(named[r], w.Name)
		}
		for _, other := range fit {
			if other.Name != w.Name && slices.Equal(other.explains, w.explains) {
				ex.Rivals = append(ex.Rivals, judge.Rival{Name: other.Name})
			}
		}
		res.Explanations = append(res.Explanations, ex)
	}
	return named
}

// Shown are the mistakes that would leave other summaries than those of a correct host,
// written with seven digits.
func (run *Run) Shown() []string {
	right := *run
	right.Rows = nil
	for _, c := range run.channels() {
		for _, kind := range hostfile.Statistics {
			r := row{channel: c, rec: &judge.Record{Kind: kind, Gauge: c.gauge, Channel: c.name}, ratio: big.NewRat(1, 1)}
			if vs := r.of(figures{Rules: run.Rules, channel: c, limits: c}); len(vs) > 0 {
				v := decimal.MustParse(vs[0].text(mostDigits))
				r.rec.Value, r.rec.Text = &v, v.String()
				right.Rows = append(right.Rows, *r.rec)
			}
		}
	}
	return Judge(&right).Shown
}

// leastFigures are written in the rows that a mistake explains: fewer may be so by chance.
const leastFigures = 3
