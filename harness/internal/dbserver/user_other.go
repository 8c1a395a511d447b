//go:build !unix

package dbserver

import "os/exec"

const nobody = 0

func command(words []string) *exec.Cmd { return exec.Command(words[0], words[1:]...) }

func end(c *exec.Cmd, _ string) { _ = c.Process.Kill() }
