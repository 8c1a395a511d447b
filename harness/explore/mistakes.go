package explore

import "slices"

// Mistakes counts what explorations find of mistakes that are known, one
// exploration a mistake.
type Mistakes struct {
	Tried           int
	Missed, Unnamed []string // not found; found under another name only
	cues, gauges    []int    // of each shrunk scenario
}

// Add counts what was found of a mistake: the first that shows it, and the one that
// has its name, else the first again; nil if nothing was found.
func (m *Mistakes) Add(name string, found []*Found) (first, named *Found) {
	m.Tried++
	if len(found) == 0 {
		m.Missed = append(m.Missed, name)
		return nil, nil
	}
	i := slices.IndexFunc(found, func(f *Found) bool { return f.Cause == name })
	if i < 0 {
		m.Unnamed = append(m.Unnamed, name)
	}
	named = found[max(i, 0)]
	m.cues, m.gauges = append(m.cues, len(named.Small.Cues)), append(m.gauges, len(named.Small.Gauges))
	return found[0], named
}

// Medians are those of the cues and gauges of the shrunk scenarios; something must
// have been found.
func (m *Mistakes) Medians() (cues, gauges int) {
	slices.Sort(m.cues)
	slices.Sort(m.gauges)
	return m.cues[len(m.cues)/2], m.gauges[len(m.gauges)/2]
}
