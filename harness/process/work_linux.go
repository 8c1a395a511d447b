package process

import (
	"bytes"
	"os"
	"strconv"
	"strings"
)

// Working reports whether a thread of the host, or of a process that it has started,
// runs, is ready to run, or waits for a disk.
func (p *Process) Working() bool {
	for _, pid := range family(p.Pid()) {
		for _, task := range entries("/proc/" + pid + "/task") {
			stat, err := os.ReadFile("/proc/" + pid + "/task/" + task + "/stat")
			if i := bytes.LastIndexByte(stat, ')'); err == nil && i >= 0 && i+2 < len(stat) && (stat[i+2] == 'R' || stat[i+2] == 'D') {
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
			children, err := os.ReadFile("/proc/" + all[i] + "/task/" + task + "/children")
			if err == nil {
				all = append(all, strings.Fields(string(children))...)
			}
		}
	}
	return all
}

func entries(dir string) []string {
	d, err := os.Open(dir)
	if err != nil {
		return nil
	}
	defer d.Close()
	names, _ := d.Readdirnames(-1)
	return names
}
