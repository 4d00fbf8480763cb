package pool_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// mordanted adds a session with weld and madder on each mordant.
func mordanted(b *book, mordants ...string) trial.ID {
	session := b.session("")
	for k, dye := range []string{"weld", "madder"} {
		for i, name := range mordants {
			b.read(b.piece(session, wool("w"), mordant(name), pot(dye)), lab(50+5*float64(i), float64(40*k), float64(10*i)))
		}
	}
	return session
}

func TestGroupsLieApartWithinSessions(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	mordanted(b, "alum", "iron", "copper")
	session := mordanted(b, "alum", "iron", "copper")
	b.read(b.piece(session, wool("w"), mordant("alum"), pot("cutch")), lab(30, 5, 5))
	b.read(b.piece(session, wool(""), mordant("alum"), pot("weld")), lab(31, 5, 5))
	b.read(b.piece("", wool("w"), mordant("iron"), pot("weld")), lab(32, 5, 5))
	s.put(b.Trial)
	h := open(t, s)
	apart := h.ask(t, byMordant).GetApart()
	require.NotNil(t, apart)
	assert.Equal(t, poolv1.Standing_STANDING_EXPLORATORY, apart.GetStanding())
	assert.Equal(t, []string{"alum", "copper", "iron"}, apart.GetGroups())
	assert.EqualValues(t, 2, apart.GetSessions())
	assert.Equal(t, "Exploratory, no verdict: over 2 sessions of pieces that are otherwise alike, 50 % of how colours differ lies between the groups (chance alone gives about 33 %); of how widely they spread, 50 % (by chance 33 %)",
		apart.GetStatement())
	require.Len(t, apart.GetPairs(), 3)
	assert.Equal(t, "alum", apart.GetPairs()[0].GetFirst())
	assert.Equal(t, "copper", apart.GetPairs()[0].GetSecond())
	assert.Equal(t, 0.5, apart.GetPairs()[0].GetPlace().GetShare())
	sent := h.modules.Groups()
	require.Len(t, sent, 2)
	for _, stream := range sent {
		assert.True(t, stream.Groups.GetExploring(), "no p without an experiment")
		assert.Len(t, stream.Rows(), 12, "neither the recipe of one group, nor the unknown yarn, nor the unknown session")
		assert.NotContains(t, stream.Labels.GetBlocks(), "")
	}
	assert.Len(t, sent[0].Labels.GetStrata(), 2, "places are held against each other recipe by recipe")
	assert.Len(t, sent[1].Labels.GetStrata(), 1, "spreads over the recipes of a session")
}

func TestGroupsThatNoSessionJoins(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	mordanted(b, "alum")
	mordanted(b, "iron")
	s.put(b.Trial)
	apart := open(t, s).ask(t, byMordant).GetApart()
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, apart.GetStanding())
	assert.Equal(t, []string{"a session with pieces of two mordants, of one yarn and dyed alike"}, apart.GetMissing())

	s = newShelf()
	b = newBook("ash")
	mordanted(b, "alum", "iron")
	mordanted(b, "copper", "tin")
	s.put(b.Trial)
	h := open(t, s)
	h.modules.SpoilGroups(func(r *comparev1.CompareGroupsResponse) { r.Place, r.Spread, r.Apart = nil, nil, []uint32{1, 3} })
	apart = h.ask(t, byMordant).GetApart()
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, apart.GetStanding())
	assert.Equal(t, []string{"copper", "tin"}, apart.GetUnjoined())
	assert.Equal(t, []string{"at least 1 session that holds copper and tin beside alum, of pieces that are otherwise alike"}, apart.GetMissing())
}

func TestTooManyGroupsToLieApart(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	var names []string
	for i := range pipeline.MaxGroupsCompared + 1 {
		names = append(names, fmt.Sprintf("mordant %d", i))
	}
	mordanted(b, names...)
	s.put(b.Trial)
	answer := open(t, s).ask(t, byMordant)
	assert.Nil(t, answer.GetApart())
	assert.Contains(t, tells(answer), "at most 20 are held against each other")
}

func TestGroupsOfEachKind(t *testing.T) {
	s := newShelf()
	mill, tap := newID(), newID()
	s.waters = []trial.WaterSource{{ID: mill, Name: "Mill well"}, {ID: tap, Name: "Town tap"}}
	b := newBook("ash")
	silk := trial.Fibre{Composition: []trial.FibrePart{{Fibre: "silk", Percent: 100}}, Lot: "s"}
	for range 2 {
		session, alum := b.session(""), mordant("alum")
		first, other := pot("weld"), pot("weld")
		first.Water, other.Water = []trial.WaterPart{{SourceID: mill, Parts: 1}}, []trial.WaterPart{{SourceID: tap, Parts: 1}}
		b.read(b.piece(session, wool("w"), alum, first), lab(50, 0, 50))
		b.read(b.piece(session, wool("w"), alum, other), lab(55, 0, 50))
		b.read(b.piece(session, silk, alum, first), lab(60, 0, 50))
		p := b.piece(session, wool("w"), alum, first)
		p.Route.Layers[1].Exhaust = 1
		b.read(p, lab(70, 0, 30))
	}
	s.put(b.Trial)
	h := open(t, s)
	for by, want := range map[poolv1.GroupBy][]string{
		poolv1.GroupBy_GROUP_BY_WATER:   {"Mill well", "Town tap"},
		poolv1.GroupBy_GROUP_BY_FIBRE:   {"silk", "wool"},
		poolv1.GroupBy_GROUP_BY_EXHAUST: {"exhaust bath 1", "fresh bath"},
	} {
		apart := h.ask(t, pool.Question{GroupBy: by}).GetApart()
		assert.Equal(t, want, apart.GetGroups(), "%v", by)
		assert.EqualValues(t, 2, apart.GetSessions(), "%v", by)
	}
	assert.Nil(t, h.ask(t, byOrder).GetApart())
}

func TestGroupAnswersThatCannotBe(t *testing.T) {
	for name, spoil := range map[string]func(*comparev1.CompareGroupsResponse){
		"a p":                   func(r *comparev1.CompareGroupsResponse) { r.Place.P = 0.5 },
		"an adjusted p":         func(r *comparev1.CompareGroupsResponse) { p := 0.5; r.Pairs[0].PlacePAdjusted = &p },
		"a share above 1":       func(r *comparev1.CompareGroupsResponse) { r.Spread.Share = 1.5 },
		"a negative F":          func(r *comparev1.CompareGroupsResponse) { f := -1.0; r.Place.F = &f },
		"freedom that isn't":    func(r *comparev1.CompareGroupsResponse) { r.Place.GroupDf = 7 },
		"an unknown group":      func(r *comparev1.CompareGroupsResponse) { r.Pairs[0].GroupB = 9 },
		"a pair twice":          func(r *comparev1.CompareGroupsResponse) { r.Pairs[1] = r.Pairs[0] },
		"another seed":          func(r *comparev1.CompareGroupsResponse) { r.Seed++ },
		"apart and yet tested":  func(r *comparev1.CompareGroupsResponse) { r.Apart = []uint32{1} },
		"more cells than rows":  func(r *comparev1.CompareGroupsResponse) { r.Cells = 1000 },
		"more blocks than rows": func(r *comparev1.CompareGroupsResponse) { r.Blocks = 1000 },
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf()
			b := newBook("ash")
			mordanted(b, "alum", "iron", "copper")
			s.put(b.Trial)
			h := open(t, s)
			h.modules.SpoilGroups(spoil)
			_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: byMordant.GroupBy, MinimumRevision: h.Revision()})
			assert.ErrorIs(t, err, pipeline.ErrModuleAnswer)
		})
	}
	s := newShelf()
	b := newBook("ash")
	mordanted(b, "alum", "iron")
	s.put(b.Trial)
	h := open(t, s)
	h.modules.LackEffect()
	answer := h.ask(t, byMordant)
	assert.Nil(t, answer.GetApart())
	assert.Contains(t, tells(answer), "how far the groups lie apart within sessions: compare module")
}

// A pair of groups stands on the sessions that hold pieces of either, and not on all of the question.
func TestPairsTellTheirOwnSessions(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	sessions := []trial.ID{b.session(""), b.session(""), b.session("")}
	for session, names := range [][]string{{"alum"}, {"alum", "iron"}, {"tin"}} {
		for i, name := range names {
			for k := range 3 {
				b.read(b.piece(sessions[session], wool("w 1"), mordant(name), pot(fmt.Sprint("dye ", k))), lab(50, float64(10*k), float64(10*i)))
			}
		}
	}
	b.read(b.piece("", wool("w 1"), mordant("tin"), pot("dye 9")), lab(50, 0, 40)) // of no session
	s.put(b.Trial)
	h := open(t, s)
	q := byMordant
	q.MinimumRevision = h.Revision()
	got := map[string]int32{}
	for _, pair := range h.ask(t, q).GetPairs() {
		got[pair.GetFirst()+" and "+pair.GetSecond()] = pair.GetSessions()
	}
	assert.Equal(t, map[string]int32{"alum and iron": 2, "alum and tin": 3, "iron and tin": 2}, got)
}
