// Package scenario is the scenario file: what is written in it, what is wrong
// with it, and what it means for the stage.
//
// A scenario is one YAML document. Quantities carry their units in the text
// and are checked; unknown keys are errors that suggest the nearest one; every
// mistake is reported at its line and column, all at once.
package scenario

import (
	"regexp"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/wire"
	"example.org/understudy/sim/zone"
)

// Source finds a dialect by its name or path, as written in a scenario. file
// is how errors call it.
type Source func(name string) (file string, text []byte, err error)

// Scenario is a scenario that was read without a mistake.
type Scenario struct {
	File
	Path string
	Text []byte // as it was read
	Play stage.Play
	// Dialects holds the text of each gauge's dialect, by the name the
	// scenario gives it.
	Dialects map[string]Dialect
	limits   [][]zone.Limits
	units    [][]decimal.Unit // the limits are written in
	expected [][2]int         // gauge and channel of each expectation
	doc      *strict.Doc
}

// Dialect is a dialect file as it was found.
type Dialect struct {
	File string
	Text []byte
	*wire.Dialect
}

// Limits returns the limits the part has at a channel of a gauge.
func (s *Scenario) Limits(g, ch int) zone.Limits { return s.limits[g][ch] }

// LimitUnit returns the unit the limits of a channel are written in.
func (s *Scenario) LimitUnit(g, ch int) decimal.Unit { return s.units[g][ch] }

// Line returns how the serial line of a gauge is set, such as "9600 8N1".
func (s *Scenario) Line(g int) string {
	return s.Play.Cast[g].Line.String()
}

// Expected returns the gauge and the channel an expectation is about.
func (s *Scenario) Expected(i int) (g, ch int) { return s.expected[i][0], s.expected[i][1] }

// GaugeIndex finds a gauge of the scenario by its name; −1 when there is none.
func (s *Scenario) GaugeIndex(name string) int {
	for i := range s.Gauges {
		if s.Gauges[i].Name == name {
			return i
		}
	}
	return -1
}

// At returns where a part of the file stands, given a pointer to it.
func (s *Scenario) At(part any) strict.Pos { return s.doc.At(part) }

// Rule returns how the host compares values with limits.
func (s *Scenario) Rule() zone.Rule {
	r := zone.Rule{Decide: s.Host.Decide, Strict: s.Host.LimitsAre == "strict"}
	if s.Host.Uncertainty != nil {
		r.U, r.Guard, r.Unproven = s.Host.Uncertainty.Picometres(), s.Host.Uncertainty.Picometres(), s.Host.WithinGuard == "unproven"
		if s.Host.GuardBand != nil {
			r.Guard = s.Host.GuardBand.Of(r.U)
		}
	}
	return r
}

// HostStep returns the unit the host records in, the first channel's where none is
// stated, and the step of a channel in it.
func (s *Scenario) HostStep(g, ch int) (decimal.Unit, decimal.Decimal) {
	unit := s.Play.Cast[0].Profile.Channels[0].Unit
	if s.Host.Unit != nil {
		unit = s.Host.Unit.Unit
	}
	set := s.Play.Cast[g].Profile.Channels[ch].Settings
	res := set.Resolution
	if set.Unit != unit {
		step, _ := decimal.Exactly(res, set.Unit)
		res = gauge.ResolutionIn(step, unit)
	}
	if s.Host.Resolution != nil {
		res, _ = s.Host.Resolution.Picometres().In(unit)
		if s.Host.Resolution.Unit == unit {
			res = s.Host.Resolution.Num
		}
	}
	return unit, res
}

// Parse reads a scenario. The error is of type strict.Errors and holds every
// mistake of the file.
func Parse(path string, text []byte, dialects Source) (*Scenario, error) {
	s := &Scenario{Path: path, Text: text, Dialects: map[string]Dialect{}}
	doc, _ := strict.Decode(path, text, &s.File)
	s.doc = doc
	l := loader{Scenario: s, doc: doc}
	if doc.Err() == nil {
		l.build(dialects)
	}
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return s, nil
}

type loader struct {
	*Scenario
	doc  *strict.Doc
	work Part // the part, with the limits of its tolerance class worked out
}

var nameForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$`)

func (l *loader) build(dialects Source) {
	if l.Understudy != Version {
		l.doc.Errorf(&l.Understudy, "write understudy: 1", "this program reads version %d of the scenario language, not %d", Version, l.Understudy)
	}
	if len(l.Gauges) == 0 {
		l.doc.Errorf(&l.Gauges, "write at least one", "a scenario has gauges")
	}
	l.work = l.Part
	if size := l.Part.Size; size != nil {
		if l.Part.Nominal != nil || l.Part.Limits != nil {
			l.doc.Errorf(size, "leave one of them out", "a size with its class stands beside a nominal size or limits")
		}
		l.work.Nominal, l.work.Limits = &size.Nominal, size.limits()
	}
	if err := part(l.work.Limits, l.work.Warn).Check(); err != nil {
		l.doc.Errorf(&l.Part, "write the smaller limit first, and warning limits inside", "%v", err)
	}
	if l.Host.Resolution != nil {
		if l.Host.Resolution.Picometres() <= 0 {
			l.doc.Errorf(&l.Host.Resolution, "write a step above zero", "a resolution of %s rounds to nothing", l.Host.Resolution)
		} else if u := l.Host.Unit; u != nil && l.Host.Resolution.Unit != u.Unit {
			if _, exact := l.Host.Resolution.Picometres().In(u.Unit); !exact {
				l.doc.Errorf(&l.Host.Resolution, "write it in "+u.Symbol(), "%s cannot be written in %s exactly", l.Host.Resolution, u.Symbol())
			}
		}
	}
	if u := l.Host.Uncertainty; u != nil && u.Picometres() < 0 {
		l.doc.Errorf(&l.Host.Uncertainty, "write U as a width", "an expanded uncertainty is not negative")
	}
	if l.Host.Uncertainty == nil && (l.Host.GuardBand != nil || l.Host.WithinGuard == "unproven") {
		l.doc.Errorf(&l.Host, "write uncertainty: too", "a guard band is a share of an expanded uncertainty, and none is stated")
	}
	if d := l.Host.AtPort.Reads; d < 0 || d != 0 && d.D() < 20*time.Millisecond {
		l.doc.Errorf(&l.Host.AtPort, "write a time from 20 ms on", "how long bytes waited is not known to within %s", d)
	}
	seen := map[string]bool{}
	for i := range l.Gauges {
		g := &l.Gauges[i]
		if !nameForm.MatchString(g.Name) {
			l.doc.Errorf(&g.Name, "use letters, digits, - and _, at most 32", "%q cannot name a gauge, because its port is named after it", g.Name)
		}
		if seen[g.Name] {
			l.doc.Errorf(&g.Name, "give each gauge its own name", "a second gauge is called %q", g.Name)
		}
		seen[g.Name] = true
		l.overlay(g, dialects)
		model := g.Profile
		l.member(g.Name, g.Serial, model, g, &g.GaugeKeys, dialects)
	}
	if l.doc.Err() != nil {
		return
	}
	l.Play.Title, l.Play.File, l.Play.Seed, l.Play.ReadsWithin = l.Title, l.Path, l.Seed, l.Host.AtPort.Reads.D()
	for _, stated := range []*Level{l.Host.AtPort.DTR, l.Host.AtPort.RTS} {
		l.Play.Raises = l.Play.Raises || stated != nil && *stated == LevelOn
	}
	l.cues()
	l.chapters()
	l.writes()
	l.expectations()
}

// Schema returns the JSON Schema of scenario files.
func Schema() []byte { return strict.Schema("understudy scenario", File{}) }
