// Package rehearse answers whether a line of gauges will hold a shift: it plays
// whole shifts on paper, many of them with different luck, and says what the
// cells, the radio, the ports, the host and the parts made of it.
//
// A shift on paper does not make every frame. The links and the cells are those
// of sim/link and sim/power, advanced window by window; only the operators'
// tags travel as frames. The stream is counted as load: on the cells, on the
// radios' time and on the ports' line rate. Simulated results never release real
// parts.
package rehearse

import (
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/zone"
)

// Version is the version of the language of line files.
const Version = 1

// File is a line as it is written.
type File struct {
	Version     int               `yaml:"understudy-line" need:"yes" doc:"version of the language of lines: 1"`
	Title       string            `yaml:"title" need:"yes" doc:"one line that says what is made"`
	Notice      string            `yaml:"notice" doc:"what the reader should notice"`
	Seed        uint64            `yaml:"seed" doc:"random seed"`
	Shift       quantity.Duration `yaml:"shift" need:"yes" doc:"length of the shift, such as 8 h; at most 24 h"`
	Takt        quantity.Duration `yaml:"takt" need:"yes" doc:"time from one part to the next"`
	Place       link.Place        `yaml:"place" doc:"what lies between gauges and receivers: free-air (default), office, corridor or shop, in-sight or out-of-sight"`
	Motion      *quantity.Length  `yaml:"motion" was:"walking" doc:"how far gauges move in a second (default: 0.5 m)"`
	Latency     scenario.Latency  `yaml:"latency" doc:"what every frame of a radio waits for besides the air (default: nothing)"`
	Temperature []Warmth          `yaml:"temperature" doc:"temperature over the day, straight between the times (default: 20 °C)"`
	Breaks      []Break           `yaml:"breaks" doc:"pauses; nothing is measured, and gauges are put into their cradles"`
	Cradle      *quantity.Current `yaml:"cradle" doc:"charging current of a cradle (default: no cradles)"`
	Operators   Operators         `yaml:"operators" doc:"habits"`
	Host        Intake            `yaml:"host" doc:"what the host takes for a record, and how it decides"`
	Features    []Feature         `yaml:"features" need:"yes" doc:"what is measured on the part"`
	Obstacles   []Obstacle        `yaml:"obstacles" doc:"what weakens a signal that passes through it"`
	Receivers   []Receiver        `yaml:"receivers" doc:"radios of the host; each talks to seven gauges at most"`
	Each        Keys              `yaml:"each" doc:"what holds for every gauge that does not write it itself"`
	Stations    []Station         `yaml:"stations" need:"yes" doc:"places of work and their gauges"`
}

// Warmth is a temperature at a time.
type Warmth struct {
	At quantity.Duration `yaml:"at" need:"yes" doc:"time since the shift's start"`
	Is quantity.Celsius  `yaml:"is" need:"yes" doc:"temperature there"`
}

// Break is a pause.
type Break struct {
	At  quantity.Duration `yaml:"at" need:"yes" doc:"time since the shift's start"`
	For quantity.Duration `yaml:"for" need:"yes" doc:"how long"`
}

// Operators are the operators' habits.
type Operators struct {
	Uneven     quantity.Percent  `yaml:"uneven" doc:"standard deviation of the moment of a tag, as a share of the takt (default: 0 %)"`
	Forgets    quantity.Percent  `yaml:"forgets" doc:"parts that are measured but not tagged (default: 0 %)"`
	DoubleTags quantity.Percent  `yaml:"double-tags" was:"twice" doc:"tags that are given twice (default: 0 %)"`
	Cradles    *quantity.Percent `yaml:"cradles" doc:"chance that a gauge is put into its cradle in a break (default: 100 %)"`
}

// Intake is how the host takes records, and what is asked of it on ports.
type Intake struct {
	PerRecord     quantity.Duration `yaml:"per-record" was:"takes" doc:"time to judge and store one record (default: 0 s)"`
	Guarded       bool              `yaml:"guarded" doc:"limits are moved inwards by the uncertainty U before it decides (JCGM 106:2012, 8.3.2, from memory)"`
	scenario.Host                   // on ports only
}

// Feature is a size that is measured.
type Feature struct {
	Name        string             `yaml:"name" need:"yes" doc:"name of the feature, in words"`
	Size        scenario.Size      `yaml:"size" doc:"nominal size in mm and tolerance class of ISO 286-1, such as 8 H8; instead of nominal and limits"`
	Nominal     *quantity.Length   `yaml:"nominal" doc:"nominal size"`
	Limits      *[2]scenario.Bound `yaml:"limits" doc:"lower and upper specification limit; none for an absent one"`
	Warn        *[2]scenario.Bound `yaml:"warn" doc:"lower and upper warning limit; none for an absent one (default: the middle three quarters of the tolerance; none with one limit)"`
	Spread      quantity.Length    `yaml:"spread" need:"yes" doc:"standard deviation of the process from part to part"`
	MeanShift   quantity.Length    `yaml:"mean-shift" was:"off" doc:"how far the process's mean lies above the middle of the tolerance, or above the nominal size where there is one limit, at the shift's start"`
	Wear        quantity.Length    `yaml:"wear" doc:"how far the mean moves up over the shift, as tools wear"`
	Uncertainty quantity.Length    `yaml:"uncertainty" need:"yes" doc:"expanded uncertainty U of a reading, k = 2"`
	Resolution  *quantity.Length   `yaml:"resolution" doc:"step of the reading (default: 0.001 mm)"`
}

// Point is a place on the floor.
type Point [2]quantity.Length

func (p Point) metres() [2]float64 { return [2]float64{metres(p[0]), metres(p[1])} }

func metres(q quantity.Length) float64 { v, _ := q.Picometres().In(decimal.M); return v.Float64() }

// Obstacle is a straight wall, rack or machine seen from above.
type Obstacle struct {
	Name string         `yaml:"name" need:"yes" doc:"what it is, in words"`
	From Point          `yaml:"from" need:"yes" doc:"one end"`
	To   Point          `yaml:"to" need:"yes" doc:"the other end"`
	Loss quantity.Level `yaml:"loss" need:"yes" doc:"what a signal loses that passes through it, such as 6.9 dB"`
}

// Receiver is a radio of the host.
type Receiver struct {
	Name       string               `yaml:"name" need:"yes" doc:"name of the receiver"`
	At         Point                `yaml:"at" need:"yes" doc:"where it stands"`
	BetterBy   quantity.Level       `yaml:"better-by" was:"hears" doc:"how much weaker a signal it still takes than the -70 dBm every radio of its kind must (default: 0 dB); 10 dB to 20 dB are common"`
	Places     *int                 `yaml:"places" was:"seats" doc:"how many gauges it talks to at a time (default: 7, the most)"`
	SerialLine *scenario.SerialLine `yaml:"serial-line" was:"line" doc:"its gauges share one port of the host, set like this, such as 115200 8N1 (default: each gauge has a port of its own)"`
}

// Keys are the keys a gauge may leave to the line.
type Keys struct {
	Feature    string               `yaml:"feature" doc:"name of the feature it measures (default: the first)"`
	Dialect    string               `yaml:"dialect" doc:"wire protocol: the name of a shipped dialect, or the path of a dialect file (default: line-ascii)"`
	Class      int                  `yaml:"class" doc:"transmit power class: 1 (100 mW), 2 (2.5 mW) or 3 (1 mW) (default: 2)"`
	Rate       *quantity.Rate       `yaml:"rate" doc:"readings streamed in a second (default: 10 Hz)"`
	SerialLine *scenario.SerialLine `yaml:"serial-line" was:"line" doc:"how the serial line is set, such as 9600 8N1 (default: as the dialect has it)"`
	Receiver   string               `yaml:"receiver" doc:"name of its receiver (default: the nearest that has a place)"`
	Spares     *int                 `yaml:"spares" doc:"charged gauges that stand ready to replace it (default: none)"`
	Queue      *int                 `yaml:"queue" doc:"tags that wait for a link that is lost (default: none, they are lost)"`
	Capacity   *quantity.Charge     `yaml:"capacity" doc:"capacity of the cell (default: 850 mAh)"`
	Health     *quantity.Percent    `yaml:"health" doc:"share of its capacity that the oldest cell still has; cells lie evenly between this and all of it (default: 100 %)"`
	Charge     *quantity.Percent    `yaml:"charge" doc:"charge at the shift's start (default: 100 %)"`
	LowAt      *quantity.Percent    `yaml:"low-at" doc:"a gauge calls its cell low at this charge and below, and a spare takes its place; 0 %: by the cell's voltage (default: 10 %)"`

	Chemistry *power.Chemistry `yaml:"chemistry" doc:"li-ion (default), nimh or alkaline"`
}

// Station is a place of work.
type Station struct {
	Name   string             `yaml:"name" need:"yes" doc:"name of the station"`
	At     Point              `yaml:"at" need:"yes" doc:"where it stands"`
	Gauges []Tool             `yaml:"gauges" need:"yes" doc:"its gauges"`
	Every  *quantity.Duration `yaml:"every" doc:"time from one part to the next here (default: the line's takt)"`
}

// Tool is a gauge of a station.
type Tool struct {
	Name     string     `yaml:"name" need:"yes" doc:"name of the gauge: letters, digits, - and _"`
	Profile  string     `yaml:"profile" doc:"what kind of gauge it is: the name of a shipped profile, or the path of a profile file; then dialect, rate, serial line and cell are the profile's, unless the gauge writes its own"`
	Wired    bool       `yaml:"wired" doc:"it hangs on a wire: it has no radio, no cell and no place at a receiver"`
	Channels []Measured `yaml:"channels" doc:"the channels and what each measures (default: one)"`
	Computed []Reckoned `yaml:"computed" doc:"channels that are computed of those before them"`
	Keys
}

// Measured is a channel and what it measures.
type Measured struct {
	Name    string `yaml:"name" need:"yes" doc:"name of the channel"`
	Feature string `yaml:"feature" doc:"name of the feature it measures (default: the gauge's)"`
}

// Reckoned is a computed channel and the feature that it gives.
type Reckoned struct {
	Feature           string `yaml:"feature" doc:"name of the feature it gives (default: the gauge's)"`
	scenario.Computed        // its limits, preset and resolution are the feature's
}

// Line is a line that was read without a mistake.
type Line struct {
	File
	Path     string
	Text     []byte
	features []feature
	gauges   []gauge
	radios   []place
	ports    []port
	texts    map[string]string // of dialects and profiles, by the names the file gives them
	walking  float64
}

type place struct {
	name  string
	at    [2]float64
	hears float64
	seats int
}

// feature is a feature in picometres, and as floats of micrometres from the
// nominal size for the statistics.
type feature struct {
	name                         string
	nominal                      decimal.Length
	limits                       zone.Limits
	step                         decimal.Length
	shown                        quantity.Length // the step, as it is written
	lower, upper                 float64         // infinite where there is no limit
	mean, spread, wear, u, guard float64
	class                        string
	text                         string
}

// gauge is a gauge made ready.
type gauge struct {
	name, station, dialect string
	spoken                 any // where the dialect stands in the file
	at                     [2]float64
	profile                string
	wired                  bool
	channels               []channel
	radio                  int // -1: it is wired
	class                  link.Class
	rate                   quantity.Rate
	line                   *scenario.SerialLine
	spares, queue          int
	cell                   power.Config
	lowAt                  *quantity.Percent
	whole                  bool    // the cell is the profile's
	health                 float64 // 0 to 1
	every                  time.Duration
	// as measured on a scenario of the line
	frame, tagged int // bytes of a frame of the stream, and of a tag
	port          int
	remembers     bool // it reads max, min or full indicator movement
	named         bool // its dialect says which gauge a frame is from
}

// channel is a channel of a gauge, the computed ones last.
type channel struct {
	name     string // empty: the only one
	feature  int
	computed *scenario.Computed
}
