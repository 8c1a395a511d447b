package judge

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func texts(fs ...string) (out [][]byte) {
	for _, f := range fs {
		out = append(out, []byte(f))
	}
	return out
}

// Kind: property.
func TestStanding(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		piece  string
		frames [][]byte
		want   []int
	}{
		"whole":                        {"aabbcc", texts("aa", "bb", "cc"), []int{0, 2, 4}},
		"behind garbage":               {"..aa", texts("aa"), []int{2}},
		"one is damaged":               {"aaxxcc", texts("aa", "bb", "cc"), []int{0, -1, 4}},
		"the first of four alike":      {"xa" + "aa" + "tt" + "aa" + "aa", texts("aa", "aa", "tt", "aa", "aa"), []int{-1, 2, 4, 6, 8}},
		"the last of three alike":      {"aaaaxa", texts("aa", "aa", "aa"), []int{0, 2, -1}},
		"a byte too many":              {"aaatt", texts("aa", "aa", "tt"), []int{0, -1, 3}},
		"a byte is doubled":            {"aabbbcc", texts("aa", "bb", "cc"), []int{0, 2, 5}},
		"none":                         {"xxxx", texts("aa", "bb"), []int{-1, -1}},
		"no bytes of the gauge":        {"", texts("aa", "bb"), []int{-1, -1}},
		"a frame without bytes":        {"aabb", texts("aa", "", "bb"), []int{0, 2, 2}},
		"one of two, in their order":   {"bbaa", texts("aa", "bb"), []int{2, -1}},
		"the same piece a second time": {"aabbaabb", texts("aa", "bb"), []int{0, 2}},
	} {
		if d := cmp.Diff(c.want, standing(nil, []byte(c.piece), c.frames)); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}

// Of frames in one piece, some of them damaged in a byte without another length, each
// whole one is found at its place, however alike they are: unless as many can be found in
// another way.
//
// Kind: property.
func TestStandingOfWholeFrames(t *testing.T) {
	t.Parallel()
	count := func(at []int) (n int) {
		for _, a := range at {
			if a >= 0 {
				n++
			}
		}
		return n
	}
	rapid.Check(t, func(t *rapid.T) {
		frames := rapid.SliceOfN(rapid.SampledFrom([]string{"aab", "aab", "abab", "b"}), 2, 12).Draw(t, "frames")
		var piece []byte
		var want []int
		for _, f := range frames {
			at := len(piece)
			piece = append(piece, f...)
			if rapid.Bool().Draw(t, "damaged") {
				piece[at+rapid.IntRange(0, len(f)-1).Draw(t, "byte")] = '!'
				at = -1
			}
			want = append(want, at)
		}
		got := standing(nil, piece, texts(frames...))
		if count(got) < count(want) || count(got) == count(want) && !cmp.Equal(got, want) {
			t.Fatalf("%q of %q: found at %v, stand at %v", frames, piece, got, want)
		}
		end := 0
		for k, a := range got {
			if a < 0 {
				continue
			}
			if a < end || string(piece[a:a+len(frames[k])]) != frames[k] {
				t.Fatalf("%q of %q: %v", frames, piece, got)
			}
			end = a + len(frames[k])
		}
	})
}
