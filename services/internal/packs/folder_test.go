package packs_test

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/packs"
)

// The digest of "abc" is that of FIPS 180-2, appendix B.1.
const (
	abc       = "abc"
	abcDigest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
)

func TestKeep(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "packs")
	f := packs.OpenFolder(folder)
	_, err := f.Content(abcDigest)
	require.ErrorIs(t, err, fs.ErrNotExist)
	kept, err := f.Check()
	require.NoError(t, err)
	assert.Empty(t, kept)

	digest, err := f.Keep([]byte(abc))
	require.NoError(t, err)
	assert.Equal(t, abcDigest, digest)
	path := filepath.Join(folder, "sha256", digest)
	before, err := os.Stat(path)
	require.NoError(t, err)
	assert.Zero(t, before.Mode().Perm()&0o277, "nobody writes it again")
	again, err := f.Keep([]byte(abc))
	require.NoError(t, err)
	assert.Equal(t, digest, again)
	after, err := os.Stat(path)
	require.NoError(t, err)
	assert.True(t, os.SameFile(before, after))
	content, err := f.Content(digest)
	require.NoError(t, err)
	assert.Equal(t, abc, string(content))

	for _, wrong := range [][]byte{nil, bytes.Repeat([]byte("x"), packs.MaxBytes+1)} {
		_, err = f.Keep(wrong)
		require.ErrorContains(t, err, "want 1 to 2097152")
	}
	largest, err := f.Keep(bytes.Repeat([]byte("x"), packs.MaxBytes))
	require.NoError(t, err)
	kept, err = f.Check()
	require.NoError(t, err)
	assert.ElementsMatch(t, []string{digest, largest}, kept)
}

// Names that lead elsewhere, links, pipes, folders and changed bytes are refused, and none holds up whoever reads.
func TestFolderRefuses(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "packs")
	f := packs.OpenFolder(folder)
	_, err := f.Keep([]byte(abc))
	require.NoError(t, err)
	inside := filepath.Join(folder, "sha256")
	outside := filepath.Join(t.TempDir(), "outside")
	require.NoError(t, os.WriteFile(outside, []byte(abc), 0o600))

	for _, name := range []string{"", "..", "../" + abcDigest, outside, strings.ToUpper(abcDigest), abcDigest + "/", abcDigest[:63]} {
		_, err := f.Content(name)
		require.ErrorIs(t, err, fs.ErrNotExist, name)
	}
	digest := func(digit string) string { return strings.Repeat(digit, 64) }
	require.NoError(t, os.Symlink(outside, filepath.Join(inside, digest("1"))))
	require.NoError(t, os.Symlink(abcDigest, filepath.Join(inside, digest("2"))))
	require.NoError(t, syscall.Mkfifo(filepath.Join(inside, digest("3")), 0o600))
	require.NoError(t, os.Mkdir(filepath.Join(inside, digest("4")), 0o700))
	require.NoError(t, os.Link(outside, filepath.Join(inside, digest("5"))))
	require.NoError(t, os.WriteFile(filepath.Join(inside, digest("6")), bytes.Repeat([]byte("x"), packs.MaxBytes+1), 0o600))
	done := make(chan struct{})
	go func() {
		defer close(done)
		for _, digit := range []string{"1", "2", "3", "4", "5", "6"} {
			_, err := f.Content(digest(digit))
			assert.ErrorIs(t, err, packs.ErrDamaged, digit)
		}
		kept, err := f.Check()
		assert.ErrorIs(t, err, packs.ErrDamaged)
		assert.Equal(t, []string{abcDigest}, kept)
	}()
	select {
	case <-done:
	case <-time.After(time.Minute):
		t.Fatal("reading was held up")
	}

	// Another content under the name of one that is to be kept isn't taken for it.
	path := filepath.Join(inside, abcDigest)
	require.NoError(t, os.Remove(path))
	require.NoError(t, os.WriteFile(path, []byte("abd"), 0o600))
	_, err = f.Content(abcDigest)
	require.ErrorIs(t, err, packs.ErrDamaged)
	_, err = f.Keep([]byte(abc))
	require.ErrorIs(t, err, packs.ErrDamaged)

	require.NoError(t, os.WriteFile(filepath.Join(inside, "notes.txt"), nil, 0o600))
	_, err = f.Check()
	require.ErrorContains(t, err, "notes.txt")
}

// A write that was cut off leaves nothing that could be taken for data.
func TestCutOffWrite(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "packs")
	f := packs.OpenFolder(folder)
	require.NoError(t, os.MkdirAll(filepath.Join(folder, "sha256"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "sha256", ".incoming-1"), []byte("a"), 0o600))
	kept, err := f.Check()
	require.NoError(t, err)
	assert.Empty(t, kept)
	_, err = f.Keep([]byte(abc))
	require.NoError(t, err)
}

func TestKeepAtOnce(t *testing.T) {
	f := packs.OpenFolder(filepath.Join(t.TempDir(), "packs"))
	var all sync.WaitGroup
	for range 16 {
		all.Go(func() {
			digest, err := f.Keep([]byte(abc))
			assert.NoError(t, err)
			content, err := f.Content(digest)
			assert.NoError(t, err)
			assert.Equal(t, abc, string(content))
		})
	}
	all.Wait()
}
