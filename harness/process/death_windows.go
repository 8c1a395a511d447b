package process

import (
	"fmt"
	"os/exec"
	"unsafe"

	"golang.org/x/sys/windows"
)

const deathSignal = false

func endWithUs(*exec.Cmd) {}

// watchdog puts the host into a job, which the system ends, with all that the host has
// started, when its only handle is closed: by sendAway, or because this program ends.
func watchdog(host *exec.Cmd) (sendAway func(), err error) {
	job, err := windows.CreateJobObject(nil, nil)
	if err == nil {
		if err = hold(job, uint32(host.Process.Pid)); err == nil {
			return func() { _ = windows.CloseHandle(job) }, nil
		}
		_ = windows.CloseHandle(job)
	}
	return nil, fmt.Errorf("nothing would end the host when this program is killed: %w", err)
}

func hold(job windows.Handle, pid uint32) error {
	var limits windows.JOBOBJECT_EXTENDED_LIMIT_INFORMATION
	limits.BasicLimitInformation.LimitFlags = windows.JOB_OBJECT_LIMIT_KILL_ON_JOB_CLOSE
	if _, err := windows.SetInformationJobObject(job, windows.JobObjectExtendedLimitInformation, uintptr(unsafe.Pointer(&limits)), uint32(unsafe.Sizeof(limits))); err != nil {
		return err
	}
	host, err := windows.OpenProcess(windows.PROCESS_SET_QUOTA|windows.PROCESS_TERMINATE, false, pid)
	if err != nil {
		return err
	}
	defer func() { _ = windows.CloseHandle(host) }()
	return windows.AssignProcessToJobObject(job, host)
}
