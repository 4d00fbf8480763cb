package pool_test

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// noModules is a catalog of which nothing is installed: rows need no module.
type noModules struct{}

func (noModules) Serving(string, string) []string { return nil }

func (noModules) Acquire(string) (pipeline.Handle, error) { return nil, catalog.ErrNoModule }

// following is a pool that follows a store until the test ends.
func following(t *testing.T, s *sqlite.Store) *pool.Pool {
	t.Helper()
	p := pool.New(pool.Config{Reader: s, Feed: s, Pipeline: pipeline.New(noModules{}), Decode: record.DecodeTrial})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		p.Run(ctx)
	}()
	t.Cleanup(func() {
		cancel()
		<-done
	})
	return p
}

// A pool without modules, as verify makes one, has its checksum and computes no colours, however large it is.
func TestAPoolWithoutModulesHasItsChecksum(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := filledTwice()
		p := pool.New(pool.Config{Reader: s.shelf, Feed: s.shelf, Decode: record.DecodeTrial, BeforehandFrom: filledPieces})
		ctx, cancel := context.WithCancel(t.Context())
		var run sync.WaitGroup
		run.Go(func() { p.Run(ctx) })
		synctest.Wait() // it is loaded, and whatever it does by itself is begun
		status, sum := p.Checksum()
		assert.Equal(t, filledPieces, status.Rows)
		assert.NotEmpty(t, sum)
		cancel()
		run.Wait()
	})
}

// sumOf is a pool's checksum once it has taken in a revision.
func sumOf(t *testing.T, p *pool.Pool, revision int64) (string, int) {
	t.Helper()
	var sum string
	var rows int
	require.Eventually(t, func() bool {
		status, got := p.Checksum()
		sum, rows = got, status.Rows
		return got != "" && status.PoolRevision == revision
	}, time.Minute, time.Millisecond)
	return sum, rows
}

// scribe makes random changes of invented records through the domain's commands.
type scribe struct {
	t      *testing.T
	store  *sqlite.Store
	random *rand.Rand
	trials []trial.ID
	baths  []trial.ID
	water  trial.ID
	done   map[string]int // changes that were made, by sort
}

const scribeMember = "ash"

func (s *scribe) change(sort string, apply func(trial.Records) error) {
	s.t.Helper()
	_, err := s.store.Change(s.t.Context(), store.ChangeRequest{
		Actor: store.Actor{Member: scribeMember, Method: "test"}, Now: dawn.Add(time.Duration(s.store.Revision()) * time.Minute),
		Apply: func(r trial.Records) ([]byte, error) { return nil, apply(r) },
	})
	if err == nil {
		s.done[sort]++
	}
}

func (s *scribe) one(list []trial.ID) trial.ID { return list[s.random.IntN(len(list))] }

// submit keeps a trial of one to three pieces, dyed in one or two baths of which some are old.
func (s *scribe) submit() {
	level := trial.SharingLevel(1 + s.random.IntN(3))
	t := &trial.Trial{ID: newID(), Title: "Random (invented)", State: trial.Begun, Sharing: trial.Sharing{Level: level, Licence: map[bool]string{true: "CC-BY-4.0"}[level == trial.Public]},
		Sessions: []trial.Session{{ID: newID()}}}
	var brought []trial.Bath
	pots := []trial.ID{}
	for range 1 + s.random.IntN(2) {
		if len(s.baths) > 0 && s.random.IntN(2) == 0 {
			pots = append(pots, s.one(s.baths))
			continue
		}
		b := pot([]string{"weld", "madder"}[s.random.IntN(2)])
		b.Label = "pot"
		b.Water = []trial.WaterPart{{SourceID: s.water, Parts: 1}}
		brought, pots = append(brought, *b), append(pots, b.ID)
	}
	for range 1 + s.random.IntN(3) {
		p := trial.Piece{ID: newID(), SessionID: t.Sessions[0].ID, Fibre: wool("lot 1"), Mass: trial.Amount{Knowledge: trial.Measured, Value: 5, Unit: trial.Gram}}
		t.Pieces = append(t.Pieces, p)
		for i, b := range pots {
			t.Immersions = append(t.Immersions, trial.Immersion{Entry: trial.Entry{ID: newID()}, PieceID: p.ID, BathID: b, Position: i + 1})
		}
		t.Readings = append(t.Readings, s.reading(p.ID))
	}
	s.change("submit", func(r trial.Records) error {
		if _, _, err := trial.SubmitTrial(r, scribeMember, dawn, t, brought); err != nil {
			return err
		}
		s.trials = append(s.trials, t.ID)
		for i := range brought {
			s.baths = append(s.baths, brought[i].ID)
		}
		return nil
	})
}

func (s *scribe) reading(piece trial.ID) trial.Reading {
	colour := lab(50+s.random.Float64(), 0, 20)
	return trial.Reading{Entry: trial.Entry{ID: newID()}, PieceID: piece, Raw: trial.RawColour{Lab: &colour, LabCondition: d65},
		State: trial.Dry, AgeDays: 9, AfterPosition: trial.AfterAll}
}

// step makes one random change; refused ones count for nothing.
func (s *scribe) step() {
	if len(s.trials) < 3 {
		s.submit()
		return
	}
	id := s.one(s.trials)
	switch s.random.IntN(9) {
	case 0:
		s.submit()
	case 1:
		level := trial.SharingLevel(1 + s.random.IntN(2))
		s.change("share", func(r trial.Records) error {
			_, err := trial.ShareTrial(r, scribeMember, dawn, id, "", trial.Sharing{Level: level})
			return err
		})
	case 2:
		s.change("delete", func(r trial.Records) error {
			t, err := r.Trial(id)
			if err != nil {
				return err
			}
			_, err = trial.DeleteTrial(r, scribeMember, dawn, id, trial.Etag(t.Revision))
			return err
		})
	case 3, 4:
		s.change("undelete", func(r trial.Records) error {
			_, err := trial.UndeleteTrial(r, scribeMember, dawn, id, "")
			return err
		})
	case 5:
		s.change("read", func(r trial.Records) error {
			t, err := r.Trial(id)
			if err != nil {
				return err
			}
			_, err = trial.AddEntries(r, scribeMember, dawn, id, "", trial.Entries{Readings: []trial.Reading{s.reading(t.Pieces[0].ID)}})
			return err
		})
	case 6:
		bath := s.one(s.baths)
		s.change("add to bath", func(r trial.Records) error {
			_, err := trial.AddToBath(r, scribeMember, dawn, bath, "", trial.BathEntries{Additions: added(trial.Mordant, fmt.Sprintf("mordant %d", s.random.IntN(3)))})
			return err
		})
	case 7:
		bath := s.one(s.baths)
		s.change("update bath", func(r trial.Records) error {
			b, err := r.Bath(bath)
			if err != nil {
				return err
			}
			b.Purposes = []trial.Purpose{[]trial.Purpose{trial.DyeBath, trial.Vat}[s.random.IntN(2)]}
			_, err = trial.UpdateBath(r, scribeMember, dawn, b, []string{"purposes"}, trial.Etag(b.Revision))
			return err
		})
	case 8:
		s.change("correct fibre", func(r trial.Records) error {
			t, err := r.Trial(id)
			if err != nil {
				return err
			}
			right := wool(fmt.Sprintf("lot %d", s.random.IntN(3)))
			_, err = trial.AddEntries(r, scribeMember, dawn, id, "", trial.Entries{Corrections: []trial.PieceChange{{PieceID: t.Pieces[0].ID, Fibre: &right, Reason: "other cone"}}})
			return err
		})
	}
}

// Whatever way the record came about, a pool that followed it holds the same rows as one that is loaded from it.
func TestFollowedPoolEqualsALoadedOne(t *testing.T) {
	total, different := map[string]int{}, map[string]bool{}
	for seed := range uint64(4) {
		s, err := sqlite.Open(t.Context(), sqlite.Config{Path: filepath.Join(t.TempDir(), "records.db"), Logger: slog.New(slog.DiscardHandler)})
		require.NoError(t, err)
		t.Cleanup(func() { assert.NoError(t, s.Close()) })
		require.NoError(t, s.CreateMember(t.Context(), store.Actor{Member: store.Server, Method: "test"},
			store.MemberRow{ID: scribeMember, DisplayName: "invented", Roles: []string{"member"}}))
		hand := &scribe{t: t, store: s, random: rand.New(rand.NewPCG(seed, 31)), water: newID(), done: total}
		hand.change("water", func(r trial.Records) error {
			_, err := trial.CreateWaterSource(r, scribeMember, dawn, &trial.WaterSource{ID: hand.water, Name: "rain butt", Place: "behind the shed"})
			return err
		})
		followed := following(t, s)
		for range 4 {
			for range 30 {
				hand.step()
			}
			revision := s.Revision()
			want, rows := sumOf(t, following(t, s), revision)
			got, followedRows := sumOf(t, followed, revision)
			require.Equal(t, want, got, "seed %d, revision %d", seed, revision)
			assert.Equal(t, rows, followedRows)
			different[want] = true
		}
	}
	assert.Greater(t, len(different), 12, "histories that never differ prove nothing")
	for _, sort := range []string{"water", "submit", "share", "delete", "undelete", "read", "add to bath", "update bath", "correct fibre"} {
		assert.Positive(t, total[sort], "%s was never done", sort)
	}
}
