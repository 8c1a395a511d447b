package stage

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/uart"
)

// An Act is something that is done to a gauge: by a cue of the scenario, by a
// hand on the bench, or by a program that steers the stage. Each act is a
// plain struct whose yaml tags are its words in a scenario.
type Act interface {
	// do carries the act out on one gauge at the present time. An error says
	// why it could not be done; nothing has changed then.
	do(s *Stage, a *actor) error
}

// Acts. "Size" is the size of what the gauge is set on; the gauge's geometry
// turns it into how far the tip is pressed.
type (
	// RestOn sets the gauge on something of a known size, at once.
	RestOn struct {
		Size quantity.Length `yaml:"size" need:"yes" doc:"size of the master or the part"`
	}
	// MoveTo moves the tip to a size.
	MoveTo struct {
		Size   quantity.Length   `yaml:"size" need:"yes" doc:"size the tip ends on"`
		Over   quantity.Duration `yaml:"over" doc:"time the move takes; at once when left out"`
		Shape  motion.Shape      `yaml:"shape" doc:"minimum-jerk (as a hand moves, the default) or ramp (uniform speed)"`
		Bounce quantity.Length   `yaml:"bounce" doc:"the tip strikes the part and rings, first leaving by this much"`
	}
	// Lift takes the gauge off the part: the tip hangs free and reads under range.
	Lift struct {
		Over quantity.Duration `yaml:"over" doc:"time the lift takes; at once when left out"`
	}
	// Rock rocks the gauge in a bore through the reversal point.
	Rock struct {
		Size   quantity.Length   `yaml:"size" need:"yes" doc:"true diameter of the bore"`
		Plane  motion.Plane      `yaml:"plane" doc:"axial (the true size is the smallest, the default) or radial (the largest)"`
		Angle  quantity.Angle    `yaml:"angle" need:"yes" doc:"greatest tilt to either side"`
		Period quantity.Duration `yaml:"period" need:"yes" doc:"one swing to both sides and back"`
		Swings int               `yaml:"swings" doc:"whole swings, 1 when left out"`
	}
	// Turn turns a lobed part under the gauge.
	Turn struct {
		Size      quantity.Length   `yaml:"size" need:"yes" doc:"mean diameter of the part"`
		Contacts  motion.Contacts   `yaml:"contacts" doc:"how the part is touched"`
		Lobes     int               `yaml:"lobes" need:"yes" doc:"lobes around the part; 1 is an eccentricity"`
		Amplitude quantity.Length   `yaml:"amplitude" need:"yes" doc:"height of a lobe in radius"`
		Period    quantity.Duration `yaml:"period" need:"yes" doc:"one revolution"`
		Turns     int               `yaml:"turns" doc:"whole revolutions, 1 when left out"`
	}
	// Measure has an operator measure parts by hand: the tip comes to the part,
	// seats, is rocked, is held with a tremor while button A is pressed, and
	// lifts. Times left out are typical of a hand (common practice, no source).
	Measure struct {
		Size     quantity.Length   `yaml:"size" need:"yes" doc:"true size of the part"`
		Times    int               `yaml:"times" doc:"how many visits, 1 when left out"`
		Pause    quantity.Duration `yaml:"pause" doc:"from one visit to the next, 1 s when left out"`
		Approach quantity.Duration `yaml:"approach" doc:"time to reach the part, 600 ms when left out"`
		Dwell    quantity.Duration `yaml:"dwell" doc:"time it is held still, 1.5 s when left out; the button is pressed after six tenths of it"`
		Lift     quantity.Duration `yaml:"lift" doc:"time to leave the part, 500 ms when left out"`
		Bounce   quantity.Length   `yaml:"bounce" doc:"the tip rings on seating, first leaving by this much"`
		Plane    motion.Plane      `yaml:"plane" doc:"plane of the rocking: axial (the true size is the smallest, the default) or radial (the largest)"`
		Angle    quantity.Angle    `yaml:"angle" doc:"greatest tilt to either side; not rocked when left out"`
		Period   quantity.Duration `yaml:"period" doc:"one swing to both sides and back, 800 ms when left out"`
		Swings   int               `yaml:"swings" doc:"whole swings, 1 when left out"`
		Lean     quantity.Angle    `yaml:"lean" doc:"standard deviation of the tilt at which it is held"`
		Tremor   quantity.Length   `yaml:"tremor" doc:"amplitude of the hand's shake, at 9 Hz"`
		Double   quantity.Percent  `yaml:"double-press" doc:"share of visits on which the button is pressed twice"`
		Drop     quantity.Percent  `yaml:"drop" doc:"share of visits that end with the gauge falling 300 mm"`
		Unsteady quantity.Percent  `yaml:"unsteady" doc:"standard deviation of each time, as a share of it, up to 30 %"`
	}
	// Cycle has a fixture measure parts: the same strokes at the same times in
	// every cycle, and a tag in each.
	Cycle struct {
		Size     quantity.Length   `yaml:"size" need:"yes" doc:"true size of the part"`
		Every    quantity.Duration `yaml:"every" need:"yes" doc:"time of one cycle"`
		Times    int               `yaml:"times" doc:"how many cycles, 1 when left out"`
		Approach quantity.Duration `yaml:"approach" need:"yes" doc:"time of the stroke to the part"`
		Dwell    quantity.Duration `yaml:"dwell" need:"yes" doc:"time on the part"`
		Settle   quantity.Duration `yaml:"settle" doc:"from seating to the tag; half the dwell when left out"`
		Retract  quantity.Duration `yaml:"retract" doc:"time of the stroke back; as the approach when left out"`
		Bounce   quantity.Length   `yaml:"bounce" doc:"the tip rings on seating, first leaving by this much"`
	}
	// Zero makes the present value read 0.
	Zero struct{}
	// Preset makes the present value read the master's size.
	Preset struct {
		To *quantity.Length `yaml:"to" doc:"size of the master; the gauge's own preset when left out"`
	}
	// Clear forgets max and min.
	Clear struct{}
	// Tag captures the present reading, as the operator's tag button does.
	Tag struct {
		Times int               `yaml:"times" doc:"how many tags, 1 when left out"`
		Every quantity.Duration `yaml:"every" doc:"time from one to the next"`
	}
	// Press presses a button, or both, and lets it go.
	Press struct {
		Button  ButtonName        `yaml:"button" need:"yes" doc:"A, B or both"`
		For     quantity.Duration `yaml:"for" doc:"how long it is held, 100 ms when left out"`
		Times   int               `yaml:"times" doc:"how often it is pressed, 1 when left out"`
		Every   quantity.Duration `yaml:"every" doc:"time from one press to the next, 250 ms when left out"`
		Bounces int               `yaml:"bounces" doc:"how often the contact opens and closes again, a millisecond apart, before it rests; 0 when left out"`
	}
	// Pedal presses the foot pedal, a digital input, and lets it go.
	Pedal struct {
		For quantity.Duration `yaml:"for" doc:"how long it is held, 100 ms when left out"`
	}
	// Tilt holds the gauge at an angle from upright.
	Tilt struct {
		To quantity.Angle `yaml:"to" need:"yes" doc:"angle from upright; 180 ° is upside down"`
	}
	// Set writes a setting, as from the gauge's own menu.
	Set struct {
		Setting string `yaml:"setting" need:"yes" doc:"name of the setting"`
		To      string `yaml:"to" need:"yes" doc:"its value; lengths in the channel's unit"`
	}
	// Unplug takes the probe off the gauge.
	Unplug struct {
		For quantity.Duration `yaml:"for" doc:"how long; until plugged in again when left out"`
	}
	// Plug puts the probe back.
	Plug struct{}
	// Stick makes the tip stick where it is.
	Stick struct {
		For quantity.Duration `yaml:"for" need:"yes" doc:"how long"`
	}
	// LoseLink takes the radio link away for a time, then lets it rejoin.
	LoseLink struct {
		For    quantity.Duration `yaml:"for" need:"yes" doc:"time from the loss to the rejoin"`
		Seen   Seen              `yaml:"seen" doc:"what the host sees: hang-up (the port goes away, the default) or silence"`
		Return string            `yaml:"return-as" doc:"name of the port after the rejoin; the same when left out"`
	}
	// SwapPorts hangs two gauges' ports up and brings each back at the other's
	// place, as when a computer that starts again numbers its ports anew.
	SwapPorts struct {
		With string            `yaml:"with" need:"yes" doc:"name of the other gauge"`
		For  quantity.Duration `yaml:"for" need:"yes" doc:"time from the hang-up to the return"`
	}
	// Stall holds frames back for a time; they then arrive late, in order, at once.
	Stall struct {
		For quantity.Duration `yaml:"for" need:"yes" doc:"how long nothing arrives"`
	}
	// Garble damages frames on the wire, so that their checksum is wrong. A
	// radio that retransmits does not do this; a bad cable does.
	Garble struct {
		Frames int `yaml:"frames" doc:"how many of the next frames, 1 when left out"`
	}
	// Duplicate sends frames twice.
	Duplicate struct {
		Frames int `yaml:"frames" doc:"how many of the next frames, 1 when left out"`
	}
	// Split hands frames to the port in pieces.
	Split struct {
		Frames int `yaml:"frames" doc:"how many of the next frames, 1 when left out"`
		At     int `yaml:"first" doc:"bytes in the first piece; every byte on its own when left out"`
	}
	// Merge holds frames back and hands several to the port in one piece.
	Merge struct {
		Frames int `yaml:"frames" need:"yes" doc:"how many frames go in one piece"`
	}
	// ChangeSpeed has the gauge send and receive at another line speed than its
	// host expects: each side then samples the other's bits at the wrong times.
	// Over plain TCP it is as if the adapter there kept the scenario's speed.
	ChangeSpeed struct {
		To  quantity.Speed    `yaml:"to" need:"yes" doc:"the gauge's line speed from now on"`
		For quantity.Duration `yaml:"for" doc:"how long; until restored when left out"`
	}
	// RestoreSpeed sets the line speed back to the scenario's.
	RestoreSpeed struct{}
	// Cradle sets the gauge on its cradle, which charges the cell.
	Cradle struct {
		For     quantity.Duration `yaml:"for" need:"yes" doc:"how long"`
		Current *quantity.Current `yaml:"current" doc:"what it charges with; 500 mA when left out"`
	}
	// FadeCell sets the cell's charge.
	FadeCell struct {
		To quantity.Percent `yaml:"to" need:"yes" doc:"charge left"`
	}
	// RestartHost ends the host software and starts it again. It is done once,
	// whatever the number of gauges.
	RestartHost struct {
		By  Ending            `yaml:"by" doc:"how the host is ended: stop (asked as its description says, the default) or kill (as when the computer loses its power)"`
		For quantity.Duration `yaml:"for" doc:"how long it is away; started again at once when left out"`
	}
)

// verbs names the acts in a scenario.
var verbs = map[string]Act{
	"rest on": RestOn{}, "move to": MoveTo{}, "lift": Lift{}, "rock": Rock{}, "turn": Turn{},
	"measure": Measure{}, "cycle": Cycle{},
	"zero": Zero{}, "preset": Preset{}, "clear": Clear{}, "tag": Tag{}, "press": Press{}, "press pedal": Pedal{}, "tilt": Tilt{}, "set": Set{},
	"unplug probe": Unplug{}, "plug probe": Plug{}, "stick tip": Stick{},
	"lose link": LoseLink{}, "swap ports": SwapPorts{}, "stall": Stall{}, "garble": Garble{}, "duplicate": Duplicate{}, "split": Split{}, "merge": Merge{},
	"change line speed": ChangeSpeed{}, "restore line speed": RestoreSpeed{},
	"fade cell": FadeCell{}, "set on cradle": Cradle{},
	"restart host": RestartHost{},
}

// Verbs lists the acts' names in a scenario, sorted.
func Verbs() []string {
	var names []string
	for v := range verbs {
		names = append(names, v)
	}
	slices.Sort(names)
	return names
}

// NewAct returns a pointer to a zero act of a name, to be filled in.
func NewAct(verb string) (ptr any, ok bool) {
	a, ok := verbs[verb]
	if !ok {
		return nil, false
	}
	return reflect.New(reflect.TypeOf(a)).Interface(), true
}

// VerbOf returns the name of an act.
func VerbOf(a Act) string {
	t := reflect.TypeOf(a)
	for v, z := range verbs {
		if reflect.TypeOf(z) == t {
			return v
		}
	}
	return ""
}

// Describe writes an act in words, as a scenario has it.
func Describe(a Act) string {
	words := []string{VerbOf(a)}
	v := reflect.ValueOf(a)
	for _, f := range strict.FieldsOf(v.Type()) {
		if w := v.FieldByIndex(f.Index); !w.IsZero() {
			if w.Kind() == reflect.Pointer {
				w = w.Elem()
			}
			words = append(words, fmt.Sprintf("%s: %v", f.Key, w.Interface()))
		}
	}
	return strings.Join(words, ", ")
}

// Seen is what a host sees of a lost link.
type Seen uint8

// Ways a lost link shows.
const (
	HangUp  Seen = iota // the port goes away, and comes back with the link
	Silence             // the port stays; nothing arrives
)

var seenNames = [...]string{"hang-up", "silence"}

func (s Seen) String() string { return seenNames[s] }

// Names lists what may be written.
func (Seen) Names() []string { return seenNames[:] }

// UnmarshalText reads the word.
func (s *Seen) UnmarshalText(b []byte) error {
	for i, n := range seenNames {
		if n == string(b) {
			*s = Seen(i)
			return nil
		}
	}
	return fmt.Errorf("%q is not what a host sees of a lost link; write hang-up or silence", b)
}

// MarshalText writes the word.
func (s Seen) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Ending is how host software is ended.
type Ending uint8

// Ways to end a host.
const (
	Stop Ending = iota // it is asked to end, and may finish what it has in hand
	Kill               // it is ended at once
)

var endingNames = [...]string{"stop", "kill"}

func (e Ending) String() string { return endingNames[e] }

// Names lists what may be written.
func (Ending) Names() []string { return endingNames[:] }

// UnmarshalText reads the word.
func (e *Ending) UnmarshalText(b []byte) error {
	for i, n := range endingNames {
		if n == string(b) {
			*e = Ending(i)
			return nil
		}
	}
	return fmt.Errorf("%q is not how a host is ended; write stop or kill", b)
}

// MarshalText writes the word.
func (e Ending) MarshalText() ([]byte, error) { return []byte(e.String()), nil }

// ButtonName is one of the two buttons, written A or B, or both.
type ButtonName uint8

var buttonNames = [...]string{"A", "B", "both"}

func (b ButtonName) String() string { return buttonNames[b] }

// buttons lists which buttons are meant.
func (b ButtonName) buttons() []int {
	if b == 2 {
		return []int{0, 1}
	}
	return []int{int(b)}
}

// Names lists what may be written.
func (ButtonName) Names() []string { return buttonNames[:] }

// UnmarshalText reads A, B or both.
func (b *ButtonName) UnmarshalText(t []byte) error {
	for i, n := range buttonNames {
		if n == string(t) {
			*b = ButtonName(i)
			return nil
		}
	}
	return fmt.Errorf("%q is not a button; write A, B or both", t)
}

// MarshalText writes the word.
func (b ButtonName) MarshalText() ([]byte, error) { return []byte(b.String()), nil }

// hold is how long a button is held.
func hold(d quantity.Duration) time.Duration { return orElse(d, 100*time.Millisecond) }

func (p Press) hold() time.Duration { return hold(p.For) }

func (p Press) every() time.Duration { return orElse(p.Every, 250*time.Millisecond) }

// last is when the last press begins.
func (p Press) last() time.Duration { return time.Duration(max(p.Times-1, 0)) * p.every() }

// ring is how a tip rings that leaves its seat by so much.
func ring(amplitude quantity.Length) motion.Bounce {
	return motion.Bounce{Amplitude: amplitude.Picometres(), Frequency: 60, Decay: 25 * time.Millisecond}
}

// orElse is a time, or another where it is left out.
func orElse(d quantity.Duration, other time.Duration) time.Duration {
	if d == 0 {
		return other
	}
	return d.D()
}

func (m Measure) pause() time.Duration { return orElse(m.Pause, time.Second) }

// hand is the hand that measures; where the tip hangs free is not in it.
func (m Measure) hand() motion.Hand {
	share := func(p quantity.Percent) float64 { return p.Value.Float64() / 100 }
	h := motion.Hand{
		Approach: orElse(m.Approach, 600*time.Millisecond), Dwell: orElse(m.Dwell, 1500*time.Millisecond), Lift: orElse(m.Lift, 500*time.Millisecond),
		Bounce: ring(m.Bounce), Lean: m.Lean.Degrees.Float64(), Tremor: motion.Tremor{Amplitude: m.Tremor.Picometres(), Frequency: 9},
		Press: 0.6, DoublePress: share(m.Double), Twice: 250 * time.Millisecond,
		Drop: share(m.Drop), Height: 300 * decimal.Millimetre, Landing: motion.Bounce{Amplitude: decimal.Millimetre, Frequency: 60, Decay: 25 * time.Millisecond},
		Unsteady: share(m.Unsteady), Rock: motion.Rock{Plane: m.Plane},
	}
	if m.Angle.Degrees.Sign() != 0 {
		h.Rock.Angle, h.Rock.Period, h.Rock.Swings = m.Angle.Degrees.Float64(), orElse(m.Period, 800*time.Millisecond), max(m.Swings, 1)
	}
	return h
}

// fixture is the fixture that measures; where its tip stands free is not in it.
func (c Cycle) fixture() motion.Fixture {
	return motion.Fixture{Approach: c.Approach.D(), Bounce: ring(c.Bounce), Dwell: c.Dwell.D(), Press: orElse(c.Settle, c.Dwell.D()/2),
		Retract: orElse(c.Retract, c.Approach.D()), Cycle: c.Every.D()}
}

// OfTip reports whether an act is done to a tip or its probe, which a computed
// channel does not have.
func OfTip(a Act) bool {
	switch a.(type) {
	case RestOn, MoveTo, Lift, Rock, Turn, Measure, Cycle, Unplug, Plug, Stick:
		return true
	}
	return false
}

// OfHost reports whether an act is done to the host software and not to a gauge.
func OfHost(a Act) bool {
	_, ok := a.(RestartHost)
	return ok
}

// Lasts is how long an act goes on by itself.
func Lasts(a Act) time.Duration {
	switch a := a.(type) {
	case MoveTo:
		return a.Over.D()
	case Lift:
		return a.Over.D()
	case Rock:
		return a.Period.D() * time.Duration(max(a.Swings, 1))
	case Turn:
		return a.Period.D() * time.Duration(max(a.Turns, 1))
	case Measure:
		h := a.hand()
		visit := h.Approach + h.Bounce.Lasts() + h.Rock.Lasts() + h.Dwell + h.Lift + a.pause()
		return time.Duration(max(a.Times, 1)) * (visit + time.Duration(3*h.Unsteady*float64(visit)))
	case Cycle:
		return time.Duration(max(a.Times, 1)) * a.Every.D()
	case Tag:
		return a.Every.D() * time.Duration(max(a.Times-1, 0))
	case Press:
		return a.last() + a.hold()
	case Pedal:
		return hold(a.For)
	case Unplug:
		return a.For.D()
	case Stick:
		return a.For.D()
	case LoseLink:
		return a.For.D()
	case SwapPorts:
		return a.For.D()
	case Stall:
		return a.For.D()
	case ChangeSpeed:
		return a.For.D()
	case Cradle:
		return a.For.D()
	case RestartHost:
		return a.For.D()
	}
	return 0
}

// CheckAct reports what makes no sense in an act.
func CheckAct(a Act) error {
	times := map[string]quantity.Duration{}
	counts := map[string]int{}
	switch a := a.(type) {
	case MoveTo:
		times["over"] = a.Over
	case Lift:
		times["over"] = a.Over
	case Rock:
		counts["swings"] = a.Swings
		if d := a.Angle.Degrees.Abs(); a.Period <= 0 || d.Cmp(decimal.New(80, 0)) > 0 {
			return errors.New("a rock takes a period above 0 s and an angle up to 80°")
		}
	case Turn:
		counts["turns"] = a.Turns
		if a.Period <= 0 || a.Lobes < 1 || a.Lobes > 1000 {
			return errors.New("a turn takes a period above 0 s and 1 to 1000 lobes")
		}
	case Measure:
		counts["times"], counts["swings"] = a.Times, a.Swings
		times["pause"], times["period"] = a.Pause, a.Period
		h := a.hand()
		if err := h.Check(); err != nil {
			return errors.New(strings.ReplaceAll(err.Error(), "\n", "; "))
		}
	case Cycle:
		counts["times"] = a.Times
		f := a.fixture()
		if a.Every <= 0 {
			return errors.New("a cycle takes a time above 0 s")
		}
		if err := f.Check(); err != nil {
			return err
		}
	case Tag:
		counts["times"] = a.Times
		times["every"] = a.Every
	case Press:
		times["for"], times["every"] = a.For, a.Every
		counts["times"], counts["bounces"] = a.Times, a.Bounces
		if a.Times > 1 && a.hold() >= a.every() {
			return errors.New("a button is let go before it is pressed again")
		}
	case Pedal:
		times["for"] = a.For
	case Unplug:
		times["for"] = a.For
	case Stick:
		times["for"] = a.For
	case LoseLink:
		times["for"] = a.For
		if strings.ContainsAny(a.Return, "/\x00") {
			return errors.New("a port's name has no slash")
		}
		if a.Return != "" && a.Seen == Silence {
			return errors.New("a port that stays keeps its name; leave return-as out, or write seen: hang-up")
		}
	case SwapPorts:
		times["for"] = a.For
	case Stall:
		times["for"] = a.For
	case ChangeSpeed:
		times["for"] = a.For
		if a.To < 1 || a.To > uart.MaxBaud {
			return fmt.Errorf("a line speed is 1 Bd to %d Bd, not %s", uart.MaxBaud, a.To)
		}
	case Cradle:
		times["for"] = a.For
	case RestartHost:
		times["for"] = a.For
	case Garble:
		counts["frames"] = a.Frames
	case Duplicate:
		counts["frames"] = a.Frames
	case Split:
		counts["frames"], counts["first"] = a.Frames, a.At
	case Merge:
		counts["frames"] = a.Frames
	case Set:
		if strict.Nearest(a.Setting, gauge.SettingNames()) != a.Setting {
			return fmt.Errorf("there is no setting %q; the settings are %s", a.Setting, strings.Join(gauge.SettingNames(), ", "))
		}
	}
	for name, d := range times {
		if d < 0 {
			return fmt.Errorf("%s is a time from 0 s on, not %s", name, d)
		}
	}
	for name, n := range counts {
		if n < 0 || n > 100_000 {
			return fmt.Errorf("%s is a count up to 100000, not %d", name, n)
		}
	}
	return nil
}
