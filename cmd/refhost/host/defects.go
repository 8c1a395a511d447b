package host

import (
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"

	"example.org/understudy/sim/strict"
)

// Defect is one mistake the host can be told to make.
type Defect struct {
	Name    string
	Meaning string // what the host then does, in one line

	at step          // of the making of a row; none: made elsewhere, search the package for the name
	do func(*making) // what it changes there
}

// Defects lists every mistake the host can be told to make.
func Defects() []Defect { return slices.Clone(catalogue) }

// sent is a mistake made with the number as the gauge said it, where there is one.
func sent(name, meaning string, do func(m *making, x *big.Rat)) Defect {
	return Defect{name, meaning, asSent, func(m *making) {
		if m.value != nil {
			do(m, m.value)
		}
	}}
}

// after is a mistake made with the value in the records' unit and those of the
// channel's rows before.
func after(name, meaning string, do func(x, before, greatest *big.Rat)) Defect {
	return Defect{name, meaning, converted, func(m *making) {
		if m.memory.value != nil {
			do(m.value, m.memory.value, m.memory.greatest)
		}
	}}
}

// zones is a mistake that writes other zones than were found.
func zones(name, meaning string, as map[string]string) Defect {
	return Defect{name, meaning, judged, func(m *making) {
		if z, ok := as[m.zone]; ok {
			m.zone = z
		}
	}}
}

// elsewhere is a mistake that is made where its name stands in the package.
func elsewhere(name, meaning string) Defect { return Defect{Name: name, Meaning: meaning} }

var catalogue = []Defect{
	// void readings; first, for they give a value to the mistakes of the number
	{"void-as-zero", "records a void reading as 0", asSent, func(m *making) {
		if m.value == nil {
			m.value = new(big.Rat)
		}
	}},
	{"void-as-last", "records a void reading with the last good value", asSent, func(m *making) {
		if last := m.memory.got; m.value == nil && last != nil {
			m.value, m.from = new(big.Rat).Set(last.value), last.unit
		}
	}},
	{"void-inside", "records a void reading empty, but as inside", judged, func(m *making) {
		if m.said.void {
			m.shown, m.zone = nil, "inside"
		}
	}},
	elsewhere("void-dropped", "does not record a tagged void reading"),

	// the number
	sent("factor-twice", "multiplies the reading by the gauge's factor, which the gauge has applied already", func(m *making, x *big.Rat) { x.Mul(x, m.gauge.factor()) }),
	sent("factor-inverted", "divides the reading by the gauge's factor", func(m *making, x *big.Rat) { x.Quo(x, m.gauge.factor()) }),
	{"unit-unconverted", "takes the gauge's number over into the host's unit without conversion", converting, func(m *making) { m.ratio = big.NewRat(1, 1) }},
	{"unit-converted-twice", "converts to the host's unit twice", converting, func(m *making) { m.ratio.Mul(m.ratio, m.ratio) }},
	{"unit-inverted", "multiplies where the conversion divides, or the reverse", converting, func(m *making) { m.ratio.Inv(m.ratio) }},
	{"unit-label", "records the right number with the wrong unit", judged, func(m *making) { m.word = string(m.unit.other()) }},
	{"inch-as-25", "converts with 25 mm to the inch", converting, func(m *making) {
		switch short := big.NewRat(250, 254); {
		case m.from.imperial() && !m.unit.imperial():
			m.ratio.Mul(m.ratio, short)
		case m.unit.imperial() && !m.from.imperial():
			m.ratio.Quo(m.ratio, short)
		}
	}},
	sent("datum-twice", "adds the master's size to a reading that contains it", func(m *making, x *big.Rat) { x.Add(x, m.master()) }),
	sent("datum-dropped", "subtracts the preset: records the deviation from the master, not the size", func(m *making, x *big.Rat) { x.Sub(x, m.master()) }),
	sent("sense-inverted", "records the value mirrored about the master's size", func(m *making, x *big.Rat) {
		x.Sub(m.master(), x).Add(x, m.master())
	}),
	sent("sign-lost", "drops the minus sign", func(_ *making, x *big.Rat) { x.Abs(x) }),
	sent("sign-inverted", "changes the sign", func(_ *making, x *big.Rat) { x.Neg(x) }),
	elsewhere("sign-not-extended", "reads a negative binary number as unsigned (binary dialects)"),
	sent("decimal-shifted", "puts the decimal mark one place off (ten times the value)", func(_ *making, x *big.Rat) { x.Mul(x, tenth(-1)) }),
	sent("decimal-comma", "stops reading at the decimal mark (8.015 becomes 8)", func(_ *making, x *big.Rat) { x.Set(round(x, tenth(0), truncate)) }),
	after("value-stale", "records the value of the previous record", func(x, before, _ *big.Rat) { x.Set(before) }),
	after("averages", "records the mean of this value and the previous record's", func(x, before, _ *big.Rat) { x.Add(x, before).Mul(x, big.NewRat(1, 2)) }),
	after("greatest-so-far", "records the greatest value so far", func(x, _, greatest *big.Rat) {
		if greatest.Cmp(x) > 0 {
			x.Set(greatest)
		}
	}),

	// rounding
	{"truncates", "truncates to the host's resolution instead of rounding", rounding, func(m *making) { m.rounding = truncate }},
	{"rounds-half-up", "rounds ties away from zero where half-even is stated", rounding, func(m *making) {
		if m.rounding == halfEven {
			m.rounding = halfUp
		}
	}},
	{"rounds-half-even", "rounds ties to the even step where half-up is stated", rounding, func(m *making) { m.rounding = halfEven }},
	{"rounds-twice", "rounds to one decimal more first, then to the resolution", rounding, func(m *making) { m.shown = round(m.shown, tenth(m.places+1), m.rounding) }},
	{"rounds-coarse", "records at ten times the resolution's step", rounding, func(m *making) {
		m.step, m.places = new(big.Rat).Mul(m.step, tenth(-1)), max(0, m.places-1)
	}},
	{"not-rounded", "records two decimals more than the resolution has", rounding, func(m *making) { m.places += 2; m.step = tenth(m.places) }},

	// the zone
	{"strict-limits", "counts a reading equal to a specification limit as outside", judging, func(m *making) { m.strict = true }},
	{"inclusive-limits", "counts a reading equal to a specification limit as inside where strict is stated", judging, func(m *making) { m.strict = false }},
	{"strict-warnings", "counts a reading equal to a warning limit as outside it", judging, func(m *making) { m.strictWarning = true }},
	{"float-compare", "compares a value of 32 bits with limits of 64: one equal to a limit may fall outside", judging, func(m *making) { m.binary = true }},
	zones("warnings-ignored", "records warn-low and warn-high as inside", map[string]string{"warn-low": "inside", "warn-high": "inside"}),
	{"warnings-first", "checks warning limits before specification limits: above is recorded as warn-high", judging, func(m *making) { m.warningsFirst = true }},
	zones("warnings-as-limits", "records warn-low as below and warn-high as above", map[string]string{"warn-low": "below", "warn-high": "above"}),
	{"upper-ignored", "never says above", judging, func(m *making) { m.limits.Upper = nil }},
	{"lower-ignored", "never says below", judging, func(m *making) { m.limits.Lower = nil }},
	zones("limits-swapped", "exchanges the words of the lower and the upper zones", map[string]string{"below": "above", "above": "below", "warn-low": "warn-high", "warn-high": "warn-low"}),
	{"limits-unit", "takes the limits in the wrong unit", judging, func(m *making) { m.limits.LimitsUnit = m.limits.LimitsUnit.other() }},
	{"limits-of-first", "judges every channel by the first channel's limits", judging, func(m *making) { m.limits = m.gauge.Channels[0] }},
	{"guard-ignored", "ignores the guard band U", judging, func(m *making) { m.guard = new(big.Rat) }},
	{"guard-outwards", "moves the specification limits outwards by U", judging, func(m *making) { m.guard = new(big.Rat).Neg(m.guard) }},
	{"guard-on-warnings", "moves the warning limits inwards by U too", judging, func(m *making) { m.guardWarning = m.guard }},
	{"decides-unrounded", "compares the unrounded value where displayed is stated", judging, func(m *making) { m.unrounded = true }},
	{"decides-displayed", "compares the displayed value where unrounded is stated", judging, func(m *making) { m.unrounded = false }},
	{"zone-stale", "records the zone of the previous record", judged, func(m *making) {
		if m.memory.zone != "" {
			m.zone = m.memory.zone
		}
	}},
	{"zone-from-gauge", "takes over the gauge's own zone", judged, func(m *making) {
		if m.said.zone != "" {
			m.zone = m.said.zone
		}
	}},
	{"zone-always-inside", "records every reading as inside", judged, func(m *making) { m.zone = "inside" }},

	// whose reading, and which
	elsewhere("channels-swapped", "exchanges the values of two channels"),
	elsewhere("channels-as-first", "records every reading under the first channel"),
	elsewhere("channel-first-only", "records only the first channel of a frame"),
	elsewhere("gauges-swapped", "records under the other gauge's name"),
	elsewhere("gauges-by-port", "after a hang-up takes the gauge at a port for the one that was there before"),
	elsewhere("function-ignored", "sets the gauge to live where max, min or fim is stated"),
	elsewhere("stream-as-tag", "records streamed readings as tagged"),
	elsewhere("streams-unrecorded", "records tagged readings only, also where all are to be recorded"),
	elsewhere("streams-recorded", "records streamed readings too where tagged only is stated"),
	elsewhere("tag-value-streamed", "records the last streamed reading instead of the tagged one"),

	// tags
	elsewhere("tag-dropped-burst", "of several tagged frames in one read, records only the first"),
	elsewhere("tag-repeated", "records a retransmitted tag twice"),
	elsewhere("tag-wrap-dropped", "takes a tag number lower than the last for old and drops it"),
	elsewhere("tag-window-endless", "takes a tag number once seen for a repeat for ever"),
	elsewhere("tag-merged", "takes a new tag with the same reading as the last for a repeat"),
	elsewhere("tag-number-off", "records the tag number one off"),
	elsewhere("tag-unrecorded", "leaves the tag number out"),
	elsewhere("tags-out-of-order", "records the tags of one burst in reverse"),
	elsewhere("first-tag-missed", "does not record the first tag after the start"),
	elsewhere("tag-lost-at-rejoin", "does not record the first tag after the link rejoins"),
	elsewhere("stale-after-rejoin", "records the first tag after a rejoin with the last value from before"),

	// the line and the cell
	elsewhere("never-reopens", "does not open the port again after a hang-up"),
	elsewhere("split-frame-lost", "loses a frame that arrives in two reads"),
	elsewhere("checksum-ignored", "records frames with a bad checksum"),
	elsewhere("low-cell-missed", "records no low-cell event"),
	elsewhere("low-cell-repeated", "records a low-cell event at every frame while the cell is low"),
	elsewhere("link-loss-missed", "records no link-lost event"),
	elsewhere("link-back-missed", "records no link-back event"),
	elsewhere("events-late", "records events only after the gauge's next three readings"),
	elsewhere("control-lines-idle", "leaves DTR and RTS low (ports that show them)"),
	elsewhere("sends-breaks", "sends a break when it opens the port, or none where some are stated (ports that show them)"),
	elsewhere("stalls-reading", "now and then does not read for more than a second"),
	elsewhere("reads-too-slowly", "waits after each few bytes that it reads"),
	elsewhere("wrong-baud", "opens the port at twice the gauge's speed"),
	elsewhere("wrong-parity", "opens the port with another parity than the gauge's"),

	// settings
	elsewhere("settings-not-written", "does not configure the gauge"),
	elsewhere("setting-wrong-unit", "writes settings in the wrong unit"),
	elsewhere("setting-late", "configures the gauge only after the first tagged reading"),
	elsewhere("writes-reversed", "writes the settings in the reverse order"),

	// the records
	elsewhere("records-nothing", "writes no row of a reading"),
	elsewhere("row-doubled", "now and then writes the same row twice"),
	elsewhere("last-row-lost", "loses the last record when it is stopped"),
	elsewhere("times-backwards", "writes time stamps out of order"),
	elsewhere("time-zone", "writes local time, an hour ahead, as if it were UTC"),
	elsewhere("daylight-jump", "writes local time without its zone, and daylight time begins after the third row"),
	elsewhere("rows-buffered", "writes its rows in blocks, so that the last ones are lost when it is killed"),
	elsewhere("quits", "ends with an error after its second row"),
	elsewhere("starts-over", "empties its records when it is started again"),
}

// defects is the set that is switched on.
type defects map[string]bool

// CheckDefects says what is wrong with a list of defects' names, separated by
// commas.
func CheckDefects(list string) error {
	_, err := parseDefects(list)
	return err
}

// parseDefects reads names separated by commas.
func parseDefects(list string) (defects, error) {
	known := map[string]bool{}
	for _, d := range slices.Concat(catalogue, ofSummaries) {
		known[d.Name] = true
	}
	on := defects{}
	for name := range strings.SplitSeq(list, ",") {
		switch name = strings.TrimSpace(name); {
		case name == "":
		case !known[name]:
			return nil, fmt.Errorf("there is no defect %q; %s", name, strict.Suggest(name, slices.Collect(maps.Keys(known)), "refhost --list prints them all"))
		default:
			on[name] = true
		}
	}
	return on, nil
}
