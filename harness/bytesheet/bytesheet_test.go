package bytesheet_test

import (
	"strings"
	"testing"

	"example.org/understudy/harness/bytesheet"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/wire"
	"github.com/stretchr/testify/require"
)

// Every shipped dialect shows a sample of each of its frames, and what a sample
// is made of is read back whole.
//
// Kind: property.
func TestShippedDialects(t *testing.T) {
	files, err := scenarios.Files.ReadDir("dialects")
	require.NoError(t, err)
	for _, f := range files {
		text, err := scenarios.Files.ReadFile("dialects/" + f.Name())
		require.NoError(t, err)
		d, err := wire.Parse(f.Name(), text)
		require.NoError(t, err)
		var b strings.Builder
		require.NoError(t, bytesheet.Samples(&b, d))
		require.NotContains(t, b.String(), "no sample", f.Name())
		require.NotContains(t, b.String(), "\n! ", f.Name())
		for _, info := range d.Frames() {
			require.Contains(t, b.String(), "\n"+info.Name+"  (")
		}
	}
}

// Kind: property.
func TestDecodeAccountsForEveryByte(t *testing.T) {
	text, err := scenarios.Files.ReadFile("dialects/line-ascii.yaml")
	require.NoError(t, err)
	d, err := wire.Parse("line-ascii.yaml", text)
	require.NoError(t, err)
	var b strings.Builder
	good, err := bytesheet.Decode(&b, d, []byte("R +00022.003 mm 3 .*63\r\nR +"), wire.Gauge)
	require.NoError(t, err)
	require.False(t, good)
	require.Contains(t, b.String(), "bytes 24 to 26: no frame: its end never came")
	require.Contains(t, b.String(), "1 good, 1 that are no frame, of 27 bytes")
}
