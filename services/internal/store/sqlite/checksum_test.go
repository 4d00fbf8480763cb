package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"hash/crc32"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// RFC 3720, appendix B.4: 32 bytes of zeros have CRC-32C 8a9136aa, 32 bytes of ones 62a8ab43 (there in the order of the wire).
func TestCastagnoli(t *testing.T) {
	assert.Equal(t, uint32(0x8a9136aa), crc32.Checksum(make([]byte, 32), castagnoli))
	assert.Equal(t, uint32(0x62a8ab43), crc32.Checksum(bytes.Repeat([]byte{0xff}, 32), castagnoli))
}

// A checksum is another one when any column that it is of differs.
func TestSumCoversItsColumns(t *testing.T) {
	row := sealed{id: bytes.Repeat([]byte{7}, 16), owner: "ann", sharing: trial.Cooperative, revision: 3, body: []byte("what was kept")}
	sums := map[int64]string{row.sum(): "as it was"}
	for what, change := range map[string]func(*sealed){
		"body": func(r *sealed) { r.body = []byte("what was kepu") }, "longer": func(r *sealed) { r.body = append(bytes.Clone(r.body), 0) },
		"id": func(r *sealed) { r.id = bytes.Repeat([]byte{6}, 16) }, "owner": func(r *sealed) { r.owner = "anm" },
		"sharing": func(r *sealed) { r.sharing = trial.Public }, "open": func(r *sealed) { r.open = true },
		"deleted": func(r *sealed) { r.deleted = true }, "revision": func(r *sealed) { r.revision++ },
	} {
		other := row
		change(&other)
		assert.NotContains(t, sums, other.sum(), what)
		sums[other.sum()] = what
	}
}

// spoil changes rows behind the store's back, as a bad disk does.
func spoil(t *testing.T, s *Store, statement string) {
	t.Helper()
	require.NoError(t, s.direct(t.Context(), storetest.By("ann"), time.Time{}, func(w *writer) (string, error) { return "", w.exec(statement) }))
}

// A record of which a bit has flipped is never read, neither by itself nor in a list, a history or a change. All others are as good as
// before, and the log names the one.
func TestFlippedBitsAreRefused(t *testing.T) {
	for _, change := range []string{
		`UPDATE trials SET body = zeroblob(length(body)) WHERE seq = 1`,
		`UPDATE trials SET sharing = 3 WHERE seq = 1`,
		`UPDATE trials SET owner = 'bo' WHERE seq = 1`,
		`UPDATE trials SET deleted = 1 WHERE seq = 1`,
		`UPDATE trials SET revision = revision + 1 WHERE seq = 1`,
		`UPDATE trials SET checksum = checksum + 1 WHERE seq = 1`,
		`UPDATE trials SET checksum = 0 WHERE seq = 1`,
		`UPDATE trials SET body = (SELECT body FROM trials WHERE seq = 2) WHERE seq = 1`,
	} {
		t.Run(change, func(t *testing.T) {
			var log bytes.Buffer
			ctx := t.Context()
			s, err := Open(ctx, Config{Path: filepath.Join(t.TempDir(), "records.db"), Logger: slog.New(slog.NewTextHandler(&log, nil))})
			require.NoError(t, err)
			t.Cleanup(func() { _ = s.Close() })
			storetest.AddMembers(t, s)
			bad, good := storetest.NewSample("ann"), storetest.NewSample("ann")
			require.NoError(t, submit(s, bad))
			require.NoError(t, submit(s, good))
			spoil(t, s, change)

			_, err = s.TrialRow(ctx, bad.Trial.ID)
			require.ErrorIs(t, err, ErrCorrupt)
			require.ErrorContains(t, err, bad.Trial.ID)
			assert.Contains(t, log.String(), "level=ERROR")
			assert.Contains(t, log.String(), bad.Trial.ID)
			_, err = s.Versions(ctx, trial.TrialRecord, bad.Trial.ID, 0, 10)
			require.ErrorIs(t, err, ErrCorrupt)
			for _, deleted := range []bool{false, true} {
				rows, err := s.ListTrials(ctx, store.TrialQuery{Reader: "ann", Limit: 10, Deleted: deleted})
				if err != nil {
					require.ErrorIs(t, err, ErrCorrupt)
				}
				for _, row := range rows {
					assert.Equal(t, good.Trial.ID, row.ID)
				}
			}
			err = s.direct(ctx, storetest.By("ann"), time.Time{}, func(*writer) (string, error) { return "", nil })
			require.NoError(t, err)
			_, err = s.Change(ctx, store.ChangeRequest{Actor: storetest.By("ann"), Now: time.Now(), Apply: func(r trial.Records) ([]byte, error) {
				_, err := r.Trial(bad.Trial.ID)
				return nil, err
			}})
			require.ErrorIs(t, err, ErrCorrupt)

			_, err = s.TrialRow(ctx, good.Trial.ID)
			require.NoError(t, err)
			put(t, s, good.Trial.ID, "changed all the same")
			assert.False(t, s.Stats().Damaged)
		})
	}
}

// The other records, and answers that are given again.
func TestFlippedBitsElsewhere(t *testing.T) {
	ctx := t.Context()
	s := newStore(t, Config{})
	sample := storetest.NewSample("ann")
	require.NoError(t, submit(s, sample))
	w := &trial.WaterSource{ID: storetest.NewID(), Owner: "ann", Name: "well"}
	e := &trial.Experiment{ID: storetest.NewID(), Owner: "ann", Title: "which first"}
	request := store.ChangeRequest{Actor: storetest.By("ann"), RequestID: storetest.NewID(), Now: time.Now(), Apply: func(r trial.Records) ([]byte, error) {
		if err := r.CreateWaterSource(w); err != nil {
			return nil, err
		}
		return []byte("kept"), r.CreateExperiment(e)
	}}
	_, err := s.Change(ctx, request)
	require.NoError(t, err)
	replayed, err := s.Change(ctx, request)
	require.NoError(t, err)
	require.True(t, replayed.Replayed)

	for _, table := range []string{"baths", "water_sources", "experiments"} {
		spoil(t, s, `UPDATE `+table+` SET body = zeroblob(length(body))`)
	}
	spoil(t, s, `UPDATE requests SET response = x'00' WHERE length(response) = 4`)
	changing := func(read func(trial.Records) error) error {
		_, err := s.Change(ctx, store.ChangeRequest{Actor: storetest.By("ann"), Now: time.Now(), Apply: func(r trial.Records) ([]byte, error) {
			return nil, read(r)
		}})
		return err
	}
	r, err := OpenReadOnly(ctx, strings.TrimSuffix(s.logPath, "-wal"))
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	err = r.IntegrityCheck(ctx)
	require.ErrorIs(t, err, ErrCorrupt)
	for _, named := range []string{"of requests", w.ID + " of water_sources", e.ID + " of experiments", sample.Baths[0].ID + " of baths"} {
		assert.ErrorContains(t, err, named)
	}
	assert.NotContains(t, err.Error(), "of trials")
	for what, read := range map[string]func(context.Context) error{
		"bath": func(ctx context.Context) error { _, err := s.BathRow(ctx, sample.Baths[0].ID); return err },
		"baths": func(ctx context.Context) error {
			_, err := s.ListBaths(ctx, store.BathQuery{Reader: "ann", Limit: 9})
			return err
		},
		"water": func(ctx context.Context) error { _, err := s.WaterSource(ctx, w.ID); return err },
		"waters": func(ctx context.Context) error {
			_, err := s.WaterSources(ctx, store.RecordQuery{Limit: 9})
			return err
		},
		"experiment":  func(ctx context.Context) error { _, err := s.Experiment(ctx, e.ID); return err },
		"experiments": func(ctx context.Context) error { _, err := s.Experiments(ctx, store.RecordQuery{Limit: 9}); return err },
		"answer":      func(ctx context.Context) error { _, err := s.Change(ctx, request); return err },
		"bath in a change": func(context.Context) error {
			return changing(func(r trial.Records) error { _, err := r.Bath(sample.Baths[0].ID); return err })
		},
		"water in a change": func(context.Context) error {
			return changing(func(r trial.Records) error { _, err := r.WaterSource(w.ID); return err })
		},
		"experiment in a change": func(context.Context) error {
			return changing(func(r trial.Records) error { _, err := r.Experiment(e.ID); return err })
		},
	} {
		assert.ErrorIs(t, read(ctx), ErrCorrupt, what)
	}
}

// A store of before there were checksums gets one in every row.
func TestMigrationSeals(t *testing.T) {
	folder := schema1(t)
	require.NoError(t, openIn(t, folder, Config{}).Close())
	db, err := sql.Open("sqlite", "file:"+filepath.Join(folder, "records.db"))
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	for _, table := range []string{"trials", "baths", "water_sources", "experiments", "requests"} {
		var rows, sealed int
		require.NoError(t, db.QueryRowContext(t.Context(), "SELECT count(*), count(nullif(checksum, 0)) FROM "+table).Scan(&rows, &sealed))
		assert.Positive(t, rows, table)
		assert.Equal(t, rows, sealed, table)
	}
}

// BenchmarkChecksum compares reading a row with its checksum looked at and without, by turns, and what a checksum takes with a submit.
func BenchmarkChecksum(b *testing.B) {
	s := openIn(b, b.TempDir(), Config{})
	storetest.AddMembers(b, s)
	samples := make([]*storetest.Sample, 200)
	begun := time.Now()
	for i := range samples {
		samples[i] = storetest.NewSample("ann")
		require.NoError(b, submit(s, samples[i]))
	}
	submitting := time.Since(begun) / time.Duration(len(samples)) // one by one, each with its wait for the disk
	ctx := context.Background()
	const plainColumns = `t.id, t.owner, t.sharing, t.deleted, t.revision, t.body,
  (SELECT group_concat(member, char(10)) FROM (SELECT member FROM trial_holders WHERE trial = t.seq ORDER BY member))`
	plain, err := s.read.PrepareContext(ctx, `SELECT `+plainColumns+` FROM trials t WHERE t.id = ?`)
	require.NoError(b, err)
	defer func() { _ = plain.Close() }()
	var with, without, summing []time.Duration
	var row store.TrialRow
	turn := func(into *[]time.Duration, do func() error) {
		begun := time.Now()
		err := do()
		*into = append(*into, time.Since(begun))
		require.NoError(b, err)
	}
	bytesRead := 0
	for i := range b.N {
		id := samples[i%len(samples)].Trial.ID
		checked := func() {
			turn(&with, func() error { _, err := s.readTrial(ctx, id); return err })
		}
		unchecked := func() {
			turn(&without, func() error {
				u, _ := parseID(id)
				var kept []byte
				var holders sql.NullString
				row = store.TrialRow{}
				return plain.QueryRowContext(ctx, u[:]).Scan(&kept, &row.Owner, &row.Sharing, &row.Deleted, &row.Revision, &row.Body, &holders)
			})
		}
		if i/len(samples)%2 == 0 { // whoever comes second finds the pages at hand
			checked()
			unchecked()
		} else {
			unchecked()
			checked()
		}
		bytesRead += len(row.Body)
		turn(&summing, func() error {
			sum(row.Body, make([]byte, 16), row.Owner, row.Sharing, false, row.Deleted, row.Revision)
			return nil
		})
	}
	median := func(of []time.Duration) float64 {
		slices.Sort(of)
		return float64(of[len(of)/2])
	}
	require.NoError(b, s.Close())
	b.ReportMetric(median(with)/median(without), "read-ratio")
	b.ReportMetric(median(summing)/float64(submitting), "sum/submit")
	b.ReportMetric(median(summing), "ns/sum")
	b.ReportMetric(float64(bytesRead)/float64(b.N), "bytes/body")
}
