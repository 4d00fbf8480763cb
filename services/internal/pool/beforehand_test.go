package pool_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pipeline/pipelinetest"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// twice is a shelf whose pages are read twice from the start: when the pool is loaded, and when colours are computed beforehand. The second time waits for
// release, and gives the fault if there is one, until a trial was asked for alone.
type twice struct {
	*shelf
	mu      sync.Mutex
	starts  int
	begun   chan struct{}
	release chan struct{}
	fault   error
}

func (s *twice) SharedTrials(ctx context.Context, after trial.ID, limit int) ([]store.TrialRow, error) {
	s.mu.Lock()
	if after == "" {
		if s.starts++; s.starts == 2 {
			close(s.begun)
		}
	}
	second := s.starts == 2
	s.mu.Unlock()
	if second {
		select {
		case <-s.release:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		s.mu.Lock()
		fault := s.fault
		s.mu.Unlock()
		if fault != nil {
			return nil, fault
		}
	}
	return s.shelf.SharedTrials(ctx, after, limit)
}

// TrialRow gives the fault once.
func (s *twice) TrialRow(ctx context.Context, id trial.ID) (store.TrialRow, error) {
	s.mu.Lock()
	fault := s.fault
	s.fault = nil
	s.mu.Unlock()
	if fault != nil {
		return store.TrialRow{}, fault
	}
	return s.shelf.TrialRow(ctx, id)
}

func filledTwice() *twice {
	s := &twice{shelf: newShelf(), begun: make(chan struct{}), release: make(chan struct{})}
	for i := range 30 { // several pages
		b := newBook("ash")
		for k := range 4 {
			b.read(b.piece("", wool(fmt.Sprint("lot ", i%4)), mordant([]string{"alum", "tin"}[i%2]), pot("weld")), lab(float64(30+i%50), float64(k), float64(i%17)))
		}
		s.put(b.Trial)
	}
	return s
}

const filledPieces = 30 * 4

// Colours of the usual condition are computed when the pool is loaded, once: a question that comes meanwhile waits and computes none of them again,
// and those of other conditions are for questions.
func TestColoursBeforehand(t *testing.T) {
	s := filledTwice()
	plain := open(t, s.shelf).ask(t, byMordant)
	h := open(t, s.shelf, func(c *pool.Config) { c.Reader, c.BeforehandFrom = s, filledPieces })
	<-s.begun
	answers := make(chan *poolv1.AskPaletteResponse)
	go func() {
		answer, err := h.pool.AskPalette(t.Context(), byMordant)
		assert.NoError(t, err)
		answers <- answer
	}()
	hurried, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	_, err := h.pool.AskPalette(hurried, byMordant)
	require.ErrorIs(t, err, context.DeadlineExceeded, "it waits no longer than it may")
	assert.Zero(t, h.modules.Readings())
	close(s.release)
	answer := <-answers
	assert.Equal(t, filledPieces, h.modules.Readings(), "each once")
	assert.True(t, proto.Equal(plain, answer), "the answer is the same")
	h.ask(t, byMordant)
	assert.Equal(t, filledPieces, h.modules.Readings())
	other := byMordant
	other.Condition = a10
	assert.Empty(t, h.ask(t, other).GetGroups(), "the readings hold for D65 only")
}

// What can't be computed beforehand is left to the question, and a small pool's colours are.
func TestColoursNotBeforehand(t *testing.T) {
	s := filledTwice()
	s.fault = errors.New("a damaged page")
	close(s.release)
	var log bytes.Buffer
	h := open(t, s.shelf, func(c *pool.Config) {
		c.Reader, c.BeforehandFrom, c.Log = s, 1, slog.New(slog.NewTextHandler(&log, nil))
	})
	<-s.begun
	assert.EqualValues(t, filledPieces, h.ask(t, byMordant).GetPiecesUsed())
	assert.Equal(t, filledPieces, h.modules.Readings())
	assert.Contains(t, log.String(), "a damaged page") // the question waited for what is written here

	small := filledTwice()
	close(small.release)
	h = open(t, small.shelf, func(c *pool.Config) { c.Reader, c.BeforehandFrom = small, filledPieces+1 })
	assert.EqualValues(t, filledPieces, h.ask(t, byMordant).GetPiecesUsed())
	assert.Equal(t, filledPieces, h.modules.Readings())
}

// looked tells when a module was looked for and not found.
type looked struct {
	*pipelinetest.Modules
	once    sync.Once
	missing chan struct{}
}

func (l *looked) Acquire(kind string) (pipeline.Handle, error) {
	h, err := l.Modules.Acquire(kind)
	if err != nil {
		l.once.Do(func() { close(l.missing) })
	}
	return h, err
}

// withoutReading opens a pool whose reading module isn't there yet.
func withoutReading(t *testing.T) (*house, *looked) {
	l := &looked{Modules: pipelinetest.Start(t), missing: make(chan struct{})}
	l.SetDown(pipeline.KindReading, true)
	h := open(t, filledTwice().shelf, func(c *pool.Config) { c.Pipeline, c.BeforehandFrom = pipeline.New(l), 1 })
	<-l.missing
	return h, l
}

// Modules start beside the pool, so the reading module is looked for again.
func TestColoursBeforehandWaitForTheirModule(t *testing.T) {
	h, l := withoutReading(t)
	l.SetDown(pipeline.KindReading, false)
	assert.EqualValues(t, filledPieces, h.ask(t, byMordant).GetPiecesUsed())
	assert.Equal(t, filledPieces, l.Readings(), "each once")
}

// A pool that is closed while colours are computed beforehand, or while the reading module is looked for, is closed at once: else the first would never end, and
// the second look for half a minute.
func TestColoursBeforehandEndWithThePool(t *testing.T) {
	atOnce := func(t *testing.T) (closing func()) {
		var begun time.Time
		t.Cleanup(func() { assert.Less(t, time.Since(begun), 20*time.Second) }) // after that which closes the pool
		return func() { begun = time.Now() }
	}
	t.Run("computing", func(t *testing.T) {
		closing := atOnce(t)
		s := filledTwice()
		open(t, s.shelf, func(c *pool.Config) { c.Reader, c.BeforehandFrom = s, 1 })
		<-s.begun // and never released
		closing()
	})
	t.Run("looking", func(t *testing.T) {
		closing := atOnce(t)
		withoutReading(t)
		closing()
	})
}
