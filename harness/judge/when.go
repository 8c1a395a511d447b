package judge

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// when is a condition on a row that is due.
type when struct {
	bits  float64
	text  string // after "where"
	no    string // what is so where it is not; empty: the condition is not turned round
	about about
	is    func(it *item) bool
	place bool // it counts rows, or says where in the run they stand
	trips bool // it is of what was sent, and hosts are known to lose rows over it
	drops bool // it is of what keeps a frame from being read: rows are missing over it, and no others wrong
}

// about is what a condition speaks of: rows that are alike in it support it only once.
type about int

const (
	aboutRow about = iota
	aboutValue
	aboutTag
)

// subject is what a condition about something sees of a row.
func (it *item) subject(a about) any {
	switch a {
	case aboutValue:
		return [2]any{it.w.Void, it.w.Value.Trim().String()}
	case aboutTag:
		return [2]any{it.w.Tagged, it.w.Tag}
	}
	return it
}

// measure is a number about a row, which a condition may bound.
type measure struct {
	about about
	least string // with %s for the bound: "the tag is %s or greater"
	most  string
	of    func(it *item) (float64, bool)
	say   func(float64) string
	place bool
}

// terms are conditions that are being listed.
type terms []when

// add lists a condition, and returns it to be described further.
func (cs *terms) add(bits float64, text, no string, is func(it *item) bool) *when {
	*cs = append(*cs, when{bits: bits, text: text, no: no, is: is})
	return &(*cs)[len(*cs)-1]
}

func (cs *terms) place(bits float64, text, no string, is func(it *item) bool) {
	cs.add(bits, text, no, is).place = true
}

func (cs *terms) trips(bits float64, text, no string, is func(it *item) bool) {
	cs.add(bits, text, no, is).trips = true
}

func (cs *terms) number(bits float64, text, no string, is func(it *item) bool) {
	cs.add(bits, text, no, func(it *item) bool { return it.r != nil && !it.r.Void && is(it) }).about = aboutValue
}

func (cs *terms) tagged(bits float64, text, no string, is func(n int64) bool) *when {
	c := cs.add(bits, text, no, func(it *item) bool { return it.w.Tagged && it.c >= 0 && is(it.w.Tag) })
	c.about = aboutTag
	return c
}

// conditions are those that stand for themselves.
func (j *judging) conditions(items []*item) terms {
	var cs terms
	j.ofNumber(&cs)
	ofNeighbour(&cs)
	j.ofSent(&cs)
	ofPort(&cs)
	j.drawn(&cs)
	bytewise(&cs, items)
	return cs
}

// ofNumber are conditions on the reading, and on where it lies among the limits.
func (j *judging) ofNumber(cs *terms) {
	cs.number(2, "the reading is negative", "the reading is not negative", func(it *item) bool { return it.r.Shown.Sign() < 0 })
	cs.number(3, "the reading is positive", "", func(it *item) bool { return it.r.Shown.Sign() > 0 })
	cs.number(2, "the reading is 0", "the reading is not 0", func(it *item) bool { return it.r.Shown.Sign() == 0 })
	cs.add(2, "the reading is void", "the reading is not void", func(it *item) bool { return it.w.Void })
	cs.number(5, "the reading is a whole number", "", func(it *item) bool { return it.r.Shown.Quantize(0, decimal.Truncate).Equal(it.r.Shown) })
	cs.number(2, "the reading lies exactly between two steps", "", j.tie)
	cs.number(4, "rounding changes the zone", "", func(it *item) bool {
		pm := it.r.Length()
		_, shown := j.Display(it.g, it.c, pm)
		l := j.limits(it)
		return l.Place(pm, j.Rule) != l.Place(shown, j.Rule)
	})
	on := func(l zone.Limit, it *item) bool {
		pm := it.r.Length()
		_, shown := j.Display(it.g, it.c, pm)
		at := decimal.New(int64(l.At), 0)
		return l.Set && (shown.Equal(at) || j.Rule.Decide == zone.Unrounded && pm.Equal(at))
	}
	for _, n := range zone.Kinds {
		cs.number(3, "the value is on the "+n.Name, "", func(it *item) bool { return on(*n.Of(j.limits(it)), it) })
	}
	cs.number(3, "the value is on a limit", "", func(it *item) bool {
		return slices.ContainsFunc(zone.Kinds[:], func(n zone.Kind) bool { return on(*n.Of(j.limits(it)), it) })
	})
	for z := zone.Below; z <= zone.Above; z++ {
		bits := 4.0
		if z == zone.Inside {
			bits = 7 // most values are
		}
		cs.number(bits, "the value is "+z.String(), "the value is not "+z.String(), func(it *item) bool { return it.w.Zone == z })
	}
}

// ofNeighbour are conditions on what the rows before and after it, and those of other gauges, hold.
func ofNeighbour(cs *terms) {
	before := func(f func(it, prev *item) bool) func(it *item) bool {
		return func(it *item) bool { return it.prev != nil && f(it, it.prev) }
	}
	cs.add(3, "the value equals the one before it", "", before(func(it, p *item) bool {
		return it.w.Void == p.w.Void && (it.w.Void || it.w.Value.Equal(p.w.Value))
	}))
	cs.add(6, "the value is less than the one before it", "", before(func(it, p *item) bool {
		return !it.w.Void && !p.w.Void && it.w.Value.Cmp(p.w.Value) < 0
	}))
	cs.add(6, "the value is greater than the one before it", "", before(func(it, p *item) bool {
		return !it.w.Void && !p.w.Void && it.w.Value.Cmp(p.w.Value) > 0
	}))
	cs.add(4, "the reading before it is void", "", before(func(_, p *item) bool { return p.w.Void }))
	cs.add(5, "the zone is the same as before it", "the zone is another than before it", before(func(it, p *item) bool { return it.w.Zone == p.w.Zone }))
	cs.add(4, "the tag number is lower than the one before it", "", before(func(it, p *item) bool { return it.w.Tagged && p.w.Tagged && it.w.Tag < p.w.Tag }))
	cs.add(5, "the tag number does not follow the one before it", "", before(func(it, p *item) bool { return it.w.Tagged && p.w.Tagged && it.w.Tag != p.w.Tag+1 }))
	cs.trips(3, "another gauge sent the same tag number before it or with it", "", func(it *item) bool { return it.echo > notSent })
	cs.trips(2.5, "another gauge sent the same tag number with the same reading before it or with it", "", func(it *item) bool { return it.echo == sentSame })
	cs.trips(3.5, "another gauge sends the same tag number later", "", func(it *item) bool { return it.replaced })
	cs.trips(3, "the same tag number comes again later", "", func(it *item) bool { return it.comes })
	cs.add(3, "the same tag number came before", "", func(it *item) bool { return it.came })
}

// ofSent are conditions on the frame, and on what came with it and before it.
func (j *judging) ofSent(cs *terms) {
	frame := func(bits float64, text, no string, f func(s *cause.Seen) bool) {
		cs.add(bits, text, no, func(it *item) bool { return it.seen != nil && f(it.seen) })
	}
	frame(3, "the reading is tagged", "the reading is not tagged", func(s *cause.Seen) bool { return s.Tagged })
	frame(3, "the frame came in the same piece as the one before it", "", func(s *cause.Seen) bool { return s.Joined })
	cs.add(3, "another frame came in the same piece after it", "", func(it *item) bool { return it.after > 0 })
	cs.add(2.5, "the frame is the first of several in one piece", "", func(it *item) bool { return it.after > 0 && it.ahead == 0 })
	cs.add(3, "the frame came in one piece with another", "", func(it *item) bool { return it.after > 0 || it.seen != nil && it.seen.Joined })
	cs.trips(2, "another channel of the frame has no reading", "", func(it *item) bool { return it.voided })
	cs.trips(1.5, "a channel before it in its frame has no reading", "", func(it *item) bool { return it.behind })
	cs.trips(1.5, "the channel is not the last of its frame", "", func(it *item) bool {
		if it.seen == nil || it.c < 0 {
			return false
		}
		rs := j.h.Of(it.seen)
		return len(rs) > 0 && int(rs[len(rs)-1].Channel) != it.c
	})
	cs.trips(3, "a damaged frame came in the same piece", "", func(it *item) bool { return it.spoilt })
	frame(2.5, "the frame came in parts", "", func(s *cause.Seen) bool { return s.Split })
	cs.trips(3, "the cell is low", "the cell is not low", func(it *item) bool { return it.seen != nil && it.seen.Low })
	frame(3, "the host asked for the reading", "", func(s *cause.Seen) bool { return s.Asked })
	cs.trips(3, "the frame before it arrived damaged", "", func(it *item) bool { return it.damaged })
	cs.trips(2.5, "the frame before it is a tag that was sent again", "", func(it *item) bool { return it.echoed })
	cs.add(3, "the port of another gauge is away", "", func(it *item) bool { return it.lonely })
	cs.add(3, "a damaged frame has come since the port was opened", "", func(it *item) bool { return it.hurt })
	cs.add(3, "the gauge began with another unit", "", func(it *item) bool { return it.turned })
	cs.add(5, "the frame before it is another gauge's", "the frame before it is the same gauge's", func(it *item) bool { return it.other })
	cs.trips(2, "the frame before it was cut off by a hang-up", "", func(it *item) bool { return it.seen != nil && it.seen.Cut })
	cs.trips(2, "bytes that made no frame came last before the port went away", "", func(it *item) bool { return it.scrap })
	cs.trips(2.5, "it came after the port was opened again and before the gauge said who it is", "", func(it *item) bool { return it.unnamed })
	cs.trips(1.5, "the frame holds ff, the byte that Telnet sends twice", "", func(it *item) bool {
		return it.seen != nil && strings.HasPrefix(j.paths[it.g], "rfc2217:") && bytes.IndexByte(it.seen.Bytes, 0xff) >= 0
	})
}

// ofPort are conditions on the opening and losing of ports, and on the beginning and the
// end of what is recorded.
func ofPort(cs *terms) {
	cs.place(3, "the frame is the first that came after the port was opened", "", func(it *item) bool { return it.opened == 1 })
	cs.trips(2, "the frame's count is not above that of one before it", "", func(it *item) bool { return it.counted })
	cs.add(3, "it came within 0.25 s after the port was opened again", "", func(it *item) bool { return it.up > 0 && it.sinceOpen <= beside })
	cs.place(2, "it is the first after the port came back", "", func(it *item) bool { return it.up == 1 })
	cs.place(2, "it is the last before the port went away", "", func(it *item) bool { return it.goes })
	cs.add(2, "the port has come back", "the port has not gone yet", func(it *item) bool { return it.up > 0 })
	cs.add(1, "the port went away between the two rows", "", func(it *item) bool { return it.across })
	cs.add(2, "it is the row of an event", "it is the row of a reading", func(it *item) bool { return it.c < 0 })
	cs.place(3, "it is the first after the host was started again", "", func(it *item) bool { return it.anew == 1 })
	cs.add(3, "the host has been started again", "", func(it *item) bool { return it.anew > 0 })
	cs.place(3, "it is the first of the channel", "it is not the first of the channel", func(it *item) bool { return it.nth == 1 && it.c >= 0 })
	cs.place(4, "it is the first of the run", "", func(it *item) bool { return it.run == 1 })
	cs.place(3, "it is the last of the channel", "", func(it *item) bool { return it.last })
	for _, e := range []cause.Event{cause.LowCellEvent, cause.LinkLostEvent, cause.LinkBackEvent} {
		cs.add(3, "the event is "+e.String(), "", func(it *item) bool { return it.w.Event == e })
	}
}

// tie reports whether a reading lies in the middle of two of the host's steps.
func (j *judging) tie(it *item) bool {
	step := j.Resolution.Mul(decimal.New(int64(j.Unit.Size()), 0))
	twice := it.r.Length().Mul(decimal.New(2, 0))
	n, ok := twice.Quo(step, 0, decimal.HalfEven).Int64()
	return ok && n%2 != 0 && step.Mul(decimal.New(n, 0)).Equal(twice)
}

// drawn are conditions on what there is in this run: gauges, channels, units, numbers.
func (j *judging) drawn(cs *terms) {
	if len(j.Gauges) > 1 {
		for g := range j.Gauges {
			cs.add(3+math.Log2(float64(len(j.Gauges))), "the gauge is "+j.Gauges[g].Name, "the gauge is not "+j.Gauges[g].Name, func(it *item) bool { return it.g == g })
		}
	}
	channels, units := map[string]bool{}, map[decimal.Unit]bool{}
	for g := range j.Gauges {
		for _, c := range j.Gauges[g].Channels {
			channels[c.Name] = true
		}
	}
	for i := range j.h.Readings {
		units[j.h.Readings[i].Unit] = true
	}
	if len(channels) > 1 {
		for _, n := range slices.Sorted(maps.Keys(channels)) {
			cs.add(1+math.Log2(float64(len(channels))), "the channel is "+n, "the channel is not "+n, func(it *item) bool { return it.c >= 0 && j.Gauges[it.g].Channels[it.c].Name == n })
		}
	}
	if len(units) > 1 {
		for _, u := range slices.Sorted(maps.Keys(units)) {
			cs.add(3, "the gauge sends "+u.Symbol(), "the gauge does not send "+u.Symbol(), func(it *item) bool { return it.r != nil && it.r.Unit == u })
		}
	}
	cs.tagged(1, "the tag number is 0", "", func(n int64) bool { return n == 0 }).trips = true
	cs.tagged(5, "the tag number is even", "the tag number is odd", func(n int64) bool { return n%2 == 0 })
	cs.tagged(6, "the tag number is a multiple of 10", "", func(n int64) bool { return n%10 == 0 })
	cs.tagged(4, "the tag number has a digit 8 or 9", "", func(n int64) bool { return octal(n) < 0 })
	for n := 2; n <= 10; n++ {
		for k := range n {
			cs.place(5+math.Log2(float64(n*n)), fmt.Sprintf("it is row %d of every %d of the channel", k+1, n), "", func(it *item) bool { return it.c >= 0 && (it.nth-1)%n == k })
		}
	}
}

// octal is a number whose digits are read as octal ones, −1 where they are none.
func octal(n int64) int64 {
	v, err := strconv.ParseInt(strconv.FormatInt(n, 10), 8, 64)
	if err != nil {
		return -1
	}
	return v
}

// telling are bytes of binary frames that hosts treat in a way of their own: ends of
// text and of lines, flow control, escapes and flags of framings.
var telling = []byte{0x00, 0x03, 0x04, 0x0a, 0x0d, 0x11, 0x13, 0x1a, 0x7d, 0x7e, 0xc0, 0xdb, 0xff}

// bytewise are conditions on the bytes of a frame that some mistake in decoding turns on.
func bytewise(cs *terms, items []*item) {
	var frames [][]byte
	text := true
	for _, it := range items[:min(len(items), 200)] {
		if it.seen != nil {
			frames = append(frames, bytes.TrimRight(it.seen.Bytes, "\r\n"))
			text = text && !bytes.ContainsFunc(it.seen.Bytes, func(r rune) bool { return r >= 0x7f || r < ' ' && r != '\r' && r != '\n' })
		}
	}
	add := func(bits float64, text string, is func(b []byte) bool) *when {
		c := cs.add(bits, text, "", func(it *item) bool { return it.seen != nil && len(it.seen.Bytes) > 2 && is(it.seen.Bytes) })
		c.drops = true
		return c
	}
	if text && !checked(frames) {
		return
	}
	if text {
		add(2, "the check at the end of the frame begins with 0", func(b []byte) bool {
			b = bytes.TrimRight(b, "\r\n")
			return len(b) > 2 && b[len(b)-2] == '0'
		}).trips = true
		add(3.5, "the check at the end of the frame holds a letter", func(b []byte) bool {
			b = bytes.TrimRight(b, "\r\n")
			return len(b) > 2 && bytes.ContainsAny(b[len(b)-2:], "ABCDEFabcdef")
		})
		return
	}
	for _, e := range []string{"\xdb\xdd", "\xdb\xdc", "\x7d\x5d", "\x7d\x5e"} {
		add(2.5, fmt.Sprintf("the frame holds the escape sequence % x", e), func(b []byte) bool { return bytes.Contains(b, []byte(e)) }).trips = true
	}
	for _, e := range [][2]string{{"\xdb\xdc", "\xdb\xdd"}, {"\x7d\x5e", "\x7d\x5d"}} {
		add(2.5, fmt.Sprintf("the frame holds an escaped byte, % x or % x", e[0], e[1]), func(b []byte) bool {
			return bytes.Contains(b, []byte(e[0])) || bytes.Contains(b, []byte(e[1]))
		}).trips = true
	}
	for _, e := range []string{"\xdb\xdd\xdc", "\x7d\x5d\x5e"} { // SLIP (RFC 1055) and octet stuffing (RFC 1662)
		add(2, fmt.Sprintf("the frame holds % x, an escaped escape byte before %x", e, e[2:]), func(b []byte) bool { return bytes.Contains(b, []byte(e)) }).trips = true
	}
	add(3, "the frame holds a byte of 80 or more", func(b []byte) bool { return bytes.ContainsFunc(b, func(r rune) bool { return r >= 0x80 }) })
	add(2, "the byte that begins the frame stands in it again", func(b []byte) bool { return bytes.IndexByte(b[1:], b[0]) >= 0 })
	for _, t := range telling {
		add(6, fmt.Sprintf("the frame holds the byte %02x", t), func(b []byte) bool { return bytes.IndexByte(b, t) >= 0 })
	}
}

// A byte at one place of the frame is looked at where some frames tell of it, and not too many.
const (
	fewestPlaced = 3
	mostPlaced   = 20_000
)

// places are the bytes that stand at one place in the frames of all rows that are wrong in
// one way, and of no other: a code or a digit that the host reads wrong.
func places(wrong, others []*item) (cs []when) {
	if len(wrong) < fewestPlaced || len(wrong)+len(others) > mostPlaced {
		return nil
	}
	at := func(it *item, n int) int {
		if it.seen == nil || n >= len(it.seen.Bytes) {
			return -1
		}
		return int(it.seen.Bytes[n])
	}
	for n := 0; at(wrong[0], n) >= 0; n++ {
		b := at(wrong[0], n)
		has := func(it *item) bool { return at(it, n) == b }
		if !slices.ContainsFunc(wrong, func(it *item) bool { return !has(it) }) && !slices.ContainsFunc(others, has) {
			values := map[int]bool{b: true}
			for _, it := range others {
				values[at(it, n)] = true
			}
			bits := 2 + math.Log2(float64(len(values)*len(wrong[0].seen.Bytes)))
			cs = append(cs, when{bits: bits, text: fmt.Sprintf("byte %d of the frame is %02x", n+1, b), is: has})
		}
	}
	return cs
}

// checks reports whether frames may carry a check: those of a gauge that sends text are
// looked at.
func (j *judging) checks() bool {
	for g := range j.Gauges {
		var frames [][]byte
		text := true
		for i := range j.h.Seen {
			if s := &j.h.Seen[i]; int(s.Gauge) == g && s.What == cause.Frame && s.State == cause.Sure && !s.Other && len(frames) < 200 {
				frames = append(frames, bytes.TrimRight(s.Bytes, "\r\n"))
				text = text && !bytes.ContainsFunc(s.Bytes, func(r rune) bool { return r >= 0x7f || r < ' ' && r != '\r' && r != '\n' })
			}
		}
		if len(frames) < leastChecked || !text || checked(frames) {
			return true
		}
	}
	return false
}

// leastChecked are so many different frames at least: the last digits of fewer may be a
// check over what stands before them by chance.
const leastChecked = 3

// checked reports whether all frames of a text end with two hexadecimal digits that are a
// check of one kind over what stands before them.
func checked(frames [][]byte) bool {
	over := func(b []byte, from, less int, unhex bool, f func(sum, c byte) byte) (sum byte, ok bool) {
		if b = b[from : len(b)-2-less]; unhex {
			out := make([]byte, len(b)/2)
			if _, err := hex.Decode(out, b); err != nil {
				return 0, false
			}
			b = out
		}
		for _, c := range b {
			sum = f(sum, c)
		}
		return sum, true
	}
	different := map[string]bool{}
	for _, b := range frames {
		different[string(b)] = true
	}
	if len(different) < leastChecked {
		return false
	}
	for _, f := range []func(sum, c byte) byte{
		func(sum, c byte) byte { return sum ^ c }, func(sum, c byte) byte { return sum + c }, func(sum, c byte) byte { return sum - c },
	} {
		for n := range 8 { // from the second byte on, without the one before the check, of the bytes that digits stand for
			if !slices.ContainsFunc(frames, func(b []byte) bool {
				if len(b) < 5 {
					return true
				}
				sum, ok := over(b, n&1, n>>1&1, n>>2 == 1, f)
				return !ok || !strings.EqualFold(string(b[len(b)-2:]), fmt.Sprintf("%02x", sum))
			}) {
				return true
			}
		}
	}
	return false
}

// measures are the numbers that conditions bound.
func (j *judging) measures() []measure {
	count := func(f float64) string { return fmt.Sprintf("%.0f", f) }
	value := func(f float64) string {
		return j.number(decimal.MustParse(fmt.Sprintf("%.*f", max(0, -j.Resolution.Exponent()), f)))
	}
	lasts := func(f float64) string { return time.Duration(f).String() }
	return []measure{
		{aboutTag, "the tag number is %s or greater", "the tag number is %s or less", func(it *item) (float64, bool) { return float64(it.w.Tag), it.w.Tagged && it.c >= 0 }, count, false},
		{aboutValue, "the value is %s or more", "the value is %s or less", func(it *item) (float64, bool) { return it.w.Value.Float64(), !it.w.Void && it.c >= 0 }, value, false},
		{aboutValue, "the value, whatever its sign, is %s or more", "the value, whatever its sign, is %s or less", func(it *item) (float64, bool) { return it.w.Value.Abs().Float64(), !it.w.Void && it.c >= 0 }, value, false},
		{aboutRow, "the value differs from the one before it by %s or more", "", func(it *item) (float64, bool) {
			if it.prev == nil || it.w.Void || it.prev.w.Void {
				return 0, false
			}
			return it.w.Value.Sub(it.prev.w.Value).Abs().Float64(), true
		}, value, false},
		{aboutRow, "it is row %s of the channel or a later one", "it is row %s of the channel or an earlier one", func(it *item) (float64, bool) { return float64(it.nth), it.c >= 0 }, count, true},
		{aboutRow, "it is row %s of the run or a later one", "it is row %s of the run or an earlier one", func(it *item) (float64, bool) { return float64(it.run), it.run > 0 }, count, true},
		{aboutRow, "the gauge's tag before it is %s or more ago", "the gauge's tag before it is %s or less ago", func(it *item) (float64, bool) { return float64(it.since), it.since >= 0 && it.c >= 0 }, lasts, false},
		{aboutRow, "it came %s or more after the port was opened", "it came %s or less after the port was opened", func(it *item) (float64, bool) { return float64(it.sinceOpen), it.up > 0 }, lasts, false},
		{aboutRow, "it is row %s after the port came back or a later one", "it is row %s after the port came back or an earlier one", func(it *item) (float64, bool) { return float64(it.up), it.up > 0 }, count, true},
		{aboutRow, "%s bytes or more came after it in the same piece", "%s bytes or fewer came after it in the same piece", func(it *item) (float64, bool) { return float64(it.after), it.seen != nil }, count, false},
		{aboutRow, "%s bytes or more came before it in the same piece", "", func(it *item) (float64, bool) { return float64(it.ahead), it.seen != nil }, count, false},
	}
}

// ofPiece is by how much likelier it is that hosts count the bytes of what they read.
const ofPiece = 1.5

// bounds are the conditions that keep a measure to what the rows that are wrong in one
// way have, with the roundest bounds that the other rows leave. A bound costs the choice
// among those that the rows could have had.
func bounds(m measure, wrong, others []*item) (cs []when) {
	lo, hi := math.Inf(1), math.Inf(-1)
	distinct := map[float64]bool{}
	for _, it := range wrong {
		f, ok := m.of(it)
		if !ok {
			return nil
		}
		lo, hi = min(lo, f), max(hi, f)
		distinct[f] = true
	}
	below, above := math.Inf(-1), math.Inf(1) // the nearest of the others
	for _, it := range others {
		f, ok := m.of(it)
		if ok && f < lo {
			below = max(below, f)
		} else if ok && f > hi {
			above = min(above, f)
		}
		if ok {
			distinct[f] = true
		}
	}
	bits := 3 + math.Log2(float64(len(distinct)))
	if strings.Contains(m.least, "in the same piece") {
		bits -= ofPiece
	}
	if !math.IsInf(below, -1) {
		at := roundest(below, lo, false)
		cs = append(cs, when{bits: bits, text: fmt.Sprintf(m.least, m.say(at)), about: m.about, is: func(it *item) bool { f, ok := m.of(it); return ok && f >= at }, place: m.place})
	}
	if !math.IsInf(above, 1) && m.most != "" {
		at := roundest(hi, above, true)
		cs = append(cs, when{bits: bits, text: fmt.Sprintf(m.most, m.say(at)), about: m.about, is: func(it *item) bool { f, ok := m.of(it); return ok && f <= at }, place: m.place})
	}
	return cs
}

// roundest is the number with the fewest digits in (from, to], or with open the other
// way in [from, to).
func roundest(from, to float64, open bool) float64 {
	for p := 9; p >= -3; p-- {
		step := math.Pow10(p)
		if open {
			if n := math.Ceil(to/step)*step - step; n >= from && n < to {
				return n
			}
		} else if n := math.Floor(to/step) * step; n > from && n <= to {
			return n
		}
	}
	if open {
		return from
	}
	return to
}
