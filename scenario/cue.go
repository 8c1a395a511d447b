package scenario

import (
	"fmt"
	"reflect"
	"slices"
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
		want := "the acts are " + strings.Join(stage.Verbs(), ", ")
		if near := strict.Nearest(do.Scalar, stage.Verbs()); near != "" {
			want = fmt.Sprintf("did you mean %q?", near)
		}
		do.Errorf(want, "unknown act %q", do.Scalar)
		return nil
	}
	own, common := n, n
	own.Pairs, common.Pairs = nil, nil
	commonKeys := keysOf(reflect.TypeFor[cueKeys]())
	actKeys := keysOf(reflect.TypeOf(act).Elem())
	for _, p := range n.Pairs {
		switch {
		case slices.Contains(commonKeys, p.Key):
			common.Pairs = append(common.Pairs, p)
		case slices.Contains(actKeys, p.Key):
			own.Pairs = append(own.Pairs, p)
		default:
			all := append(append([]string(nil), commonKeys...), actKeys...)
			want := fmt.Sprintf("%q takes %s", do.Scalar, strings.Join(all, ", "))
			if near := strict.Nearest(p.Key, all); near != "" {
				want = fmt.Sprintf("did you mean %q?", near)
			}
			n.KeyErrorf(p, want, "unknown key %q", p.Key)
		}
	}
	var k cueKeys
	common.Decode(&k)
	own.Decode(act)
	c.At, c.Gauge, c.Channel, c.Refused = k.At, k.Gauge, k.Channel, k.Refused
	c.Act = reflect.ValueOf(act).Elem().Interface().(stage.Act)
	return nil
}

func keysOf(t reflect.Type) (keys []string) {
	for _, f := range strict.FieldsOf(t) {
		keys = append(keys, f.Key)
	}
	return keys
}

// SchemaFor gives each act's cue its own form.
func (Cue) SchemaFor(of func(v any) map[string]any) map[string]any {
	var forms []any
	for _, verb := range stage.Verbs() {
		act, _ := stage.NewAct(verb)
		props := map[string]any{}
		need := []string{}
		for _, t := range []reflect.Type{reflect.TypeFor[cueKeys](), reflect.TypeOf(act).Elem()} {
			for _, f := range strict.FieldsOf(t) {
				m := of(reflect.Zero(f.Type).Interface())
				m["description"] = f.Doc
				if f.Key == "do" {
					m = map[string]any{"const": verb}
				}
				props[f.Key] = m
				if f.Needed {
					need = append(need, f.Key)
				}
			}
		}
		forms = append(forms, map[string]any{"type": "object", "properties": props, "required": need, "additionalProperties": false})
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
