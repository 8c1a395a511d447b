package check

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/records"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// gap is something that a host's description leaves open, and what it could have
// made of right records.
type gap struct {
	ask      string
	explains func(f *judge.Finding) bool
	findings int
}

// describedBy judges the host's description before the host: a finding that could
// come of a gap in it is about the description, and the run asks what the gap is. A
// host is failed for the other findings only.
func (c *Check) describedBy(out *Outcome, left records.Left) {
	if out.Verdict == judge.Pass {
		out.doubtUnits()
	}
	if out.Verdict != judge.Fail {
		return
	}
	gaps := c.gaps(out, left)
	rest := map[string]int{} // findings of each cause that are the host's
	hosts, taken := 0, map[string]bool{}
	for i := range out.Findings {
		f := &out.Findings[i]
		g := slices.IndexFunc(gaps, func(g *gap) bool { return g.explains(f) })
		if g < 0 {
			hosts++
			rest[f.Cause]++
			continue
		}
		gaps[g].findings++
		taken[f.Cause] = true
		f.Cause, f.Rule = "", "this may be the host description's: "+gaps[g].ask
	}
	named := len(out.Explanations)
	out.Explanations = slices.DeleteFunc(out.Explanations, func(e judge.Explanation) bool { return taken[e.Cause.Name] && rest[e.Cause.Name] == 0 })
	asked := false
	for _, g := range gaps {
		if g.findings > 0 {
			asked = true
			out.Reasons = append(out.Reasons, fmt.Sprintf("the host description: %s (%d of the findings could come of that)", g.ask, g.findings))
		}
	}
	if !asked {
		return
	}
	if len(out.Explanations) < named {
		out.Unexplained = out.Counts.Findings
		for i := range out.Explanations {
			out.Unexplained -= out.Explanations[i].Explains
		}
		out.Unexplained = max(0, out.Unexplained)
	}
	if hosts == 0 {
		out.Verdict = judge.Inconclusive
	}
}

// doubtUnits leaves a pass open where a void reading's unit is a word that nothing
// explains: the row is not as it should be, or the description lacks the word.
func (out *Outcome) doubtUnits() {
	for i := range out.Records {
		r := &out.Records[i]
		if w := unknownUnit(r); w != "" && r.Value == nil && r.Kind == string(hostfile.Reading) {
			out.Verdict = judge.Inconclusive
			out.Reasons = append(out.Reasons, fmt.Sprintf("the host description: row %d is a void reading with the unit word %q, which is neither under units nor under void: write it there if it stands for none, or have the host write the unit", r.Row, w))
			return
		}
	}
}

// gaps are what the description leaves open of these records.
func (c *Check) gaps(out *Outcome, left records.Left) (gaps []*gap) {
	add := func(explains func(f *judge.Finding) bool, format string, args ...any) {
		gaps = append(gaps, &gap{ask: fmt.Sprintf(format, args...), explains: explains})
	}
	ofRecord := func(is func(r *judge.Record) bool) func(f *judge.Finding) bool {
		return func(f *judge.Finding) bool { return f.Record != nil && is(f.Record) }
	}
	rows := func(is func(r *judge.Record) string) (words []string, first map[string]int) {
		first = map[string]int{}
		for i := range out.Records {
			if w := is(&out.Records[i]); w != "" && first[w] == 0 {
				words, first[w] = append(words, w), out.Records[i].Row
			}
		}
		return words, first
	}
	words, first := rows(unknownZone)
	for _, w := range words {
		hint := ""
		if now := zone.Zone(0).Now(w); now != "" {
			hint = fmt.Sprintf(", such as %s: %s, for so the zone is called now", w, now)
		}
		add(ofRecord(func(r *judge.Record) bool { return unknownZone(r) == w }), "row %d has the verdict word %q, which is not under zones: write which zone it means%s", first[w], w, hint)
	}
	words, first = rows(unknownUnit)
	for _, w := range words {
		add(ofRecord(func(r *judge.Record) bool { return unknownUnit(r) == w }), "row %d has the unit word %q, which is not under units: write which unit it means", first[w], w)
	}
	words, first = rows(voidLike)
	for _, w := range words {
		add(ofRecord(func(r *judge.Record) bool { return voidLike(r) == w }), "row %d has %q in place of a value: write it under void if it means that there is no valid reading", first[w], w)
	}
	for _, g := range left.Ignored {
		missing := []judge.Kind{judge.KindEventMissing}
		if g.Valued > 0 {
			missing = []judge.Kind{judge.KindLost, judge.KindTagLost}
		}
		n := 0
		for _, kind := range missing {
			n += out.Counts.ByKind[kind]
		}
		if n != len(g.Rows) {
			continue // it is about something else
		}
		// What the host writes before all else is not the row of what came later.
		begins := len(out.Records) > 0 && g.Rows[len(g.Rows)-1] < out.Records[0].Row
		add(func(f *judge.Finding) bool {
			return slices.Contains(missing, f.Kind) && !(begins && f.At > out.First)
		},
			"%d rows with the event word %q, the first of them row %d, are ignored: write what the word means, if it means something", len(g.Rows), g.Word, g.Rows[0])
	}
	if len(c.Host.Records.Zones) > 0 {
		for i := range out.Findings {
			f := &out.Findings[i]
			if f.Kind != judge.KindZone || f.Record == nil || c.hasWord(out, f.Expected) || slices.ContainsFunc(gaps, func(g *gap) bool { return g.explains(f) }) {
				continue
			}
			want, got := f.Expected, f.Record.Zone
			ask := fmt.Sprintf("no word under zones means %s: write which one does, or a list where a word means it too", want)
			for _, words := range sameZone(c.Host.Records.Zones) {
				if c.Host.Records.Zones[words[0]].String() == got {
					ask += fmt.Sprintf("; %s both mean %s", quoted(words), got)
				}
			}
			add(func(f *judge.Finding) bool {
				return f.Kind == judge.KindZone && f.Record != nil && f.Expected == want && f.Record.Zone == got
			}, "%s", ask)
		}
	}
	if !slices.ContainsFunc(out.Records, func(r judge.Record) bool { return r.HasTime }) {
		add(ofRecord(func(r *judge.Record) bool { return r.BadTime }), "no time in the records reads as %s: write under time what they are", c.Host.Records.Time.Form)
	}
	return append(gaps, c.empty(out)...)
}

// hasWord reports whether the description, or else the records, have a word for a zone.
func (c *Check) hasWord(out *Outcome, name string) bool {
	var z zone.Zone
	if z.UnmarshalText([]byte(name)) != nil {
		return true // the finding is about something else
	}
	for _, v := range c.Host.Records.Zones {
		if v.Has(z) {
			return true
		}
	}
	return slices.ContainsFunc(out.Records, func(r judge.Record) bool { return r.Zone == name })
}

// empty are the columns that the description names and no record fills.
func (c *Check) empty(out *Outcome) (gaps []*gap) {
	d, recs := &c.Host.Records, out.Records
	if d.OurNames || len(recs) == 0 {
		return nil // the host writes our columns, and says so
	}
	for _, col := range []struct {
		name  string
		set   hostfile.Column
		fill  func(r *judge.Record) bool
		makes []judge.Kind
	}{
		{"tag", d.Columns.Tag, func(r *judge.Record) bool { return r.Tag != nil }, []judge.Kind{judge.KindTag, judge.KindTagLost, judge.KindExtra}},
		{"unit", d.Columns.Unit, func(r *judge.Record) bool { return r.Unit != "" }, []judge.Kind{judge.KindUnit}},
		{"zone", d.Columns.Zone, func(r *judge.Record) bool { return r.Zone != "" }, []judge.Kind{judge.KindZone}},
		{"gauge", d.Columns.Gauge, func(r *judge.Record) bool { return r.Gauge != "" }, []judge.Kind{judge.KindIdentity}},
		{"channel", d.Columns.Channel, func(r *judge.Record) bool { return r.Channel != "" }, []judge.Kind{judge.KindIdentity}},
		{"value", d.Columns.Value, func(r *judge.Record) bool { return r.Text != "" }, []judge.Kind{judge.KindValue, judge.KindVoid, judge.KindUnreadable}},
	} {
		if !col.set.Set() || slices.ContainsFunc(recs, func(r judge.Record) bool { return col.fill(&r) }) {
			continue
		}
		g := &gap{ask: fmt.Sprintf("no row has anything in the column of %s: write the right column, or leave %s out and say that the host does not claim it", col.name, col.name),
			explains: func(f *judge.Finding) bool { return slices.Contains(col.makes, f.Kind) }}
		// Where no row stands in the place of one that should fill it, those are missing;
		// where there are extra rows only, nothing was due in the column.
		due := func(f judge.Finding) bool { return f.Kind != judge.KindExtra && g.explains(&f) }
		if slices.ContainsFunc(out.Findings, due) &&
			slices.ContainsFunc(out.Findings, func(f judge.Finding) bool { return f.Record != nil && g.explains(&f) }) {
			gaps = append(gaps, g)
		}
	}
	return gaps
}

// unknownZone is the verdict word of a record that means no zone.
func unknownZone(r *judge.Record) string {
	if r.Zone == "" || new(zone.Set).UnmarshalText([]byte(r.Zone)) == nil {
		return ""
	}
	return r.Zone
}

// unknownUnit is the unit word of a record that means no unit.
func unknownUnit(r *judge.Record) string {
	if _, ok := decimal.ParseUnit(r.Unit); ok {
		return ""
	}
	return r.Unit
}

// voidLike is what a record has in place of a value: a text without a digit.
func voidLike(r *judge.Record) string {
	if r.Value != nil || r.Problem == "" || strings.ContainsAny(r.Text, "0123456789") || !strings.Contains(r.Problem, "is not a number") {
		return ""
	}
	return r.Text
}

// sameZone are the words of a description that mean the same, of each such meaning.
func sameZone(zones map[string]hostfile.Verdict) (all [][]string) {
	for _, w := range slices.Sorted(maps.Keys(zones)) {
		i := slices.IndexFunc(all, func(words []string) bool { return zones[words[0]].String() == zones[w].String() })
		if i < 0 {
			all = append(all, []string{w})
			continue
		}
		all[i] = append(all[i], w)
	}
	return slices.DeleteFunc(all, func(words []string) bool { return len(words) < 2 })
}

func quoted(words []string) string {
	var all []string
	for _, w := range words {
		all = append(all, fmt.Sprintf("%q", w))
	}
	return strings.Join(all, " and ")
}
