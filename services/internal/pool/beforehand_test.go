package pool_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
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

// A question about few trials computes none that are being computed beforehand, and waits for those alone that it needs.
func TestColoursBeforehandAreSharedWithSmallQuestions(t *testing.T) {
	s := filledTwice()
	h := open(t, s.shelf, func(c *pool.Config) { c.Reader, c.BeforehandFrom = s, filledPieces })
	<-s.begun // the first twenty trials are claimed
	some := byMordant
	some.Where = &store.Predicate{Field: "yarn", Value: "lot 1"}
	answers := make(chan *poolv1.AskPaletteResponse)
	go func() {
		answer, err := h.pool.AskPalette(t.Context(), some)
		assert.NoError(t, err)
		answers <- answer
	}()
	const later = 3 * 4 // pieces of trials 21, 25 and 29
	require.Eventually(t, func() bool { return h.modules.Readings() == later }, time.Minute, time.Millisecond)
	close(s.release)
	assert.EqualValues(t, 8*4, (<-answers).GetPiecesUsed())
	require.Eventually(t, func() bool { return h.modules.Readings() == filledPieces }, time.Minute, time.Millisecond)
	h.ask(t, byMordant)
	assert.Equal(t, filledPieces, h.modules.Readings(), "each once")
}

// spectra is a shelf of trials of one piece each, whose reading is a spectrum and holds under any condition.
func spectra(trials int) *shelf {
	s := newShelf()
	for i := range trials {
		b := newBook("ash")
		b.read(b.piece("", wool("lot 1"), mordant([]string{"alum", "tin"}[i%2]), pot("weld")), trial.Lab{}, func(r *trial.Reading) {
			r.Raw = trial.RawColour{Spectrum: &trial.Spectrum{StartNm: 400, StepNm: 10, Reflectance: slices.Repeat([]float64{float64(1+i%9) / 10}, 31)}}
		})
		s.put(b.Trial)
	}
	return s
}

// Colours under every condition are computed beforehand, again when another build of the reading module comes to answer, and by no question then.
func TestColoursBeforehandUnderEveryConditionAndByEveryBuild(t *testing.T) {
	const pieces, all = 12, 3 * 12 // D65/10, D65/2, A/10
	modules := &builds{Modules: pipelinetest.Start(t)}
	h := open(t, spectra(pieces), func(c *pool.Config) { c.Pipeline, c.BeforehandFrom = pipeline.New(modules), pieces })
	computed := func(n int) {
		t.Helper()
		require.Eventually(t, func() bool { return modules.Readings() >= n }, time.Minute, time.Millisecond)
		for _, condition := range []trial.ColourCondition{{}, a10, {Illuminant: trial.IlluminantD65, Observer: trial.Observer2}} {
			q := byMordant
			q.Condition = condition
			assert.EqualValues(t, pieces, h.ask(t, q).GetPiecesUsed())
		}
		assert.Equal(t, n, modules.Readings())
	}
	computed(all)
	modules.later.Store(true)
	computed(2 * all)
}

// slow is a shelf that gives no experiment until it is released.
type slow struct {
	*shelf
	begun, release chan struct{}
}

func (s *slow) Experiment(context.Context, trial.ID) (*trial.Experiment, error) {
	close(s.begun)
	<-s.release
	return nil, trial.ErrNotFound
}

// Colours of the usual condition are computed whatever is asked meanwhile, those of others when nothing is; another build needn't wait for that.
func TestColoursBeforehandGiveWayToQuestions(t *testing.T) {
	const pieces = 12
	modules := &builds{Modules: pipelinetest.Start(t)}
	modules.SetDown(pipeline.KindReading, true)
	s := &slow{spectra(pieces), make(chan struct{}), make(chan struct{})}
	h := open(t, s.shelf, func(c *pool.Config) { c.Reader, c.Pipeline, c.BeforehandFrom = s, pipeline.New(modules), 1 })
	ended := make(chan error)
	go func() {
		_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: newID()})
		ended <- err
	}()
	<-s.begun
	modules.SetDown(pipeline.KindReading, false)
	require.Eventually(t, func() bool { return modules.Readings() == pieces }, time.Minute, time.Millisecond)
	assert.Never(t, func() bool { return modules.Readings() > pieces }, 200*time.Millisecond, time.Millisecond)
	modules.later.Store(true)
	require.Eventually(t, func() bool { return modules.Readings() == 2*pieces }, time.Minute, time.Millisecond)
	close(s.release)
	require.ErrorIs(t, <-ended, trial.ErrNotFound)
	require.Eventually(t, func() bool { return modules.Readings() == 4*pieces }, time.Minute, time.Millisecond)
}

// swapping is a shelf on which another build of the reading module comes to answer when the trials beyond one are read.
type swapping struct {
	*shelf
	beyond trial.ID // "" while the pool loads
	swap   func()
}

func (s *swapping) SharedTrials(ctx context.Context, after trial.ID, limit int) ([]store.TrialRow, error) {
	s.mu.Lock()
	swap := s.beyond != "" && after >= s.beyond
	s.mu.Unlock()
	if swap {
		s.swap()
	}
	return s.shelf.SharedTrials(ctx, after, limit)
}

// Another build that comes to answer while colours are computed beforehand needn't wait for those of the one before.
func TestColoursBeforehandGiveWayToTheNextBuild(t *testing.T) {
	const pieces = 1600 // more than three times what is taken from one build in any case
	modules := &builds{Modules: pipelinetest.Start(t)}
	modules.SetDown(pipeline.KindReading, true)
	s := &swapping{shelf: spectra(pieces), swap: func() { modules.later.Store(true) }}
	h := open(t, s.shelf, func(c *pool.Config) { c.Reader, c.Pipeline, c.BeforehandFrom = s, pipeline.New(modules), 1 })
	_, err := h.pool.AskPalette(t.Context(), byMordant) // it is loaded
	require.ErrorIs(t, err, pipeline.ErrModuleUnavailable)
	s.mu.Lock()
	s.beyond = slices.Sorted(maps.Keys(s.trials))[100]
	s.mu.Unlock()
	modules.SetDown(pipeline.KindReading, false)
	const first = 500
	require.Eventually(t, func() bool { return modules.Readings() >= first+3*pieces }, time.Minute, time.Millisecond)
	assert.EqualValues(t, pieces, h.ask(t, byMordant).GetPiecesUsed())
	assert.Equal(t, first+3*pieces, modules.Readings(), "of the build before its first trials alone")
}

// brief is the modules of a core into which another build of the reading module comes and goes again at once.
type brief struct {
	*pipelinetest.Modules
	once atomic.Bool
}

func (b *brief) Acquire(kind string) (pipeline.Handle, error) {
	h, err := b.Modules.Acquire(kind)
	if err == nil && kind == pipeline.KindReading && b.once.CompareAndSwap(true, false) {
		return laterBuild{h}, nil
	}
	return h, err
}

// A build that answers again, after another one did for a moment, goes on where it was.
func TestColoursBeforehandGoOnWhereTheBuildIsBack(t *testing.T) {
	const pieces = 600 // more than are taken from a build in any case
	modules := &brief{Modules: pipelinetest.Start(t)}
	modules.SetDown(pipeline.KindReading, true)
	s := &swapping{shelf: spectra(pieces), swap: sync.OnceFunc(func() { modules.once.Store(true) })}
	h := open(t, s.shelf, func(c *pool.Config) { c.Reader, c.Pipeline, c.BeforehandFrom = s, pipeline.New(modules), 1 })
	_, err := h.pool.AskPalette(t.Context(), byMordant) // it is loaded
	require.ErrorIs(t, err, pipeline.ErrModuleUnavailable)
	s.mu.Lock()
	s.beyond = slices.Sorted(maps.Keys(s.trials))[100]
	s.mu.Unlock()
	modules.SetDown(pipeline.KindReading, false)
	require.Eventually(t, func() bool { return modules.Readings() == 3*pieces }, time.Minute, time.Millisecond)
}

// What can't be computed beforehand is left to the question, and a small pool's colours are.
func TestColoursNotBeforehand(t *testing.T) {
	s := filledTwice()
	s.fault = errors.New("a damaged page")
	close(s.release)
	log := &written{}
	h := open(t, s.shelf, func(c *pool.Config) {
		c.Reader, c.BeforehandFrom, c.Log = s, 1, slog.New(slog.NewTextHandler(log, nil))
	})
	require.Eventually(t, func() bool { return strings.Contains(log.String(), "a damaged page") }, time.Minute, time.Millisecond)
	assert.EqualValues(t, filledPieces, h.ask(t, byMordant).GetPiecesUsed())
	assert.Equal(t, filledPieces, h.modules.Readings())

	small := filledTwice()
	close(small.release)
	h = open(t, small.shelf, func(c *pool.Config) { c.Reader, c.BeforehandFrom = small, filledPieces+1 })
	assert.EqualValues(t, filledPieces, h.ask(t, byMordant).GetPiecesUsed())
	assert.Equal(t, filledPieces, h.modules.Readings())
}

// written is a log that is read while it is written.
type written struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (w *written) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.Write(p)
}

func (w *written) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.String()
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
