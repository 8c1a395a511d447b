package capture

import (
	"strconv"
	"strings"
	"time"

	"example.org/understudy/sim/stage/ledger"
)

// FromLedger makes the capture of a run of its ledger: a line for each gauge,
// with the bytes that reached its port and those of its host.
func FromLedger(entries []ledger.Entry, began time.Time) *Capture {
	c := &Capture{Began: began}
	line := map[string]int{}
	frames := map[string]map[int][]byte{}
	for _, e := range entries {
		if e.Gauge == "" {
			continue
		}
		i, known := line[e.Gauge]
		if !known {
			i = len(c.Lines)
			line[e.Gauge], frames[e.Gauge] = i, map[int][]byte{}
			c.Lines = append(c.Lines, Line{Name: e.Gauge})
		}
		add := func(k Kind, p []byte, text string) {
			c.Events = append(c.Events, Event{At: e.T, Line: i, Kind: k, Bytes: p, Text: text})
		}
		switch {
		case e.Frame != nil:
			frames[e.Gauge][e.Frame.ID] = e.Frame.Bytes
		case e.Out != nil && e.Out.Fate == ledger.Sent:
			raw := []byte(e.Out.Bytes)
			for _, id := range e.Out.Frames {
				if e.Out.Bytes == nil {
					raw = append(raw, frames[e.Gauge][id]...)
				}
			}
			if len(raw) > 0 {
				add(FromGauge, raw, "")
			}
		case e.Kind == ledger.KindIn && len(e.Bytes) > 0:
			add(FromHost, e.Bytes, "")
		case e.Port != nil:
			switch e.Port.What {
			case "opened":
				add(Opened, nil, "")
			case "closed":
				add(Closed, nil, "")
			case "asked":
				add(Asked, nil, e.Port.Line)
			case "hung up":
				add(Gone, nil, "")
			case "returned":
				name := e.Port.Path[strings.LastIndexByte(e.Port.Path, '/')+1:]
				if name == e.Gauge {
					name = ""
				}
				add(Back, nil, name)
			}
		}
	}
	return c
}

// baud is the speed of settings such as 9600 8N1; 0 when they do not say.
func baud(settings string) int {
	word, _, _ := strings.Cut(settings, " ")
	n, err := strconv.Atoi(word)
	if err != nil || n < 0 {
		return 0
	}
	return n
}

// NewLine is a line with its settings, such as 9600 8N1.
func NewLine(name, settings string) Line {
	return Line{Name: name, Settings: settings, Baud: baud(settings)}
}
