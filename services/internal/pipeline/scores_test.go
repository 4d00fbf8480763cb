package pipeline_test

import (
	"math"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pipeline/pipelinetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func scoresQuestion() pipeline.ScoresQuestion {
	return pipeline.ScoresQuestion{
		Condition: d65, Labels: pipeline.Labels{Groups: []string{"a", "b"}, Blocks: []string{""}, Strata: []string{"x", "y"}, Cells: []string{"1", "2"}}, Seed: 1,
		Rows: []pipeline.Row{
			{ReadingID: uuid.UUID{1}, Lab: trial.Lab{L: 50}}, {ReadingID: uuid.UUID{2}, Cell: 1, Lab: trial.Lab{L: 60}}, {ReadingID: uuid.UUID{3}, Group: 1, Stratum: 1, Lab: trial.Lab{L: 40}},
		},
	}
}

func TestScores(t *testing.T) {
	modules := pipelinetest.Start(t)
	p := pipeline.New(modules)
	assert.Empty(t, p.Scorers())
	modules.SpoilScores(func(*palettev2.ScorePalettesResponse) {})
	require.Equal(t, []string{"palette"}, p.Scorers())
	got, err := p.ScorePalettes(t.Context(), "palette", scoresQuestion())
	require.NoError(t, err)
	require.Len(t, got.Groups, 2)
	assert.Equal(t, 2.0, got.Groups[0].GetScores()[0].GetValue())
	assert.Equal(t, "cells", got.Described[0].GetName())
}

// Whatever can't be an answer is the module's fault by name.
func TestScoresThatAreNone(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*palettev2.ScorePalettesResponse)
		says  string
	}{
		"a group missing":          {func(r *palettev2.ScorePalettesResponse) { r.Groups = r.Groups[:1] }, "groups has 1 answers for 2"},
		"a group twice":            {func(r *palettev2.ScorePalettesResponse) { r.Groups[1] = r.Groups[0] }, "out of order or doubled"},
		"a group that wasn't sent": {func(r *palettev2.ScorePalettesResponse) { r.Groups[1].Stratum = 0 }, "of which no row was sent"},
		"out of order":             {func(r *palettev2.ScorePalettesResponse) { r.Groups[0], r.Groups[1] = r.Groups[1], r.Groups[0] }, "out of order"},
		"no number":                {func(r *palettev2.ScorePalettesResponse) { r.Groups[0].Scores[0].Value = math.NaN() }, "groups[0].scores[0] is NaN"},
		"infinite":                 {func(r *palettev2.ScorePalettesResponse) { r.Groups[0].Scores[0].Value = math.Inf(1) }, "groups[0].scores[0] is +Inf"},
		"a figure and a reason":    {func(r *palettev2.ScorePalettesResponse) { r.Groups[0].Scores[0].NotComputed = "no" }, "with the reason"},
		"too many figures": {func(r *palettev2.ScorePalettesResponse) {
			r.Groups[0].Scores = append(r.Groups[0].Scores, &palettev2.ScoreValue{})
		}, "2 figures for 1 scores"},
		"of a relabelling": {func(r *palettev2.ScorePalettesResponse) { r.Relabelling = 1 }, "none was asked for"},
	} {
		t.Run(name, func(t *testing.T) {
			modules := pipelinetest.Start(t)
			modules.SpoilScores(c.spoil)
			_, err := pipeline.New(modules).ScorePalettes(t.Context(), "palette", scoresQuestion())
			blamed(t, err, "test-palette", c.says)
			assert.Equal(t, 1, modules.Blamed())
		})
	}
}

// namers is a default palette module that only names its own scores, beside one that measures widths, or none.
type namers struct {
	pipeline.Modules
	others []string
	asked  []string
}

func (n *namers) Acquire(ref string) (pipeline.Handle, error) {
	n.asked = append(n.asked, ref)
	h, err := n.Modules.Acquire(pipeline.KindPalette)
	if ref == pipeline.KindPalette {
		h = namer{h}
	}
	return h, err
}

func (n *namers) Serving(string, string) []string { return n.others }

type namer struct{ pipeline.Handle }

func (namer) Description() *describev1.DescribeResponse {
	return &describev1.DescribeResponse{Contracts: []string{pipeline.ScoresContract}}
}

// A default that doesn't measure widths leaves that to one that does: it isn't to blame.
func TestWidthsAreAskedOfAModuleThatMeasuresThem(t *testing.T) {
	modules := &namers{Modules: pipelinetest.Start(t), others: []string{"palette-width"}}
	p := pipeline.New(modules)
	q := pipeline.WidthsQuestion{Condition: d65, Labels: scoresQuestion().Labels, ThresholdDE00: 5, Rows: pipeline.RowList(scoresQuestion().Rows)}
	_, _, err := p.MeasureWidths(t.Context(), q)
	require.NoError(t, err)
	assert.Equal(t, []string{"palette", "palette-width"}, modules.asked)

	modules.others = nil
	_, _, err = p.MeasureWidths(t.Context(), q)
	require.ErrorIs(t, err, pipeline.ErrModuleUnavailable)
	assert.ErrorContains(t, err, "it doesn't serve commonvat.module.palette.v1, and no other that does runs now")
}
