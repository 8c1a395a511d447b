// Package explore lets the machine find the scenarios that break a host: it
// plays a covering array of everything that varies, then random timelines,
// and makes what breaks the host as small as it can.
package explore

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"runtime"
	"sort"
	"strings"
	"sync"
	"time"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/shard"
	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/scenario/generate/cover"
	"example.org/understudy/sim/motion/noise"
)

// Runner plays a scenario against a host and judges its records. The error is
// for what stops the exploring; a host that breaks is a Result.
type Runner interface {
	// Its folder, where it is kept, has that name.
	Play(ctx context.Context, s *scenario.Scenario, name string) (Played, error)
	// Confirm plays a scenario once more, at a timed pace, where timing could have
	// made what was found in it. What does not show again is inconclusive.
	Confirm(ctx context.Context, s *scenario.Scenario, p Played) (Played, error)
	// Workers is how many scenarios may be played at a time.
	Workers() int
}

// Played is what came of a scenario.
type Played struct {
	judge.Result
	Folder   string // where the run is kept, if it is; who plays removes it or names it
	NotReady bool   // the host did not become ready

	outcome *check.Outcome
	again   bool // it was played twice, and what is in Result shows again
}

// discard removes what is kept of a run.
func (p *Played) discard() error {
	if p.Folder == "" {
		return nil
	}
	return os.RemoveAll(p.Folder)
}

// Unclear is a run without a verdict.
type Unclear struct {
	Run     int
	Reasons []string
	Folder  string // its scenario, ledger, records, and what the host printed
}

// Options of an exploration.
type Options struct {
	Runner   Runner
	Dialects scenario.Source
	Strength int    // of the covering array; 0 means 2
	Seed     uint64 // of all chance
	// Only keeps factors to some of their levels, such as the dialects that the
	// host speaks (generate.Only).
	Only   map[string][]string
	Shard  shard.Shard   // the part of the work that is done; zero: all
	Host   string        // what the host is called, for the results
	Budget time.Duration // real time; 0 means until Runs are done
	Runs   int           // scenarios at most; 0 means until Budget is used up
	Run    int           // play this run alone, from 1, and keep its folder; 0: all
	// Enough, if set, says after each cause that is found whether to stop.
	Enough   func(*Found) bool
	NoShrink bool
	Found    func(*Found)   // may be nil; is told each cause once
	Unclear  func(Unclear)  // may be nil; is told each run without a verdict
	Kept     func(Played)   // may be nil; is told what came of Run
	Progress func(Progress) // may be nil
	Log      io.Writer      // may be nil; takes the results as JSON Lines
}

// Progress is how far an exploration is.
type Progress struct {
	Runs, Rows int // scenarios played; rows of the array among them
	AllRows    int // rows to be played
	Tuples, Of int // combinations run, of those that are possible
	Causes     int
	Took, Left time.Duration // Left is of the budget, or as long as the runs that are left will take
	Shrinking  string        // the cause being made small; empty: none
	Tried      int           // scenarios played to make it small
	NoVerdict  int           // runs without one
	Skipped    int           // runs that ask for what the host does not claim
}

// Found is a cause with the smallest scenario that shows it.
type Found struct {
	Cause  string // name in the catalogue, or "unexplained" with the kinds of finding
	Code   string
	Looks  string
	First  *scenario.File // as it was generated
	Small  *scenario.File // as it was shrunk
	Text   []byte         // of Small, with a comment
	Run    int            // which scenario found it, from 1; the same whatever the shard
	After  time.Duration  // real time from the start
	Tried  int            // scenarios played to shrink it
	Steady bool           // it showed whenever it was played again
}

// Summary is what an exploration came to.
type Summary struct {
	Progress
	Found      []*Found
	Impossible []cover.Impossible
	Array      *cover.Array
	Coverage   *cover.Coverage
	Why        []string // of runs without a verdict, each once
	Stopped    bool     // before the work was done
	NeverReady bool     // that is because the host was not ready twice, and never was
}

// Combinations is a table of every combination of levels, with a header: the
// combination, whether it was run, not run or is impossible, and why that is.
func (s *Summary) Combinations() [][]string {
	table := [][]string{{"combination", "was", "why"}}
	open := map[string]bool{}
	for _, words := range s.Coverage.Open() {
		open[words] = true
	}
	for _, words := range s.Array.Words() {
		was := "run"
		if open[words] {
			was = "not run"
		}
		table = append(table, []string{words, was, ""})
	}
	for _, im := range s.Impossible {
		table = append(table, []string{s.Array.Plan.Words(im.Tuple), "impossible", strings.Join(im.Why, "; ")})
	}
	return table
}

// item is one scenario to be played.
type item struct {
	n    int // of all scenarios of the exploration, from 1
	file *scenario.File
	row  []int // of the covering array; nil: random
	seed uint64

	played Played
	err    error
}

// Explore explores until the budget or the runs are used up, or ctx is done;
// what was found until then is in the summary.
func Explore(ctx context.Context, o Options) (*Summary, error) {
	if o.Strength == 0 {
		o.Strength = 2
	}
	o.Shard = o.Shard.Of()
	if o.Shard.K < 1 || o.Shard.K > o.Shard.N {
		return nil, fmt.Errorf("shard %v is not one of %d", o.Shard, o.Shard.N)
	}
	if o.Budget == 0 && o.Runs == 0 && o.Run == 0 {
		return nil, fmt.Errorf("an exploration needs a budget of time or of runs")
	}
	array, err := arrayOf(o.Strength, o.Seed, o.Only)
	if err != nil {
		return nil, err
	}
	e := &explorer{Options: o, began: time.Now(), array: array, known: map[string]bool{}}
	e.sum = &Summary{Impossible: array.Impossible, Array: array, Coverage: array.Coverage()}
	e.sum.Of = array.Possible
	for i := range array.Rows {
		if o.Shard.Mine(i) {
			e.sum.AllRows++
		}
	}
	e.log(line{Kind: "start", Version: Version, Seed: o.Seed, Strength: o.Strength, Only: o.Only, Shard: &o.Shard, Host: o.Host,
		Possible: array.Possible, Impossible: impossibleWords(array)})
	err = e.explore(ctx)
	e.progress("", 0)
	e.log(line{Kind: "end", Runs: e.sum.Runs, TookMS: e.sum.Took.Milliseconds(), Tuples: e.sum.Tuples, Stopped: e.sum.Stopped})
	if e.logErr != nil && err == nil {
		err = fmt.Errorf("the results: %w", e.logErr)
	}
	return e.sum, err
}

// arrayOf is the covering array of an exploration.
func arrayOf(strength int, seed uint64, only map[string][]string) (*cover.Array, error) {
	plan, err := generate.Only(generate.Plan(strength, seed), only)
	if err != nil {
		return nil, err
	}
	array, err := cover.Make(plan)
	if err != nil && len(only) > 0 {
		err = fmt.Errorf("with these levels only: %w", err)
	}
	return array, err
}

type explorer struct {
	Options
	began  time.Time
	array  *cover.Array
	known  map[string]bool
	sum    *Summary
	whole  context.Context // without the budget's end
	logErr error

	ready   bool // the host has been ready once
	unready int
}

// at makes the i-th scenario: first the rows of the array, then random ones.
// It is the same whatever the shard.
func (e *explorer) at(i int) *item {
	if i < len(e.array.Rows) {
		seed := noise.Split(e.Seed, "row", fmt.Sprint(i))
		return &item{n: i + 1, file: generate.FromRow(&e.array.Plan, e.array.Rows[i], seed), row: e.array.Rows[i], seed: seed}
	}
	seed := noise.Split(e.Seed, "random", fmt.Sprint(i-len(e.array.Rows)))
	return &item{n: i + 1, file: generate.RandomFrom(&e.array.Plan, seed), seed: seed}
}

func (e *explorer) explore(ctx context.Context) error {
	e.whole = ctx
	if e.Budget > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithDeadline(ctx, e.began.Add(e.Budget))
		defer cancel()
	}
	batch := 1
	if n := e.Runner.Workers(); n > 1 {
		batch = 8 * n
	}
	next := 0
	if e.Run > 0 {
		next, e.Runs = e.Run-1, 1
	}
	for e.Runs == 0 || e.sum.Runs < e.Runs {
		var items []*item
		for len(items) < batch && (e.Runs == 0 || e.sum.Runs+len(items) < e.Runs) {
			if e.Shard.Mine(next) {
				items = append(items, e.at(next))
			}
			next++
		}
		e.play(ctx, items)
		for _, it := range items {
			if ctx.Err() != nil {
				e.sum.Stopped = e.sum.Runs < e.sum.AllRows || e.Runs > 0
				return nil
			}
			if it.err != nil {
				return it.err
			}
			enough, err := e.took(it)
			if err != nil {
				return err
			}
			if enough {
				e.sum.Stopped = true
				return nil
			}
		}
		e.progress("", 0)
	}
	return nil
}

// play plays scenarios, several at a time.
func (e *explorer) play(ctx context.Context, items []*item) {
	var all sync.WaitGroup
	turn := make(chan struct{}, max(1, e.Runner.Workers()))
	for _, it := range items {
		turn <- struct{}{}
		all.Go(func() {
			defer func() { <-turn }()
			if it.err = ctx.Err(); it.err == nil {
				it.played, it.err = e.one(ctx, it.file, fmt.Sprintf("run-%d", it.n))
			}
		})
	}
	all.Wait()
}

// one plays a scenario as it would stand in a file.
func (e *explorer) one(ctx context.Context, f *scenario.File, name string) (Played, error) {
	s, err := scenario.Parse("generated", scenario.Marshal(f, ""), e.Dialects)
	if err != nil {
		return Played{}, fmt.Errorf("a generated scenario is wrong, which is a mistake of this program: %w\n%s", err, scenario.Marshal(f, ""))
	}
	return e.Runner.Play(ctx, s, name)
}

func (e *explorer) words(row []int) map[string]string {
	if row == nil {
		return nil
	}
	return generate.Row(&e.array.Plan, row)
}

func (e *explorer) progress(shrinking string, tried int) {
	p := &e.sum.Progress
	p.Took, p.Shrinking, p.Tried = time.Since(e.began), shrinking, tried
	if e.Runs > 0 && p.Runs > 0 {
		p.Left = time.Duration(float64(p.Took) / float64(p.Runs) * float64(max(0, e.Runs-p.Runs)))
	}
	if e.Budget > 0 && (p.Left == 0 || p.Left > e.Budget-p.Took) {
		p.Left = max(0, e.Budget-p.Took)
	}
	if e.Progress != nil {
		e.Progress(*p)
	}
}

// Causes names what a result found: the causes that explain it, the kinds of
// finding that nothing explains, or host-failed for a host that broke as a
// program.
func Causes(r *judge.Result) (names []string) {
	switch r.Verdict {
	case judge.Error:
		return []string{"host-failed"}
	case judge.Inconclusive, judge.Skipped:
		return nil
	}
	for _, ex := range r.Explanations {
		names = append(names, ex.Cause.Name)
	}
	if r.Unexplained > 0 {
		kinds := map[string]bool{}
		for _, f := range r.Findings {
			if f.Cause == "" {
				kinds[string(f.Kind)] = true
			}
		}
		var sorted []string
		for k := range kinds {
			sorted = append(sorted, k)
		}
		sort.Strings(sorted)
		names = append(names, "unexplained "+strings.Join(sorted, " "))
	}
	return names
}

// Version of the results' form.
const Version = 2

// line is one line of the results.
type line struct {
	Kind       string              `json:"explore"` // start, run, found, end
	Version    int                 `json:"version,omitempty"`
	Seed       uint64              `json:"seed,omitempty"`
	Strength   int                 `json:"strength,omitempty"`
	Only       map[string][]string `json:"only,omitempty"`
	Shard      *shard.Shard        `json:"shard,omitempty"`
	Host       string              `json:"host,omitempty"`
	Possible   int                 `json:"possible,omitempty"`
	Impossible []impossible        `json:"impossible,omitempty"`
	Run        int                 `json:"run,omitempty"`
	Levels     map[string]string   `json:"levels,omitempty"`
	Verdict    string              `json:"verdict,omitempty"`
	Causes     []string            `json:"causes,omitempty"`
	Reasons    []string            `json:"reasons,omitempty"`
	Cause      string              `json:"cause,omitempty"`
	Code       string              `json:"code,omitempty"`
	Tried      int                 `json:"tried,omitempty"`
	Steady     bool                `json:"steady,omitempty"`
	Cues       int                 `json:"cues,omitempty"`
	Gauges     int                 `json:"gauges,omitempty"`
	Scenario   string              `json:"scenario,omitempty"`
	Runs       int                 `json:"runs,omitempty"`
	Tuples     int                 `json:"tuples,omitempty"`
	TookMS     int64               `json:"took-ms,omitempty"`
	Stopped    bool                `json:"stopped,omitempty"`
}

type impossible struct {
	Tuple string   `json:"tuple"`
	Why   []string `json:"why"`
}

func impossibleWords(a *cover.Array) (all []impossible) {
	for _, im := range a.Impossible {
		all = append(all, impossible{a.Plan.Words(im.Tuple), im.Why})
	}
	return all
}

func (e *explorer) log(l line) {
	if e.Options.Log == nil || e.logErr != nil {
		return
	}
	b, err := json.Marshal(l)
	if err == nil {
		_, err = e.Options.Log.Write(append(b, '\n'))
	}
	e.logErr = err
}

// workers is how many hosts inside run at a time.
func workers() int { return runtime.GOMAXPROCS(0) }
