package wire

import (
	"math/big"
	"math/bits"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Whatever its parameters, a CRC is what a shift register bit by bit leaves.
//
// Kind: model.
func TestCRCAgainstAShiftRegister(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		width := rapid.IntRange(1, 64).Draw(t, "width")
		mask := ^uint64(0) >> (64 - width)
		word := func(name string) uint64 { return rapid.Uint64().Draw(t, name) & mask }
		c := CRC{width, word("polynomial"), word("initial"), word("last"), rapid.Bool().Draw(t, "in"), rapid.Bool().Draw(t, "out")}
		p := rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "bytes")
		r := c.Init
		for _, b := range p {
			if c.ReflectIn {
				b = bits.Reverse8(b)
			}
			for i := 7; i >= 0; i-- {
				carry := r>>(width-1)&1 != uint64(b)>>i&1
				if r = r << 1 & mask; carry {
					r ^= c.Poly
				}
			}
		}
		if c.ReflectOut {
			r = bits.Reverse64(r) >> (64 - width)
		}
		require.Equal(t, r^c.XorOut, newCRC(c).sum(p))
	})
}

// Fletcher's sums in closed form: the sum of the words, and that of each word as often as
// it has been in the first sum, both modulo all ones.
//
// Kind: model.
func TestFletcherInClosedForm(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.SampledFrom([]int{1, 2, 4}).Draw(t, "bytes of a word")
		ws := rapid.SliceOfN(rapid.Uint64Max(1<<(8*size)-1), 0, 50).Draw(t, "words")
		var p []byte
		a, b := new(big.Int), new(big.Int)
		for i, w := range ws {
			p = appendUint(p, w, size, littleEndian)
			a.Add(a, new(big.Int).SetUint64(w))
			b.Add(b, new(big.Int).Mul(new(big.Int).SetUint64(w), big.NewInt(int64(len(ws)-i))))
		}
		ones := big.NewInt(1<<(8*size) - 1)
		require.Equal(t, b.Mod(b, ones).Uint64()<<(8*size)|a.Mod(a, ones).Uint64(), fletcher(16*size)(p))
	})
}

// 01 02 03 04 in each order: the words of 16 bits turned, the bytes in them, both.
//
// Kind: outside.
func TestByteOrders(t *testing.T) {
	for order, want := range map[byteOrder]string{bigEndian: "\x01\x02\x03\x04", littleEndian: "\x04\x03\x02\x01", bigSwapped: "\x03\x04\x01\x02", littleSwapped: "\x02\x01\x04\x03"} {
		require.Equal(t, want, string(appendUint(nil, 0x01020304, 4, order)), order)
		require.Equal(t, uint64(0x01020304), readUint([]byte(want), order), order)
	}
}

// RFC 1055 writes C0 as DB DC and DB as DB DD; RFC 1662 §4.2 writes 7E as 7D 5E and 7D as
// 7D 5D. From memory.
//
// Kind: outside.
func TestEscapes(t *testing.T) {
	for kind, want := range map[string]string{"slip": "\xdb\xdc\xdb\xdd~}\xc0", "hdlc": "\xc0\xdb\x7d\x5e\x7d\x5d~"} {
		d := parse(t, kind, "dialect: d\nframing: {kind: "+kind+", longest: 9}\nframes: [{name: x, sent: [reading], fields: [{bytes: C0 DB 7E 7D}]}]\n")
		_, raw, err := d.Sample(0)
		require.NoError(t, err)
		require.Equal(t, want, string(raw), kind)
	}
}

// A sync bit stands in the first byte and in no other.
//
// Kind: property.
func TestSyncBits(t *testing.T) {
	f := framing{framingSpec: &framingSpec{Mask: 0x80}}
	for raw, want := range map[string]int{"\x81\x01\x02": -1, "\x01\x01": 0, "\x81\x01\x82": 2, "\x81\x81": 1} {
		require.Equal(t, want, f.unsynced([]byte(raw)), "% x", raw)
	}
}

// A split byte between quotes splits nothing.
//
// Kind: property.
func TestUnitsOfALine(t *testing.T) {
	var got []string
	f := framing{split: ';'}
	f.units([]byte(`a "x;y"; b;c`), Host, func(u unit) { got = append(got, string(u.text)) })
	require.Empty(t, cmp.Diff([]string{`a "x;y"`, "b", "c"}, got))
}

const oneWord = `
dialect: words
framing: {kind: delimited, end: "\n", longest: 9}
frames: [{name: word, sent: [reading], fields: [{text: a, longest: 9, value: good}]}]
`

// What stands behind a line that is too long, up to its end, is none, though it would be a
// frame by itself.
//
// Kind: property.
func TestTheRestOfALongLineIsNoFrame(t *testing.T) {
	d := parse(t, "words", oneWord)
	var good []string
	end := d.NewEnd(Host)
	for _, p := range []string{strings.Repeat("x", 30), "good\n", "good\n"} {
		end.Receive([]byte(p), 0, func(inc Incoming) {
			if inc.Garbage == nil {
				good = append(good, string(inc.Raw))
			}
		})
	}
	require.Equal(t, []string{"good\n"}, good)
}

// A frame is spoilt by bytes of which no frame is found, and none is lost behind them, nor
// one found that was not sent.
//
// Kind: property.
func TestWhatSpoilsAFrame(t *testing.T) {
	letters := parse(t, "letters", strings.Replace(oneWord, ", value: good", "", 1))
	for _, c := range []struct {
		d          *Dialect
		bad, frame string
		want       bool
	}{
		{parse(t, "words", oneWord), "goof\n", "good\n", true},
		{parse(t, "words", oneWord), "good\x0b", "good\n", false}, // what follows is lost with it
		{letters, "bad\n", "abc\n", false},                        // another frame
		{letters, "abcX", "abc\n", false},                         // with what follows it is another one
	} {
		require.Equal(t, c.want, c.d.Spoils([]byte(c.bad), []byte(c.frame)), "%q for %q", c.bad, c.frame)
	}
}

// A check covers the length before it, which has to be there by then; and a length has to
// fit in its bytes.
//
// Kind: outside.
func TestLengthsAreChecked(t *testing.T) {
	d := parse(t, "checked", "dialect: d\nframing: {kind: cobs, longest: 300}\nframes: [{name: x, fields: [{length: b, size: 1}, {text: b, width: 2, value: BC}, {check: sum}]}]\n")
	body, err := d.appendBody(nil, 0, d.NewRecord())
	require.NoError(t, err)
	require.Equal(t, "\x02BC\x87", string(body)) // 02 + 42 + 43
	long := parse(t, "long", "dialect: d\nframing: {kind: cobs, longest: 300}\nframes: [{name: x, fields: [{length: b, size: 1}, {text: b, longest: 280}]}]\n")
	_, err = long.appendBody(nil, 0, set(long, long.NewRecord(), 0, "b", strings.Repeat("a", 257)))
	require.ErrorContains(t, err, "does not fit in the field")
}
