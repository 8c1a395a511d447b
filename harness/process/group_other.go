//go:build !unix

package process

import (
	"os"
	"os/exec"
)

// Where there are no process groups the host's own process is ended; what it
// has started is not found.

func ownGroup(*exec.Cmd) {}

// signalGroup can only kill here: there is no signal to ask with.
func signalGroup(pid int, _ string) { killGroup(pid) }

func groupAlive(int) bool { return false }

func killGroup(pid int) []int {
	if p, err := os.FindProcess(pid); err == nil {
		_ = p.Kill()
	}
	return nil
}

func killMarked(string) []int { return nil }

func status(s *os.ProcessState) (int, string) {
	if s == nil {
		return -1, ""
	}
	return s.ExitCode(), ""
}
