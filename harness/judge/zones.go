package judge

import (
	"fmt"
	"strconv"
	"strings"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// limits is a copy of an item's own.
func (j *judging) limits(it *item) *zone.Limits {
	l := zone.Limits{}
	if it.c >= 0 && it.c < len(j.Gauges[it.g].Channels) {
		l = j.Gauges[it.g].Channels[it.c].Limits
	}
	return &l
}

// lengths are what a host received, and what it shows of it, in pm. Where the recorded
// value is wrong, and the zone not right by the true one, they are the recorded one.
func (j *judging) lengths(it *item) (pm, shown decimal.Decimal, ok bool) {
	if it.own != nil {
		pm = it.own.Mul(decimal.New(int64(j.Unit.Size()), 0))
		return pm, pm, true
	}
	if it.r == nil || it.r.Void {
		return pm, shown, false
	}
	pm = it.r.Length()
	_, shown = j.Display(it.g, it.c, pm)
	return pm, shown, true
}

// judged is how a mistaken host judges: by these limits and this rule, those limits
// strict that are so here.
type judged struct {
	zone.Limits
	zone.Rule
	strict [4]bool                         // as in zone.Kinds
	guard  [4]decimal.Length               // by which each is moved in
	more   []zone.Limits                   // that come into it while a value is inside those before
	text   func(pm decimal.Decimal) string // as what they are compared; nil: numbers
}

// text is a length as the host writes it.
func (j *judging) text(pm decimal.Decimal) string {
	return pm.Quo(decimal.New(int64(j.Unit.Size()), 0), j.Resolution.Exponent(), j.Rounding).String()
}

// judged is the right judgement of an item.
func (j *judging) judged(it *item) judged {
	s, u := j.Rule.Strict, j.Rule.Guard
	return judged{Limits: *j.limits(it), Rule: j.Rule, strict: [4]bool{s, s, s, s}, guard: [4]decimal.Length{u, u}}
}

func (p *judged) place(v decimal.Decimal) zone.Zone {
	z := p.by(v)
	for _, l := range p.more {
		if z != zone.Inside {
			break
		}
		p.Limits = l
		z = p.by(v)
	}
	return z
}

func (p *judged) by(v decimal.Decimal) zone.Zone {
	for k, z := range []zone.Zone{zone.Below, zone.Above, zone.WarnLow, zone.WarnHigh} {
		l := *zone.Kinds[k].Of(&p.Limits)
		c, guard := 0, p.guard[k]
		if p.text != nil {
			if c = strings.Compare(p.text(v), p.text(decimal.New(int64(l.At), 0))); k%2 == 0 {
				c = -c
			}
		} else if k%2 == 0 {
			c = decimal.New(int64(l.At+guard), 0).Cmp(v)
		} else {
			c = v.Cmp(decimal.New(int64(l.At-guard), 0))
		}
		if l.Set && (c > 0 || c == 0 && p.strict[k]) {
			if p.Unproven && k < 2 && (zone.Limits{Lower: p.Lower, Upper: p.Upper}).Place(v, p.Rule) == zone.Unproven {
				return zone.Unproven
			}
			return z
		}
	}
	return zone.Inside
}

// zones are the ways in which a zone can be wrong.
func (j *judging) zones() (ws []what) {
	add := func(bits float64, text string, says func(it *item) (zone.Zone, bool)) {
		ws = append(ws, what{of: ofZone, bits: bits, text: text, says: func(it *item) (answer, bool) {
			z, ok := says(it)
			return answer{n: int64(z)}, ok
		}})
	}
	for z := zone.Void; z <= zone.Above; z++ {
		bits := 5.0
		if z == zone.Inside {
			bits = 3 // as of a host without limits
		}
		add(bits, "the zone is "+z.String(), func(*item) (zone.Zone, bool) { return z, true })
	}
	add(4, "the zone is that of the row before", func(it *item) (zone.Zone, bool) {
		if it.prev == nil {
			return 0, false
		}
		return it.prev.w.Zone, true
	})
	add(3, "the zone is the one that the same value had first in the run", func(it *item) (zone.Zone, bool) {
		if it.alike == nil {
			return 0, false
		}
		return it.alike.w.Zone, true
	})
	add(3, asLiteral, func(it *item) (zone.Zone, bool) {
		pm, ok := atItsWord(it)
		if !ok || it.own != nil || it.c >= len(j.Gauges[it.g].Channels) {
			return 0, false
		}
		_, shown := j.Display(it.g, it.c, pm)
		return j.Zone(&j.Gauges[it.g].Channels[it.c], pm, shown), true
	})
	add(4.5, "values are compared as the binary fractions that are nearest to them", func(it *item) (zone.Zone, bool) {
		pm, shown, ok := j.lengths(it)
		if j.Rule.Decide != zone.Unrounded {
			pm = shown
		}
		size := decimal.New(int64(j.Unit.Size()), 0)
		exact, err := decimal.Parse(strconv.FormatFloat(pm.Quo(size, -12, decimal.HalfEven).Float64(), 'f', 60, 64))
		p := j.judged(it)
		return p.place(exact.Mul(size)), ok && err == nil
	})
	exchanged(add)
	if j.width > 1 {
		j.ofFrame(add)
	}
	with := func(bits float64, text string, change func(it *item, p *judged) bool) {
		add(bits, text, func(it *item) (zone.Zone, bool) {
			pm, shown, ok := j.lengths(it)
			p := j.judged(it)
			if !ok || !change(it, &p) {
				return 0, false
			}
			if p.Decide == zone.Unrounded {
				return p.place(pm), true
			}
			return p.place(shown), true
		})
	}
	j.rules(with)
	j.otherLimits(with)
	for _, op := range numberOps(j) {
		if op.bits > 5 {
			break
		}
		add(op.bits+2, "the zone is right for another value: "+op.text, func(it *item) (zone.Zone, bool) {
			if it.w.Void {
				return 0, false
			}
			v, ok := op.do(it.w.Value)
			p := j.judged(it)
			return p.place(v.Mul(decimal.New(int64(j.Unit.Size()), 0))), ok
		})
	}
	j.ofOthers(add)
	return ws
}

// exchanged are zones under each other's words.
func exchanged(add func(bits float64, text string, says func(it *item) (zone.Zone, bool))) {
	mirror := [...]zone.Zone{zone.Void, zone.Above, zone.WarnHigh, zone.Inside, zone.WarnLow, zone.Below, zone.Unproven}
	add(4, "below and above are exchanged", func(it *item) (zone.Zone, bool) { return mirror[it.w.Zone], true })
	for _, x := range [][2]zone.Zone{{zone.WarnLow, zone.WarnHigh}, {zone.Below, zone.WarnLow}, {zone.WarnHigh, zone.Above}, {zone.Below, zone.Above}} {
		bits, text := 5.0, fmt.Sprintf("%s and %s are exchanged", x[0], x[1])
		switch x {
		case [2]zone.Zone{zone.WarnLow, zone.WarnHigh}:
			bits = 3.5
		case [2]zone.Zone{zone.Below, zone.Above}:
			bits, text = 4.2, text+", and the warnings are not"
		}
		add(bits, text, func(it *item) (zone.Zone, bool) {
			switch it.w.Zone {
			case x[0]:
				return x[1], true
			case x[1]:
				return x[0], true
			}
			return it.w.Zone, true
		})
	}
}

// ofOthers are zones of another reading.
func (j *judging) ofOthers(add func(bits float64, text string, says func(it *item) (zone.Zone, bool))) {
	for _, s := range []struct {
		text string
		of   func(it *item) *cause.Reading
	}{{"that of the reading streamed last before", func(it *item) *cause.Reading { return it.streamed }}, {"that of the other channel's reading", func(it *item) *cause.Reading { return it.beside }}} {
		add(4, "the zone is "+s.text, func(it *item) (zone.Zone, bool) {
			r := s.of(it)
			if r == nil || r.Void || it.c < 0 {
				return 0, false
			}
			_, shown := j.Display(it.g, it.c, r.Length())
			return j.Zone(&j.Gauges[it.g].Channels[it.c], r.Length(), shown), true
		})
	}
}

// ofFrame are zones that go for a whole frame.
func (j *judging) ofFrame(add func(bits float64, text string, says func(it *item) (zone.Zone, bool))) {
	each := func(it *item, f func(z zone.Zone)) bool {
		if it.seen == nil || it.c < 0 {
			return false
		}
		for _, r := range j.h.Of(it.seen) {
			z := zone.Void
			if !r.Void && int(r.Channel) < len(j.Gauges[it.g].Channels) {
				_, shown := j.Display(it.g, int(r.Channel), r.Length())
				z = j.Zone(&j.Gauges[it.g].Channels[r.Channel], r.Length(), shown)
			}
			f(z)
		}
		return true
	}
	add(3, "the zone is that of the first channel of the frame", func(it *item) (own zone.Zone, ok bool) {
		n := 0
		ok = each(it, func(z zone.Zone) {
			if n++; n == 1 {
				own = z
			}
		})
		return own, ok
	})
	rank := [...]int{zone.Inside: 0, zone.WarnLow: 1, zone.WarnHigh: 1, zone.Unproven: 2, zone.Below: 3, zone.Above: 3, zone.Void: 4}
	add(3, "the zone is the worst of all channels of the frame", func(it *item) (zone.Zone, bool) {
		own := it.w.Zone
		ok := each(it, func(z zone.Zone) {
			if rank[z] > rank[own] {
				own = z
			}
		})
		return own, ok
	})
}

// rules are judgements by the right limits and a wrong rule.
func (j *judging) rules(with func(bits float64, text string, change func(it *item, p *judged) bool)) {
	word := map[bool]string{true: "strict", false: "inclusive"}[!j.Rule.Strict]
	for mask := 1; mask < 15; mask++ {
		var names string
		n := 0
		for k := range zone.Kinds {
			if mask>>k&1 != 0 {
				n++
				if names != "" {
					names += " and the "
				}
				names += zone.Kinds[k].Name
			}
		}
		verb := map[bool]string{true: "counts", false: "count"}[n == 1]
		if n == 3 || mask == 9 || mask == 6 { // of three limits, or crosswise
			continue
		}
		with(3+float64(n), fmt.Sprintf("the %s %s as %s", names, verb, word), func(_ *item, p *judged) bool {
			for k := range p.strict {
				p.strict[k] = p.strict[k] != (mask>>k&1 != 0)
			}
			return true
		})
	}
	with(4, "the zone is right by "+word+" limits", func(_ *item, p *judged) bool {
		p.strict = [4]bool{!j.Rule.Strict, !j.Rule.Strict, !j.Rule.Strict, !j.Rule.Strict}
		return true
	})
	if j.Rule.Guard != 0 {
		j.guards(with)
	}
	if j.Rule.Unproven {
		j.unproven(with)
	}
	with(5, "the zone is right by the value as received", func(_ *item, p *judged) bool { p.Decide = zone.Unrounded; return true })
	with(5, "the zone is right by the value as shown", func(_ *item, p *judged) bool { p.Decide = zone.Displayed; return true })
	with(4, "the zone is right without the warning limits", func(_ *item, p *judged) bool {
		p.WarnLower, p.WarnUpper = zone.Limit{}, zone.Limit{}
		return true
	})
	for _, n := range zone.Kinds {
		with(5, "the zone is right without the "+n.Name, func(_ *item, p *judged) bool {
			*n.Of(&p.Limits) = zone.Limit{}
			return true
		})
	}
}

// unproven are judgements that know of no zone for what is neither proven to conform nor not to.
func (j *judging) unproven(with func(bits float64, text string, change func(it *item, p *judged) bool)) {
	with(2, "what neither conforms nor fails to by the guard band counts as outside", func(_ *item, p *judged) bool {
		p.Unproven = false
		return true
	})
	with(2.5, "what neither conforms nor fails to by the guard band counts as inside", func(_ *item, p *judged) bool {
		p.Unproven, p.guard[0], p.guard[1] = false, -p.guard[0], -p.guard[1]
		return true
	})
}

// guards are judgements by the right limits and a wrong guard band.
func (j *judging) guards(with func(bits float64, text string, change func(it *item, p *judged) bool)) {
	u := j.Rule.Guard
	other := 4.5 // bits of taking the guard band's number for one in another unit, which is nearer where limits have one
	for g := range j.Gauges {
		for _, c := range j.Gauges[g].Channels {
			if c.LimitUnit != j.Unit {
				other = 3.5
			}
		}
	}
	for _, w := range []struct {
		bits  float64
		text  string
		guard [4]decimal.Length
	}{
		{4, "the zone is right without a guard band", [4]decimal.Length{}},
		{4, "the lower limit is moved out by the guard band, not in", [4]decimal.Length{-u, u}},
		{4, "the upper limit is moved out by the guard band, not in", [4]decimal.Length{u, -u}},
		{4, "the guard band does not go for the lower limit", [4]decimal.Length{0, u}},
		{4, "the guard band does not go for the upper limit", [4]decimal.Length{u, 0}},
		{4, "the guard band goes for the warning limits too", [4]decimal.Length{u, u, u, u}},
		{4, "the guard band goes for the lower warning limit too", [4]decimal.Length{u, u, u, 0}},
		{4, "the guard band goes for the upper warning limit too", [4]decimal.Length{u, u, 0, u}},
		{4, "the guard band is taken twice", [4]decimal.Length{2 * u, 2 * u}},
		{4, "the guard band is halved", [4]decimal.Length{u / 2, u / 2}},
		{other, "the number of the guard band in millimetres is taken for one in inches", [4]decimal.Length{u * 254 / 10, u * 254 / 10}},
		{other, "the number of the guard band in inches is taken for one in millimetres", [4]decimal.Length{u * 10 / 254, u * 10 / 254}},
		{4.8, "the number of the guard band in micrometres is taken for one in millimetres", [4]decimal.Length{u * 1000, u * 1000}},
		{4.8, "the number of the guard band in millimetres is taken for one in micrometres", [4]decimal.Length{u / 1000, u / 1000}},
	} {
		with(w.bits, w.text, func(_ *item, p *judged) bool { p.guard = w.guard; return true })
	}
}

// otherLimits are judgements by the right rule and wrong limits.
func (j *judging) otherLimits(with func(bits float64, text string, change func(it *item, p *judged) bool)) {
	each := func(bits float64, text string, change func(it *item, l *zone.Limit)) {
		with(bits, text, func(it *item, p *judged) bool {
			for _, n := range zone.Kinds {
				change(it, n.Of(&p.Limits))
			}
			return true
		})
	}
	each(2, "a limit of 0 counts as none", func(_ *item, l *zone.Limit) { l.Set = l.Set && l.At != 0 })
	each(3, "a limit that is not set counts as 0", func(_ *item, l *zone.Limit) { l.Set = true })
	with(2, "a warning limit that is not set counts as 0", func(_ *item, p *judged) bool {
		p.WarnLower.Set, p.WarnUpper.Set = true, true
		return true
	})
	in := func(unit func(it *item) decimal.Unit, f func(v decimal.Decimal) decimal.Decimal) func(it *item, l *zone.Limit) {
		return func(it *item, l *zone.Limit) {
			size := decimal.New(int64(unit(it).Size()), 0)
			pm := f(decimal.New(int64(l.At), 0).Quo(size, -12, decimal.HalfEven)).Mul(size).Quantize(0, decimal.HalfEven)
			if n, ok := pm.Int64(); ok && l.Set {
				l.At = decimal.Length(n)
			}
		}
	}
	host := func(*item) decimal.Unit { return j.Unit }
	own := func(it *item) decimal.Unit { return j.Gauges[it.g].Channels[it.c].LimitUnit }
	for _, how := range []struct {
		bits float64
		text string
		mode decimal.Rounding
	}{{2.5, "rounded", decimal.HalfEven}, {2.5, "rounded half up", decimal.HalfUp}, {2.5, "cut off", decimal.Truncate}} {
		each(how.bits, "the limits are "+how.text+" to the host's resolution first", in(host, func(v decimal.Decimal) decimal.Decimal { return v.RoundTo(j.Resolution, how.mode) }))
		for fewer := 1; fewer <= 2; fewer++ {
			each(6, fmt.Sprintf("the limits are %s to %d fewer decimals than the host's resolution", how.text, fewer), in(host, func(v decimal.Decimal) decimal.Decimal {
				return v.Quantize(j.Resolution.Exponent()+fewer, how.mode)
			}))
		}
	}
	each(3, "limits in inches are reckoned with 25 mm", func(it *item, l *zone.Limit) {
		if own(it) == decimal.IN {
			l.At = l.At / 254 * 250
		}
	})
	each(4, "the limits have lost their sign", in(own, decimal.Decimal.Abs))
	each(4, "the sign of limits between -1 and 0 is lost", in(own, func(v decimal.Decimal) decimal.Decimal {
		if v.Quantize(0, decimal.Truncate).IsZero() {
			return v.Abs()
		}
		return v
	}))
	each(5, "the limits end at the decimal mark", in(own, func(v decimal.Decimal) decimal.Decimal { return v.Quantize(0, decimal.Truncate) }))
	j.misplaced(with)
	j.limitsOfOthers(with)
}

// misplaced are judgements by limits that lie elsewhere, or are compared otherwise than as
// numbers.
func (j *judging) misplaced(with func(bits float64, text string, change func(it *item, p *judged) bool)) {
	step := j.Resolution.Mul(decimal.New(int64(j.Unit.Size()), 0))
	for _, by := range []struct {
		text string
		out  int64
	}{{"the limits lie one step of the host's further out", 1}, {"the limits lie one step of the host's further in", -1}} {
		if n, ok := step.Int64(); ok {
			with(4.5, by.text, func(_ *item, p *judged) bool {
				for k, kind := range zone.Kinds {
					kind.Of(&p.Limits).At += decimal.Length(n * by.out * [...]int64{-1, 1}[k%2])
				}
				return true
			})
		}
	}
	for k, own := range zone.Kinds {
		for m, other := range zone.Kinds {
			bits := 4.9
			if k%2 != m%2 { // of the other side
				bits = 6
			}
			if k != m {
				with(bits, "the "+other.Name+" stands in the place of the "+own.Name, func(_ *item, p *judged) bool {
					*own.Of(&p.Limits) = *other.Of(&p.Limits)
					return true
				})
			}
		}
	}
	with(3, "a warning limit counts only where both are set", func(_ *item, p *judged) bool {
		both := p.WarnLower.Set && p.WarnUpper.Set
		p.WarnLower.Set, p.WarnUpper.Set = both, both
		return true
	})
	with(4, "values and limits are compared as texts", func(_ *item, p *judged) bool { p.text = j.text; return true })
}

// limitsOfOthers are judgements by the limits of other channels and gauges.
func (j *judging) limitsOfOthers(with func(bits float64, text string, change func(it *item, p *judged) bool)) {
	tighten := func(p *judged, l zone.Limits) {
		for k, n := range zone.Kinds {
			at, by := n.Of(&p.Limits), *n.Of(&l)
			if by.Set && (!at.Set || (at.At < by.At) == (k%2 == 0)) {
				*at = by
			}
		}
	}
	names := 0
	for g := range j.Gauges {
		names += len(j.Gauges[g].Channels)
	}
	if names < 2 {
		return
	}
	with(3, "the limits are those of the gauge that was first at the port", func(it *item, p *judged) bool {
		if cs := j.Gauges[it.place].Channels; it.c < len(cs) {
			p.Limits = cs[it.c].Limits
		}
		return true
	})
	for _, of := range []string{"channel", "gauge"} {
		with(3, "a limit that is not set is that of the "+of+" before", func(it *item, p *judged) bool {
			var own zone.Limits
			g := 0
			if of == "channel" {
				g = it.g
			}
			for ; g <= it.g; g++ {
				for c := 0; c < len(j.Gauges[g].Channels) && (g < it.g || c <= it.c); c++ {
					for _, n := range zone.Kinds {
						if l := *n.Of(&j.Gauges[g].Channels[c].Limits); l.Set {
							*n.Of(&own) = l
						}
					}
				}
			}
			p.Limits = own
			return true
		})
	}
	for _, by := range []struct {
		text string
		all  bool
	}{{"every channel of a gauge is judged by the limits of all of them", false}, {"every reading is judged by the limits of all gauges and channels", true}} {
		over := func(it *item, f func(l zone.Limits)) {
			for g := range j.Gauges {
				for c := range j.Gauges[g].Channels {
					if by.all || g == it.g {
						f(j.Gauges[g].Channels[c].Limits)
					}
				}
			}
		}
		with(3, by.text, func(it *item, p *judged) bool {
			over(it, func(l zone.Limits) { tighten(p, l) })
			return true
		})
		with(4, by.text+", in their order", func(it *item, p *judged) bool {
			over(it, func(l zone.Limits) { p.more = append(p.more, l) })
			p.Limits, p.more = p.more[0], p.more[1:]
			return true
		})
	}
	for g := range j.Gauges {
		for c := range j.Gauges[g].Channels {
			name := j.Gauges[g].Name
			if n := j.Gauges[g].Channels[c].Name; n != "" && len(j.Gauges[g].Channels) > 1 {
				name += "/" + n
			}
			with(4, "the zone is right by the limits of "+name, func(it *item, p *judged) bool {
				p.Limits = j.Gauges[g].Channels[c].Limits
				return g != it.g || c != it.c
			})
		}
	}
}
