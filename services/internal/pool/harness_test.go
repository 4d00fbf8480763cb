package pool_test

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pipeline/pipelinetest"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

var (
	d65  = trial.ColourCondition{Illuminant: trial.IlluminantD65, Observer: trial.Observer10}
	a10  = trial.ColourCondition{Illuminant: trial.IlluminantA, Observer: trial.Observer10}
	dawn = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
)

// shelf keeps hand-made records in memory, encoded as a store keeps them.
type shelf struct {
	mu          sync.Mutex
	trials      map[trial.ID]store.TrialRow
	waters      []trial.WaterSource
	experiments []trial.Experiment
	changes     []trial.Change
	revision    int64
	changed     chan struct{}
	fail        error
}

func newShelf() *shelf {
	return &shelf{trials: map[trial.ID]store.TrialRow{}, changed: make(chan struct{})}
}

func (s *shelf) note(kind, id string) { s.append(trial.Change{RecordKind: kind, RecordID: id}) }

// noteKind notes a change of a kind of a trial that is otherwise as it was.
func (s *shelf) noteKind(kind trial.ChangeKind, id trial.ID) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.append(trial.Change{Kind: kind, RecordKind: "trial", RecordID: id})
}

func (s *shelf) append(change trial.Change) {
	s.revision++
	change.Revision = s.revision
	s.changes = append(s.changes, change)
	close(s.changed)
	s.changed = make(chan struct{})
}

// put keeps a trial as it is.
func (s *shelf) put(t *trial.Trial) {
	body, err := record.EncodeTrial(t)
	if err != nil {
		panic(err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	row := store.TrialRow{ID: t.ID, Owner: t.Owner, Sharing: t.Sharing.Level, Deleted: !t.DeletedAt.IsZero(), Body: body}
	for _, p := range t.Pieces {
		if p.Holder != "" && p.Holder != t.Owner {
			row.Holders = append(row.Holders, p.Holder)
		}
	}
	s.trials[t.ID] = row
	s.note("trial", t.ID)
}

// flood notes many changes of one revision.
func (s *shelf) flood(n int, id trial.ID) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.revision++
	for range n {
		s.changes = append(s.changes, trial.Change{Revision: s.revision, RecordKind: "bath", RecordID: newID()})
	}
	s.changes = append(s.changes, trial.Change{Revision: s.revision, RecordKind: "trial", RecordID: id})
	close(s.changed)
	s.changed = make(chan struct{})
}

func (s *shelf) setFault(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.fail = err
}

func (s *shelf) TrialRow(_ context.Context, id trial.ID) (store.TrialRow, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	row, ok := s.trials[id]
	switch {
	case s.fail != nil:
		return row, s.fail
	case !ok:
		return row, trial.ErrNotFound
	}
	return row, nil
}

func (s *shelf) TrialOfPiece(_ context.Context, idOrCode string) (trial.PieceRef, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, row := range s.trials {
		t, err := record.DecodeTrial(row.Body)
		if err != nil {
			return trial.PieceRef{}, err
		}
		for _, p := range t.Pieces {
			if p.ID == idOrCode || p.Code == idOrCode {
				return trial.PieceRef{PieceID: p.ID, TrialID: t.ID}, nil
			}
		}
	}
	return trial.PieceRef{}, trial.ErrNotFound
}

func (s *shelf) SharedTrials(_ context.Context, after trial.ID, limit int) ([]store.TrialRow, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fail != nil {
		return nil, s.fail
	}
	var out []store.TrialRow
	for _, row := range s.trials {
		if row.ID > after && !row.Deleted && row.Sharing >= trial.Cooperative {
			out = append(out, row)
		}
	}
	slices.SortFunc(out, func(a, b store.TrialRow) int { return cmp.Compare(a.ID, b.ID) })
	return out[:min(limit, len(out))], nil
}

func (s *shelf) WaterSource(_ context.Context, id trial.ID) (*trial.WaterSource, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range s.waters {
		if s.waters[i].ID == id {
			return &s.waters[i], nil
		}
	}
	return nil, trial.ErrNotFound
}

func (s *shelf) WaterSources(_ context.Context, query store.RecordQuery) ([]trial.WaterSource, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if query.BeforeID != "" {
		return nil, nil
	}
	return slices.DeleteFunc(slices.Clone(s.waters), func(w trial.WaterSource) bool { return !w.DeletedAt.IsZero() }), nil
}

func (s *shelf) Experiment(_ context.Context, id trial.ID) (*trial.Experiment, error) {
	for i := range s.experiments {
		if s.experiments[i].ID == id {
			return &s.experiments[i], nil
		}
	}
	return nil, trial.ErrNotFound
}

func (s *shelf) Revision() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.revision
}

func (s *shelf) Changes(_ context.Context, after int64, limit int) ([]trial.Change, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if limit > store.MaxPage {
		return nil, fmt.Errorf("limit: %d is not between 1 and %d", limit, store.MaxPage)
	}
	rest := s.changes[len(s.changes):]
	if i := slices.IndexFunc(s.changes, func(c trial.Change) bool { return c.Revision > after }); i >= 0 {
		rest = s.changes[i:]
	}
	end := min(limit, len(rest))
	for end > 0 && end < len(rest) && rest[end].Revision == rest[end-1].Revision {
		end++
	}
	return slices.Clone(rest[:end]), nil
}

func (s *shelf) WaitForChange(ctx context.Context, after int64) error {
	for {
		s.mu.Lock()
		revision, changed := s.revision, s.changed
		s.mu.Unlock()
		if revision > after {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// house is a pool over a shelf.
type house struct {
	*shelf
	pool    *pool.Pool
	modules *pipelinetest.Modules
}

func open(t testing.TB, s *shelf, change ...func(*pool.Config)) *house {
	t.Helper()
	modules := pipelinetest.Start(t)
	config := pool.Config{
		Reader: s, Feed: s, Pipeline: pipeline.New(modules), Decode: record.DecodeTrial, DecodeRows: record.DecodePooled, DecodeMeasured: record.DecodeMeasured, CatchUpWait: time.Minute,
	}
	for _, f := range change {
		f(&config)
	}
	p := pool.New(config)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		p.Run(ctx)
	}()
	t.Cleanup(func() {
		cancel()
		<-done
	})
	return &house{s, p, modules}
}

// ask asks about everything that is on the shelf now.
func (h *house) ask(t testing.TB, q pool.Question) *poolv1.AskPaletteResponse {
	t.Helper()
	q.MinimumRevision = h.Revision()
	answer, err := h.pool.AskPalette(t.Context(), q)
	require.NoError(t, err)
	return answer
}

var serial struct {
	sync.Mutex
	n int
}

// newID counts, so that ids are in the order in which they were made.
func newID() trial.ID {
	serial.Lock()
	defer serial.Unlock()
	serial.n++
	return fmt.Sprintf("%08x-0000-7000-8000-%012x", serial.n, serial.n)
}

// book is a trial in the making.
type book struct {
	*trial.Trial
	clock time.Time
}

func newBook(owner string) *book {
	return &book{&trial.Trial{
		ID: newID(), Owner: owner, Title: "invented", State: trial.Begun, Sharing: trial.Sharing{Level: trial.Cooperative},
	}, dawn}
}

func (b *book) session(experiment trial.ID) trial.ID {
	b.Sessions = append(b.Sessions, trial.Session{ID: newID(), ExperimentID: experiment})
	return b.Sessions[len(b.Sessions)-1].ID
}

func wool(lot string) trial.Fibre {
	return trial.Fibre{Composition: []trial.FibrePart{{Fibre: "wool", Percent: 100}}, Lot: lot}
}

func added(role trial.Role, names ...string) []trial.Addition {
	var out []trial.Addition
	for _, name := range names {
		out = append(out, trial.Addition{Entry: trial.Entry{ID: newID()}, Material: name, Role: role, Amount: trial.Amount{Knowledge: trial.Measured, Value: 10, Unit: trial.Gram}})
	}
	return out
}

func pot(dyes ...string) *trial.Bath {
	return &trial.Bath{ID: newID(), Purposes: []trial.Purpose{trial.DyeBath}, Additions: added(trial.Dye, dyes...)}
}

func vat() *trial.Bath {
	return &trial.Bath{ID: newID(), Purposes: []trial.Purpose{trial.Vat}, Additions: added(trial.Dye, "indigo")}
}

func mordant(names ...string) *trial.Bath {
	return &trial.Bath{ID: newID(), Purposes: []trial.Purpose{trial.MordantBath}, Additions: added(trial.Mordant, names...)}
}

func unknown(purposes ...trial.Purpose) *trial.Bath {
	return &trial.Bath{ID: newID(), Purposes: purposes, ContentsNotStated: true}
}

func blank(of string) *trial.Bath {
	return &trial.Bath{ID: newID(), Purposes: []trial.Purpose{trial.DyeBath}, BlankOf: of}
}

// piece adds a piece that went through baths, in fresh baths of 10 g of fibre.
func (b *book) piece(session trial.ID, fibre trial.Fibre, baths ...*trial.Bath) *trial.Piece {
	return b.pieceOf(10, session, fibre, baths...)
}

func (b *book) pieceOf(loadG float64, session trial.ID, fibre trial.Fibre, baths ...*trial.Bath) *trial.Piece {
	p := trial.Piece{ID: newID(), TrialID: b.ID, SessionID: session, Fibre: fibre, Holder: b.Owner}
	var stretch trial.Stretch
	for i, bath := range baths {
		im := trial.Immersion{Entry: trial.Entry{ID: newID()}, PieceID: p.ID, BathID: bath.ID, Position: i + 1, IntendedDepth: trial.Medium}
		b.Immersions = append(b.Immersions, im)
		stretch.Steps = append(stretch.Steps, trial.Step{Immersion: im, Bath: bath, LoadG: &loadG})
	}
	p.Route = trial.DeriveRoute([]trial.Stretch{stretch})
	b.Pieces = append(b.Pieces, p)
	return &b.Pieces[len(b.Pieces)-1]
}

// read adds a settled reading of a piece; change may alter it.
func (b *book) read(p *trial.Piece, lab trial.Lab, change ...func(*trial.Reading)) trial.ID {
	b.clock = b.clock.Add(time.Minute)
	r := trial.Reading{
		Entry: trial.Entry{ID: newID(), RecordedAt: b.clock, RecordedBy: b.Owner}, PieceID: p.ID,
		Raw: trial.RawColour{Lab: &lab, LabCondition: d65}, Specular: trial.SpecularIncluded, Instrument: "bench reader",
		State: trial.Dry, AgeDays: 9, AfterPosition: trial.AfterAll,
	}
	for _, f := range change {
		f(&r)
	}
	b.Readings = append(b.Readings, r)
	return r.ID
}

func lab(l, a, bb float64) trial.Lab { return trial.Lab{L: l, A: a, B: bb} }

func leftOut(answer *poolv1.AskPaletteResponse) map[string]int32 {
	out := map[string]int32{}
	for _, l := range answer.GetLeftOut() {
		out[l.GetUnit()+": "+l.GetReason()] = l.GetCount()
	}
	return out
}

func group(t testing.TB, answer *poolv1.AskPaletteResponse, name, stratum string) *poolv1.GroupAnswer {
	t.Helper()
	for _, g := range answer.GetGroups() {
		if g.GetGroup() == name && strings.Contains(g.GetStratum(), stratum) {
			return g
		}
	}
	t.Fatalf("no group %q in a stratum with %q among %v", name, stratum, answer.GetGroups())
	return nil
}

func tells(answer *poolv1.AskPaletteResponse) string {
	return strings.Join(answer.GetCannotTell(), "\n")
}
