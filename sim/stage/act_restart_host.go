package stage

import (
	"errors"
	"time"

	"example.org/understudy/sim/enum"
	"example.org/understudy/sim/quantity"
)

// RestartHost ends the host software and starts it again. It is done once,
// whatever the number of gauges.
type RestartHost struct {
	By  Ending            `yaml:"by" doc:"how the host is ended: stop (asked as its description says, the default) or kill (as when the computer loses its power)"`
	For quantity.Duration `yaml:"for" doc:"how long it is away (default: started again at once)"`
}

// ErrAway is why a host that has not come back yet cannot be started again.
var ErrAway = errors.New("the host is being started again already")

func (r RestartHost) lasts() time.Duration { return r.For.D() }

func (r RestartHost) do(s *Stage, _ target) error {
	switch {
	case len(s.opt.Ports) == 0:
		s.onPaper(r)
		return nil
	case s.opt.Host == nil:
		return errors.New("no host is run here that could be started again")
	case s.restart.away:
		return ErrAway
	}
	s.restart = restart{away: true, by: r.By, had: s.had(), ending: s.opt.Host.End(r.By)}
	s.at(s.now+r.For.D(), func() {
		if s.restart.ending != nil {
			s.restart.due = true
			return
		}
		s.restart.starting = s.opt.Host.Start()
	})
	return nil
}

// Ending is how host software is ended.
type Ending = enum.Of[ending]

// Ways to end a host.
const (
	Stop Ending = iota // it is asked to end, and may finish what it has in hand
	Kill               // it is ended at once
)

type ending struct{}

func (ending) Names() []string { return []string{"stop", "kill"} }
func (ending) What() string    { return "how a host is ended" }

// ended is how the ledger has it.
func ended(by Ending) string { return [...]string{"stopped", "killed"}[by] }
