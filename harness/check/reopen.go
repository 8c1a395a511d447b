package check

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/process"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
)

// meta is what a run folder keeps of the run beside its other files, so that
// its report can be made again.
type meta struct {
	Scenario string            `json:"scenario"` // file in the run folder
	Source   string            `json:"source"`   // where the scenario was read from
	Dialects map[string]string `json:"dialects"` // files in the run folder, by the names the scenario gives them
	Seed     uint64            `json:"seed"`
	Pace     stage.Pace        `json:"pace"`
	Began    time.Time         `json:"began"`
	Took     time.Duration     `json:"took"`
	Why      string            `json:"why,omitempty"` // why there was nothing to judge
	Exit     process.Exit      `json:"exit"`
	Places   hostfile.Places   `json:"places"`
	Earlier  int               `json:"earlier,omitempty"` // records that are of runs before
	Upto     *int              `json:"upto,omitempty"`    // of a host that goes on: records of this run, before the ports went away
	Plays    time.Time         `json:"plays,omitzero"`    // when the timeline began
	Doubt    string            `json:"doubt,omitempty"`   // why what was found is not counted
	// Unsettled says that the host was still recording when it was asked to end.
	Unsettled bool `json:"unsettled,omitempty"`
	live      bool // the run is not over
}

const scenarioFile = "scenario.yaml"

// dialectFiles names the files of the dialects in the run folder, by the names that the
// scenario gives them: as they are called where they come from, with .yaml, and each
// another.
func dialectFiles(s *scenario.Scenario) map[string]string {
	files, taken := map[string]string{}, map[string]bool{}
	for _, name := range slices.Sorted(maps.Keys(s.Dialects)) {
		base := strings.TrimSuffix(filepath.Base(s.Dialects[name].File), ".yaml")
		file := base
		for n := 2; taken[file]; n++ {
			file = fmt.Sprintf("%s-%d", base, n)
		}
		taken[file] = true
		files[name] = filepath.Join(dialectsDir, file+".yaml")
	}
	return files
}

// keep writes what Reopen needs into the run folder.
func (c *Check) keep(m meta) error {
	m.Scenario, m.Source, m.Seed = scenarioFile, c.Scenario.Path, c.Scenario.Play.Seed
	m.Dialects = dialectFiles(c.Scenario)
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	for name, b := range map[string][]byte{metaFile: append(text, '\n'), scenarioFile: c.Scenario.Text, hostFile: c.HostText} {
		if err := os.WriteFile(filepath.Join(c.Run, name), b, 0o644); err != nil {
			return fmt.Errorf("the run folder: %w", err)
		}
	}
	return nil
}

// Reopen reads a run folder, which somebody else may have made, and judges the run
// again: no command of its description is run, and no file outside of it is read. With
// outside the host's records may be elsewhere, as those of a run of one's own may be. A
// run that was cut off is judged as far as its ledger goes.
func Reopen(ctx context.Context, dir string, outside bool) (*Outcome, error) {
	return reopenHolding(ctx, dir, outside, MostHeld)
}

func reopenHolding(ctx context.Context, dir string, outside bool, most int) (*Outcome, error) {
	in, err := openCage(dir)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	c, m, err := reopen(in)
	if err != nil {
		return nil, err
	}
	out := &Outcome{Check: c}
	if out.Entries, out.Every, err = c.readLedger(ctx, most); errors.Is(err, fs.ErrNotExist) {
		return nil, err
	} else if err != nil {
		out.Verdict, out.Why = judge.Inconclusive, "the ledger cannot be read: "+err.Error()
		return out, nil
	}
	if outside {
		c.from = nil
	}
	c.judge(ctx, out, m)
	c.from = nil // the cage is closed
	return out, nil
}

// reopen reads what a run folder keeps of the run beside its ledger and records.
func reopen(in cage) (c *Check, m meta, err error) {
	read := func(name string) ([]byte, error) {
		return infile.Read(in, filepath.Join(in.dir, filepath.FromSlash(name)), infile.Text)
	}
	text, err := read(metaFile)
	if err != nil {
		return nil, m, fmt.Errorf("%s is not the folder of a finished run: %w", in.dir, err)
	}
	if err := json.Unmarshal(text, &m); err != nil {
		return nil, m, fmt.Errorf("%s is damaged: %w", filepath.Join(in.dir, metaFile), err)
	}
	m.Places.Move(in.dir)
	if text, err = read(m.Scenario); err != nil {
		return nil, m, err
	}
	s, err := scenario.Parse(m.Source, text, func(name string) (string, []byte, error) {
		b, err := read(m.Dialects[name])
		return filepath.Join(in.dir, m.Dialects[name]), b, err
	})
	if err != nil {
		return nil, m, err
	}
	s.Play.Seed = m.Seed
	if text, err = read(hostFile); err != nil {
		return nil, m, err
	}
	h, err := hostfile.Parse(hostFile, text)
	if err != nil {
		return nil, m, err
	}
	return &Check{Scenario: s, Host: h, Run: in.dir, HostText: text, from: in}, m, nil
}

// IsRun reports whether a folder is that of a finished run.
func IsRun(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, metaFile))
	return err == nil
}

// IsPlay reports whether a folder is that of a play: there is a ledger in it, and no
// host that could be judged.
func IsPlay(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, ledgerFile))
	return err == nil && !IsRun(dir)
}

// Ledger opens the ledger in the folder of a run or a play. Of a run it also reads the
// scenario, and when its timeline began.
func Ledger(ctx context.Context, dir string) (s *scenario.Scenario, began time.Time, text io.ReadCloser, err error) {
	in, err := openCage(dir)
	if err != nil {
		return nil, began, nil, err
	}
	defer in.Close()
	c, m := &Check{Run: in.dir, from: in}, meta{}
	if !IsPlay(dir) {
		if c, m, err = reopen(in); err != nil {
			return nil, began, nil, err
		}
	}
	text, err = c.openLedger(ctx)
	return c.Scenario, m.Began, text, err
}
