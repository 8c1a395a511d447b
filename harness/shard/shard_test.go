package shard

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// Kind: property.
func TestText(t *testing.T) {
	var s Shard
	if err := s.UnmarshalText([]byte("2/8")); err != nil || s != (Shard{2, 8}) {
		t.Errorf("%v %v", s, err)
	}
	for _, bad := range []string{"", "2", "0/3", "4/3", "1/0", "-1/2", "1/2/3", "1/2x", "a/b", "1/100001"} {
		if err := s.UnmarshalText([]byte(bad)); err == nil || s != (Shard{2, 8}) {
			t.Errorf("%q is taken as %v", bad, s)
		}
	}
	if got := (Shard{}).String(); got != "1/1" {
		t.Errorf("the whole is %s", got)
	}
}

// Every piece belongs to one shard.
//
// Kind: property.
func TestEveryPieceOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 20).Draw(t, "n")
		i := rapid.IntRange(0, 1000).Draw(t, "i")
		owners := 0
		for k := 1; k <= n; k++ {
			if (Shard{k, n}).Mine(i) {
				owners++
			}
		}
		if owners != 1 || !(Shard{}).Mine(i) {
			t.Fatalf("piece %d has %d owners of %d", i, owners, n)
		}
	})
}

// Kind: property.
func TestWhole(t *testing.T) {
	for _, c := range []struct{ parts, want string }{
		{"", "there are no results"},
		{"a 1/1", ""},
		{"a 0/0", ""},
		{"a 3/3, b 1/3, c 2/3", ""},
		{"a 1/2, b 1/2", "a and b are both shard 1/2: leave one of them out"},
		{"a 1/2, b 2/3", "b is shard 2/3, but a is shard 1/2: take the shards of one work, all of 2 or all of 3"},
		{"a 1/3, b 3/3", "of 3 shards these are not there: 2/3; make them with --shard 2/3 and give all of them"},
		{"a 7/20", "of 20 shards these are not there: 1/20, 2/20, 3/20, 4/20, 5/20, 6/20, 8/20, 9/20, 10/20, 11/20 and 9 more; make them with --shard 1/20, --shard 2/20, --shard 3/20, ... and give all of them"},
	} {
		var parts []Named
		for _, p := range strings.Split(c.parts, ", ") {
			if name, text, ok := strings.Cut(p, " "); ok {
				s := Shard{}
				if text != "0/0" {
					if err := s.UnmarshalText([]byte(text)); err != nil {
						t.Fatal(err)
					}
				}
				parts = append(parts, Named{name, s})
			}
		}
		got := ""
		if err := Whole(parts); err != nil {
			got = err.Error()
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Error(d)
		}
	}
}

// Kind: property.
func FuzzText(f *testing.F) {
	f.Add("2/8")
	f.Fuzz(func(t *testing.T, text string) {
		var s, back Shard
		if s.UnmarshalText([]byte(text)) == nil {
			if err := back.UnmarshalText([]byte(s.String())); err != nil || back != s {
				t.Errorf("%q is %v, which reads back as %v: %v", text, s, back, err)
			}
		}
	})
}
