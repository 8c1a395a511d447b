package judge

import (
	"bytes"
	"slices"
)

// mostPlaces bounds the work on one piece: frames times the places that they may have.
const mostPlaces = 1 << 20

// standing finds frames in a piece in their order: as many of them as can be, and of those
// choices the one that has each nearest to where it stands if all arrive whole. Frames
// that are alike, one of them damaged, are so told apart. The place of one that is not
// there is −1. They are appended to at, or none where the work would be too much.
func standing(at []int, piece []byte, frames [][]byte) []int {
	if len(frames) == 1 && len(frames[0]) > 0 {
		return append(at, bytes.Index(piece, frames[0]))
	}
	off := 0
	for _, f := range frames {
		at = append(at, off)
		if off += len(f); off > len(piece) || !bytes.Equal(piece[off-len(f):off], f) {
			return append(at[:0], bestStanding(piece, frames)...)
		}
	}
	return at
}

func bestStanding(piece []byte, frames [][]byte) []int {
	found := map[string][]int{} // where each text stands in the piece
	ends := []int{0}
	for _, f := range frames {
		if _, looked := found[string(f)]; looked || len(f) == 0 {
			continue
		}
		var starts []int
		for from := 0; ; from++ {
			i := bytes.Index(piece[from:], f)
			if i < 0 {
				break
			}
			from += i
			starts = append(starts, from)
			ends = append(ends, from+len(f))
		}
		found[string(f)] = starts
	}
	slices.Sort(ends)
	ends = slices.Compact(ends)
	if len(ends)*len(frames) > mostPlaces {
		return nil
	}
	const one = int64(1) << 40             // a frame found outweighs any distance
	best := make([]int64, len(ends))       // of the frames so far, the last of which ends at most there
	before := make([][]int32, len(frames)) // the end before a frame that is taken with this end, else −1
	for k, off := 0, 0; k < len(frames); k++ {
		f, next := frames[k], slices.Clone(best)
		before[k] = slices.Repeat([]int32{-1}, len(ends))
		for _, start := range found[string(f)] {
			from, _ := slices.BinarySearch(ends, start+1)
			from-- // the last end that is not behind the start
			to, _ := slices.BinarySearch(ends, start+len(f))
			if v := best[from] + one - int64(max(start-off, off-start)); v > next[to] {
				next[to], before[k][to] = v, int32(from)
			}
		}
		for e := 1; e < len(next); e++ { // what ends earlier ends at most here
			if next[e-1] > next[e] {
				next[e], before[k][e] = next[e-1], -2
			}
		}
		best, off = next, off+len(f)
	}
	at := slices.Repeat([]int{-1}, len(frames))
	for k, e := len(frames)-1, len(ends)-1; k >= 0; k-- {
		for before[k][e] == -2 {
			e--
		}
		if from := before[k][e]; from >= 0 {
			at[k] = ends[e] - len(frames[k])
			e = int(from)
		}
	}
	return at
}
