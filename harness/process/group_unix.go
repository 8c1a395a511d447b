//go:build unix

package process

import (
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

func ownGroup(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }

var signals = map[string]syscall.Signal{"term": unix.SIGTERM, "int": unix.SIGINT, "hup": unix.SIGHUP, "quit": unix.SIGQUIT}

func signalGroup(pid int, name string) {
	if sig, ok := signals[name]; ok {
		_ = unix.Kill(-pid, sig)
		return
	}
	_ = unix.Kill(-pid, unix.SIGTERM)
}

// killGroup kills the group, waits until its processes have ended, and returns
// them. The number of a group is not given to another while it has a process.
func killGroup(pgid int) []int {
	pids := members(pgid)
	_ = unix.Kill(-pgid, unix.SIGKILL)
	for _, pid := range pids {
		awaitEnd(pid)
	}
	return pids
}

func status(s *os.ProcessState) (code int, signal string) {
	if s == nil {
		return -1, ""
	}
	if ws, ok := s.Sys().(syscall.WaitStatus); ok && ws.Signaled() {
		return -1, fmt.Sprintf("%s (%v)", unix.SignalName(ws.Signal()), ws.Signal())
	}
	return s.ExitCode(), ""
}

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
