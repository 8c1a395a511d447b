package wire_test

import (
	"crypto/sha256"
	"flag"
	"fmt"
	"hash/fnv"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/wire"
	"github.com/google/go-cmp/cmp"
)

// pinnedValues are what each term is given: extremes, voids and everyday values.
// Any other term gets a small number.
var pinnedValues = map[string][]string{
	wire.Reading:     {"0", "8.015", "-8.015", "0.00001", "-0.00001", "21474.83646", "99999.999", "-0.5", "1", "absent"},
	wire.Unit:        {"mm", "in"},
	wire.Zone:        {"below", "warn-low", "inside", "warn-high", "above", "void"},
	wire.Void:        {"under", "over", "missing", "empty", "none"},
	wire.Tag:         {"0", "1", "42", "9999", "65535", "70000", "absent"},
	wire.Tagged:      {"yes", "no"},
	wire.Low:         {"yes", "no"},
	wire.Still:       {"yes", "no"},
	wire.Overdue:     {"yes", "no"},
	wire.Seq:         {"0", "1", "9999", "10000", "65535", "65536", "70000"},
	wire.Cell:        {"0", "62", "100"},
	wire.Function:    {"live", "max", "min", "fim"},
	wire.Sense:       {"rising", "falling"},
	wire.Link:        {"up", "stalled", "lost", "rejoining"},
	wire.Error:       {"refused", "unknown setting", "out of range", "no valid reading", "read only", "not a value of this setting"},
	wire.SettingName: {"lower", "function"},
	wire.SettingTo:   {"7.985", "max", "-1", "12"},
	wire.Serial:      {"SN-0001"}, wire.Name: {"bore-1"}, wire.Firmware: {"1.0"},
	wire.ErrorText: {"No error", `say "no"`},
	wire.Address:   {"1", "9"},
	"with-number":  {"yes", "no"}, "with-keys": {"yes", "no"}, "with-tail": {"yes", "no"}, "with-lead": {"yes", "no"},
	wire.Button1: {"yes", "no"}, wire.Button2: {"yes", "no"}, "pedal": {"yes", "no"},
	"first": {"0", "8", "16", "32", "64"}, "count": {"1", "2", "4"},
}

func pinnedValue(rng *rand.Rand, term string) wire.Value {
	of := pinnedValues[term]
	if of == nil {
		of = []string{"0", "1", "2", "7.985", "-3"}
	}
	switch text := of[rng.IntN(len(of))]; text {
	case "absent":
		return wire.Value{}
	case "yes", "no":
		return wire.Bool(text == "yes")
	default:
		if v, err := decimal.Parse(text); err == nil {
			return wire.Num(v)
		}
		return wire.Str(text)
	}
}

// The bytes of every shipped dialect: each message, one to eight channels,
// extremes and voids; what they read as; and what every command is answered.
//
// Kind: golden.
func TestPinnedBytes(t *testing.T) {
	files, err := filepath.Glob("../../scenarios/dialects/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatal("no dialects", err)
	}
	var out strings.Builder
	for _, file := range files {
		if slices.Contains(worked, strings.TrimSuffix(filepath.Base(file), ".yaml")) {
			continue // read by a client of their own
		}
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		d, err := wire.Parse(file, text)
		if err != nil {
			t.Fatal(err)
		}
		for i, f := range d.Frames() {
			pinFrame(&out, d, wire.Frame(i), f)
		}
		pinConversation(&out, d)
	}
	const file = "testdata/pinned.txt"
	if flag.Lookup("update").Value.String() == "true" {
		if err := os.WriteFile(file, []byte(out.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), out.String()); diff != "" {
		t.Errorf("the bytes of shipped dialects changed (-want +got):\n%s", diff)
	}
}

// draw is a source of chance for one value: what else a dialect carries does not
// change it.
func draw(what string, n int) *rand.Rand {
	h := fnv.New64a()
	io.WriteString(h, what)
	return rand.New(rand.NewPCG(h.Sum64(), uint64(n)))
}

func pinnedRecord(what string, n int, d *wire.Dialect, channels int) *wire.Record {
	rec := d.NewRecord()
	rec.Channels(channels)
	for t, name := range d.TermNames() {
		for ch := range channels {
			rec.Set(wire.Term(t), ch, pinnedValue(draw(what+" "+name, 256*n+ch), name))
		}
	}
	rec.Set(d.Term(wire.Channels), 0, wire.Int(int64(channels)))
	return rec
}

// read lists what an end makes of bytes.
func read(e *wire.End, d *wire.Dialect, w io.Writer, raw []byte) {
	see := func(inc wire.Incoming) {
		if inc.Garbage != nil {
			fmt.Fprintf(w, "garbage %x\n", inc.Raw)
			return
		}
		fmt.Fprintf(w, "%s %x", d.Frames()[inc.Frame].Name, inc.Raw)
		for ch := range inc.Rec.Groups() {
			for t, name := range d.TermNames() {
				if v := inc.Rec.Get(wire.Term(t), ch); v.Kind != wire.Absent {
					fmt.Fprintf(w, " %s/%d=%s", name, ch, v)
				}
			}
		}
		fmt.Fprintln(w)
	}
	e.Receive(raw, 0, see)
	e.Quiet(time.Hour, see)
}

func pinFrame(out io.Writer, d *wire.Dialect, f wire.Frame, info wire.FrameInfo) {
	sent, back := sha256.New(), sha256.New()
	encoded, refused := 0, 0
	for n := range 400 {
		rec := pinnedRecord(info.Name, n, d, []int{1, 2, 4, 8, 1}[n%5])
		raw, err := d.AppendFrame(nil, f, rec)
		if err != nil {
			refused++
			continue
		}
		encoded++
		fmt.Fprintf(sent, "%x\n", raw)
		side := wire.Host
		if info.From == wire.Host {
			side = wire.Gauge
		}
		read(d.NewEnd(side), d, back, raw)
	}
	fmt.Fprintf(out, "%s %s: %d sent %.8x, read %.8x, %d refused\n", d.Name(), info.Name, encoded, sent.Sum(nil), back.Sum(nil), refused)
}

// pinConversation has every command sent and answered.
func pinConversation(out io.Writer, d *wire.Dialect) {
	for _, info := range d.Frames() {
		if info.From != wire.Host {
			continue
		}
		h := sha256.New()
		gauge := d.NewEnd(wire.Gauge)
		replies := 0
		for n := range 40 {
			rec := pinnedRecord(info.Name, n, d, 1)
			rec.Set(d.Term(wire.Address), 0, wire.Value{})
			ask, err := d.AppendRequest(nil, info.Name, rec)
			if err != nil {
				continue
			}
			serve := func(inc wire.Incoming) {
				req, ok := gauge.Request(inc)
				if !ok {
					fmt.Fprintf(h, "%x: nothing\n", ask)
					return
				}
				fmt.Fprintf(h, "%x: %s %s %d %s %s", ask, req.Verb, req.Setting, req.Channel, req.Value, req.Refused)
				for _, a := range req.More {
					fmt.Fprintf(h, " %s %s %d %s", a.Verb, a.Setting, a.Channel, a.Value)
				}
				outcome := wire.Outcome{OK: n%4 > 0, Reason: "out of range", Rec: pinnedRecord(info.Name+" answer", n, d, 1+n%4)}
				raw, err := gauge.AppendReply(nil, req, outcome)
				fmt.Fprintf(h, " answered %x %v\n", raw, err != nil)
				if len(raw) > 0 {
					replies++
				}
			}
			at := time.Duration(n) * time.Minute
			gauge.Receive(ask, at, serve)
			gauge.Quiet(at+time.Second, serve)
		}
		fmt.Fprintf(out, "%s %s: %d replies %.8x\n", d.Name(), info.Name, replies, h.Sum(nil))
	}
}
