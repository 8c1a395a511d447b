package bytesheet_test

import (
	"bytes"
	"encoding/hex"
	"strconv"
	"strings"
	"testing"

	"example.org/understudy/harness/bytesheet"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/wire"
	"github.com/stretchr/testify/require"
)

// examples are the frames in the comment at the head of a dialect: lines that
// stand in five columns, up to four blanks or the end. They are hexadecimal
// pairs, or text with escapes whose line end is left out.
func examples(t testing.TB, text string) (frames [][]byte) {
	for line := range strings.Lines(text) {
		if !strings.HasPrefix(line, "#") {
			break
		}
		line, found := strings.CutPrefix(strings.TrimRight(line, "\n"), "#     ")
		if !found {
			continue
		}
		line, _, _ = strings.Cut(line, "    ")
		if raw, err := hex.DecodeString(strings.ReplaceAll(line, " ", "")); err == nil {
			frames = append(frames, raw)
			continue
		}
		said, err := strconv.Unquote(`"` + line + `"`)
		require.NoError(t, err, line)
		frames = append(frames, []byte(said))
	}
	return frames
}

// The frames that the shipped dialects show in their comments are frames: the
// dialect reads each whole, its check too. The checks were worked out by other
// means when they were written: sums, exclusive ors and the bitwise CRC-16/MODBUS by
// hand in a few lines of Python, the CRC-16/IBM-3740 by its binascii.crc_hqx.
//
// Kind: outside.
func TestExamplesInComments(t *testing.T) {
	shown := map[string]int{}
	files, err := scenarios.Files.ReadDir("dialects")
	require.NoError(t, err)
	for _, f := range files {
		text, err := scenarios.Files.ReadFile("dialects/" + f.Name())
		require.NoError(t, err)
		d, err := wire.Parse(f.Name(), text)
		require.NoError(t, err)
		for _, raw := range examples(t, string(text)) {
			if bytes.Contains(text, []byte("kind: delimited")) {
				raw = append(raw, "\r\n"...)
			}
			var b strings.Builder
			good, err := bytesheet.Decode(&b, d, raw, wire.Gauge)
			require.NoError(t, err)
			require.True(t, good, "%s: %q\n%s", f.Name(), raw, b.String())
			require.Contains(t, b.String(), "1 good, 0 that are no frame")
			shown[d.Name()]++
		}
	}
	require.Equal(t, map[string]int{"line-ascii": 1, "multi-ascii": 1, "compact-binary": 1, "multi-binary": 1, "block-check": 1, "nmea-xdr": 1, "parts-ascii": 3}, shown)
}
