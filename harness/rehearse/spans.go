package rehearse

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
	"time"
)

// Spans counts lengths of time, and keeps how they are distributed.
type Spans struct {
	N    int           `json:"n"`
	Sum  time.Duration `json:"sum"`
	Most time.Duration `json:"most"`
	Bins []Bin         `json:"bins,omitempty"` // in order of length; none where only the sums were kept
}

// Bin is how many lengths fall into a bin, and which: [number, count].
//
// A length in nanoseconds below 8 has a bin of its own; from there on each
// doubling is cut into eight, so that a bin is at most an eighth of its lower
// end wide and an hour is in bin 317. The bins are whole numbers, so that parts of a
// rehearsal add up to the whole to the last digit.
type Bin [2]int

const lastBin = 8 * 61 // of the longest time.Duration

func binOf(d time.Duration) int {
	if d < 8 {
		return int(max(d, 0))
	}
	e := bits.Len64(uint64(d)) - 4 // 0 for 8 to 15
	return 8*(e+1) + int(uint64(d)>>e&7)
}

// binEnds are the smallest length of a bin and the smallest of the next.
func binEnds(b int) (low, high time.Duration) {
	if b < 8 {
		return time.Duration(b), time.Duration(b + 1)
	}
	e := b/8 - 1
	low = time.Duration(8+b%8) << e
	return low, low + 1<<e
}

func (s *Spans) add(d time.Duration) { s.addN(d, 1) }

// addN adds n spans of the same length.
func (s *Spans) addN(d time.Duration, n int) {
	s.N += n
	s.Sum += d * time.Duration(n)
	s.Most = max(s.Most, d)
	s.put(binOf(d), n)
}

func (s *Spans) put(bin, n int) {
	if last := len(s.Bins) - 1; last >= 0 && s.Bins[last][0] == bin {
		s.Bins[last][1] += n
		return
	}
	i, found := slices.BinarySearchFunc(s.Bins, bin, func(b Bin, want int) int { return b[0] - want })
	if !found {
		s.Bins = slices.Insert(s.Bins, i, Bin{bin, 0})
	}
	s.Bins[i][1] += n
}

// merge adds the spans of another count.
func (s *Spans) merge(o *Spans) {
	s.N, s.Sum, s.Most = s.N+o.N, s.Sum+o.Sum, max(s.Most, o.Most)
	for _, b := range o.Bins {
		s.put(b[0], b[1])
	}
}

// Mean is the mean length; 0 if there are none.
func (s *Spans) Mean() time.Duration {
	if s.N == 0 {
		return 0
	}
	return s.Sum / time.Duration(s.N)
}

// Below is the length that a share of the spans, above 0 and up to 1, is not longer
// than: the middle of the bin it falls into, which is within 6 % of it, and never
// more than the longest. 0 if there are none.
func (s *Spans) Below(share float64) time.Duration {
	rank := int(math.Ceil(share * float64(s.N)))
	for _, b := range s.Bins {
		if rank -= b[1]; rank <= 0 {
			low, high := binEnds(b[0])
			return min(low+(high-low)/2, s.Most)
		}
	}
	return s.Most
}

// check says what is wrong with spans that were read.
func (s *Spans) check() error {
	n, last := 0, -1
	for _, b := range s.Bins {
		if b[0] <= last || b[0] >= lastBin || b[1] <= 0 || b[1] > s.N {
			return fmt.Errorf("%d spans in bin %d are out of order", b[1], b[0])
		}
		last = b[0]
		n += b[1]
	}
	if s.N < 0 || s.Sum < 0 || s.Most < 0 || s.Most > s.Sum || s.Bins != nil && (n != s.N || binOf(s.Most) != last) {
		return fmt.Errorf("its spans do not add up")
	}
	return nil
}
