package stage

import (
	"fmt"
	"reflect"
	"slices"
	"time"

	"example.org/understudy/sim/quantity"
)

// SwapPorts hangs two gauges' ports up and brings each back at the other's
// place, as when a computer that starts again numbers its ports anew.
type SwapPorts struct {
	With string            `yaml:"with" need:"yes" doc:"name of the other gauge"`
	For  quantity.Duration `yaml:"for" need:"yes" doc:"time from the hang-up to the return"`
}

func (sw SwapPorts) lasts() time.Duration { return sw.For.D() }

func (sw SwapPorts) do(s *Stage, a target) error {
	i := slices.IndexFunc(s.actors, func(b *actor) bool { return b.name == sw.With })
	if i < 0 || s.actors[i] == a.actor {
		return fmt.Errorf("there is no other gauge %q", sw.With)
	}
	both := [2]*actor{a.actor, s.actors[i]}
	for _, x := range both {
		if x.linkRun(); !x.link.Phase.Joined() {
			return fmt.Errorf("the link of %s is lost already", x.name)
		}
	}
	if reflect.TypeOf(a.port) != reflect.TypeOf(both[1].port) {
		return fmt.Errorf("the ports of %s and %s are of two kinds", a.name, sw.With)
	}
	if a.port != nil {
		both[0].away, both[1].away = both[1].port.Name(), both[0].port.Name()
	}
	for _, x := range both {
		x.silent = false
		x.lose(sw.For.D())
	}
	return nil
}
