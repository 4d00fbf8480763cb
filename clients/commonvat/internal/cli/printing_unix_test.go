//go:build unix

package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What stands where a sheet is to go and isn't a plain file stays what it is: a pipe, and a link.
func TestSheetsLeavePipesAndLinks(t *testing.T) {
	f := startFake(t)
	show := func(to string) {
		t.Helper()
		r := f.run(t, "", "sheet", "show", planID, "--to", to)
		require.Equal(t, ExitOK, r.code, r.err)
		assert.Empty(t, r.out)
	}
	folder := t.TempDir()
	pipe, link, file := filepath.Join(folder, "pipe"), filepath.Join(folder, "link"), filepath.Join(folder, "sheet.txt")
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	reader, err := os.OpenFile(pipe, os.O_RDWR, 0) // so that neither end waits for the other
	require.NoError(t, err)
	defer func() { _ = reader.Close() }()
	show(pipe)
	info, err := os.Lstat(pipe)
	require.NoError(t, err)
	require.Equal(t, os.ModeNamedPipe, info.Mode().Type())
	text := make([]byte, 64<<10)
	n, err := reader.Read(text)
	require.NoError(t, err)

	require.NoError(t, os.WriteFile(file, []byte("an older sheet"), 0o600))
	require.NoError(t, os.Symlink(file, link))
	show(link)
	info, err = os.Lstat(link)
	require.NoError(t, err)
	require.Equal(t, os.ModeSymlink, info.Mode().Type())
	written, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(text[:n], written), "the same sheet goes to both")
	assert.NotEmpty(t, written)
}
