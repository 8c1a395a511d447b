package cause_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

const um = decimal.Micrometre

// told is what the host of these tests is to do: record millimetres to 0.001 mm,
// by limits of 7.985 to 8.015 mm with warnings at 7.990 and 8.010 mm. The gauge
// was set on a ring of 8 mm and multiplies by 2.
func told() cause.Spec {
	return cause.Spec{Unit: decimal.MM, Resolution: decimal.New(1, -3), Gauges: []cause.Gauge{{
		Name: "g", Factor: decimal.New(2, 0), Preset: 8 * decimal.Millimetre, Tags: cause.Tags{First: 1, Last: 99, Window: 2 * time.Second},
		Line: "9600 8N1", Writes: []cause.Write{{Setting: "unit", To: "mm"}},
		Channels: []cause.Channel{{Name: "A", LimitUnit: decimal.MM, Limits: zone.Limits{
			Lower: zone.At(7985 * um), WarnLower: zone.At(7990 * um), WarnUpper: zone.At(8010 * um), Upper: zone.At(8015 * um)}}}}}}
}

// geared is told of a gauge that multiplies by 12.7.
func geared() cause.Spec {
	s := told()
	s.Gauges[0].Factor = decimal.New(127, -1)
	return s
}

// two has a second channel, with limits of its own.
func two() cause.Spec {
	s := told()
	s.Gauges[0].Channels = append(s.Gauges[0].Channels, cause.Channel{Name: "B", LimitUnit: decimal.MM,
		Limits: zone.Limits{Lower: zone.At(0), Upper: zone.At(1000 * um)}})
	return s
}

// sent writes a reading as "8.0145 mm" or "void".
func sent(text string) cause.Reading {
	if text == "void" {
		return cause.Reading{Void: true, Unit: decimal.MM}
	}
	number, unit, _ := strings.Cut(text, " ")
	u, _ := decimal.ParseUnit(unit)
	return cause.Reading{Shown: decimal.MustParse(number), Unit: u}
}

// tagged is a tag with its number and readings, at so many milliseconds.
func tagged(ms int, n int64, texts ...string) func(*cause.History) {
	return func(h *cause.History) {
		var rs []cause.Reading
		for c, text := range texts {
			r := sent(text)
			r.Channel = uint16(c)
			rs = append(rs, r)
		}
		h.Add(cause.Seen{At: time.Duration(ms) * time.Millisecond, What: cause.Frame, Tagged: true, Numbered: true, Tag: n}, rs...)
	}
}

// with changes what was added last.
func with(add func(*cause.History), change func(*cause.Seen)) func(*cause.History) {
	return func(h *cause.History) {
		add(h)
		change(&h.Seen[len(h.Seen)-1])
	}
}

func repeat(s *cause.Seen)  { s.Repeat = true }
func perhaps(s *cause.Seen) { s.State = cause.Perhaps }
func spoilt(s *cause.Seen)  { s.State = cause.Spoilt }
func low(s *cause.Seen)     { s.Low = true }
func bare(s *cause.Seen)    { s.Numbered = false }
func asked(s *cause.Seen)   { s.Asked, s.Tagged, s.Numbered = true, false, false }
func stream(s *cause.Seen)  { s.Tagged, s.Numbered = false, false }

func happens(ms int, what cause.What) func(*cause.History) {
	return func(h *cause.History) { h.Add(cause.Seen{At: time.Duration(ms) * time.Millisecond, What: what}) }
}

// rows writes what a host is to record: "1: 8.014 inside" for a tag, in brackets
// what may be left out, and events by their names.
func rows(r *cause.Rows) (all []string) {
	write := func(w *cause.Want, text string) {
		if w.Loss < cause.Must {
			text = "(" + text + ")"
		}
		all = append(all, text)
	}
	for c, ws := range r.Readings {
		for i := range ws {
			w := &ws[i]
			text := "void"
			if !w.Void {
				text = w.Value.String() + " " + w.Zone.String()
			} else if w.Zone != zone.Void {
				text += " " + w.Zone.String()
			}
			if w.Tagged {
				text = fmt.Sprintf("%d: %s", w.Tag, text)
			}
			if len(r.Readings) > 1 {
				text = string(rune('A'+c)) + " " + text
			}
			write(w, text)
		}
	}
	for _, ws := range r.Events {
		for i := range ws {
			if ws[i].Seen >= 0 && (i < len(ws)-1 || ws[i].Loss > 0) { // what may always be said at the start and at the end
				write(&ws[i], ws[i].Event.String())
			}
		}
	}
	return all
}

type seen = []func(*cause.History)

func expected(s cause.Spec, happened seen, mistakes ...string) *cause.Rows {
	h := &cause.History{Gauges: make([]cause.Facts, len(s.Gauges))}
	for _, add := range happened {
		add(h)
	}
	return cause.Expect(&s, h, cause.Named(mistakes...))
}

// What a correct host records, written out by hand from the contract of hosts.
//
// Kind: outside.
func TestWhatACorrectHostRecords(t *testing.T) {
	change := func(f func(*cause.Spec)) cause.Spec { s := told(); f(&s); return s }
	for name, c := range map[string]struct {
		spec cause.Spec
		seen seen
		want []string
	}{
		"rounded half-even":       {told(), seen{tagged(0, 1, "8.0145 mm")}, []string{"1: 8.014 warn-high"}},
		"rounded half-up":         {change(func(s *cause.Spec) { s.Rounding = decimal.HalfUp }), seen{tagged(0, 1, "8.0145 mm")}, []string{"1: 8.015 warn-high"}},
		"truncated":               {change(func(s *cause.Spec) { s.Rounding = decimal.Truncate }), seen{tagged(0, 1, "8.0109 mm")}, []string{"1: 8.010 inside"}},
		"on the limit":            {told(), seen{tagged(0, 1, "8.015 mm")}, []string{"1: 8.015 warn-high"}},
		"on a strict limit":       {change(func(s *cause.Spec) { s.Rule.Strict = true }), seen{tagged(0, 1, "8.015 mm")}, []string{"1: 8.015 above"}},
		"guarded":                 {change(func(s *cause.Spec) { s.Rule.Guard = 3 * um }), seen{tagged(0, 1, "8.013 mm")}, []string{"1: 8.013 above"}},
		"displayed decides":       {told(), seen{tagged(0, 1, "8.0154 mm")}, []string{"1: 8.015 warn-high"}},
		"unrounded decides":       {change(func(s *cause.Spec) { s.Rule.Decide = zone.Unrounded }), seen{tagged(0, 1, "8.0154 mm")}, []string{"1: 8.015 above"}},
		"inches to millimetres":   {told(), seen{tagged(0, 1, "0.3155 in")}, []string{"1: 8.014 warn-high"}}, // 8.0137 mm
		"micrometres":             {told(), seen{tagged(0, 1, "7990 µm")}, []string{"1: 7.990 inside"}},
		"each channel its limits": {two(), seen{tagged(0, 1, "8.000 mm", "0.500 mm")}, []string{"A 1: 8.000 inside", "B 1: 0.500 inside"}},
		"void":                    {told(), seen{tagged(0, 1, "void")}, []string{"1: void"}},
		"a repeat is one tag":     {told(), seen{tagged(0, 1, "8 mm"), with(tagged(2000, 1, "8 mm"), repeat)}, []string{"1: 8.000 inside"}},
		"after the window":        {change(func(s *cause.Spec) { s.RealTime = true }), seen{tagged(0, 1, "8 mm"), with(tagged(2001, 1, "8 mm"), repeat)}, []string{"1: 8.000 inside", "1: 8.000 inside"}},
		"within it, in real time": {change(func(s *cause.Spec) { s.RealTime = true }), seen{tagged(0, 1, "8 mm"), with(tagged(2000, 1, "8 mm"), repeat)}, []string{"1: 8.000 inside"}},
		"after it, by one clock":  {change(func(s *cause.Spec) { s.RealTime, s.Speed = true, 4 }), seen{tagged(0, 1, "8 mm"), with(tagged(8000, 1, "8 mm"), repeat)}, []string{"1: 8.000 inside", "(1: 8.000 inside)"}},
		"after it, by both":       {change(func(s *cause.Spec) { s.RealTime, s.Speed = true, 4 }), seen{tagged(0, 1, "8 mm"), with(tagged(8001, 1, "8 mm"), repeat)}, []string{"1: 8.000 inside", "1: 8.000 inside"}},
		"in slow motion":          {change(func(s *cause.Spec) { s.RealTime, s.Speed = true, 0.5 }), seen{tagged(0, 1, "8 mm"), with(tagged(1001, 1, "8 mm"), repeat)}, []string{"1: 8.000 inside", "(1: 8.000 inside)"}},
		"noticed late":            {change(func(s *cause.Spec) { s.RealTime, s.Late = true, 10*time.Millisecond }), seen{tagged(0, 1, "8 mm"), with(tagged(2010, 1, "8 mm"), repeat)}, []string{"1: 8.000 inside", "(1: 8.000 inside)"}},
		"noticed late, twice":     {change(func(s *cause.Spec) { s.RealTime, s.Late = true, 10*time.Millisecond }), seen{tagged(0, 1, "8 mm"), with(tagged(1991, 1, "8 mm"), repeat)}, []string{"1: 8.000 inside", "(1: 8.000 inside)"}},
		"after it, not real time": {told(), seen{tagged(0, 1, "8 mm"), with(tagged(2001, 1, "8 mm"), repeat)}, []string{"1: 8.000 inside", "(1: 8.000 inside)"}},
		"the same number, new":    {told(), seen{tagged(0, 1, "8 mm"), tagged(100, 1, "8 mm")}, []string{"1: 8.000 inside", "(1: 8.000 inside)"}},
		"another reading":         {told(), seen{tagged(0, 1, "8 mm"), with(tagged(100, 1, "8.001 mm"), repeat)}, []string{"1: 8.000 inside", "1: 8.001 inside"}},
		"sent again, no number":   {told(), seen{with(tagged(0, 1, "8 mm"), bare), with(with(tagged(100, 1, "8 mm"), bare), repeat)}, []string{"8.000 inside", "(8.000 inside)"}},
		"maybe not read":          {told(), seen{with(tagged(0, 1, "8 mm"), perhaps)}, []string{"(1: 8.000 inside)"}},
		"damaged":                 {told(), seen{with(tagged(0, 1, "8 mm"), spoilt)}, nil},
		"streamed, tags only":     {told(), seen{with(tagged(0, 0, "8 mm"), stream)}, nil},
		"streamed, all":           {change(func(s *cause.Spec) { s.All = true }), seen{with(tagged(0, 0, "8 mm"), stream)}, []string{"8.000 inside"}},
		"asked for, all":          {change(func(s *cause.Spec) { s.All = true }), seen{with(tagged(0, 0, "8 mm"), asked)}, []string{"(8.000 inside)"}},
		"low cell, once":          {told(), seen{with(tagged(0, 1, "8 mm"), low), with(tagged(1, 2, "8 mm"), low)}, []string{"1: 8.000 inside", "2: 8.000 inside", "low-cell"}},
		"low cell, again":         {told(), seen{with(tagged(0, 1, "8 mm"), low), tagged(1, 2, "8 mm"), with(tagged(2, 3, "8 mm"), low)}, []string{"1: 8.000 inside", "2: 8.000 inside", "3: 8.000 inside", "low-cell", "low-cell"}},
		"hung up and back":        {told(), seen{happens(0, cause.Down), happens(1, cause.Up)}, []string{"link-lost", "(link-back)"}},
		"back and heard":          {told(), seen{happens(0, cause.Down), happens(1, cause.Up), with(tagged(2, 0, "8 mm"), stream)}, []string{"link-lost", "link-back"}},
		"heard after a loss":      {told(), seen{happens(0, cause.Down), happens(1, cause.Up), happens(2, cause.Down), happens(3, cause.Up), with(tagged(4, 0, "8 mm"), stream)}, []string{"link-lost", "(link-back)", "link-lost", "link-back"}},
		"silent and back":         {told(), seen{happens(0, cause.RadioOff), happens(1, cause.RadioOn)}, []string{"(link-lost)", "(link-back)"}},
		"killed: the row in hand": {told(), seen{tagged(0, 1, "8 mm"), tagged(1, 2, "8 mm"), with(happens(2, cause.Killed), perhaps)}, []string{"1: 8.000 inside", "(2: 8.000 inside)", "(link-back)"}},
		"killed: none in hand":    {told(), seen{tagged(0, 1, "8 mm"), tagged(1, 2, "8 mm"), happens(2, cause.Killed)}, []string{"1: 8.000 inside", "2: 8.000 inside", "(link-back)"}},
		"killed: long before":     {change(func(s *cause.Spec) { s.RealTime = true }), seen{tagged(0, 1, "8 mm"), with(happens(1001, cause.Killed), perhaps)}, []string{"1: 8.000 inside", "(link-back)"}},
		"killed: at a speed":      {change(func(s *cause.Spec) { s.RealTime, s.Speed = true, 4 }), seen{tagged(0, 1, "8 mm"), with(happens(4000, cause.Killed), perhaps)}, []string{"(1: 8.000 inside)", "(link-back)"}},
		"killed: a second before": {change(func(s *cause.Spec) { s.RealTime = true }), seen{tagged(0, 1, "8 mm"), with(happens(1000, cause.Killed), perhaps)}, []string{"(1: 8.000 inside)", "(link-back)"}},
		"asked to end":            {told(), seen{tagged(0, 1, "8 mm"), happens(2, cause.Stopped)}, []string{"1: 8.000 inside", "(link-lost)", "(link-back)"}},
		"restarted, sent again":   {told(), seen{tagged(0, 1, "8 mm"), happens(1, cause.Restart), with(tagged(2, 1, "8 mm"), repeat)}, []string{"1: 8.000 inside", "(1: 8.000 inside)", "(link-back)"}},
		"killed at the very end":  {change(func(s *cause.Spec) { s.Killed = true }), seen{tagged(0, 1, "8 mm"), tagged(1, 2, "8 mm")}, []string{"1: 8.000 inside", "2: 8.000 inside"}},
	} {
		t.Run(name, func(t *testing.T) { require.Empty(t, cmp.Diff(c.want, rows(expected(c.spec, c.seen)))) })
	}
	r := expected(told(), nil)
	require.Equal(t, []string{"9600 8N1"}, r.Lines)
	require.Equal(t, "set unit mm", fmt.Sprint(r.Requests[0][0].Verb, " ", r.Requests[0][0].Setting, " ", r.Requests[0][0].To))
}

// What a host with one mistake records: worked out by hand from the mistake's
// description in the catalogue, and not by the model.
//
// Kind: outside.
func TestWhatAMistakenHostRecords(t *testing.T) {
	change := func(f func(*cause.Spec)) cause.Spec { s := told(); f(&s); return s }
	inches := change(func(s *cause.Spec) { s.Unit = decimal.IN })
	for _, c := range []struct {
		mistake string
		spec    cause.Spec
		sent    string
		want    string
	}{
		{"factor-twice", told(), "8.004 mm", "16.008 above"},       // × 2 once more
		{"factor-inverted", told(), "8.004 mm", "4.002 below"},     // ÷ 2
		{"factor-inverted", geared(), "0.00125 in", "0.002 below"}, // 0.03175 mm ÷ 12.7 is 0.0025 mm: a tie
		{"datum-twice", told(), "8.004 mm", "16.004 above"},        // + 8 once more
		{"datum-dropped", told(), "8.004 mm", "0.004 below"},       // without the 8
		{"sense-inverted", told(), "8.004 mm", "7.996 inside"},     // as far on the other side of 8
		{"sign-lost", told(), "-8.004 mm", "8.004 inside"},         //
		{"sign-lost", told(), "8.004 mm", "8.004 inside"},          //
		{"sign-inverted", told(), "8.004 mm", "-8.004 below"},      //
		{"decimal-comma", told(), "8.904 mm", "8.000 inside"},      // stops at the mark
		{"inch-as-25", told(), "0.3152 in", "7.880 below"},         // 0.3152 × 25 = 7.88
		{"inch-as-25", inches, "8.000 mm", "0.320 above"},          // 8 ÷ 25 = 0.32 in
		{"unit-unconverted", told(), "0.3152 in", "0.315 below"},   // the number as it is
		{"truncates", told(), "8.0109 mm", "8.010 inside"},         //
		{"rounds-half-up", told(), "8.0105 mm", "8.011 warn-high"}, // half-even is 8.010
		{"rounds-twice", told(), "8.01049 mm", "8.010 inside"},     // 8.0105, and then to even
		{"rounds-twice", told(), "8.01149 mm", "8.012 warn-high"},  // 8.0115, and then to even: 8.012
		{"rounds-coarse", told(), "8.014 mm", "8.01 inside"},       // to 0.01
		{"limits-swapped", told(), "8.016 mm", "8.016 below"},      //
		{"limits-swapped", told(), "7.980 mm", "7.980 above"},      //
		{"limits-swapped", told(), "8.012 mm", "8.012 warn-low"},   //
		{"warnings-as-limits", told(), "8.012 mm", "8.012 above"},  //
		{"warnings-as-limits", told(), "7.987 mm", "7.987 below"},  //
		{"strict-limits", told(), "8.015 mm", "8.015 above"},       //
		{"upper-ignored", told(), "8.020 mm", "8.020 warn-high"},   //
		{"lower-ignored", told(), "7.980 mm", "7.980 warn-low"},    //
		{"warnings-ignored", told(), "8.012 mm", "8.012 inside"},   //
		{"guard-ignored", change(func(s *cause.Spec) { s.Rule.Guard = 3 * um }), "8.013 mm", "8.013 warn-high"},
		{"guard-outwards", change(func(s *cause.Spec) { s.Rule.Guard = 3 * um }), "8.017 mm", "8.017 warn-high"}, // 8.015 + 0.003
		{"guard-outwards", change(func(s *cause.Spec) { s.Rule.Guard = 3 * um }), "8.019 mm", "8.019 above"},
		{"void-inside", told(), "void", "void inside"},
		{"zone-always-inside", told(), "8.020 mm", "8.020 inside"},
	} {
		require.Len(t, cause.Named(c.mistake), 1, c.mistake)
		got := rows(expected(c.spec, seen{tagged(0, 1, c.sent)}, c.mistake))
		require.Equal(t, []string{"1: " + c.want}, got, "%s of %s", c.mistake, c.sent)
	}
	require.Empty(t, expected(told(), nil, "settings-not-written").Requests[0])
	require.Empty(t, rows(expected(told(), seen{happens(0, cause.Down)}, "link-loss-missed")))
	require.Empty(t, rows(expected(told(), seen{happens(0, cause.Up)}, "link-back-missed")))
	require.Equal(t, []string{"1: 8.000 inside"}, rows(expected(told(), seen{with(tagged(0, 1, "8 mm"), low)}, "low-cell-missed")))
	require.Equal(t, []string{"1: 8.000 inside", "1: 8.000 inside"}, rows(expected(told(), seen{tagged(0, 1, "8 mm"), with(tagged(9, 1, "8 mm"), repeat)}, "tag-repeated")))
}

// What a host with a mistake that has no page records, by the words that say it and not
// by the model.
//
// Kind: outside.
func TestWhatATwistedHostRecords(t *testing.T) {
	clocked, twice := told(), two()
	clocked.RealTime = true
	for words, c := range map[string]struct {
		spec cause.Spec
		seen seen
		want []string
	}{
		"counts from when it was first seen": {clocked, seen{tagged(0, 1, "8 mm"), with(tagged(1500, 1, "8 mm"), repeat), with(tagged(3000, 1, "8 mm"), repeat)},
			[]string{"1: 8.000 inside", "1: 8.000 inside"}},
		"told by the reading of the first channel alone": {twice, seen{tagged(0, 1, "8 mm", "0.5 mm"), with(tagged(100, 1, "8 mm", "0.6 mm"), repeat), with(tagged(200, 1, "7.999 mm", "0.6 mm"), repeat)},
			[]string{"A 1: 8.000 inside", "A 1: 7.999 inside", "B 1: 0.500 inside", "B 1: 0.600 inside"}},
	} {
		h := &cause.History{Gauges: make([]cause.Facts, 1)}
		for _, add := range c.seen {
			add(h)
		}
		found := false
		for _, w := range c.spec.Twists() {
			if strings.Contains(w.Text, words) {
				found = true
				require.Empty(t, cmp.Diff(c.want, rows(cause.Expect(&c.spec, h, w.Made))), words)
			}
		}
		require.True(t, found, words)
	}
}
