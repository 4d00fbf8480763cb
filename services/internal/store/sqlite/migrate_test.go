package sqlite

import (
	"database/sql"
	"fmt"
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

// schema1 makes the store of testdata/schema1.sql in a new folder.
func schema1(t *testing.T) (folder string) {
	folder = t.TempDir()
	text, err := os.ReadFile(filepath.Join("testdata", "schema1.sql"))
	require.NoError(t, err)
	db, err := sql.Open("sqlite", "file:"+filepath.Join(folder, "records.db")) // as SQLite makes a file unless told otherwise
	require.NoError(t, err)
	_, err = db.ExecContext(t.Context(), string(text))
	require.NoError(t, err)
	require.NoError(t, db.Close())
	return folder
}

const (
	trial1      = "0190a1b2-c3d4-7e5f-8a9b-0000000000bb"
	bath1       = "0190a1b2-c3d4-7e5f-8a9b-0000000000cc"
	water1      = "0190a1b2-c3d4-7e5f-8a9b-0000000000aa"
	experiment1 = "0190a1b2-c3d4-7e5f-8a9b-0000000000dd"
	request1    = "0190a1b2-c3d4-7e5f-8a9b-000000000001"
)

// TestSchema1 opens a store that the first version wrote: all that was in it is there, can be found in the new ways, and has a history from now on.
func TestSchema1(t *testing.T) {
	folder := schema1(t)
	_, err := OpenReadOnly(t.Context(), filepath.Join(folder, "records.db"))
	require.ErrorIs(t, err, ErrSchemaOlder)
	s := openIn(t, folder, Config{})
	ctx := t.Context()
	assert.Equal(t, int64(4), s.Revision())
	version, err := s.SchemaVersion(ctx)
	require.NoError(t, err)
	assert.Equal(t, int64(SchemaVersion), version)

	row, err := s.TrialRow(ctx, trial1)
	require.NoError(t, err)
	assert.Equal(t, store.TrialRow{
		ID: trial1, Owner: "ann", Sharing: trial.Cooperative, Holders: []string{"bo"}, Revision: 3, Body: row.Body,
	}, row)
	changes, err := s.Changes(ctx, 0, 100)
	require.NoError(t, err)
	require.Len(t, changes, 6)
	assert.Equal(t, trial.Change{
		Revision: 3, Kind: trial.Shared, RecordKind: "trial", RecordID: trial1, ByMember: "ann", At: time.Date(2026, 3, 4, 5, 6, 7, 8000, time.UTC).UnixMicro(),
	}, changes[4])
	token, err := s.Token(ctx, "t1")
	require.NoError(t, err)
	assert.Equal(t, store.TokenRow{
		ID: "t1", Member: "ann", SecretHash: [32]byte{1, 2, 3}, Label: "phone", CreatedAt: time.Date(2026, 3, 4, 5, 6, 7, 8000, time.UTC),
	}, token)
	members, err := s.Members(ctx)
	require.NoError(t, err)
	assert.Len(t, members, 3)
	experiment, err := s.Experiment(ctx, experiment1)
	require.NoError(t, err)
	assert.Equal(t, "which first", experiment.Title)
	replayed, err := s.Change(ctx, store.ChangeRequest{Actor: storetest.By("ann"), RequestID: request1, Apply: func(trial.Records) ([]byte, error) {
		return nil, trial.ErrImpossible
	}})
	require.NoError(t, err)
	assert.Equal(t, store.ChangeResult{Response: []byte("kept"), Revision: 2, Replayed: true}, replayed)

	for field, value := range map[string]string{"label": "großer", "material": "weld", "water": water1, "purpose": "dye"} {
		baths, err := s.ListBaths(ctx, store.BathQuery{Reader: "ann", Where: &store.Predicate{Field: field, Value: value}, Limit: 10})
		require.NoError(t, err)
		require.Len(t, baths, 1, field)
		assert.Equal(t, bath1, baths[0].ID)
	}
	baths, err := s.ListBaths(ctx, store.BathQuery{Reader: "ann", Where: &store.Predicate{Field: "material", Value: "chalk"}, Limit: 10})
	require.NoError(t, err)
	assert.Empty(t, baths, "a superseded addition")

	head, err := s.VerifyAudit(ctx)
	require.NoError(t, err, "the trail begins after what was there")
	assert.Zero(t, head)
	put(t, s, trial1, "opened by a later version")
	_, err = s.VerifyAudit(ctx)
	require.NoError(t, err)
	versions, err := s.Versions(ctx, trial.TrialRecord, trial1, 0, 10)
	require.NoError(t, err)
	require.Len(t, versions, 2, "what an earlier version overwrote isn't there")
	assert.Equal(t, row.Body, versions[1].Body)
	assert.Equal(t, trial.Shared, versions[1].Kind)
	_, err = s.Change(ctx, store.ChangeRequest{Actor: storetest.By("ann"), Now: time.Now(), Apply: func(r trial.Records) ([]byte, error) {
		bath, err := r.Bath(bath1)
		if err != nil {
			return nil, err
		}
		bath.Label, bath.DeletedAt = "other", time.Now()
		return nil, r.PutBath(bath, trial.Deleted) // a kind that the first schema's check refuses
	}})
	require.NoError(t, err)
	require.NoError(t, s.Close())

	r, err := OpenReadOnly(ctx, filepath.Join(folder, "records.db"))
	require.NoError(t, err)
	assert.NoError(t, r.IntegrityCheck(ctx))
	require.NoError(t, r.Close())
}

// Whoever upgrades is told what the newest schema does.
func TestUpgradeNotesTellOfTheSchema(t *testing.T) {
	notes, err := os.ReadFile("../../../../deploy/UPGRADE.md")
	require.NoError(t, err)
	assert.Contains(t, string(notes), fmt.Sprintf("to schema %d", SchemaVersion))
}
