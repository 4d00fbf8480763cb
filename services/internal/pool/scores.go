package pool

import (
	"context"
	"errors"
	"slices"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// scores asks every module that names its own scores about the same pieces, so that methods can be held side by side. One that fails is told as
// such, and takes nothing from the answer.
func (p *Pool) scores(ctx context.Context, a *asking, labels pipeline.Labels, of *tabled) error {
	scorers := slices.DeleteFunc(p.pipeline.Scorers(), func(name string) bool { // of one of them the answer itself is
		return slices.ContainsFunc(a.modules, func(m *typesv1.ModuleIdentity) bool { return m.GetName() == name })
	})
	var rows []pipeline.Row
	for _, name := range scorers {
		if rows == nil {
			rows = of.list()
		}
		got, err := p.pipeline.ScorePalettes(ctx, name, pipeline.ScoresQuestion{Condition: a.question.Condition, Labels: labels, Rows: rows, Seed: a.question.Seed})
		var fault *pipeline.ModuleError
		switch {
		case errors.Is(err, pipeline.ErrWantsMore):
			a.tell("%s is not asked here: it wants ages or spectra beside the colours", name)
			continue
		case errors.As(err, &fault):
			a.answer.Scores = append(a.answer.Scores, &poolv1.ModuleScores{Fault: fault.Error()})
			continue
		case err != nil:
			return err
		}
		out := &poolv1.ModuleScores{Module: got.Identity}
		for _, s := range got.Described {
			out.Described = append(out.Described, &poolv1.ScoreDescription{Name: s.GetName(), Summary: s.GetSummary(), Unit: s.GetUnit(), HigherIsWider: s.GetHigherIsWider()})
		}
		for _, g := range got.Groups {
			group := &poolv1.GroupScore{Group: labels.Groups[g.GetGroup()], Stratum: a.shown[labels.Strata[g.GetStratum()]]}
			for _, s := range g.GetScores() {
				figure := &poolv1.ScoreFigure{NotComputed: s.GetNotComputed()}
				if figure.GetNotComputed() == "" {
					value := s.GetValue()
					figure.Value = &value
				}
				group.Figures = append(group.Figures, figure)
			}
			out.Groups = append(out.Groups, group)
		}
		a.answer.Scores = append(a.answer.Scores, out)
	}
	return nil
}
