package stage

import (
	"errors"
	"math"
	"strconv"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/quantity"
)

// Study has an operator measure a set of parts several times, as in a gauge R&R
// study: all parts in their order, then all again. The parts are the same for every
// operator at the gauge. What the operator adds to a part's size is a bias, a share that
// is the same whenever this operator meets this part, and an error that is drawn anew.
type Study struct {
	Operator      string            `yaml:"operator" need:"yes" doc:"who measures"`
	Size          quantity.Length   `yaml:"size" need:"yes" doc:"mean size of the parts"`
	Spread        quantity.Length   `yaml:"spread" doc:"standard deviation of the parts' sizes, drawn by the seed"`
	Parts         int               `yaml:"parts" doc:"how many parts (default: 10)"`
	Trials        int               `yaml:"trials" doc:"how often each is measured (default: 3)"`
	Every         quantity.Duration `yaml:"every" doc:"time from one part to the next (default: 2 s)"`
	Bias          quantity.Length   `yaml:"bias" doc:"what the operator adds to every part"`
	Interaction   quantity.Length   `yaml:"interaction" doc:"standard deviation, from part to part, of what the operator adds to it every time"`
	Repeatability quantity.Length   `yaml:"repeatability" doc:"standard deviation of what the operator adds, drawn anew each time"`
}

func (Study) ofTip() {}

func (y Study) check() error {
	if n, k := y.Of(); n < 1 || k < 1 || n*k > 10_000 || y.every() < 100*time.Millisecond {
		return errors.New("a study has up to 10,000 measurements, 100 ms apart at least")
	}
	if min(y.Spread.Picometres(), y.Interaction.Picometres(), y.Repeatability.Picometres()) < 0 {
		return errors.New("a standard deviation is not negative")
	}
	return nil
}

// Of is how many parts there are, and how often each is measured.
func (y Study) Of() (parts, trials int) {
	count := func(n, usual int) int {
		if n == 0 {
			return usual
		}
		return n
	}
	return count(y.Parts, 10), count(y.Trials, 3)
}

func (y Study) every() time.Duration { return orElse(y.Every, 2*time.Second) }

func (y Study) lasts() time.Duration {
	parts, trials := y.Of()
	return time.Duration(parts*trials) * y.every()
}

func (y Study) do(s *Stage, a target) error {
	parts, trials := y.Of()
	drawn := func(sd quantity.Length, purpose string) decimal.Length {
		luck := noise.NewRand(noise.Split(s.play.Seed, a.name, "study "+purpose))
		return decimal.Length(math.RoundToEven(float64(sd.Picometres()) * luck.Normal()))
	}
	for n := range parts * trials {
		part := strconv.Itoa(n % parts)
		size := y.Size.Picometres() + drawn(y.Spread, part) + y.Bias.Picometres() +
			drawn(y.Interaction, y.Operator+" "+part) + drawn(y.Repeatability, y.Operator+" "+part+" "+strconv.Itoa(n/parts))
		begin, tenth := s.now+time.Duration(n)*y.every(), y.every()/10
		s.at(begin, func() {
			a.each(func(t *tipper) {
				moves := t.fit.moves(motion.MinimumJerk)
				t.path.Move(s.now, size, 3*tenth, moves)
			})
		})
		s.at(begin+6*tenth, func() { _ = a.perform(Tag{}) }) // the ledger says what was not done
		s.at(begin+8*tenth, func() {
			a.each(func(t *tipper) {
				t.path.Move(s.now, t.fit.free(t.stroke), tenth, t.fit.moves(motion.MinimumJerk))
			})
		})
	}
	return nil
}
