package wire

import (
	"fmt"
	"strconv"
	"strings"
	"text/template"

	"example.org/understudy/sim/strict"
)

// Question is one thing to ask somebody who starts a dialect file.
type Question struct {
	Key     string
	Ask     string
	Default string
	Choices []string // nil: free text
}

// Questions are what Start wants to know, in a good order to ask.
func Questions() []Question {
	return []Question{
		{"name", "What is the dialect called (small letters, digits, hyphens)?", "my-gauge", nil},
		{"title", "One line about it:", "A gauge's own protocol", nil},
		{"form", "Does the gauge send text or binary numbers?", "text", []string{"text", "binary"}},
		{"end", "Text: how does a line end?", "crlf", []string{"crlf", "lf", "cr"}},
		{"frame", "Binary: how is one frame told from the next?", "length", []string{"length", "cobs", "slip", "hdlc", "silence"}},
		{"baud", "At what speed does the line run?", "9600", nil},
		{"parity", "What parity?", "none", parities.names},
		{"channels", "How many channels does a frame carry?", "1", nil},
		{"decimals", "How many decimals does a reading have?", "3", nil},
		{"unit", "Does a frame say the unit?", "yes", []string{"yes", "no"}},
		{"check", "What check does a frame end with?", "none", append([]string{"none"}, CheckNames()...)},
		{"commands", "Does the host send commands?", "yes", []string{"yes", "no"}},
	}
}

type startData struct {
	Name, Title, End, Frame, Baud, Parity, Check, Scale string
	Text, Unit, Commands, Group                         bool
	Channels, Decimals, Width                           int
}

// Start writes a commented dialect file from answers to Questions; a question
// left out takes its default. The file parses and works as it stands, and is
// meant to be changed.
func Start(answers map[string]string) ([]byte, error) {
	get := map[string]string{}
	var keys []string
	for _, q := range Questions() {
		keys = append(keys, q.Key)
		v, ok := answers[q.Key]
		if !ok || v == "" {
			v = q.Default
		}
		if q.Choices != nil && !contains(q.Choices, v) {
			want := "write one of " + strings.Join(q.Choices, ", ")
			if near := strict.Nearest(v, q.Choices); near != "" {
				want = fmt.Sprintf("did you mean %q?", near)
			}
			return nil, fmt.Errorf("%s: %q is no answer; %s", q.Key, v, want)
		}
		get[q.Key] = v
	}
	for k := range answers {
		if !contains(keys, k) {
			return nil, fmt.Errorf("%q is no question; they are %s", k, strings.Join(keys, ", "))
		}
	}
	number := func(key string, lo, hi int) (int, error) {
		n, err := strconv.Atoi(get[key])
		if err != nil || n < lo || n > hi {
			return 0, fmt.Errorf("%s: %q is no answer; write %d to %d", key, get[key], lo, hi)
		}
		return n, nil
	}
	d := startData{Name: get["name"], Title: strconv.Quote(get["title"]), Frame: get["frame"], Parity: get["parity"], Check: get["check"],
		Text: get["form"] == "text", Unit: get["unit"] == "yes", Commands: get["commands"] == "yes",
		End: map[string]string{"crlf": `\r\n`, "lf": `\n`, "cr": `\r`}[get["end"]]}
	if !plainName(d.Name) {
		return nil, fmt.Errorf("name: %q is no answer; write small letters, digits and hyphens", d.Name)
	}
	if strings.ContainsAny(get["title"], "\n\r") {
		return nil, fmt.Errorf("title: write one line")
	}
	baud, err := number("baud", 50, 4_000_000)
	if err != nil {
		return nil, err
	}
	d.Baud = strconv.Itoa(baud)
	if d.Channels, err = number("channels", 1, 32); err != nil {
		return nil, err
	}
	if d.Decimals, err = number("decimals", 0, 6); err != nil {
		return nil, err
	}
	d.Group = d.Channels > 1
	d.Width = 6 + d.Decimals
	d.Scale = "1"
	if d.Decimals > 0 {
		d.Scale = "0." + strings.Repeat("0", d.Decimals-1) + "1"
	}
	if !d.Text && d.Check == "none" && d.Frame == "silence" {
		d.Check = "crc-16/modbus"
	}
	var b strings.Builder
	if err := startTemplate.Execute(&b, d); err != nil {
		return nil, err
	}
	return []byte(strings.TrimSpace(b.String()) + "\n"), nil
}

var startTemplate = template.Must(template.New("dialect").Parse(`# What this file says, in order: how the line is set, how one frame is told
# from the next, what the gauge sends, and what the host may send. Change any
# of it; then look at it with: understudy dialect try {{.Name}}.yaml
dialect: {{.Name}}
title: {{.Title}}
line: {baud: {{.Baud}}, data: 8, parity: {{.Parity}}, stop: 1}
{{- if .Text}}
framing: {kind: delimited, end: "{{.End}}"} # a frame is a line
{{- else if eq .Frame "length"}}
framing: # a start byte, then one byte that counts what follows it
  kind: length
  start: "\xA5"
  size: 1
{{- if ne .Check "none"}}
  check: {check: {{.Check}}} # over the frame's fields and its length
{{- end}}
{{- else if eq .Frame "silence"}}
framing: {kind: silence, gap: 3.5 characters, early: yes, check: {check: {{.Check}}}}
{{- else if ne .Check "none"}}
framing: {kind: {{.Frame}}, check: {check: {{.Check}}}}
{{- else}}
framing: {kind: {{.Frame}}}
{{- end}}

frames: # what the gauge sends
  - name: reading
    sent: [reading] # on its own at the stream's rate, and when asked
    fields:
{{- if .Text}}
      - "R " # a literal: what tells this frame from the others
{{- else}}
      - {bytes: "01"} # a literal: what tells this frame from the others
{{- end}}
{{- template "rest" .}}
  - name: tagged
    sent: [tag] # when the operator presses the button
    fields:
{{- if .Text}}
      - "T "
      - {decimal: tag, width: 4, pad: "0", decimals: 0, sign: none} # the number tells one tag from another, and from one sent twice
      - " "
{{- else}}
      - {bytes: "04"}
      - {int: tag, size: 2} # the number tells one tag from another, and from one sent twice
{{- end}}
{{- template "rest" .}}
{{- if .Commands}}
{{- if .Text}}
  - {name: done, sent: [reply], fields: ["OK"]}
  - {name: refused, sent: [reply], fields: ["NO ", {text: error}]}
{{- else}}
  - {name: done, sent: [reply], fields: [{bytes: "02"}]}
  - {name: refused, sent: [reply], fields: [{bytes: "03"}]}
{{- end}}

commands: # what the host sends: does says what it asks of the gauge
{{- if .Text}}
  - {name: read, fields: ["?"], does: read, reply: reading}
  - {name: zero, fields: ["Z"], does: zero, reply: done, refusal: refused}
  - {name: preset, fields: ["P ", {decimal: value}], does: preset, reply: done, refusal: refused}
  - {name: stream-on, fields: ["S1"], does: stream-on, reply: done, refusal: refused}
  - {name: stream-off, fields: ["S0"], does: stream-off, reply: done, refusal: refused}
{{- else}}
  - {name: read, fields: [{bytes: "11"}], does: read, reply: reading}
  - {name: zero, fields: [{bytes: "12"}], does: zero, reply: done, refusal: refused}
  - {name: preset, fields: [{bytes: "13"}, {int: value, size: 4, sign: twos, scale: {{.Scale}}}], does: preset, reply: done, refusal: refused}
  - {name: stream-on, fields: [{bytes: "14"}], does: stream-on, reply: done, refusal: refused}
  - {name: stream-off, fields: [{bytes: "15"}], does: stream-off, reply: done, refusal: refused}
{{- end}}
{{- end}}
{{define "reading"}}{{if .Text -}}
{decimal: reading, width: {{.Width}}, decimals: {{.Decimals}}, sign: always, pad: "0", round: half-even, void: "{{.Dashes}}"} # void: what stands there when there is no reading
{{- else -}}
{int: reading, size: 4, sign: twos, scale: {{.Scale}}, round: half-even, void: 0x80000000} # one count is {{.Scale}} of the unit; void: no reading
{{- end}}{{end}}
{{define "unit"}}{{if .Text -}}
{choice: unit, is: {mm: mm, in: in}} # unit: what is sent for it
{{- else -}}
{choice: unit, size: 1, is: {mm: 0, in: 1}} # unit: what is sent for it
{{- end}}{{end}}
{{define "rest"}}{{- if .Group}}
      - each: channel # the fields below, once for every channel
        count: {{.Channels}}
{{- if .Text}}
        between: ";"
{{- end}}
        fields:
          - {{template "reading" .}}
{{- if .Unit}}
          - {{template "unit" .}}
{{- end}}
{{- else}}
      - {{template "reading" .}}
{{- if .Unit}}
      - {{template "unit" .}}
{{- end}}
{{- end}}
{{- if and .Text (ne .Check "none")}}
      - "*"
      - {check: {{.Check}}, form: hex} # over everything before it
{{- end}}{{end}}
`))

// Dashes stand for a missing reading.
func (d startData) Dashes() string { return strings.Repeat("-", d.Width) }
