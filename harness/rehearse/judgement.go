package rehearse

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"example.org/understudy/harness/show"
)

func (s *Summary) totals(l *Line, played []*Shift) {
	sum := func(get func(v *Served) int) []float64 {
		return each(played, func(s *Shift) (n float64) {
			for i := range s.Gauges {
				n += float64(get(&s.Gauges[i]))
			}
			return n
		})
	}
	fact := func(name, format string, args ...any) {
		s.Totals = append(s.Totals, Fact{name, fmt.Sprintf(format, args...)})
	}
	mean := func(name string, values []float64) float64 {
		m, err := Mean(values)
		if m == 0 {
			fact(name, "none in %d shifts: with 95 %% confidence fewer than %.0f %% of all shifts have any", len(values), 100*atMost(len(values)))
		} else {
			fact(name, "%s a shift", withError(m, err))
		}
		return m
	}
	mean("parts measured", sum(func(v *Served) int { return v.Parts }))
	tags := mean("tags given", sum(func(v *Served) int { return v.Tags }))
	lost := mean("tags lost", sum(func(v *Served) int { return v.Lost }))
	skipped := mean("parts that came while a gauge had no charge", sum(func(v *Served) int { return v.Skipped }))
	mean("parts measured but not tagged (habit)", sum(func(v *Served) int { return v.Untagged }))
	mean("silent spells of links (without hopping: at most)", sum(func(v *Served) int { return v.Stalls.N }))
	records, _ := Mean(each(played, func(s *Shift) float64 { return float64(s.Host.Records) }))
	seconds := l.Shift.D().Seconds()
	rate := records / seconds
	fact("records", "%.3g a second on average, %.0f a shift, %.0f in a day of shifts like it", rate, records, rate*86400)
	var wait Spans
	var backlog time.Duration
	for _, p := range played {
		wait.N, wait.Sum, wait.Most = wait.N+p.Host.Wait.N, wait.Sum+p.Host.Wait.Sum, max(wait.Most, p.Host.Wait.Most)
		backlog = max(backlog, p.Host.Backlog)
	}
	s.HostUse = rate * l.Host.PerRecord.D().Seconds()
	if l.Host.PerRecord > 0 && wait.N > 0 {
		fact("the host", "is busy %.1f %% of the time; a record waits %v on average (%v if they came wholly at random: M/D/1), %v at worst; at the worst moment %v of work lies before it",
			100*s.HostUse, (wait.Sum / time.Duration(wait.N)).Round(time.Microsecond), Waiting(s.HostUse, l.Host.PerRecord.D(), 0).Round(time.Microsecond), wait.Most.Round(time.Millisecond), backlog.Round(time.Millisecond))
	}
	var stall, away, gone Spans
	for i := range s.Gauges {
		g := &s.Gauges[i]
		stall.merge(&g.Stalls)
		away.merge(&g.Away)
		gone.merge(&g.Gone)
	}
	frames := 0.0
	for _, p := range s.Ports {
		frames += p.Frames
	}
	fact("frames at all ports", "%.4g a second, %.0f in a day of shifts like it", frames, frames*86400)
	fact("a tag's way from the button to the port", "%s", spread(&s.late))
	fact("a stall", "%s", spread(&stall))
	fact("a link's way back after it was lost", "%s", spread(&away))
	if gone.N > 0 {
		fact("links lost until the shift's end", "%s a shift", figure(float64(gone.N)/float64(len(played))))
	}
	flat := 0.0
	for _, v := range sum(func(v *Served) int { return v.Skipped }) {
		if v > 0 {
			flat += 1 / float64(len(played))
		}
	}
	s.holds(tags, lost, skipped, flat)
}

// holds says in words whether the line holds its shift: how many tags are given in one
// and how many of them lost, how many parts come while a gauge is flat, and the share of
// shifts in which one is.
func (s *Summary) holds(tags, lost, skipped, flat float64) {
	is := load{tags: tags, lost: lost, flat: flat, host: s.HostUse}
	for _, p := range s.Ports {
		is.port = math.Max(is.port, p.Use)
	}
	for _, r := range s.Radios {
		is.radio = math.Max(is.radio, r.Use)
	}
	s.Holds = is.holds()
	yes := func(ok bool, good, bad string) {
		if ok {
			s.Words = append(s.Words, good)
		} else {
			s.Words = append(s.Words, bad)
		}
	}
	yes(s.Holds, "The line holds its shift, in this simulation.", "The line does not hold its shift, in this simulation. What stands first under risks is what to change first.")
	if onAir := slices.DeleteFunc(slices.Clone(s.Gauges), func(g GaugeRow) bool { return g.Wired }); len(onAir) > 0 {
		weakest := slices.MinFunc(onAir, func(a, b GaugeRow) int { return cmp.Compare(a.MarginWorst, b.MarginWorst) })
		emptiest := slices.MinFunc(onAir, func(a, b GaugeRow) int { return cmp.Compare(a.EndWorst[0], b.EndWorst[0]) })
		yes(is.cellsHold(), fmt.Sprintf("The cells last: the emptiest is %s, with %.0f %% left at the end of a bad shift (one in twenty).", emptiest.Name, emptiest.EndWorst[0]),
			fmt.Sprintf("The cells do not last: in %.0f %% of the shifts a gauge goes flat, and %s parts come while one has no charge. The emptiest is %s.", 100*flat, figure(skipped), emptiest.Name))
		yes(is.radioHolds(), fmt.Sprintf("The radio reaches: of %s tags a shift %s are lost. The weakest link is that of %s, %s what its receiver needs on its worst day.", figure(tags), figure(lost), weakest.Name, over(weakest.MarginWorst)),
			fmt.Sprintf("The radio does not reach everywhere: of %s tags a shift %s are lost. The weakest link is that of %s, %s what its receiver needs on its worst day.", figure(tags), figure(lost), weakest.Name, over(weakest.MarginWorst)))
	}
	yes(is.keepsUp(), fmt.Sprintf("Ports, radios and host keep up: the busiest port is used to %.0f %%, the busiest receiver to %.0f %%, the host to %.0f %%.", 100*is.port, 100*is.radio, 100*s.HostUse),
		fmt.Sprintf("Not everything keeps up: the busiest port is used to %.0f %%, the busiest receiver to %.0f %%, the host to %.0f %%; above %.0f %% waiting grows fast.", 100*is.port, 100*is.radio, 100*s.HostUse, 100*full))
}

// some names the worst few.
func some(rows []GaugeRow, bad func(g *GaugeRow) float64) string {
	rows = slices.Clone(rows)
	sort.SliceStable(rows, func(i, j int) bool { return bad(&rows[i]) > bad(&rows[j]) })
	var names []string
	for i := range rows {
		if bad(&rows[i]) <= 0 {
			break
		}
		if len(names) == 5 {
			names = append(names, "and others")
			break
		}
		names = append(names, rows[i].Name)
	}
	return strings.Join(names, ", ")
}

// risks lists what may go wrong, the greatest first.
func (s *Summary) risks(l *Line) {
	s.riskyGauges()
	s.riskyPorts(l)
	s.riskySeats(l)
	s.riskyFeatures()
	sort.SliceStable(s.Risks, func(i, j int) bool { return s.Risks[i].Touches > s.Risks[j].Touches })
}

func (s *Summary) risk(touches float64, what, why, remove string) {
	s.Risks = append(s.Risks, Risk{touches, what, why, remove})
}

func (s *Summary) total(get func(g *GaugeRow) float64) (sum float64) {
	for i := range s.Gauges {
		sum += get(&s.Gauges[i])
	}
	return sum
}

func (s *Summary) riskyGauges() {
	lostOf := func(c *ChangeRow) float64 { return c.Lost }
	if lost := s.total(func(g *GaugeRow) float64 { return g.Lost }); lost > 0 {
		s.risk(lost, "Tags are lost on the radio", "Links hang up, and a gauge that keeps no tags loses those given meanwhile: "+some(s.Gauges, func(g *GaugeRow) float64 { return g.Lost })+".",
			cmp.Or(s.best(lostOf, "class", "receivers", "places", "stands", "wait"), "nothing that was tried; bring a receiver nearer"))
	}
	if gone := s.total(func(g *GaugeRow) float64 { return g.Skipped }); gone > 0 {
		s.risk(gone, "Gauges go flat", "Their cells do not last the shift, or a spare has to be fetched: "+some(s.Gauges, func(g *GaugeRow) float64 { return g.Skipped })+".",
			cmp.Or(s.best(func(c *ChangeRow) float64 { return c.Skipped }, "rate", "spare", "cells", "class"), "nothing that was tried; larger cells, or cradles in every break"))
	}
	for i := range s.Gauges {
		g := &s.Gauges[i]
		if g.EndWorst[0] < 20 && g.Skipped == 0 {
			s.risk(0, "Little charge is left: "+g.Name, fmt.Sprintf("%.0f %% at the end of one shift in twenty.", g.EndWorst[0]), "a cradle in the breaks, a larger or fresher cell, or a spare")
		}
	}
	if stalls := s.total(func(g *GaugeRow) float64 { return g.StallsAShift }); stalls > 0 {
		s.risk(0, "Links may fall silent for a while", fmt.Sprintf("At most %s times a shift in all: hopping between frequencies, which cuts most silent spells short, is not modelled. Tags then come late and together: %s.", figure(stalls), some(s.Gauges, func(g *GaugeRow) float64 { return g.StallsAShift })),
			cmp.Or(s.best(func(c *ChangeRow) float64 { return c.Stalls }, "class", "receivers", "places", "stands"), "a host that waits for late tags"))
	}
}

func (s *Summary) riskyPorts(l *Line) {
	for i, p := range s.Ports {
		if p.Use < full {
			continue
		}
		touches := 0.0
		if p.Use >= 1 {
			for _, g := range l.ports[i].gauges {
				touches += s.Gauges[g].Tags
			}
		}
		s.risk(touches, "A port is close to its line rate: "+p.Name, fmt.Sprintf("Its streams take %.0f %% of %s; a frame waits %v on average, %v at worst.", 100*p.Use, p.Line, short(p.Wait.Mean()), short(p.Wait.Most)), "a faster line, a lower rate or a shorter frame")
	}
	for i, p := range s.Ports {
		if g := &l.gauges[l.ports[i].gauges[0]]; p.Gauges > 1 && !g.named {
			s.risk(0, "Gauges cannot be told apart at port "+p.Name, fmt.Sprintf("%d gauges share it, and frames of the dialect %s carry neither a gauge's name nor its serial number or address.", p.Gauges, g.dialect), "a dialect that says which gauge a frame is from, or a port for each gauge")
		}
	}
	if s.HostUse >= full {
		touches := 0.0
		if s.HostUse >= 1 {
			touches = s.total(func(g *GaugeRow) float64 { return g.Tags })
		}
		s.risk(touches, "The host hardly keeps up", fmt.Sprintf("It is busy %.0f %% of the time with records.", 100*s.HostUse), "a host that takes less time for a record")
	}
}

func (s *Summary) riskySeats(l *Line) {
	var taken []string
	for i, r := range s.Radios {
		if r.Use >= full {
			touches := 0.0
			if r.Use >= 1 {
				touches = s.total(func(g *GaugeRow) float64 {
					if g.Receiver == r.Name {
						return g.Tags
					}
					return 0
				})
			}
			s.risk(touches, "A receiver has little time left: "+r.Name, fmt.Sprintf("The streams of its %s take %.0f %% of it.", show.Counted(r.Seats, "gauge"), 100*r.Use), "a lower rate, or another receiver")
		}
		if r.Seats == l.radios[i].seats {
			taken = append(taken, r.Name)
		}
	}
	if len(taken) > 0 {
		s.risk(0, "No place is left at "+strings.Join(taken, ", "), "All are taken, so a spare gauge is refused until one leaves.", "a receiver more, or a gauge less there")
	}
}

func (s *Summary) riskyFeatures() {
	for _, f := range s.Features {
		if f.falseIn >= 0.05 {
			s.risk(f.falseIn, "Bad parts are accepted: "+f.Name, fmt.Sprintf("%.0f in a million of all parts, by the process and the uncertainty (JCGM 106:2012, 9.5.2, from memory).", 1e6*f.FalseIn), "a guarded decision, a smaller uncertainty, or a better process")
		}
		if f.falseOut >= 0.05 {
			s.risk(f.falseOut, "Good parts are rejected: "+f.Name, fmt.Sprintf("%.0f in a million of all parts.", 1e6*f.FalseOut), "a smaller uncertainty, or a better process")
		}
		if k := f.Capability.Ppk; f.Capability.N > 0 && k.Value < 1.33 {
			s.risk(f.BadParts(), "The process is hardly capable: "+f.Name, fmt.Sprintf("Ppk is %.2f; 1.33 is often asked for (common practice).", k.Value), "a smaller spread, or a mean nearer the middle")
		}
	}
}
