package pool_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func orderBook(experiment trial.ID, sessions int) *book {
	b := newBook("ash")
	for range sessions {
		orderSession(b, experiment, "weld")
	}
	return b
}

func TestOrderEffectWithoutAnExperiment(t *testing.T) {
	s := newShelf()
	s.put(orderBook("", 4).Trial)
	h := open(t, s)
	h.modules.SpoilEffect(func(r *comparev1.MeasureOrderEffectResponse) {
		r.Outlook = &comparev1.Outlook{FromSessions: 4, TargetDe00: 3, SessionsToFind: 6, SessionsToRuleOut: 0}
	})
	pair := h.ask(t, byOrder).GetPairs()[0]
	e := pair.GetEffect()
	require.NotNil(t, e)
	assert.Equal(t, poolv1.EffectVerdict_EFFECT_VERDICT_EXPLORATORY, e.GetVerdict())
	assert.Nil(t, e.P)
	assert.Equal(t, pool.DefaultToleranceDE00, e.GetToleranceDe00())
	// indigo > weld is at L* 40 and 50, weld > indigo at 40 and 60.
	assert.InDelta(t, -5, e.GetDifference().GetL(), 1e-9)
	assert.Equal(t, "Exploratory, no verdict: the colours of indigo > weld and weld > indigo lie 3.0 apart on average over 4 sessions; what matters is 2", e.GetStatement())
	require.Len(t, e.GetCells(), 2)
	assert.Equal(t, "silk, lot s, alum, indigo medium, weld medium", e.GetCells()[0].GetCell())
	assert.Contains(t, e.GetOutlook(), "2 more sessions with both orders")
	assert.Contains(t, e.GetOutlook(), "more than 60 sessions in all")
}

// Repeats that lie 2.1 from their mean differ by as much as 5 now and then, so that shades of 5 may be repeats; with 1.9 they aren't.
func TestShadesThatMayBeRepeats(t *testing.T) {
	s := newShelf()
	s.put(orderBook("", 4).Trial)
	h := open(t, s)
	for mcdm, told := range map[float64]bool{2.1: true, 1.9: false} {
		h.modules.SpoilEffect(func(r *comparev1.MeasureOrderEffectResponse) { r.RepeatabilityMcdm, r.Repeats = &mcdm, 4 })
		said := tells(h.ask(t, byOrder))
		assert.Equal(t, told, strings.Contains(said, "repeats of the whole route"), "%v", mcdm)
		assert.Equal(t, told, strings.Contains(said, "lie 2.1 from their mean, so that repeats of one colour can count as shades of 5; repeats alone lie 5.2 or more apart about once in 20 times"), "%v", mcdm)
	}
}

func TestOrderEffectOfAnExperiment(t *testing.T) {
	s := newShelf()
	id := experiment(s, 6)
	s.put(orderBook(id, 5).Trial)
	h := open(t, s)
	question := pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: id}
	e := h.ask(t, question).GetPairs()[0].GetEffect()
	assert.Equal(t, poolv1.EffectVerdict_EFFECT_VERDICT_NOT_ENOUGH_YET, e.GetVerdict())
	assert.Equal(t, 2.5, e.GetToleranceDe00())
	assert.Nil(t, e.P)
	s.put(orderBook(id, 1).Trial)
	e = h.ask(t, question).GetPairs()[0].GetEffect()
	assert.Equal(t, poolv1.EffectVerdict_EFFECT_VERDICT_ORDER_MATTERS, e.GetVerdict())
	assert.Equal(t, 0.01, e.GetP())
}

func TestDependsOnTheCellIsNamed(t *testing.T) {
	s := newShelf()
	id := experiment(s, 6)
	s.put(orderBook(id, 6).Trial)
	h := open(t, s)
	h.modules.SpoilEffect(func(r *comparev1.MeasureOrderEffectResponse) {
		small := 0.03
		r.Verdict, r.Cells[1].De00, r.Cells[1].PAdjusted = comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_DEPENDS_ON_CELL, 7.25, &small
	})
	e := h.ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: id}).GetPairs()[0].GetEffect()
	assert.Equal(t, "it depends on the piece whether order matters; it does for wool, lot w, alum, indigo medium, weld medium (7.2 apart, p = 0.030)", e.GetStatement())
}

// Where p is small and there is no answer, or the average is known to be small and there is none, the reason is told.
func TestWhyThereIsNoAnswer(t *testing.T) {
	s := newShelf()
	id := experiment(s, 6)
	s.put(orderBook(id, 6).Trial)
	h := open(t, s)
	h.modules.SpoilOrders(func(r *comparev1.CompareOrdersResponse) {
		r.Verdict, r.Statement = comparev1.Verdict_VERDICT_NO_ANSWER_AT_THIS_SIZE, "no answer at this size: weld > indigo looks wider, but only just"
	})
	upper, far := 2.25, 3.25
	h.modules.SpoilEffect(func(r *comparev1.MeasureOrderEffectResponse) {
		r.Verdict, r.Overall.UpperDe00, r.Cells[1].De00 = comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_NO_ANSWER_AT_THIS_SIZE, &upper, far
		r.Overall.De00, r.Cells[0].De00, r.Cells[0].Sessions, r.Cells[1].Sessions = 1, 1, 6, 6
	})
	question := pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: id}
	pair := h.ask(t, question).GetPairs()[0]
	assert.Equal(t, "No answer at this size: weld > indigo looks wider, but only just (p = 0.010, 6 sessions)", pair.GetStatement())
	assert.Equal(t, "no answer at this size: on average weld > indigo and indigo > weld lie less than 2.5 apart, by a bound of 95 % (6 sessions), "+
		"but wool, lot w, alum, indigo medium, weld medium by itself 3.2", pair.GetEffect().GetStatement())
	far = 2.4
	assert.Contains(t, h.ask(t, question).GetPairs()[0].GetEffect().GetStatement(), "6 sessions can't tell whether")
	far, upper = 3.25, 2.5
	assert.Contains(t, h.ask(t, question).GetPairs()[0].GetEffect().GetStatement(), "6 sessions can't tell whether")
	h.modules.SpoilOrders(func(r *comparev1.CompareOrdersResponse) {
		large := 0.06
		r.Verdict, r.PAdjusted = comparev1.Verdict_VERDICT_NO_ANSWER_AT_THIS_SIZE, &large
	})
	assert.Contains(t, h.ask(t, question).GetPairs()[0].GetStatement(), "can't tell whether weld > indigo or indigo > weld is wider (p = 0.060")
}

func TestAModuleThatLacksTheQuestion(t *testing.T) {
	s := newShelf()
	s.put(orderBook("", 2).Trial)
	h := open(t, s)
	h.modules.LackEffect()
	answer := h.ask(t, byOrder)
	assert.Nil(t, answer.GetPairs()[0].GetEffect())
	assert.Contains(t, tells(answer), "whether the order changes the colour: compare module")
}

func TestEffectsThatCannotBe(t *testing.T) {
	for name, spoil := range map[string]func(*comparev1.MeasureOrderEffectResponse){
		"a verdict without an experiment": func(r *comparev1.MeasureOrderEffectResponse) {
			r.Verdict = comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_ORDER_MATTERS
		},
		"a p without a test": func(r *comparev1.MeasureOrderEffectResponse) { p := 0.5; r.Overall.P = &p },
		"another seed":       func(r *comparev1.MeasureOrderEffectResponse) { r.Seed++ },
		"an unknown cell":    func(r *comparev1.MeasureOrderEffectResponse) { r.Cells[0].Cell = 99 },
		"no difference":      func(r *comparev1.MeasureOrderEffectResponse) { r.Overall = nil },
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf()
			s.put(orderBook("", 2).Trial)
			h := open(t, s)
			h.modules.SpoilEffect(spoil)
			_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: byOrder.GroupBy, MinimumRevision: h.Revision()})
			assert.ErrorIs(t, err, pipeline.ErrModuleAnswer)
		})
	}
}

func TestWatersAreToldFromEachOther(t *testing.T) {
	s := newShelf()
	mill, tap := newID(), newID()
	s.waters = []trial.WaterSource{{ID: mill, Name: "Mill well"}, {ID: tap, Name: "Town tap"}}
	b := newBook("ash")
	for range 2 {
		session := b.session("")
		for water, l := range map[trial.ID]float64{mill: 60, tap: 66} {
			bath := pot("weld")
			bath.Water = []trial.WaterPart{{SourceID: water, Parts: 1}}
			b.read(b.piece(session, wool("1"), mordant("alum"), bath), lab(l, 0, 50))
		}
	}
	b.read(b.piece(b.session(""), wool(""), mordant("alum"), pot("weld")), lab(50, 0, 50))
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_WATER})
	w := answer.GetWaters()
	require.NotNil(t, w)
	assert.Equal(t, poolv1.Standing_STANDING_EXPLORATORY, w.GetStanding())
	assert.Equal(t, "Mill well", w.GetReference())
	require.Len(t, w.GetWaters(), 2)
	assert.InDelta(t, 6, w.GetWaters()[1].GetDifference().GetL(), 1e-9)
	assert.EqualValues(t, 1, w.GetRecipes(), "the piece of an unstated lot and water is not in it")
	assert.Contains(t, w.GetStatement(), "Town tap 3.0 (1 recipe)")
	assert.Nil(t, h.ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE}).GetWaters())
}

func TestNoWaterIsStated(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	b.read(b.piece(b.session(""), wool("1"), mordant("alum"), pot("weld")), lab(50, 0, 50))
	s.put(b.Trial)
	w := open(t, s).ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_WATER}).GetWaters()
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, w.GetStanding())
	assert.NotEmpty(t, w.GetMissing())
}
