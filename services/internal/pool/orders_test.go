package pool_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline/pipelinetest"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

var byOrder = pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER}

// orderSession adds a session with dye and indigo in both orders on two fibres: the dye first spreads 20 wide, indigo first 10.
func orderSession(b *book, experiment trial.ID, dye string, change ...func(*trial.Reading)) trial.ID {
	session := b.session(experiment)
	alum, first, indigo, second := mordant("alum"), pot(dye), vat(), pot(dye)
	silk := trial.Fibre{Composition: []trial.FibrePart{{Fibre: "silk", Percent: 100}}, Lot: "s"}
	for i, fibre := range []trial.Fibre{wool("w"), silk} {
		b.read(b.piece(session, fibre, alum, first, indigo), lab(40+20*float64(i), 0, 0), change...)
		b.read(b.piece(session, fibre, alum, indigo, second), lab(40+10*float64(i), 0, 0), change...)
	}
	return session
}

func TestOrdersWithoutAnExperimentAreExploratory(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	session := ""
	for range 6 {
		session = orderSession(b, "", "weld")
	}
	orderSession(b, "", "madder")
	alum, w := mordant("alum"), wool("w")
	for _, baths := range [][]*trial.Bath{
		{alum},
		{alum, pot("weld")},
		{alum, pot("weld"), blank("indigo")},
		{alum, pot("weld"), vat(), pot("madder")},
		{alum, pot("weld", "madder"), vat()},
		{alum, vat(), vat()},
		{unknown(), pot("weld"), vat()},
		{alum, pot("weld"), unknown(trial.DyeBath)},
		{alum, pot("cutch"), vat()},
	} {
		b.read(b.piece(session, w, baths...), lab(50, 1, 1))
	}
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, byOrder)
	assert.Equal(t, map[string]int32{
		"pieces: undyed: no colour layer":                             1,
		"pieces: one colour layer only":                               1,
		"pieces: blank arm: one colour and the blank of another":      1,
		"pieces: more than two colour layers":                         1,
		"pieces: a pot with several dyes in it":                       1,
		"pieces: both colour layers of the same dye":                  1,
		"pieces: history not stated, so the order can't be relied on": 2,
		"pieces: only one order of its two dyes is in the pool":       1,
	}, leftOut(answer))
	assert.EqualValues(t, 28, answer.GetPiecesUsed())
	require.Len(t, answer.GetPairs(), 3)
	madder, weld, role := answer.GetPairs()[0], answer.GetPairs()[1], answer.GetPairs()[2]
	assert.Equal(t, []string{"indigo > madder", "madder > indigo"}, []string{madder.GetFirst(), madder.GetSecond()})
	assert.True(t, madder.GetThin())
	assert.EqualValues(t, 6, weld.GetSessions())
	assert.Equal(t, "second", weld.GetWider())
	assert.InDelta(t, 0.5, weld.GetWidthRatio(), 1e-9)
	assert.EqualValues(t, 12, weld.GetCellsFirst())
	assert.Equal(t, []string{"vat first", "vat last"}, []string{role.GetFirst(), role.GetSecond()})
	assert.EqualValues(t, 2, role.GetStrata(), "each dye pair is aligned by itself")
	assert.EqualValues(t, 7, role.GetSessions())
	for _, pair := range answer.GetPairs() {
		assert.Nil(t, pair.P)
		assert.NotEmpty(t, pair.GetMissing())
	}
	for _, sent := range h.modules.Orders() {
		assert.Zero(t, sent.Orders.GetClosingSessions(), "no p without an experiment")
	}
	assert.Equal(t, poolv1.Standing_STANDING_EXPLORATORY, answer.GetStanding())
	assert.Contains(t, answer.GetHeadline(), "Exploratory, no verdict: weld > indigo spreads wider than indigo > weld (ratio 2.00 over 6 sessions)")
	assert.NotContains(t, answer.GetHeadline(), "madder", "too thin for the headline while there is better")
	assert.Empty(t, answer.GetGroups()[0].ShadesLow)
}

func TestOnlyOneDyePairHasNoRoles(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	orderSession(b, "", "weld")
	s.put(b.Trial)
	assert.Len(t, open(t, s).ask(t, byOrder).GetPairs(), 1)
}

func TestOrdersThatTheRecordDoesNotTell(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	for range 3 {
		b.read(b.piece("", wool(""), unknown(), pot("weld")), lab(50, 1, 1))
	}
	s.put(b.Trial)
	answer := open(t, s).ask(t, byOrder)
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
	assert.Contains(t, answer.GetHeadline(), "no two dyes that were dyed in both orders")
	assert.Contains(t, tells(answer), "which order is wider")
	assert.EqualValues(t, 3, leftOut(answer)["pieces: history not stated, so the order can't be relied on"])
	assert.Empty(t, answer.GetPairs())
}

// experiment puts one with weld and indigo on the shelf.
func experiment(s *shelf, closing int) trial.ID {
	e := trial.Experiment{ID: newID(), FirstDye: "weld", SecondDye: "indigo", ToleranceDE00: 2.5, ClosingSessions: closing, Instrument: "bench reader", Condition: d65}
	s.experiments = append(s.experiments, e)
	return e.ID
}

// Each thing that is missing has its own unit, of those that the contract has none for too.
func TestWhatIsMissingIsToldInItsUnit(t *testing.T) {
	s := newShelf()
	id := experiment(s, 6)
	b := newBook("ash")
	for range 6 {
		orderSession(b, id, "weld")
	}
	s.put(b.Trial)
	h := open(t, s)
	h.modules.SpoilOrders(func(r *comparev1.CompareOrdersResponse) {
		r.Verdict, r.P, r.PAdjusted = comparev1.Verdict_VERDICT_NOT_ENOUGH_YET, nil, nil
		r.Missing = []*comparev1.Missing{{What: "cells", Count: 1, Text: "1 more recipe found in both"}, {What: "yarns", Count: 2, Text: "2 more yarns in both orders"}}
	})
	answer := h.ask(t, pool.Question{GroupBy: byOrder.GroupBy, ExperimentID: id})
	assert.Equal(t, []string{"1 more recipe dyed in both orders", "2 more yarns in both orders"}, answer.GetPairs()[0].GetMissing())
}

func TestAnExperimentBeforeItsClosingSize(t *testing.T) {
	s := newShelf()
	id := experiment(s, 6)
	b := newBook("ash")
	for range 5 {
		orderSession(b, id, "weld")
	}
	orderSession(b, "", "weld") // of no experiment
	orderSession(b, id, "weld", func(r *trial.Reading) { r.Instrument = "another reader" })
	orderSession(b, id, "weld", func(r *trial.Reading) { r.AgeDays = trial.AgeUnstated })
	half := b.session(id)
	b.read(b.piece(half, wool("w"), mordant("alum"), pot("weld"), vat()), lab(50, 0, 0))
	other := b.session(id)
	b.read(b.piece(other, wool("w"), mordant("alum"), pot("madder"), vat()), lab(50, 0, 0))
	s.put(b.Trial)
	answer := open(t, s).ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: id})
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
	pair := answer.GetPairs()[0]
	assert.Equal(t, "weld > indigo", pair.GetFirst(), "as the experiment has it")
	assert.Equal(t, []string{"1 more session with weld and indigo in both orders"}, pair.GetMissing())
	assert.Equal(t, "Not enough yet: 1 more session with weld and indigo in both orders. So far, over 5 sessions, the colours of weld > indigo spread "+
		"2.00 times as wide as those of indigo > weld; that is no answer yet", answer.GetHeadline())
	assert.Nil(t, pair.P)
	assert.Empty(t, pair.GetWider())
	left := leftOut(answer)
	assert.EqualValues(t, 4, left["readings: read by another instrument than the experiment's"])
	assert.EqualValues(t, 4, left["readings: dry or finished, age not stated: an experiment counts only what is stated"])
	assert.EqualValues(t, 1, left["pieces: other dyes than the experiment's"])
	assert.EqualValues(t, 1, left["pieces: not in the comparison: no partner in the other order of the same session (same layers, intended depths, fibre lot, mordants and water)"])
}

func TestAnExperimentAtItsClosingSize(t *testing.T) {
	s := newShelf()
	id := experiment(s, 6)
	b := newBook("ash")
	var sessions []string
	for range 8 {
		sessions = append(sessions, orderSession(b, id, "weld"))
	}
	// The first session by id is read last of all, so it is complete last.
	for i := range b.Readings[:4] {
		b.Readings[i].RecordedAt = b.clock.Add(time.Hour)
	}
	// Reading a piece again later doesn't move its session.
	again := b.Readings[4]
	again.ID, again.RecordedAt = newID(), b.clock.Add(2*time.Hour)
	b.Readings = append(b.Readings, again)
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: id})
	assert.Equal(t, poolv1.Standing_STANDING_VERDICT, answer.GetStanding())
	pair := answer.GetPairs()[0]
	assert.Equal(t, "first", pair.GetWider())
	assert.InDelta(t, 0.01, pair.GetP(), 0)
	assert.EqualValues(t, 6, pair.GetSessions())
	assert.Equal(t, "weld > indigo gives the wider palette: its colours spread 2.00 times as wide as those of indigo > weld (p = 0.010, 6 sessions). "+
		"Colour: order matters: weld > indigo and indigo > weld lie 3.0 apart (p = 0.010, 6 sessions); what matters is 2.5", answer.GetHeadline())
	sent := h.modules.Orders()[0]
	assert.EqualValues(t, 6, sent.Orders.GetClosingSessions())
	assert.Equal(t, append(slices.Clone(sessions[1:]), sessions[0]), sent.Labels.GetBlocks())
	assert.Equal(t, []string{"weld > indigo", "indigo > weld"}, sent.Labels.GetGroups())
	assert.Contains(t, tells(answer), "2 sessions came after the closing size of 6")
	assert.Len(t, answer.GetModules(), 3)
}

func TestAnExperimentWithNothingYet(t *testing.T) {
	s := newShelf()
	id := experiment(s, 7)
	answer := open(t, s).ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: id})
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
	assert.Equal(t, "Not enough yet: 7 more sessions with weld and indigo in both orders", answer.GetHeadline())
}

func TestAVerdictIsAskedForInOneWay(t *testing.T) {
	s := newShelf()
	id := experiment(s, 6)
	h := open(t, s)
	for field, q := range map[string]pool.Question{
		"group_by":       {GroupBy: poolv1.GroupBy_GROUP_BY_WATER},
		"filter":         {Where: &store.Predicate{Field: "fibre", Value: "wool"}},
		"condition":      {Condition: a10},
		"threshold_de00": {ThresholdDE00: 2.5},
		"equal_number":   {EqualNumber: 6},
		"seed":           {Seed: 2},
	} {
		q.ExperimentID = id
		if q.GroupBy == 0 {
			q.GroupBy = poolv1.GroupBy_GROUP_BY_ORDER
		}
		_, err := h.pool.AskPalette(t.Context(), q)
		var fault *trial.FieldFault
		require.ErrorAs(t, err, &fault, field)
		assert.Equal(t, field, fault.Field)
	}
	_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: newID()})
	require.ErrorIs(t, err, trial.ErrNotFound)
}

func TestMatchedPairs(t *testing.T) {
	alum, water := mordant("alum"), trial.WaterPart{SourceID: newID(), Parts: 1}
	wet := func(bath *trial.Bath) *trial.Bath {
		bath.Water = []trial.WaterPart{water}
		return bath
	}
	deep := func(p *trial.Piece) { p.Route.Layers[1].IntendedDepth = trial.Deep }
	for name, c := range map[string]struct {
		other   func(b *book, session trial.ID) *trial.Piece
		matched bool
		reason  string
		place   bool
	}{
		"alike":         {func(b *book, s trial.ID) *trial.Piece { return b.piece(s, wool("w"), alum, vat(), pot("weld")) }, true, "", false},
		"another lot":   {func(b *book, s trial.ID) *trial.Piece { return b.piece(s, wool("v"), alum, vat(), pot("weld")) }, false, "no partner", false},
		"another water": {func(b *book, s trial.ID) *trial.Piece { return b.piece(s, wool("w"), alum, vat(), wet(pot("weld"))) }, false, "no partner", false},
		"another mordant": {func(b *book, s trial.ID) *trial.Piece {
			return b.piece(s, wool("w"), mordant("tin"), vat(), pot("weld"))
		}, false, "no partner", false},
		"mordant elsewhere": {func(b *book, s trial.ID) *trial.Piece { return b.piece(s, wool("w"), vat(), alum, pot("weld")) }, true, "", true},
		"another depth": {func(b *book, s trial.ID) *trial.Piece {
			p := b.piece(s, wool("w"), alum, vat(), pot("weld"))
			deep(p)
			return p
		}, false, "no partner", false},
		"9 % more dye": {func(b *book, s trial.ID) *trial.Piece {
			return b.pieceOf(10/1.09, s, wool("w"), alum, vat(), pot("weld"))
		}, true, "", false},
		"12 % more dye": {func(b *book, s trial.ID) *trial.Piece {
			return b.pieceOf(10/1.12, s, wool("w"), alum, vat(), pot("weld"))
		}, false, "delivered depths", false},
		"another number of dips": {func(b *book, s trial.ID) *trial.Piece {
			p := b.piece(s, wool("w"), alum, vat(), pot("weld"))
			p.Route.Layers[1].Dips = 2
			return p
		}, false, "delivered depths", false},
		"dye not known": {func(b *book, s trial.ID) *trial.Piece {
			p := b.piece(s, wool("w"), alum, vat(), pot("weld"))
			p.Route.Layers[2].DeliveredPercentWOF = nil
			return p
		}, true, "", false},
		"another session": {func(b *book, _ trial.ID) *trial.Piece {
			return b.piece(b.session(""), wool("w"), alum, vat(), pot("weld"))
		}, false, "no partner", false},
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf()
			b := newBook("ash")
			session := b.session("")
			b.read(b.piece(session, wool("w"), alum, pot("weld"), vat()), lab(50, 0, 0))
			b.read(c.other(b, session), lab(60, 0, 0))
			s.put(b.Trial)
			h := open(t, s)
			answer := h.ask(t, byOrder)
			require.Len(t, answer.GetPairs(), 1)
			if c.matched {
				require.Len(t, h.modules.Orders(), 1)
				rows := h.modules.Orders()[0].Rows()
				require.Len(t, rows, 2)
				assert.Equal(t, rows[0].Cell, rows[1].Cell)
				assert.NotContains(t, fmt.Sprint(leftOut(answer)), "not in the comparison")
			} else {
				assert.Empty(t, h.modules.Orders())
				assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetPairs()[0].GetStanding())
				assert.Contains(t, fmt.Sprint(leftOut(answer)), c.reason)
			}
			if c.place {
				assert.Contains(t, tells(answer), "whether it is the order or the place of the mordant: in indigo > weld it is alum after indigo, in weld > indigo alum first")
			} else {
				assert.NotContains(t, tells(answer), "place of the mordant")
			}
		})
	}
}

func TestReplicatesAreOneCell(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	session := b.session("")
	alum, first, indigo, second := mordant("alum"), pot("weld"), vat(), pot("weld")
	for range 2 {
		b.read(b.piece(session, wool("w"), alum, first, indigo), lab(50, 0, 0))
		b.read(b.piece(session, wool("w"), alum, indigo, second), lab(50, 0, 0))
	}
	s.put(b.Trial)
	h := open(t, s)
	h.ask(t, byOrder)
	cells := map[string]bool{}
	for _, r := range h.modules.Orders()[0].Rows() {
		cells[r.Cell] = true
	}
	assert.Len(t, cells, 1)
}

func blocksOf(t *testing.T, sent pipelinetest.Received) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, r := range sent.Rows() {
		out[r.ID] = r.Block
	}
	return out
}

func TestSessionsThatSharePotsAreOneBlock(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	alum := mordant("alum") // shared by all, and ties nothing
	sessions := make([]trial.ID, 5)
	read := make([]trial.ID, 5)
	for i := range sessions {
		sessions[i] = b.session("")
		read[i] = b.read(b.piece(sessions[i], wool("w"), alum, pot("weld")), lab(50+float64(i), 0, 0))
	}
	// A piece of session 0 was posted and dipped in a vat of session 3; one of session 3 went on to a pot of session 4.
	there, onward := vat(), pot("madder")
	posted := b.read(b.piece(sessions[0], wool("w"), alum, pot("weld"), there), lab(30, 0, 0))
	b.read(b.piece(sessions[3], wool("w"), alum, there, onward), lab(31, 0, 0))
	b.read(b.piece(sessions[4], wool("w"), alum, onward), lab(32, 0, 0))
	loose := b.read(b.piece("", wool("w"), alum, there), lab(33, 0, 0))
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, byMordant)
	block := blocksOf(t, h.modules.Widths()[0])
	assert.Equal(t, sessions[0], block[posted])
	for _, i := range []int{0, 3, 4} {
		assert.Equal(t, sessions[0], block[read[i]], i)
	}
	for _, i := range []int{1, 2} {
		assert.Equal(t, sessions[i], block[read[i]], i)
	}
	assert.Empty(t, block[loose])
	assert.EqualValues(t, 3, answer.GetGroups()[0].GetSessions())
	assert.Contains(t, tells(answer), "3 sessions of the pool share pots")
	assert.Contains(t, tells(answer), "the session of 1 piece isn't known")
	assert.Empty(t, h.modules.Widths()[0].Labels.GetBlocks()[0], "the block of no session comes first")
}

func TestATestNeverMixesGloss(t *testing.T) {
	s := newShelf()
	id := experiment(s, 6)
	b := newBook("ash")
	orderSession(b, id, "weld")
	orderSession(b, id, "weld", func(r *trial.Reading) { r.Specular = trial.SpecularExcluded })
	orderSession(b, id, "weld")
	s.put(b.Trial)
	answer := open(t, s).ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: id})
	assert.EqualValues(t, 4, leftOut(answer)["readings: gloss excluded, where most of the experiment has gloss included"])
	assert.EqualValues(t, 2, answer.GetPairs()[0].GetSessions())
	assert.True(t, strings.HasPrefix(answer.GetHeadline(), "Not enough yet: 4 more sessions"))
}
