package cause_test

import (
	"regexp"
	"testing"

	"example.org/understudy/harness/cause"
)

// Every cause is written out in full, under a code and a name of its own.
//
// Kind: self.
func TestCatalogueIsComplete(t *testing.T) {
	code, name := regexp.MustCompile(`^C[1-9]\d\d$`), regexp.MustCompile(`^[a-z]+(-[a-z0-9]+)*$`)
	seen := map[string]bool{}
	all := cause.All()
	variants := map[string]bool{}
	for _, v := range cause.Variants() {
		variants[v.Name()] = true
	}
	if len(variants) != len(all) {
		t.Errorf("%d causes, and %d that the model host can have", len(all), len(variants))
	}
	for _, c := range all {
		if !code.MatchString(c.Code) || !name.MatchString(c.Name) || seen[c.Code] || seen[c.Name] {
			t.Errorf("code %q, name %q", c.Code, c.Name)
		}
		seen[c.Code], seen[c.Name] = true, true
		if c.Looks == "" || c.Why == "" || c.Fix == "" {
			t.Errorf("%s is not written out", c.Name)
		}
		if cause.Groups()[c.Code[1]] == "" {
			t.Errorf("%s has no group", c.Code)
		}
		for _, key := range []string{c.Code, c.Name} {
			if got, ok := cause.Find(key); !ok || got != c {
				t.Errorf("%s is not found", key)
			}
		}
		if h := cause.Named(c.Name); len(h) != 1 || h[0].Name() != c.Name {
			t.Errorf("%s has no variant", c.Name)
		}
	}
	if _, ok := cause.Find("no-such-cause"); ok {
		t.Error("found a cause that is not there")
	}
}

// A hypothesis is known by its causes, not by their order.
//
// Kind: property.
func TestKey(t *testing.T) {
	a, b := cause.Named("truncates", "sign-lost"), cause.Named("sign-lost", "truncates")
	if a.Key() != b.Key() || a.Key() == a[:1].Key() {
		t.Errorf("%q %q", a.Key(), b.Key())
	}
}
