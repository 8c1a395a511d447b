package plot

import (
	"fmt"
	"math"
	"slices"
	"time"

	"example.org/understudy/harness/show"
)

// scale maps values from lo to hi onto a panel.
type scale struct{ lo, hi float64 }

// fit chooses what of a channel's values to show: all limits, with some room
// beyond them, and as much of the readings as lies within the tolerance's
// width of them, though a few that stray far must not flatten the rest.
// Without two limits, the middle of the readings takes their place. Where most
// readings lie farther out, they are shown all the same.
func (c *channel) fit(bins []bin) scale {
	usual := slices.Clone(c.series.sample)
	slices.Sort(usual)
	n := len(usual)
	all := scale{math.Inf(1), math.Inf(-1)}
	for _, b := range bins {
		all = scale{min(all.lo, b.shown.lo, b.truth.lo), max(all.hi, b.shown.hi, b.truth.hi)}
	}
	core := scale{math.Inf(1), math.Inf(-1)}
	take := func(v float64) { core = scale{min(core.lo, v), max(core.hi, v)} }
	for _, l := range c.limits {
		for _, at := range l.all() {
			if at.Set {
				take(c.value(at.At))
			}
		}
	}
	reach := 1.0
	if n > 0 && (!(core.hi > core.lo) || usual[n/2] > core.hi+(core.hi-core.lo) || usual[n/2] < core.lo-(core.hi-core.lo)) {
		take(usual[n/20])
		take(usual[n-1-n/20])
		reach = 2
	}
	if core.lo > core.hi {
		return scale{0, 1}
	}
	w := core.hi - core.lo
	w = max(w, 8*c.step, 1e-6) // a steady reading is not blown up
	s := core
	if few := n / 32; n > 0 {
		s.lo = min(s.lo, max(all.lo, core.lo-float64(0.3*w)), max(usual[few], core.lo-float64(reach*w)))
		s.hi = max(s.hi, min(all.hi, core.hi+float64(0.3*w)), min(usual[n-1-few], core.hi+float64(reach*w)))
	}
	room := max(0.12*(s.hi-s.lo), (w-(s.hi-s.lo))/2, 1e-9*max(math.Abs(s.lo), math.Abs(s.hi)))
	return scale{s.lo - room, s.hi + room}
}

// axis is the time axis: its unit, and where it is marked.
type axis struct {
	unit     string
	size     time.Duration
	at       []time.Duration
	decimals int
}

func timeAxis(span time.Duration, about int) axis {
	a := axis{unit: "s", size: time.Second}
	var steps []time.Duration
	switch {
	case span < time.Microsecond/2:
		a.unit, a.size = "ns", time.Nanosecond
	case span < time.Millisecond/2:
		a.unit, a.size = "µs", time.Microsecond
	case span < time.Second/2:
		a.unit, a.size = "ms", time.Millisecond
	case span > 5*time.Hour:
		a.unit, a.size = "h", time.Hour
		steps = []time.Duration{30 * time.Minute, time.Hour, 2 * time.Hour, 4 * time.Hour, 12 * time.Hour, 24 * time.Hour}
	case span > 5*time.Minute:
		a.unit, a.size = "min", time.Minute
		for _, m := range []time.Duration{1, 2, 5, 10, 15, 30, 60} {
			steps = append(steps, m*time.Minute)
		}
	}
	least := (span-1)/time.Duration(about) + 1
	step := time.Duration(0)
	for _, s := range steps {
		if s >= least {
			step = s
			break
		}
	}
	if step == 0 {
		step = max(1, time.Duration(math.Round(show.Step(float64(least)/float64(a.size))*float64(a.size))))
	}
	for u := a.size; step%u != 0 && a.decimals < 9; u /= 10 {
		a.decimals++
	}
	for t := time.Duration(0); t <= span && t >= 0 && len(a.at) < 100; t += step {
		a.at = append(a.at, t)
	}
	return a
}

// span writes how long something took.
func span(d time.Duration) string {
	for _, u := range []struct {
		size time.Duration
		name string
	}{{time.Hour, "h"}, {time.Minute, "min"}, {time.Second, "s"}} {
		if d >= 10*u.size {
			return fmt.Sprintf("%.0f %s", float64(d)/float64(u.size), u.name)
		} else if d >= u.size {
			return fmt.Sprintf("%.1f %s", float64(d)/float64(u.size), u.name)
		}
	}
	if d < time.Millisecond {
		return "under 1 ms"
	}
	return fmt.Sprintf("%d ms", d.Round(time.Millisecond).Milliseconds())
}
