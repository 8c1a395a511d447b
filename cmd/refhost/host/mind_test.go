package host

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// tried are the defects with which tests have run a host.
var tried sync.Map

func trying(defect string) defects {
	tried.Store(defect, true)
	return defects{defect: true}
}

// event is one thing that happens to the host in a test.
type event func(h *mind, now *time.Time)

func msg(rs ...reading) message { return message{readings: rs} }

// val is a reading of the gauge's first channel, or of the channel that leads
// the text ("1:8.001"); "void" is a void one.
func val(text string) reading {
	r := reading{unit: "mm"}
	if ch, rest, ok := strings.Cut(text, ":"); ok {
		r.channel = int(ch[0] - '0')
		text = rest
	}
	if number, word, ok := strings.Cut(text, " "); ok {
		r.unit = unit(word)
		text = number
	}
	if r.void = text == "void"; !r.void {
		r.value = dec(text).rat
	}
	return r
}

func vals(texts []string) (rs []reading) {
	for _, t := range texts {
		rs = append(rs, val(t))
	}
	return rs
}

func tagMsg(n int64, texts ...string) message {
	return message{readings: vals(texts), tagged: true, number: &n}
}

func at(ms ...message) event { return func(h *mind, now *time.Time) { h.read(0, ms, *now) } }

func tag(n int64, texts ...string) event { return at(tagMsg(n, texts...)) }
func stream(texts ...string) event       { return at(msg(vals(texts)...)) }
func wait(d time.Duration) event         { return func(_ *mind, now *time.Time) { *now = now.Add(d) } }
func lost(h *mind, now *time.Time)       { h.lost(0, *now) }
func back(h *mind, now *time.Time)       { h.back(0, *now) }
func gaugeZone(z string) event {
	return func(h *mind, now *time.Time) {
		m := tagMsg(1, "8.000")
		m.readings[0].zone = z
		h.read(0, []message{m}, *now)
	}
}
func cell(low bool) event {
	return at(message{readings: []reading{val("8.000")}, low: &low})
}

func dec(s string) *number {
	n, err := parseNumber(s)
	if err != nil {
		panic(err)
	}
	return &n
}

// plainJob is a bore of 8 mm, 7.985 to 8.015 with warnings at 7.990 and 8.010,
// recorded in steps of 0.001 mm, with two gauges; the first has two channels.
func plainJob() *job {
	limits := channel{Name: "A", Lower: dec("7.985"), Upper: dec("8.015"), WarnLower: dec("7.990"), WarnUpper: dec("8.010")}
	b := limits
	b.Name = "B"
	j := &job{Version: 1, Resolution: *dec("0.001"), Records: "-", Gauges: []gauge{
		{Name: "bore-1", Port: "-", Dialect: "-", Channels: []channel{limits, b}, Tags: tagNumbers{1, 9999, duration{2 * time.Second}}},
		{Name: "bore-2", Port: "-", Dialect: "-", Channels: []channel{limits}},
	}}
	if err := j.check(); err != nil {
		panic(err)
	}
	return j
}

var dayOne = time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)

// rowsOf plays steps a millisecond apart and writes each row as
// "channel tag value unit zone", an event as its name; a row of the other gauge
// is led by its name, one that is earlier than the one before by "<", one from the
// future by "+1h".
func rowsOf(j *job, d defects, steps []event) []string {
	h, now, last := newMind(j, d), dayOne, dayOne
	var out []string
	for _, s := range steps {
		s(h, &now)
		now = now.Add(time.Millisecond)
		for _, r := range h.take() {
			var w []string
			if r.time.Before(last) {
				w = append(w, "<")
			}
			last = r.time
			if r.time.Sub(now) > 30*time.Minute {
				w = append(w, "+1h")
			}
			if r.gauge != "bore-1" {
				w = append(w, r.gauge)
			}
			if r.event != "reading" {
				w = append(w, r.event)
			} else {
				for _, s := range []string{r.channel, r.tag, r.value, r.unit, r.zone} {
					if s == "" {
						s = "-"
					}
					w = append(w, s)
				}
			}
			out = append(out, strings.Join(w, " "))
		}
	}
	return out
}

type mindCase struct {
	defect string
	job    func(j *job)
	steps  []event
	right  []string // rows of the correct host
	wrong  []string // rows with the defect
}

func steps(s ...event) []event  { return s }
func rows(s ...string) []string { return s }

func with(f ...func(j *job)) func(j *job) {
	return func(j *job) {
		for _, f := range f {
			f(j)
		}
	}
}
func inch(j *job)      { j.Unit, j.Resolution = "in", *dec("0.0001") }
func tiesUp(j *job)    { j.Rounding = halfUp }
func coarse(j *job)    { j.Resolution = *dec("0.01") }
func guarded(j *job)   { j.Guard = *dec("0.002") }
func strictly(j *job)  { j.LimitsAre = "strict" }
func unrounded(j *job) { j.Decide = "unrounded" }
func all(j *job)       { j.Keeps = "all" }
func factor(j *job)    { j.Gauges[0].Factor = dec("2") }
func preset(j *job)    { j.Gauges[0].Preset = dec("8.000") }
func fewTags(j *job)   { j.Gauges[0].Tags.Last = 3 }

var burst = at(tagMsg(1, "8.001"), tagMsg(2, "8.002"), msg(val("8.009")), tagMsg(3, "8.003"))

var mindCases = []mindCase{
	{"factor-twice", factor, steps(tag(1, "4.005")), rows("A 1 4.005 mm below"), rows("A 1 8.010 mm inside")},
	{"factor-inverted", factor, steps(tag(1, "16.006")), rows("A 1 16.006 mm above"), rows("A 1 8.003 mm inside")},
	{"unit-unconverted", inch, steps(tag(1, "8.001")), rows("A 1 0.3150 in inside"), rows("A 1 8.0010 in above")},
	{"unit-converted-twice", inch, steps(tag(1, "8.001")), rows("A 1 0.3150 in inside"), rows("A 1 0.0124 in below")}, // 8.001/25.4/25.4 = 0.01240
	{"unit-inverted", inch, steps(tag(1, "8.001")), rows("A 1 0.3150 in inside"), rows("A 1 203.2254 in above")},      // 8.001 × 25.4
	{"unit-label", nil, steps(tag(1, "8.001")), rows("A 1 8.001 mm inside"), rows("A 1 8.001 in inside")},
	{"inch-as-25", nil, steps(tag(1, "0.3150 in")), rows("A 1 8.001 mm inside"), rows("A 1 7.875 mm below")},
	{"inch-as-25", inch, steps(tag(1, "8.001")), rows("A 1 0.3150 in inside"), rows("A 1 0.3200 in above")}, // 8.001/25 = 0.32004
	{"datum-twice", preset, steps(tag(1, "8.001")), rows("A 1 8.001 mm inside"), rows("A 1 16.001 mm above")},
	{"datum-dropped", preset, steps(tag(1, "8.001")), rows("A 1 8.001 mm inside"), rows("A 1 0.001 mm below")},
	{"sense-inverted", preset, steps(tag(1, "8.012")), rows("A 1 8.012 mm warn-high"), rows("A 1 7.988 mm warn-low")},
	{"sign-lost", nil, steps(tag(1, "-8.001")), rows("A 1 -8.001 mm below"), rows("A 1 8.001 mm inside")},
	{"sign-inverted", nil, steps(tag(1, "8.001")), rows("A 1 8.001 mm inside"), rows("A 1 -8.001 mm below")},
	{"decimal-shifted", nil, steps(tag(1, "8.001")), rows("A 1 8.001 mm inside"), rows("A 1 80.010 mm above")},
	{"decimal-comma", nil, steps(tag(1, "8.015")), rows("A 1 8.015 mm warn-high"), rows("A 1 8.000 mm inside")},
	{"value-stale", nil, steps(tag(1, "8.001"), tag(2, "8.012")), rows("A 1 8.001 mm inside", "A 2 8.012 mm warn-high"), rows("A 1 8.001 mm inside", "A 2 8.001 mm inside")},
	{"averages", nil, steps(tag(1, "8.001"), tag(2, "8.013")), rows("A 1 8.001 mm inside", "A 2 8.013 mm warn-high"), rows("A 1 8.001 mm inside", "A 2 8.007 mm inside")},
	{"greatest-so-far", nil, steps(tag(1, "8.012"), tag(2, "8.001")), rows("A 1 8.012 mm warn-high", "A 2 8.001 mm inside"), rows("A 1 8.012 mm warn-high", "A 2 8.012 mm warn-high")},

	{"truncates", coarse, steps(tag(1, "8.006")), rows("A 1 8.01 mm inside"), rows("A 1 8.00 mm inside")},
	{"rounds-half-up", coarse, steps(tag(1, "8.005")), rows("A 1 8.00 mm inside"), rows("A 1 8.01 mm inside")},
	{"rounds-half-even", with(coarse, tiesUp), steps(tag(1, "8.005")), rows("A 1 8.01 mm inside"), rows("A 1 8.00 mm inside")},
	{"rounds-twice", coarse, steps(tag(1, "8.0047"), tag(2, "8.0147")), rows("A 1 8.00 mm inside", "A 2 8.01 mm inside"), rows("A 1 8.00 mm inside", "A 2 8.02 mm above")}, // 8.015 is a tie, 2 is even
	{"rounds-coarse", nil, steps(tag(1, "8.001")), rows("A 1 8.001 mm inside"), rows("A 1 8.00 mm inside")},
	{"not-rounded", nil, steps(tag(1, "8.00114")), rows("A 1 8.001 mm inside"), rows("A 1 8.00114 mm inside")},

	{"strict-limits", nil, steps(tag(1, "8.015"), tag(2, "7.990")), rows("A 1 8.015 mm warn-high", "A 2 7.990 mm inside"), rows("A 1 8.015 mm above", "A 2 7.990 mm inside")},
	{"inclusive-limits", strictly, steps(tag(1, "7.985"), tag(2, "7.990")), rows("A 1 7.985 mm below", "A 2 7.990 mm warn-low"), rows("A 1 7.985 mm warn-low", "A 2 7.990 mm warn-low")},
	{"strict-warnings", nil, steps(tag(1, "8.010"), tag(2, "8.015")), rows("A 1 8.010 mm inside", "A 2 8.015 mm warn-high"), rows("A 1 8.010 mm warn-high", "A 2 8.015 mm warn-high")},
	{"warnings-ignored", nil, steps(tag(1, "8.011"), tag(2, "7.988")), rows("A 1 8.011 mm warn-high", "A 2 7.988 mm warn-low"), rows("A 1 8.011 mm inside", "A 2 7.988 mm inside")},
	{"warnings-first", nil, steps(tag(1, "8.016"), tag(2, "7.984")), rows("A 1 8.016 mm above", "A 2 7.984 mm below"), rows("A 1 8.016 mm warn-high", "A 2 7.984 mm warn-low")},
	{"warnings-as-limits", nil, steps(tag(1, "8.011"), tag(2, "7.988")), rows("A 1 8.011 mm warn-high", "A 2 7.988 mm warn-low"), rows("A 1 8.011 mm above", "A 2 7.988 mm below")},
	{"upper-ignored", nil, steps(tag(1, "8.016"), tag(2, "7.984")), rows("A 1 8.016 mm above", "A 2 7.984 mm below"), rows("A 1 8.016 mm warn-high", "A 2 7.984 mm below")},
	{"lower-ignored", nil, steps(tag(1, "8.016"), tag(2, "7.984")), rows("A 1 8.016 mm above", "A 2 7.984 mm below"), rows("A 1 8.016 mm above", "A 2 7.984 mm warn-low")},
	{"limits-swapped", nil, steps(tag(1, "8.016"), tag(2, "7.988")), rows("A 1 8.016 mm above", "A 2 7.988 mm warn-low"), rows("A 1 8.016 mm below", "A 2 7.988 mm warn-high")},
	{"limits-unit", nil, steps(tag(1, "8.001")), rows("A 1 8.001 mm inside"), rows("A 1 8.001 mm below")},
	{"limits-of-first", func(j *job) { j.Gauges[0].Channels[1] = channel{Name: "B"} }, steps(tag(1, "1:8.020")), rows("B 1 8.020 mm inside"), rows("B 1 8.020 mm above")},
	{"guard-ignored", guarded, steps(tag(1, "8.014")), rows("A 1 8.014 mm above"), rows("A 1 8.014 mm warn-high")},
	{"guard-outwards", guarded, steps(tag(1, "8.017"), tag(2, "7.982")), rows("A 1 8.017 mm above", "A 2 7.982 mm below"), rows("A 1 8.017 mm warn-high", "A 2 7.982 mm below")},
	{"guard-on-warnings", guarded, steps(tag(1, "8.009"), tag(2, "8.014")), rows("A 1 8.009 mm inside", "A 2 8.014 mm above"), rows("A 1 8.009 mm warn-high", "A 2 8.014 mm above")},
	{"decides-unrounded", nil, steps(tag(1, "8.0153")), rows("A 1 8.015 mm warn-high"), rows("A 1 8.015 mm above")},
	{"decides-displayed", unrounded, steps(tag(1, "8.0153")), rows("A 1 8.015 mm above"), rows("A 1 8.015 mm warn-high")},
	{"float-compare", nil, steps(tag(1, "8.015"), tag(2, "7.990"), tag(3, "7.985"), tag(4, "8.014")), rows("A 1 8.015 mm warn-high", "A 2 7.990 mm inside", "A 3 7.985 mm warn-low", "A 4 8.014 mm warn-high"), rows("A 1 8.015 mm above", "A 2 7.990 mm warn-low", "A 3 7.985 mm warn-low", "A 4 8.014 mm warn-high")},
	{"zone-stale", nil, steps(tag(1, "8.001"), tag(2, "8.016"), tag(3, "8.001")), rows("A 1 8.001 mm inside", "A 2 8.016 mm above", "A 3 8.001 mm inside"), rows("A 1 8.001 mm inside", "A 2 8.016 mm inside", "A 3 8.001 mm above")},
	{"zone-from-gauge", nil, steps(gaugeZone("above")), rows("A 1 8.000 mm inside"), rows("A 1 8.000 mm above")},
	{"zone-always-inside", nil, steps(tag(1, "8.016"), tag(2, "void")), rows("A 1 8.016 mm above", "A 2 - mm void"), rows("A 1 8.016 mm inside", "A 2 - mm inside")},

	{"channels-swapped", nil, steps(tag(1, "0:8.001", "1:8.002")), rows("A 1 8.001 mm inside", "B 1 8.002 mm inside"), rows("B 1 8.001 mm inside", "A 1 8.002 mm inside")},
	{"channels-as-first", nil, steps(tag(1, "1:8.001")), rows("B 1 8.001 mm inside"), rows("A 1 8.001 mm inside")},
	{"channel-first-only", nil, steps(tag(1, "0:8.001", "1:8.002")), rows("A 1 8.001 mm inside", "B 1 8.002 mm inside"), rows("A 1 8.001 mm inside")},
	{"gauges-swapped", nil, steps(tag(1, "8.001")), rows("A 1 8.001 mm inside"), rows("bore-2 A 1 8.001 mm inside")},
	{"stream-as-tag", nil, steps(stream("8.001"), tag(4, "8.002"), stream("8.003")), rows("A 4 8.002 mm inside"), rows("A 0 8.001 mm inside", "A 4 8.002 mm inside", "A 4 8.003 mm inside")},
	{"streams-recorded", nil, steps(stream("8.001"), tag(4, "8.002")), rows("A 4 8.002 mm inside"), rows("A - 8.001 mm inside", "A 4 8.002 mm inside")},
	{"streams-unrecorded", all, steps(stream("8.001"), tag(4, "8.002")), rows("A - 8.001 mm inside", "A 4 8.002 mm inside"), rows("A 4 8.002 mm inside")},
	{"tag-value-streamed", nil, steps(stream("8.001"), tag(4, "8.002")), rows("A 4 8.002 mm inside"), rows("A 4 8.001 mm inside")},

	{"tag-dropped-burst", all, steps(burst), rows("A 1 8.001 mm inside", "A 2 8.002 mm inside", "A - 8.009 mm inside", "A 3 8.003 mm inside"), rows("A 1 8.001 mm inside", "A - 8.009 mm inside")},
	{"tags-out-of-order", all, steps(burst), rows("A 1 8.001 mm inside", "A 2 8.002 mm inside", "A - 8.009 mm inside", "A 3 8.003 mm inside"), rows("A 3 8.003 mm inside", "A 2 8.002 mm inside", "A - 8.009 mm inside", "A 1 8.001 mm inside")},
	{"tag-repeated", nil, steps(tag(1, "8.001"), wait(time.Second), tag(1, "8.001"), wait(3*time.Second), tag(1, "8.001")), rows("A 1 8.001 mm inside", "A 1 8.001 mm inside"), rows("A 1 8.001 mm inside", "A 1 8.001 mm inside", "A 1 8.001 mm inside")},
	{"tag-wrap-dropped", fewTags, steps(tag(2, "8.001"), tag(3, "8.002"), tag(1, "8.003"), tag(3, "8.004")), rows("A 2 8.001 mm inside", "A 3 8.002 mm inside", "A 1 8.003 mm inside", "A 3 8.004 mm inside"), rows("A 2 8.001 mm inside", "A 3 8.002 mm inside", "A 3 8.004 mm inside")},
	{"tag-window-endless", nil, steps(tag(1, "8.001"), tag(2, "8.002"), wait(3*time.Second), tag(1, "8.003")), rows("A 1 8.001 mm inside", "A 2 8.002 mm inside", "A 1 8.003 mm inside"), rows("A 1 8.001 mm inside", "A 2 8.002 mm inside")},
	{"tag-merged", nil, steps(tag(1, "8.001"), tag(2, "8.001")), rows("A 1 8.001 mm inside", "A 2 8.001 mm inside"), rows("A 1 8.001 mm inside")},
	{"tag-number-off", nil, steps(tag(1, "8.001")), rows("A 1 8.001 mm inside"), rows("A 2 8.001 mm inside")},
	{"tag-unrecorded", nil, steps(tag(4, "8.001")), rows("A 4 8.001 mm inside"), rows("A - 8.001 mm inside")},
	{"first-tag-missed", nil, steps(tag(1, "8.001"), tag(2, "8.002")), rows("A 1 8.001 mm inside", "A 2 8.002 mm inside"), rows("A 2 8.002 mm inside")},
	{"tag-lost-at-rejoin", nil, steps(tag(1, "8.001"), lost, back, tag(2, "8.002"), tag(3, "8.003")), rows("A 1 8.001 mm inside", "link-lost", "link-back", "A 2 8.002 mm inside", "A 3 8.003 mm inside"), rows("A 1 8.001 mm inside", "link-lost", "link-back", "A 3 8.003 mm inside")},
	{"stale-after-rejoin", nil, steps(tag(1, "8.001"), stream("8.011"), lost, back, stream("8.002"), tag(2, "8.003"), tag(3, "8.004")), rows("A 1 8.001 mm inside", "link-lost", "link-back", "A 2 8.003 mm inside", "A 3 8.004 mm inside"), rows("A 1 8.001 mm inside", "link-lost", "link-back", "A 2 8.011 mm warn-high", "A 3 8.004 mm inside")},

	{"void-as-zero", nil, steps(tag(1, "void")), rows("A 1 - mm void"), rows("A 1 0.000 mm below")},
	{"void-as-last", nil, steps(tag(1, "8.001"), tag(2, "void")), rows("A 1 8.001 mm inside", "A 2 - mm void"), rows("A 1 8.001 mm inside", "A 2 8.001 mm inside")},
	{"void-inside", nil, steps(tag(1, "void")), rows("A 1 - mm void"), rows("A 1 - mm inside")},
	{"void-dropped", nil, steps(tag(1, "void"), tag(2, "8.001")), rows("A 1 - mm void", "A 2 8.001 mm inside"), rows("A 2 8.001 mm inside")},

	{"low-cell-missed", nil, steps(cell(false), cell(true), cell(true), cell(false), cell(true)), rows("low-cell", "low-cell"), nil},
	{"low-cell-repeated", nil, steps(cell(false), cell(true), cell(true)), rows("low-cell"), rows("low-cell", "low-cell")},
	{"link-loss-missed", nil, steps(lost, back), rows("link-lost", "link-back"), rows("link-back")},
	{"link-back-missed", nil, steps(back, lost, tag(1, "8.001"), lost), rows("link-lost", "link-back", "A 1 8.001 mm inside", "link-lost"), rows("link-lost", "A 1 8.001 mm inside", "link-lost")},
	{"link-back-missed", nil, steps(lost, back), rows("link-lost", "link-back"), rows("link-lost")},

	{"row-doubled", nil, steps(tag(1, "8.001"), tag(2, "8.002"), tag(3, "8.003")), rows("A 1 8.001 mm inside", "A 2 8.002 mm inside", "A 3 8.003 mm inside"), rows("A 1 8.001 mm inside", "A 2 8.002 mm inside", "A 2 8.002 mm inside", "A 3 8.003 mm inside")},
	{"last-row-lost", nil, steps(tag(1, "8.001"), tag(2, "8.002")), rows("A 1 8.001 mm inside", "A 2 8.002 mm inside"), rows("A 1 8.001 mm inside")},
	{"times-backwards", nil, steps(tag(1, "8.001"), tag(2, "8.002")), rows("A 1 8.001 mm inside", "A 2 8.002 mm inside"), rows("A 1 8.001 mm inside", "< A 2 8.002 mm inside")},
	{"records-nothing", nil, steps(lost, tag(1, "8.001")), rows("link-lost", "A 1 8.001 mm inside"), rows("link-lost")},
	{"events-late", nil, steps(lost, tag(1, "8.001"), tag(2, "8.002"), tag(3, "8.003"), tag(4, "8.004")),
		rows("link-lost", "A 1 8.001 mm inside", "A 2 8.002 mm inside", "A 3 8.003 mm inside", "A 4 8.004 mm inside"),
		rows("A 1 8.001 mm inside", "A 2 8.002 mm inside", "A 3 8.003 mm inside", "link-lost", "A 4 8.004 mm inside")},
	{"daylight-jump", nil, steps(tag(1, "8.001"), tag(2, "8.002"), tag(3, "8.003"), tag(4, "8.004")),
		rows("A 1 8.001 mm inside", "A 2 8.002 mm inside", "A 3 8.003 mm inside", "A 4 8.004 mm inside"),
		rows("A 1 8.001 mm inside", "A 2 8.002 mm inside", "A 3 8.003 mm inside", "+1h A 4 8.004 mm inside")},
	{"time-zone", nil, steps(tag(1, "8.001")), rows("A 1 8.001 mm inside"), rows("+1h A 1 8.001 mm inside")},
}

// Kind: property.
func TestMistakes(t *testing.T) {
	t.Parallel()
	for _, k := range mindCases {
		t.Run(k.defect, func(t *testing.T) {
			j := plainJob()
			if k.job != nil {
				k.job(j)
			}
			if d := cmp.Diff(k.right, rowsOf(j, nil, k.steps)); d != "" {
				t.Errorf("correct host (-want +got):\n%s", d)
			}
			require.NotEqual(t, k.right, k.wrong)
			if d := cmp.Diff(k.wrong, rowsOf(j, trying(k.defect), k.steps)); d != "" {
				t.Errorf("with the defect (-want +got):\n%s", d)
			}
		})
	}
}

// Kind: property.
func TestCorrectMind(t *testing.T) {
	t.Parallel()
	for _, k := range []struct {
		name  string
		job   func(j *job)
		steps []event
		want  []string
	}{
		{"a repeat after a newer tag is still a repeat", nil, steps(tag(1, "8.001"), tag(2, "8.002"), tag(1, "8.001"), tag(2, "8.002")), rows("A 1 8.001 mm inside", "A 2 8.002 mm inside")},
		{"the same number with another reading is another tag", nil, steps(tag(1, "8.001"), tag(1, "8.002")), rows("A 1 8.001 mm inside", "A 1 8.002 mm inside")},
		{"a wrap within the window is no repeat", fewTags, steps(tag(1, "8.001"), tag(2, "8.001"), tag(3, "8.001"), tag(1, "8.001"), tag(1, "8.001")), rows("A 1 8.001 mm inside", "A 2 8.001 mm inside", "A 3 8.001 mm inside", "A 1 8.001 mm inside")},
		{"the window runs from the last sight", nil, steps(tag(1, "8.001"), wait(1500*time.Millisecond), tag(1, "8.001"), wait(1500*time.Millisecond), tag(1, "8.001")), rows("A 1 8.001 mm inside")},
		{"a repeat of a void tag", nil, steps(tag(1, "void"), tag(1, "void")), rows("A 1 - mm void")},
		{"channels tag on their own", nil, steps(tag(1, "0:8.001"), tag(1, "1:8.001")), rows("A 1 8.001 mm inside", "B 1 8.001 mm inside")},
		{"a tag without a number is always new", nil, steps(at(message{readings: vals([]string{"8.001"}), tagged: true}), at(message{readings: vals([]string{"8.001"}), tagged: true})), rows("A - 8.001 mm inside", "A - 8.001 mm inside")},
		{"streams are recorded when all is kept", all, steps(stream("8.001", "1:void"), tag(1, "8.002")), rows("A - 8.001 mm inside", "B - - mm void", "A 1 8.002 mm inside")},
		{"a tag without readings takes the last streamed ones", nil, steps(tag(1), stream("8.001", "1:void"), stream("8.002"), tag(2)), rows("A 2 8.002 mm inside", "B 2 - mm void")},
		{"no limits, no verdict but inside", func(j *job) { j.Gauges[0].Channels[0] = channel{Name: "A"} }, steps(tag(1, "-99")), rows("A 1 -99.000 mm inside")},
		{"limits in inches", func(j *job) {
			j.Gauges[0].Channels[0] = channel{Name: "A", LimitsUnit: "in", Upper: dec("0.315")}
		}, steps(tag(1, "8.001"), tag(2, "8.002")), rows("A 1 8.001 mm inside", "A 2 8.002 mm above")},
		{"the unrounded value is compared exactly in the inch host", with(inch, unrounded), steps(tag(1, "8.015"), tag(2, "8.0150001")), rows("A 1 0.3156 in warn-high", "A 2 0.3156 in above")},
	} {
		t.Run(k.name, func(t *testing.T) {
			j := plainJob()
			if k.job != nil {
				k.job(j)
			}
			if d := cmp.Diff(k.want, rowsOf(j, nil, k.steps)); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

// Rounding and conversion against the printed examples.
//
// Kind: outside.
func TestPublishedExamples(t *testing.T) {
	t.Parallel()
	for _, k := range []struct {
		source                      string
		value, from, to, step, want string
		rounding                    string
	}{
		// NIST SP 811 (2008) Appendix B.6, footnote 7: 1 in = 25.4 mm exactly.
		{"NIST SP 811 B.6", "1", "in", "mm", "0.0001", "25.4000", halfEven},
		{"NIST SP 811 B.6", "25.4", "mm", "in", "0.000001", "1.000000", halfEven},
		// NIST SP 811 (2008) B.7.2, from memory: 36 ft is 10.9728 m; as inches, 432 in.
		{"NIST SP 811 B.7.2", "432", "in", "m", "0.0001", "10.9728", halfEven},
		// ISO 80000-1:2009 Annex B.3 (the examples of ISO 31-0 Annex B), from memory.
		{"ISO 80000-1 B.3 rule A", "12.25", "mm", "mm", "0.1", "12.2", halfEven},
		{"ISO 80000-1 B.3 rule A", "12.35", "mm", "mm", "0.1", "12.4", halfEven},
		{"ISO 80000-1 B.3 rule B", "12.25", "mm", "mm", "0.1", "12.3", halfUp},
		{"ISO 80000-1 B.3 rule B", "12.35", "mm", "mm", "0.1", "12.4", halfUp},
	} {
		j := plainJob()
		require.NoError(t, j.Unit.UnmarshalText([]byte(k.to)))
		j.Resolution, j.Rounding = *dec(k.step), k.rounding
		require.Equal(t, k.want, newMind(j, nil).make(0, val(k.value+" "+k.from)).text(), k.source)
	}
}

// Whatever the retransmissions, each tag is recorded once and in order.
//
// Kind: property.
func TestRetransmissions(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		j := plainJob()
		j.Gauges[0].Tags.Last = rapid.Int64Range(8, 40).Draw(t, "last tag number")
		var want []string
		var ss []event
		var sent []message
		tagNumber := int64(0)
		for range rapid.IntRange(1, 60).Draw(t, "tags") {
			tagNumber = tagNumber%j.Gauges[0].Tags.Last + 1
			value := fmt.Sprintf("8.00%d", rapid.IntRange(0, 9).Draw(t, "value"))
			sent = append(sent, tagMsg(tagNumber, value))
			want = append(want, fmt.Sprintf("A %d %s mm inside", tagNumber, value))
			ss = append(ss, at(sent[len(sent)-1]))
			again := rapid.IntRange(0, min(3, len(sent))).Draw(t, "sent again")
			for _, m := range sent[len(sent)-again:] {
				ss = append(ss, at(m))
			}
		}
		if d := cmp.Diff(want, rowsOf(j, nil, ss)); d != "" {
			t.Fatalf("(-want +got):\n%s", d)
		}
	})
}

// Every listed defect is made at one place: at a step of the making of a row, or
// where the code asks for it by its name. TestMain sees that each has its test.
//
// Kind: self.
func TestCatalogueIsWhole(t *testing.T) {
	t.Parallel()
	made, listed := map[string]bool{}, map[string]bool{}
	for _, d := range append(Defects(), SummaryDefects()...) {
		require.False(t, listed[d.Name], "%s is listed twice", d.Name)
		require.NotEmpty(t, d.Meaning)
		require.Equal(t, d.at == none, d.do == nil, d.Name)
		listed[d.Name] = true
		if d.do != nil {
			made[d.Name] = true
		}
	}
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	asked := map[string]bool{}
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		src, err := os.ReadFile(f)
		require.NoError(t, err)
		for _, m := range regexp.MustCompile(`(?:has\(|d\[)"([^"]+)"`).FindAllSubmatch(src, -1) {
			asked[string(m[1])] = true
		}
	}
	for name := range asked {
		require.False(t, made[name], "%s is made at a step and asked for elsewhere", name)
		made[name] = true
	}
	require.Equal(t, listed, made, "listed and made")
}
