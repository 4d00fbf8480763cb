package runs

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/runs/frozen"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// keepTimeout bounds the keeping of how a run ended, when its own context has.
const keepTimeout = 5 * time.Second

// work has a run go on until it is done or stopped, and keeps how it ended.
func (r *Runs) work(ctx context.Context, id trial.ID) {
	err := r.goOn(ctx, id)
	if err == nil {
		return
	}
	why := context.Cause(ctx)
	if errors.Is(why, errCancel) || errors.Is(why, errErase) {
		return // whoever stopped it says how it ended
	}
	if ctx.Err() != nil {
		err = errStopped
	}
	keeping, cancel := context.WithTimeout(context.WithoutCancel(ctx), keepTimeout)
	defer cancel()
	row, readErr := r.Store.Run(keeping, id)
	if readErr == nil {
		var run *catalogv1.Run
		if run, readErr = decode(row); readErr == nil {
			run.State, run.Reason = ended(err)
			readErr = r.end(keeping, itself, run, "", "")
		}
	}
	if readErr != nil { // it stays as it is, and is interrupted when the core starts again
		r.Log.ErrorContext(ctx, "how a run ended can't be kept", "run", id, "error", readErr, "ended", err)
		return
	}
	if errors.Is(err, errStopped) {
		return
	}
	r.Log.WarnContext(ctx, "run ended before it was done", "run", id, "error", err)
}

// ended is what a fault makes of a run.
func ended(err error) (catalogv1.RunState, string) {
	interrupted := []error{errStopped, pipeline.ErrModuleUnavailable, pipeline.ErrOtherBuild, pool.ErrBehind, store.ErrUnavailable}
	failed := []error{
		pipeline.ErrModuleTooSlow, pipeline.ErrModuleAnswer, pipeline.ErrModuleRefused, pipeline.ErrWantsMore, pipeline.ErrTooLarge, pipeline.ErrNotAScorer,
		trial.ErrInvalid, trial.ErrNotFound, frozen.ErrDamaged,
	}
	is := func(known error) bool { return errors.Is(err, known) }
	switch {
	case slices.ContainsFunc(interrupted, is):
		return catalogv1.RunState_RUN_STATE_INTERRUPTED, clip(err.Error())
	case slices.ContainsFunc(failed, is):
		return catalogv1.RunState_RUN_STATE_FAILED, clip(err.Error())
	}
	return catalogv1.RunState_RUN_STATE_FAILED, "internal fault; the core's log has it"
}

func clip(text string) string {
	const most = 1000
	if len(text) > most {
		text = text[:most] + "..."
	}
	return strings.ToValidUTF8(text, "\uFFFD")
}

// goOn does what is left of a run.
func (r *Runs) goOn(ctx context.Context, id trial.ID) error {
	row, err := r.Store.Run(ctx, id)
	if err != nil {
		return err
	}
	run, err := decode(row)
	if err != nil {
		return err
	}
	columns, err := r.columnsOf(ctx, run)
	if err != nil {
		return err
	}
	run.State, run.Reason = catalogv1.RunState_RUN_STATE_SCORING, ""
	if err := r.put(ctx, itself, run, "", ""); err != nil {
		return err
	}
	for i := range run.GetModules() {
		if err := r.scoreModule(ctx, run, i, columns); err != nil {
			return err
		}
	}
	run.State = catalogv1.RunState_RUN_STATE_DONE
	return r.end(ctx, itself, run, "", "")
}

// columnsOf reads the frozen columns of a run, or freezes them first.
func (r *Runs) columnsOf(ctx context.Context, run *catalogv1.Run) (*frozen.Columns, error) {
	if run.GetColumns() != nil {
		parts, err := r.Store.RunColumns(ctx, run.GetId())
		if err != nil {
			return nil, err
		}
		return frozen.Decode(parts, run.GetColumns().GetSha256())
	}
	run.State, run.Reason, run.Results = catalogv1.RunState_RUN_STATE_FREEZING, "", nil
	if err := r.put(ctx, itself, run, "", ""); err != nil {
		return nil, err
	}
	var ages, spectra bool
	for _, m := range run.GetModules() {
		var described *describev1.DescribeResponse
		if err := r.patiently(ctx, func() (err error) {
			_, described, err = r.Scorer.Scorer(m.GetName())
			return err
		}); err != nil {
			return nil, err
		}
		ages = ages || slices.Contains(described.GetExtraColumns(), describev1.ExtraColumn_EXTRA_COLUMN_AGE_DAYS)
		spectra = spectra || slices.Contains(described.GetExtraColumns(), describev1.ExtraColumn_EXTRA_COLUMN_SPECTRUM)
	}
	question, err := r.question(run.GetQuestion(), ages, spectra)
	if err != nil {
		return nil, err
	}
	var got *pool.Freeze
	if err := r.patiently(ctx, func() (err error) {
		got, err = r.Pool.Freeze(ctx, question)
		return err
	}); err != nil {
		return nil, err
	}
	if err := r.keepColumns(ctx, run, got); err != nil {
		return nil, err
	}
	return r.withoutLateWithdrawals(ctx, run, got.Columns)
}

func (r *Runs) keepColumns(ctx context.Context, run *catalogv1.Run, got *pool.Freeze) error {
	c, parts := got.Columns, 0
	sum, err := c.EncodeTo(func(part []byte) error {
		parts++
		return r.Store.PutRunColumns(ctx, itself, r.Clock(), run.GetId(), parts-1, part)
	})
	if err != nil {
		return err
	}
	run.Columns = told(c)
	run.Columns.Sha256, run.Columns.PoolRevision, run.Columns.ReadingModule, run.Columns.LeftOut = sum, got.Revision, got.Reading, got.LeftOut
	run.Columns.CompleteSessions, run.Columns.UsedSessions, run.Columns.ClosingSessions = int32(got.Complete), int32(got.Used), int32(got.Closing)
	run.Columns.NotClosed = got.NotClosed
	row, now, err := r.row(run)
	if err != nil {
		return err
	}
	return r.Store.FreezeRun(ctx, itself, now, row, c.Trials)
}

// told is what columns are by themselves.
func told(c *frozen.Columns) *catalogv1.FrozenColumns {
	sessions := 0
	for _, block := range c.Labels.Blocks {
		if block != "" {
			sessions++
		}
	}
	return &catalogv1.FrozenColumns{
		Rows: int64(len(c.Rows)), Groups: int32(len(c.Labels.Groups)), Strata: int32(len(c.Labels.Strata)), Sessions: int32(sessions), WithAges: c.Ages, WithSpectra: c.Spectra,
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant(c.Condition.Illuminant), Observer: typesv1.Observer(c.Condition.Observer)},
	}
}

// patiently does it again while a module is down, with the pauses that grow.
func (r *Runs) patiently(ctx context.Context, do func() error) error {
	for _, pause := range r.Pauses {
		err := do()
		if err == nil || !errors.Is(err, pipeline.ErrModuleUnavailable) && !errors.Is(err, pool.ErrBehind) {
			return err
		}
		select {
		case <-time.After(pause):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return do()
}

// scoring is one module at work on the columns of a run.
type scoring struct {
	*Runs
	run       *catalogv1.Run
	index     int
	columns   *frozen.Columns
	described *describev1.DescribeResponse
	result    *catalogv1.RunResult
	kept      *frozenScores
	fresh     bool // nothing that is kept is this build's
}

// frozenScores is what is kept of one module.
type frozenScores struct {
	groups map[[2]string]bool // stratum and group that are scored
	last   int                // part
	rows   int64
}

// scoreModule asks one module for what it hasn't said yet.
func (r *Runs) scoreModule(ctx context.Context, run *catalogv1.Run, index int, columns *frozen.Columns) error {
	for len(run.GetResults()) <= index {
		run.Results = append(run.Results, &catalogv1.RunResult{RowsAll: int64(len(columns.Rows))})
	}
	s := &scoring{Runs: r, run: run, index: index, columns: columns, result: run.GetResults()[index]}
	if s.result.GetScoresSha256() != "" {
		return nil // done before
	}
	var identity *typesv1.ModuleIdentity
	err := r.patiently(ctx, func() (err error) {
		identity, s.described, err = r.Scorer.Scorer(run.GetModules()[index].GetName())
		return err
	})
	if err != nil {
		return err
	}
	if s.result.GetModule().GetDigest() != identity.GetDigest() { // never two builds in one result
		s.fresh = true
		s.result = &catalogv1.RunResult{Module: identity, RowsAll: int64(len(columns.Rows))}
		for _, d := range s.described.GetScores() {
			s.result.Described = append(s.result.Described, &poolv1.ScoreDescription{Name: d.GetName(), Summary: d.GetSummary(), Unit: d.GetUnit(), HigherIsWider: d.GetHigherIsWider()})
		}
		run.Results[index] = s.result
		s.kept = &frozenScores{groups: map[[2]string]bool{}}
	} else if s.kept, err = r.keptScores(ctx, run.GetId(), index); err != nil {
		return err
	}
	if err := s.parts(ctx); err != nil {
		return err
	}
	if err := s.tests(ctx); err != nil {
		return err
	}
	all, err := r.allScores(ctx, run.GetId(), index)
	if err != nil {
		return err
	}
	if s.result.ScoresSha256, err = sumOf(all, s.result.GetTests()); err != nil {
		return err
	}
	return r.put(ctx, itself, run, "", "")
}

func (r *Runs) keptScores(ctx context.Context, id trial.ID, index int) (*frozenScores, error) {
	parts, err := r.Store.RunScores(ctx, id, index)
	if err != nil {
		return nil, err
	}
	out := &frozenScores{groups: map[[2]string]bool{}}
	for _, part := range parts {
		out.last = max(out.last, part.Part)
		if part.Part == testPart {
			continue
		}
		said := &catalogv1.FrozenPart{}
		if err := proto.Unmarshal(part.Body, said); err != nil {
			return nil, fmt.Errorf("decode scores of run %s: %w", id, err)
		}
		for i, g := range said.GetGroups() {
			out.groups[[2]string{g.GetStratum(), g.GetGroup()}] = true
			out.rows += said.GetRows()[i]
		}
	}
	return out, nil
}

// part is some places of a run with the question about them.
type part struct {
	order  []frozen.Place
	rows   int
	labels pipeline.Labels
	chosen []pipeline.Row
}

// parts asks for the groups that are missing, a few at a time and one question after the other, and keeps each answer. While a module works, the next question is
// made ready and the last answer is kept.
func (s *scoring) parts(ctx context.Context) error {
	places := s.columns.Places()
	order := slices.DeleteFunc(slices.Clone(places.Order), func(p frozen.Place) bool { return s.kept.groups[s.columns.Name(p)] })
	making := s.begin(order, places, nil)
	var room []pipeline.Row // of the question before the last
	kept := make(chan error, 1)
	kept <- nil // nothing is being kept
	for making != nil {
		asked := <-making
		order = order[len(asked.order):]
		making = s.begin(order, places, room)
		got, err := s.ask(ctx, asked)
		room = asked.chosen
		if err := errors.Join(<-kept, err); err != nil {
			if making != nil {
				<-making
			}
			return err
		}
		go func() { kept <- s.keepPart(ctx, asked, got, places) }()
	}
	return <-kept
}

// begin makes the next question ready, of the first places of order, in room where its rows fit; nil when there are none.
func (s *scoring) begin(order []frozen.Place, places frozen.Places, room []pipeline.Row) <-chan *part {
	if len(order) == 0 {
		return nil
	}
	made := make(chan *part, 1)
	go func() {
		var rows []int
		n := 0
		for n < len(order) && (n == 0 || len(rows)+len(places.Rows[order[n]]) <= s.PartRows) {
			rows = append(rows, places.Rows[order[n]]...)
			n++
		}
		slices.Sort(rows) // by reading id
		labels, chosen := s.columns.Take(rows, room)
		made <- &part{order[:n], len(rows), labels, chosen}
	}()
	return made
}

func (s *scoring) ask(ctx context.Context, p *part) (got *pipeline.Scores, err error) {
	err = s.patiently(ctx, func() (err error) {
		got, err = s.Scorer.ScorePalettes(ctx, s.run.GetModules()[s.index].GetName(), s.asked(p.labels, p.chosen))
		return err
	})
	return got, err
}

// keepPart keeps an answer, also when the run is stopped meanwhile: it was given before.
func (s *scoring) keepPart(ctx context.Context, p *part, got *pipeline.Scores, places frozen.Places) error {
	said := &catalogv1.FrozenPart{}
	for i, g := range got.Groups {
		// The labels that were sent keep the order of all labels, so the answers come in the order of the places.
		name := [2]string{p.labels.Strata[g.GetStratum()], p.labels.Groups[g.GetGroup()]}
		if name != s.columns.Name(p.order[i]) {
			return fmt.Errorf("answer %d is of %q and not of %q", i, name, s.columns.Name(p.order[i]))
		}
		said.Groups = append(said.Groups, &poolv1.GroupScore{Stratum: name[0], Group: name[1], Figures: figures(g)})
		said.Rows, said.Shown = append(said.Rows, int64(len(places.Rows[p.order[i]]))), append(said.Shown, s.columns.Shown[p.order[i].Stratum])
	}
	body, err := deterministic.Marshal(said)
	if err != nil {
		return err
	}
	keeping, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(keepTimeout, cancel) })()
	s.kept.last++
	s.kept.rows += int64(p.rows)
	s.result.RowsDone = s.kept.rows
	if err := s.keep(keeping, store.RunPart{Module: s.index, Part: s.kept.last, Body: body}); err != nil {
		return err
	}
	s.Meter.RowsScored(p.rows)
	return nil
}

// keep puts a part, and the run with its progress.
func (s *scoring) keep(ctx context.Context, part store.RunPart) error {
	row, now, err := s.row(s.run)
	if err != nil {
		return err
	}
	if err := s.Store.PutRunScores(ctx, itself, now, row, s.fresh, part); err != nil {
		return err
	}
	s.fresh = false
	return nil
}

func (s *scoring) asked(labels pipeline.Labels, rows []pipeline.Row) pipeline.ScoresQuestion {
	return pipeline.ScoresQuestion{
		Condition: s.columns.Condition, Labels: labels, Rows: rows, Seed: s.run.GetSeed(), Parameters: s.run.GetModules()[s.index].GetParameters(),
		Ages: s.columns.Ages, Spectra: s.columns.Spectra, Build: s.result.GetModule().GetDigest(),
	}
}

func figures(g *palettev2.GroupScores) (out []*poolv1.ScoreFigure) {
	for _, s := range g.GetScores() {
		f := &poolv1.ScoreFigure{NotComputed: s.GetNotComputed()}
		if f.GetNotComputed() == "" {
			value := s.GetValue()
			f.Value = &value
		}
		out = append(out, f)
	}
	return out
}

// allScores reads everything that a module said, by stratum and group.
func (r *Runs) allScores(ctx context.Context, id trial.ID, index int) (*catalogv1.FrozenPart, error) {
	parts, err := r.Store.RunScores(ctx, id, index)
	if err != nil {
		return nil, err
	}
	all := &catalogv1.FrozenPart{}
	for _, part := range parts {
		if part.Part == testPart {
			continue
		}
		said := &catalogv1.FrozenPart{}
		if err := proto.Unmarshal(part.Body, said); err != nil {
			return nil, fmt.Errorf("decode scores of run %s: %w", id, err)
		}
		all.Groups, all.Rows, all.Shown = append(all.Groups, said.GetGroups()...), append(all.Rows, said.GetRows()...), append(all.Shown, said.GetShown()...)
	}
	order := make([]int, len(all.GetGroups()))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return compareGroups(all.GetGroups()[a], all.GetGroups()[b]) })
	sorted := &catalogv1.FrozenPart{}
	for _, i := range order {
		sorted.Groups, sorted.Rows, sorted.Shown = append(sorted.Groups, all.GetGroups()[i]), append(sorted.Rows, all.GetRows()[i]), append(sorted.Shown, all.GetShown()[i])
	}
	return sorted, nil
}

func compareGroups(a, b *poolv1.GroupScore) int {
	if c := strings.Compare(a.GetStratum(), b.GetStratum()); c != 0 {
		return c
	}
	return strings.Compare(a.GetGroup(), b.GetGroup())
}

// sumOf is the checksum of scores and tests.
func sumOf(all *catalogv1.FrozenPart, tests []*catalogv1.ScoreTest) (string, error) {
	body, err := deterministic.Marshal(all)
	if err != nil {
		return "", err
	}
	parts := [][]byte{body}
	for _, t := range tests {
		if body, err = deterministic.Marshal(t); err != nil {
			return "", err
		}
		parts = append(parts, body)
	}
	return frozen.Sum(parts), nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
