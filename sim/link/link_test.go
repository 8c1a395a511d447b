package link

import (
	"flag"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/random"
	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const (
	ms = time.Millisecond
	sc = time.Second
)

func mustNew(t testing.TB, cfg Config) *Link {
	t.Helper()
	l, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func drainLink(l *Link, s *State, to time.Duration) []Event {
	var evs []Event
	for {
		ev, ok := l.Advance(s, to)
		if !ok {
			return evs
		}
		evs = append(evs, ev)
	}
}

func start(l *Link) *State { return l.Start(random.NewSource(1), nil) }

// stream offers frames 0, 1, ... every gap from time from to before to, and
// collects what comes out up to then.
func stream(l *Link, s *State, from, to, gap time.Duration) []Event {
	var evs []Event
	for id, at := uint64(0), from; at < to; id, at = id+1, at+gap {
		evs = append(evs, drainLink(l, s, at)...)
		l.Offer(s, at, id, 10)
	}
	return append(evs, drainLink(l, s, to)...)
}

func delivered(at time.Duration, id uint64) Event {
	return Event{At: at, Kind: Delivered, ID: id, Tries: 1}
}

func changed(at time.Duration, p Phase) Event { return Event{At: at, Kind: Changed, Phase: p} }

// Kind: property.
func TestIdealLink(t *testing.T) {
	l := mustNew(t, Config{})
	s := start(l)
	for i := range uint64(5) {
		at := time.Duration(i) * 33 * ms
		if v := l.Offer(s, at, i, 100); v != Queued {
			t.Fatal(v)
		}
		if next, ok := l.Next(s); !ok || next > at {
			t.Errorf("next at %v, %v", next, ok)
		}
		if d := cmp.Diff([]Event{delivered(at, i)}, drainLink(l, s, at)); d != "" {
			t.Error(d)
		}
	}
	if next, ok := l.Next(s); ok {
		t.Errorf("an idle link has something to do at %v", next)
	}
}

// A constant delay is a pipe: frames do not wait for one another.
//
// Kind: property.
func TestConstantDelay(t *testing.T) {
	l := mustNew(t, Config{Air: 100 * ms})
	got := stream(l, start(l), 0, 300*ms, 50*ms)
	want := []Event{delivered(100*ms, 0), delivered(150*ms, 1), delivered(200*ms, 2), delivered(250*ms, 3), delivered(300*ms, 4)}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// Sniff and driver give frames out at beats, each at the first that comes; what has
// arrived when the link is lost comes before the loss, and nothing after it.
//
// Kind: property.
func TestBeats(t *testing.T) {
	for name, cfg := range map[string]Config{"sniff": {Latency: Latency{Sniff: 50 * ms}}, "driver": {Latency: Latency{Driver: 50 * ms}}} {
		l := mustNew(t, cfg)
		s := start(l)
		got := stream(l, s, 0, sc, 7*ms)
		for i, ev := range got {
			if wait := ev.At - time.Duration(ev.ID)*7*ms; ev.ID != uint64(i) || wait < 0 || wait >= 50*ms || i > 0 && (ev.At-got[1].At)%(50*ms) != 0 {
				t.Errorf("%s: %+v, second %v", name, ev, got[1].At)
			}
		}
		if len(got) < 136 {
			t.Errorf("%s: %d frames", name, len(got))
		}
	}
	l := mustNew(t, Config{Latency: Latency{Stack: sc}})
	s := start(l)
	l.Offer(s, 0, 7, 10)
	drainLink(l, s, 100*ms)
	l.Lose(s, sc)
	if d := cmp.Diff([]Event{delivered(100*ms, 7), changed(100*ms, Lost), changed(1100*ms, Up)}, drainLink(l, s, 2*sc)); d != "" {
		t.Error(d)
	}
}

// Six frames in a stall of 1 s come out at its end, in order, at once.
//
// Kind: property.
func TestLateBurst(t *testing.T) {
	l := mustNew(t, Config{})
	s := start(l)
	l.Stall(s, sc)
	got := stream(l, s, 0, 1200*ms, 200*ms)
	want := []Event{changed(0, Stalled), changed(sc, Up)}
	for id := range uint64(6) {
		want = append(want, delivered(sc, id)) // the last was offered at 1 s
	}
	want[len(want)-1].At = sc
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// A stall longer than the supervision time-out: lost 20 s after it began, its
// frames dropped; joined again when it ends.
//
// Kind: outside.
func TestSupervision(t *testing.T) {
	l := mustNew(t, Config{})
	s := start(l)
	evs := stream(l, s, 0, 5*sc, 4*sc) // frames 0 and 1 arrive
	if len(evs) != 2 {
		t.Fatal(evs)
	}
	l.Stall(s, 30*sc)
	if v := l.Offer(s, 5*sc, 7, 10); v != Queued {
		t.Fatal(v)
	}
	got := drainLink(l, s, 26*sc)
	want := []Event{
		changed(5*sc, Stalled),
		{At: 25 * sc, Kind: Changed, Phase: Lost, Timeout: true},
		{At: 25 * sc, Kind: Dropped, ID: 7, Phase: Lost},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if v := l.Offer(s, 26*sc, 8, 10); v != NoLink {
		t.Errorf("offer to a lost link: %v", v)
	}
	if d := cmp.Diff([]Event{changed(35*sc, Up)}, drainLink(l, s, time.Hour)); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(Stats{Offered: 4, Delivered: 2, Dropped: 2, Attempts: 2, Losses: 1}, s.Stats); d != "" {
		t.Error(d)
	}
	// Without supervision the same stall only delays.
	l = mustNew(t, Config{Supervision: NoSupervision})
	s = start(l)
	l.Stall(s, 30*sc)
	l.Offer(s, 0, 7, 10)
	if d := cmp.Diff([]Event{changed(0, Stalled), changed(30*sc, Up), delivered(30*sc, 7)}, drainLink(l, s, time.Hour)); d != "" {
		t.Error(d)
	}
}

// By hand: out of reach for 10 s; waits of 1, 2, 4, 4 s between tries of half
// a second: 1-1.5, 3.5-4, 8-8.5 fail, 12.5-13 succeeds.
//
// Kind: outside.
func TestBackOff(t *testing.T) {
	l := mustNew(t, Config{Rejoin: Rejoin{First: sc, Max: 4 * sc, Try: 500 * ms}})
	s := start(l)
	l.Lose(s, 10*sc)
	want := []Event{
		changed(0, Lost),
		changed(1*sc, Rejoining), changed(1500*ms, Lost),
		changed(3500*ms, Rejoining), changed(4*sc, Lost),
		changed(8*sc, Rejoining), changed(8500*ms, Lost),
		changed(12500*ms, Rejoining), changed(13*sc, Up),
	}
	if d := cmp.Diff(want, drainLink(l, s, time.Hour)); d != "" {
		t.Error(d)
	}
	// Jitter only lengthens a wait, by up to its share.
	l = mustNew(t, Config{Rejoin: Rejoin{First: sc, Max: 4 * sc, Jitter: 50}})
	seen := map[time.Duration]bool{}
	for seed := range uint64(50) {
		s := l.Start(random.NewSource(seed), nil)
		l.Lose(s, 0)
		evs := drainLink(l, s, time.Hour)
		if len(evs) != 2 || evs[1].Phase != Up || evs[1].At < sc || evs[1].At > 1500*ms {
			t.Fatalf("seed %d: %v", seed, evs)
		}
		seen[evs[1].At] = true
	}
	if len(seen) < 45 {
		t.Errorf("%d different waits of 50", len(seen))
	}
}

// Kind: property.
func TestHoldAndFlush(t *testing.T) {
	l := mustNew(t, Config{Hold: true})
	s := start(l)
	l.Lose(s, 2*sc)
	got := stream(l, s, 0, 3*sc, sc)
	want := []Event{changed(0, Lost), changed(2*sc, Up), delivered(2*sc, 0), delivered(2*sc, 1), delivered(2*sc, 2)}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("held: %s", d)
	}
	// Frames of a stall of 1 s with a flush bound of 300 ms: those offered
	// before 0.7 s are flushed at 300 ms of age, later ones come late.
	l = mustNew(t, Config{Flush: 300 * ms})
	s = start(l)
	l.Stall(s, sc)
	got = stream(l, s, 0, 1200*ms, 250*ms)
	flushed := func(at time.Duration, id uint64) Event {
		return Event{At: at, Kind: Flushed, ID: id, Phase: Stalled}
	}
	want = []Event{changed(0, Stalled), flushed(300*ms, 0), flushed(550*ms, 1), flushed(800*ms, 2),
		changed(sc, Up), delivered(sc, 3), delivered(sc, 4)}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("flushed: %s", d)
	}
	// A frame of exactly the bound's age is flushed, even as the stall ends.
	s = start(l)
	l.Stall(s, 300*ms)
	l.Offer(s, 0, 9, 1)
	want = []Event{changed(0, Stalled), changed(300*ms, Up), {At: 300 * ms, Kind: Flushed, ID: 9}}
	if d := cmp.Diff(want, drainLink(l, s, sc)); d != "" {
		t.Error(d)
	}
}

// Kind: property.
func TestMemory(t *testing.T) {
	l := mustNew(t, Config{Memory: 2})
	s := start(l)
	l.Stall(s, sc)
	var got []Verdict
	for id := range uint64(3) {
		got = append(got, l.Offer(s, 0, id, 1))
	}
	if d := cmp.Diff([]Verdict{Queued, Queued, Refused}, got); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]Event{changed(0, Stalled), changed(sc, Up), delivered(sc, 0), delivered(sc, 1)}, drainLink(l, s, 2*sc)); d != "" {
		t.Error(d)
	}
}

// A frame of 60 bytes is three packets of 27, each on a slot of its own: by
// hand, offered at 2 ms, tried at 2.5, 3.75 and 5 ms, arriving 0.625 ms later.
//
// Kind: outside.
func TestPackets(t *testing.T) {
	l := mustNew(t, Config{Attempt: 1250 * time.Microsecond, Air: 625 * time.Microsecond, Payload: 27})
	s := start(l)
	drainLink(l, s, 2*ms)
	l.Offer(s, 2*ms, 1, 60)
	l.Offer(s, 2*ms, 2, 27)
	want := []Event{
		{At: 5625 * time.Microsecond, Kind: Delivered, ID: 1, Tries: 3},
		{At: 6875 * time.Microsecond, Kind: Delivered, ID: 2, Tries: 1},
	}
	if d := cmp.Diff(want, drainLink(l, s, sc)); d != "" {
		t.Error(d)
	}
}

// Independent losses of chance p: 1/(1-p) tries a frame on average, and each
// further try costs one attempt interval and nothing else.
//
// Kind: outside.
func TestRetransmission(t *testing.T) {
	for _, p := range []float64{0.1, 0.5, 0.9} {
		l := mustNew(t, Config{Attempt: ms, Air: ms / 2, Bursts: Bursts{LossGood: p}})
		s := start(l)
		const n = 20_000
		tries := 0
		for id := range uint64(n) {
			at := s.Now.Truncate(ms) + ms
			drainLink(l, s, at)
			l.Offer(s, at, id, 1)
			ev, ok := l.Advance(s, never)
			if !ok || ev.Kind != Delivered || ev.At != at+ms/2+time.Duration(ev.Tries-1)*ms {
				t.Fatalf("offered at %v: %+v", at, ev)
			}
			tries += ev.Tries
		}
		near(t, "tries", float64(tries)/n, 1/(1-p), 5*math.Sqrt(p)/(1-p)/math.Sqrt(n))
		if s.Stats.Attempts != uint64(tries) || s.Stats.Failed != uint64(tries-n) {
			t.Errorf("%+v", s.Stats)
		}
	}
}

// A channel that is good and bad by turns: a frame offered on a slot of the
// wrong kind needs two tries, on one of the right kind one. (A loss of one
// would have the link watch every spell; 0.999 is looked at on demand.)
//
// Kind: outside.
func TestTheAttemptsOwnSlotCounts(t *testing.T) {
	l := mustNew(t, Config{Attempt: ms, Bursts: Bursts{Worsen: 1, Recover: 1, LossBad: 0.999}})
	s := start(l)
	first := 1 + b2i(s.ch.bad)
	for i := range 20 {
		at := time.Duration(i*3) * ms
		if evs := drainLink(l, s, at); evs != nil {
			t.Fatal(evs)
		}
		l.Offer(s, at, 0, 1)
		want := first
		if i%2 == 1 {
			want = 3 - first
		}
		if ev, _ := l.Advance(s, at+2*ms); ev.Tries != want {
			t.Fatalf("offered at %v: %+v, want %d tries", at, ev, want)
		}
	}
}

// A frame of three packets, cut off after the first, is sent again whole.
//
// Kind: property.
func TestBegunFrameIsSentWhole(t *testing.T) {
	l := mustNew(t, Config{Attempt: ms, Payload: 10, Hold: true})
	s := start(l)
	l.Offer(s, 0, 1, 30)
	if evs := drainLink(l, s, ms/2); evs != nil || s.Stats.Attempts != 1 {
		t.Fatalf("%v after %d attempts", evs, s.Stats.Attempts)
	}
	l.Lose(s, 10*ms)
	want := []Event{changed(ms/2, Lost), changed(10*ms+ms/2, Up), {At: 13 * ms, Kind: Delivered, ID: 1, Tries: 3}}
	if d := cmp.Diff(want, drainLink(l, s, sc)); d != "" {
		t.Error(d)
	}
}

// A bad spell in which nothing gets through, over a busy link: the share of
// failed attempts and the length of the gaps follow the closed form.
//
// Kind: outside.
func TestBurstsBecomeStalls(t *testing.T) {
	b := Bursts{Worsen: 0.002, Recover: 0.01, LossBad: 1}
	l := mustNew(t, Config{Attempt: ms, Air: ms / 2, Bursts: b, Memory: 4})
	s := start(l)
	id := uint64(0)
	gaps, waited := 0, time.Duration(0)
	last := time.Duration(0)
	for s.Now < 1000*sc {
		for l.Offer(s, s.Now, id, 1) == Queued {
			id++
		}
		ev, _ := l.Advance(s, never)
		if ev.Kind != Delivered {
			continue
		}
		if d := ev.At - last; d > ms {
			gaps++
			waited += d - ms
		}
		last = ev.At
	}
	n := float64(s.Stats.Attempts)
	pi, lambda := b.BadShare(), 1-b.Worsen-b.Recover
	near(t, "failed attempts", float64(s.Stats.Failed)/n, b.LossRate(), 5*math.Sqrt(pi*(1-pi)*(1+lambda)/(1-lambda)/n))
	near(t, "mean stall, ms", waited.Seconds()*1000/float64(gaps), b.MeanBad(), 5*b.MeanBad()/math.Sqrt(float64(gaps)))
}

// Out of reach for good: silent from the start, lost after 20 s, and never
// back, however often it tries.
//
// Kind: property.
func TestOutOfReach(t *testing.T) {
	cfg, err := Budget{Class: Class3, Place: IndustrialNLoS, Metres: 108, Walls: 30}.Config(0.5)
	if err != nil {
		t.Fatal(err)
	}
	l := mustNew(t, cfg)
	s := start(l)
	var phases []Phase
	for _, ev := range drainLink(l, s, 10*time.Minute) {
		phases = append(phases, ev.Phase)
	}
	if len(phases) < 6 || phases[0] != Stalled || phases[1] != Lost || s.Phase.Joined() {
		t.Errorf("phases %v", phases)
	}
	for i, p := range phases[2:] {
		if want := [2]Phase{Rejoining, Lost}[i%2]; p != want {
			t.Fatalf("phases %v", phases)
		}
	}
	// Standing still there is no fade, only distance: the same end.
	if cfg, err = (Budget{Class: Class3, Place: IndustrialNLoS, Metres: 108, Walls: 30}).Config(0); err != nil {
		t.Fatal(err)
	}
	l = mustNew(t, cfg)
	s = start(l)
	if drainLink(l, s, time.Minute); s.Phase.Joined() {
		t.Errorf("%+v", s.Stats)
	}
}

// One radio talks to seven gauges; an eighth waits for a seat (Core Vol 2 Part
// B: a piconet has at most seven active members).
//
// Kind: outside.
func TestSevenSeats(t *testing.T) {
	l := mustNew(t, Config{Attempt: ms, Air: ms / 2, Rejoin: Rejoin{First: sc, Max: sc}})
	var radio Radio
	var all []*State
	for i := range uint64(8) {
		all = append(all, l.Start(random.NewSource(i), &radio))
	}
	if radio.Active() != 7 || all[7].Phase != Lost {
		t.Fatalf("%d active, the eighth is %v", radio.Active(), all[7].Phase)
	}
	for _, s := range all {
		if evs := drainLink(l, s, 3500*ms); evs != nil {
			t.Fatalf("with the radio full: %v", evs)
		}
	}
	// Seven share the slots: two packets are 7 ms apart instead of 1.
	for id := range uint64(2) {
		l.Offer(all[0], 3500*ms, id, 1)
	}
	evs := drainLink(l, all[0], 3600*ms)
	if len(evs) != 2 || evs[1].At-evs[0].At != 7*ms {
		t.Errorf("sharing: %v", evs)
	}
	drainLink(l, all[3], 3600*ms)
	l.Lose(all[3], Forever)
	drainLink(l, all[3], 3600*ms)
	if evs := drainLink(l, all[7], 5*sc); len(evs) != 1 || evs[0] != changed(4*sc, Up) {
		t.Errorf("the eighth: %v", evs)
	}
	if radio.Active() != 7 {
		t.Errorf("%d active", radio.Active())
	}
	// And with no back-off it asks once a second.
	l = mustNew(t, Config{})
	all = all[:0]
	radio = Radio{}
	for i := range uint64(8) {
		all = append(all, l.Start(random.NewSource(i), &radio))
	}
	drainLink(l, all[0], 2500*ms)
	l.Lose(all[0], Forever)
	drainLink(l, all[0], 2500*ms)
	if evs := drainLink(l, all[7], 5*sc); len(evs) != 1 || evs[0].Phase != Up {
		t.Errorf("the eighth: %v", evs)
	}
}

// Kind: property.
func TestClear(t *testing.T) {
	l := mustNew(t, Config{})
	s := start(l)
	l.Stall(s, Forever)
	l.Offer(s, 0, 1, 1)
	drainLink(l, s, sc)
	l.Clear(s)
	if d := cmp.Diff([]Event{changed(sc, Up), delivered(sc, 1)}, drainLink(l, s, 2*sc)); d != "" {
		t.Error(d)
	}
	l.Lose(s, Forever)
	if d := cmp.Diff([]Event{changed(2*sc, Lost)}, drainLink(l, s, 9*time.Hour)); d != "" {
		t.Error(d)
	}
	l.Clear(s)
	if d := cmp.Diff([]Event{changed(9*time.Hour, Up)}, drainLink(l, s, 9*time.Hour)); d != "" {
		t.Error(d)
	}
}

// Kind: property.
func TestNewSaysWhatIsWrong(t *testing.T) {
	for part, cfg := range map[string]Config{
		"attempt every":        {Attempt: -1},
		"air time -1ns":        {Air: -1},
		"shorter":              {Attempt: ms, Air: ms},
		"payload":              {Payload: -1},
		"loss while bad":       {Attempt: ms, Bursts: Bursts{LossBad: 1.5}},
		"losses without":       {Bursts: Bursts{LossBad: 1}},
		"flush":                {Flush: -1},
		"supervision":          {Supervision: -2},
		"notice":               {Notice: -1},
		"memory":               {Memory: -1},
		"rejoin first":         {Rejoin: Rejoin{First: 2, Max: 1}},
		"jitter":               {Rejoin: Rejoin{Jitter: 101}},
		"no wait between":      {Rejoin: Rejoin{Try: 1}},
		"chance of recovering": {Attempt: ms, Bursts: Bursts{Recover: math.NaN()}},
	} {
		if _, err := New(cfg); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("error %v, want one with %q", err, part)
		}
	}
}

// Kind: property.
func TestNames(t *testing.T) {
	got := fmt.Sprint(Up, Stalled, Lost, Rejoining, Delivered, Changed, IndustrialLoS, Place(9))
	want := "up stalled lost rejoining delivered changed shop-in-sight ?(9)"
	if got != want {
		t.Error(got)
	}
}
