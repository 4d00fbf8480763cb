package pool_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pipeline/pipelinetest"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// held is a feed that tells of changes only when it is let go, so that a pool falls behind.
type held struct {
	store.Feed
	gate chan struct{}
}

func (h *held) WaitForChange(ctx context.Context, after int64) error {
	select {
	case <-h.gate:
		return h.Feed.WaitForChange(ctx, after)
	case <-ctx.Done():
		return ctx.Err()
	}
}

// shared is a trial with one settled reading, as an import makes them.
func shared(member trial.MemberID) *trial.Trial {
	colour := lab(60, 5, 40)
	id := storetest.NewID()
	return &trial.Trial{
		ID: storetest.NewID(), Owner: member, Title: "invented", State: trial.Begun, Sharing: trial.Sharing{Level: trial.Cooperative},
		Pieces: []trial.Piece{{ID: id, Holder: member, Fibre: wool("lot 1"), Mass: trial.Amount{Knowledge: trial.Measured, Value: 5, Unit: trial.Gram}}},
		Readings: []trial.Reading{{
			Entry: trial.Entry{ID: storetest.NewID(), RecordedAt: dawn, RecordedBy: member}, PieceID: id,
			Raw: trial.RawColour{Lab: &colour, LabCondition: d65}, State: trial.Dry, AgeDays: 9,
		}},
	}
}

// A pool that was left behind by more changes than one page of the feed holds catches up, over the real store and its limits: by
// one revision of many changes, as an import makes, and by many revisions of one.
func TestCatchingUpOverMoreChangesThanAPage(t *testing.T) {
	const many = 2*store.MaxPage + 300
	const member = "member-a"
	for name, write := range map[string]func(*testing.T, store.Changer){
		"one revision": func(t *testing.T, s store.Changer) {
			_, err := s.Change(t.Context(), store.ChangeRequest{Actor: store.Actor{Member: member, Method: "test"}, Now: dawn, Apply: func(r trial.Records) ([]byte, error) {
				for range many {
					if err := r.CreateTrial(shared(member)); err != nil {
						return nil, err
					}
				}
				return nil, nil
			}})
			require.NoError(t, err)
		},
		"many revisions": func(t *testing.T, s store.Changer) {
			var callers errgroup.Group
			callers.SetLimit(64)
			for range many {
				callers.Go(func() error {
					_, err := s.Change(t.Context(), store.ChangeRequest{Actor: store.Actor{Member: member, Method: "test"}, Now: dawn, Apply: func(r trial.Records) ([]byte, error) {
						return nil, r.CreateTrial(shared(member))
					}})
					return err
				})
			}
			require.NoError(t, callers.Wait())
		},
	} {
		t.Run(name, func(t *testing.T) {
			s, err := sqlite.Open(t.Context(), sqlite.Config{Path: filepath.Join(t.TempDir(), "records.db"), Logger: slog.New(slog.DiscardHandler)})
			require.NoError(t, err)
			defer func() { assert.NoError(t, s.Close()) }()
			require.NoError(t, s.CreateMember(t.Context(), store.Actor{Member: store.Server, Method: "test"}, store.MemberRow{ID: member, DisplayName: "invented", Roles: []string{"member"}}))
			feed := &held{Feed: s, gate: make(chan struct{})}
			var log warnings
			p := pool.New(pool.Config{
				Reader: s, Feed: feed, Pipeline: pipeline.New(pipelinetest.Start(t)), Decode: record.DecodeTrial,
				Log: slog.New(&log), CatchUpWait: 2 * time.Minute,
			})
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan struct{})
			go func() {
				defer close(done)
				p.Run(ctx)
			}()
			defer func() {
				cancel()
				<-done
			}()
			require.Eventually(t, func() bool { return p.Status().WaitingFor == "" }, time.Minute, time.Millisecond, "the first load")
			write(t, s)
			assert.Equal(t, fmt.Sprintf("revisions 1 to %d", s.Revision()), p.Status().WaitingFor)
			close(feed.gate)
			answer, err := p.AskPalette(t.Context(), pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE, MinimumRevision: s.Revision()})
			require.NoError(t, err)
			assert.Equal(t, s.Revision(), answer.GetPoolRevision())
			assert.Equal(t, many, p.Status().Rows)
			assert.Empty(t, log.all(), "nothing had to be tried again")
		})
	}
}

// warnings keeps the texts of what is logged as a warning or worse.
type warnings struct {
	slog.Handler
	mu    sync.Mutex
	texts []string
}

func (w *warnings) Enabled(_ context.Context, level slog.Level) bool { return level >= slog.LevelWarn }

func (w *warnings) Handle(_ context.Context, r slog.Record) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.texts = append(w.texts, r.Message)
	return nil
}

func (w *warnings) all() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.texts)
}

// A trial that can't be read, though its row is as it was written, ends no question in silence: the pool tells of its trouble, tries again, and answers what came
// before. Once it can be read, all is as if nothing had been.
func TestATrialThatCannotBeReadIsLoud(t *testing.T) {
	s := newShelf()
	var broken atomic.Bool
	decode := func(body []byte) (*trial.Trial, error) {
		if broken.Load() {
			return nil, errors.New("no such encoding")
		}
		return record.DecodePooled(body)
	}
	put := func() {
		b := newBook("ash")
		b.read(b.piece("", wool("lot 1"), mordant("alum"), pot("weld")), lab(50, 1, 20))
		s.put(b.Trial)
	}
	put()
	broken.Store(true)
	h := open(t, s, func(c *pool.Config) { c.DecodeRows, c.CatchUpWait = decode, 10*time.Millisecond })
	troubled := func() bool { return strings.HasPrefix(h.pool.Status().WaitingFor, "reading the record failed") }
	require.Eventually(t, troubled, time.Minute, time.Millisecond)
	_, err := h.pool.AskPalette(t.Context(), byMordant)
	require.Error(t, err, "it has loaded nothing")
	broken.Store(false)
	require.Eventually(t, func() bool { return !troubled() }, time.Minute, time.Millisecond)
	require.EqualValues(t, 1, h.ask(t, byMordant).GetPiecesUsed())

	broken.Store(true)
	put()
	require.Eventually(t, troubled, time.Minute, time.Millisecond)
	q := byMordant
	q.MinimumRevision = s.Revision()
	_, err = h.pool.AskPalette(t.Context(), q)
	var behind *pool.BehindError
	require.ErrorAs(t, err, &behind)
	before, err := h.pool.AskPalette(t.Context(), byMordant)
	require.NoError(t, err)
	assert.EqualValues(t, 1, before.GetPiecesUsed())
	broken.Store(false)
	require.Eventually(t, func() bool { return !troubled() }, time.Minute, time.Millisecond)
	assert.EqualValues(t, 2, h.ask(t, byMordant).GetPiecesUsed())
}
