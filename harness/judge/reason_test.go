package judge_test

import (
	"fmt"
	"strings"
	"testing"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
	"github.com/google/go-cmp/cmp"
)

// bytesBy gives each frame of an account bytes of its own; n counts from 1.
func bytesBy(f func(n int) string) func(w *world) {
	return func(w *world) {
		n := 0
		for i := range w.entries {
			if e := &w.entries[i]; e.Kind == ledger.KindFrame {
				n++
				e.Frame.Bytes = ledger.Hex(f(n))
			}
		}
	}
}

// withCheck ends a text with the exclusive or of all before it.
func withCheck(text string) string {
	sum := byte(0)
	for i := range len(text) {
		sum ^= text[i]
	}
	return fmt.Sprintf("%s%02X\r\n", text, sum)
}

// What a host with one mistake recorded is told in a sentence that says so, and is put
// down to nothing that it did not do. The rows are written by hand.
//
// Kind: outside.
func TestOneReasonIsToldTruly(t *testing.T) {
	t.Parallel()
	// Of the three sums "…*" with these bytes, the second begins with 0: worked out by hand.
	of := []string{"RRa*", "RRYq*", "RRb*"} // 61^2a = 4B, 59^71^2a = 02, 62^2a = 48
	missing := "tag 1 8.000\n row g A 1 8.000 mm inside\ntag 2 8.001\n right g A 2 8.001 mm inside\ntag 3 8.002\n row g A 3 8.002 mm inside\n"
	for name, c := range map[string]struct {
		facts  string
		change func(w *world)
		tells  string // a sentence that is told; empty: none need be
		never  string // what is not told
	}{
		"two causes of the zone that make it together": {"host mm 0.001 guard 0.002\nchannel A 12.67968 12.67968 12.72286 12.72286\ntag 1 12.700\n wrong g A 1 12.700 mm below\ntag 2 12.717\n wrong g A 2 12.717 mm below\n" +
			"tag 3 12.722\n wrong g A 3 12.722 mm below\ntag 4 12.684\n wrong g A 4 12.684 mm below\n",
			func(w *world) {
				c := &w.spec.Gauges[0].Channels[0]
				c.LimitUnit, c.Limits.WarnLower, c.Limits.WarnUpper = decimal.IN, zone.Limit{}, zone.Limit{}
			}, "in every row the zone is below", "limits-"},
		"the step is no power of ten": {"host mm 0.0005\ntag 1 -0.00033\n wrong g A 1 -0.0003 mm below\ntag 2 -0.00224\n wrong g A 2 -0.0022 mm below\ntag 3 8.00631\n wrong g A 3 8.0063 mm inside\n",
			nil, "in every row the value is in steps of 0.0001 mm, not of 0.0005 mm", "rounded"},
		"inches for millimetres": {"host in 0.0001\ngauge a\ngauge b\na tag 1 1.2500in\n wrong a A 1 0.0492 in below\na tag 2 1.2400in\n wrong a A 2 0.0488 in below\nb tag 1 0.3150in\n row b A 1 0.3150 in inside\nb tag 2 0.3140in\n row b A 2 0.3140 in below\n",
			nil, "the number in inches is taken for one in millimetres", "25.4"},
		"digits of a number are no check": {missing, bytesBy(func(n int) string { return map[bool]string{true: "1.25000\n", false: "1.24973\n"}[n == 2] }), "", "check"},
		"a check":                         {missing, bytesBy(func(n int) string { return withCheck(of[n-1]) }), "where the check at the end of the frame begins with 0, the row is missing", ""},
		"the number comes again": {"tag 1 8.000\n right g A 1 8.000 mm inside\nwait 1m\ntag 2 8.001\n row g A 2 8.001 mm inside\ntag 1 8.002\n row g A 1 8.002 mm inside\n",
			nil, "where the same tag number comes again later, the row is missing", "first-tag"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := tell(t, c.facts, "wrong")
			if c.change != nil {
				c.change(w)
			}
			res := judge.Judge(w.spec, w.entries, w.records)
			var said []string
			for _, e := range res.Explanations {
				said = append(said, e.Cause.Name, e.Cause.Looks)
			}
			for _, p := range res.Patterns {
				said = append(append(said, p.Text), p.Or...)
			}
			all := strings.Join(said, "\n")
			if res.Verdict != judge.Fail || !strings.Contains(all, c.tells) || c.never != "" && strings.Contains(all, c.never) {
				t.Errorf("%s, told:\n%s\n%s", res.Verdict, all, describe(res.Findings))
			}
		})
	}
}

// Among equal readings a row without a tag is that of one that was sent without: what is
// missing is the row of the tagged one, as the times of the rows say.
//
// Kind: outside.
func TestTaggedOneAmongEqualOnes(t *testing.T) {
	t.Parallel()
	for _, others := range []string{"", "stream 8.001\n row g A - 8.001 mm inside\ntag 2 8.001\n row g A 2 8.001 mm inside\n"} {
		equal := strings.Repeat("stream 8.000\n row g A - 8.000 mm inside\n", 12)
		w := tell(t, "host mm 0.001 all\n"+others+equal+"tag 3 8.000\n right g A 3 8.000 mm inside\n"+equal+"tag 4 8.000\n right g A 4 8.000 mm inside\n"+equal, "wrong")
		res := judge.Judge(w.spec, w.entries, w.records)
		var got []string
		for _, f := range res.Findings {
			got = append(got, string(f.Kind)+" "+f.Expected)
		}
		if d := cmp.Diff([]string{"tag-lost tag 3, 8.000 mm", "tag-lost tag 4, 8.000 mm"}, got); d != "" {
			t.Error(d)
		}
	}
}

// A setting that the gauge could not read is not told as one that the host never sent.
//
// Kind: outside.
func TestUnreadSetting(t *testing.T) {
	t.Parallel()
	w := tell(t, "write set preset 0.00005\ntag 1 8.000\n row g A 1 8.000 mm inside\n", "wrong")
	w.entries = append(w.entries[:2:2], append([]ledger.Entry{{Kind: ledger.KindPort, Gauge: "g", Port: &ledger.Port{What: "garbage", Note: "preset: bytes are left over"}}}, w.entries[2:]...)...)
	res := judge.Judge(w.spec, w.entries, w.records)
	if len(res.Findings) != 1 || res.Findings[0].Got != "not written, and sent what the gauge could not read, 1 times (preset: bytes are left over)" {
		t.Errorf("%s", describe(res.Findings))
	}
}

// A row of an event that did not happen is cited at its own time, not at that of the event
// before it. At four times the pace a second of the host's clock is four of the timeline.
//
// Kind: outside.
func TestEventThatDidNotHappen(t *testing.T) {
	t.Parallel()
	w := tell(t, "tag 1 8.000\n row g A 1 8.000 mm inside\nlost\n row g link-lost\nback\n row g link-back\nwait 10s\n row g low-cell at -8s\ntag 2 8.001\n row g A 2 8.001 mm inside\n", "wrong")
	w.spec.Speed = 4
	res := judge.Judge(w.spec, w.entries, w.records)
	back := w.records[2].Time
	want := back.Add(4 * w.records[3].Time.Sub(back)).Sub(w.begun)
	if len(res.Findings) != 1 || res.Findings[0].Kind != judge.KindEventExtra || res.Findings[0].At != want {
		t.Errorf("due at %s:\n%s", want, describe(res.Findings))
	}
}
