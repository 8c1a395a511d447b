package hostfile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"example.org/understudy/sim/decimal"
	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	utf16 "golang.org/x/text/encoding/unicode"
)

// table is a sample as columns.
type table struct {
	names []string   // of the columns, or nil without a header
	rows  [][]string // cells, trimmed
	json  bool
	sheet bool // of a worksheet: no separator, and numbers whose mark is the file's
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
	if !begun || skip > 1000 {
		skip = 0
	}
	d.table(&t, skip)
	return t
}

// table says which rows are no records, and takes the header off.
func (d *drafter) table(t *table, skip int) {
	if skip > 0 {
		d.line("skip-lines: %d", skip)
		d.say("the first %d lines are not records", skip)
	}
	if len(t.rows) > 0 && isHeader(t.rows[0]) {
		t.names, t.rows = t.rows[0], t.rows[1:]
	} else {
		d.line("no-header: true")
		d.say("the first row is a record and not a header")
	}
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
	if daysOfSheet(cells) {
		return sheetDays, ""
	}
	return "", ""
}

// daysOfSheet reports whether the cells are day numbers of a worksheet: of this
// century, and with decimals, which hold the time of day.
func daysOfSheet(cells []string) bool {
	parts := false
	for _, c := range cells {
		v, err := decimal.Parse(c)
		if err != nil || v.Cmp(decimal.New(36_526, 0)) < 0 || v.Cmp(decimal.New(73_051, 0)) >= 0 {
			return false
		}
		_, whole := v.Int64()
		parts = parts || !whole
	}
	return parts
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

func distinct(cells []string) []string { return slices.Compact(slices.Sorted(slices.Values(cells))) }
