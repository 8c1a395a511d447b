package control

import (
	"encoding/json"
	"maps"
	"net/http"
	"reflect"
	"slices"
	"strings"

	"example.org/understudy/harness/schema"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/strict"
)

func stageVerbs() []string { return stage.Verbs() }

// describe answers with the OpenAPI 3.1 description of the interface, made of
// the routes and of the Go types they take and give.
func (s *Server) describe(http.ResponseWriter, *http.Request) (any, error) {
	defs := map[string]any{}
	types := schema.Defs{Root: "#/components/schemas/", Types: defs, Named: map[reflect.Type]string{reflect.TypeFor[Act](): "Act"}}
	paths := map[string]map[string]any{}
	for _, rt := range s.table() {
		op := map[string]any{"summary": rt.summary}
		ok := map[string]any{"description": "done"}
		switch {
		case rt.stream:
			ok["content"] = map[string]any{"text/event-stream": map[string]any{"schema": map[string]any{"type": "string"}}}
		case rt.reply != nil:
			ok["content"] = jsonOf(types.Of(reflect.TypeOf(rt.reply)))
		default:
			ok["content"] = jsonOf(map[string]any{"type": "object"})
		}
		op["responses"] = map[string]any{"200": ok, "default": map[string]any{"description": "refused", "content": jsonOf(types.Of(reflect.TypeFor[Refusal]()))}}
		if rt.body != nil {
			op["requestBody"] = map[string]any{"required": true, "content": jsonOf(types.Of(reflect.TypeOf(rt.body)))}
			op["security"] = []any{map[string]any{"token": []string{}}}
		}
		var params []any
		for _, q := range slices.Sorted(maps.Keys(rt.query)) {
			kind := map[string]any{"type": rt.query[q]}
			if rt.query[q] == "integer" {
				kind["minimum"] = 0
			}
			params = append(params, map[string]any{"name": q, "in": "query", "schema": kind})
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
