package host

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/wire"
)

const (
	lineASCII     = "../../../scenarios/dialects/line-ascii.yaml"
	compactBinary = "../../../scenarios/dialects/compact-binary.yaml"
	packed        = "testdata/packed.yaml"
)

func talkerFor(t require.TestingT, dialect string, d defects) *talker {
	g := plainJob().Gauges[0]
	var err error
	g.dialect, err = readDialect(dialect)
	require.NoError(t, err)
	return newTalker(&g, d)
}

func channelsOf(dialect string) int {
	if dialect == packed {
		return 2
	}
	return 1
}

// said is what a gauge says in one frame, for tests to send.
type said struct {
	tag    int64 // 0: streamed
	values []string
	unit   string
	low    bool
	cell   int64
	zone   string
}

// frame encodes what a gauge says with the dialect.
func frame(t require.TestingT, d *wire.Dialect, s said) []byte {
	rec := d.NewRecord()
	rec.Channels(len(s.values))
	kind := "reading"
	if s.tag != 0 {
		rec.Set(d.Term(wire.Tag), 0, wire.Int(s.tag))
		kind = "tag"
	}
	rec.Set(d.Term(wire.Tagged), 0, wire.Bool(s.tag != 0))
	if s.unit == "" {
		s.unit = "mm"
	}
	if s.zone == "" {
		s.zone = "inside"
	}
	rec.Set(d.Term(wire.Unit), 0, wire.Str(s.unit))
	rec.Set(d.Term(wire.Low), 0, wire.Bool(s.low))
	rec.Set(d.Term(wire.Cell), 0, wire.Int(s.cell))
	for ch, v := range s.values {
		if n, err := decimal.Parse(v); err == nil {
			rec.Set(d.Term(wire.Reading), ch, wire.Num(n))
			rec.Set(d.Term(wire.Zone), ch, wire.Str(s.zone))
		} else {
			rec.Set(d.Term(wire.Void), ch, wire.Str(v))
			rec.Set(d.Term(wire.Zone), ch, wire.Str("void"))
		}
	}
	out, err := d.AppendFrame(nil, d.FrameFor(kind), rec)
	require.NoError(t, err)
	return out
}

func sameMessages(want, got []message) string {
	same := func(a, b reading) bool {
		return a.channel == b.channel && a.zone == b.zone && a.same(b)
	}
	return cmp.Diff(want, got, cmp.AllowUnexported(message{}), cmp.Comparer(same))
}

// Kind: property.
func TestTalkerReads(t *testing.T) {
	t.Parallel()
	const mm = unit("mm")
	yes, no := true, false
	n := func(n int64) *int64 { return &n }
	num := func(ch int, v string, u unit, zone string) reading {
		return reading{channel: ch, value: dec(v).rat, unit: u, zone: zone}
	}
	for _, k := range []struct {
		name, dialect string
		says          said
		want          message
	}{
		{"streamed", lineASCII, said{values: []string{"8.015"}}, message{readings: []reading{num(0, "8.015", mm, "inside")}, low: &no}},
		{"tagged, in inches, cell low", lineASCII, said{tag: 42, values: []string{"-0.31555"}, unit: "in", low: true, zone: "below"},
			message{readings: []reading{num(0, "-0.31555", "in", "below")}, tagged: true, number: n(42), low: &yes}},
		{"void", lineASCII, said{tag: 1, values: []string{"over"}}, message{readings: []reading{{unit: mm, void: true, zone: "void"}}, tagged: true, number: n(1), low: &no}},
		{"void without a reason", lineASCII, said{tag: 1, values: []string{"none"}}, message{readings: []reading{{unit: mm, void: true, zone: "void"}}, tagged: true, number: n(1), low: &no}},
		{"binary", compactBinary, said{tag: 9, values: []string{"-8.015"}}, message{readings: []reading{num(0, "-8.015", mm, "inside")}, tagged: true, number: n(9), low: &no}},
		{"binary void", compactBinary, said{values: []string{"missing"}}, message{readings: []reading{{unit: mm, void: true, zone: "void"}}, low: &no}},
		{"two channels, cell in percent", packed, said{tag: 3, values: []string{"8.001", "-0.002"}, cell: 10},
			message{readings: []reading{num(0, "8.001", mm, ""), num(1, "-0.002", mm, "")}, tagged: true, number: n(3), low: &yes}},
		{"two channels, one void", packed, said{values: []string{"8.001", "none"}, cell: 11},
			message{readings: []reading{num(0, "8.001", mm, ""), {channel: 1, unit: mm, void: true}}, low: &no}},
	} {
		k2 := talkerFor(t, k.dialect, nil)
		k2.receive(frame(t, k2.dialect, k.says), 0)
		got, _ := k2.taken()
		if d := sameMessages([]message{k.want}, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", k.name, d)
		}
	}
}

// The handshake of ISO 1745, against the dialect's own gauge end.
//
// Kind: outside.
func TestHandshake(t *testing.T) {
	t.Parallel()
	talk := talkerFor(t, "../../../scenarios/dialects/block-check.yaml", nil)
	gauge := talk.dialect.NewEnd(wire.Gauge)
	rec := talk.dialect.NewRecord()
	rec.Set(talk.dialect.Term(wire.Reading), 0, wire.Num(decimal.MustParse("8.015")))
	rec.Set(talk.dialect.Term(wire.Unit), 0, wire.Str("mm"))
	rec.Set(talk.dialect.Term(wire.Zone), 0, wire.Str("inside"))
	rec.Set(talk.dialect.Term(wire.Tag), 0, wire.Int(42))
	line, err := gauge.Emit(nil, talk.dialect.FrameFor("tag"), rec, 1, 0)
	require.NoError(t, err)
	gauge.Says(0, func(s wire.Said) { line = append(line, s.Bytes...) })
	spoilt := false
	var heard []string
	for range 10 {
		if !spoilt && len(line) > 5 {
			line[3] ^= 1
			spoilt = true
		}
		talk.receive(line, 0)
		line = talk.outgoing()
		heard = append(heard, string(line))
		gauge.Receive(line, 0, func(wire.Incoming) {})
		line = nil
		gauge.Says(0, func(s wire.Said) { line = append(line, s.Bytes...) })
	}
	require.Equal(t, []string{"\x06", "\x15", "\x06", "", "", "", "", "", "", ""}, heard, "ACK the enquiry, NAK the spoilt text, ACK the good one")
	ms, _ := talk.taken()
	tag := int64(42)
	want := []message{{readings: []reading{{value: dec("8.015").rat, unit: "mm", zone: "inside"}}, tagged: true, number: &tag}}
	require.Empty(t, sameMessages(want, ms))
}

// A tag frame without readings is handed on as one.
//
// Kind: property.
func TestTagOnly(t *testing.T) {
	t.Parallel()
	talk := talkerFor(t, "../../../scenarios/dialects/multi-binary.yaml", nil)
	rec := talk.dialect.NewRecord()
	rec.Set(talk.dialect.Term(wire.Tag), 0, wire.Int(7))
	f, err := talk.dialect.AppendFrame(nil, talk.dialect.FrameFor("tag"), rec)
	require.NoError(t, err)
	talk.receive(f, 0)
	ms, _ := talk.taken()
	tag := int64(7)
	require.Empty(t, sameMessages([]message{{tagged: true, number: &tag}}, ms))
}

// Frames split and merged anywhere, with noise between them, give the same
// messages.
//
// Kind: property.
func TestTalkerSplits(t *testing.T) {
	t.Parallel()
	for _, dialect := range []string{lineASCII, compactBinary, packed} {
		rapid.Check(t, func(t *rapid.T) {
			whole := talkerFor(t, dialect, nil)
			var all []byte
			for range rapid.IntRange(1, 8).Draw(t, "frames") {
				v := decimal.New(rapid.Int64Range(-30000, 30000).Draw(t, "value"), -3).String()
				f := frame(t, whole.dialect, said{tag: rapid.Int64Range(0, 9999).Draw(t, "tag"), values: []string{v, v}[:channelsOf(dialect)], cell: 50})
				whole.receive(f, 0)
				all = append(all, f...)
			}
			want, _ := whole.taken()
			split := talkerFor(t, dialect, nil)
			for len(all) > 0 {
				n := rapid.IntRange(1, len(all)).Draw(t, "bytes")
				split.receive(all[:n], 0)
				all = all[n:]
			}
			got, _ := split.taken()
			if d := sameMessages(want, got); d != "" {
				t.Fatalf("(-want +got):\n%s", d)
			}
		})
	}
}

// Kind: property.
func TestTalkerDefects(t *testing.T) {
	t.Parallel()
	t.Run("split-frame-lost", func(t *testing.T) {
		for _, k := range []struct {
			d    defects
			want int
		}{{nil, 2}, {trying("split-frame-lost"), 1}} {
			talk := talkerFor(t, lineASCII, k.d)
			f := frame(t, talk.dialect, said{tag: 1, values: []string{"8.001"}})
			talk.receive(f[:9], 0)
			talk.receive(f[9:], 0)
			talk.receive(f, 0)
			ms, _ := talk.taken()
			require.Len(t, ms, k.want)
		}
	})
	t.Run("checksum-ignored", func(t *testing.T) {
		for _, dialect := range []string{lineASCII, compactBinary, packed} {
			for _, k := range []struct {
				d    defects
				want int
			}{{nil, 0}, {trying("checksum-ignored"), 1}} {
				talk := talkerFor(t, dialect, k.d)
				f := frame(t, talk.dialect, said{tag: 1, values: []string{"8.001", "8.001"}[:channelsOf(dialect)]})
				f[len(f)-3] ^= 1 // the check's last digit, or a byte before a binary check
				talk.receive(f, 0)
				talk.receive(frame(t, talk.dialect, said{tag: 0, values: []string{"8.001", "8.001"}[:channelsOf(dialect)]}), 0)
				ms, _ := talk.taken()
				require.Len(t, ms, k.want+1, dialect)
				require.Equal(t, k.want == 1, ms[0].tagged, dialect)
			}
		}
	})
	t.Run("sign-not-extended", func(t *testing.T) {
		// Two's complement of 16 bits counts in 0.001 mm, of 32 bits in 0.00001 mm.
		for _, k := range []struct{ dialect, want string }{{lineASCII, "-0.002"}, {packed, "65.534"}, {compactBinary, "42949.67096"}} {
			talk := talkerFor(t, k.dialect, trying("sign-not-extended"))
			talk.receive(frame(t, talk.dialect, said{tag: 1, values: []string{"-0.002", "-0.002"}[:channelsOf(k.dialect)]}), 0)
			ms, _ := talk.taken()
			require.Len(t, ms, 1)
			for _, r := range ms[0].readings {
				require.Zero(t, r.value.Cmp(dec(k.want).rat), "%s: %s", k.dialect, r.value)
			}
		}
	})
}

// What the host writes is what a gauge of the dialect understands.
//
// Kind: property.
func TestTalkerCommands(t *testing.T) {
	t.Parallel()
	for _, k := range []struct {
		dialect string
		w       write
		want    string
	}{
		{lineASCII, write{Verb: "set", Setting: "unit", To: "in"}, "W unit=in\r\n"},
		{lineASCII, write{Verb: "set", Setting: "unit", Channel: "A", To: "in"}, "W unit=in\r\n"},
		{lineASCII, write{Verb: "set", Setting: "upper", To: "8.0150"}, "W upper=8.0150\r\n"},
		{lineASCII, write{Verb: "preset", To: "8.000"}, "P 8.000\r\n"},
		{lineASCII, write{Verb: "stream-on"}, "S1\r\n"},
		{lineASCII, write{Verb: "zero"}, "Z\r\n"},
	} {
		talk := talkerFor(t, k.dialect, nil)
		got, silent, err := talk.command(nil, k.w)
		require.NoError(t, err)
		require.False(t, silent)
		require.Equal(t, k.want, string(got))
	}
	talk := talkerFor(t, lineASCII, nil)
	_, _, err := talk.command(nil, write{Verb: "polish"})
	require.ErrorContains(t, err, "dialect line-ascii has no command for it")
	_, _, err = talk.command(nil, write{Verb: "stream-on"})
	require.NoError(t, err)
	talk.receive([]byte("OK\r\nNO the probe is missing\r\n"), 0)
	_, answers := talk.taken()
	require.Equal(t, []answer{{}, {refused: "the probe is missing"}}, answers)
}
