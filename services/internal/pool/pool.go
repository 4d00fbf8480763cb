// Package pool is the projection of everything that members share, one row for each piece, and the answers made from it.
//
// It follows the change feed. Rows come only from trials that are shared with the cooperative or the public and aren't deleted; a
// withdrawal or deletion removes them and moves the revision that answers carry. Of a water it knows the name, never the place. Colours are
// computed by the reading module when a question first needs them, those of a large pool before (beforehand.go); while that module is down,
// questions fail and records don't.
//
// A question goes through it like this (ask.go): shared pieces that fit are chosen and get their colours (choose.go, colours.go), their groups,
// strata and cells (ask.go, select.go, cells.go) and their blocks of sessions (blocks.go). Then the modules are asked, and the answer is made of
// theirs: orders.go and groups.go for exploratory ones, planned*.go for the verdicts of experiments.
//
// Faults are the sentinels of package trial, those of package pipeline, ErrBehind and ErrUnusable.
package pool

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

var (
	// ErrBehind means that the pool hasn't taken in the revision that was asked for yet; see BehindError.
	ErrBehind = errors.New("pool is catching up")
	// ErrUnusable means that the record is there and readable, and can't be used for what was asked.
	ErrUnusable = errors.New("unusable")
)

// BehindError tells how far the pool has come; it unwraps to ErrBehind.
type BehindError struct {
	Have, Want int64
	WaitingFor string // what it waits for, or ""
}

// Error implements error.
func (e *BehindError) Error() string {
	text := fmt.Sprintf("%v: it has taken in revision %d of %d", ErrBehind, e.Have, e.Want)
	if e.WaitingFor != "" {
		text += ": " + e.WaitingFor
	}
	return text
}

// Unwrap gives ErrBehind.
func (e *BehindError) Unwrap() error { return ErrBehind }

// Reader is what the pool reads of the store.
type Reader interface {
	TrialRow(ctx context.Context, id trial.ID) (store.TrialRow, error)
	SharedTrials(ctx context.Context, after trial.ID, limit int) ([]store.TrialRow, error)
	TrialOfPiece(ctx context.Context, idOrCode string) (trial.PieceRef, error)
	WaterSource(ctx context.Context, id trial.ID) (*trial.WaterSource, error)
	WaterSources(ctx context.Context, query store.RecordQuery) ([]trial.WaterSource, error)
	Experiment(ctx context.Context, id trial.ID) (*trial.Experiment, error)
}

// Config is what a pool is made of; all but Pipeline, DecodeRows, DecodeMeasured, Log, CatchUpWait, MaxPieces, MaxAnswerBytes and BeforehandFrom are required.
type Config struct {
	Reader Reader
	Feed   store.Feed
	// Pipeline calls the modules. A pool without one (nil) has rows and a checksum, and may be asked nothing.
	Pipeline *pipeline.Pipeline
	// Decode reads the body of a store.TrialRow.
	Decode func(body []byte) (*trial.Trial, error)
	// DecodeRows reads of the body what rows are made of, without the figures of readings; nil: Decode does.
	DecodeRows func(body []byte) (*trial.Trial, error)
	// DecodeMeasured reads of the body the ids of readings and what they measured; nil: Decode does.
	DecodeMeasured func(body []byte) (*trial.Trial, error)
	Log            *slog.Logger
	// CatchUpWait is how long a question waits for the pool to catch up; 0 means 5 s.
	CatchUpWait time.Duration
	// MaxPieces is how many pieces a question may be about; 0 means DefaultMaxPieces.
	MaxPieces int
	// MaxAnswerBytes is how long an answer about palettes may be; 0 means DefaultMaxAnswerBytes.
	MaxAnswerBytes int
	// BeforehandFrom is from how many pieces their colours are computed before anybody asks; 0 means DefaultBeforehandFrom.
	BeforehandFrom int
}

// DefaultMaxPieces is how many pieces a question may be about, as many as a run may freeze. The contracts of the modules would take 10,000,000 rows. The
// limit comes from the time that a palette module has, and from the memory that a question takes beside the pool: about 200 bytes for each piece
// (services/e2e/scale, BenchmarkLargeQuestion).
const DefaultMaxPieces = 1_000_000

// Pool answers questions. It is safe for use by several goroutines.
type Pool struct {
	reader         Reader
	feed           store.Feed
	pipeline       *pipeline.Pipeline
	decode         func([]byte) (*trial.Trial, error)
	decodeRows     func([]byte) (*trial.Trial, error)
	measured       func([]byte) (*trial.Trial, error)
	log            *slog.Logger
	wait           time.Duration
	maxPieces      int
	maxAnswer      int
	beforehandFrom int

	shared   *dictionary // of Run alone
	underway underway
	asking   atomic.Int32 // questions about palettes that are being answered

	mu      sync.Mutex
	now     *snapshot     // nil before the first load
	moved   chan struct{} // closed and replaced when now changes
	trouble string        // why Run isn't getting on, or ""
}

// snapshot is the pool at one revision. It is never changed.
type snapshot struct {
	revision int64
	chunks   map[trial.ID]*chunk
	waters   map[trial.ID]string // names
	rows     int

	order sync.Once
	list  []*chunk // by trial id

	tie    sync.Once
	blocks map[string]string // session to the session that stands for its block
	tied   int               // sessions that share a block with another

	summing sync.Once
	sum     string // see checksum
}

// New makes a pool; it is empty until Run has loaded it.
func New(config Config) *Pool {
	p := &Pool{
		reader: config.Reader, feed: config.Feed, pipeline: config.Pipeline, decode: config.Decode, decodeRows: config.DecodeRows, measured: config.DecodeMeasured, log: config.Log, wait: config.CatchUpWait,
		maxPieces: config.MaxPieces, maxAnswer: config.MaxAnswerBytes, beforehandFrom: config.BeforehandFrom,
		shared: newDictionary(), moved: make(chan struct{}),
	}
	if p.decodeRows == nil {
		p.decodeRows = p.decode
	}
	if p.measured == nil {
		p.measured = p.decode
	}
	if p.log == nil {
		p.log = slog.New(slog.DiscardHandler)
	}
	if p.wait <= 0 {
		p.wait = 5 * time.Second
	}
	if p.maxPieces <= 0 {
		p.maxPieces = DefaultMaxPieces
	}
	if p.maxAnswer <= 0 {
		p.maxAnswer = DefaultMaxAnswerBytes
	}
	if p.beforehandFrom <= 0 {
		p.beforehandFrom = DefaultBeforehandFrom
	}
	return p
}

// page is how many records are read at a time. A few pages are on their way at once, and a trial may have megabytes.
const page = 25

// Run loads the pool and follows the feed until ctx ends. It is called once. Faults of the store are tried again.
func (p *Pool) Run(ctx context.Context) {
	var side sync.WaitGroup
	defer side.Wait()
	loaded := false
	for pause := time.Duration(0); ctx.Err() == nil; {
		err := p.step(ctx)
		if err == nil {
			pause = 0
			p.setTrouble("")
			if !loaded && p.pipeline != nil {
				loaded = true
				side.Go(func() { p.keepBeforehand(ctx) })
			}
			continue
		}
		if ctx.Err() != nil {
			return
		}
		pause = min(max(2*pause, 100*time.Millisecond), 5*time.Second)
		p.setTrouble("reading the record failed, trying again")
		p.log.WarnContext(ctx, "pool can't follow the record", "error", err, "retry_in", pause)
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
	}
}

// step loads, or waits for changes and takes them in.
func (p *Pool) step(ctx context.Context) error {
	now := p.snapshot()
	if now == nil {
		return p.load(ctx)
	}
	if err := p.feed.WaitForChange(ctx, now.revision); err != nil {
		return err
	}
	return p.follow(ctx, now)
}

func (p *Pool) load(ctx context.Context) error {
	next := &snapshot{revision: p.feed.Revision(), chunks: map[trial.ID]*chunk{}, waters: map[trial.ID]string{}}
	p.shared = newDictionary()
	for before := ""; ; {
		sources, err := p.reader.WaterSources(ctx, store.RecordQuery{BeforeID: before, Limit: page})
		if err != nil {
			return fmt.Errorf("list water sources: %w", err)
		}
		for i := range sources {
			next.waters[sources[i].ID] = sources[i].Name
		}
		if len(sources) < page {
			break
		}
		before = sources[len(sources)-1].ID
	}
	if err := p.loadTrials(ctx, next); err != nil {
		return err
	}
	if before := p.snapshot(); before != nil {
		for id, c := range next.chunks {
			if old := before.chunks[id]; old != nil {
				c.inherit(old)
			}
		}
	}
	p.publish(next)
	return nil
}

// loadTrials puts all shared trials. The next page is read while one is taken in.
func (p *Pool) loadTrials(ctx context.Context, next *snapshot) error {
	reading, ctx := errgroup.WithContext(ctx)
	pages := make(chan []store.TrialRow)
	reading.Go(func() error {
		defer close(pages)
		for after := ""; ; {
			trials, err := p.reader.SharedTrials(ctx, after, page)
			if err != nil {
				return fmt.Errorf("list shared trials: %w", err)
			}
			select {
			case pages <- trials:
			case <-ctx.Done():
				return ctx.Err()
			}
			if len(trials) < page {
				return nil
			}
			after = trials[len(trials)-1].ID
		}
	})
	reading.Go(func() error {
		for trials := range pages {
			for i := range trials {
				if err := p.put(next, trials[i]); err != nil {
					return err
				}
			}
		}
		return nil
	})
	return reading.Wait()
}

// follow takes in one page of changes: each trial that changed is read again as it is now. A page holds whole revisions, however large.
func (p *Pool) follow(ctx context.Context, now *snapshot) error {
	changes, err := p.feed.Changes(ctx, now.revision, store.MaxPage)
	if err != nil {
		return fmt.Errorf("read changes: %w", err)
	}
	if len(changes) == 0 {
		return nil
	}
	next := &snapshot{revision: changes[len(changes)-1].Revision, chunks: maps.Clone(now.chunks), waters: now.waters}
	done := map[string]bool{}
	for _, change := range changes {
		if done[change.RecordKind+change.RecordID] {
			continue
		}
		done[change.RecordKind+change.RecordID] = true
		switch change.RecordKind {
		case "trial":
			row, err := p.reader.TrialRow(ctx, change.RecordID)
			switch {
			case errors.Is(err, trial.ErrNotFound):
				delete(next.chunks, change.RecordID)
			case err != nil:
				return fmt.Errorf("read trial %s: %w", change.RecordID, err)
			default:
				if err := p.put(next, row); err != nil {
					return err
				}
			}
		case "water":
			source, err := p.reader.WaterSource(ctx, change.RecordID)
			if err != nil {
				return fmt.Errorf("read water source %s: %w", change.RecordID, err)
			}
			next.waters = maps.Clone(next.waters)
			if source.DeletedAt.IsZero() {
				next.waters[source.ID] = source.Name
			} else {
				delete(next.waters, source.ID)
			}
		}
	}
	p.publish(next)
	return nil
}

// put takes in a trial as it is now, in place of what was there. One that can't be read is an error: without it answers would be other ones, in silence.
func (p *Pool) put(next *snapshot, row store.TrialRow) error {
	if row.Deleted || !inPool(row.Sharing) {
		delete(next.chunks, row.ID)
		return nil
	}
	t, err := p.decodeRows(row.Body)
	if err != nil {
		return fmt.Errorf("decode trial %s: %w", row.ID, err)
	}
	made, err := project(t, p.shared)
	if err != nil {
		return fmt.Errorf("trial %s: %w", row.ID, err)
	}
	if old := next.chunks[row.ID]; old != nil {
		made.inherit(old)
	}
	next.chunks[row.ID] = made
	return nil
}

func (p *Pool) publish(next *snapshot) {
	for _, c := range next.chunks {
		next.rows += len(c.rows)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.now = next
	close(p.moved)
	p.moved = make(chan struct{})
}

func (p *Pool) snapshot() *snapshot {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.now
}

func (p *Pool) setTrouble(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.trouble = text
}

// Status is how far the pool has come.
type Status struct {
	PoolRevision   int64
	RecordRevision int64
	Rows           int
	WaitingFor     string // "" when caught up
}

// Status tells how far the pool has come.
func (p *Pool) Status() Status {
	record := p.feed.Revision()
	p.mu.Lock()
	defer p.mu.Unlock()
	s := Status{RecordRevision: record, WaitingFor: p.trouble}
	if p.now != nil {
		s.PoolRevision, s.Rows = p.now.revision, p.now.rows
	}
	if s.WaitingFor == "" && (p.now == nil || s.PoolRevision < record) {
		s.WaitingFor = fmt.Sprintf("revisions %d to %d", s.PoolRevision+1, record)
		if p.now == nil {
			s.WaitingFor = "the first load"
		}
	}
	return s
}

// at waits, for a limited time, until the pool has taken in a revision; 0 asks for whatever it has. Either way it waits until it knows of every
// withdrawal and deletion before the question, so that what an owner has taken back is in no answer to a later question.
// Errors: trial.ErrInvalid for a revision that isn't there yet; *BehindError; ctx.Err().
func (p *Pool) at(ctx context.Context, revision int64) (*snapshot, error) {
	record := p.feed.Revision()
	if revision > record || revision < 0 {
		return nil, &trial.FieldFault{Field: "minimum_revision", Text: fmt.Sprintf("is %d; allowed: 0 to %d, the revision of the record", revision, record)}
	}
	timer := time.NewTimer(p.wait)
	defer timer.Stop()
	for {
		p.mu.Lock()
		now, moved := p.now, p.moved
		p.mu.Unlock()
		if now != nil && now.revision >= revision {
			owed, err := p.owed(ctx, now.revision, record)
			if err != nil {
				return nil, err
			}
			if now.revision >= owed {
				return now, nil
			}
			revision = owed
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-timer.C:
			s := p.Status()
			return nil, &BehindError{Have: s.PoolRevision, Want: max(revision, s.RecordRevision), WaitingFor: s.WaitingFor}
		}
	}
}

// owed is the last revision above after and up to upTo by which something was withdrawn or deleted, 0 where there is none. Where there are more
// changes than fit on a page, it assumes the worst.
func (p *Pool) owed(ctx context.Context, after, upTo int64) (int64, error) {
	if after >= upTo {
		return 0, nil
	}
	changes, err := p.feed.Changes(ctx, after, store.MaxPage)
	if err != nil {
		return 0, fmt.Errorf("read changes: %w", err)
	}
	if len(changes) >= store.MaxPage {
		return upTo, nil
	}
	var owed int64
	for _, change := range changes {
		if change.Revision <= upTo && (change.Kind == trial.Withdrawn || change.Kind == trial.Deleted) {
			owed = change.Revision
		}
	}
	return owed, nil
}

// ordered lists the chunks by trial id. The list is that of all who ask.
func (s *snapshot) ordered() []*chunk {
	s.order.Do(func() {
		s.list = slices.Collect(maps.Values(s.chunks))
		slices.SortFunc(s.list, func(a, b *chunk) int { return strings.Compare(a.trial, b.trial) })
	})
	return s.list
}
