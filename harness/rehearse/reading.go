package rehearse

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/zone"
)

var nameForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$`)

// Parse reads a line file. The error is of type strict.Errors and holds every
// mistake of the file.
func Parse(path string, text []byte, dialects scenario.Source) (*Line, error) {
	l := &Line{Path: path, Text: text}
	doc, _ := strict.Decode(path, text, &l.File)
	if doc.Err() == nil {
		(&reader{l, doc, map[any]bool{}}).build()
	}
	if doc.Err() == nil {
		l.frames(doc, dialects)
	}
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return l, nil
}

// Schema is the JSON Schema of line files.
func Schema() []byte { return strict.Schema("understudy line", File{}) }

func percent(p *quantity.Percent, otherwise float64) float64 {
	if p == nil {
		return otherwise
	}
	return p.Value.Float64() / 100
}

// reader makes a line of what its file says.
type reader struct {
	*Line
	doc  *strict.Doc
	told map[any]bool // mistakes, which all gauges may share
}

// wrong tells of a mistake once.
func (l *reader) wrong(at any, want, format string, args ...any) {
	if !l.told[at] {
		l.told[at] = true
		l.doc.Errorf(at, want, format, args...)
	}
}

func (l *reader) unknown(at any, what, name string, names []string) {
	want := what + "s are " + strings.Join(names, ", ")
	if near := strict.Nearest(name, names); near != "" {
		want = fmt.Sprintf("did you mean %q?", near)
	}
	l.doc.Errorf(at, want, "there is no %s %q", what, name)
}

// once tells of a name that another has before it.
func (l *reader) once(seen map[string]bool, what string, name *string) {
	if seen[*name] {
		l.doc.Errorf(name, "give each "+what+" its own name", "a second %s is called %q", what, *name)
	}
	seen[*name] = true
}

func (l *reader) span(p *quantity.Duration, low, high time.Duration) {
	if p.D() < low || p.D() > high {
		l.doc.Errorf(p, fmt.Sprintf("write a time of %v to %v", low, high), "%v is no time for it", *p)
	}
}

func (l *reader) share(p *quantity.Percent, low int64) {
	if p != nil && (p.Value.Cmp(decimal.New(low, 0)) < 0 || p.Value.Cmp(decimal.New(100, 0)) > 0) {
		l.wrong(p, fmt.Sprintf("write %d %% to 100 %%", low), "%s is no share for it", p.Value)
	}
}

func (l *reader) build() {
	if l.Version != Version {
		l.doc.Errorf(&l.Version, "write understudy-line: 1", "this program reads version %d of the language of lines, not %d", Version, l.Version)
	}
	l.span(&l.Shift, time.Minute, 24*time.Hour)
	l.span(&l.Takt, 2*time.Second, time.Hour)
	l.span(&l.Host.PerRecord, 0, time.Minute)
	if l.Host.Uncertainty != nil {
		l.doc.Errorf(l.Host.Uncertainty, "write guarded: true", "on a line each feature has its own uncertainty")
	}
	for _, p := range []*quantity.Percent{&l.Operators.Uneven, &l.Operators.Forgets, &l.Operators.DoubleTags, l.Operators.Cradles} {
		l.share(p, 0)
	}
	l.surroundings()
	named := map[string]bool{}
	for i := range l.Features {
		f := &l.Features[i]
		l.once(named, "feature", &f.Name)
		l.feature(f)
	}
	l.receivers()
	for what, n := range map[string]int{"feature": len(l.Features), "station": len(l.Stations)} {
		if n == 0 {
			l.doc.Errorf(&l.Title, "", "the line has no %s", what)
		}
	}
	if l.doc.Err() != nil {
		return
	}
	l.tools()
}

// surroundings checks what is around the gauges: hands, temperature, breaks, cradles
// and obstacles.
func (l *reader) surroundings() {
	l.walking = 0.5
	if l.Motion != nil {
		if l.walking = metres(*l.Motion); l.walking < 0 || l.walking > 10 {
			l.doc.Errorf(l.Motion, "write 0 m to 10 m", "nobody moves a gauge by %s a second", l.Motion)
		}
	}
	for i := range l.Temperature {
		w := &l.Temperature[i]
		if i > 0 && w.At <= l.Temperature[i-1].At {
			l.doc.Errorf(&w.At, "write the times in order", "it is not after the one before")
		}
		if t := w.Is.Value.Float64(); t < power.Coldest || t > power.Hottest {
			l.doc.Errorf(&w.Is, "", "a cell works from %d °C to %d °C", power.Coldest, power.Hottest)
		}
	}
	for i := range l.Breaks {
		b := &l.Breaks[i]
		if b.For <= 0 || b.At+b.For > l.Shift {
			l.doc.Errorf(b, "let it end within the shift", "a break of %v at %v does not lie in a shift of %v", b.For, b.At, l.Shift)
		}
		if i > 0 && b.At < l.Breaks[i-1].At+l.Breaks[i-1].For {
			l.doc.Errorf(&b.At, "write the breaks in order", "it begins before the one before has ended")
		}
	}
	if l.Cradle != nil && (l.Cradle.Value.Sign() <= 0 || l.Cradle.Value.Cmp(decimal.New(5000, 0)) > 0) {
		l.doc.Errorf(l.Cradle, "write up to 5000 mA", "a cradle does not charge with %s mA", l.Cradle.Value)
	}
	for i := range l.Obstacles {
		if o := &l.Obstacles[i]; o.Loss.Value.Sign() < 0 || o.Loss.Value.Cmp(decimal.New(100, 0)) > 0 {
			l.doc.Errorf(&o.Loss, "write 0 dB to 100 dB", "no obstacle takes %s dB", o.Loss.Value)
		}
	}
}

func (l *reader) receivers() {
	named := map[string]bool{}
	for i := range l.Receivers {
		r := &l.Receivers[i]
		l.once(named, "receiver", &r.Name)
		if r.BetterBy.Value.Cmp(decimal.New(-10, 0)) < 0 || r.BetterBy.Value.Cmp(decimal.New(30, 0)) > 0 {
			l.doc.Errorf(&r.BetterBy, "write -10 dB to 30 dB", "no receiver hears %s dB better", r.BetterBy.Value)
		}
		seats := link.MaxActive
		if r.Places != nil {
			if seats = *r.Places; seats < 1 || seats > link.MaxActive {
				l.doc.Errorf(r.Places, fmt.Sprintf("write 1 to %d", link.MaxActive), "no radio talks to %d gauges at a time", seats)
			}
		}
		l.radios = append(l.radios, place{r.Name, r.At.metres(), r.BetterBy.Value.Float64(), seats})
	}
}

func (l *reader) feature(f *Feature) {
	out := feature{name: f.Name, step: decimal.Micrometre, shown: quantity.MM("0.001")}
	unit := decimal.MM
	switch {
	case f.Size.Class.Letter != "":
		if f.Nominal != nil || f.Limits != nil {
			l.doc.Errorf(&f.Size, "leave one of them out", "a size with its class stands beside a nominal size or limits")
			return
		}
		out.nominal, out.class = f.Size.Nominal.Picometres(), f.Size.String()
		lower, upper := f.Size.Limits()
		out.limits.Lower, out.limits.Upper = zone.At(lower), zone.At(upper)
	case f.Nominal != nil && f.Limits != nil && !(f.Limits[0].Word && f.Limits[1].Word):
		out.nominal, unit = f.Nominal.Picometres(), f.Nominal.Unit
		out.limits.Lower, out.limits.Upper = scenario.Limit(f.Limits[0]), scenario.Limit(f.Limits[1])
	default:
		l.doc.Errorf(&f.Name, "write size: 8 H8, or nominal: and limits:", "%q has no tolerance", f.Name)
		return
	}
	low, high := out.limits.Lower.At, out.limits.Upper.At
	both := out.limits.Lower.Set && out.limits.Upper.Set
	switch { // the width that spread, uncertainty and resolution are held against
	case !out.limits.Lower.Set:
		low = 2*out.nominal - high
	case !out.limits.Upper.Set:
		high = 2*out.nominal - low
	}
	if f.Warn != nil {
		out.limits.WarnLower, out.limits.WarnUpper = scenario.Limit(f.Warn[0]), scenario.Limit(f.Warn[1])
	} else if both {
		eighth := (high - low) / 8
		out.limits.WarnLower, out.limits.WarnUpper = zone.At(low+eighth), zone.At(high-eighth)
	}
	if err := out.limits.Check(); err != nil || low >= high {
		l.doc.Errorf(f, "write the smaller limit first, and the nominal size and the warning limits inside", "%q: its limits are not in order", f.Name)
	}
	if f.Resolution != nil {
		out.step, out.shown = f.Resolution.Picometres(), *f.Resolution
	}
	for _, w := range []*quantity.Length{&f.Spread, &f.Uncertainty} {
		if is := w.Picometres(); is <= 0 || is > high-low {
			l.doc.Errorf(w, "write a width above zero and below the tolerance", "%s is no width for it", w)
		}
	}
	if out.step <= 0 || out.step > high-low {
		l.doc.Errorf(&f.Name, "write a resolution above zero and below the tolerance", "%q has no usable resolution", f.Name)
	}
	um := func(p decimal.Length) float64 { return float64(p) / float64(decimal.Micrometre) }
	out.lower, out.upper = um(low-out.nominal), um(high-out.nominal)
	out.mean = (out.lower+out.upper)/2 + um(f.MeanShift.Picometres())
	if !out.limits.Lower.Set {
		out.lower = math.Inf(-1)
	}
	if !out.limits.Upper.Set {
		out.upper = math.Inf(1)
	}
	out.spread, out.wear, out.u = um(f.Spread.Picometres()), um(f.Wear.Picometres()), um(f.Uncertainty.Picometres())/2
	if l.Host.Guarded {
		if out.guard = 2 * out.u; 2*out.guard >= out.upper-out.lower {
			l.doc.Errorf(&f.Uncertainty, "measure better, or do not guard", "a guarded decision with U = %s leaves nothing of the tolerance of %q", f.Uncertainty, f.Name)
		}
	}
	show := func(p decimal.Length) string { v, _ := p.In(unit); return v.Trim().String() }
	switch {
	case both:
		out.text = fmt.Sprintf("%s %s to %s %s", f.Name, show(low), show(high), unit.Symbol())
	case out.limits.Upper.Set:
		out.text = fmt.Sprintf("%s up to %s %s", f.Name, show(high), unit.Symbol())
	default:
		out.text = fmt.Sprintf("%s from %s %s", f.Name, show(low), unit.Symbol())
	}
	if out.class != "" {
		out.text += " (" + out.class + ")"
	}
	l.features = append(l.features, out)
}

// tools makes the gauges ready and gives each its receiver.
func (l *reader) tools() {
	seats := make([]int, len(l.radios))
	seen := map[string]bool{}
	var free []*Tool
	place := map[*Tool]int{}
	for i := range l.Stations {
		st := &l.Stations[i]
		if len(st.Gauges) == 0 {
			l.doc.Errorf(st, "", "the station %q has no gauge", st.Name)
		}
		every := l.Takt
		if st.Every != nil {
			l.span(st.Every, 2*time.Second, time.Hour)
			every = *st.Every
		}
		for j := range st.Gauges {
			t := &st.Gauges[j]
			if !nameForm.MatchString(t.Name) {
				l.doc.Errorf(&t.Name, "use letters, digits, - and _, at most 32", "%q cannot name a gauge, because its port is named after it", t.Name)
			}
			l.once(seen, "gauge", &t.Name)
			g, receiver := l.tool(t)
			g.name, g.station, g.at, g.every = t.Name, st.Name, st.At.metres(), every.D()
			if g.wired {
				g.radio = -1
				l.gauges = append(l.gauges, g)
				continue
			}
			if receiver >= 0 && l.Receivers[receiver].SerialLine != nil && t.SerialLine != nil {
				l.doc.Errorf(t, "leave line: out here or there", "%s has a line of its own, but receiver %s hands all its gauges to one port", t.Name, l.radios[receiver].name)
			}
			if receiver >= 0 {
				g.radio = receiver
				if seats[receiver]++; seats[receiver] == l.radios[receiver].seats+1 {
					l.doc.Errorf(t, "give it to another receiver", "%s is one too many for receiver %s, which talks to %d at a time", t.Name, l.radios[receiver].name, l.radios[receiver].seats)
				}
			} else {
				free = append(free, t)
				place[t] = len(l.gauges)
			}
			l.gauges = append(l.gauges, g)
		}
	}
	for i := range l.Host.Writes {
		if w := &l.Host.Writes[i]; w.Gauge != "" && !seen[w.Gauge] {
			l.unknown(&w.Gauge, "gauge", w.Gauge, slices.Sorted(maps.Keys(seen)))
		}
	}
	l.seat(free, place, seats)
	if l.doc.Err() == nil {
		l.reach()
	}
}

// seat gives each gauge that names no receiver the best that has a seat left.
func (l *reader) seat(free []*Tool, place map[*Tool]int, seats []int) {
	for _, t := range free {
		g := &l.gauges[place[t]]
		g.radio = -1
		for r := range l.radios {
			if seats[r] < l.radios[r].seats && (g.radio < 0 || l.budget(g, r).Margin() > l.budget(g, g.radio).Margin()) {
				g.radio = r
			}
		}
		if g.radio < 0 {
			l.doc.Errorf(t, "add a receiver", "%s has no receiver: all %d places of the line's receivers are taken", t.Name, l.seats())
			return
		}
		seats[g.radio]++
	}
}

// reach checks that a gauge and its receiver are a way apart that a radio may bridge.
func (l *reader) reach() {
	if _, err := link.New(link.Config{Latency: l.Latency.Link()}); err != nil {
		l.doc.Errorf(&l.Latency, "", "%v", err)
	}
	i := 0
	for s := range l.Stations {
		st := &l.Stations[s]
		for range st.Gauges {
			g := &l.gauges[i]
			i++
			if g.wired {
				continue
			}
			b := l.budget(g, g.radio)
			if b.Metres > 1000 {
				l.doc.Errorf(&st.At, "write places no more than 1000 m apart", "%s stands %.0f m from its receiver %s", g.name, b.Metres, l.radios[g.radio].name)
			} else if err := b.Validate(); err != nil {
				l.doc.Errorf(&st.At, "", "%s: %s", g.name, strings.ReplaceAll(err.Error(), "\n", "; "))
			}
		}
	}
}

// seats is how many gauges all receivers together talk to at a time.
func (l *Line) seats() (n int) {
	for i := range l.radios {
		n += l.radios[i].seats
	}
	return n
}

// tool reads the keys of one gauge; the receiver is -1 when none is written.
func (l *reader) tool(t *Tool) (g gauge, receiver int) {
	e := &l.Each
	if t.Profile != "" { // goes before what holds for every gauge
		e = &Keys{Receiver: e.Receiver, Class: e.Class, Spares: e.Spares, Queue: e.Queue}
	}
	g.profile, g.wired = t.Profile, t.Wired
	if g.dialect = cmp.Or(t.Dialect, e.Dialect); g.dialect == "" && t.Profile == "" {
		g.dialect = "line-ascii"
	}
	switch {
	case t.Dialect != "":
		g.spoken = &t.Dialect
	case e.Dialect != "":
		g.spoken = &e.Dialect
	default:
		g.spoken = t
	}
	l.channels(&g, t)
	if t.Wired {
		for _, k := range []any{&t.Class, &t.Receiver, t.Spares, t.Queue, t.Capacity, t.Health, t.Charge, t.LowAt, t.Chemistry} {
			if v := reflect.ValueOf(k); !v.IsNil() && !v.Elem().IsZero() {
				l.doc.Errorf(k, "leave it out", "%s is wired: it has no radio, no cell and no place at a receiver", t.Name)
			}
		}
	}
	class := &t.Class
	if *class == 0 {
		class = &e.Class
	}
	switch {
	case *class == 0:
		g.class = link.Class2
	case *class < 1 || *class > 3:
		l.wrong(class, "write 1, 2 or 3", "there is no power class %d", *class)
	default:
		g.class = link.Class(*class)
	}
	if t.Profile == "" {
		g.rate = quantity.Rate{Hz: decimal.New(10, 0)}
	}
	if r := cmp.Or(t.Rate, e.Rate); r != nil {
		if g.rate = *r; r.Hz.Cmp(decimal.New(1000, 0)) > 0 || r.Hz.Cmp(decimal.New(1, -1)) < 0 {
			l.wrong(r, "write 0.1 Hz to 1000 Hz", "no radio gauge streams at %s", r)
		}
	}
	g.line = cmp.Or(t.SerialLine, e.SerialLine)
	for _, n := range []struct {
		p  *int
		to *int
	}{{cmp.Or(t.Spares, e.Spares), &g.spares}, {cmp.Or(t.Queue, e.Queue), &g.queue}} {
		if n.p != nil {
			if *n.to = *n.p; *n.p < 0 || *n.p > 100 {
				l.wrong(n.p, "write 0 to 100", "%d is no number of spares or of tags that wait", *n.p)
			}
		}
	}
	l.cell(&g, t)
	receiver = -1
	if want := cmp.Or(t.Receiver, e.Receiver); want != "" && !t.Wired {
		var names []string
		for i, r := range l.radios {
			names = append(names, r.name)
			if r.name == want {
				receiver = i
			}
		}
		if receiver < 0 {
			l.unknown(t, "receiver", want, names)
		}
	}
	return g, receiver
}

// channels gives a gauge's channels their features.
func (l *reader) channels(g *gauge, t *Tool) {
	add := func(at any, name, of string, computed *scenario.Computed) {
		of = cmp.Or(of, t.Feature, l.Each.Feature, l.features[0].name)
		k := slices.IndexFunc(l.features, func(f feature) bool { return f.name == of })
		if k < 0 {
			var names []string
			for _, f := range l.features {
				names = append(names, f.name)
			}
			l.unknown(at, "feature", of, names)
			k = 0
		}
		g.channels = append(g.channels, channel{name, k, computed})
	}
	for i := range t.Channels {
		add(&t.Channels[i], t.Channels[i].Name, t.Channels[i].Feature, nil)
	}
	if len(t.Channels) == 0 {
		add(t, "", "", nil)
		if len(t.Computed) > 0 {
			l.doc.Errorf(&t.Computed, "write channels: [{name: A}, {name: B}]", "%s computes channels of channels that it does not name", t.Name)
		}
	}
	for i := range t.Computed {
		c := &t.Computed[i]
		for _, k := range []any{c.Limits, c.Warn, c.Resolution} {
			if !reflect.ValueOf(k).IsNil() {
				l.doc.Errorf(k, "write it at the feature", "what %s is held against is its feature's", c.Name)
			}
		}
		add(c, c.Name, c.Feature, &c.Computed)
	}
}

func (l *reader) cell(g *gauge, t *Tool) {
	e := &l.Each
	charge, health, low := cmp.Or(t.Charge, e.Charge), cmp.Or(t.Health, e.Health), cmp.Or(t.LowAt, e.LowAt)
	l.share(charge, 1)
	l.share(health, 20)
	l.share(low, 0)
	g.health, g.lowAt = percent(health, 1), low
	g.cell = power.Config{Capacity: 850, Charge: 100 * percent(charge, 1)}
	var cell any = t
	g.whole = t.Profile != "" && t.Capacity == nil && t.Chemistry == nil
	if c := cmp.Or(t.Capacity, e.Capacity); c != nil {
		g.cell.Capacity = c.Value.Float64()
		cell = c
	}
	if c := cmp.Or(t.Chemistry, e.Chemistry); c != nil {
		g.cell.Chemistry = *c
	}
	if _, err := power.New(g.cell); err != nil {
		l.wrong(cell, "", "%s: %v", t.Name, err)
	}
}

// budget is the sum of gains and losses between a gauge and a receiver.
func (l *Line) budget(g *gauge, radio int) link.Budget {
	r := &l.radios[radio]
	b := link.Budget{Class: g.class, Place: l.Place, Sensitivity: link.RequiredSensitivity - r.hears}
	b.Metres = math.Max(0.1, math.Sqrt(float64((g.at[0]-r.at[0])*(g.at[0]-r.at[0]))+float64((g.at[1]-r.at[1])*(g.at[1]-r.at[1]))))
	if k, ok := link.PlaceCoefficients(b.Place); ok {
		b.Metres = math.Max(b.Metres, k.Min) // the model begins there
	}
	for i := range l.Obstacles {
		o := &l.Obstacles[i]
		if crosses(g.at, r.at, o.From.metres(), o.To.metres()) {
			b.Walls += o.Loss.Value.Float64()
		}
	}
	return b
}

// crosses says whether two straight pieces meet.
func crosses(a, b, c, d [2]float64) bool {
	side := func(p, q, r [2]float64) float64 {
		return float64((q[0]-p[0])*(r[1]-p[1])) - float64((q[1]-p[1])*(r[0]-p[0]))
	}
	return side(a, b, c)*side(a, b, d) <= 0 && side(c, d, a)*side(c, d, b) <= 0 && (a != b) && (c != d)
}
