package conformance

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/proto"
)

// watersQuestion asks of a table whose groups are waters; member gives the member of each block.
func watersQuestion(t table, closing bool, member func(block int) string) question {
	h := &comparev1.WatersHeader{Condition: daylight(), Labels: t.labels(), RowCount: int64(len(t.rows)), Seed: 7, Closing: closing}
	for i := range t.blocks {
		h.BlockMembers = append(h.BlockMembers, member(i))
	}
	return watersStream(h, t.chunks())
}

func watersStream(h *comparev1.WatersHeader, chunks []*columnsv1.ColourColumns) question {
	q := question{&comparev1.CompareWatersRequest{Part: &comparev1.CompareWatersRequest_Header{Header: h}}}
	for _, c := range chunks {
		q = append(q, &comparev1.CompareWatersRequest{Part: &comparev1.CompareWatersRequest_Columns{Columns: c}})
	}
	return q
}

func watersHeader(q question) *comparev1.WatersHeader {
	return q[0].(*comparev1.CompareWatersRequest).GetHeader()
}

func ownMember(block int) string { return fmt.Sprintf("member %d", block+1) }

func furtherWaters() further {
	return further{
		name: "waters", asked: "say soundly whether waters change the colour, or leave it UNIMPLEMENTED",
		method: comparev1.CompareService_CompareWaters_FullMethodName, clientStream: true,
		newReply: func() proto.Message { return &comparev1.CompareWatersResponse{} },
		plain: func(r *rand.Rand) []question {
			two := func(block int) string { return fmt.Sprintf("member %d", 1+block%2) }
			covered := watersQuestion(tableOf(r, shape{8, 2, 1, 6, 1}), true, two)
			h := watersHeader(covered)
			c := &comparev1.WaterCovariate{Name: "hardness"}
			for i := range h.GetLabels().GetGroups() {
				c.Water, c.Value = append(c.Water, uint32(i)), append(c.Value, 400*r.Float64())
			}
			h.Covariates, h.NamedCovariate = []*comparev1.WaterCovariate{c}, c.GetName()
			// Each water has a session and a member of its own, so that nothing tells them apart.
			alone := tableOf(r, shape{2, 2, 1, 8, 1}).without(func(x row) bool { return x.group != x.block })
			// One session for each water and of one member, who holds half of the recipes in one of them only.
			half := tableOf(r, shape{2, 2, 1, 8, 1}).without(func(x row) bool { return x.group != x.block || x.block == 1 && x.cell < 4 })
			return []question{
				watersQuestion(half, true, func(int) string { return "member 1" }),
				watersQuestion(tableOf(r, shape{2, 3, 1, 4, 1}), false, two), watersQuestion(tableOf(r, shape{3, 4, 1, 7, 2}), true, two), covered,
				watersQuestion(alone, true, ownMember), watersQuestion(alone, false, ownMember), watersQuestion(table{groups: labelled("group ", 2)}, false, ownMember),
			}
		},
		invalid: invalidWaters, sound: soundWaters,
	}
}

func invalidWaters(r *rand.Rand) []refusal {
	base := tableOf(r, shape{2, 2, 1, 2, 1})
	header := func(spoil func(*comparev1.WatersHeader)) question {
		q := watersQuestion(base.clone(), false, ownMember)
		spoil(watersHeader(q))
		return q
	}
	out := badConditions(func(c *typesv1.ColourCondition) question {
		return header(func(h *comparev1.WatersHeader) { h.Condition = c })
	})
	bad := func(what, name string, spoil func(*comparev1.WatersHeader)) {
		out = append(out, refusal{what, header(spoil), []string{name}})
	}
	covariate := func(water []uint32, value ...float64) func(*comparev1.WatersHeader) {
		return func(h *comparev1.WatersHeader) {
			h.Covariates = []*comparev1.WaterCovariate{{Name: "hardness", Water: water, Value: value}}
		}
	}
	bad("labels are missing", "labels", func(h *comparev1.WatersHeader) { h.Labels = nil })
	bad(`labels.groups[0] is ""`, "groups", func(h *comparev1.WatersHeader) { h.Labels.Groups[0] = "" })
	bad("block_members lacks one", "block_members", func(h *comparev1.WatersHeader) { h.BlockMembers = h.BlockMembers[1:] })
	bad("reference is no group", "reference", func(h *comparev1.WatersHeader) { h.Reference = "the sea" })
	bad("alpha is 0.6", "alpha", func(h *comparev1.WatersHeader) { h.Alpha = 0.6 })
	bad("covariates[0].water is 99", "water", covariate([]uint32{99}, 1))
	bad("covariates[0].water names one twice", "water", covariate([]uint32{0, 0}, 1, 2))
	bad("covariates[0].value lacks one", "value", covariate([]uint32{0, 1}, 1))
	for _, x := range []float64{math.NaN(), math.Inf(-1)} {
		bad(fmt.Sprintf("covariates[0].value is %v", x), "value", covariate([]uint32{0, 1}, 1, x))
	}
	bad(`covariates[0].name is ""`, "name", func(h *comparev1.WatersHeader) { h.Covariates = []*comparev1.WaterCovariate{{}} })
	bad("named_covariate is none of them", "named_covariate", func(h *comparev1.WatersHeader) { h.NamedCovariate = "iron" })
	out = append(out, streamFaults(watersQuestion(base, false, ownMember), &comparev1.CompareWatersRequest{})...)
	return append(out, columnFaults(func(t table, labels *columnsv1.Labels, n int64, chunks []*columnsv1.ColourColumns) question {
		q := watersQuestion(t, false, ownMember)
		h := watersHeader(q)
		h.Labels, h.RowCount = labels, n
		return watersStream(h, chunks)
	}, base)...)
}

func soundWaters(q question, a reply) error {
	h, got := watersHeader(q), a[0].(*comparev1.CompareWatersResponse)
	groups := len(h.GetLabels().GetGroups())
	waters, blocks := map[uint32]map[uint32]bool{}, map[uint32]map[uint32]bool{} // of each cell, of each block
	var cells [][3]uint32                                                        // block, cell, water
	add := func(m map[uint32]map[uint32]bool, k, v uint32) {
		if m[k] == nil {
			m[k] = map[uint32]bool{}
		}
		m[k][v] = true
	}
	for _, m := range q[1:] {
		c := m.(*comparev1.CompareWatersRequest).GetColumns()
		for i, g := range c.GetGroup() {
			add(waters, c.GetCell()[i], g)
			add(blocks, c.GetBlock()[i], g)
			cells = append(cells, [3]uint32{c.GetBlock()[i], c.GetCell()[i], g})
		}
	}
	inTwo := 0 // recipes in two waters, wherever
	for _, in := range waters {
		if len(in) > 1 {
			inTwo++
		}
	}
	recipes := recipesSideBySide(h, cells, blocks)
	alone := len(blocks) > 1 && recipes == 0 // every session has one water, and no member two
	for _, in := range blocks {
		alone = alone && len(in) == 1
	}
	verdict := got.GetVerdict()
	_, known := comparev1.WatersVerdict_name[int32(verdict)]
	tested := verdict == comparev1.WatersVerdict_WATERS_VERDICT_DIFFER || verdict == comparev1.WatersVerdict_WATERS_VERDICT_NO_ANSWER_AT_THIS_SIZE
	switch {
	case !known || verdict == comparev1.WatersVerdict_WATERS_VERDICT_UNSPECIFIED:
		return fmt.Errorf("verdict is %v, want a known one", verdict)
	case got.GetStatement() == "":
		return errors.New("statement is empty, want one sentence")
	case got.GetSeed() != h.GetSeed():
		return errors.New("seed is not that which was asked with")
	case !h.GetClosing() && (tested || got.P != nil):
		return fmt.Errorf("verdict is %v and p is %v without closing", verdict, got.GetP())
	case tested != (got.P != nil) || got.P != nil && !(got.GetP() > 0 && got.GetP() <= 1):
		return fmt.Errorf("verdict is %v and p is %v, want a p above 0 to 1 with a test, and none else", verdict, got.GetP())
	case alone && (tested || len(got.GetApart()) == 0):
		return fmt.Errorf("verdict is %v where each water has sessions and members of its own: water and member can't be told apart", verdict)
	case verdict == comparev1.WatersVerdict_WATERS_VERDICT_NOT_ENOUGH_YET && len(got.GetMissing()) == 0:
		return errors.New("missing is empty where there is not enough yet")
	case int(got.GetRecipes()) != recipes:
		return fmt.Errorf("recipes is %d, want %d that stand in two waters or more of one session or member", got.GetRecipes(), recipes)
	case inTwo > 0 && int(got.GetReference()) >= groups:
		return fmt.Errorf("reference is %d of %d waters", got.GetReference(), groups)
	case got.GetNoiseFloorDe00() < 0:
		return fmt.Errorf("noise_floor_de00 is %v, want 0 or above", got.GetNoiseFloorDe00())
	}
	for i, w := range got.GetWaters() {
		reference := w.GetWater() == got.GetReference()
		switch {
		case int(w.GetWater()) >= groups || w.GetSessions() < 0 || w.GetMembers() < 0 || int(w.GetRecipes()) > inTwo:
			return fmt.Errorf("waters[%d] names no water, or its figures are out of range", i)
		case reference && w.MeanDe00 != nil:
			return fmt.Errorf("waters[%d] is the reference and has a difference from itself", i)
		case w.MeanDe00 != nil && (w.GetMeanDe00() < 0 || w.GetMaxDe00() < w.GetMeanDe00()-1e-9):
			return fmt.Errorf("waters[%d].mean_de00 is %v and max_de00 %v, want 0 or above, the latter not below the former", i, w.GetMeanDe00(), w.GetMaxDe00())
		}
	}
	if err := soundWaterPairs(got, groups); err != nil {
		return err
	}
	for i, w := range got.GetApart() {
		if int(w) >= groups {
			return fmt.Errorf("apart[%d] is %d, want an index of a water", i, w)
		}
	}
	for i, c := range got.GetCorrelations() {
		if c.GetRho() < -1-1e-9 || c.GetRho() > 1+1e-9 || c.P != nil && (!h.GetClosing() || !(c.GetP() > 0 && c.GetP() <= 1)) {
			return fmt.Errorf("correlations[%d] has rho %v and p %v, want -1 to 1, and above 0 to 1 only with closing", i, c.GetRho(), c.GetP())
		}
	}
	return nil
}

// recipesSideBySide counts the recipes that a session holds in two waters or more, or that a member has in two in sessions of one water each.
func recipesSideBySide(h *comparev1.WatersHeader, cells [][3]uint32, blocks map[uint32]map[uint32]bool) int {
	type place struct {
		block  uint32
		member string
		recipe uint32
	}
	first, recipes := map[place]uint32{}, map[uint32]bool{}
	for _, c := range cells {
		if h.GetLabels().GetBlocks()[c[0]] == "" {
			continue // no session
		}
		at := place{block: c[0], recipe: c[1]}
		if m := h.GetBlockMembers()[c[0]]; m != "" && len(blocks[c[0]]) == 1 {
			at = place{member: m, recipe: c[1]}
		}
		if w, known := first[at]; known && w != c[2] {
			recipes[c[1]] = true
		}
		first[at] = c[2]
	}
	return len(recipes)
}

func soundWaterPairs(got *comparev1.CompareWatersResponse, groups int) error {
	if got.P == nil && len(got.GetPairs()) > 0 {
		return errors.New("pairs are given without p")
	}
	seen := map[[2]uint32]bool{}
	for i, x := range got.GetPairs() {
		two := [2]uint32{min(x.GetWaterA(), x.GetWaterB()), max(x.GetWaterA(), x.GetWaterB())}
		switch {
		case two[0] == two[1] || int(two[1]) >= groups || seen[two]:
			return fmt.Errorf("pairs[%d] is of waters %d and %d, want each two once", i, x.GetWaterA(), x.GetWaterB())
		case (x.P == nil) != (x.PAdjusted == nil) || x.P != nil && !(x.GetP() > 0 && x.GetPAdjusted() >= x.GetP()-1e-12 && x.GetPAdjusted() <= 1):
			return fmt.Errorf("pairs[%d].p is %v and p_adjusted %v, want both or neither, above 0 to 1, the second not below the first", i, x.GetP(), x.GetPAdjusted())
		case x.GetRecipes() < 0 || (x.MeanDe00 != nil) != (x.GetRecipes() > 0) || x.GetMeanDe00() < 0:
			return fmt.Errorf("pairs[%d].mean_de00 is %v of %d recipes, want 0 or above, and none without a recipe", i, x.GetMeanDe00(), x.GetRecipes())
		}
		seen[two] = true
	}
	return nil
}
