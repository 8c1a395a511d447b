package wire_test

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/wire"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// The worked examples: each shipped dialect here is read by a client that was
// written from its published document and does not look at the file, over more
// than 200 readings of which some are damaged on the way.
var worked = []string{"nmea-xdr", "iec-62056-21", "astm-e1381", "slcan-pdo", "seven-bit", "station-blocks"}

// rig is a gauge's end with values to send.
type rig struct {
	t   *testing.T
	d   *wire.Dialect
	end *wire.End
	rng *rand.Rand
	at  time.Duration
	n   int
}

func newRig(t *testing.T, name string) *rig {
	t.Parallel()
	file := "../../scenarios/dialects/" + name + ".yaml"
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	d, err := wire.Parse(file, text)
	require.NoError(t, err)
	return &rig{t: t, d: d, end: d.NewEnd(wire.Gauge), rng: rand.New(rand.NewPCG(7, uint64(len(name))))}
}

// truth is what a gauge has to say: a reading a channel, "" when void.
type truth struct {
	readings []string
	tag      int64
	clock    int64 // ms
}

// draw makes the next values: up to channels of them, within a number of counts,
// one in eight void.
func (r *rig) draw(channels int, counts int64, exp int) (truth, *wire.Record) {
	rec := r.d.NewRecord()
	set := func(term string, ch int, v wire.Value) { rec.Set(r.d.Term(term), ch, v) }
	r.n++
	tr := truth{tag: int64(r.n), clock: int64(r.n) * 777}
	rec.Channels(channels)
	for ch := range channels {
		v := decimal.New(r.rng.Int64N(2*counts)-counts, exp)
		text := v.String()
		set(wire.Unit, ch, wire.Str("mm"))
		set(wire.Channel, ch, wire.Int(int64(ch+1)))
		if r.rng.IntN(8) == 0 {
			text = ""
			set(wire.Void, ch, wire.Str("over"))
			set(wire.Zone, ch, wire.Str("void"))
		} else {
			set(wire.Reading, ch, wire.Num(v))
			set(wire.Void, ch, wire.Str("none"))
			set(wire.Zone, ch, wire.Str("inside"))
		}
		tr.readings = append(tr.readings, text)
	}
	set(wire.Tag, 0, wire.Int(tr.tag))
	set(wire.Tagged, 0, wire.Bool(true))
	set(wire.Seq, 0, wire.Int(tr.tag))
	set(wire.Channels, 0, wire.Int(int64(channels)))
	set(wire.Low, 0, wire.Bool(false))
	set(wire.Name, 0, wire.Str("bore-1"))
	set(wire.Serial, 0, wire.Str("0017"))
	set(wire.Clock, 0, wire.Num(decimal.New(tr.clock, -3)))
	return tr, rec
}

// ask gives the gauge bytes of the host and returns what it answers, and at what
// speed the line runs.
func (r *rig) ask(p string, rec *wire.Record) (out string, baud int) {
	said := func() {
		r.end.Says(r.at+time.Second, func(s wire.Said) {
			out += string(s.Bytes)
			baud = max(baud, s.Baud)
		})
	}
	r.end.Receive([]byte(p), r.at, func(inc wire.Incoming) {
		said()
		if req, ok := r.end.Request(inc); ok {
			reply, err := r.end.AppendReply(nil, req, wire.Outcome{OK: true, Rec: rec})
			require.NoError(r.t, err)
			out += string(reply)
		}
	})
	said()
	require.NoError(r.t, r.end.Trouble())
	return out, baud
}

// damaged flips a bit of one message in six.
func (r *rig) damaged(p string) (string, bool) {
	if len(p) == 0 || r.rng.IntN(6) != 0 {
		return p, false
	}
	b := []byte(p)
	b[r.rng.IntN(len(b))] ^= 1 << r.rng.IntN(7)
	return string(b), true
}

func same(t *testing.T, want, got []string) {
	t.Helper()
	require.GreaterOrEqual(t, len(want), 200)
	require.Empty(t, cmp.Diff(want, got))
}

func plain(text string) string {
	v, err := decimal.Parse(text)
	if err != nil {
		return "not a number: " + text
	}
	return v.Trim().String()
}

// wanted lists what a client must read of a message.
func wanted(tr truth) (list []string) {
	for ch, v := range tr.readings {
		if v != "" {
			v = plain(v)
		}
		list = append(list, fmt.Sprintf("%d:%s", ch+1, v))
	}
	return list
}

// NMEA 0183: the layout of XDR (type, data, units, name) from a public copy of
// an excerpt of the list of sentences (not opened whole); $ to CR LF and the exclusive or from memory.
//
// Kind: outside.
func TestClientNMEA(t *testing.T) {
	r := newRig(t, "nmea-xdr")
	var want, got []string
	xor := func(s string) string {
		x := byte(0)
		for i := range len(s) {
			x ^= s[i]
		}
		return fmt.Sprintf("%02X", x)
	}
	for range 120 {
		tr, rec := r.draw(3, 9_999_999, -5)
		raw, err := r.end.Emit(nil, r.d.FrameFor("reading"), rec, r.n, 0)
		require.NoError(t, err)
		lines := strings.SplitAfter(string(raw), "\n")
		for i, w := range wanted(tr) {
			line, bad := r.damaged(lines[i])
			if !bad {
				want = append(want, w)
			}
			body, sum, ok := strings.Cut(strings.TrimSuffix(strings.TrimPrefix(line, "$"), "\r\n"), "*")
			if !ok || !strings.HasPrefix(line, "$") || !strings.HasSuffix(line, "\r\n") || len(line) > 82 || sum != xor(body) {
				continue
			}
			f := strings.Split(body, ",") // talker and XDR, type, data, units, name
			require.Equal(t, []string{"YXXDR", "D", "M"}, []string{f[0], f[1], f[3]})
			mm := ""
			if f[2] != "" {
				mm = decimal.MustParse(f[2]).Mul(decimal.New(1000, 0)).Trim().String()
			}
			got = append(got, strings.TrimPrefix(f[4], "P")+":"+mm)
		}
	}
	same(t, want, got)
}

// IEC 62056-21, mode C: request, identification, option select, data block with
// its block check character, which covers what follows STX up to ETX (from memory;
// the document could not be opened).
//
// Kind: outside.
func TestClientIEC62056(t *testing.T) {
	r := newRig(t, "iec-62056-21")
	var want, got []string
	line := regexp.MustCompile(`^(\d)\.0\((.*)\*mm\)\(\d\)\r\n`)
	for range 120 {
		tr, rec := r.draw(2, 9_999_999, -5)
		want = append(want, wanted(tr)...)
		for tries := 0; ; tries++ {
			require.Less(t, tries, 40)
			id, _ := r.ask("/?!\r\n", rec)
			require.Regexp(t, `^/[A-Z]{3}5bore-1\r\n$`, id, "5 is 9600 bit/s")
			block, baud := r.ask("\x06050\r\n", rec)
			require.Equal(t, 9600, baud, "the block comes at the speed that was chosen")
			block, _ = r.damaged(block)
			// It goes back to 300 bit/s when nothing is said.
			due, ok := r.end.Deadline()
			require.True(t, ok)
			r.at = due
			r.end.Quiet(r.at, func(wire.Incoming) {})
			_, baud = r.ask("", rec)
			require.Equal(t, 300, baud)
			bcc := byte(0)
			for i := 1; i < len(block)-1; i++ {
				bcc ^= block[i]
			}
			if len(block) < 4 || block[0] != 2 || block[len(block)-2] != 3 || block[len(block)-1] != bcc {
				continue // ask again
			}
			text := block[1 : len(block)-2]
			for m := line.FindStringSubmatch(text); m != nil; m = line.FindStringSubmatch(text) {
				v := ""
				if m[2] != "OVER" {
					v = plain(m[2])
				}
				got = append(got, m[1]+":"+v)
				text = text[len(m[0]):]
			}
			require.Equal(t, "!\r\n", text)
			break
		}
	}
	same(t, want, got)
}

// ASTM E1381: the frame (STX, number, text, ETX, two digits of the sum from the
// number to ETX, CR LF), numbers from 1, 7 followed by 0, NAK for a damaged frame
// and for a wrong number, a frame that comes again counted once: from an excerpt of a
// description of the document. Six tries and 15 s from memory.
//
// Kind: outside.
func TestClientASTM(t *testing.T) {
	r := newRig(t, "astm-e1381")
	var want, got []string
	for range 110 {
		tr, rec := r.draw(2, 9_999_999, -5)
		want = append(want, wanted(tr)...)
		_, err := r.end.Emit(nil, r.d.FrameFor("reading"), rec, r.n, r.at)
		require.NoError(t, err)
		out, _ := r.ask("", rec)
		require.Equal(t, "\x05", out)
		expect, last := 1, -1
		var records []string
		answer := "\x06"
		for steps := 0; steps < 60; steps++ {
			out, _ = r.ask(answer, rec)
			if out == "\x04" {
				break
			}
			out, _ = r.damaged(out)
			answer = "\x15"
			n := len(out)
			if n < 7 || out[0] != 2 || out[n-5] != 3 || out[n-2:] != "\r\n" {
				continue
			}
			sum := 0
			for i := 1; i < n-4; i++ {
				sum += int(out[i])
			}
			number := int(out[1] - '0')
			switch {
			case fmt.Sprintf("%02X", sum%256) != out[n-4:n-2]:
			case number == last:
				answer = "\x06" // again: taken already
			case number == expect%8:
				answer = "\x06"
				records = append(records, out[2:n-5])
				last, expect = number, expect+1
			}
		}
		require.Len(t, records, 4)
		require.True(t, strings.HasPrefix(records[0], `H|\^&|`))
		for _, rec := range records[1:3] {
			f := strings.Split(strings.TrimSuffix(rec, "\r"), "|") // R, number, test, value, units, range, flags
			if f[3] != "" {
				f[3] = plain(f[3])
			}
			require.Equal(t, fmt.Sprintf("^^^LENGTH^%d", tr.tag), f[2])
			require.Equal(t, "mm", f[4])
			got = append(got, f[1]+":"+f[3])
		}
		require.Equal(t, "L|1|N\r", records[3])
		require.Equal(t, "idle", r.end.State())
	}
	same(t, want, got)
}

// SLCAN: t, three digits of identifier, the count of bytes, two digits each, four
// digits of time in ms up to EA5F, CR; from excerpts of descriptions of the protocol.
// TPDO n of a node stands at 100 hex times n, plus 80 hex, plus the node (CiA 301,
// from memory). There is no check: damage here is characters that are lost and noise.
//
// Kind: outside.
func TestClientSLCAN(t *testing.T) {
	r := newRig(t, "slcan-pdo")
	form := regexp.MustCompile(`^t([0-9A-F]{3})8([0-9A-F]{16})([0-9A-F]{4})\r$`)
	var want, got []string
	for range 80 {
		tr, rec := r.draw(4, 1_000_000, -5)
		raw, err := r.end.Emit(nil, r.d.FrameFor("reading"), rec, r.n, 0)
		require.NoError(t, err)
		lines := strings.SplitAfter(string(raw), "\r")
		for i, w := range wanted(tr) {
			text := lines[i]
			if r.rng.IntN(6) == 0 {
				k := r.rng.IntN(len(text) - 1)
				text = text[:k] + text[k+1:]
			} else {
				want = append(want, fmt.Sprintf("%s tag %d at %d", w, tr.tag, tr.clock%60000))
			}
			m := form.FindStringSubmatch(text)
			if m == nil {
				continue
			}
			id, _ := strconv.ParseUint(m[1], 16, 12)
			data, _ := hex.DecodeString(m[2])
			ms, _ := strconv.ParseUint(m[3], 16, 16)
			v := ""
			if data[4]&0x80 == 0 {
				v = decimal.New(int64(int32(binary.LittleEndian.Uint32(data))), -5).Trim().String()
			}
			require.EqualValues(t, 1, id&0x7f, "the node")
			require.Equal(t, byte(r.n), data[5])
			tag := binary.LittleEndian.Uint16(data[6:])
			require.Zero(t, data[4]&0x40, "it has a tag")
			got = append(got, fmt.Sprintf("%d:%s tag %d at %d", (id-0x80)>>8, v, tag, ms))
		}
	}
	same(t, want, got)
	for ask, answer := range map[string]string{"O\r": "\r", "Z1\r": "\r", "Z0\r": "\a", "V\r": "V1010\r", "N\r": "N0017\r", "S6\r": "\r"} {
		_, rec := r.draw(1, 100, -3)
		out, _ := r.ask(ask, rec)
		require.Equal(t, answer, out, ask)
	}
}

// Twelve bits in two bytes of seven behind a sync byte (common practice, no
// source). Damage is bytes that are lost and noise without the sync bit.
//
// Kind: outside.
func TestClientSevenBit(t *testing.T) {
	r := newRig(t, "seven-bit")
	var want, got []string
	var stream []byte
	lost := false // what is left of two damaged messages in a row may look like one
	for range 80 {
		tr, rec := r.draw(4, 2000, -3)
		raw, err := r.end.Emit(nil, r.d.FrameFor("reading"), rec, r.n, 0)
		require.NoError(t, err)
		for i, w := range wanted(tr) {
			m := raw[3*i : 3*i+3]
			draw := r.rng.IntN(6)
			if lost && draw == 0 {
				draw = 2
			}
			lost = draw == 0
			switch draw {
			case 0:
				k := r.rng.IntN(3)
				m = append(bytes.Clone(m[:k]), m[k+1:]...)
			case 1:
				m = append(bytes.Clone(m), byte(r.rng.IntN(128)))
				want = append(want, w)
			default:
				want = append(want, w)
			}
			stream = append(stream, m...)
		}
	}
	for i := 0; i+2 < len(stream); i++ {
		a, b, c := int64(stream[i]), int64(stream[i+1]), int64(stream[i+2])
		if a < 0x80 || b >= 0x80 || c >= 0x80 {
			continue
		}
		n := (b&0x3f)<<6 | c>>1
		if n >= 2048 {
			n -= 4096
		}
		v := decimal.New(n, -3).Trim().String()
		if b&0x40 != 0 {
			v = ""
		}
		got = append(got, fmt.Sprintf("%d:%s", a>>5&3+1, v))
		i += 2
	}
	same(t, want, got)
}

func kermit(p []byte) uint16 { // CRC-16/KERMIT, a bit at a time: the CRC catalogue's parameters
	c := uint16(0)
	for _, b := range p {
		c ^= uint16(b)
		for range 8 {
			low := c & 1
			if c >>= 1; low != 0 {
				c ^= 0x8408
			}
		}
	}
	return c
}

// Stations with sequence numbers; the protocol is our own and described at the
// head of its file. The check of 123456789 is 2189 (the CRC catalogue).
//
// Kind: property.
func TestClientStation(t *testing.T) {
	require.EqualValues(t, 0x2189, kermit([]byte("123456789")))
	r := newRig(t, "station-blocks")
	var want, got []string
	command := func(seq int, text string) string {
		head := fmt.Sprintf("@03 %02X %s ", seq, text)
		c := kermit([]byte(head))
		return fmt.Sprintf("%s%02X%02X\r", head, c&255, c>>8)
	}
	for range 110 {
		tr, rec := r.draw(2, 9_999_999, -5)
		want = append(want, wanted(tr)...)
		for tries := 0; ; tries++ {
			require.Less(t, tries, 40)
			seq := r.rng.IntN(256)
			ask, spoilt := r.damaged(command(seq, "READ"))
			out, _ := r.ask(ask, rec)
			if out == "" {
				require.True(t, spoilt)
				r.ask("\r", rec) // whatever is half said is over
				continue
			}
			out, _ = r.damaged(out)
			p := []byte(out)
			if len(p) < 7 || p[0] != 0xb1 || int(binary.LittleEndian.Uint16(p[1:])) != len(p)-3 || kermit(p[:len(p)-2]) != binary.LittleEndian.Uint16(p[len(p)-2:]) {
				continue
			}
			require.Equal(t, []byte{3, byte(seq), 2}, p[3:6], "station, the sequence number again, channels")
			for ch := range 2 {
				n := int32(binary.LittleEndian.Uint32(p[6+5*ch:]))
				v := ""
				if n != 0x7fffffff {
					v = decimal.New(int64(n), -5).Trim().String()
				}
				got = append(got, fmt.Sprintf("%d:%s", ch+1, v))
			}
			break
		}
	}
	same(t, want, got)
	_, rec := r.draw(1, 10, -3)
	out, _ := r.ask(command(0x1a, "WHO"), rec)
	require.True(t, strings.HasPrefix(out, "@03 1A bore-1;0017 "), out)
	none, _ := r.ask(strings.Replace(command(1, "WHO"), "@03", "@04", 1), rec)
	require.Empty(t, none, "another station is asked")
}
