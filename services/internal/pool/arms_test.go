package pool_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pipeline/pipelinetest"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// armed is a session with both orders of weld and indigo, and both blank arms and the plain pieces of the pots that they stand on.
func armed(b *book, experiment trial.ID) (arms map[string]trial.ID, otherPot trial.ID) {
	session, w, alum := b.session(experiment), wool("w"), mordant("alum")
	weld, vat1, vat2, weld2 := pot("weld"), vat(), vat(), pot("weld")
	b.read(b.piece(session, w, alum, weld, vat1), lab(40, 0, 20))
	b.read(b.piece(session, w, alum, vat2, weld2), lab(45, 0, 20))
	arms = map[string]trial.ID{
		"ARM_ALONE_A":       b.read(b.piece(session, w, alum, weld), lab(80, 0, 60)),
		"ARM_BLANK_AFTER_A": b.read(b.piece(session, w, alum, weld, blank("indigo")), lab(75, 0, 55)),
		"ARM_ALONE_B":       b.read(b.piece(session, w, alum, vat2), lab(35, 0, -20)),
		"ARM_BLANK_AFTER_B": b.read(b.piece(session, w, alum, vat2, blank("weld")), lab(36, 0, -20)),
	}
	return arms, b.read(b.piece(session, w, alum, weld2), lab(70, 0, 50))
}

func effects(t *testing.T, h *house) pipelinetest.Received {
	t.Helper()
	all := h.modules.Effects()
	require.NotEmpty(t, all)
	return all[len(all)-1]
}

func TestBlankArmsAreAsked(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	arms, otherPot := armed(b, "")
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, pool.Question{GroupBy: byOrder.GroupBy})
	sent := effects(t, h)
	// indigo > weld is the first order: the dyes stand by their names.
	named := map[string]string{"ARM_ALONE_A": "ARM_ALONE_B", "ARM_ALONE_B": "ARM_ALONE_A", "ARM_BLANK_AFTER_A": "ARM_BLANK_AFTER_B", "ARM_BLANK_AFTER_B": "ARM_BLANK_AFTER_A"}
	got := map[string]string{}
	cells := map[string]bool{}
	for _, row := range sent.Rows() {
		got[row.ID] = row.Group
		cells[row.Cell] = true
	}
	require.Len(t, got, 6)
	for arm, id := range arms {
		assert.Equal(t, named[arm], got[id])
	}
	assert.NotContains(t, got, otherPot, "the plain piece of another day's pot")
	assert.Len(t, cells, 1, "arms share the cell of the orders")
	assert.Equal(t, len(sent.Labels.GetGroups()), len(sent.Effect.GetArms()))
	blanks := answer.GetPairs()[0].GetEffect().GetBlanks()
	require.Len(t, blanks, 2)
	assert.Equal(t, "what the bath of weld without its dye does to indigo", blanks[0].GetWhat())
	assert.InDelta(t, 1, blanks[0].GetDifference().GetL(), 1e-9)
	assert.Equal(t, "what the bath of indigo without its dye does to weld", blanks[1].GetWhat())
	assert.InDelta(t, -5, blanks[1].GetDifference().GetB(), 1e-9)
	assert.EqualValues(t, 6, answer.GetPiecesUsed())
	assert.Equal(t, map[string]int32{"pieces: one colour layer only": 1}, leftOut(answer))
}

// A session that only has blank arms counts for them, and never for the order in which sessions became complete.
func TestBlankArmsWithoutTheOrders(t *testing.T) {
	s := newShelf()
	id := experiment(s, 6)
	b := newBook("ash")
	session, weld := b.session(id), pot("weld")
	for range 2 {
		b.read(b.piece(session, wool("w"), mordant("alum"), weld), lab(80, 0, 60))
		b.read(b.piece(session, wool("w"), mordant("alum"), weld, blank("indigo")), lab(75, 0, 55))
	}
	for range 2 {
		orderSession(b, id, "weld")
	}
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, pool.Question{GroupBy: byOrder.GroupBy, ExperimentID: id})
	sent := effects(t, h)
	assert.Equal(t, session, sent.Labels.GetBlocks()[2], "after those that are complete")
	assert.Equal(t, []comparev1.Arm{comparev1.Arm_ARM_FIRST_ORDER, comparev1.Arm_ARM_SECOND_ORDER, comparev1.Arm_ARM_ALONE_A, comparev1.Arm_ARM_BLANK_AFTER_A}, sorted(sent.Effect.GetArms()))
	assert.Len(t, answer.GetPairs()[0].GetEffect().GetBlanks(), 1)
	assert.EqualValues(t, 12, answer.GetPiecesUsed())
}

func sorted(arms []comparev1.Arm) []comparev1.Arm {
	arms = slices.Clone(arms)
	slices.Sort(arms)
	return arms
}

func TestBlankArmsThatDoNotFit(t *testing.T) {
	for name, odd := range map[string]func(*book, trial.ID, *trial.Bath){
		"blank of a third dye": func(b *book, session trial.ID, weld *trial.Bath) {
			b.read(b.piece(session, wool("w"), mordant("alum"), weld, blank("madder")), lab(50, 0, 0))
		},
		"blank before the colour": func(b *book, session trial.ID, weld *trial.Bath) {
			b.read(b.piece(session, wool("w"), mordant("alum"), blank("indigo"), weld), lab(50, 0, 0))
		},
		"another yarn": func(b *book, session trial.ID, weld *trial.Bath) {
			b.read(b.piece(session, wool("x"), mordant("alum"), weld, blank("indigo")), lab(50, 0, 0))
		},
		"another mordant": func(b *book, session trial.ID, weld *trial.Bath) {
			b.read(b.piece(session, wool("w"), mordant("iron"), weld, blank("indigo")), lab(50, 0, 0))
		},
		"read wet": func(b *book, session trial.ID, weld *trial.Bath) {
			b.read(b.piece(session, wool("w"), mordant("alum"), weld, blank("indigo")), lab(50, 0, 0), func(r *trial.Reading) { r.State = trial.Wet })
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf()
			b := newBook("ash")
			session, weld, indigo, weld2 := b.session(""), pot("weld"), vat(), pot("weld")
			b.read(b.piece(session, wool("w"), mordant("alum"), weld, indigo), lab(40, 0, 20))
			b.read(b.piece(session, wool("w"), mordant("alum"), indigo, weld2), lab(45, 0, 20))
			odd(b, session, weld)
			s.put(b.Trial)
			h := open(t, s)
			answer := h.ask(t, byOrder)
			assert.Len(t, effects(t, h).Rows(), 2)
			assert.EqualValues(t, 2, answer.GetPiecesUsed())
			total := int32(0)
			for _, n := range leftOut(answer) {
				total += n
			}
			assert.Positive(t, total, "told as left out: %v", leftOut(answer))
		})
	}
}

func TestRepeatsHavePotsOfTheirOwn(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	session, w, alum := b.session(""), wool("w"), mordant("alum")
	weld, indigo, lone := pot("weld"), vat(), pot("weld")
	first := b.read(b.piece(session, w, alum, weld, indigo), lab(40, 0, 0))
	mate := b.read(b.piece(session, w, alum, weld, indigo), lab(41, 0, 0))
	again := b.read(b.piece(session, w, alum, pot("weld"), vat()), lab(44, 0, 0))
	single := b.read(b.piece(session, w, alum, indigo, lone), lab(50, 0, 0))
	s.put(b.Trial)
	h := open(t, s)
	h.modules.SpoilEffect(func(r *comparev1.MeasureOrderEffectResponse) {
		mcdm := 1.25
		r.RepeatabilityMcdm, r.Repeats = &mcdm, 3
	})
	e := h.ask(t, byOrder).GetPairs()[0].GetEffect()
	got := map[string]string{}
	for _, row := range effects(t, h).Rows() {
		got[row.ID] = row.Stratum
	}
	assert.Equal(t, map[string]string{first: "repeat 1", mate: "repeat 1", again: "repeat 2", single: ""}, got)
	assert.Equal(t, 1.25, e.GetRepeatabilityMcdm())
	assert.EqualValues(t, 3, e.GetRepeats())
}

func TestBlanksThatCannotBe(t *testing.T) {
	for name, spoil := range map[string]func(*comparev1.MeasureOrderEffectResponse){
		"an unknown kind":          func(r *comparev1.MeasureOrderEffectResponse) { r.Blanks[0].Kind = 9 },
		"no session":               func(r *comparev1.MeasureOrderEffectResponse) { r.Blanks[0].Contrast.Sessions = 0 },
		"a p without a test":       func(r *comparev1.MeasureOrderEffectResponse) { p := 0.5; r.Blanks[0].Contrast.P = &p },
		"a repeatability below 0":  func(r *comparev1.MeasureOrderEffectResponse) { x := -1.0; r.RepeatabilityMcdm = &x },
		"no contrast":              func(r *comparev1.MeasureOrderEffectResponse) { r.Blanks[0].Contrast = nil },
		"a number of repeats":      func(r *comparev1.MeasureOrderEffectResponse) { r.Repeats = -1 },
		"a median that is nothing": func(r *comparev1.MeasureOrderEffectResponse) { x := -2.0; r.MedianDe00 = &x },
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf()
			b := newBook("ash")
			armed(b, "")
			s.put(b.Trial)
			h := open(t, s)
			h.modules.SpoilEffect(spoil)
			_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: byOrder.GroupBy, MinimumRevision: h.Revision()})
			assert.ErrorIs(t, err, pipeline.ErrModuleAnswer)
		})
	}
}
