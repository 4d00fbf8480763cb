package sqlite

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func newStore(t *testing.T, config Config) *Store {
	s := openIn(t, t.TempDir(), config)
	t.Cleanup(func() { assert.NoError(t, s.Close()) })
	storetest.AddMembers(t, s)
	return s
}

func submit(s *Store, sample *storetest.Sample) error {
	_, err := s.Change(context.Background(), store.ChangeRequest{
		Actor: storetest.By("ann"), RequestID: storetest.NewID(), Now: time.Now(),
		Apply: func(r trial.Records) ([]byte, error) { return []byte("kept"), sample.Put(r) },
	})
	return err
}

// The values are spelled out here, so that a change of the list shows.
func TestPragmasOnEveryConnection(t *testing.T) {
	s := newStore(t, Config{})
	want := map[string]string{
		"busy_timeout": "5000", "journal_mode": "wal", "synchronous": "2", "foreign_keys": "1",
		"journal_size_limit": "67108864", "query_only": "1",
	}
	var held []*sql.Conn
	for range readConnections {
		conn, err := s.read.Conn(t.Context())
		require.NoError(t, err)
		held = append(held, conn)
		for name, value := range want {
			var is string
			require.NoError(t, conn.QueryRowContext(t.Context(), "PRAGMA "+name).Scan(&is))
			assert.Equal(t, value, is, name)
		}
		_, err = conn.ExecContext(t.Context(), "DELETE FROM counters")
		assert.ErrorContains(t, err, "readonly")
	}
	for _, conn := range held {
		require.NoError(t, conn.Close())
	}

	db, err := sql.Open("sqlite", "file:"+filepath.Join(t.TempDir(), "plain.db"))
	require.NoError(t, err)
	defer func() { assert.NoError(t, db.Close()) }()
	assert.ErrorContains(t, assertPragmas(t.Context(), db, 2, forWriting), "must be", "a data source without them is noticed")
}

func TestStrictTables(t *testing.T) {
	s := newStore(t, Config{})
	const ours = " FROM pragma_table_list WHERE schema = 'main' AND name NOT LIKE 'sqlite_%' AND name NOT LIKE 'goose_%'"
	var tables int
	var lax string
	require.NoError(t, s.read.QueryRowContext(t.Context(), "SELECT count(*), coalesce(group_concat(name) FILTER (WHERE NOT strict), '')"+ours).Scan(&tables, &lax))
	assert.Empty(t, lax, "tables that are not strict")
	assert.Greater(t, tables, 10)
}

func TestOneProcessPerFile(t *testing.T) {
	folder := t.TempDir()
	s := openIn(t, folder, Config{})
	_, err := Open(t.Context(), Config{Path: filepath.Join(folder, "records.db")})
	require.ErrorIs(t, err, ErrInUse)
	assert.ErrorContains(t, err, "records.db.lock")
	link := filepath.Join(t.TempDir(), "link.db")
	require.NoError(t, os.Symlink(filepath.Join(folder, "records.db"), link))
	_, err = Open(t.Context(), Config{Path: link})
	require.ErrorIs(t, err, ErrInUse, "by another name")
	require.NoError(t, s.Close())
	require.NoError(t, openIn(t, folder, Config{}).Close(), "free after Close")
}

func TestOnlyTheOwnerReadsTheFiles(t *testing.T) {
	folder := t.TempDir()
	s := openIn(t, folder, Config{})
	entries, err := os.ReadDir(folder)
	require.NoError(t, err)
	require.Len(t, entries, 4)
	for _, entry := range entries {
		info, err := entry.Info()
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o600), info.Mode().Perm(), entry.Name())
	}
	require.NoError(t, s.Close())
}

func TestPathWithOddSigns(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "a b?c#d%20&_pragma=synchronous(0)")
	require.NoError(t, openIn(t, folder, Config{}).Close())
	_, err := os.Stat(filepath.Join(folder, "records.db"))
	require.NoError(t, err)
}

func alter(t *testing.T, folder, statement string) {
	db, err := sql.Open("sqlite", dsn(filepath.Join(folder, "records.db"), forWriting))
	require.NoError(t, err)
	_, err = db.ExecContext(t.Context(), statement)
	require.NoError(t, err)
	require.NoError(t, db.Close())
}

func TestNewerSchemaIsRefused(t *testing.T) {
	folder := t.TempDir()
	require.NoError(t, openIn(t, folder, Config{}).Close())
	alter(t, folder, "INSERT INTO goose_db_version (version_id, is_applied) VALUES (99, 1)")
	_, err := Open(t.Context(), Config{Path: filepath.Join(folder, "records.db")})
	require.ErrorIs(t, err, ErrSchemaNewer)
	assert.ErrorContains(t, err, "version 99")
}

func TestForeignFilesAreRefused(t *testing.T) {
	folder := t.TempDir()
	alter(t, folder, "CREATE TABLE recipes (id INTEGER)")
	_, err := Open(t.Context(), Config{Path: filepath.Join(folder, "records.db")})
	require.ErrorIs(t, err, ErrForeignFile)

	folder = t.TempDir()
	path := filepath.Join(folder, "records.db")
	require.NoError(t, os.WriteFile(path, []byte(strings.Repeat("not a database ", 100)), 0o600))
	_, err = Open(t.Context(), Config{Path: path})
	assert.ErrorContains(t, err, "not a database")
}

// A full disk is played by a bound on the file's pages, a read-only one by a connection that must not write.
func TestDiskFullOrReadOnly(t *testing.T) {
	for name, pragma := range map[string]struct{ on, off string }{
		"full":      {"PRAGMA max_page_count = 1", "PRAGMA max_page_count = 1073741823"}, // 1 means: no more than there are
		"read-only": {"PRAGMA query_only = 1", "PRAGMA query_only = 0"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newStore(t, Config{})
			first := storetest.NewSample("ann")
			require.NoError(t, submit(s, first))
			var conn *sql.Conn // the writer's; used here only while it is idle
			require.NoError(t, s.direct(t.Context(), storetest.By("ann"), time.Time{}, func(w *writer) (string, error) {
				conn = w.conn
				return "", nil
			}))
			set := func(text string) {
				_, err := conn.ExecContext(t.Context(), text)
				require.NoError(t, err)
			}
			set(pragma.on)
			lost := 0
			for range 20 {
				if err := submit(s, storetest.NewSample("ann")); err != nil {
					assert.ErrorIs(t, err, store.ErrUnavailable)
					lost++
				}
			}
			require.NotZero(t, lost)
			_, err := s.TrialRow(t.Context(), first.Trial.ID)
			require.NoError(t, err, "reading goes on")
			set(pragma.off)
			require.NoError(t, submit(s, storetest.NewSample("ann")), "and writing, when there is room again")
			assert.Equal(t, int64(22-lost), s.Revision())
			assertSound(t, s)
		})
	}
}

// An Apply that ends its goroutine is a fault of the program; it must not leave anybody waiting.
func TestApplyThatEndsTheWriter(t *testing.T) {
	s := newStore(t, Config{})
	var callers sync.WaitGroup
	for range 10 {
		callers.Go(func() {
			_, err := s.Change(t.Context(), store.ChangeRequest{Actor: storetest.By("ann"), Apply: func(trial.Records) ([]byte, error) {
				runtime.Goexit()
				return nil, nil
			}})
			assert.ErrorIs(t, err, store.ErrUnavailable)
		})
	}
	callers.Wait()
	assert.ErrorIs(t, submit(s, storetest.NewSample("ann")), store.ErrUnavailable)
	_, err := s.Members(t.Context())
	assert.NoError(t, err, "reading goes on")
}

func TestOldAnswersAreForgottenWhenIdle(t *testing.T) {
	s := newStore(t, Config{RequestRetention: time.Hour})
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	ids := []string{storetest.NewID(), storetest.NewID(), storetest.NewID()}
	ask := func(i int, at time.Time) bool {
		result, err := s.Change(t.Context(), store.ChangeRequest{
			Actor: storetest.By("ann"), RequestID: ids[i], Now: at, Apply: func(trial.Records) ([]byte, error) { return nil, nil },
		})
		require.NoError(t, err)
		return result.Replayed
	}
	ask(0, at)
	ask(1, at.Add(time.Hour))
	ask(2, at.Add(90*time.Minute))
	require.Eventually(t, func() bool {
		var count int
		require.NoError(t, s.read.QueryRowContext(t.Context(), "SELECT count(*) FROM requests").Scan(&count))
		return count == 2
	}, time.Minute, 20*time.Millisecond)
	assert.True(t, ask(1, at.Add(90*time.Minute)))
	assert.False(t, ask(0, at.Add(90*time.Minute)))
	var log os.FileInfo
	require.Eventually(t, func() bool {
		var path string
		require.NoError(t, s.read.QueryRowContext(t.Context(), "SELECT file FROM pragma_database_list").Scan(&path))
		var err error
		log, err = os.Stat(path + "-wal")
		require.NoError(t, err)
		return log.Size() == 0
	}, time.Minute, 20*time.Millisecond, "the log is carried over when idle")
}

// What a member reads of a refusal has nothing of tables in it.
func TestRefusalsAreForMembers(t *testing.T) {
	s := newStore(t, Config{})
	id := storetest.NewID()
	create := func(owner string) error {
		_, err := s.Change(t.Context(), store.ChangeRequest{Actor: storetest.By("ann"), Apply: func(r trial.Records) ([]byte, error) {
			return nil, r.CreateWaterSource(&trial.WaterSource{ID: id, Owner: owner, Name: "Mill well"})
		}})
		return err
	}
	assert.EqualError(t, create("nobody"), "water source "+id+" or its name Mill well: a record that is referred to is not found")
	require.NoError(t, create("ann"))
	err := create("ann")
	assert.EqualError(t, err, "water source "+id+" or its name Mill well: already exists")
	assert.Equal(t, 19, resultCode(err)&0xff, "the cause is kept")
	assert.EqualError(t, s.CreateMember(t.Context(), storetest.By("ann"), store.MemberRow{ID: "eve", Roles: []string{"wizard"}}), "role wizard: a value is out of its range")
}

func TestIDs(t *testing.T) {
	id := "0190a1b2-c3d4-7e5f-8a9b-0c1d2e3f4a5b"
	u, ok := parseID(id)
	require.True(t, ok)
	assert.Equal(t, id, u.String())
	for _, bad := range []string{
		"", id[1:], id + "0", strings.ToUpper(id), strings.ReplaceAll(id, "-", "0"), "{" + id[1:35] + "}",
		"0190a1b2-c3d4-7e5f-8a9b-0c1d2e3f4a5g", "0190a1b2-c3d4-7e5f-8a9b0-c1d2e3f4a5b", "0190a1b2-c3d4-7e5f-8a9b--c1d2e3f4a5b",
	} {
		_, ok := parseID(bad)
		assert.False(t, ok, bad)
	}
}

func TestCacheIsBounded(t *testing.T) {
	c := newRowCache(10_000)
	put := func(n, bytes int) trial.ID {
		id := uuid{byte(n)}.String()
		_, found, fill := c.get(id)
		require.False(t, found)
		c.put(id, fill, &store.TrialRow{ID: id, Body: make([]byte, bytes)})
		return id
	}
	has := func(id trial.ID) bool {
		_, found, fill := c.get(id)
		c.put(id, fill, nil)
		return found
	}
	first, second := put(1, 3000), put(2, 3000)
	assert.False(t, has(put(3, 20_000)), "one row larger than the cache")
	require.True(t, has(second) && has(first))
	put(4, 4000)
	assert.True(t, has(first), "used last")
	assert.False(t, has(second), "used longest ago")
	for n := range 200 {
		put(n+10, n*20)
		require.LessOrEqual(t, c.size, c.limit)
	}
	assert.NotEmpty(t, c.rows)
	assert.Empty(t, c.filling)
	total := 0
	for _, element := range c.rows {
		total += len(element.Value.(store.TrialRow).Body) + rowOverhead
	}
	assert.Equal(t, total, c.size)
}

func FuzzID(f *testing.F) {
	f.Add("0190a1b2-c3d4-7e5f-8a9b-0c1d2e3f4a5b")
	f.Add("0190A1B2-C3D4-7E5F-8A9B-0C1D2E3F4A5B")
	f.Fuzz(func(t *testing.T, text string) {
		if u, ok := parseID(text); ok && u.String() != text {
			t.Fatalf("%q is read as %s", text, u)
		}
	})
}
