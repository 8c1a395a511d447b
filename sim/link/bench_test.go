package link

import (
	"testing"
	"time"

	"example.org/understudy/sim/random"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// Kind: property.
func TestNoAllocation(t *testing.T) {
	cfg, err := Budget{Class: Class2, Place: IndustrialLoS, Metres: 20}.Config(0.5)
	if err != nil {
		t.Fatal(err)
	}
	for name, cfg := range map[string]Config{"ideal": {}, "radio": cfg} {
		l := mustNew(t, cfg)
		s := start(l)
		at := time.Duration(0)
		if n := testing.AllocsPerRun(2000, func() {
			at += sc / 30
			for {
				if _, ok := l.Advance(s, at); !ok {
					break
				}
			}
			l.Offer(s, at, 1, 20)
			l.Next(s)
		}); n != 0 {
			t.Errorf("%s: %v allocations", name, n)
		}
	}
}

func benchmark(b *testing.B, cfg Config) {
	l := mustNew(b, cfg)
	s := start(l)
	at := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		at += sc / 30
		for {
			if _, ok := l.Advance(s, at); !ok {
				break
			}
		}
		l.Offer(s, at, 1, 20)
	}
}

func BenchmarkIdeal(b *testing.B) { benchmark(b, Config{}) }

func BenchmarkFading(b *testing.B) {
	cfg, err := Budget{Class: Class2, Place: IndustrialLoS, Metres: 20}.Config(0.5)
	if err != nil {
		b.Fatal(err)
	}
	benchmark(b, cfg)
}

// Pass stands for an offer that is delivered at once: whatever stalls and losses
// come between, a link used through it does what one used through Offer does.
//
// Kind: property.
func TestPass(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, err := New(Config{Payload: rapid.SampledFrom([]int{0, 10}).Draw(t, "payload"), Hold: rapid.Bool().Draw(t, "hold")})
		if err != nil {
			t.Fatal(err)
		}
		short, long := l.Start(random.NewSource(1), nil), l.Start(random.NewSource(1), nil)
		var got, want []Event
		run := func(s *State, to time.Duration, out *[]Event) {
			for {
				ev, ok := l.Advance(s, to)
				if !ok {
					return
				}
				*out = append(*out, ev)
			}
		}
		now := time.Duration(0)
		for id := range uint64(rapid.IntRange(1, 40).Draw(t, "steps")) {
			now += time.Duration(rapid.IntRange(0, 300).Draw(t, "ms")) * time.Millisecond
			run(short, now, &got)
			run(long, now, &want)
			switch size := rapid.IntRange(0, 50).Draw(t, "size"); rapid.IntRange(0, 5).Draw(t, "what") {
			case 0, 1:
				begin := rapid.SampledFrom([]func(*State, time.Duration){l.Stall, l.Lose}).Draw(t, "fault")
				for _, s := range []*State{short, long} {
					begin(s, 200*time.Millisecond)
				}
			default:
				if l.Pass(short, size) {
					got = append(got, Event{At: now, Kind: Delivered, ID: id, Phase: Up})
				} else {
					l.Offer(short, now, id, size)
				}
				l.Offer(long, now, id, size)
			}
			run(short, now, &got)
			run(long, now, &want)
		}
		for i := range want {
			want[i].Tries = 0
		}
		for i := range got {
			got[i].Tries = 0
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatal(d)
		}
		if d := cmp.Diff(long.Stats, short.Stats); d != "" {
			t.Fatal(d)
		}
	})
}
