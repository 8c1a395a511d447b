package infile_test

import (
	"os"
	"path/filepath"
	"testing"

	"example.org/understudy/harness/infile"
	"github.com/stretchr/testify/require"
)

// Kind: property.
func TestRead(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "f")
	require.NoError(t, os.WriteFile(file, []byte("four"), 0o644))
	text, err := infile.Read(infile.Anywhere, file, 4)
	require.NoError(t, err)
	require.Equal(t, "four", string(text))
	_, err = infile.Read(infile.Anywhere, file, 3)
	require.EqualError(t, err, file+" has 4 bytes, and at most 3 are read")
	_, err = infile.Read(infile.Anywhere, dir, 3)
	require.EqualError(t, err, dir+" is a folder, and a file belongs here")
	_, err = infile.Read(infile.Anywhere, filepath.Join(dir, "none"), 3)
	require.ErrorIs(t, err, os.ErrNotExist)
}
