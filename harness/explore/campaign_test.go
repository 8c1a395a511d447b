package explore_test

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/harness/explore"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/scenario/generate/cover"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

var (
	campaign     = flag.Int("campaign", 9, "with -bench Campaign: scenarios that each correct host is played, over its kinds of port and three paces")
	campaignSeed = flag.Uint64("campaign-seed", 1, "with -bench Campaign: random seed")
	campaignJobs = flag.Int("campaign-jobs", 2*runtime.NumCPU(), "with -bench Campaign: hosts that are played to at a time")
	campaignOnly = flag.String("campaign-only", "", "with -bench Campaign: only rows of the table that have this in host-port-pace, such as Go-pty")
	campaignKeep = flag.String("campaign-keep", "", "with -bench Campaign: folder in which runs that do not pass stay")
)

// accused is a program whose runs that fail stay, if there is a folder for them.
type accused struct{ *explore.Program }

func (r accused) Play(ctx context.Context, s *scenario.Scenario, name string) (explore.Played, error) {
	p, err := r.Program.Play(ctx, s, name)
	if err == nil && p.Verdict == judge.Fail && *campaignKeep != "" {
		err = os.CopyFS(p.Folder+"-accused", os.DirFS(p.Folder))
	}
	return p, err
}

// candidate is a correct host of the campaign.
type candidate struct {
	name  string
	host  *explore.Program
	ports []string
	only  map[string][]string
	rows  bool // it is right about the rows of the covering array alone
}

// simple are the levels at which a host is right that reads one gauge and takes the
// gauge's own verdict.
var simple = map[string][]string{
	"dialect": {"line-ascii"}, "carries": {"all"}, "gauges": {"1"}, "channels": {"1"}, "unit": {"mm"}, "host-unit": {"same"},
	"limits-unit": {"same"}, "host-step": {"same"}, "decide": {"displayed"}, "limits-are": {"inclusive"}, "uncertainty": {"none"},
	"keeps": {"tagged"}, "at-port": {"unsaid"}, "writes": {"none"},
}

// mean are the faults in which time matters.
var mean = []string{"lose link", "silent loss", "stall", "swap ports", "restart", "kill"}

// example is an example host of testdata, with its program made.
func example(b *testing.B, name, program string, build ...string) *explore.Program {
	file := filepath.Join("../../testdata/hosts", name, "host.yaml")
	text, err := os.ReadFile(file)
	require.NoError(b, err)
	h, err := hostfile.Parse(file, text)
	require.NoError(b, err)
	h.Folder, h.Scenarios = b.TempDir(), nil
	if len(build) > 0 {
		build = append(build, "-o", filepath.Join(h.Folder, program), filepath.Join("../../testdata/hosts", name))
		if build[0] == "cc" {
			build[len(build)-1] += "/csvhost.c"
		}
		out, err := exec.Command(build[0], build[1:]...).CombinedOutput()
		require.NoError(b, err, "%s", out)
	}
	return &explore.Program{Host: h, HostText: text}
}

// inPython is the example host in Python, plain or with random delays, over any port.
func inPython(b *testing.B, style string) *explore.Program {
	p := example(b, "python", "")
	h := p.Host
	sizes, err := filepath.Abs("../../testdata/hosts/python/sizes.py")
	require.NoError(b, err)
	slow, err := filepath.Abs("../check/testdata/slow.py")
	require.NoError(b, err)
	h.Run = []string{testenv.Python(b), slow, sizes, "{job}", "{records}", fmt.Sprint(*campaignSeed), style}
	h.Ports, h.CommitsWithin = nil, 0
	if style == "delays" { // each row of a burst waits for those before it
		h.CommitsWithin = quantity.Duration(time.Second)
	}
	return p
}

// BenchmarkCampaign plays scenarios that nobody wrote to correct hosts, over every kind
// of port and at every pace: none may be accused, and few runs may be inconclusive.
func BenchmarkCampaign(b *testing.B) {
	testenv.Works(b, "gcc", "cc", "--version")
	all := []string{"pty", "tcp", "rfc2217"}
	mine := map[string][]string{"fault": mean, "dialect": {"line-ascii", "multi-ascii", "compact-binary"}, "at-port": {"unsaid"}}
	slowly := maps.Clone(mine)
	slowly["stream"] = []string{"none"} // it does not keep up with one at a timed pace
	simply := maps.Clone(simple)
	simply["fault"] = slices.DeleteFunc(slices.Clone(mean), func(f string) bool { return f == "swap ports" }) // which needs two
	hosts := []candidate{
		{"reference", program(b, "reference"), all, map[string][]string{"fault": mean}, false},
		{"Python", inPython(b, "plain"), all, mine, false},
		{"Python with delays", inPython(b, "delays"), all, slowly, false},
		{"Go", example(b, "go", "jsonhost", "go", "build"), all[:1], simply, true},
		{"C", example(b, "c", "csvhost", "cc", "-O1"), all[:1], simply, true},
	}
	for b.Loop() {
		o := options(b, "", 20**campaign)
		o.Seed, o.NoShrink = *campaignSeed, true
		if *campaignOnly == "" {
			cell(b, "reference in process", "none", "drain", false, o)
		}
		var wg sync.WaitGroup
		slots := make(chan bool, *campaignJobs)
		for _, h := range hosts {
			for i, at := range h.ports {
				for k, pace := range []string{"drain", "10x", "real"} {
					cells, row := 3*len(h.ports), strings.Join([]string{h.name, at, pace}, "-")
					if !strings.Contains(row, *campaignOnly) {
						continue
					}
					run, own := *h.host, *h.host.Host
					require.NoError(b, own.Pace.UnmarshalText([]byte(pace)))
					run.Host, run.Folder = &own, b.TempDir()
					if *campaignKeep != "" {
						run.Folder = filepath.Join(*campaignKeep, row)
					}
					o := explore.Options{Runner: accused{&run}, Dialects: dialect, NoShrink: true, Only: maps.Clone(h.only),
						Seed: *campaignSeed + uint64(3*i+k), Runs: (*campaign + cells - 1) / cells}
					o.Only["port"] = []string{at}
					wg.Go(func() {
						slots <- true
						defer func() { <-slots }()
						cell(b, h.name, at, pace, h.rows, o)
					})
				}
			}
		}
		wg.Wait()
	}
}

// cell explores a host at a kind of port and a pace, and prints a row of the table. With
// rows it goes from array to array, because in random timelines a hand changes the unit.
func cell(b *testing.B, name, at, pace string, rows bool, o explore.Options) {
	runs, accused, unclear, why := 0, 0, 0, map[string]bool{}
	for left := o.Runs; left > 0; left, o.Seed = left-o.Runs, o.Seed+100 {
		if o.Runs = left; rows {
			plan, err := generate.Only(generate.Plan(2, o.Seed), o.Only)
			require.NoError(b, err)
			array, err := cover.Make(plan)
			require.NoError(b, err)
			o.Runs = min(o.Runs, len(array.Rows))
		}
		sum, err := explore.Explore(b.Context(), o)
		if err != nil {
			b.Error(name, at, pace, err)
			return
		}
		for _, f := range sum.Found {
			b.Errorf("%s, %s, %s: run %d: %s\n%s", name, at, pace, f.Run, f.Cause, f.Text)
		}
		for _, w := range sum.Why {
			why[w] = true
		}
		runs, accused, unclear = runs+sum.Runs-sum.Skipped, accused+len(sum.Found), unclear+sum.NoVerdict
	}
	fmt.Printf("%-20s %-7s %-5s %5d runs, %d accusations, %d inconclusive %v\n", name, at, pace, runs, accused, unclear, slices.Sorted(maps.Keys(why)))
}
