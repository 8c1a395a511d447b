package wire

import (
	"reflect"

	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/uart"
)

// The structs below, with those beside each kind of field, are the dialect
// language as it stands in a file. The doc tags are its reference: schema and
// help are made from them.

type fileSpec struct {
	Dialect  string            `yaml:"dialect" need:"yes" doc:"the dialect's name: small letters, digits and hyphens"`
	Title    string            `yaml:"title" doc:"one line saying what the dialect is"`
	Line     lineSpec          `yaml:"serial-line" was:"line" doc:"how the serial line is set unless the scenario says otherwise"`
	Framing  framingSpec       `yaml:"framing" need:"yes" doc:"how one frame is told from the next"`
	Host     framingSpec       `yaml:"host-framing" doc:"framing of what the host sends, where it differs"`
	Framings []namedFraming    `yaml:"framings" doc:"further framings, each told by its first bytes; a frame or command names the one it stands in"`
	Station  stationSpec       `yaml:"station" doc:"addressing, where several gauges share a serial line"`
	Maps     []tableSpec       `yaml:"maps" doc:"register tables: address to term"`
	Remember []rememberSpec    `yaml:"remembers" was:"keeps" doc:"whole numbers the gauge's end of the wire remembers"`
	Errors   errorsSpec        `yaml:"errors" doc:"the queue of errors a host can read"`
	InTurn   bool              `yaml:"in-turn" doc:"the gauge speaks only when asked, and what a reply is depends on the command before it"`
	Reply    quantity.Duration `yaml:"reply-after" doc:"how long the gauge takes to answer, such as 20 ms"`
	Frames   []frameSpec       `yaml:"frames" need:"yes" doc:"what the gauge sends"`
	Commands []cmdSpec         `yaml:"commands" doc:"what the host sends, and what the gauge answers"`
	States   []stateSpec       `yaml:"states" doc:"the steps of a conversation; the first is where it starts"`
}

type lineSpec struct {
	Baud   int         `yaml:"baud" range:"50 4000000" doc:"bits a second"`
	Data   int         `yaml:"data" range:"5 8" doc:"data bits, 5 to 8"`
	Parity uart.Parity `yaml:"parity" doc:"none, even, odd, mark or space"`
	Stop   int         `yaml:"stop" range:"1 2" doc:"stop bits, 1 or 2"`
}

type namedFraming struct {
	Name string `yaml:"framing" need:"yes" doc:"the framing's name"`
	framingSpec
}

type stationSpec struct {
	Term      string  `yaml:"term" doc:"the field that carries the address"`
	Is        int64   `yaml:"is" doc:"the gauge's address unless the scenario says otherwise"`
	Broadcast []int64 `yaml:"broadcast" doc:"addresses every gauge obeys and none answers"`
}

type rememberSpec struct {
	Name  string `yaml:"name" was:"keep" need:"yes" doc:"the number's name; fields and expressions use it"`
	Start int64  `yaml:"start" doc:"its value at power on"`

	term Term
}

type errorsSpec struct {
	Depth    int         `yaml:"depth" range:"1 1000" doc:"how many errors the queue holds"`
	None     errorEntry  `yaml:"none" doc:"what an empty queue gives"`
	Overflow errorEntry  `yaml:"overflow" doc:"what the last place holds when an error found no room"`
	Listed   []errorRule `yaml:"listed" doc:"code and text for each reason; the last is for any other"`
}

type errorEntry struct {
	Code int64  `yaml:"code" doc:"the error's number"`
	Text string `yaml:"text" doc:"the error's text"`
}

type errorRule struct {
	For string `yaml:"for" need:"yes" doc:"the reason, or any"`
	errorEntry
	Let map[string]string `yaml:"let" doc:"numbers the error changes"`

	let []assignment
}

type frameSpec struct {
	Name    string      `yaml:"name" need:"yes" doc:"the frame's name"`
	Sent    []string    `yaml:"sent" one:"reading tag status banner reply" doc:"when the gauge sends it: reading, tag, status, banner, reply"`
	Per     string      `yaml:"per" one:"channel" doc:"channel: a message for each channel, instead of one for all"`
	Framing string      `yaml:"framing" doc:"the framing it stands in; the main one unless given"`
	Fields  []fieldSpec `yaml:"fields" need:"yes" doc:"what stands in it, in order"`
	After   []string    `yaml:"after" doc:"frames that are tried before this one because they look alike"`
}

type cmdSpec struct {
	Name    string            `yaml:"name" need:"yes" doc:"the command's name"`
	Framing string            `yaml:"framing" doc:"the framing it stands in; the main one unless given"`
	Fields  []fieldSpec       `yaml:"fields" need:"yes" doc:"what stands in it, in order"`
	Does    string            `yaml:"does" doc:"what it asks of the gauge: read, tag, ack, zero, preset, clear, set, get, stream-on, stream-off, identify or press"`
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

type stateSpec struct {
	Name    string     `yaml:"state" need:"yes" doc:"the state's name"`
	Framing string     `yaml:"framing" doc:"the framing of what the host sends in it; told by the first byte unless given"`
	Rules   []ruleSpec `yaml:"rules" doc:"what happens in it; of several rules that fit, the first"`
}

type ruleSpec struct {
	Upon  string            `yaml:"upon" was:"on" doc:"the command that arrived, or emission when the gauge has something to send, or garbage"`
	After quantity.Duration `yaml:"after" doc:"the time in the state after which it happens, such as 2 s"`
	If    string            `yaml:"if" doc:"a condition on what is remembered, on the command, on left (messages of the emission not yet sent) and waiting (emissions)"`
	doSpec
	AtMost int    `yaml:"at-most" doc:"how often since the state was entered, before else applies; go: and the same state counts anew"`
	Else   orElse `yaml:"else" doc:"what happens when that is used up: a state, or the keys of a rule"`
}

// doSpec is what a rule does, in this order.
type doSpec struct {
	Let    map[string]string `yaml:"let" doc:"numbers it changes"`
	Drop   bool              `yaml:"drop" doc:"give up the emission that is being sent"`
	Wait   quantity.Duration `yaml:"wait" doc:"the time before anything is sent, such as 50 ms"`
	Speed  string            `yaml:"speed" doc:"the speed of the serial line from now on: bits a second, as a number or an expression"`
	Resend bool              `yaml:"resend" doc:"send the bytes that were sent last again"`
	Free   bool              `yaml:"release" doc:"send the next message of the emission"`
	Hold   bool              `yaml:"hold" doc:"let the emission wait until it is released"`
	Send   names             `yaml:"send" doc:"the frame to send, or several"`
	Go     string            `yaml:"go" doc:"the state to go to"`
}

// names is one name or a list of them.
type names []string

// UnmarshalAny reads both forms.
func (l *names) UnmarshalAny(n strict.Any) error {
	if n.Kind == strict.Sequence {
		n.Decode((*[]string)(l))
		return nil
	}
	var one string
	n.Decode(&one)
	*l = names{one}
	return nil
}

// SchemaFor describes both forms.
func (names) SchemaFor(func(v any) map[string]any) map[string]any {
	text := map[string]any{"type": "string"}
	return map[string]any{"oneOf": []any{text, map[string]any{"type": "array", "items": text}}}
}

// orElse is a state's name, or what to do.
type orElse struct{ doSpec }

// UnmarshalAny reads both forms.
func (o *orElse) UnmarshalAny(n strict.Any) error {
	if n.Kind == strict.Scalar {
		n.Decode(&o.Go)
		return nil
	}
	n.Decode(&o.doSpec)
	return nil
}

// SchemaFor describes both forms.
func (orElse) SchemaFor(of func(v any) map[string]any) map[string]any {
	return map[string]any{"oneOf": []any{map[string]any{"type": "string"}, of(doSpec{})}}
}

// keyOf is a key of a struct of the language and the value it was read into.
type keyOf struct {
	key string
	ptr any
}

func keysOf(spec any) (list []keyOf) {
	v := reflect.ValueOf(spec).Elem()
	for _, f := range strict.FieldsOf(v.Type()) {
		list = append(list, keyOf{f.Key, v.FieldByIndex(f.Index).Addr().Interface()})
	}
	return list
}

// hasKey says whether a kind of field has a key.
func hasKey(spec any, key string) bool {
	for _, k := range keysOf(spec) {
		if k.key == key {
			return true
		}
	}
	return false
}
