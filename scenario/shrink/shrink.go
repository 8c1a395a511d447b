// Package shrink makes a scenario as small as it can be while something about
// it stays true: fewer gauges, channels and cues, nothing said that need not
// be said, a plainer dialect, rounder numbers, a shorter time.
//
// It tries one simplification after another and keeps each that works, until
// none does. There is no chance in it: the same scenario and the same answers
// give the same result.
package shrink

import (
	"reflect"
	"slices"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/strict"
)

// Holds reports whether what matters is still true of a scenario. One that
// makes no sense is simply not one of which it is true.
type Holds func(*scenario.File) bool

// Shrink returns the smallest scenario it finds of which holds is true, and
// how many were tried. It is true of f. At most most scenarios are tried; 0
// means 2000.
func Shrink(f *scenario.File, holds Holds, most int) (small *scenario.File, tried int) {
	if most == 0 {
		most = 2000
	}
	s := &shrinker{now: clone(f), holds: holds, left: most, seen: map[string]bool{}}
	s.seen[key(f)] = true
	for s.did = true; s.did && s.left > 0; {
		s.did = false
		for _, pass := range []func(){s.cast, s.cues, s.dialects, s.part, s.host, s.gauges, s.acts, s.times, s.sizes} {
			pass()
		}
	}
	return s.now, most - s.left
}

type shrinker struct {
	now   *scenario.File
	holds Holds
	left  int
	seen  map[string]bool
	did   bool // something became smaller since the passes began
}

func key(f *scenario.File) string { return string(scenario.Marshal(f, "")) }

// clone copies a scenario so that changes to the one do not show in the other.
func clone(f *scenario.File) *scenario.File {
	return deep(reflect.ValueOf(f)).Interface().(*scenario.File)
}

// deep copies what is written in a file: pointers, slices and structs.
func deep(v reflect.Value) reflect.Value {
	out := reflect.New(v.Type()).Elem()
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			out.Set(reflect.New(v.Type().Elem()))
			out.Elem().Set(deep(v.Elem()))
		}
	case reflect.Slice:
		if !v.IsNil() {
			out.Set(reflect.MakeSlice(v.Type(), v.Len(), v.Len()))
			for i := range v.Len() {
				out.Index(i).Set(deep(v.Index(i)))
			}
		}
	case reflect.Struct:
		out.Set(v)
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				out.Field(i).Set(deep(v.Field(i)))
			}
		}
	default:
		out.Set(v)
	}
	return out
}

// try has a change made to a copy and keeps it when it holds.
func (s *shrinker) try(change func(f *scenario.File)) bool {
	if s.left == 0 {
		return false
	}
	f := clone(s.now)
	change(f)
	k := key(f)
	if s.seen[k] {
		return false
	}
	s.seen[k] = true
	s.left--
	if !s.holds(f) {
		return false
	}
	s.now, s.did = f, true
	return true
}

// cast leaves out gauges and channels with their cues.
func (s *shrinker) cast() {
	for i := len(s.now.Gauges) - 1; i >= 0 && len(s.now.Gauges) > 1; i-- {
		s.try(func(f *scenario.File) {
			name := f.Gauges[i].Name
			f.Gauges = slices.Delete(f.Gauges, i, i+1)
			f.Cues = slices.DeleteFunc(f.Cues, func(c scenario.Cue) bool { return c.Gauge == name })
			f.Host.Writes = slices.DeleteFunc(f.Host.Writes, func(w scenario.Write) bool { return w.Gauge == name })
			f.Expect = nil
		})
	}
	if len(s.now.Gauges) == 1 {
		s.try(func(f *scenario.File) { // its name need not be said
			for i := range f.Cues {
				f.Cues[i].Gauge = ""
			}
		})
	}
	for g := range s.now.Gauges {
		for c := len(s.now.Gauges[g].Channels) - 1; c >= 0 && c < len(s.now.Gauges[g].Channels); c-- {
			s.try(func(f *scenario.File) {
				name := f.Gauges[g].Channels[c].Name
				f.Gauges[g].Channels = slices.Delete(f.Gauges[g].Channels, c, c+1)
				f.Cues = slices.DeleteFunc(f.Cues, func(c scenario.Cue) bool { return c.Channel == name })
				if len(f.Gauges[g].Channels) == 0 {
					f.Gauges[g].Channels = nil
					for i := range f.Cues {
						f.Cues[i].Channel = ""
					}
				}
			})
		}
	}
	if len(s.now.Expect)+len(s.now.Chapters) > 0 { // nothing that plays
		s.try(func(f *scenario.File) { f.Expect, f.Chapters = nil, nil })
	}
}

// cues leaves out cues: halves, quarters, and so on down to each of them.
func (s *shrinker) cues() {
	for n := len(s.now.Cues); n >= 1; n /= 2 {
		for i := 0; i < len(s.now.Cues); {
			if !s.try(func(f *scenario.File) { f.Cues = slices.Delete(f.Cues, i, min(i+n, len(f.Cues))) }) {
				i += n
			}
		}
	}
}

// plainest are the dialects from the plainest on.
var plainest = []string{"line-ascii", "compact-binary", "multi-ascii"}

func (s *shrinker) dialects() {
	for g := range s.now.Gauges {
		for _, d := range plainest {
			if s.now.Gauges[g].Dialect == d || s.try(func(f *scenario.File) { f.Gauges[g].Dialect = d }) {
				break
			}
		}
	}
}

// part says less of the part.
func (s *shrinker) part() {
	s.try(func(f *scenario.File) { f.Seed = 1 })
	s.unsay(func(f *scenario.File) reflect.Value { return reflect.ValueOf(&f.Part).Elem() }, "nominal", "feature")
	for _, pair := range []func(f *scenario.File) *scenario.Pair{
		func(f *scenario.File) *scenario.Pair { return f.Part.Warn },
		func(f *scenario.File) *scenario.Pair { return f.Part.Limits },
	} {
		for i := range 2 {
			if p := pair(s.now); p != nil && !p[i].Word {
				s.try(func(f *scenario.File) { pair(f)[i] = scenario.Bound{Word: true} })
			}
		}
	}
}

func (s *shrinker) host() {
	for i := len(s.now.Host.Writes) - 1; i >= 0; i-- {
		s.try(func(f *scenario.File) { f.Host.Writes = slices.Delete(f.Host.Writes, i, i+1) })
	}
	s.unsay(func(f *scenario.File) reflect.Value { return reflect.ValueOf(&f.Host).Elem() }, "writes")
}

func (s *shrinker) gauges() {
	for g := range s.now.Gauges {
		at := func(f *scenario.File) reflect.Value { return reflect.ValueOf(&f.Gauges[g]).Elem() }
		s.unsay(at, "name", "dialect", "channels")
		s.unsay(func(f *scenario.File) reflect.Value { return reflect.ValueOf(&f.Gauges[g].Tags).Elem() })
		for c := range s.now.Gauges[g].Channels {
			s.unsay(func(f *scenario.File) reflect.Value { return reflect.ValueOf(&f.Gauges[g].Channels[c]).Elem() }, "name")
		}
	}
}

// unsay leaves out the keys of a struct one at a time, all but some.
func (s *shrinker) unsay(at func(f *scenario.File) reflect.Value, but ...string) {
	for _, field := range strict.FieldsOf(at(s.now).Type()) {
		if slices.Contains(but, field.Key) || at(s.now).FieldByIndex(field.Index).IsZero() {
			continue
		}
		s.try(func(f *scenario.File) { at(f).FieldByIndex(field.Index).SetZero() })
	}
}

// setAct tries another value for a key of what a cue does.
func (s *shrinker) setAct(i int, field strict.Field, to reflect.Value) bool {
	return s.try(func(f *scenario.File) {
		act := reflect.New(reflect.TypeOf(f.Cues[i].Act)).Elem()
		act.Set(reflect.ValueOf(f.Cues[i].Act))
		act.FieldByIndex(field.Index).Set(to)
		f.Cues[i].Act = act.Interface().(stage.Act)
	})
}

// acts says less of what is done: the keys of an act that need not be there,
// and counts as small as can be.
func (s *shrinker) acts() {
	for i := range s.now.Cues {
		if swap, ok := s.now.Cues[i].Act.(stage.SwapPorts); ok { // one gauge may be enough
			for _, name := range []string{s.now.Cues[i].Gauge, swap.With} {
				s.try(func(f *scenario.File) { f.Cues[i].Act, f.Cues[i].Gauge = stage.LoseLink{For: swap.For}, name })
			}
		}
		for _, field := range strict.FieldsOf(reflect.TypeOf(s.now.Cues[i].Act)) {
			v := reflect.ValueOf(s.now.Cues[i].Act).FieldByIndex(field.Index)
			switch {
			case v.IsZero():
			case !field.Needed && s.setAct(i, field, reflect.Zero(field.Type)):
			case v.Kind() == reflect.Int:
				for n := int64(1); n < v.Int(); n++ {
					if s.setAct(i, field, reflect.ValueOf(n).Convert(field.Type)) {
						break
					}
				}
			case field.Type == reflect.TypeFor[quantity.Duration]():
				for _, r := range rounder(time.Duration(v.Int())) {
					if r > 0 && s.setAct(i, field, reflect.ValueOf(quantity.Duration(r))) {
						break
					}
				}
			}
		}
	}
}

// rounder are the times an act or a cue is tried at, from the roundest on.
func rounder(d time.Duration) (to []time.Duration) {
	for _, unit := range []time.Duration{time.Second, 500 * time.Millisecond, 100 * time.Millisecond, 50 * time.Millisecond, 10 * time.Millisecond} {
		for _, r := range []time.Duration{d / unit * unit, (d + unit - 1) / unit * unit} {
			if r != d && r >= 0 && !slices.Contains(to, r) {
				to = append(to, r)
			}
		}
		if d%unit == 0 {
			break
		}
	}
	return to
}

// gaps are the times from one cue to the next that are tried.
var gaps = []time.Duration{0, 100 * time.Millisecond, 200 * time.Millisecond, 500 * time.Millisecond, time.Second}

// times brings the cues closer, makes times round, and ends sooner.
func (s *shrinker) times() {
	for i := range s.now.Cues {
		before := time.Duration(0)
		if i > 0 {
			before = s.now.Cues[i-1].At.D()
		}
		gap := s.now.Cues[i].At.D() - before
		for _, to := range gaps {
			if to >= gap && !(to > gap && gap%(100*time.Millisecond) != 0 && to-gap < 100*time.Millisecond) {
				break
			}
			if s.try(func(f *scenario.File) { // this cue and all after it, each as far apart as before
				for k := i; k < len(f.Cues); k++ {
					f.Cues[k].At += quantity.Duration(to - gap)
				}
				if f.Until != nil {
					*f.Until += quantity.Duration(to - gap)
				}
			}) {
				break
			}
		}
	}
	for i := range s.now.Cues {
		for _, r := range rounder(s.now.Cues[i].At.D()) {
			if i > 0 && r < s.now.Cues[i-1].At.D() || i+1 < len(s.now.Cues) && r > s.now.Cues[i+1].At.D() {
				continue
			}
			if s.try(func(f *scenario.File) { f.Cues[i].At = quantity.Duration(r) }) {
				break
			}
		}
	}
	if s.now.Until != nil {
		if s.try(func(f *scenario.File) { f.Until = nil }) {
			return
		}
		last := time.Duration(0)
		if n := len(s.now.Cues); n > 0 {
			last = s.now.Cues[n-1].At.D()
		}
		for _, after := range []time.Duration{0, 100 * time.Millisecond, 500 * time.Millisecond, time.Second, 2 * time.Second} {
			if end := quantity.Duration(last + after); end < *s.now.Until && s.try(func(f *scenario.File) { f.Until = &end }) {
				return
			}
		}
	}
}

// sizes makes the lengths of what is done round.
func (s *shrinker) sizes() {
	for i := range s.now.Cues {
		for _, field := range strict.FieldsOf(reflect.TypeOf(s.now.Cues[i].Act)) {
			if field.Type != reflect.TypeFor[quantity.Length]() {
				continue
			}
			v := reflect.ValueOf(s.now.Cues[i].Act).FieldByIndex(field.Index).Interface().(quantity.Length)
			for _, r := range rounded(v) {
				if s.setAct(i, field, reflect.ValueOf(r)) {
					break
				}
			}
		}
	}
}

// rounded are lengths near a length with fewer decimals, from the roundest on.
func rounded(l quantity.Length) (to []quantity.Length) {
	exp := l.Num.Trim().Exponent()
	for e := min(0, -1); e > exp; e-- {
		for _, mode := range []decimal.Rounding{decimal.Truncate, decimal.HalfUp} {
			if q, err := quantity.NewLength(l.Num.Quantize(e, mode), l.Unit); err == nil && !q.Equal(l) && !slices.ContainsFunc(to, q.Equal) {
				to = append(to, q)
			}
		}
	}
	return to
}
