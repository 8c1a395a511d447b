package ledger_test

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func entries() []ledger.Entry {
	tag := int64(7)
	return []ledger.Entry{
		{Kind: ledger.KindRun, Run: &ledger.Run{Version: ledger.Version, Scenario: "a bore", Seed: 41, Pace: "drain"}},
		{T: time.Second, Gauge: "bore-1", Kind: ledger.KindFrame, Frame: &ledger.Frame{ID: 1, Cause: ledger.Tag, Name: "reading", Tag: &tag,
			Readings: []ledger.Reading{{Channel: "A", Pressed: 5e9, Exact: decimal.MustParse("8015400000"), Shown: decimal.MustParse("8.015"), Unit: "mm", Function: "live", Zone: zone.WarnHigh}},
			Bytes:    ledger.Hex("R8.015\r\n")}},
		{T: time.Second, Gauge: "bore-1", Kind: ledger.KindOut, Out: &ledger.Out{Frames: []int{1}, Fate: ledger.Sent}},
		{T: 2 * time.Second, Kind: ledger.KindEnd, Note: "the timeline ended"},
	}
}

func write(t *testing.T) []byte {
	var b bytes.Buffer
	w := ledger.NewWriter(&b)
	for _, e := range entries() {
		w.Write(e)
	}
	require.NoError(t, w.Flush())
	return b.Bytes()
}

func read(b []byte) (es []ledger.Entry, whole bool, err error) {
	whole, err = ledger.Read(bytes.NewReader(b), func(e ledger.Entry) bool { es = append(es, e); return true })
	return es, whole, err
}

// Kind: property.
func TestRoundTrip(t *testing.T) {
	got, whole, err := read(write(t))
	require.NoError(t, err)
	require.True(t, whole)
	if d := cmp.Diff(entries(), got); d != "" {
		t.Error(d)
	}
}

// A ledger cut at any byte is readable up to its last whole line.
//
// Kind: property.
func TestCutAnywhere(t *testing.T) {
	b := write(t)
	for n := range len(b) {
		got, whole, err := read(b[:n])
		require.NoError(t, err, "cut at %d", n)
		require.False(t, whole)
		require.Len(t, got, strings.Count(string(b[:n]), "\n"))
	}
}

// Kind: property.
func TestDamageIsNamed(t *testing.T) {
	for src, want := range map[string]string{
		"{\"t\":0,\"k\":\"cue\"}\n": "ledger line 1 is not the entry of a run; is this a ledger?",
		`{"t":0,"k":"run","run":{"version":99,"scenario":"","seed":0,"pace":""}}` + "\n": "the ledger has version 99; this program reads version 1",
		string(write(t)[:len(write(t))-3]) + "x\n":                                       "ledger line 4 is damaged",
		strings.Repeat("x", 2<<20):                                                       "longer than",
	} {
		_, _, err := read([]byte(src))
		require.ErrorContains(t, err, want)
	}
}

// Kind: property.
func FuzzRead(f *testing.F) {
	f.Add([]byte("{\"t\":0,\"k\":\"run\",\"run\":{\"version\":1}}\n{}"))
	f.Fuzz(func(t *testing.T, b []byte) {
		es, whole, err := read(b)
		var out bytes.Buffer
		w := ledger.NewWriter(&out)
		for _, e := range es {
			w.Write(e)
		}
		require.NoError(t, w.Flush())
		again, whole2, err2 := read(out.Bytes())
		require.NoError(t, err2, "what was read and is written does not read back: %q", out.Bytes())
		require.Empty(t, cmp.Diff(es, again, cmpopts.EquateEmpty()))
		require.True(t, err != nil || whole == whole2, "%v and %v", whole, whole2)
	})
}

// Whatever is in an entry, it is written as encoding/json writes it: the short
// way that most entries take leaves out no key and no escape.
//
// Kind: model.
func TestWrittenAsByEncodingJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var e ledger.Entry
		drawn(t, reflect.ValueOf(&e).Elem())
		if rapid.Bool().Draw(t, "frequent") {
			e.Run, e.Request, e.Setting, e.Port, e.Link, e.Cell = nil, nil, nil, nil, nil, nil
		}
		var want, got bytes.Buffer
		enc := json.NewEncoder(&want)
		enc.SetEscapeHTML(false)
		if err := enc.Encode(e); err != nil {
			t.Fatal(err)
		}
		w := ledger.NewWriter(&got)
		w.Write(e)
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want.String(), got.String()); d != "" {
			t.Fatal(d)
		}
	})
}

// drawn fills a value in, every field that it has.
func drawn(t *rapid.T, v reflect.Value) {
	switch v.Interface().(type) {
	case decimal.Decimal:
		v.Set(reflect.ValueOf(decimal.New(rapid.Int64().Draw(t, "coefficient"), rapid.IntRange(-12, 3).Draw(t, "exponent"))))
		return
	case zone.Zone:
		v.SetUint(uint64(rapid.IntRange(0, 5).Draw(t, "zone")))
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			drawn(t, v.Field(i))
		}
	case reflect.Pointer:
		if rapid.Bool().Draw(t, "there") {
			v.Set(reflect.New(v.Type().Elem()))
			drawn(t, v.Elem())
		}
	case reflect.Slice:
		n := rapid.IntRange(0, 3).Draw(t, "length")
		if n == 0 && rapid.Bool().Draw(t, "nil") {
			return
		}
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range n {
			drawn(t, v.Index(i))
		}
	case reflect.String:
		v.SetString(rapid.SampledFrom([]string{"", "", "sent", "bore-1", "a\"b", "back\\slash", "<&>", "µm", "\x00", "\x7f", "\xff", " 8.000", "\u2028"}).Draw(t, "text"))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, "flag"))
	case reflect.Int, reflect.Int64:
		v.SetInt(rapid.SampledFrom([]int64{0, 1, -1, 7, math.MaxInt64, math.MinInt64}).Draw(t, "number"))
	case reflect.Uint8:
		v.SetUint(uint64(rapid.Uint8().Draw(t, "byte")))
	case reflect.Uint64:
		v.SetUint(rapid.Uint64().Draw(t, "number"))
	default:
		t.Fatalf("a field of kind %s is not drawn", v.Kind())
	}
}
