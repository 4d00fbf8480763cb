package sdk

import (
	"math"
	"testing"

	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestCheckPromises(t *testing.T) {
	good := func() *describev1.DescribeResponse {
		return &describev1.DescribeResponse{
			Name: "palette-tested", Version: "1.0.0", Kind: KindPalette, Contracts: []string{"commonvat.module.palette.v2"}, Summary: "Tests.", Author: "tests",
			Scores:       []*describev1.Score{{Name: "reach", Summary: "How far.", Unit: "1", LeastCells: 1}},
			ExtraColumns: []describev1.ExtraColumn{describev1.ExtraColumn_EXTRA_COLUMN_AGE_DAYS},
			Laws:         []*describev1.LawPromise{{Law: describev1.Law_LAW_ORDER_FREE, Of: []string{"reach"}, RelativeTolerance: 0.01}},
			LawExceptions: []*describev1.LawException{{
				Law: describev1.Law_LAW_REPLICATION_FREE, Reason: "It counts readings."}},
		}
	}
	require.NoError(t, CheckDescription(good()))
	for want, change := range map[string]func(*describev1.DescribeResponse){
		"scores are empty":        func(d *describev1.DescribeResponse) { d.Scores, d.Laws = nil, nil },
		"scores are given":        func(d *describev1.DescribeResponse) { d.Contracts = []string{"commonvat.module.palette.v1"} },
		"extra_columns are given": func(d *describev1.DescribeResponse) { d.Contracts = []string{"commonvat.module.palette.v1"} },
		"scores has 33":           func(d *describev1.DescribeResponse) { d.Scores = make([]*describev1.Score, 33) },
		`name wants lower-case`:   func(d *describev1.DescribeResponse) { d.Scores[0].Name = "Reach" },
		`name appears twice`:      func(d *describev1.DescribeResponse) { d.Scores = append(d.Scores, d.Scores[0]) },
		`summary is empty`:        func(d *describev1.DescribeResponse) { d.Scores[0].Summary = "" },
		`unit is empty`:           func(d *describev1.DescribeResponse) { d.Scores[0].Unit = "" },
		"least_cells is 1001":     func(d *describev1.DescribeResponse) { d.Scores[0].LeastCells = 1001 },
		"extra_columns[0] is 9":   func(d *describev1.DescribeResponse) { d.ExtraColumns[0] = 9 },
		"extra_columns[1]":        func(d *describev1.DescribeResponse) { d.ExtraColumns = append(d.ExtraColumns, d.ExtraColumns[0]) },
		"laws[0].law is LAW_IDENTITY, want one that a module of kind \"palette\"": func(d *describev1.DescribeResponse) { d.Laws[0].Law = describev1.Law_LAW_IDENTITY },
		`laws[0].of[0] is "beauty", want one of reach`:                            func(d *describev1.DescribeResponse) { d.Laws[0].Of[0] = "beauty" },
		"relative_tolerance is NaN":                                               func(d *describev1.DescribeResponse) { d.Laws[0].RelativeTolerance = math.NaN() },
		"relative_tolerance is 0.02":                                              func(d *describev1.DescribeResponse) { d.Laws[0].RelativeTolerance = 0.02 },
		"law_exceptions[0].reason is empty":                                       func(d *describev1.DescribeResponse) { d.LawExceptions[0].Reason = " " },
		"spoken of before":                                                        func(d *describev1.DescribeResponse) { d.LawExceptions[0].Law = describev1.Law_LAW_ORDER_FREE },
	} {
		t.Run(want, func(t *testing.T) {
			d := good()
			change(d)
			assert.ErrorContains(t, CheckDescription(d), want)
		})
	}
}
