package control

import (
	"encoding"
	"encoding/json"
	"maps"
	"net/http"
	"reflect"
	"slices"
	"strings"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/strict"
)

func stageVerbs() []string { return stage.Verbs() }

// describe answers with the OpenAPI 3.1 description of the interface, made of
// the routes and of the Go types they take and give.
func (s *Server) describe(http.ResponseWriter, *http.Request) (any, error) {
	defs := map[string]any{}
	paths := map[string]map[string]any{}
	for _, rt := range s.table() {
		op := map[string]any{"summary": rt.summary}
		ok := map[string]any{"description": "done"}
		switch {
		case rt.stream:
			ok["content"] = map[string]any{"text/event-stream": map[string]any{"schema": map[string]any{"type": "string"}}}
		case rt.reply != nil:
			ok["content"] = jsonOf(schemaOf(reflect.TypeOf(rt.reply), defs))
		default:
			ok["content"] = jsonOf(map[string]any{"type": "object"})
		}
		op["responses"] = map[string]any{"200": ok, "default": map[string]any{"description": "refused", "content": jsonOf(schemaOf(reflect.TypeFor[Refusal](), defs))}}
		if rt.body != nil {
			op["requestBody"] = map[string]any{"required": true, "content": jsonOf(schemaOf(reflect.TypeOf(rt.body), defs))}
			op["security"] = []any{map[string]any{"token": []string{}}}
		}
		var params []any
		for _, q := range slices.Sorted(maps.Keys(rt.query)) {
			schema := map[string]any{"type": rt.query[q]}
			if rt.query[q] == "integer" {
				schema["minimum"] = 0
			}
			params = append(params, map[string]any{"name": q, "in": "query", "schema": schema})
		}
		if strings.Contains(rt.path, "{name}") {
			params = append(params, map[string]any{"name": "name", "in": "path", "required": true, "schema": map[string]any{"type": "string"}})
		}
		if params != nil {
			op["parameters"] = params
		}
		if paths[rt.path] == nil {
			paths[rt.path] = map[string]any{}
		}
		paths[rt.path][strings.ToLower(rt.method)] = op
	}
	defs["Act"] = actSchema(defs)
	return map[string]any{
		"openapi": "3.1.0",
		"info": map[string]any{"title": "Steering virtual gauges", "version": "1",
			"description": "Times are nanoseconds since the scenario's start, lengths picometres, readings decimal text with their unit beside them."},
		"servers": []any{map[string]any{"url": s.URL}},
		"paths":   paths,
		"components": map[string]any{"schemas": defs,
			"securitySchemes": map[string]any{"token": map[string]any{"type": "http", "scheme": "bearer", "description": "printed when the play starts"}}},
	}, nil
}

func jsonOf(schema any) map[string]any {
	return map[string]any{"application/json": map[string]any{"schema": schema}}
}

// actSchema is the schema of a cue without its time.
func actSchema(defs map[string]any) any {
	var doc struct {
		Ref  string                     `json:"$ref"`
		Defs map[string]json.RawMessage `json:"$defs"`
	}
	text := strings.ReplaceAll(string(strict.Schema("act", scenario.Cue{})), "#/$defs/", "#/components/schemas/")
	if err := json.Unmarshal([]byte(text), &doc); err != nil {
		panic(err) // it was just written
	}
	name := strings.TrimPrefix(doc.Ref, "#/components/schemas/")
	var cue struct {
		OneOf []map[string]any `json:"oneOf"`
	}
	for n, d := range doc.Defs {
		if n == name {
			if err := json.Unmarshal(d, &cue); err != nil {
				panic(err)
			}
			continue
		}
		defs[n] = d
	}
	for _, form := range cue.OneOf {
		delete(form["properties"].(map[string]any), "at")
		form["required"] = slices.DeleteFunc(form["required"].([]any), func(k any) bool { return k == "at" })
	}
	return map[string]any{"oneOf": cue.OneOf}
}

// schemaOf describes a type as encoding/json writes it. Structs go into defs.
func schemaOf(t reflect.Type, defs map[string]any) map[string]any {
	switch {
	case t == reflect.TypeFor[Act]():
		return map[string]any{"$ref": "#/components/schemas/Act"}
	case t == reflect.TypeFor[json.RawMessage]():
		return map[string]any{"type": "object"}
	case t.Implements(reflect.TypeFor[encoding.TextMarshaler]()):
		return map[string]any{"type": "string"}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return map[string]any{"anyOf": []any{schemaOf(t.Elem(), defs), map[string]any{"type": "null"}}}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.String:
		return map[string]any{"type": "string"}
	case reflect.Float64:
		return map[string]any{"type": "number"}
	case reflect.Slice:
		return map[string]any{"type": []string{"array", "null"}, "items": schemaOf(t.Elem(), defs)}
	case reflect.Array:
		return map[string]any{"type": "array", "items": schemaOf(t.Elem(), defs), "minItems": t.Len(), "maxItems": t.Len()}
	case reflect.Struct:
		if _, done := defs[t.Name()]; !done {
			defs[t.Name()] = nil // a type may hold itself
			props := map[string]any{}
			required := []string{}
			members(t, defs, props, &required)
			defs[t.Name()] = map[string]any{"type": "object", "properties": props, "required": required, "additionalProperties": false}
		}
		return map[string]any{"$ref": "#/components/schemas/" + t.Name()}
	}
	return map[string]any{"type": "integer"}
}

func members(t reflect.Type, defs, props map[string]any, required *[]string) {
	for i := range t.NumField() {
		f := t.Field(i)
		if f.Anonymous {
			members(f.Type, defs, props, required)
			continue
		}
		if !f.IsExported() {
			continue
		}
		name, rest, _ := strings.Cut(f.Tag.Get("json"), ",")
		if name == "" {
			name = f.Name
		}
		p := schemaOf(f.Type, defs)
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
