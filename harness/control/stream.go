package control

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/link"
)

// beat is how often a watching page is told what is new.
const beat = 33 * time.Millisecond

// quiet is the longest a stream says nothing: a proxy or a page can tell a
// silent stream from a dead one.
const quiet = 5 * time.Second

// What a watching page is sent in one beat at most: of more it gets the last.
const (
	mostLines = 24  // lines of bytes
	mostTags  = 120 // lines, with those that are not of a stream
	mostNotes = 200
)

// Watched is one beat of a watching page.
type Watched struct {
	Sight
	// Notes are the entries that a page shows as they are: cues, links, ports,
	// buzzers.
	Notes []json.RawMessage `json:"notes,omitempty"`
	Lines []*Line           `json:"lines,omitempty"`
	Host  *Host             `json:"host,omitempty"`
}

// sse starts a stream of server-sent events (WHATWG HTML, "Server-sent
// events"). The returned function writes one piece; it fails once the reader
// is gone or too slow.
func (s *Server) sse(w http.ResponseWriter) (write func(p []byte) error, done func(), err error) {
	if s.streams.Add(1) > mostStreams {
		s.streams.Add(-1)
		w.Header().Set("Retry-After", "5")
		return nil, nil, errors.New("more streams are open than this server serves at once")
	}
	w.Header().Set("Content-Type", "text/event-stream")
	rc := http.NewResponseController(w)
	_ = rc.SetReadDeadline(time.Time{}) // a stream outlives the time a request may take
	write = func(p []byte) error {
		if err := rc.SetWriteDeadline(time.Now().Add(quiet)); err != nil {
			return err
		}
		if _, err := w.Write(p); err != nil {
			return err
		}
		return rc.Flush()
	}
	return write, func() { s.streams.Add(-1) }, nil
}

// each calls f at every beat, and at once after an act by hand, until it fails,
// the reader leaves or the server ends.
func (s *Server) each(r *http.Request, f func() error) {
	tick := time.NewTicker(beat)
	defer tick.Stop()
	for {
		poke := s.desk.poked()
		if f() != nil {
			return
		}
		select {
		case <-tick.C:
		case <-poke:
		case <-r.Context().Done():
			return
		case <-s.ctx.Done():
			return
		}
	}
}

// tail streams the ledger. Each event's id is "run.number", so that a reader
// that comes back gets what it missed.
func (s *Server) tail(w http.ResponseWriter, r *http.Request) (any, error) {
	run, from := 0, 0
	if id := r.Header.Get("Last-Event-ID"); id != "" {
		run, from = place(id)
	}
	write, done, err := s.sse(w)
	if err != nil {
		return nil, err
	}
	defer done()
	last := time.Time{}
	s.each(r, func() error {
		var buf []byte
		now, list, next := s.desk.since(run, from, mostEntries)
		for i, e := range list {
			buf = fmt.Appendf(buf, "id: %d.%d\ndata: %s\n\n", now, next-len(list)+i+1, e.text)
		}
		run, from = now, next
		if len(buf) == 0 {
			if time.Since(last) < quiet/2 {
				return nil
			}
			buf = []byte(": nothing new\n\n")
		}
		last = time.Now()
		return write(buf)
	})
	return nil, nil
}

func place(id string) (run, from int) {
	a, b, _ := strings.Cut(id, ".")
	run, _ = strconv.Atoi(a)
	from, _ = strconv.Atoi(b)
	return run, max(from, 0)
}

// watch streams what a page shows. The query may name the gauge that the page
// has in hand: of the others it is then told no stream, which in a crowd nobody
// could read.
func (s *Server) watch(w http.ResponseWriter, r *http.Request) (any, error) {
	hand := r.URL.Query().Get("gauge")
	if hand != "" && s.desk.Scenario.GaugeIndex(hand) < 0 {
		return nil, missing{fmt.Errorf("there is no gauge %q", hand)}
	}
	write, done, err := s.sse(w)
	if err != nil {
		return nil, err
	}
	defer done()
	run, from, hosts := 0, 0, 0
	last := time.Time{}
	was := ""
	s.each(r, func() error {
		v, err := s.desk.See(r.Context())
		if err != nil {
			return r.Context().Err() // between two runs there is nothing to see
		}
		m := Watched{Sight: v}
		m.Host, hosts = s.desk.judged(hosts)
		now, list, next := s.desk.since(run, from, kept)
		// The newest lines, and of those before them the ones that are not
		// of a stream.
		left := mostLines
		for _, e := range slices.Backward(list) {
			if e.note != nil {
				rare := e.note.Tag != nil || e.note.Way != "out"
				if mine := hand == "" || e.note.Gauge == hand; left > 0 && (mine || rare) || rare && len(m.Lines) < mostTags {
					m.Lines = append(m.Lines, e.note)
					left--
				}
			}
			if e.shown && len(m.Notes) < mostNotes {
				m.Notes = append(m.Notes, e.text)
			}
		}
		slices.Reverse(m.Lines)
		slices.Reverse(m.Notes)
		for i, l := range m.Lines {
			m.Lines[i] = s.desk.spell(l)
		}
		run, from = now, next
		text, err := json.Marshal(m)
		if err != nil {
			return err
		}
		if string(text) == was && time.Since(last) < quiet/2 {
			return nil
		}
		was, last = string(text), time.Now()
		return write(fmt.Appendf(nil, "data: %s\n\n", text))
	})
	return nil, nil
}

// describe says what plays.
func (d *Desk) describe(keeps bool) Run {
	s := d.Scenario
	d.mu.Lock()
	r := Run{Run: d.run, Title: s.Title, Notice: s.Notice, Feature: s.Part.Feature, Seed: s.Play.Seed, Cues: []Cue{}, Keeps: keeps}
	d.mu.Unlock()
	for _, c := range s.Play.Cues {
		cue := Cue{At: c.At, Text: c.Text}
		if c.Gauge >= 0 {
			cue.Gauge = s.Gauges[c.Gauge].Name
		}
		r.Cues = append(r.Cues, cue)
	}
	for _, c := range s.Chapters {
		r.Chapters = append(r.Chapters, Chapter{c.At.D(), c.Title, c.Say, c.Ask, c.Answer})
	}
	for i := range s.Gauges {
		m, p := &s.Play.Cast[i], s.Play.Cast[i].Profile
		c := Cast{Name: p.Name, Serial: p.Serial, Model: p.Model, Dialect: s.Gauges[i].Dialect, Cell: m.Cell != nil, Digits: p.Display.Digits,
			Buttons: [2]string{p.Buttons[0].Press.String(), p.Buttons[1].Press.String()}}
		c.Radio = radio(s.Gauges[i].Link)
		r.Gauges = append(r.Gauges, c)
	}
	r.Verbs = stageVerbs()
	return r
}

// radio works out how strong a gauge's link is.
func radio(k *scenario.Link) *Radio {
	if k == nil || k.Distance == nil {
		return nil
	}
	v, _ := k.Distance.Picometres().In(decimal.M)
	b := link.Budget{Class: link.Class(k.Class), Place: k.Place, Metres: v.Float64()}
	if k.Walls != nil {
		b.Walls = k.Walls.Value.Float64()
	}
	return &Radio{Class: k.Class, Place: k.Place.String(), Metres: b.Metres, Margin: b.Margin()}
}
