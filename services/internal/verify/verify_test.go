package verify_test

import (
	"context"
	"database/sql"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
	"github.com/commonvat/commonvat/services/internal/verify"
)

// storeWith makes a store with one shared trial and its two baths, and gives its path.
func storeWith(t *testing.T) (path string, kept *trial.Trial) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "records.db")
	records, err := sqlite.Open(t.Context(), sqlite.Config{Path: path})
	require.NoError(t, err)
	storetest.AddMembers(t, records)
	sample := storetest.NewSample("ann")
	sample.Trial.Sharing = trial.Sharing{Level: trial.Cooperative}
	for i := range sample.Trial.Pieces {
		sample.Trial.Pieces[i].Route = trial.Route{} // the domain's to derive
	}
	_, err = records.Change(t.Context(), store.ChangeRequest{
		Actor: storetest.By("ann"), RequestID: storetest.NewID(), Now: time.Now(),
		Apply: func(r trial.Records) (_ []byte, err error) {
			kept, _, err = trial.SubmitTrial(r, "ann", time.Now(), sample.Trial, []trial.Bath{*sample.Baths[0], *sample.Baths[1]})
			return []byte("kept"), err
		},
	})
	require.NoError(t, err)
	require.NoError(t, records.Close())
	return path, kept
}

func run(t *testing.T, path string, tamper func(*store.TrialRow)) (verify.Report, error) {
	t.Helper()
	opened, err := sqlite.OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, opened.Close()) })
	return verify.Run(t.Context(), tampered{opened, tamper})
}

// tampered is a store whose rows were changed past the core, checksums and all.
type tampered struct {
	*sqlite.Reader
	change func(*store.TrialRow)
}

func (s tampered) AllTrials(ctx context.Context, after trial.ID, limit int) ([]store.TrialRow, error) {
	rows, err := s.Reader.AllTrials(ctx, after, limit)
	for i := range rows {
		if s.change != nil {
			s.change(&rows[i])
		}
	}
	return rows, err
}

func TestSoundStore(t *testing.T) {
	path, kept := storeWith(t)
	report, err := run(t, path, nil)
	require.NoError(t, err)
	assert.Empty(t, report.Faults)
	assert.Equal(t, 1, report.Trials)
	assert.Equal(t, 2, report.Baths)
	assert.Equal(t, len(kept.Pieces), report.Pieces)
	assert.EqualValues(t, 1, report.Revision)
	assert.EqualValues(t, sqlite.SchemaVersion, report.Schema)
	assert.Equal(t, len(kept.Pieces), report.PoolRows, "one reading stands for each piece")
	assert.Len(t, report.PoolChecksum, 64)
	again, err := run(t, path, nil)
	require.NoError(t, err)
	assert.Equal(t, report, again)
}

// What is derived is derived anew: a record that says something else than what follows from it is found, and so is a column beside it.
func TestWhatIsDerivedIsHeldAgainstItself(t *testing.T) {
	path, kept := storeWith(t)
	body := func(change func(*trial.Trial)) func(*store.TrialRow) {
		return func(row *store.TrialRow) {
			read, err := record.DecodeTrial(row.Body)
			require.NoError(t, err)
			change(read)
			row.Body, err = record.EncodeTrial(read)
			require.NoError(t, err)
		}
	}
	for name, c := range map[string]struct {
		tamper func(*store.TrialRow)
		says   string
	}{
		"shared with more":   {func(row *store.TrialRow) { row.Sharing = trial.Public }, "what stands beside the record is not what it says"},
		"another owner":      {func(row *store.TrialRow) { row.Owner = "bo" }, "what stands beside the record is not what it says"},
		"deleted":            {func(row *store.TrialRow) { row.Deleted = true }, "what stands beside the record is not what it says"},
		"a route too short":  {body(func(t *trial.Trial) { t.Pieces[0].Route.Layers = t.Pieces[0].Route.Layers[:1] }), "route"},
		"a bath of nobody's": {body(func(t *trial.Trial) { t.Immersions[0].BathID = storetest.NewID() }), "bath"},
		"no record":          {func(row *store.TrialRow) { row.Body = []byte{0xff} }, "trial " + kept.ID},
	} {
		report, err := run(t, path, c.tamper)
		require.NoError(t, err, name)
		require.NotEmpty(t, report.Faults, name)
		assert.Contains(t, report.Faults[0], c.says, name)
	}
}

// A row whose bits changed on the disk is a fault of the report, at once: nobody waits for a pool that can't be loaded.
func TestDamagedRow(t *testing.T) {
	path, kept := storeWith(t)
	db, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	_, err = db.ExecContext(t.Context(), "UPDATE trials SET body = CAST(substr(body, 1, length(body) - 1) || x'00' AS BLOB)")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	report, err := run(t, path, nil)
	require.NoError(t, err)
	require.Len(t, report.Faults, 2)
	assert.Contains(t, report.Faults[0], "structure: ")
	assert.Contains(t, report.Faults[0], kept.ID)
	assert.Contains(t, report.Faults[1], "records: trial "+kept.ID)
	assert.Empty(t, report.PoolChecksum)
}
