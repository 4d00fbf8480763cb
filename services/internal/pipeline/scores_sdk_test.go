package pipeline_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/score"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// served is one module that is written with the author's kit.
type served struct {
	grpc.ClientConnInterface
	described *describev1.DescribeResponse
	blamed    []string
}

func serve(t *testing.T, m score.Method) *served {
	t.Helper()
	return &served{ClientConnInterface: plugintest.Dial(t, m.Module()), described: m.Describe()}
}

func (s *served) Acquire(string) (pipeline.Handle, error) { return s, nil }
func (s *served) Serving(string, string) []string         { return []string{s.described.GetName()} }
func (s *served) Identity() *typesv1.ModuleIdentity {
	return &typesv1.ModuleIdentity{Name: s.described.GetName(), Version: "1.0.0", Digest: "d1", Kind: "palette"}
}
func (s *served) Description() *describev1.DescribeResponse { return s.described }
func (s *served) Release()                                  {}
func (s *served) Blame(reason string)                       { s.blamed = append(s.blamed, reason) }

// sums scores a group by the sum of L*, and by its ages or spectra.
func sums(name string, of func(score.Group) float64) score.Method {
	return score.Method{Name: name, Version: "1.0.0", Author: "test", Summary: "Sums.", Scores: []score.Score{
		{Name: "sum", Unit: "CIELAB units", Summary: "Sum of L*.", HigherIsWider: true, LeastCells: 1, Of: func(_ context.Context, g score.Group) (float64, error) { return of(g), nil }},
		{Name: "cells", Unit: "1", Summary: "Number of cells.", HigherIsWider: true, LeastCells: 1, Of: func(_ context.Context, g score.Group) (float64, error) { return float64(len(g.Cells)), nil }},
	}}
}

func lightness(g score.Group) (sum float64) {
	for _, c := range g.Cells {
		sum += c.Lab.L
	}
	return sum
}

func twoOrders(sessions int) pipeline.ScoresQuestion {
	q := pipeline.ScoresQuestion{Condition: d65, Seed: 1, Labels: pipeline.Labels{Groups: []string{"a > b", "b > a"}, Strata: []string{"x"}, Cells: []string{"1"}}}
	for s := range sessions {
		q.Labels.Blocks = append(q.Labels.Blocks, fmt.Sprintf("s%03d", s))
		for g := range 2 {
			q.Rows = append(q.Rows, pipeline.Row{ReadingID: uuid.UUID{byte(s >> 8), byte(s), byte(g)}, Group: uint32(g), Block: uint32(s), Lab: trial.Lab{L: float64(1 + s%50 + 10*g)}})
		}
	}
	return q
}

// More relabellings than fit into what the connection holds at a time, each answered in its order, and the answers are those of the swapped groups.
func TestRelabellings(t *testing.T) {
	m := serve(t, sums("test-sums", lightness))
	q := twoOrders(40)
	units := pipeline.Units(q.Rows)
	require.Len(t, units, 80)
	q.Relabellings, q.Scores = 3000, []string{"cells", "sum"}
	q.Relabel = func(n int) []uint32 {
		groups := make([]uint32, len(units))
		for i, u := range units {
			groups[i] = u.Group
			if int(u.Block) == n%40 {
				groups[i] = 1 - u.Group
			}
		}
		return groups
	}
	seen := 0
	q.Each = func(n int, groups []*palettev2.GroupScores) error {
		seen++
		require.Equal(t, seen, n)
		require.Equal(t, 40.0, groups[0].GetScores()[0].GetValue())
		own := 0.0
		for s := range 40 {
			own += float64(1 + s%50)
		}
		require.Equal(t, own+10, groups[0].GetScores()[1].GetValue(), "one session's swap makes the first order lighter by 10")
		return nil
	}
	got, err := pipeline.New(m).ScorePalettes(t.Context(), "test-sums", q)
	require.NoError(t, err)
	assert.Equal(t, 3000, seen)
	assert.Equal(t, []string{"cells", "sum"}, []string{got.Described[0].GetName(), got.Described[1].GetName()})
	assert.Empty(t, m.blamed)

	q.Each = func(int, []*palettev2.GroupScores) error { return errors.New("enough") }
	_, err = pipeline.New(m).ScorePalettes(t.Context(), "test-sums", q)
	require.EqualError(t, err, "enough")
	q.Relabel = func(int) []uint32 { return nil }
	_, err = pipeline.New(m).ScorePalettes(t.Context(), "test-sums", q)
	require.Error(t, err)
	q.Relabellings, q.Build = 0, "other"
	_, err = pipeline.New(m).ScorePalettes(t.Context(), "test-sums", q)
	require.ErrorIs(t, err, pipeline.ErrOtherBuild)
	q.Build, q.Scores = "", []string{"nobody"}
	_, err = pipeline.New(m).ScorePalettes(t.Context(), "test-sums", q)
	require.ErrorContains(t, err, `"nobody"`)
}

// Ages and spectra go to a module that asks for them, spectra on several wavelengths too, cut to those of the contract.
func TestAgesAndSpectra(t *testing.T) {
	method := sums("test-ages", func(g score.Group) (sum float64) {
		for _, c := range g.Cells {
			sum += c.AgeDays
			if c.Spectrum != nil {
				sum += 1000 * float64(len(c.Spectrum.Reflectance)) * c.Spectrum.Reflectance[0]
			}
		}
		return sum
	})
	method.Ages, method.Spectra = true, true
	m := serve(t, method)
	spectrum := func(start, step float64, n int) *trial.Spectrum {
		s := &trial.Spectrum{StartNm: start, StepNm: step, Reflectance: make([]float64, n)}
		for i := range s.Reflectance {
			s.Reflectance[i] = 0.5
		}
		return s
	}
	q := pipeline.ScoresQuestion{Condition: d65, Labels: pipeline.Labels{Groups: []string{"a"}, Blocks: []string{""}, Strata: []string{""}, Cells: []string{"1", "2", "3", "4"}}, Ages: true, Spectra: true,
		Rows: []pipeline.Row{
			{ReadingID: uuid.UUID{1}, AgeDays: 10, Lab: trial.Lab{L: 50}, Spectrum: spectrum(400, 10, 31)},
			{ReadingID: uuid.UUID{2}, Cell: 1, AgeDays: -1, Lab: trial.Lab{L: 50}},
			{ReadingID: uuid.UUID{3}, Cell: 2, AgeDays: 20, Lab: trial.Lab{L: 50}, Spectrum: spectrum(340, 20, 24)}, // 360 to 780 is 22 of them
			{ReadingID: uuid.UUID{4}, Cell: 3, AgeDays: 30, Lab: trial.Lab{L: 50}, Spectrum: spectrum(400, 10, 31)},
		}}
	p := pipeline.New(m)
	got, err := p.ScorePalettes(t.Context(), "test-ages", q)
	require.NoError(t, err)
	assert.InDelta(t, 10-1+20+30+500*(31+22+31), got.Groups[0].GetScores()[0].GetValue(), 1e-9)
	q.Spectra = false
	_, err = p.ScorePalettes(t.Context(), "test-ages", q)
	require.ErrorIs(t, err, pipeline.ErrWantsMore)
	require.NoError(t, pipeline.SelfTest(t.Context(), m.Identity(), m.described, m))
	_, described, err := p.Scorer("test-ages")
	require.NoError(t, err)
	assert.Len(t, described.GetExtraColumns(), 2)
	m.described.Contracts = []string{"commonvat.module.palette.v1"}
	_, _, err = p.Scorer("test-ages")
	require.ErrorIs(t, err, pipeline.ErrNotAScorer)
}

// A module that can't be asked any more ends the question, relabellings on their way or not.
func TestRelabellingsEndWithTheModule(t *testing.T) {
	n := 0
	m := serve(t, sums("test-dies", func(score.Group) float64 {
		if n++; n > 200 {
			return math.NaN()
		}
		return 1
	}))
	q := twoOrders(10)
	q.Relabellings = 9999
	units := pipeline.Units(q.Rows)
	q.Relabel = func(int) []uint32 { return make([]uint32, len(units)) }
	q.Each = func(int, []*palettev2.GroupScores) error { return nil }
	_, err := pipeline.New(m).ScorePalettes(t.Context(), "test-dies", q)
	require.ErrorIs(t, err, pipeline.ErrModuleAnswer)
	assert.NotEmpty(t, m.blamed)
}
