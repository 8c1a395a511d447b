package hostfile

import (
	"cmp"
	"fmt"
	"strings"
	"time"
	_ "time/tzdata" // zone names mean the same on a machine without its own database

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

// TimeForm says how the host writes times.
//
// The form is one of
//
//	iso          RFC 3339, or the same without an offset, with T or a space
//	unix         seconds since 1970-01-01 UTC, with decimals
//	unix-ms      milliseconds since then (also unix-us, unix-ns)
//	sheet-days   days since 1899-12-30, as a cell of a worksheet holds a date and
//	             time (ISO/IEC 29500-1, 18.17.4.1: the 1900 date system, from
//	             March 1900 on)
//	a pattern    of the letters of ISO 8601: YYYY MM DD hh mm ss, fractions of
//	             a second as f (any number of digits), the offset from UTC as
//	             Z; other forms: YY, D, M, MMM (Jan), h with AP (AM or PM)
//
// Zone is the zone that a time without an offset is in: UTC, an offset such as
// +01:00, or a name of the IANA time zone database such as Europe/Berlin.
type TimeForm struct {
	Form string
	Zone string

	layout string
	loc    *time.Location
}

var clockForms = map[string]int{"unix": 9, "unix-ms": 6, "unix-us": 3, "unix-ns": 0}

// sheetDays is the form of a date and time in a cell of a worksheet.
const sheetDays = "sheet-days"

type formAndZone struct {
	Form string `yaml:"form" doc:"iso, unix, unix-ms, unix-us, unix-ns, sheet-days (of xlsx), or a pattern such as DD.MM.YYYY hh:mm:ss,f"`
	Zone string `yaml:"zone" doc:"the time zone of times without an offset: UTC, +01:00 or Europe/Berlin"`
}

// UnmarshalAny reads a form, or {form: F, zone: Z}.
func (t *TimeForm) UnmarshalAny(n strict.Any) error {
	var f formAndZone
	if n.Kind == strict.Scalar {
		f.Form = n.Scalar
	} else if !n.Decode(&f) {
		return nil
	}
	made, err := NewTimeForm(f.Form, f.Zone)
	if err != nil {
		return err
	}
	*t = made
	return nil
}

// SchemaFor describes both forms.
func (TimeForm) SchemaFor(of func(any) map[string]any) map[string]any {
	return map[string]any{"anyOf": []any{map[string]any{"type": "string"}, of(formAndZone{})}}
}

// NewTimeForm checks a form and a zone; either may be empty.
func NewTimeForm(form, zone string) (TimeForm, error) {
	t := TimeForm{Form: form, Zone: zone}
	switch zone {
	case "", "UTC", "Z":
		t.loc = time.UTC
	default:
		if off, err := time.Parse("-07:00", zone); err == nil {
			_, secs := off.Zone()
			t.loc = time.FixedZone(zone, secs)
		} else if loc, err := time.LoadLocation(zone); err == nil && zone != "Local" {
			t.loc = loc
		} else {
			return t, fmt.Errorf("%q is not a zone that is known here; write UTC, an offset such as +01:00, or a name such as Europe/Berlin", zone)
		}
	}
	t.Form = cmp.Or(t.Form, "iso")
	if _, clock := clockForms[t.Form]; clock || t.Form == "iso" || t.Form == sheetDays {
		return t, nil
	}
	var err error
	t.layout, err = layoutOf(t.Form)
	return t, err
}

// The letters of a pattern and what the standard library calls them, longest first.
var timeLetters = []struct{ ours, theirs string }{
	{"YYYY", "2006"}, {"MMM", "Jan"}, {"YY", "06"}, {"MM", "01"}, {"DD", "02"}, {"hh", "15"}, {"mm", "04"}, {"ss", "05"},
	{"AP", "PM"}, {"M", "1"}, {"D", "2"}, {"Z", "Z07:00"},
}

func layoutOf(pattern string) (string, error) {
	var b strings.Builder
	clock12 := strings.Contains(pattern, "AP")
	for rest := pattern; rest != ""; {
		c := rest[0]
		word := ""
		for _, l := range timeLetters {
			if strings.HasPrefix(rest, l.ours) {
				if word = l.ours; word == "hh" && clock12 {
					b.WriteString("03")
				} else {
					b.WriteString(l.theirs)
				}
				break
			}
		}
		switch {
		case word != "":
			rest = rest[len(word):]
		case (c == '.' || c == ',') && strings.HasPrefix(rest[1:], "f"):
			// The standard library takes any number of decimals after the
			// seconds, with a point or a comma, whether the layout has them or not.
			rest = strings.TrimLeft(rest[1:], "f")
		case c == 'h' && clock12:
			b.WriteString("3")
			rest = rest[1:]
		case c == 'T' || c < 'A' || c > 'Z' && c < 'a' || c > 'z':
			if c >= '0' && c <= '9' {
				return "", fmt.Errorf("%q has the digit %c; a pattern has letters such as YYYY-MM-DD hh:mm:ss", pattern, c)
			}
			b.WriteByte(c)
			rest = rest[1:]
		default:
			return "", fmt.Errorf("%q is not a form of time at %q; write iso, unix, unix-ms, unix-us, unix-ns, or a pattern such as DD.MM.YYYY hh:mm:ss,f", pattern, rest)
		}
	}
	if !strings.Contains(b.String(), "05") {
		return "", fmt.Errorf("%q has no seconds; write ss where they stand", pattern)
	}
	return b.String(), nil
}

var isoLayouts = []string{"2006-01-02T15:04:05Z07:00", "2006-01-02 15:04:05Z07:00", "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04:05Z0700", "2006-01-02 15:04:05 Z07:00"}

// Parse reads a time. The error says what form was expected.
func (t TimeForm) Parse(text string) (time.Time, error) {
	loc := cmp.Or(t.loc, time.UTC)
	if exp, clock := clockForms[t.Form]; clock {
		d, err := decimal.Parse(text)
		if err == nil {
			// Decimals beyond the nanosecond carry nothing here.
			if ns, ok := d.Mul(decimal.New(1, exp)).Quantize(0, decimal.Truncate).Int64(); ok {
				return time.Unix(0, ns).UTC(), nil
			}
		}
		return time.Time{}, fmt.Errorf("%q is not a time of the form %s", text, t.Form)
	}
	if t.Form == sheetDays {
		return t.fromDays(text, loc)
	}
	if t.layout != "" {
		if v, err := time.ParseInLocation(t.layout, text, loc); err == nil {
			return v, nil
		}
		return time.Time{}, fmt.Errorf("%q is not a time of the form %s", text, t.Form)
	}
	for _, l := range isoLayouts {
		if v, err := time.ParseInLocation(l, text, loc); err == nil {
			return v, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a time of the form iso (such as 2026-01-31T07:30:00.125Z)", text)
}

// fromDays reads a worksheet's day number. It is a binary number in the file, good for
// about a microsecond, to which it is rounded.
func (t TimeForm) fromDays(text string, loc *time.Location) (time.Time, error) {
	d, err := decimal.Parse(text)
	if err == nil {
		us, ok := d.Mul(decimal.New(86_400_000_000, 0)).Quantize(0, decimal.HalfEven).Int64()
		if ok && us >= 0 && us < 3_000_000*86_400_000_000 {
			day, of := int(us/86_400_000_000), us%86_400_000_000
			return time.Date(1899, 12, 30+day, 0, 0, int(of/1_000_000), int(of%1_000_000)*1000, loc), nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a time of the form %s, days since 1899-12-30", text, t.Form)
}
