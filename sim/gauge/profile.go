package gauge

import (
	"fmt"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/zone"
)

// MaxChannels is the most channels one gauge may have.
const MaxChannels = 32

// Sense is how the reading moves as the tip is pressed into its stroke.
type Sense uint8

// Senses: a 10 mm stroke reads 0 → 10 rising and 10 → 0 falling when pressed
// (common practice, no source).
const (
	Rising Sense = iota
	Falling
)

// Function is what the gauge reports of a channel.
type Function uint8

// Functions. Max, Min and FIM (full indicator movement, ASME Y14.5: max minus
// min) run since they were last cleared.
const (
	Live Function = iota
	Max
	Min
	FIM
)

// Action is what a button does.
type Action uint8

// Actions of a button.
const (
	NoAction Action = iota
	TagAction
	ZeroAction
	PresetAction
	FunctionAction // next function
	ClearAction    // clear max and min
	StreamAction   // stream on or off
)

// Show is the condition a lamp shows.
type Show uint8

// Conditions.
const (
	ShowZone Show = iota
	ShowStream
	ShowLink
	ShowCell
	ShowProbe
)

// Void says why a reading is not a number.
type Void uint8

// Reasons. Valid is a reading that is a number.
const (
	Valid   Void = iota
	Under        // the tip hangs free, below its stroke
	Over         // the tip is pressed beyond its stroke
	Missing      // no probe answers
	Empty        // max, min or fim with nothing measured since it was cleared
)

// names gives each small enumeration its words and text form.
type names []string

func (n names) text(v uint8) string {
	if int(v) < len(n) {
		return n[v]
	}
	return "?"
}

func (n names) parse(b []byte, what string, to *uint8) error {
	for i, w := range n {
		if w == string(b) {
			*to = uint8(i)
			return nil
		}
	}
	return fmt.Errorf("%q is not %s; write one of %s", b, what, strings.Join(n, ", "))
}

var (
	senseNames    = names{"rising", "falling"}
	functionNames = names{"live", "max", "min", "fim"}
	actionNames   = names{"none", "tag", "zero", "preset", "next-function", "clear", "stream"}
	showNames     = names{"zone", "stream", "link", "cell", "probe"}
	voidNames     = names{"", "under", "over", "missing", "empty"}
)

func (s Sense) String() string    { return senseNames.text(uint8(s)) }
func (f Function) String() string { return functionNames.text(uint8(f)) }
func (a Action) String() string   { return actionNames.text(uint8(a)) }
func (s Show) String() string     { return showNames.text(uint8(s)) }
func (v Void) String() string     { return voidNames.text(uint8(v)) }

// Names lists the words, for schemas and suggestions.
func (Sense) Names() []string    { return senseNames }
func (Function) Names() []string { return functionNames }
func (Action) Names() []string   { return actionNames }
func (Show) Names() []string     { return showNames }

// MarshalText writes the word.
func (s Sense) MarshalText() ([]byte, error)    { return []byte(s.String()), nil }
func (f Function) MarshalText() ([]byte, error) { return []byte(f.String()), nil }
func (a Action) MarshalText() ([]byte, error)   { return []byte(a.String()), nil }
func (s Show) MarshalText() ([]byte, error)     { return []byte(s.String()), nil }

// UnmarshalText reads the word.
func (s *Sense) UnmarshalText(b []byte) error { return senseNames.parse(b, "a sense", (*uint8)(s)) }
func (f *Function) UnmarshalText(b []byte) error {
	return functionNames.parse(b, "a function", (*uint8)(f))
}
func (a *Action) UnmarshalText(b []byte) error {
	return actionNames.parse(b, "a button's action", (*uint8)(a))
}
func (s *Show) UnmarshalText(b []byte) error {
	return showNames.parse(b, "a lamp's condition", (*uint8)(s))
}

// Profile is what a gauge is: its channels, buttons, lamps and how they are
// set at the start. It does not change while the gauge runs.
type Profile struct {
	Name, Serial string
	Firmware     string // version, as the gauge names itself
	Channels     []Channel
	Rate         quantity.Rate // samples, and streamed readings, a second
	Streaming    bool          // streams from the start
	Tags         Tags
	Buttons      [2]Button
	Lamps        []Lamp
	Buzzer       bool // on at the start
}

// Channel is one measuring channel as it is set at the start.
type Channel struct {
	Name   string
	Stroke decimal.Length // the tip's travel
	Settings
}

// Settings are the settings of a channel, which the host may change.
type Settings struct {
	Sense      Sense
	Factor     decimal.Decimal // the gauge multiplies the tip's travel by it
	Preset     decimal.Length  // size of the master a preset sets to
	Unit       decimal.Unit
	Resolution decimal.Decimal // step of the reading, in Unit
	Rounding   decimal.Rounding
	Function   Function
	Limits     zone.Limits
	Rule       zone.Rule
}

// Tags says how tagged readings are numbered and sent again.
type Tags struct {
	First, Last int64 // after Last comes First
	// Repeat is the time after which a tag the host has not acknowledged is
	// sent again; 0 sends each tag once. Tries bounds how often it is sent.
	Repeat time.Duration
	Tries  int
}

// Button is what a button does when it is pressed, and, with Long, when it is
// held for LongAfter: the short action then waits for the release.
type Button struct {
	Press, Long Action
	LongAfter   time.Duration
}

// Lamp is a lamp and what it shows.
type Lamp struct {
	Name  string
	Shows Show
}

// Check reports the first thing wrong with a profile.
func (p *Profile) Check() error {
	switch {
	case len(p.Channels) == 0:
		return fmt.Errorf("a gauge has at least one channel")
	case len(p.Channels) > MaxChannels:
		return fmt.Errorf("%d channels are more than the %d a gauge may have", len(p.Channels), MaxChannels)
	case p.Rate.IsZero():
		return fmt.Errorf("the rate is missing")
	case p.Tags.First > p.Tags.Last || p.Tags.First < 0:
		return fmt.Errorf("tag numbers run from %d to %d; write the smaller first", p.Tags.First, p.Tags.Last)
	case p.Tags.Repeat < 0 || p.Tags.Repeat > 0 && p.Tags.Tries < 1:
		return fmt.Errorf("a tag that is repeated is sent at least once")
	}
	for i := range p.Channels {
		c := &p.Channels[i]
		if err := c.check(); err != nil {
			return fmt.Errorf("channel %s: %w", c.Name, err)
		}
	}
	return nil
}

func (c *Channel) check() error {
	if c.Stroke <= 0 {
		return fmt.Errorf("the stroke is missing")
	}
	if c.Factor.IsZero() {
		return fmt.Errorf("a factor of 0 measures nothing")
	}
	if _, err := stepOf(c.Resolution, c.Unit); err != nil {
		return err
	}
	return c.Limits.Check()
}

// stepOf is the resolution in picometres.
func stepOf(resolution decimal.Decimal, u decimal.Unit) (decimal.Length, error) {
	l, ok := decimal.Exactly(resolution, u)
	if !ok || l <= 0 {
		return 0, fmt.Errorf("a resolution of %s %s is not a whole number of picometres above zero", resolution, u)
	}
	return l, nil
}

// ResolutionIn is the resolution a gauge takes up in another unit: the
// coarsest of 1, 2 or 5 × 10ⁿ in the new unit that is not coarser than the
// length step. So 0.001 mm becomes 0.00002 in.
func ResolutionIn(step decimal.Length, u decimal.Unit) decimal.Decimal {
	for exp := 6; exp >= -10; exp-- {
		for _, m := range []int64{5, 2, 1} {
			r := decimal.New(m, exp)
			if l, ok := decimal.Exactly(r, u); ok && l <= step && l > 0 {
				return r
			}
		}
	}
	return decimal.New(int64(step), 0).Quo(decimal.New(int64(u.Size()), 0), -10, decimal.HalfEven)
}
