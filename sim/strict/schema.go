package strict

import (
	"encoding/json"
	"reflect"
	"strconv"
)

// Pattern is a text type that can say what its text looks like.
type Pattern interface {
	// Pattern returns an ECMA 262 regular expression and an example.
	Pattern() (expr, example string)
}

// SchemaMaker is a type that gives its own JSON Schema. of makes the schema of
// another type, as a reference; of a list of structs, the object with the keys of all.
type SchemaMaker interface {
	SchemaFor(of func(v any) map[string]any) map[string]any
}

// Schema returns the JSON Schema (2020-12) of the files that Decode reads into
// a value of v's type.
func Schema(title string, v any) []byte {
	s := schemas{defs: map[string]any{}}
	root := s.of(reflect.TypeOf(v))
	out := map[string]any{
		"$schema": "https://json-schema.org/draft/2020-12/schema",
		"title":   title,
		"$defs":   s.defs,
	}
	for k, v := range root {
		out[k] = v
	}
	b, err := json.MarshalIndent(out, "", "  ")
	if err != nil {
		panic(err) // only maps, strings and lists are in it
	}
	return append(b, '\n')
}

type schemas struct{ defs map[string]any }

func (s schemas) of(t reflect.Type) map[string]any {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	zero := reflect.New(t)
	if m, ok := zero.Interface().(SchemaMaker); ok {
		return s.named(t, func() map[string]any {
			return m.SchemaFor(func(v any) map[string]any {
				parts, several := v.([]any)
				if !several {
					return s.of(reflect.TypeOf(v))
				}
				var fields []Field
				for _, p := range parts {
					fields = append(fields, FieldsOf(reflect.TypeOf(p))...)
				}
				return s.object(fields)
			})
		})
	}
	if e, ok := zero.Interface().(Enumeration); ok {
		return map[string]any{"enum": e.Names()}
	}
	if p, ok := zero.Interface().(Pattern); ok {
		expr, example := p.Pattern()
		return map[string]any{"type": []string{"string", "number"}, "pattern": expr, "examples": []string{example}}
	}
	if t == anyType {
		return map[string]any{}
	}
	if reflect.PointerTo(t).Implements(textType) {
		return map[string]any{"type": []string{"string", "number", "boolean"}}
	}
	switch t.Kind() {
	case reflect.Struct:
		return s.named(t, func() map[string]any { return s.object(FieldsOf(t)) })
	case reflect.Slice, reflect.Array:
		m := map[string]any{"type": "array", "items": s.of(t.Elem())}
		if t.Kind() == reflect.Array {
			m["minItems"], m["maxItems"] = t.Len(), t.Len()
		}
		return m
	case reflect.Map:
		return map[string]any{"type": "object", "additionalProperties": s.of(t.Elem())}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.String:
		return map[string]any{"type": []string{"string", "number", "boolean"}}
	}
	return map[string]any{"type": []string{"integer", "string"}}
}

func (s schemas) named(t reflect.Type, make func() map[string]any) map[string]any {
	name := t.Name()
	if name == "" {
		return make()
	}
	if _, known := s.defs[name]; !known {
		s.defs[name] = true // stands in while the type's own parts are made
		s.defs[name] = make()
	}
	return map[string]any{"$ref": "#/$defs/" + name}
}

func (s schemas) object(fields []Field) map[string]any {
	props, need := map[string]any{}, []string{}
	for _, f := range fields {
		m := s.of(f.Type)
		if words := f.One(); len(words) > 0 && m["type"] == "array" {
			m["items"] = enumOf(words)
		} else if len(words) > 0 {
			m = enumOf(words)
		}
		if least, most, ok := f.Range(); ok {
			m["minimum"], m["maximum"] = least, most
		}
		if f.Doc != "" {
			m["description"] = f.Doc
		}
		props[f.Key] = m
		if f.Needed {
			need = append(need, f.Key)
		}
	}
	out := map[string]any{"type": "object", "properties": props, "additionalProperties": false}
	if len(need) > 0 {
		out["required"] = need
	}
	return out
}

// enumOf allows words; one that is a number also as a number.
func enumOf(words []string) map[string]any {
	var list []any
	for _, w := range words {
		list = append(list, w)
		if n, err := strconv.Atoi(w); err == nil {
			list = append(list, n)
		}
	}
	return map[string]any{"enum": list}
}
