package scenario

import (
	"regexp"
	"slices"
	"strings"
	"unicode"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/strict"
)

// Figure says where a number of the texts comes from that stands nowhere else in the
// file.
type Figure struct {
	Says string `yaml:"says" need:"yes" doc:"the number as the texts have it, with its unit, such as 31 µm"`
	Is   string `yaml:"is" doc:"what it is worked out from: numbers of the file with + or - between them, such as 45.031 mm - 45.000 mm; lint works it out"`
	By   string `yaml:"by" doc:"where else it is from, in words; lint takes it as it is"`
}

// amount is a number of a text, and what it is in the base unit of its dimension.
type amount struct {
	text, dim string
	num, base decimal.Decimal
}

// is reports whether an amount of a text is that of the file. A bare number may have any
// unit there.
func (a amount) is(b amount) bool {
	if a.dim == "" {
		return a.num.Equal(b.num)
	}
	return a.dim == b.dim && a.base.Equal(b.base)
}

var numberForm = regexp.MustCompile(`[-+]?\d+(\.\d+)?`)

// amounts are the numbers of a text. A digit of a name, such as P2 or 8N1, is none.
func amounts(text string) (all []amount) {
	text = strings.ReplaceAll(text, "−", "-")
	for _, at := range numberForm.FindAllStringIndex(text, -1) {
		num, rest := text[at[0]:at[1]], text[at[1]:]
		before := strings.TrimRightFunc(text[:at[0]], func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) && r != '.' && r != '_' })
		if before == text[:at[0]] && before != "" { // it follows a letter, a digit or a point
			if num[0] != '-' || !unicode.IsDigit(rune(before[len(before)-1])) {
				continue
			}
			num = num[1:] // from one number to another
		}
		a := amount{text: num, num: decimal.MustParse(strings.TrimPrefix(num, "+"))}
		a.base = a.num
		word := strings.TrimPrefix(rest, " ")
		if end := strings.IndexFunc(word, func(r rune) bool { return !unicode.IsLetter(r) && r != '%' && r != '°' }); end >= 0 {
			word = word[:end]
		}
		if dim, base, ok := quantity.Unit(word); ok {
			a.text, a.dim, a.base = num+" "+word, dim, a.num.Mul(base)
		} else if r := []rune(rest); len(r) > 0 && unicode.IsLetter(r[0]) {
			continue
		}
		all = append(all, a)
	}
	return all
}

// Figured says which numbers of the texts that people read stand nowhere else in the
// file and are not worked out either. The error is of type strict.Errors.
func (s *Scenario) Figured() error {
	var errs strict.Errors
	known := s.amounts()
	wrong := func(at any, want, msg string) {
		errs = append(errs, strict.Error{Pos: s.At(at), Msg: msg, Want: want})
	}
	unsaid := map[string]*Figure{}
	var worked []amount
	for i := range s.Figures {
		f := &s.Figures[i]
		says := amounts(f.Says)
		if len(says) != 1 || (f.Is == "") == (f.By == "") {
			wrong(f, "write it such as {says: 31 µm, is: 45.031 mm - 45.000 mm}, or {says: 9.5 dB, by: ...}", "a figure is one number, and what it is or where it is from")
			continue
		}
		if f.Is != "" {
			if why := add(says[0], f.Is, known); why != "" {
				wrong(f, "", f.Says+why)
			}
		}
		worked, unsaid[says[0].text] = append(worked, says[0]), f
	}
	look := func(text *string) {
		for _, a := range amounts(*text) {
			if i := slices.IndexFunc(worked, a.is); i >= 0 {
				delete(unsaid, worked[i].text)
				continue
			}
			if slices.ContainsFunc(known, a.is) {
				continue
			}
			wrong(text, "put the number right, or say under figures: what it is", "the text says "+a.text+", which is nothing that stands in the file")
		}
	}
	look(&s.Notice)
	for i := range s.Chapters {
		c := &s.Chapters[i]
		for _, text := range []*string{&c.Title, &c.Say, &c.Ask, &c.Answer} {
			look(text)
		}
	}
	for i := range s.Figures {
		if f := &s.Figures[i]; slices.ContainsFunc(amounts(f.Says), func(a amount) bool { return unsaid[a.text] == f }) {
			wrong(f, "leave it out", "no text says "+f.Says)
		}
	}
	if len(errs) > 0 {
		return errs
	}
	return nil
}

// amounts are all numbers of the file but those of its texts, with what follows from
// them: the limits of a tolerance class, the power of a class, the lines' settings.
func (s *Scenario) amounts() []amount {
	f := s.File
	f.Title, f.Notice, f.Aim, f.Figures, f.Chapters = "", "", "", nil, nil
	words := []string{string(Marshal(&f, ""))}
	for i := range s.Gauges {
		words = append(words, s.Line(i))
		if k := s.Gauges[i].Link; k != nil {
			words = append(words, decimal.New(link.Class(k.Class).Microwatts(), -3).Trim().String()+" mW")
		}
		for ch := range s.limits[i] {
			lim := s.Limits(i, ch)
			for _, at := range []decimal.Length{lim.Lower.At, lim.Upper.At, lim.WarnLower.At, lim.WarnUpper.At} {
				mm, _ := at.In(decimal.MM)
				words = append(words, mm.String()+" mm")
			}
		}
	}
	return amounts(strings.Join(words, "\n"))
}

// add works a sum out of numbers that are known, and says what is wrong with it. In
// another unit than what it is said to be, it is rounded as that is.
func add(says amount, sum string, known []amount) string {
	var total decimal.Decimal
	dim := ""
	for i, word := range strings.Split(strings.NewReplacer(" - ", "\x00-", " + ", "\x00+").Replace(sum), "\x00") {
		sign := decimal.New(1, 0)
		if strings.HasPrefix(word, "-") && i > 0 {
			word, sign = word[1:], decimal.New(-1, 0)
		}
		a := amounts(word)
		switch {
		case len(a) != 1 || i > 0 && a[0].dim != dim:
			return " cannot be worked out of " + sum
		case !slices.ContainsFunc(known, a[0].is):
			return " is worked out of " + a[0].text + ", which does not stand in the file"
		}
		dim, total = a[0].dim, total.Add(a[0].base.Mul(sign))
	}
	if says.dim == dim {
		_, unit, _ := strings.Cut(says.text, " ")
		_, base, ok := quantity.Unit(unit)
		if !ok {
			base = decimal.New(1, 0) // a bare number
		}
		if total.Quo(base, says.num.Exponent(), decimal.HalfEven).Equal(says.num) {
			return ""
		}
	}
	return " is not " + sum
}
