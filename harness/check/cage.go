package check

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"example.org/understudy/harness/infile"
)

// cage is a run folder that somebody else may have made: no name in it, and no
// symbolic link, leads out of it.
type cage struct {
	*os.Root
	dir string
}

func openCage(dir string) (c cage, err error) {
	if c.dir, err = filepath.Abs(dir); err != nil {
		return c, err
	}
	c.Root, err = os.OpenRoot(c.dir)
	return c, err
}

func (c cage) inside(name string) (string, error) {
	rel, err := filepath.Rel(c.dir, name)
	if err != nil || !filepath.IsLocal(rel) {
		return "", fmt.Errorf("%s is outside the run folder %s, and is not read (report --outside reads it, where the run is your own)", name, c.dir)
	}
	return rel, nil
}

// Open opens a file that is given by its whole path.
func (c cage) Open(name string) (*os.File, error) {
	rel, err := c.inside(name)
	if err != nil {
		return nil, err
	}
	return c.Root.Open(rel)
}

// Stat looks at a file that is given by its whole path.
func (c cage) Stat(name string) (fs.FileInfo, error) {
	rel, err := c.inside(name)
	if err != nil {
		return nil, err
	}
	return c.Root.Stat(rel)
}

// opener opens what belongs to the run.
func (c *Check) opener() infile.Opener {
	if c.from == nil {
		return infile.Anywhere
	}
	return c.from
}
