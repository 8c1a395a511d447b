package cause

import (
	"slices"
	"strings"
)

// Cause is one mistake a host can make, as the catalogue explains it.
type Cause struct {
	Code  string `json:"code"` // stable: C and three digits, the first naming the group
	Name  string `json:"name"`
	Looks string `json:"looks"` // what it looks like in the records
	Why   string `json:"why"`   // why hosts do it
	Fix   string `json:"fix"`
}

// Groups names the groups of causes by the first digit of their codes.
func Groups() map[byte]string {
	return map[byte]string{'0': "summaries", '1': "the number", '2': "rounding", '3': "the zone", '4': "whose reading it is", '5': "tags",
		'6': "void readings", '7': "the serial line, the link and the cell", '8': "settings", '9': "the rows"}
}

// All lists the catalogue in the order of the codes.
func All() []Cause {
	cs := make([]Cause, defectCount)
	for d := range cs {
		cs[d] = catalogue[d].Cause
	}
	slices.SortFunc(cs, func(a, b Cause) int { return strings.Compare(a.Code, b.Code) })
	return cs
}

// Find returns the cause with a name or a code.
func Find(name string) (Cause, bool) {
	for _, c := range append(All(), Summaries()...) {
		if c.Name == name || c.Code == name {
			return c, true
		}
	}
	return Cause{}, false
}

// defect is a switch of the model host and an index in the catalogue.
type defect int

const (
	factorTwice defect = iota
	factorInverted
	unitUnconverted
	unitConvertedTwice
	unitInverted
	inchAs25
	unitLabel
	datumTwice
	datumDropped
	signLost
	signInverted
	senseInverted
	signNotExtended
	decimalShifted
	decimalComma
	valueStale
	averages
	greatestSoFar
	truncates
	roundsHalfUp
	roundsHalfEven
	roundsTwice
	roundsCoarse
	notRounded
	strictLimits
	inclusiveLimits
	strictWarnings
	warningsIgnored
	warningsAsLimits
	zoneAlwaysInside
	warningsFirst
	upperIgnored
	lowerIgnored
	limitsSwapped
	limitsUnit
	limitsOfFirst
	guardIgnored
	guardOutwards
	guardOnWarnings
	decidesUnrounded
	decidesDisplayed
	floatCompare
	zoneFromGauge
	zoneStale
	channelsSwapped
	channelsAsFirst
	channelFirstOnly
	gaugesSwapped
	gaugesByPort
	functionIgnored
	voidAsZero
	voidAsLast
	voidInside
	voidDropped
	tagRepeated
	firstTagMissed
	tagLostAtRejoin
	staleAfterRejoin
	tagWrapDropped
	tagWindowEndless
	tagMerged
	tagNumberOff
	tagUnrecorded
	tagValueStreamed
	streamAsTag
	streamsRecorded
	streamsUnrecorded
	tagsOutOfOrder
	tagDroppedBurst
	neverReopens
	linkLossMissed
	linkBackMissed
	lowCellMissed
	lowCellRepeated
	eventsLate
	splitFrameLost
	checksumIgnored
	wrongBaud
	wrongParity
	readsTooSlowly
	controlLinesIdle
	sendsBreaks
	stallsReading
	settingsNotWritten
	writesReversed
	settingLate
	settingWrongUnit
	recordsNothing
	lastRowLost
	rowsBuffered
	startsOver
	rowDoubled
	timesBackwards
	timeZone
	daylightJump
	quits
	defectCount
)

// upTo lists the numbers from 0 on.
func upTo(n int) (out []int) {
	for k := range n {
		out = append(out, k)
	}
	return out
}

// entry is a cause with the parameters its mistake may have; nil stands for
// the one parameter 0.
type entry struct {
	Cause
	params []int
}

// signWidths are the widths in bits a negative number may be misread at, each
// with up to three decimals more on the wire than in the reading.
var signWidths = []int{16 * 16, 24 * 16, 32 * 16, 8 * 16, 12 * 16,
	16*16 + 1, 24*16 + 1, 32*16 + 1, 16*16 + 2, 24*16 + 2, 32*16 + 2, 16*16 + 3, 24*16 + 3, 32*16 + 3}

// catalogue has the causes in an order of its own: where two predict the same rows on
// some evidence, the one that stands first is named and the other is its rival.
var catalogue = [defectCount]entry{
	factorTwice: {Cause{"C101", "factor-twice", "every value is the reading times the gauge's factor",
		"the host multiplies by the factor, which the gauge has applied already",
		"take the reading as it comes; the factor belongs to the gauge"}, nil},
	factorInverted: {Cause{"C102", "factor-inverted", "every value is the reading divided by the gauge's factor",
		"the host undoes the factor to get at the probe's travel",
		"take the reading as it comes; the factor is part of it"}, nil},
	unitUnconverted: {Cause{"C103", "unit-unconverted", "the gauge's number stands in the records under the host's unit: off by 25.4 or a power of ten",
		"the number is taken over without looking at the unit it came in",
		"convert from the unit of the frame to the unit of the records"}, nil},
	unitConvertedTwice: {Cause{"C104", "unit-converted-twice", "values are off by the ratio of the units, in the direction of the conversion",
		"both the driver and the program convert",
		"convert in one place, where the frame is decoded"}, nil},
	unitInverted: {Cause{"C105", "unit-inverted", "values are off by the square of the units' ratio, against the direction of the conversion",
		"the host divides where it should multiply",
		"check the conversion with 1 in = 25.4 mm"}, nil},
	inchAs25: {Cause{"C106", "inch-as-25", "values converted between inch and metric are off by 1.6 %",
		"the host takes the inch for 25 mm",
		"convert with 25.4 mm exactly"}, nil},
	unitLabel: {Cause{"C107", "unit-label", "the number is right and the unit word beside it is not",
		"the unit word comes from a setting or a default and not from the conversion",
		"write the unit the value was converted to"}, nil},
	datumTwice: {Cause{"C108", "datum-twice", "every value is too large by the master's size",
		"the host adds the preset to a reading that contains it",
		"add the master's size only to readings of a gauge that is set to zero"}, nil},
	datumDropped: {Cause{"C109", "datum-dropped", "every value is the deviation from the master, not the size",
		"the host subtracts the preset",
		"record the reading as it comes"}, nil},
	senseInverted: {Cause{"C110", "sense-inverted", "values are mirrored about the master's size: too large by as much as they should be too small",
		"the host turns round a sense that the gauge has turned round already",
		"leave the sense to the gauge"}, nil},
	signLost: {Cause{"C111", "sign-lost", "negative readings are recorded as positive",
		"the sign is cut off with the padding, or the pattern for the number leaves it out",
		"read the sign as part of the number"}, nil},
	signInverted: {Cause{"C112", "sign-inverted", "every value has the opposite sign",
		"the host takes deviation as nominal less actual",
		"record the reading's own sign"}, nil},
	signNotExtended: {Cause{"C113", "sign-not-extended", "negative readings are recorded as very large positive ones",
		"a signed binary field is read as unsigned, or into a wider type without extending its sign",
		"decode the field as two's complement of its own width"}, signWidths},
	decimalShifted: {Cause{"C114", "decimal-shifted", "every value is off by a power of ten",
		"the host assumes a fixed number of decimals",
		"take the number of decimals from the frame or from the gauge's resolution"}, []int{1, -1, 2, -2, 3, -3}},
	decimalComma: {Cause{"C115", "decimal-comma", "values end at the decimal mark: 8.015 is recorded as 8",
		"the number is read by the rules of a locale with another decimal mark",
		"read numbers from the wire by fixed rules, whatever the locale"}, nil},
	valueStale: {Cause{"C116", "value-stale", "each row carries the value of the row before",
		"the host reads its variable before it has stored the new value",
		"take the value and the tag from the same frame"}, nil},
	averages: {Cause{"C117", "averages", "values lag behind jumps by half of them",
		"the host smooths the reading with the one before",
		"record the tagged reading itself"}, nil},
	greatestSoFar: {Cause{"C118", "greatest-so-far", "values never fall",
		"the host keeps a maximum of its own and does not clear it between parts",
		"record the reading itself, or clear the maximum at each part"}, nil},

	truncates: {Cause{"C201", "truncates", "values are up to one step too near to zero, never too far",
		"surplus decimals are cut off",
		"round by the stated rule"}, nil},
	roundsHalfUp: {Cause{"C202", "rounds-half-up", "values exactly between two steps go away from zero where the even step is stated",
		"the rounding function of the language or the database rounds ties away from zero",
		"use a rounding that sends ties to the even digit"}, nil},
	roundsHalfEven: {Cause{"C203", "rounds-half-even", "values exactly between two steps go to the even one where up, or truncation, is stated",
		"the rounding function of the language sends ties to the even digit",
		"use the stated rounding"}, nil},
	roundsTwice: {Cause{"C204", "rounds-twice", "some values just below the middle of a step are rounded up",
		"the value is rounded to more decimals on the way and again at the end",
		"round once, from the value as received"}, nil},
	roundsCoarse: {Cause{"C205", "rounds-coarse", "every value has one decimal fewer than stated, or ends in 0",
		"the number format has one decimal less than the stated resolution",
		"write as many decimals as the resolution has"}, nil},
	notRounded: {Cause{"C206", "not-rounded", "values carry more decimals than the stated resolution",
		"the converted value is recorded without rounding",
		"round to the stated resolution before recording and judging"}, []int{1, 2, 3, 4, 5, 6}},

	strictLimits: {Cause{"C301", "strict-limits", "a value equal to a specification limit is recorded as outside",
		"the comparison with the limit leaves out the equal case",
		"a value equal to a limit conforms unless stated otherwise: compare with ≤ and ≥"}, nil},
	inclusiveLimits: {Cause{"C302", "inclusive-limits", "a value equal to a specification limit is recorded as inside where strict limits are stated",
		"the comparison with the limit takes in the equal case",
		"compare with < and > where the limits are stated to be strict"}, nil},
	strictWarnings: {Cause{"C303", "strict-warnings", "a value equal to a warning limit is recorded as a warning",
		"the comparison with the warning limit leaves out the equal case",
		"compare warning limits as the specification limits are"}, nil},
	warningsIgnored: {Cause{"C304", "warnings-ignored", "no row is ever warn-low or warn-high",
		"the warning limits are not read or not used",
		"compare with the warning limits after the specification limits"}, nil},
	warningsAsLimits: {Cause{"C305", "warnings-as-limits", "values outside the warning limits only are recorded as below or above",
		"the host judges by the warning limits",
		"judge conformity by the specification limits"}, nil},
	warningsFirst: {Cause{"C306", "warnings-first", "values outside the specification are recorded as warnings",
		"the warning limits are checked first and the check ends there",
		"check the specification limits before the warning limits"}, nil},
	upperIgnored: {Cause{"C307", "upper-ignored", "no row is ever above",
		"the upper specification limit is missing from the check, or not loaded",
		"check both limits"}, nil},
	lowerIgnored: {Cause{"C308", "lower-ignored", "no row is ever below",
		"the lower specification limit is missing from the check, or an absent limit is taken for 0",
		"check both limits"}, nil},
	limitsSwapped: {Cause{"C309", "limits-swapped", "below and above, warn-low and warn-high are exchanged",
		"two columns or two words are exchanged",
		"check the order of the limits and of the words for them"}, nil},
	limitsUnit: {Cause{"C310", "limits-unit", "values are right and nearly all zones are wrong on one side",
		"the limits' numbers are compared in another unit than they are written in",
		"convert limits from their own unit"}, []int{0, 1, 2}},
	limitsOfFirst: {Cause{"C311", "limits-of-first", "zones of every channel but the first are wrong",
		"the first channel's limits are used for all of them",
		"keep limits by channel"}, nil},
	guardIgnored: {Cause{"C312", "guard-ignored", "values within U of a limit are recorded as inside",
		"the decision rule is taken for simple acceptance",
		"move the specification limits inwards by the stated U"}, nil},
	guardOutwards: {Cause{"C313", "guard-outwards", "values up to U outside a limit are recorded as inside",
		"the specification limits are moved outwards by U: the rule for proving nonconformity",
		"move the specification limits inwards by the stated U"}, nil},
	guardOnWarnings: {Cause{"C314", "guard-on-warnings", "values within U of a warning limit are recorded as warnings",
		"the warning limits are moved by U too",
		"move the specification limits only"}, nil},
	decidesUnrounded: {Cause{"C315", "decides-unrounded", "values whose rounding crosses a limit get the zone of the unrounded value",
		"the value is compared before it is rounded",
		"compare the displayed value with the limits, as stated"}, nil},
	decidesDisplayed: {Cause{"C316", "decides-displayed", "values whose rounding crosses a limit get the zone of the rounded value",
		"the value is rounded before it is compared",
		"compare the value as received with the limits, as stated"}, nil},
	floatCompare: {Cause{"C317", "float-compare", "some values equal to a limit are recorded as outside it",
		"values and limits are binary floating point, in which most decimals are off in the last place",
		"compare decimals or whole numbers of steps"}, upTo(binaryWays)},
	zoneFromGauge: {Cause{"C318", "zone-from-gauge", "zones follow the limits set in the gauge",
		"the host takes over the gauge's own zone",
		"judge by the limits the host is given"}, nil},
	zoneStale: {Cause{"C319", "zone-stale", "each row carries the zone of the row before",
		"the zone is recorded before it is worked out anew",
		"judge the value that is recorded"}, nil},
	zoneAlwaysInside: {Cause{"C320", "zone-always-inside", "every row is recorded as inside",
		"no limits are loaded, or the zone is a default that is never changed",
		"load the limits; refuse to judge without them"}, nil},

	channelsSwapped: {Cause{"C401", "channels-swapped", "the rows of two channels are exchanged",
		"the channels are counted from the other end, or their columns are exchanged",
		"take the channel from the frame"}, nil},
	channelsAsFirst: {Cause{"C402", "channels-as-first", "all rows stand under the first channel",
		"the channel in the frame is not read",
		"take the channel from the frame"}, nil},
	channelFirstOnly: {Cause{"C403", "channel-first-only", "only the first channel of each frame is recorded",
		"decoding stops after the first group of a frame",
		"decode every channel of a frame"}, nil},
	gaugesSwapped: {Cause{"C404", "gauges-swapped", "the rows of one gauge stand under another's name",
		"gauges are known by the order of their ports",
		"know a gauge by its serial number or by the port's stable name"}, nil},
	gaugesByPort: {Cause{"C406", "gauges-by-port", "after ports came back at each other's place the rows stand under the wrong gauge",
		"a gauge is known by the name of the port it was first seen at",
		"know a gauge by its serial number, and look again when a port comes back"}, nil},
	functionIgnored: {Cause{"C405", "function-ignored", "the gauge is set to live where max, min or fim is stated",
		"the function is left at a default",
		"write the stated function to the gauge, and read it back"}, nil},

	tagRepeated: {Cause{"C501", "tag-repeated", "a tag that was sent again is recorded twice",
		"repeats are not told from new tags",
		"take the same number with the same reading within the window for one tag"}, nil},
	firstTagMissed: {Cause{"C502", "first-tag-missed", "the first tag after the start is missing",
		"the first frame only sets the host's starting point",
		"record from the first frame on"}, nil},
	tagLostAtRejoin: {Cause{"C503", "tag-lost-at-rejoin", "the first tag after the link came back is missing",
		"what the port holds after a rejoin is thrown away, or what comes before the gauge has said who it is",
		"flush the port before reading, not after, and hold what comes before it is known which gauge it is"}, nil},
	staleAfterRejoin: {Cause{"C504", "stale-after-rejoin", "the first tag after the link came back has the last value from before",
		"the value is kept over the loss of the link and recorded with the new tag",
		"forget values when the link is lost"}, nil},
	tagWrapDropped: {Cause{"C505", "tag-wrap-dropped", "after the tag number wraps, tags are missing",
		"a number lower than the last is taken for old",
		"compare tag numbers round the wrap"}, nil},
	tagWindowEndless: {Cause{"C506", "tag-window-endless", "a tag number that was used before is missing the second time",
		"a number once seen is taken for a repeat for ever",
		"forget a number when the stated window has passed, or its reading differs"}, nil},
	tagMerged: {Cause{"C507", "tag-merged", "a tag with the same value as the one before is missing",
		"rows with an unchanged value are suppressed",
		"tell tags by their number"}, nil},
	tagNumberOff: {Cause{"C508", "tag-number-off", "every tag number is one off",
		"the host counts by itself, from another start",
		"record the number in the frame"}, []int{1, -1}},
	tagUnrecorded: {Cause{"C509", "tag-unrecorded", "rows carry no tag number though the frames do",
		"the number is not read",
		"record the number in the frame"}, nil},
	tagValueStreamed: {Cause{"C510", "tag-value-streamed", "a tag carries the value that was streamed before it",
		"the tag is taken for a signal to record the latest reading",
		"record the reading in the tagged frame"}, nil},
	streamAsTag: {Cause{"C511", "stream-as-tag", "streamed readings are recorded with a tag number",
		"streamed and tagged frames are not told apart",
		"record tagged frames only"}, upTo(3)},
	streamsUnrecorded: {Cause{"C515", "streams-unrecorded", "there are rows of tags only, where every reading is to be recorded",
		"what is not tagged is shown and dropped",
		"record every reading where that is asked, and leave the tag number out"}, nil},
	streamsRecorded: {Cause{"C512", "streams-recorded", "streamed readings are recorded where only tagged ones should be",
		"every reading is recorded",
		"record tagged frames only"}, nil},
	tagsOutOfOrder: {Cause{"C513", "tags-out-of-order", "tags that came close together are recorded in another order",
		"frames of one read are taken from the end, or by several threads",
		"take frames in the order of their bytes"}, nil},
	tagDroppedBurst: {Cause{"C514", "tag-dropped-burst", "of tags that came close together some are missing",
		"of several frames in one read only one is taken",
		"go on decoding until the bytes read are used up"}, []int{onlyFirst, onlyLast, onlyFirst + ofTags, onlyLast + ofTags, 0}},

	voidAsZero: {Cause{"C601", "void-as-zero", "a void reading is recorded as 0",
		"text that is not a number is read as 0",
		"record no value for a void reading"}, nil},
	voidAsLast: {Cause{"C602", "void-as-last", "a void reading is recorded with the value before it",
		"the value is kept when the new one cannot be read",
		"record no value for a void reading"}, nil},
	voidInside: {Cause{"C603", "void-inside", "a void reading is recorded without a value, but as inside",
		"a comparison with a missing value is false, and inside is what remains",
		"judge void before any limit"}, nil},
	voidDropped: {Cause{"C604", "void-dropped", "a tagged void reading is missing",
		"frames without a number are thrown away",
		"record the tag with zone void: the operator did tag"}, nil},

	neverReopens: {Cause{"C701", "never-reopens", "nothing is recorded after a hang-up",
		"the port is opened once, at the start, or opening it is given up too soon",
		"open the port again until it answers"}, nil},
	linkLossMissed: {Cause{"C702", "link-loss-missed", "there is no link-lost row",
		"an end of file or an error in reading is passed over",
		"record that the link is lost when reading fails"}, nil},
	linkBackMissed: {Cause{"C703", "link-back-missed", "there is no link-back row",
		"opening the port again is not recorded",
		"record that the link is back when the port is open again, or when the gauge is first heard there"}, nil},
	lowCellMissed: {Cause{"C704", "low-cell-missed", "there is no low-cell row",
		"the cell's flag in the frame is not read",
		"read the flag in every frame and record its change"}, nil},
	lowCellRepeated: {Cause{"C705", "low-cell-repeated", "there is a low-cell row for every frame",
		"the flag is recorded, not its change",
		"record low-cell once until it clears"}, nil},
	eventsLate: {Cause{"C710", "events-late", "the rows of a low cell or a lost link come after readings that followed it",
		"the state is looked at now and then, not with every frame",
		"record a state when the frame or the error that tells it is read"}, nil},
	splitFrameLost: {Cause{"C706", "split-frame-lost", "readings are missing whose frames came in parts",
		"each read is taken for one whole frame",
		"keep unfinished bytes until the rest arrives"}, nil},
	checksumIgnored: {Cause{"C707", "checksum-ignored", "there are rows of frames that arrived damaged",
		"the checksum is not checked",
		"drop a frame whose checksum does not fit"}, nil},
	wrongBaud: {Cause{"C708", "wrong-baud", "the port is opened at another speed than the gauge's",
		"the speed is left at a default",
		"open the port at the gauge's speed"}, nil},
	wrongParity: {Cause{"C709", "wrong-parity", "the port is opened with another parity than the gauge's",
		"the parity is left at a default",
		"open the port with the gauge's parity"}, nil},
	readsTooSlowly: {Cause{"C711", "reads-too-slowly", "frames are given up because the port is full",
		"reading waits for the database, the screen or a timer",
		"read the port in a thread of its own and queue what was read"}, nil},
	controlLinesIdle: {Cause{"C712", "control-lines-idle", "DTR or RTS does not stand as stated while the gauge sends",
		"the program leaves the control lines as the system has them, or a library handles them for flow control",
		"set DTR and RTS each time the port is opened"}, nil},
	sendsBreaks: {Cause{"C713", "sends-breaks", "the host sends breaks where none are stated, or none where some are",
		"the port is opened by a routine that was made for modems and wakes them up with a break",
		"send a break only where the gauge's protocol asks for one"}, nil},
	stallsReading: {Cause{"C714", "stalls-reading", "bytes wait longer than stated until the host reads some",
		"the thread that reads the port does other things too: a file, a screen or a lookup holds it up",
		"read the port in a thread of its own and queue what was read"}, nil},

	settingsNotWritten: {Cause{"C801", "settings-not-written", "the gauge is not configured",
		"the host relies on what the gauge was set to last",
		"write every setting at the start"}, nil},
	writesReversed: {Cause{"C802", "writes-reversed", "the settings are written in the reverse order",
		"the settings are kept in a stack or a map",
		"write the settings in the stated order"}, nil},
	settingLate: {Cause{"C803", "setting-late", "the settings are written only after the first tag",
		"the gauge is configured when it is first heard",
		"configure the gauge before saying that the host is ready"}, nil},
	settingWrongUnit: {Cause{"C804", "setting-wrong-unit", "a setting is written as a number of another unit",
		"the host's number is written without conversion to the gauge's unit",
		"convert a setting to the unit the gauge takes it in"}, nil},

	lastRowLost: {Cause{"C901", "last-row-lost", "the last row is missing",
		"the last row stands in a buffer that is not flushed at the end",
		"flush each row as it is written"}, nil},
	recordsNothing: {Cause{"C909", "records-nothing", "there is no row of any reading",
		"no frame is decoded (another dialect, another checksum, another unit word), or the rows go elsewhere",
		"look at what the host makes of one frame, and where it writes"}, nil},
	rowsBuffered: {Cause{"C905", "rows-buffered", "the last rows are missing when the host ends or is killed",
		"rows are written in blocks or in one transaction",
		"flush or commit each row"}, nil},
	startsOver: {Cause{"C907", "starts-over", "the rows from before the host was started again are missing",
		"the records are opened anew, and emptied, at each start",
		"open the records to append to them, or under a name of their own for each start"}, nil},
	rowDoubled: {Cause{"C902", "row-doubled", "some rows stand twice, with the same content",
		"a write is tried again although it succeeded",
		"make a row's key unique, or write it once only"}, nil},
	timesBackwards: {Cause{"C903", "times-backwards", "time stamps run backwards",
		"the time is taken in another thread, or from a clock that is set back",
		"take the time when the frame is read, from a clock that does not jump"}, nil},
	timeZone: {Cause{"C904", "time-zone", "all time stamps are off by whole or half hours",
		"local time is recorded without its zone, or twice converted",
		"record time with its zone, or in UTC as stated"}, nil},
	quits: {Cause{"C908", "quits", "the host is gone before the run ends",
		"an error that nobody expected ends the whole program",
		"catch errors where one frame, one row or one port is dealt with, note them, and go on"}, nil},
	daylightJump: {Cause{"C906", "daylight-jump", "from some row on the time stamps are off by one hour",
		"local time is recorded without its zone over a change of daylight time",
		"record time with its offset, or in UTC"}, nil},
}
