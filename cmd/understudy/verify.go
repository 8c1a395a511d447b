package main

import "example.org/understudy/harness/proof"

type verifyCmd struct {
	HTML string `name:"html" type:"path" help:"Write the table as a page to this file."`
	JSON string `name:"json" type:"path" help:"Write the table as JSON to this file."`
}

func (c *verifyCmd) Run(a *app) error {
	r := proof.Of(proof.Rows())
	if err := r.Text(a.stdout); err != nil {
		return err
	}
	if err := writeFiles(file{c.HTML, r.HTML}, file{c.JSON, r.JSON}); err != nil {
		return err
	}
	if !r.Agree {
		return coded{code: exitFinding}
	}
	return nil
}
