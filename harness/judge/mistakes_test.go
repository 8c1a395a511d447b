package judge_test

import (
	"bytes"
	"cmp"
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
)

// account is what happened in one part of testdata/mistakes.txt, and the rows of it.
type account struct {
	*world
	lasts map[string]int // entry of each gauge's last frame
	paths map[string]string
}

// TestHandWrittenRows holds the judge to rows that were written by hand from the
// words of each mistake: those of the correct host pass, those of the mistaken one
// are put down to the mistake, nothing of them to another, and none is left
// unexplained.
//
// Kind: outside.
func TestHandWrittenRows(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("testdata/mistakes.txt")
	if err != nil {
		t.Fatal(err)
	}
	_, text, _ = bytes.Cut(text, []byte("\n== "))
	var held sync.Map // the mistakes whose rows were judged as they are to be
	t.Run("each", func(t *testing.T) {
		for part := range strings.SplitSeq(string(text), "\n== ") {
			words, facts, _ := strings.Cut(part, "\n")
			name, _, _ := strings.Cut(words, ":")
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				right, wrong := tell(t, facts, "right"), tell(t, facts, "wrong")
				if res := judge.Judge(right.spec, right.entries, right.records); res.Verdict != judge.Pass {
					t.Errorf("the correct host: %s %v\n%s", res.Verdict, res.Reasons, describe(res.Findings))
				}
				res := judge.Judge(wrong.spec, wrong.entries, wrong.records)
				var named []string
				for _, e := range res.Explanations {
					named = append(named, fmt.Sprintf("%s for %d (rivals %v)", e.Cause.Name, e.Explains, e.Rivals))
				}
				alone := len(res.Explanations) == 1 && res.Explanations[0].Cause.Name == name && res.Unexplained == 0
				if why := notAlone[name]; alone != (why == "") {
					t.Errorf("%s: named %q, %d unexplained; noted for it: %q\n%s", res.Verdict, named, res.Unexplained, why, describe(res.Findings))
				}
				if !t.Failed() {
					held.Store(name, true)
				}
			})
		}
	})
	if strings.Contains(flag.Lookup("test.run").Value.String(), "/") {
		return // some of them only
	}
	for _, d := range host.Defects() {
		if _, ok := held.Load(d.Name); !ok {
			t.Errorf("no rows that hold are written for %s", d.Name)
		}
	}
}

// TestSentencesOfHandWrittenRows does the same for mistakes without a page: rows that are
// written by hand are put down to the sentence that says the mistake, and to nothing else.
//
// Kind: outside.
func TestSentencesOfHandWrittenRows(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("testdata/sentences.txt")
	if err != nil {
		t.Fatal(err)
	}
	_, text, _ = bytes.Cut(text, []byte("\n== "))
	for part := range strings.SplitSeq(string(text), "\n== ") {
		words, facts, _ := strings.Cut(part, "\n")
		t.Run(words, func(t *testing.T) {
			t.Parallel()
			right, wrong := tell(t, facts, "right"), tell(t, facts, "wrong")
			if res := judge.Judge(right.spec, right.entries, right.records); res.Verdict != judge.Pass {
				t.Errorf("the correct host: %s %v\n%s", res.Verdict, res.Reasons, describe(res.Findings))
			}
			res := judge.Judge(wrong.spec, wrong.entries, wrong.records)
			if len(res.Patterns) != 1 || res.Patterns[0].Text != words || res.Unexplained > 0 || len(res.Explanations) > 0 {
				t.Errorf("%s: %d unexplained, %+v %+v\n%s", res.Verdict, res.Unexplained, res.Explanations, res.Patterns, describe(res.Findings))
			}
		})
	}
}

// notAlone are mistakes that are not named alone, and what is wrong. What is mended
// comes off the list.
var notAlone = map[string]string{
	"wrong-baud":   "records-nothing is named first, for the rows that another speed loses",
	"wrong-parity": "records-nothing is named first, for the rows that another parity loses",
}

// tell plays the facts of one host.
func tell(t *testing.T, facts, which string) *world {
	w := &world{begun: time.Date(2026, 11, 2, 6, 0, 0, 0, time.UTC), nextID: map[string]int{}}
	w.spec = judge.Spec{Resolution: decimal.MustParse("0.001"), Begun: w.begun, Ended: w.begun.Add(10 * time.Minute), RealTime: true}
	a := &account{world: w, lasts: map[string]int{}, paths: map[string]string{}}
	begun := false
	for n, line := range strings.Split(facts, "\n") {
		line, _, _ = strings.Cut(line, "#")
		ws := strings.Fields(line)
		if len(ws) == 0 {
			continue
		}
		switch ws[0] {
		case "right", "wrong":
			if ws[0] != which {
				continue
			}
			ws = ws[1:]
		case "row":
			ws = ws[1:]
		}
		var err error
		switch {
		case strings.HasPrefix(line, " "):
			err = a.wrote(ws)
		case slices.Contains([]string{"host", "gauge", "channel", "write"}, ws[0]):
			err = a.stated(ws)
		default:
			if !begun {
				begun = true
				a.begin()
			}
			if ws[0] == "soon" {
				ws = ws[1:]
				w.now -= 9 * time.Second / 10
			}
			w.now += time.Second
			err = a.happened(ws)
		}
		if err != nil {
			t.Fatalf("line %d of the part, %q: %v", n+2, line, err)
		}
	}
	w.entry(ledger.Entry{Kind: ledger.KindEnd, Note: "the timeline ended"})
	return w
}

func millimetres(text string) decimal.Length {
	d := decimal.MustParse(text)
	n, _ := d.Mul(decimal.New(1, 9)).Int64()
	return decimal.Length(n)
}

// stated takes what the host is told.
func (a *account) stated(ws []string) error {
	if ws[0] == "host" {
		a.spec.Unit, _ = decimal.ParseUnit(ws[1])
		a.spec.Resolution = decimal.MustParse(ws[2])
		for i := 3; i < len(ws); i++ {
			switch ws[i] {
			case "half-up":
				a.spec.Rounding = decimal.HalfUp
			case "strict":
				a.spec.Rule.Strict = true
			case "unrounded":
				a.spec.Rule.Decide = zone.Unrounded
			case "guard":
				i++
				a.spec.Rule.Guard = millimetres(ws[i])
			case "all":
				a.spec.All = true
			case "lines-raised":
				on := true
				a.spec.AtLine.DTR, a.spec.AtLine.RTS = &on, &on
			case "no-breaks":
				a.spec.AtLine.Breaks = new(bool)
			case "reads-within":
				i++
				var err error
				if a.spec.AtLine.Reads, err = time.ParseDuration(ws[i]); err != nil {
					return err
				}
			default:
				return fmt.Errorf("what is %q?", ws[i])
			}
		}
		return nil
	}
	if ws[0] != "gauge" && len(a.spec.Gauges) == 0 {
		a.gauge("g")
	}
	switch ws[0] {
	case "gauge":
		g := a.gauge(ws[1])
		for i := 2; i+1 < len(ws); i += 2 {
			switch ws[i] {
			case "factor":
				g.Factor = decimal.MustParse(ws[i+1])
			case "preset":
				g.Preset = millimetres(ws[i+1])
			case "function":
				g.Function = ws[i+1]
			case "port":
				a.paths[g.Name] = ws[i+1]
			case "tags":
				_, err := fmt.Sscanf(ws[i+1], "%d..%d", &g.Tags.First, &g.Tags.Last)
				if err != nil {
					return err
				}
			default:
				return fmt.Errorf("what is %q?", ws[i])
			}
		}
	case "channel":
		g := &a.spec.Gauges[len(a.spec.Gauges)-1]
		at := func(i int) zone.Limit {
			if ws[i] == "-" {
				return zone.Limit{}
			}
			return zone.At(millimetres(ws[i]))
		}
		g.Channels = append(g.Channels, judge.Channel{Name: ws[1], LimitUnit: decimal.MM,
			Limits: zone.Limits{Lower: at(2), WarnLower: at(3), WarnUpper: at(4), Upper: at(5)}})
	case "write":
		g := &a.spec.Gauges[len(a.spec.Gauges)-1]
		g.Writes = append(g.Writes, judge.Write{Verb: ws[1], Setting: ws[2], To: ws[3]})
	}
	return nil
}

func (a *account) gauge(name string) *judge.Gauge {
	a.spec.Gauges = append(a.spec.Gauges, judge.Gauge{Name: name, Serial: "N-" + name, Function: "live", Line: "9600 8N1", Shows: true,
		Tags: judge.Tags{First: 1, Last: 9999, Window: 2 * time.Second}})
	return &a.spec.Gauges[len(a.spec.Gauges)-1]
}

// begin has the host open its ports.
func (a *account) begin() {
	if len(a.spec.Gauges) == 0 {
		a.gauge("g")
	}
	a.entry(ledger.Entry{Kind: ledger.KindRun, Run: &ledger.Run{Version: ledger.Version, Pace: "real"}})
	for i := range a.spec.Gauges {
		g := &a.spec.Gauges[i]
		if g.Channels == nil {
			at := func(um decimal.Length) zone.Limit { return zone.At(um * decimal.Micrometre) }
			g.Channels = []judge.Channel{{Name: "A", LimitUnit: decimal.MM, Limits: zone.Limits{Lower: at(7985), WarnLower: at(7990), WarnUpper: at(8010), Upper: at(8015)}}}
		}
		a.entry(ledger.Entry{Kind: ledger.KindPort, Gauge: g.Name, Port: &ledger.Port{What: "opened", Path: cmp.Or(a.paths[g.Name], "ports/"+g.Name)}})
		a.entry(ledger.Entry{Kind: ledger.KindPort, Gauge: g.Name, Port: &ledger.Port{What: "asked", Line: g.Line}})
	}
}

// happened takes something that happens, to a gauge that may be named first.
func (a *account) happened(ws []string) error {
	g := max(0, slices.IndexFunc(a.spec.Gauges, func(g judge.Gauge) bool { return g.Name == ws[0] }))
	name := a.spec.Gauges[g].Name
	if ws[0] == name {
		ws = ws[1:]
	}
	how := ""
	if slices.Contains([]string{"joined", "split", "damaged", "unheard", "given-up"}, ws[0]) {
		how, ws = ws[0], ws[1:]
	}
	port := func(p ledger.Port) { a.entry(ledger.Entry{Kind: ledger.KindPort, Gauge: name, Port: &p}) }
	switch ws[0] {
	case "tag":
		n, err := strconv.ParseInt(ws[1], 10, 64)
		if err != nil {
			return err
		}
		return a.sends(g, how, ledger.Frame{Cause: ledger.Tag, Tag: &n}, ws[2:])
	case "stream":
		return a.sends(g, how, ledger.Frame{Cause: ledger.Stream}, ws[1:])
	case "again":
		last := *a.entries[a.lasts[name]].Frame
		for _, e := range a.entries {
			if len(ws) > 1 && e.Kind == ledger.KindFrame && e.Gauge == name && e.Frame.Tag != nil && strconv.FormatInt(*e.Frame.Tag, 10) == ws[1] {
				last = *e.Frame
			}
		}
		last.Repeat = true
		a.sent(g, "", last)
	case "wait":
		d, err := time.ParseDuration(ws[1])
		a.now += d
		return err
	case "lost":
		port(ledger.Port{What: "hung up", Path: "ports/" + name})
	case "back":
		place := "ports/" + ws[len(ws)-1]
		if len(ws) == 1 {
			place = "ports/" + name
		}
		port(ledger.Port{What: "returned", Path: place})
		port(ledger.Port{What: "opened", Path: place})
	case "returns": // and is not opened again
		port(ledger.Port{What: "returned", Path: "ports/" + name})
	case "raises":
		port(ledger.Port{What: "lines", Note: "DTR true RTS true"})
	case "breaks":
		port(ledger.Port{What: "break", Note: "true"})
		port(ledger.Port{What: "break", Note: "false"})
	case "stalls":
		d, err := time.ParseDuration(ws[1])
		port(ledger.Port{What: "stalled", Lasted: d})
		return err
	case "good":
		a.entry(ledger.Entry{Kind: ledger.KindCell, Gauge: name, Cell: &ledger.Cell{Percent: 80}})
	case "low":
		a.entry(ledger.Entry{Kind: ledger.KindCell, Gauge: name, Cell: &ledger.Cell{Percent: 8, Low: true}})
	case "line":
		port(ledger.Port{What: "asked", Line: strings.Join(ws[1:], " ")})
	case "set":
		a.entry(ledger.Entry{Kind: ledger.KindRequest, Gauge: name, Request: &ledger.Request{Verb: "set", Setting: ws[1], Value: ws[2], Refused: strings.Join(ws[3:], " ")}})
	case "closes":
		port(ledger.Port{What: "closed"})
		port(ledger.Port{What: "opened", Path: "ports/" + name})
	case "restarts":
		port(ledger.Port{What: "closed"})
		a.entry(ledger.Entry{Kind: ledger.KindHost, Note: "stopped"})
		port(ledger.Port{What: "opened", Path: "ports/" + name})
		a.entry(ledger.Entry{Kind: ledger.KindHost, Note: "ready"})
	case "ends": // without being started at once
		port(ledger.Port{What: "closed"})
		a.entry(ledger.Entry{Kind: ledger.KindHost, Note: ws[1]})
	case "garbles":
		a.entry(ledger.Entry{Kind: ledger.KindPort, Gauge: name, Bytes: ledger.Hex(ws[1]), Port: &ledger.Port{What: "garbage", Note: "bytes are left over"}})
	case "unread": // so many frames, at the end
		n, err := strconv.Atoi(ws[1])
		bytes := 0
		for k := len(a.entries) - 1; k >= 0 && n > 0; k-- {
			if e := a.entries[k]; e.Kind == ledger.KindFrame {
				bytes, n = bytes+len(e.Frame.Bytes), n-1
			}
		}
		a.out(g, ledger.Out{Fate: ledger.Unread, Count: bytes})
		return err
	case "quits":
		a.entry(ledger.Entry{Kind: ledger.KindHost, Note: ledger.Quit})
	case "stopped", "killed":
		a.entries = append(a.entries, a.anew(ws[0], a.now)...)
	default:
		return fmt.Errorf("what is %q?", ws[0])
	}
	return nil
}

// sends has a gauge send a frame with readings: "8.001", "0.3150in", "B:1.001",
// "8.001/above" with the gauge's own zone, or "void".
func (a *account) sends(g int, how string, f ledger.Frame, readings []string) error {
	for _, text := range readings {
		if b, ok := strings.CutPrefix(text, "="); ok {
			var err error
			if f.Bytes, err = hex.DecodeString(b); err != nil {
				return err
			}
			continue
		}
		rd := ledger.Reading{Channel: a.spec.Gauges[g].Channels[0].Name, Unit: "mm", Function: a.spec.Gauges[g].Function, Zone: zone.Inside}
		if ch, rest, ok := strings.Cut(text, ":"); ok {
			rd.Channel, text = ch, rest
		}
		if value, z, ok := strings.Cut(text, "/"); ok {
			if err := rd.Zone.UnmarshalText([]byte(z)); err != nil {
				return err
			}
			text = value
		}
		if value, ok := strings.CutSuffix(text, "in"); ok {
			rd.Unit, text = "in", value
		}
		var err error
		if text == "void" {
			rd.Void, rd.Zone = "over", zone.Void
		} else if rd.Shown, err = decimal.Parse(text); err != nil {
			return err
		}
		f.Readings = append(f.Readings, rd)
	}
	a.sent(g, how, f)
	return nil
}

func (a *account) sent(g int, how string, f ledger.Frame) {
	made := a.frame(g, f)
	name := a.spec.Gauges[g].Name
	a.lasts[name] = len(a.entries) - 1
	out := ledger.Out{Frames: []int{made.ID}, Fate: ledger.Sent}
	switch how {
	case "joined": // written together with what went before
		before := a.entries[len(a.entries)-2].Out
		if before.Bytes == nil {
			before.Bytes = slices.Clone(a.bytesOf(g, before.Frames[0]))
		}
		before.Frames, before.Bytes, before.Fault = append(before.Frames, made.ID), append(before.Bytes, made.Bytes...), "merge"
		a.entries[len(a.entries)-1], a.entries[len(a.entries)-2] = a.entries[len(a.entries)-2], a.entries[len(a.entries)-1]
		a.lasts[name]--
		return
	case "split":
		out.Fault, out.Bytes = "split", made.Bytes
	case "unheard":
		out.Fate = ledger.Unheard
	case "given-up":
		out.Fate = ledger.Full
	case "damaged":
		out.Fault, out.Bytes = "garble", slices.Clone(made.Bytes)
		out.Bytes[1] ^= 2
	}
	a.out(g, out)
}

func (a *account) bytesOf(g, id int) ledger.Hex {
	for _, e := range a.entries {
		if e.Kind == ledger.KindFrame && e.Gauge == a.spec.Gauges[g].Name && e.Frame.ID == id {
			return e.Frame.Bytes
		}
	}
	return nil
}

// wrote takes a row: a gauge and an event, or a gauge, channel, tag, value, unit and
// zone; and by how much its time is off.
func (a *account) wrote(ws []string) error {
	off := time.Duration(0)
	if n := len(ws); n > 2 && ws[n-2] == "at" {
		var err error
		if off, err = time.ParseDuration(ws[n-1]); err != nil {
			return err
		}
		ws = ws[:n-2]
	}
	rec := judge.Record{Kind: ws[len(ws)-1], Gauge: ws[0]}
	if len(ws) == 6 {
		rec = judge.Record{Kind: "reading", Gauge: ws[0], Channel: ws[1], Unit: ws[4], Zone: ws[5]}
		if ws[2] != "-" {
			n, err := strconv.ParseInt(ws[2], 10, 64)
			if err != nil {
				return err
			}
			rec.Tag = &n
		}
		if ws[3] != "-" {
			v, err := decimal.Parse(ws[3])
			if err != nil {
				return err
			}
			rec.Value, rec.Text = &v, ws[3]
		}
	} else if len(ws) != 2 {
		return fmt.Errorf("a row has 2 or 6 words, this one %d", len(ws))
	}
	a.row(rec)
	last := &a.records[len(a.records)-1]
	last.Time = last.Time.Add(off)
	return nil
}
