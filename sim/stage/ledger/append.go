package ledger

import (
	"encoding/hex"
	"strconv"

	"example.org/understudy/sim/decimal"
)

// appendFrequent appends an entry as encoding/json writes it, where it is of one
// of the kinds that most of a ledger is made of and its texts are plain. ok is
// false for all others, which are left to encoding/json.
func appendFrequent(b []byte, e *Entry) (out []byte, ok bool) {
	if e.Run != nil || e.Request != nil || e.Setting != nil || e.Port != nil || e.Link != nil || e.Cell != nil || e.Cue != 0 || e.Had != nil {
		return b, false
	}
	a := appender{b, true}
	a.raw(`{"t":`)
	a.int(int64(e.T))
	a.optional(`,"g":`, e.Gauge)
	a.text(`,"k":`, string(e.Kind))
	a.optional(`,"note":`, e.Note)
	if f := e.Frame; f != nil {
		a.raw(`,"frame":`)
		a.frame(f)
	}
	if o := e.Out; o != nil {
		a.raw(`,"out":`)
		a.fate(o)
	}
	if len(e.Bytes) > 0 {
		a.hex(`,"bytes":`, e.Bytes)
	}
	a.raw("}\n")
	return a.b, a.plain
}

type appender struct {
	b     []byte
	plain bool // no text needs more than quotes
}

func (a *appender) raw(s string)              { a.b = append(a.b, s...) }
func (a *appender) int(n int64)               { a.b = strconv.AppendInt(a.b, n, 10) }
func (a *appender) decimal(d decimal.Decimal) { a.b = append(d.Append(append(a.b, '"')), '"') }

func (a *appender) text(key, s string) {
	a.raw(key)
	for i := range len(s) {
		// Bytes above 126 are left to encoding/json, which looks at them as UTF-8.
		a.plain = a.plain && s[i] >= ' ' && s[i] < 127 && s[i] != '"' && s[i] != '\\'
	}
	a.b = append(append(append(a.b, '"'), s...), '"')
}

func (a *appender) optional(key, s string) {
	if s != "" {
		a.text(key, s)
	}
}

func (a *appender) hex(key string, h Hex) {
	a.raw(key)
	a.b = append(hex.AppendEncode(append(a.b, '"'), h), '"')
}

func (a *appender) frame(f *Frame) {
	a.raw(`{"id":`)
	a.int(int64(f.ID))
	a.text(`,"cause":`, string(f.Cause))
	a.text(`,"name":`, f.Name)
	for i := range f.Readings {
		if i == 0 {
			a.raw(`,"readings":[`)
		} else {
			a.raw(",")
		}
		a.reading(&f.Readings[i])
	}
	if len(f.Readings) > 0 {
		a.raw("]")
	}
	if f.Tag != nil {
		a.raw(`,"tag":`)
		a.int(*f.Tag)
	}
	if f.Repeat {
		a.raw(`,"repeat":true`)
	}
	if f.Numberless {
		a.raw(`,"numberless":true`)
	}
	if f.Bare {
		a.raw(`,"bare":true`)
	}
	a.hex(`,"bytes":`, f.Bytes)
	a.raw("}")
}

func (a *appender) reading(r *Reading) {
	a.text(`{"ch":`, r.Channel)
	a.raw(`,"size":`)
	a.int(int64(r.Size))
	a.raw(`,"pressed":`)
	a.int(int64(r.Pressed))
	a.raw(`,"exact":`)
	a.decimal(r.Exact)
	a.raw(`,"shown":`)
	a.decimal(r.Shown)
	if r.Sent != nil {
		a.raw(`,"sent":`)
		a.decimal(*r.Sent)
	}
	a.text(`,"unit":`, r.Unit)
	a.text(`,"fn":`, r.Function)
	a.text(`,"zone":`, r.Zone.String())
	a.optional(`,"void":`, r.Void)
	a.raw("}")
}

func (a *appender) fate(o *Out) {
	sep := `{"frames":[`
	for _, id := range o.Frames {
		a.raw(sep)
		a.int(int64(id))
		sep = ","
	}
	if len(o.Frames) > 0 {
		a.text(`],"fate":`, string(o.Fate))
	} else {
		a.text(`{"fate":`, string(o.Fate))
	}
	if len(o.Bytes) > 0 {
		a.hex(`,"bytes":`, o.Bytes)
	}
	a.optional(`,"fault":`, o.Fault)
	if o.Count != 0 {
		a.raw(`,"count":`)
		a.int(int64(o.Count))
	}
	a.raw("}")
}
