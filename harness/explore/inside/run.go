package inside

import (
	"context"
	"fmt"
	"slices"
	"time"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/records"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

// settle is how long, on the timeline, a host may still work on what it has
// read before it is asked to stop.
const settle = 50 * time.Millisecond

// patience is how long, in real time, the stage looks at a port that the host
// does not read. The host is not running then, so it need not be long.
const patience = 50 * time.Microsecond

// Begun is what the host's clock shows at the start of a run.
var Begun = time.Date(2026, time.January, 1, 0, 0, 0, 0, time.UTC)

// Run is what came of one run.
type Run struct {
	judge.Result
	Spec    judge.Spec
	Entries []ledger.Entry
	Records []judge.Record
	Wrote   []byte // the records as the host wrote them
}

// Do plays a scenario against a host and judges its records. The error says
// what is wrong with the host as a program, or that ctx is done; the run is then as
// far as it went.
func Do(ctx context.Context, s *scenario.Scenario, host Host) (*Run, error) {
	w := &World{Dialects: map[string]*wire.Dialect{}}
	life := &restarter{w: w, ctx: ctx, host: host}
	dialects := map[string]string{}
	for name, d := range s.Dialects {
		w.Dialects[name] = d.Dialect
		dialects[name] = name
	}
	inbox := stage.NewInbox()
	var ports []port.Port
	var paths []string
	var st *stage.Stage
	clock := func() time.Duration {
		if st == nil {
			return 0
		}
		return st.Now()
	}
	for i := range s.Gauges {
		g := &gaugePort{w: w, name: s.Gauges[i].Name, kind: s.Gauges[i].Port, sink: inbox.Sink(i), clock: clock, up: true}
		w.ports = append(w.ports, g)
		ports = append(ports, g)
		paths = append(paths, g.name)
	}
	w.places = paths
	var err error
	if w.Job, err = check.JobFor(s, paths, dialects, "records"); err != nil {
		return nil, err
	}
	r := &Run{Spec: paper.Spec(s)}
	r.Spec.RealTime = true // the host's clock is the timeline
	r.Spec.Begun, r.Spec.Ended = Begun, Begun.Add(s.Play.Until+time.Second)
	st, err = stage.New(s.Play, stage.Options{Ports: ports, Inbox: inbox, Pace: stage.Drain, Patience: patience, Host: life,
		Keep: func(e ledger.Entry) { r.Entries = append(r.Entries, e) }})
	if err != nil {
		return nil, err
	}
	w.Ready = func() { life.ready = true }
	w.looked = life.looked
	life.begin()
	defer w.end()
	for turn := 0; !life.ready; turn++ {
		w.settle()
		if err := serve(ctx, st); err != nil {
			return r, err
		}
		if w.err != nil {
			return r, w.err
		}
		if turn > patient {
			r.Verdict, r.Reasons = judge.Inconclusive, []string{errNotReady.Error()}
			return r, nil
		}
	}
	if err := st.Run(ctx); err != nil {
		return r, err
	}
	w.at(w.now + settle)
	w.end()
	if err := serve(ctx, st); err != nil {
		return r, err
	}
	if w.err != nil {
		return r, w.err
	}
	if err := st.Finish("the timeline ended"); err != nil {
		return r, err
	}
	r.Wrote = slices.Clone(w.Records.Bytes())
	if r.Records, err = records.Parse(hostfile.Records{Form: hostfile.CSV}, &w.Records); err != nil {
		return r, fmt.Errorf("the host's records: %w", err)
	}
	r.Result = judge.Judge(r.Spec, r.Entries, r.Records)
	return r, nil
}

// serve has the stage take what the host has done, without time going on.
func serve(ctx context.Context, st *stage.Stage) error {
	at := make(chan error, 1)
	at <- nil
	return st.Prelude(ctx, at)
}
