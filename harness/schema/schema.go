// Package schema describes what encoding/json writes of a Go type as JSON Schema
// (2020-12): for files and answers that understudy writes. The files that it reads
// are described by [example.org/understudy/sim/strict.Schema].
package schema

import (
	"encoding"
	"encoding/json"
	"reflect"
	"strings"
)

// Document is the schema of a file that holds a value of v's type. The doc tag of a
// member is its description.
func Document(title string, v any) []byte {
	g := Defs{Root: "#/$defs/", Types: map[string]any{}}
	out := map[string]any{"$schema": "https://json-schema.org/draft/2020-12/schema", "title": title, "$defs": g.Types}
	for k, v := range g.Of(reflect.TypeOf(v)) {
		out[k] = v
	}
	b, err := json.MarshalIndent(out, "", "  ")
	if err != nil {
		panic(err) // only maps, strings and lists are in it
	}
	return append(b, '\n')
}

// Defs collects the schemas of structs by name, for references below Root.
type Defs struct {
	Root  string
	Types map[string]any
	// Named are schemas that stand in Types under a name, made by somebody else.
	Named map[reflect.Type]string
}

// Of is the schema of a type. Structs go into Types.
func (g *Defs) Of(t reflect.Type) map[string]any {
	if name := g.Named[t]; name != "" {
		return map[string]any{"$ref": g.Root + name}
	}
	switch {
	case t == reflect.TypeFor[json.RawMessage]():
		return map[string]any{"type": "object"}
	case t.Implements(reflect.TypeFor[encoding.TextMarshaler]()):
		out := map[string]any{"type": "string"}
		if e, ok := reflect.Zero(t).Interface().(interface{ Names() []string }); ok && t.Kind() != reflect.Pointer {
			out["enum"] = e.Names()
		}
		return out
	}
	switch t.Kind() {
	case reflect.Pointer:
		return map[string]any{"anyOf": []any{g.Of(t.Elem()), map[string]any{"type": "null"}}}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.String:
		return map[string]any{"type": "string"}
	case reflect.Float64:
		return map[string]any{"type": "number"}
	case reflect.Slice:
		return map[string]any{"type": []string{"array", "null"}, "items": g.Of(t.Elem())}
	case reflect.Array:
		return map[string]any{"type": "array", "items": g.Of(t.Elem()), "minItems": t.Len(), "maxItems": t.Len()}
	case reflect.Struct:
		if _, done := g.Types[t.Name()]; !done {
			g.Types[t.Name()] = nil // a type may hold itself
			props := map[string]any{}
			required := []string{}
			g.members(t, props, &required)
			g.Types[t.Name()] = map[string]any{"type": "object", "properties": props, "required": required, "additionalProperties": false}
		}
		return map[string]any{"$ref": g.Root + t.Name()}
	}
	return map[string]any{"type": "integer"}
}

func (g *Defs) members(t reflect.Type, props map[string]any, required *[]string) {
	for i := range t.NumField() {
		f := t.Field(i)
		if f.Anonymous {
			g.members(f.Type, props, required)
			continue
		}
		if !f.IsExported() {
			continue
		}
		name, rest, _ := strings.Cut(f.Tag.Get("json"), ",")
		if name == "" {
			name = f.Name
		}
		p := g.Of(f.Type)
		if words := f.Tag.Get("enum"); words != "" {
			p["enum"] = strings.Split(words, ",")
		}
		if doc := f.Tag.Get("doc"); doc != "" {
			p["description"] = doc
		}
		props[name] = p
		if !strings.Contains(rest, "omitempty") {
			*required = append(*required, name)
		}
	}
}
