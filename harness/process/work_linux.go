package process

import (
	"bytes"
	"os"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

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
