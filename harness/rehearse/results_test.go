package rehearse

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/shard"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/testenv"
	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// N shards merged equal one run to the last digit, in whatever order they come
// and however many processors played them.
//
// Kind: property.
func TestShardsMergeToTheWhole(t *testing.T) {
	t.Parallel()
	l := shipped(t, "cell")
	shifts := testenv.Count(4, 10)
	one := rehearsed(t, l, shifts)
	whole := written(t, one)
	var a, b bytes.Buffer
	mine := l.Summarise(one)
	require.NoError(t, errors.Join(mine.HTML(&a), mine.Text(&b)))
	for _, n := range testenv.Sample(t, 2, []int{1, 3, 12}) { // twelve: some have nothing to do
		var shards []*Result
		for k := n; k >= 1; k-- {
			r, err := l.Rehearse(context.Background(), shifts, shard.Shard{K: k, N: n}, k%3+1)
			require.NoError(t, err)
			back, err := Read("a shard", strings.NewReader(written(t, r)))
			require.NoError(t, err)
			shards = append(shards, back)
		}
		merged, err := Merge(shards)
		require.NoError(t, err)
		if written(t, merged) != whole {
			t.Errorf("%d shards do not make the whole", n)
		}
		var c, d bytes.Buffer
		theirs := merged.Line().Summarise(merged)
		require.NoError(t, errors.Join(theirs.HTML(&c), theirs.Text(&d)))
		if a.String() != c.String() || b.String() != d.String() {
			t.Errorf("%d shards make another report", n)
		}
	}
}

// Kind: property.
func TestMergeRefuses(t *testing.T) {
	t.Parallel()
	bench := shipped(t, "bench")
	part := func(l *Line, name string, k, n, shifts int) *Result {
		r, err := l.Rehearse(context.Background(), shifts, shard.Shard{K: k, N: n}, 1)
		require.NoError(t, err)
		back, err := Read(name, strings.NewReader(written(t, r)))
		require.NoError(t, err)
		return back
	}
	const file = "lines/bench.yaml"
	for _, c := range []struct {
		parts []*Result
		want  string
	}{
		{nil, "there are no results"},
		{[]*Result{part(bench, "a", 1, 3, 3), part(bench, "b", 3, 3, 3)}, "of 3 shards these are not there: 2/3; make them with --shard 2/3 and give all of them"},
		{[]*Result{part(bench, "a", 1, 2, 2), part(bench, "b", 1, 2, 2)}, "a and b are both shard 1/2: leave one of them out"},
		{[]*Result{part(bench, "a", 1, 2, 2), part(bench, "b", 2, 3, 2)}, "b is shard 2/3, but a is shard 1/2: take the shards of one work, all of 2 or all of 3"},
		{[]*Result{part(bench, "a", 1, 2, 2), part(bench, "b", 2, 2, 4)}, "b is of a rehearsal of 4 shifts, a of one of 2: play all shards with the same --shifts"},
		{[]*Result{part(bench, "a", 1, 2, 2), part(edited(t, "bench", "45 s", "46 s"), "b", 2, 2, 2)}, "b is of the line bench.yaml, a of another line, or of another state of it, " + file + ": take the shards of one line"},
		{[]*Result{part(bench, "a", 1, 2, 2), part(edited(t, "bench", "seed: 101", "seed: 102"), "b", 2, 2, 2)}, "b is of a line with seed 102, a of one with seed 101: take the shards of one line"},
	} {
		_, err := Merge(c.parts)
		require.EqualError(t, err, c.want)
	}
	good := written(t, rehearsed(t, bench, 2))
	for _, c := range []struct{ text, want string }{
		{"[]", "x.json is not the result of a rehearsal: json: cannot unmarshal"},
		{"{}", "x.json is of version 0 of the results; this program reads version 3: rehearse again"},
		{good[:len(good)/2], "x.json is not the result of a rehearsal: unexpected EOF"},
		{strings.Replace(good, `"shifts":2`, `"shifts":0`, 1), "x.json is not the result of a rehearsal: it has 0 shifts"},
		{strings.Replace(good, `"shifts":2`, `"shifts":3`, 1), "x.json is not whole: shift 2  is missing or out of order"},
		{strings.Replace(good, `"shifts":2`, `"shifts":1`, 1), "x.json holds 14 shifts too many"},
		{strings.Replace(good, `"index":1`, `"index":7`, 1), "x.json is not whole: shift 1  is missing or out of order"},
		{strings.Replace(good, `"seed":101`, `"seed":102`, 1), "x.json: its seed 102 is not that of its line, 101"},
		{strings.Replace(good, `takt: 45 s`, `takt: 45 mm`, 1), "x.json: its line: lines/bench.yaml:9:7: "},
		{strings.Replace(good, `"cell":[`, `"cell":[100,`, 1), "x.json is damaged: shift 0 : bore-1 has 50 notes of its cell, not 49"},
		{strings.Replace(good, `"late":{"n":`, `"late":{"n":1`, 1), "x.json is damaged: shift 0 : bore-1: its spans do not add up"},
		{strings.Replace(good, `"texts":{"line-ascii"`, `"texts":{"other"`, 1), "line-ascii is not among the line's dialects and profiles"},
	} {
		_, err := Read("x.json", strings.NewReader(c.text))
		require.ErrorContains(t, err, c.want)
	}
}

// Memory does not grow with the length of the shift.
//
// Kind: property.
func TestMemoryIsFlat(t *testing.T) {
	use := func(shift string) (bytes uint64) {
		l := edited(t, "cell", "shift: 8 h", "shift: "+shift, "takt: 60 s", "takt: 20 s")
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		l.Play(0, true)
		runtime.ReadMemStats(&after)
		return after.TotalAlloc - before.TotalAlloc
	}
	short, long := use("7 h"), use("24 h")
	if float64(long) > 1.2*float64(short) {
		t.Errorf("24 h take %d bytes, 7 h %d", long, short)
	}
}

// Kind: property.
func TestStops(t *testing.T) {
	t.Parallel()
	ctx, stop := context.WithCancel(context.Background())
	stop()
	_, err := shipped(t, "hall").Rehearse(ctx, 1000, shard.Shard{}, 2)
	require.ErrorIs(t, err, context.Canceled)
}

// A rehearsal that is stopped is one of the shifts that are done.
// Kind: property.
func TestStoppedRehearsalIsAShortOne(t *testing.T) {
	t.Parallel()
	l := shipped(t, "bench")
	var got *Result
	for after := 100 * time.Millisecond; got == nil || got.Shifts == 0; after *= 2 { // as the machine has it
		ctx, stop := context.WithTimeout(t.Context(), after)
		var err error
		got, err = l.Rehearse(ctx, MostShifts/10, shard.Shard{}, 2)
		stop()
		require.ErrorIs(t, err, context.DeadlineExceeded)
	}
	want, err := l.Rehearse(t.Context(), got.Shifts, shard.Shard{}, 2)
	require.NoError(t, err)
	var a, b bytes.Buffer
	require.NoError(t, got.Write(&a))
	require.NoError(t, want.Write(&b))
	require.Equal(t, b.String(), a.String())
}

// Kind: property.
func FuzzRead(f *testing.F) {
	l := shipped(f, "bench")
	f.Add(written(f, rehearsed(f, l, 1)))
	f.Add(`{"understudy-rehearsal":2,"shifts":1,"played":[{"index":0}]}`)
	f.Fuzz(func(t *testing.T, text string) {
		if r, err := Read("fuzz.json", strings.NewReader(text)); err == nil {
			if m, err := Merge([]*Result{r}); err == nil {
				require.NoError(t, m.Line().Summarise(m).HTML(io.Discard))
				again, err := Read("again.json", strings.NewReader(written(t, m)))
				require.NoError(t, err)
				require.Equal(t, m.Played, again.Played)
			}
		}
	})
}

// A number of a result that was tampered with is refused or told, and breaks
// nothing.
//
// Kind: property.
func TestTamperedResults(t *testing.T) {
	t.Parallel()
	good := written(t, rehearsed(t, shipped(t, "bench"), 2))
	numbers := regexp.MustCompile(`[:\[,]-?\d+(\.\d+)?`).FindAllStringIndex(good, -1)
	taken := 0
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.SampledFrom(numbers).Draw(t, "number")
		to := rapid.SampledFrom([]string{"0", "-1", "1", "8", "488", "1000000000000000000", "-9223372036854775808", "1e300", "-1e300", "0.5"}).Draw(t, "instead")
		r, err := Read("x.json", strings.NewReader(good[:at[0]+1]+to+good[at[1]:]))
		if err != nil {
			return
		}
		taken++
		m, err := Merge([]*Result{r})
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(r.Line().Summarise(m).HTML(io.Discard), r.Line().Summarise(m).Text(io.Discard)); err != nil {
			t.Fatal(err)
		}
	})
	if taken == 0 {
		t.Error("every tampered result was refused: the check sees nothing")
	}
}

// The examples of batch engines: their form, and that their parts are all parts.
//
// Kind: process.
func TestKubernetesExample(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("examples/kubernetes-job.yaml")
	require.NoError(t, err)
	var job struct {
		APIVersion string `yaml:"apiVersion"`
		Kind       string
		Metadata   struct{ Name string }
		Spec       struct {
			CompletionMode           string `yaml:"completionMode"`
			Completions, Parallelism int
			BackoffLimit             int `yaml:"backoffLimit"`
			Template                 struct {
				Spec struct {
					RestartPolicy string `yaml:"restartPolicy"`
					Containers    []struct {
						Name, Image  string
						Command      []string
						Resources    map[string]map[string]string
						VolumeMounts []map[string]string `yaml:"volumeMounts"`
					}
					Volumes []map[string]any
				}
			}
		}
	}
	require.NoError(t, yaml.UnmarshalWithOptions(text, &job, yaml.Strict()))
	require.Equal(t, []string{"batch/v1", "Job", "Indexed", "Never"}, []string{job.APIVersion, job.Kind, job.Spec.CompletionMode, job.Spec.Template.Spec.RestartPolicy})
	require.LessOrEqual(t, job.Spec.Parallelism, job.Spec.Completions)
	require.Len(t, job.Spec.Template.Spec.Containers, 1)
	c := job.Spec.Template.Spec.Containers[0]
	require.Equal(t, []string{"/bin/sh", "-c"}, c.Command[:2])
	covers(t, job.Spec.Completions, func(i int) *exec.Cmd {
		cmd := exec.Command(c.Command[0], c.Command[1:]...)
		cmd.Env = []string{"JOB_COMPLETION_INDEX=" + fmt.Sprint(i)} // Kubernetes counts from 0
		return cmd
	})
}

// Kind: process.
func TestSlurmExample(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("examples/slurm-array.sh")
	require.NoError(t, err)
	m := regexp.MustCompile(`(?m)^#SBATCH --array=1-(\d+)$`).FindSubmatch(text)
	require.NotNil(t, m, "a line #SBATCH --array=1-N")
	require.NoError(t, exec.Command("sh", "-n", "examples/slurm-array.sh").Run())
	var n int
	_, err = fmt.Sscan(string(m[1]), &n)
	require.NoError(t, err)
	for _, line := range strings.Split(string(text), "\n") {
		if strings.HasPrefix(line, "#SBATCH") {
			require.Regexp(t, `^#SBATCH --[a-z-]+=\S+$`, line)
		}
	}
	covers(t, n, func(i int) *exec.Cmd {
		cmd := exec.Command("sh", "examples/slurm-array.sh")
		cmd.Env = []string{fmt.Sprintf("SLURM_ARRAY_TASK_ID=%d", i+1), fmt.Sprintf("SLURM_ARRAY_TASK_MAX=%d", n)}
		return cmd
	})
}

// covers runs each of n commands with a stand-in for the program that notes
// its words, and checks that their shards are 1/n to n/n.
func covers(t *testing.T, n int, command func(i int) *exec.Cmd) {
	t.Helper()
	bin := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(bin, "understudy"), []byte("#!/bin/sh\necho \"$@\"\n"), 0o755))
	for i := range n {
		cmd := command(i)
		cmd.Env = append(cmd.Env, "PATH="+bin+":/usr/bin:/bin")
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, string(out))
		words := strings.Fields(string(out))
		require.Equal(t, "rehearse", words[0])
		var s shard.Shard
		file := ""
		for j, w := range words[:len(words)-1] {
			switch w {
			case "--shard":
				require.NoError(t, s.UnmarshalText([]byte(words[j+1])))
			case "--json":
				file = words[j+1]
			}
		}
		require.Equal(t, shard.Shard{K: i + 1, N: n}, s)
		require.Contains(t, file, fmt.Sprint(i+1), "each shard has a file of its own")
	}
}

// A shift of the hall at its real duty against a plain loop that advances
// sixty links alone: what the rest costs.
func BenchmarkHallShift(b *testing.B) {
	l := shipped(b, "hall")
	b.Run("whole", func(b *testing.B) {
		for b.Loop() {
			l.Play(0, true)
		}
	})
	b.Run("without ports", func(b *testing.B) {
		for b.Loop() {
			l.Play(0, false)
		}
	})
	b.Run("links alone", func(b *testing.B) {
		for b.Loop() {
			for i := range l.gauges {
				var radio link.Radio
				var s served
				s.start(l, i, 0, &radio)
				s.advance(l.Shift.D())
			}
		}
	})
}

// A hundred shifts on one processor and on all.
func BenchmarkHundredShifts(b *testing.B) {
	l := shipped(b, "cell")
	for _, n := range []int{1, 0} {
		name := "one processor"
		if n == 0 {
			name = "all processors"
		}
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := l.Rehearse(b.Context(), 100, shard.Shard{}, n); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// A shift of eight hours and one of a day and night: what is allocated.
func BenchmarkLength(b *testing.B) {
	for _, shift := range []string{"7 h", "24 h"} {
		l := edited(b, "cell", "shift: 8 h", "shift: "+shift)
		b.Run(shift, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				l.Play(0, true)
			}
		})
	}
}

// Kind: property.
func TestResultJSONHasNoMachine(t *testing.T) {
	t.Parallel()
	var v map[string]any
	require.NoError(t, json.Unmarshal([]byte(written(t, rehearsed(t, shipped(t, "bench"), 1))), &v))
	for key := range v {
		switch key {
		case "understudy-rehearsal", "shard", "file", "line", "texts", "seed", "shifts", "played":
		default:
			t.Errorf("unexpected key %s", key)
		}
	}
}
