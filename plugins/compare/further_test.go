package compare

import (
	"context"
	"fmt"
	"math"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
)

func textile() *typesv1.ColourCondition {
	return &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}
}

// inSessions is so many sessions of six cells in each of the groups, invented: group g lies g times apart in L*, each pot with a small shift of its own.
func inSessions(sessions, groups int, apart float64) (*columnsv1.Labels, *columnsv1.ColourColumns) {
	l := &columnsv1.Labels{Blocks: []string{""}, Strata: []string{""}, Cells: []string{"a", "b", "c", "d", "e", "f"}}
	for g := range groups {
		l.Groups = append(l.Groups, fmt.Sprint("group ", g))
	}
	c := &columnsv1.ColourColumns{}
	for s := range sessions {
		l.Blocks = append(l.Blocks, fmt.Sprint("session ", s))
		for g := range groups {
			for k := range l.Cells {
				c.ReadingId = append(c.ReadingId, fmt.Sprintf("%04d-%02d-%d", s, g, k))
				c.Group, c.Block, c.Stratum, c.Cell = append(c.Group, uint32(g)), append(c.Block, uint32(s+1)), append(c.Stratum, 0), append(c.Cell, uint32(k))
				c.L = append(c.L, 40+4*float64(k)+apart*float64(g)+0.3*math.Sin(float64(7*s+3*g))+0.05*math.Sin(float64(100*s+31*k+g)))
				c.A, c.B = append(c.A, 0.2*math.Cos(float64(5*s+g+k))), append(c.B, 20+0.2*math.Sin(float64(11*s+2*g+3*k)))
			}
		}
	}
	return l, c
}

func client(t *testing.T) comparev1.CompareServiceClient {
	return comparev1.NewCompareServiceClient(plugintest.Dial(t, Module()))
}

func askEffect(t *testing.T, h *comparev1.OrderEffectHeader, c *columnsv1.ColourColumns) (*comparev1.MeasureOrderEffectResponse, error) {
	open := func(ctx context.Context) (comparev1.CompareService_MeasureOrderEffectClient, error) {
		return client(t).MeasureOrderEffect(ctx)
	}
	return moduletest.Ask(t.Context(), open,
		&comparev1.MeasureOrderEffectRequest{Part: &comparev1.MeasureOrderEffectRequest_Header{Header: h}},
		&comparev1.MeasureOrderEffectRequest{Part: &comparev1.MeasureOrderEffectRequest_Columns{Columns: c}})
}

func effectHeader(l *columnsv1.Labels, c *columnsv1.ColourColumns) *comparev1.OrderEffectHeader {
	return &comparev1.OrderEffectHeader{
		Condition: textile(), Labels: l, RowCount: int64(len(c.GetReadingId())), ClosingSessions: 6,
		Arms: []comparev1.Arm{comparev1.Arm_ARM_FIRST_ORDER, comparev1.Arm_ARM_SECOND_ORDER},
	}
}

func TestOrderEffect(t *testing.T) {
	l, c := inSessions(7, 2, 6)
	got, err := askEffect(t, effectHeader(l, c), c)
	require.NoError(t, err)
	assert.Equal(t, comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_ORDER_MATTERS, got.GetVerdict(), got.GetStatement())
	assert.Equal(t, 2.0/64, got.GetOverall().GetP())
	assert.True(t, got.GetOverall().GetExact())
	assert.InDelta(t, -6, got.GetOverall().GetL(), 0.5)
	assert.Equal(t, []int32{7, 6, 36}, []int32{got.GetCompleteSessions(), got.GetUsedSessions(), got.GetMatchedCells()})
	assert.Len(t, got.GetCells(), 6)
	assert.NotNil(t, got.CellsDifferP)
	assert.Equal(t, 2.0, got.GetToleranceDe00())
	assert.Equal(t, int32(6), got.GetOutlook().GetSessionsToFind())
	// Blank arms beside them.
	l, c = inSessions(6, 4, 6)
	h := effectHeader(l, c)
	h.Arms = append(h.Arms, comparev1.Arm_ARM_ALONE_A, comparev1.Arm_ARM_BLANK_AFTER_A)
	got, err = askEffect(t, h, c)
	require.NoError(t, err)
	require.Len(t, got.GetBlanks(), 2)
	assert.Equal(t, comparev1.BlankKind_BLANK_KIND_BATH_ALONE_ON_A, got.GetBlanks()[0].GetKind())
	assert.InDelta(t, 6, got.GetBlanks()[0].GetContrast().GetL(), 0.5)
	assert.Equal(t, 4.0/64, got.GetBlanks()[0].GetContrast().GetPAdjusted())
}

func TestOrderEffectRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*comparev1.OrderEffectHeader)
		want   map[string]string
	}{
		"too few arms": {func(h *comparev1.OrderEffectHeader) { h.Arms = h.Arms[:1] }, map[string]string{"header.arms": "has 1, want one for each of 2 groups"}},
		"an arm twice": {func(h *comparev1.OrderEffectHeader) { h.Arms[1] = h.Arms[0] },
			map[string]string{"header.arms[1]": "is ARM_FIRST_ORDER again, want each arm at most once"}},
		"no arm": {func(h *comparev1.OrderEffectHeader) { h.Arms[0] = 0 }, map[string]string{"header.arms[0]": "is ARM_UNSPECIFIED, want a known arm"}},
		"figures": {func(h *comparev1.OrderEffectHeader) {
			h.ToleranceDe00, h.Alpha, h.ClosingSessions, h.Comparisons = math.NaN(), 0.9, 3, -1
		}, map[string]string{
			"header.tolerance_de00": "is NaN, want 1e-06 to 100, or 0 for 2", "header.alpha": "is 0.9, want 0.0001 to 0.5, or 0 for 0.05",
			"header.closing_sessions": "is 3, want 6 to 200, or 0 for an exploratory question", "header.comparisons": "is -1, want 0 to 1000"}},
	} {
		t.Run(name, func(t *testing.T) {
			l, columns := inSessions(2, 2, 1)
			h := effectHeader(l, columns)
			c.change(h)
			_, err := askEffect(t, h, columns)
			assert.Equal(t, c.want, moduletest.Refused(t, err))
		})
	}
}

func askWaters(t *testing.T, h *comparev1.WatersHeader, c *columnsv1.ColourColumns) (*comparev1.CompareWatersResponse, error) {
	open := func(ctx context.Context) (comparev1.CompareService_CompareWatersClient, error) {
		return client(t).CompareWaters(ctx)
	}
	return moduletest.Ask(t.Context(), open,
		&comparev1.CompareWatersRequest{Part: &comparev1.CompareWatersRequest_Header{Header: h}},
		&comparev1.CompareWatersRequest{Part: &comparev1.CompareWatersRequest_Columns{Columns: c}})
}

func watersHeader(l *columnsv1.Labels, c *columnsv1.ColourColumns) *comparev1.WatersHeader {
	h := &comparev1.WatersHeader{Condition: textile(), Labels: l, RowCount: int64(len(c.GetReadingId())), Closing: true}
	for b := range l.GetBlocks() {
		h.BlockMembers = append(h.BlockMembers, fmt.Sprint("member ", b%3))
	}
	return h
}

func TestWaters(t *testing.T) {
	l, c := inSessions(7, 2, 4)
	got, err := askWaters(t, watersHeader(l, c), c)
	require.NoError(t, err)
	assert.Equal(t, comparev1.WatersVerdict_WATERS_VERDICT_DIFFER, got.GetVerdict(), got.GetStatement())
	assert.Equal(t, 2.0/128, got.GetP())
	assert.Len(t, got.GetWaters(), 2)
	assert.Nil(t, got.GetWaters()[0].MeanDe00)
	assert.InDelta(t, 4, got.GetWaters()[1].GetL(), 0.5)
	assert.Nil(t, got.GetOutlook(), "it is known")
	h := watersHeader(l, c)
	h.Closing, h.ToleranceDe00 = false, 9
	got, err = askWaters(t, h, c)
	require.NoError(t, err)
	assert.InDelta(t, 1.5*9, got.GetOutlook().GetTargetDe00(), 1e-6)
	// Each water by members of its own.
	for i := range c.GetGroup() {
		c.Group[i] = c.GetBlock()[i] % 2
	}
	h = watersHeader(l, c)
	for b := range h.BlockMembers {
		h.BlockMembers[b] = fmt.Sprint("member ", b%2)
	}
	got, err = askWaters(t, h, c)
	require.NoError(t, err)
	assert.Equal(t, comparev1.WatersVerdict_WATERS_VERDICT_WATER_OR_MEMBER, got.GetVerdict())
	assert.Equal(t, []uint32{1}, got.GetApart())
	assert.Nil(t, got.P)
}

func TestWatersRefuses(t *testing.T) {
	l, c := inSessions(2, 2, 1)
	h := watersHeader(l, c)
	h.BlockMembers, h.Reference, h.NamedCovariate, h.ToleranceDe00 = nil, "sea", "salt", -1
	h.Covariates = []*comparev1.WaterCovariate{{Water: []uint32{9}, Value: []float64{math.Inf(1), 2}}}
	_, err := askWaters(t, h, c)
	assert.Equal(t, map[string]string{
		"header.block_members": "has 0, want one for each of 3 blocks", "header.reference": `is "sea", want one of the groups, or empty`,
		"header.named_covariate": `is "salt", want one of the covariates, or empty`, "header.covariates[0].name": `is "", want a name that is not empty and occurs once`,
		"header.covariates[0].value": "has 2, want one for each of 1 waters", "header.covariates[0].value[0]": "is +Inf, want a finite number",
		"header.tolerance_de00":         "is -1, want 1e-06 to 100, or 0 for 2",
		"header.covariates[0].water[0]": "is 9, want an index of a group that occurs once",
	}, moduletest.Refused(t, err))
}

// Every two waters are a test; of 300 those took longer than a minute.
func TestAsManyWatersAreTestedAsAnExperimentHas(t *testing.T) {
	l, c := inSessions(6, 21, 1)
	_, err := askWaters(t, watersHeader(l, c), c)
	assert.Equal(t, map[string]string{"header.labels.groups": "has 21 labels, want at most 20 to be tested (closing)"}, moduletest.Refused(t, err))
	h := watersHeader(l, c)
	h.Closing = false
	_, err = askWaters(t, h, c)
	require.NoError(t, err)
}

func askGroups(t *testing.T, h *comparev1.GroupsHeader, c *columnsv1.ColourColumns) (*comparev1.CompareGroupsResponse, error) {
	open := func(ctx context.Context) (comparev1.CompareService_CompareGroupsClient, error) {
		return client(t).CompareGroups(ctx)
	}
	h.Condition, h.RowCount = textile(), int64(len(c.GetReadingId()))
	return moduletest.Ask(t.Context(), open,
		&comparev1.CompareGroupsRequest{Part: &comparev1.CompareGroupsRequest_Header{Header: h}},
		&comparev1.CompareGroupsRequest{Part: &comparev1.CompareGroupsRequest_Columns{Columns: c}})
}

// What a group has in a session is one unit, and whole units are exchanged.
func TestGroupsByWholeUnits(t *testing.T) {
	l, c := inSessions(6, 2, 5)
	got, err := askGroups(t, &comparev1.GroupsHeader{Labels: l, WholeUnits: true}, c)
	require.NoError(t, err)
	assert.Equal(t, 2.0/64, got.GetPlace().GetP())
	assert.EqualValues(t, 64, got.GetPlace().GetArrangements())
	assert.EqualValues(t, 12, got.GetCells(), "units")
	assert.NotNil(t, got.GetSpread())
	require.Len(t, got.GetDistances(), 1)
	assert.InDelta(t, -5, got.GetDistances()[0].GetL(), 0.5)
	assert.EqualValues(t, 6, got.GetDistances()[0].GetBlocks())
	assert.EqualValues(t, 6, got.GetOutlook().GetFromSessions())
	assert.Positive(t, got.GetOutlook().GetSessionsToFind())
	// Two yarns of a session were in the same pots: taken for two blocks each, equal groups were called different in 25 % of 1,000 simulated experiments of six sessions, and in 44 % with
	// three yarns; as one in 2.8 and 3.3 %.
	l.Strata = []string{"", "another yarn"}
	for i, cell := range c.GetCell() {
		c.Stratum[i] = cell % 2
	}
	yarns, err := askGroups(t, &comparev1.GroupsHeader{Labels: l, WholeUnits: true}, c)
	require.NoError(t, err)
	assert.InEpsilon(t, got.GetPlace().GetF(), yarns.GetPlace().GetF(), 1e-9, "as without strata")
	assert.InEpsilon(t, got.GetSpread().GetF(), yarns.GetSpread().GetF(), 1e-9)
	assert.Equal(t, []int32{12, 6, 5}, []int32{yarns.GetCells(), yarns.GetBlocks(), yarns.GetPlace().GetRestDf()})
	assert.Equal(t, []int64{64, 64}, []int64{yarns.GetPlace().GetArrangements(), yarns.GetSpread().GetArrangements()})
	assert.Equal(t, got.GetPlace().GetP(), yarns.GetPlace().GetP())
	got, err = askGroups(t, &comparev1.GroupsHeader{Labels: l, WholeUnits: true, Exploring: true}, c)
	require.NoError(t, err)
	assert.Zero(t, got.GetPlace().GetP())
	assert.Zero(t, got.GetPlace().GetArrangements())
	got, err = askGroups(t, &comparev1.GroupsHeader{Labels: l, Exploring: true}, c)
	require.NoError(t, err)
	assert.Nil(t, got.GetOutlook())
	assert.Empty(t, got.GetDistances())
	_, err = askGroups(t, &comparev1.GroupsHeader{Labels: l, WholeUnits: true, Alpha: 0.9, ToleranceDe00: math.NaN()}, c)
	assert.Equal(t, map[string]string{
		"header.alpha": "is 0.9, want 0.0001 to 0.5, or 0 for 0.05", "header.tolerance_de00": "is NaN, want 1e-06 to 100, or 0 for 2",
	}, moduletest.Refused(t, err))
	c.Cell[0] = c.GetCell()[0] + 1
	_, err = askGroups(t, &comparev1.GroupsHeader{Labels: l, WholeUnits: true}, c)
	assert.Contains(t, moduletest.Refused(t, err)["header.cells"], "the same cells for all groups of a block")
}

// Pieces of no known session come as one block without a name, however little they have to do with each other. No test takes them for a session, whatever they look like.
func TestPiecesOfNoSessionAreInNoTest(t *testing.T) {
	p := map[string]func(*columnsv1.Labels, *columnsv1.ColourColumns) float64{
		"groups, by whole units": func(l *columnsv1.Labels, c *columnsv1.ColourColumns) float64 {
			got, err := askGroups(t, &comparev1.GroupsHeader{Labels: l, WholeUnits: true}, c)
			require.NoError(t, err)
			return got.GetPlace().GetP() + 10*got.GetSpread().GetP()
		},
		"groups, by cells": func(l *columnsv1.Labels, c *columnsv1.ColourColumns) float64 {
			got, err := askGroups(t, &comparev1.GroupsHeader{Labels: l}, c)
			require.NoError(t, err)
			return got.GetPlace().GetP() + 10*got.GetSpread().GetP()
		},
		"waters": func(l *columnsv1.Labels, c *columnsv1.ColourColumns) float64 {
			got, err := askWaters(t, watersHeader(l, c), c)
			require.NoError(t, err)
			require.NotNil(t, got.P, got.GetStatement())
			return got.GetP()
		},
		"effect": func(l *columnsv1.Labels, c *columnsv1.ColourColumns) float64 {
			got, err := askEffect(t, effectHeader(l, c), c)
			require.NoError(t, err)
			require.NotNil(t, got.GetOverall().P, got.GetStatement())
			return got.GetOverall().GetP()
		},
	}
	for name, of := range p {
		l, c := inSessions(6, 2, 0.1)
		known := of(l, c)
		for g := range 2 {
			for k := range l.GetCells() {
				c.ReadingId = append(c.ReadingId, fmt.Sprintf("none-%d-%d", g, k))
				c.Group, c.Block, c.Stratum, c.Cell = append(c.Group, uint32(g)), append(c.Block, 0), append(c.Stratum, 0), append(c.Cell, uint32(k))
				c.L, c.A, c.B = append(c.L, 10+80*float64(g)), append(c.A, float64(50*g*k/5)), append(c.B, 0)
			}
		}
		assert.InDelta(t, known, of(l, c), 1e-12, name)
	}
}

func TestGroups(t *testing.T) {
	l, c := inSessions(2, 3, 5)
	ask := func() (*comparev1.CompareGroupsResponse, error) {
		return askGroups(t, &comparev1.GroupsHeader{Labels: l}, c)
	}
	got, err := ask()
	require.NoError(t, err)
	assert.Less(t, got.GetPlace().GetP(), 0.05)
	assert.Greater(t, got.GetSpread().GetP(), 0.05)
	require.Len(t, got.GetPairs(), 3)
	for _, pair := range got.GetPairs() { // of three groups a pair needs nothing but its own test and that of all
		assert.Equal(t, max(pair.GetPlace().GetP(), got.GetPlace().GetP()), pair.GetPlacePAdjusted())
		assert.Equal(t, max(pair.GetSpread().GetP(), got.GetSpread().GetP()), pair.GetSpreadPAdjusted())
	}
	l.Groups = []string{"one"}
	_, err = ask()
	assert.Contains(t, moduletest.Refused(t, err), "header.labels.groups")
}

func TestJudgements(t *testing.T) {
	var all []*comparev1.Judgement
	for s := range 6 {
		all = append(all, &comparev1.Judgement{Session: fmt.Sprint(s), Choice: comparev1.Choice_CHOICE_SECOND, Blind: true})
	}
	got, err := client(t).CountJudgements(t.Context(), &comparev1.CountJudgementsRequest{Judgements: all, BlindOnly: true})
	require.NoError(t, err)
	assert.InDelta(t, 2.0/64, got.GetP(), 1e-12)
	assert.Equal(t, int32(6), got.GetSecond())
	_, err = client(t).CountJudgements(t.Context(), &comparev1.CountJudgementsRequest{Judgements: []*comparev1.Judgement{{Session: "x"}}})
	assert.Equal(t, map[string]string{"judgements[0].choice": "is CHOICE_UNSPECIFIED, want CHOICE_NEITHER, CHOICE_FIRST or CHOICE_SECOND"}, moduletest.Refused(t, err))
}

// FuzzFurther hands bytes to the three streams as header and columns: an answer or a status, never a panic.
func FuzzFurther(f *testing.F) {
	l, c := inSessions(2, 2, 1)
	effect, _ := proto.Marshal(effectHeader(l, c))
	waters, _ := proto.Marshal(watersHeader(l, c))
	columns, _ := proto.Marshal(c)
	f.Add(effect, columns)
	f.Add(waters, columns)
	f.Add([]byte{}, columns)
	f.Fuzz(func(t *testing.T, header, columns []byte) {
		var c columnsv1.ColourColumns
		if proto.Unmarshal(columns, &c) != nil {
			return
		}
		ctx := t.Context()
		var e comparev1.OrderEffectHeader
		if proto.Unmarshal(header, &e) == nil {
			_, _ = orderEffect(ctx, moduletest.Feed([]*comparev1.MeasureOrderEffectRequest{{Part: &comparev1.MeasureOrderEffectRequest_Header{Header: &e}},
				{Part: &comparev1.MeasureOrderEffectRequest_Columns{Columns: &c}}}, func() {}))
		}
		var w comparev1.WatersHeader
		if proto.Unmarshal(header, &w) == nil {
			_, _ = compareWaters(ctx, moduletest.Feed([]*comparev1.CompareWatersRequest{{Part: &comparev1.CompareWatersRequest_Header{Header: &w}},
				{Part: &comparev1.CompareWatersRequest_Columns{Columns: &c}}}, func() {}))
		}
		var g comparev1.GroupsHeader
		if proto.Unmarshal(header, &g) == nil {
			_, _ = compareGroups(ctx, moduletest.Feed([]*comparev1.CompareGroupsRequest{{Part: &comparev1.CompareGroupsRequest_Header{Header: &g}},
				{Part: &comparev1.CompareGroupsRequest_Columns{Columns: &c}}}, func() {}))
		}
	})
}
