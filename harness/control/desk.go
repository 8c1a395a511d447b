// Package control steers a play while it runs: over HTTP with JSON, for tests
// in any language and for the bench page.
//
// Reading needs nothing but a request that comes from this machine's own
// pages or programs; what changes anything needs the access token besides. See
// Server for what is refused.
package control

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

// kept is how many entries of the ledger a desk keeps for its viewers. The
// whole ledger is in the run's folder.
const kept = 20_000

// Desk is where a play is steered from. It outlives the stage: a play that is
// started again has a new stage on the same desk.
type Desk struct {
	Scenario *scenario.Scenario
	spec     cause.Spec

	mu      sync.Mutex
	stage   *stage.Stage
	restart func()
	taken   chan struct{} // closed when a stage is taken; nil while nobody waits
	run     int
	first   int // number of the first entry kept
	entries []entry
	acts    []acted
	host    *Host
	hosts   int           // how often host has changed
	poke    chan struct{} // closed at the next change; nil while nobody waits

	tagged map[frameOf]bool // of the stage's loop: tagged frames on their way

	seeing sync.Mutex
	seen   Sight
	seenAt time.Time
}

// entry is a line of the ledger as the viewers get it.
type entry struct {
	text  []byte // JSON
	note  *Line
	shown bool // a page shows it as it is
}

// frameOf is a frame of a gauge of the cast, by its number.
type frameOf struct{ gauge, id int }

// acted is an act by hand that was done.
type acted struct {
	at             time.Duration
	gauge, channel string
	act            stage.Act
	refused        string
}

// ErrNotPlaying is returned while no stage plays.
var ErrNotPlaying = errors.New("nothing plays just now")

// NewDesk returns a desk for a scenario.
func NewDesk(s *scenario.Scenario) *Desk {
	return &Desk{Scenario: s, spec: paper.Spec(s), tagged: map[frameOf]bool{}}
}

// Begin clears the desk for a new stage. Give its stage.Options Keep, then hand
// the stage to Take.
func (d *Desk) Begin() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.run++
	d.stage, d.entries, d.acts, d.first = nil, nil, nil, 0
	clear(d.tagged)
}

// Take hands the desk the stage that plays. restart, which may be nil, has the
// player end it and play again from the start.
func (d *Desk) Take(st *stage.Stage, restart func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.stage, d.restart = st, restart
	if st != nil && d.taken != nil {
		close(d.taken)
		d.taken = nil
	}
}

// Keep takes an entry of the ledger. It is called from the stage's loop.
func (d *Desk) Keep(e ledger.Entry) {
	text, err := json.Marshal(e)
	if err != nil {
		return // an entry that cannot be written stops the run's own ledger, which says so
	}
	note := d.line(&e)
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.entries) >= kept {
		n := copy(d.entries, d.entries[kept/4:])
		clear(d.entries[n:])
		d.entries = d.entries[:n]
		d.first += kept / 4
	}
	d.entries = append(d.entries, entry{text, note, shown(e.Kind)})
}

func shown(k ledger.Kind) bool {
	switch k {
	case ledger.KindFrame, ledger.KindIn, ledger.KindOut:
		return false
	}
	return true
}

// since returns copies of the entries from a number on, at most most, and the
// number after the last. A run other than the present one starts at its start.
func (d *Desk) since(run, from, most int) (present int, list []entry, next int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if run != d.run {
		from = 0
	}
	from = min(max(from, d.first), d.first+len(d.entries))
	list = d.entries[from-d.first:]
	if len(list) > most {
		list = list[:most]
	}
	return d.run, append([]entry(nil), list...), from + len(list)
}

func (d *Desk) now() (*stage.Stage, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.stage == nil {
		return nil, ErrNotPlaying
	}
	return d.stage, nil
}

// Line is bytes on the wire and what they are.
type Line struct {
	T     time.Duration `json:"t"`
	Gauge string        `json:"gauge"`
	// Way is "out" (a frame the gauge makes), "went" (bytes that went otherwise
	// than they were made) or "in" (from the host).
	Way   string     `json:"way"`
	Name  string     `json:"name"`
	Bytes ledger.Hex `json:"bytes"`
	Spans []Span     `json:"spans"`
	Frame int        `json:"frame,omitempty"` // its number, of a frame
	// Of what went: the tagged frames it is about, and what became of them
	// (sent, lost, ...). It has no bytes where they went as they were made.
	Frames []int       `json:"frames,omitempty"`
	Fate   ledger.Fate `json:"fate,omitempty"`
	Tag    *int64      `json:"tag,omitempty"`
	Repeat bool        `json:"repeat,omitempty"`
	Wants  []Wanted    `json:"wants,omitempty"` // what a correct host makes of a tagged frame
	raw    []byte
	gauge  int
}

// Span is a run of a line's bytes.
type Span struct {
	Start int    `json:"start"`
	End   int    `json:"end"`
	Field string `json:"field"`
	Shows string `json:"shows"`
	Good  bool   `json:"good"`
}

// Wanted is what a correct host makes of a reading.
type Wanted struct {
	Channel string `json:"channel"`
	Value   string `json:"value"`
	Unit    string `json:"unit"`
	Zone    string `json:"zone"`
	Rule    string `json:"rule"`
}

// wanted works out what a correct host makes of a reading.
func (d *Desk) wanted(g, ch int, shown decimal.Decimal, unit decimal.Unit, void bool) Wanted {
	at := paper.AtHost(&d.spec, g, ch, shown, unit, void)
	w := Wanted{Channel: d.Scenario.Play.Cast[g].Profile.Channels[ch].Name, Zone: at.Zone.String(), Rule: at.Rule}
	if !void {
		w.Value, w.Unit = at.Value.String(), at.Unit.Symbol()
	}
	return w
}

// line makes the Line of an entry; nil for one without bytes.
func (d *Desk) line(e *ledger.Entry) *Line {
	g := d.Scenario.GaugeIndex(e.Gauge)
	if g < 0 || d.Scenario.Play.Cast[g].Dialect == nil {
		return nil
	}
	l := &Line{T: e.T, Gauge: e.Gauge, gauge: g}
	switch {
	case e.Kind == ledger.KindFrame && e.Frame != nil:
		f := e.Frame
		l.Way, l.Name, l.raw, l.Frame, l.Repeat = "out", f.Name, f.Bytes, f.ID, f.Repeat
		if f.Tag == nil {
			break
		}
		tag := *f.Tag
		l.Tag = &tag
		d.tagged[frameOf{g, f.ID}] = true
		for _, r := range f.Readings {
			unit, _ := decimal.ParseUnit(r.Unit)
			for ch, c := range d.Scenario.Play.Cast[g].Profile.Channels {
				if c.Name == r.Channel {
					l.Wants = append(l.Wants, d.wanted(g, ch, r.Shown, unit, r.Void != ""))
				}
			}
		}
	case e.Kind == ledger.KindOut && e.Out != nil:
		l.Way, l.Name, l.raw, l.Fate = "went", e.Out.Fault, e.Out.Bytes, e.Out.Fate
		for _, id := range e.Out.Frames {
			if d.tagged[frameOf{g, id}] {
				delete(d.tagged, frameOf{g, id})
				l.Frames = append(l.Frames, id)
			}
		}
		if len(l.raw) == 0 && (len(l.Frames) == 0 || l.Fate == ledger.Sent) {
			return nil
		}
	case e.Kind == ledger.KindIn:
		l.Way, l.Name, l.raw = "in", e.Note, e.Bytes
	default:
		return nil
	}
	l.raw = append([]byte(nil), l.raw...)
	return l
}

// spell fills in what a line's bytes are.
func (d *Desk) spell(l *Line) *Line {
	out := *l
	out.Bytes = l.raw
	side := wire.Gauge
	if l.Way == "in" {
		side = wire.Host
	}
	dialect := d.Scenario.Play.Cast[l.gauge].Dialect
	for _, s := range dialect.Annotate(l.raw, side) {
		out.Spans = append(out.Spans, Span{s.Start, s.End, s.Field, s.Shows, s.Good})
	}
	return &out
}

// Host is what a host that is under test has recorded so far.
type Host struct {
	Wrong bool   `json:"wrong"`
	Why   string `json:"why,omitempty"` // the cause that the judge names, or the first disagreement
	Rows  []Row  `json:"rows"`
}

// Row is one record of the host's.
type Row struct {
	Gauge   string `json:"gauge"`
	Channel string `json:"channel,omitempty"`
	Tag     *int64 `json:"tag"`
	Value   string `json:"value"`
	Unit    string `json:"unit"`
	Zone    string `json:"zone"`
	Wrong   string `json:"wrong,omitempty"` // what is wrong with it
}

// mostRows is how many of the host's records a page is told of: the last.
const mostRows = 60

// Judged takes what the judge makes of the host's records so far.
func (d *Desk) Judged(out *check.Outcome) {
	h := &Host{Rows: []Row{}}
	wrong := map[int]string{}
	for _, f := range out.Findings {
		h.Wrong = true
		h.Why = cmp.Or(h.Why, "expected "+f.Expected+", got "+f.Got)
		if f.Record != nil {
			if w := wrong[f.Record.Row]; w != "" {
				wrong[f.Record.Row] = w + ", " + f.Expected
			} else {
				wrong[f.Record.Row] = "expected " + f.Expected
			}
		}
	}
	if len(out.Explanations) > 0 && h.Wrong {
		c := out.Explanations[0].Cause
		h.Why = c.Name + ": " + c.Looks
	}
	for _, r := range out.Records[max(0, len(out.Records)-mostRows):] {
		if r.Kind != "reading" {
			continue
		}
		row := Row{Gauge: r.Gauge, Channel: r.Channel, Tag: r.Tag, Value: r.Text, Unit: r.Unit, Zone: r.Zone, Wrong: wrong[r.Row]}
		row.Gauge = cmp.Or(row.Gauge, d.Scenario.Gauges[0].Name)
		h.Rows = append(h.Rows, row)
	}
	d.mu.Lock()
	d.host, d.hosts = h, d.hosts+1
	d.mu.Unlock()
}

// judged returns what is known of the host, where it is newer than seen.
func (d *Desk) judged(seen int) (*Host, int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if seen == d.hosts {
		return nil, seen
	}
	return d.host, d.hosts
}

// Sight is a view of the stage, and what a correct host makes of it.
type Sight struct {
	Run int `json:"run"`
	stage.View
	Wants [][]Wanted `json:"wants"` // by gauge and channel
}

// fresh is how old a view may be that is shared between viewers.
const fresh = 15 * time.Millisecond

// See returns how everything stands, not older than a viewer could notice.
func (d *Desk) See(ctx context.Context) (Sight, error) {
	d.seeing.Lock()
	defer d.seeing.Unlock()
	if time.Since(d.seenAt) < fresh {
		return d.seen, nil
	}
	st, err := d.now()
	if err != nil {
		return Sight{}, err
	}
	ctx, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	v, err := st.See(ctx)
	if err != nil {
		return Sight{}, ErrNotPlaying
	}
	s := Sight{View: v}
	d.mu.Lock()
	s.Run = d.run
	d.mu.Unlock()
	for g := range v.Gauges {
		var ws []Wanted
		for ch := range v.Gauges[g].Channels {
			c := &v.Gauges[g].Channels[ch]
			shown, err := decimal.Parse(c.Shown)
			unit, _ := decimal.ParseUnit(c.Unit)
			ws = append(ws, d.wanted(g, ch, shown, unit, c.Void != "" || err != nil))
		}
		s.Wants = append(s.Wants, ws)
	}
	d.seen, d.seenAt = s, time.Now()
	return s, nil
}

// changed has the next look be a new one, and the streams look at once.
func (d *Desk) changed() {
	d.seeing.Lock()
	d.seenAt = time.Time{}
	d.seeing.Unlock()
	d.mu.Lock()
	if d.poke != nil {
		close(d.poke)
		d.poke = nil
	}
	d.mu.Unlock()
}

// poked returns a channel that is closed at the next change.
func (d *Desk) poked() <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.poke == nil {
		d.poke = make(chan struct{})
	}
	return d.poke
}

// Do carries an act out by hand, and remembers it for Scenario text.
func (d *Desk) Do(ctx context.Context, gauge, channel string, act stage.Act) (time.Duration, error) {
	st, err := d.now()
	if err != nil {
		return 0, err
	}
	g, ch, err := d.find(gauge, channel)
	if err != nil {
		return 0, err
	}
	if err := stage.CheckAct(act); err != nil {
		return 0, wrong{err}
	}
	swap, swaps := act.(stage.SwapPorts)
	if swaps {
		if err := d.Scenario.CanSwap(g, swap.With); err != nil {
			return 0, wrong{err}
		}
	}
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	defer d.changed()
	return st.ByHand(ctx, g, ch, act, func(at time.Duration, err error) {
		refused := ""
		if err != nil {
			if swaps || stage.OfHost(act) {
				return // nothing has happened; a gauge that refuses has looked at its probe all the same
			}
			refused = strings.ReplaceAll(err.Error(), "\n", "; ")
		}
		d.mu.Lock()
		d.acts = append(d.acts, acted{at, gauge, channel, act, refused})
		d.mu.Unlock()
	})
}

func (d *Desk) find(gauge, channel string) (g, ch int, err error) {
	g, ch = -1, -1
	if gauge != "" {
		if g = d.Scenario.GaugeIndex(gauge); g < 0 {
			return 0, 0, missing{fmt.Errorf("there is no gauge %q", gauge)}
		}
	}
	if channel != "" {
		for i, c := range d.Scenario.Play.Cast[max(g, 0)].Profile.Channels {
			if c.Name == channel {
				ch = i
			}
		}
		if ch < 0 {
			return 0, 0, missing{fmt.Errorf("there is no channel %q", channel)}
		}
	}
	return g, ch, nil
}

// Written returns what was done so far as a scenario: its own cues that have
// been given, and the acts by hand between them. Played again with the same
// seed it makes the same bytes, as long as the hosts do the same.
func (d *Desk) Written(ctx context.Context) ([]byte, error) {
	d.changed()
	v, err := d.See(ctx)
	if err != nil {
		return nil, err
	}
	d.mu.Lock()
	acts := append([]acted(nil), d.acts...)
	d.mu.Unlock()
	f := d.Scenario.File
	f.Seed = d.Scenario.Play.Seed
	f.Expect, f.Chapters, f.Aim = nil, nil, ""
	var cues []scenario.Cue
	for _, a := range acts {
		cues = append(cues, scenario.Cue{At: quantity.Duration(a.at), Gauge: a.gauge, Channel: a.channel, Act: a.act, Refused: a.refused})
	}
	// An act by hand at the time of a cue was done before it.
	rest := cues
	cues = nil
	for _, c := range f.Cues {
		if c.At.D() > v.At {
			break
		}
		for len(rest) > 0 && rest[0].At <= c.At {
			cues, rest = append(cues, rest[0]), rest[1:]
		}
		cues = append(cues, c)
	}
	f.Cues = append(cues, rest...)
	until := quantity.Duration(v.At)
	f.Until = &until
	f.Title = d.Scenario.Title + ", kept from the bench"
	return scenario.Marshal(&f, "What was done by hand on the bench, between the scenario's own cues.\nDialects and profiles given by a path are looked for from this file's folder."), nil
}

// Clock does something with the timeline.
func (d *Desk) Clock(ctx context.Context, c Clock) error {
	st, err := d.now()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	defer d.changed()
	switch c.Do {
	case "pause":
		return st.Hold(ctx)
	case "go":
		return st.Go(ctx)
	case "step":
		by := quantity.Duration(100 * time.Millisecond)
		if c.By != "" {
			if err := by.UnmarshalText([]byte(c.By)); err != nil {
				return wrong{err}
			}
		}
		return st.Step(ctx, by.D())
	case "next-cue":
		return st.NextCue(ctx)
	case "pace":
		var p stage.Pace
		if err := p.UnmarshalText([]byte(c.Pace)); err != nil {
			return wrong{err}
		}
		return st.SetPace(ctx, p)
	case "restart":
		d.mu.Lock()
		again := d.restart
		if d.taken == nil {
			d.taken = make(chan struct{})
		}
		taken := d.taken
		d.mu.Unlock()
		if again == nil {
			return errors.New("this play cannot be started again: a host is judged by it")
		}
		again()
		select { // it is done when the new run is there to be seen
		case <-taken:
			return nil
		case <-ctx.Done():
			return ErrNotPlaying
		}
	}
	return wrong{fmt.Errorf("%q is none of pause, go, step, next-cue, pace and restart", c.Do)}
}
