package hostfile

import (
	"regexp"
	"slices"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

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

var (
	bracketed = regexp.MustCompile(`[\[(]\s*([^\])]+?)\s*[\])]`)
	suffixed  = regexp.MustCompile(`[_/]\s*([^_/\s]+)$`)
	trailing  = regexp.MustCompile(`\s(\S+)$`)
)
