package scenario

import (
	"fmt"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/uart"
	"example.org/understudy/sim/zone"
)

// Version is the version of the scenario language, written as "understudy: 1".
const Version = 1

// File is a scenario as it is written.
type File struct {
	Understudy int       `yaml:"understudy" need:"yes" doc:"version of the scenario language: 1"`
	Title      string    `yaml:"title" need:"yes" doc:"one line that says what happens"`
	Notice     string    `yaml:"notice" doc:"what the viewer should notice"`
	Seed       uint64    `yaml:"seed" doc:"random seed"`
	Part       Part      `yaml:"part" doc:"the feature that is measured, and its limits"`
	Host       Host      `yaml:"host" doc:"how the host is to record and judge"`
	Gauges     []Gauge   `yaml:"gauges" need:"yes" doc:"the gauges"`
	Cues       []Cue     `yaml:"cues" doc:"what happens when"`
	Until      *Until    `yaml:"until" doc:"when the timeline ends (default: 1 s after the last cue)"`
	Expect     []Expect  `yaml:"expect" doc:"what must be true when the scenario plays; lint checks it"`
	Aim        string    `yaml:"aim" doc:"of a lesson: what a class can tell after it"`
	Chapters   []Chapter `yaml:"chapters" doc:"what a trainer says and asks while it plays, in the order of their times"`
	Figures    []Figure  `yaml:"figures" doc:"numbers of notice and chapters that stand nowhere else in the file; lint demands one for each"`
}

// Chapter is a part of a lesson.
type Chapter struct {
	At     quantity.Duration  `yaml:"at" need:"yes" doc:"when it begins"`
	Title  string             `yaml:"title" need:"yes" doc:"a few words"`
	Say    string             `yaml:"say" need:"yes" doc:"a sentence or two to say"`
	Ask    string             `yaml:"ask" doc:"a question to ask"`
	AskAt  *quantity.Duration `yaml:"ask-at" doc:"when it is asked, and understudy teach stops (default: when the chapter begins)"`
	Answer string             `yaml:"answer" doc:"its answer"`
}

// Until is a time; it has its own type so that "left out" differs from 0 s.
type Until = quantity.Duration

// Part is the feature that is measured.
type Part struct {
	Feature string           `yaml:"feature" doc:"name of the feature, in words"`
	Size    *Size            `yaml:"size" doc:"nominal size in mm and tolerance class of ISO 286-1, such as 8 H7 or 25 j6; instead of nominal and limits"`
	Nominal *quantity.Length `yaml:"nominal" doc:"nominal size"`
	Limits  *Pair            `yaml:"limits" doc:"lower and upper specification limit; none for an absent one"`
	Warn    *Pair            `yaml:"warn" doc:"lower and upper warning limit; none for an absent one"`
}

// Pair is a lower and an upper limit.
type Pair [2]Bound

// Bound is a length, or none.
type Bound = Or[quantity.Length, none]

// Limit is a bound as a limit.
func Limit(b Bound) zone.Limit {
	if b.Word {
		return zone.Limit{}
	}
	return zone.At(b.Of.Picometres())
}

// Host is what the scenario asks of the host.
type Host struct {
	Unit        *Unit            `yaml:"unit" doc:"unit the host records in (default: the gauge's)"`
	Resolution  *quantity.Length `yaml:"resolution" doc:"step the host rounds to (default: the gauge's)"`
	Rounding    decimal.Rounding `yaml:"rounding" doc:"how the host rounds: half-even (default), half-up, truncate, half-down or half-to-plus"`
	Decide      zone.Decide      `yaml:"decide" doc:"which value is compared with the limits: displayed (default) or unrounded"`
	LimitsAre   string           `yaml:"limits-are" one:"inclusive strict" doc:"inclusive (a value equal to a limit conforms, the default) or strict"`
	Uncertainty *quantity.Length `yaml:"uncertainty" doc:"expanded uncertainty U of a guarded decision (default: a simple decision)"`
	GuardBand   *GuardBand       `yaml:"guard-band" doc:"how far a guarded decision moves the specification limits inwards: a share of U such as 50 % (ASME B89.7.3.1 has the parties state it), or as an edition has it: ISO 14253-1:1998 or ISO 14253-1:2013 (U, the default), ISO 14253-1:2017 (0.8225 U, which is 1.645 standard uncertainties: 95 %); none of these documents could be opened"`
	WithinGuard string           `yaml:"within-guard" one:"rejected unproven" doc:"what a value within the guard band is, to either side of a specification limit: rejected (what is not accepted, the default) or unproven (a zone of its own: neither conformity nor nonconformity is proven)"`
	Keeps       string           `yaml:"keeps" one:"tagged all" doc:"tagged (only tagged readings are recorded, the default) or all"`
	AtPort      AtPort           `yaml:"at-port" was:"line" doc:"how the host is to behave at its port; what is not stated is not judged"`
	Writes      []Write          `yaml:"writes" doc:"what the host must write to each gauge, in this order, before it is ready"`
}

// AtPort is how the host is to behave at its port, besides setting it as
// the gauge's is set. Control lines and breaks show at rfc2217 ports only.
type AtPort struct {
	DTR    *Level            `yaml:"DTR" doc:"how data terminal ready stands while the gauge sends: raised or lowered"`
	RTS    *Level            `yaml:"RTS" doc:"how request to send stands while the gauge sends: raised or lowered"`
	Breaks *Breaks           `yaml:"breaks" doc:"none (the host sends no break), or some (it sends at least one)"`
	Reads  quantity.Duration `yaml:"reads-within" doc:"bytes that have come wait no longer for the host to read some of them, in real time; judged at pace real or at a speed factor"`
}

// Write is one thing the host must write to a gauge.
type Write struct {
	Gauge   string `yaml:"gauge" doc:"name of the gauge (default: every gauge)"`
	Channel string `yaml:"channel" doc:"name of the channel (default: every channel)"`
	Setting string `yaml:"set" doc:"name of the setting"`
	To      string `yaml:"to" doc:"value of the setting"`
	Verb    string `yaml:"do" doc:"a command instead of a setting: zero, preset, clear, stream-on, stream-off"`
}

// Unit is a unit of length by its symbol.
type Unit struct{ decimal.Unit }

// Names lists the units.
func (Unit) Names() []string { return decimal.UnitSymbols() }

// UnmarshalText reads a unit's symbol.
func (u *Unit) UnmarshalText(b []byte) error {
	v, ok := decimal.ParseUnit(string(b))
	if !ok {
		return fmt.Errorf("%q is not a unit of length; write one such as mm, µm or in", b)
	}
	u.Unit = v
	return nil
}

// MarshalText writes the symbol.
func (u Unit) MarshalText() ([]byte, error) { return []byte(u.Symbol()), nil }

// ChannelKeys are the keys of a channel. A gauge may carry them too: they then
// hold for all its channels that do not write their own.
type ChannelKeys struct {
	Stroke     *quantity.Length  `yaml:"stroke" doc:"travel of the tip (default: 10 mm)"`
	MidStroke  *quantity.Length  `yaml:"mid-stroke" was:"seat" doc:"size at which the tip is at the middle of its stroke (default: the nominal)"`
	Larger     string            `yaml:"larger-part" one:"presses releases" doc:"what a larger part does to the tip: presses (a stand, a snap; the default) or releases (a plug in a bore)"`
	Sense      *gauge.Sense      `yaml:"sense" doc:"how the reading moves as the tip is pressed: rising or falling (default: so that the reading grows with the part)"`
	Factor     *decimal.Decimal  `yaml:"factor" doc:"multiplies the tip's travel (default: 1)"`
	Unit       *Unit             `yaml:"unit" doc:"unit of the reading (default: that of the resolution)"`
	Resolution *quantity.Length  `yaml:"resolution" doc:"step of the reading (default: 0.001 mm)"`
	Rounding   *decimal.Rounding `yaml:"rounding" doc:"how the gauge rounds to its resolution (default: half-even)"`
	Function   *gauge.Function   `yaml:"function" doc:"what is reported: live (default), max, min or fim"`
	Preset     *quantity.Length  `yaml:"preset" doc:"size of the setting master (default: the nominal)"`
	Limits     *Pair             `yaml:"limits" doc:"specification limits of this channel (default: the part's)"`
	Warn       *Pair             `yaml:"warn" doc:"warning limits of this channel (default: the part's)"`
	Decide     *zone.Decide      `yaml:"decide" doc:"which value the gauge compares with its limits: displayed (default) or unrounded"`
	Average    *int              `yaml:"average" doc:"samples of a moving average of the probe (default: 1, no averaging)"`
	DeadBand   *quantity.Length  `yaml:"dead-band" doc:"how far a reading moves before a stream on change sends it (default: 0 mm, any change)"`
	StartsOn   *quantity.Length  `yaml:"starts-on" doc:"size the gauge rests on at the start (default: the preset, else the nominal, else the middle of the stroke)"`
	Noise      *Noise            `yaml:"noise" doc:"noise of the probe"`
	Probe      *Probe            `yaml:"probe" doc:"errors of the probe (default: an ideal probe)"`
}

// Noise of a probe.
type Noise struct {
	White   quantity.Length `yaml:"white" doc:"standard deviation of each sample"`
	Flicker quantity.Length `yaml:"flicker" doc:"level of the flat part of the Allan deviation; single readings at 20 Hz differ by 1.55 times that"`
	Walk    quantity.Length `yaml:"walk" doc:"standard deviation of the random walk after one second"`
	Drift   quantity.Length `yaml:"drift" doc:"steady movement in one hour"`
	Hum     *Hum            `yaml:"hum" doc:"mains pick-up"`
	Shocks  *Shocks         `yaml:"shocks" doc:"knocks to the bench, at random"`
}

// Shocks are knocks to the bench.
type Shocks struct {
	Every     quantity.Duration `yaml:"every" need:"yes" doc:"mean time from one to the next"`
	Amplitude quantity.Length   `yaml:"amplitude" need:"yes" doc:"standard deviation of their amplitudes"`
}

// Hum is mains pick-up.
type Hum struct {
	Amplitude quantity.Length `yaml:"amplitude" need:"yes" doc:"amplitude"`
	Frequency quantity.Rate   `yaml:"frequency" need:"yes" doc:"frequency, such as 50 Hz"`
}

// Gauge is one gauge of the scenario. What it does not write itself is as its
// profile has it.
type Gauge struct {
	Name    string `yaml:"name" need:"yes" doc:"name of the gauge: letters, digits, - and _"`
	Serial  string `yaml:"serial" doc:"serial number (default: made from the name)"`
	Profile string `yaml:"profile" doc:"what kind of gauge it is: the name of a shipped profile, or the path of a profile file; the keys of the gauge override it"`
	GaugeKeys
}

// GaugeKeys are the keys that describe a gauge, in a scenario or a profile.
type GaugeKeys struct {
	Dialect     string             `yaml:"dialect" doc:"wire protocol: the name of a shipped dialect, or the path of a dialect file"`
	SerialLine  *SerialLine        `yaml:"serial-line" was:"line" doc:"how the serial line is set, such as 9600 8N1 (default: as the dialect has it)"`
	ChannelKeys                    // hold for all channels
	Channels    []Channel          `yaml:"channels" doc:"the channels (default: one named A). Over a profile, those of its channels that differ"`
	Computed    []Computed         `yaml:"computed" doc:"channels that are computed of those before them"`
	Scan        *quantity.Duration `yaml:"scan" doc:"time from reading one channel to reading the next (default: all at once)"`
	Chain       Chain              `yaml:"chain" doc:"the order of the measuring chain, where gauges differ"`
	Stream      *Stream            `yaml:"stream" doc:"readings sent on their own: a rate, or none"`
	Sampling    *RateOnly          `yaml:"sampling" doc:"how often the gauge reads its probes besides each time that it streams; max, min, fim and means work on all of these samples (default: only as it streams)"`
	Rate        *RateOnly          `yaml:"rate" doc:"samples a second while nothing is streamed (default: 20 Hz)"`
	Phase       *Phase             `yaml:"phase" doc:"when the first sample falls: a time such as 12 ms, or drawn: anywhere in the first interval, by the seed, as with gauges that nobody switched on together (default: at the start)"`
	OnChange    *bool              `yaml:"on-change" doc:"the stream sends only when a reading has moved beyond its dead band"`
	Carries     *[]string          `yaml:"carries" was:"sends" one:"number keys tail lead" doc:"which parts a frame has, where the dialect can leave them out: number (of the tag), keys (how buttons and pedal stand), tail (its check), lead (what marks its beginning) (default: all)"`
	MasterEvery *quantity.Duration `yaml:"master-every" doc:"the gauge is to be set on its master again, by zero or preset, when this long has passed since it was last (default: never); a dialect can say so"`
	Tags        Tags               `yaml:"tags" doc:"how tagged readings are numbered and repeated"`
	Buttons     Buttons            `yaml:"buttons" doc:"what the two buttons do"`
	Pedal       *gauge.Action      `yaml:"pedal" doc:"what the foot pedal does (default: nothing)"`
	Lamps       []Lamp             `yaml:"lamps" doc:"the lamps and what they show"`
	Buzzer      *bool              `yaml:"buzzer" doc:"whether the buzzer is on (default: off)"`
	Buzzes      map[string]Rhythm  `yaml:"buzzes" doc:"the buzzer's pattern for each event: tag, datum, refused, switched-on, switched-off, low, lost, up, or a zone (default: short ones for tag and refused)"`
	Display     Display            `yaml:"display" doc:"the display"`
	Power       Power              `yaml:"power" doc:"how the gauge goes off and comes on"`
	Lock        *Lock              `yaml:"lock" doc:"the lock of its settings (default: none)"`
	Writes      string             `yaml:"writes" one:"at-once after-frame" doc:"when a setting that is written while the gauge streams takes effect: at-once (default) or after-frame"`
	Cell        *Cell              `yaml:"cell" doc:"the battery (default: one that never fades)"`
	Link        *Link              `yaml:"link" doc:"the radio link (default: one without faults)"`
	Port        PortKind           `yaml:"port" doc:"where the gauge appears: pty (default), tcp or rfc2217"`
}

// ProfileVersion is the version of profile files.
const ProfileVersion = 1

// ProfileFile is a gauge profile as it is written.
type ProfileFile struct {
	Version int    `yaml:"understudy-gauge" need:"yes" doc:"version of the language of gauge profiles: 1"`
	Title   string `yaml:"title" need:"yes" doc:"one line that says what the gauge is"`
	GaugeKeys
}

// SerialLine is how a serial line is set.
type SerialLine struct{ uart.Settings }

// UnmarshalText reads "9600 8N1".
func (l *SerialLine) UnmarshalText(b []byte) (err error) {
	l.Settings, err = uart.Parse(string(b))
	return err
}

// MarshalText writes it.
func (l SerialLine) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// Pattern describes the text for the JSON Schema.
func (SerialLine) Pattern() (string, string) {
	return "^[0-9]+ [5-8][NEOMSneoms](1|1.5|2)$", "9600 8N1"
}

// Rhythm is times of on and off in turn.
type Rhythm []quantity.Duration

func (r Rhythm) rhythm() (g gauge.Rhythm) {
	for _, d := range r {
		g = append(g, d.D())
	}
	return g
}

// Chain is the order of the measuring chain.
type Chain struct {
	Factor  string `yaml:"factor" one:"before-datum after-datum" doc:"before-datum (multiplies the travel, the default) or after-datum (multiplies what the datum leaves)"`
	PeaksOf string `yaml:"peaks-of" was:"memory" one:"averaged raw" doc:"max and min are kept of the averaged readings (default) or of the raw ones"`
}

// Display is the display.
type Display struct {
	Digits  int               `yaml:"digits" doc:"figures it has place for, besides the sign and the mark (default: 7)"`
	Large   bool              `yaml:"large" doc:"large figures: nothing but figures and the zone's mark"`
	Flips   bool              `yaml:"flips" was:"turns" doc:"turns over when the gauge is held upside down"`
	Marks   map[string]string `yaml:"marks" doc:"what stands for a zone, or instead of a reading that is under, over, missing, empty, or does not fit (full)"`
	Channel string            `yaml:"channel" doc:"channel it shows (default: the first)"`
}

// Power says how a gauge goes off and comes on.
type Power struct {
	IdleOff quantity.Duration `yaml:"idle-off" doc:"goes off when nothing was done for this long: no button, pedal or command of the host, and no tip that moved by more than wakes-at (default: never)"`
	WakesAt quantity.Length   `yaml:"wakes-at" was:"stir" doc:"how far a tip must move to count as something done (default: it never does)"`
	StartUp quantity.Duration `yaml:"start-up" doc:"from being switched on to the first sample and the banner"`
	Forgets *[]string         `yaml:"forgets" doc:"settings that are lost while the gauge is off (default: the stream's being on)"`
	Port    string            `yaml:"port" one:"stays goes" doc:"whether the port stays or goes when the gauge is off (default: it goes with a cell or a radio link, and stays with neither)"`
}

// Lock is the lock of a gauge's settings.
type Lock struct {
	Code   string `yaml:"pass-code" need:"yes" doc:"what opens it"`
	Locked bool   `yaml:"locked" doc:"locked from the start"`
}

// Computed is a channel computed of others. It takes the keys of a channel
// that do not speak of a probe.
type Computed struct {
	Name    string           `yaml:"name" need:"yes" doc:"name of the channel"`
	Kind    *gauge.CalcKind  `yaml:"is" doc:"sum, difference (first minus second), mean, spread (largest minus smallest), taper (difference over a distance), or formula"`
	Of      []string         `yaml:"of" doc:"the channels it is computed of, which stand before it"`
	Over    *quantity.Length `yaml:"over" doc:"of a taper: distance between its two channels"`
	Per     *quantity.Length `yaml:"per" doc:"of a taper: the length it is told for, such as 100 mm (default: over)"`
	Formula string           `yaml:"formula" doc:"of a formula: + - * / with channels, numbers, lengths such as mm(2.5), and abs, min, max, mean"`
	ChannelKeys
}

// RateOnly is a rate.
type RateOnly = quantity.Rate

// Channel is one channel of a gauge.
type Channel struct {
	Name string `yaml:"name" need:"yes" doc:"name of the channel"`
	ChannelKeys
}

// Stream is a rate, or none.
type Stream = Or[quantity.Rate, none]

// Phase is a time, or drawn.
type Phase = Or[quantity.Duration, drawn]

// Tags says how tagged readings are numbered and repeated.
type Tags struct {
	First  *int64            `yaml:"first" doc:"first number (default: 1)"`
	Last   *int64            `yaml:"last" doc:"last number, after which the first follows (default: 9999)"`
	Repeat quantity.Duration `yaml:"repeat" doc:"a tag the host does not acknowledge is sent again after this time"`
	Tries  int               `yaml:"tries" doc:"how often a tag is sent at most (default: 3)"`
	Takes  gauge.Takes       `yaml:"takes" doc:"the reading a tag takes: fresh (a conversion at the press, the default), last (the last sample), next (the next sample) or still (the first sample at which every tip is still)"`
	Within quantity.Length   `yaml:"within" doc:"a tip is still that has kept within this length, after averaging"`
	For    quantity.Duration `yaml:"for" doc:"and has done so for this long"`
	Queue  int               `yaml:"queue" doc:"tags that wait for a link that is lost (default: none, they are lost)"`
}

// Buttons are the two buttons.
type Buttons struct {
	A *Button `yaml:"A" doc:"button A (default: tags)"`
	B *Button `yaml:"B" doc:"button B (default: presets)"`

	Both     gauge.Action      `yaml:"both" doc:"what both do when they are pressed together"`
	Debounce quantity.Duration `yaml:"debounce" doc:"after a button has moved it is not looked at for this long (default: 20 ms)"`
}

// Button is what a button does.
type Button struct {
	Press  gauge.Action      `yaml:"press" doc:"what a press does"`
	Long   gauge.Action      `yaml:"long" doc:"what holding it does"`
	After  quantity.Duration `yaml:"after" doc:"how long it must be held (default: 1 s)"`
	Double gauge.Action      `yaml:"double" doc:"what pressing it twice does"`
	Within quantity.Duration `yaml:"within" doc:"how soon it must be pressed again (default: 300 ms)"`
}

// Lamp is a lamp and what it shows.
type Lamp struct {
	Name  string     `yaml:"name" need:"yes" doc:"name of the lamp"`
	Shows gauge.Show `yaml:"shows" need:"yes" doc:"what it shows: zone, stream (on, off), link (up, lost), cell (good, low) or probe (good, fault)"`

	Looks map[string]Look `yaml:"looks" doc:"how it looks in each state (default: dark)"`
}

// Look is a colour and a rhythm.
type Look struct {
	Colour string `yaml:"colour" need:"yes" doc:"colour, in words"`
	Rhythm Rhythm `yaml:"rhythm" doc:"times of on and off in turn, repeated (default: steady)"`
}

// Cell is the battery.
type Cell struct {
	Chemistry   power.Chemistry   `yaml:"chemistry" doc:"li-ion (default), nimh or alkaline"`
	Series      int               `yaml:"series" doc:"cells in series (default: 1)"`
	Capacity    *quantity.Charge  `yaml:"capacity" doc:"capacity (default: 850 mAh)"`
	Charge      *quantity.Percent `yaml:"charge" doc:"charge at the start (default: 100 %)"`
	LowAt       *quantity.Percent `yaml:"low-at" doc:"the gauge calls its cell low at this charge and below; 0 %: by the cell's voltage (default: 10 %)"`
	Estimate    string            `yaml:"estimate" one:"counted by-voltage" doc:"how the gauge knows its charge: counted (the current that it draws, the default) or by-voltage (low while it sends, and in the cold)"`
	ShownIn     *quantity.Percent `yaml:"shown-in" doc:"steps in which the charge is shown, such as 25 % for four bars (default: 1 %)"`
	Temperature *quantity.Celsius `yaml:"temperature" doc:"temperature of the cell (default: 20 °C)"`
}

// Link is the radio link. A gauge without one has a link without faults.
type Link struct {
	Class    int                `yaml:"class" need:"yes" doc:"transmit power class: 1 (100 mW), 2 (2.5 mW) or 3 (1 mW); the gauge always sends at all of it, as one without power control"`
	Distance *quantity.Length   `yaml:"distance" need:"yes" doc:"from the gauge to the radio, such as 12 m"`
	Place    link.Place         `yaml:"place" doc:"what lies between: free-air (default), office, corridor or shop, in-sight or out-of-sight"`
	Walls    *quantity.Level    `yaml:"walls" doc:"loss through walls, the sum of them"`
	Motion   *quantity.Length   `yaml:"motion" was:"walking" doc:"how far things move in a second (default: 0.5 m); signals fade as on one frequency, because hopping between several is not modelled"`
	Flush    quantity.Duration  `yaml:"flush" doc:"a frame this old is given up (default: never)"`
	Patience *quantity.Duration `yaml:"supervision" doc:"silence after which the link is lost (default: 20 s)"`
	Radio    int                `yaml:"radio" doc:"gauges with the same number share a radio, which talks to seven at most"`
	Latency  Latency            `yaml:"latency" doc:"what every frame waits for besides the air (default: nothing)"`
}

// Latency is what holds every frame of a gauge up on its way to the host.
type Latency struct {
	Stack  quantity.Duration `yaml:"stack" doc:"mean time in both radios and the host's stack: half of it always, the rest drawn for each frame; 10 ms to 30 ms are common"`
	Sniff  quantity.Duration `yaml:"sniff" doc:"sniff interval: how often a gauge listens that has had nothing to send; 10 ms to 500 ms are common"`
	Driver quantity.Duration `yaml:"driver" doc:"how often the driver of the port hands on what has come; 1 ms to 16 ms are common"`
}

// Link is the latency as a link takes it.
func (l Latency) Link() link.Latency {
	return link.Latency{Stack: l.Stack.D(), Sniff: l.Sniff.D(), Driver: l.Driver.D()}
}

// Probe is what the probe makes of its tip. A channel without one has an ideal
// probe.
type Probe struct {
	Offset    quantity.Length   `yaml:"offset" doc:"added to every reading"`
	Gain      *decimal.Decimal  `yaml:"gain-error" doc:"travel reads this share too much, such as 0.001"`
	Tilt      quantity.Angle    `yaml:"tilt" doc:"angle between the probe's axis and the direction measured"`
	Bow       quantity.Length   `yaml:"bow" doc:"peak of a bowed non-linearity over the stroke"`
	SCurve    quantity.Length   `yaml:"s-curve" doc:"peak of an S-shaped non-linearity over the stroke"`
	AirGap    quantity.Length   `yaml:"air-gap" doc:"an air gauge: gap between its jets and the part at mid-stroke, both jets together, about which readings follow the curve of the back pressure; lag is its response (default: it touches)"`
	Play      quantity.Length   `yaml:"play" doc:"backlash on reversal"`
	Repeat    quantity.Length   `yaml:"repeatability" doc:"standard deviation of an error drawn anew whenever the tip has moved"`
	Lag       quantity.Duration `yaml:"lag" doc:"time constant of a first-order filter"`
	Average   int               `yaml:"average" doc:"samples of a moving average"`
	Warm      *quantity.Celsius `yaml:"temperature" doc:"temperature of part and gauge (default: 20 °C)"`
	PartGrows *decimal.Decimal  `yaml:"part-expansion" doc:"thermal expansion of the part in 10⁻⁶ per kelvin, such as 11.5 for steel"`
	Grows     *decimal.Decimal  `yaml:"gauge-expansion" doc:"thermal expansion of the gauge over the same length, in 10⁻⁶ per kelvin"`
	PartTime  quantity.Duration `yaml:"part-settles" doc:"time constant with which a part that is warm comes to the temperature above (default: it stays warm)"`
	GaugeTime quantity.Duration `yaml:"gauge-settles" doc:"time constant with which the gauge does (default: it stays warm)"`
	ZeroDrift quantity.Length   `yaml:"zero-drift" doc:"what readings move by for each kelvin the gauge is above 20 °C"`
}

// Cue is one act at its time. Besides the keys below it has those of its act.
type Cue struct {
	At      quantity.Duration
	Gauge   string
	Channel string
	Refused string
	Act     stage.Act
	at      strict.Any // the node, to place errors
}

// cueKeys are the keys every cue has.
type cueKeys struct {
	At      quantity.Duration `yaml:"at" need:"yes" doc:"when, since the start"`
	Gauge   string            `yaml:"gauge" doc:"name of the gauge (default: every gauge)"`
	Channel string            `yaml:"channel" doc:"name of the channel (default: every channel)"`
	Do      string            `yaml:"do" need:"yes" doc:"what is done"`
	Refused string            `yaml:"refused" doc:"why it cannot be done, as explain says it, where that is the point (default: it is done, and lint finds a cue that is not)"`
}

// Expect is something that must be true when the scenario plays. Tags counts
// the tags of a gauge over the whole timeline; with At, the reading, zone or
// void of a channel at that time.
type Expect struct {
	Gauge   string             `yaml:"gauge" doc:"name of the gauge (default: the first)"`
	Channel string             `yaml:"channel" doc:"name of the channel (default: the first)"`
	Tags    *int               `yaml:"tags" doc:"number of tags over the whole timeline"`
	At      *quantity.Duration `yaml:"at" doc:"a time since the start"`
	Reading *quantity.Length   `yaml:"reading" doc:"what the channel reads at that time"`
	Zone    *zone.Zone         `yaml:"zone" doc:"the zone the host must give that reading"`
	Void    string             `yaml:"void" doc:"why the channel has no reading then: under, over, missing or empty"`
}
