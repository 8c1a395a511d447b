//go:build unix

package stage_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// mortal is a host that can be ended and started again.
type mortal struct {
	prt    port.Port
	r      *reader
	got    []string // of each life
	how    []stage.Ending
	refuse error // why it does not start again
}

func (m *mortal) End(how stage.Ending) <-chan struct{} {
	done := make(chan struct{})
	m.how = append(m.how, how)
	go func() {
		defer close(done)
		m.got = append(m.got, string(m.r.end()))
		for m.prt.Open() {
			time.Sleep(time.Millisecond)
		}
	}()
	return done
}

func (m *mortal) Start() <-chan error {
	ready := make(chan error, 1)
	if m.refuse != nil {
		ready <- m.refuse
		return ready
	}
	m.r = startReader(m.prt.Path())
	go func() {
		for !m.prt.Open() {
			time.Sleep(time.Millisecond)
		}
		ready <- nil
	}()
	return ready
}

func restarted(t *testing.T, m *mortal, pace stage.Pace, acts ...stage.Cue) (all []ledger.Entry) {
	in := stage.NewInbox()
	var err error
	m.prt, err = port.OpenPTY(port.Config{Name: "g", Dir: t.TempDir()}, in.Sink(0))
	require.NoError(t, err)
	defer m.prt.Close()
	play := stage.Play{Seed: 3, Cast: []stage.Member{talking(t, "g", "line-ascii")}, Cues: acts, Until: 4 * time.Second}
	s, err := stage.New(play, stage.Options{Ports: []port.Port{m.prt}, Inbox: in, Pace: pace, Host: m, Patience: 20 * time.Second,
		Keep: func(e ledger.Entry) { all = append(all, e) }})
	require.NoError(t, err)
	refuse := m.refuse
	m.refuse = nil
	require.NoError(t, s.Prelude(t.Context(), m.Start()))
	m.refuse = refuse
	require.NoError(t, s.Run(t.Context()))
	require.NoError(t, s.Finish("the end"))
	if refuse == nil {
		m.got = append(m.got, string(m.r.end()))
	}
	return all
}

// told is what the ledger says of the host and its port, and what became of the
// frames between.
func told(all []ledger.Entry) (what []string) {
	say := func(w string) {
		if len(what) == 0 || what[len(what)-1] != w {
			what = append(what, w)
		}
	}
	for _, e := range all {
		switch {
		case e.Kind == ledger.KindHost:
			say("host " + e.Note)
		case e.Port != nil && (e.Port.What == "opened" || e.Port.What == "closed"):
			say("port " + e.Port.What)
		case e.Out != nil:
			say(string(e.Out.Fate))
		}
	}
	return what
}

// Kind: property.
func TestRestartHost(t *testing.T) {
	kill := stage.Cue{At: 1010 * time.Millisecond, Gauge: -1, Channel: -1, Act: stage.RestartHost{By: stage.Kill}}
	stop := stage.Cue{At: 2 * time.Second, Gauge: -1, Channel: -1, Act: stage.RestartHost{For: seconds(1)}}
	m := &mortal{}
	all := restarted(t, m, stage.Drain, kill, stop)
	require.Equal(t, []stage.Ending{stage.Kill, stage.Stop}, m.how)
	require.Len(t, m.got, 3)
	for life, got := range m.got {
		require.Contains(t, got, "mm", "the host heard nothing in life %d", life)
	}
	// What is sent while nobody is there is not heard; between the kill and the
	// start time does not go on, so nothing is sent.
	require.Empty(t, cmp.Diff([]string{"port opened", "sent", "port closed", "host killed", "port opened", "host ready",
		"sent", "port closed", "host stopped", "unheard", "port opened", "host ready", "sent"}, told(all)))

	// At a pace of its own time goes on meanwhile, and the host is ready in the end
	// however long it takes. Whether anything is sent meanwhile depends on how long.
	m = &mortal{}
	all = restarted(t, m, times(t, "10x"), stop)
	require.Equal(t, []stage.Ending{stage.Stop}, m.how)
	require.Len(t, m.got, 2)
	require.Subset(t, told(all), []string{"host stopped", "host ready"})
}

func times(t *testing.T, text string) (p stage.Pace) {
	require.NoError(t, p.UnmarshalText([]byte(text)))
	return p
}

// What cannot be done is told.
//
// Kind: property.
func TestRestartHostThatCannotBe(t *testing.T) {
	m := &mortal{refuse: errors.New("the licence has run out")}
	all := restarted(t, m, stage.Drain, stage.Cue{At: time.Second, Gauge: -1, Channel: -1, Act: stage.RestartHost{}})
	require.Contains(t, told(all), "host not ready: the licence has run out")

	m = &mortal{}
	all = restarted(t, m, stage.Drain,
		stage.Cue{At: time.Second, Gauge: -1, Channel: -1, Act: stage.RestartHost{For: seconds(1)}},
		stage.Cue{At: 1500 * time.Millisecond, Gauge: -1, Channel: -1, Act: stage.RestartHost{}})
	require.Contains(t, told(all), "host the cue was not done: the host is being started again already")

	in := stage.NewInbox()
	var alone []ledger.Entry
	s, err := stage.New(stage.Play{Cast: []stage.Member{talking(t, "g", "line-ascii")}, Until: time.Second,
		Cues: []stage.Cue{{Gauge: -1, Channel: -1, Act: stage.RestartHost{}}}},
		stage.Options{Ports: []port.Port{m.prt}, Inbox: in, Pace: times(t, "1000x"), Keep: func(e ledger.Entry) { alone = append(alone, e) }})
	require.NoError(t, err)
	require.NoError(t, s.Run(t.Context()))
	require.Equal(t, "host the cue was not done: no host is run here that could be started again", told(alone)[0])

	// On paper the perfect listener is away meanwhile.
	paper := onPaper(t, stage.Play{Cast: []stage.Member{talking(t, "g", "line-ascii")}, Until: 2 * time.Second,
		Cues: []stage.Cue{{At: 500 * time.Millisecond, Gauge: -1, Channel: -1, Act: stage.RestartHost{For: seconds(1)}}}})
	require.Equal(t, []string{"sent", "host stopped", "unheard", "host ready", "sent"}, told(paper))

	var e stage.Ending
	require.ErrorContains(t, e.UnmarshalText([]byte("throttle")), "write stop or kill")
	require.True(t, strings.HasPrefix(stage.Describe(stage.RestartHost{By: stage.Kill}), "restart host, by: kill"))
}
