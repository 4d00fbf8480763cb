package pool_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pipeline/pipelinetest"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

var byMordant = pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_MORDANT}

func TestOneReadingSpeaksForAPiece(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	session := b.session("")
	p := b.piece(session, wool("lot 1"), mordant("alum"), pot("weld"))
	wrong := b.read(p, lab(10, 0, 0))
	b.read(p, lab(80, 0, 60), func(r *trial.Reading) { r.Specular = trial.SpecularExcluded })
	b.read(p, lab(70, 0, 50))
	newest := b.read(p, lab(71, 0, 51))
	b.read(p, lab(40, 0, 30), func(r *trial.Reading) { r.State, r.AgeDays = trial.Wet, trial.AgeUnstated })
	b.read(p, lab(72, 0, 52), func(r *trial.Reading) { r.AgeDays = 6 })
	b.read(p, lab(60, 0, 40), func(r *trial.Reading) { r.State = trial.Exposed })
	b.read(p, lab(90, 0, 10), func(r *trial.Reading) { r.AfterPosition = 1 })
	b.read(p, lab(75, 0, 55), func(r *trial.Reading) { r.State, r.AgeDays = trial.StateUnstated, trial.AgeUnstated })
	for i := range b.Readings {
		b.Readings[i].Superseded = b.Readings[i].ID == wrong
	}
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, byMordant)
	assert.EqualValues(t, 1, answer.GetPiecesUsed())
	assert.EqualValues(t, 1, answer.GetReadingsUsed())
	require.Len(t, h.modules.Widths(), 1)
	rows := h.modules.Widths()[0].Rows()
	require.Len(t, rows, 1)
	assert.Equal(t, newest, rows[0].ID)
	assert.Equal(t, map[string]int32{
		"readings: another reading of the same piece": 3, // gloss excluded, the older one, state and age unknown
		"readings: read wet":                          1,
		"readings: younger than 7 days":               1,
		"readings: read after exposure to light":      1,
		"readings: read before a later bath":          1,
		"readings: superseded by a correction":        1,
	}, leftOut(answer))
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
}

func TestAColourThatCanNotBeComputedGivesWayToTheNextReading(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	p := b.piece(b.session(""), wool("lot 1"), mordant("alum"), pot("weld"))
	good := b.read(p, lab(70, 0, 50))
	b.read(p, lab(0, 0, 0), func(r *trial.Reading) {
		r.Raw = trial.RawColour{Spectrum: &trial.Spectrum{StartNm: 400, StepNm: 10, Reflectance: []float64{0.1}}}
	})
	q := b.piece(b.Sessions[0].ID, wool("lot 1"), mordant("alum"), pot("weld"))
	b.read(q, lab(1, 1, 1), func(r *trial.Reading) { r.Raw.LabCondition = a10 })
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, byMordant)
	assert.Equal(t, good, h.modules.Widths()[0].Rows()[0].ID)
	left := leftOut(answer)
	assert.EqualValues(t, 1, left["readings: colour not computable under D65/10 (reflectance has too few figures; allowed: 8 to 200)"])
	assert.EqualValues(t, 1, left["readings: colour known under A/10 only, not under D65/10"])
	assert.EqualValues(t, 1, left["pieces: no reading that can be used"])
	assert.EqualValues(t, 1, answer.GetPiecesUsed())
}

// Below six cells a palette has no width at equal numbers, whatever a module says, but a word about what is missing.
func TestTooFewCellsForEqualNumbers(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	session := b.session("")
	for i := range 6 {
		dyed := pot(fmt.Sprint("dye ", i))
		b.read(b.piece(session, wool("w"), mordant("alum"), dyed), lab(50, float64(10*i), 20))
		if i < 4 {
			b.read(b.piece(session, wool("w"), mordant("iron"), dyed), lab(50, float64(10*i), 20))
		}
	}
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, byMordant)
	iron := group(t, answer, "iron", "")
	assert.EqualValues(t, 4, iron.GetCells())
	assert.Nil(t, iron.ShadesAtEqualNumber)
	assert.Nil(t, iron.ShadesLow)
	assert.Zero(t, iron.GetEqualNumber(), "the module under test takes two")
	assert.Equal(t, "2 more pieces of other recipes, or of the same in other sessions", iron.GetMissing())
	assert.Empty(t, group(t, answer, "alum", "").GetMissing())
	h.modules.SpoilWidths(func(r *palettev1.MeasureWidthsResponse) {
		r.Groups[0].EqualNumber, r.Groups[0].ShadesAtEqualNumber.Value = 6, 4.5
	})
	alum := group(t, h.ask(t, byMordant), "alum", "")
	assert.EqualValues(t, 6, alum.GetEqualNumber())
	assert.InDelta(t, 4.5, alum.GetShadesAtEqualNumber(), 0)

	var fault *trial.FieldFault
	_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: byMordant.GroupBy, EqualNumber: 5})
	require.ErrorAs(t, err, &fault)
	assert.Equal(t, "equal_number", fault.Field)
	assert.Contains(t, fault.Text, "is 5; allowed: 0 (chosen from the data), or 6 or more")
	iron = group(t, h.ask(t, pool.Question{GroupBy: byMordant.GroupBy, EqualNumber: 8}), "iron", "")
	assert.Equal(t, "4 more pieces of other recipes, or of the same in other sessions", iron.GetMissing())
}

func TestColoursAreComputedOnceAndWithdrawnWithTheTrial(t *testing.T) {
	s := newShelf()
	kept, gone := newBook("ash"), newBook("birch")
	for _, b := range []*book{kept, gone} {
		b.read(b.piece(b.session(""), wool("lot 1"), mordant("alum"), pot("weld")), lab(70, 0, 50))
		s.put(b.Trial)
	}
	private := newBook("cedar")
	private.Sharing.Level = trial.Mine
	private.read(private.piece("", wool("lot 1"), mordant("alum"), pot("weld")), lab(70, 0, 50))
	s.put(private.Trial)
	h := open(t, s)
	first := h.ask(t, byMordant)
	assert.EqualValues(t, 2, first.GetPiecesUsed(), "what is mine isn't in the pool")
	h.ask(t, byMordant)
	assert.Equal(t, 2, h.modules.Readings(), "computed once")

	gone.Sharing.Level = trial.Mine
	s.put(gone.Trial)
	after := h.ask(t, byMordant)
	assert.EqualValues(t, 1, after.GetPiecesUsed())
	assert.Greater(t, after.GetPoolRevision(), first.GetPoolRevision())
	assert.Equal(t, 1, h.pool.Status().Rows)

	kept.read(&kept.Pieces[0], lab(60, 0, 40))
	s.put(kept.Trial)
	h.ask(t, byMordant)
	assert.Equal(t, 3, h.modules.Readings(), "only the new reading is computed")
}

func TestWhatIsNotStatedIsCountedAndNeverCalledNone(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	session := b.session("")
	for i, baths := range [][]*trial.Bath{
		{pot("weld")},
		{unknown(), pot("weld")},
		{unknown(trial.MordantBath), pot("weld")},
		{mordant("alum"), pot("weld")},
		{mordant("iron", "alum"), pot("weld")},
		{mordant("alum"), unknown(), pot("weld")},
		{mordant("alum")},
	} {
		b.read(b.piece(session, wool("lot 1"), baths...), lab(70, float64(i), 50))
	}
	tartar := mordant("alum")
	tartar.Additions = append(tartar.Additions, added(trial.Assist, "cream of tartar")...)
	b.read(b.piece(session, wool("lot 1"), tartar, pot("weld")), lab(70, 0, 50))
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, byMordant)
	counts := map[string]int32{}
	for _, g := range answer.GetGroups() {
		counts[g.GetGroup()] = g.GetPieces()
	}
	assert.Equal(t, map[string]int32{
		"none": 1, "not stated": 2, "alum": 1, "alum + iron": 1, "alum + cream of tartar": 1, "alum, more not stated": 1,
	}, counts)
	assert.EqualValues(t, 1, leftOut(answer)["pieces: undyed: no colour layer"])
	for _, pair := range answer.GetPairs() {
		assert.NotContains(t, pair.GetFirst()+pair.GetSecond(), "not stated", "shown, never ranked")
	}
	assert.Contains(t, tells(answer), "mordant not stated, wholly or in part (not the same as none), of 3 pieces")
	assert.Contains(t, tells(answer), "water not stated of all 7 pieces")
}

// spread adds n pieces of different dyes, width apart.
func spread(b *book, session trial.ID, fibre trial.Fibre, width float64, n int, baths func(dye string) []*trial.Bath, change ...func(*trial.Reading)) {
	for i := range n {
		b.read(b.piece(session, fibre, baths(fmt.Sprintf("dye %d", i))...), lab(50+width*float64(i), 0, 0), change...)
	}
}

func with(name string) func(string) []*trial.Bath {
	return func(dye string) []*trial.Bath { return []*trial.Bath{mordant(name), pot(dye)} }
}

func TestGroupsAreComparedWithinYarnsReadAlike(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	for lot := range 3 {
		spread(b, "", wool(fmt.Sprint("lot ", lot)), 4, 2, with("alum"))
		spread(b, "", wool(fmt.Sprint("lot ", lot)), 6, 2, with("tin"))
	}
	// would turn the answer round if they were mixed in
	spread(b, "", wool(""), 40, 2, with("alum"))
	spread(b, "", wool(""), 1, 2, with("tin"))
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, byMordant)
	require.Len(t, answer.GetPairs(), 1)
	pair := answer.GetPairs()[0]
	assert.Equal(t, "alum", pair.GetFirst())
	assert.Equal(t, "second", pair.GetWider())
	assert.EqualValues(t, 3, pair.GetStrata(), "yarns whose lot isn't stated may differ")
	assert.InDelta(t, 4.0/6, pair.GetWidthRatio(), 1e-9)
	assert.Nil(t, pair.P)
	assert.Equal(t, "yarn lot not stated", strings.TrimPrefix(group(t, answer, "alum", "not stated").GetStratum(), "wool, "))
	assert.Equal(t, poolv1.Standing_STANDING_EXPLORATORY, answer.GetStanding())
	assert.Equal(t, "Exploratory, no verdict as no sessions are known: pieces mordanted with tin spread widest, ahead of "+
		"pieces mordanted with alum (ratio 1.50 over 3 yarns)", answer.GetHeadline())
	assert.Contains(t, tells(answer), "no sessions are known")
	assert.Contains(t, tells(answer), "yarn lot not stated, so held against each other only where no known yarn holds both")
	require.Len(t, answer.GetModules(), 2)
	assert.Equal(t, "test-reading", answer.GetModules()[0].GetName())
}

func TestPiecesOfUnstatedYarnsAreHeldAgainstEachOtherWhereNoKnownYarnHoldsBoth(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	spread(b, "", wool("lot 1"), 4, 8, with("alum"))
	spread(b, "", wool(""), 4, 8, with("alum"))
	spread(b, "", wool(""), 8, 8, with("tin"))
	spread(b, "", wool("lot 2"), 8, 8, with("iron"))
	s.put(b.Trial)
	answer := open(t, s).ask(t, byMordant)
	require.Len(t, answer.GetPairs(), 1, "pairs that stand nowhere side by side are counted, not listed")
	pair := answer.GetPairs()[0]
	assert.Equal(t, []string{"alum", "tin"}, []string{pair.GetFirst(), pair.GetSecond()})
	assert.InDelta(t, 0.5, pair.GetWidthRatio(), 1e-9)
	assert.True(t, pair.GetThin(), "they may lie on different yarns")
	assert.Contains(t, pair.GetStatement(), "over pieces whose yarn isn't stated, so yarns may differ")
	assert.Contains(t, tells(answer), "2 of 3 pairs of groups stand nowhere side by side")
	assert.Contains(t, answer.GetHeadline(), "no group can be called widest")
}

func TestWashedAndExposedPiecesAreLetInByName(t *testing.T) {
	for state, name := range map[trial.PieceState]string{trial.Washed: "washed", trial.Exposed: "exposed"} {
		t.Run(name, func(t *testing.T) {
			s := newShelf()
			b := newBook("ash")
			spread(b, "", wool("lot 1"), 4, 3, with("alum"), func(r *trial.Reading) { r.State = state })
			spread(b, "", wool("lot 1"), 4, 2, with("alum"))
			s.put(b.Trial)
			h := open(t, s)
			assert.EqualValues(t, 2, h.ask(t, byMordant).GetPiecesUsed())
			byName := byMordant
			byName.Where = &store.Predicate{Op: "or", Parts: []store.Predicate{{Field: "state", Value: name}, {Field: "state", Value: "dry"}}}
			answer := h.ask(t, byName)
			assert.EqualValues(t, 5, answer.GetPiecesUsed())
			assert.EqualValues(t, 3, group(t, answer, "alum", "read after").GetPieces(), "a stratum of their own")
			assert.EqualValues(t, 2, group(t, answer, "alum", "dry or finished").GetPieces())
			byName.Where = &store.Predicate{Op: "not", Parts: []store.Predicate{{Field: "state", Value: "wet"}}}
			assert.EqualValues(t, 2, h.ask(t, byName).GetPiecesUsed(), "not asked for by name")
		})
	}
}

func TestReadingsTakenOtherwiseAreOtherStrata(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	both := func(change ...func(*trial.Reading)) {
		spread(b, "", wool("lot 1"), 4, 2, with("alum"), change...)
	}
	both()
	both(func(r *trial.Reading) { r.Instrument = "another reader" })
	both(func(r *trial.Reading) { r.Specular = trial.SpecularExcluded })
	both(func(r *trial.Reading) { r.State, r.AgeDays = trial.StateUnstated, trial.AgeUnstated })
	both(func(r *trial.Reading) { r.AgeDays = trial.AgeUnstated })
	both(func(r *trial.Reading) { r.State = trial.StateUnstated })
	s.put(b.Trial)
	answer := open(t, s).ask(t, byMordant)
	var strata []string
	for _, g := range answer.GetGroups() {
		assert.EqualValues(t, 2, g.GetPieces())
		strata = append(strata, g.GetStratum())
	}
	assert.ElementsMatch(t, []string{
		"wool, yarn lot lot 1, dry or finished, 7 days or older, instrument bench reader, gloss included",
		"wool, yarn lot lot 1, dry or finished, 7 days or older, instrument another reader, gloss included",
		"wool, yarn lot lot 1, dry or finished, 7 days or older, instrument bench reader, gloss excluded",
		"wool, yarn lot lot 1, state and age not stated, instrument bench reader, gloss included",
		"wool, yarn lot lot 1, dry or finished, age not stated, instrument bench reader, gloss included",
		"wool, yarn lot lot 1, state not stated, 7 days or older, instrument bench reader, gloss included",
	}, strata)
}

func TestOtherGroupings(t *testing.T) {
	s := newShelf()
	mill, tap := newID(), newID()
	s.waters = []trial.WaterSource{{ID: mill, Name: "Mill well"}, {ID: tap, Name: "Town tap"}}
	b := newBook("ash")
	session := b.session("")
	in := func(bath *trial.Bath, parts ...trial.WaterPart) *trial.Bath {
		bath.Water = parts
		return bath
	}
	b.read(b.piece(session, wool("1"), mordant("alum"), in(pot("weld"), trial.WaterPart{SourceID: mill, Parts: 1})), lab(70, 0, 50))
	b.read(b.piece(session, wool("1"), mordant("alum"), in(pot("weld"), trial.WaterPart{SourceID: mill, Parts: 3}, trial.WaterPart{SourceID: tap, Parts: 1})), lab(71, 0, 50))
	silk := trial.Fibre{Composition: []trial.FibrePart{{Fibre: "silk", Percent: 30}, {Fibre: "wool", Percent: 70}}, Lot: "2"}
	numberless, silent := pot("weld"), pot("weld")
	numberless.ExhaustNumberNotStated, silent.ExhaustNotStated = true, true
	b.read(b.piece(session, silk, mordant("alum"), numberless), lab(72, 0, 50))
	b.read(b.piece(session, silk, mordant("alum"), silent), lab(73, 0, 50))
	second := b.piece(session, silk, mordant("alum"), pot("weld"))
	second.Route.Layers[1].Exhaust = 1
	b.read(second, lab(74, 0, 50))
	s.put(b.Trial)
	h := open(t, s)
	groups := func(by poolv1.GroupBy) map[string]int32 {
		out := map[string]int32{}
		for _, g := range h.ask(t, pool.Question{GroupBy: by}).GetGroups() {
			out[g.GetGroup()] += g.GetPieces()
		}
		return out
	}
	assert.Equal(t, map[string]int32{"Mill well": 1, "Mill well 75 % + Town tap 25 %": 1, "not stated": 3}, groups(poolv1.GroupBy_GROUP_BY_WATER))
	assert.Equal(t, map[string]int32{"wool": 2, "wool 70/silk 30": 3}, groups(poolv1.GroupBy_GROUP_BY_FIBRE))
	assert.Equal(t, map[string]int32{"fresh bath": 2, "exhaust bath, number not stated": 1, "not stated": 1, "exhaust bath 1": 1}, groups(poolv1.GroupBy_GROUP_BY_EXHAUST))
}

func TestAnExhaustBathWithoutNumberIsNotRankedAmongNumberedOnes(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	for n, change := range []func(*trial.Bath){
		func(*trial.Bath) {}, func(*trial.Bath) {}, func(bath *trial.Bath) { bath.ExhaustNumberNotStated = true },
	} {
		spread(b, "", wool("1"), float64(4+n), 2, func(dye string) []*trial.Bath {
			bath := pot(dye)
			change(bath)
			return []*trial.Bath{bath}
		})
		if n == 1 {
			for i := len(b.Pieces) - 2; i < len(b.Pieces); i++ {
				b.Pieces[i].Route.Layers[0].Exhaust = 1
			}
		}
	}
	s.put(b.Trial)
	var got [][2]string
	for _, pair := range open(t, s).ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_EXHAUST}).GetPairs() {
		got = append(got, [2]string{pair.GetFirst(), pair.GetSecond()})
	}
	assert.Equal(t, [][2]string{{"exhaust bath 1", "fresh bath"}, {"exhaust bath, number not stated", "fresh bath"}}, got)
}

func TestTheFullestComparisonIsToldWhereAllAreThin(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	for lot := range 2 {
		spread(b, "", wool(fmt.Sprint("lot ", lot)), 4, 2, with("alum"))
		spread(b, "", wool(fmt.Sprint("lot ", lot)), 6, 2, with("tin"))
	}
	spread(b, "", wool("lot 0"), 9, 2, with("iron"))
	// Other pieces that were read otherwise make no more of the yarns.
	spread(b, "", wool("lot 9"), 9, 2, with("copper"), func(r *trial.Reading) { r.Specular = 0 })
	s.put(b.Trial)
	answer := open(t, s).ask(t, byMordant)
	assert.Equal(t, "Exploratory, no verdict as no sessions are known: no group can be called widest, as every comparison here is too thin to lean on. "+
		"The fullest of 3 comparisons: pieces mordanted with tin spread wider than pieces mordanted with alum (ratio 1.50 over 2 yarns)", answer.GetHeadline())
}

func TestThePoolIsUnavailableWithoutModulesAndSaysWhich(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	b.read(b.piece("", wool("1"), mordant("alum"), pot("weld")), lab(70, 0, 50))
	s.put(b.Trial)
	h := open(t, s)
	for _, kind := range []string{pipeline.KindReading, pipeline.KindPalette} {
		h.modules.SetDown(kind, true)
		_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_MORDANT, MinimumRevision: 1})
		require.ErrorIs(t, err, pipeline.ErrModuleUnavailable)
		assert.ErrorContains(t, err, "test-"+kind)
		h.modules.SetDown(kind, false)
	}
	assert.EqualValues(t, 1, h.ask(t, byMordant).GetPiecesUsed())
}

func TestMinimumRevision(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	b.read(b.piece("", wool("1"), mordant("alum"), pot("weld")), lab(70, 0, 50))
	s.put(b.Trial)
	modules := pipelinetest.Start(t)
	config := pool.Config{Reader: s, Feed: s, Pipeline: pipeline.New(modules), Decode: record.DecodeTrial, CatchUpWait: 10 * time.Millisecond}
	p := pool.New(config)
	_, err := p.AskPalette(t.Context(), byMordant)
	var behind *pool.BehindError
	require.ErrorAs(t, err, &behind)
	require.ErrorIs(t, err, pool.ErrBehind)
	assert.EqualValues(t, 0, behind.Have)
	assert.EqualValues(t, 1, behind.Want)
	assert.Equal(t, "the first load", p.Status().WaitingFor)
	q := byMordant
	q.MinimumRevision = 2
	_, err = p.AskPalette(t.Context(), q)
	require.ErrorIs(t, err, trial.ErrInvalid)
	assert.ErrorContains(t, err, "minimum_revision")

	h := open(t, s)
	h.setFault(store.ErrUnavailable)
	s.put(b.Trial)
	require.Eventually(t, func() bool { return strings.Contains(h.pool.Status().WaitingFor, "trying again") }, time.Minute, time.Millisecond)
	h.setFault(nil)
	answer := h.ask(t, byMordant)
	assert.EqualValues(t, 2, answer.GetPoolRevision())
	assert.EqualValues(t, 1, answer.GetPiecesUsed())
}

func TestAnEmptyPoolSaysSo(t *testing.T) {
	h := open(t, newShelf())
	for by := poolv1.GroupBy_GROUP_BY_ORDER; by <= poolv1.GroupBy_GROUP_BY_EXHAUST; by++ {
		answer := h.ask(t, pool.Question{GroupBy: by})
		assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
		assert.Contains(t, answer.GetHeadline(), "Not enough yet")
	}
	_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: 99})
	require.ErrorIs(t, err, trial.ErrInvalid)
}

func TestRevisionsOfManyChangesAreTakenInWhole(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	b.read(b.piece("", wool("1"), mordant("alum"), pot("weld")), lab(70, 0, 50))
	s.put(b.Trial)
	h := open(t, s)
	assert.EqualValues(t, 1, h.ask(t, byMordant).GetPiecesUsed())
	add := func() {
		b.read(b.piece("", wool("1"), mordant("alum"), pot("weld")), lab(70, 0, 50))
		body, err := record.EncodeTrial(b.Trial)
		require.NoError(t, err)
		s.mu.Lock()
		defer s.mu.Unlock()
		row := s.trials[b.ID]
		row.Body = body
		s.trials[b.ID] = row
	}
	for i, n := range []int{600, 600, 3000} {
		add()
		s.flood(n, b.ID)
		answer := h.ask(t, byMordant)
		assert.EqualValues(t, i+2, answer.GetPiecesUsed())
		assert.Equal(t, s.Revision(), answer.GetPoolRevision())
	}
	assert.Equal(t, 4, h.modules.Readings(), "loading again computes nothing again")
}

func TestTheHeadlineSaysWhichGroupIsWidestWhereThatCanBeSaid(t *testing.T) {
	for name, c := range map[string]struct {
		spreads map[string]float64 // over three yarns
		once    map[string]float64 // on one more yarn, beside the first of them
		session bool
		want    string
	}{
		"wider than all others": {spreads: map[string]float64{"alum": 4, "iron": 5, "tin": 7.5}, session: true,
			want: "Exploratory, no verdict: pieces mordanted with tin spread widest, ahead of pieces mordanted with alum (ratio 1.88 over 3 yarns) " +
				"and pieces mordanted with iron (ratio 1.50 over 3 yarns)"},
		"wider than one of them": {spreads: map[string]float64{"alum": 4, "iron": 6, "tin": 6.1},
			want: "Exploratory, no verdict as no sessions are known: pieces mordanted with iron spread wider than pieces mordanted with alum " +
				"(ratio 1.50 over 3 yarns). 1 other group is about as wide or too thin to rank"},
		"others too thin": {spreads: map[string]float64{"alum": 4, "iron": 6}, once: map[string]float64{"alum": 4, "tin": 9, "copper": 9},
			want: "Exploratory, no verdict as no sessions are known: pieces mordanted with iron spread wider than pieces mordanted with alum " +
				"(ratio 1.50 over 3 yarns). 2 other groups are about as wide or too thin to rank"},
		"level": {spreads: map[string]float64{"alum": 4, "tin": 4},
			want: "Exploratory, no verdict as no sessions are known: no group comes out widest. The comparison: pieces mordanted with alum and " +
				"pieces mordanted with tin spread about as wide (ratio 1.00 over 3 yarns)"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf()
			b := newBook("ash")
			session := ""
			if c.session {
				session = b.session("")
			}
			for lot := range 3 {
				for group, spreadOf := range c.spreads {
					spread(b, session, wool(fmt.Sprint("lot ", lot)), spreadOf, 2, with(group))
				}
			}
			for group, spreadOf := range c.once {
				spread(b, session, wool("lot 9"), spreadOf, 2, with(group))
			}
			s.put(b.Trial)
			assert.Equal(t, c.want, open(t, s).ask(t, byMordant).GetHeadline())
		})
	}
}

func TestAQuestionAboutTooManyPiecesIsRefusedBeforeAColourIsComputed(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	for range 3 {
		b.read(b.piece("", wool("1"), mordant("alum"), pot("weld")), lab(70, 0, 50))
	}
	b.read(b.piece("", wool("1"), mordant("tin"), pot("weld")), lab(60, 0, 50))
	b.read(b.piece("", wool("1"), mordant("tin"), pot("weld")), lab(60, 0, 50), func(r *trial.Reading) { r.State = trial.Wet })
	s.put(b.Trial)
	h := open(t, s, func(c *pool.Config) { c.MaxPieces = 3 })
	q := byMordant
	q.MinimumRevision = h.Revision()
	for range 2 {
		_, err := h.pool.AskPalette(t.Context(), q)
		require.ErrorIs(t, err, pipeline.ErrTooLarge)
		assert.ErrorContains(t, err, "about 4 pieces; allowed: 0 to 3")
		assert.Zero(t, h.modules.Readings())
	}
	q.Where = &store.Predicate{Field: "mordant", Value: "alum"}
	assert.EqualValues(t, 3, h.ask(t, q).GetPiecesUsed(), "as many as are allowed are answered for")
}
