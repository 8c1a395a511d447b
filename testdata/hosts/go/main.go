// An example of host software in Go, on go.bug.st/serial: it reads a gauge that
// speaks line-ascii, takes the gauge's own verdict, and keeps its records as JSON
// Lines.
//
//	jsonhost RECORDS PORT
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"go.bug.st/serial"
)

// record is one line of the records. Size is text: what the gauge sent, digit
// for digit.
type record struct {
	Time    int64  `json:"t"` // ms since 1970
	Gauge   string `json:"gauge"`
	What    string `json:"what"`
	Tag     string `json:"tag,omitempty"`
	Size    string `json:"size,omitempty"`
	Unit    string `json:"unit,omitempty"`
	Verdict string `json:"verdict,omitempty"`
}

type gauge struct {
	port    string
	records *json.Encoder
	low     bool
	lastTag string // the frame of the newest tag
	lastAt  time.Time
	err     error // the first failure to record
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	if err := host(ctx, os.Args[1], os.Args[2]); err != nil {
		log.Fatal(err)
	}
}

// host keeps the records of the gauge at a port until ctx is done. What an earlier
// start has recorded stays.
func host(ctx context.Context, records, port string) error {
	file, err := os.OpenFile(records, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o644)
	if err != nil {
		return err
	}
	g := &gauge{port: port, records: json.NewEncoder(file)} // unbuffered: a row is whole or not there
	g.run(ctx)
	return errors.Join(g.err, file.Close())
}

func (g *gauge) keep(r record) {
	r.Time, r.Gauge = time.Now().UnixMilli(), filepath.Base(g.port)
	if err := g.records.Encode(r); err != nil && g.err == nil {
		g.err = err
	}
}

// run reads the gauge, and opens its port again whenever it has gone away.
func (g *gauge) run(ctx context.Context) {
	for again := false; g.err == nil; again = true {
		port, err := serial.Open(g.port, &serial.Mode{BaudRate: 9600, DataBits: 8})
		for ; err != nil; port, err = serial.Open(g.port, &serial.Mode{BaudRate: 9600, DataBits: 8}) {
			select {
			case <-ctx.Done():
				return
			case <-time.After(20 * time.Millisecond):
			}
		}
		if again {
			g.keep(record{What: "online"})
		}
		port.SetReadTimeout(20 * time.Millisecond)
		lost := g.read(ctx, port)
		port.Close()
		if !lost {
			return
		}
		g.keep(record{What: "offline"})
	}
}

// read takes lines until the port is lost, or nothing more comes after a stop.
func (g *gauge) read(ctx context.Context, port serial.Port) (lost bool) {
	var buf []byte
	chunk := make([]byte, 4096)
	for g.err == nil {
		n, err := port.Read(chunk)
		if err != nil {
			return true
		}
		if n == 0 && ctx.Err() != nil {
			return false
		}
		buf = append(buf, chunk[:n]...)
		for end := bytes.IndexByte(buf, '\n'); end >= 0; end = bytes.IndexByte(buf, '\n') {
			g.line(strings.TrimRight(string(buf[:end]), "\r"))
			buf = buf[end+1:]
		}
	}
	return false
}

// line takes a line such as "T0017 +00008.015 mm 3 .*6C".
func (g *gauge) line(s string) {
	star, xor := strings.LastIndexByte(s, '*'), byte(0)
	for i := 0; i <= star; i++ {
		xor ^= s[i]
	}
	words := strings.Fields(s[:max(star, 0)])
	if star < 0 || fmt.Sprintf("%02X", xor) != s[star+1:] || len(words) != 5 {
		return // a reply, or damaged on its way
	}
	if low := words[4] == "L"; low != g.low {
		if g.low = low; low {
			g.keep(record{What: "battery"})
		}
	}
	again := s == g.lastTag && time.Since(g.lastAt) < 2*time.Second // sent twice by the link
	if words[0][0] != 'T' || again {
		return
	}
	g.lastTag, g.lastAt = s, time.Now()
	r := record{What: "size", Tag: words[0][1:], Size: words[1], Unit: words[2], Verdict: words[3]}
	if strings.Trim(r.Size, "+-.0123456789") != "" || words[3] == "6" {
		r.Size, r.Verdict = "", "6"
	}
	g.keep(r)
}
