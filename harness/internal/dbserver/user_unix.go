//go:build unix

package dbserver

import (
	"os"
	"os/exec"
	"syscall"
)

// nobody is the user of a server that a test as root starts: none runs as root.
const nobody = 65534

func command(words []string) *exec.Cmd {
	c := exec.Command(words[0], words[1:]...)
	c.Dir = "/"
	if os.Getuid() == 0 {
		c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	}
	return c
}

func end(c *exec.Cmd, signal string) {
	_ = c.Process.Signal(map[string]syscall.Signal{"INT": syscall.SIGINT, "TERM": syscall.SIGTERM}[signal])
}
