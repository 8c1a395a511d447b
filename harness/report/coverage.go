package report

import (
	"fmt"
	"slices"
	"strings"

	"example.org/understudy/harness/judge"
)

// Covered is what runs together could have shown; ok is false where it was worked out
// for none.
func Covered(runs []Run) (all judge.Coverage, ok bool) {
	for i := range runs {
		c := runs[i].Result.Coverage
		switch {
		case c == nil:
		case !ok:
			ok = true
			all = judge.Coverage{Shown: slices.Clone(c.Shown), Unshown: slices.Clone(c.Unshown), Lacks: slices.Clone(c.Lacks), Frames: c.Frames}
		default:
			for _, n := range c.Shown {
				if k := slices.Index(all.Unshown, n); k >= 0 {
					all.Unshown, all.Shown = slices.Delete(all.Unshown, k, k+1), append(all.Shown, n)
				}
			}
			all.Lacks = slices.DeleteFunc(all.Lacks, func(l string) bool { return !slices.Contains(c.Lacks, l) })
			all.Frames = max(all.Frames, c.Frames)
		}
	}
	return all, ok
}

// CoverageLine says in a line what runs could not have shown; empty where that was not
// worked out.
func CoverageLine(runs []Run) string {
	c, ok := Covered(runs)
	if !ok {
		return ""
	}
	these := "these runs"
	if len(runs) == 1 {
		these = "this run"
	}
	n := len(c.Unshown)
	if n == 0 {
		return fmt.Sprintf("%s could have shown all %d mistakes of the catalogue", these, len(c.Shown))
	}
	s := fmt.Sprintf("%s could not have shown %d of %d mistakes of the catalogue", these, n, n+len(c.Shown))
	if len(c.Lacks) > 0 {
		s += ": no " + strings.Join(c.Lacks, ", no ")
	}
	if c.Frames > 0 {
		s += fmt.Sprintf(" (of a long run the first %d frames were looked at)", c.Frames)
	}
	return s
}
