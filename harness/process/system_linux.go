package process

import (
	"bytes"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// deathSignal says that the kernel can do what else a watchdog does.
const deathSignal = true

// endWithUs has the kernel kill the host when the thread that started it ends, as it
// does when this program is killed.
func endWithUs(cmd *exec.Cmd) { cmd.SysProcAttr.Pdeathsig = syscall.SIGKILL }

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

// Working reports whether a thread of the host, or of a process that it has started,
// runs, is ready to run, or waits for a disk.
func (p *Process) Working() bool {
	for _, pid := range family(p.Pid()) {
		for _, task := range entries("/proc/" + pid + "/task") {
			stat := content("/proc/" + pid + "/task/" + task + "/stat")
			if i := bytes.LastIndexByte(stat, ')'); i >= 0 && i+2 < len(stat) && (stat[i+2] == 'R' || stat[i+2] == 'D') {
				return true
			}
		}
	}
	return false
}

// Holds reports whether the host has a pseudo-terminal open that was hung up, of those
// given. (It may have others from whoever started it: not every library closes what it
// opens to the programs that are started.)
func (p *Process) Holds(ptys map[string]bool) bool {
	if len(ptys) == 0 {
		return false
	}
	for _, pid := range family(p.Pid()) {
		for _, fd := range entries("/proc/" + pid + "/fd") {
			to, err := os.Readlink("/proc/" + pid + "/fd/" + fd)
			if pty, gone := strings.CutSuffix(to, " (deleted)"); err == nil && gone && ptys[pty] {
				return true
			}
		}
	}
	return false
}

// family is a process and all that it has started, directly or not.
func family(pid int) []string {
	all := []string{strconv.Itoa(pid)}
	for i := 0; i < len(all); i++ {
		for _, task := range entries("/proc/" + all[i] + "/task") {
			all = append(all, strings.Fields(string(content("/proc/"+all[i]+"/task/"+task+"/children")))...)
		}
	}
	return all
}

// content reads a file of /proc, and entries a folder, without what os.File does for files
// that are to be waited for: a host is looked at hundreds of times a second.
func content(file string) (all []byte) {
	fd, err := unix.Open(file, unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil
	}
	defer unix.Close(fd)
	var part [512]byte
	for {
		n, err := unix.Read(fd, part[:])
		if n <= 0 || err != nil {
			return all
		}
		all = append(all, part[:n]...)
	}
}

func entries(dir string) (names []string) {
	fd, err := unix.Open(dir, unix.O_RDONLY|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil
	}
	defer unix.Close(fd)
	var part [2048]byte
	for {
		n, err := unix.ReadDirent(fd, part[:])
		if n <= 0 || err != nil {
			return names
		}
		_, _, names = unix.ParseDirent(part[:n], -1, names)
	}
}
