// Package runs scores frozen columns of the pool by chosen modules, in parts that survive the end of a module or of the core, and keeps what came of it.
//
// One run is under way at a time. It first freezes its columns (package frozen); then each module is asked for a few groups at a time, and each answer is kept
// before the next is asked for. A run that was cut short goes on with the groups that are missing. What a member takes back is taken out of the columns, and the
// scores of the groups that it was part of with it, before anything of the run is told again. The same columns, modules and seed give the same bytes.
package runs

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Freezer gives columns; *pool.Pool does.
type Freezer interface {
	CheckFreeze(ctx context.Context, q pool.FreezeQuestion) error
	Freeze(ctx context.Context, q pool.FreezeQuestion) (*pool.Freeze, error)
}

// Scorer asks modules; *pipeline.Pipeline does.
type Scorer interface {
	Scorer(name string) (*typesv1.ModuleIdentity, *describev1.DescribeResponse, error)
	ScorePalettes(ctx context.Context, name string, q pipeline.ScoresQuestion) (*pipeline.Scores, error)
}

// Meter counts what runs do; *telemetry.Metrics does. Its methods must not block.
type Meter interface {
	// RunEnded is told the state in which a run ended, in the words of the interface: done, cancelled, interrupted or failed.
	RunEnded(state string)
	// RowsScored is told how many more rows are scored and kept.
	RowsScored(rows int)
}

type noMeter struct{}

func (noMeter) RunEnded(string) {}
func (noMeter) RowsScored(int)  {}

// The bounds of runs.
const (
	// DefaultPartRows is about how many rows are scored before what came of it is kept; a group in a stratum is never cut.
	DefaultPartRows = 25_000
	// maxWaiting is how many runs may wait for the one that is under way.
	maxWaiting = 20
)

// Config is what runs are made of; Log, Meter, Clock, PartRows and Pauses may be left out.
type Config struct {
	Store  store.RunStore
	Feed   store.Feed
	Pool   Freezer
	Scorer Scorer
	// Parse reads the filter of a question. Error: trial.ErrInvalid.
	Parse    func(filter string) (*store.Predicate, error)
	Log      *slog.Logger
	Meter    Meter
	Clock    func() time.Time
	PartRows int
	// Pauses are how long is waited before a module that is down is asked again; after the last the run is interrupted.
	Pauses []time.Duration
}

// Runs makes runs and tells of them. It is safe for use by several goroutines.
type Runs struct {
	Config

	mu      sync.Mutex
	changed chan struct{} // closed and replaced when something below changes
	queue   []trial.ID
	active  trial.ID
	stop    context.CancelCauseFunc // of the active run
	held    map[trial.ID]bool       // runs that somebody changes; they aren't begun

	told lastTold

	settling sync.Mutex
	settled  int64 // revision up to which what was taken back is taken out; -1: not known
}

// Why an active run is stopped.
var (
	errStopped = errors.New("the core ended")
	errCancel  = errors.New("cancelled")
	errErase   = errors.New("rows were taken back")
)

// itself is on whose behalf a run goes on.
var itself = store.Actor{Member: store.Server, Method: "run"}

// Open makes runs. Those that were under way when the core ended are interrupted from now on.
func Open(ctx context.Context, config Config) (*Runs, error) {
	r := &Runs{Config: config, changed: make(chan struct{}), held: map[trial.ID]bool{}, settled: -1}
	if r.Log == nil {
		r.Log = slog.New(slog.DiscardHandler)
	}
	if r.Meter == nil {
		r.Meter = noMeter{}
	}
	if r.Clock == nil {
		r.Clock = time.Now
	}
	if r.PartRows <= 0 {
		r.PartRows = DefaultPartRows
	}
	if r.Pauses == nil {
		r.Pauses = []time.Duration{250 * time.Millisecond, 500 * time.Millisecond, time.Second, 2 * time.Second, 4 * time.Second, 8 * time.Second}
	}
	for before := ""; ; {
		page, err := r.Store.Runs(ctx, before, store.MaxPage)
		if err != nil {
			return nil, fmt.Errorf("list runs: %w", err)
		}
		for _, row := range page {
			if !underWay(catalogv1.RunState(row.State)) {
				continue
			}
			run, err := decode(row)
			if err != nil {
				return nil, err
			}
			run.State, run.Reason = catalogv1.RunState_RUN_STATE_INTERRUPTED, errStopped.Error()+" while it was under way"
			if err := r.end(ctx, itself, run, "", ""); err != nil {
				return nil, err
			}
		}
		if len(page) < store.MaxPage {
			return r, nil
		}
		before = page[len(page)-1].ID
	}
}

// Run scores what waits, and takes out what is taken back, until ctx ends. It is called once.
func (r *Runs) Run(ctx context.Context) {
	var following sync.WaitGroup
	following.Go(func() { r.follow(ctx) })
	defer following.Wait()
	for {
		id, begun := r.next(ctx)
		if id == "" {
			return
		}
		r.work(begun, id)
		r.mu.Lock()
		r.stop(nil) // nobody waits for it any more
		r.active, r.stop = "", nil
		r.notify()
		r.mu.Unlock()
	}
}

// next waits for a run to begin; "" when ctx ended.
func (r *Runs) next(ctx context.Context) (trial.ID, context.Context) {
	for {
		r.mu.Lock()
		if ctx.Err() != nil {
			r.mu.Unlock()
			return "", nil
		}
		if at := slices.IndexFunc(r.queue, func(id trial.ID) bool { return !r.held[id] }); at >= 0 {
			id := r.queue[at]
			r.queue = slices.Delete(r.queue, at, at+1)
			begun, stop := context.WithCancelCause(ctx)
			r.active, r.stop = id, stop
			r.mu.Unlock()
			return id, begun
		}
		changed := r.changed
		r.mu.Unlock()
		select {
		case <-changed:
		case <-ctx.Done():
		}
	}
}

// notify tells those that wait; mu is held.
func (r *Runs) notify() {
	close(r.changed)
	r.changed = make(chan struct{})
}

// hold stops a run if it is under way, for a reason, and keeps it from being begun until release is called. wasActive and wasWaiting tell what it did.
func (r *Runs) hold(ctx context.Context, id trial.ID, why error) (release func(again bool), wasActive, wasWaiting bool, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for r.held[id] {
		if err := r.wait(ctx); err != nil {
			return nil, false, false, err
		}
	}
	r.held[id] = true
	free := func() {
		delete(r.held, id)
		r.notify()
	}
	for r.active == id {
		wasActive = true
		if why == nil {
			break
		}
		r.stop(why)
		_ = r.wait(context.WithoutCancel(ctx)) // it ends soon, and whoever stopped it says how it ended
	}
	wasWaiting = slices.Contains(r.queue, id)
	return func(again bool) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.queue = slices.DeleteFunc(r.queue, func(other trial.ID) bool { return other == id })
		if again {
			r.queue = append(r.queue, id)
		}
		free()
	}, wasActive, wasWaiting, nil
}

// wait waits for a change; mu is held, and given up meanwhile.
func (r *Runs) wait(ctx context.Context) error {
	changed := r.changed
	r.mu.Unlock()
	defer r.mu.Lock()
	select {
	case <-changed:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func underWay(state catalogv1.RunState) bool {
	return state == catalogv1.RunState_RUN_STATE_WAITING || state == catalogv1.RunState_RUN_STATE_FREEZING || state == catalogv1.RunState_RUN_STATE_SCORING
}

var deterministic = proto.MarshalOptions{Deterministic: true}

func decode(row store.RunRow) (*catalogv1.Run, error) {
	run := &catalogv1.Run{}
	if err := proto.Unmarshal(row.Body, run); err != nil {
		return nil, fmt.Errorf("decode run %s: %w", row.ID, err)
	}
	return run, nil
}

// row is a run as it is kept, from now on.
func (r *Runs) row(run *catalogv1.Run) (store.RunRow, time.Time, error) {
	now := r.Clock()
	run.UpdateTime = timestamppb.New(now)
	body, err := deterministic.Marshal(run)
	return store.RunRow{ID: run.GetId(), Owner: run.GetOwner(), State: int(run.GetState()), Body: body}, now, err
}

func (r *Runs) put(ctx context.Context, by store.Actor, run *catalogv1.Run, act, reason string) error {
	row, now, err := r.row(run)
	if err != nil {
		return err
	}
	return r.Store.PutRun(ctx, by, now, row, act, reason)
}

// end keeps a run that has ended, and counts it. Of columns that weren't frozen whole nothing is kept, since what members take back couldn't be
// taken out.
func (r *Runs) end(ctx context.Context, by store.Actor, run *catalogv1.Run, act, reason string) error {
	whole := run.GetColumns() != nil
	if whole || act != "" {
		if err := r.put(ctx, by, run, act, reason); err != nil {
			return err
		}
	}
	if !whole {
		row, now, err := r.row(run)
		if err != nil {
			return err
		}
		if err := r.Store.EraseFromRun(ctx, itself, now, row, store.RunRest{}, ""); err != nil {
			return err
		}
	}
	r.Meter.RunEnded(stateWords(run.GetState()))
	return nil
}

// Who asks for a change of a run.
type Who struct {
	store.Actor
	Any bool // others' runs too
}

// question is what the pool is asked for.
func (r *Runs) question(q *catalogv1.RunQuestion, ages, spectra bool) (pool.FreezeQuestion, error) {
	where, err := r.Parse(q.GetFilter())
	if err != nil {
		return pool.FreezeQuestion{}, err
	}
	return pool.FreezeQuestion{
		GroupBy: q.GetGroupBy(), Where: where, ExperimentID: q.GetExperimentId(), Ages: ages, Spectra: spectra,
		Condition: trial.ColourCondition{Illuminant: trial.Illuminant(q.GetCondition().GetIlluminant()), Observer: trial.Observer(q.GetCondition().GetObserver())},
	}, nil
}

// Create begins a run. Errors: trial.ErrInvalid; trial.ErrNotFound for the experiment; trial.ErrExists for an id of another run; trial.ErrConflict for a module
// that names no scores, or when too many wait; *pipeline.ModuleError for one that doesn't run.
func (r *Runs) Create(ctx context.Context, who Who, request *catalogv1.CreateRunRequest) (*catalogv1.Run, error) {
	run := &catalogv1.Run{
		Id: request.GetRunId(), Owner: who.Member, Title: request.GetTitle(), Question: request.GetQuestion(), Modules: request.GetModules(), Seed: max(request.GetSeed(), 1),
		State: catalogv1.RunState_RUN_STATE_WAITING, CreateTime: timestamppb.New(r.Clock()),
	}
	if run.GetQuestion().GetExperimentId() != "" && run.GetSeed() != pool.DefaultSeed {
		return nil, &trial.FieldFault{Field: "seed", Text: fmt.Sprintf("is %d; allowed with experiment_id: %d, or one could draw until one likes the answer", run.GetSeed(), pool.DefaultSeed)}
	}
	if there, err := r.Store.Run(ctx, run.GetId()); err == nil {
		return r.again(there, run)
	} else if !errors.Is(err, trial.ErrNotFound) {
		return nil, err
	}
	for i, m := range run.GetModules() {
		_, described, err := r.Scorer.Scorer(m.GetName())
		switch {
		case errors.Is(err, pipeline.ErrNotAScorer):
			return nil, fmt.Errorf("%w: %w", trial.ErrConflict, err)
		case err != nil:
			return nil, err
		}
		if err := pipeline.CheckParameters(fmt.Sprintf("modules[%d].parameters", i), described, m.GetParameters()); err != nil {
			return nil, err
		}
	}
	q, err := r.question(run.GetQuestion(), false, false)
	if err != nil {
		return nil, err
	}
	if err := r.Pool.CheckFreeze(ctx, q); err != nil {
		return nil, err
	}
	release, _, _, err := r.hold(ctx, run.GetId(), nil)
	if err != nil {
		return nil, err
	}
	begin := false
	defer func() { release(begin) }()
	if there, err := r.Store.Run(ctx, run.GetId()); err == nil { // sent twice at once
		begin = r.waits(run.GetId())
		return r.again(there, run)
	} else if !errors.Is(err, trial.ErrNotFound) {
		return nil, err
	}
	if err := r.room(); err != nil {
		return nil, err
	}
	row, now, err := r.row(run)
	if err != nil {
		return nil, err
	}
	if err := r.Store.CreateRun(ctx, who.Actor, now, row, request.GetReason()); err != nil {
		return nil, err
	}
	begin = true
	return run, nil
}

func (r *Runs) room() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.queue) >= maxWaiting {
		return fmt.Errorf("%w: %d runs wait already; allowed: %d", trial.ErrConflict, len(r.queue), maxWaiting)
	}
	return nil
}

// again answers a creation that was sent before.
func (r *Runs) again(row store.RunRow, asked *catalogv1.Run) (*catalogv1.Run, error) {
	there, err := decode(row)
	if err != nil {
		return nil, err
	}
	same := proto.Equal(there.GetQuestion(), asked.GetQuestion()) && slices.EqualFunc(there.GetModules(), asked.GetModules(), func(a, b *catalogv1.RunModule) bool { return proto.Equal(a, b) })
	if !same || there.GetOwner() != asked.GetOwner() || there.GetSeed() != asked.GetSeed() || there.GetTitle() != asked.GetTitle() {
		return nil, fmt.Errorf("run %s: %w", row.ID, trial.ErrExists)
	}
	return there, nil
}

// Get reads a run. Error: trial.ErrNotFound.
func (r *Runs) Get(ctx context.Context, id trial.ID) (*catalogv1.Run, error) {
	if err := r.settle(ctx); err != nil {
		return nil, err
	}
	row, err := r.Store.Run(ctx, id)
	if err != nil {
		return nil, err
	}
	return decode(row)
}

// List reads a page, newest first.
func (r *Runs) List(ctx context.Context, before trial.ID, limit int) ([]*catalogv1.Run, error) {
	if err := r.settle(ctx); err != nil {
		return nil, err
	}
	rows, err := r.Store.Runs(ctx, before, limit)
	if err != nil {
		return nil, err
	}
	out := make([]*catalogv1.Run, 0, len(rows))
	for _, row := range rows {
		run, err := decode(row)
		if err != nil {
			return nil, err
		}
		out = append(out, run)
	}
	return out, nil
}

// change reads a run that is held, for who may change it.
func (r *Runs) change(ctx context.Context, who Who, id trial.ID) (*catalogv1.Run, error) {
	row, err := r.Store.Run(ctx, id)
	if err != nil {
		return nil, err
	}
	if row.Owner != who.Member && !who.Any {
		return nil, fmt.Errorf("%w: run %s is another member's; its maker and coordinators may change it", trial.ErrForbidden, id)
	}
	return decode(row)
}

// Cancel ends a run that is under way. Errors: trial.ErrNotFound; trial.ErrForbidden; trial.ErrConflict.
func (r *Runs) Cancel(ctx context.Context, who Who, id trial.ID, reason string) (*catalogv1.Run, error) {
	if _, err := r.change(ctx, who, id); err != nil {
		return nil, err
	}
	release, _, _, err := r.hold(ctx, id, errCancel)
	if err != nil {
		return nil, err
	}
	defer release(false)
	ctx = context.WithoutCancel(ctx) // what was stopped has to be kept as stopped
	run, err := r.change(ctx, who, id)
	if err != nil {
		return nil, err
	}
	if !underWay(run.GetState()) {
		return nil, fmt.Errorf("%w: run %s is %s, not under way", trial.ErrConflict, id, stateWords(run.GetState()))
	}
	run.State, run.Reason = catalogv1.RunState_RUN_STATE_CANCELLED, reason
	return run, r.end(ctx, who.Actor, run, "cancelled", reason)
}

// Resume has a run go on. Errors: as for Cancel.
func (r *Runs) Resume(ctx context.Context, who Who, id trial.ID, reason string) (*catalogv1.Run, error) {
	if _, err := r.change(ctx, who, id); err != nil {
		return nil, err
	}
	if err := r.settle(ctx); err != nil {
		return nil, err
	}
	release, _, _, err := r.hold(ctx, id, nil)
	if err != nil {
		return nil, err
	}
	begin := false
	defer func() { release(begin) }()
	run, err := r.change(ctx, who, id)
	if err != nil {
		return nil, err
	}
	if underWay(run.GetState()) {
		begin = r.waits(id)
		return nil, fmt.Errorf("%w: run %s is under way", trial.ErrConflict, id)
	}
	if run.GetState() == catalogv1.RunState_RUN_STATE_DONE {
		return nil, fmt.Errorf("%w: run %s is done", trial.ErrConflict, id)
	}
	if err := r.room(); err != nil {
		return nil, err
	}
	run.State, run.Reason = catalogv1.RunState_RUN_STATE_WAITING, ""
	if err := r.put(ctx, who.Actor, run, "resumed", reason); err != nil {
		return nil, err
	}
	begin = true
	return run, nil
}

func (r *Runs) waits(id trial.ID) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Contains(r.queue, id)
}

// Delete takes a run out. Errors: as for Cancel.
func (r *Runs) Delete(ctx context.Context, who Who, id trial.ID, reason string) error {
	if _, err := r.change(ctx, who, id); err != nil {
		return err
	}
	release, _, _, err := r.hold(ctx, id, nil)
	if err != nil {
		return err
	}
	again := false
	defer func() { release(again) }()
	run, err := r.change(ctx, who, id)
	if err != nil {
		return err
	}
	if underWay(run.GetState()) {
		again = r.waits(id)
		return fmt.Errorf("%w: run %s is under way; cancel it first", trial.ErrConflict, id)
	}
	return r.Store.DeleteRun(ctx, who.Actor, r.Clock(), id, reason)
}

func stateWords(s catalogv1.RunState) string {
	return strings.ToLower(strings.TrimPrefix(s.String(), "RUN_STATE_"))
}

// follow takes out what is taken back as it is, so that it isn't kept until somebody asks.
func (r *Runs) follow(ctx context.Context) {
	for after := int64(-1); ; {
		if err := r.settle(ctx); err != nil && ctx.Err() == nil {
			r.Log.WarnContext(ctx, "what was taken back can't be taken out of runs yet", "error", err)
			select {
			case <-time.After(5 * time.Second):
				continue
			case <-ctx.Done():
			}
		}
		if ctx.Err() != nil {
			return
		}
		after = max(after, r.upTo())
		if err := r.Feed.WaitForChange(ctx, after); err != nil {
			return // ctx ended, or the store is closing
		}
	}
}

func (r *Runs) upTo() int64 {
	r.settling.Lock()
	defer r.settling.Unlock()
	return r.settled
}
