package inside_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const play = `understudy: 1
title: One tag, and a link that is lost
part: {feature: rim, nominal: 5 mm, limits: [4.9 mm, 5.1 mm]}
gauges:
  - {name: g1, dialect: line-ascii}
cues:
  - {at: 0 s, do: preset}
  - {at: 1 s, do: tag}
  - {at: 2 s, do: lose link, for: 1 s}
until: 4 s
`

func parse(t *testing.T, text string) *scenario.Scenario {
	s, err := scenario.Parse("play", []byte(text), func(name string) (string, []byte, error) {
		text, err := scenarios.Files.ReadFile("dialects/" + name + ".yaml")
		return name + ".yaml", text, err
	})
	require.NoError(t, err)
	return s
}

// What a host lives through comes at the times of the scenario.
//
// Kind: property.
func TestWorld(t *testing.T) {
	var log []string
	say := func(w *inside.World, format string, args ...any) {
		log = append(log, fmt.Sprintf("%s ", w.Now())+fmt.Sprintf(format, args...))
	}
	asked := false
	host := func(w *inside.World) error {
		w.Go(func() {
			for w.Sleep(900*time.Millisecond) == nil {
				say(w, "woke")
			}
		})
		for {
			p, err := w.Open(0, "9600 8N1")
			if errors.Is(err, inside.ErrEnd) {
				say(w, "the end")
				return nil
			}
			if err != nil {
				return err
			}
			say(w, "open")
			w.Ready()
			require.NoError(t, p.SetReadTimeout(-1))
			for buf := make([]byte, 100); ; {
				n, err := p.Read(buf)
				if err != nil {
					say(w, "%v", err)
					_, err = p.Write(buf)
					require.ErrorIs(t, err, inside.ErrGone)
					break
				}
				if n == 0 {
					require.True(t, w.Over())
					require.Error(t, w.Context().Err())
					break
				}
				say(w, "%q", buf[:n])
				if !asked {
					asked = true
					_, err := p.Write([]byte("N\r\n"))
					require.NoError(t, err)
				}
			}
			require.NoError(t, p.Close())
		}
	}
	r, err := inside.Do(t.Context(), parse(t, play), host)
	require.NoError(t, err)
	require.Empty(t, cmp.Diff([]string{
		"0s open",
		"900ms woke",
		`1s "T0001 +00005.000 mm 3 .*62\r\n"`,
		`1.029166666s "R +00005.000 mm 3 .*65\r\n"`, // the answer to the question
		"1.8s woke",
		"2s the port was hung up",
		"3s open",
		"3s woke", // due at 2.7 s, when nothing happened; time goes on in steps
		"3.9s woke",
		"4.05s the end",
	}, log))
	require.Equal(t, judge.Fail, r.Verdict, "a host that records nothing has lost the tag")
}

// Kind: property.
func TestHostsThatGoWrong(t *testing.T) {
	s := parse(t, play)
	_, err := inside.Do(t.Context(), s, func(w *inside.World) error { return errors.New("no job") })
	require.EqualError(t, err, "no job")

	_, err = inside.Do(t.Context(), s, func(w *inside.World) error { panic("oh") })
	require.ErrorContains(t, err, "the host panicked: oh")

	_, err = inside.Do(t.Context(), s, func(w *inside.World) error { _, err := w.Open(0, "9600 9X1"); return err })
	require.ErrorContains(t, err, "9X1")

	r, err := inside.Do(t.Context(), s, func(w *inside.World) error { w.Idle(); return nil })
	require.NoError(t, err)
	require.Equal(t, judge.Inconclusive, r.Verdict)
	require.Equal(t, []string{"the host did not get ready"}, r.Reasons)

	// One that opens its port and never reads: the tag may not have been read,
	// so its absence is no finding.
	r, err = inside.Do(t.Context(), s, func(w *inside.World) error {
		if _, err := w.Open(0, "9600 8N1"); err != nil {
			return err
		}
		w.Ready()
		w.Idle()
		return nil
	})
	require.NoError(t, err)
	require.Equal(t, judge.Fail, r.Verdict, "it leaves the port closed after the hang-up")
	require.Len(t, r.Findings, 2)
	require.Equal(t, []judge.Kind{judge.KindReopen, judge.KindEventMissing}, []judge.Kind{r.Findings[0].Kind, r.Findings[1].Kind}, "and has no row of it")
}

// What a host asks of the line shows as it does outside: a pty keeps no
// character size and no parity, a plain socket nothing.
//
// Kind: property.
func TestWhatPortsShow(t *testing.T) {
	for kind, want := range map[string][]string{"pty": {"9600 ??1"}, "tcp": nil, "rfc2217": {"9600 7E1"}} {
		r, err := inside.Do(t.Context(), parse(t, strings.Replace(play, "line-ascii", "line-ascii, port: "+kind, 1)), func(w *inside.World) error {
			_, err := w.Open(0, "9600 7E1")
			w.Ready()
			w.Idle()
			return err
		})
		require.NoError(t, err)
		var asked []string
		for _, e := range r.Entries {
			if e.Port != nil && e.Port.What == "asked" {
				asked = append(asked, e.Port.Line)
			}
		}
		require.Equal(t, want, asked, kind)
	}
}

// The job is the job file that hosts outside get.
//
// Kind: property.
func TestJob(t *testing.T) {
	var job struct {
		Gauges []struct{ Name, Port, Dialect string }
	}
	_, err := inside.Do(t.Context(), parse(t, play), func(w *inside.World) error {
		require.NotNil(t, w.Dialects["line-ascii"])
		w.Ready()
		return json.NewDecoder(bytes.NewReader(w.Job)).Decode(&job)
	})
	require.NoError(t, err)
	require.Len(t, job.Gauges, 1)
	require.Equal(t, "g1", job.Gauges[0].Name)
	require.Equal(t, "line-ascii", job.Gauges[0].Dialect)
}
