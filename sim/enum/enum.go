// Package enum gives a small enumeration its text form: the words of its values,
// how they are written and read, and the error that lists them.
package enum

import (
	"fmt"
	"slices"
	"strings"
)

// Set is an enumeration: the words of its values in order, the default first.
type Set interface {
	Names() []string
	// What names a value with its article, for errors: "a zone".
	What() string
}

// Of is a value of an enumeration.
type Of[S Set] uint8

func (v Of[S]) String() string {
	var s S
	if names := s.Names(); int(v) < len(names) {
		return names[v]
	}
	return fmt.Sprintf("?(%d)", uint8(v))
}

// Names lists what may be written.
func (Of[S]) Names() []string { var s S; return slices.Clone(s.Names()) }

// MarshalText writes the value's word.
func (v Of[S]) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// Now is the word that an earlier word of the set has become; empty for none. A
// set that has such words has them in its method Was.
func (Of[S]) Now(word string) string {
	var s S
	if s, ok := any(s).(interface{ Was() map[string]string }); ok {
		return s.Was()[word]
	}
	return ""
}

// UnmarshalText reads a value's word. The error lists the words there are.
func (v *Of[S]) UnmarshalText(b []byte) error {
	var s S
	i := slices.Index(s.Names(), string(b))
	if now := v.Now(string(b)); i < 0 && now != "" {
		return fmt.Errorf("%q is called %q now; write %s", b, now, now)
	}
	if i < 0 {
		return fmt.Errorf("%.200q is not %s; write %s", b, s.What(), List(s.Names()))
	}
	*v = Of[S](i)
	return nil
}

// List writes words as a choice: "a, b or c".
func List(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " or " + words[last]
}
