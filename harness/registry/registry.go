// Package registry knows which gauges are running on this machine for this
// user. Each run claims its run folder, so that no second run writes into it,
// and enters itself in a folder of the user's, where others find its ports.
package registry

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Gauge is one running gauge.
type Gauge struct {
	Name   string `json:"name"`
	Serial string `json:"serial,omitempty"`
	Path   string `json:"path"`           // what a host opens
	Line   string `json:"line,omitempty"` // how its serial line is set
}

// Entry is one run.
type Entry struct {
	Kind     string    `json:"kind"` // play, tap or replay
	PID      int       `json:"pid"`
	Process  string    `json:"process"` // tells the process from a later one with the same number
	Began    time.Time `json:"began"`
	Scenario string    `json:"scenario"` // its title, or what is tapped or replayed
	Folder   string    `json:"folder"`
	Gauges   []Gauge   `json:"gauges,omitempty"`
}

// Registry is the folder of a user's runs.
type Registry struct{ dir string }

// At uses a folder, which is made when it is needed, for its owner alone.
func At(dir string) Registry { return Registry{dir} }

// Default uses the user's runtime folder (XDG_RUNTIME_DIR of the XDG Base
// Directory Specification), or else one with the user's number among the
// temporary files.
func Default() Registry {
	if dir := os.Getenv("XDG_RUNTIME_DIR"); filepath.IsAbs(dir) {
		return At(filepath.Join(dir, "understudy"))
	}
	return At(filepath.Join(os.TempDir(), "understudy-"+strconv.Itoa(os.Getuid())))
}

// lockName is the file in a run folder that is locked while the folder is in use.
const lockName = "in-use.json"

// maxEntry bounds a file that is read.
const maxEntry = 1 << 20

// InUse says that a run folder is in use.
type InUse struct {
	Folder string
	By     Entry // empty when it does not say
}

func (e InUse) Error() string {
	by := "another run"
	if e.By.PID != 0 {
		by = fmt.Sprintf("a %s of %q (process %d, since %s)", e.By.Kind, e.By.Scenario, e.By.PID, e.By.Began.Local().Format("2006-01-02 15:04:05"))
	}
	return fmt.Sprintf("the run folder %s is in use by %s; end that, or give this one a folder of its own with --run-folder", e.Folder, by)
}

// Claim is a run that is entered. Close strikes it out.
type Claim struct {
	lock  *os.File
	file  string // in the registry; "" before Publish
	reg   Registry
	entry Entry
}

// Create makes a file of a run folder. One that an earlier run left is kept: ledger.jsonl
// becomes ledger-1.jsonl, or has the next number that is free.
func Create(name string) (*os.File, error) {
	end := filepath.Ext(name)
	for n := 1; ; n++ {
		f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if !errors.Is(err, fs.ErrExist) {
			return f, err
		}
		kept := fmt.Sprintf("%s-%d%s", strings.TrimSuffix(name, end), n, end)
		if _, err := os.Lstat(kept); err == nil {
			continue
		}
		if err := os.Rename(name, kept); err != nil {
			return nil, err
		}
	}
}

// Claim takes a run folder, which exists, for this process. The error is InUse
// when another run has it. The names of ports that crashed runs left behind, here
// and elsewhere, are removed: what they stand for may be somebody's terminal by now.
func (r Registry) Claim(folder string, e Entry) (*Claim, error) {
	_, _ = r.List() // a registry that cannot be read keeps no run from its folder
	c, err := r.claim(folder, e)
	if err == nil {
		forget(folder)
	}
	return c, err
}

func (r Registry) claim(folder string, e Entry) (*Claim, error) {
	e.PID, e.Folder, e.Process = os.Getpid(), folder, processMark(os.Getpid())
	name := filepath.Join(folder, lockName)
	for range 10 {
		f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o644)
		if err != nil {
			return nil, err
		}
		held, err := lock(f)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("%s cannot be locked: %w", name, err), f.Close())
		}
		if held {
			by, _ := readEntry(f) // a file that does not read names nobody
			return nil, errors.Join(InUse{folder, by}, f.Close())
		}
		// Its owner may have removed the file between our opening and locking it.
		ours, err1 := f.Stat()
		there, err2 := os.Stat(name)
		if err1 != nil || err2 != nil || !os.SameFile(ours, there) {
			f.Close()
			continue
		}
		c := &Claim{lock: f, reg: r, entry: e}
		if err := c.write(f); err != nil {
			return nil, errors.Join(err, c.Close())
		}
		return c, nil
	}
	return nil, fmt.Errorf("%s is taken and given back all the time", name)
}

func (c *Claim) write(f *os.File) error {
	text, err := json.MarshalIndent(c.entry, "", "  ")
	if err != nil {
		return err
	}
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err = f.WriteAt(append(text, '\n'), 0)
	return err
}

// Publish lets others find the run and its gauges. It may be called again when
// the gauges have changed.
func (c *Claim) Publish(gauges []Gauge) error {
	c.entry.Gauges = gauges
	if err := c.reg.make(); err != nil {
		return err
	}
	f, err := os.CreateTemp(c.reg.dir, ".new-*")
	if err != nil {
		return err
	}
	if err := errors.Join(c.write(f), f.Close()); err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	if c.file == "" {
		c.file = filepath.Join(c.reg.dir, fmt.Sprintf("%d-%s.json", c.entry.PID, strings.TrimPrefix(filepath.Base(f.Name()), ".new-")))
	}
	return errors.Join(os.Rename(f.Name(), c.file), c.write(c.lock))
}

// Close strikes the run out and gives its folder back.
func (c *Claim) Close() error {
	var errs []error
	if c.file != "" {
		if err := os.Remove(c.file); !errors.Is(err, os.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	// Removed while it is locked: whoever waits for the lock sees that the file
	// is no longer the one of that name.
	return errors.Join(append(errs, removeLocked(c.lock))...)
}

// make makes the folder, or makes sure that it is the user's own: the place may
// be one that everybody can write to.
func (r Registry) make() error {
	if err := os.MkdirAll(filepath.Dir(r.dir), 0o755); err != nil {
		return err
	}
	if err := os.Mkdir(r.dir, 0o700); err != nil && !errors.Is(err, os.ErrExist) {
		return err
	}
	info, err := os.Lstat(r.dir)
	if err != nil {
		return err
	}
	if !info.IsDir() || !private(info) {
		return fmt.Errorf("%s is not a folder of this user's alone, so runs are not entered there; remove it", r.dir)
	}
	return nil
}

// List lists the runs that go on, the oldest first. Entries of processes that
// have ended without striking themselves out are removed.
func (r Registry) List() (all []Entry, err error) {
	files, err := os.ReadDir(r.dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if err := r.make(); err != nil {
		return nil, err
	}
	for _, f := range files {
		name := filepath.Join(r.dir, f.Name())
		if !strings.HasSuffix(name, ".json") {
			continue
		}
		e, err := readFile(name)
		if err != nil {
			continue // no entry of ours
		}
		if !alive(e.PID) || e.Process != processMark(e.PID) {
			r.clear(e)
			_ = os.Remove(name) // another lister may have been faster
			continue
		}
		all = append(all, e)
	}
	slices.SortStableFunc(all, func(a, b Entry) int { return a.Began.Compare(b.Began) })
	return all, nil
}

// ptyName is what the far ends of ptys are called on Linux and the BSDs (pty(4)).
var ptyName = regexp.MustCompile(`^/dev/(pts/\d+|ttys\d+|tty[p-zP-T][0-9a-v])$`)

// clear removes the names of a run that was killed, unless another has its folder.
func (r Registry) clear(e Entry) {
	if !filepath.IsAbs(e.Folder) {
		return
	}
	if c, err := r.claim(e.Folder, e); err == nil {
		forget(e.Folder)
		_ = c.Close()
	}
}

// forget removes the names that ports have in a run folder, or in the folders of
// the runs in it, from the ptys they stood for.
func forget(folder string) {
	for _, pattern := range []string{"ports/*", "*/ports/*"} {
		names, _ := fs.Glob(os.DirFS(folder), pattern)
		for _, name := range names {
			file := filepath.Join(folder, name)
			if to, err := os.Readlink(file); err == nil && ptyName.MatchString(to) {
				_ = os.Remove(file)
			}
		}
	}
}

func readFile(name string) (e Entry, err error) {
	f, err := os.Open(name)
	if err != nil {
		return e, err
	}
	defer f.Close()
	return readEntry(f)
}

func readEntry(f *os.File) (e Entry, err error) {
	text, err := io.ReadAll(io.NewSectionReader(f, 0, maxEntry))
	if err != nil {
		return e, err
	}
	if err = json.Unmarshal(text, &e); err == nil && e.PID <= 0 {
		err = errors.New("an entry without a process")
	}
	return e, err
}
