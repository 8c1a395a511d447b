package link

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"example.org/understudy/sim/random"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func anyLink() *rapid.Generator[Config] {
	return rapid.Custom(func(t *rapid.T) Config {
		cfg := Config{
			Flush:       time.Duration(rapid.SampledFrom([]int{0, 0, 30, 500}).Draw(t, "flush")) * ms,
			Supervision: time.Duration(rapid.SampledFrom([]int{0, 300, 2000}).Draw(t, "supervision")) * ms,
			Memory:      rapid.SampledFrom([]int{1, 3, 100}).Draw(t, "memory"),
			Hold:        rapid.Bool().Draw(t, "hold"),
			Payload:     rapid.SampledFrom([]int{0, 7}).Draw(t, "payload"),
		}
		if rapid.Bool().Draw(t, "radio") {
			cfg.Attempt = time.Duration(rapid.IntRange(1, 20).Draw(t, "attempt")) * ms
			cfg.Air = cfg.Attempt / 2 * time.Duration(rapid.IntRange(0, 1).Draw(t, "air"))
			p := rapid.SampledFrom([]float64{0, 0.01, 0.3, 1})
			cfg.Bursts = Bursts{p.Draw(t, "worsen"), p.Draw(t, "recover"), p.Draw(t, "good"), p.Draw(t, "bad")}
		}
		if rapid.Bool().Draw(t, "back off") {
			cfg.Rejoin = Rejoin{First: 100 * ms, Max: sc, Try: time.Duration(rapid.IntRange(0, 1).Draw(t, "try")) * 70 * ms, Jitter: 30}
		}
		if rapid.IntRange(0, 2).Draw(t, "latency") == 0 {
			some := rapid.SampledFrom([]time.Duration{0, 16 * ms, 250 * ms})
			cfg.Latency = Latency{Stack: some.Draw(t, "stack"), Sniff: some.Draw(t, "sniff"), Driver: some.Draw(t, "driver")}
		}
		return cfg
	})
}

type action struct {
	at    time.Duration
	fault func(l *Link, s *State)
	size  int
	clear bool
}

func play(t *rapid.T, l *Link, seed uint64, script []action, to time.Duration, walk func(s *State, to time.Duration) []Event) ([]Event, *State) {
	s := l.Start(random.NewSource(seed), nil)
	var evs []Event
	for id, a := range script {
		evs = append(evs, walk(s, a.at)...)
		switch {
		case a.fault != nil:
			a.fault(l, s)
		case a.clear:
			l.Clear(s)
		default:
			if v := l.Offer(s, a.at, uint64(id), a.size); v != Queued {
				evs = append(evs, Event{At: a.at, Kind: Dropped, ID: uint64(id), Tries: -int(v)})
			}
		}
	}
	return append(evs, walk(s, to)...), s
}

// Over random links, faults and traffic: every frame has one fate; the
// delivered come in order, never before they were offered nor as old as the
// flush bound; time never goes back; the counts add up; and the events are the
// same whether the link is advanced in one step, in small steps, or from Next
// to Next.
//
// Kind: property.
func TestLinkProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cfg := anyLink().Draw(t, "config")
		l, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		seed := rapid.Uint64().Draw(t, "seed")
		var script []action
		at := time.Duration(0)
		for range rapid.IntRange(1, 40).Draw(t, "actions") {
			at += time.Duration(rapid.SampledFrom([]int64{0, 1, 7_000_000, 33_333_333, 400_000_000}).Draw(t, "gap"))
			a := action{at: at, size: rapid.IntRange(1, 30).Draw(t, "size")}
			switch rapid.IntRange(0, 12).Draw(t, "what") {
			case 0:
				span := time.Duration(rapid.IntRange(0, 3000).Draw(t, "stall")) * ms
				a.fault = func(l *Link, s *State) { l.Stall(s, span) }
			case 1:
				span := time.Duration(rapid.IntRange(0, 3000).Draw(t, "lose")) * ms
				a.fault = func(l *Link, s *State) { l.Lose(s, span) }
			case 2:
				a.clear = true
			}
			script = append(script, a)
		}
		end := at + time.Duration(rapid.IntRange(0, 30).Draw(t, "tail"))*sc

		one, s := play(t, l, seed, script, end, func(s *State, to time.Duration) []Event { return drainLink(l, s, to) })
		steps := rapid.IntRange(2, 30).Draw(t, "steps")
		many, s2 := play(t, l, seed, script, end, func(s *State, to time.Duration) (evs []Event) {
			from := s.Now
			for i := 1; i <= steps; i++ {
				evs = append(evs, drainLink(l, s, from+(to-from)*time.Duration(i)/time.Duration(steps))...)
			}
			return evs
		})
		if d := cmp.Diff(one, many); d != "" || s.Stats != s2.Stats {
			t.Fatalf("in steps: %s", d)
		}
		hops, _ := play(t, l, seed, script, end, func(s *State, to time.Duration) (evs []Event) {
			for {
				at, ok := l.Next(s)
				if !ok || at > to {
					if extra := drainLink(l, s, to); extra != nil {
						t.Fatalf("Next said %v, %v; by %v came %v", at, ok, to, extra)
					}
					return evs
				}
				before := s.Now
				got := drainLink(l, s, at)
				if at == before && got == nil && s.Now == before {
					if again, ok := l.Next(s); ok && again == at {
						t.Fatalf("Next stands still at %v", at)
					}
				}
				evs = append(evs, got...)
			}
		})
		if d := cmp.Diff(one, hops); d != "" {
			t.Fatalf("from Next to Next: %s", d)
		}

		checkFates(t, cfg, script, one, s)
	})
}

// checkFates holds the events of a link, which were one after the other, to the script.
func checkFates(t *rapid.T, cfg Config, script []action, one []Event, s *State) {
	offered := map[uint64]time.Duration{}
	for id, a := range script {
		if a.fault == nil && !a.clear {
			offered[uint64(id)] = a.at
		}
	}
	var last time.Duration
	lastID := int64(-1)
	var free time.Duration
	var joined = true
	for _, ev := range one {
		if ev.At < last {
			t.Fatalf("time goes back at %+v", ev)
		}
		last = ev.At
		if ev.Kind == Changed {
			joined = ev.Phase.Joined()
			continue
		}
		from, ok := offered[ev.ID]
		if !ok {
			t.Fatalf("%+v: never offered, or twice", ev)
		}
		delete(offered, ev.ID)
		age := ev.At - from
		switch ev.Kind {
		case Delivered:
			if int64(ev.ID) <= lastID {
				t.Fatalf("%+v overtook %d", ev, lastID)
			}
			lastID = int64(ev.ID)
			if a := cfg.Attempt; a > 0 && cfg.Latency == (Latency{}) {
				if (ev.At-cfg.Air)%a != 0 || ev.At-cfg.Air < free {
					t.Fatalf("%+v: not on a free slot", ev)
				}
				free = ev.At - cfg.Air + a
			}
			if !joined || age < 0 || cfg.Flush > 0 && age >= cfg.Flush && cfg.Latency == (Latency{}) {
				t.Fatalf("%+v, offered at %v, joined %v", ev, from, joined)
			}
		case Flushed:
			if age != cfg.Flush {
				t.Fatalf("%+v, offered at %v", ev, from)
			}
		}
	}
	st := s.Stats
	if st.Offered != st.Delivered+st.Flushed+st.Dropped+st.Refused+uint64(len(offered)) || len(offered) != s.len+len(s.handed) {
		t.Fatalf("%+v with %d waiting, %d of them known", st, s.len, len(offered))
	}
	if want := b2i(s.Phase.Joined()); s.radio.active != want {
		t.Fatalf("%d seats taken by a gauge that is %v", s.radio.active, s.Phase)
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Other gauges on the same radio slow a gauge's attempts; its fades, and so its
// phases, stay its own.
//
// Kind: property.
func TestOthersDoNotTouchTheChannel(t *testing.T) {
	cfg, err := Budget{Class: Class3, Place: IndustrialNLoS, Metres: 12}.Config(0.02)
	if err != nil {
		t.Fatal(err)
	}
	l := mustNew(t, cfg)
	phases := func(others int) (evs []Event) {
		var radio Radio
		s := l.Start(random.NewSource(5), &radio)
		for i := range others {
			l.Start(random.NewSource(uint64(i)), &radio)
		}
		for _, ev := range stream(l, s, 0, time.Minute, sc/30) {
			if ev.Kind == Changed {
				evs = append(evs, ev)
			}
		}
		return evs
	}
	alone := phases(0)
	among := phases(6)
	if len(alone) < 10 {
		t.Errorf("only %d changes: nothing is tested", len(alone))
	}
	if d := cmp.Diff(alone, among); d != "" {
		t.Error(d)
	}
}

// One seed, one history, on every machine. A frame meets the fading that is there
// for 0.001374/(0.001374 + 0.117732) of the time (Gilbert 1960: the chain's share of
// its bad state), 6.9 of 601, with a standard deviation of 2.6, and then needs
// 1 + 1/0.117732 = 9.5 tries on average, with one of 8.
//
// Kind: golden.
func TestGolden(t *testing.T) {
	cfg, err := Budget{Class: Class2, Place: IndustrialLoS, Metres: 30, Sensitivity: -82}.Config(0.5)
	if err != nil {
		t.Fatal(err)
	}
	cfg.Flush = 400 * ms
	l := mustNew(t, cfg)
	var b bytes.Buffer
	fmt.Fprintf(&b, "%+v\n", cfg)
	s := l.Start(random.NewSource(41), nil)
	late, tries := 0.0, 0.0
	for _, ev := range stream(l, s, 0, 20*sc, sc/30) {
		if ev.Kind == Delivered && ev.Tries > 1 {
			late, tries = late+1, tries+float64(ev.Tries)
		}
		if ev.Tries != 1 {
			fmt.Fprintf(&b, "%d %v %d tries %d %v\n", ev.At, ev.Kind, ev.ID, ev.Tries, ev.Phase)
		}
	}
	near(t, "late frames", late, 6.9, 4*2.6)
	near(t, "their tries", tries/late, 9.5, 4*8/math.Sqrt(late))
	fmt.Fprintf(&b, "%+v\n", s.Stats)
	path := filepath.Join("testdata", "fading.golden")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), b.String()); d != "" {
		t.Error(d)
	}
}
