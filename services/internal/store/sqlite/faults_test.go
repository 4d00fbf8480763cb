package sqlite

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// childFilesBounded bounds the size of its files, so that writes fail in the system itself, and later no more.
func childFilesBounded(folder string) {
	fail := func(err error) { fmt.Println("failed:", err) }
	signal.Ignore(syscall.SIGXFSZ)
	ctx := context.Background()
	s, err := Open(ctx, Config{Path: filepath.Join(folder, "records.db")})
	if err != nil {
		fail(err)
		return
	}
	first := storetest.NewSample("ann")
	if err := submit(s, first); err != nil {
		fail(err)
		return
	}
	var limit syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		fail(err)
		return
	}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: 400_000, Max: limit.Max}); err != nil {
		fail(err)
		return
	}
	lost, kept := 0, 1
	for range 40 {
		err := submit(s, storetest.NewSample("ann"))
		switch {
		case err == nil:
			kept++
		case errors.Is(err, store.ErrUnavailable) && !errors.Is(err, ErrCorrupt):
			lost++
		default:
			fail(err)
		}
	}
	if lost == 0 {
		fail(errors.New("nothing was lost"))
	}
	if _, err := s.TrialRow(ctx, first.Trial.ID); err != nil {
		fail(err)
	}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		fail(err)
	}
	for range 5 {
		if err := submit(s, storetest.NewSample("ann")); err != nil {
			fail(err)
		}
		kept++
	}
	if _, err := s.VerifyAudit(ctx); err != nil {
		fail(err)
	}
	if err := s.Close(); err != nil {
		fail(err)
	}
	fmt.Println("kept", kept)
}

// TestFilesBounded lets the system refuse writes: changes are refused as unavailable, reading goes on, and so does writing when there is room again.
func TestFilesBounded(t *testing.T) {
	folder := t.TempDir()
	s := openIn(t, folder, Config{})
	storetest.AddMembers(t, s)
	require.NoError(t, s.Close())
	out, err := childCommand("files bounded", folder).Output()
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	require.Len(t, lines, 1, "%s", out)
	var kept int64
	_, err = fmt.Sscanf(lines[0], "kept %d", &kept)
	require.NoError(t, err, lines[0])
	s = openIn(t, folder, Config{})
	assert.Equal(t, kept, s.Revision())
	_, err = s.VerifyAudit(t.Context())
	require.NoError(t, err)
	assertSound(t, s)
	require.NoError(t, s.Close())
}

// TestTornPages: a file that is damaged while it is open is said to be, loudly, and changed no more.
func TestTornPages(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "records.db")
	s := openIn(t, folder, Config{})
	storetest.AddMembers(t, s)
	var ids []trial.ID
	for range 300 {
		sample := storetest.NewSample("ann")
		ids = append(ids, sample.Trial.ID)
		require.NoError(t, submit(s, sample))
	}
	require.NoError(t, s.Close())
	var log bytes.Buffer
	s, err := Open(t.Context(), Config{Path: path, Logger: slog.New(slog.NewTextHandler(&log, nil))})
	require.NoError(t, err)
	require.NoError(t, submit(s, storetest.NewSample("ann")))
	tear(t, path)
	var found error
	for _, id := range ids {
		if _, err := s.TrialRow(t.Context(), id); err != nil {
			found = err
			break
		}
	}
	require.ErrorIs(t, found, ErrCorrupt)
	require.ErrorIs(t, found, store.ErrUnavailable)
	assert.True(t, s.Stats().Damaged)
	assert.Contains(t, log.String(), "level=ERROR")
	err = submit(s, storetest.NewSample("ann"))
	require.ErrorIs(t, err, ErrCorrupt)
	require.ErrorIs(t, err, store.ErrUnavailable)
	require.ErrorIs(t, s.TouchTokens(t.Context(), map[string]time.Time{"t": time.Now()}), ErrCorrupt)
	_ = s.Close() // as it can

	require.NoError(t, os.WriteFile(path, noise(5, 40_000), 0o600))
	for _, beside := range []string{"-wal", "-shm"} {
		_ = os.Remove(path + beside)
	}
	_, err = Open(t.Context(), Config{Path: path})
	require.ErrorIs(t, err, ErrCorrupt)
	_, err = OpenReadOnly(t.Context(), path)
	require.ErrorIs(t, err, ErrCorrupt)
}

// TestLogIsBounded writes and reads without a pause: some read always looks at the log, which is begun anew all the same.
func TestLogIsBounded(t *testing.T) {
	const limit = 512 << 10
	s := newStore(t, Config{LogLimit: limit})
	// So long that a busy machine is no reason to give up.
	require.NoError(t, s.direct(t.Context(), storetest.By("ann"), time.Time{}, func(w *writer) (string, error) {
		w.forcedWait = time.Minute
		return "", nil
	}))
	for range 60 {
		require.NoError(t, submit(s, storetest.NewSample("ann")))
	}
	ended := make(chan struct{})
	var all sync.WaitGroup
	for range 3 {
		all.Go(func() {
			for {
				select {
				case <-ended:
					return
				default:
				}
				if _, err := s.ListTrials(t.Context(), store.TrialQuery{Reader: "ann", Limit: 20}); !assert.NoError(t, err) {
					return
				}
			}
		})
	}
	var most int64
	id := storetest.NewSample("ann")
	require.NoError(t, submit(s, id))
	for n := range 150 {
		put(t, s, id.Trial.ID, fmt.Sprint("version ", n))
		if n%7 == 0 {
			require.NoError(t, submit(s, storetest.NewSample("ann")))
		}
		most = max(most, s.Stats().LogBytes)
	}
	close(ended)
	all.Wait()
	t.Logf("at most %d KiB of log, %d of the attempts to carry it over failed", most>>10, s.Stats().CheckpointsFailed)
	assert.Less(t, most, int64(limit+512<<10))
	assert.Greater(t, most, int64(limit/2), "the load is enough to fill it")
}

// A read that goes on holds the log; changes are made all the same, and the failure is counted.
func TestLongReadHoldsTheLog(t *testing.T) {
	s := newStore(t, Config{LogLimit: 100_000})
	require.NoError(t, submit(s, storetest.NewSample("ann")))
	tx, err := s.read.BeginTx(t.Context(), nil)
	require.NoError(t, err)
	var n int
	require.NoError(t, tx.QueryRowContext(t.Context(), "SELECT count(*) FROM trials").Scan(&n))
	for range 40 {
		require.NoError(t, submit(s, storetest.NewSample("ann")))
	}
	stats := s.Stats()
	assert.NotZero(t, stats.CheckpointsFailed)
	assert.Greater(t, stats.LogBytes, int64(100_000))
	require.NoError(t, tx.Rollback())
	require.Eventually(t, func() bool { return s.Stats().LogBytes == 0 }, time.Minute, 20*time.Millisecond, "when idle, after the read")
}

func TestStats(t *testing.T) {
	s := newStore(t, Config{})
	before := s.Stats()
	assert.Equal(t, uint64(3), before.Changes, "the members")
	assert.Equal(t, int64(SchemaVersion), before.SchemaVersion)
	assert.Equal(t, DefaultQueueSize, before.QueueCapacity)
	request := store.ChangeRequest{Actor: storetest.By("ann"), RequestID: storetest.NewID(), Now: time.Now(), Apply: storetestPut(storetest.NewSample("ann"))}
	for range 3 {
		_, err := s.Change(t.Context(), request)
		require.NoError(t, err)
	}
	request.RequestID = ""
	_, err := s.Change(t.Context(), request)
	require.Error(t, err, "the trial is there")
	stats := s.Stats()
	assert.Equal(t, before.Changes+1, stats.Changes)
	assert.Equal(t, uint64(2), stats.Replays)
	assert.GreaterOrEqual(t, stats.Groups, before.Groups+4)
	assert.Positive(t, stats.LogBytes)
	assert.False(t, stats.Damaged)
}

func storetestPut(sample *storetest.Sample) func(trial.Records) ([]byte, error) {
	return func(r trial.Records) ([]byte, error) { return nil, sample.Put(r) }
}

// Constraints hold in the file itself, whatever a program would write.
func TestConstraintsBite(t *testing.T) {
	s := newStore(t, Config{})
	sample := storetest.NewSample("ann")
	require.NoError(t, submit(s, sample))
	put(t, s, sample.Trial.ID, "again")
	for statement, want := range map[string]string{
		`UPDATE trials SET deleted = 2`:                                            "CHECK",
		`UPDATE baths SET deleted = -1`:                                            "CHECK",
		`UPDATE trials SET sharing = 4`:                                            "CHECK",
		`UPDATE trials SET state = 0`:                                              "CHECK",
		`UPDATE trials SET revision = 'three'`:                                     "cannot store TEXT",
		`UPDATE trials SET title_folded = NULL`:                                    "NOT NULL",
		`UPDATE trials SET owner = 'nobody'`:                                       "FOREIGN KEY",
		`UPDATE baths SET id = x'00'`:                                              "CHECK",
		`UPDATE baths SET label_folded = x'00'`:                                    "cannot store BLOB",
		`INSERT INTO bath_terms (field, value, bath) VALUES ('colour', 'x', 1)`:    "CHECK",
		`INSERT INTO bath_terms (field, value, bath) VALUES ('material', 'x', 99)`: "FOREIGN KEY",
		`UPDATE history SET next = revision`:                                       "CHECK",
		`UPDATE history SET sha256 = x'00'`:                                        "CHECK",
		`UPDATE history SET record_kind = 'recipe'`:                                "CHECK",
		`UPDATE history SET whole = 2`:                                             "CHECK",
		`INSERT INTO history SELECT seq + 1, record_kind, record_id, revision, next, ordinal, whole, size, sha256, body FROM history`: "UNIQUE",
		`UPDATE audit SET seq = 0 WHERE seq = 1`:                                  "CHECK",
		`UPDATE audit SET method = ''`:                                            "CHECK",
		`UPDATE audit SET subjects = ''`:                                          "CHECK",
		`UPDATE audit SET chain = x'00'`:                                          "CHECK",
		`UPDATE audit SET revision = 1`:                                           "UNIQUE",
		`UPDATE feed SET kind = 8`:                                                "CHECK",
		`UPDATE feed SET kind = 0`:                                                "CHECK",
		`UPDATE counters SET audited_after = -1`:                                  "CHECK",
		`INSERT INTO counters (only_row, revision, piece_codes) VALUES (2, 0, 0)`: "CHECK",
		`INSERT INTO member_roles (member, role) VALUES ('ann', 'wizard')`:        "CHECK",
		`INSERT INTO tokens (id, member, secret_hash, label, created_at) VALUES ('t', 'ann', x'00', '', 0)`: "CHECK",
		`DELETE FROM members WHERE id = 'ann'`: "FOREIGN KEY",
		`DELETE FROM baths`:                    "FOREIGN KEY",
	} {
		err := s.direct(t.Context(), storetest.By("ann"), time.Time{}, func(w *writer) (string, error) { return "", w.exec(statement) })
		cause := err
		var r *refusal
		if errors.As(err, &r) {
			cause = r.cause
		}
		assert.ErrorContains(t, cause, want, statement)
	}
	_, err := s.VerifyAudit(t.Context())
	require.NoError(t, err)
}
