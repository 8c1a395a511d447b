package show

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// Counted is a number of things in words that agree: 1 cue, 2 cues.
func Counted(n int, thing string) string {
	switch {
	case n == 1:
		return "1 " + thing
	case strings.HasSuffix(thing, "s"):
		return fmt.Sprintf("%d %ses", n, thing)
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// Dotted is bytes as text, with a middle dot for what is no printable ASCII character.
func Dotted(b []byte) string {
	var s strings.Builder
	for _, c := range b {
		if c < ' ' || c > '~' {
			s.WriteString("·")
		} else {
			s.WriteByte(c)
		}
	}
	return s.String()
}

// Wrap breaks a text into lines behind an indent. A word that is longer than a line is cut.
func Wrap(text, indent string, width int) string {
	var b strings.Builder
	line := indent
	end := func() {
		if line != indent {
			b.WriteString(line + "\n")
			line = indent
		}
	}
	room := width - utf8.RuneCountInString(indent)
	for _, word := range strings.Fields(text) {
		if utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			end()
		}
		for r := []rune(word); len(r) > room; word = string(r) {
			line, r = indent+string(r[:room]), r[room:]
			end()
		}
		if line != indent {
			line += " "
		}
		line += word
	}
	return b.String() + line + "\n"
}
