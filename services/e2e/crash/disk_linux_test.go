package crash

import (
	"context"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/e2e/crash/process"
)

// hand writes one request at a time, of any sort, as one member.
type hand struct {
	t    *testing.T
	h    *Harness
	conn *grpc.ClientConn
	m    *maker
}

func newHand(t *testing.T, h *Harness) *hand {
	t.Helper()
	conn, err := h.Lab.Dial()
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return &hand{t: t, h: h, conn: conn, m: &maker{
		world: h.world, member: Members[0], marks: newMark, random: rand.New(rand.NewPCG(h.Seed, 0)),
	}}
}

func (w *hand) write() codes.Code {
	w.t.Helper()
	o, request := w.m.next()
	return w.send(o, request)
}

func (w *hand) send(o operation, request proto.Message) codes.Code {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.t.Context(), callWithin)
	defer cancel()
	code, err := w.h.begin(ctx, w.conn, w.m.member, o, request)
	require.NoError(w.t, err)
	return code
}

// readAll reads every trial that was acknowledged so far, as its owner, and compares it.
func (w *hand) readAll() {
	w.t.Helper()
	require.NotEmpty(w.t, w.m.trials.list)
	for _, known := range w.m.trials.list {
		ctx, cancel := context.WithTimeout(process.As(w.t.Context(), w.h.tokens[known.GetOwner()]), callWithin)
		read, err := labv1.NewTrialServiceClient(w.conn).GetTrial(ctx, &labv1.GetTrialRequest{TrialId: known.GetId()})
		cancel()
		require.NoError(w.t, err)
		assert.GreaterOrEqual(w.t, read.GetRevision(), known.GetRevision())
	}
}

// The disk is full: writes are refused as something that may be tried again, reads go on, the core lives; and once there is
// room again, writes go on, with nothing half-written.
func TestDiskFull(t *testing.T) {
	withMounts(t, func(t *testing.T) {
		folder := shortFolder(t)
		data := filepath.Join(folder, "data")
		mountMemory(t, data, "1500k")
		h := newHarness(t, core, folder, 7)
		require.NoError(t, h.Lab.Start())
		w := newHand(t, h)

		var code codes.Code
		tried := 0
		for ; tried < 5000 && !full(code); tried++ {
			code = w.write()
		}
		require.True(t, full(code), "the disk did not fill up with %d writes", tried)
		for range 10 {
			if code = w.write(); code == codes.OK { // a small one may still find room
				continue
			}
			// The other two: what this member remembers of the record is no longer so.
			assert.True(t, full(code) || code == codes.FailedPrecondition || code == codes.Aborted, "%v", code)
		}
		require.True(t, h.Lab.Running(), "%s", h.Lab.Log())
		w.readAll()

		remount(t, data, "64m", false)
		written := 0
		for range 20 {
			if w.write() == codes.OK {
				written++
			}
		}
		assert.Greater(t, written, 15, "once there is room, writes go on")
		require.NoError(t, h.decodeNew())
		unknown := 0
		for _, d := range h.writes {
			if d.Fate == Sent {
				unknown++
			}
		}
		t.Logf("%d writes filled the disk; of %d nothing was known", tried, unknown)
		found, err := h.Settle(t.Context())
		require.NoError(t, err)
		require.Empty(t, found, "%s", shorten(found))
	})
}

func full(code codes.Code) bool { return code == codes.ResourceExhausted || code == codes.Unavailable }

// The file system is read-only: the core says so and ends, and nothing is changed; once it isn't, the core starts.
func TestReadOnlyFileSystem(t *testing.T) {
	withMounts(t, func(t *testing.T) {
		folder := shortFolder(t)
		data := filepath.Join(folder, "data")
		mountMemory(t, data, "64m")
		h := newHarness(t, core, folder, 8)
		require.NoError(t, h.Lab.Start())
		w := newHand(t, h)
		for range 50 {
			w.write()
		}
		require.NoError(t, h.Lab.Kill()) // the log isn't carried over, so that there would be something to write
		require.NoError(t, h.decodeNew())
		before, err := os.ReadFile(h.Lab.Store())
		require.NoError(t, err)

		remount(t, data, "64m", true)
		require.ErrorIs(t, h.Lab.Start(), process.ErrEnded)
		assert.Equal(t, 1, h.Lab.ExitCode())
		assert.Contains(t, strings.ToLower(h.Lab.Log()), "read-only file system")
		assert.NotContains(t, h.Lab.Log(), "panic")
		after, err := os.ReadFile(h.Lab.Store())
		require.NoError(t, err)
		assert.Equal(t, before, after)

		remount(t, data, "64m", false)
		found, err := h.Settle(t.Context())
		require.NoError(t, err)
		require.Empty(t, found, "%s", shorten(found))
	})
}
