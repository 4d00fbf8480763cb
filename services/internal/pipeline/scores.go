package pipeline

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"

	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Contracts of palette modules: those that measure widths, and those that name their own scores. A module may serve both.
const (
	WidthsContract = "commonvat.module.palette.v1"
	ScoresContract = "commonvat.module.palette.v2"
)

// ScoresQuestion asks for the scores of palettes.
type ScoresQuestion struct {
	Condition trial.ColourCondition
	Labels    Labels
	Rows      []Row
	Seed      uint64
}

// Scores is what one module said.
type Scores struct {
	Identity *typesv1.ModuleIdentity
	// Described are the scores, as the module describes them; values stand in their order.
	Described []*describev1.Score
	Groups    []*palettev2.GroupScores
}

// Scorers names the modules that serve now and name their own scores.
func (p *Pipeline) Scorers() []string { return p.modules.Serving(KindPalette, ScoresContract) }

// ScorePalettes asks one of the scorers and checks its answer. Errors: *ModuleError; ErrTooLarge; ErrWantsMore for a module that asks for columns which
// aren't sent; ctx.Err().
func (p *Pipeline) ScorePalettes(ctx context.Context, name string, q ScoresQuestion) (*Scores, error) {
	rows, err := inOrder(q.Rows)
	if err != nil {
		return nil, err
	}
	header := &palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Header{Header: &palettev2.ScoresHeader{
		Condition: conditionMessage(q.Condition), Labels: q.Labels.message(), RowCount: int64(len(rows)), Seed: q.Seed,
	}}}
	if err := checkHeader(header); err != nil {
		return nil, err
	}
	h, err := p.acquireFrom(KindPalette, name)
	if err != nil {
		return nil, err
	}
	defer h.handle.Release()
	described := h.handle.Description()
	if len(described.GetExtraColumns()) > 0 {
		return nil, ErrWantsMore
	}
	streaming, cancel := context.WithCancel(ctx) // ends the stream wherever we leave
	defer cancel()
	stream, err := palettev2.NewPaletteServiceClient(h.handle).ScorePalettes(streaming)
	if err != nil {
		return nil, h.failed(ctx, err)
	}
	if err := stream.Send(header); err != nil && !errors.Is(err, io.EOF) {
		return nil, h.failed(ctx, err)
	}
	err = chunks(rows, func(c *columnsv1.ColourColumns) error {
		return stream.Send(&palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Columns{Columns: &palettev2.ScoredColumns{Colours: c}}})
	})
	if err != nil {
		return nil, h.failed(ctx, err)
	}
	if err := stream.CloseSend(); err != nil {
		return nil, h.failed(ctx, err)
	}
	response, err := stream.Recv()
	if err != nil {
		if errors.Is(err, io.EOF) {
			return nil, h.blame("it gave no answer")
		}
		return nil, h.failed(ctx, err)
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		if err == nil {
			return nil, h.blame("it gave two answers to one question")
		}
		return nil, h.failed(ctx, err)
	}
	if err := h.checkScores(q, described, response); err != nil {
		return nil, err
	}
	return &Scores{Identity: h.identity(), Described: described.GetScores(), Groups: response.GetGroups()}, nil
}

// checkScores sees to it that an answer is one: every group of every stratum that was sent, once and in order, with a figure or a reason for each score.
func (h *hold) checkScores(q ScoresQuestion, described *describev1.DescribeResponse, r *palettev2.ScorePalettesResponse) error {
	if r.GetRelabelling() != 0 {
		return h.blame("relabelling is %d; none was asked for", r.GetRelabelling())
	}
	asked := map[[2]uint32]bool{}
	for _, row := range q.Rows {
		asked[[2]uint32{row.Stratum, row.Group}] = true
	}
	if len(r.GetGroups()) != len(asked) {
		return h.blame("groups has %d answers for %d groups in strata", len(r.GetGroups()), len(asked))
	}
	last := [2]uint32{}
	for i, g := range r.GetGroups() {
		at := [2]uint32{g.GetStratum(), g.GetGroup()}
		if !asked[at] {
			return h.blame("groups[%d] names group %d in stratum %d, of which no row was sent", i, g.GetGroup(), g.GetStratum())
		}
		if i > 0 && slices.Compare(at[:], last[:]) <= 0 {
			return h.blame("groups[%d] is out of order or doubled: stratum %d, group %d", i, g.GetStratum(), g.GetGroup())
		}
		last = at
		if len(g.GetScores()) != len(described.GetScores()) {
			return h.blame("groups[%d].scores has %d figures for %d scores", i, len(g.GetScores()), len(described.GetScores()))
		}
		for k, s := range g.GetScores() {
			if math.IsNaN(s.GetValue()) || math.IsInf(s.GetValue(), 0) || (s.GetNotComputed() != "" && s.GetValue() != 0) {
				return h.blame("groups[%d].scores[%d] is %v with the reason %.80q; allowed: a finite number, or 0 with a reason", i, k, s.GetValue(), s.GetNotComputed())
			}
		}
	}
	return nil
}
