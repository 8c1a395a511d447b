package check_test

import (
	"context"
	"crypto/sha256"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/understudy/harness/library"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files anew")

// The frames of every shipped scenario, played on paper: how many, and the
// hash of whose they are and their bytes.
//
// Kind: golden.
func TestPinnedFrames(t *testing.T) {
	files, err := filepath.Glob("../../scenarios/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatal("no scenarios", err)
	}
	var out strings.Builder
	for _, file := range files {
		s, err := library.Load(file)
		if err != nil {
			t.Fatal(err)
		}
		h, n := sha256.New(), 0
		st, err := stage.New(s.Play, stage.Options{Keep: func(e ledger.Entry) {
			if e.Frame != nil {
				n++
				fmt.Fprintf(h, "%s %d %x\n", e.Gauge, e.Frame.ID, e.Frame.Bytes)
			}
		}})
		if err != nil {
			t.Fatal(err)
		}
		if err := st.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&out, "%s %d %.8x\n", filepath.Base(file), n, h.Sum(nil))
	}
	const file = "testdata/pinned.txt"
	if *update {
		if err := os.WriteFile(file, []byte(out.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), out.String()); diff != "" {
		t.Errorf("the frames of shipped scenarios changed (-want +got):\n%s", diff)
	}
}
