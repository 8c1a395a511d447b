package process

import (
	"bytes"
	"os"
	"strconv"

	"golang.org/x/sys/unix"
)

// members lists the live processes of a group.
func members(pgid int) (pids []int) {
	eachProcess(func(pid int) {
		if g, err := unix.Getpgid(pid); err == nil && g == pgid && !zombie(pid) {
			pids = append(pids, pid)
		}
	})
	return pids
}

// groupAlive reports whether a process of the group runs. A process that has
// ended and that nobody has reaped does not count.
func groupAlive(pgid int) bool {
	return unix.Kill(-pgid, 0) != unix.ESRCH && len(members(pgid)) > 0
}

// awaitEnd waits until a process has ended, for a second at most.
func awaitEnd(pid int) {
	fd, err := unix.PidfdOpen(pid, 0)
	if err != nil {
		return // it has ended
	}
	defer unix.Close(fd)
	pollEnd(fd)
}

// pollEnd waits for a process handle to become readable, as it does when the
// process has ended.
func pollEnd(fd int) {
	for range 100 {
		n, err := unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, 1000)
		if n > 0 || err != unix.EINTR {
			return
		}
	}
}

// killMarked kills the processes that carry the mark in their environment: a
// host's child that made a session of its own has left the group, but not the
// environment it was started in. It looks again until none is found, since a
// process may start another while being looked for.
func killMarked(mark string) (killed []int) {
	want := append([]byte{0}, mark...)
	want = append(want, 0)
	for range 10 {
		found := 0
		eachProcess(func(pid int) {
			if !carries(pid, want) {
				return
			}
			// The handle holds the process, so that its number cannot be given
			// to another between the look and the kill.
			fd, err := unix.PidfdOpen(pid, 0)
			if err != nil {
				return
			}
			defer unix.Close(fd)
			if carries(pid, want) && unix.PidfdSendSignal(fd, unix.SIGKILL, nil, 0) == nil {
				killed = append(killed, pid)
				found++
				pollEnd(fd)
			}
		})
		if found == 0 {
			break
		}
	}
	return killed
}

func carries(pid int, want []byte) bool {
	env, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/environ")
	return err == nil && bytes.Contains(append([]byte{0}, env...), want)
}

func zombie(pid int) bool {
	b, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	i := bytes.LastIndexByte(b, ')')
	return err != nil || i < 0 || i+2 >= len(b) || b[i+2] == 'Z'
}

func eachProcess(f func(pid int)) {
	d, err := os.Open("/proc")
	if err != nil {
		return
	}
	defer d.Close()
	names, _ := d.Readdirnames(-1)
	for _, n := range names {
		if pid, err := strconv.Atoi(n); err == nil && pid != os.Getpid() {
			f(pid)
		}
	}
}
