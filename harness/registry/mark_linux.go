package registry

import (
	"os"
	"strconv"
	"strings"
)

// processMark tells a process from a later one with the same number: when it
// started, counted from the machine's start (field 22 of /proc/PID/stat, see
// proc_pid_stat(5)), and which start of the machine that was. It is "" when
// there is no such process.
func processMark(pid int) string {
	stat, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return ""
	}
	// The second field is the program's name in brackets; it may hold anything.
	_, rest, _ := strings.Cut(string(stat[max(strings.LastIndexByte(string(stat), ')'), 0):]), " ")
	fields := strings.Fields(rest)
	if len(fields) < 20 {
		return ""
	}
	boot, _ := os.ReadFile("/proc/sys/kernel/random/boot_id") // "" is as good as any where it is not there
	return fields[19] + " " + strings.TrimSpace(string(boot))
}
