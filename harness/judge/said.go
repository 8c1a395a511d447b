package judge

import (
	"slices"
	"strings"

	"example.org/understudy/harness/cause"
)

// said are the sentences that say no more than a cause of the catalogue does.
var said = map[string][]string{
	"sign-lost": {"the value has lost its sign"}, "sign-inverted": {"the value has the opposite sign"},
	"unit-unconverted": {"the number in inches is taken for one in millimetres", "the number in millimetres is taken for one in inches"},
	"decimal-shifted":  {"the value is multiplied by"}, "decimal-comma": {"the value ends at the decimal mark"},
	"datum-twice": {"the value is too"}, "datum-dropped": {"the value is too"}, "inch-as-25": {"inches are reckoned with 25"},
	"sense-inverted": {" less the right one"}, "value-stale": {"the value is that of the row before"},
	"sign-not-extended": {"the value in steps is taken for", "the value is too"}, "factor-twice": {"the value is multiplied by"}, "factor-inverted": {"the value is multiplied by"},
	"truncates": {"cut off towards 0"}, "rounds-half-up": {"rounded half away from 0"}, "rounds-half-even": {"rounded half to even"}, "rounds-coarse": {"1 fewer decimals"},
	"strict-limits": {" as strict", "by strict limits"}, "inclusive-limits": {" as inclusive", "by inclusive limits"}, "strict-warnings": {" as strict"},
	"warnings-ignored":   {"without the warning limits", "without the lower warning limit", "without the upper warning limit", "the zone is inside"},
	"warnings-as-limits": {"the zone is below", "the zone is above"}, "warnings-first": {"the zone is warn-"},
	"upper-ignored": {"without the upper specification limit"}, "lower-ignored": {"without the lower specification limit"},
	"limits-swapped": {"below and above are exchanged"},
	"guard-ignored":  {"without a guard band"}, "guard-on-warnings": {"goes for the warning limits too"},
	"decides-unrounded": {"by the value as received"}, "decides-displayed": {"by the value as shown"},
	"zone-stale": {"the zone is that of the row before"}, "zone-always-inside": {"the zone is inside"},
	"tag-unrecorded": {"there is no tag number"}, "tag-number-off": {"the tag is too"},
	"tag-value-streamed": {"the value is the one streamed last before"}, "stale-after-rejoin": {"the value is the one streamed last before", "the value is that of the"},
	"time-zone": {"every time is off by"}, "daylight-jump": {"every time is off by"},
	"channels-swapped": {"readings of the channel "},
	"void-as-zero":     {"the value is 0"}, "void-as-last": {"the value is the last before it that was not void"}, "void-inside": {"the zone is inside"},
}

// Level sorts sentences that fit all rows that a cause explains: first is one that says
// another thing of every row, to be told in one breath with the cause, rather one that is
// not about rounding where the cause is; what says the same as the cause is left out.
func Level(name string, or []string) (first string, rest []string) {
	for _, s := range or {
		every := !strings.HasPrefix(s, "where ")
		switch {
		case every && slices.ContainsFunc(said[name], func(t string) bool { return strings.Contains(s, t) }), every && strings.HasSuffix(s, "row is missing"):
		case every && first == "":
			first = strings.TrimPrefix(s, either)
		case every && rounds(name) && roundly(first) && !roundly(s):
			first, rest = s, append(rest, first)
		default:
			rest = append(rest, s)
		}
	}
	return first, rest
}

func rounds(name string) bool {
	vs := cause.Named(name)
	return len(vs) > 0 && vs[0].Rounds()
}

func roundly(sentence string) bool {
	return strings.HasPrefix(sentence, "in every row the value is ") && (strings.Contains(sentence, "rounded") || strings.Contains(sentence, "cut off"))
}
