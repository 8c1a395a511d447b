package ledger_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
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

func TestRoundTrip(t *testing.T) {
	got, whole, err := read(write(t))
	require.NoError(t, err)
	require.True(t, whole)
	if d := cmp.Diff(entries(), got); d != "" {
		t.Error(d)
	}
}

// A ledger cut at any byte is readable up to its last whole line.
func TestCutAnywhere(t *testing.T) {
	b := write(t)
	for n := range len(b) {
		got, whole, err := read(b[:n])
		require.NoError(t, err, "cut at %d", n)
		require.False(t, whole)
		require.Len(t, got, strings.Count(string(b[:n]), "\n"))
	}
}

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

func FuzzRead(f *testing.F) {
	f.Add([]byte("{\"t\":0,\"k\":\"run\",\"run\":{\"version\":1}}\n{}"))
	f.Fuzz(func(_ *testing.T, b []byte) {
		_, _, _ = read(b)
	})
}
