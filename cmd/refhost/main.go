// Command refhost is the reference host: it reads the gauges named in a job
// file and records their readings, correctly unless a defect is switched on.
package main

import (
	"os"

	"example.org/understudy/cmd/refhost/host"
)

func main() { os.Exit(host.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }
