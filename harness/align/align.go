// Package align pairs what should have been recorded with what was recorded,
// in order, at the least total cost, so that one lost record is one gap and not
// a thousand wrong pairs.
//
// It is a global alignment (Needleman and Wunsch, J. Mol. Biol. 48 (1970)
// 443–453) with a cost for a want left without a record, for a record left
// without a want, and for a pair that disagrees. Runs of agreeing pairs are
// taken as they come, which is optimal, and so are runs of pairs that are
// surely the same thing; only the neighbourhood of a gap is worked out by
// dynamic programming, in a window that grows until the two sides run together
// again. Time is near-linear and memory
// bounded by one window and one index of fixed size. The result is optimal
// when a disagreement's neighbourhood fits the largest window; beyond that a
// run of four equal keys re-joins the sides, as in a long outage. Where both
// sides go on repeating themselves, whether a want that is free to leave out has
// a record may show only much later; pairs are then moved by one.
package align

import "math"

// Full is the highest cost Skip and Extra return. A pair of cost 0 is taken
// without looking further when both its want and its record cost Full to leave
// out: no other choice can then be cheaper.
const Full = 10

// Sides describes the two sequences: wants 0 ≤ i < N and records 0 ≤ j < M.
type Sides interface {
	Len() (n, m int)
	// Skip is the cost of want i having no record, 0 to Full.
	Skip(i int) int
	// Extra is the cost of record j having no want, 0 to Full.
	Extra(j int) int
	// Pair is the cost of pairing them, 0 when they agree.
	Pair(i, j int) int
	// Same reports whether they are the same thing even when they disagree
	// elsewhere; named, that they are by something their neighbours do not
	// share, such as a tag number. Several in a row are paired without looking
	// at the alternatives, if they are named or cost Full to leave out.
	Same(i, j int) (same, named bool)
	// Keys are hashes of everything that identifies a want and a record; where
	// several in a row are equal the sides run together.
	WantKey(i int) uint64
	RecordKey(j int) uint64
}

const (
	smallest = 16  // first window
	largest  = 512 // last window
	steady   = 32  // window while nothing agrees anywhere
	run      = 6   // agreeing pairs that end a neighbourhood
	gram     = 4   // equal keys that re-join the sides after a long gap
	ahead    = 1 << 17
	farthest = 1 << 12 // pairs that are moved by one at most
	short    = 1 << 14 // pairs that are possible between sides that are short
)

type aligner struct {
	Sides
	n, m  int
	match []int32
	cost  []int32
	// index of key runs in records from, and where it was last searched in vain.
	index      map[uint64]int32
	indexFrom  int
	searchFrom int
	w          int   // the width of the window's rows
	stuck      bool  // nothing agreed in the last window
	free       []int // wants that cost nothing to leave out
}

// Align returns, for each want, the record paired with it or −1. Pairs are in
// order: a later want has a later record.
func Align(s Sides) []int32 {
	a := aligner{Sides: s}
	a.n, a.m = s.Len()
	a.match = make([]int32, a.n)
	for i := range a.match {
		a.match[i] = -1
		if a.Skip(i) == 0 {
			a.free = append(a.free, i)
		}
	}
	for i, j := 0, 0; i < a.n && j < a.m; {
		if a.sure(i, j) || a.joined(i, j) {
			a.match[i] = int32(j)
			i, j = i+1, j+1
			a.stuck = false
			continue
		}
		if k, ok := a.reconsider(i, j); ok && k < a.m { // the sides agree there
			a.match[i] = int32(k)
			i, j = i+1, k+1
			continue
		} else if ok {
			j = k
			continue
		}
		i, j = a.window(i, j)
	}
	a.mend()
	a.perfect()
	return a.match
}

// perfect works out the cheapest way as a whole, where the sides are short and the one
// found leaves something over although some wants are free: sides that repeat themselves
// may have run together too soon.
func (a *aligner) perfect() {
	if len(a.free) == 0 || a.n*a.m > short || a.total() == 0 {
		return
	}
	a.fill(0, 0, a.n, a.m)
	if a.cost[a.n*a.w+a.m] >= a.total() {
		return
	}
	for i := range a.match {
		a.match[i] = -1
	}
	a.keep(0, 0, a.n, a.m, a.n+a.m)
}

// total is the cost of the pairs as they are.
func (a *aligner) total() (sum int32) {
	has := make([]bool, a.m)
	for i, j := range a.match {
		if j < 0 {
			sum += int32(a.Skip(i))
			continue
		}
		has[j] = true
		sum += int32(a.Pair(i, int(j)))
	}
	for j := range has {
		if !has[j] {
			sum += int32(a.Extra(j))
		}
	}
	return sum
}

// sure reports that pairing i and j is part of an optimal alignment of what
// follows: exchanging any other choice for it never costs more.
func (a *aligner) sure(i, j int) bool {
	return a.Pair(i, j) == 0 && a.Skip(i) == Full && a.Extra(j) == Full
}

// joined reports whether the sides run together from i and j on.
func (a *aligner) joined(i, j int) bool {
	for k := range run {
		if i+k >= a.n || j+k >= a.m {
			return k > 0 && i+k == a.n && j+k == a.m
		}
		same, named := a.Same(i+k, j+k)
		if !same || !named && (a.Skip(i+k) != Full || a.Extra(j+k) != Full) {
			return false
		}
	}
	return true
}

// window pairs what it can from i and j on and returns where it left off.
func (a *aligner) window(i, j int) (int, int) {
	first := smallest
	if a.stuck {
		first = steady
	}
	for b := first; ; b *= 2 {
		rows, cols := min(b, a.n-i), min(b, a.m-j)
		a.fill(i, j, rows, cols)
		if rows == a.n-i && cols == a.m-j { // all that is left
			return a.keep(i, j, rows, cols, rows+cols)
		}
		if x, y, ok := a.join(i, j, rows, cols); ok && a.cost[x*a.w+y] <= a.far(rows, cols) {
			a.stuck = false
			return a.keep(i, j, x, y, x+y)
		}
		if a.stuck || b >= largest {
			if i2, j2, ok := a.leap(i, j); ok {
				a.stuck = false
				return i2, j2
			}
			// The sides disagree throughout. Keep the first half of the
			// cheapest way; its end may yet change.
			a.stuck = true
			x, y := a.end(rows, cols)
			return a.keep(i, j, x, y, (x+y)/2)
		}
	}
}

// fill works out the least cost to each cell of the window.
func (a *aligner) fill(i, j, rows, cols int) {
	w := cols + 1
	a.w = w
	if need := (rows + 1) * w; cap(a.cost) < need {
		a.cost = make([]int32, need)
	}
	c := a.cost[:(rows+1)*w]
	c[0] = 0
	for y := 1; y <= cols; y++ {
		c[y] = c[y-1] + int32(a.Extra(j+y-1))
	}
	for x := 1; x <= rows; x++ {
		skip := int32(a.Skip(i + x - 1))
		row, up := c[x*w:(x+1)*w], c[(x-1)*w:x*w]
		row[0] = up[0] + skip
		for y := 1; y <= cols; y++ {
			best := up[y-1] + int32(a.Pair(i+x-1, j+y-1))
			row[y] = min(best, up[y]+skip, row[y-1]+int32(a.Extra(j+y-1)))
		}
	}
}

// join finds the cheapest cell, the nearest of them, from which the sides run
// together.
func (a *aligner) join(i, j, rows, cols int) (bx, by int, ok bool) {
	before := int32(0) // the least cost on the diagonal before
	for d := 1; d <= rows+cols; d++ {
		floor := int32(math.MaxInt32)
		for x := max(0, d-cols); x <= min(d, rows); x++ {
			y := d - x
			c := a.cost[x*a.w+y]
			floor = min(floor, c)
			if (!ok || c < a.cost[bx*a.w+by]) && a.joined(i+x, j+y) {
				bx, by, ok = x, y, true
			}
		}
		// Every way to a farther cell passes this diagonal, or steps across it
		// from the one before.
		if ok && min(floor, before) >= a.cost[bx*a.w+by] {
			break
		}
		before = floor
	}
	return bx, by, ok
}

// far is the least cost of getting through the window. A place where the sides
// run together that costs more than that is not on the cheapest way.
func (a *aligner) far(rows, cols int) int32 {
	x, y := a.end(rows, cols)
	return a.cost[x*a.w+y]
}

// end is the cheapest cell on the window's far edges.
func (a *aligner) end(rows, cols int) (bx, by int) {
	bx, by = rows, cols
	for x := range rows {
		if a.cost[x*a.w+cols] < a.cost[bx*a.w+by] {
			bx, by = x, cols
		}
	}
	for y := range cols {
		if a.cost[rows*a.w+y] < a.cost[bx*a.w+by] {
			bx, by = rows, y
		}
	}
	return bx, by
}

// keep writes down the pairs on the cheapest way to cell x, y as far as cells
// whose distance from the window's corner is at most upto, and returns where
// that leaves off.
func (a *aligner) keep(i, j, x, y, upto int) (int, int) {
	ni, nj := i+x, j+y
	kept := false
	for x > 0 || y > 0 {
		if !kept && x+y <= upto {
			kept, ni, nj = true, i+x, j+y
		}
		c := a.cost[x*a.w+y]
		switch {
		case x > 0 && y > 0 && c == a.cost[(x-1)*a.w+y-1]+int32(a.Pair(i+x-1, j+y-1)):
			x, y = x-1, y-1
			if kept {
				a.match[i+x] = int32(j + y)
			}
		case x > 0 && c == a.cost[(x-1)*a.w+y]+int32(a.Skip(i+x-1)):
			x--
		default:
			y--
		}
	}
	return ni, nj
}

// leap re-joins the sides after a gap longer than the largest window: it looks
// for the nearest want from i on whose key and the keys after it also stand
// together among the records from j on.
func (a *aligner) leap(i, j int) (int, int, bool) {
	if i+j < a.searchFrom {
		return 0, 0, false
	}
	if a.index == nil || j-a.indexFrom > ahead/2 {
		a.index, a.indexFrom = make(map[uint64]int32), j
		for q := min(j+ahead, a.m-gram+1) - 1; q >= j; q-- {
			a.index[gramKey(q, a.RecordKey)] = int32(q) // the nearest wins
		}
	}
	bp, bq := i+ahead, j+ahead
	for p := i; p < a.n-gram+1 && p-i < bp-i+bq-j; p++ {
		q, ok := a.index[gramKey(p, a.WantKey)]
		if q := int(q); ok && q >= j && (p-i > steady || q-j > steady) && p+q < bp+bq {
			bp, bq = p, q
		}
	}
	if bp < i+ahead {
		return bp, bq, true
	}
	a.searchFrom = i + j + ahead/2
	return 0, 0, false
}

// gramKey combines gram consecutive keys (FNV-1a over words).
func gramKey(at int, key func(int) uint64) uint64 {
	h := uint64(14695981039346656037)
	for k := range gram {
		h = (h ^ key(at+k)) * 1099511628211
	}
	return h
}

// reconsider is called where the sides stop agreeing, at want i and record j. If
// they run together from another record on once the pairs back to a free want,
// all of which fit as well, are moved by one, it moves them and returns that
// record.
func (a *aligner) reconsider(i, j int) (int, bool) {
	if len(a.free) == 0 || a.free[0] >= i {
		return 0, false
	}
	back, on := true, true      // whether the pairs fit moved to the record before, and to the one after
	later, next := -1, int32(j) // the paired want looked at before, and its record
	for k, moves := i-1, 0; k >= a.free[0] && moves < farthest && (back || on); k-- {
		has, free := a.match[k], a.Skip(k) == 0
		if has < 0 {
			if free && on && a.Pair(k, int(next)) == 0 && a.agree(i, j+1) {
				a.place(int32(j), i-1, -1)
				return j + 1, true
			}
			continue
		}
		if later >= 0 {
			back = back && a.Pair(later, int(has)) == 0
		}
		on = on && a.Pair(k, int(next)) == 0
		if free && back {
			rec := a.match[a.before(i)]
			if a.agree(i, int(rec)) {
				a.release(k, i)
				return int(rec), true
			}
		}
		later, next = k, has
		moves++
	}
	return 0, false
}

// agree reports whether what follows agrees, up to a want that is free.
func (a *aligner) agree(i, j int) bool {
	for k := range run {
		switch {
		case i+k >= a.n || j+k >= a.m:
			return i+k >= a.n && j+k >= a.m
		case k > 0 && a.Skip(i+k) == 0:
			return true
		case a.Pair(i+k, j+k) != 0:
			return false
		}
	}
	return true
}

// before is the last paired want before i.
func (a *aligner) before(i int) int {
	for i--; i >= 0 && a.match[i] < 0; i-- {
	}
	return i
}

// release has want k do without its record: the paired wants after it up to i
// each take the record of the one before.
func (a *aligner) release(k, i int) {
	rec := int32(-1)
	for ; k < i; k++ {
		if a.match[k] >= 0 {
			a.match[k], rec = rec, a.match[k]
		}
	}
}

// mend moves pairs by one where a want or a record is left over and all of
// them fit as well, up to a want that is free: it gives its record up, or takes
// one that nothing else wants.
func (a *aligner) mend() {
	if len(a.free) == 0 {
		return
	}
	for i := range a.match {
		if a.match[i] < 0 && a.Skip(i) > 0 && !a.give(i, -1) {
			a.give(i, 1)
		}
	}
	next := 0 // the first want whose record comes after the one looked at
	paired := make([]bool, a.m)
	for _, j := range a.match {
		if j >= 0 {
			paired[j] = true
		}
	}
	for j := range a.m {
		if paired[j] || a.Extra(j) == 0 {
			continue
		}
		for next < a.n && int(a.match[next]) < j {
			next++
		}
		if !a.place(int32(j), next-1, -1) {
			a.place(int32(j), next, 1)
		}
	}
}

// give has want i take its neighbour's record, the neighbour that of the next
// one, and so on to a want that is free and does without.
func (a *aligner) give(i, step int) bool {
	to, moves := i, 0
	for k := i + step; k >= 0 && k < a.n && moves < farthest; k += step {
		if a.match[k] < 0 {
			continue
		}
		if a.Pair(to, int(a.match[k])) != 0 {
			return false
		}
		to = k
		moves++
		if a.Skip(k) > 0 {
			continue
		}
		to = i
		for k := i + step; moves > 0; k += step {
			if a.match[k] >= 0 {
				a.match[to], a.match[k], to = a.match[k], -1, k
				moves--
			}
		}
		return true
	}
	return false
}

// place gives record j to want i, that one's record to its neighbour, and so on
// to a want that is free and has none.
func (a *aligner) place(j int32, i, step int) bool {
	rec := int(j)
	for k, moves := i, 0; k >= 0 && k < a.n && moves < farthest; k += step {
		has := a.match[k]
		if has < 0 && a.Skip(k) > 0 {
			continue
		}
		if a.Pair(k, rec) != 0 {
			if has < 0 {
				continue
			}
			return false
		}
		if has >= 0 {
			rec = int(has)
			moves++
			continue
		}
		for k := i; j >= 0; k += step {
			if a.match[k] >= 0 || a.Skip(k) == 0 && a.Pair(k, int(j)) == 0 {
				a.match[k], j = j, a.match[k]
			}
		}
		return true
	}
	return false
}
