package control

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/strict"
)

// Bounds on what callers may ask for.
const (
	mostBody    = 16 << 10 // bytes of a request
	mostHeader  = 16 << 10
	mostStreams = 32   // open at once
	mostEntries = 1000 // of the ledger in one answer
	changesHz   = 240  // requests a second that change something, and twice that at once
	readsHz     = 600
)

// Server answers requests for a Desk. It refuses
//   - a Host header that is not the address it listens at, or localhost: a
//     name that a foreign page has pointed at this machine,
//   - a request that the browser says comes from another origin,
//   - a change without the access token,
//   - bodies over 16 KiB, and more requests a second than a hand makes.
type Server struct {
	// Token is what a change must carry, as "Authorization: Bearer …".
	Token string
	// URL is where the server is, with a slash at its end.
	URL string

	desk    *Desk
	pages   http.Handler
	keep    func(name string, text []byte) (file string, err error)
	hosts   []string
	ln      net.Listener
	srv     *http.Server
	done    chan struct{}
	streams atomic.Int32
	changes bucket
	reads   bucket
	ctx     context.Context
	stop    context.CancelFunc
}

// Options of a server.
type Options struct {
	// Address to listen at, such as 127.0.0.1:8190; port 0 takes a free one. An
	// address that is not of this machine alone is the caller's to warn of.
	Address string
	// Pages, which may be nil, answers what is not the interface's.
	Pages http.Handler
	// Keep, which may be nil, saves a scenario and returns where.
	Keep func(name string, text []byte) (file string, err error)
}

// Listen starts a server for a desk.
func Listen(d *Desk, opt Options) (*Server, error) {
	ln, err := net.Listen("tcp", opt.Address)
	if err != nil {
		return nil, fmt.Errorf("the control address %s: %w", opt.Address, err)
	}
	var token [16]byte
	if _, err := rand.Read(token[:]); err != nil {
		return nil, errors.Join(err, ln.Close())
	}
	at := ln.Addr().(*net.TCPAddr).AddrPort()
	port := strconv.Itoa(int(at.Port()))
	ctx, stop := context.WithCancel(context.Background())
	s := &Server{Token: hex.EncodeToString(token[:]), desk: d, pages: opt.Pages, keep: opt.Keep, ln: ln, done: make(chan struct{}), ctx: ctx, stop: stop,
		changes: bucket{rate: changesHz}, reads: bucket{rate: readsHz}}
	name := at.Addr().Unmap().String()
	if at.Addr().IsUnspecified() {
		name = "127.0.0.1"
	}
	s.URL = "http://" + net.JoinHostPort(name, port) + "/"
	for _, h := range []string{name, "localhost", "127.0.0.1", "::1"} {
		s.hosts = append(s.hosts, net.JoinHostPort(h, port))
	}
	if given, _, err := net.SplitHostPort(opt.Address); err == nil && given != "" {
		s.hosts = append(s.hosts, net.JoinHostPort(given, port))
	}
	s.srv = &http.Server{Handler: s.guarded(s.routes()), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second,
		IdleTimeout: time.Minute, MaxHeaderBytes: mostHeader}
	go func() {
		defer close(s.done)
		_ = s.srv.Serve(ln) // ends with Close
	}()
	return s, nil
}

// Open reports whether others than this machine can reach the server.
func (s *Server) Open() bool {
	at := s.ln.Addr().(*net.TCPAddr).AddrPort()
	return !at.Addr().Unmap().IsLoopback()
}

// Close ends the server and every stream it serves.
func (s *Server) Close() error {
	s.stop()
	err := s.srv.Close()
	<-s.done
	return err
}

// bucket lets rate requests a second through, and twice that at once.
type bucket struct {
	rate float64
	mu   sync.Mutex
	left float64
	at   time.Time
}

func (b *bucket) take(now time.Time) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.at.IsZero() {
		b.left = 2 * b.rate
	} else {
		b.left = min(2*b.rate, b.left+now.Sub(b.at).Seconds()*b.rate)
	}
	b.at = now
	if b.left < 1 {
		return false
	}
	b.left--
	return true
}

// guarded refuses what must not reach the routes.
func (s *Server) guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Cache-Control", "no-store")
		h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
		if !s.known(r.Host) {
			refuse(w, http.StatusMisdirectedRequest, "this server does not answer for the host %q; use %s", r.Host, s.URL)
			return
		}
		if why := s.foreign(r); why != "" {
			refuse(w, http.StatusForbidden, "%s", why)
			return
		}
		change := r.Method != http.MethodGet && r.Method != http.MethodHead
		if change {
			if !s.allowed(r) {
				w.Header().Set("WWW-Authenticate", `Bearer realm="understudy"`)
				refuse(w, http.StatusUnauthorized, "a change needs the access token that was printed at the start, as Authorization: Bearer …")
				return
			}
			if !s.changes.take(time.Now()) {
				w.Header().Set("Retry-After", "1")
				refuse(w, http.StatusTooManyRequests, "more than %d changes a second", changesHz)
				return
			}
			r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		} else if !s.reads.take(time.Now()) {
			w.Header().Set("Retry-After", "1")
			refuse(w, http.StatusTooManyRequests, "more than %d requests a second", readsHz)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// known reports whether a Host header names this server. An address that is
// open to others answers for any literal address of this machine, never for a
// name: a name may be anybody's.
func (s *Server) known(host string) bool {
	if slices.Contains(s.hosts, strings.ToLower(host)) {
		return true
	}
	ap, err := netip.ParseAddrPort(host)
	return err == nil && s.Open() && int(ap.Port()) == s.ln.Addr().(*net.TCPAddr).Port
}

// foreign says why a request comes from somewhere else; empty when it does not.
func (s *Server) foreign(r *http.Request) string {
	if o := r.Header.Get("Origin"); o != "" {
		u, err := url.Parse(o)
		if err != nil || u.Scheme != "http" || !strings.EqualFold(u.Host, r.Host) {
			return fmt.Sprintf("pages of %q may not use this server", o)
		}
	}
	switch site := r.Header.Get("Sec-Fetch-Site"); site {
	case "", "none", "same-origin":
		return ""
	default:
		return "pages of another site may not use this server (" + site + ")"
	}
}

// allowed reports whether a request carries the token. The time it takes tells
// nothing of how much of it is right.
func (s *Server) allowed(r *http.Request) bool {
	got, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	return ok && subtle.ConstantTimeCompare([]byte(got), []byte(s.Token)) == 1
}

func refuse(w http.ResponseWriter, code int, format string, args ...any) {
	answer(w, code, Refusal{fmt.Sprintf(format, args...)})
}

func answer(w http.ResponseWriter, code int, v any) {
	text, err := json.Marshal(v)
	if err != nil {
		code, text = http.StatusInternalServerError, []byte(`{"error":"the answer cannot be written"}`)
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_, _ = w.Write(append(text, '\n')) // a caller that is gone needs no answer
}

// errors that have a status of their own
type (
	missing struct{ error }
	wrong   struct{ error }
)

func (m missing) Unwrap() error { return m.error }
func (w wrong) Unwrap() error   { return w.error }

// Refusal is the answer to what cannot be done.
type Refusal struct {
	Error string `json:"error"`
}

// Run describes the play as a whole.
type Run struct {
	Run      int       `json:"run"`
	Title    string    `json:"title"`
	Notice   string    `json:"notice,omitempty"`
	Feature  string    `json:"feature,omitempty"`
	Seed     uint64    `json:"seed"`
	Gauges   []Cast    `json:"gauges"`
	Cues     []Cue     `json:"cues"`
	Chapters []Chapter `json:"chapters,omitempty"`
	Verbs    []string  `json:"verbs"`
	Keeps    bool      `json:"keeps"` // scenarios can be kept
}

// Cast is what does not change of a gauge.
type Cast struct {
	Name    string    `json:"name"`
	Serial  string    `json:"serial"`
	Model   string    `json:"model,omitempty"`
	Dialect string    `json:"dialect"`
	Buttons [2]string `json:"buttons"` // what A and B do
	Cell    bool      `json:"cell"`    // it has a cell
	Radio   *Radio    `json:"radio,omitempty"`
	Digits  int       `json:"digits"`
}

// Radio is a gauge's radio link.
type Radio struct {
	Class  int     `json:"class"`
	Place  string  `json:"place"`
	Metres float64 `json:"metres"`
	Margin float64 `json:"margin"` // dB over the receiver's sensitivity
}

// Cue is a cue of the scenario in words.
type Cue struct {
	At    time.Duration `json:"at"`
	Gauge string        `json:"gauge,omitempty"`
	Text  string        `json:"text"`
}

// Chapter is a part of a lesson.
type Chapter struct {
	At     time.Duration `json:"at"`
	Title  string        `json:"title"`
	Say    string        `json:"say"`
	Ask    string        `json:"ask,omitempty"`
	Answer string        `json:"answer,omitempty"`
}

// Act is an act by hand, with the keys of a cue except at: do, gauge, channel
// and those of the act.
type Act map[string]any

// Done says when on the timeline an act happened, ns since the start.
type Done struct {
	At time.Duration `json:"at"`
}

// Clock is what a hand does with the timeline.
type Clock struct {
	Do   string `json:"do" enum:"pause,go,step,next-cue,restart,pace"`
	By   string `json:"by,omitempty" doc:"how far a step goes, such as 100 ms (default: 100 ms)"`
	Pace string `json:"pace,omitempty" doc:"real, or a speed factor such as 0.5x"`
}

// Keep names a scenario to keep.
type Keep struct {
	Name string `json:"name,omitempty" doc:"of the file, without folder and ending (default: made up)"`
}

// Kept is a scenario that was kept.
type Kept struct {
	File string `json:"file,omitempty"`
	Text string `json:"text"`
}

// Entries is a part of the ledger.
type Entries struct {
	Run     int               `json:"run"`
	Next    int               `json:"next"` // ask for the entries from here on
	Entries []json.RawMessage `json:"entries"`
}

// route is one operation of the interface; its description is made of it too.
type route struct {
	method, path, summary string
	body, reply           any // zero values of their types; nil for none
	stream                bool
	query                 map[string]string // JSON types of the parameters
	do                    func(w http.ResponseWriter, r *http.Request) (any, error)
}

func (s *Server) table() []route {
	return []route{
		{method: "GET", path: "/v1/run", summary: "The scenario that plays, and its cast", reply: Run{}, do: s.getRun},
		{method: "GET", path: "/v1/gauges", summary: "How everything stands now", reply: Sight{}, do: s.getGauges},
		{method: "GET", path: "/v1/gauges/{name}", summary: "How one gauge stands now", reply: stage.GaugeView{}, do: s.getGauge},
		{method: "POST", path: "/v1/acts", summary: "Do something to a gauge: any act of a cue", body: Act{}, reply: Done{}, do: s.postAct},
		{method: "POST", path: "/v1/clock", summary: "Hold, step, pace or restart the timeline", body: Clock{}, reply: Sight{}, do: s.postClock},
		{method: "GET", path: "/v1/ledger", summary: "A part of the ledger", query: map[string]string{"run": "integer", "from": "integer"}, reply: Entries{}, do: s.getLedger},
		{method: "GET", path: "/v1/ledger/tail", summary: "The ledger as it is written: server-sent events, one entry each", stream: true, do: s.tail},
		{method: "GET", path: "/v1/watch", summary: "Everything as it changes: server-sent events for a page; the streams of one gauge alone where it names one", query: map[string]string{"gauge": "string"}, stream: true, do: s.watch},
		{method: "GET", path: "/v1/scenario", summary: "What was done so far, as a scenario", reply: Kept{}, do: s.getScenario},
		{method: "POST", path: "/v1/scenario", summary: "Keep what was done so far in a scenario file", body: Keep{}, reply: Kept{}, do: s.postScenario},
		{method: "GET", path: "/v1/openapi.json", summary: "This description", do: s.describe},
	}
}

func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	for _, rt := range s.table() {
		mux.HandleFunc(rt.method+" "+rt.path, func(w http.ResponseWriter, r *http.Request) {
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

// Clock does something with the timeline.
func (d *Desk) Clock(ctx context.Context, c Clock) error {
	st, err := d.now()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	defer d.changed()
	switch c.Do {
	case "pause":
		return st.Hold(ctx)
	case "go":
		return st.Go(ctx)
	case "step":
		by := quantity.Duration(100 * time.Millisecond)
		if c.By != "" {
			if err := by.UnmarshalText([]byte(c.By)); err != nil {
				return wrong{err}
			}
		}
		return st.Step(ctx, by.D())
	case "next-cue":
		return st.NextCue(ctx)
	case "pace":
		var p stage.Pace
		if err := p.UnmarshalText([]byte(c.Pace)); err != nil {
			return wrong{err}
		}
		return st.SetPace(ctx, p)
	case "restart":
		d.mu.Lock()
		again := d.restart
		if d.taken == nil {
			d.taken = make(chan struct{})
		}
		taken := d.taken
		d.mu.Unlock()
		if again == nil {
			return errors.New("this play cannot be started again: a host is judged by it")
		}
		again()
		select { // it is done when the new run is there to be seen
		case <-taken:
			return nil
		case <-ctx.Done():
			return ErrNotPlaying
		}
	}
	return wrong{fmt.Errorf("%q is none of pause, go, step, next-cue, pace and restart", c.Do)}
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
	if k.Name == "" {
		k.Name = "kept"
	}
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
