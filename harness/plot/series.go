package plot

import (
	"math/bits"
	"slices"
	"time"
)

// extent is what a row of values comes down to in one column of the picture.
type extent struct{ lo, hi, first, last float64 }

func one(v float64) extent { return extent{v, v, v, v} }

// then joins the values that follow.
func (e extent) then(f extent) extent {
	return extent{min(e.lo, f.lo), max(e.hi, f.hi), e.first, f.last}
}

// bin is one reading, or several that follow on each other.
type bin struct {
	from, to     time.Duration // of the first and the last reading
	n            int
	truth, shown extent // before rounding, and as reported
	size         extent // true size of what the gauge is set on
	broken       bool   // something void came before it
}

func (b bin) Begins() time.Duration { return b.from }

func (b bin) With(next bin) bin {
	b.to, b.n = next.to, b.n+next.n
	b.truth, b.shown, b.size = b.truth.then(next.truth), b.shown.then(next.shown), b.size.then(next.size)
	return b
}

// thinned are things in order of time, joined as they grow in number so that their size
// stays bounded however long the run.
type thinned[T interface {
	Begins() time.Duration
	With(next T) T
}] struct {
	all   []T
	width time.Duration // of the stretches in each of which there is one; 0: nothing is joined
}

// maxBins is where thinning sets in: a few times the columns of a picture.
const maxBins = 16384

func (s *thinned[T]) add(v T) {
	s.all = append(s.all, v)
	if s.width > 0 {
		s.coarsen(len(s.all) - 1)
	}
	for len(s.all) > maxBins {
		s.width = max(2*s.width, time.Microsecond)
		s.coarsen(1)
	}
}

// coarsen joins, from an index on, what begins in the same stretch.
func (s *thinned[T]) coarsen(from int) {
	n := max(from, 1)
	for i := n; i < len(s.all); i++ {
		v := s.all[i]
		if last := &s.all[n-1]; (*last).Begins()/s.width == v.Begins()/s.width {
			*last = (*last).With(v)
			continue
		}
		s.all[n] = v
		n++
	}
	s.all = s.all[:min(n, len(s.all))]
}

// series is a channel's readings.
type series struct {
	thinned[bin]
	every [64]int // how often readings follow at 2^(i-1) to 2^i ns
	// sample holds every stride-th value shown, for what is usual.
	sample []float64
	stride int
	count  int
}

func (s *series) add(b bin, streamed bool) {
	if s.stride = max(s.stride, 1); s.count%s.stride == 0 {
		if s.sample = append(s.sample, b.shown.last); len(s.sample) > maxBins {
			half := s.sample[:(len(s.sample)+1)/2]
			for i := range half {
				half[i] = s.sample[2*i]
			}
			s.sample, s.stride = half, 2*s.stride
		}
	}
	s.count++
	if n := len(s.all); n > 0 && streamed {
		s.every[bits.Len64(uint64(max(0, b.from-s.all[n-1].to)))&63]++
	}
	s.thinned.add(b)
}

// typical is about the usual time between readings that come on their own; 0
// when none do.
func (s *series) typical() time.Duration {
	total := 0
	for _, n := range s.every {
		total += n
	}
	if total == 0 {
		return 0
	}
	i, sum := 0, 0
	for ; i < 62; i++ {
		if sum += s.every[i]; 2*sum >= total {
			break
		}
	}
	return 1<<i - 1
}

// columns are the readings by columns of the picture. Where a column holds
// many, it comes down to the usual one of them, and spread is set: the columns
// then hold the smallest to the largest.
func (s *series) columns(width time.Duration) (line, spread []bin) {
	by := thinned[bin]{slices.Clone(s.all), width}
	by.coarsen(1)
	if line = by.all; s.count <= 4*len(line) {
		return line, nil
	}
	spread = slices.Clone(line)
	bins := s.all
	for i := range line {
		n := 0
		for n < len(bins) && bins[n].from/width == line[i].from/width {
			n++
		}
		of := func(value func(*bin) float64) extent {
			vs := make([]float64, n)
			for k := range vs {
				vs[k] = value(&bins[k])
			}
			slices.Sort(vs)
			return one(vs[n/2])
		}
		line[i].truth = of(func(b *bin) float64 { return b.truth.last })
		line[i].size = of(func(b *bin) float64 { return b.size.last })
		line[i].shown = of(func(b *bin) float64 { return b.shown.last })
		line[i].broken = false // what is void is seen beside it
		bins = bins[n:]
	}
	return line, spread
}

// runs cuts the bins where something void came between, or no reading came for
// much longer than usual, and than a column.
func (s *series) runs(bins []bin, column time.Duration) (runs [][]bin) {
	longest := max(8*s.typical(), time.Second, 2*column)
	from := 0
	for i := 1; i <= len(bins); i++ {
		if i == len(bins) || bins[i].broken || bins[i].from-bins[i-1].to > longest {
			runs = append(runs, bins[from:i])
			from = i
		}
	}
	return runs
}

// flow counts frames that reached the host, and those that did not.
type flow struct {
	from          time.Duration
	sent, damaged int
	lost          int
}

func (f flow) Begins() time.Duration { return f.from }

func (f flow) With(next flow) flow {
	f.sent, f.damaged, f.lost = f.sent+next.sent, f.damaged+next.damaged, f.lost+next.lost
	return f
}
