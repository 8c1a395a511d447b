package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"text/tabwriter"

	"example.org/understudy/harness/registry"
)

type portsCmd struct {
	JSON bool `name:"json" help:"Print JSON, for programs."`
}

// Run lists the gauges of this user's runs.
func (c *portsCmd) Run(a *app) error {
	all, err := registry.Default().List()
	if err != nil {
		return err
	}
	if c.JSON {
		if all == nil {
			all = []registry.Entry{}
		}
		enc := json.NewEncoder(a.stdout)
		enc.SetIndent("", "  ")
		return enc.Encode(all)
	}
	all = slices.DeleteFunc(all, func(e registry.Entry) bool { return len(e.Gauges) == 0 })
	if len(all) == 0 {
		fmt.Fprintln(a.stdout, "no gauge is running")
		return nil
	}
	w := tabwriter.NewWriter(a.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "GAUGE\tSERIAL\tPORT\tNOW\tRUN\tPROCESS\tSINCE")
	for _, e := range all {
		for _, g := range e.Gauges {
			serial := cmp.Or(g.Serial, "-")
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s: %s\t%d\t%s\n", g.Name, serial, g.Path, real(g.Path), e.Kind, e.Scenario, e.PID, e.Began.Local().Format("15:04:05"))
		}
	}
	return w.Flush()
}

// real is what a port's stable name stands for now.
func real(path string) string {
	if to, err := os.Readlink(path); err == nil {
		return to
	}
	if _, err := os.Stat(path); err == nil || path == "" || path[0] != '/' {
		return "-" // no name of a pty
	}
	return "away" // hung up, or back under another name
}
