// Package proof is the one table of published values that understudy is held to: each
// model and rule is computed anew and compared with what a document prints. The tests
// go through the same table, and understudy verify shows it.
//
// The values stand in table/*.txt. A line that begins with "model" names the package
// and the model, "reach" a shipped file by which a user comes to it, with words that
// stand there, "from" a document, its clause and how it was seen; each other line is a
// value: what is given => what is expected. Functions of the same name in this package
// compute it.
package proof

import (
	"embed"
	"fmt"
	"maps"
	"math"
	"strconv"
	"strings"
	"sync"

	"example.org/understudy/sim/enum"
)

// Seen is how the source of a value was seen.
type Seen = enum.Of[seen]

// Ways of seeing a source.
const (
	Opened         Seen = iota // the document itself was read
	Transcription              // a copy of the value by somebody who names the document
	FromMemory                 // neither was at hand
	ByHand                     // worked out from a definition, which is named
	CommonPractice             // no source
)

type seen struct{}

func (seen) Names() []string {
	return []string{"opened", "transcription", "from memory", "by hand", "common practice"}
}
func (seen) What() string { return "a way to see a source" }

// Row is one published value beside what is computed.
type Row struct {
	Package  string `json:"package" doc:"package of the model"`
	Model    string `json:"model" doc:"model or rule"`
	Given    string `json:"given" doc:"what it is computed of"`
	Expected string `json:"expected" doc:"the published value"`
	Got      string `json:"got" doc:"the computed value"`
	Digits   string `json:"digits" doc:"how many of the published digits agree, or exact"`
	Agrees   bool   `json:"agrees" doc:"whether the computed value is the published one, to all its digits"`
	Document string `json:"document" doc:"document, with its edition and clause"`
	Seen     Seen   `json:"seen" doc:"how the document was seen"`
	File     string `json:"file" doc:"shipped file by which a user comes to the model"`
	Words    string `json:"words" doc:"what stands there"`
}

// models compute the values of the table, by package and model. Each takes what is
// given as it stands in the table, and returns words or a float64.
var models = merged(arithmetic, lines, measuring, physics, radio, statistics)

func merged(some ...map[string]func(given string) any) map[string]func(given string) any {
	all := map[string]func(given string) any{}
	for _, m := range some {
		maps.Copy(all, m)
	}
	return all
}

//go:embed table/*.txt
var tables embed.FS

// Rows computes the whole table.
var Rows = sync.OnceValue(func() []Row {
	var rows []Row
	for _, file := range must(tables.ReadDir("table")) {
		name := "table/" + file.Name()
		rows = append(rows, parse(name, string(must(tables.ReadFile(name))))...)
	}
	for i := range rows {
		rows[i].compute()
	}
	return rows
})

// parse reads one file of the table, which is part of the program: a mistake in it is
// one of the program, and a test that reads the table meets it.
func parse(file, text string) (rows []Row) {
	var row Row
	for i, line := range strings.Split(text, "\n") {
		bad := func(want string) { panic(fmt.Sprintf("%s:%d: %q is not %s", file, i+1, line, want)) }
		word, rest, _ := strings.Cut(line, " ")
		switch word {
		case "", "#":
		case "model":
			var ok bool
			row = Row{}
			if row.Package, row.Model, ok = strings.Cut(rest, " "); !ok || models[rest] == nil {
				bad("a package and a model that is computed")
			}
		case "reach":
			var ok bool
			if row.File, row.Words, ok = strings.Cut(rest, ": "); !ok {
				bad("a file and words in it")
			}
		case "from":
			at := strings.LastIndex(rest, " | ")
			if at < 0 || row.Seen.UnmarshalText([]byte(rest[at+3:])) != nil {
				bad("a document and one of " + strings.Join(row.Seen.Names(), ", "))
			}
			row.Document = rest[:at]
		default:
			var ok bool
			if row.Given, row.Expected, ok = strings.Cut(line, " => "); !ok || row.Model == "" || row.Document == "" || row.File == "" {
				bad("a value below its model, reach and source")
			}
			rows = append(rows, row)
		}
	}
	return rows
}

// compute fills in what is computed and whether it agrees. Words have to be the same;
// a number has to be the published one when it is rounded to as many places, or lie in
// the published range: 95 to 97, or 1 ± 0.01.
func (r *Row) compute() {
	switch got := models[r.Package+" "+r.Model](r.Given).(type) {
	case string:
		r.Got, r.Agrees = got, got == r.Expected
		if r.Digits = "none"; r.Agrees {
			r.Digits = "exact"
		}
	case float64:
		low, high, inRange := bounds(r.Expected)
		r.Agrees = got >= low && got <= high
		r.Got = strconv.FormatFloat(got, 'g', max(figures(r.Expected)+2, 5), 64)
		if r.Digits = "in range"; !inRange {
			r.Digits = agreement(got, (low+high)/2, figures(r.Expected), r.Agrees)
		} else if !r.Agrees {
			r.Digits = "outside"
		}
	default:
		panic(fmt.Sprintf("%s %s computes a %T", r.Package, r.Model, got))
	}
}

// bounds are the ends of what a published number covers.
func bounds(text string) (low, high float64, inRange bool) {
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			panic(err) // the table is part of the program
		}
		return v
	}
	if a, b, ok := strings.Cut(text, " to "); ok {
		return number(a), number(b), true
	}
	if a, b, ok := strings.Cut(text, " ± "); ok {
		return number(a) - number(b), number(a) + number(b), true
	}
	v := number(text)
	if math.IsInf(v, 0) {
		return v, v, false
	}
	mantissa, exponent, _ := strings.Cut(text, "e")
	_, places, _ := strings.Cut(mantissa, ".")
	e, _ := strconv.Atoi(exponent)
	// half a unit of the last place, and what binary floats lose
	half := 0.5000001*math.Pow(10, float64(e-len(places))) + 4e-15*math.Abs(v)
	return v - half, v + half, false
}

// figures counts the digits of a published number, or of the first of a range.
func figures(text string) int {
	text, _, _ = strings.Cut(text, " ")
	mantissa, _, _ := strings.Cut(text, "e")
	digits := strings.Map(func(c rune) rune {
		if c >= '0' && c <= '9' {
			return c
		}
		return -1
	}, mantissa)
	return max(1, len(strings.TrimLeft(digits, "0")))
}

// agreement says how many of a number's published digits agree: all of them, or as many
// as the relative error leaves.
func agreement(got, want float64, published int, agrees bool) string {
	n := published
	if !agrees {
		n = 0
		if want != 0 {
			n = int(min(max(0, -math.Log10(math.Abs(got/want-1))), float64(published)-1))
		}
	}
	return fmt.Sprintf("%d of %d", n, published)
}

// Without are the packages of sim that hold no model or rule, with the reason.
func Without() map[string]string {
	return map[string]string{
		"sim/enum":    "words of enumerations; they rest on no document",
		"sim/testenv": "for tests only",
	}
}
