package judge_test

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
)

// highAndLow is how a host of the world has the control lines, as it is to.
const highAndLow = "DTR true RTS false"

// world is a made-up run: the ledger, and what a correct host has recorded of
// it. The records are worked out here in fractions (math/big.Rat), apart from
// the code under test.
type world struct {
	r       *random.Rand
	spec    judge.Spec
	entries []ledger.Entry
	records []judge.Record
	now     time.Duration
	begun   time.Time
	pending map[string][]judge.Record // rows by gauge that wait for their fate
	bytes   map[string][]sent
	nextID  map[string]int
	nextTag map[string]int64
	low     map[string]bool // the cell is low
	told    map[string]bool
}

type sent struct {
	n    int
	rows []int // indices in records
}

var units = []decimal.Unit{decimal.MM, decimal.IN, decimal.UM}

// shape of a world.
type shape struct {
	gauges, channels, steps int
	events                  bool // hang-ups, low cells, repeats, damaged frames
	streams                 bool
}

func newWorld(seed uint64, sh shape) *world {
	r := random.New(seed)
	w := &world{r: r, begun: time.Date(2026, 11, 2, 6, 0, 0, 0, time.UTC), pending: map[string][]judge.Record{},
		bytes: map[string][]sent{}, nextID: map[string]int{}, nextTag: map[string]int64{}, low: map[string]bool{}, told: map[string]bool{}}
	w.spec = judge.Spec{
		Unit: units[r.Intn(2)], Rounding: decimal.Rounding(r.Intn(5)), Begun: w.begun, Ended: w.begun.Add(time.Hour),
		Rule: zone.Rule{Decide: zone.Decide(r.Intn(2)), Strict: r.Intn(3) == 0}, All: sh.streams && r.Intn(3) == 0,
	}
	if r.Intn(3) == 0 {
		w.spec.Rule.Guard = 3 * decimal.Micrometre
	}
	on, off := true, false
	w.spec.AtLine = cause.AtLine{DTR: &on, RTS: &off, Breaks: &off, Reads: 500 * time.Millisecond}
	w.spec.Resolution = decimal.New(1, -3)
	if w.spec.Unit == decimal.IN {
		w.spec.Resolution = decimal.New(5, -5)
	}
	for g := range sh.gauges {
		ga := judge.Gauge{Name: fmt.Sprintf("g%d", g+1), Factor: decimal.MustParse([]string{"1", "2", "0.5"}[r.Intn(3)]),
			Tags: judge.Tags{First: 1, Last: []int64{9999, 30}[r.Intn(2)], Window: 2 * time.Second}, Line: "9600 8N1", Shows: true,
			Preset: []decimal.Length{0, 8 * decimal.Millimetre, decimal.Inch}[r.Intn(3)], Function: []string{"live", "max"}[r.Intn(2)],
			Writes: []judge.Write{{Setting: "unit", To: "mm"}, {Setting: "preset", Channel: "A", To: "8.000"}, {Verb: "stream-on"}}}
		for c := range sh.channels {
			low := decimal.Length(7985-10*c) * decimal.Micrometre
			ga.Channels = append(ga.Channels, judge.Channel{Name: string(rune('A' + c)), LimitUnit: decimal.MM, Limits: zone.Limits{
				Lower: zone.At(low), WarnLower: zone.At(low + 5*decimal.Micrometre), WarnUpper: zone.At(low + 25*decimal.Micrometre), Upper: zone.At(low + 30*decimal.Micrometre)}})
		}
		w.spec.Gauges = append(w.spec.Gauges, ga)
	}
	w.entry(ledger.Entry{Kind: ledger.KindRun, Run: &ledger.Run{Version: ledger.Version, Pace: "drain"}})
	for _, g := range w.spec.Gauges {
		w.port(g.Name, ledger.Port{What: "opened", Path: "ports/" + g.Name})
		w.nextTag[g.Name] = g.Tags.Last - 5
	}
	return w
}

func (w *world) entry(e ledger.Entry) { e.T = w.now; w.entries = append(w.entries, e) }

func (w *world) port(g string, p ledger.Port) {
	w.entry(ledger.Entry{Kind: ledger.KindPort, Gauge: g, Port: &p})
	if p.What == "opened" {
		w.port(g, ledger.Port{What: "asked", Line: "9600 8N1"})
		w.port(g, ledger.Port{What: "lines", Note: highAndLow})
	}
}

func rat(d decimal.Decimal) *big.Rat { r, _ := new(big.Rat).SetString(d.String()); return r }

// rounded is x rounded to whole steps.
func rounded(x, step *big.Rat, how decimal.Rounding) *big.Rat {
	q := new(big.Rat).Quo(x, step)
	whole := new(big.Int).Quo(q.Num(), q.Denom()) // toward zero
	rest := new(big.Rat).Sub(q, new(big.Rat).SetInt(whole))
	rest.Abs(rest)
	up := false
	switch c := rest.Cmp(big.NewRat(1, 2)); {
	case how == decimal.Truncate:
	case c > 0, c == 0 && how == decimal.HalfUp, c == 0 && how == decimal.HalfEven && whole.Bit(0) == 1, c == 0 && how == decimal.HalfToPlus && x.Sign() > 0:
		up = true
	}
	if up {
		whole.Add(whole, big.NewInt(int64(x.Sign())))
	}
	return new(big.Rat).Mul(step, new(big.Rat).SetInt(whole))
}

// placed is the zone of x millimetres.
func placed(x *big.Rat, l zone.Limits, rule zone.Rule) string {
	mm := func(at decimal.Length) *big.Rat { return big.NewRat(int64(at), 1e9) }
	c := func(at decimal.Length) int { return x.Cmp(mm(at)) }
	out := func(side int) bool { return side < 0 || side == 0 && rule.Strict }
	switch {
	case out(c(l.Lower.At + rule.Guard)):
		return "below"
	case out(-c(l.Upper.At - rule.Guard)):
		return "above"
	case out(c(l.WarnLower.At)):
		return "warn-low"
	case out(-c(l.WarnUpper.At)):
		return "warn-high"
	}
	return "inside"
}

// right is the row a correct host makes of a reading.
func (w *world) right(g int, rd ledger.Reading, tag *int64) judge.Record {
	rec := judge.Record{Kind: "reading", Gauge: w.spec.Gauges[g].Name, Channel: rd.Channel, Tag: tag, Unit: w.spec.Unit.Symbol()}
	if rd.Void != "" {
		rec.Zone = "void"
		return rec
	}
	mm := map[string]*big.Rat{"mm": big.NewRat(1, 1), "in": big.NewRat(254, 10), "µm": big.NewRat(1, 1000)} // NIST SP 811 B.8: 1 in = 25.4 mm
	x := rat(rd.Shown)
	x.Mul(x, mm[rd.Unit])
	shown := rounded(new(big.Rat).Quo(x, mm[w.spec.Unit.Symbol()]), rat(w.spec.Resolution), w.spec.Rounding)
	v := decimal.MustParse(shown.FloatString(8))
	rec.Value = &v
	rec.Text = v.String()
	for _, ch := range w.spec.Gauges[g].Channels {
		if ch.Name == rd.Channel {
			if w.spec.Rule.Decide == zone.Displayed {
				x = shown.Mul(shown, mm[w.spec.Unit.Symbol()])
			}
			rec.Zone = placed(x, ch.Limits, w.spec.Rule)
		}
	}
	return rec
}

func (w *world) row(rec judge.Record) int {
	rec.Row, rec.Time, rec.HasTime = len(w.records)+1, w.begun.Add(w.now), true
	w.records = append(w.records, rec)
	return len(w.records) - 1
}

// reading draws a reading: near a limit, on one, anywhere, negative or void.
func (w *world) reading(g, c int, unit decimal.Unit) ledger.Reading {
	ch := w.spec.Gauges[g].Channels[c]
	lims := []decimal.Length{ch.Limits.Lower.At, ch.Limits.WarnLower.At, ch.Limits.WarnUpper.At, ch.Limits.Upper.At}
	at := lims[w.r.Intn(4)]
	switch w.r.Intn(8) {
	case 0, 1: // on it
	case 2, 3, 4:
		at += decimal.Length(w.r.Intn(41)-20) * 100 * decimal.Nanometre
	case 5:
		at += decimal.Length(w.r.Intn(2001)-1000) * decimal.Micrometre
	case 6:
		at = (lims[1] + lims[2]) / 2
	case 7:
		at = -decimal.Length(w.r.Intn(9000)+1) * decimal.Micrometre
	}
	exp := map[decimal.Unit]int{decimal.MM: -4, decimal.IN: -5, decimal.UM: -1}[unit]
	v, _ := at.In(unit)
	rd := ledger.Reading{Channel: ch.Name, Exact: decimal.New(int64(at), 0), Shown: v.Quantize(exp, decimal.HalfEven), Unit: unit.Symbol(), Function: "live"}
	rd.Zone = zone.Zone(1 + w.r.Intn(5))
	if w.r.Intn(25) == 0 {
		rd.Void, rd.Zone = "over", zone.Void
	}
	return rd
}

// frame makes a frame and returns its ID.
func (w *world) frame(g int, f ledger.Frame) *ledger.Frame {
	name := w.spec.Gauges[g].Name
	w.nextID[name]++
	f.ID, f.Name = w.nextID[name], "reading"
	if f.Bytes == nil {
		f.Bytes = ledger.Hex(fmt.Sprintf("\x02<%s %d>\r\n", name, f.ID))
	}
	w.entry(ledger.Entry{Kind: ledger.KindFrame, Gauge: name, Frame: &f})
	return &f
}

func (w *world) out(g int, o ledger.Out) {
	w.entry(ledger.Entry{Kind: ledger.KindOut, Gauge: w.spec.Gauges[g].Name, Out: &o})
}

// received is what the host does with an intact frame.
func (w *world) received(g int, f *ledger.Frame) {
	name := w.spec.Gauges[g].Name
	if w.low[name] && !w.told[name] {
		w.row(judge.Record{Kind: "low-cell", Gauge: name})
	}
	w.told[name] = w.low[name]
	s := sent{n: len(f.Bytes)}
	if f.Cause == ledger.Tag && !f.Repeat || f.Cause == ledger.Stream && w.spec.All {
		for _, rd := range f.Readings {
			s.rows = append(s.rows, w.row(w.right(g, rd, f.Tag)))
		}
	}
	w.bytes[name] = append(w.bytes[name], s)
}

// play adds steps to the run.
func (w *world) play(sh shape) *world {
	for n := range sh.steps {
		g := w.r.Intn(len(w.spec.Gauges))
		name := w.spec.Gauges[g].Name
		unit := units[(g+int(w.spec.Unit)+w.r.Intn(2))%len(units)]
		if n%2 == 0 {
			unit = units[g%len(units)]
		}
		w.now += time.Duration(50+w.r.Intn(2000)) * time.Millisecond
		step := w.r.Intn(20)
		var rds []ledger.Reading
		for c := range sh.channels {
			rds = append(rds, w.reading(g, c, unit))
		}
		switch {
		case sh.streams && step < 6:
			f := w.frame(g, ledger.Frame{Cause: ledger.Stream, Readings: rds})
			w.out(g, ledger.Out{Frames: []int{f.ID}, Fate: ledger.Sent})
			w.received(g, f)
		case sh.events && step == 6:
			w.hangUp(g)
		case sh.events && step == 7:
			w.low[name] = !w.low[name]
			w.entry(ledger.Entry{Kind: ledger.KindCell, Gauge: name, Cell: &ledger.Cell{Percent: 8, Low: w.low[name]}})
		case sh.events && step == 8: // damaged on the way
			f := w.frame(g, w.tag(g, rds))
			bad := slices.Clone(f.Bytes)
			bad[1] ^= 2
			w.out(g, ledger.Out{Frames: []int{f.ID}, Fate: ledger.Sent, Bytes: bad, Fault: "garble"})
			w.bytes[name] = append(w.bytes[name], sent{n: len(bad)})
		case sh.events && step == 9: // sent again, in time
			f := w.frame(g, w.tag(g, rds))
			w.out(g, ledger.Out{Frames: []int{f.ID}, Fate: ledger.Sent})
			w.received(g, f)
			w.now += time.Duration(w.r.Intn(1500)) * time.Millisecond
			again := w.frame(g, ledger.Frame{Cause: ledger.Tag, Tag: f.Tag, Readings: rds, Repeat: true})
			w.out(g, ledger.Out{Frames: []int{again.ID}, Fate: ledger.Sent})
			w.received(g, again)
		case sh.events && step == 10: // twice by the port
			f := w.frame(g, w.tag(g, rds))
			w.out(g, ledger.Out{Frames: []int{f.ID}, Fate: ledger.Sent, Bytes: append(slices.Clone(f.Bytes), f.Bytes...), Fault: "duplicate"})
			w.received(g, f)
			w.bytes[name] = append(w.bytes[name], sent{n: len(f.Bytes)})
		case sh.events && step == 11: // lost on the way
			f := w.frame(g, w.tag(g, rds))
			w.out(g, ledger.Out{Frames: []int{f.ID}, Fate: []ledger.Fate{ledger.Lost, ledger.Flushed}[w.r.Intn(2)]})
		case sh.events && step == 15: // the host starts afresh; it may remember or not
			f := w.frame(g, w.tag(g, rds))
			w.out(g, ledger.Out{Frames: []int{f.ID}, Fate: ledger.Sent})
			w.received(g, f)
			w.port(name, ledger.Port{What: "closed"})
			w.port(name, ledger.Port{What: "opened", Path: "ports/" + name})
			w.told[name] = w.told[name] && w.r.Intn(2) == 0
			w.now += 300 * time.Millisecond
			again := w.frame(g, ledger.Frame{Cause: ledger.Tag, Tag: f.Tag, Readings: rds, Repeat: true})
			w.out(g, ledger.Out{Frames: []int{again.ID}, Fate: ledger.Sent})
			w.received(g, again)
			if w.r.Intn(2) == 0 {
				for _, rd := range rds {
					w.row(w.right(g, rd, f.Tag))
				}
			}
		case step == 12 || step == 13: // a burst in one piece
			var ids []int
			var all []byte
			var fs []*ledger.Frame
			for range 2 + w.r.Intn(3) {
				var rds []ledger.Reading
				for c := range sh.channels {
					rds = append(rds, w.reading(g, c, unit))
				}
				f := w.frame(g, w.tag(g, rds))
				ids, all, fs = append(ids, f.ID), append(all, f.Bytes...), append(fs, f)
			}
			w.out(g, ledger.Out{Frames: ids, Fate: ledger.Sent, Bytes: all, Fault: "merge"})
			for _, f := range fs {
				w.received(g, f)
			}
		default:
			f := w.frame(g, w.tag(g, rds))
			o := ledger.Out{Frames: []int{f.ID}, Fate: ledger.Sent}
			if step == 14 {
				o.Fault, o.Bytes = "split", f.Bytes
			}
			w.out(g, o)
			w.received(g, f)
		}
	}
	w.entry(ledger.Entry{Kind: ledger.KindEnd, Note: "the timeline ended"})
	return w
}

// restart has the host ended in the middle of what happened so far, and started
// again: what tells it from a pause is the entry of the host, and its ports.
func (w *world) restart(how string) {
	at := len(w.entries) / 2
	w.entries = slices.Insert(w.entries, at, w.anew(how, w.entries[at].T)...)
}

// ends has the host ended now, and started again.
func (w *world) ends(how string) { w.entries = append(w.entries, w.anew(how, w.now)...) }

func (w *world) anew(how string, t time.Duration) []ledger.Entry {
	es := []ledger.Entry{{T: t, Kind: ledger.KindHost, Note: how}}
	for _, p := range []ledger.Port{{What: "closed"}, {What: "opened"}, {What: "lines", Note: highAndLow}} {
		for g := range w.spec.Gauges {
			es = append(es, ledger.Entry{T: t, Gauge: w.spec.Gauges[g].Name, Kind: ledger.KindPort, Port: &p})
		}
	}
	return append(es, ledger.Entry{T: t, Kind: ledger.KindHost, Note: "ready"})
}

func (w *world) tag(g int, rds []ledger.Reading) ledger.Frame {
	name := w.spec.Gauges[g].Name
	n := w.nextTag[name]
	if w.nextTag[name]++; w.nextTag[name] > w.spec.Gauges[g].Tags.Last {
		w.nextTag[name] = 1
	}
	return ledger.Frame{Cause: ledger.Tag, Tag: &n, Readings: rds}
}

// hangUp takes the port away and brings it back. Some of the last bytes may
// not have been read; the rows of those frames are there or not.
func (w *world) hangUp(g int) {
	name := w.spec.Gauges[g].Name
	if bs := w.bytes[name]; len(bs) > 0 && w.r.Intn(2) == 0 {
		if last := bs[len(bs)-1]; len(last.rows) == 0 || last.rows[len(last.rows)-1] == len(w.records)-1 {
			w.out(g, ledger.Out{Fate: ledger.Unread, Count: 1 + w.r.Intn(last.n)})
			if w.r.Intn(2) == 0 && len(last.rows) > 0 {
				w.records = w.records[:last.rows[0]]
			}
		}
	}
	w.bytes[name] = nil
	w.port(name, ledger.Port{What: "hung up", Path: "ports/" + name})
	w.row(judge.Record{Kind: "link-lost", Gauge: name})
	w.now += time.Second
	place := name
	if w.r.Intn(2) == 0 { // at another gauge's place
		place = w.spec.Gauges[w.r.Intn(len(w.spec.Gauges))].Name
	}
	w.port(name, ledger.Port{What: "returned", Path: "ports/" + place})
	w.port(name, ledger.Port{What: "opened", Path: "ports/" + place})
	w.row(judge.Record{Kind: "link-back", Gauge: name})
}

// configured puts the requests of a host in front.
func (w *world) configured(gauge string, requests []judge.Write) {
	var es []ledger.Entry
	for _, r := range requests {
		es = append(es, ledger.Entry{Kind: ledger.KindRequest, Gauge: gauge, Request: &ledger.Request{Verb: r.Verb, Setting: r.Setting, Channel: r.Channel, Value: r.To}})
	}
	w.entries = slices.Insert(w.entries, 1+2*len(w.spec.Gauges), es...)
}

func (w *world) correct() *world {
	for _, g := range w.spec.Gauges {
		ws := slices.Clone(g.Writes)
		for i := range ws {
			if ws[i].Verb == "" {
				ws[i].Verb = "set"
			}
		}
		w.configured(g.Name, ws)
	}
	return w
}

func describe(fs []judge.Finding) string {
	var b strings.Builder
	for i, f := range fs {
		if i == 8 {
			fmt.Fprintf(&b, "and %d more\n", len(fs)-i)
			break
		}
		fmt.Fprintf(&b, "%s %s/%s frame %d at %v: want %q, got %q (%s)\n", f.Kind, f.Gauge, f.Channel, f.Frame, f.At, f.Expected, f.Got, f.Rule)
	}
	return b.String()
}
