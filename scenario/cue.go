package scenario

import (
	"fmt"
	"reflect"
	"strings"

	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/strict"
)

// UnmarshalAny reads the keys every cue has and those of its act.
func (c *Cue) UnmarshalAny(n strict.Any) error {
	if n.Kind != strict.Mapping {
		return fmt.Errorf("a cue is written {at: 2 s, do: tag}")
	}
	c.at = n
	do, ok := n.Lookup("do")
	if !ok || do.Kind != strict.Scalar {
		n.Errorf("write what is done, such as do: tag", "the cue does nothing: the key \"do\" is missing")
		return nil
	}
	act, ok := stage.NewAct(do.Scalar)
	if !ok {
		do.Errorf(strict.Suggest(do.Scalar, stage.Verbs(), "the acts are "+strings.Join(stage.Verbs(), ", ")), "unknown act %q", do.Scalar)
		return nil
	}
	var k cueKeys
	n.Decode(&k, act)
	c.At, c.Gauge, c.Channel, c.Refused = k.At, k.Gauge, k.Channel, k.Refused
	c.Act = reflect.ValueOf(act).Elem().Interface().(stage.Act)
	return nil
}

// SchemaFor gives each act's cue its own form.
func (Cue) SchemaFor(of func(v any) map[string]any) map[string]any {
	var forms []any
	for _, verb := range stage.Verbs() {
		act, _ := stage.NewAct(verb)
		form := of([]any{cueKeys{}, reflect.ValueOf(act).Elem().Interface()})
		form["properties"].(map[string]any)["do"] = map[string]any{"const": verb}
		forms = append(forms, form)
	}
	return map[string]any{"oneOf": forms}
}

// Pos is where the cue stands in its file.
func (c *Cue) Pos() strict.Pos { return c.at.Pos }

// Differs says how what a cue met differs from what the scenario says of it; empty:
// it does not. whys say why it was not done, where it was not.
func (c *Cue) Differs(whys []string) string {
	for _, why := range whys {
		if !strings.Contains(c.Refused, why) {
			return fmt.Sprintf("%s at %s cannot be done: %s", c.verbName(), c.At, why)
		}
	}
	if c.Refused != "" && len(whys) == 0 {
		return fmt.Sprintf("%s at %s is done, and not refused: %s", c.verbName(), c.At, c.Refused)
	}
	return ""
}

// verbName is the verb of a cue, for messages.
func (c *Cue) verbName() string { return stage.VerbOf(c.Act) }
