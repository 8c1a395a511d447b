package host

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"example.org/understudy/sim/strict"
)

// Defect is one mistake the host can be told to make.
type Defect struct {
	Name    string
	Meaning string // what the host then does, in one line
}

// Defects lists every mistake the host can be told to make. Each is a small
// change at the place where such a mistake is made in real hosts: search the
// package for the name.
func Defects() []Defect { return append([]Defect(nil), catalogue...) }

var catalogue = []Defect{
	// the number
	{"factor-twice", "multiplies the reading by the gauge's factor, which the gauge has applied already"},
	{"factor-inverted", "divides the reading by the gauge's factor"},
	{"unit-unconverted", "takes the gauge's number over into the host's unit without conversion"},
	{"unit-converted-twice", "converts to the host's unit twice"},
	{"unit-inverted", "multiplies where the conversion divides, or the reverse"},
	{"unit-label", "records the right number with the wrong unit"},
	{"inch-as-25", "converts with 25 mm to the inch"},
	{"datum-twice", "adds the master's size to a reading that contains it"},
	{"datum-dropped", "subtracts the preset: records the deviation from the master, not the size"},
	{"sense-inverted", "records the value mirrored about the master's size"},
	{"sign-lost", "drops the minus sign"},
	{"sign-inverted", "changes the sign"},
	{"sign-not-extended", "reads a negative binary number as unsigned (binary dialects)"},
	{"decimal-shifted", "puts the decimal mark one place off (ten times the value)"},
	{"decimal-comma", "stops reading at the decimal mark (8.015 becomes 8)"},
	{"value-stale", "records the value of the previous record"},
	{"averages", "records the mean of this value and the previous record's"},
	{"greatest-so-far", "records the greatest value so far"},
	// rounding
	{"truncates", "truncates to the host's resolution instead of rounding"},
	{"rounds-half-up", "rounds ties away from zero where half-even is stated"},
	{"rounds-half-even", "rounds ties to the even step where half-up is stated"},
	{"rounds-twice", "rounds to one decimal more first, then to the resolution"},
	{"rounds-coarse", "records at ten times the resolution's step"},
	{"not-rounded", "records two decimals more than the resolution has"},
	// the zone
	{"strict-limits", "counts a reading equal to a specification limit as outside"},
	{"inclusive-limits", "counts a reading equal to a specification limit as inside where strict is stated"},
	{"strict-warnings", "counts a reading equal to a warning limit as outside it"},
	{"warnings-ignored", "records warn-low and warn-high as in"},
	{"warnings-first", "checks warning limits before specification limits: above is recorded as warn-high"},
	{"warnings-as-limits", "records warn-low as below and warn-high as above"},
	{"upper-ignored", "never says above"},
	{"lower-ignored", "never says below"},
	{"limits-swapped", "exchanges the words of the lower and the upper zones"},
	{"limits-unit", "takes the limits in the wrong unit"},
	{"limits-of-first", "judges every channel by the first channel's limits"},
	{"guard-ignored", "ignores the guard band U"},
	{"guard-outwards", "moves the specification limits outwards by U"},
	{"guard-on-warnings", "moves the warning limits inwards by U too"},
	{"decides-unrounded", "compares the unrounded value where displayed is stated"},
	{"decides-displayed", "compares the displayed value where unrounded is stated"},
	{"float-compare", "compares in binary floating point: a value equal to a limit falls outside by one ulp"},
	{"zone-stale", "records the zone of the previous record"},
	{"zone-from-gauge", "takes over the gauge's own zone"},
	{"zone-always-in", "records every reading as in"},
	// whose reading, and which
	{"channels-swapped", "exchanges the values of two channels"},
	{"channels-as-first", "records every reading under the first channel"},
	{"channel-first-only", "records only the first channel of a frame"},
	{"gauges-swapped", "records under the other gauge's name"},
	{"gauges-by-port", "after a hang-up takes the gauge at a port for the one that was there before"},
	{"function-ignored", "sets the gauge to live where max, min or fim is stated"},
	{"stream-as-tag", "records streamed readings as tagged"},
	{"streams-unrecorded", "records tagged readings only, also where all are to be recorded"},
	{"streams-recorded", "records streamed readings too where tagged only is stated"},
	{"tag-value-streamed", "records the last streamed reading instead of the tagged one"},
	// tags
	{"tag-dropped-burst", "of several tagged frames in one read, records only the first"},
	{"tag-repeated", "records a retransmitted tag twice"},
	{"tag-wrap-dropped", "takes a tag number lower than the last for old and drops it"},
	{"tag-window-endless", "takes a tag number once seen for a repeat for ever"},
	{"tag-merged", "takes a new tag with the same reading as the last for a repeat"},
	{"tag-number-off", "records the tag number one off"},
	{"tag-unrecorded", "leaves the tag number out"},
	{"tags-out-of-order", "records the tags of one burst in reverse"},
	{"first-tag-missed", "does not record the first tag after the start"},
	{"tag-lost-at-rejoin", "does not record the first tag after the link rejoins"},
	{"stale-after-rejoin", "records the first tag after a rejoin with the last value from before"},
	// void readings
	{"void-as-zero", "records a void reading as 0"},
	{"void-as-last", "records a void reading with the last good value"},
	{"void-in", "records a void reading empty, but as in"},
	{"void-dropped", "does not record a tagged void reading"},
	// the line and the cell
	{"never-reopens", "does not open the port again after a hang-up"},
	{"split-frame-lost", "loses a frame that arrives in two reads"},
	{"checksum-ignored", "records frames with a bad checksum"},
	{"low-cell-missed", "records no low-cell event"},
	{"low-cell-repeated", "records a low-cell event at every frame while the cell is low"},
	{"link-loss-missed", "records no link-lost event"},
	{"link-back-missed", "records no link-back event"},
	{"events-late", "records events only after the gauge's next three readings"},
	{"control-lines-idle", "leaves DTR and RTS low (ports that show them)"},
	{"sends-breaks", "sends a break when it opens the port, or none where some are stated (ports that show them)"},
	{"stalls-reading", "now and then does not read for more than a second"},
	{"reads-too-slowly", "waits after each few bytes that it reads"},
	{"wrong-baud", "opens the port at twice the gauge's speed"},
	{"wrong-parity", "opens the port with another parity than the gauge's"},
	// settings
	{"settings-not-written", "does not configure the gauge"},
	{"setting-wrong-unit", "writes settings in the wrong unit"},
	{"setting-late", "configures the gauge only after the first tagged reading"},
	{"writes-reversed", "writes the settings in the reverse order"},
	// the records
	{"records-nothing", "writes no row of a reading"},
	{"row-doubled", "now and then writes the same row twice"},
	{"last-row-lost", "loses the last record when it is stopped"},
	{"times-backwards", "writes time stamps out of order"},
	{"time-zone", "writes local time, an hour ahead, as if it were UTC"},
	{"daylight-jump", "writes local time without its zone, and daylight time begins after the third row"},
	{"rows-buffered", "writes its rows in blocks, so that the last ones are lost when it is killed"},
	{"quits", "ends with an error after its second row"},
	{"starts-over", "empties its records when it is started again"},
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
	for _, d := range catalogue {
		known[d.Name] = true
	}
	on := defects{}
	for name := range strings.SplitSeq(list, ",") {
		switch name = strings.TrimSpace(name); {
		case name == "":
		case !known[name]:
			if near := strict.Nearest(name, slices.Collect(maps.Keys(known))); near != "" {
				return nil, fmt.Errorf("there is no defect %q; did you mean %q?", name, near)
			}
			return nil, fmt.Errorf("there is no defect %q; refhost --list prints them all", name)
		default:
			on[name] = true
		}
	}
	return on, nil
}
