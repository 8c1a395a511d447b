package main

import (
	"fmt"

	"example.org/understudy/harness/cause"
)

type causesCmd struct {
	Name string `arg:"" optional:"" help:"A cause's name or code (default: all of them)."`
}

func (c *causesCmd) Run(a *app) error {
	if c.Name != "" {
		k, ok := cause.Find(c.Name)
		if !ok {
			return fmt.Errorf("there is no cause %q; understudy causes lists them", c.Name)
		}
		fmt.Fprintf(a.stdout, "%s %s\n\nWhat it looks like\n  %s\nWhy it happens\n  %s\nHow to fix it\n  %s\n", k.Code, k.Name, k.Looks, k.Why, k.Fix)
		return nil
	}
	groups := cause.Groups()
	last := byte(0)
	for _, k := range append(cause.All(), cause.Summaries()...) {
		if k.Code[1] != last {
			last = k.Code[1]
			fmt.Fprintf(a.stdout, "\n%s\n", groups[last])
		}
		fmt.Fprintf(a.stdout, "  %s %-22s %s\n", k.Code, k.Name, k.Looks)
	}
	return nil
}
