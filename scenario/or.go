package scenario

import (
	"encoding"
	"fmt"
)

// Or is a quantity, or a word instead of one.
type Or[Q written, W word] struct {
	Of   Q
	Word bool // the word stands there
}

// written is a quantity as it is written.
type written interface {
	fmt.Stringer
	Pattern() (expr, example string)
}

type word interface{ word() string }

type (
	none  struct{}
	drawn struct{}
)

func (none) word() string  { return "none" }
func (drawn) word() string { return "drawn" }

// UnmarshalText reads the word or a quantity.
func (o *Or[Q, W]) UnmarshalText(text []byte) error {
	var w W
	*o = Or[Q, W]{Word: string(text) == w.word()}
	if o.Word {
		return nil
	}
	if w.word() == "none" && string(text) == "off" {
		return fmt.Errorf("%q is called %q now; write none", text, w.word())
	}
	return any(&o.Of).(encoding.TextUnmarshaler).UnmarshalText(text)
}

// MarshalText writes it.
func (o Or[Q, W]) MarshalText() ([]byte, error) { return []byte(o.String()), nil }

func (o Or[Q, W]) String() string {
	if o.Word {
		var w W
		return w.word()
	}
	return o.Of.String()
}

// Pattern describes the text for the JSON Schema.
func (o Or[Q, W]) Pattern() (string, string) {
	var w W
	expr, example := o.Of.Pattern()
	return "^" + w.word() + "$|" + expr, example
}
