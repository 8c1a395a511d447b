package process

import (
	"os/exec"
	"syscall"
)

// deathSignal says that the kernel can do what else a watchdog does.
const deathSignal = true

// endWithUs has the kernel kill the host when the thread that started it ends, as it
// does when this program is killed.
func endWithUs(cmd *exec.Cmd) { cmd.SysProcAttr.Pdeathsig = syscall.SIGKILL }
