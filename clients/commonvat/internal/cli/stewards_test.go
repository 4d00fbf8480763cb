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

// A token that goes into a file is nowhere else, and no token is made that can't be given.
func TestTokenIntoAFile(t *testing.T) {
	f := startFake(t)
	path := filepath.Join(t.TempDir(), "bo.token")
	r := f.run(t, "", "token", "issue", "bo", "--token-file", path)
	require.Equal(t, ExitOK, r.code, r.err)
	assert.Empty(t, r.out)
	assert.NotContains(t, r.err, "t1.word")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "t1.word\n", string(text))
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	f.take()

	for _, bad := range []string{path, filepath.Join(t.TempDir(), "none", "bo.token")} {
		r = f.run(t, "", "token", "issue", "bo", "--token-file", bad)
		assert.Equal(t, ExitUsage, r.code, bad)
		assert.Contains(t, r.err, "--token-file: ", bad)
		assert.Empty(t, f.take(), "nothing was asked: %s", bad)
	}
	other := filepath.Join(t.TempDir(), "ash.token")
	f.fail(status.Error(codes.NotFound, "member ash: not found"))
	r = f.run(t, "", "token", "issue", "ash", "--token-file", other)
	assert.Equal(t, ExitNotFound, r.code)
	assert.NoFileExists(t, other)
}
