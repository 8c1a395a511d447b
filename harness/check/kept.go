package check

import (
	"context"
	"errors"
	"os"
	"path/filepath"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/process"
	"example.org/understudy/harness/records"
)

// Kept is a host that is kept from one check to the next, as its description
// allows: give the same one to each check, one check at a time. Close ends it.
type Kept struct {
	Folder string // where the host starts, {run} for its command; made if it is not there

	host *process.Process
	stop process.Ask
	runs int
}

// Runs is how many checks the host that is kept now has seen.
func (k *Kept) Runs() int { return k.runs }

// Close ends the host, if there is one. The next check starts it anew.
func (k *Kept) Close() {
	if k.host != nil {
		k.host.Stop(k.stop)
	}
	k.host, k.runs = nil, 0
}

// alive is the host, if it still runs.
func (k *Kept) alive() *process.Process {
	if k == nil || k.host == nil {
		return nil
	}
	if _, ended := k.host.Exit(); ended {
		k.Close()
	}
	return k.host
}

// start starts the host, or takes the one that was kept, and tells it of the
// run. again reports whether it was kept.
func (r *run) start(ctx context.Context) (host program, again bool, err error) {
	if r.Func != nil {
		return r.call(ctx), false, nil
	}
	return r.spawn(ctx)
}

func (r *run) spawn(ctx context.Context) (host *process.Process, again bool, err error) {
	host = r.Kept.alive()
	if again = host != nil; !again {
		spec, err := r.command()
		if err != nil {
			return nil, false, err
		}
		r.say("starting the host")
		life := ctx
		if r.Kept != nil {
			life = context.WithoutCancel(ctx) // until Close
		}
		if host, err = process.Start(life, spec); err != nil {
			return nil, false, err
		}
	}
	if r.Kept != nil {
		r.Kept.host, r.Kept.stop = host, r.ask()
		r.Kept.runs++
	}
	return host, again, nil
}

// begin tells a host that is told of each run of this one.
func (r *run) begin(ctx context.Context, p program) error {
	host, spawned := p.(*process.Process)
	if !spawned || r.Host.Many == nil || r.Host.Many.Begin == "" {
		return nil
	}
	line, err := r.places.Expand(r.Host.Many.Begin)
	if err != nil {
		return err
	}
	if r.Host.Ready.Pattern != nil {
		host.Expect(r.Host.Ready.Pattern)
	}
	ctx, cancel := context.WithTimeout(ctx, r.Host.Ready.Within.D())
	defer cancel()
	return host.Say(ctx, line)
}

// ask is how the host is asked to end.
func (r *run) ask() process.Ask {
	return process.Ask{Signal: string(r.Host.Stop.Signal), Line: r.Host.Stop.Says, Grace: r.Host.Stop.Grace.D()}
}

// finish ends the run at the host, and the host too where it is not kept. One
// that does not end the run when it is told to is killed.
func (r *run) finish(p program) process.Exit {
	host, spawned := p.(*process.Process)
	if m := r.Host.Many; spawned && m != nil && m.End != "" {
		ctx, cancel := context.WithTimeout(context.Background(), r.Host.Stop.Grace.D())
		defer cancel()
		if m.EndedPattern != nil {
			host.Expect(m.EndedPattern)
		}
		err := host.Say(ctx, m.End)
		if err == nil && m.EndedPattern != nil {
			err = host.Await(ctx, process.Ready{Line: true})
		}
		if err != nil {
			_, ended := host.Exit()
			exit := host.Stop(process.Ask{Signal: "kill"})
			exit.Killed = exit.Killed || !ended
			return exit
		}
	}
	if r.Kept != nil {
		return process.Exit{}
	}
	return p.Stop(r.ask())
}

// output is the file that keeps what the host prints.
func (r *run) output(name string) string {
	if r.Kept != nil {
		return filepath.Join(r.Kept.Folder, name)
	}
	return filepath.Join(r.Run, name)
}

// written is how many records there are now, of runs before this one too.
func (r *run) written(ctx context.Context) int {
	file, err := r.recordsFile(r.places)
	if err != nil {
		return 0 // the judge will say so
	}
	if _, err := os.Stat(file); err != nil && r.Database == nil {
		return 0
	}
	recs, _, err := r.read(ctx, file)
	if err != nil {
		return 0 // they may become whole yet
	}
	return len(recs)
}

// read reads the host's records, and what is left out of them.
func (c *Check) read(ctx context.Context, file string) (recs []records.Record, left records.Left, err error) {
	d := c.Host.Records
	if d.Form != hostfile.SQL && !d.Form.Server() {
		return records.Read(ctx, d, c.opener(), file)
	}
	var t records.Table
	switch {
	case c.Database == nil && c.from == nil && d.Form == hostfile.SQL:
		return nil, left, errors.New("they are in a database that only a Go test can hand over (harness.Case)")
	case c.Database == nil:
		t, err = records.ReadKept(c.opener(), c.Run)
	case d.Form == hostfile.SQL:
		t, err = records.Fetch(ctx, c.Database, d.Select())
	default:
		t, err = records.Ask(ctx, c.Database, d)
	}
	if err == nil && c.Database != nil {
		err = t.Keep(c.Run)
	}
	if err != nil {
		return nil, left, err
	}
	return t.Records(d)
}

// recordsFile is where the host's records are.
func (c *Check) recordsFile(p hostfile.Places) (string, error) {
	if f := c.Host.Records.File; f != "" {
		return p.Expand(f)
	}
	return p.Records, nil
}

// ofThisRun leaves out the records of earlier runs, and what a host that goes on
// notes between two runs: that the ports went away with the one before and are
// back.
func (c *Check) ofThisRun(recs []records.Record, m meta) []records.Record {
	if m.Earlier <= len(recs) { // else they begin anew
		recs = recs[m.Earlier:]
	}
	if m.Upto == nil {
		return recs
	}
	recs = recs[:min(*m.Upto, len(recs))]
	type note struct{ gauge, kind string }
	noted := map[note]bool{}
	for len(recs) > 0 {
		r := judge.Record(recs[0])
		n := note{r.Gauge, r.Kind}
		if n.kind != "link-lost" && n.kind != "link-back" || noted[n] || r.HasTime && !r.Time.Before(m.Plays) {
			break
		}
		noted[n] = true
		recs = recs[1:]
	}
	return recs
}
