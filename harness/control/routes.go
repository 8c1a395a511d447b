package control

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"example.org/understudy/harness/schema"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/strict"
)

// route is one operation of the interface; its description is made of it too.
type route struct {
	method, path, summary string
	body, reply           any // zero values of their types; nil for none
	stream                bool
	class                 bool              // a class may read it
	query                 map[string]string // JSON types of the parameters
	do                    func(w http.ResponseWriter, r *http.Request) (any, error)
}

func (s *Server) table() []route {
	return append(s.lessonRoutes(), []route{
		{method: "GET", path: "/v1/run", summary: "The scenario that plays, and its cast", reply: Run{}, do: s.getRun},
		{method: "GET", path: "/v1/gauges", summary: "How everything stands now", reply: Sight{}, do: s.getGauges},
		{method: "GET", path: "/v1/gauges/{name}", summary: "How one gauge stands now", reply: stage.GaugeView{}, do: s.getGauge},
		{method: "POST", path: "/v1/acts", summary: "Do something to a gauge: any act of a cue", body: Act{}, reply: Done{}, do: s.postAct},
		{method: "POST", path: "/v1/clock", summary: "Pause, step, pace or restart the timeline", body: Clock{}, reply: Sight{}, do: s.postClock},
		{method: "GET", path: "/v1/ledger", summary: "A part of the ledger", query: map[string]string{"run": "integer", "from": "integer"}, reply: Entries{}, do: s.getLedger},
		{method: "GET", path: "/v1/ledger/tail", summary: "The ledger as it is written: server-sent events, one entry each", stream: true, do: s.tail},
		{method: "GET", path: "/v1/watch", summary: "Everything as it changes: server-sent events for a page; the streams of one gauge alone where it names one", query: map[string]string{"gauge": "string"}, stream: true, do: s.watch},
		{method: "GET", path: "/v1/scenario", summary: "What was done so far, as a scenario", reply: Kept{}, do: s.getScenario},
		{method: "POST", path: "/v1/scenario", summary: "Keep what was done so far in a scenario file", body: Keep{}, reply: Kept{}, do: s.postScenario},
		{method: "GET", path: "/v1/openapi.json", summary: "This description", do: s.describe},
	}...)
}

func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	for _, rt := range s.table() {
		mux.HandleFunc(rt.method+" "+rt.path, func(w http.ResponseWriter, r *http.Request) {
			if !s.mayRead(r, &rt) {
				w.Header().Set("WWW-Authenticate", `Bearer realm="understudy"`)
				refuse(w, http.StatusUnauthorized, "this needs the access token of a link that was printed at the start, as Authorization: Bearer …")
				return
			}
			v, err := rt.do(w, r)
			if err != nil {
				refuse(w, status(err), "%s", err.Error())
				return
			}
			if v != nil {
				answer(w, http.StatusOK, v)
			}
		})
	}
	mux.HandleFunc("/v1/", func(w http.ResponseWriter, r *http.Request) {
		refuse(w, http.StatusNotFound, "there is nothing at %s for %s; /v1/openapi.json describes what there is", r.URL.Path, r.Method)
	})
	if s.pages != nil {
		mux.Handle("/", s.pages)
	}
	return mux
}

func status(err error) int {
	var big *http.MaxBytesError
	var m missing
	var bad wrong
	switch {
	case errors.As(err, &big):
		return http.StatusRequestEntityTooLarge
	case errors.As(err, &m):
		return http.StatusNotFound
	case errors.As(err, &bad):
		return http.StatusBadRequest
	case errors.Is(err, ErrNotPlaying):
		return http.StatusServiceUnavailable
	}
	return http.StatusConflict // the gauge would not do it
}

func body[T any](r *http.Request, v *T) error {
	dec := json.NewDecoder(r.Body)
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return wrong{fmt.Errorf("the request is not the JSON it should be: %w", err)}
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return wrong{errors.New("something follows the JSON of the request")}
	}
	return nil
}

func (s *Server) getRun(http.ResponseWriter, *http.Request) (any, error) {
	return s.desk.describe(s.keep != nil), nil
}

func (s *Server) getGauges(_ http.ResponseWriter, r *http.Request) (any, error) {
	v, err := s.desk.See(r.Context())
	return v, err
}

func (s *Server) getGauge(_ http.ResponseWriter, r *http.Request) (any, error) {
	g, _, err := s.desk.find(r.PathValue("name"), "")
	if err != nil {
		return nil, err
	}
	v, err := s.desk.See(r.Context())
	if err != nil {
		return nil, err
	}
	return v.Gauges[g], nil
}

// ReadAct reads an act by hand: JSON with the keys of a cue, except at.
func ReadAct(text []byte) (gauge, channel string, act stage.Act, err error) {
	var keys map[string]json.RawMessage
	if err := json.Unmarshal(text, &keys); err != nil {
		return "", "", nil, wrong{fmt.Errorf("an act is a JSON object such as {\"do\": \"tag\", \"gauge\": \"bore-1\"}: %w", err)}
	}
	if _, has := keys["at"]; has {
		return "", "", nil, wrong{errors.New("an act by hand happens now: leave \"at\" out")}
	}
	for k, v := range keys {
		if v = bytes.TrimSpace(v); len(v) > 0 && v[0] != '"' && v[0] != '-' && (v[0] < '0' || v[0] > '9') {
			return "", "", nil, wrong{fmt.Errorf("%q is written as a text or a number", k)}
		}
	}
	if keys == nil {
		keys = map[string]json.RawMessage{}
	}
	keys["at"] = json.RawMessage(`"0 s"`)
	whole, err := json.Marshal(keys) // one form of everything, its keys once each
	if err != nil {
		return "", "", nil, wrong{err}
	}
	var c scenario.Cue
	doc, err := strict.Decode("act", whole, &c) // JSON is YAML
	if err == nil {
		err = doc.Err()
	}
	if err != nil {
		return "", "", nil, wrong{plain(err)}
	}
	return c.Gauge, c.Channel, c.Act, nil
}

// plain leaves out where a mistake stands: the text is one line that the
// caller did not write so.
func plain(err error) error {
	var list strict.Errors
	if !errors.As(err, &list) {
		return err
	}
	var words []string
	for _, e := range list {
		w := e.Msg
		if e.Want != "" {
			w += "; " + e.Want
		}
		words = append(words, w)
	}
	return errors.New(strings.Join(words, ". "))
}

func (s *Server) postAct(_ http.ResponseWriter, r *http.Request) (any, error) {
	text, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	gauge, channel, act, err := ReadAct(text)
	if err != nil {
		return nil, err
	}
	at, err := s.desk.Do(r.Context(), gauge, channel, act)
	return Done{at}, err
}

func (s *Server) postClock(_ http.ResponseWriter, r *http.Request) (any, error) {
	var c Clock
	if err := body(r, &c); err != nil {
		return nil, err
	}
	if err := s.desk.Clock(r.Context(), c); err != nil {
		return nil, err
	}
	return s.desk.See(r.Context())
}

func number(r *http.Request, key string) (int, error) {
	text := r.URL.Query().Get(key)
	if text == "" {
		return 0, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 {
		return 0, wrong{fmt.Errorf("%s=%q is not a number from 0 on", key, text)}
	}
	return n, nil
}

func (s *Server) getLedger(_ http.ResponseWriter, r *http.Request) (any, error) {
	run, err := number(r, "run")
	if err != nil {
		return nil, err
	}
	from, err := number(r, "from")
	if err != nil {
		return nil, err
	}
	if run == 0 {
		run, _, _ = s.desk.since(0, 0, 0)
	}
	e := Entries{Entries: []json.RawMessage{}}
	var list []entry
	e.Run, list, e.Next = s.desk.since(run, from, mostEntries)
	for _, l := range list {
		e.Entries = append(e.Entries, l.text)
	}
	return e, nil
}

func (s *Server) getScenario(_ http.ResponseWriter, r *http.Request) (any, error) {
	text, err := s.desk.Written(r.Context())
	return Kept{Text: string(text)}, err
}

// reserved names are those of devices on Windows, with any ending (Microsoft, Naming
// Files, Paths, and Namespaces: "File and directory names"; from memory).
var reserved = regexp.MustCompile(`(?i)^(con|prn|aux|nul|(com|lpt)[0-9])$`)

func (s *Server) postScenario(_ http.ResponseWriter, r *http.Request) (any, error) {
	var k Keep
	if err := body(r, &k); err != nil {
		return nil, err
	}
	if s.keep == nil {
		return nil, errors.New("there is no folder to keep scenarios in")
	}
	k.Name = cmp.Or(k.Name, "kept")
	if strings.Trim(k.Name, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_") != "" || len(k.Name) > 64 {
		return nil, wrong{fmt.Errorf("%q cannot name a file: use letters, digits, - and _, at most 64", k.Name)}
	}
	if k.Name[0] == '-' || reserved.MatchString(k.Name) {
		return nil, wrong{fmt.Errorf("%q cannot name a file everywhere: a name begins with a letter, a digit or _, and Windows reserves con, prn, aux, nul, com0 to com9 and lpt0 to lpt9", k.Name)}
	}
	text, err := s.desk.Written(r.Context())
	if err != nil {
		return nil, err
	}
	file, err := s.keep(k.Name, text)
	return Kept{File: file, Text: string(text)}, err
}

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
