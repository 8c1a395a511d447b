package proof

import (
	_ "embed"
	"encoding/hex"
	"fmt"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/uart"
	"example.org/understudy/sim/wire"
)

// The models of bytes and of the line they go over.
var lines = map[string]func(given string) any{
	"sim/wire checks": func(given string) any {
		name, of, _ := strings.Cut(given, " of ")
		return strings.TrimPrefix(sent(`"`+of+`", {check: `+name+`, form: hex}`), unescaped(of))
	},
	"sim/wire parameters of a CRC": func(given string) any {
		crc, of, _ := strings.Cut(given, " of ")
		return strings.TrimPrefix(sent(`"`+of+`", {check: crc, form: hex, crc: `+crc+`}`), of)
	},
	"sim/wire framing": func(given string) any {
		framing, body, _ := strings.Cut(given, " of ")
		literal := ""
		for _, b := range bytesOf(body) {
			literal += fmt.Sprintf(`\x%02X`, b)
		}
		d := dialect(framing, `- {name: x, fields: ["`+literal+`"]}`)
		frame := must(d.AppendFrame(nil, 0, d.NewRecord()))
		back := 0
		d.NewEnd(wire.Host).Receive(append(frame, frame...), 0, func(inc wire.Incoming) {
			if inc.Garbage == nil {
				back++
			}
		})
		if back != 2 {
			return spans(frame) + ", which does not read back"
		}
		return spans(frame)
	},
	"sim/wire fields":          func(given string) any { return fmt.Sprintf("%X", field(given)) },
	"sim/wire text of numbers": func(given string) any { return field(given) },
	"sim/wire numbers taken": func(given string) any {
		d := dialect(`{kind: delimited, end: "\n"}`, `- {name: x, fields: [{decimal: a, exponent: accept}]}`)
		got := "nothing"
		d.NewEnd(wire.Host).Receive([]byte(given+"\n"), 0, func(inc wire.Incoming) {
			if inc.Garbage == nil {
				got = inc.Rec.Get(d.Term("a"), 0).Num.Trim().String()
			}
		})
		return got
	},
	"sim/wire Modbus": modbus,
	"sim/wire Modbus silence": func(given string) any {
		d := dialect("{kind: silence, gap: 3.5 characters, longest: 256}", "- {name: x, fields: [{skip: rest}]}")
		e := d.NewEnd(wire.Host)
		e.SetLine(must(uart.Parse(given)))
		e.Receive([]byte("x"), 0, func(wire.Incoming) {})
		at, _ := e.Deadline()
		return at.Seconds() * 1000
	},
	"sim/uart misread characters": func(given string) any {
		var bytes, sent, tx, rx string
		given = strings.NewReplacer(" read ", "|", " sent ", "|").Replace(given)
		bytes, sent, _ = strings.Cut(given, "|")
		tx, rx, _ = strings.Cut(sent, "|")
		out := ""
		for _, c := range uart.Receive(bytesOf(bytes), must(uart.Parse(tx)), must(uart.Parse(rx))) {
			out += fmt.Sprintf(" %02X%s", c.Byte, marks(c))
		}
		if out == "" {
			return "nothing"
		}
		return out[1:]
	},
	"sim/uart rate tolerance": func(given string) any {
		far := map[string]int{"slowest": 90_000, "fastest": 110_000}[given]
		return float64(tolerated(100_000, far))/1000 - 100
	},
	"sim/uart time of characters": func(given string) any {
		var n int
		var baud, word string
		scan(given, "%d at %s %s", &n, &baud, &word)
		return fmt.Sprint(must(uart.Parse(baud + " " + word)).Chars(n).Nanoseconds())
	},
	"sim/port line settings": func(given string) any {
		s := must(port.ParseSettings(given))
		word := func(of port.Settings, cut string) string {
			return strings.ReplaceAll(strings.TrimPrefix(of.String(), cut), "?", "")
		}
		flow := ""
		if s.Flow != port.FlowUnknown {
			flow = ", flow control " + strings.Fields(port.Settings{Flow: s.Flow}.String())[2]
		}
		return fmt.Sprintf("%d Bd, %d data bits, parity %s, stop bits %s%s", s.Baud, s.Data, word(port.Settings{Parity: s.Parity}, "? "), word(port.Settings{Stop: s.Stop}, "? "), flow)
	},
	"sim/port line conditions": func(given string) any {
		return fmt.Sprint(int(map[string]port.LineState{"data ready": port.DataReady, "overrun error": port.OverrunError, "parity error": port.ParityError,
			"framing error": port.FramingError, "break detect": port.BreakDetect, "holding register empty": port.HoldingEmpty,
			"shift register empty": port.ShiftRegEmpty, "time-out error": port.TimeOutError}[given]))
	},
	"sim/stage/ledger bytes": func(given string) any { return string(must(ledger.Hex(given).MarshalText())) },
}

// dialect makes one of a framing and the text of its frames.
func dialect(framing, frames string) *wire.Dialect {
	return must(wire.Parse("", []byte("dialect: x\nframing: "+framing+"\nframes:\n  "+frames+"\n")))
}

// sent is a frame of some fields, whose values are in it.
func sent(fields string) string {
	d := dialect("{kind: silence, gap: 5 ms, longest: 256}", "- {name: x, fields: ["+fields+"]}")
	return string(must(d.AppendFrame(nil, 0, d.NewRecord())))
}

// field is what a field makes of the number that stands behind it.
func field(given string) string {
	at := strings.LastIndex(given, "} ")
	d := dialect("{kind: silence, gap: 5 ms, longest: 256}", "- {name: x, fields: ["+given[:at+1]+"]}")
	rec := d.NewRecord()
	rec.Set(d.Term("a"), 0, wire.Num(decimal.MustParse(given[at+2:])))
	return string(must(d.AppendFrame(nil, 0, rec)))
}

func unescaped(text string) string {
	var b strings.Builder
	for len(text) > 0 {
		if strings.HasPrefix(text, `\x`) {
			b.Write(must(hex.DecodeString(text[2:4])))
			text = text[4:]
			continue
		}
		b.WriteByte(text[0])
		text = text[1:]
	}
	return b.String()
}

// bytesOf reads bytes in hexadecimal; 01..FE stands for all from one to the other.
func bytesOf(text string) (out []byte) {
	for _, word := range strings.Fields(text) {
		if from, to, ok := strings.Cut(word, ".."); ok {
			for b := int(must(hex.DecodeString(from))[0]); b <= int(must(hex.DecodeString(to))[0]); b++ {
				out = append(out, byte(b))
			}
			continue
		}
		out = append(out, must(hex.DecodeString(word))...)
	}
	return out
}

// spans writes bytes as bytesOf reads them.
func spans(b []byte) string {
	var words []string
	for i := 0; i < len(b); {
		j := i
		for j+1 < len(b) && b[j+1] == b[j]+1 && b[j] != 0 {
			j++
		}
		if j-i > 100 {
			words = append(words, fmt.Sprintf("%02X..%02X", b[i], b[j]))
		} else {
			j = i
			words = append(words, fmt.Sprintf("%02X", b[i]))
		}
		i = j + 1
	}
	return strings.Join(words, " ")
}

// marks are what a receiver found wrong with a character: framing, parity, break.
func marks(c uart.Char) (out string) {
	for i, is := range []bool{c.Framing, c.Parity, c.Break} {
		if is {
			out += "fpb"[i : i+1]
		}
	}
	return out
}

// tolerated is the rate farthest from a sender's at which every byte is read right, in
// one direction, by bisection.
func tolerated(tx, far int) int {
	all := make([]byte, 0, 512)
	for i := range 256 {
		all = append(all, byte(i), 0x55)
	}
	right := func(rx int) bool {
		got := uart.Receive(all, uart.Settings{Baud: tx, DataBits: 8, Stop: uart.Stop1}, uart.Settings{Baud: rx, DataBits: 8, Stop: uart.Stop1})
		for i, c := range got {
			if c.Framing || i >= len(all) || c.Byte != all[i] {
				return false
			}
		}
		return len(got) == len(all)
	}
	good := tx
	for max(good-far, far-good) > 10 {
		if mid := (good + far) / 2; right(mid) {
			good = mid
		} else {
			far = mid
		}
	}
	return good
}

//go:embed worked.yaml
var worked []byte // a station for the Modbus document's examples

// modbus is what station 17 answers to a message, both without the station's address
// and the check.
func modbus(given string) any {
	d := must(wire.Parse("", worked))
	rec := d.NewRecord()
	for name, v := range map[string]int64{"a": 0x022b, "b": 0, "c": 0x64, "nine": 10} {
		rec.Set(d.Term(name), 0, wire.Int(v))
	}
	literal := ""
	for _, b := range append([]byte{17}, bytesOf(given)...) {
		literal += fmt.Sprintf(`\x%02X`, b)
	}
	asked := sent(`"` + literal + `", {check: crc-16/modbus, order: little}`)
	e := d.NewEnd(wire.Gauge)
	var got []byte
	answer := func(inc wire.Incoming) {
		if req, ok := e.Request(inc); ok {
			got = must(e.AppendReply(nil, req, wire.Outcome{OK: true, Rec: rec}))
		}
	}
	e.Receive([]byte(asked), 0, answer)
	if at, ok := e.Deadline(); ok {
		e.Quiet(at, answer)
	}
	if len(got) < 3 || got[0] != 17 {
		return "nothing"
	}
	return fmt.Sprintf("%X", got[1:len(got)-2])
}
