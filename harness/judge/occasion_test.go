package judge_test

import (
	"slices"
	"testing"

	"example.org/understudy/harness/judge"
	"github.com/google/go-cmp/cmp"
)

// A second run of a scenario proves something about a finding only where the host was
// given, as surely as in the first, what the finding is about.
//
// Kind: outside.
func TestUnshown(t *testing.T) {
	t.Parallel()
	const (
		one     = "tag 1 8.001\n row g A 1 8.001 mm inside\n"
		two     = "tag 2 8.002\n row g A 2 8.002 mm inside\n"
		three   = "tag 3 8.003\n row g A 3 8.003 mm inside\n"
		lacks   = "tag 2 8.002\n"
		lost    = "lost\n row g link-lost\nback\n row g link-back\n"
		streams = "host mm 0.001 all\n"
	)
	for name, c := range map[string]struct {
		first, second string
		want          []string
	}{
		"the tag comes again":                   {one + lacks + three, one + two + three, nil},
		"the tag is not heard":                  {one + lacks + three, one + three, []string{"tag-lost tag 2, 8.002 mm"}},
		"the host is killed just after it":      {one + lacks + "stopped\n" + three, one + two + "killed\n" + three, []string{"tag-lost tag 2, 8.002 mm"}},
		"another tag is not heard":              {one + lacks + three, one + two, nil},
		"another tag is lost":                   {one + lacks + three, one + two + "tag 3 8.003\n", nil},
		"the port is not lost":                  {one + "lost\nback\n row g link-back\n" + two, one + two, []string{"event-missing link-lost"}},
		"the port is lost":                      {one + "lost\nback\n row g link-back\n" + two, one + lost + two, nil},
		"a row too many, of a tag not heard":    {one + two + " row g A 2 8.009 mm inside\n", one, []string{"tag-repeated one row for tag 2, 8.002 mm"}},
		"a row too many, of a tag that is":      {one + two + " row g A 2 8.009 mm inside\n", one + two, nil},
		"a tag is sent again":                   {one + two + "again\n row g A 2 8.002 mm inside\n" + three, one + two + "again\n" + three, nil},
		"a tag is not sent again":               {one + two + "again\n row g A 2 8.002 mm inside\n" + three, one + two + three, []string{"tag-repeated one row for tag 2, 8.002 mm"}},
		"a stream is heard about then":          {streams + "stream 8.001\nstream 8.002\n row g A - 8.002 mm inside\n", streams + "stream 8.001\n row g A - 8.001 mm inside\n", nil},
		"a stream is heard ten seconds earlier": {streams + "wait 10s\nstream 8.001\nstream 8.002\n row g A - 8.002 mm inside\n", streams + "stream 8.001\n row g A - 8.001 mm inside\n", []string{"lost 8.001 mm"}},
	} {
		var ev [2]judge.Evidence
		for i, text := range []string{c.first, c.second} {
			w := tell(t, text, "right")
			ev[i] = judge.Evidence{Spec: w.spec, Entries: slices.Values(w.entries), Records: w.records}
		}
		var got []string
		for _, f := range judge.Unshown(t.Context(), ev[0], ev[1]) {
			got = append(got, string(f.Kind)+" "+f.Expected)
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}
