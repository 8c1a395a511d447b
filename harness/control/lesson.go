package control

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
)

// Lesson is what the two screens of a lesson show at one moment. Notes are for
// who holds it alone; nothing else in it tells what has not happened yet.
type Lesson struct {
	Run     int               `json:"run"`
	At      time.Duration     `json:"at"`
	Held    bool              `json:"held"`
	Title   string            `json:"title"`
	Chapter int               `json:"chapter"` // from 1; 0: none has begun
	Of      int               `json:"of"`
	Heading string            `json:"heading,omitempty"`
	Ask     string            `json:"ask,omitempty"` // once it is asked
	Cast    []Cast            `json:"cast"`
	Gauges  []stage.GaugeView `json:"gauges"`
	Notes   *Notes            `json:"notes,omitempty"`
}

// Notes are what a presenter sees besides.
type Notes struct {
	Class    string        `json:"class"` // where the class watches
	Aim      string        `json:"aim,omitempty"`
	Say      string        `json:"say"`
	Ask      string        `json:"ask,omitempty"`
	Answer   string        `json:"answer,omitempty"`
	NextCue  time.Duration `json:"nextCue"`
	NextText string        `json:"nextText,omitempty"`
	Chapters []string      `json:"chapters"`
}

// Jump names a chapter to go to.
type Jump struct {
	Chapter int `json:"chapter" doc:"its number, from 1"`
}

// lessonRoutes are those of a server with a class.
func (s *Server) lessonRoutes() []route {
	if s.Watch == "" {
		return nil
	}
	return []route{
		{method: "GET", path: "/v1/lesson", summary: "What a lesson's screen shows, as it changes: server-sent events", stream: true, class: true, do: s.lesson},
		{method: "POST", path: "/v1/chapter", summary: "Go to the start of a chapter, and hold there", body: Jump{}, reply: Sight{}, do: s.postChapter},
	}
}

// lesson streams what a screen shows.
func (s *Server) lesson(w http.ResponseWriter, r *http.Request) (any, error) {
	holds := s.allowed(r)
	if n := s.classes.Add(1); !holds && n > mostStreams*3/4 { // a presenter always finds room
		s.classes.Add(-1)
		return nil, errors.New("more screens are open than a lesson shows itself on at once")
	}
	defer s.classes.Add(-1)
	write, done, err := s.sse(w)
	if err != nil {
		return nil, err
	}
	defer done()
	was, last := "", time.Time{}
	s.each(r, func() error {
		v, err := s.desk.See(r.Context())
		if err != nil {
			return r.Context().Err() // between two runs there is nothing to see
		}
		l := s.desk.lesson(&v)
		if holds {
			l.Notes = s.desk.notes(&v, l.Chapter)
			l.Notes.Class = s.ClassURL()
		}
		text, err := json.Marshal(l)
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

// ClassURL is where a class watches.
func (s *Server) ClassURL() string { return s.URL + "class.html#token=" + s.Watch }

// PresenterURL is where the lesson is held from.
func (s *Server) PresenterURL() string { return s.URL + "presenter.html#token=" + s.Token }

// Stops are where a lesson waits for its presenter: at its start, at the question
// of each chapter, and at its end.
func Stops(s *scenario.Scenario) []time.Duration {
	stops := []time.Duration{0}
	for i := range s.Chapters {
		if c := &s.Chapters[i]; c.Ask != "" {
			stops = append(stops, c.Asked())
		}
	}
	return append(stops, s.Play.Until)
}

// lesson picks of a view what a class may see. What is added to a view one day
// stays hidden until it is named here.
func (d *Desk) lesson(v *Sight) Lesson {
	s := d.Scenario
	l := Lesson{Run: v.Run, At: v.At, Held: v.Held, Title: s.Title, Of: len(s.Chapters)}
	for i := range s.Chapters {
		if c := &s.Chapters[i]; c.At.D() <= v.At {
			l.Chapter, l.Heading, l.Ask = i+1, c.Title, ""
			if c.Asked() <= v.At {
				l.Ask = c.Ask
			}
		}
	}
	for i := range v.Gauges {
		g := &v.Gauges[i]
		l.Gauges = append(l.Gauges, stage.GaugeView{Name: g.Name, Power: g.Power, Channels: g.Channels, Lamps: g.Lamps, Down: g.Down, Tags: g.Tags,
			Percent: g.Percent, Low: g.Low, Link: g.Link})
		m, p := &s.Play.Cast[i], s.Play.Cast[i].Profile
		l.Cast = append(l.Cast, Cast{Name: p.Name, Cell: m.Cell != nil, Digits: p.Display.Digits, Radio: radio(s.Gauges[i].Link)})
	}
	return l
}

func (d *Desk) notes(v *Sight, chapter int) *Notes {
	s := d.Scenario
	n := &Notes{Aim: s.Aim, NextCue: v.NextCue, NextText: v.NextText}
	for i := range s.Chapters {
		n.Chapters = append(n.Chapters, s.Chapters[i].Title)
	}
	if chapter > 0 {
		c := &s.Chapters[chapter-1]
		n.Say, n.Ask, n.Answer = c.Say, c.Ask, c.Answer
	}
	return n
}

// postChapter goes forward on the timeline, or begins it anew and goes forward
// from its start: a play has no way back.
func (s *Server) postChapter(_ http.ResponseWriter, r *http.Request) (any, error) {
	var j Jump
	if err := body(r, &j); err != nil {
		return nil, err
	}
	if j.Chapter < 1 || j.Chapter > len(s.desk.Scenario.Chapters) {
		return nil, wrong{fmt.Errorf("there is no chapter %d; the lesson has %d", j.Chapter, len(s.desk.Scenario.Chapters))}
	}
	s.jumping.Lock()
	defer s.jumping.Unlock()
	// Never before what happens at the very start has happened.
	ctx, to := r.Context(), max(1, s.desk.Scenario.Chapters[j.Chapter-1].At.D())
	if err := s.desk.Clock(ctx, Clock{Do: "pause"}); err != nil {
		return nil, err
	}
	v, err := s.desk.See(ctx)
	if err == nil && v.At >= to {
		if err = s.desk.Clock(ctx, Clock{Do: "restart"}); err == nil {
			v, err = s.desk.See(ctx)
		}
	}
	if err == nil && v.At < to {
		err = s.desk.Clock(ctx, Clock{Do: "step", By: fmt.Sprintf("%d ns", to-v.At)})
	}
	if err != nil {
		return nil, err
	}
	return s.desk.See(ctx)
}
