package control

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
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
	// Watch is what a class carries instead, to watch a lesson and nothing else;
	// empty without a class.
	Watch string
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
	classes atomic.Int32 // of streams: those of a lesson's screens
	jumping sync.Mutex
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
	// Class has a class watch with a right of its own; nothing is then told
	// without one.
	Class bool
	// Keep, which may be nil, saves a scenario and returns where.
	Keep func(name string, text []byte) (file string, err error)
}

// Listen starts a server for a desk.
func Listen(d *Desk, opt Options) (*Server, error) {
	ln, err := net.Listen("tcp", opt.Address)
	if err != nil {
		return nil, fmt.Errorf("the control address %s: %w", opt.Address, err)
	}
	var token [2][16]byte
	for i := range token {
		if _, err := rand.Read(token[i][:]); err != nil {
			return nil, errors.Join(err, ln.Close())
		}
	}
	at := ln.Addr().(*net.TCPAddr).AddrPort()
	port := strconv.Itoa(int(at.Port()))
	ctx, stop := context.WithCancel(context.Background())
	s := &Server{Token: hex.EncodeToString(token[0][:]), desk: d, pages: opt.Pages, keep: opt.Keep, ln: ln, done: make(chan struct{}), ctx: ctx, stop: stop,
		changes: bucket{rate: changesHz}, reads: bucket{rate: readsHz}}
	if opt.Class {
		s.Watch = hex.EncodeToString(token[1][:])
	}
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
		} else if s.Watch != "" && s.allowed(r) {
			// A class that floods the server does not shut its presenter out.
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
func (s *Server) allowed(r *http.Request) bool { return carries(r, s.Token) }

func carries(r *http.Request, token string) bool {
	got, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	return ok && subtle.ConstantTimeCompare([]byte(got), []byte(token)) == 1
}

// mayRead reports whether a request may read from a route.
func (s *Server) mayRead(r *http.Request, rt *route) bool {
	return s.Watch == "" || s.allowed(r) || rt.class && carries(r, s.Watch)
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
