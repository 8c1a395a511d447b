package stage

import (
	"errors"
	"fmt"
	"time"

	"example.org/understudy/sim/enum"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/quantity"
)

// Press presses a button, or both, and lets it go.
type Press struct {
	Button  ButtonName        `yaml:"button" need:"yes" doc:"A, B or both"`
	For     quantity.Duration `yaml:"for" doc:"how long it is held (default: 100 ms)"`
	Times   int               `yaml:"times" doc:"how often it is pressed (default: 1)"`
	Every   quantity.Duration `yaml:"every" doc:"time from one press to the next (default: 250 ms)"`
	Bounces int               `yaml:"bounces" doc:"how often the contact opens and closes again, a millisecond apart, before it rests (default: 0)"`
}

func (p Press) check() error {
	if n := p.Times * p.Bounces; n > mostTimes {
		return fmt.Errorf("times and bounces make %d contacts, and at most %d are carried out", n, mostTimes)
	}
	if p.Times > 1 && p.hold() >= p.every() {
		return errors.New("a button is let go before it is pressed again")
	}
	return nil
}

func (p Press) lasts() time.Duration { return p.last() + p.hold() }

func (p Press) do(s *Stage, a target) error {
	if a.cell.Dead {
		return errors.New("the cell is empty")
	}
	// move is a contact that closes or opens, and bounces before it rests.
	move := func(at time.Duration, kind gauge.EventKind, what string) {
		first := func() {
			a.note("button " + p.Button.String() + " " + what)
			for _, b := range p.buttons() {
				a.act(gauge.Event{Kind: kind, Button: b})
			}
		}
		if at > s.now {
			s.at(at, first)
		} else {
			first()
		}
		back := gauge.Pressed + gauge.Released - kind
		for n := range 2 * p.Bounces {
			k := [...]gauge.EventKind{back, kind}[n%2]
			s.at(at+time.Duration(n+1)*time.Millisecond, func() {
				for _, b := range p.buttons() {
					a.act(gauge.Event{Kind: k, Button: b})
				}
			})
		}
	}
	for i := range max(p.Times, 1) {
		at := s.now + time.Duration(i)*p.every()
		move(at, gauge.Pressed, "pressed")
		move(at+p.hold(), gauge.Released, "released")
	}
	return nil
}

// ButtonName is one of the two buttons, written A or B, or both.
type ButtonName = enum.Of[buttonName]

type buttonName struct{}

func (buttonName) Names() []string { return []string{"A", "B", "both"} }
func (buttonName) What() string    { return "a button" }

// buttons lists which buttons are pressed.
func (p Press) buttons() []int {
	if p.Button == 2 {
		return []int{0, 1}
	}
	return []int{int(p.Button)}
}

// hold is how long a button is held.
func hold(d quantity.Duration) time.Duration { return orElse(d, 100*time.Millisecond) }

func (p Press) hold() time.Duration { return hold(p.For) }

func (p Press) every() time.Duration { return orElse(p.Every, 250*time.Millisecond) }

// last is when the last press begins.
func (p Press) last() time.Duration { return time.Duration(max(p.Times-1, 0)) * p.every() }
