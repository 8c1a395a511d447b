package hostfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"sort"
	"strings"
	"unicode"
	"unicode/utf8"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	utf16 "golang.org/x/text/encoding/unicode"
)

// Rows of a sample that are looked at.
const maxSampleRows = 500

// Draft writes a host description for a sample of the host's records, and says
// in words what it guessed and what the user has to look at. What the sample does
// not show stands in it as a question (Ask), which lint asks. The sample may be cut
// off anywhere. What it writes is always a description that Parse takes. The error
// says why the sample holds no records.
func Draft(sample []byte) (description []byte, guesses []string, err error) {
	d := drafter{}
	d.say("how the host is started: write its command, and how it ends if the signal TERM does not end it")
	switch {
	case bytes.HasPrefix(sample, []byte("SQLite format 3\x00")):
		d.say("the records are an SQLite database; write the table or the query, and the names of its columns")
		d.line("form: sqlite")
	default:
		if err := d.text(sample); err != nil {
			return nil, nil, err
		}
	}
	var out strings.Builder
	out.WriteString("understudy-host: 1\ntitle: My host\n")
	out.WriteString("run: [my-host, \"{port}\", \"{records}\"]\n")
	if d.noClaim != "" {
		out.WriteString("does-not-claim: [" + d.noClaim + "]\n")
	}
	out.WriteString("records:\n")
	for _, l := range d.lines {
		out.WriteString("  " + l + "\n")
	}
	return []byte(out.String()), d.guesses, nil
}

type drafter struct {
	lines, guesses []string
	noClaim        string
}

func (d *drafter) line(format string, args ...any) {
	d.lines = append(d.lines, fmt.Sprintf(format, args...))
}
func (d *drafter) say(format string, args ...any) {
	d.guesses = append(d.guesses, fmt.Sprintf(format, args...))
}

// ask puts a question into the draft, above the line that it is about.
func (d *drafter) ask(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	d.line("# %s", strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text))
	d.say("question: %s", text)
}

// table is a sample as columns.
type table struct {
	names []string   // of the columns, or nil without a header
	rows  [][]string // cells, trimmed
	json  bool
}

func (d *drafter) text(sample []byte) error {
	enc, text := decodeSample(sample)
	if strings.TrimSpace(text) == "" {
		return errors.New("the sample is empty; take a file that holds some of the host's records")
	}
	odd, all := 0, 0
	for _, r := range text {
		all++
		if r == utf8.RuneError || unicode.IsControl(r) && !strings.ContainsRune("\t\r\n\f", r) {
			odd++
		}
	}
	if odd*100 > all {
		return fmt.Errorf("the sample is no text: %d of its %d characters are control characters or none; take a file of CSV or JSON Lines, or an SQLite database", odd, all)
	}
	lines := strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n")
	if len(lines) > 1 && len(lines[len(lines)-1]) > 0 {
		lines = lines[:len(lines)-1] // the last one may be cut off
	}
	if len(lines) > maxSampleRows {
		lines = lines[:maxSampleRows]
	}
	t, ok := jsonTable(lines)
	if ok {
		d.line("form: json-lines")
		if n := len(lines); len(t.rows) < n/2 {
			d.line("only-lines: '^\\s*\\{'")
			d.say("lines that do not begin with a brace are other output, not records")
		}
	} else {
		t = d.csvTable(lines)
	}
	if enc != UTF8 {
		d.line("encoding: %s", enc)
		d.say("the encoding: %s", enc)
	}
	d.columns(t)
	return nil
}

func decodeSample(b []byte) (Encoding, string) {
	zeros := [2]int{}
	for i, c := range b {
		if c == 0 {
			zeros[i%2]++
		}
	}
	var name Encoding
	var enc encoding.Encoding
	switch {
	case bytes.HasPrefix(b, []byte("\ufeff")):
		return UTF8, strings.ToValidUTF8(string(b[3:]), "\ufffd")
	case bytes.HasPrefix(b, []byte{0xff, 0xfe}), bytes.HasPrefix(b, []byte{0xfe, 0xff}):
		name, enc = UTF16, utf16.UTF16(utf16.LittleEndian, utf16.UseBOM)
	case zeros[1] > len(b)/4:
		name, enc = "utf-16le", utf16.UTF16(utf16.LittleEndian, utf16.IgnoreBOM)
	case zeros[0] > len(b)/4:
		name, enc = "utf-16be", utf16.UTF16(utf16.BigEndian, utf16.IgnoreBOM)
	case validButCut(b):
		return UTF8, strings.ToValidUTF8(string(b), "")
	default:
		name, enc = Windows1252, charmap.Windows1252 // holds all of latin-1's letters
	}
	out, err := enc.NewDecoder().Bytes(b)
	if err != nil {
		return UTF8, strings.ToValidUTF8(string(b), "\ufffd")
	}
	return name, string(out)
}

// validButCut reports whether b is UTF-8 but for a character cut off at its end.
func validButCut(b []byte) bool {
	for range utf8.UTFMax {
		if utf8.Valid(b) {
			return true
		}
		b = b[:len(b)-1]
	}
	return false
}

func jsonTable(lines []string) (table, bool) {
	t := table{json: true}
	index := map[string]int{}
	objects, other := 0, 0
	for _, l := range lines {
		if l = strings.TrimSpace(l); l == "" {
			continue
		}
		if !strings.HasPrefix(l, "{") {
			other++
			continue
		}
		dec := json.NewDecoder(strings.NewReader(l))
		dec.UseNumber()
		var m map[string]any
		if dec.Decode(&m) != nil {
			other++
			continue
		}
		objects++
		row := make([]string, len(t.names))
		flatten("", m, func(path, text string) {
			i, ok := index[path]
			if !ok {
				i = len(t.names)
				index[path] = i
				t.names = append(t.names, path)
				row = append(row, "")
			}
			row[i] = text
		})
		t.rows = append(t.rows, row)
	}
	return t, objects > 0 && objects*4 >= other
}

func flatten(prefix string, m map[string]any, emit func(path, text string)) {
	for _, k := range sortedKeys(m) {
		switch v := m[k].(type) {
		case map[string]any:
			flatten(prefix+k+".", v, emit)
		case nil:
			emit(prefix+k, "")
		case string:
			emit(prefix+k, strings.TrimSpace(v))
		default:
			emit(prefix+k, fmt.Sprint(v))
		}
	}
}

func (d *drafter) csvTable(lines []string) table {
	d.line("form: csv")
	best, share, fields := ',', 0.0, 1
	for _, sep := range []rune{'\t', ';', '|', ','} {
		counts, total := map[int]int{}, 0
		for _, l := range lines {
			if strings.TrimSpace(l) != "" {
				counts[len(splitRow(l, sep))]++
				total++
			}
		}
		for n, c := range counts {
			if s := float64(c) / float64(total); n > 1 && s > share+0.1 {
				best, share, fields = sep, s, n
			}
		}
	}
	for name, r := range markNames {
		if r == best && best != ',' {
			d.line("separator: %s", name)
			d.say("the separator between fields: %s", name)
		}
	}
	var t table
	skip, begun := 0, false
	for _, l := range lines {
		cells := splitRow(l, best)
		if !begun && len(cells) != fields && fields > 1 {
			skip++
			continue
		}
		if begun = true; strings.TrimSpace(l) == "" {
			continue
		}
		t.rows = append(t.rows, cells)
	}
	if skip > 0 && skip <= 1000 && begun {
		d.line("skip-lines: %d", skip)
		d.say("the first %d lines are not records", skip)
	}
	if len(t.rows) > 0 && isHeader(t.rows[0]) {
		t.names, t.rows = t.rows[0], t.rows[1:]
	} else {
		d.line("no-header: yes")
		d.say("the first row is a record and not a header")
	}
	return t
}

func splitRow(l string, sep rune) []string {
	var cells []string
	var cell strings.Builder
	quoted := false
	for _, r := range l {
		switch {
		case r == '"':
			quoted = !quoted
		case r == sep && !quoted:
			cells = append(cells, strings.TrimSpace(cell.String()))
			cell.Reset()
		default:
			cell.WriteRune(r)
		}
	}
	return append(cells, strings.TrimSpace(cell.String()))
}

// isHeader: names only, no numbers or times among them.
func isHeader(cells []string) bool {
	words := 0
	for _, c := range cells {
		if _, err := decimal.Parse(strings.Replace(c, ",", ".", 1)); err == nil {
			return false
		}
		if strings.Count(c, ":") > 1 {
			return false
		}
		if c != "" {
			words++
		}
	}
	return words > 0 && words*2 >= len(cells)
}

// What columns tend to be called, in several languages, by our names. The
// first words are the surest.
var called = [8][]string{
	{"time", "timestamp", "datetime", "zeitstempel", "zeit", "taken", "measuredat", "when", "uhrzeit", "heure", "hora", "date", "datum", "fecha", "ts", "at", "t", "utc"},
	{"gauge", "device", "instrument", "sensor", "source", "messuhr", "gerat", "gerät", "messmittel", "station", "platz", "messplatz", "port", "poste", "name"},
	{"channel", "kanal", "probe", "taster", "ch", "merkmal", "characteristic", "feature", "axis", "input", "voie", "canal"},
	{"tag", "nr", "lfd", "no", "number", "nummer", "num", "seq", "sequence", "count", "index", "numero", "n", "id"},
	{"value", "reading", "measurement", "measured", "messwert", "istwert", "wert", "ist", "maß", "mass", "size", "mesure", "valeur", "valor", "medida", "actual", "v"},
	{"unit", "units", "einheit", "uom", "unité", "unite", "unidad"},
	{"zone", "verdict", "result", "urteil", "ergebnis", "bewertung", "judgement", "judgment", "grade", "status", "state", "résultat", "resultat", "resultado", "ok"},
	{"event", "kind", "type", "art", "ereignis", "action", "record"},
}

func letters(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r > 0x7f {
			return r
		}
		return -1
	}, strings.ToLower(s))
}

// likeness scores a column's name for one of ours: 40 for a name in the list,
// 30 for one with a word of it, 20 for one that contains a long one (less
// further down the list).
func likeness(name string, words []string) int {
	last := name[strings.LastIndexByte(name, '.')+1:]
	if whose := strings.TrimSuffix(name, "."+last); letters(last) == "" {
		last = name
	} else if slices.Contains([]string{"id", "name"}, strings.ToLower(last)) {
		last = whose[strings.LastIndexByte(whose, '.')+1:] // station.id is the station
	}
	plain := letters(last)
	for i, w := range words {
		if plain == w {
			return 40 - i
		}
	}
	for _, part := range strings.FieldsFunc(strings.ToLower(last), func(r rune) bool { return letters(string(r)) == "" }) {
		for i, w := range words {
			if part == w {
				return 30 - i
			}
		}
	}
	for i, w := range words {
		if len(w) >= 4 && strings.Contains(plain, w) {
			return 20 - i
		}
	}
	return 0
}

// shape is what a column holds.
type shape struct {
	cells                              []string // not empty
	numbers, whole, points, commas     int
	units, words, distinct, eventWords int
	counts                             bool   // 1, 2, 3 and so on, from whatever number
	united                             bool   // a unit stands behind the number
	time                               string // the form that fits all cells, or ""
	ambiguous                          string // another that fits too
}

func look(t table, col int) (s shape) {
	seen := map[string]bool{}
	last, steps := int64(0), 0
	for _, r := range t.rows {
		if col >= len(r) || r[col] == "" {
			continue
		}
		c := r[col]
		s.cells = append(s.cells, c)
		seen[c] = true
		_, isPoint := number(c, '.')
		_, isComma := number(c, ',')
		switch {
		case isPoint || isComma:
			s.numbers++
			s.united = s.united || unicode.IsLetter([]rune(c)[utf8.RuneCountInString(c)-1])
			if v, ok := number(c, '.'); ok {
				if n, ok := v.Int64(); ok {
					if len(s.cells) > 1 && n == last+1 {
						steps++
					}
					last = n
				}
			}
			if !strings.ContainsAny(c, ".,") {
				s.whole++
			} else if isPoint {
				s.points++
			} else {
				s.commas++
			}
		default:
			s.words++
		}
		if _, ok := decimal.ParseUnit(strings.ToLower(c)); ok {
			s.units++
		}
		if _, ok := knownEvents[letters(c)]; ok {
			s.eventWords++
		}
	}
	s.distinct = len(seen)
	s.counts = s.whole == len(s.cells) && steps > 0 && steps >= (len(s.cells)-1)*3/4
	s.time, s.ambiguous = timeForm(s.cells)
	return s
}

func number(c string, mark rune) (decimal.Decimal, bool) {
	c = strings.ReplaceAll(c, "\u2212", "-")
	if i := strings.LastIndexAny(c, "0123456789"); i >= 0 && i+1 < len(c) {
		if _, ok := decimal.ParseUnit(strings.TrimSpace(c[i+1:])); ok {
			c = c[:i+1]
		}
	}
	if mark != '.' {
		if strings.Contains(c, ".") {
			return decimal.Decimal{}, false
		}
		c = strings.Replace(c, string(mark), ".", 1)
	}
	v, err := decimal.Parse(c)
	return v, err == nil
}

var timePatterns = []string{
	"iso", "DD.MM.YYYY hh:mm:ss,f", "YYYY/MM/DD hh:mm:ss,f", "DD/MM/YYYY hh:mm:ss,f", "MM/DD/YYYY hh:mm:ss,f", "M/D/YYYY h:mm:ss,f AP",
	"MM/DD/YYYY hh:mm:ss,f AP", "DD.MM.YY hh:mm:ss,f", "DD-MMM-YYYY hh:mm:ss,f", "DD-MMM-YY hh:mm:ss,f", "YYYYMMDDThhmmss,f", "YYYYMMDD hh:mm:ss,f", "YYYYMMDDhhmmss,f",
}

func timeForm(cells []string) (form, other string) {
	if len(cells) == 0 {
		return "", ""
	}
	fits := func(form string) bool {
		f, err := NewTimeForm(form, "")
		if err != nil {
			return false
		}
		for _, c := range cells {
			if _, err := f.Parse(c); err != nil {
				return false
			}
		}
		return true
	}
	for _, p := range timePatterns {
		if fits(p) {
			if form == "" {
				form = p
			} else if other == "" {
				other = p
			}
		}
	}
	if form != "" {
		return form, other
	}
	// Times since 1970 are told apart by their size: a year of this century.
	for _, clock := range []struct {
		form string
		exp  int
	}{{"unix", 0}, {"unix-ms", 3}, {"unix-us", 6}, {"unix-ns", 9}} {
		all := true
		for _, c := range cells {
			v, err := decimal.Parse(c)
			all = all && err == nil && v.Cmp(decimal.New(946_684_800, clock.exp)) >= 0 && v.Cmp(decimal.New(4_102_444_800, clock.exp)) < 0
		}
		if all {
			return clock.form, ""
		}
	}
	return "", ""
}

var knownEvents = map[string]Event{
	"reading": Reading, "measurement": Reading, "messung": Reading, "tag": Reading, "value": Reading, "measure": Reading, "data": Reading,
	"lowcell": LowCell, "lowbattery": LowCell, "lowbat": LowCell, "batterylow": LowCell, "batterieschwach": LowCell, "celllow": LowCell,
	"celldead": CellDead, "batterydead": CellDead, "batterieleer": CellDead, "batteryempty": CellDead,
	"linklost": LinkLost, "disconnected": LinkLost, "disconnect": LinkLost, "lost": LinkLost, "verbindungverloren": LinkLost, "getrennt": LinkLost, "connectionlost": LinkLost,
	"linkback": LinkBack, "reconnected": LinkBack, "reconnect": LinkBack, "connected": LinkBack, "connect": LinkBack, "verbunden": LinkBack,
}

// verdictOf guesses what a verdict word means; unsided is set when it says
// that a reading is out without saying on which side.
func verdictOf(word string) (z zone.Zone, known, unsided bool) {
	w := strings.ToLower(word)
	if z := zone.Zone(0); z.UnmarshalText([]byte(w)) == nil {
		return z, true, false
	}
	has := func(parts ...string) bool {
		for _, p := range parts {
			if strings.Contains(w, p) {
				return true
			}
		}
		return false
	}
	plain := letters(w)
	low := plain == "lo" || has("low", "under", "below", "small", "klein", "unter", "min", "<", "-") && !has("+", ">")
	high := plain == "hi" || has("high", "over", "above", "large", "groß", "gross", "über", "ueber", "max", ">", "+", "big") && !has("<")
	warn := has("warn", "caution", "yellow", "gelb")
	switch {
	case warn && low && !high:
		return zone.WarnLow, true, false
	case warn && high && !low:
		return zone.WarnHigh, true, false
	case has("void", "invalid", "error", "err", "none", "ungültig", "fehler", "fault", "---"):
		return zone.Void, true, false
	case low && !high:
		return zone.Below, true, false
	case high && !low:
		return zone.Above, true, false
	}
	switch plain {
	case "ok", "good", "pass", "passed", "in", "io", "gut", "accept", "accepted", "green", "conforms", "conform", "go", "bon", "bien", "true":
		return zone.Inside, true, false
	case "nok", "ng", "fail", "failed", "nio", "bad", "reject", "rejected", "schlecht", "red", "nogo", "out", "false", "nc":
		return zone.Void, false, true
	}
	return zone.Void, false, false
}

func (d *drafter) columns(t table) {
	width := len(t.names)
	for _, r := range t.rows {
		width = max(width, len(r))
	}
	shapes := make([]shape, width)
	for i := range shapes {
		shapes[i] = look(t, i)
	}
	name := func(i int) string {
		if i < len(t.names) {
			return t.names[i]
		}
		return ""
	}
	const (
		timeCol, gaugeCol, channelCol, tagCol, valueCol, unitCol, zoneCol, eventCol = 0, 1, 2, 3, 4, 5, 6, 7
	)
	score := func(ours, col int) int {
		s, n := shapes[col], len(shapes[col].cells)
		if name(col) == "" && t.names != nil {
			return 0
		}
		like := likeness(name(col), called[ours])
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
				if s.whole == n && s.distinct*2 > n && t.names == nil {
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
	// The best pair first, then the best of what is left.
	var chosen [8]int
	for i := range chosen {
		chosen[i] = -1
	}
	taken := make([]bool, width)
	for {
		bestScore, bestOurs, bestCol := 0, 0, 0
		for ours := range chosen {
			for col := range width {
				if chosen[ours] < 0 && !taken[col] {
					if s := score(ours, col); s > bestScore {
						bestScore, bestOurs, bestCol = s, ours, col
					}
				}
			}
		}
		if bestScore == 0 {
			break
		}
		chosen[bestOurs], taken[bestCol] = bestCol, true
	}
	if chosen[valueCol] < 0 && chosen[zoneCol] < 0 {
		d.say("no column looks like a value or a verdict; write columns: {value: NAME, ...}")
		if t.names == nil && !t.json {
			d.line("columns: {value: 1}")
		} else {
			d.line("columns: {value: %s}", quote(first(t.names)))
		}
		return
	}

	where := func(col int) string {
		if t.names == nil {
			return fmt.Sprint(col + 1)
		}
		return quote(t.names[col])
	}
	form, then := "", -1
	if c := chosen[timeCol]; c >= 0 {
		if form = shapes[c].time; form == "" {
			form, chosen[timeCol], then = twoColumns(t, c, taken)
		}
	}
	var cols []string
	for ours, col := range chosen {
		if col < 0 || ours == timeCol && form == "" {
			continue
		}
		text := where(col)
		if ours == timeCol && then >= 0 {
			text = "[" + text + ", " + where(then) + "]"
		}
		if ours == tagCol && t.names != nil && (likeness(name(col), called[tagCol]) == 0 || slices.Contains([]string{"id", "n", "index", "count"}, letters(name(col)))) {
			d.ask("tag: does the column %s hold the gauge's tag number? Write its name, or leave tag out and add tag to does-not-claim", text)
			cols = append(cols, ColumnNames[ours]+": "+Ask)
			continue
		}
		cols = append(cols, ColumnNames[ours]+": "+text)
		if t.names == nil || letters(t.names[col]) != ColumnNames[ours] {
			d.say("%s stands in column %s", ColumnNames[ours], text)
		}
	}
	// The unit may stand in the header of the value, or behind each.
	if v := chosen[valueCol]; v >= 0 && chosen[unitCol] < 0 {
		if unit := unitIn(name(v)); shapes[v].united {
			d.say("the unit stands behind the value")
			chosen[unitCol] = v
		} else if unit != "" {
			cols = append(cols, "unit: {always: "+unit+"}")
			d.say("the unit is %s in every row, as the header %q says", unit, name(v))
			chosen[unitCol] = v
		}
	}
	var noClaim []string
	miss := func(ours int, claim, say string) {
		if chosen[ours] < 0 {
			if claim != "" {
				noClaim = append(noClaim, claim)
			}
			d.say("%s", say)
		}
	}
	if form == "" {
		noClaim = append(noClaim, "time")
		d.say("no column with times was found")
	} else if form != "iso" {
		d.line("time: %s", quote(form))
		d.say("times are written as %s, in UTC; write time: {form: ..., zone: Europe/Berlin} for local times", form)
		if c := shapes[chosen[timeCol]]; c.ambiguous != "" && then < 0 {
			d.say("the times fit %s as well: look which is meant", c.ambiguous)
		}
	} else if !strings.ContainsAny(strings.Join(shapes[chosen[timeCol]].cells, ""), "Z+") {
		d.say("times have no offset and are taken as UTC; write time: {form: iso, zone: Europe/Berlin} for local times")
	}
	miss(gaugeCol, "", "no column names the gauge; for a scenario with several add gauge: {always: NAME}")
	miss(tagCol, "tag", "no column holds tag numbers")
	miss(unitCol, "unit", "no column holds the unit; add unit: {always: mm} for the one that is meant")
	miss(zoneCol, "zone", "no column holds a verdict")
	d.line("columns: {%s}", strings.Join(cols, ", "))

	if c := chosen[valueCol]; c >= 0 {
		if s := shapes[c]; s.commas > s.points {
			d.line("decimal-mark: comma")
			if !t.json && !strings.Contains(strings.Join(d.lines, "\n"), "separator:") {
				d.line("separator: comma")
			}
			d.say("the decimal mark is a comma")
		}
		var void []string
		seen := map[string]bool{}
		for _, cell := range shapes[c].cells {
			_, point := number(cell, '.')
			_, comma := number(cell, ',')
			if !point && !comma && !seen[cell] {
				seen[cell] = true
				void = append(void, quote(cell))
			}
		}
		if len(void) > 0 && len(void) <= 20 {
			d.line("void: [%s]", strings.Join(void, ", "))
			d.say("in place of a value these stand for no valid reading: %s", strings.Join(void, ", "))
		}
	}
	if c := chosen[unitCol]; c >= 0 && c != chosen[valueCol] {
		var units []string
		for _, w := range distinct(shapes[c].cells) {
			if _, ok := decimal.ParseUnit(strings.ToLower(w)); ok {
				continue
			}
			if guess, ok := unitWord(w); ok {
				units = append(units, quote(w)+": "+guess)
				d.say("the unit word %s means %s", w, guess)
			} else {
				units = append(units, quote(w)+": "+Ask)
				d.ask("units: which unit does the word %q mean?", w)
			}
		}
		if len(units) > 0 {
			d.line("units: {%s}", strings.Join(units, ", "))
		}
	}
	if c := chosen[zoneCol]; c >= 0 {
		var zones []string
		words := distinct(shapes[c].cells)
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
			if why := d.unsure(t, w, zoneOf, c, chosen[valueCol]); why != "" {
				zones = append(zones, quote(w)+": "+Ask)
				d.ask("zones: which zone does the verdict word %q mean? %s", w, why)
				continue
			}
			switch {
			case known && z == zone.Inside && coarse:
				zones = append(zones, quote(w)+": [inside, warn-low, warn-high]")
				d.say("the verdict word %q means inside, warn-low and warn-high: no word of the sample tells a warning", w)
			case known:
				if z.String() != strings.ToLower(w) {
					zones = append(zones, quote(w)+": "+z.String())
					d.say("the verdict word %q means %s", w, z)
				}
			case unsided:
				zones = append(zones, quote(w)+": [below, above]")
				d.say("the verdict word %q says that a reading is out, and not on which side: it means below and above", w)
			}
		}
		if len(zones) > 0 {
			d.line("zones: {%s}", strings.Join(zones, ", "))
		}
	}
	for _, ours := range []int{gaugeCol, channelCol} {
		if c := chosen[ours]; c >= 0 && len(shapes[c].cells) > 0 {
			words := distinct(shapes[c].cells)
			if len(words) > 5 {
				words = append(words[:5:5], "...")
			}
			what := ColumnNames[ours]
			d.say("the %ss are called %s: map what a scenario calls otherwise, as in %ss: {%s: NAME}", what, strings.Join(words, ", "), what, quote(words[0]))
		}
	}
	if c := chosen[eventCol]; c >= 0 {
		var events []string
		cell := func(r []string, col int) string {
			if col < 0 || col >= len(r) {
				return ""
			}
			return r[col]
		}
		measured := func(word string) bool { // a row with the word has a value, or where there is no such column a verdict
			of := chosen[valueCol]
			if of < 0 {
				of = chosen[zoneCol]
			}
			return slices.ContainsFunc(t.rows, func(r []string) bool { return cell(r, c) == word && cell(r, of) != "" })
		}
		for _, w := range distinct(shapes[c].cells) {
			if e := Event(""); e.UnmarshalText([]byte(strings.ToLower(w))) == nil {
				continue
			}
			e, ok := knownEvents[letters(w)]
			switch {
			case ok:
				d.say("the event word %q means %s", w, e)
			case measured(w):
				e = Reading
				d.say("the event word %q means reading: it stands in rows that have a value", w)
			default:
				e = Ask
				d.ask("events: what does the event word %q mean? Its rows have no value; write ignored if it says nothing of a gauge", w)
			}
			events = append(events, quote(w)+": "+string(e))
		}
		if len(events) > 0 {
			d.line("events: {%s}", strings.Join(events, ", "))
		}
	}
	sort.Strings(noClaim)
	d.noClaim = strings.Join(compact(noClaim), ", ")
}

// unsure says why the sample does not show what a verdict word means; it is empty
// where it does.
func (d *drafter) unsure(t table, word string, zoneOf map[string]zone.Zone, zoneCol, valueCol int) string {
	z, known := zoneOf[word]
	if _, _, unsided := verdictOf(word); !known && !unsided {
		return "It is not known"
	}
	if !known {
		return ""
	}
	for other, same := range zoneOf {
		if same == z && other != word && !strings.EqualFold(other, word) {
			return fmt.Sprintf("%q looks the same", other)
		}
	}
	if strings.ContainsAny(word, "?!*") {
		return "It has a mark that says something"
	}
	if z == zone.Void || valueCol < 0 {
		return ""
	}
	valued := slices.ContainsFunc(t.rows, func(r []string) bool {
		return zoneCol < len(r) && r[zoneCol] == word && valueCol < len(r) && r[valueCol] != ""
	})
	if !valued {
		return "No row with it has a value"
	}
	return ""
}

var (
	bracketed = regexp.MustCompile(`[\[(]\s*([^\])]+?)\s*[\])]`)
	suffixed  = regexp.MustCompile(`[_/]\s*([^_/\s]+)$`)
	trailing  = regexp.MustCompile(`\s(\S+)$`)
)

// unitIn is the symbol of the unit that a column's name has: in brackets, behind a
// stroke, or as its last word, where the word "in" says nothing.
func unitIn(name string) string {
	for _, form := range []*regexp.Regexp{bracketed, suffixed, trailing} {
		for _, m := range form.FindAllStringSubmatch(name, -1) {
			if u, ok := unitWord(m[1]); ok && (form != trailing || u != "in") {
				return u
			}
		}
	}
	return ""
}

// unitWord is the symbol of the unit that a word means.
func unitWord(w string) (string, bool) {
	if u, ok := decimal.ParseUnit(strings.ToLower(w)); ok {
		return u.Symbol(), true
	}
	u, ok := map[string]string{"zoll": "in", "inch": "in", "inches": "in", "millimeter": "mm", "millimetre": "mm", "mikrometer": "µm", "micrometre": "µm", "pouce": "in"}[letters(w)]
	return u, ok
}

// twoColumns looks for another column that makes times with the given one, in
// either order.
func twoColumns(t table, col int, taken []bool) (form string, date, clock int) {
	for other := range taken {
		if taken[other] {
			continue
		}
		for _, p := range [2][2]int{{col, other}, {other, col}} {
			var cells []string
			for _, r := range t.rows {
				if max(p[0], p[1]) < len(r) && r[p[0]] != "" {
					cells = append(cells, r[p[0]]+" "+r[p[1]])
				}
			}
			if form, _ := timeForm(cells); form != "" {
				return form, p[0], p[1]
			}
		}
	}
	return "", -1, -1
}

func distinct(cells []string) []string {
	s := append([]string(nil), cells...)
	sort.Strings(s)
	return compact(s)
}

func compact(s []string) (out []string) {
	for i, w := range s {
		if i == 0 || w != s[i-1] {
			out = append(out, w)
		}
	}
	return out
}

func first(names []string) string {
	for _, n := range names {
		if n != "" {
			return n
		}
	}
	return "value"
}

func quote(s string) string {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	_ = enc.Encode(s)
	return strings.TrimSpace(b.String())
}
