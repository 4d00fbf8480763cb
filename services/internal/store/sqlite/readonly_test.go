package sqlite

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func reading(t *testing.T, path string) *Reader {
	r, err := OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, r.Close()) })
	return r
}

// TestReadBesideAWriter reads, checks and copies a store that is being written to.
func TestReadBesideAWriter(t *testing.T) {
	folder := t.TempDir()
	s := openIn(t, folder, Config{})
	defer func() { assert.NoError(t, s.Close()) }()
	storetest.AddMembers(t, s)
	deleted := storetest.NewSample("bo")
	deleted.Trial.DeletedAt, deleted.Baths[0].DeletedAt = time.Now(), time.Now()
	require.NoError(t, submit(s, deleted))
	ended, writing := make(chan struct{}), make(chan struct{})
	stopped := make(chan int)
	go func() {
		for n := 1; ; n++ {
			select {
			case <-ended:
				stopped <- n
				return
			default:
				assert.NoError(t, submit(s, storetest.NewSample("ann")))
				if n == 1 {
					close(writing)
				}
			}
		}
	}()
	r := reading(t, filepath.Join(folder, "records.db"))
	<-writing
	require.NoError(t, r.IntegrityCheck(t.Context()))
	_, err := r.VerifyAudit(t.Context())
	require.NoError(t, err)
	before, err := r.Revision(t.Context())
	require.NoError(t, err)
	copied := filepath.Join(t.TempDir(), "copy.db")
	require.NoError(t, r.BackupInto(t.Context(), copied))
	after, err := r.Revision(t.Context())
	require.NoError(t, err)
	close(ended)
	total := int64(<-stopped)

	info, err := os.Stat(copied)
	require.NoError(t, err)
	assert.Equal(t, fs.FileMode(0o600), info.Mode().Perm())
	c := reading(t, copied)
	require.NoError(t, c.IntegrityCheck(t.Context()))
	revision, err := c.Revision(t.Context())
	require.NoError(t, err)
	assert.GreaterOrEqual(t, revision, before)
	assert.LessOrEqual(t, revision, after)
	counts, err := c.Counts(t.Context())
	require.NoError(t, err)
	assert.Equal(t, revision, counts["trials"])
	assert.Equal(t, 2*revision, counts["baths"])
	assert.Equal(t, revision+3, counts["audit"])
	assert.Equal(t, int64(3), counts["members"])
	assert.NotContains(t, counts, "goose_db_version")
	_, err = c.VerifyAudit(t.Context())
	require.NoError(t, err)
	var seen, gone, baths int64
	for at := ""; ; {
		page, err := c.AllTrials(t.Context(), at, 7)
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		for _, row := range page {
			seen++
			if row.Deleted {
				gone++
			}
			one, err := c.TrialRow(t.Context(), row.ID)
			require.NoError(t, err)
			assert.Equal(t, row, one)
		}
		at = page[len(page)-1].ID
	}
	for at := ""; ; {
		page, err := c.AllBaths(t.Context(), at, 100)
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		baths += int64(len(page))
		at = page[len(page)-1].ID
	}
	assert.Equal(t, []int64{revision, 1, 2 * revision}, []int64{seen, gone, baths})
	_, err = c.AllTrials(t.Context(), "", 0)
	require.ErrorIs(t, err, trial.ErrInvalid)
	require.NoError(t, c.Close())

	// The copy is a store like any other, and the one that it was made of goes on.
	restored, err := Open(t.Context(), Config{Path: copied})
	require.NoError(t, err)
	require.NoError(t, submit(restored, storetest.NewSample("ann")))
	_, err = restored.VerifyAudit(t.Context())
	require.NoError(t, err)
	require.NoError(t, restored.Close())
	assert.Equal(t, total, s.Revision())
}

func TestBackupRefusesWhatIsThere(t *testing.T) {
	folder := t.TempDir()
	s := openIn(t, folder, Config{})
	require.NoError(t, s.Close())
	r := reading(t, filepath.Join(folder, "records.db"))
	taken := filepath.Join(t.TempDir(), "taken.db")
	for _, content := range []string{"", "somebody's"} {
		require.NoError(t, os.WriteFile(taken, []byte(content), 0o600))
		require.ErrorIs(t, r.BackupInto(t.Context(), taken), fs.ErrExist)
		is, err := os.ReadFile(taken)
		require.NoError(t, err)
		assert.Equal(t, content, string(is))
	}
	require.ErrorIs(t, r.BackupInto(t.Context(), filepath.Join(folder, "no", "folder")), fs.ErrNotExist)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	stopped := filepath.Join(folder, "stopped.db")
	require.ErrorIs(t, r.BackupInto(ctx, stopped), context.Canceled)
	_, err := os.Stat(stopped)
	assert.ErrorIs(t, err, fs.ErrNotExist, "nothing half-written is left")
}

func TestReaderWritesNothing(t *testing.T) {
	folder := t.TempDir()
	s := openIn(t, folder, Config{})
	storetest.AddMembers(t, s)
	r := reading(t, filepath.Join(folder, "records.db"))
	_, err := r.read.ExecContext(t.Context(), "DELETE FROM members")
	require.ErrorContains(t, err, "readonly")
	_, err = r.copy.ExecContext(t.Context(), "DELETE FROM members")
	require.ErrorContains(t, err, "readonly")
	require.NoError(t, s.Close())
	_, err = OpenReadOnly(t.Context(), filepath.Join(folder, "other.db"))
	require.ErrorIs(t, err, fs.ErrNotExist)
	_, err = os.Stat(filepath.Join(folder, "other.db"))
	require.ErrorIs(t, err, fs.ErrNotExist, "and it is not made")

	alter(t, folder, "INSERT INTO goose_db_version (version_id, is_applied) VALUES (99, 1)")
	_, err = OpenReadOnly(t.Context(), filepath.Join(folder, "records.db"))
	require.ErrorIs(t, err, ErrSchemaNewer)
	foreign := t.TempDir()
	alter(t, foreign, "CREATE TABLE recipes (id INTEGER)")
	_, err = OpenReadOnly(t.Context(), filepath.Join(foreign, "records.db"))
	require.ErrorIs(t, err, ErrForeignFile)
}

// A reference that leads nowhere, an index that lost a row and a torn page are found by the check of the file.
func TestIntegrityCheckFinds(t *testing.T) {
	fresh := func() string {
		folder := t.TempDir()
		s := openIn(t, folder, Config{})
		storetest.AddMembers(t, s)
		for range 20 {
			require.NoError(t, submit(s, storetest.NewSample("ann")))
		}
		require.NoError(t, s.Close())
		return folder
	}
	check := func(folder string) error {
		return reading(t, filepath.Join(folder, "records.db")).IntegrityCheck(t.Context())
	}
	folder := fresh()
	require.NoError(t, check(folder))
	alter(t, folder, "PRAGMA foreign_keys = 0; DELETE FROM members WHERE id = 'ann'")
	err := check(folder)
	require.ErrorIs(t, err, ErrCorrupt)
	assert.ErrorContains(t, err, "refers to a row of members that isn't there")
	assert.NotErrorIs(t, err, store.ErrUnavailable)

	folder = fresh()
	alter(t, folder, `PRAGMA writable_schema = 1; DELETE FROM sqlite_schema WHERE name = 'trials_live'`)
	require.ErrorIs(t, check(folder), ErrCorrupt, "pages that nothing uses")

	folder = fresh()
	tear(t, filepath.Join(folder, "records.db"))
	torn, err := OpenReadOnly(t.Context(), filepath.Join(folder, "records.db"))
	if err == nil {
		err = errors.Join(torn.IntegrityCheck(t.Context()), torn.Close())
	}
	require.ErrorIs(t, err, ErrCorrupt, "found when it is opened, or by the check")
}

// tear overwrites the middle pages of a file.
func tear(t *testing.T, path string) {
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	info, err := file.Stat()
	require.NoError(t, err)
	_, err = file.WriteAt(noise(3, int(info.Size())/2), info.Size()/4)
	require.NoError(t, err)
	require.NoError(t, file.Close())
}
