package wire

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
)

const dialectDir = "../../scenarios/dialects"

func load(t testing.TB, name string) *Dialect {
	t.Helper()
	file := filepath.Join(dialectDir, name+".yaml")
	src, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return parse(t, file, string(src))
}

func parse(t testing.TB, file, src string) *Dialect {
	t.Helper()
	d, err := Parse(file, []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// set fills a record from term, value pairs: a string is a number when it
// looks like one.
func set(d *Dialect, rec *Record, ch int, pairs ...any) *Record {
	for i := 0; i < len(pairs); i += 2 {
		t := d.Term(pairs[i].(string))
		if t < 0 {
			panic(fmt.Sprintf("dialect %s has no term %s", d.Name(), pairs[i]))
		}
		rec.Set(t, ch, toValue(pairs[i+1]))
	}
	return rec
}

func toValue(x any) Value {
	switch x := x.(type) {
	case bool:
		return Bool(x)
	case int:
		return Int(int64(x))
	case Value:
		return x
	case string:
		if v, err := decimal.Parse(x); err == nil {
			return Num(v)
		}
		return Str(x)
	}
	panic("no value")
}

// shown lists what a record holds, in the order of the dialect's terms.
func shown(d *Dialect, rec *Record) string {
	out := ""
	for ch := range rec.Groups() {
		for t, name := range d.terms {
			if v := rec.Get(Term(t), ch); v.Kind != Absent {
				if ch > 0 {
					name += fmt.Sprintf("/%d", ch+1)
				}
				out += name + "=" + v.String() + " "
			}
		}
	}
	return out
}

// receive feeds bytes to a fresh end and lists what arrived.
func receive(d *Dialect, side Side, p ...string) (out []string) {
	e := d.NewEnd(side)
	note := func(inc Incoming) {
		if inc.Garbage != nil {
			out = append(out, fmt.Sprintf("garbage %q: %v", inc.Raw, inc.Garbage))
			return
		}
		out = append(out, d.frames[inc.Frame].name+": "+shown(d, inc.Rec))
	}
	at := time.Duration(0)
	for _, s := range p {
		e.Receive([]byte(s), at, note)
		at += time.Millisecond
	}
	e.Quiet(at+time.Hour, note)
	return out
}

// Kind: property.
func TestShippedFrames(t *testing.T) {
	t.Parallel()
	tests := []struct {
		dialect, frame string
		pairs          []any
		want           string
	}{
		{"line-ascii", "reading", []any{Reading, "8.015", Unit, "mm", Zone, "inside"}, "R +00008.015 mm 3 .*6C\r\n"},
		{"line-ascii", "reading", []any{Reading, "-0.50000", Unit, "in", Zone, "below", Low, true, Tag, 42}, "T0042 -000.50000 in 1 L*"},
		{"line-ascii", "reading", []any{Void, "over", Unit, "mm", Zone, "void"}, "R +>>>>>>>>> mm 6 .*"},
		{"compact-binary", "reading", []any{Reading, "8.015", Unit, "mm", Zone, "inside"}, "\xa5\x08\x01\x02\x00\x0c\x3a\xdc\xf8\x29"},
		{"compact-binary", "reading", []any{Reading, "-1", Unit, "in", Zone, "below", Tagged, true, Tag, 258}, "\xa5\x0a\x01\x28\xff\xf0\xbd\xc0\x01\x02"},
		{"compact-binary", "refused", []any{Error, "no such reason"}, "\xa5\x04\x03\x01"},
	}
	for _, tt := range tests {
		d := load(t, tt.dialect)
		rec := set(d, d.NewRecord(), 0, tt.pairs...)
		b, err := d.AppendFrame(nil, d.FrameNamed(tt.frame), rec)
		if err != nil {
			t.Errorf("%s: %v", tt.dialect, err)
			continue
		}
		if !strings.HasPrefix(string(b), tt.want) {
			t.Errorf("%s:\n got %q\nwant %q", tt.dialect, b, tt.want)
		}
		e := d.NewEnd(Host)
		n := 0
		e.Receive(b, 0, func(inc Incoming) {
			n++
			if inc.Garbage != nil {
				t.Errorf("%q: %v", b, inc.Garbage)
				return
			}
			for i := 0; i < len(tt.pairs); i += 2 {
				name := tt.pairs[i].(string)
				if got, want := inc.Rec.Get(d.Term(name), 0), toValue(tt.pairs[i+1]); !got.Same(want) && name != Error {
					t.Errorf("%q: %s is %v, want %v", b, name, got, want)
				}
			}
		})
		if n != 1 {
			t.Errorf("%q gave %d frames", b, n)
		}
	}
}

// Kind: property.
func TestCommands(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"line-ascii", "compact-binary"} {
		d := load(t, name)
		host, gauge := d.NewEnd(Host), d.NewEnd(Gauge)
		tests := []struct {
			ask   string
			pairs []any
			want  string // the request
			out   Outcome
			reply string // what the host reads
		}{
			{"zero", nil, "zero", Outcome{OK: true}, "done: "},
			{"preset", []any{SettingTo, "8.000"}, "preset 8.000", Outcome{Reason: "refused"}, "refused: error=refused "},
			{"write", []any{SettingName, "function", SettingTo, "max"}, "set function max", Outcome{OK: true}, "done: "},
			{"write", []any{SettingName, "lower", SettingTo, "7.985"}, "set lower 7.985", Outcome{OK: true}, "done: "},
			{"stream-on", nil, "stream-on", Outcome{OK: true}, "done: "},
		}
		for _, tt := range tests {
			b, err := host.AppendRequest(nil, tt.ask, set(d, d.NewRecord(), 0, tt.pairs...))
			if err != nil {
				t.Fatal(err)
			}
			var reply []byte
			gauge.Receive(b, 0, func(inc Incoming) {
				req, ok := gauge.Request(inc)
				if !ok {
					t.Fatalf("%q is no request: %v", b, inc.Garbage)
				}
				got := req.Verb
				if req.Setting != "" {
					got += " " + req.Setting
				}
				if req.Value.Kind != Absent {
					got += " " + req.Value.String()
				}
				if got != tt.want {
					t.Errorf("%s %q asks for %q, want %q", name, b, got, tt.want)
				}
				if reply, err = gauge.AppendReply(nil, req, tt.out); err != nil {
					t.Error(err)
				}
			})
			if got := receive(d, Host, string(reply)); len(got) != 1 || got[0] != tt.reply {
				t.Errorf("%s answers %q: %q, want %q", name, reply, got, tt.reply)
			}
		}
	}
}

// Kind: property.
func TestBadCheck(t *testing.T) {
	t.Parallel()
	d := load(t, "line-ascii")
	e := d.NewEnd(Host)
	n := 0
	e.Receive([]byte("R +00008.016 mm 3 .*6C\r\n"), 0, func(inc Incoming) {
		n++
		if inc.Garbage == nil || !inc.BadChecksum || inc.Frame != d.FrameNamed("reading") {
			t.Errorf("got %+v", inc)
		}
	})
	if n != 1 {
		t.Errorf("%d frames", n)
	}
}
