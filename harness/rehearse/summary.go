package rehearse

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"
)

// full is the use of a port, a radio or a host from which on waiting grows too
// fast to rely on. Common practice, no source.
const full = 0.7

// Summary is what a rehearsal comes to.
type Summary struct {
	Title, Notice, File, Chance string
	Simulated                   string
	Holds                       bool
	Words                       []string // plain words, first things first
	Totals                      []Fact
	Risks                       []Risk
	Gauges                      []GaugeRow
	Spells                      []SpellRow
	Ports                       []PortRow
	Features                    []FeatureRow
	Radios                      []RadioRow
	Changes                     []ChangeRow
	HostUse                     float64
	line                        *Line
	shifts                      int
	late                        Spans // of all tags
}

// Fact is a name and what is so.
type Fact struct{ Name, Text string }

// Risk is something that can spoil a shift.
type Risk struct {
	Touches float64 // parts or tags of a shift, on average
	What    string
	Why     string
	Remove  string
}

// GaugeRow is one gauge over all shifts.
type GaugeRow struct {
	Wired                          bool
	Name, Station, Receiver, Class string
	Metres, Walls                  float64
	Margin, MarginWorst            float64 // dB: without shadowing, and the worst of all shifts
	Parts, Tags, Lost, LostError   float64 // a shift
	Skipped                        float64
	Late, Stalls, Away, Gone       Spans // over all shifts
	StallsAShift                   float64
	End, EndError                  float64 // per cent
	EndWorst                       [3]float64
	Swaps                          float64
	median, worst                  []float64 // of the cell over the shift
}

// SpellRow is how long the links of a station, or of one of its gauges, were
// silent or gone, over all shifts.
type SpellRow struct {
	Station, Gauge string // no gauge: the station's together
	Stalls, Away   Spans
	StallsAShift   float64
	AwayAShift     float64 // lost and back again
	GoneAShift     float64 // lost, and not back at the shift's end
}

// LostAShift is how often a link was lost, back again or not.
func (r SpellRow) LostAShift() float64 { return r.AwayAShift + r.GoneAShift }

// Place is the station, and the gauge where it is of one.
func (r SpellRow) Place() string { return strings.TrimSpace(r.Station + " " + r.Gauge) }

// PortRow is one port of the host.
type PortRow struct {
	Name, Line string
	Gauges     int
	Frames     float64       // a second, as they got through
	Use        float64       // of its time, if all frames get through
	Wait       Spans         // of the frames, over all shifts
	Random     time.Duration // mean wait if they came wholly at random
	Queue      int           // bytes at the worst moment
}

// FeatureRow is one feature over all shifts.
type FeatureRow struct {
	Name              string
	Limits            string
	Parts             float64 // a shift
	FalseIn, FalseOut float64 // shares, by the closed form
	CountIn, CountOut float64 // shares, as counted
	ErrorIn, ErrorOut float64
	Bad               float64
	Capability        Capability // of the process
	Shown             Capability // as the host shows it, from the readings
	falseIn, falseOut float64    // parts a shift
}

// BadParts are the bad parts of a shift.
func (r FeatureRow) BadParts() float64 { return r.Bad * r.Parts }

// RadioRow is one receiver.
type RadioRow struct {
	Name  string
	Seats int
	Use   float64 // of its time, by the streams
}

// ChangeRow is one answer to "what if", over the same shifts as Base.
type ChangeRow struct {
	Name            string
	Margin          float64 // smallest, dB, without shadowing
	Lost, LostError float64 // tags a shift
	Skipped         float64
	Stalls          float64
	End             float64 // smallest charge at the end of any gauge and shift
	RadioUse        float64 // largest
	PortUse         float64 // largest; not a number where it is not known
	Holds           bool
	Full            []string // receivers, ports and the host that are used to 100 % or more
	base            bool
}

// Summarise works out what a whole rehearsal comes to.
func (l *Line) Summarise(r *Result) *Summary {
	s := &Summary{Title: l.Title, Notice: l.Notice, File: l.Path, line: l, shifts: r.Shifts,
		Simulated: "Everything here is simulated. It helps to plan a line; it never releases real parts."}
	s.Chance = fmt.Sprintf("Seed %d, shifts 0 to %d, each with its own random seed; the same seed gives the same figures on every machine.", l.Seed, r.Shifts-1)
	var played []*Shift
	for i := range r.Played {
		if r.Played[i].Change == "" {
			played = append(played, &r.Played[i].Shift)
		}
	}
	for r := range l.radios {
		row := RadioRow{Name: l.radios[r].name}
		for i := range l.gauges {
			if l.gauges[i].radio == r {
				row.Seats++
			}
		}
		row.Use = l.radioUse(r)
		s.Radios = append(s.Radios, row)
	}
	for i := range l.gauges {
		s.Gauges = append(s.Gauges, l.gaugeRow(i, played))
		s.late.merge(&s.Gauges[i].Late)
	}
	s.spells()
	for p := range l.ports {
		s.Ports = append(s.Ports, l.portRow(p, played, s.Gauges))
	}
	for f := range l.features {
		s.Features = append(s.Features, l.featureRow(f, played))
	}
	s.totals(l, played)
	s.changes(l, r)
	s.risks(l)
	return s
}

// radioUse is the share of a receiver's time that its gauges' streams take: a
// packet and its answer take two slots, and failed tries are tried again.
func (l *Line) radioUse(r int) (use float64) {
	for i := range l.gauges {
		g := &l.gauges[i]
		if g.radio != r {
			continue
		}
		cfg, err := l.budget(g, r).Config(l.walking)
		if err != nil {
			continue
		}
		use += float64(framesAir(g)*cfg.Attempt.Seconds()) / math.Max(1-cfg.Bursts.LossRate(), 0.01)
	}
	return use
}

func each[T any](of []*Shift, get func(s *Shift) T) []T {
	out := make([]T, len(of))
	for i, s := range of {
		out[i] = get(s)
	}
	return out
}

func (l *Line) gaugeRow(i int, played []*Shift) GaugeRow {
	g := &l.gauges[i]
	row := GaugeRow{Name: g.name, Station: g.station, Wired: g.wired, Margin: math.Inf(1)}
	if !g.wired {
		b := l.budget(g, g.radio)
		row.Receiver, row.Class = l.radios[g.radio].name, fmt.Sprint(int(g.class))
		row.Metres, row.Walls, row.Margin = b.Metres, b.Walls, b.Margin()
	}
	num := func(get func(v *Served) float64) (float64, float64) {
		return Mean(each(played, func(s *Shift) float64 { return get(&s.Gauges[i]) }))
	}
	row.Parts, _ = num(func(v *Served) float64 { return float64(v.Parts) })
	row.Tags, _ = num(func(v *Served) float64 { return float64(v.Tags) })
	row.Lost, row.LostError = num(func(v *Served) float64 { return float64(v.Lost) })
	row.Skipped, _ = num(func(v *Served) float64 { return float64(v.Skipped) })
	row.StallsAShift, _ = num(func(v *Served) float64 { return float64(v.Stalls.N) })
	row.Swaps, _ = num(func(v *Served) float64 { return float64(v.Swaps) })
	row.End, row.EndError = num(func(v *Served) float64 { return v.End })
	row.EndWorst[0], row.EndWorst[1], row.EndWorst[2] = Worst(each(played, func(s *Shift) float64 { return s.Gauges[i].End }))
	row.MarginWorst = math.Inf(1)
	for _, s := range played {
		v := &s.Gauges[i]
		if !g.wired {
			row.MarginWorst = math.Min(row.MarginWorst, v.Margin)
		}
		row.Late.merge(&v.Late)
		row.Stalls.merge(&v.Stalls)
		row.Away.merge(&v.Away)
		row.Gone.merge(&v.Gone)
	}
	for p := range played[0].Gauges[i].Cell {
		at := each(played, func(s *Shift) float64 { return float64(s.Gauges[i].Cell[p]) })
		sort.Float64s(at)
		row.median = append(row.median, at[len(at)/2])
		worst, _, _ := Worst(at)
		row.worst = append(row.worst, worst)
	}
	return row
}

// spells gathers the stations whose links were ever silent or gone, the one
// that was so longest first, each followed by its gauges if several were.
func (s *Summary) spells() {
	type station struct {
		whole  GaugeRow
		gauges []SpellRow
	}
	row := func(g *GaugeRow) SpellRow {
		n := float64(s.shifts)
		return SpellRow{g.Station, g.Name, g.Stalls, g.Away, float64(g.Stalls.N) / n, float64(g.Away.N) / n, float64(g.Gone.N) / n}
	}
	var stations []*station
	by := map[string]*station{}
	for i := range s.Gauges {
		g := &s.Gauges[i]
		if g.Stalls.N+g.Away.N+g.Gone.N == 0 {
			continue
		}
		st := by[g.Station]
		if st == nil {
			st = &station{whole: GaugeRow{Station: g.Station}}
			by[g.Station] = st
			stations = append(stations, st)
		}
		st.gauges = append(st.gauges, row(g))
		st.whole.Stalls.merge(&g.Stalls)
		st.whole.Away.merge(&g.Away)
		st.whole.Gone.merge(&g.Gone)
	}
	silent := func(s *station) time.Duration { return s.whole.Stalls.Sum + s.whole.Away.Sum + s.whole.Gone.Sum }
	slices.SortStableFunc(stations, func(a, b *station) int {
		return cmp.Compare(silent(b), silent(a))
	})
	for _, st := range stations {
		if len(st.gauges) > 1 {
			s.Spells = append(s.Spells, row(&st.whole))
		}
		s.Spells = append(s.Spells, st.gauges...)
	}
}

func (l *Line) portRow(p int, played []*Shift, gauges []GaugeRow) PortRow {
	q := &l.ports[p]
	row := PortRow{Name: q.name, Line: q.line, Gauges: len(q.gauges)}
	frames, backlog := 0, time.Duration(0)
	for _, s := range played {
		v := &s.Ports[p]
		frames += v.Records
		row.Wait.merge(&v.Wait)
		backlog = max(backlog, v.Backlog)
	}
	row.Frames = float64(frames) / float64(len(played)) / l.Shift.D().Seconds()
	row.Queue = int(math.Round(backlog.Seconds() * q.chars))
	use, mean, cv2 := l.load(q, func(g int) float64 { return gauges[g].Tags })
	row.Use, row.Random = use, Waiting(use, mean, cv2)
	return row
}

func (l *Line) featureRow(f int, played []*Shift) FeatureRow {
	ft := &l.features[f]
	row := FeatureRow{Name: ft.name, Limits: ft.text}
	var is, shown Moments
	counts := func(get func(v *Judged) int) []float64 {
		return each(played, func(s *Shift) float64 {
			part, all := 0, 0
			l.judged(s, f, func(v *Judged) { part, all = part+get(v), all+v.Size.N })
			if all == 0 {
				return 0
			}
			return float64(part) / float64(all)
		})
	}
	for _, s := range played {
		l.judged(s, f, func(v *Judged) {
			is.merge(&v.Size)
			shown.merge(&v.Shown)
		})
	}
	row.Parts = float64(is.N) / float64(len(played))
	row.CountIn, row.ErrorIn = Mean(counts(func(v *Judged) int { return v.FalseIn }))
	row.CountOut, row.ErrorOut = Mean(counts(func(v *Judged) int { return v.FalseOut }))
	row.Bad, _ = Mean(counts(func(v *Judged) int { return v.Bad }))
	// the mean wanders over the shift: take it piece by piece
	const pieces = 20
	for p := range pieces {
		mean := ft.mean + float64(ft.wear*(float64(p)+0.5))/pieces
		in, out := Misjudged([2]float64{ft.lower, ft.upper}, ft.acceptance(), mean, ft.spread, ft.u)
		row.FalseIn += in / pieces
		row.FalseOut += out / pieces
	}
	row.falseIn, row.falseOut = row.FalseIn*row.Parts, row.FalseOut*row.Parts
	row.Capability = is.Capability(ft.lower, ft.upper, int(row.Parts))
	row.Shown = shown.Capability(ft.lower, ft.upper, int(row.Parts))
	return row
}

// judged goes through a shift's channels that measure a feature.
func (l *Line) judged(s *Shift, f int, do func(v *Judged)) {
	for i := range l.gauges {
		for c := range l.gauges[i].channels {
			if l.gauges[i].channels[c].feature == f {
				do(&s.Gauges[i].Judged[c])
			}
		}
	}
}

func (s *Summary) changes(l *Line, r *Result) {
	for _, way := range l.changes() {
		row := ChangeRow{Name: way.name, Margin: math.Inf(1), End: 100, base: way.name == ""}
		if row.base {
			row.Name = "the line as it is"
		}
		var lost []float64
		tags, flat := 0.0, 0.0
		for i := range r.Played {
			e := &r.Played[i]
			if e.Change != way.name || e.Index >= tried {
				continue
			}
			n, skipped := 0.0, 0
			for j := range e.Shift.Gauges {
				v := &e.Shift.Gauges[j]
				n += float64(v.Lost)
				tags += float64(v.Tags)
				skipped += v.Skipped
				row.Stalls += float64(v.Stalls.N)
				row.End = math.Min(row.End, v.End)
			}
			if lost = append(lost, n); skipped > 0 {
				row.Skipped += float64(skipped)
				flat++
			}
		}
		if len(lost) == 0 {
			continue
		}
		row.Lost, row.LostError = Mean(lost)
		row.Skipped /= float64(len(lost))
		row.Stalls /= float64(len(lost))
		c := way.line
		for i := range c.gauges {
			if g := &c.gauges[i]; !g.wired {
				row.Margin = math.Min(row.Margin, c.budget(g, g.radio).Margin())
			}
		}
		used := func(most *float64, use float64, format string, name ...any) {
			if *most = math.Max(*most, use); use >= 1 {
				row.Full = append(row.Full, fmt.Sprintf(format, name...)+fmt.Sprintf(" %.0f %%", 100*use))
			}
		}
		for k := range c.radios {
			used(&row.RadioUse, c.radioUse(k), "receiver %s", c.radios[k].name)
		}
		for k := range c.ports {
			use, _, _ := c.load(&c.ports[k], func(g int) float64 { return s.Gauges[g].Tags })
			used(&row.PortUse, use, "port %s", c.ports[k].name)
		}
		host := s.HostUse
		used(&host, host, "the host")
		row.Holds = load{tags / float64(len(lost)), row.Lost, flat / float64(len(lost)), row.PortUse, row.RadioUse, host}.holds()
		if len(c.ports) == 0 {
			row.PortUse = math.NaN()
		}
		s.Changes = append(s.Changes, row)
	}
}

// load is what decides whether a line holds its shift: tags given and lost, the share
// of shifts in which a gauge goes flat, and the greatest uses.
type load struct{ tags, lost, flat, port, radio, host float64 }

func (l load) radioHolds() bool { return l.lost <= l.tags/1000 }
func (l load) cellsHold() bool  { return l.flat <= 0.05 }
func (l load) keepsUp() bool    { return max(l.port, l.radio, l.host) < full }
func (l load) holds() bool      { return l.radioHolds() && l.cellsHold() && l.keepsUp() }

// best names the change that takes most of a figure away; empty if none does.
func (s *Summary) best(of func(c *ChangeRow) float64, among ...string) string {
	var base, best float64
	name := ""
	for i := range s.Changes {
		c := &s.Changes[i]
		if c.base {
			base, best = of(c), of(c)
			continue
		}
		for _, a := range among {
			if strings.Contains(c.Name, a) && of(c) < best {
				best, name = of(c), fmt.Sprintf("%s: %s instead of %s a shift, over the same %s", c.Name, figure(of(c)), figure(base), shifts(min(tried, s.shifts)))
			}
		}
	}
	return name
}

func figure(v float64) string {
	switch {
	case v < 1e-9:
		return "none"
	case v < 0.001:
		return "fewer than 0.001"
	case v < 10:
		return fmt.Sprintf("%.2g", v)
	}
	return fmt.Sprintf("%.0f", v)
}

func shifts(n int) string {
	if n == 1 {
		return "shift"
	}
	return fmt.Sprintf("%d shifts", n)
}

func over(dB float64) string {
	if dB < 0 {
		return fmt.Sprintf("%.1f dB below", -dB)
	}
	return fmt.Sprintf("%.1f dB over", dB)
}

// decibels is a margin; wired gauges have none.
func decibels(v float64) string {
	if math.IsInf(v, 0) {
		return "–"
	}
	return fmt.Sprintf("%.1f", v)
}

// short is a time to three digits, rough to two; whole seconds stay.
func short(d time.Duration) time.Duration { return digits(d, 1000) }
func rough(d time.Duration) time.Duration { return digits(d, 100) }

func digits(d, many time.Duration) time.Duration {
	for unit := time.Duration(1); ; unit *= 10 {
		if d < many*unit || unit >= time.Second {
			return d.Round(unit)
		}
	}
}

// spread tells how long most take.
func spread(s *Spans) string {
	if s.N == 0 {
		return "none in any shift"
	}
	return fmt.Sprintf("half up to %v, 95 %% up to %v, 99 %% up to %v, the longest %v", rough(s.Below(0.5)), rough(s.Below(0.95)), rough(s.Below(0.99)), short(s.Most))
}

func withError(v, err float64) string {
	if math.IsNaN(err) {
		return fmt.Sprintf("%.0f (one shift: no Monte Carlo error)", v)
	}
	digits := 0
	if err > 0 && err < 10 {
		digits = min(3, 1+int(math.Max(0, math.Ceil(-math.Log10(err)))))
	}
	return fmt.Sprintf("%.*f ± %.*f", digits, v, digits, err)
}
