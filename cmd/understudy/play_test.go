//go:build linux

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.bug.st/serial"
)

// printed is a standard output that is read while it is written.
type printed struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (p *printed) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.buf.Write(b)
}

func (p *printed) String() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.buf.String()
}

// A play on a bench starts again as often as it is asked to: "on" the same ports,
// also one that had just been hung up, with a ledger of its own, while the host
// keeps its port open; and when it is stopped it has ended well.
//
// Kind: process.
func TestPlayStartsAgain(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := filepath.Join(dir, "again.yaml")
	require.NoError(t, os.WriteFile(file, []byte(`understudy: 1
title: Played again and again
seed: 4
part: {feature: sleeve, nominal: 4.000 mm, limits: [3.990 mm, 4.010 mm]}
gauges:
  - {name: sleeve-stand, dialect: line-ascii, stream: 50 Hz}
  - {name: sleeve-snap, dialect: line-ascii, stream: none}
cues:
  - {at: 0 s, do: preset, to: 4.000 mm}
  - {at: 100 ms, do: tag, gauge: sleeve-stand}
`), 0o644))
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	out, done := &printed{}, make(chan int, 1)
	go func() {
		done <- run(ctx, []string{"play", file, "--bench", "-r", dir}, strings.NewReader(""), out, out)
	}()
	control := regexp.MustCompile(`control: (http://\S+)v1/ \(access token ([0-9a-f]+);`)
	var url, token string
	require.Eventually(t, func() bool {
		m := control.FindStringSubmatch(out.String())
		if m != nil {
			url, token = m[1], m[2]
		}
		return m != nil
	}, time.Minute, 5*time.Millisecond, "no address is printed")
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	send := func(method, path, body string) (int, []byte) {
		req, err := http.NewRequest(method, url+path, strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Authorization", "Bearer "+token)
		res, err := client.Do(req)
		require.NoError(t, err)
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		require.NoError(t, err)
		return res.StatusCode, b
	}
	type sight struct {
		Run    int
		At     time.Duration
		Gauges []struct {
			Tags int
			Link string
			Open bool
		}
	}
	// until waits for a sight.
	until := func(what string, ok func(s sight) bool) (s sight) {
		t.Helper()
		require.Eventually(t, func() bool {
			code, b := send("GET", "v1/gauges", "")
			return code == http.StatusOK && json.Unmarshal(b, &s) == nil && ok(s)
		}, time.Minute, 10*time.Millisecond, what)
		return s
	}
	// The frame of the first run's tag has gone before a host hears it.
	until("the first run", func(s sight) bool { return s.Run == 1 && s.Gauges[0].Tags == 1 && s.At > time.Second })

	// A host keeps its port open all the while.
	host, err := serial.Open(filepath.Join(dir, "ports", "sleeve-stand"), &serial.Mode{BaudRate: 9600})
	require.NoError(t, err)
	heard, ended := &printed{}, make(chan struct{})
	go func() {
		defer close(ended)
		_, _ = io.Copy(heard, host) // until it is closed
	}()
	t.Cleanup(func() { host.Close(); <-ended })
	until("the host", func(s sight) bool { return s.Gauges[0].Open })

	for n := 2; n <= 4; n++ {
		code, body := send("POST", "v1/acts", `{"do": "lose link", "for": "1 h", "gauge": "sleeve-snap"}`)
		require.Equal(t, http.StatusOK, code, string(body))
		_, err := os.Lstat(filepath.Join(dir, "ports", "sleeve-snap"))
		require.ErrorIs(t, err, os.ErrNotExist, "its port went with the link")
		code, body = send("POST", "v1/clock", `{"do": "restart"}`)
		require.Equal(t, http.StatusOK, code, string(body))
		s := until(fmt.Sprint("run ", n), func(s sight) bool { return s.Run == n && s.Gauges[0].Tags == 1 })
		require.Equal(t, "up", s.Gauges[1].Link)
		require.True(t, s.Gauges[0].Open, "the host still has its port open")
		_, err = os.Lstat(filepath.Join(dir, "ports", "sleeve-snap"))
		require.NoError(t, err, "its port is back")
		require.Eventually(t, func() bool { return strings.Count(heard.String(), "T0001 ") == n-1 }, time.Minute, 5*time.Millisecond, "each run numbers its tags anew")
	}

	cancel()
	require.Equal(t, exitPass, <-done, out.String())
	require.Contains(t, out.String(), "stopped by hand after")
	text, err := os.ReadFile(filepath.Join(dir, "ledger.jsonl"))
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	require.Equal(t, 1, strings.Count(string(text), `"k":"start"`), "the ledger is of the last run alone")
	require.Contains(t, lines[len(lines)-1], "stopped by hand")
	for _, line := range lines {
		require.True(t, json.Valid([]byte(line)), line)
	}
	_, err = os.Lstat(filepath.Join(dir, "ports", "sleeve-stand"))
	require.ErrorIs(t, err, os.ErrNotExist, "no port is left behind")
}
