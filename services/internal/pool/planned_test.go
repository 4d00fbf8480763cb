package pool_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

var byWater = pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_WATER}

func hard(mg float64) []trial.WaterSample {
	wrong := 5000.0
	return []trial.WaterSample{
		{Entry: trial.Entry{ID: newID(), Superseded: true}, HardnessMgPerL: &wrong},
		{Entry: trial.Entry{ID: newID()}, HardnessMgPerL: &mg}, {Entry: trial.Entry{ID: newID()}, HardnessMgPerL: &mg},
	}
}

// wells puts two waters on a shelf, and an experiment on them.
func wells(s *shelf, closing int) (id, mill, tap trial.ID) {
	mill, tap = newID(), newID()
	s.waters = []trial.WaterSource{{ID: mill, Name: "Mill well", Samples: hard(310)}, {ID: tap, Name: "Town tap", Samples: hard(20)}}
	e := trial.Experiment{ID: newID(), Asks: trial.AsksWaters, WaterSourceIDs: []trial.ID{tap, mill}, ToleranceDE00: 2, ClosingSessions: closing, Instrument: "bench reader", Condition: d65}
	s.experiments = append(s.experiments, e)
	return e.ID, mill, tap
}

// dyed adds a session of so many recipes in each of the waters.
func dyed(b *book, experiment trial.ID, recipes int, waters ...trial.ID) trial.ID {
	session := b.session(experiment)
	for _, water := range waters {
		for r := range recipes {
			bath := pot(fmt.Sprint("dye ", r))
			bath.Water = []trial.WaterPart{{SourceID: water, Parts: 1}}
			b.read(b.piece(session, wool("w"), mordant("alum"), bath), lab(50, float64(r), 20))
		}
	}
	return session
}

func (h *house) planned(t *testing.T, by pool.Question, id trial.ID) *poolv1.AskPaletteResponse {
	t.Helper()
	return h.ask(t, pool.Question{GroupBy: by.GroupBy, ExperimentID: id})
}

func TestWatersBeforeTheirClosingSize(t *testing.T) {
	s := newShelf()
	id, mill, tap := wells(s, 6)
	b := newBook("ash")
	for range 4 {
		dyed(b, id, 5, mill, tap)
	}
	dyed(b, "", 5, mill, tap) // of no experiment
	half := dyed(b, id, 1, mill)
	b.read(b.piece(half, wool("w"), mordant("alum"), pot("dye 0")), lab(50, 0, 0))
	s.put(b.Trial)
	h := open(t, s)
	h.modules.SpoilWaters(func(r *comparev1.CompareWatersResponse) {
		r.Outlook = &comparev1.PlaceOutlook{FromSessions: 4, TargetDe00: 3.25, SessionsToFind: 9}
	})
	answer := h.planned(t, byWater, id)
	w := answer.GetWaters()
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
	assert.Equal(t, []string{"2 more sessions with pieces in Town tap and Mill well that are otherwise alike", "1 more recipe dyed alike in both waters within one session"}, w.GetMissing())
	assert.Equal(t, answer.GetHeadline(), w.GetStatement())
	assert.Contains(t, w.GetStatement(), "So far, mean difference of colour from Town tap: Mill well 3.0 (5 recipes); that is no answer yet")
	assert.Equal(t, "judged by the noise within 4 sessions or members, and with a chance of 4 in 5: to find that the farthest two of the waters lie 3.2 apart, 5 more sessions that hold all of them", w.GetOutlook())
	assert.Nil(t, w.P)
	assert.Empty(t, answer.GetPairs(), "nothing is called wider")
	assert.NotEmpty(t, answer.GetGroups())
	sent := h.modules.Waters()[0].Waters
	assert.False(t, sent.GetClosing())
	assert.Equal(t, "Town tap", sent.GetReference(), "the first of the plan")
	assert.Equal(t, 2.0, sent.GetToleranceDe00())
	require.Len(t, sent.GetCovariates(), 1)
	assert.Equal(t, []float64{310, 20}, sent.GetCovariates()[0].GetValue(), "by the order of the labels, without what was corrected")
	assert.EqualValues(t, 1, leftOut(answer)["pieces: water not stated, wholly or in part"])
}

// A session that holds both waters, of recipes that nobody dyed in the other one, is none that the outlook may count as there.
func TestTheOutlookCountsSessionsOfLikeRecipes(t *testing.T) {
	s := newShelf()
	id, mill, tap := wells(s, 6)
	b := newBook("ash")
	for range 4 {
		dyed(b, id, 5, mill, tap)
	}
	unlike := b.session(id)
	for water, dye := range map[trial.ID]string{mill: "dye 98", tap: "dye 99"} {
		bath := pot(dye)
		bath.Water = []trial.WaterPart{{SourceID: water, Parts: 1}}
		b.read(b.piece(unlike, wool("w"), mordant("alum"), bath), lab(50, 0, 0))
	}
	s.put(b.Trial)
	h := open(t, s)
	h.modules.SpoilWaters(func(r *comparev1.CompareWatersResponse) {
		r.Outlook = &comparev1.PlaceOutlook{FromSessions: 4, TargetDe00: 3.25, SessionsToFind: 9}
	})
	for name, answer := range map[string]*poolv1.AskPaletteResponse{"planned": h.planned(t, byWater, id), "not planned": h.ask(t, byWater)} {
		assert.Contains(t, answer.GetWaters().GetOutlook(), ", 5 more sessions that hold all of them", name)
	}
}

// A third water that sessions hold on recipes of its own isn't joined to the others: the experiment goes on until a session holds it beside one of them.
func TestAThirdWaterOnRecipesOfItsOwn(t *testing.T) {
	s := newShelf()
	id, mill, tap := wells(s, 6)
	rain := newID()
	s.waters = append(s.waters, trial.WaterSource{ID: rain, Name: "Rain"})
	s.experiments[0].WaterSourceIDs = []trial.ID{tap, mill, rain}
	b := newBook("ash")
	inRain := func(session trial.ID, dye string) {
		bath := pot(dye)
		bath.Water = []trial.WaterPart{{SourceID: rain, Parts: 1}}
		b.read(b.piece(session, wool("w"), mordant("alum"), bath), lab(50, 0, 0))
	}
	for i := range 6 {
		inRain(dyed(b, id, 6, mill, tap), fmt.Sprint("dye ", 90+i%2))
	}
	unlike := b.session(id) // by which the recipe stands in two waters
	bath := pot("dye 90")
	bath.Water = []trial.WaterPart{{SourceID: tap, Parts: 1}}
	b.read(b.piece(unlike, wool("w"), mordant("alum"), bath), lab(50, 0, 0))
	s.put(b.Trial)
	h := open(t, s)
	answer := h.planned(t, byWater, id)
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
	assert.Equal(t, []string{"at least 1 session that holds Town tap, Mill well and Rain beside each other"}, answer.GetWaters().GetMissing())
	assert.False(t, h.modules.Waters()[0].Waters.GetClosing())
	b = newBook("ash")
	joining := dyed(b, id, 6, mill, tap)
	inRain(joining, "dye 0")
	s.put(b.Trial)
	answer = h.planned(t, byWater, id)
	assert.Equal(t, poolv1.Standing_STANDING_VERDICT, answer.GetStanding())
	assert.Contains(t, h.modules.Waters()[1].Labels.GetBlocks(), joining)
}

func TestWatersAtTheirClosingSize(t *testing.T) {
	s := newShelf()
	id, mill, tap := wells(s, 6)
	b := newBook("ash")
	var sessions []string
	for range 8 {
		sessions = append(sessions, dyed(b, id, 6, mill, tap))
	}
	s.put(b.Trial)
	h := open(t, s)
	answer := h.planned(t, byWater, id)
	assert.Equal(t, poolv1.Standing_STANDING_VERDICT, answer.GetStanding())
	assert.Equal(t, 0.01, answer.GetWaters().GetP())
	assert.Equal(t, "the waters give different colours (p = 0.010, 6 sessions); mean difference of colour from Town tap: Mill well 3.0 (6 recipes); what matters is 2", answer.GetHeadline())
	sent := h.modules.Waters()[0]
	assert.True(t, sent.Waters.GetClosing())
	assert.Equal(t, sessions[:6], sent.Labels.GetBlocks(), "the first up to the closing size")
	assert.Contains(t, tells(answer), "2 sessions came after those of the verdict")
	assert.Len(t, answer.GetWaters().GetFigures(), 1)
	assert.Nil(t, answer.GetWaters().GetFigures()[0].P, "the plan named none")
	assert.Equal(t, 0.05, answer.GetAlpha())
	require.Len(t, answer.GetTests(), 1)
	assert.EqualValues(t, 64, answer.GetTests()[0].GetArrangements())
	assert.Equal(t, 0.05, sent.Waters.GetAlpha(), "what the answer says is what was asked")

	h.modules.SpoilWaters(func(r *comparev1.CompareWatersResponse) {
		r.Verdict = comparev1.WatersVerdict_WATERS_VERDICT_NO_ANSWER_AT_THIS_SIZE
		r.Outlook = &comparev1.PlaceOutlook{FromSessions: 6, TargetDe00: 3}
	})
	answer = h.planned(t, byWater, id)
	assert.Equal(t, poolv1.Standing_STANDING_NO_ANSWER_AT_THIS_SIZE, answer.GetStanding())
	assert.Contains(t, answer.GetHeadline(), "can't tell the colours of Town tap and Mill well apart (p = 0.010, 6 sessions)")
	assert.Contains(t, answer.GetWaters().GetOutlook(), "more than 60 sessions in all")
}

// The closing size is passed only while the design can't tell, whatever the colours: here for want of recipes.
func TestTheClosingSizeIsPassedByDesignAlone(t *testing.T) {
	s := newShelf()
	id, mill, tap := wells(s, 6)
	b := newBook("ash")
	for range 7 {
		dyed(b, id, 3, mill, tap)
	}
	s.put(b.Trial)
	h := open(t, s)
	assert.Equal(t, []string{"3 more recipes dyed alike in both waters, each within one session"}, h.planned(t, byWater, id).GetWaters().GetMissing())
	dyed(b, id, 6, mill, tap)
	dyed(b, id, 6, mill, tap)
	s.put(b.Trial)
	answer := h.planned(t, byWater, id)
	assert.Contains(t, answer.GetHeadline(), "8 sessions")
	assert.Contains(t, tells(answer), "the closing size of 6 was passed by 2 sessions")
	assert.Contains(t, tells(answer), "1 session came after those of the verdict")
}

// A recipe that ash dyed in one water and birch in the other one is none that the verdict may count: it tells of the two as well as of the waters.
func TestARecipeOfTwoMembersDoesNotCount(t *testing.T) {
	s := newShelf()
	id, mill, tap := wells(s, 6)
	ash, birch := newBook("ash"), newBook("birch")
	sixth := func(b *book, session, water trial.ID) {
		bath := pot("dye 5")
		bath.Water = []trial.WaterPart{{SourceID: water, Parts: 1}}
		b.read(b.piece(session, wool("w"), mordant("alum"), bath), lab(50, 5, 20))
	}
	for range 3 {
		sixth(ash, dyed(ash, id, 5, mill, tap), mill)
		sixth(birch, dyed(birch, id, 5, mill, tap), tap)
	}
	s.put(ash.Trial)
	s.put(birch.Trial)
	h := open(t, s)
	answer := h.planned(t, byWater, id)
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
	assert.Equal(t, []string{"1 more recipe dyed alike in both waters within one session"}, answer.GetWaters().GetMissing())
	frozen := pool.FreezeQuestion{GroupBy: byWater.GroupBy, ExperimentID: id}
	got, err := h.pool.Freeze(t.Context(), frozen)
	require.NoError(t, err)
	assert.Equal(t, "1 more recipe dyed alike in both waters within one session", got.NotClosed)
	sixth(birch, dyed(birch, id, 6, tap), mill) // a seventh session, with it in both
	s.put(birch.Trial)
	answer = h.planned(t, byWater, id)
	assert.Equal(t, poolv1.Standing_STANDING_VERDICT, answer.GetStanding(), answer.GetHeadline())
	assert.Contains(t, answer.GetHeadline(), "7 sessions")
	got, err = h.pool.Freeze(t.Context(), frozen)
	require.NoError(t, err)
	assert.Empty(t, got.NotClosed)
}

// Two sessions of a member in one water each count as one, and nothing is told of a water that its member alone used.
func TestSessionsOfOneWaterEach(t *testing.T) {
	s := newShelf()
	id, mill, tap := wells(s, 6)
	ash, birch := newBook("ash"), newBook("birch")
	var of []string
	for range 6 {
		of = append(of, dyed(ash, id, 6, mill))
	}
	for range 6 {
		dyed(birch, id, 6, tap)
	}
	s.put(ash.Trial)
	s.put(birch.Trial)
	h := open(t, s)
	h.modules.SpoilWaters(func(r *comparev1.CompareWatersResponse) {
		r.Verdict, r.P, r.Apart = comparev1.WatersVerdict_WATERS_VERDICT_WATER_OR_MEMBER, nil, []uint32{1}
	})
	answer := h.planned(t, byWater, id)
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
	assert.Contains(t, answer.GetHeadline(), "Water and member can't be told apart")
	assert.Contains(t, strings.Join(answer.GetWaters().GetMissing(), "\n"), "6 more sessions with pieces in Town tap and Mill well")
	assert.False(t, h.modules.Waters()[0].Waters.GetClosing())
	h.modules.SpoilWaters(nil)
	for range 5 {
		of = append(of, dyed(ash, id, 6, tap))
	}
	s.put(ash.Trial)
	assert.Equal(t, "1 more session with pieces in Town tap and Mill well that are otherwise alike", h.planned(t, byWater, id).GetWaters().GetMissing()[0])
	of = append(of, dyed(ash, id, 6, tap))
	s.put(ash.Trial)
	answer = h.planned(t, byWater, id)
	assert.Equal(t, poolv1.Standing_STANDING_VERDICT, answer.GetStanding(), answer.GetHeadline())
	sent := h.modules.Waters()
	assert.ElementsMatch(t, of, sent[len(sent)-1].Labels.GetBlocks(), "birch's sessions have no partner")
	members := sent[len(sent)-1].Waters.GetBlockMembers()
	assert.Equal(t, []string{"ash"}, members[:1])
}

func TestAFigureThatWasNamedBeforehand(t *testing.T) {
	s := newShelf()
	id, _, _ := wells(s, 6)
	e := &s.experiments[0]
	e.WaterFigure, e.WaterSourceIDs = trial.Hardness, nil
	for i := range 7 {
		source := trial.WaterSource{ID: newID(), Name: fmt.Sprint("spring ", i), Samples: hard(float64(40 * i))}
		s.waters = append(s.waters, source)
		e.WaterSourceIDs = append(e.WaterSourceIDs, source.ID)
	}
	b := newBook("ash")
	for range 6 {
		dyed(b, id, 6, e.WaterSourceIDs...)
	}
	s.put(b.Trial)
	h := open(t, s)
	figures := h.planned(t, byWater, id).GetWaters().GetFigures()
	require.Len(t, figures, 1)
	assert.Equal(t, "hardness", figures[0].GetFigure())
	assert.Equal(t, 0.02, figures[0].GetP())
	e.WaterFigure = trial.Iron
	answer := h.planned(t, byWater, id)
	assert.Nil(t, answer.GetWaters().GetFigures()[0].P)
	assert.Contains(t, tells(answer), "how the colours go with the iron of the waters: 7 of these waters or more need a sample with it")
}

// Of three waters it is told which differ from which, and which pairs nothing joins.
func TestWhichOfThreeWatersDiffer(t *testing.T) {
	s := newShelf()
	id, mill, tap := wells(s, 6)
	rain := newID()
	s.waters = append(s.waters, trial.WaterSource{ID: rain, Name: "Rain"})
	s.experiments[0].WaterSourceIDs = append(s.experiments[0].WaterSourceIDs, rain)
	b := newBook("ash")
	for range 6 {
		dyed(b, id, 6, mill, tap, rain)
	}
	s.put(b.Trial)
	h := open(t, s)
	de, small, large, adjusted := 4.25, 0.01, 0.4, 0.04
	h.modules.SpoilWaters(func(r *comparev1.CompareWatersResponse) { // labels: Mill well, Rain, Town tap
		r.Pairs = []*comparev1.WatersPair{{WaterA: 0, WaterB: 1, Recipes: 6, L: -4, MeanDe00: &de, P: &small, PAdjusted: &adjusted},
			{WaterA: 0, WaterB: 2}, {WaterA: 1, WaterB: 2, Recipes: 6, MeanDe00: &de, P: &small, PAdjusted: &large}}
	})
	answer := h.planned(t, byWater, id)
	assert.Contains(t, answer.GetHeadline(), "what matters is 2; told apart by themselves, over all pairs: Mill well from Rain (4.2 apart, p = 0.040)")
	pairs := answer.GetWaters().GetPairs()
	require.Len(t, pairs, 3)
	assert.Equal(t, -4.0, pairs[0].GetDifference().GetL())
	assert.Nil(t, pairs[1].Difference)
	assert.Nil(t, pairs[1].P)
	h.modules.SpoilWaters(func(r *comparev1.CompareWatersResponse) {
		r.Pairs = []*comparev1.WatersPair{{WaterA: 1, WaterB: 2, Recipes: 6, MeanDe00: &de, P: &small, PAdjusted: &large}}
	})
	assert.Contains(t, h.planned(t, byWater, id).GetHeadline(), "; which of them from which can't be told at this size")
	for what, x := range map[string]*comparev1.WatersPair{
		"a water with itself":      {WaterA: 1, WaterB: 1},
		"a water that isn't":       {WaterA: 1, WaterB: 3},
		"p without adjustment":     {WaterA: 1, WaterB: 2, P: &small},
		"adjusted below p":         {WaterA: 1, WaterB: 2, P: &large, PAdjusted: &small},
		"a difference of nothing":  {WaterA: 1, WaterB: 2, MeanDe00: &de},
		"recipes and no figure":    {WaterA: 1, WaterB: 2, Recipes: 2},
		"fewer recipes than there": {WaterA: 1, WaterB: 2, Recipes: -2},
	} {
		h.modules.SpoilWaters(func(r *comparev1.CompareWatersResponse) { r.Pairs = []*comparev1.WatersPair{x} })
		_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: byWater.GroupBy, ExperimentID: id, MinimumRevision: h.Revision()})
		assert.ErrorIs(t, err, pipeline.ErrModuleAnswer, what)
	}
}

func TestWaterAnswersThatCannotBe(t *testing.T) {
	p, none := 0.5, 0.0
	for name, spoil := range map[string]func(*comparev1.CompareWatersResponse){
		"a p without closing":       func(r *comparev1.CompareWatersResponse) { r.P, r.Arrangements = &p, 9 },
		"a verdict without closing": func(r *comparev1.CompareWatersResponse) { r.Verdict = comparev1.WatersVerdict_WATERS_VERDICT_DIFFER },
		"a figure's p":              func(r *comparev1.CompareWatersResponse) { r.Correlations[0].P = &p },
		"a figure that isn't":       func(r *comparev1.CompareWatersResponse) { r.Correlations[0].Name = "salt" },
		"a rho of 2":                func(r *comparev1.CompareWatersResponse) { r.Correlations[0].Rho = 2 },
		"an outlook of nothing":     func(r *comparev1.CompareWatersResponse) { r.Outlook = &comparev1.PlaceOutlook{} },
		"another reference":         func(r *comparev1.CompareWatersResponse) { r.Reference = 0 },
		"water or member of none": func(r *comparev1.CompareWatersResponse) {
			r.Verdict = comparev1.WatersVerdict_WATERS_VERDICT_WATER_OR_MEMBER
		},
		"a p of 0": func(r *comparev1.CompareWatersResponse) {
			r.Verdict, r.P, r.Arrangements = comparev1.WatersVerdict_WATERS_VERDICT_DIFFER, &none, 9
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf()
			id, mill, tap := wells(s, 6)
			b := newBook("ash")
			dyed(b, id, 2, mill, tap)
			s.put(b.Trial)
			h := open(t, s)
			h.modules.SpoilWaters(spoil)
			_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: byWater.GroupBy, ExperimentID: id, MinimumRevision: h.Revision()})
			assert.ErrorIs(t, err, pipeline.ErrModuleAnswer)
		})
	}
}

// An experiment of each question is asked for by that alone, in one way; what nobody planned gets no p.
func TestNothingUnplannedGetsAP(t *testing.T) {
	s := newShelf()
	id, mill, tap := wells(s, 6)
	b := newBook("ash")
	for range 7 {
		dyed(b, id, 6, mill, tap)
	}
	s.put(b.Trial)
	h := open(t, s)
	require.NotNil(t, h.planned(t, byWater, id).GetWaters().P)
	for field, q := range map[string]pool.Question{
		"group_by": byOrder, "filter": {GroupBy: byWater.GroupBy, Where: &store.Predicate{Field: "fibre", Value: "wool"}}, "seed": {GroupBy: byWater.GroupBy, Seed: 2},
		"condition": {GroupBy: byWater.GroupBy, Condition: a10},
	} {
		q.ExperimentID = id
		_, err := h.pool.AskPalette(t.Context(), q)
		var fault *trial.FieldFault
		require.ErrorAs(t, err, &fault, field)
		assert.Equal(t, field, fault.Field)
	}
	answer := h.ask(t, pool.Question{GroupBy: byWater.GroupBy, Where: &store.Predicate{Field: "experiment", Value: id}})
	assert.Equal(t, poolv1.Standing_STANDING_EXPLORATORY, answer.GetWaters().GetStanding())
	assert.Nil(t, answer.GetWaters().P)
	sent := h.modules.Waters()
	assert.False(t, sent[len(sent)-1].Waters.GetClosing())
	for _, stream := range h.modules.Groups() {
		assert.True(t, stream.Groups.GetExploring())
	}
	_, err := h.pool.Freeze(t.Context(), pool.FreezeQuestion{GroupBy: byOrder.GroupBy, ExperimentID: id})
	assert.ErrorIs(t, err, trial.ErrInvalid, "a run asks in one way too")
}

// mordants puts an experiment on mordants on a shelf.
func mordants(s *shelf, names ...string) trial.ID {
	e := trial.Experiment{ID: newID(), Asks: trial.AsksMordants, Values: names, ToleranceDE00: 2, ClosingSessions: 6, Instrument: "bench reader", Condition: d65}
	s.experiments = append(s.experiments, e)
	return e.ID
}

// onMordants adds a session with each dye on each mordant.
func onMordants(b *book, experiment trial.ID, dyes []string, names ...string) trial.ID {
	session := b.session(experiment)
	for i, name := range names {
		for k, dye := range dyes {
			b.read(b.piece(session, wool("w"), mordant(name), pot(dye)), lab(50+5*float64(i), float64(40*k), float64(10*i)))
		}
	}
	return session
}

func TestMordantsOfAnExperiment(t *testing.T) {
	s := newShelf()
	id := mordants(s, "alum", "iron", "copper")
	b := newBook("ash")
	both := []string{"weld", "madder"}
	for range 5 {
		onMordants(b, id, both, "alum", "iron")
	}
	lone := onMordants(b, id, both, "alum")
	b.read(b.piece(lone, wool("w"), mordant("tin"), pot("weld")), lab(1, 1, 1))
	s.put(b.Trial)
	h := open(t, s)
	answer := h.planned(t, byMordant, id)
	x := answer.GetApart()
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
	assert.Equal(t, []string{"1 more session with pieces in at least two of alum, iron and copper that are otherwise alike", "at least 1 session that holds copper beside the others"}, x.GetMissing())
	assert.Nil(t, x.GetPlace().P)
	assert.Contains(t, x.GetStatement(), "So far, over 5 sessions, alum and iron lie 1.0 apart; that is no answer yet")
	sent := h.modules.Groups()[0]
	assert.True(t, sent.Groups.GetWholeUnits())
	assert.True(t, sent.Groups.GetExploring())
	assert.Equal(t, []string{""}, sent.Labels.GetStrata())
	assert.EqualValues(t, 1, leftOut(answer)["pieces: another mordant than the experiment's"])

	// A sixth session closes nothing, as copper still stands nowhere; a seventh with it does.
	onMordants(b, id, both, "iron", "alum")
	s.put(b.Trial)
	assert.Equal(t, []string{"at least 1 session that holds copper beside the others"}, h.planned(t, byMordant, id).GetApart().GetMissing())
	onMordants(b, id, both, "iron", "copper")
	onMordants(b, id, both, "iron", "copper", "alum")
	s.put(b.Trial)
	answer = h.planned(t, byMordant, id)
	x = answer.GetApart()
	assert.Equal(t, poolv1.Standing_STANDING_VERDICT, answer.GetStanding())
	assert.Equal(t, poolv1.Standing_STANDING_VERDICT, x.GetSpreadStanding())
	assert.Equal(t, 0.01, x.GetPlace().GetP())
	assert.EqualValues(t, 7, x.GetSessions())
	require.Len(t, x.GetPairs(), 3)
	assert.Equal(t, 0.03, x.GetPairs()[0].GetPlace().GetPAdjusted())
	assert.Contains(t, answer.GetHeadline(), "the mordants give different colours (p = 0.010, 7 sessions); farthest, copper and iron lie 3.0 apart; what matters is 2; told apart by themselves, over all pairs: "+
		"alum from copper (p = 0.030)")
	assert.Contains(t, answer.GetHeadline(), "Within a session some of them spread wider than others (p = 0.010)")
	all := h.modules.Groups()
	assert.False(t, all[len(all)-1].Groups.GetExploring())

	h.modules.SpoilGroups(func(r *comparev1.CompareGroupsResponse) {
		r.Place.P, r.Spread = 0.4, nil
		r.Outlook = &comparev1.PlaceOutlook{FromSessions: 7, TargetDe00: 3, SessionsToFind: 10}
	})
	answer = h.planned(t, byMordant, id)
	assert.Equal(t, poolv1.Standing_STANDING_NO_ANSWER_AT_THIS_SIZE, answer.GetStanding())
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetApart().GetSpreadStanding())
	assert.Contains(t, answer.GetApart().GetOutlook(), "9 more sessions that hold all of them, or fewer, as 7 hold only some")
	assert.Contains(t, tells(answer), "two recipes or more in each session")
}

// Of a session the groups of its fullest recipe are held against each other, over the recipes that have all of these.
func TestASessionIsHeldAgainstItselfEvenly(t *testing.T) {
	s := newShelf()
	id := mordants(s, "alum", "iron", "copper")
	b := newBook("ash")
	session := onMordants(b, id, []string{"weld", "madder"}, "alum", "iron")
	b.read(b.piece(session, wool("w"), mordant("copper"), pot("weld")), lab(40, 0, 0))    // weld is the fullest
	b.read(b.piece(session, wool("w"), mordant("alum"), pot("cutch")), lab(30, 0, 0))     // of one mordant
	b.read(b.piece(session, wool(""), mordant("alum"), pot("weld")), lab(30, 0, 0))       // of a yarn that isn't stated
	b.read(b.piece("", wool("w"), mordant("alum"), pot("weld")), lab(30, 0, 0))           // of no session
	b.read(b.piece(session, wool("w"), unknown(), pot("weld")), lab(30, 0, 0))            // of a mordant that isn't stated
	b.read(b.piece(session, wool("w"), mordant("alum", "iron"), pot("w")), lab(30, 0, 0)) // of both in one bath
	s.put(b.Trial)
	h := open(t, s)
	answer := h.planned(t, byMordant, id)
	rows := h.modules.Groups()[0].Rows()
	assert.Len(t, rows, 3)
	left := leftOut(answer)
	assert.EqualValues(t, 3, left["pieces: not in the comparison: no partner of another mordant in the same session, or of fewer than the session's fullest recipe has"])
	assert.EqualValues(t, 1, left["pieces: yarn lot not stated: an experiment counts only what is stated"])
	assert.EqualValues(t, 1, left["pieces: mordant not stated, wholly or in part"])
	assert.EqualValues(t, 1, left["pieces: another mordant than the experiment's"])
}

func TestAnExperimentOnFibresAndBaths(t *testing.T) {
	s := newShelf()
	silk := trial.Fibre{Composition: []trial.FibrePart{{Fibre: "silk", Percent: 100}}, Lot: "s"}
	plan := trial.Experiment{ToleranceDE00: 2, ClosingSessions: 6, Instrument: "bench reader", Condition: d65}
	fibres, baths := plan, plan
	fibres.ID, fibres.Asks, fibres.Values = newID(), trial.AsksFibres, []string{"wool", "silk"}
	baths.ID, baths.Asks, baths.Values = newID(), trial.AsksExhaustBaths, []string{"fresh bath", "exhaust bath 1"}
	s.experiments = append(s.experiments, fibres, baths)
	b := newBook("ash")
	for range 6 {
		session, alum := b.session(fibres.ID), mordant("alum")
		weld := pot("weld")
		b.read(b.piece(session, wool("w"), alum, weld), lab(50, 0, 50))
		b.read(b.piece(session, silk, alum, weld), lab(60, 0, 50))
		session = b.session(baths.ID)
		b.read(b.piece(session, wool("w"), alum, weld), lab(50, 0, 50))
		p := b.piece(session, wool("w"), alum, pot("weld"))
		p.Route.Layers[1].Exhaust = 1
		b.read(p, lab(70, 0, 30))
	}
	s.put(b.Trial)
	h := open(t, s)
	for id, by := range map[trial.ID]poolv1.GroupBy{fibres.ID: poolv1.GroupBy_GROUP_BY_FIBRE, baths.ID: poolv1.GroupBy_GROUP_BY_EXHAUST} {
		answer := h.planned(t, pool.Question{GroupBy: by}, id)
		assert.Equal(t, poolv1.Standing_STANDING_VERDICT, answer.GetStanding(), answer.GetHeadline())
		assert.Len(t, answer.GetApart().GetPairs(), 1, "of two groups too")
	}
}

func TestAnExperimentWithoutAnythingYet(t *testing.T) {
	s := newShelf()
	id, _, _ := wells(s, 6)
	on := mordants(s, "alum", "none")
	h := open(t, s)
	answer := h.planned(t, byWater, id)
	assert.Equal(t, "Not enough yet: 6 more sessions with pieces in Town tap and Mill well that are otherwise alike and 6 more recipes dyed alike in both waters, each within one session", answer.GetHeadline())
	assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
	assert.Equal(t, "Not enough yet: 6 more sessions with pieces in alum and none that are otherwise alike", h.planned(t, byMordant, on).GetHeadline())
}
