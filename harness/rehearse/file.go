// Package rehearse answers whether a line of gauges will hold a shift: it plays
// whole shifts on paper, many of them with different luck, and says what the
// cells, the radio, the ports, the host and the parts made of it.
//
// A shift on paper does not make every frame. The links and the cells are those
// of sim/link and sim/power, advanced window by window; only the operators'
// tags travel as frames. The stream is counted as load: on the cells, on the
// radios' time and on the ports' line rate. Simulated results never release real
// parts.
package rehearse

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"strings"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/tolerance"
	"example.org/understudy/sim/zone"
)

// Version is the version of the language of line files.
const Version = 1

// File is a line as it is written.
type File struct {
	Version     int               `yaml:"understudy-line" need:"yes" doc:"version of the language of lines: 1"`
	Title       string            `yaml:"title" need:"yes" doc:"one line that says what is made"`
	Notice      string            `yaml:"notice" doc:"what the reader should notice"`
	Seed        uint64            `yaml:"seed" doc:"random seed"`
	Shift       quantity.Duration `yaml:"shift" need:"yes" doc:"length of the shift, such as 8 h; at most 24 h"`
	Takt        quantity.Duration `yaml:"takt" need:"yes" doc:"time from one part to the next"`
	Place       link.Place        `yaml:"place" doc:"what lies between gauges and receivers: free-air (default), office, corridor or shop, in-sight or out-of-sight"`
	Motion      *quantity.Length  `yaml:"motion" was:"walking" doc:"how far gauges move in a second (default: 0.5 m)"`
	Temperature []Warmth          `yaml:"temperature" doc:"temperature over the day, straight between the times (default: 20 °C)"`
	Breaks      []Break           `yaml:"breaks" doc:"pauses; nothing is measured, and gauges are put into their cradles"`
	Cradle      *quantity.Current `yaml:"cradle" doc:"charging current of a cradle (default: no cradles)"`
	Operators   Operators         `yaml:"operators" doc:"habits"`
	Host        Intake            `yaml:"host" doc:"what the host takes for a record, and how it decides"`
	Features    []Feature         `yaml:"features" need:"yes" doc:"what is measured on the part"`
	Obstacles   []Obstacle        `yaml:"obstacles" doc:"what weakens a signal that passes through it"`
	Receivers   []Receiver        `yaml:"receivers" need:"yes" doc:"radios of the host; each talks to seven gauges at most"`
	Each        Keys              `yaml:"each" doc:"what holds for every gauge that does not write it itself"`
	Stations    []Station         `yaml:"stations" need:"yes" doc:"places of work and their gauges"`
}

// Warmth is a temperature at a time.
type Warmth struct {
	At quantity.Duration `yaml:"at" need:"yes" doc:"time since the shift's start"`
	Is quantity.Celsius  `yaml:"is" need:"yes" doc:"temperature there"`
}

// Break is a pause.
type Break struct {
	At  quantity.Duration `yaml:"at" need:"yes" doc:"time since the shift's start"`
	For quantity.Duration `yaml:"for" need:"yes" doc:"how long"`
}

// Operators are the operators' habits.
type Operators struct {
	Uneven     quantity.Percent  `yaml:"uneven" doc:"standard deviation of the moment of a tag, as a share of the takt (default: 0 %)"`
	Forgets    quantity.Percent  `yaml:"forgets" doc:"parts that are measured but not tagged (default: 0 %)"`
	DoubleTags quantity.Percent  `yaml:"double-tags" was:"twice" doc:"tags that are given twice (default: 0 %)"`
	Cradles    *quantity.Percent `yaml:"cradles" doc:"chance that a gauge is put into its cradle in a break (default: 100 %)"`
}

// Intake is how the host takes records.
type Intake struct {
	PerRecord quantity.Duration `yaml:"per-record" was:"takes" doc:"time to judge and store one record (default: 0 s)"`
	Guarded   bool              `yaml:"guarded" doc:"limits are moved inwards by the uncertainty U before it decides (JCGM 106, 8.3.2)"`
}

// Feature is a size that is measured.
type Feature struct {
	Name        string             `yaml:"name" need:"yes" doc:"name of the feature, in words"`
	Size        Size               `yaml:"size" doc:"nominal size in mm and tolerance class of ISO 286-1, such as 8 H8; instead of nominal and limits"`
	Nominal     *quantity.Length   `yaml:"nominal" doc:"nominal size"`
	Limits      *[2]scenario.Bound `yaml:"limits" doc:"lower and upper specification limit"`
	Warn        *[2]scenario.Bound `yaml:"warn" doc:"lower and upper warning limit (default: the middle three quarters of the tolerance)"`
	Spread      quantity.Length    `yaml:"spread" need:"yes" doc:"standard deviation of the process from part to part"`
	MeanShift   quantity.Length    `yaml:"mean-shift" was:"off" doc:"how far the process's mean lies above the middle of the tolerance at the shift's start"`
	Wear        quantity.Length    `yaml:"wear" doc:"how far the mean moves up over the shift, as tools wear"`
	Uncertainty quantity.Length    `yaml:"uncertainty" need:"yes" doc:"expanded uncertainty U of a reading, k = 2"`
	Resolution  *quantity.Length   `yaml:"resolution" doc:"step of the reading (default: 0.001 mm)"`
}

// Size is a nominal size and a tolerance class.
type Size struct {
	Nominal quantity.Length
	Class   tolerance.Class
}

// UnmarshalText reads "8 H8".
func (s *Size) UnmarshalText(b []byte) error {
	num, class, ok := strings.Cut(string(b), " ")
	if !ok {
		return fmt.Errorf("%q is not a size with its class; write one such as 8 H8", b)
	}
	v, err := decimal.Parse(num)
	if err != nil {
		return fmt.Errorf("%q is not a nominal size in mm: %v", num, err)
	}
	if s.Nominal, err = quantity.NewLength(v, decimal.MM); err != nil {
		return err
	}
	s.Class, err = tolerance.Parse(class)
	if err == nil {
		_, _, err = s.Class.Deviations(s.Nominal.Picometres())
	}
	return err
}

// MarshalText writes it.
func (s Size) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

func (s Size) String() string { return s.Nominal.Num.String() + " " + s.Class.String() }

// Pattern describes the text for the JSON Schema.
func (Size) Pattern() (string, string) { return `^[0-9.]+ ([A-Z]{1,2}|[a-z]{1,2})[0-9]{1,2}$`, "8 H8" }

// Point is a place on the floor.
type Point [2]quantity.Length

func (p Point) metres() [2]float64 { return [2]float64{metres(p[0]), metres(p[1])} }

func metres(q quantity.Length) float64 { v, _ := q.Picometres().In(decimal.M); return v.Float64() }

// Obstacle is a straight wall, rack or machine seen from above.
type Obstacle struct {
	Name string         `yaml:"name" need:"yes" doc:"what it is, in words"`
	From Point          `yaml:"from" need:"yes" doc:"one end"`
	To   Point          `yaml:"to" need:"yes" doc:"the other end"`
	Loss quantity.Level `yaml:"loss" need:"yes" doc:"what a signal loses that passes through it, such as 6.9 dB"`
}

// Receiver is a radio of the host.
type Receiver struct {
	Name       string               `yaml:"name" need:"yes" doc:"name of the receiver"`
	At         Point                `yaml:"at" need:"yes" doc:"where it stands"`
	BetterBy   quantity.Level       `yaml:"better-by" was:"hears" doc:"how much weaker a signal it still takes than the -70 dBm every radio of its kind must (default: 0 dB); 10 dB to 20 dB are common"`
	Places     *int                 `yaml:"places" was:"seats" doc:"how many gauges it talks to at a time (default: 7, the most)"`
	SerialLine *scenario.SerialLine `yaml:"serial-line" was:"line" doc:"its gauges share one port of the host, set like this, such as 115200 8N1 (default: each gauge has a port of its own)"`
}

// Keys are the keys a gauge may leave to the line.
type Keys struct {
	Feature    string               `yaml:"feature" doc:"name of the feature it measures (default: the first)"`
	Dialect    string               `yaml:"dialect" doc:"wire protocol: the name of a shipped dialect, or the path of a dialect file (default: line-ascii)"`
	Class      int                  `yaml:"class" doc:"transmit power class: 1 (100 mW), 2 (2.5 mW) or 3 (1 mW) (default: 2)"`
	Rate       *quantity.Rate       `yaml:"rate" doc:"readings streamed in a second (default: 10 Hz)"`
	SerialLine *scenario.SerialLine `yaml:"serial-line" was:"line" doc:"how the serial line is set, such as 9600 8N1 (default: as the dialect has it)"`
	Receiver   string               `yaml:"receiver" doc:"name of its receiver (default: the nearest that has a place)"`
	Spares     *int                 `yaml:"spares" doc:"charged gauges that stand ready to replace it (default: none)"`
	Queue      *int                 `yaml:"queue" doc:"tags that wait for a link that is lost (default: none, they are lost)"`
	Capacity   *quantity.Charge     `yaml:"capacity" doc:"capacity of the cell (default: 850 mAh)"`
	Health     *quantity.Percent    `yaml:"health" doc:"share of its capacity that the oldest cell still has; cells lie evenly between this and all of it (default: 100 %)"`
	Charge     *quantity.Percent    `yaml:"charge" doc:"charge at the shift's start (default: 100 %)"`

	Chemistry *power.Chemistry `yaml:"chemistry" doc:"li-ion (default), nimh or alkaline"`
}

// Station is a place of work.
type Station struct {
	Name   string             `yaml:"name" need:"yes" doc:"name of the station"`
	At     Point              `yaml:"at" need:"yes" doc:"where it stands"`
	Gauges []Tool             `yaml:"gauges" need:"yes" doc:"its gauges"`
	Every  *quantity.Duration `yaml:"every" doc:"time from one part to the next here (default: the line's takt)"`
}

// Tool is a gauge of a station.
type Tool struct {
	Name string `yaml:"name" need:"yes" doc:"name of the gauge: letters, digits, - and _"`
	Keys
}

// Line is a line that was read without a mistake.
type Line struct {
	File
	Path     string
	Text     []byte
	features []feature
	gauges   []gauge
	radios   []place
	ports    []port
	dialects map[string]string // texts, by the names the file gives them
	told     map[any]bool      // mistakes, by where they stand
	walking  float64
}

type place struct {
	name  string
	at    [2]float64
	hears float64
	seats int
}

// feature is a feature in picometres, and as floats of micrometres from the
// nominal size for the statistics.
type feature struct {
	name                         string
	nominal                      decimal.Length
	limits                       zone.Limits
	step                         decimal.Length
	lower, upper                 float64
	mean, spread, wear, u, guard float64
	class                        string
	text                         string
}

// gauge is a gauge made ready.
type gauge struct {
	name, station, dialect string
	spoken                 any // where the dialect stands in the file
	at                     [2]float64
	feature, radio         int
	class                  link.Class
	rate                   quantity.Rate
	line                   *scenario.SerialLine
	spares, queue          int
	cell                   power.Config
	health                 float64 // 0 to 1
	every                  time.Duration
	// as measured on a scenario of the line
	frame, tagged int // bytes of a frame of the stream, and of a tag
	port          int
	named         bool // its dialect says which gauge a frame is from
}

var nameForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$`)

// Parse reads a line file. The error is of type strict.Errors and holds every
// mistake of the file.
func Parse(path string, text []byte, dialects scenario.Source) (*Line, error) {
	l := &Line{Path: path, Text: text}
	doc, _ := strict.Decode(path, text, &l.File)
	if doc.Err() == nil {
		l.build(doc)
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

// wrong tells of a mistake once, though all gauges share it.
func (l *Line) wrong(doc *strict.Doc, at any, want, format string, args ...any) {
	if !l.told[at] {
		l.told[at] = true
		doc.Errorf(at, want, format, args...)
	}
}

func (l *Line) build(doc *strict.Doc) {
	l.told = map[any]bool{}
	if l.Version != Version {
		doc.Errorf(&l.Version, "write understudy-line: 1", "this program reads version %d of the language of lines, not %d", Version, l.Version)
	}
	span := func(p *quantity.Duration, low, high time.Duration) {
		if p.D() < low || p.D() > high {
			doc.Errorf(p, fmt.Sprintf("write a time of %v to %v", low, high), "%v is no time for it", *p)
		}
	}
	span(&l.Shift, time.Minute, 24*time.Hour)
	span(&l.Takt, 2*time.Second, time.Hour)
	span(&l.Host.PerRecord, 0, time.Minute)
	share := func(p *quantity.Percent, low int64) {
		if p != nil && (p.Value.Cmp(decimal.New(low, 0)) < 0 || p.Value.Cmp(decimal.New(100, 0)) > 0) {
			l.wrong(doc, p, fmt.Sprintf("write %d %% to 100 %%", low), "%s is no share for it", p.Value)
		}
	}
	for _, p := range []*quantity.Percent{&l.Operators.Uneven, &l.Operators.Forgets, &l.Operators.DoubleTags, l.Operators.Cradles} {
		share(p, 0)
	}
	l.walking = 0.5
	if l.Motion != nil {
		if l.walking = metres(*l.Motion); l.walking < 0 || l.walking > 10 {
			doc.Errorf(l.Motion, "write 0 m to 10 m", "nobody moves a gauge by %s a second", l.Motion)
		}
	}
	for i := range l.Temperature {
		w := &l.Temperature[i]
		if i > 0 && w.At <= l.Temperature[i-1].At {
			doc.Errorf(&w.At, "write the times in order", "it is not after the one before")
		}
		if t := w.Is.Degrees.Float64(); t < power.Coldest || t > power.Hottest {
			doc.Errorf(&w.Is, "", "a cell works from %d °C to %d °C", power.Coldest, power.Hottest)
		}
	}
	for i := range l.Breaks {
		b := &l.Breaks[i]
		if b.For <= 0 || b.At+b.For > l.Shift {
			doc.Errorf(b, "let it end within the shift", "a break of %v at %v does not lie in a shift of %v", b.For, b.At, l.Shift)
		}
		if i > 0 && b.At < l.Breaks[i-1].At+l.Breaks[i-1].For {
			doc.Errorf(&b.At, "write the breaks in order", "it begins before the one before has ended")
		}
	}
	if l.Cradle != nil && (l.Cradle.MA.Sign() <= 0 || l.Cradle.MA.Cmp(decimal.New(5000, 0)) > 0) {
		doc.Errorf(l.Cradle, "write up to 5000 mA", "a cradle does not charge with %s mA", l.Cradle.MA)
	}
	for i := range l.Obstacles {
		if o := &l.Obstacles[i]; o.Loss.DB.Sign() < 0 || o.Loss.DB.Cmp(decimal.New(100, 0)) > 0 {
			doc.Errorf(&o.Loss, "write 0 dB to 100 dB", "no obstacle takes %s dB", o.Loss.DB)
		}
	}
	named := map[string]bool{}
	for i := range l.Features {
		f := &l.Features[i]
		if named[f.Name] {
			doc.Errorf(&f.Name, "give each feature its own name", "a second feature is called %q", f.Name)
		}
		named[f.Name] = true
		l.feature(doc, f)
	}
	named = map[string]bool{}
	for i := range l.Receivers {
		r := &l.Receivers[i]
		if named[r.Name] {
			doc.Errorf(&r.Name, "give each receiver its own name", "a second receiver is called %q", r.Name)
		}
		named[r.Name] = true
		if r.BetterBy.DB.Cmp(decimal.New(-10, 0)) < 0 || r.BetterBy.DB.Cmp(decimal.New(30, 0)) > 0 {
			doc.Errorf(&r.BetterBy, "write -10 dB to 30 dB", "no receiver hears %s dB better", r.BetterBy.DB)
		}
		seats := link.MaxActive
		if r.Places != nil {
			if seats = *r.Places; seats < 1 || seats > link.MaxActive {
				doc.Errorf(r.Places, fmt.Sprintf("write 1 to %d", link.MaxActive), "no radio talks to %d gauges at a time", seats)
			}
		}
		l.radios = append(l.radios, place{r.Name, r.At.metres(), r.BetterBy.DB.Float64(), seats})
	}
	for what, n := range map[string]int{"feature": len(l.Features), "receiver": len(l.Receivers), "station": len(l.Stations)} {
		if n == 0 {
			doc.Errorf(&l.Title, "", "the line has no %s", what)
		}
	}
	if doc.Err() != nil {
		return
	}
	l.tools(doc, span, share)
}

func (l *Line) feature(doc *strict.Doc, f *Feature) {
	out := feature{name: f.Name, step: decimal.Micrometre}
	unit := decimal.MM
	switch {
	case f.Size.Class.Letter != "":
		if f.Nominal != nil || f.Limits != nil {
			doc.Errorf(&f.Size, "leave one of them out", "a size with its class stands beside a nominal size or limits")
			return
		}
		lower, upper, err := f.Size.Class.Deviations(f.Size.Nominal.Picometres())
		if err != nil {
			doc.Errorf(&f.Size, "", "%v", err)
			return
		}
		out.nominal, out.class = f.Size.Nominal.Picometres(), f.Size.String()
		out.limits.Lower, out.limits.Upper = zone.At(out.nominal+lower), zone.At(out.nominal+upper)
	case f.Nominal != nil && f.Limits != nil && !f.Limits[0].None && !f.Limits[1].None:
		out.nominal, unit = f.Nominal.Picometres(), f.Nominal.Unit
		out.limits.Lower, out.limits.Upper = zone.At(f.Limits[0].Picometres()), zone.At(f.Limits[1].Picometres())
	default:
		doc.Errorf(&f.Name, "write size: 8 H8, or nominal: and both limits:", "%q has no tolerance", f.Name)
		return
	}
	low, high := out.limits.Lower.At, out.limits.Upper.At
	if f.Warn != nil {
		for i, to := range []*zone.Limit{&out.limits.WarnLower, &out.limits.WarnUpper} {
			if !f.Warn[i].None {
				*to = zone.At(f.Warn[i].Picometres())
			}
		}
	} else {
		eighth := (high - low) / 8
		out.limits.WarnLower, out.limits.WarnUpper = zone.At(low+eighth), zone.At(high-eighth)
	}
	if err := out.limits.Check(); err != nil || low >= high {
		doc.Errorf(f, "write the smaller limit first, and warning limits inside", "%q: its limits are not in order", f.Name)
	}
	if f.Resolution != nil {
		out.step = f.Resolution.Picometres()
	}
	for _, w := range []struct {
		q  *quantity.Length
		is decimal.Length
	}{{&f.Spread, f.Spread.Picometres()}, {&f.Uncertainty, f.Uncertainty.Picometres()}} {
		if w.is <= 0 || w.is > high-low {
			doc.Errorf(w.q, "write a width above zero and below the tolerance", "%s is no width for it", w.q)
		}
	}
	if out.step <= 0 || out.step > high-low {
		doc.Errorf(&f.Name, "write a resolution above zero and below the tolerance", "%q has no usable resolution", f.Name)
	}
	um := func(p decimal.Length) float64 { return float64(p) / float64(decimal.Micrometre) }
	out.lower, out.upper = um(low-out.nominal), um(high-out.nominal)
	out.mean = (out.lower+out.upper)/2 + um(f.MeanShift.Picometres())
	out.spread, out.wear, out.u = um(f.Spread.Picometres()), um(f.Wear.Picometres()), um(f.Uncertainty.Picometres())/2
	if l.Host.Guarded {
		if out.guard = 2 * out.u; 2*out.guard >= out.upper-out.lower {
			doc.Errorf(&f.Uncertainty, "measure better, or do not guard", "a guarded decision with U = %s leaves nothing of the tolerance of %q", f.Uncertainty, f.Name)
		}
	}
	show := func(p decimal.Length) string { v, _ := p.In(unit); return v.Trim().String() }
	out.text = fmt.Sprintf("%s %s to %s %s", f.Name, show(low), show(high), unit.Symbol())
	if out.class != "" {
		out.text += " (" + out.class + ")"
	}
	l.features = append(l.features, out)
}

// tools makes the gauges ready and gives each its receiver.
func (l *Line) tools(doc *strict.Doc, span func(*quantity.Duration, time.Duration, time.Duration), share func(*quantity.Percent, int64)) {
	seats := make([]int, len(l.radios))
	seen := map[string]bool{}
	var free []*Tool
	place := map[*Tool]int{}
	for i := range l.Stations {
		st := &l.Stations[i]
		if len(st.Gauges) == 0 {
			doc.Errorf(st, "", "the station %q has no gauge", st.Name)
		}
		every := l.Takt
		if st.Every != nil {
			span(st.Every, 2*time.Second, time.Hour)
			every = *st.Every
		}
		for j := range st.Gauges {
			t := &st.Gauges[j]
			switch {
			case !nameForm.MatchString(t.Name):
				doc.Errorf(&t.Name, "use letters, digits, - and _, at most 32", "%q cannot name a gauge, because its port is named after it", t.Name)
			case seen[t.Name]:
				doc.Errorf(&t.Name, "give each gauge its own name", "a second gauge is called %q", t.Name)
			}
			seen[t.Name] = true
			g, receiver := l.tool(doc, t, share)
			g.name, g.station, g.at, g.every = t.Name, st.Name, st.At.metres(), every.D()
			if receiver >= 0 && l.Receivers[receiver].SerialLine != nil && t.SerialLine != nil {
				doc.Errorf(t, "leave line: out here or there", "%s has a line of its own, but receiver %s hands all its gauges to one port", t.Name, l.radios[receiver].name)
			}
			if receiver >= 0 {
				g.radio = receiver
				if seats[receiver]++; seats[receiver] == l.radios[receiver].seats+1 {
					doc.Errorf(t, "give it to another receiver", "%s is one too many for receiver %s, which talks to %d at a time", t.Name, l.radios[receiver].name, l.radios[receiver].seats)
				}
			} else {
				free = append(free, t)
				place[t] = len(l.gauges)
			}
			l.gauges = append(l.gauges, g)
		}
	}
	for _, t := range free {
		g := &l.gauges[place[t]]
		g.radio = -1
		for r := range l.radios {
			if seats[r] < l.radios[r].seats && (g.radio < 0 || l.budget(g, r).Margin() > l.budget(g, g.radio).Margin()) {
				g.radio = r
			}
		}
		if g.radio < 0 {
			doc.Errorf(t, "add a receiver", "%s has no receiver: all %d seats of the line's receivers are taken", t.Name, l.seats())
			return
		}
		seats[g.radio]++
	}
	if doc.Err() != nil {
		return
	}
	i := 0
	for s := range l.Stations {
		st := &l.Stations[s]
		for range st.Gauges {
			g := &l.gauges[i]
			i++
			b := l.budget(g, g.radio)
			if b.Metres > 1000 {
				doc.Errorf(&st.At, "write places no more than 1000 m apart", "%s stands %.0f m from its receiver %s", g.name, b.Metres, l.radios[g.radio].name)
			} else if err := b.Validate(); err != nil {
				doc.Errorf(&st.At, "", "%s: %s", g.name, strings.ReplaceAll(err.Error(), "\n", "; "))
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
func (l *Line) tool(doc *strict.Doc, t *Tool, share func(*quantity.Percent, int64)) (g gauge, receiver int) {
	e := &l.Each
	g.dialect = cmp.Or(t.Dialect, e.Dialect, "line-ascii")
	switch {
	case t.Dialect != "":
		g.spoken = &t.Dialect
	case e.Dialect != "":
		g.spoken = &e.Dialect
	default:
		g.spoken = t
	}
	name := cmp.Or(t.Feature, e.Feature, l.features[0].name)
	g.feature = -1
	var names []string
	for i, f := range l.features {
		names = append(names, f.name)
		if f.name == name {
			g.feature = i
		}
	}
	unknown := func(at any, what, name string, names []string) {
		want := what + "s are " + strings.Join(names, ", ")
		if near := strict.Nearest(name, names); near != "" {
			want = fmt.Sprintf("did you mean %q?", near)
		}
		doc.Errorf(at, want, "there is no %s %q", what, name)
	}
	if g.feature < 0 {
		g.feature = 0
		unknown(t, "feature", name, names)
	}
	wrong := func(at any, want, format string, args ...any) { l.wrong(doc, at, want, format, args...) }
	class := &t.Class
	if *class == 0 {
		class = &e.Class
	}
	switch {
	case *class == 0:
		g.class = link.Class2
	case *class < 1 || *class > 3:
		wrong(class, "write 1, 2 or 3", "there is no power class %d", *class)
	default:
		g.class = link.Class(*class)
	}
	g.rate = quantity.Rate{Hz: decimal.New(10, 0)}
	if r := cmp.Or(t.Rate, e.Rate); r != nil {
		if g.rate = *r; r.Hz.Cmp(decimal.New(1000, 0)) > 0 || r.Hz.Cmp(decimal.New(1, -1)) < 0 {
			wrong(r, "write 0.1 Hz to 1000 Hz", "no radio gauge streams at %s", r)
		}
	}
	g.line = cmp.Or(t.SerialLine, e.SerialLine)
	for _, n := range []struct {
		p  *int
		to *int
	}{{cmp.Or(t.Spares, e.Spares), &g.spares}, {cmp.Or(t.Queue, e.Queue), &g.queue}} {
		if n.p != nil {
			if *n.to = *n.p; *n.p < 0 || *n.p > 100 {
				wrong(n.p, "write 0 to 100", "%d is no number of spares or of tags that wait", *n.p)
			}
		}
	}
	charge, health := cmp.Or(t.Charge, e.Charge), cmp.Or(t.Health, e.Health)
	share(charge, 1)
	share(health, 20)
	g.health = percent(health, 1)
	g.cell = power.Config{Capacity: 850, Charge: 100 * percent(charge, 1)}
	var cell any = t
	if c := cmp.Or(t.Capacity, e.Capacity); c != nil {
		g.cell.Capacity = c.MAh.Float64()
		cell = c
	}
	if c := cmp.Or(t.Chemistry, e.Chemistry); c != nil {
		g.cell.Chemistry = *c
	}
	if _, err := power.New(g.cell); err != nil {
		wrong(cell, "", "%s: %v", t.Name, err)
	}
	receiver = -1
	if want := cmp.Or(t.Receiver, e.Receiver); want != "" {
		names = nil
		for i, r := range l.radios {
			names = append(names, r.name)
			if r.name == want {
				receiver = i
			}
		}
		if receiver < 0 {
			unknown(t, "receiver", want, names)
		}
	}
	return g, receiver
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
			b.Walls += o.Loss.DB.Float64()
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
