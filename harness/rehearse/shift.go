package rehearse

import (
	"hash/fnv"
	"math"
	"math/bits"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/steady"
)

// window is how far the gauges are advanced in turn. Gauges that share a radio
// see each other's coming and going up to a window late.
const window = 10 * time.Second

// points is how many times the cells are noted over a shift.
const points = 48

// swap is how long a gauge is away when a spare takes its place. Common
// practice, no source.
const swap = 2 * time.Minute

// Shift is what became of one shift.
type Shift struct {
	Gauges []Served `json:"gauges"`
	Ports  []Queued `json:"ports,omitempty"` // frames; only where the ports were played
	Host   Queued   `json:"host"`            // tags; the same
}

// Served is what became of one gauge over a shift.
type Served struct {
	Margin   float64  `json:"margin"`         // fade margin in dB, with this shift's shadowing
	Parts    int      `json:"parts"`          // measured
	Skipped  int      `json:"skipped"`        // parts that came while the gauge had no charge or was being swapped
	Untagged int      `json:"untagged"`       // measured, but the operator forgot to tag
	Tags     int      `json:"tags"`           // given
	Lost     int      `json:"lost"`           // given, but never delivered
	Late     Spans    `json:"late"`           // from tag to delivery
	Stalls   Spans    `json:"stalls"`         // silent spells of the link, of 0.1 s and more
	Away     Spans    `json:"away"`           // from loss to rejoin, of links that came back
	Gone     Spans    `json:"gone"`           // from loss to the shift's end, of one that did not
	Flat     Spans    `json:"flat"`           // without charge
	Swaps    int      `json:"swaps"`          // spares that took its place
	End      float64  `json:"end"`            // charge at the end, per cent
	Least    float64  `json:"least"`          // smallest charge, per cent
	Cell     []int    `json:"cell,omitempty"` // per cent at even times
	Judged   []Judged `json:"judged"`         // by channel
}

// Judged is what became of the parts at one channel.
type Judged struct {
	Bad      int     `json:"bad"`       // measured parts outside their limits
	FalseIn  int     `json:"false-in"`  // of those, accepted
	FalseOut int     `json:"false-out"` // good parts rejected
	Size     Moments `json:"size"`      // of the parts, µm from nominal
	Shown    Moments `json:"shown"`     // of their readings
}

// Queued is what became of the frames at a port, or of the records at the host.
type Queued struct {
	Records int           `json:"records"`
	Wait    Spans         `json:"wait"`    // from arrival until it was turned to
	Busy    time.Duration `json:"busy"`    // time for all of them
	Backlog time.Duration `json:"backlog"` // most work that lay there at once
}

// Moments gather the parts of a process in subgroups of five, in order.
type Moments struct {
	N      int     `json:"n"`
	Sum    float64 `json:"sum"`
	Square float64 `json:"square"`
	Within float64 `json:"within"` // squares about the subgroups' means
	Groups int     `json:"groups"`

	group [5]float64
	fill  int
}

func (m *Moments) add(x float64) {
	m.N++
	m.Sum += x
	m.Square += float64(x * x)
	m.group[m.fill] = x
	if m.fill++; m.fill < len(m.group) {
		return
	}
	m.fill = 0
	mean := 0.0
	for _, v := range m.group {
		mean += v
	}
	mean /= float64(len(m.group))
	for _, v := range m.group {
		d := v - mean
		m.Within += float64(d * d)
	}
	m.Groups++
}

// merge adds another process's parts, in subgroups of their own.
func (m *Moments) merge(o *Moments) {
	m.N, m.Groups = m.N+o.N, m.Groups+o.Groups
	m.Sum, m.Square, m.Within = m.Sum+o.Sum, m.Square+o.Square, m.Within+o.Within
}

// source is the stream of chance of one gauge for one purpose in one shift: a
// gauge more or less changes no other's.
func source(seed uint64, index int, name string, purpose byte) *random.Rand {
	h := fnv.New64a()
	h.Write([]byte(name))
	x := seed + uint64(index)*0x9e3779b97f4a7c15 + bits.RotateLeft64(h.Sum64(), int(purpose))
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9 // the finaliser of splitmix64
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return random.New(x ^ x>>31)
}

// normal draws from the standard normal distribution (Box and Muller), with the
// same bits on every processor.
func normal(r *random.Rand) float64 {
	u := 1 - float64(r.Uint64()>>11)/(1<<53) // above 0
	return float64(math.Sqrt(-2*steady.Log(u)) * steady.Cos(float64(r.Uint64()>>11)/(1<<53)))
}

func chance(r *random.Rand) float64 { return float64(r.Uint64()>>11) / (1 << 53) }

// part is one part under a gauge.
type part struct {
	at    time.Duration // of the tag
	sizes []size        // by channel; good until the part after the next is drawn
	tags  int
}

// size is what a part is and what the gauge makes of it, in µm from nominal.
type size struct{ is, read float64 }

// day is the parts of a gauge's shift, one after the other.
type day struct {
	l                      *Line
	channels               []channel
	sizes                  [2][]size // of the next part and of the one before
	every                  time.Duration
	phase                  time.Duration
	n                      int64
	last                   time.Duration
	rng                    *random.Rand
	uneven, forgets, twice float64
}

func newDay(l *Line, g *gauge, index int) *day {
	d := &day{l: l, channels: g.channels, every: g.every, rng: source(l.Seed, index, g.name, 1)}
	for i := range d.sizes {
		d.sizes[i] = make([]size, len(g.channels))
	}
	d.phase = time.Duration(chance(d.rng) * float64(d.every))
	d.uneven, d.forgets, d.twice = percent(&l.Operators.Uneven, 0), percent(&l.Operators.Forgets, 0), percent(&l.Operators.DoubleTags, 0)
	return d
}

// next is the next part. The same numbers are drawn for every part, so that a
// changed habit changes nothing else.
func (d *day) next() part {
	at := d.phase + time.Duration(d.n)*d.every + time.Duration(normal(d.rng)*d.uneven*float64(d.every))
	d.n++
	at = max(at, d.last+2*onPart)
	d.last = at
	p := part{at: at, tags: 1, sizes: d.sizes[d.n%2]}
	draw := func(c int) {
		f := &d.l.features[d.channels[c].feature]
		drift := float64(f.wear * (float64(at) / float64(d.l.Shift)))
		p.sizes[c].is = f.mean + drift + float64(f.spread*normal(d.rng))
		p.sizes[c].read = p.sizes[c].is + float64(f.u*normal(d.rng))
	}
	draw(0)
	if chance(d.rng) < d.forgets {
		p.tags = 0
	}
	if chance(d.rng) < d.twice {
		p.tags *= 2
	}
	for c := 1; c < len(d.channels); c++ {
		draw(c)
	}
	return p
}

// outside says whether a size, µm from nominal, lies outside the limits moved
// inwards by guard. Limits are inclusive.
func (f *feature) outside(um, guard float64) bool {
	const slip = 1e-6 // µm, a picometre: sums of floats on a limit are on it
	return um < f.lower+guard-slip || um > f.upper-guard+slip
}

// grid is the step of the readings, and how far the nominal size lies above one:
// readings count from zero, not from the nominal size.
func (f *feature) grid() (step, off float64) {
	return float64(f.step) / float64(decimal.Micrometre), float64(f.nominal%f.step) / float64(decimal.Micrometre)
}

// round is the reading the gauge shows.
func (f *feature) round(um float64) float64 {
	step, off := f.grid()
	return float64(math.RoundToEven((um+off)/step)*step) - off
}

// acceptance is between which values, before rounding, a reading is accepted.
func (f *feature) acceptance() [2]float64 {
	step, off := f.grid()
	const slip = 1e-9 // of a step: a limit on the grid is on it
	first := math.Ceil((f.lower+f.guard+off)/step-slip) - 0.5
	last := math.Floor((f.upper-f.guard+off)/step+slip) + 0.5
	return [2]float64{float64(first*step) - off, float64(last*step) - off}
}

// served is a gauge at work.
type served struct {
	*gauge
	Served
	index   int // of the line's gauges
	stream  stream
	day     *day
	next    part
	again   time.Duration // a second tag that is still to come
	link    *link.Link
	state   *link.State
	cell    *power.Cell
	charge  power.State
	health  float64
	parts   power.Parts
	frames  int64 // an hour, with the tries that fail
	spares  int
	cradles *random.Rand
	docked  bool
	off     bool          // no charge, or being swapped
	until   time.Duration // of the swap
	dead    time.Duration // since when it has no charge; -1: it has some
	stalled time.Duration
	lost    time.Duration
	away    bool // not joined
	ids     uint64
	given   []time.Duration // by id, in a ring

	tagTakes time.Duration // of its port
}

// Play plays shift number index. Whole, it also plays the ports and the host,
// notes the cells over time and keeps how long things took; otherwise only what
// the links, the cells and the parts made of it.
func (l *Line) Play(index int, whole bool) Shift {
	radios := make([]link.Radio, len(l.radios))
	gs := make([]served, len(l.gauges))
	for i := range gs {
		var radio *link.Radio
		if r := l.gauges[i].radio; r >= 0 {
			radio = &radios[r]
		}
		gs[i].start(l, i, index, radio)
	}
	var ports []queue
	var host queue
	if whole {
		ports = make([]queue, len(l.ports))
		for p := range l.ports {
			for _, i := range l.ports[p].gauges {
				g := &gs[i]
				phase := time.Duration(chance(source(l.Seed, index, g.name, 5)) * float64(g.rate.Interval(1)))
				g.streamFrom(phase, &ports[p], &l.ports[p])
			}
		}
	}
	shift := l.Shift.D()
	read := func(a arrival, at time.Duration) {
		if a.tag {
			host.waiting = append(host.waiting, arrival{at: at, takes: l.Host.PerRecord.D(), g: a.g})
		}
	}
	noted := 0
	rest := -1
	for begin := time.Duration(0); begin < shift; {
		end := min(begin+window, shift)
		resting := l.resting(begin)
		for ; time.Duration(noted)*shift/points <= begin && whole && noted < points; noted++ {
			for i := range gs {
				gs[i].Cell = append(gs[i].Cell, int(gs[i].percent()+0.5))
			}
		}
		temp := l.warmth(begin)
		for i := range gs {
			s := &gs[i]
			if resting != rest && !s.wired {
				s.docked = resting >= 0 && l.Cradle != nil && chance(s.cradles) < percent(l.Operators.Cradles, 1)
			}
			if !s.wired {
				s.drain(l, end, temp)
			}
			s.work(l, begin, end, resting >= 0)
		}
		rest = resting
		for i := range ports {
			ports[i].until(end-settled, read)
		}
		host.until(end-settled, nil)
		begin = end
	}
	out := Shift{Host: host.Queued}
	for i := range gs {
		s := &gs[i]
		s.finish(shift, whole)
		out.Gauges = append(out.Gauges, s.Served)
	}
	for i := range ports {
		ports[i].until(link.Forever, read)
		out.Ports = append(out.Ports, ports[i].Queued)
	}
	host.until(link.Forever, nil)
	out.Host = host.Queued
	return out
}

// resting is the number of the break at a time; -1 outside breaks.
func (l *Line) resting(at time.Duration) int {
	for i := range l.Breaks {
		if b := &l.Breaks[i]; at >= b.At.D() && at < (b.At+b.For).D() {
			return i
		}
	}
	return -1
}

// warmth is the temperature at a time, °C.
func (l *Line) warmth(at time.Duration) int {
	w := l.Temperature
	if len(w) == 0 {
		return 20
	}
	degrees := func(i int) float64 { return w[i].Is.Value.Float64() }
	i := 0
	for i < len(w) && w[i].At.D() <= at {
		i++
	}
	switch i {
	case 0:
		return int(math.Round(degrees(0)))
	case len(w):
		return int(math.Round(degrees(len(w) - 1)))
	}
	share := float64(at-w[i-1].At.D()) / float64(w[i].At-w[i-1].At)
	return int(math.Round(degrees(i-1) + float64(share*(degrees(i)-degrees(i-1)))))
}

func (s *served) start(l *Line, i, index int, radio *link.Radio) {
	g := &l.gauges[i]
	*s = served{gauge: g, index: i, day: newDay(l, g, index), again: -1, dead: -1, stalled: -1, lost: -1, spares: g.spares, parts: power.TypicalParts()}
	s.Judged = make([]Judged, len(g.channels))
	s.next = s.day.next()
	if g.wired {
		s.Least = 100
		return
	}
	luck := source(l.Seed, index, g.name, 2)
	b := l.budget(g, g.radio)
	if k, ok := link.PlaceCoefficients(b.Place); ok {
		b.Shadow = math.Min(math.Max(k.Sigma*normal(luck), -40), 40)
	}
	s.Margin = b.Margin()
	cfg, err := b.Config(l.walking)
	if err != nil {
		panic(err) // budget was validated with the file
	}
	if s.Margin <= 0 {
		cfg.Bursts.LossGood = 1 // below what the receiver needs nothing gets through, so that supervision notices
	}
	cfg.Memory, cfg.Latency = 64, l.Latency.Link()
	if g.queue > 0 {
		cfg.Hold, cfg.Memory = true, g.queue
	}
	if s.link, err = link.New(cfg); err != nil {
		panic(err)
	}
	s.given = make([]time.Duration, cfg.Memory+64) // some may have left the memory, and not arrived
	s.state = s.link.Start(source(l.Seed, index, g.name, 3), radio)
	s.away = !s.state.Phase.Joined()
	s.health = g.health + float64((1-g.health)*chance(luck))
	cell := g.cell
	cell.Capacity = float64(cell.Capacity * s.health)
	if s.cell, err = power.New(cell); err != nil {
		panic(err)
	}
	s.charge = s.cell.Start()
	s.Least = s.percent()
	s.frames = int64(float64(framesAir(g)*3600) / math.Max(1-cfg.Bursts.LossRate(), 0.05))
	s.cradles = source(l.Seed, index, g.name, 4)
}

// framesAir is how many packets a second a gauge's stream makes.
func framesAir(g *gauge) float64 {
	return g.rate.Hz.Float64() * math.Ceil(float64(g.frame)/packet)
}

// packet is how many bytes a packet of the link holds (sim/link).
const packet = 27

func (s *served) percent() float64 {
	if s.wired {
		return 100
	}
	return float64(s.cell.Charge(&s.charge)) / 10_000
}

// drain moves the cell through a window.
func (s *served) drain(l *Line, end time.Duration, temp int) {
	use := power.Use{Display: !s.off, Radio: !s.off && s.state.Phase.Joined(), Microwatts: s.class.Microwatts(), FramesPerHour: s.frames, Temp: temp}
	if s.docked {
		mA := l.Cradle.Value.Float64()
		use.Cradle = power.MicroAmp(mA * 1000)
	}
	load := s.parts.Load(use)
	for {
		ev, ok := s.cell.Advance(&s.charge, end, load)
		if !ok {
			break
		}
		switch ev.Kind {
		case power.BrownedOut:
			s.dead = ev.At
		case power.Restarted:
			if s.dead >= 0 {
				s.Flat.add(ev.At - s.dead)
			}
			s.dead = -1
		}
	}
	s.Least = math.Min(s.Least, s.percent())
	if s.spares > 0 && s.until == 0 && (s.charge.Dead || s.cell.CalledLow(&s.charge, load)) && !s.docked {
		s.spares--
		s.Swaps++
		s.until = end + swap
	}
	if s.until > 0 && end >= s.until {
		s.until = 0
		s.cell.SetCharge(&s.charge, s.gauge.cell.Charge)
		if s.dead >= 0 {
			s.Flat.add(end - s.dead)
			s.dead = -1
		}
	}
	if off := s.charge.Dead || s.until > 0; off != s.off {
		s.off = off
		if off {
			s.link.Lose(s.state, link.Forever)
		} else {
			s.link.Clear(s.state)
		}
	}
}

// work moves the link and the operator through a window.
func (s *served) work(l *Line, begin, end time.Duration, resting bool) {
	for s.again >= 0 && s.again < end || s.next.at < end {
		if s.again >= 0 && s.again <= s.next.at {
			s.tag(s.again)
			s.again = -1
			continue
		}
		p := s.next
		s.next = s.day.next()
		switch {
		case resting || p.at < begin: // the line stands
		case s.off:
			s.Skipped++
		default:
			s.measure(l, p)
			if p.tags == 0 {
				s.Untagged++
				continue
			}
			s.tag(p.at)
			if p.tags > 1 {
				s.again = p.at + againAfter
			}
		}
	}
	s.advance(end)
}

func (s *served) measure(l *Line, p part) {
	s.Parts++
	for c, v := range p.sizes {
		f, to := &l.features[s.channels[c].feature], &s.Judged[c]
		shown := f.round(v.read)
		to.Size.add(v.is)
		to.Shown.add(shown)
		bad, rejected := f.outside(v.is, 0), f.outside(shown, f.guard)
		if bad {
			to.Bad++
			if !rejected {
				to.FalseIn++
			}
		} else if rejected {
			to.FalseOut++
		}
	}
}

func (s *served) tag(at time.Duration) {
	s.advance(at)
	s.Tags++
	if s.wired {
		s.deliver(at, at)
		return
	}
	if s.link.Offer(s.state, at, s.ids, s.tagged) == link.Queued {
		s.given[s.ids%uint64(len(s.given))] = at
		s.ids++
	}
}

// deliver has a tag reach its port.
func (s *served) deliver(given, at time.Duration) {
	s.Late.add(at - given)
	if q := s.stream.to; q != nil {
		q.waiting = append(q.waiting, arrival{at: at, takes: s.tagTakes, g: s.index, tag: true})
	}
}

// advance moves the link to a time and takes note of what comes out.
func (s *served) advance(to time.Duration) {
	if s.wired {
		s.make(to-settled, -1, false)
		return
	}
	for {
		ev, ok := s.link.Advance(s.state, to)
		if !ok {
			if s.state.Phase == link.Up {
				s.make(to-settled, -1, false)
			}
			return
		}
		switch ev.Kind {
		case link.Delivered:
			s.deliver(s.given[ev.ID%uint64(len(s.given))], ev.At)
		case link.Changed:
			if s.stalled >= 0 && ev.Phase != link.Stalled {
				s.Stalls.add(ev.At - s.stalled)
				s.stalled = -1
				s.make(ev.At, ev.At, ev.Phase != link.Up)
			}
			switch ev.Phase {
			case link.Stalled:
				s.stalled = max(0, ev.At-settled) // so long ago it began
				s.make(s.stalled, -1, false)
			case link.Lost:
				s.make(ev.At, -1, s.away) // those that were on their way; the rest is gone
				s.away = true
				if s.lost < 0 && !s.off { // one that was switched off is not the radio's doing
					s.lost = ev.At
				}
			case link.Up:
				s.make(ev.At, -1, s.away)
				s.away = false
				if s.lost >= 0 {
					s.Away.add(ev.At - s.lost)
					s.lost = -1
				}
			}
		}
	}
}

// finish closes what is still open at the shift's end. Tags that still wait
// are lost for the shift.
func (s *served) finish(shift time.Duration, whole bool) {
	if s.wired || s.state.Phase == link.Up {
		s.make(shift, -1, false)
	}
	for from, spans := range map[*time.Duration]*Spans{&s.dead: &s.Flat, &s.stalled: &s.Stalls, &s.lost: &s.Gone} {
		if *from >= 0 {
			spans.add(shift - *from)
		}
	}
	s.Lost = s.Tags - s.Late.N
	s.End = s.percent()
	if whole {
		s.Cell = append(s.Cell, int(s.End+0.5))
		return
	}
	for _, spans := range []*Spans{&s.Late, &s.Stalls, &s.Away, &s.Gone, &s.Flat} {
		spans.Bins = nil
	}
}
