package judge_test

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/stage/ledger"
)

// rewritten is a world whose records one function has changed.
func rewritten(seed uint64, change func(w *world)) *world {
	sh := shape{gauges: 2, channels: 1, steps: 120, events: true}
	w := newWorld(seed, sh).play(sh).correct()
	change(w)
	for i := range w.records {
		w.records[i].Row = i + 1
	}
	return w
}

// setInstead has the host write something else to g1 than is due.
func (w *world) setInstead(due, got judge.Write) {
	g := &w.spec.Gauges[0]
	g.Writes = []judge.Write{due}
	w.entries = slices.DeleteFunc(w.entries, func(e ledger.Entry) bool { return e.Kind == ledger.KindRequest && e.Gauge == g.Name })
	got.Verb = cmp.Or(got.Verb, "set")
	w.configured(g.Name, []judge.Write{got})
}

// only the first of an event of each gauge stays.
func firstOf(event string) func(w *world) {
	return func(w *world) {
		told := map[string]bool{}
		w.records = slices.DeleteFunc(w.records, func(r judge.Record) bool {
			if r.Kind != event {
				return false
			}
			was := told[r.Gauge]
			told[r.Gauge] = true
			return was
		})
	}
}

func timesBy(f func(i int, t time.Time) (time.Time, string)) func(w *world) {
	return func(w *world) {
		for i := range w.records {
			r := &w.records[i]
			r.Time, r.Raw = f(i, r.Time)
		}
	}
}

// What is wrong with several rows at a time is said in one sentence that explains all
// of it. The rows are changed here, by hand.
//
// Kind: outside.
func TestSentences(t *testing.T) {
	t.Parallel()
	for text, change := range map[string]func(w *world){
		"rows of g1 stand under the name of g2": func(w *world) {
			for i := range w.records {
				if r := &w.records[i]; r.Gauge == "g1" && r.Kind == "reading" {
					r.Gauge = "g2"
				}
			}
		},
		"events stand under the name of g2, whichever gauge's they are": func(w *world) {
			for i := range w.records {
				if r := &w.records[i]; r.Kind != "reading" {
					r.Gauge = "g2"
				}
			}
		},
		"link-lost stands under the name of g2, whichever gauge's it is": func(w *world) {
			for i := range w.records {
				if r := &w.records[i]; r.Kind == "link-lost" {
					r.Gauge = "g2"
				}
			}
			w.records = slices.DeleteFunc(w.records, func(r judge.Record) bool { return r.Kind == "link-back" && r.Gauge == "g1" })
		},
		"the line is set otherwise only when the port is opened again": func(w *world) {
			open := false
			for i := range w.entries {
				if p := w.entries[i].Port; p != nil && w.entries[i].Gauge == "g1" && p.What == "asked" {
					if open {
						p.Line = "4800 8N1"
					}
					open = true
				}
			}
		},
		"what is set for a channel is set for the one before it": func(w *world) {
			g := &w.spec.Gauges[0]
			g.Channels = append(g.Channels, g.Channels[0])
			g.Channels[1].Name = "B"
			w.setInstead(judge.Write{Verb: "zero", Channel: "B"}, judge.Write{Verb: "zero", Channel: "A"})
		},
		"without the zeros at their end": func(w *world) {
			w.setInstead(judge.Write{Setting: "preset", Channel: "A", To: "20"}, judge.Write{Setting: "preset", Channel: "A", To: "2"})
		},
		"g1 is called G1": func(w *world) {
			for i := range w.records {
				if r := &w.records[i]; r.Gauge == "g1" {
					r.Gauge = "G1"
				}
			}
		},
		"link-lost is recorded the first time only": firstOf("link-lost"),
		"each wrong one is a copy of a later row": func(w *world) {
			var of []int
			for i, r := range w.records {
				if r.Gauge == "g1" && r.Kind == "reading" {
					of = append(of, i)
				}
			}
			for _, k := range []int{4, 5, 6, 14, 15} {
				end := of[7]
				if k > 7 {
					end = of[16]
				}
				own := w.records[of[k]].Time
				w.records[of[k]] = w.records[end]
				w.records[of[k]].Time = own
			}
		},
		"another order than that of their times": func(w *world) {
			var of []int
			for i, r := range w.records {
				if r.Gauge == "g1" && r.Kind == "reading" {
					of = append(of, i)
				}
			}
			for k := 3; k+1 < len(of); k += 5 {
				if a, b := &w.records[of[k]], &w.records[of[k+1]]; a.Time.Before(b.Time) {
					*a, *b = *b, *a
				}
			}
		},
		"without its leading zeros": timesBy(func(i int, t time.Time) (time.Time, string) {
			t = t.Truncate(time.Hour).Add(time.Duration(i)*300*time.Millisecond + 5*time.Millisecond)
			raw := fmt.Sprintf("%s.%d", t.Format("15:04:05"), t.Nanosecond()/1e6)
			read, err := time.Parse("15:04:05", raw)
			if err != nil {
				panic(err)
			}
			return t.Truncate(time.Second).Add(time.Duration(read.Nanosecond())), raw
		}),
		"the minute of every time is its month": timesBy(func(_ int, t time.Time) (time.Time, string) {
			return t.Truncate(time.Hour).Add(time.Duration(t.Month())*time.Minute + time.Duration(t.Second())*time.Second), ""
		}),
		"every time is off by": timesBy(func(_ int, t time.Time) (time.Time, string) { return t.Add(400 * 24 * time.Hour), "" }),
		"the host sets the gauge up again": func(w *world) {
			set := func(from, to string) ledger.Entry {
				return ledger.Entry{Kind: ledger.KindSetting, Gauge: "g1", Setting: &ledger.Setting{Name: "preset", From: from, To: to, By: "host"}}
			}
			back := -1
			for i := range w.entries {
				if p := w.entries[i].Port; p != nil && w.entries[i].Gauge == "g1" && p.What == "returned" {
					back = i + 2
				}
			}
			again := set("8.004 mm", "8 mm")
			again.T = w.entries[back].T
			w.entries = slices.Insert(w.entries, back+1, again)
			w.entries = slices.Insert(w.entries, 1, set("0 mm", "8 mm"))
		},
	} {
		t.Run(text, func(t *testing.T) {
			t.Parallel()
			for seed := uint64(1); ; seed++ {
				w := rewritten(seed, change)
				res := judge.Judge(w.spec, w.entries, w.records)
				if res.Counts.Findings == 0 && seed < 20 {
					continue // it does not show in this world
				}
				if len(res.Patterns) != 1 || !strings.Contains(res.Patterns[0].Text, text) || res.Unexplained > 0 || len(res.Explanations) > 0 {
					t.Errorf("seed %d: %d findings, %d left, %+v %+v\n%s", seed, res.Counts.Findings, res.Unexplained, res.Explanations, res.Patterns, describe(res.Findings[:min(8, len(res.Findings))]))
				}
				return
			}
		})
	}
}
