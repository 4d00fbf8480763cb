package cli

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
)

// manyOf is an answer about so many palettes, of which the last have most cells, and so many pairs, of which the last are furthest apart and every second is thin.
func manyOf(palettes, pairs int) *poolv1.AskPaletteResponse {
	r := &poolv1.AskPaletteResponse{Apart: &poolv1.GroupsAnswer{}, Scores: []*poolv1.ModuleScores{{}}}
	for i := range palettes {
		r.Groups = append(r.Groups, &poolv1.GroupAnswer{Group: fmt.Sprintf("mordant %03d", i), Cells: int32(2 + i)})
		r.Scores[0].Groups = append(r.Scores[0].Groups, &poolv1.GroupScore{Group: fmt.Sprintf("mordant %03d", i)})
	}
	for i := range pairs {
		first, second, ratio, apart := fmt.Sprintf("first %03d", i), fmt.Sprintf("second %03d", i), math.Exp(float64(i%2*2-1)*float64(1+i)/1000), float64(i)
		pair := &poolv1.PairAnswer{First: first, Second: second, WidthRatio: &ratio, Thin: i%2 == 0, Statement: "said of " + first}
		if i == pairs-1 {
			pair.WidthRatio = nil
		}
		r.Pairs = append(r.Pairs, pair)
		r.Apart.Pairs = append(r.Apart.Pairs, &poolv1.GroupsPair{First: first, Second: second, De00: &apart})
	}
	return r
}

// Of an answer about very many groups the tables show what tells most, and say how much more there is.
func TestTablesOfManyGroupsAreCut(t *testing.T) {
	r := manyOf(100, 101)
	var b strings.Builder
	require.NoError(t, writeGroups(&b, r.GetGroups(), false))
	lines := strings.Split(b.String(), "\n")
	assert.Regexp(t, "^mordant 099", lines[2], "the fullest first")
	assert.Regexp(t, "^mordant 040", lines[61])
	assert.Equal(t, "and 40 palettes that hold no more cells than these (--all shows them)", lines[62])

	b.Reset()
	require.NoError(t, writePairs(&b, r, false))
	lines = strings.Split(b.String(), "\n")
	assert.Regexp(t, "^ 100  first 099 ", lines[3], "the furthest apart of those that aren't thin, by its number in the answer")
	assert.Regexp(t, "^  22  first 021 ", lines[42])
	assert.NotContains(t, b.String(), "thin\n")
	assert.Equal(t, "here are those that aren't thin first, each time the furthest apart first; 61 pairs more with --all; width ratio: first to second", lines[43])
	assert.Equal(t, "  pair 100: said of first 099", lines[44])
	assert.Equal(t, 40, strings.Count(b.String(), "said of"))

	b.Reset()
	require.NoError(t, writeApart(&b, r.GetApart(), false))
	assert.Contains(t, b.String(), "\nfirst 100  ")
	assert.NotContains(t, b.String(), "first 060")
	assert.Contains(t, b.String(), "\nhere are those furthest apart first, by CIEDE2000 or else by their part of place; 61 pairs more with --all\n")
	for i, pair := range r.GetApart().GetPairs() { // as it is without an experiment
		pair.De00, pair.Place = nil, &poolv1.GroupsShare{Share: float64(i) / 101}
	}
	b.Reset()
	require.NoError(t, writeApart(&b, r.GetApart(), false))
	assert.Contains(t, b.String(), "\nfirst 100  ")
	assert.NotContains(t, b.String(), "first 060")

	b.Reset()
	require.NoError(t, writeScores(&b, r, false))
	lines = strings.Split(b.String(), "\n")
	assert.Regexp(t, "^mordant 099", lines[3], "the fullest first, as above")
	assert.Regexp(t, "^mordant 040", lines[62])
	assert.Equal(t, "and 40 palettes that hold no more cells than these (--all shows them)", lines[63])
	assert.Equal(t, "mordant 000", r.GetScores()[0].GetGroups()[0].GetGroup(), "the answer itself stays as it came")

	b.Reset()
	require.NoError(t, writeGroups(&b, r.GetGroups(), true))
	require.NoError(t, writePairs(&b, r, true))
	require.NoError(t, writeApart(&b, r.GetApart(), true))
	require.NoError(t, writeScores(&b, r, true))
	assert.Equal(t, 200, strings.Count(b.String(), "mordant "))
	assert.Equal(t, 101, strings.Count(b.String(), "said of"))
	assert.NotContains(t, b.String(), "--all")
}

// What a palette lacks is told of its yarn where its group has several, and of no more than some by name.
func TestMissingOfPalettes(t *testing.T) {
	var b strings.Builder
	groups := []*poolv1.GroupAnswer{
		{Group: "alum", Stratum: "yarn W7", Cells: 4, Missing: "2 more pieces"}, {Group: "alum", Stratum: "yarn W8", Cells: 3, Missing: "3 more pieces"},
		{Group: "iron", Stratum: "yarn W8", Cells: 4, Missing: "2 more pieces"},
	}
	require.NoError(t, writeGroups(&b, groups, false))
	assert.Contains(t, b.String(), "\n  missing for equal numbers in alum (yarn W7), iron: 2 more pieces\n  missing for equal numbers in alum (yarn W8): 3 more pieces\n")
	b.Reset()
	for i := range 4 {
		groups = append(groups, &poolv1.GroupAnswer{Group: fmt.Sprintf("tin %d", i), Cells: 4, Missing: "2 more pieces"})
	}
	require.NoError(t, writeGroups(&b, groups, false))
	assert.Contains(t, b.String(), "in alum (yarn W7), iron, tin 0, tin 1, 2 other palettes: 2 more pieces\n")
}

// What a palette hasn't is no 0: of one cell there is no spread, and of few or flat ones no body.
func TestFiguresThatAPaletteHasNot(t *testing.T) {
	var b strings.Builder
	require.NoError(t, writeGroups(&b, []*poolv1.GroupAnswer{{Group: "alum", Cells: 1}, {Group: "iron", Cells: 2, Dispersion: 0}}, false))
	lines := strings.Split(b.String(), "\n")
	assert.Regexp(t, `^alum .*\bnone$`, lines[2])
	assert.Regexp(t, `^iron .*\bnone +0\.0$`, lines[3], "two of one colour do have a spread, of nothing")
}

// Pairs of few are shown as they come; those whose widths can't be put in proportion are last among many.
func TestShownPairs(t *testing.T) {
	few := manyOf(2, 40).GetPairs()
	places, more := shownPairs(few, false)
	assert.Zero(t, more)
	assert.Len(t, places, 40)
	assert.Equal(t, 0, places[0])
	many := manyOf(2, 42).GetPairs()
	places, more = shownPairs(many, false)
	assert.Equal(t, 2, more)
	assert.Equal(t, []int{39, 37}, places[:2])
	assert.Equal(t, []int{41, 40, 38}, places[20:23], "the last that isn't thin has no ratio")
}
