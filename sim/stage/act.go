package stage

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/strict"
)

// An Act is something that is done to a gauge: by a cue of the scenario, by a
// hand on the bench, or by a program that steers the stage. Each act is a file of
// its own, act_NAME.go: a plain struct whose yaml tags are its words in a scenario,
// and the methods do, check (what makes no sense in it), lasts (how long it goes on
// by itself) and ofTip (it is done to a tip), of which only do must be there.
//
// A "size" is the size of what the gauge is set on; the gauge's geometry turns it
// into how far the tip is pressed.
type Act interface {
	// do carries the act out on one gauge at the present time. An error says
	// why it could not be done; nothing has changed then.
	do(s *Stage, a target) error
}

// target is what an act is done to, and by whom: a gauge (none, where it is done to the
// host), and one of its channels or, as −1, all.
type target struct {
	*actor
	channel int
	by      string
	cue     int // its number in the scenario, where one does it
}

// Who does it, where it is not a hand.
const (
	byCue  = "cue" // of the scenario
	byHost = "host"
)

// verbs names the acts in a scenario.
var verbs = map[string]Act{
	"rest on": RestOn{}, "move to": MoveTo{}, "lift": Lift{}, "rock": Rock{}, "turn": Turn{},
	"measure": Measure{}, "cycle": Cycle{}, "study": Study{},
	"zero": Zero{}, "preset": Preset{}, "clear": Clear{}, "tag": Tag{}, "press": Press{}, "press pedal": Pedal{}, "tilt": Tilt{}, "set": Set{},
	"unplug probe": Unplug{}, "plug probe": Plug{}, "stick tip": Stick{}, "warm": Warm{},
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

// orElse is a time, or another where it is left out.
func orElse(d quantity.Duration, other time.Duration) time.Duration {
	if d == 0 {
		return other
	}
	return d.D()
}

// OfTip reports whether an act is done to a tip or its probe, which a computed
// channel does not have.
func OfTip(a Act) bool {
	_, ok := a.(interface{ ofTip() })
	return ok
}

// OfHost reports whether an act is done to the host software and not to a gauge.
func OfHost(a Act) bool {
	_, ok := a.(RestartHost)
	return ok
}

// Lasts is how long an act goes on by itself.
func Lasts(a Act) time.Duration {
	if l, ok := a.(interface{ lasts() time.Duration }); ok {
		return l.lasts()
	}
	return 0
}

// Bounds of an act: each of its counts, and each of its times as often as it happens.
const (
	mostTimes = 100_000
	Longest   = 1_000 * time.Hour // also of a timeline
)

// CheckAct reports what makes no sense in an act: what the act itself objects to,
// a time below 0 s, or a count out of its range.
func CheckAct(a Act) error {
	if c, ok := a.(interface{ check() error }); ok {
		if err := c.check(); err != nil {
			return err
		}
	}
	v := reflect.ValueOf(a)
	longest, times := time.Duration(0), 1
	for _, f := range strict.FieldsOf(v.Type()) {
		switch x := v.FieldByIndex(f.Index).Interface().(type) {
		case quantity.Duration:
			if x < 0 {
				return fmt.Errorf("%s is a time from 0 s on, not %s", f.Key, x)
			}
			longest = max(longest, x.D())
		case int:
			if x < 0 || x > mostTimes {
				return fmt.Errorf("%s is a count up to %d, not %d", f.Key, mostTimes, x)
			}
			times = max(times, x)
		}
	}
	if float64(longest)*float64(times) > float64(Longest) {
		return fmt.Errorf("it lasts longer than %s, the longest timeline", quantity.Duration(Longest))
	}
	return nil
}
