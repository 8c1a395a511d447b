package wire

import (
	"fmt"
	"strings"

	"example.org/understudy/sim/strict"
)

// The structs below are the dialect language as it stands in a file. The doc
// tags are its reference: schema and help are made from them.

type fileSpec struct {
	Dialect  string      `yaml:"dialect" need:"yes" doc:"the dialect's name: small letters, digits and hyphens"`
	Title    string      `yaml:"title" doc:"one line saying what the dialect is"`
	Line     lineSpec    `yaml:"line" doc:"how the serial line is set unless the scenario says otherwise"`
	Framing  framingSpec `yaml:"framing" need:"yes" doc:"how one frame is told from the next"`
	Host     framingSpec `yaml:"host-framing" doc:"framing of what the host sends, where it differs"`
	Station  stationSpec `yaml:"station" doc:"addressing, where several gauges share a line"`
	Maps     []mapSpec   `yaml:"maps" doc:"register tables: address to term"`
	Keeps    []keepSpec  `yaml:"keeps" doc:"whole numbers the gauge's end of the wire remembers"`
	Errors   errorsSpec  `yaml:"errors" doc:"the queue of errors a host can read"`
	InTurn   bool        `yaml:"in-turn" doc:"the gauge speaks only when asked, and what a reply is depends on the command before it"`
	Frames   []frameSpec `yaml:"frames" need:"yes" doc:"what the gauge sends"`
	Commands []cmdSpec   `yaml:"commands" doc:"what the host sends, and what the gauge answers"`
	States   []stateSpec `yaml:"states" doc:"the steps of a handshake; the first is where it starts"`
}

type lineSpec struct {
	Baud   int    `yaml:"baud" doc:"bits a second"`
	Data   int    `yaml:"data" doc:"data bits, 5 to 8"`
	Parity Parity `yaml:"parity" doc:"none, even, odd, mark or space"`
	Stop   int    `yaml:"stop" doc:"stop bits, 1 or 2"`
}

type framingSpec struct {
	Kind    framingKind `yaml:"kind" need:"yes" doc:"delimited, fixed, length, bracketed, slip, cobs, hdlc or silence"`
	Start   string      `yaml:"start" doc:"the bytes a frame starts with"`
	End     string      `yaml:"end" doc:"the bytes a frame ends with"`
	Or      []string    `yaml:"or" doc:"other ends that are taken as well, but never sent"`
	Bytes   int         `yaml:"bytes" doc:"bytes in a frame of fixed length, its check included"`
	Longest int         `yaml:"longest" doc:"most bytes in a frame, as its fields count them"`
	Size    int         `yaml:"size" doc:"bytes of the length field"`
	Order   byteOrder   `yaml:"order" doc:"byte order of the length field: big or little"`
	After   int         `yaml:"after" doc:"bytes of the frame that stand before the length field"`
	Plus    int         `yaml:"plus" doc:"what the length field counts beyond the bytes that follow it; may be negative"`
	Escape  string      `yaml:"escape" doc:"the byte that announces a stuffed one"`
	Xor     int         `yaml:"xor" doc:"what a stuffed byte is combined with (exclusive or)"`
	Double  string      `yaml:"double" doc:"the byte that is sent twice when it stands inside a frame"`
	Gap     string      `yaml:"gap" doc:"the silence that ends a frame: 3.5 characters, or a time such as 5 ms"`
	Early   bool        `yaml:"early" doc:"a frame whose check is good ends at once, without the silence"`
	Stale   string      `yaml:"stale" doc:"a frame left unfinished for this time is dropped, such as 500 ms"`
	Alone   string      `yaml:"alone" doc:"bytes that are a whole frame by themselves, outside start and end"`
	Coding  string      `yaml:"coding" doc:"hex: each byte is sent as two hexadecimal digits"`
	Check   *fieldSpec  `yaml:"check" doc:"the check at the end of every frame, such as {check: crc-16/modbus, order: little}"`
	Covers  string      `yaml:"covers" doc:"what that check covers: body, body-and-end or all"`
	Beyond  bool        `yaml:"check-after-end" doc:"the check stands after the end bytes"`
	Split   string      `yaml:"split" doc:"the byte that stands between several commands in one frame"`
	Path    string      `yaml:"path" doc:"the byte between the levels of a command's name; the next command in a frame starts at the same level"`
}

type stationSpec struct {
	Term      string  `yaml:"term" doc:"the field that carries the address"`
	Is        int64   `yaml:"is" doc:"the gauge's address unless the scenario says otherwise"`
	Broadcast []int64 `yaml:"broadcast" doc:"addresses every gauge obeys and none answers"`
}

type mapSpec struct {
	Name    string    `yaml:"map" need:"yes" doc:"the table's name"`
	Word    int       `yaml:"word" doc:"bytes in one register; 2 unless given"`
	Gaps    string    `yaml:"gaps" doc:"what an unlisted address inside a read gives: refuse, or zero"`
	Entries []mapLine `yaml:"registers" need:"yes" doc:"what stands at each address"`
}

type mapLine struct {
	At     int        `yaml:"at" need:"yes" doc:"address of the first register"`
	Holds  *fieldSpec `yaml:"holds" need:"yes" doc:"the field in the register or registers"`
	Chan   int        `yaml:"channel" doc:"channel of the value, from 1"`
	Write  bool       `yaml:"write" doc:"the host may write it: a setting of the same name"`
	Does   string     `yaml:"does" doc:"what writing it does, such as zero or preset, when it is not a setting"`
	Stride int        `yaml:"each" doc:"addresses from one channel to the next"`
	Count  int        `yaml:"channels" doc:"how many channels follow one another"`
}

type keepSpec struct {
	Name  string `yaml:"keep" need:"yes" doc:"the number's name; fields and expressions use it"`
	Start int64  `yaml:"start" doc:"its value at power on"`
}

type errorsSpec struct {
	Depth    int         `yaml:"depth" doc:"how many errors the queue holds"`
	None     errorEntry  `yaml:"none" doc:"what an empty queue gives"`
	Overflow errorEntry  `yaml:"overflow" doc:"what the last place holds when an error found no room"`
	Listed   []errorLine `yaml:"listed" doc:"code and text for each reason; the last is for any other"`
}

type errorEntry struct {
	Code int64  `yaml:"code" doc:"the error's number"`
	Text string `yaml:"text" doc:"the error's text"`
}

type errorLine struct {
	For  string            `yaml:"for" need:"yes" doc:"the reason, or any"`
	Code int64             `yaml:"code" doc:"the error's number"`
	Text string            `yaml:"text" doc:"the error's text"`
	Let  map[string]string `yaml:"let" doc:"numbers the error changes"`
}

type frameSpec struct {
	Name   string      `yaml:"name" need:"yes" doc:"the frame's name"`
	Sent   []string    `yaml:"sent" doc:"when the gauge sends it: reading, tag, status, banner, reply"`
	Fields []fieldSpec `yaml:"fields" need:"yes" doc:"what stands in it, in order"`
	After  []string    `yaml:"after" doc:"frames that are tried before this one because they look alike"`
}

type cmdSpec struct {
	Name    string            `yaml:"name" need:"yes" doc:"the command's name"`
	Fields  []fieldSpec       `yaml:"fields" need:"yes" doc:"what stands in it, in order"`
	Does    string            `yaml:"does" doc:"what it asks of the gauge: read, tag, zero, preset, clear, set, get, stream-on, ..."`
	Setting string            `yaml:"setting" doc:"the setting it reads or writes, unless the field setting names it"`
	Value   string            `yaml:"value" doc:"the term that carries its value; value unless given"`
	Refuse  string            `yaml:"refuse" doc:"refuse it always, with this reason"`
	Reply   reply             `yaml:"reply" doc:"the frame that answers it, by name or as a list of fields; none when nothing does"`
	Refusal reply             `yaml:"refusal" doc:"the frame that refuses it"`
	Let     map[string]string `yaml:"let" doc:"numbers it changes, before the reply"`
	Then    map[string]string `yaml:"then" doc:"numbers it changes, after the reply"`
	Clears  bool              `yaml:"clears-errors" doc:"it empties the queue of errors"`
	Takes   bool              `yaml:"takes-error" doc:"it takes the oldest error from the queue"`
	In      []string          `yaml:"in" doc:"states in which it is obeyed; refused with wrong-state elsewhere"`
	After   []string          `yaml:"after" doc:"commands that are tried before this one because they look alike"`
}

type stateSpec struct {
	Name  string     `yaml:"state" need:"yes" doc:"the state's name"`
	Rules []ruleSpec `yaml:"rules" doc:"what happens in it"`
}

type ruleSpec struct {
	On     string `yaml:"on" doc:"the command that arrived, or emission when the gauge has something to send, or garbage"`
	After  string `yaml:"after" doc:"the time in the state after which it happens, such as 2 s"`
	Send   string `yaml:"send" doc:"the frame to send"`
	Hold   bool   `yaml:"hold" doc:"keep the gauge's frame until it is released"`
	Free   bool   `yaml:"release" doc:"send the frame that was held"`
	Again  bool   `yaml:"resend" doc:"send the last frame again"`
	AtMost int    `yaml:"at-most" doc:"how often, before else applies"`
	Else   string `yaml:"else" doc:"the state to go to when that is used up; the held frame is dropped"`
	Drop   bool   `yaml:"drop" doc:"drop the frame that was held"`
	Go     string `yaml:"go" doc:"the state to go to"`
}

// reply is a frame's name, a list of fields, or nothing.
type reply struct {
	name   string
	fields []fieldSpec
}

// UnmarshalAny reads a frame's name or a list of fields.
func (r *reply) UnmarshalAny(n strict.Any) error {
	if n.Kind == strict.Sequence {
		n.Decode(&r.fields)
		return nil
	}
	n.Decode(&r.name)
	return nil
}

// SchemaFor describes both forms.
func (reply) SchemaFor(of func(v any) map[string]any) map[string]any {
	return map[string]any{"oneOf": []any{map[string]any{"type": "string"}, of([]fieldSpec(nil))}}
}

// fieldSpec is one field: a text, or a mapping whose first key is the kind.
type fieldSpec struct {
	Literal string `yaml:"-"`
	isText  bool

	// kinds: the value is the term the field carries
	Bytes   string `yaml:"bytes" doc:"literal bytes in hexadecimal, such as AA 55"`
	Decimal string `yaml:"decimal" doc:"a decimal number in ASCII digits"`
	Hex     string `yaml:"hex" doc:"a whole number in ASCII hexadecimal digits"`
	Int     string `yaml:"int" doc:"a binary whole number"`
	Float   string `yaml:"float" doc:"an IEEE 754 binary number"`
	BCD     string `yaml:"bcd" doc:"packed decimal digits"`
	Text    string `yaml:"text" doc:"a text"`
	Choice  string `yaml:"choice" doc:"one of the values under is"`
	Flag    string `yaml:"flag" doc:"yes or no"`
	Flags   string `yaml:"flags" doc:"a word of bits; the name is only a label"`
	Time    string `yaml:"time" doc:"a time of day or an elapsed time in seconds, as layout says"`
	Each    string `yaml:"each" doc:"a group of fields for every channel"`
	When    string `yaml:"when" doc:"fields that are there only when the condition holds"`
	Check   string `yaml:"check" doc:"a check value over part of the frame"`
	Length  string `yaml:"length" doc:"how many bytes the named field or group has; the rest, of the frame"`
	Skip    string `yaml:"skip" doc:"this many bytes that mean nothing"`
	Space   string `yaml:"space" doc:"white space: some (at least one) or any"`
	Block   string `yaml:"block" doc:"an IEEE 488.2 definite-length block"`
	Header  string `yaml:"header" doc:"an SCPI command name, such as SYSTem:ERRor[:NEXT]?"`
	Map     string `yaml:"map" doc:"registers of the named table"`

	// how it is written
	Name     string            `yaml:"name" doc:"a name for ranges and reports; the term unless given"`
	At       string            `yaml:"at" doc:"byte at which the field must start, from 0; a gap before it is filled"`
	Value    string            `yaml:"value" doc:"a constant, or an expression after an equals sign"`
	Width    int               `yaml:"width" doc:"characters, when it is always the same"`
	Longest  int               `yaml:"longest" doc:"most characters"`
	Decimals *int              `yaml:"decimals" doc:"digits after the mark; as many as the value has unless given"`
	Sign     string            `yaml:"sign" doc:"text: minus, always, space, none; binary: twos, magnitude, none; bcd: first, last, none"`
	Pad      string            `yaml:"pad" doc:"the character that fills up the width"`
	Align    string            `yaml:"align" doc:"left or right"`
	Mark     string            `yaml:"mark" doc:"the decimal mark; none when it is only implied"`
	Exponent string            `yaml:"exponent" doc:"accept: a power of ten may follow; always: it does"`
	Size     int               `yaml:"size" doc:"bytes"`
	Order    byteOrder         `yaml:"order" doc:"big, little, big-swapped or little-swapped (16-bit words in the other order)"`
	Scale    string            `yaml:"scale" doc:"what one count is worth"`
	Offset   string            `yaml:"offset" doc:"what a count of zero is worth"`
	Digits   int               `yaml:"digits" doc:"decimal digits"`
	Round    string            `yaml:"round" doc:"how a value with more decimals is rounded; refused unless given"`
	Range    []string          `yaml:"range" doc:"least and greatest value; checked to fit"`
	Except   []int64           `yaml:"except" doc:"whole numbers that cannot stand there"`
	Wraps    string            `yaml:"wraps" doc:"the number at which the count starts again from 0"`
	Case     string            `yaml:"case" doc:"upper or lower hexadecimal digits"`
	VoidAs   strict.Any        `yaml:"void" doc:"what is sent for a void reading: one text, or one for each reason"`
	NoneAs   strict.Any        `yaml:"absent" doc:"what is sent when there is no value"`
	Is       strict.Any        `yaml:"is" doc:"value to what is sent for it"`
	Other    string            `yaml:"otherwise" doc:"the value that stands for any that is not listed"`
	Like     map[string]string `yaml:"like" doc:"values that are sent as one of those under is, but read as that one"`
	Yes      *string           `yaml:"yes" doc:"what is sent for yes"`
	No       *string           `yaml:"no" doc:"what is sent for no"`
	Bits     []bitSpec         `yaml:"bits" doc:"what each bit is"`
	Layout   string            `yaml:"layout" doc:"such as hh:mm:ss.fff"`
	Count    string            `yaml:"count" doc:"how many: a number, a term that stands earlier, or rest"`
	First    string            `yaml:"first" doc:"the term with the first register's address"`
	Between  string            `yaml:"between" doc:"what stands between two groups"`
	Fields   []fieldSpec       `yaml:"fields" doc:"the fields of the group"`
	Else     []fieldSpec       `yaml:"else" doc:"the fields when the condition does not hold"`
	From     string            `yaml:"from" doc:"the first field covered, or a byte number; the frame's first unless given"`
	To       string            `yaml:"to" doc:"the last field covered, or a byte number; the one before unless given"`
	Form     string            `yaml:"form" doc:"binary, hex or decimal"`
	CRC      *crcSpec          `yaml:"crc" doc:"parameters of check: crc"`
	Plus     int               `yaml:"plus" doc:"what a length counts beyond the bytes"`
	Per      int               `yaml:"per" doc:"bytes one count of a length stands for"`
	Fill     int               `yaml:"fill" doc:"value of the bytes skipped or filled"`
	Quoted   bool              `yaml:"quoted" doc:"the text stands in double quotes, one inside it doubled"`
	Numbers  bool              `yaml:"numbers" doc:"a text that reads as a number is one"`
	AnyCase  bool              `yaml:"any-case" doc:"small and capital letters are the same"`
}

type plainField fieldSpec

// UnmarshalAny reads a literal text or a mapping.
func (f *fieldSpec) UnmarshalAny(n strict.Any) error {
	if n.Kind == strict.Scalar {
		f.Literal, f.isText = n.Scalar, true
		return nil
	}
	n.Decode((*plainField)(f))
	return nil
}

// SchemaFor describes both forms.
func (fieldSpec) SchemaFor(of func(v any) map[string]any) map[string]any {
	return map[string]any{"oneOf": []any{
		map[string]any{"type": "string", "description": "a literal text"}, of(plainField{})}}
}

type bitSpec struct {
	Bit    *int       `yaml:"bit" doc:"the bit, counted from 0 for the least significant"`
	Bits   []int      `yaml:"bits" doc:"first and last bit of a number, such as [4, 6]"`
	Flag   string     `yaml:"flag" doc:"the flag in it"`
	Int    string     `yaml:"int" doc:"the number in it"`
	Choice string     `yaml:"choice" doc:"the choice in it"`
	Is     strict.Any `yaml:"is" doc:"value to number"`
	Other  string     `yaml:"otherwise" doc:"the value that stands for any that is not listed"`
	Value  string     `yaml:"value" doc:"a constant"`
}

type crcSpec struct {
	Width      int    `yaml:"width" need:"yes" doc:"bits, 1 to 64"`
	Poly       uint64 `yaml:"poly" need:"yes" doc:"polynomial, most significant bit first, such as 0x8005"`
	Init       uint64 `yaml:"init" doc:"initial value"`
	ReflectIn  bool   `yaml:"reflect-in" doc:"each byte goes in least significant bit first"`
	ReflectOut bool   `yaml:"reflect-out" doc:"the register is reflected at the end"`
	XorOut     uint64 `yaml:"xor-out" doc:"combined with the result (exclusive or)"`
}

// named is a list of names that a text of the file must be one of.
type named[T ~uint8] struct{ names []string }

func (n named[T]) read(out *T, b []byte, what string) error {
	for i, s := range n.names {
		if s == string(b) {
			*out = T(i)
			return nil
		}
	}
	return fmt.Errorf("%q is not a %s; write one of %s", b, what, strings.Join(n.names, ", "))
}

// Parity is the parity bit of a serial line.
type Parity uint8

// Parities.
const (
	ParityNone Parity = iota
	ParityEven
	ParityOdd
	ParityMark
	ParitySpace
)

var parities = named[Parity]{[]string{"none", "even", "odd", "mark", "space"}}

// Names lists the parities as files write them.
func (Parity) Names() []string { return append([]string(nil), parities.names...) }

// UnmarshalText reads a parity's name.
func (p *Parity) UnmarshalText(b []byte) error { return parities.read(p, b, "parity") }

func (p Parity) String() string { return parities.names[p] }

type framingKind uint8

const (
	framingNone framingKind = iota
	delimited
	fixedLength
	lengthPrefixed
	bracketed
	slip
	cobs
	hdlc
	silence
)

var framingKinds = named[framingKind]{[]string{"", "delimited", "fixed", "length", "bracketed", "slip", "cobs", "hdlc", "silence"}}

// Names lists the framings as files write them.
func (framingKind) Names() []string { return framingKinds.names[1:] }

// UnmarshalText reads a framing's name.
func (k *framingKind) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		return fmt.Errorf("the kind of framing is missing")
	}
	return framingKinds.read(k, b, "framing")
}

type byteOrder uint8

const (
	bigEndian byteOrder = iota
	littleEndian
	bigSwapped
	littleSwapped
)

var byteOrders = named[byteOrder]{[]string{"big", "little", "big-swapped", "little-swapped"}}

// Names lists the byte orders as files write them.
func (byteOrder) Names() []string { return byteOrders.names }

// UnmarshalText reads a byte order's name.
func (o *byteOrder) UnmarshalText(b []byte) error { return byteOrders.read(o, b, "byte order") }
