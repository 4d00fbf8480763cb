package settings

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestSaveAndLoad(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a", "settings.json")
	none, err := Load(path)
	require.NoError(t, err)
	assert.Equal(t, Settings{}, none)
	want := Settings{Server: "localhost:7730", Token: "word", CAFile: "ca.pem", CertFile: "me.pem", KeyFile: "me.key"}
	require.NoError(t, want.Save(path))
	require.NoError(t, want.Save(path), "an old file is replaced")
	got, err := Load(path)
	require.NoError(t, err)
	assert.Equal(t, want, got)
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.EqualValues(t, 0o600, info.Mode().Perm())
	left, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	assert.Len(t, left, 1, "no half-written file stays")
}

func TestLoadRefuses(t *testing.T) {
	path := filepath.Join(t.TempDir(), "settings.json")
	require.NoError(t, os.WriteFile(path, []byte(`{"server":"x","colour":1}`), 0o600))
	_, err := Load(path)
	assert.ErrorContains(t, err, "colour")
	require.NoError(t, os.Chmod(path, 0o640))
	_, err = Load(path)
	assert.ErrorIs(t, err, ErrOpenToOthers)
	require.NoError(t, os.WriteFile(path, make([]byte, 65<<10), 0o600))
	require.NoError(t, os.Chmod(path, 0o600))
	_, err = Load(path)
	assert.ErrorContains(t, err, "64 KiB")
}

func TestReadToken(t *testing.T) {
	got, err := ReadToken([]byte(" abc_1\r\n"))
	require.NoError(t, err)
	assert.Equal(t, "abc_1", got)
	for _, bad := range []string{"", "\n", "two words", "two\nlines", "tökn", strings.Repeat("x", 2000)} {
		_, err := ReadToken([]byte(bad))
		assert.Error(t, err)
	}
}
