package check_test

import (
	"strings"
	"testing"

	"example.org/understudy/harness/paper"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// Each act is shown by a shipped scenario that says what to notice. What the
// wire shows of each is tested act by act in sim/stage.
//
// Kind: self.
func TestEveryActIsShipped(t *testing.T) {
	t.Parallel()
	left := map[string]bool{}
	for _, v := range stage.Verbs() {
		left[v] = true
	}
	for _, name := range shippedNames(t) {
		s := shipped(t, name)
		require.NotEmpty(t, strings.TrimSpace(s.Notice), "%s does not say what to notice", name)
		for _, c := range s.Play.Cues {
			delete(left, stage.VerbOf(c.Act))
		}
	}
	require.Empty(t, left, "no shipped scenario shows these")
}

// The gauge of the shipped dialect with parts names itself once, before its
// first reading, and leaves out on the wire what its settings say.
//
// Kind: process.
func TestPartsOfALine(t *testing.T) {
	t.Parallel()
	entries, err := paper.Ledger(t.Context(), shipped(t, "32-parts-of-a-line"))
	require.NoError(t, err)
	var said []string // the tags' lines, and the banner with the line after it
	after := false
	for _, e := range entries {
		if e.Kind != ledger.KindFrame {
			continue
		}
		if e.Frame.Cause != ledger.Stream || after {
			said = append(said, string(e.Frame.Bytes))
		}
		after = e.Frame.Cause == ledger.Banner
	}
	// The checks are the sum of all bytes before them, as two digits.
	require.Empty(t, cmp.Diff([]string{
		"> 0012 +00012.004mm3T0001/apSm*2D\r\n",
		"HELLO SN-SPIGOT-STAND 1.0\r\n",
		"> 0002 +00012.004mm3/apsM*17\r\n",
		"> 0017 +00012.004mm3T0002/ApSM*F3\r\n",
		"> 0039 +00012.004mm3T0003*78\r\n",
		"0061 +00012.008mm3T0004*1A\r\n",
		"0081 +00012.012mm4T0005\r\n",
	}, said))
}
