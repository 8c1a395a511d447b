package gauge

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/enum"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/zone"
)

// MaxChannels is the most channels one gauge may have.
const MaxChannels = 32

// Sense is how the reading moves as the tip is pressed into its stroke.
type Sense = enum.Of[senses]

// Senses: a 10 mm stroke reads 0 → 10 rising and 10 → 0 falling when pressed
// (common practice, no source).
const (
	Rising Sense = iota
	Falling
)

// Function is what the gauge reports of a channel.
type Function = enum.Of[functions]

// Functions. Max, Min and FIM (full indicator movement, ASME Y14.5: max minus
// min) run since they were last cleared.
const (
	Live Function = iota
	Max
	Min
	FIM
)

// Action is what a button does.
type Action = enum.Of[actions]

// Actions of a button.
const (
	NoAction Action = iota
	TagAction
	ZeroAction
	PresetAction
	FunctionAction // next function
	ClearAction    // clear max and min
	StreamAction   // stream on or off
	PowerAction    // off; and on again, when the gauge is off
)

// Show is the condition a lamp shows.
type Show = enum.Of[shows]

// Conditions.
const (
	ShowZone Show = iota
	ShowStream
	ShowLink
	ShowCell
	ShowProbe
)

// Void says why a reading is not a number.
type Void = enum.Of[voids]

// Reasons. Valid is a reading that is a number.
const (
	Valid   Void = iota
	Under        // the tip hangs free, below its stroke
	Over         // the tip is pressed beyond its stroke
	Missing      // no probe answers
	Empty        // max, min or fim with nothing measured since it was cleared
)

// The words of each enumeration.
type (
	senses    struct{}
	functions struct{}
	actions   struct{}
	shows     struct{}
	voids     struct{}
)

var (
	senseNames    = []string{"rising", "falling"}
	functionNames = []string{"live", "max", "min", "fim"}
	actionNames   = []string{"none", "tag", "zero", "preset", "next-function", "clear", "stream", "power"}
	showNames     = []string{"zone", "stream", "link", "cell", "probe"}
	voidNames     = []string{"", "under", "over", "missing", "empty"}
)

func (senses) Names() []string    { return senseNames }
func (senses) What() string       { return "a sense" }
func (functions) Names() []string { return functionNames }
func (functions) What() string    { return "a function" }
func (actions) Names() []string   { return actionNames }
func (actions) What() string      { return "a button's action" }
func (shows) Names() []string     { return showNames }
func (shows) What() string        { return "a lamp's condition" }
func (voids) Names() []string     { return voidNames }
func (voids) What() string        { return "a reason for no reading" }

// Profile is what a gauge is: its channels, buttons, lamps and how they are
// set at the start. It does not change while the gauge runs.
type Profile struct {
	Name, Serial string
	Model        string // what kind of gauge it is; settings move between gauges of one model
	Firmware     string // version, as the gauge names itself
	Channels     []Channel
	Chain        Chain
	Common       // settings of the gauge as a whole, as they are at the start
	// Scan is the time from reading one channel to reading the next; 0 reads
	// all at once. The last channel is read at the time of the sample.
	Scan time.Duration
	// MasterEvery is how long after it was set on a master the gauge says that it is to
	// be set again; 0: never.
	MasterEvery time.Duration
	// Sampling is how often the probes are read besides each time that readings are
	// streamed; max, min and means work on all of these samples. 0: only as streamed.
	Sampling quantity.Rate
	// Phase is when the first sample falls. Gauges that were not switched on at one
	// moment do not sample together.
	Phase    time.Duration
	Tags     Tags
	Buttons  [2]Button
	Together Action        // of both buttons, the second within ChordTime of the first
	Debounce time.Duration // after a button has moved it is not looked at for this long
	Pedal    Action        // of the foot pedal, a digital input, when it goes down
	Lamps    []Lamp
	Buzzes   map[string]Rhythm // by event; DefaultBuzzes when nil
	Display  Display
	Power    Power
	PassCode string // opens locked settings; without one they cannot be locked
	// AfterFrame lets a setting written while the gauge streams take effect
	// right after the next streamed frame instead of at once: the frame in
	// flight, which the rhythm has already begun, is still made the old way.
	AfterFrame bool
	// Forgets names the settings that are lost when the gauge goes off; those
	// the table of settings calls volatile when nil.
	Forgets []string
}

// Common are the settings of a gauge as a whole.
type Common struct {
	Rate      quantity.Rate // samples a second
	Streaming bool          // readings are sent on their own
	OnChange  bool          // only when one has moved beyond its dead band
	IdleOff   time.Duration // the gauge goes off after this time without activity; 0: never
	Buzzer    bool          // on
	Locked    bool
	Facing    int // channel the display shows
	// What the frames carry, where the dialect has the field.
	WithNumber, WithKeys, WithTail, WithLead bool
}

// Channel is one channel as it is set at the start: a measuring channel with a
// probe, or, with Calc, a computed one.
type Channel struct {
	Name   string
	Stroke decimal.Length // the tip's travel; of a computed channel 0
	Calc   *Calc          // nil: a probe's
	Settings
}

// Settings are the settings of a channel, which the host may change.
type Settings struct {
	Sense      Sense
	Factor     decimal.Decimal // multiplies the tip's travel
	Preset     decimal.Length  // size of the master a preset sets to
	Unit       decimal.Unit
	Resolution decimal.Decimal // step of the reading, in Unit
	Rounding   decimal.Rounding
	Function   Function
	Limits     zone.Limits
	Rule       zone.Rule
	Average    int            // samples of the moving mean; 0 and 1 are none
	DeadBand   decimal.Length // of a stream on change
}

// Chain is where gauges differ in the order of the measuring chain.
type Chain struct {
	// FactorLast multiplies after the datum was added, and not before it.
	FactorLast bool
	// RawMemory keeps max and min of the samples, and not of their moving mean.
	RawMemory bool
}

// Tags says how tagged readings are numbered and sent again.
type Tags struct {
	First, Last int64 // after Last comes First
	// Repeat is the time after which a tag the host has not acknowledged is
	// sent again; 0 sends each tag once. Tries bounds how often it is sent.
	Repeat time.Duration
	Tries  int
	// Queue is how many tags wait for a link that is lost; a further one, and
	// every one when it is 0, goes out into the lost link and is lost.
	Queue int
	// Takes is the reading that a tag takes. Within and For say when a tip is still.
	Takes  Takes
	Within decimal.Length
	For    time.Duration
}

// Takes is which reading a tag takes.
type Takes = enum.Of[takes]

// What a tag takes.
const (
	Fresh     Takes = iota // a conversion at the press
	Last                   // the last sample; datums are set from it too
	Next                   // the next sample
	WhenStill              // the first sample when every tip is still
)

type takes struct{}

func (takes) Names() []string { return []string{"fresh", "last", "next", "still"} }
func (takes) What() string    { return "what a tag takes" }

// Button is what a button does when it is pressed; with Long, when it is held
// for LongAfter; with Double, when it is pressed again within DoubleWithin of
// its release. Where an action has to wait to see which it is, it waits.
type Button struct {
	Press, Long, Double     Action
	LongAfter, DoubleWithin time.Duration
}

// ChordTime is how far apart two buttons may go down and still be together.
const ChordTime = 150 * time.Millisecond

// Power says how a gauge goes off and comes on.
type Power struct {
	StartUp time.Duration // from being switched on to the first sample and the banner
	// Stir is how far a tip must move to count as activity; 0: it never does.
	// A button, the pedal and a command of the host always count.
	Stir decimal.Length
}

// Rhythm is the times of being on and off in turn, the first one on. A lamp
// repeats it, a buzzer does not; a lamp without one is steady.
type Rhythm []time.Duration

func (r Rhythm) String() string {
	if len(r) == 0 {
		return "steady"
	}
	words := make([]string, len(r))
	for i, d := range r {
		words[i] = fmt.Sprintf("%s %s", d, [...]string{"on", "off"}[i%2])
	}
	return strings.Join(words, " ")
}

// Lamp is a lamp, what it shows, and how it looks in each state of that. A
// state without a look is dark.
type Lamp struct {
	Name  string
	Shows Show
	Looks map[string]Look
}

// Look is a colour and a rhythm.
type Look struct {
	Colour string
	Rhythm Rhythm
}

// LampStates lists the states a condition has.
func LampStates(s Show) []string {
	return map[Show][]string{
		ShowZone: zone.Zone(0).Names(), ShowStream: {"streaming", "still"}, ShowLink: {"up", "lost"}, ShowCell: {"good", "low"}, ShowProbe: {"good", "fault"},
	}[s]
}

// BuzzEvents lists what the buzzer can sound for.
func BuzzEvents() []string {
	return append([]string{"tag", "datum", "refused", "switched-on", "switched-off", "low", "lost", "up"}, zone.Zone(0).Names()...)
}

// DefaultBuzzes are the buzzer's patterns of a profile that has none.
func DefaultBuzzes() map[string]Rhythm {
	const beep = 80 * time.Millisecond
	return map[string]Rhythm{"tag": {beep}, "refused": {beep, beep, beep}}
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
	case p.Sampling.Hz.Cmp(MaxRate) > 0:
		return fmt.Errorf("a sampling of %s is above the 10 kHz a gauge can do", p.Sampling)
	case p.Tags.First > p.Tags.Last || p.Tags.First < 0:
		return fmt.Errorf("tag numbers run from %d to %d; write the smaller first", p.Tags.First, p.Tags.Last)
	case p.Tags.Repeat < 0 || p.Tags.Repeat > 0 && p.Tags.Tries < 1:
		return fmt.Errorf("a tag that is repeated is sent at least once")
	case p.Tags.Queue < 0:
		return fmt.Errorf("a queue of %d tags holds none", p.Tags.Queue)
	case p.Tags.Within < 0 || p.Tags.For < 0 || p.Tags.Takes == WhenStill && (p.Tags.Within == 0 || p.Tags.For == 0):
		return fmt.Errorf("a tag that waits for a still tip says within what length and for how long it is still")
	case p.Locked && p.PassCode == "":
		return fmt.Errorf("settings that are locked need a pass-code")
	case p.Facing < 0 || p.Facing >= len(p.Channels):
		return fmt.Errorf("the display shows channel %d of %d", p.Facing+1, len(p.Channels))
	case p.Debounce < 0 || p.Scan < 0 || p.MasterEvery < 0 || p.Phase < 0 || p.IdleOff < 0 || p.Power.StartUp < 0 || p.Power.Stir < 0:
		return fmt.Errorf("times and distances are not negative")
	}
	for i := range p.Channels {
		c := &p.Channels[i]
		if err := c.check(i); err != nil {
			return fmt.Errorf("channel %s: %w", c.Name, err)
		}
	}
	for _, l := range p.Lamps {
		if err := known("a lamp that shows the "+l.Shows.String(), l.Looks, LampStates(l.Shows)); err != nil {
			return fmt.Errorf("lamp %s: %w", l.Name, err)
		}
	}
	if err := known("the buzzer", p.Buzzes, BuzzEvents()); err != nil {
		return err
	}
	for _, n := range p.Forgets {
		if s, ok := table[n]; !ok || s.Own && n != "tag-next" {
			return fmt.Errorf("%q is no setting that can be forgotten", n)
		}
	}
	return p.Display.check()
}

// earlier has what words of before are called now, by where they stand. Many tools
// read the keys on and off as yes and no.
var earlier = map[string][]string{"in": {"inside"}, "on": {"streaming", "switched-on"}, "off": {"still", "switched-off"}}

// known checks the keys of a map.
func known[V any](what string, m map[string]V, keys []string) error {
	for k := range m {
		if !slices.Contains(keys, k) {
			for _, now := range earlier[k] {
				if slices.Contains(keys, now) {
					return fmt.Errorf("%s: %q is called %q now; write %s", what, k, now, now)
				}
			}
			return fmt.Errorf("%s knows no %q; it knows %s", what, k, strings.Join(keys, ", "))
		}
	}
	return nil
}

func (c *Channel) check(i int) error {
	if c.Calc != nil {
		if err := c.Calc.check(i); err != nil {
			return err
		}
	} else if c.Stroke <= 0 {
		return fmt.Errorf("the stroke is missing")
	}
	if c.Factor.IsZero() {
		return fmt.Errorf("a factor of 0 measures nothing")
	}
	if c.Average < 0 || c.Average > MaxAverage {
		return fmt.Errorf("a mean of %d samples is not among 1 to %d", c.Average, MaxAverage)
	}
	if _, err := stepOf(c.Resolution, c.Unit); err != nil {
		return err
	}
	return c.Limits.Check()
}

// MaxAverage is the most samples of a moving mean.
const MaxAverage = 64

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
