package generate

import (
	"fmt"
	"strings"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate/cover"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/zone"
)

// rowTags is how many times a scenario of a row tags; random ones do it more often.
const rowTags = 4

// FromRow makes the scenario of a row of the plan. What the factors leave open
// is drawn from the seed.
func FromRow(p *cover.Plan, row []int, seed uint64) *scenario.File {
	return build(Row(p, row), seed, rowTags)
}

// Random makes a scenario with random levels, a longer timeline and more than
// one fault.
func Random(seed uint64) *scenario.File {
	return RandomFrom(&cover.Plan{Factors: Factors(), Rules: Rules()}, seed)
}

// RandomFrom is Random with the levels of a plan, of which at least one
// combination must be possible.
func RandomFrom(p *cover.Plan, seed uint64) *scenario.File {
	rng := random.New(seed)
	for {
		l := Levels{}
		for _, f := range p.Factors {
			level := f.Levels[0]
			if rng.Intn(2) == 0 { // half of the factors stay plain, so that mistakes do not hide each other
				level = f.Levels[rng.Intn(len(f.Levels))]
			}
			l[f.Name] = level
		}
		if l.allowed(p.Rules) {
			return build(l, rng.Uint64(), 5+rng.Intn(6))
		}
	}
}

func (l Levels) allowed(rules []cover.Rule) bool {
	for _, r := range rules {
		broken := true
		for f, levels := range r.Forbid {
			has := false
			for _, w := range levels {
				has = has || l[f] == w
			}
			broken = broken && has
		}
		if broken {
			return false
		}
	}
	return true
}

// maker makes one scenario. Lengths are on the picometre grid.
type maker struct {
	Levels
	rng     *random.Rand
	f       *scenario.File
	unit    decimal.Unit // of the gauge
	count   decimal.Length
	host    decimal.Unit
	step    decimal.Length // of the host
	limit   decimal.Unit
	grid    decimal.Length // of the limits
	nominal decimal.Length
	u       decimal.Length // expanded uncertainty
	edges   []decimal.Length
	now     time.Duration
	fault   string
	struck  bool
	random  bool // more than the levels say: other hands, other moves
	// beyond are the gauges' channels whose tip may be at an end of its stroke.
	beyond map[[2]string]bool
}

// build makes a scenario of so many tags.
func build(l Levels, seed uint64, tags int) *scenario.File {
	m := &maker{Levels: l, rng: random.New(seed), fault: l["fault"], random: tags > rowTags}
	m.f = &scenario.File{Understudy: scenario.Version, Title: m.title(), Seed: seed}
	m.sizes()
	m.part()
	m.asks()
	m.cast()
	m.timeline(tags)
	until := quantity.Duration(m.now)
	m.f.Until = &until
	return m.f
}

func (m *maker) title() string {
	words := []string{m.Levels["dialect"], m.Levels["unit"]}
	for _, f := range []string{"function", "tags", "fault"} {
		if v := m.Levels[f]; v != Factors()[index(f)].Levels[0] {
			words = append(words, v)
		}
	}
	return "Generated: " + strings.Join(words, ", ")
}

func index(factor string) int {
	for i, f := range Factors() {
		if f.Name == factor {
			return i
		}
	}
	return -1
}

// decimals of the resolution by its level, in millimetres; in inches one more.
var decimals = map[string]int{"coarse": 2, "medium": 3, "fine": 4}

func other(u decimal.Unit) decimal.Unit {
	if u == decimal.MM {
		return decimal.IN
	}
	return decimal.MM
}

// power is 10⁻ⁿ of a unit, with one decimal more for inches.
func power(u decimal.Unit, n int) decimal.Length {
	if u == decimal.IN {
		n++
	}
	l, _ := decimal.Exactly(decimal.New(1, -n), u)
	return l
}

func (m *maker) sizes() {
	m.unit = decimal.MM
	if m.Levels["unit"] == "in" {
		m.unit = decimal.IN
	}
	n := decimals[m.Levels["resolution"]]
	m.count = power(m.unit, n)
	m.host, m.limit = m.unit, m.unit
	if m.Levels["host-unit"] == "other" {
		m.host = other(m.unit)
	}
	if m.Levels["limits-unit"] == "other" {
		m.limit = other(m.unit)
	}
	m.step = power(m.host, n) * map[string]decimal.Length{"same": 1, "5 times": 5, "10 times": 10}[m.Levels["host-step"]]
	m.grid = max(power(m.limit, n), (m.step+power(m.limit, n)-1)/power(m.limit, n)*power(m.limit, n))
	if m.Levels["nominal"] == "size" {
		m.nominal = 12_700_000_000 // half an inch
	}
	if m.Levels["uncertainty"] == "stated" {
		m.u = m.step * decimal.Length(1+m.rng.Intn(3))
	}
}

// in writes a length in a unit with the decimals of a grid of that unit.
func in(l decimal.Length, u decimal.Unit) quantity.Length {
	q, exact := quantity.Of(l, u)
	if !exact {
		q, _ = quantity.Of(l, decimal.MM)
	}
	return q
}

func ptr[T any](v T) *T { return &v }

func (m *maker) bound(l decimal.Length, there bool) scenario.Bound {
	if !there {
		return scenario.Bound{Word: true}
	}
	return scenario.Bound{Of: in(l, m.limit)}
}

// part lays the limits: the specification 15 steps away, the warning 10, now
// and then on half a step.
func (m *maker) part() {
	half := decimal.Length(0)
	if m.rng.Intn(3) == 0 {
		half = m.grid / 2
	}
	centre := m.nominal
	lower, upper := centre-15*m.grid-half, centre+15*m.grid+half
	warnLower, warnUpper := centre-10*m.grid-half, centre+10*m.grid+half
	if m.Levels["function"] == "fim" {
		lower, warnLower = 0, 5*m.grid
	}
	limits, warn := m.Levels["limits"], m.Levels["warn"]
	p := scenario.Part{Feature: "bore of a test ring", Nominal: ptr(in(m.nominal, m.unit))}
	p.Limits = &scenario.Pair{m.bound(lower, limits != "upper"), m.bound(upper, limits != "lower")}
	if warn != "none" {
		p.Warn = &scenario.Pair{m.bound(warnLower, warn == "both" && limits != "upper"), m.bound(warnUpper, limits != "lower")}
		if p.Warn[0].Word && p.Warn[1].Word {
			p.Warn = nil
		}
	}
	m.f.Part = p
	for _, pair := range []*scenario.Pair{p.Limits, p.Warn} {
		if pair == nil {
			continue
		}
		for _, b := range pair {
			if !b.Word {
				m.edges = append(m.edges, b.Of.Picometres())
			}
		}
	}
}

// asks is what is asked of the host.
func (m *maker) asks() {
	h := &m.f.Host
	if m.host != m.unit {
		h.Unit = &scenario.Unit{Unit: m.host}
	}
	if m.host != m.unit || m.step != m.count {
		h.Resolution = ptr(in(m.step, m.host))
	}
	_ = h.Rounding.UnmarshalText([]byte(m.Levels["rounding"])) // the levels are its names
	if m.Levels["decide"] == "unrounded" {
		h.Decide = zone.Unrounded
	}
	if m.Levels["limits-are"] == "strict" {
		h.LimitsAre = "strict"
	}
	if m.u > 0 {
		h.Uncertainty = ptr(in(m.u, m.host))
	}
	if m.Levels["keeps"] == "all" {
		h.Keeps = "all"
	}
	if m.Levels["at-port"] == "stated" {
		h.AtPort = scenario.AtPort{DTR: ptr(scenario.Level(min(m.rng.Intn(3), 1))), RTS: ptr(scenario.Level(min(m.rng.Intn(3), 1))), Breaks: ptr(scenario.Breaks(1 - min(m.rng.Intn(3), 1)))}
	}
	switch m.Levels["writes"] {
	case "function":
		h.Writes = append(h.Writes, scenario.Write{Setting: "function", To: m.Levels["function"]})
	case "limits":
		for i, name := range []string{"lower", "upper"} {
			if b := m.f.Part.Limits[i]; !b.Word {
				if v, exact := b.Of.Picometres().In(m.unit); exact && v.Exponent() >= -6 {
					h.Writes = append(h.Writes, scenario.Write{Setting: name, To: v.String()})
				}
			}
		}
		h.Writes = append(h.Writes, scenario.Write{Setting: "rate", To: "10"})
	}
}

func (m *maker) cast() {
	for i := range map[string]int{"1": 1, "2": 2}[m.Levels["gauges"]] {
		g := scenario.Gauge{Name: fmt.Sprintf("g%d", i+1)}
		g.Dialect = m.Levels["dialect"]
		_ = g.Port.UnmarshalText([]byte(m.Levels["port"])) // the levels are its names
		g.Resolution = ptr(in(m.count, m.unit))
		if f := decimal.MustParse(m.Levels["factor"]); !f.Equal(decimal.New(1, 0)) {
			g.Factor = &f
		}
		natural := gauge.Rising
		if m.Levels["larger-part"] == "releases" {
			g.Larger = "releases"
			natural = gauge.Falling
		}
		if m.Levels["sense"] == "reversed" {
			s := gauge.Rising + gauge.Falling - natural
			g.Sense = &s
		}
		if m.random && m.rng.Intn(4) == 0 {
			g.Noise = &scenario.Noise{White: in(m.count*decimal.Length(1+m.rng.Intn(4))/2, m.unit)}
		}
		if fn := m.Levels["function"]; fn != "live" {
			g.Function = new(gauge.Function)
			_ = g.Function.UnmarshalText([]byte(fn)) // the levels are its names
		}
		if m.Levels["stream"] != "none" {
			g.Stream = &scenario.Stream{}
			_ = g.Stream.UnmarshalText([]byte(m.Levels["stream"]))
		}
		switch m.Levels["carries"] {
		case "no tail":
			g.Carries = &[]string{"number", "keys", "lead"}
		case "no number":
			g.Carries = &[]string{"keys", "tail", "lead"}
		case "no keys or lead":
			g.Carries = &[]string{"number", "tail"}
		}
		switch m.Levels["tags"] {
		case "wrap":
			g.Tags.First, g.Tags.Last = ptr(int64(m.rng.Intn(2))), ptr(int64(3))
		case "repeated":
			g.Tags.Repeat, g.Tags.Tries = quantity.Duration(200*time.Millisecond), 2
		}
		if m.fault == "fade" {
			g.Cell = &scenario.Cell{}
		}
		narrow := func() *scenario.Pair {
			return &scenario.Pair{m.bound(m.nominal-8*m.grid, m.Levels["limits"] != "upper"), m.bound(m.nominal+8*m.grid, m.Levels["limits"] != "lower")}
		}
		if i == 1 { // other limits, so that one gauge is not judged for the other
			g.Limits, g.Warn = narrow(), &scenario.Pair{{Word: true}, {Word: true}}
		}
		if m.Levels["channels"] == "2" {
			b := scenario.Channel{Name: "B"}
			b.Limits, b.Warn = narrow(), &scenario.Pair{{Word: true}, {Word: true}}
			g.Channels = []scenario.Channel{{Name: "A"}, b}
		}
		m.f.Gauges = append(m.f.Gauges, g)
	}
}

// cue adds a cue at the present time.
func (m *maker) cue(gauge, channel string, act stage.Act) {
	if beyond, moves := m.leaves(act); moves && m.random {
		if m.beyond == nil {
			m.beyond = map[[2]string]bool{}
		}
		m.beyond[[2]string{gauge, channel}] = beyond
	}
	m.f.Cues = append(m.f.Cues, scenario.Cue{At: quantity.Duration(m.now), Gauge: gauge, Channel: channel, Act: act})
}

// size is what must be measured for a reading, after the preset on the master.
func (m *maker) size(reading decimal.Length) quantity.Length {
	return in(m.nominal+m.change(reading-m.nominal), m.unit)
}

// change is how much the size must change for the reading to change by d.
func (m *maker) change(d decimal.Length) decimal.Length {
	switch m.Levels["factor"] {
	case "2":
		d /= 2 // an odd picometre is lost; no edge has one
	case "0.5":
		d *= 2
	case "-1":
		d = -d
	}
	if m.Levels["sense"] == "reversed" {
		d = -d
	}
	return d
}

// reading is a value to be read, mostly on an edge or beside one.
func (m *maker) reading() decimal.Length {
	var v decimal.Length
	switch {
	case len(m.edges) > 0 && m.rng.Intn(5) > 0:
		v = m.edges[m.rng.Intn(len(m.edges))]
		side := decimal.Length(1 - 2*m.rng.Intn(2))
		v += side * []decimal.Length{0, 0, m.count, m.count / 2, m.step / 2, m.step, 2 * m.step, m.u, m.u + m.count, 6 * m.grid}[m.rng.Intn(10)]
	case m.rng.Intn(2) == 0: // a tie of the host's rounding
		v = (m.nominal/m.step+decimal.Length(m.rng.Intn(25)-12))*m.step + m.step/2
	default:
		v = m.nominal + decimal.Length(m.rng.Intn(41)-20)*m.count*7
	}
	if m.Levels["function"] == "fim" && v < 0 {
		v = -v
	}
	return v
}

// place has a reading show on a channel.
func (m *maker) place(g, ch string) {
	v := m.reading()
	if m.random && m.rng.Intn(4) == 0 {
		m.sweep(g, ch, v)
		return
	}
	side := decimal.Length(1)
	switch m.Levels["function"] {
	case "live":
		if m.random && m.rng.Intn(4) == 0 {
			m.cue(g, ch, stage.MoveTo{Size: m.size(v), Over: quantity.Duration(50 * time.Millisecond), Shape: motion.Shape(m.rng.Intn(2))})
			return
		}
		m.cue(g, ch, stage.RestOn{Size: m.size(v)})
		return
	case "min":
		side = -1
	case "fim":
		m.cue(g, ch, stage.RestOn{Size: m.size(0)})
		m.now += 60 * time.Millisecond
		m.cue(g, ch, stage.Clear{})
		m.now += 20 * time.Millisecond
		m.cue(g, ch, stage.RestOn{Size: m.size(v)})
		m.now += 60 * time.Millisecond
		m.cue(g, ch, stage.RestOn{Size: m.size(v / 3)})
		return
	}
	// The extreme first, and then away from it.
	m.cue(g, ch, stage.RestOn{Size: m.size(v)})
	m.now += 60 * time.Millisecond
	m.cue(g, ch, stage.Clear{})
	m.now += 20 * time.Millisecond
	m.cue(g, ch, stage.RestOn{Size: m.size(v - side*4*m.step)})
}

// sweep has the tip go through a reading, as hands and turning parts do, so
// that what is tagged is caught on the way, or is the extreme of it.
func (m *maker) sweep(g, ch string, v decimal.Length) {
	period := quantity.Duration(time.Duration(100+50*m.rng.Intn(5)) * time.Millisecond)
	rock := func(plane motion.Plane) stage.Rock {
		return stage.Rock{Size: m.size(v), Plane: plane, Angle: quantity.Angle{Value: decimal.New(int64(1+m.rng.Intn(3)), 0)}, Period: period}
	}
	turn := stage.Turn{Size: m.size(v), Lobes: 1 + m.rng.Intn(4), Amplitude: in(m.step*decimal.Length(1+m.rng.Intn(6)), m.unit), Period: period}
	clear := func() {
		m.cue(g, ch, stage.Clear{})
		m.now += 20 * time.Millisecond
	}
	switch m.Levels["function"] {
	case "live":
		switch m.rng.Intn(3) {
		case 0:
			m.cue(g, ch, rock(motion.Plane(m.rng.Intn(2))))
		case 1:
			m.cue(g, ch, turn)
		default:
			visit := stage.Measure{Size: m.size(v), Approach: period, Dwell: 2 * period, Lift: period, Pause: period, Tremor: in(m.count, m.unit)}
			m.cue(g, ch, visit)
			m.now += stage.Lasts(visit)
			m.cue(g, ch, stage.RestOn{Size: m.size(v)})
		}
		return
	case "min":
		clear()
		m.cue(g, ch, rock(motion.Axial))
	case "max":
		clear()
		m.cue(g, ch, rock(motion.Radial))
	case "fim": // an even lobe shows in diameter as four times its height in radius
		m.cue(g, ch, stage.RestOn{Size: m.size(0)})
		m.now += 60 * time.Millisecond
		clear()
		d := m.change(v) / 4
		turn.Size, turn.Lobes, turn.Amplitude = m.size(0), 2*(1+m.rng.Intn(2)), in(max(d, -d), m.unit)
		m.cue(g, ch, turn)
	}
	m.now += period.D()
}

func (m *maker) timeline(tags int) {
	m.cue("", "", stage.Preset{})
	if m.Levels["tags"] == "wrap" && m.rng.Intn(2) == 0 {
		m.cue("", "", stage.Set{Setting: "tag-next", To: "3"})
	}
	strike := m.rng.Intn(tags)
	if tags > 1 && strike == 0 { // a fault has something before it to leave stale
		strike = 1
	}
	for i := range tags {
		m.now += time.Duration(200+50*m.rng.Intn(5)) * time.Millisecond
		g := ""
		if len(m.f.Gauges) > 1 {
			g = m.f.Gauges[i%2].Name
		}
		if m.Levels["channels"] == "2" {
			m.place(g, "A")
			m.place(g, "B")
		} else if i == 0 || m.rng.Intn(6) > 0 { // now and then the same reading again
			m.place(g, "")
		}
		m.now += time.Duration(60+20*m.rng.Intn(4)) * time.Millisecond
		if m.random && i > 0 && m.rng.Intn(6) == 0 {
			m.meddle(g)
		}
		again := i > strike && m.random && m.rng.Intn(3) == 0
		if i == strike || again {
			m.strike(g)
			m.struck = true
		} else {
			m.cue(g, "", m.tag())
		}
	}
	m.now += 700 * time.Millisecond
}

// meddle is something a hand does at the gauge itself, which the host has to
// take from the frames.
func (m *maker) meddle(g string) {
	switch m.rng.Intn(4) {
	case 0:
		m.readable(g)
		m.cue(g, "", stage.Zero{})
	case 1:
		m.readable(g)
		m.cue(g, "", stage.Preset{})
	case 2:
		if m.Levels["writes"] != "limits" { // limits that were written are in the unit of then
			m.cue(g, "", stage.Set{Setting: "unit", To: other(m.unit).Symbol()})
		}
	case 3:
		if m.Levels["tags"] == "wrap" { // until a number that comes round is no repeat any more
			m.now += 2200 * time.Millisecond
		} else {
			m.cue(g, "", stage.Set{Setting: "tag-next", To: fmt.Sprint(9998 + m.rng.Intn(2))})
		}
	}
	m.now += 60 * time.Millisecond
}
