package crash

import (
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/e2e/crash/process"
)

// Two cores want one file: the second is told, and ends; the first goes on as if nothing had been. When the first is killed, the
// next starts at once: no lock is left behind.
func TestTwoCoresOnOneFile(t *testing.T) {
	h := newHarness(t, core, shortFolder(t), 3)
	require.NoError(t, h.Lab.Start())
	w := newHand(t, h)
	for range 20 {
		w.write()
	}
	second, err := process.New(core, shortFolder(t))
	require.NoError(t, err)
	t.Cleanup(second.End)
	for range 3 {
		second.Data = h.Lab.Data
		require.ErrorIs(t, second.Start(), process.ErrEnded)
		assert.Equal(t, 1, second.ExitCode())
		assert.Contains(t, second.Log(), "store is in use by another process")
		assert.Equal(t, codes.OK, w.send(operations[0], w.m.submit()), "the first goes on")
	}
	_, err = h.Lab.Tool("member", "add", "late", "--data", h.Lab.Data)
	require.ErrorContains(t, err, "stop the core first")

	require.NoError(t, h.Lab.Kill())
	begun := time.Now()
	require.NoError(t, second.Start())
	t.Logf("after the kill the second was ready in %v", time.Since(begun).Round(time.Millisecond))
	require.ErrorIs(t, h.Lab.Start(), process.ErrEnded, "now it is the first that is told")
	require.NoError(t, second.Stop())
	found, err := h.Settle(t.Context())
	require.NoError(t, err)
	require.Empty(t, found, "%s", shorten(found))
}

// A core that is killed while it makes its store for the first time leaves what the next start can go on from.
func TestKilledAtFirstStart(t *testing.T) {
	random := rand.New(rand.NewPCG(number(t, "COMMONVAT_CRASH_SEED", 1), 0))
	partly := 0
	for range 10 {
		lab, err := process.New(core, shortFolder(t))
		require.NoError(t, err)
		t.Cleanup(lab.End)
		for range 2 {
			require.NoError(t, lab.Begin())
			time.Sleep(time.Duration(random.Int64N(int64(longestStart))))
			require.NoError(t, lab.Kill())
			if info, err := os.Stat(lab.Store()); err == nil && info.Size() == 0 {
				partly++
			} else if err != nil {
				require.ErrorIs(t, err, fs.ErrNotExist)
			}
		}
		require.NoError(t, lab.Start())
		require.NoError(t, lab.Stop())
		token, err := lab.Member("ash")
		require.NoError(t, err)
		assert.NotEmpty(t, token)
		path, err := CopyStore(lab.Store(), t.TempDir())
		require.NoError(t, err)
		state, found, err := ReadState(t.Context(), path)
		require.NoError(t, err)
		assert.Empty(t, found)
		assert.EqualValues(t, 1, state.Tables["members"])
	}
	t.Logf("of 20 kills %d left an empty file", partly)
}

// damage changes a page of a store's file.
type damage struct {
	name string
	do   func(page []byte, random *rand.Rand)
}

// recordsCarryChecksums says whether the store keeps a checksum beside each body. Without one, bits that flip inside a body can't be told
// from what was written, and damages must not list them.
const recordsCarryChecksums = true

// damages are those that must be noticed.
func damages() []damage {
	if recordsCarryChecksums {
		return []damage{zeros, noise, flips}
	}
	return []damage{zeros, noise}
}

var (
	zeros = damage{"a page of zeros", func(page []byte, _ *rand.Rand) { clear(page) }}
	noise = damage{"a page of noise", func(page []byte, random *rand.Rand) {
		for i := range page {
			page[i] = byte(random.Uint32())
		}
	}}
	flips = damage{"flipped bits", func(page []byte, random *rand.Rand) {
		for range 8 {
			page[random.IntN(len(page))] ^= 1 << random.IntN(8)
		}
	}}
)

const pageSize = 4096

// A page of the file is broken, as by a bad disk, while the core is stopped or while it runs. Then what is read is what was written,
// or it is refused, and the core goes on; never is something else read.
func TestBrokenPageIsRefused(t *testing.T) {
	h := newHarness(t, core, shortFolder(t), 5)
	require.NoError(t, h.Lab.Start())
	w := newHand(t, h)
	for range 250 {
		w.write()
	}
	require.NoError(t, h.Lab.Stop())
	require.NoError(t, h.decodeNew())
	state, found, err := h.examine(t.Context())
	require.NoError(t, err)
	require.Empty(t, found)
	sound, err := os.ReadFile(h.Lab.Store())
	require.NoError(t, err)
	pages := pagesOf(t, h.Lab.Store(), "trials")
	require.Greater(t, len(pages), 20)
	random := rand.New(rand.NewPCG(5, 5))
	for _, running := range []bool{false, true} {
		for _, d := range damages() {
			name := d.name + ", stopped"
			if running {
				name = d.name + ", running"
			}
			t.Run(name, func(t *testing.T) {
				refused, wrong, harmless := 0, 0, 0
				for range 12 {
					broken := append([]byte(nil), sound...)
					page := (pages[random.IntN(len(pages))] - 1) * pageSize
					d.do(broken[page:page+pageSize], random)
					switch r := h.readBroken(t, sound, broken, running, state); {
					case r.wrong > 0:
						wrong++
					case r.refused > 0:
						refused++
					default:
						harmless++
					}
				}
				t.Logf("of 12 pages of trials: %d refused, %d read wrongly, %d not looked at", refused, wrong, harmless)
				assert.Zero(t, wrong)
				assert.Positive(t, refused)
			})
		}
	}
	require.NoError(t, os.WriteFile(h.Lab.Store(), sound, 0o600))
}

// pagesOf lists the pages of a table, from 1.
func pagesOf(t *testing.T, path, table string) (pages []int) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	require.NoError(t, each(t.Context(), db, "SELECT pageno FROM dbstat WHERE name = '"+table+"'", func(rows *sql.Rows) error {
		var page int
		defer func() { pages = append(pages, page) }()
		return rows.Scan(&page)
	}))
	return pages
}

type readings struct{ refused, wrong int }

// readBroken reads every trial from a core whose file is broken before it starts, or while it runs.
func (h *Harness) readBroken(t *testing.T, sound, broken []byte, running bool, state *State) (r readings) {
	t.Helper()
	before := broken
	if running {
		before = sound
	}
	require.NoError(t, os.WriteFile(h.Lab.Store(), before, 0o600))
	for _, end := range []string{"-wal", "-shm"} {
		require.NoError(t, ignoreAbsent(os.Remove(h.Lab.Store()+end)))
	}
	err := h.Lab.Start()
	if errors.Is(err, process.ErrEnded) {
		assert.NotContains(t, h.Lab.Log(), "panic:")
		return readings{refused: 1}
	}
	require.NoError(t, err)
	defer h.Lab.End()
	if running {
		file, err := os.OpenFile(h.Lab.Store(), os.O_WRONLY, 0)
		require.NoError(t, err)
		_, err = file.WriteAt(broken, 0)
		require.NoError(t, errors.Join(err, file.Close()))
	}
	conn, err := h.Lab.Dial()
	require.NoError(t, err)
	defer func() { _ = conn.Close() }()
	for id, want := range state.Trials {
		ctx, cancel := context.WithTimeout(process.As(t.Context(), h.tokens[want.GetOwner()]), callWithin)
		got, err := labv1.NewTrialServiceClient(conn).GetTrial(ctx, &labv1.GetTrialRequest{TrialId: id})
		cancel()
		switch {
		case err != nil:
			r.refused++
			assert.NotEqual(t, codes.OK, status.Code(err))
		case !proto.Equal(got, want):
			r.wrong++
		}
	}
	require.True(t, h.Lab.Running(), "%s", h.Lab.Log())
	return r
}
