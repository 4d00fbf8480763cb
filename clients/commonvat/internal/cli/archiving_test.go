package cli

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// An export that can't be finished leaves nothing behind; this fake core lists a trial that it then doesn't have.
func TestBrokenExportLeavesNothing(t *testing.T) {
	f := startFake(t)
	dir := t.TempDir()
	r := f.run(t, "", "export", filepath.Join(dir, "mine"))
	assert.Equal(t, ExitNotFound, r.code)
	assert.Contains(t, r.err, "trial 0197a000-0000-7000-8000-0000000000c2")
	f.fail(status.Error(codes.Unavailable, "going down")) // and asked again
	r = f.run(t, "", "export", filepath.Join(dir, "mine"))
	assert.Equal(t, ExitNotFound, r.code)
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, left)

	f.take()
	require.NoError(t, os.Mkdir(filepath.Join(dir, "there"), 0o700))
	r = f.run(t, "", "export", filepath.Join(dir, "there"))
	assert.Equal(t, ExitInput, r.code)
	assert.Contains(t, r.err, "is there already")
	assert.Len(t, f.take(), 1, "who is asking, and no more")

	r = f.run(t, "", "export", filepath.Join(dir, "no", "folder"))
	assert.Equal(t, ExitInput, r.code, "no folder to put it into")
	r = f.run(t, "", "export", "restore", dir)
	assert.Equal(t, ExitInput, r.code)
	assert.Contains(t, r.err, "this is no export that can be restored")
	assert.Empty(t, f.take()[1:], "a folder is read before anything is asked")
	assert.Equal(t, ExitUsage, f.run(t, "", "export").code)
	assert.Equal(t, ExitUsage, f.run(t, "", "export", "restore").code)
}
