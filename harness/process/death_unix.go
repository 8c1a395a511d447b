//go:build unix

package process

import (
	"fmt"
	"os/exec"
	"strconv"
	"syscall"
)

// watchdog kills the host's group when this program ends, however that is: a shell in
// a session of its own reads a pipe that this program alone holds open. It is sent away
// before the host's number can be another's.
func watchdog(host *exec.Cmd) (sendAway func(), err error) {
	dog := exec.Command("/bin/sh", "-c", `read -r _; kill -s KILL -- "-$1"`, "sh", strconv.Itoa(host.Process.Pid))
	dog.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	pipe, err := dog.StdinPipe()
	if err == nil {
		err = dog.Start()
	}
	if err != nil {
		return nil, fmt.Errorf("nothing would end the host when this program is killed: %w", err)
	}
	return func() {
		_ = dog.Process.Kill()
		_ = dog.Wait() // it was killed
		pipe.Close()
	}, nil
}
