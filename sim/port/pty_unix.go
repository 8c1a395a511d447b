//go:build linux || darwin || dragonfly || freebsd || netbsd || openbsd

package port

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// checkPTY is check for a pty, with Dir made absolute.
func (c Config) checkPTY() (Config, error) {
	c, err := c.check()
	if err != nil {
		return c, err
	}
	if c.Dir, err = filepath.Abs(c.Dir); err != nil {
		return c, fmt.Errorf("port %s: %w", c.Name, err)
	}
	return c, nil
}

// renamed is the name for Return: the one that the link at path had unless name
// gives another.
func (c Config) renamed(name, path string) (string, error) {
	if c.Name = name; name == "" {
		c.Name = filepath.Base(path)
	}
	_, err := c.check()
	return c.Name, err
}

// Name is the name of the symbolic link.
func (p *ptyPort) Name() string { return filepath.Base(p.Path()) }

// link makes path a symbolic link to target, in one step for whoever looks.
func link(target, path string) error {
	if fi, err := os.Lstat(path); err == nil && fi.Mode()&os.ModeSymlink == 0 {
		return fmt.Errorf("%s is in the way and is no symbolic link: remove it or choose another name", path)
	}
	tmp := fmt.Sprintf("%s.%d~", path, os.Getpid())
	_ = os.Remove(tmp)
	if err := os.Symlink(target, tmp); err != nil {
		return err
	}
	if err := os.Rename(tmp, path); err != nil {
		_ = os.Remove(tmp)
		return err
	}
	return nil
}

// unlink removes path if it is still our link to target.
func unlink(target, path string) error {
	if to, err := os.Readlink(path); err != nil || to != target {
		return nil // gone, or another run's by now
	}
	return os.Remove(path)
}

// cooked names what a line discipline does to bytes on their way.
func cooked(t *unix.Termios) string {
	var out []string
	for _, f := range []struct {
		name      string
		flags, at uint64
	}{
		{"icanon", uint64(t.Lflag), unix.ICANON}, {"echo", uint64(t.Lflag), unix.ECHO}, {"isig", uint64(t.Lflag), unix.ISIG},
		{"istrip", uint64(t.Iflag), unix.ISTRIP}, {"inlcr", uint64(t.Iflag), unix.INLCR}, {"igncr", uint64(t.Iflag), unix.IGNCR},
		{"icrnl", uint64(t.Iflag), unix.ICRNL}, {"parmrk", uint64(t.Iflag), unix.PARMRK},
	} {
		if f.flags&f.at != 0 {
			out = append(out, f.name)
		}
	}
	if t.Oflag&unix.OPOST != 0 {
		for _, f := range []struct {
			name string
			at   uint64
		}{{"onlcr", unix.ONLCR}, {"ocrnl", unix.OCRNL}, {"onlret", unix.ONLRET}} {
			if uint64(t.Oflag)&f.at != 0 {
				out = append(out, f.name)
			}
		}
	}
	return strings.Join(out, " ")
}
