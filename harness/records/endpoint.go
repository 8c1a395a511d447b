package records

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"sync"
	"time"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
)

// Bounds of an endpoint.
const (
	maxBody  = 4 << 20
	maxTotal = 1 << 30
)

// Endpoint is an HTTP address on the loopback interface that a host posts its
// records to: a JSON object, a list of them, or one a line. What it receives is
// kept in a file, one value a line, which Read reads.
type Endpoint struct {
	URL string

	server *http.Server
	ended  chan struct{}

	mu    sync.Mutex
	file  *os.File
	total int64
	err   error
}

// Listen opens an endpoint that keeps what is posted in the file.
func Listen(file string) (*Endpoint, error) {
	f, err := os.OpenFile(file, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o644)
	if err != nil {
		return nil, err
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		f.Close()
		return nil, err
	}
	e := &Endpoint{URL: "http://" + l.Addr().String() + "/records", file: f, ended: make(chan struct{})}
	e.server = &http.Server{Handler: http.HandlerFunc(e.post), ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 30 * time.Second}
	go func() {
		defer close(e.ended)
		_ = e.server.Serve(l)
	}()
	return e, nil
}

func (e *Endpoint) post(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodPost && r.Method != http.MethodPut {
		w.Header().Set("Allow", "POST, PUT")
		http.Error(w, "records are posted here", http.StatusMethodNotAllowed)
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
	if err != nil {
		// What has arrived is kept, with the rest missing: it was a record.
		e.keep(oneValue(body))
		http.Error(w, fmt.Sprintf("the body cannot be read: %v", err), http.StatusRequestEntityTooLarge)
		return
	}
	lines, good := split(body)
	if err := e.keep(lines); err != nil {
		http.Error(w, err.Error(), http.StatusInsufficientStorage)
		return
	}
	if !good {
		http.Error(w, "the body is not JSON", http.StatusBadRequest)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

// split writes a body as one JSON value a line. A part that is not JSON becomes
// a JSON string, so that it is found as a record with a problem.
func split(body []byte) (lines []byte, good bool) {
	dec := json.NewDecoder(bytes.NewReader(bytes.TrimPrefix(body, []byte("\ufeff"))))
	good = true
	var out bytes.Buffer
	add := func(v json.RawMessage) {
		if json.Compact(&out, v) == nil {
			out.WriteByte('\n')
		}
	}
	for {
		var v json.RawMessage
		err := dec.Decode(&v)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			out.Write(oneValue(body[min(len(body), int(dec.InputOffset())):]))
			return out.Bytes(), false
		}
		var list []json.RawMessage
		if json.Unmarshal(v, &list) == nil {
			for _, item := range list {
				add(item)
			}
		} else {
			add(v)
		}
	}
	return out.Bytes(), good
}

func oneValue(b []byte) []byte {
	b = b[:min(len(b), 64<<10)]
	s, err := json.Marshal(string(b))
	if err != nil || len(b) == 0 {
		return nil
	}
	return append(s, '\n')
}

func (e *Endpoint) keep(lines []byte) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.total += int64(len(lines)); e.total > maxTotal && e.err == nil {
		e.err = fmt.Errorf("the host posted more than %d bytes of records", maxTotal)
	}
	if e.err == nil {
		_, e.err = e.file.Write(lines)
	}
	return e.err
}

// Close lets requests in hand finish, for the time of grace, and closes the
// address and the file. The error says that records are missing.
func (e *Endpoint) Close(grace time.Duration) error {
	ctx, cancel := context.WithTimeout(context.Background(), grace)
	defer cancel()
	if e.server.Shutdown(ctx) != nil {
		e.server.Close()
	}
	<-e.ended
	e.mu.Lock()
	defer e.mu.Unlock()
	if err := e.file.Close(); e.err == nil {
		e.err = err
	}
	return e.err
}

// Read reads the records in a file, of any form; of form http the file that
// Listen wrote. Form http is JSON Lines then.
// The budget of ctx bounds them.
func Read(ctx context.Context, d hostfile.Records, from infile.Opener, file string) (recs []Record, left Left, err error) {
	switch d.Form {
	case hostfile.SQLite:
		return readSQLite(ctx, d, from, file)
	case hostfile.XLSX:
		return readSheet(ctx, d, from, file)
	case hostfile.SQL, hostfile.Postgres, hostfile.MySQL:
		return nil, left, errors.New("they are in a database, and no file of them is kept")
	case hostfile.HTTP:
		d.Form = hostfile.JSONLines
	}
	f, err := infile.Open(from, file, infile.Streamed)
	if err != nil {
		return nil, left, err
	}
	defer f.Close()
	p := NewParser(d)
	recs, err = p.all(ctx, f)
	return recs, p.Left(), err
}
