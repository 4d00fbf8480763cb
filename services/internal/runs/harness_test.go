package runs_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/palette" //nolint:depguard // the yardstick of a benchmark, in a process of its own
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/score"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/api/filter"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/runs"
	"github.com/commonvat/commonvat/services/internal/runs/frozen"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// TestMain lets the test binary be a module too.
func TestMain(m *testing.M) {
	plugintest.Main(map[string]func(){
		"bench-pairs": func() { score.Serve(benchMethod("pairs", meanDifference)) },
		"bench-cells": func() { score.Serve(benchMethod("cells", meanChroma)) },
		"bench-width": func() { sdk.Serve(palette.Module()) },
		"old":         func() { score.Serve(spread("old", 1)) },
	})
	plugintest.RunWithoutLeaks(m, goleak.IgnoreAnyFunction("github.com/commonvat/commonvat/plugins/sdk/host.spawn")) // it starts processes, as long as the program lives
}

// shelf are modules written with the author's kit, served inside the test process.
type shelf struct {
	mu      sync.Mutex
	modules map[string]*served
}

type served struct {
	grpc.ClientConnInterface
	shelf     *shelf
	described *describev1.DescribeResponse
	digest    string
	down      error
	calls     int
	before    func(ctx context.Context, call int) // a call begins; not locked
	process   *host.Process                       // nil: in the test's own
}

func (s *shelf) put(t testing.TB, m score.Method, digest string) *served {
	one := &served{ClientConnInterface: plugintest.Dial(t, m.Module()), shelf: s, described: m.Describe(), digest: strings.Repeat(digest, 64)}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.modules[m.Name] = one
	return one
}

// start serves a module of the test binary as a process of its own, under the name that the binary knows it by.
func (s *shelf) start(t testing.TB, name string, described *describev1.DescribeResponse) *served {
	sockets, err := os.MkdirTemp("", "cv") // short, for sockets
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(sockets) })
	folder := plugintest.Folder(t, name, described.GetVersion(), "palette")
	process, err := host.Start(t.Context(), host.Config{Path: filepath.Join(folder, "commonvat-module-"+name), SocketParent: sockets, StartTimeout: plugintest.Patience})
	require.NoError(t, err)
	t.Cleanup(func() { process.Stop(time.Second) })
	one := &served{ClientConnInterface: process.Conn(), shelf: s, described: described, digest: strings.Repeat("a", 64), process: process}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.modules[name] = one
	return one
}

func (s *shelf) Acquire(ref string) (pipeline.Handle, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	one := s.modules[ref]
	if one == nil {
		return nil, errors.New("no such module")
	}
	return one, one.down
}

func (s *shelf) Serving(string, string) []string { return nil }

func (m *served) set(change func()) {
	m.shelf.mu.Lock()
	defer m.shelf.mu.Unlock()
	change()
}

func (m *served) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	m.shelf.mu.Lock()
	m.calls++
	call, before := m.calls, m.before
	m.shelf.mu.Unlock()
	if before != nil {
		before(ctx, call)
	}
	return m.ClientConnInterface.NewStream(ctx, desc, method, opts...)
}

func (m *served) count() int {
	m.shelf.mu.Lock()
	defer m.shelf.mu.Unlock()
	return m.calls
}

func (m *served) Identity() *typesv1.ModuleIdentity {
	return &typesv1.ModuleIdentity{Name: m.described.GetName(), Version: "1.0.0", Digest: m.digest, Kind: "palette"}
}
func (m *served) Description() *describev1.DescribeResponse { return m.described }
func (m *served) Release()                                  {}
func (m *served) Blame(string)                              {}

// spread scores the range of L* of a group, times a factor; it stays when all colours are moved. mean is the mean of L*, which doesn't.
func spread(name string, factor float64) score.Method {
	return score.Method{
		Name: name, Version: "1.0.0", Author: "test", Summary: "A range.", Laws: []*describev1.LawPromise{score.Law(describev1.Law_LAW_SHIFT_INVARIANT, "range")},
		Parameters: []*describev1.Parameter{{Name: "lift", Summary: "Is added.", Value: &describev1.Parameter_Number{Number: &describev1.NumberParameter{Unit: "1"}}}},
		Scores: []score.Score{
			{Name: "range", Unit: "CIELAB units", Summary: "Range of L*.", HigherIsWider: true, LeastCells: 2, Of: func(_ context.Context, g score.Group) (float64, error) {
				low, high := g.Cells[0].Lab.L, g.Cells[0].Lab.L
				for _, c := range g.Cells {
					low, high = min(low, c.Lab.L), max(high, c.Lab.L)
				}
				return factor*(high-low) + g.Number("lift"), nil
			}},
			{Name: "mean", Unit: "CIELAB units", Summary: "Mean of L*.", HigherIsWider: true, LeastCells: 1, Of: func(_ context.Context, g score.Group) (float64, error) {
				sum := 0.0
				for _, c := range g.Cells {
					sum += c.Lab.L
				}
				return sum / float64(len(g.Cells)), nil
			}},
		},
	}
}

// cupboard gives the same columns to everybody.
type cupboard struct {
	mu     sync.Mutex
	freeze pool.Freeze
	err    error
	asked  []pool.FreezeQuestion
	during func()
}

func (c *cupboard) CheckFreeze(context.Context, pool.FreezeQuestion) error { return nil }

func (c *cupboard) Freeze(_ context.Context, q pool.FreezeQuestion) (*pool.Freeze, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.asked = append(c.asked, q)
	if c.during != nil {
		c.during()
	}
	f := c.freeze
	return &f, c.err
}

// lab is runs over a real store.
type lab struct {
	*runs.Runs
	t        testing.TB
	store    *sqlite.Store
	shelf    *shelf
	cupboard *cupboard
	trials   []trial.ID
	stop     func()
	config   runs.Config
}

var rosa = runs.Who{Actor: store.Actor{Member: "ann", Method: "test"}}

// begin opens a store with three shared trials, and columns of 12 groups in 2 strata with 20 rows each, by turns of the three trials; trial 2 is in the first two
// groups alone.
func begin(t testing.TB) *lab {
	l := &lab{t: t, shelf: &shelf{modules: map[string]*served{}}, cupboard: &cupboard{}}
	s, err := sqlite.Open(t.Context(), sqlite.Config{Path: filepath.Join(t.TempDir(), "records.db")})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, s.Close()) })
	l.store = s
	storetest.AddMembers(t, s)
	for range 3 {
		sample := storetest.NewSmallSample("ann")
		sample.Trial.Sharing.Level = trial.Cooperative
		_, err := s.Change(t.Context(), store.ChangeRequest{Actor: storetest.By("ann"), Now: time.Now(), Apply: func(r trial.Records) ([]byte, error) { return nil, sample.Put(r) }})
		require.NoError(t, err)
		l.trials = append(l.trials, sample.Trial.ID)
	}
	c := &frozen.Columns{
		Condition: pool.DefaultCondition, Labels: pipeline.Labels{Blocks: []string{"", "s1"}, Strata: []string{"x", "y | z"}}, Shown: []string{"x", "y"}, Trials: l.trials,
	}
	for g := range 12 {
		c.Labels.Groups = append(c.Labels.Groups, fmt.Sprintf("group %02d", g))
	}
	for i := range 20 {
		c.Labels.Cells = append(c.Labels.Cells, fmt.Sprintf("cell %d", i+1))
	}
	for i := range 480 {
		g, stratum, cell := i%12, i/12%2, i/24
		of := uint32(i % 2)
		if g < 2 && cell == 0 {
			of = 2
		}
		c.Rows = append(c.Rows, pipeline.Row{
			ReadingID: uuid.MustParse(fmt.Sprintf("%08d-0000-7000-8000-000000000000", i)), Group: uint32(g), Block: uint32(cell % 2), Stratum: uint32(stratum), Cell: uint32(cell),
			Lab: trial.Lab{L: 20 + float64((i*7919)%(40+5*g))},
		})
		c.TrialOf = append(c.TrialOf, of)
	}
	require.NoError(t, c.Sort())
	l.cupboard.freeze = pool.Freeze{Columns: c, Reading: &typesv1.ModuleIdentity{Name: "test-reading", Version: "1.0.0", Digest: "d", Kind: "reading"}, Revision: 3}
	l.config = runs.Config{
		Store: s, Feed: s, Pool: l.cupboard, Scorer: pipeline.New(l.shelf), PartRows: 50, Pauses: []time.Duration{time.Millisecond, time.Millisecond},
		Parse: func(text string) (*store.Predicate, error) { return filter.Parse(text, pool.FilterFields) },
	}
	l.start()
	t.Cleanup(func() { l.stop() })
	return l
}

// start begins runs, as a core does.
func (l *lab) start() {
	var err error
	l.Runs, err = runs.Open(l.t.Context(), l.config)
	require.NoError(l.t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); l.Run(ctx) }()
	l.stop = sync.OnceFunc(func() { cancel(); <-done })
}

func newID() trial.ID { return uuid.Must(uuid.NewV7()).String() }

func request(modules ...string) *catalogv1.CreateRunRequest {
	r := &catalogv1.CreateRunRequest{RunId: newID(), Title: "old and new", Question: &catalogv1.RunQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_MORDANT}, Reason: "try"}
	for _, name := range modules {
		r.Modules = append(r.Modules, &catalogv1.RunModule{Name: name})
	}
	return r
}

func (l *lab) create(modules ...string) trial.ID {
	l.t.Helper()
	run, err := l.Create(l.t.Context(), rosa, request(modules...))
	require.NoError(l.t, err)
	return run.GetId()
}

// until waits for a run to be in one of the states.
func (l *lab) until(id trial.ID, states ...catalogv1.RunState) *catalogv1.Run {
	l.t.Helper()
	for deadline := time.Now().Add(2 * time.Minute); ; time.Sleep(2 * time.Millisecond) {
		run, err := l.Get(l.t.Context(), id)
		require.NoError(l.t, err)
		if slices.Contains(states, run.GetState()) {
			return run
		}
		require.True(l.t, time.Now().Before(deadline), "run is %v: %s", run.GetState(), run.GetReason())
	}
}

const (
	done        = catalogv1.RunState_RUN_STATE_DONE
	interrupted = catalogv1.RunState_RUN_STATE_INTERRUPTED
	cancelled   = catalogv1.RunState_RUN_STATE_CANCELLED
	failed      = catalogv1.RunState_RUN_STATE_FAILED
)

// withdraw takes a trial back.
func (l *lab) withdraw(id trial.ID) {
	_, err := l.store.Change(l.t.Context(), store.ChangeRequest{Actor: storetest.By("ann"), Now: time.Now(), Apply: func(r trial.Records) ([]byte, error) {
		t, err := r.Trial(id)
		if err != nil {
			return nil, err
		}
		t.Sharing.Level = trial.Mine
		return nil, r.PutTrial(t, trial.Withdrawn)
	}})
	require.NoError(l.t, err)
}
