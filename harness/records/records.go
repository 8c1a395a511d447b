// Package records reads what a host wrote into the harness's own records: from
// CSV and JSON Lines files, SQLite databases, worksheets and a posted-to HTTP address. A
// record that cannot be understood is kept with what is wrong with it, never
// dropped and never guessed at.
package records

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/zone"
)

// Record is one record of the host's, in the harness's words: units by their
// symbols, zones and events by their names. A word of the host's that the
// description does not map stays as it is, and Problem says so. A row in which
// nothing can be read has no Kind.
type Record = judge.Record

// maxRaw bounds what is kept of one record.
const maxRaw = 4096

// reader turns the texts of one record into a Record by a description.
type reader struct {
	d     hostfile.Records
	zones map[string]string
	left  Left
}

// Left is what was left out of the records.
type Left struct {
	Blank   []int     // rows that hold nothing but separators or empty values
	Ignored []Ignored // words of rows that the description ignores, in the order they came up
}

// Ignored is an event word that a description ignores, where it stands in records.
type Ignored struct {
	Word   string
	Rows   []int
	Valued int // how many of them have a value
}

// ignore notes a row that the description leaves out.
func (l *Left) ignore(word string, row int, valued bool) {
	i := slices.IndexFunc(l.Ignored, func(g Ignored) bool { return g.Word == word })
	if i < 0 {
		i = len(l.Ignored)
		l.Ignored = append(l.Ignored, Ignored{Word: word})
	}
	g := &l.Ignored[i]
	g.Rows = append(g.Rows, row)
	if valued {
		g.Valued++
	}
}

func newReader(d hostfile.Records) *reader {
	d.Fill()
	r := &reader{d: d, zones: map[string]string{}}
	for word, z := range d.Zones {
		r.zones[word] = z.String()
	}
	return r
}

// texts are the texts of one record, by the order of hostfile.ColumnNames.
type texts [8]string

// record makes the Record. It reports false for a record that says nothing:
// one that is empty, or an event the description ignores.
func (r *reader) record(row int, raw string, t *texts) (Record, bool) {
	rec := Record{Row: row, Raw: clip(raw), Kind: string(hostfile.Reading)}
	for i := range t {
		t[i] = clip(trim(t[i]))
	}
	empty := true
	for i, c := range r.d.Columns.All() {
		empty = empty && (t[i] == "" || c.Always != "")
	}
	if empty {
		r.left.Blank = append(r.left.Blank, row)
		return rec, false
	}
	when, gauge, channel, tag, value, unit, verdict, event := t[0], t[1], t[2], t[3], t[4], t[5], t[6], t[7]
	r.readEvent(&rec, event)
	if rec.Kind == string(hostfile.Ignored) {
		r.left.ignore(event, row, value != "")
		return rec, false
	}
	if when != "" {
		at, err := r.d.Time.Parse(when)
		if err != nil {
			problem(&rec, "%s", strict.Short(err.Error()))
			rec.BadTime = true
		} else {
			rec.Time, rec.HasTime = at, true
		}
	}
	rec.Gauge, rec.Channel = mapped(r.d.Gauges, gauge), mapped(r.d.Chans, channel)
	if tag != "" {
		if d, err := decimal.Parse(tag); err == nil {
			if n, ok := d.Int64(); ok {
				rec.Tag = &n
			}
		}
		if rec.Tag == nil {
			problem(&rec, "the tag number %q is not a whole number", strict.Short(tag))
		}
	}
	rec.Text = value
	void := value == "" || slices.Contains(r.d.Void, value)
	if !void {
		v, inUnit, why := r.number(value)
		if why != "" {
			problem(&rec, "%s", why)
		} else {
			rec.Value = &v
			unit = cmp.Or(unit, inUnit)
		}
	}
	if !void || !slices.Contains(r.d.Void, unit) {
		r.readUnit(&rec, unit)
	}
	r.readZone(&rec, verdict)
	if verdict == "" && void && value != "" && rec.Kind == string(hostfile.Reading) {
		rec.Zone = zone.Void.String() // the word in place of the value says it
	}
	return rec, true
}

// problem adds what cannot be read of the row.
func problem(rec *Record, format string, args ...any) {
	if rec.Problem != "" {
		rec.Problem += "; "
	}
	rec.Problem += fmt.Sprintf(format, args...)
}

// readEvent takes the word of an event for the kind of row: a word of the
// host description first, then one of our own in any case.
func (r *reader) readEvent(rec *Record, word string) {
	if word == "" {
		return
	}
	if e, ok := lookup(r.d.Events, word); ok {
		rec.Kind = string(e)
	} else if e, ok := r.d.EventCalled(word); ok {
		rec.Kind = string(e)
	} else {
		rec.Kind = word
		problem(rec, "the event word %q is not in the host description's events", strict.Short(word))
	}
}

func (r *reader) readUnit(rec *Record, word string) {
	if word == "" {
		return
	}
	symbol := mapped(r.d.Units, word)
	u, ok := decimal.ParseUnit(symbol)
	if !ok {
		u, ok = decimal.ParseUnit(strings.ToLower(symbol))
	}
	if ok {
		rec.Unit = u.Symbol()
		return
	}
	rec.Unit = word
	problem(rec, "the unit word %q is not in the host description's units", strict.Short(word))
}

func (r *reader) readZone(rec *Record, word string) {
	if word == "" {
		return
	}
	z, ok := lookup(r.zones, word)
	if !ok {
		z = strings.ToLower(word)
		ok = new(zone.Set).UnmarshalText([]byte(z)) == nil
	}
	if ok {
		rec.Zone = z
		return
	}
	rec.Zone = word
	problem(rec, "the verdict word %q is not in the host description's zones", strict.Short(word))
}

// number reads a value with the description's decimal mark. A unit may stand
// behind it.
func (r *reader) number(text string) (v decimal.Decimal, unit, why string) {
	num := strings.ReplaceAll(text, "\u2212", "-") // the minus sign of typesetting
	if r.d.Statistics {
		num = trim(strings.TrimSuffix(num, "%"))
	}
	if i := strings.LastIndexAny(num, "0123456789"); i >= 0 && i+1 < len(num) {
		if _, known := decimal.ParseUnit(mapped(r.d.Units, trim(num[i+1:]))); known {
			num, unit = trim(num[:i+1]), trim(num[i+1:])
		}
	}
	plain := num
	if r.d.Decimal != '.' {
		if strings.Contains(num, ".") && r.d.Form == hostfile.XLSX {
			// A cell that is a number has a point in the file; one of text has the host's mark.
			num = strings.Replace(num, ".", string(rune(r.d.Decimal)), 1)
		}
		if strings.Contains(num, ".") {
			return v, "", fmt.Sprintf("the value %q has a point, and the decimal mark is %q", strict.Short(text), rune(r.d.Decimal))
		}
		plain = strings.Replace(num, string(rune(r.d.Decimal)), ".", 1)
	}
	v, err := decimal.Parse(plain)
	if err != nil {
		hint := ""
		if _, bad := decimal.Parse(strings.Replace(num, ",", ".", 1)); bad == nil {
			hint = "; is its decimal mark a comma?"
		}
		return v, "", fmt.Sprintf("the value %q is not a number%s", strict.Short(text), hint)
	}
	return v, unit, ""
}

// lookup finds a word as written, or else without regard to case.
func lookup[V any](m map[string]V, word string) (V, bool) {
	if v, ok := m[word]; ok {
		return v, true
	}
	for k, v := range m {
		if strings.EqualFold(k, word) {
			return v, true
		}
	}
	var none V
	return none, false
}

func mapped(m map[string]string, word string) string {
	if v, ok := m[word]; ok {
		return v
	}
	return word
}

func trim(s string) string {
	if s == "" || s[0] > ' ' && s[0] < 0x80 && s[len(s)-1] > ' ' && s[len(s)-1] < 0x80 {
		return s // the usual case, without a walk over the text
	}
	return strings.TrimFunc(s, func(c rune) bool { return unicode.IsSpace(c) || c == 0 || c == '\ufeff' })
}

func clip(s string) string {
	if len(s) > maxRaw {
		return strings.ToValidUTF8(s[:maxRaw], "\ufffd") + "…"
	}
	return s
}

// PlainFloat writes a binary number that a host stored in the fewest decimals
// that give the same number back.
func PlainFloat(f float64) string {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return strconv.FormatFloat(f, 'g', -1, 64)
	}
	if a := math.Abs(f); a != 0 && (a < 1e-20 || a > 1e20) {
		return strconv.FormatFloat(f, 'e', -1, 64)
	}
	return strconv.FormatFloat(f, 'f', -1, 64)
}
