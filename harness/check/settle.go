package check

import (
	"context"
	"os"
	"path/filepath"
	"time"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/process"
	"example.org/understudy/sim/stage"
)

// A host is given, at the end of a run, the time to record what it was given.
const (
	// glance is how long a host is still at least, before its records are looked at.
	glance = 10 * time.Millisecond
	// unseen is the same where its threads cannot be seen.
	unseen = 50 * time.Millisecond
	// tailFor is how long the last rows are waited for while nothing happens, where the
	// host description does not say when they come.
	tailFor = 2 * time.Second
	// workMost is how long a host that goes on recording is waited for.
	workMost = 30 * time.Second
)

// signs is what can be seen of the host besides its ports.
func (r *run) signs(all bool) (s stage.Signs) {
	p := r.life.process()
	if p != nil {
		s.Working = p.Working()
	}
	if all {
		s.Holds = p != nil && p.Holds(r.devices())
		s.Records = stampOf(r.recordsAt())
	}
	return s
}

// recordsAt is the file that the records go to, as far as there is one.
func (r *run) recordsAt() string {
	if r.endpoint != nil {
		return filepath.Join(r.Run, recordsName(hostfile.HTTP))
	}
	file, err := r.recordsFile(r.places)
	if err != nil {
		return ""
	}
	return file
}

// stamp is how a records file stands: it and what SQLite keeps beside it.
type stamp [3]struct{ size, changed int64 }

func stampOf(file string) (s stamp) {
	for i, beside := range []string{"", "-wal", "-journal"} {
		if info, err := os.Stat(file + beside); err == nil {
			s[i].size, s[i].changed = info.Size(), info.ModTime().UnixNano()
		}
	}
	return s
}

// conclude waits, after the timeline, until the host has recorded what it was given: at
// once where its records are right, else until it has been still for as long as its
// description gives it, or longer where only the last rows are missing. It reports
// whether the host was still recording when it was waited for no longer.
func (r *run) conclude(ctx context.Context) (unsettled bool) {
	if r.Host.Many != nil && r.Host.Many.EndedPattern != nil {
		return false // it says itself when its records are complete
	}
	within, tail := r.Host.Commits(), tailFor
	if r.Host.CommitsWithin > 0 {
		tail = max(8*within, 4*unseen)
	}
	least := min(glance, within)
	if r.life.process() == nil {
		least = unseen
	}
	began := time.Now()
	var rest stage.Rest
	unread := r.unread()
	var looked any // the records that were looked at
	for ctx.Err() == nil && !r.life.ended() {
		wait(ctx, 2*time.Millisecond)
		now, left := r.signs(true), r.unread()
		still := rest.See(time.Now(), now, left != unread)
		unread = left
		if time.Since(began) > workMost {
			return true
		}
		if still < least || still < within && now.Records == looked {
			continue
		}
		if left > 0 && still < tail {
			continue
		}
		if r.Host.CommitsWithin > 0 && still >= max(within, least) && still < tail && looked == nil {
			return false // as it claims
		}
		if now.Records != looked {
			looked = now.Records
			switch res, ok := r.soFar(ctx); {
			case ok && res.Verdict == judge.Pass:
				return false
			case !ok || !res.Tail:
				tail = within
			}
		}
		if still >= tail {
			return false
		}
	}
	return false
}

// unread is how many bytes the host has not read of what was given to it.
func (r *run) unread() (all int) {
	for _, p := range r.Ports.Ports {
		if n, _ := p.Unread(); p.Open() {
			all += n
		}
	}
	return all
}

// most is how large a ledger is judged while a run is not over.
const mostSoFar = 4 << 20

// soFar judges what there is; ok is false where it cannot.
func (r *run) soFar(ctx context.Context) (res judge.Result, ok bool) {
	file := filepath.Join(r.Run, ledgerFile)
	if info, err := os.Stat(file); err != nil || info.Size() > mostSoFar {
		return res, false
	}
	out := &Outcome{Check: r.Check}
	var err error
	if out.Entries, out.Every, err = r.readLedger(ctx, MostHeld); err != nil {
		return res, false
	}
	return out.Result, r.unfinished(ctx, out, time.Now())
}

// process is the host, where it is a program that was started here and runs.
func (l *life) process() *process.Process {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.host == nil {
		return nil
	}
	p, _ := l.host.program.(*process.Process)
	return p
}

// ended reports whether the host has ended.
func (l *life) ended() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.host == nil {
		return false
	}
	select {
	case <-l.host.Done():
		return true
	default:
		return false
	}
}
