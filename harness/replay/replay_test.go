package replay_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/replay"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/wire"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"pgregory.net/rapid"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const ms = time.Millisecond

func shippedDialect(name string) (string, []byte, error) {
	file := "dialects/" + name + ".yaml"
	text, err := scenarios.Files.ReadFile(file)
	return file, text, err
}

func dialect(t require.TestingT, name string) *wire.Dialect {
	file, text, err := shippedDialect(name)
	require.NoError(t, err)
	d, err := wire.Parse(file, text)
	require.NoError(t, err)
	return d
}

// heard makes a capture of lines such as "100 > ?" (the host) and
// "102 < R +00006.001 mm 3 .*67" (the gauge), "200 gone", "300 back"; times in ms.
func heard(text string) *capture.Capture {
	c := &capture.Capture{Lines: []capture.Line{capture.NewLine("pin-snap", "9600 8N1")}}
	for line := range strings.Lines(strings.TrimSpace(text)) {
		var at int
		var what string
		line = strings.TrimSpace(line)
		if _, err := fmt.Sscan(line, &at, &what); err != nil {
			panic(err)
		}
		e := capture.Event{At: time.Duration(at) * ms}
		_, rest, _ := strings.Cut(line, what)
		rest = strings.TrimSpace(rest)
		switch what {
		case ">":
			e.Kind, e.Bytes = capture.FromHost, []byte(rest+"\r\n")
		case "<":
			e.Kind, e.Bytes = capture.FromGauge, []byte(rest+"\r\n")
		case "gone":
			e.Kind = capture.Gone
		case "back":
			e.Kind, e.Text = capture.Back, rest
		}
		c.Events = append(c.Events, e)
	}
	return c
}

// session has what hosts do with a gauge: readings asked for, a setting, a
// stream that is switched on, a link that goes.
const session = `
	0    > Q unit
	3    < V unit=mm
	100  > N
	104  < R +00006.001 mm 3 .*67
	200  > N
	204  < R +00006.002 mm 3 .*64
	300  > S1
	302  < OK
	350  < R +00006.003 mm 3 .*65
	400  < R +00006.004 mm 3 .*62
	450  < T0001 +00006.004 mm 3 .*65
	500  gone
	900  back pin-snap-2
	950  < R +00006.005 mm 3 .*63`

func script(t require.TestingT, text string, d *wire.Dialect) *replay.Script {
	s, err := replay.NewScript(context.Background(), heard(text), 0, d)
	require.NoError(t, err)
	return s
}

// play gives a player the host's bytes at their times, and tells what the gauge
// does, with its times, until a time.
func play(p *replay.Player, until time.Duration, host ...capture.Event) (out []string) {
	now := time.Duration(0)
	do := func(d replay.Deed) {
		said := strings.TrimSpace(string(d.Data))
		switch {
		case d.Gone:
			said = "gone"
		case d.Back:
			said = "back " + d.Name
		}
		out = append(out, fmt.Sprintf("%d %s", now/ms, said))
	}
	to := func(t time.Duration) {
		for {
			at, ok := p.Next()
			if !ok || at > t {
				break
			}
			now = max(now, at)
			p.Advance(now, do)
		}
		now = t
	}
	p.Start(0)
	for _, e := range host {
		to(e.At)
		p.Receive(e.Bytes, e.At)
	}
	to(until)
	return out
}

func ask(at int, text string) capture.Event {
	return capture.Event{At: time.Duration(at) * ms, Bytes: []byte(text)}
}

// Kind: property.
func TestAnswersAsTheCaptureHasIt(t *testing.T) {
	t.Parallel()
	want := []string{"3 V unit=mm", "104 R +00006.001 mm 3 .*67", "204 R +00006.002 mm 3 .*64", "302 OK",
		"350 R +00006.003 mm 3 .*65", "400 R +00006.004 mm 3 .*62", "450 T0001 +00006.004 mm 3 .*65", "500 gone", "900 back pin-snap-2", "950 R +00006.005 mm 3 .*63"}
	same := []capture.Event{ask(0, "Q unit\r\n"), ask(100, "N\r\n"), ask(200, "N\r\n"), ask(300, "S1\r\n")}
	for name, d := range map[string]*wire.Dialect{"by the dialect": dialect(t, "line-ascii"), "by the times": nil} {
		t.Run(name, func(t *testing.T) {
			p := replay.NewPlayer(script(t, session, d), time.Second)
			require.Empty(t, cmp.Diff(want, play(p, 2*time.Second, same...)))
			require.True(t, p.Over())
			require.Equal(t, replay.Counts{Sent: 4, Answered: 4}, p.Counts())
		})
	}
}

// Kind: property.
func TestIsTolerantOfTimesAndOrder(t *testing.T) {
	t.Parallel()
	d := dialect(t, "line-ascii")
	for name, c := range map[string]struct {
		host   []capture.Event
		want   []string
		counts replay.Counts
	}{
		"a slow host": { // the stream begins after S1, however late that is
			[]capture.Event{ask(500, "Q unit\r\n"), ask(700, "N\r\n"), ask(800, "N\r\n"), ask(900, "S1\r\n")},
			[]string{"503 V unit=mm", "704 R +00006.001 mm 3 .*67", "804 R +00006.002 mm 3 .*64", "902 OK", "950 R +00006.003 mm 3 .*65",
				"1000 R +00006.004 mm 3 .*62", "1050 T0001 +00006.004 mm 3 .*65", "1100 gone", "1500 back pin-snap-2", "1550 R +00006.005 mm 3 .*63"},
			replay.Counts{Sent: 4, Answered: 4},
		},
		"another order, and more": { // each request has its own answers; the last one stays
			[]capture.Event{ask(0, "N\r\n"), ask(10, "N\r\n"), ask(20, "N\r\n"), ask(30, "Q unit\r\n"), ask(40, "S1\r\n")},
			[]string{"4 R +00006.001 mm 3 .*67", "14 R +00006.002 mm 3 .*64", "24 R +00006.002 mm 3 .*64", "33 V unit=mm", "42 OK", "380 R +00006.003 mm 3 .*65",
				"430 R +00006.004 mm 3 .*62", "480 T0001 +00006.004 mm 3 .*65", "530 gone", "930 back pin-snap-2", "980 R +00006.005 mm 3 .*63"},
			replay.Counts{Sent: 4, Answered: 5},
		},
		"another way to end a line": {
			[]capture.Event{ask(0, "Q unit\n"), ask(50, "N\nN\nS1\n")},
			[]string{"3 V unit=mm", "52 OK", "54 R +00006.001 mm 3 .*67", "54 R +00006.002 mm 3 .*64", "350 R +00006.003 mm 3 .*65",
				"400 R +00006.004 mm 3 .*62", "450 T0001 +00006.004 mm 3 .*65", "500 gone", "900 back pin-snap-2", "950 R +00006.005 mm 3 .*63"},
			replay.Counts{Sent: 4, Answered: 4},
		},
		"a host that only listens": { // three different requests are waited for, a second each
			nil,
			[]string{"3350 R +00006.003 mm 3 .*65", "3400 R +00006.004 mm 3 .*62", "3450 T0001 +00006.004 mm 3 .*65", "3500 gone", "3900 back pin-snap-2", "3950 R +00006.005 mm 3 .*63"},
			replay.Counts{Sent: 4, GivenUp: 3},
		},
		"what the capture does not have": {
			[]capture.Event{ask(0, "Q unit\r\n"), ask(5, "Q rate\r\n"), ask(6, "what?\r\n"), ask(7, "N\r\nN\r\nS1\r\n")},
			[]string{"3 V unit=mm", "9 OK", "11 R +00006.001 mm 3 .*67", "11 R +00006.002 mm 3 .*64", "350 R +00006.003 mm 3 .*65",
				"400 R +00006.004 mm 3 .*62", "450 T0001 +00006.004 mm 3 .*65", "500 gone", "900 back pin-snap-2", "950 R +00006.005 mm 3 .*63"},
			replay.Counts{Sent: 4, Answered: 4, Unknown: 1, Strange: 6},
		},
	} {
		t.Run(name, func(t *testing.T) {
			p := replay.NewPlayer(script(t, session, d), time.Second)
			require.Empty(t, cmp.Diff(c.want, play(p, 10*time.Second, c.host...)))
			require.Equal(t, c.counts, p.Counts())
		})
	}
}

// Without a dialect a request that begins like a longer one is known when the
// line has been quiet.
//
// Kind: property.
func TestTellsRequestsThatBeginAlike(t *testing.T) {
	t.Parallel()
	c := heard("0 < x\n")
	c.Events = nil
	for i, s := range []string{"M", "MX", "A"} {
		c.Events = append(c.Events, capture.Event{At: time.Duration(i) * time.Second, Kind: capture.FromHost, Bytes: []byte(s)},
			capture.Event{At: time.Duration(i)*time.Second + ms, Kind: capture.FromGauge, Bytes: []byte("<" + s + ">")})
	}
	s, err := replay.NewScript(context.Background(), c, 0, nil)
	require.NoError(t, err)
	p := replay.NewPlayer(s, 0)
	require.Empty(t, cmp.Diff([]string{"51 <M>", "101 <MX>", "203 <A>", "253 <M>"}, play(p, time.Second, ask(0, "M"), ask(90, "M"), ask(100, "X"), ask(202, "?A"), ask(202, "M"))))
	require.Equal(t, 1, p.Counts().Strange)
}

// However the host's bytes are split, the same is answered.
//
// Kind: property.
func TestSplittingDoesNotMatter(t *testing.T) {
	t.Parallel()
	d := dialect(t, "line-ascii")
	text := "Q unit\r\nN\r\nnonsense\r\nN\r\nS1\r\nN\r\n"
	rapid.Check(t, func(rt *rapid.T) {
		var with *wire.Dialect
		if rapid.Bool().Draw(rt, "dialect") {
			with = d
		}
		p := replay.NewPlayer(script(rt, session, with), 0)
		whole := play(p, time.Second, ask(0, text))
		counts := p.Counts()
		var pieces []capture.Event
		for rest := text; rest != ""; {
			n := rapid.IntRange(1, len(rest)).Draw(rt, "n")
			pieces = append(pieces, ask(0, rest[:n]))
			rest = rest[n:]
		}
		q := replay.NewPlayer(script(rt, session, with), 0)
		require.Empty(rt, cmp.Diff(whole, play(q, time.Second, pieces...)))
		require.Equal(rt, counts, q.Counts())
	})
}

// What a gauge sends on its own is played back byte by byte at its times, for
// every shipped scenario.
//
// Kind: property.
func TestPlaysShippedScenariosBack(t *testing.T) {
	t.Parallel()
	files, err := scenarios.Files.ReadDir(".")
	require.NoError(t, err)
	for _, f := range files {
		name := f.Name()
		if !strings.HasSuffix(name, ".yaml") {
			continue
		}
		t.Run(name, func(t *testing.T) {
			text, err := scenarios.Files.ReadFile(name)
			require.NoError(t, err)
			s, err := scenario.Parse(name, text, shippedDialect)
			require.NoError(t, err)
			entries, err := paper.Ledger(t.Context(), s)
			require.NoError(t, err)
			c := capture.FromLedger(entries, time.Time{})
			for i := range c.Lines {
				for _, d := range []*wire.Dialect{nil, s.Play.Cast[i].Dialect} {
					sc, err := replay.NewScript(context.Background(), c, i, d)
					if err != nil {
						require.ErrorContains(t, err, "nothing was heard")
						continue
					}
					var want, got []byte
					p := replay.NewPlayer(sc, time.Second)
					do := func(d replay.Deed) { got = append(got, d.Data...) }
					p.Start(0)
					for _, e := range c.Events {
						switch {
						case e.Line != i:
						case e.Kind == capture.FromGauge:
							want = append(want, e.Bytes...)
						case e.Kind == capture.FromHost: // of a handshake
							p.Advance(e.At, do)
							p.Receive(e.Bytes, e.At)
						}
					}
					p.Advance(24*time.Hour, do)
					require.Equal(t, string(want), string(got))
					require.True(t, p.Over())
				}
			}
		})
	}
}

// Kind: property.
func TestSaysWhichGauge(t *testing.T) {
	t.Parallel()
	two := &capture.Capture{Lines: []capture.Line{{Name: "a"}, {Name: "b"}}}
	i, err := replay.Line(two, "b")
	require.NoError(t, err)
	require.Equal(t, 1, i)
	_, err = replay.Line(two, "")
	require.ErrorContains(t, err, "say which: a, b")
	_, err = replay.Line(two, "c")
	require.ErrorContains(t, err, `no gauge "c"; it has a, b`)
	_, err = replay.NewScript(context.Background(), two, 0, nil)
	require.ErrorContains(t, err, "nothing was heard of a")
}

// FuzzPlayer has hosts send anything at any time: nothing panics, nothing is
// sent that is not in the capture, and the timeline comes to its end.
//
// Kind: property.
func FuzzPlayer(f *testing.F) {
	f.Add([]byte("N\r\nQ unit\r\nS1\r\n"), uint16(3), true)
	f.Add([]byte("\rN\r\rS"), uint16(900), false)
	d := dialect(f, "line-ascii")
	f.Fuzz(func(t *testing.T, host []byte, gap uint16, decoded bool) {
		var with *wire.Dialect
		if decoded {
			with = d
		}
		s := script(t, session, with)
		p := replay.NewPlayer(s, time.Duration(gap)*ms)
		p.Start(0)
		now := time.Duration(0)
		do := func(d replay.Deed) {
			if len(d.Data) > 0 && !strings.Contains(session, strings.TrimSpace(string(d.Data))) {
				t.Errorf("sent %q", d.Data)
			}
		}
		for i := 0; i < len(host); i += 3 {
			p.Receive(host[i:min(i+3, len(host))], now)
			now += time.Duration(gap) * time.Millisecond / 2
			p.Advance(now, do)
		}
		p.Advance(now+time.Hour, do)
		if !p.Over() {
			t.Error("the timeline does not end")
		}
	})
}
