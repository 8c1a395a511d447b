package judge_test

import (
	"slices"
	"testing"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
)

// A host that was started again, is ready and does not open its port is found;
// one that does not get ready leaves the run undecided.
//
// Kind: property.
func TestNotOpenedAfterAStart(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 10}
	for note, want := range map[string]judge.Verdict{"ready": judge.Fail, "not ready: it ended": judge.Inconclusive} {
		w := newWorld(3, sh).play(sh).correct()
		end := w.entries[len(w.entries)-1]
		w.entries = w.entries[:len(w.entries)-1]
		w.port("g1", ledger.Port{What: "closed"})
		w.entry(ledger.Entry{Kind: ledger.KindHost, Note: "stopped"})
		w.entry(ledger.Entry{Kind: ledger.KindHost, Note: note})
		f := w.frame(0, w.tag(0, []ledger.Reading{w.reading(0, 0, decimal.MM)}))
		w.out(0, ledger.Out{Frames: []int{f.ID}, Fate: ledger.Unheard})
		w.entries = append(w.entries, end)
		res := judge.Judge(w.spec, w.entries, w.records)
		if res.Verdict != want || want == judge.Fail && res.Findings[0].Kind != judge.KindReopen {
			t.Errorf("%s: %s %q\n%s", note, res.Verdict, res.Reasons, describe(res.Findings))
		}
	}
}

// A port that was opened again has its line set again by a host that set it before. Of one
// that never sets it, that sets it late, or that has read nothing since, nothing is said.
//
// Kind: property.
func TestLineSetAgain(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 10}
	asked := func(e ledger.Entry) bool { return e.Port != nil && e.Port.What == "asked" }
	for name, c := range map[string]struct {
		later  int
		change func(w *world)
		want   bool
	}{
		"set again":          {later: 10, change: func(*world) {}},
		"not set again":      {later: 10, want: true, change: func(w *world) { w.entries[w.lastOf(asked)].Port.What = "lines" }},
		"never set":          {later: 10, change: func(w *world) { w.entries = slices.DeleteFunc(w.entries, asked) }},
		"nothing came since": {change: func(w *world) { w.entries[w.lastOf(asked)].Port.What = "lines" }},
		"opened twice, then set": {later: 10, change: func(w *world) {
			at := w.lastOf(asked)
			w.entries = slices.Insert(w.entries, at, ledger.Entry{T: w.entries[at].T, Kind: ledger.KindPort, Gauge: "g1", Port: &ledger.Port{What: "closed"}},
				ledger.Entry{T: w.entries[at].T, Kind: ledger.KindPort, Gauge: "g1", Port: &ledger.Port{What: "opened", Path: "ports/g1"}})
		}},
	} {
		w := newWorld(3, sh).play(sh)
		w.entries = w.entries[:len(w.entries)-1]
		w.port("g1", ledger.Port{What: "hung up", Path: "ports/g1"})
		w.row(judge.Record{Kind: "link-lost", Gauge: "g1"})
		w.now += time.Second
		w.port("g1", ledger.Port{What: "returned", Path: "ports/g1"})
		w.port("g1", ledger.Port{What: "opened", Path: "ports/g1"})
		w.row(judge.Record{Kind: "link-back", Gauge: "g1"})
		w.play(shape{gauges: 1, channels: 1, steps: c.later}).correct()
		c.change(w)
		res := judge.Judge(w.spec, w.entries, w.records)
		if got := len(res.Findings) == 1 && res.Findings[0].Kind == judge.KindUnset; got != c.want || !got && res.Verdict != judge.Pass {
			t.Errorf("%s: %s %q\n%s", name, res.Verdict, res.Reasons, describe(res.Findings))
		}
	}
}

// lastOf is the last entry of a kind.
func (w *world) lastOf(is func(ledger.Entry) bool) int {
	for i := len(w.entries) - 1; ; i-- {
		if is(w.entries[i]) {
			return i
		}
	}
}

// A lost link is to be noticed in time: its row stands before those of the
// readings that follow.
//
// Kind: property.
func TestLinkNoticedLate(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 10}
	w := newWorld(3, sh).play(sh)
	w.entries = w.entries[:len(w.entries)-1]
	at := len(w.records)
	w.entry(ledger.Entry{Kind: ledger.KindLink, Gauge: "g1", Link: &ledger.Link{State: "lost"}}) // as the stage writes it
	w.port("g1", ledger.Port{What: "hung up", Path: "ports/g1"})
	w.row(judge.Record{Kind: "link-lost", Gauge: "g1"})
	w.now += time.Second
	w.entry(ledger.Entry{Kind: ledger.KindLink, Gauge: "g1", Link: &ledger.Link{State: "up"}})
	w.port("g1", ledger.Port{What: "returned", Path: "ports/g1"})
	w.port("g1", ledger.Port{What: "opened", Path: "ports/g1"})
	w.row(judge.Record{Kind: "link-back", Gauge: "g1"})
	w.play(sh).correct()
	if res := judge.Judge(w.spec, w.entries, w.records); res.Verdict != judge.Pass {
		t.Errorf("%s\n%s", res.Verdict, describe(res.Findings))
	}
	late := slices.Clone(w.records)
	events := slices.Clone(late[at : at+2])
	copy(late[at:], late[at+2:at+6])
	copy(late[at+4:], events)
	for i := range events {
		late[at+4+i].Time = late[at+3].Time
	}
	res := judge.Judge(w.spec, w.entries, late)
	if len(res.Findings) == 0 || res.Findings[0].Kind != judge.KindEventLate || res.Explanations[0].Cause.Name != "events-late" {
		t.Errorf("%s %+v\n%s", res.Verdict, res.Explanations, describe(res.Findings))
	}
}

// A port that is hung up again before the host has opened it is one loss to the
// host, or two to one that looks more often.
//
// Kind: property.
func TestHungUpTwice(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 10}
	for losses, want := range map[int]judge.Verdict{0: judge.Fail, 1: judge.Pass, 2: judge.Pass, 3: judge.Fail} {
		w := newWorld(3, sh).play(sh)
		w.entries = w.entries[:len(w.entries)-1]
		for range 2 {
			w.port("g1", ledger.Port{What: "hung up", Path: "ports/g1"})
			w.now += time.Second
			w.port("g1", ledger.Port{What: "returned", Path: "ports/g1"})
		}
		w.port("g1", ledger.Port{What: "opened", Path: "ports/g1"})
		for range losses {
			w.row(judge.Record{Kind: "link-lost", Gauge: "g1"})
		}
		w.row(judge.Record{Kind: "link-back", Gauge: "g1"})
		w.play(sh).correct()
		if res := judge.Judge(w.spec, w.entries, w.records); res.Verdict != want {
			t.Errorf("%d losses: %s\n%s", losses, res.Verdict, describe(res.Findings))
		}
	}
}

// The control lines are held against a host when they were never raised, or fell
// while the gauge went on sending; not when it lets go at the end, nor in a session
// too short to tell.
//
// Kind: property.
func TestControlLines(t *testing.T) {
	t.Parallel()
	low := ledger.Entry{Kind: ledger.KindPort, Gauge: "g1", Port: &ledger.Port{What: "lines", Note: "DTR false RTS false"}}
	high := ledger.Entry{Kind: ledger.KindPort, Gauge: "g1", Port: &ledger.Port{What: "lines", Note: "DTR true RTS true"}}
	at := func(es []ledger.Entry, what string) int {
		return slices.IndexFunc(es, func(e ledger.Entry) bool { return e.Port != nil && e.Port.What == what })
	}
	for _, c := range []struct {
		name   string
		steps  int
		real   bool
		change func(es []ledger.Entry) []ledger.Entry
		got    string
	}{
		{"as stated", 8, false, func(es []ledger.Entry) []ledger.Entry { return es }, ""},
		{"never raised", 8, false, func(es []ledger.Entry) []ledger.Entry { i := at(es, "lines"); return slices.Delete(es, i, i+1) }, "DTR lowered"},
		{"never raised in real time", 20, true, func(es []ledger.Entry) []ledger.Entry { i := at(es, "lines"); return slices.Delete(es, i, i+1) }, "DTR lowered"},
		{"too soon to tell", 2, true, func(es []ledger.Entry) []ledger.Entry { i := at(es, "lines"); return slices.Delete(es, i, i+1) }, ""},
		{"falls", 8, false, func(es []ledger.Entry) []ledger.Entry { return slices.Insert(es, len(es)/2, low) }, "DTR lowered"},
		{"falls and is raised at once", 8, false, func(es []ledger.Entry) []ledger.Entry { return slices.Insert(es, len(es)/2, low, es[at(es, "lines")]) }, ""},
		{"lets go at the end", 8, false, func(es []ledger.Entry) []ledger.Entry { return slices.Insert(es, len(es)-1, low) }, ""},
		{"the other one is raised", 8, false, func(es []ledger.Entry) []ledger.Entry { return slices.Insert(es, len(es)/2, high) }, "RTS raised"},
	} {
		sh := shape{gauges: 1, channels: 1, steps: c.steps}
		w := newWorld(2, sh).play(sh).correct()
		w.spec.RealTime = c.real
		res := judge.Judge(w.spec, c.change(w.entries), w.records)
		got := ""
		if len(res.Findings) > 0 {
			got = res.Findings[0].Got
		}
		if got != c.got || len(res.Findings) > 1 || got != "" && res.Explanations[0].Cause.Name != "control-lines-idle" {
			t.Errorf("%s: got %q, want %q\n%s", c.name, got, c.got, describe(res.Findings))
		}
	}
}

// A host that closes a port by itself while the gauge goes on sending, and does not open it
// again, is found; so is one that has no row for a hang-up after which the port never came
// back. Neither is where the run ends too soon to tell.
//
// Kind: property.
func TestLeftUntilTheEnd(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 10}
	unheard := func(w *world, n int) {
		for range n {
			w.now += time.Second
			w.entry(ledger.Entry{Kind: ledger.KindOut, Gauge: "g1", Out: &ledger.Out{Frames: []int{1}, Fate: ledger.Unheard}})
		}
	}
	port := func(w *world, what string) { w.port("g1", ledger.Port{What: what, Path: "ports/g1"}) }
	noted := func(w *world) { w.row(judge.Record{Kind: "link-lost", Gauge: "g1"}) }
	for _, c := range []struct {
		name   string
		real   bool
		change func(w *world)
		want   judge.Kind
	}{
		{"closed for good", false, func(w *world) { port(w, "closed"); unheard(w, 5) }, judge.KindDeserted},
		{"closed for good in real time", true, func(w *world) { port(w, "closed"); unheard(w, 5) }, judge.KindDeserted},
		{"closed just now in real time", true, func(w *world) { port(w, "closed"); unheard(w, 1) }, ""},
		{"closed when nothing came any more", false, func(w *world) { port(w, "closed") }, ""},
		{"closed and opened again", false, func(w *world) { port(w, "closed"); unheard(w, 5); port(w, "opened") }, ""},
		{"closed, then hung up", false, func(w *world) { port(w, "closed"); unheard(w, 5); port(w, "hung up") }, ""},
		{"hung up for good, and noted", false, func(w *world) { port(w, "hung up"); noted(w); w.now += 5 * time.Second }, ""},
		{"hung up for good, not noted", false, func(w *world) { port(w, "hung up"); w.now += 5 * time.Second }, judge.KindEventMissing},
		{"hung up just now in real time, not noted", true, func(w *world) { port(w, "hung up"); w.now += time.Second }, ""},
	} {
		w := newWorld(3, sh).play(sh)
		w.entries = w.entries[:len(w.entries)-1]
		w.spec.RealTime = c.real
		c.change(w)
		w.play(shape{gauges: 1, channels: 1}).correct()
		res := judge.Judge(w.spec, w.entries, w.records)
		got := judge.Kind("")
		if len(res.Findings) > 0 {
			got = res.Findings[0].Kind
		}
		if got != c.want || len(res.Findings) > 1 || got == "" && res.Verdict != judge.Pass {
			t.Errorf("%s: got %q, want %q: %s %q\n%s", c.name, got, c.want, res.Verdict, res.Reasons, describe(res.Findings))
		}
	}
}

// A port that is hung up a moment after a host has opened it again may be seen never to
// have been open: at a timed pace the host is right to say that it was, and need not; at
// drain time waits for an opening.
//
// Kind: outside.
func TestAnOpeningThatWasNotSeen(t *testing.T) {
	t.Parallel()
	const session = " row g link-back\n row g link-lost\n"
	for name, c := range map[string]struct {
		said  string
		timed bool
		extra int
	}{
		"not said":        {"", true, 0},
		"said":            {session, true, 0},
		"said twice":      {session + session, true, 1},
		"said at drain":   {session, false, 1},
		"silent at drain": {"", false, 0},
	} {
		w := tell(t, "tag 1 8.001\n row g A 1 8.001 mm inside\nlost\n row g link-lost\nreturns\n"+c.said+"lost\nback\n row g link-back\ntag 2 8.002\n row g A 2 8.002 mm inside\n", "right")
		w.spec.RealTime = c.timed
		res := judge.Judge(w.spec, w.entries, w.records)
		extra := 0
		for _, f := range res.Findings {
			if f.Kind == judge.KindEventExtra {
				extra++
			}
		}
		if extra != c.extra {
			t.Errorf("%s: %s %q\n%s", name, res.Verdict, res.Reasons, describe(res.Findings))
		}
	}
}
