//go:build unix

package stage_test

import (
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"github.com/stretchr/testify/require"
)

// ahead is a port whose host reads ahead of what it looks at, and can be ended.
type ahead struct {
	fake
	sent int64
}

func (a *ahead) Negotiating() bool { return false }
func (a *ahead) Stats() port.Stats { return port.Stats{Sent: port.Count{Bytes: a.sent}} }
func (a *ahead) Write(p []byte) port.Outcome {
	a.sent += int64(len(p))
	return a.fake.Write(p)
}

func (a *ahead) End(stage.Ending) <-chan struct{} {
	a.up = false
	a.sink(port.Event{Kind: port.Closed})
	done := make(chan struct{})
	close(done)
	return done
}

func (a *ahead) Start() <-chan error {
	ready := make(chan error, 1)
	a.up = true
	a.sink(port.Event{Kind: port.Opened, Taken: a.sent})
	ready <- nil
	return ready
}

// taken plays one gauge that streams 20 times a second to such a host.
func taken(t *testing.T, opt stage.Options, cues ...stage.Cue) (all []ledger.Entry) {
	in := stage.NewInbox()
	p := &ahead{fake: fake{up: true, sink: in.Sink(0)}}
	p.sink(port.Event{Kind: port.Opened, Taken: p.sent})
	opt.Ports, opt.Inbox, opt.Host, opt.Keep = []port.Port{p}, in, p, func(e ledger.Entry) { all = append(all, clone(t, e)) }
	s, err := stage.New(stage.Play{Cast: []stage.Member{talking(t, "g", "line-ascii")}, Cues: cues, Until: 3 * time.Second}, opt)
	require.NoError(t, err)
	require.NoError(t, s.Run(t.Context()))
	require.NoError(t, s.Finish("the end"))
	return all
}

// onItsClock runs a test on a clock of its own, except at drain, which looks at the real one.
func onItsClock(t *testing.T, pace stage.Pace, test func(t *testing.T)) {
	if pace == stage.Drain {
		test(t)
		return
	}
	synctest.Test(t, test)
}

func busy(bool) stage.Signs { return stage.Signs{Working: true} }

// The ledger has up to when a host that is killed has had the time to record what it
// was given: at a timed pace until as long before as it may take, and at drain until it
// was still last.
//
// Kind: property.
func TestHadTheTime(t *testing.T) {
	at := func(d time.Duration) *time.Duration { return &d }
	for _, c := range []struct {
		name string
		opt  stage.Options
		at   time.Duration
		by   stage.Ending
		had  *time.Duration
	}{
		{"timed", stage.Options{Pace: stage.Real, Within: 250 * time.Millisecond}, 2 * time.Second, stage.Kill, at(1750 * time.Millisecond)},
		{"ten times as fast", stage.Options{Pace: times(t, "10x"), Within: 100 * time.Millisecond}, 2 * time.Second, stage.Kill, at(time.Second)},
		{"sooner than a processor is free", stage.Options{Pace: times(t, "10x"), Within: time.Millisecond}, 2 * time.Second, stage.Kill, at(1500 * time.Millisecond)},
		{"stopped", stage.Options{Pace: stage.Real, Within: 250 * time.Millisecond}, 2 * time.Second, stage.Stop, nil},
		{"still at drain", stage.Options{Pace: stage.Drain, Within: 20 * time.Millisecond}, 2 * time.Second, stage.Kill, at(2 * time.Second)},
		{"never still at drain", stage.Options{Pace: stage.Drain, Within: 20 * time.Millisecond, Signs: busy, Patience: time.Millisecond}, 100 * time.Millisecond, stage.Kill, at(0)},
	} {
		t.Run(c.name, func(t *testing.T) {
			onItsClock(t, c.opt.Pace, func(t *testing.T) {
				var had *time.Duration
				for _, e := range taken(t, c.opt, stage.Cue{At: c.at, Gauge: -1, Channel: -1, Act: stage.RestartHost{By: c.by}}) {
					if e.Kind == ledger.KindHost && e.Note != "ready" {
						had = e.Had
					}
				}
				require.Equal(t, c.had, had)
			})
		})
	}
}

// A host that reads ahead over the network forgets with its connection what it has not
// looked at: at a timed pace that is what came a moment before, and at drain nothing,
// for the port is not hung up before the host has been still.
//
// Kind: property.
func TestForgottenAtAHangUp(t *testing.T) {
	const frame = len("      +00008.000 mm = .*09\r\n") - 4
	for pace, least := range map[stage.Pace]int{times(t, "10x"): 9 * frame, stage.Real: frame, stage.Drain: 0} {
		t.Run(pace.String(), func(t *testing.T) {
			onItsClock(t, pace, func(t *testing.T) {
				lost := 0
				for _, e := range taken(t, stage.Options{Pace: pace, Within: 10 * time.Millisecond}, cue(1010*time.Millisecond, stage.LoseLink{For: seconds(0.5)})) {
					if e.Port != nil && e.Port.What == "hung up" {
						lost = e.Port.Lost
					}
				}
				require.GreaterOrEqual(t, lost, least)
				require.LessOrEqual(t, lost, least+least/2)
			})
		})
	}
}

// lingering is a host that closes its port a while after it has been asked to end.
type lingering struct {
	ahead
	late time.Duration
}

func (l *lingering) End(how stage.Ending) <-chan struct{} {
	done := make(chan struct{})
	time.AfterFunc(l.late, func() {
		<-l.ahead.End(how)
		close(done)
	})
	return done
}

// A host that is asked to end need not look at what comes after that, nor, where it reads
// ahead, at what came a moment before it closed the port.
//
// Kind: property.
func TestGivenToAHostThatEnds(t *testing.T) {
	frame := len("R +00008.000 mm 3 .*6C\r\n")
	for late, want := range map[time.Duration]int{
		0:                      2, // of 2 s and 1.95 s
		220 * time.Millisecond: 5, // of 2 s, 2.05, 2.1, 2.15 and 2.2 s
	} {
		synctest.Test(t, func(t *testing.T) {
			in := stage.NewInbox()
			l := &lingering{ahead{fake: fake{up: true, sink: in.Sink(0)}}, late}
			l.sink(port.Event{Kind: port.Opened})
			unread := map[int]bool{} // where in the bytes
			sent := 0
			s, err := stage.New(stage.Play{Cast: []stage.Member{talking(t, "g", "line-ascii")}, Cues: []stage.Cue{cue(2*time.Second, stage.RestartHost{For: seconds(0.5)})}, Until: 3 * time.Second},
				stage.Options{Ports: []port.Port{l}, Inbox: in, Host: l, Pace: stage.Real, Within: 60 * time.Millisecond, Keep: func(e ledger.Entry) {
					switch {
					case e.Out != nil && e.Out.Fate == ledger.Sent:
						sent += frame
					case e.Out != nil && e.Out.Fate == ledger.Unread:
						for at := sent - e.Out.Count; at < sent; at += frame {
							unread[at] = true
						}
					}
				}})
			require.NoError(t, err)
			require.NoError(t, s.Run(t.Context()))
			require.NoError(t, s.Finish("the end"))
			require.Len(t, unread, want)
		})
	}
}

// lazy is a port that its host opens again a while after it has come back.
type lazy struct {
	fake
	open atomic.Bool
	late time.Duration
}

func (l *lazy) Open() bool                 { return l.open.Load() }
func (l *lazy) HangUp() (int, bool, error) { l.open.Store(false); return 0, true, nil }
func (l *lazy) Return(string) error {
	time.AfterFunc(l.late, func() {
		l.open.Store(true)
		l.sink(port.Event{Kind: port.Opened})
	})
	return nil
}

// A host whose port comes back just before the end is given the time to open it.
//
// Kind: property.
func TestComesBackAtTheEnd(t *testing.T) {
	for late, opens := range map[time.Duration]int{2 * time.Second: 2, time.Hour: 1} {
		synctest.Test(t, func(t *testing.T) {
			in := stage.NewInbox()
			l := &lazy{fake: fake{sink: in.Sink(0)}, late: late}
			l.open.Store(true)
			l.sink(port.Event{Kind: port.Opened})
			n := 0
			s, err := stage.New(stage.Play{Cast: []stage.Member{plain("g")}, Cues: []stage.Cue{cue(500*time.Millisecond, stage.LoseLink{For: seconds(0.4)})}, Until: time.Second},
				stage.Options{Ports: []port.Port{l}, Inbox: in, Pace: times(t, "10x"), Keep: func(e ledger.Entry) {
					if e.Port != nil && e.Port.What == "opened" {
						n++
					}
				}})
			require.NoError(t, err)
			require.NoError(t, s.Run(t.Context()))
			require.NoError(t, s.Finish("the end"))
			require.Equal(t, opens, n)
			if late == time.Hour {
				time.Sleep(late) // or its timer is left behind
			}
		})
	}
}

// backlog is a port that tells its opening after it has taken frames of the new session.
type backlog struct {
	ahead
	before int64
	since  []int
}

func (p *backlog) Return(string) error { p.up, p.before = true, p.sent; return nil }
func (p *backlog) Write(b []byte) port.Outcome {
	if p.up && p.before > 0 {
		if p.since = append(p.since, len(b)); len(p.since) == 3 {
			p.sink(port.Event{Kind: port.Opened, Taken: p.before})
			p.sink(port.Event{Kind: port.Purged, Inexact: true})
		}
	}
	return p.ahead.Write(b)
}

// A purge soon after an opening may throw away all of the session, what came before the
// opening was told included.
//
// Kind: property.
func TestPurgeAfterAnOpeningToldLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in := stage.NewInbox()
		p := &backlog{ahead: ahead{fake: fake{up: true, sink: in.Sink(0)}}}
		p.sink(port.Event{Kind: port.Opened})
		purged, unread := false, 0
		s, err := stage.New(stage.Play{Cast: []stage.Member{talking(t, "g", "line-ascii")}, Until: 2 * time.Second,
			Cues: []stage.Cue{cue(time.Second, stage.LoseLink{For: seconds(0.2), Seen: stage.HangUp})}},
			stage.Options{Ports: []port.Port{p}, Inbox: in, Pace: stage.Real, Keep: func(e ledger.Entry) {
				if e.Port != nil && e.Port.What == "purged" {
					purged = true
				} else if purged && unread == 0 && e.Out != nil && e.Out.Fate == ledger.Unread {
					unread = e.Out.Count
				}
			}})
		require.NoError(t, err)
		require.NoError(t, s.Run(t.Context()))
		require.NoError(t, s.Finish("the end"))
		require.GreaterOrEqual(t, unread, p.since[0]+p.since[1])
	})
}

// clearing is a port whose client throws away what has come when it sets itself up.
type clearing struct{ lazy }

func (*clearing) Clears() bool { return true }

// What comes to a client that has connected again a moment ago, and not said anything yet, it
// may throw away unseen; at drain time waits for it, and at the start it says that it is ready.
//
// Kind: property.
func TestThrownAwayAfterAnOpening(t *testing.T) {
	for name, c := range map[string]struct {
		pace stage.Pace
		says time.Duration // after it has opened the port again; 0: nothing
		want int           // times
	}{
		"silent":              {stage.Real, 0, 5}, // at 1.25, 1.3, 1.35, 1.4 and 1.45 s
		"it speaks":           {stage.Real, 120 * time.Millisecond, 2},
		"ten times as fast":   {times(t, "10x"), 0, 38}, // from 1.3 s until the end at 3.2 s
		"time waits at drain": {stage.Drain, 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			onItsClock(t, c.pace, func(t *testing.T) {
				in := stage.NewInbox()
				p := &clearing{lazy: lazy{fake: fake{up: true, sink: in.Sink(0)}, late: 7 * time.Millisecond}}
				p.open.Store(true)
				p.sink(port.Event{Kind: port.Opened})
				n := 0
				s, err := stage.New(stage.Play{Cast: []stage.Member{talking(t, "g", "line-ascii")}, Until: 3199 * time.Millisecond, Cues: []stage.Cue{cue(time.Second, stage.LoseLink{For: seconds(0.2), Seen: stage.HangUp})}},
					stage.Options{Ports: []port.Port{p}, Inbox: in, Pace: c.pace, Keep: func(e ledger.Entry) {
						if e.Out != nil && e.Out.Fate == ledger.Unread {
							n++
						} else if e.Port != nil && e.Port.What == "returned" && c.says > 0 {
							time.AfterFunc(c.says, func() { p.sink(says("I")) })
						}
					}})
				require.NoError(t, err)
				ready := make(chan error, 1)
				ready <- nil
				require.NoError(t, s.Prelude(t.Context(), ready))
				require.NoError(t, s.Run(t.Context()))
				require.NoError(t, s.Finish("the end"))
				require.Equal(t, c.want, n)
			})
		})
	}
}

// shy is a port whose host's question is on its way while the host waits for the answer.
type shy struct {
	fake
	looks int
}

func (s *shy) Told() bool {
	if s.looks++; s.looks == 5 {
		s.sink(says("I"))
	}
	return s.looks >= 5
}

// Time does not pass at drain between what a host says and the word of it; one that never
// stops talking does not hold time up.
//
// Kind: property.
func TestQuestionToldLate(t *testing.T) {
	for looks, late := range map[int]bool{0: false, -1 << 30: true} {
		in := stage.NewInbox()
		p := &shy{fake: fake{up: true, sink: in.Sink(0)}, looks: looks}
		p.sink(port.Event{Kind: port.Opened})
		var all []ledger.Kind
		s, err := stage.New(stage.Play{Cast: []stage.Member{plain("g")}, Cues: []stage.Cue{cue(time.Second, stage.Tag{})}, Until: 1100 * time.Millisecond},
			stage.Options{Ports: []port.Port{p}, Inbox: in, Pace: stage.Drain, Keep: func(e ledger.Entry) { all = append(all, e.Kind) }})
		require.NoError(t, err)
		require.NoError(t, s.Run(t.Context()))
		require.NoError(t, s.Finish("the end"))
		said, cued := slices.Index(all, ledger.KindIn), slices.Index(all, ledger.KindCue)
		require.GreaterOrEqual(t, cued, 0)
		require.Equal(t, late, said < 0)
		require.True(t, late || said < cued)
	}
}
