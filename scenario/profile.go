package scenario

import (
	"encoding"
	"fmt"
	"path"
	"reflect"
	"slices"
	"strings"

	"example.org/understudy/scenarios"
	"example.org/understudy/sim/strict"
)

// ProfileNames lists the shipped gauge profiles.
func ProfileNames() (names []string) {
	files, err := scenarios.Files.ReadDir("gauges")
	if err != nil {
		panic(err) // the folder is embedded
	}
	for _, f := range files {
		names = append(names, strings.TrimSuffix(f.Name(), ".yaml"))
	}
	return names
}

// overlay takes what a gauge does not write itself from its profile.
func (l *loader) overlay(g *Gauge, find Source) {
	if g.Profile == "" {
		return
	}
	file, text, err := findProfile(g.Profile, find)
	if err != nil {
		l.doc.Errorf(&g.Profile, "", "%v", err)
		return
	}
	var p ProfileFile
	doc, _ := strict.Decode(file, text, &p)
	if p.Version != ProfileVersion && doc.Err() == nil {
		doc.Errorf(&p.Version, "write understudy-gauge: 1", "this program reads version %d of gauge profiles, not %d", ProfileVersion, p.Version)
	}
	if err := doc.Err(); err != nil {
		l.doc.Errorf(&g.Profile, "run understudy lint "+file, "the profile has mistakes: %v", firstLine(err))
		return
	}
	own, theirs := g.Channels, p.Channels
	computed, theirComputed := g.Computed, p.Computed
	g.Channels, g.Computed, p.Channels, p.Computed = nil, nil, nil, nil
	under(reflect.ValueOf(&g.GaugeKeys).Elem(), reflect.ValueOf(&p.GaugeKeys).Elem())
	g.Channels, g.Computed = theirs, theirComputed
	place(l, own, &g.Channels, func(c *Channel) *string { return &c.Name })
	place(l, computed, &g.Computed, func(c *Computed) *string { return &c.Name })
}

func findProfile(name string, find Source) (file string, text []byte, err error) {
	if strings.ContainsAny(name, `/\.`) {
		return find(name)
	}
	file = path.Join("gauges", name+".yaml")
	if text, err = scenarios.Files.ReadFile(file); err != nil {
		return "", nil, unknown("shipped gauge profile", name, ProfileNames())
	}
	return "shipped/" + file, text, nil
}

// place puts a gauge's own channels over those of its profile by their names;
// where the profile has none, they are the channels.
func place[C any](l *loader, own []C, all *[]C, name func(*C) *string) {
	if len(*all) == 0 {
		*all = own
		return
	}
	var names []string
	for i := range *all {
		names = append(names, *name(&(*all)[i]))
	}
	for i := range own {
		c := &own[i]
		k := slices.Index(names, *name(c))
		if k < 0 {
			l.doc.Errorf(name(c), "", "%v", fmt.Errorf("the profile's: %w", unknown("channel", *name(c), names)))
			continue
		}
		under(reflect.ValueOf(c).Elem(), reflect.ValueOf(&(*all)[k]).Elem())
		(*all)[k] = *c
	}
}

var textUnmarshaler = reflect.TypeFor[encoding.TextUnmarshaler]()

// under fills what over leaves out with what base has: value by value, through
// structs that are not written as one text.
func under(over, base reflect.Value) {
	switch t := over.Type(); {
	case t.Kind() == reflect.Struct && !reflect.PointerTo(t).Implements(textUnmarshaler):
		for i := range t.NumField() {
			under(over.Field(i), base.Field(i))
		}
	case over.IsZero():
		over.Set(base)
	case t.Kind() == reflect.Pointer && !base.IsNil() && t.Elem().Kind() == reflect.Struct:
		under(over.Elem(), base.Elem())
	}
}

// LintProfile reports every mistake of a profile file, as far as it can be told
// without the scenario that uses it. The error is of type strict.Errors.
func LintProfile(file string, text []byte, find Source) error {
	var p ProfileFile
	doc, _ := strict.Decode(file, text, &p)
	if doc.Err() != nil {
		return doc.Err()
	}
	if p.Version != ProfileVersion {
		doc.Errorf(&p.Version, "write understudy-gauge: 1", "this program reads version %d of gauge profiles, not %d", ProfileVersion, p.Version)
		return doc.Err()
	}
	l := loader{Scenario: &Scenario{Path: file, Dialects: map[string]Dialect{}, doc: doc}, doc: doc}
	l.member("gauge", "", "", &p, &p.GaugeKeys, find)
	return doc.Err()
}

// ProfileSchema returns the JSON Schema of profile files.
func ProfileSchema() []byte { return strict.Schema("understudy gauge profile", ProfileFile{}) }
