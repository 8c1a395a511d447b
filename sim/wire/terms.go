package wire

import "example.org/understudy/sim/decimal"

// Names of the terms a gauge knows. A dialect's field carries a term by name;
// a name that is not in this list is the dialect's own (a constant, a derived
// value, something the host sends and the gauge echoes).
const (
	Reading     = "reading"      // number, in the gauge's unit; absent when void
	Unit        = "unit"         // text: mm, in, ...
	Zone        = "zone"         // text: below, warn-low, inside, warn-high, above, void
	Void        = "void"         // text, why there is no reading: under, over, missing, empty; none when there is one
	Tag         = "tag"          // number of the tagged reading; absent when not tagged
	Tagged      = "tagged"       // flag: this reading was tagged by the operator
	Seq         = "seq"          // number counting the frames sent
	Channel     = "channel"      // number from 1, or the channel's name
	Channels    = "channels"     // number of channels in the frame
	Function    = "function"     // text: live, max, min, fim
	Cell        = "cell"         // number, charge left in percent
	Low         = "low"          // flag: the cell is low
	Still       = "still"        // flag: every tip is still
	Overdue     = "overdue"      // flag: the gauge is to be set on its master again
	Link        = "link"         // text: up, stalled, lost, rejoining
	Serial      = "serial"       // text, the gauge's serial number
	Name        = "name"         // text, the gauge's name
	Firmware    = "firmware"     // text, the firmware's version
	Resolution  = "resolution"   // number, one count in the gauge's unit
	Sense       = "sense"        // text: rising, falling
	Factor      = "factor"       // number
	Datum       = "datum"        // number, in the gauge's unit
	Lower       = "lower"        // number, lower specification limit
	Upper       = "upper"        // number, upper specification limit
	WarnLower   = "warn-lower"   // number, lower warning limit
	WarnUpper   = "warn-upper"   // number, upper warning limit
	Rate        = "rate"         // number, streamed readings a second
	Stream      = "stream"       // flag: streaming is on
	Button1     = "button-1"     // flag: the button is held down
	Button2     = "button-2"     // flag: the button is held down
	Error       = "error"        // text, why a command was refused
	SettingName = "setting"      // text, the setting a get or set names
	SettingTo   = "value"        // the value a get returns or a set carries
	Address     = "address"      // number, the station addressed
	Pedal       = "pedal"        // flag: the foot switch is held down
	Clock       = "clock"        // number, seconds since the gauge was switched on
	ErrorCode   = "error-code"   // number, of the oldest queued error
	ErrorText   = "error-text"   // text, of the oldest queued error
	QueuedCount = "error-queued" // number of queued errors
)

// earlierTerms are what terms of before are called now.
var earlierTerms = map[string]string{"send-tag": "with-number", "send-inputs": "with-keys", "send-check": "with-tail", "send-start": "with-lead"}

// Terms lists the gauge's vocabulary, for suggestions and help.
func Terms() []string {
	return []string{Reading, Unit, Zone, Void, Tag, Tagged, Seq, Channel, Channels, Function, Cell, Low, Still, Overdue, Link,
		Serial, Name, Firmware, Resolution, Sense, Factor, Datum, Lower, Upper, WarnLower, WarnUpper, Rate,
		Stream, Button1, Button2, Error, SettingName, SettingTo, Address, Pedal, Clock, ErrorCode, ErrorText, QueuedCount}
}

// Term is the place of a term in one dialect's records; −1 when the dialect
// does not carry it.
type Term int

// Kind says what a Value holds.
type Kind uint8

// Kinds of value.
const (
	Absent Kind = iota // nothing
	Number             // Num
	Text               // Text
	Flag               // Num is 1 or 0
)

func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return "kind?"
}

var kindNames = [...]string{"absent", "number", "text", "flag"}

// Value is one plain value: a number, a text, a flag or nothing.
type Value struct {
	Num  decimal.Decimal
	Text string
	Kind Kind
}

// Num returns a number value.
func Num(d decimal.Decimal) Value { return Value{Num: d, Kind: Number} }

// Int returns a whole-number value.
func Int(n int64) Value { return Value{Num: decimal.New(n, 0), Kind: Number} }

// Str returns a text value.
func Str(s string) Value { return Value{Text: s, Kind: Text} }

// Bool returns a flag value.
func Bool(b bool) Value {
	if b {
		return Value{Num: decimal.New(1, 0), Kind: Flag}
	}
	return Value{Kind: Flag}
}

// True reports whether the value is a flag that is set.
func (v Value) True() bool { return v.Kind == Flag && !v.Num.IsZero() }

// Same reports whether two values are equal; numbers compare by value, so 2.5
// is 2.50.
func (v Value) Same(w Value) bool { return v.equals(&w) }

func (v *Value) equals(w *Value) bool {
	switch {
	case v.Kind != w.Kind:
		return false
	case v.Kind == Text:
		return v.Text == w.Text
	case v.Kind == Flag:
		return v.Num.IsZero() == w.Num.IsZero()
	}
	return v.Kind == Absent || v.Num.Equal(w.Num)
}

func (v Value) String() string {
	switch v.Kind {
	case Number:
		return v.Num.String()
	case Text:
		return v.Text
	case Flag:
		if v.True() {
			return "yes"
		}
		return "no"
	}
	return "-"
}

// MaxChannels is the most channel groups one record holds.
const MaxChannels = 256

// Record holds the values of one frame, by term and channel. It is made by a
// dialect and is reusable: once it has grown to a frame's size, filling it
// allocates nothing. Terms outside a channel group stand at channel 0.
type Record struct {
	terms    int
	channels int
	vals     []Value
	invalid  bool // decoding met a register value that cannot stand there
	watched  []Term
	carried  []carried // what the frame last written carries of the watched terms
	enc      encoder
	dec      decoder
}

// carried is what a frame carries of a term, as who reads it will see it.
type carried struct {
	term Term
	ch   int
	val  Value
}

// Watch has the record keep what a frame carries of some terms: a field may
// round a value, leave it out, or not be there.
func (r *Record) Watch(terms ...Term) { r.watched = terms }

// Carried is what the frame last written with this record carries of a watched
// term; Absent when nothing.
func (r *Record) Carried(t Term, channel int) Value {
	for _, c := range r.carried {
		if c.term == t && c.ch == channel {
			return c.val
		}
	}
	return Value{}
}

func (r *Record) watches(t Term) bool {
	for _, w := range r.watched {
		if w == t {
			return true
		}
	}
	return false
}

func newRecord(terms int) *Record {
	return &Record{terms: terms, channels: 1, vals: make([]Value, terms)}
}

// Reset empties the record and leaves one channel group.
func (r *Record) Reset() {
	for i := range r.vals[:r.channels*r.terms] {
		r.vals[i].Kind = Absent
	}
	r.channels = 1
	r.invalid = false
}

// Channels sets how many channel groups there are, from 1 to MaxChannels;
// values in groups that stay are kept.
func (r *Record) Channels(n int) {
	n = min(max(n, 1), MaxChannels)
	for n*r.terms > len(r.vals) {
		r.vals = append(r.vals, Value{})
	}
	for i := r.channels * r.terms; i < n*r.terms; i++ {
		r.vals[i].Kind = Absent
	}
	r.channels = n
}

// Groups returns how many channel groups there are.
func (r *Record) Groups() int { return r.channels }

// Set stores a value. A term of −1, which the dialect does not carry, is
// ignored; a channel beyond the last makes the record longer, up to MaxChannels.
func (r *Record) Set(t Term, channel int, v Value) {
	if t < 0 || int(t) >= r.terms || channel < 0 || channel >= MaxChannels {
		return
	}
	if channel >= r.channels {
		r.Channels(channel + 1)
	}
	r.vals[channel*r.terms+int(t)] = v
}

// Get returns a value; it is Absent when nothing was set there.
func (r *Record) Get(t Term, channel int) Value {
	if t < 0 || int(t) >= r.terms || channel < 0 || channel >= r.channels {
		return Value{}
	}
	v := r.vals[channel*r.terms+int(t)]
	if v.Kind == Absent {
		return Value{}
	}
	return v
}

// spread gives a channel the values of the gauge as a whole, for a message that
// is the channel's own.
func (r *Record) spread(d *Dialect, ch int) {
	for t, name := range d.terms {
		switch name {
		case Reading, Unit, Zone, Void, Channel, Function, Resolution, Sense, Factor, Datum, Lower, Upper, WarnLower, WarnUpper:
		default:
			*r.at(Term(t), ch) = *r.at(Term(t), 0)
		}
	}
}

// at is the slot of a term that is known to be in range.
func (r *Record) at(t Term, channel int) *Value { return &r.vals[channel*r.terms+int(t)] }

// setText stores text without allocating when the slot held the same text before.
func (v *Value) setText(b []byte) {
	if v.Text != string(b) {
		v.Text = string(b)
	}
	v.Kind = Text
}

// become copies a value, only the part that counts.
func (v *Value) become(w *Value) {
	if v.Kind = w.Kind; v.Kind == Text {
		v.Text = w.Text
	} else {
		v.Num = w.Num
	}
}

// CopyFrom makes r hold what other holds. Both must come from one dialect.
func (r *Record) CopyFrom(other *Record) {
	r.Reset()
	r.Channels(other.channels)
	copy(r.vals, other.vals[:other.channels*other.terms])
}

// overlay copies every value of other that is present.
func (r *Record) overlay(other *Record) {
	if other.channels > r.channels {
		r.Channels(other.channels)
	}
	for i, v := range other.vals[:other.channels*other.terms] {
		if v.Kind != Absent {
			r.vals[i] = v
		}
	}
}
