package paper

import (
	"bufio"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/show"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
)

// Explain writes the expected timeline of a scenario, played on paper: cues,
// and for each tagged reading, and each streamed one that changes the zone
// (every one with all), the part size, the tip travel, the reading, the frame, and what a correct
// host makes of it and why. With steps each reading is followed through the
// gauge's measuring chain.
func Explain(ctx context.Context, out io.Writer, s *scenario.Scenario, all, steps bool) error {
	w := bufio.NewWriter(out)
	fmt.Fprintf(w, "%s\n", s.Title)
	if s.Notice != "" {
		fmt.Fprint(w, show.Wrap(s.Notice, "", 88))
	}
	fmt.Fprintln(w)
	spec := Spec(s)
	several := len(s.Gauges) > 1
	last := map[string]zone.Zone{}
	known := studies{}
	limit := budget.Of(ctx).Events
	var st *stage.Stage
	st, err := begin(s, stage.Options{Events: limit, Keep: func(e ledger.Entry) {
		known.see(&e)
		who := ""
		if several && e.Gauge != "" {
			who = e.Gauge + "  "
		}
		line := func(what, format string, args ...any) {
			fmt.Fprintf(w, "%s  %-8s %s%s\n", clock(e.T), what, who, fmt.Sprintf(format, args...))
		}
		switch e.Kind {
		case ledger.KindCue:
			line("cue", "%s", e.Note)
		case ledger.KindSetting:
			ch := ""
			if e.Setting.Channel != "" && len(s.Play.Cast[s.GaugeIndex(e.Gauge)].Profile.Channels) > 1 {
				ch = " of " + e.Setting.Channel
			}
			line("setting", "%s%s: %s → %s", e.Setting.Name, ch, e.Setting.From, e.Setting.To)
		case ledger.KindLink:
			line("link", "%s %s", e.Link.State, e.Link.Why)
		case ledger.KindCell:
			low := ""
			if e.Cell.Low {
				low = ", low"
			}
			line("cell", "%d %%%s", e.Cell.Percent, low)
		case ledger.KindGauge:
			line("gauge", "%s", e.Note)
		case ledger.KindHost:
			line("host", "%s", e.Note)
		case ledger.KindOut:
			if e.Out.Fate != ledger.Sent || e.Out.Fault != "" {
				line("frame", "number %s: %s %s", numbers(e.Out.Frames), e.Out.Fate, e.Out.Fault)
			}
		case ledger.KindFrame:
			var chain [][]gauge.Step // by channel
			if g := s.GaugeIndex(e.Gauge); steps && len(e.Frame.Readings) > 0 {
				for c := range s.Play.Cast[g].Profile.Channels {
					chain = append(chain, st.Steps(g, c))
				}
			}
			explainFrame(e, chain, line, s, &spec, last, all)
		}
	}})
	if err != nil {
		return err
	}
	if err := paper(ctx, st, limit); err != nil {
		return errors.Join(w.Flush(), err)
	}
	known.say(s, func(format string, args ...any) {
		fmt.Fprintf(w, "%s  study    %s\n", clock(s.Play.Until), fmt.Sprintf(format, args...))
	})
	fmt.Fprintf(w, "%s  end\n\nSimulated: these results never release real parts.\n", clock(s.Play.Until))
	return w.Flush()
}

func explainFrame(e ledger.Entry, chain [][]gauge.Step, line func(what, format string, args ...any), s *scenario.Scenario, spec *cause.Spec, last map[string]zone.Zone, all bool) {
	f := e.Frame
	g := s.GaugeIndex(e.Gauge)
	what := string(f.Cause)
	if f.Tag != nil {
		what = fmt.Sprintf("tag %d", *f.Tag)
	}
	if f.Repeat {
		what += "²"
	}
	if f.Cause == ledger.Banner {
		line(what, "frame %d: %s  %s", f.ID, hex.EncodeToString(f.Bytes), show.Dotted(f.Bytes))
	}
	for _, r := range f.Readings {
		ch := channelIndex(s, g, r.Channel)
		unit, _ := decimal.ParseUnit(r.Unit)
		at := AtHost(spec, g, ch, r.Shown, unit, r.Void != "")
		key := e.Gauge + "/" + r.Channel
		was, seen := last[key]
		last[key] = at.Zone
		if f.Tag == nil && !all && seen && was == at.Zone {
			continue
		}
		name := ""
		if len(s.Play.Cast[g].Profile.Channels) > 1 {
			name = r.Channel + "  "
		}
		reads := r.Shown.String() + " " + r.Unit
		if r.Void != "" {
			reads = "void: " + r.Void
		}
		if r.Function != "live" {
			reads += " (" + r.Function + ")"
		}
		size, _ := r.Size.In(unit)
		travel := ""
		if s.Play.Cast[g].Profile.Channels[ch].Calc == nil {
			pressed, _ := r.Pressed.In(unit)
			travel = fmt.Sprintf("tip travel %s %s, ", pressed, r.Unit)
		}
		line(what, "%spart size %s %s, %sreading %s", name, size, r.Unit, travel, reads)
		if chain != nil {
			explainSteps(chain[ch], reads, line)
		}
		records := at.Zone.String()
		if r.Void == "" {
			records = fmt.Sprintf("%s %s, %s", at.Value, at.Unit, at.Zone)
		}
		line("", "  host: %s: %s", records, at.Rule)
		line("", "  frame %d: %s  %s", f.ID, hex.EncodeToString(f.Bytes), show.Dotted(f.Bytes))
	}
}

// explainSteps writes the chain of a reading. A tag that is sent again, or that
// waited for the link, carries a reading whose chain has moved on.
func explainSteps(chain []gauge.Step, reads string, line func(what, format string, args ...any)) {
	ends := false
	for _, st := range chain {
		ends = ends || strings.HasPrefix(reads, st.Value)
	}
	if !ends {
		line("", "  step: taken at an earlier sample")
		return
	}
	for _, st := range chain {
		line("", "  step: %-34s %s", st.Name, st.Value)
	}
}

func channelIndex(s *scenario.Scenario, g int, name string) int {
	for i, c := range s.Play.Cast[g].Profile.Channels {
		if c.Name == name {
			return i
		}
	}
	return 0
}

func clock(t time.Duration) string { return fmt.Sprintf("%10.3f s", t.Seconds()) }

func numbers(ids []int) string {
	words := make([]string, len(ids))
	for i, id := range ids {
		words[i] = fmt.Sprint(id)
	}
	return strings.Join(words, ", ")
}
