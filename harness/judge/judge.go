// Package judge compares what a host recorded with what the ledger says it
// received, and names the causes of what differs.
//
// The oracle is the ledger: only bytes that the host was given intact, and
// could read, have to be in its records. What a correct host makes of them,
// and what a host with each known mistake makes of them, is in package cause.
package judge

import (
	"context"
	"fmt"
	"hash/maphash"
	"iter"
	"math"
	"slices"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
)

// Spec and its parts state what the host is to do.
type (
	Spec    = cause.Spec
	Gauge   = cause.Gauge
	Tags    = cause.Tags
	Write   = cause.Write
	Channel = cause.Channel
	Aspect  = cause.Aspect
)

// Record is one row the host wrote, in our words.
type Record struct {
	Row     int    // 1-based line or row in the host's records
	Kind    string // "reading", or an event: low-cell, cell-dead, link-lost, link-back
	Time    time.Time
	HasTime bool
	BadTime bool   // it has one that cannot be read
	Gauge   string // may be empty when there is one gauge
	Channel string // may be empty when the gauge has one channel
	Tag     *int64
	Value   *decimal.Decimal // nil when the row has no number
	Text    string           // the value as written
	Unit    string           // empty: the records do not say
	Zone    string           // empty: the records do not say; several where they do not tell: a zone.Set as text
	Raw     string           // the row as it stands
	Problem string           // what could not be read in it
}

// Verdict of a run (ISO/IEC 9646-1 and 9646-3: pass, fail, inconclusive;
// error when the test system itself failed). Worse verdicts are greater, but for
// skipped, which is none: the scenario asks for what the host does not claim.
type Verdict uint8

// Verdicts.
const (
	Pass Verdict = iota
	Inconclusive
	Fail
	Error
	Skipped
)

var verdictNames = [...]string{"pass", "inconclusive", "fail", "error", "skipped"}

func (v Verdict) String() string {
	if int(v) < len(verdictNames) {
		return verdictNames[v]
	}
	return "?"
}

// MarshalText writes the verdict's name.
func (v Verdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// Combine returns the worst of the verdicts, and pass for none. What was skipped
// has no part in it.
func Combine(vs ...Verdict) (worst Verdict) {
	for _, v := range vs {
		if v != Skipped {
			worst = max(worst, v)
		}
	}
	return worst
}

// Kind of a finding.
type Kind string

// Kinds of finding.
const (
	KindValue          Kind = "value"           // another number
	KindUnit           Kind = "unit"            // another unit word
	KindZone           Kind = "zone"            // another zone
	KindTag            Kind = "tag"             // another tag number, or none
	KindVoid           Kind = "void"            // a void reading with a number, or a good one without
	KindLost           Kind = "lost"            // a streamed reading is missing
	KindTagLost        Kind = "tag-lost"        // a tagged reading is missing
	KindTagRepeated    Kind = "tag-repeated"    // a second row for one tag
	KindExtra          Kind = "extra"           // a row that answers to nothing
	KindOrder          Kind = "order"           // right, but in another place
	KindIdentity       Kind = "identity"        // a gauge or channel that is not in the run
	KindUnreadable     Kind = "unreadable"      // a row that could not be read
	KindEventMissing   Kind = "event-missing"   // an event is not recorded
	KindEventLate      Kind = "event-late"      // an event is recorded after readings that followed it
	KindEventExtra     Kind = "event-extra"     // an event that did not happen
	KindSettingMissing Kind = "setting-missing" // a setting was not written
	KindSettingValue   Kind = "setting-value"   // with another value
	KindSettingLate    Kind = "setting-late"    // only after the first tag
	KindSettingOrder   Kind = "setting-order"   // in another order
	KindSettingRefused Kind = "setting-refused" // the gauge refused it
	KindDatum          Kind = "datum"           // a preset or zero set again after a return
	KindAnswer         Kind = "answer"          // a corrupted message accepted, or an intact one refused
	KindLine           Kind = "serial-line"     // other serial line settings
	KindUnset          Kind = "line-unset"      // the serial line not set again after a hang-up
	KindControl        Kind = "control-lines"   // DTR or RTS not as stated
	KindBreak          Kind = "break"           // breaks that are not stated, or none
	KindStall          Kind = "stall"           // bytes left unread for too long
	KindDeserted       Kind = "port-closed"     // closed by the host in mid-run for good
	KindReopen         Kind = "reopen"          // not opened again after a hang-up
	KindOverrun        Kind = "overrun"         // frames given up because the host did not read
	KindQuit           Kind = "quit"            // the host ended by itself in mid-run
	KindTime           Kind = "time"            // time stamps out of order
	KindTimeOff        Kind = "time-off"        // time stamps outside the run
)

// Finding is one disagreement between the records and the ledger.
type Finding struct {
	Kind     Kind          `json:"kind"`
	Gauge    string        `json:"gauge,omitempty"`
	Channel  string        `json:"channel,omitempty"`
	At       time.Duration `json:"at-ns"`           // since the scenario's start, as far as known
	Frame    int           `json:"frame,omitempty"` // the frame's ID in the ledger, 0 for none
	Bytes    ledger.Hex    `json:"bytes,omitempty"` // of the frame
	Expected string        `json:"expected"`
	Got      string        `json:"got"`
	Record   *Record       `json:"-"`                 // the host's row, nil for none
	Rule     string        `json:"rule,omitempty"`    // why it is expected
	Cause    string        `json:"cause,omitempty"`   // name; empty: none is known
	Pattern  int           `json:"pattern,omitempty"` // one more than its index in Result.Patterns; 0 for none
}

// Explanation is a cause that was named, which no row of the run contradicts, and
// what speaks for it.
type Explanation struct {
	cause.Cause
	Explains int      `json:"explains"`       // findings
	Left     int      `json:"left,omitempty"` // findings alike in kind and gauge that nothing explains
	Rivals   []Rival  `json:"rivals,omitempty"`
	Or       []string `json:"or,omitempty"` // sentences that fit all of these rows too
}

// Rival is another cause that explains as much and that no row contradicts; Same when
// its host would have left the same records.
type Rival struct {
	Name string `json:"name"`
	Same bool   `json:"is-equal,omitempty"`
}

// Counts sums up a run.
type Counts struct {
	Frames    int          `json:"frames"`    // that the host was given, intact
	Spoilt    int          `json:"corrupted"` // that reached it damaged
	Perhaps   int          `json:"perhaps"`   // that it may not have read
	Unheard   int          `json:"unheard"`   // that were lost on the way: link, full or closed port
	Expected  int          `json:"expected"`  // rows that have to be there
	Records   int          `json:"records"`   // rows the host wrote
	Paired    int          `json:"paired"`    // rows that answer to an expected one
	Findings  int          `json:"findings"`  // also those not listed
	ByKind    map[Kind]int `json:"-"`
	Explained int          `json:"-"`
}

// Result of judging a run.
type Result struct {
	Verdict      Verdict       `json:"verdict"`
	Reasons      []string      `json:"reasons,omitempty"`      // why it could not be decided
	Findings     []Finding     `json:"findings,omitempty"`     // at most so many of each kind as the budget of the context says, in order of time
	Explanations []Explanation `json:"explanations,omitempty"` // the one that explains most first
	Patterns     []Pattern     `json:"patterns,omitempty"`     // of findings without a cause
	Unexplained  int           `json:"unexplained"`            // findings that neither a cause nor a pattern explains
	NotJudged    []string      `json:"notJudged,omitempty"`
	// Coverage is what the run could have shown; nil where it was not worked out.
	Coverage *Coverage `json:"coverage,omitempty"`
	// Searched says what part of a long run causes were looked for in; empty: all.
	Searched string `json:"searched,omitempty"`
	// Tail says that all findings are rows that are missing after the last of their
	// gauge that is there: the host may have been about to record them.
	Tail bool `json:"-"`
	// First is when the host was given the first of what it recorded; where it recorded
	// nothing that was due, the end of time.
	First  time.Duration `json:"-"`
	Counts Counts        `json:"counts"`
}

// Forget takes back what the findings are put down to.
func (r *Result) Forget() {
	r.Explanations, r.Patterns, r.Unexplained, r.Counts.Explained = nil, nil, r.Counts.Findings, 0
	for i := range r.Findings {
		r.Findings[i].Cause, r.Findings[i].Pattern = "", 0
	}
}

// Judge judges a run by its ledger and the host's records, which come in the
// order they were written.
func Judge(spec Spec, entries []ledger.Entry, records []Record) Result {
	return JudgeSeq(context.Background(), spec, slices.Values(entries), records)
}

// JudgeSeq is Judge for a ledger too long to hold. When the context ends it says
// what is known so far, and that the rest is not.
func JudgeSeq(ctx context.Context, spec Spec, entries iter.Seq[ledger.Entry], records []Record) Result {
	if spec.Resolution.Sign() <= 0 {
		return Result{Verdict: Error, Reasons: []string{"the host's resolution is not stated, or not above 0"}}
	}
	j := newJudging(ctx, &spec, entries, records)
	if j.ended() {
		return Result{Verdict: Inconclusive, Reasons: []string{cutShort}}
	}
	return j.result()
}

func newJudging(ctx context.Context, spec *Spec, entries iter.Seq[ledger.Entry], records []Record) *judging {
	j := &judging{Spec: spec, ctx: ctx, records: records, seed: maphash.MakeSeed()}
	j.observe(entries)
	if !j.ended() {
		j.index()
	}
	return j
}

// judging is the state of one judgement.
type judging struct {
	*Spec
	ctx     context.Context // of the one judgement
	records []Record
	names   map[string]int                                      // gauge by name
	paths   []string                                            // of the gauges' ports when first opened
	called  func(c int, own *cause.Channel, name string) string // what a name in the records stands for; nil: itself
	ends    []end                                               // of the host in mid-run
	quit    *ledger.Entry                                       // it ended by itself,
	away    *cause.Gauge                                        // while the port of this one was away
	cut     bool                                                // the ledger has no end
	width   int
	h       cause.History
	counts  Counts
	reasons []string

	unmapped []int32 // records whose event word means nothing
	rows     []row
	readings [][]int32 // indices of rows by stream
	events   [][]int32 // by gauge
	loose    []diff    // disagreements that no alignment changes
	times    []diff
	timed    int // readable rows with a time
	seed     maphash.Seed
	numbered bool // some row has a tag number
	byValue  bool // rows are identified by their values rather than by their tag numbers
}

// cutShort is why a judgement that was ended decides nothing.
const cutShort = "the judging was ended before it had looked at all"

// ended reports whether the judgement is to end.
func (j *judging) ended() bool { return j.ctx != nil && j.ctx.Err() != nil }

func (j *judging) result() Result {
	if len(j.unmapped) > 0 {
		return Result{Verdict: Inconclusive, Reasons: j.unmappedWords(), NotJudged: j.notJudged(), Counts: j.counts}
	}
	if j.cut { // what the host went on to record would seem made up
		return Result{Verdict: Inconclusive, Reasons: j.reasons, NotJudged: j.notJudged(), Counts: j.counts}
	}
	base, ex := j.diagnose()
	res := Result{Counts: j.counts, Reasons: j.reasons, NotJudged: j.notJudged()}
	res.Counts.Records = len(j.records)
	res.Counts.Expected, res.Counts.Paired = base.expected, base.paired
	res.Counts.Findings = len(base.diffs)
	if len(base.diffs) > 0 {
		res.Verdict = Fail
		res.Tail, res.First, res.Patterns = ex.tail, j.first(base), ex.patterns
		res.Explanations, res.Unexplained, res.Searched = ex.named, ex.unexplained, ex.searched
		res.Counts.Explained = len(base.diffs) - ex.unexplained
		res.Counts.ByKind = map[Kind]int{}
		res.Findings = j.findings(base, ex, res.Counts.ByKind)
	} else if len(j.reasons) > 0 {
		res.Verdict = Inconclusive
	}
	return res
}

// numberComesAgain reports whether two tags of a gauge have the same number.
func (j *judging) numberComesAgain() bool {
	type number struct {
		gauge uint16
		tag   int64
	}
	came := map[number]bool{}
	for i := range j.h.Seen {
		s := &j.h.Seen[i]
		if s.What != cause.Frame || !s.Numbered || s.Repeat {
			continue
		}
		n := number{s.Gauge, s.Tag}
		if came[n] {
			return true
		}
		came[n] = true
	}
	return false
}

// tail reports whether nothing is wrong but that rows are missing, none of which is
// followed by one of its gauge that is there.
func (j *judging) tail(base *outcome) bool {
	last := make([]int32, len(j.Gauges))
	for _, s := range base.streams {
		for i, k := range s.match {
			if seen := s.wants[i].Seen; k >= 0 && seen >= 0 {
				g := j.h.Seen[seen].Gauge
				last[g] = max(last[g], seen)
			}
		}
	}
	for i := range base.diffs {
		d := &base.diffs[i]
		missing := d.kind == KindLost || d.kind == KindTagLost || d.kind == KindEventMissing
		if !missing || d.want == nil || d.want.Seen < 0 || d.want.Seen < last[j.h.Seen[d.want.Seen].Gauge] {
			return false
		}
	}
	return true
}

// first is when the host was given the first of what it recorded.
func (j *judging) first(base *outcome) time.Duration {
	at := time.Duration(math.MaxInt64)
	for _, s := range base.streams {
		for i, k := range s.match {
			if seen := s.wants[i].Seen; k >= 0 && seen >= 0 {
				at = min(at, j.h.Seen[seen].At)
			}
		}
	}
	return at
}

// diagnose compares the records with the rows of a correct host and explains what
// differs. A tag number identifies a row more surely than its value does; where much is
// left so, the rows are identified by their values instead: the numbers may be what is
// wrong.
func (j *judging) diagnose() (*outcome, explained) {
	base := j.test(nil)
	if len(base.diffs) == 0 {
		return base, explained{}
	}
	tail := j.tail(base)
	ex := j.explain(base)
	ex.tail = tail
	j.patterns(base, &ex)
	if ex.unexplained == 0 || rowsWrong(base) < leastByValue || j.ended() {
		return base, ex
	}
	j.byValue = true
	if other := j.test(nil); rowsWrong(other) <= rowsWrong(base)*5/4 {
		by := j.explain(other)
		if j.patterns(other, &by); by.unexplained < ex.unexplained && len(by.named)+len(by.patterns) <= len(ex.named)+len(ex.patterns)+1 {
			return other, by
		}
	}
	j.byValue = false
	return base, ex
}

// leastByValue rows are wrong before they are identified by their values.
const leastByValue = 3

// rowsWrong counts the rows that disagree.
func rowsWrong(o *outcome) (n int) {
	for i := range o.diffs {
		if !o.diffs[i].more {
			n++
		}
	}
	return n
}

// unmappedWords says what nobody has said the meaning of: such rows may be readings
// or none, so nothing can be decided.
func (j *judging) unmappedWords() (why []string) {
	j.counts.Records = len(j.records)
	rows := map[string][]int32{}
	var words []string
	for _, i := range j.unmapped {
		w := j.records[i].Kind
		if rows[w] == nil {
			words = append(words, w)
		}
		rows[w] = append(rows[w], i)
	}
	for _, w := range words {
		n, one := "", &j.records[rows[w][0]]
		if more := len(rows[w]) - 1; more > 0 {
			n = fmt.Sprintf(" and %d more", more)
		}
		why = append(why, fmt.Sprintf("row %d%s: unknown event word %q: map it under events in the host description, as reading, or as ignored if it says nothing that is judged", one.Row, n, w))
	}
	return append(why, j.reasons...)
}

// notJudged lists what the host does not claim.
func (j *judging) notJudged() (out []string) {
	for _, a := range cause.Aspects() {
		switch {
		case slices.Contains(j.Untold, a):
			out = append(out, string(a)+": no frame of the scenario says it")
		case !j.Claimed(a):
			out = append(out, string(a)+": the host does not claim it")
		}
	}
	if at := j.AtLine; at.Reads > 0 && !j.RealTime {
		out = append(out, "how soon bytes are read: at pace drain time waits for the host")
	}
	if (!j.RealTime || j.Speed > 0 && j.Speed != 1) && j.Claimed(cause.Tag) && j.numberComesAgain() {
		what := "the window on repeated tag numbers"
		if j.Speed > 0 {
			what = "numbers that come again within the window by the host's clock and after it by the scenario's"
		}
		out = append(out, what+": at this pace the host's clock is not the scenario's")
	}
	if j.All && slices.ContainsFunc(j.h.Seen, func(s cause.Seen) bool { return s.Asked }) {
		out = append(out, "readings that the host asked for: they may be recorded, and none is due")
	}
	for g := range j.Gauges {
		if at := j.AtLine; (at.DTR != nil || at.RTS != nil || at.Breaks != nil) && !j.Gauges[g].Shows {
			out = append(out, "control lines and breaks of "+j.Gauges[g].Name+": its port does not show them")
		}
		if j.Claimed(cause.Line) && j.Gauges[g].Line != "" && j.h.Gauges[g].Opened && j.h.Gauges[g].Line == "" {
			out = append(out, "serial line of "+j.Gauges[g].Name+": the port does not tell what the host asked for")
		}
	}
	return out
}
