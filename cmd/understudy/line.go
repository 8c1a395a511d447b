package main

import (
	"fmt"
	"strings"

	"example.org/understudy/harness/library"
	"example.org/understudy/harness/rehearse"
	"example.org/understudy/sim/strict"
)

// readLine reads a line: a file, or a shipped one by its name.
func readLine(name string) (*rehearse.Line, error) {
	file, text, err := library.Find("lines", name)
	if err != nil {
		return nil, err
	}
	return rehearse.Parse(file, text, library.DialectsBeside(file))
}

// lineOf is readLine where the name is that of a line; else nil.
func lineOf(name string) (*rehearse.Line, error) {
	file, text, err := library.Find("lines", name)
	if err != nil {
		return nil, nil // it is looked for among the scenarios
	}
	var root strict.Any
	if _, err := strict.Decode(file, text, &root); err != nil {
		return nil, nil
	}
	if _, ok := root.Lookup("understudy-line"); !ok {
		return nil, nil
	}
	return readLine(name)
}

// only keeps the gauges of some stations.
func only(l *rehearse.Line, stations []string) (*rehearse.Line, error) {
	if len(stations) == 0 {
		return l, nil
	}
	kept, all := l.Only(stations)
	if kept == nil {
		return nil, fmt.Errorf("--station %s: the stations are %s", strings.Join(stations, ", "), strings.Join(all, ", "))
	}
	return kept, nil
}
