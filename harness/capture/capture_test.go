package capture_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var began = time.Date(2026, 3, 2, 7, 15, 0, 123456789, time.UTC)

func sample() *capture.Capture {
	return &capture.Capture{
		Began: began,
		Lines: []capture.Line{capture.NewLine("pin-snap", "9600 8N1"), capture.NewLine("depth-2", "19200 8E1")},
		Events: []capture.Event{
			{Kind: capture.Note, Text: "begins"},
			{At: 5 * time.Millisecond, Kind: capture.Opened},
			{At: 6 * time.Millisecond, Kind: capture.Asked, Text: "9600 8N1"},
			{At: 7 * time.Millisecond, Kind: capture.Lines, DTR: true, RTS: true},
			{At: 20*time.Millisecond + 1, Kind: capture.FromHost, Bytes: []byte("N\r\n"), DTR: true, RTS: true},
			{At: 22 * time.Millisecond, Kind: capture.FromGauge, Bytes: []byte("R +00006.001 mm 3 .*12\r\n"), DTR: true, RTS: true},
			{At: 23 * time.Millisecond, Line: 1, Kind: capture.FromGauge, Bytes: []byte{0, 1, 2, 0xFF}},
			{At: time.Second, Kind: capture.Break},
			{At: 2 * time.Second, Kind: capture.Gone, Text: "unplugged"},
			{At: 3 * time.Second, Kind: capture.Back, Text: "pin-snap-2"},
			{At: 4 * time.Second, Kind: capture.Lost, Text: "the host does not read"},
			{At: 5 * time.Second, Kind: capture.Closed},
		},
	}
}

func write(t require.TestingT, c *capture.Capture) []byte {
	var b bytes.Buffer
	w, err := capture.NewWriter(&b, c.Began, c.Lines)
	require.NoError(t, err)
	for _, e := range c.Events {
		require.NoError(t, w.Write(e))
	}
	return b.Bytes()
}

// Kind: property.
func TestReadsBackWhatIsWritten(t *testing.T) {
	t.Parallel()
	want := sample()
	got, whole, err := capture.Read(bytes.NewReader(write(t, want)))
	require.NoError(t, err)
	require.True(t, whole)
	require.Empty(t, cmp.Diff(want, got))
}

// Kind: property.
func TestReadsBackAnything(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := &capture.Capture{Began: began, Lines: []capture.Line{{Name: "a"}, {Name: "b", Settings: "x", Baud: 300}}}
		at := time.Duration(0)
		for range rapid.IntRange(1, 20).Draw(t, "events") {
			e := capture.Event{At: at, Line: rapid.IntRange(0, 1).Draw(t, "line"), Kind: capture.Kind(rapid.IntRange(1, int(capture.Note)).Draw(t, "kind")),
				DTR: rapid.Bool().Draw(t, "dtr"), RTS: rapid.Bool().Draw(t, "rts"), Text: rapid.String().Draw(t, "text")}
			if e.Kind == capture.FromGauge || e.Kind == capture.FromHost {
				e.Bytes = rapid.SliceOfN(rapid.Byte(), 1, 70).Draw(t, "bytes")
			}
			want.Events = append(want.Events, e)
			at += time.Duration(rapid.Int64Range(0, 1e12).Draw(t, "gap"))
		}
		got, whole, err := capture.Read(bytes.NewReader(write(t, want)))
		require.NoError(t, err)
		require.True(t, whole)
		require.Empty(t, cmp.Diff(want, got))
	})
}

// Kind: property.
func TestSplitsWhatIsTooLong(t *testing.T) {
	t.Parallel()
	long := bytes.Repeat([]byte{0x55}, capture.MaxPacket+3)
	c := &capture.Capture{Began: began, Lines: []capture.Line{{Name: "a"}}, Events: []capture.Event{{Kind: capture.FromGauge, Bytes: long}}}
	got, _, err := capture.Read(bytes.NewReader(write(t, c)))
	require.NoError(t, err)
	require.Len(t, got.Events, 2)
	require.Equal(t, long, append(got.Events[0].Bytes, got.Events[1].Bytes...))
}

// A capture that was cut off is readable up to its last whole block.
//
// Kind: property.
func TestReadsWhatWasCutOff(t *testing.T) {
	t.Parallel()
	c := sample()
	all := write(t, c)
	for n := 28; n < len(all); n++ { // a section header takes 28 bytes
		got, whole, err := capture.Read(bytes.NewReader(all[:n]))
		if err != nil { // the section header itself was cut off
			require.ErrorContains(t, err, "the file is empty")
			continue
		}
		if whole {
			continue // the cut fell between two blocks
		}
		require.LessOrEqual(t, len(got.Events), len(c.Events))
	}
}

// Kind: property.
func TestSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	good := write(t, sample())
	first := binary.LittleEndian.Uint32(good[4:])
	second := first + binary.LittleEndian.Uint32(good[first+4:])
	change := func(at int, with ...byte) []byte {
		b := bytes.Clone(good)
		copy(b[at:], with)
		return b
	}
	for name, c := range map[string]struct {
		file []byte
		want string
	}{
		"nothing":           {nil, "the file is empty"},
		"text":              {[]byte("at 0 s: something else entirely"), "no pcapng capture"},
		"order":             {change(8, 1, 2, 3, 4), "byte order"},
		"version":           {change(12, 2), "version 2"},
		"length":            {change(int(first)+4, 3), "block at byte " + fmt.Sprint(first)},
		"trailing length":   {change(int(second)-4, 9), "at its end"},
		"link type":         {change(int(first)+8, 1, 0), "the link type is 1"},
		"foreign interface": {dropInterfaces(good, int(first)), "a packet of interface 0, but 0 are described"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := capture.Read(bytes.NewReader(c.file))
			require.ErrorContains(t, err, c.want)
		})
	}
}

// dropInterfaces takes the two interface descriptions out.
func dropInterfaces(file []byte, first int) []byte {
	rest := first
	for range 2 {
		rest += int(binary.LittleEndian.Uint32(file[rest+4:]))
	}
	return append(bytes.Clone(file[:first]), file[rest:]...)
}

// bigEndian is the smallest capture, written by hand from the tables of
// draft-ietf-opsawg-pcapng (4.1 section header, 4.2 interface description, 4.3
// enhanced packet): most significant byte first, link type USER0, times in
// units of 2⁻¹⁰ s with an offset, and a block and an option nobody knows.
func bigEndian() []byte {
	var b []byte
	u16 := func(v uint16) { b = binary.BigEndian.AppendUint16(b, v) }
	u32 := func(v uint32) { b = binary.BigEndian.AppendUint32(b, v) }
	block := func(kind uint32, body func()) {
		at := len(b)
		u32(kind)
		u32(0)
		body()
		n := uint32(len(b) - at + 4)
		u32(n)
		binary.BigEndian.PutUint32(b[at+4:], n)
	}
	block(0x0A0D0D0A, func() { u32(0x1A2B3C4D); u16(1); u16(0); u32(0xFFFFFFFF); u32(0xFFFFFFFF) })
	block(1, func() {
		u16(147)
		u16(0)
		u32(0)
		u16(9) // if_tsresol: 2⁻¹⁰ s
		u16(1)
		b = append(b, 0x80|10, 0, 0, 0)
		u16(14) // if_tsoffset: 100 s
		u16(8)
		u32(0)
		u32(100)
		u16(0)
		u16(0)
	})
	block(0x0BAD, func() { u32(0) })
	for i, text := range []string{"N\r", "8.01\r"} {
		block(6, func() {
			u32(0)
			u32(0)
			u32(uint32(512 * (i + 1))) // 0.5 s, 1 s
			u32(uint32(len(text)))
			u32(uint32(len(text)))
			b = append(b, text...)
			for len(b)%4 != 0 {
				b = append(b, 0)
			}
			u16(999)
			u16(2)
			b = append(b, 1, 2, 0, 0)
			u16(2) // epb_flags: outbound, inbound
			u16(4)
			u32(uint32(2 - i))
			u16(0)
			u16(0)
		})
	}
	return b
}

// Kind: property.
func TestReadsTheOtherByteOrder(t *testing.T) {
	t.Parallel()
	got, whole, err := capture.Read(bytes.NewReader(bigEndian()))
	require.NoError(t, err)
	require.True(t, whole)
	require.Empty(t, cmp.Diff(&capture.Capture{
		Began: time.Unix(100, 5e8).UTC(),
		Lines: []capture.Line{{Name: "line-1"}},
		Events: []capture.Event{
			{Kind: capture.FromHost, Bytes: []byte("N\r")},
			{At: 500 * time.Millisecond, Kind: capture.FromGauge, Bytes: []byte("8.01\r")},
		},
	}, got))
}

// tshark is the program of Debian's package of that name, with Wireshark's
// dissectors.
func tshark(t *testing.T, args ...string) string {
	t.Helper()
	testenv.Works(t, "tshark", "tshark", "-v")
	cmd := exec.Command("tshark", args...)
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	require.NoError(t, err, "%s", complaints.String())
	return string(out)
}

// Kind: outside.
func TestTsharkReadsIt(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "two.pcapng")
	require.NoError(t, os.WriteFile(file, write(t, sample()), 0o644))
	out := tshark(t, "-r", file, "-T", "fields", "-E", "separator=|", "-t", "r",
		"-e", "frame.interface_name", "-e", "frame.time_epoch", "-e", "rtacser.eventtype", "-e", "rtacser.dtr", "-e", "rtacser.rts", "-e", "data.data", "-e", "frame.comment")
	require.Equal(t, `pin-snap|1772435700.123456789|0x00|0|0||note: begins
pin-snap|1772435700.128456789|0x00|0|0||opened
pin-snap|1772435700.129456789|0x00|0|0||asked: 9600 8N1
pin-snap|1772435700.130456789|0x00|1|1||lines
pin-snap|1772435700.143456790|0x01|1|1|4e0d0a|
pin-snap|1772435700.145456789|0x02|1|1|52202b30303030362e303031206d6d2033202e2a31320d0a|
depth-2|1772435700.146456789|0x02|0|0|000102ff|
pin-snap|1772435701.123456789|0x09|0|0||
pin-snap|1772435702.123456789|0x00|0|0||gone: unplugged
pin-snap|1772435703.123456789|0x00|0|0||back: pin-snap-2
pin-snap|1772435704.123456789|0x05|0|0||the host does not read
pin-snap|1772435705.123456789|0x00|0|0||closed
`, out)
	// The direction also stands where pcapng has it, in epb_flags.
	for flag, event := range map[string]string{"1": "2", "2": "1"} {
		require.Equal(t, tshark(t, "-r", file, "-Y", "rtacser.eventtype == "+event), tshark(t, "-r", file, "-Y", "data && frame.packet_flags_direction == "+flag))
	}
}

// What another program has written is read: tshark copies the capture, with
// its own order of options and its own section header.
//
// Kind: outside.
func TestReadsWhatTsharkWrites(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file, copied := filepath.Join(dir, "a.pcapng"), filepath.Join(dir, "b.pcapng")
	want := sample()
	require.NoError(t, os.WriteFile(file, write(t, want), 0o644))
	tshark(t, "-r", file, "-w", copied)
	f, err := os.Open(copied)
	require.NoError(t, err)
	defer f.Close()
	got, whole, err := capture.Read(f)
	require.NoError(t, err)
	require.True(t, whole)
	require.Empty(t, cmp.Diff(want, got))
}

// Kind: property.
func FuzzRead(f *testing.F) {
	f.Add(write(f, sample()))
	f.Add(bigEndian())
	f.Fuzz(func(t *testing.T, p []byte) {
		c, _, err := capture.Read(bytes.NewReader(p))
		if err != nil {
			return
		}
		for i := range c.Events {
			e := &c.Events[i]
			require.GreaterOrEqual(t, e.At, time.Duration(0))
			require.Less(t, e.Line, len(c.Lines))
			require.LessOrEqual(t, len(e.Bytes), capture.MaxPacket)
			require.NotZero(t, e.Kind)
		}
	})
}
