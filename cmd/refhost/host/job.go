package host

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/sim/wire"
)

// job is what the host is told: which gauges stand where, what it writes to
// them, how it judges, and where its records go.
type job struct {
	Version    int     `json:"version"`
	Feature    string  `json:"feature"`
	Unit       unit    `json:"unit"`       // the host records in it
	Resolution number  `json:"resolution"` // step of the recorded value, in Unit
	Rounding   string  `json:"rounding"`   // half-even, half-up, truncate, half-down or half-to-plus
	Decide     string  `json:"decide"`     // displayed or unrounded
	LimitsAre  string  `json:"limits-are"` // inclusive or strict
	Guard      number  `json:"guard"`      // in Unit
	Unproven   bool    `json:"unproven"`   // what the guard band leaves open is a zone
	Keeps      string  `json:"keeps"`      // tagged or all
	Records    string  `json:"records"`
	AtLine     atLine  `json:"at-port"`
	Summary    *rules  `json:"summary"` // absent: no statistics are written
	Gauges     []gauge `json:"gauges"`
}

// atLine is how the host is to behave at the serial line.
type atLine struct {
	DTR    string `json:"DTR"`    // raised unless given
	RTS    string `json:"RTS"`    // raised unless given
	Breaks string `json:"breaks"` // none unless given
}

// gauge is one gauge of a job.
type gauge struct {
	Name     string     `json:"name"`
	Serial   string     `json:"serial"`
	Port     string     `json:"port"`
	PortKind string     `json:"port-kind"` // pty, serial, tcp or rfc2217
	Line     line       `json:"serial-line"`
	Dialect  string     `json:"dialect"`
	Unit     *unit      `json:"unit"`   // it reports in, where its frames do not say; Unit of the job unless given
	Factor   *number    `json:"factor"` // it has applied already
	Preset   *number    `json:"preset"` // its readings contain already, in its unit
	Function string     `json:"function"`
	Tags     tagNumbers `json:"tags"`
	Study    *layout    `json:"study"` // its tags are those of a gauge study
	Writes   []write    `json:"writes"`
	Channels []channel  `json:"channels"`

	dialect *wire.Dialect // what Dialect names, where it has been read already
}

// tagNumbers says how a gauge counts its tags.
type tagNumbers struct {
	First  int64    `json:"first"`
	Last   int64    `json:"last"`
	Window duration `json:"window"` // the same number again within it may be a repeat
}

// write is one command the host gives before it is ready.
type write struct {
	Verb    string `json:"verb"` // set unless given
	Setting string `json:"setting"`
	Channel string `json:"channel"`
	To      string `json:"to"`
}

// channel is one channel of a gauge, with its limits; absent ones are nil.
type channel struct {
	Name       string  `json:"name"`
	LimitsUnit unit    `json:"limits-unit"`
	Resolution *number `json:"resolution"` // step of its recorded value; the job's unless given
	Lower      *number `json:"lower"`
	Upper      *number `json:"upper"`
	WarnLower  *number `json:"warn-lower"`
	WarnUpper  *number `json:"warn-upper"`
}

// factor is what the gauge has multiplied its readings by: 1 unless given.
func (g *gauge) factor() *big.Rat {
	if g.Factor == nil || g.Factor.value().Sign() == 0 {
		return big.NewRat(1, 1)
	}
	return g.Factor.value()
}

// master is the size of the master that the gauge was set on, 0 unless given, in
// the unit of a reading.
func (m *making) master() *big.Rat {
	if m.gauge.Preset == nil {
		return new(big.Rat)
	}
	return new(big.Rat).Mul(m.gauge.Preset.value(), ratio(*m.gauge.Unit, m.from))
}

type duration struct{ time.Duration }

// UnmarshalText reads a time such as "2 s" or "500 ms".
func (d *duration) UnmarshalText(b []byte) (err error) {
	if d.Duration, err = time.ParseDuration(strings.ReplaceAll(string(b), " ", "")); err != nil || d.Duration < 0 {
		return fmt.Errorf("%q is not a time; write one such as 2 s or 500 ms", b)
	}
	return nil
}

// line is how a serial line is set.
type line struct {
	Baud, Data int
	Parity     byte // N, E, O, M or S
	Stop       string
}

// UnmarshalText reads line settings such as "9600 8N1".
func (l *line) UnmarshalText(b []byte) error {
	speed, form, _ := strings.Cut(string(b), " ")
	baud, err := strconv.Atoi(speed)
	if err != nil || baud <= 0 || len(form) < 3 || form[0] < '5' || form[0] > '8' ||
		!strings.ContainsRune("NEOMS", rune(form[1])) || (form[2:] != "1" && form[2:] != "1.5" && form[2:] != "2") {
		return fmt.Errorf("%q are not line settings; write them such as 9600 8N1", b)
	}
	*l = line{Baud: baud, Data: int(form[0] - '0'), Parity: form[1], Stop: form[2:]}
	return nil
}

const jobVersion = 1

// parseJob reads a job. Keys it does not know are let pass: a job may tell
// more than this host needs.
func parseJob(file string, src []byte) (*job, error) {
	j := &job{}
	if err := json.Unmarshal(src, j); err != nil {
		at := int64(-1)
		var syntax *json.SyntaxError
		var kind *json.UnmarshalTypeError
		switch {
		case errors.As(err, &syntax):
			at = syntax.Offset
		case errors.As(err, &kind):
			at = kind.Offset
		}
		if at < 1 || at > int64(len(src)) {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		before := src[:at-1] // the offset counts the byte that is wrong
		return nil, fmt.Errorf("%s:%d:%d: %w", file, bytes.Count(before, []byte("\n"))+1, len(before)-bytes.LastIndexByte(before, '\n'), err)
	}
	if err := j.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return j, nil
}

// oneOf fills an empty choice with the first of the words and refuses a word
// that is not among them.
func oneOf(where string, s *string, words ...string) error {
	if *s == "" {
		*s = words[0]
	}
	if slices.Contains(words, *s) {
		return nil
	}
	return fmt.Errorf("%s is %q; write one of %s", where, *s, strings.Join(words, ", "))
}

func (j *job) check() error {
	if j.Version != jobVersion {
		return fmt.Errorf("version is %d; this host reads version %d", j.Version, jobVersion)
	}
	if j.Unit == "" {
		j.Unit = "mm"
	}
	if j.Resolution.value().Sign() <= 0 {
		return fmt.Errorf("resolution is %s; write the recorded step, such as 0.001", j.Resolution.value().RatString())
	}
	if j.Records == "" {
		return errors.New("records is missing; write the path of the CSV file to make")
	}
	if len(j.Gauges) == 0 {
		return errors.New("gauges is empty; name at least one gauge")
	}
	err := errors.Join(
		oneOf("rounding", &j.Rounding, halfEven, halfUp, truncate, halfDown, halfPlus),
		oneOf("decide", &j.Decide, "displayed", "unrounded"),
		oneOf("limits-are", &j.LimitsAre, "inclusive", "strict"),
		oneOf("keeps", &j.Keeps, "tagged", "all"),
		oneOf("at-port.DTR", &j.AtLine.DTR, "raised", "lowered"),
		oneOf("at-port.RTS", &j.AtLine.RTS, "raised", "lowered"),
		oneOf("at-port.breaks", &j.AtLine.Breaks, "none", "some"))
	for i := range j.Gauges {
		g := &j.Gauges[i]
		where := fmt.Sprintf("gauges[%d]", i)
		if g.Name == "" || g.Port == "" || g.Dialect == "" || len(g.Channels) == 0 {
			return errors.Join(err, fmt.Errorf("%s needs a name, a port, a dialect and at least one channel", where))
		}
		if g.Unit == nil {
			g.Unit = &j.Unit
		}
		if g.Line.Baud == 0 {
			g.Line = line{9600, 8, 'N', "1"}
		}
		if g.Tags.Last == 0 {
			g.Tags.First, g.Tags.Last = 1, 9999
		}
		if g.Tags.Last < g.Tags.First {
			err = errors.Join(err, fmt.Errorf("%s.tags: last is %d, before first, %d", where, g.Tags.Last, g.Tags.First))
		}
		err = errors.Join(err, oneOf(where+".port-kind", &g.PortKind, "pty", "serial", "tcp", "rfc2217"))
		for c := range g.Channels {
			if ch := &g.Channels[c]; ch.LimitsUnit == "" {
				ch.LimitsUnit = j.Unit
			}
		}
		for k := range g.Writes {
			if w := &g.Writes[k]; w.Verb == "" {
				w.Verb = "set"
			}
		}
	}
	return err
}
