package hostfile

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Our columns, in the order of ColumnNames.
const (
	timeCol = iota
	gaugeCol
	channelCol
	tagCol
	valueCol
	unitCol
	zoneCol
	eventCol
)

// mapping is the columns of a sample and what is guessed of them.
type mapping struct {
	*drafter
	t       table
	shapes  []shape
	taken   []bool // by the columns of the sample
	chosen  [8]int // the columns of the sample for ours; -1: none
	form    string // of the times; "": none were found
	then    int    // the second column of the times; -1: there is one or none
	cols    []string
	missing []string // what the records do not hold
}

// columns writes what the columns of a sample hold.
func (d *drafter) columns(t table) {
	width := len(t.names)
	for _, r := range t.rows {
		width = max(width, len(r))
	}
	m := &mapping{drafter: d, t: t, then: -1, taken: make([]bool, width)}
	for i := range width {
		m.shapes = append(m.shapes, look(t, i))
	}
	m.choose()
	if m.chosen[valueCol] < 0 && m.chosen[zoneCol] < 0 {
		m.nothing()
		return
	}
	m.found()
	m.unitOfAll()
	m.times()
	m.lacks()
	m.line("columns: {%s}", strings.Join(m.cols, ", "))
	m.values()
	m.units()
	m.zones()
	m.names()
	m.events()
	sort.Strings(m.missing)
	d.noClaim = strings.Join(slices.Compact(m.missing), ", ")
}

// name is what the sample calls a column.
func (m *mapping) name(col int) string {
	if col < len(m.t.names) {
		return m.t.names[col]
	}
	return ""
}

// where is how a description names a column of the sample.
func (m *mapping) where(col int) string {
	if m.t.names == nil {
		return fmt.Sprint(col + 1)
	}
	return quote(m.t.names[col])
}

// score is how well a column of the sample suits one of ours; 0 not at all.
func (m *mapping) score(ours, col int) int {
	s, n := m.shapes[col], len(m.shapes[col].cells)
	if m.name(col) == "" && m.t.names != nil {
		return 0
	}
	like := likeness(m.name(col), called[ours])
	if n == 0 {
		return like / 2
	}
	switch ours {
	case timeCol:
		if s.time == "" && like == 0 {
			return 0
		}
		if s.time != "" {
			return like + 30
		}
		return like / 4
	case tagCol:
		if s.numbers < n {
			return 0
		}
		if like == 0 {
			if s.whole == n && s.distinct*2 > n && m.t.names == nil {
				return 8
			}
			if s.counts {
				return 5 // less than any name that tells something
			}
			return 0
		}
		return like + 5
	case valueCol:
		if s.numbers*2 < n || s.time != "" {
			return 0
		}
		return like + 10*(s.points+s.commas)/n
	case unitCol:
		if s.units*2 < n {
			return 0
		}
		return like + 30
	case zoneCol:
		if s.distinct > 12 || s.units*2 > n || s.numbers*2 > n && like < 20 {
			return 0
		}
		known := 0
		for _, c := range s.cells {
			if _, ok, unsided := verdictOf(c); ok || unsided {
				known++
			}
		}
		if like == 0 && known*2 < n {
			return 0
		}
		return like + 15*known/n
	case eventCol:
		if s.distinct > 20 || s.numbers > 0 {
			return 0
		}
		if like == 0 && s.eventWords*2 < n {
			return 0
		}
		return like + 10*s.eventWords/n
	default:
		if s.words == 0 && (like < 20 || s.points+s.commas > 0) {
			return 0
		}
		return like
	}
}

// choose takes the best pair of columns first, then the best of what is left.
func (m *mapping) choose() {
	for i := range m.chosen {
		m.chosen[i] = -1
	}
	for {
		bestScore, bestOurs, bestCol := 0, 0, 0
		for ours := range m.chosen {
			for col := range m.taken {
				if m.chosen[ours] < 0 && !m.taken[col] {
					if s := m.score(ours, col); s > bestScore {
						bestScore, bestOurs, bestCol = s, ours, col
					}
				}
			}
		}
		if bestScore == 0 {
			break
		}
		m.chosen[bestOurs], m.taken[bestCol] = bestCol, true
	}
}

func (m *mapping) nothing() {
	m.say("no column looks like a value or a verdict; write columns: {value: NAME, ...}")
	if m.t.names == nil && !m.t.json {
		m.line("columns: {value: 1}")
	} else {
		m.line("columns: {value: %s}", quote(cmp.Or(append(m.t.names, "value")...)))
	}
}

// found lists the columns that were chosen, and finds the form of the times.
func (m *mapping) found() {
	if c := m.chosen[timeCol]; c >= 0 {
		if m.form = m.shapes[c].time; m.form == "" {
			m.form, m.chosen[timeCol], m.then = twoColumns(m.t, c, m.taken)
		}
	}
	for ours, col := range m.chosen {
		if col < 0 || ours == timeCol && m.form == "" {
			continue
		}
		text := m.where(col)
		if ours == timeCol && m.then >= 0 {
			text = "[" + text + ", " + m.where(m.then) + "]"
		}
		if ours == tagCol && m.t.names != nil && (likeness(m.name(col), called[tagCol]) == 0 || slices.Contains([]string{"id", "n", "index", "count"}, letters(m.name(col)))) {
			m.ask("tag: does the column %s hold the gauge's tag number? Write its name, or leave tag out and add tag to does-not-claim", text)
			m.cols = append(m.cols, ColumnNames[ours]+": "+Ask)
			continue
		}
		m.cols = append(m.cols, ColumnNames[ours]+": "+text)
		if m.t.names == nil || letters(m.t.names[col]) != ColumnNames[ours] {
			m.say("%s stands in column %s", ColumnNames[ours], text)
		}
	}
}

// unitOfAll finds a unit in the header of the value, or behind each.
func (m *mapping) unitOfAll() {
	if v := m.chosen[valueCol]; v >= 0 && m.chosen[unitCol] < 0 {
		if unit := unitIn(m.name(v)); m.shapes[v].united {
			m.say("the unit stands behind the value")
			m.chosen[unitCol] = v
		} else if unit != "" {
			m.cols = append(m.cols, "unit: {always: "+unit+"}")
			m.say("the unit is %s in every row, as the header %q says", unit, m.name(v))
			m.chosen[unitCol] = v
		}
	}
}

func (m *mapping) times() {
	if m.form == "" {
		m.missing = append(m.missing, "time")
		m.say("no column with times was found")
	} else if m.form != "iso" {
		m.line("time: %s", quote(m.form))
		m.say("times are written as %s, in UTC; write time: {form: ..., zone: Europe/Berlin} for local times", m.form)
		if c := m.shapes[m.chosen[timeCol]]; c.ambiguous != "" && m.then < 0 {
			m.say("the times fit %s as well: look which is meant", c.ambiguous)
		}
	} else if !strings.ContainsAny(strings.Join(m.shapes[m.chosen[timeCol]].cells, ""), "Z+") {
		m.say("times have no offset and are taken as UTC; write time: {form: iso, zone: Europe/Berlin} for local times")
	}
}

// lacks says which columns were not found.
func (m *mapping) lacks() {
	for _, l := range []struct {
		ours       int
		claim, say string
	}{
		{gaugeCol, "", "no column names the gauge; for a scenario with several add gauge: {always: NAME}"},
		{tagCol, "tag", "no column holds tag numbers"},
		{unitCol, "unit", "no column holds the unit; add unit: {always: mm} for the one that is meant"},
		{zoneCol, "zone", "no column holds a verdict"},
	} {
		if m.chosen[l.ours] >= 0 {
			continue
		}
		if l.claim != "" {
			m.missing = append(m.missing, l.claim)
		}
		m.say("%s", l.say)
	}
}

// values finds the decimal mark, and what is written in place of a value.
func (m *mapping) values() {
	c := m.chosen[valueCol]
	if c < 0 {
		return
	}
	if s := m.shapes[c]; s.commas > s.points {
		m.line("decimal-mark: comma")
		if !m.t.json && !m.t.sheet && !strings.Contains(strings.Join(m.lines, "\n"), "separator:") {
			m.line("separator: comma")
		}
		m.say("the decimal mark is a comma")
	}
	var void []string
	seen := map[string]bool{}
	for _, cell := range m.shapes[c].cells {
		_, point := number(cell, '.')
		_, comma := number(cell, ',')
		if !point && !comma && !seen[cell] {
			seen[cell] = true
			void = append(void, quote(cell))
		}
	}
	if len(void) > 0 && len(void) <= 20 {
		m.line("void: [%s]", strings.Join(void, ", "))
		m.say("in place of a value these stand for no valid reading: %s", strings.Join(void, ", "))
	}
}

// units maps the words for units.
func (m *mapping) units() {
	c := m.chosen[unitCol]
	if c < 0 || c == m.chosen[valueCol] {
		return
	}
	var units []string
	for _, w := range distinct(m.shapes[c].cells) {
		if _, ok := decimal.ParseUnit(strings.ToLower(w)); ok {
			continue
		}
		if guess, ok := unitWord(w); ok {
			units = append(units, quote(w)+": "+guess)
			m.say("the unit word %s means %s", w, guess)
		} else {
			units = append(units, quote(w)+": "+Ask)
			m.ask("units: which unit does the word %q mean?", w)
		}
	}
	if len(units) > 0 {
		m.line("units: {%s}", strings.Join(units, ", "))
	}
}

// zones maps the words for zones.
func (m *mapping) zones() {
	c := m.chosen[zoneCol]
	if c < 0 {
		return
	}
	var zones []string
	words := distinct(m.shapes[c].cells)
	// A host that does not say on which side a reading is out does not say
	// that it is near a limit either, unless it has a word for it.
	coarse := slices.ContainsFunc(words, func(w string) bool { _, _, unsided := verdictOf(w); return unsided }) &&
		!slices.ContainsFunc(words, func(w string) bool {
			z, known, _ := verdictOf(w)
			return known && (z == zone.WarnLow || z == zone.WarnHigh)
		})
	zoneOf := map[string]zone.Zone{}
	for _, w := range words {
		if z, known, _ := verdictOf(w); known {
			zoneOf[w] = z
		}
	}
	for _, w := range words {
		z, known, unsided := verdictOf(w)
		if why := m.unsure(m.t, w, zoneOf, c, m.chosen[valueCol]); why != "" {
			zones = append(zones, quote(w)+": "+Ask)
			m.ask("zones: which zone does the verdict word %q mean? %s", w, why)
			continue
		}
		switch {
		case known && z == zone.Inside && coarse:
			zones = append(zones, quote(w)+": [inside, warn-low, warn-high]")
			m.say("the verdict word %q means inside, warn-low and warn-high: no word of the sample tells a warning", w)
		case known:
			if z.String() != strings.ToLower(w) {
				zones = append(zones, quote(w)+": "+z.String())
				m.say("the verdict word %q means %s", w, z)
			}
		case unsided:
			zones = append(zones, quote(w)+": [below, above]")
			m.say("the verdict word %q says that a reading is out, and not on which side: it means below and above", w)
		}
	}
	if len(zones) > 0 {
		m.line("zones: {%s}", strings.Join(zones, ", "))
	}
}

// names says what gauges and channels are called.
func (m *mapping) names() {
	for _, ours := range []int{gaugeCol, channelCol} {
		if c := m.chosen[ours]; c >= 0 && len(m.shapes[c].cells) > 0 {
			words := distinct(m.shapes[c].cells)
			if len(words) > 5 {
				words = append(words[:5:5], "...")
			}
			what := ColumnNames[ours]
			m.say("the %ss are called %s: map what a scenario calls otherwise, as in %ss: {%s: NAME}", what, strings.Join(words, ", "), what, quote(words[0]))
		}
	}
}

// events maps the words for events.
func (m *mapping) events() {
	c := m.chosen[eventCol]
	if c < 0 {
		return
	}
	var events []string
	cell := func(r []string, col int) string {
		if col < 0 || col >= len(r) {
			return ""
		}
		return r[col]
	}
	measured := func(word string) bool { // a row with the word has a value, or where there is no such column a verdict
		of := m.chosen[valueCol]
		if of < 0 {
			of = m.chosen[zoneCol]
		}
		return slices.ContainsFunc(m.t.rows, func(r []string) bool { return cell(r, c) == word && cell(r, of) != "" })
	}
	words := distinct(m.shapes[c].cells)
	some := Records{Statistics: true}
	statistics := slices.DeleteFunc(slices.Clone(words), func(w string) bool {
		e, ok := some.EventCalled(w)
		return !ok || !slices.Contains(Statistics, string(e))
	})
	some.Statistics = len(statistics) > 1 // one such word may mean something else
	if m.summaries = some.Statistics; m.summaries {
		m.say("rows whose event is %s are statistics of the tagged readings: write by which rules under summary", strings.Join(statistics, ", "))
	}
	for _, w := range words {
		if _, ok := some.EventCalled(w); ok {
			continue
		}
		e, ok := knownEvents[letters(w)]
		switch {
		case ok:
			m.say("the event word %q means %s", w, e)
		case measured(w):
			e = Reading
			m.say("the event word %q means reading: it stands in rows that have a value", w)
		default:
			e = Ask
			m.ask("events: what does the event word %q mean? Its rows have no value; write ignored if it says nothing of a gauge", w)
		}
		events = append(events, quote(w)+": "+string(e))
	}
	if len(events) > 0 {
		m.line("events: {%s}", strings.Join(events, ", "))
	}
}
