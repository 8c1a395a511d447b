package check

import (
	"context"
	"slices"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/summary"
	"example.org/understudy/sim/stage/ledger"
)

// Showing finds, for mistakes by their causes' names, a shipped scenario that would show
// each to a host with a description, played on paper: one that shows several of them
// rather than one each. What takes a host to happen, such as its restart, is not on
// paper; such mistakes have none.
func Showing(ctx context.Context, h *hostfile.Host, mistakes []string) (map[string]string, error) {
	shows := map[string][]string{} // mistakes by scenario
	names := library.Shipped(".")
	for _, n := range names {
		s, err := library.Load(n)
		if err != nil {
			return nil, err
		}
		entries, err := paper.Ledger(ctx, s)
		if err != nil {
			return nil, err
		}
		var opened []ledger.Entry
		for i := range s.Gauges {
			g := s.Gauges[i].Name
			opened = append(opened, ledger.Entry{Kind: ledger.KindPort, Gauge: g, Port: &ledger.Port{What: "opened"}})
		}
		spec := paper.Spec(s)
		if h.Keeps != "" {
			spec.All = h.Keeps == hostfile.All
		}
		spec.Claims = claims(append(slices.Clone(h.NoClaim), silent(s)...))
		c := judge.Covers(ctx, spec, slices.Values(append(opened, entries...)), true)
		shown := c.Shown
		if h.Summary != nil {
			due, _ := judge.ReadingsDue(ctx, spec, slices.Values(append(opened, entries...)))
			run := &summary.Run{Rules: h.Summary.Rules, Spec: spec, Due: due, Layouts: paper.Layouts(s)}
			shown = append(shown, run.Shown()...)
		}
		for _, m := range shown {
			if slices.Contains(mistakes, m) {
				shows[n] = append(shows[n], m)
			}
		}
	}
	slices.SortStableFunc(names, func(a, b string) int { return len(shows[b]) - len(shows[a]) })
	at := map[string]string{}
	for _, n := range names {
		for _, m := range shows[n] {
			if at[m] == "" {
				at[m] = n
			}
		}
	}
	return at, nil
}
