package bench_test

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

const (
	released = benchpb.Standing_STANDING_RELEASED
	personal = benchpb.Standing_STANDING_PERSONAL_ANSWERS
	needs    = benchpb.Standing_STANDING_NEEDS_ANSWERS
	stopped  = benchpb.Standing_STANDING_STOPPED
	notYet   = benchpb.Standing_STANDING_NOT_CHECKED
)

// With real modules, one after the other, since they are started once.
func TestBench(t *testing.T) {
	modules := realModules(t)
	for name, test := range map[string]func(*testing.T, *workplace){
		"a plain week asks nothing but what stays with the member": plainWeekAsksNothing,
		"a module that is down has judged nothing":                 downIsNotChecked,
		"a stop withholds, a reason lifts harm to fibre alone":     stops,
		"what is not known releases nothing":                       unknownReleasesNothing,
		"a workshop is asked again after a year":                   yearly,
		"sheets inspected again":                                   inspectedAgain,
		"wrong answers clear nothing":                              wrongAnswersClearNothing,
		"amounts feed the rules":                                   amountsFeedRules,
		"mordants are made into baths":                             chosenMordants,
		"what a piece met before counts":                           earlierCounts,
		"what a vessel held in the plan counts":                    vesselRemembers,
		"pieces that go the other way are told of":                 otherWay,
		"references within a plan":                                 references,
		"an exhaust is no freer than the bath before":              exhausts,
		"revisions and codes":                                      revisions,
		"a sheet is its member's alone":                            ownSheets,
		"a sheet at another size":                                  rescaledSheet,
		"a recorded trial at another size":                         rescaledTrial,
		"a ceiling holds where the fibre is":                       ceilingsWhereTheFibreIs,
		"deleted and brought back":                                 deletedSheets,
		"both orders are laid out over days":                       bothOrdersOverDays,
		"one material under two names":                             oneMaterialOfTwoNames,
		"vessels remember the record":                              vesselsRememberTheRecord,
		"waters, vats and liquids":                                 watersVatsAndLiquids,
		"amounts to be found out":                                  amountsToBeFoundOut,
		"what a bath left is held against the rules":               leftInExhausts,
		"salts of one metal":                                       saltsOfOneMetal,
		"what goes on after a mordant is done its own way":         afterMordants,
		"a shelf knows a material by its names":                    shelfByNames,
		"a kept sheet is asked after":                              keptSheetsAreAskedAfter,
		"a taken piece brings its history":                         takenPiecesBringTheirHistory,
		"chosen baths are told by their names":                     chosenByTheirNames,
		"more names than modules are asked about":                  moreNamesThanAreAskedAbout,
		"two names that nobody knows":                              twoNamesThatNobodyKnows,
		"forms that weigh otherwise":                               formsThatWeighOtherwise,
		"vessels by one rule":                                      vesselsByOneRule,
		"vessels that were two":                                    vesselsThatWereTwo,
		"a sheet that was done isn't asked after again":            doneSheetsAreNotAskedAfter,
	} {
		t.Run(name, func(t *testing.T) { test(t, open(t, modules)) })
	}
}

func plainWeekAsksNothing(t *testing.T, w *workplace) {
	w.answered(t)
	for range 2 { // nor in the second week
		s, err := w.Keep(t.Context(), byAsh, plainWeek())
		require.NoError(t, err)
		for _, q := range s.GetQuestions() {
			if q.GetHolds() {
				assert.Equal(t, benchpb.QuestionScope_QUESTION_SCOPE_PERSON, q.GetScope(), "%v", q)
			}
			assert.NotContains(t, []benchpb.QuestionScope{
				benchpb.QuestionScope_QUESTION_SCOPE_WORKSHOP, benchpb.QuestionScope_QUESTION_SCOPE_VESSEL, benchpb.QuestionScope_QUESTION_SCOPE_MATERIAL,
			}, q.GetScope(), "%v", q)
		}
		assert.Equal(t, personal, s.GetStanding())
		assert.Contains(t, strings.Join(s.GetRemarks(), "\n"), "ppe: gloves, goggles, dust_mask; ppe.mask: particulate; people.children_present: no", "what was told once is told again")
		for _, b := range s.GetBaths() {
			assert.NotEmpty(t, b.GetLoads(), b.GetName())
			assert.NotEmpty(t, b.GetMoments(), b.GetName())
		}
		assert.NotEmpty(t, s.GetStandingCautions())
		for _, part := range []string{"mordant", "scale", "schedule", "safety"} {
			at := slices.IndexFunc(s.GetParts(), func(p *benchpb.SheetPart) bool { return p.GetPart() == part })
			require.GreaterOrEqual(t, at, 0, part)
			assert.Len(t, s.GetParts()[at].GetModule().GetDigest(), 64, part)
		}
	}
}

func downIsNotChecked(t *testing.T, w *workplace) {
	w.answered(t)
	plan := plainWeek()
	for _, gone := range [][]string{{"safety-rules"}, {pipeline.KindBathscale}, {pipeline.KindMordant}, {pipeline.KindBathscale, "safety-rules"}} {
		w.modules.takeAway(gone...)
		s, err := w.Plan(t.Context(), ash, plan)
		require.NoError(t, err, "%v: a sheet says what is missing", gone)
		assert.True(t, slices.ContainsFunc(s.GetParts(), func(p *benchpb.SheetPart) bool { return strings.Contains(p.GetFault(), "taken away") }), "%v", gone)
		if slices.Equal(gone, []string{pipeline.KindMordant}) {
			assert.Nil(t, s.GetMordants())
			continue // nothing hangs on it here: the plan has its mordant
		}
		assert.GreaterOrEqual(t, s.GetStanding(), needs, "%v", gone)
		for _, b := range s.GetBaths() {
			assert.Empty(t, b.GetLoads(), "%v: %s", gone, b.GetName())
			assert.NotEmpty(t, b.GetWithheldBecause(), "%v: %s", gone, b.GetName())
			if slices.Contains(gone, "safety-rules") {
				assert.Equal(t, notYet, b.GetStanding())
				assert.Contains(t, strings.Join(b.GetWithheldBecause(), "\n"), "not checked by safety-rules")
			}
		}
		assert.NotEmpty(t, s.GetStandingCautions())
	}
	w.modules.takeAway()
	// One of two isn't enough, and none is none.
	for _, active := range [][]string{{"safety-rules", "safety-other"}, {}} {
		w.safety = active
		w.modules.takeAway("safety-other")
		s, err := w.Plan(t.Context(), ash, plan)
		require.NoError(t, err)
		assert.Equal(t, notYet, s.GetStanding(), "%v", active)
		for _, b := range s.GetBaths() {
			assert.Empty(t, b.GetLoads())
			assert.Equal(t, len(active) > 0, len(b.GetFindings()) > 0, "what the other found stands all the same")
		}
	}
	// Mordant baths that are wished for and can't be had are missed.
	w.safety = []string{"safety-rules"}
	w.modules.takeAway(pipeline.KindMordant)
	wished := plainWeek()
	wished.Baths = wished.Baths[1:]
	wished.Mordant = &benchpb.MordantWish{Volume: &benchpb.MordantWish_LiquorRatio{LiquorRatio: 40}}
	s, err := w.Plan(t.Context(), ash, wished)
	require.NoError(t, err)
	assert.True(t, s.GetIncomplete())
	assert.GreaterOrEqual(t, s.GetStanding(), needs)
}

// saddened is a plan with one bath of iron.
func saddened(wof float64) *benchpb.Plan {
	p := plainWeek()
	p.Baths = []*benchpb.PlanBath{{
		Name: "sadden", Kind: benchpb.BathKind_BATH_KIND_MODIFIER, Volume: &benchpb.PlanBath_LiquorRatio{LiquorRatio: 40}, Vessel: "pot", RinsedBefore: true,
		Heat: &benchpb.Heat{StartC: 20, HoldC: 60, HoldMin: 10}, Ph: &benchpb.PhRange{Low: 5, High: 6}, Doses: []*benchpb.PlanDose{percent("ferrous sulfate", wof)},
	}}
	return p
}

func findingOf(b *benchpb.SheetBath, rule string) *benchpb.SheetFinding {
	for _, f := range b.GetFindings() {
		if f.GetRuleId() == rule {
			return f
		}
	}
	return nil
}

func stops(t *testing.T, w *workplace) {
	w.answered(t)
	s, err := w.Keep(t.Context(), byAsh, saddened(5))
	require.NoError(t, err)
	assert.Equal(t, stopped, s.GetStanding())
	one := bathNamed(t, s, "sadden")
	assert.Empty(t, one.GetLoads())
	stop := findingOf(one, "S005")
	require.NotNil(t, stop)
	assert.Equal(t, benchpb.Lifting_LIFTING_WRITTEN_REASON, stop.GetLifting())
	q := &benchpb.OverrideStopRequest{PlanId: s.GetPlan().GetId(), Etag: s.GetEtag(), Bath: "sadden", RuleId: "S005", PackSha256: stop.GetPackSha256(), Reason: "a strip for the card"}
	stale := proto.Clone(q).(*benchpb.OverrideStopRequest)
	stale.Etag = `"r9"`
	_, err = w.Override(t.Context(), byAsh, stale)
	require.ErrorIs(t, err, trial.ErrStale)
	_, err = w.Override(t.Context(), store.Actor{Member: "birch", Method: "/test/Plan"}, q)
	require.ErrorIs(t, err, trial.ErrNotFound)
	other := proto.Clone(q).(*benchpb.OverrideStopRequest)
	other.RuleId = "S004" // a caution
	_, err = w.Override(t.Context(), byAsh, other)
	require.ErrorIs(t, err, trial.ErrConflict)
	lifted, err := w.Override(t.Context(), byAsh, q)
	require.NoError(t, err)
	assert.Equal(t, personal, lifted.GetStanding())
	assert.NotEmpty(t, bathNamed(t, lifted, "sadden").GetLoads())
	assert.Equal(t, int64(2), lifted.GetRevision())
	require.Len(t, lifted.GetOverrides(), 1)
	assert.Equal(t, "a strip for the card", lifted.GetOverrides()[0].GetReason())
	entries, err := w.store.AuditEntries(t.Context(), store.AuditQuery{Limit: 100})
	require.NoError(t, err)
	last := entries[len(entries)-1]
	assert.Equal(t, "a strip for the card", last.Reason)
	assert.Contains(t, strings.Join(last.Subjects, " "), "overridden S005")

	again, err := w.Keep(t.Context(), byAsh, s.GetPlan())
	require.NoError(t, err)
	assert.Equal(t, personal, again.GetStanding(), "it holds for the plan as it was")
	assert.Equal(t, int64(2), again.GetRevision(), "which comes to the same sheet")
	changed := proto.Clone(s.GetPlan()).(*benchpb.Plan)
	changed.Baths[0].Doses[0].Figure = &benchpb.PlanDose_PercentWof{PercentWof: 6}
	third, err := w.Keep(t.Context(), byAsh, changed)
	require.NoError(t, err)
	assert.Equal(t, stopped, third.GetStanding(), "and not for another")
	assert.Empty(t, third.GetOverrides())

	// What can hurt somebody is never lifted: the pot is used for food.
	kitchen := aWorkshop()
	kitchen.Vessels[0].Answers[1] = truth("vessel.food_use", true)
	present, err := w.Workshop(t.Context(), ash)
	require.NoError(t, err)
	_, err = w.UpdateWorkshop(t.Context(), byAsh, kitchen, present.GetEtag())
	require.NoError(t, err)
	s, err = w.Keep(t.Context(), byAsh, saddened(1))
	require.NoError(t, err)
	food := findingOf(bathNamed(t, s, "sadden"), "S046")
	require.NotNil(t, food)
	_, err = w.Override(t.Context(), byAsh, &benchpb.OverrideStopRequest{
		PlanId: s.GetPlan().GetId(), Etag: s.GetEtag(), Bath: "sadden", RuleId: "S046", PackSha256: food.GetPackSha256(), Reason: "it will be washed",
	})
	require.ErrorIs(t, err, trial.ErrConflict)
}

// free are the baths of a sheet whose amounts are on it.
func free(s *benchpb.Sheet) (names []string) {
	for _, b := range s.GetBaths() {
		if len(b.GetLoads()) > 0 {
			names = append(names, b.GetName())
		}
	}
	return names
}

// Taking answers away, whichever, frees no bath that wasn't free; and no sheet has amounts beside a stop that stands.
func unknownReleasesNothing(t *testing.T, w *workplace) {
	random := rand.New(rand.NewPCG(5, 9))
	var before *benchpb.Workshop
	for round := range 60 {
		plan := plainWeek()
		if round%3 == 1 {
			plan = saddened(float64(random.IntN(8)))
		}
		full := aWorkshop()
		if round%3 == 2 { // something that is dangerous
			full.Answers[1] = words("ppe", "gloves")
		}
		etag := before.GetEtag()
		kept, err := w.UpdateWorkshop(t.Context(), byAsh, full, etag)
		require.NoError(t, err)
		s, err := w.Plan(t.Context(), ash, plan)
		require.NoError(t, err)
		less := proto.Clone(full).(*benchpb.Workshop)
		thin := func(list []*benchpb.Answer) []*benchpb.Answer {
			return slices.DeleteFunc(list, func(*benchpb.Answer) bool { return random.IntN(6) == 0 })
		}
		less.Answers = thin(less.GetAnswers())
		for _, m := range less.GetShelf() {
			m.Answers = thin(m.GetAnswers())
		}
		for _, v := range less.GetVessels() {
			v.Answers = thin(v.GetAnswers())
		}
		if before, err = w.UpdateWorkshop(t.Context(), byAsh, less, kept.GetEtag()); err != nil {
			require.NoError(t, err)
		}
		known := free(s)
		thinner, err := w.Plan(t.Context(), ash, plan)
		require.NoError(t, err)
		for _, name := range free(thinner) {
			assert.Contains(t, known, name, "round %d", round)
		}
		for _, sheet := range []*benchpb.Sheet{s, thinner} {
			for _, b := range sheet.GetBaths() {
				for _, f := range b.GetFindings() {
					waits := f.GetPersonal() && f.GetStanding() == benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER
					if f.GetSeverity() == benchpb.Severity_SEVERITY_STOP && !waits {
						assert.Empty(t, b.GetLoads(), "round %d: %s beside %s", round, b.GetName(), f.GetRuleId())
					}
				}
			}
		}
	}
}

func yearly(t *testing.T, w *workplace) {
	none, err := w.Workshop(t.Context(), ash)
	require.NoError(t, err)
	assert.True(t, none.GetDue())
	kept := w.answered(t)
	assert.False(t, kept.GetDue())
	_, err = w.UpdateWorkshop(t.Context(), byAsh, aWorkshop(), "")
	require.ErrorIs(t, err, trial.ErrInvalid, "an etag is required")
	_, err = w.UpdateWorkshop(t.Context(), byAsh, aWorkshop(), `"r7"`)
	require.ErrorIs(t, err, trial.ErrStale)
	s, err := w.Keep(t.Context(), byAsh, plainWeek())
	require.NoError(t, err)
	assert.Equal(t, personal, s.GetStanding())
	w.now = w.now.Add(366 * 24 * time.Hour)
	late, err := w.Plan(t.Context(), ash, plainWeek())
	require.NoError(t, err)
	assert.Equal(t, needs, late.GetStanding())
	assert.Contains(t, strings.Join(late.GetRemarks(), "\n"), "more than a year ago")
	assert.Empty(t, free(late))
	again, err := w.InspectAgain(t.Context(), byAsh, nil)
	require.NoError(t, err)
	require.Len(t, again, 1)
	assert.True(t, again[0].GetWorkshopChanged())
	assert.Equal(t, needs, again[0].GetNow())
	renewed, err := w.UpdateWorkshop(t.Context(), byAsh, aWorkshop(), kept.GetEtag())
	require.NoError(t, err)
	assert.False(t, renewed.GetDue(), "sent unchanged, it counts for another year")
	s, err = w.Plan(t.Context(), ash, plainWeek())
	require.NoError(t, err)
	assert.Equal(t, personal, s.GetStanding())

	for field, bad := range map[string]*benchpb.Workshop{
		"workshop.vessels[0].answers[0].field": {Vessels: []*benchpb.Vessel{{Name: "a", Answers: []*benchpb.Answer{words("vent", "none")}}}},
		"workshop.vessels[1].name":             {Vessels: []*benchpb.Vessel{{Name: "a"}, {Name: "a"}}},
		"workshop.shelf[0].answers[0].field":   {Shelf: []*benchpb.ShelfMaterial{{Material: "weld", Answers: []*benchpb.Answer{words("vent", "none")}}}},
		"workshop.shelf[1].material":           {Shelf: []*benchpb.ShelfMaterial{{Material: "weld"}, {Material: "weld"}}},
		"workshop.answers[0].field":            {Answers: []*benchpb.Answer{truth("container.label_missing", false)}},
	} {
		_, err := w.UpdateWorkshop(t.Context(), byAsh, bad, renewed.GetEtag())
		var faults trial.Faults
		require.ErrorAs(t, err, &faults, field)
		assert.Equal(t, field, faults[0].Field)
	}
}

func inspectedAgain(t *testing.T, w *workplace) {
	w.answered(t)
	s, err := w.Keep(t.Context(), byAsh, plainWeek())
	require.NoError(t, err)
	bad, err := w.Keep(t.Context(), byAsh, saddened(5))
	require.NoError(t, err)
	same, err := w.InspectAgain(t.Context(), byAsh, nil)
	require.NoError(t, err)
	require.Len(t, same, 2)
	for _, one := range same {
		assert.False(t, one.GetChanged(), "%v", one)
		assert.False(t, one.GetWorkshopChanged())
		assert.Equal(t, int64(1), one.GetRevision())
	}
	assert.Equal(t, bad.GetPlan().GetId(), same[0].GetPlanId(), "newest plan first")
	w.modules.takeAway("safety-rules")
	gone, err := w.InspectAgain(t.Context(), byAsh, []string{s.GetPlan().GetId()})
	require.NoError(t, err)
	require.Len(t, gone, 1)
	assert.True(t, gone[0].GetChanged())
	assert.Equal(t, notYet, gone[0].GetNow())
	kept, err := w.Sheet(t.Context(), ash, s.GetPlan().GetId(), 0)
	require.NoError(t, err)
	assert.Equal(t, int64(2), kept.GetRevision())
	assert.Empty(t, free(kept))
	w.modules.takeAway()
	back, err := w.InspectAgain(t.Context(), byAsh, []string{s.GetPlan().GetId()})
	require.NoError(t, err)
	assert.Equal(t, needs, back[0].GetNow(), "amounts that were withheld aren't made up again: the plan has to be")
	planned, err := w.Keep(t.Context(), byAsh, s.GetPlan())
	require.NoError(t, err)
	assert.Equal(t, personal, planned.GetStanding())
	assert.Len(t, free(planned), 3)
	first, err := w.Sheet(t.Context(), ash, s.GetPlan().GetId(), 1)
	require.NoError(t, err)
	assert.Len(t, free(first), 3, "what it said before is still there")
	_, err = w.InspectAgain(t.Context(), byAsh, []string{newID()})
	require.ErrorIs(t, err, trial.ErrNotFound)
}

// The bounds of what is delivered reach the rules: 4 % of iron, weighed on a balance whose error reaches beyond, is a stop.
func amountsFeedRules(t *testing.T, w *workplace) {
	coarse := aWorkshop()
	coarse.Balances = []*benchpb.Balance{{StepG: 0.1}}
	coarse.SmallVolumeUncertaintyMl = 0
	_, err := w.UpdateWorkshop(t.Context(), byAsh, coarse, "")
	require.NoError(t, err)
	for wof, standing := range map[float64]benchpb.Standing{3.5: personal, 3.99: stopped, 4.5: stopped} {
		crystals := saddened(wof)
		crystals.Baths[0].Doses[0].Material = "ferrous sulfate heptahydrate"
		s, err := w.Plan(t.Context(), ash, crystals)
		require.NoError(t, err)
		assert.Equal(t, standing, s.GetStanding(), "%v %%", wof)
	}
	// An answer can't change what follows from the plan.
	lying := saddened(5)
	lying.Answers = append(lying.Answers, &benchpb.Answer{Field: "step.wof_percent", Value: &benchpb.Answer_Number{Number: &benchpb.AnswerNumber{Low: 1, High: 1}}},
		&benchpb.Answer{Field: "step.salts_wof_percent", Value: &benchpb.Answer_Number{Number: &benchpb.AnswerNumber{Low: 1, High: 1}}}, words("material.id", "water"), words("fibre.class", "cellulose"))
	s, err := w.Plan(t.Context(), ash, lying)
	require.NoError(t, err)
	assert.Equal(t, stopped, s.GetStanding())
	for _, calls := range w.modules.steps {
		for _, step := range calls {
			for _, f := range step.GetFacts() {
				assert.False(t, strings.HasPrefix(f.GetField(), "person."), "nothing about a person is sent")
			}
		}
	}
}

// What the modules know of a material, no answer of a member clears.
func wrongAnswersClearNothing(t *testing.T, w *workplace) {
	lying := aWorkshop()
	lying.Shelf = append(lying.Shelf, shelf("potassium dichromate", "powder", "none", "none"))
	lying.Shelf[len(lying.Shelf)-1].Answers = append(lying.Shelf[len(lying.Shelf)-1].Answers, words("material.classes", "alum"))
	_, err := w.UpdateWorkshop(t.Context(), byAsh, lying, "")
	require.NoError(t, err)
	p := saddened(1)
	p.Baths[0].Doses = []*benchpb.PlanDose{percent("potassium dichromate", 2)}
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Equal(t, stopped, s.GetStanding())
	require.NotNil(t, findingOf(s.GetBaths()[0], "S001"))
	// Bleach and vinegar in one bath, said to be nothing.
	p.Baths[0].Doses = []*benchpb.PlanDose{percent("sodium hypochlorite", 2), percent("vinegar", 10)}
	p.Baths[0].Answers = []*benchpb.Answer{words("bath.classes"), words("trial.material_classes")}
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Equal(t, stopped, s.GetStanding())
	require.NotNil(t, findingOf(s.GetBaths()[0], "S031"))
}

func chosenMordants(t *testing.T, w *workplace) {
	w.answered(t)
	p := plainWeek()
	p.Baths = p.Baths[1:]
	p.Pieces[0].Composition[0].Fibre = "silk"
	p.WantedShift = "brighter"
	p.Mordant = &benchpb.MordantWish{Volume: &benchpb.MordantWish_LiquorRatio{LiquorRatio: 40}, Vessel: "pot", Ph: &benchpb.PhRange{Low: 3, High: 6}, Heat: &benchpb.Heat{StartC: 30, HoldC: 95, HoldMin: 60}, WithinRange: proto64(1)}
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	require.Len(t, s.GetBaths(), 4, "one for wool, one for silk, and the two of the plan")
	var chosen []*benchpb.SheetBath
	for _, b := range s.GetBaths() {
		if b.GetChosen() {
			chosen = append(chosen, b)
		}
	}
	require.Len(t, chosen, 2)
	assert.True(t, s.GetBaths()[0].GetChosen() && s.GetBaths()[1].GetChosen(), "before the dye that they are for")
	for _, b := range chosen {
		silk := strings.HasPrefix(b.GetName(), "silk")
		assert.Equal(t, silk, len(b.GetPieces()) == 1, "%s: %v", b.GetName(), b.GetPieces())
		assert.LessOrEqual(t, b.GetHoldC(), 85.0, "silk's ceiling is that of whatever shares a pot")
		assert.NotEmpty(t, b.GetLoweredBy())
	}
	for _, f := range s.GetMordants().GetFibres() {
		assert.Equal(t, int32(1), f.GetTaken())
	}
	p.Mordant.Choice = 50
	_, err = w.Plan(t.Context(), ash, p)
	require.ErrorIs(t, err, trial.ErrInvalid)
	p.Mordant.Choice = 0
	p.Pieces[1].Composition = []*typesv1.FibrePart{{Fibre: "silk", Percent: 50}, {Fibre: "wool", Percent: 50}}
	_, err = w.Plan(t.Context(), ash, p)
	require.ErrorIs(t, err, trial.ErrInvalid, "a blend that would be mordanted twice")

	unknown := plainWeek()
	unknown.Baths[1].Doses[0].Material = "mountain moss"
	answer, err := w.Mordants(t.Context(), ash, unknown)
	require.NoError(t, err)
	require.NotEmpty(t, answer.GetQuestions(), "the class of an unknown dyestuff is asked for")
	assert.Equal(t, "mountain moss", answer.GetQuestions()[0].GetOf())
	scaled, err := w.Scale(t.Context(), ash, plainWeek())
	require.NoError(t, err)
	for _, b := range scaled.GetBaths() {
		assert.Equal(t, notYet, b.GetStanding(), "amounts alone were held against no rule")
	}
	w.modules.takeAway(pipeline.KindBathscale)
	_, err = w.Scale(t.Context(), ash, plainWeek())
	require.ErrorIs(t, err, pipeline.ErrModuleUnavailable)
}

// A vat whose parts are asked for: the bare name "1-2-3" is told of two.
func references(t *testing.T, w *workplace) {
	w.answered(t)
	p := plainWeek()
	p.Baths[2].Vat = "1-2-3"
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	require.NotEmpty(t, s.GetQuestions())
	first := s.GetQuestions()[0]
	assert.Equal(t, benchpb.QuestionScope_QUESTION_SCOPE_RECIPE, first.GetScope(), "before what is in the bath")
	assert.Len(t, first.GetChoices(), 2)
	assert.NotContains(t, free(s), "blue")
	for field, spoil := range map[string]func(*benchpb.Plan){
		"plan.pieces[1].label":            func(p *benchpb.Plan) { p.Pieces[1].Label = p.Pieces[0].GetLabel() },
		"plan.baths[1].name":              func(p *benchpb.Plan) { p.Baths[1].Name = "alum" },
		"plan.baths[0].pieces[0]":         func(p *benchpb.Plan) { p.Baths[0].Pieces = []string{"nobody"} },
		"plan.baths[0].exhaust_of":        func(p *benchpb.Plan) { p.Baths[0].ExhaustOf = "weld" },
		"plan.baths[0].vessel":            func(p *benchpb.Plan) { p.Baths[0].Vessel = "bucket" },
		"plan.baths[0].doses[1].material": func(p *benchpb.Plan) { p.Baths[0].Doses[1].Material = "potassium alum" },
		"plan.baths[2].indigo_g_per_l":    func(p *benchpb.Plan) { p.Baths[2].IndigoGPerL = 0 },
		"plan.baths[1].day":               func(p *benchpb.Plan) { p.Baths[0].Day, p.Baths[1].Day = 2, 1 },
		"plan.baths[0].doses[0].parts_of.of": func(p *benchpb.Plan) {
			p.Baths[0].Doses[0].Figure = &benchpb.PlanDose_PartsOf{PartsOf: &benchpb.PlanParts{Parts: 1, Of: "weld"}}
		},
	} {
		p := plainWeek()
		spoil(p)
		_, err := w.Plan(t.Context(), ash, p)
		var faults trial.Faults
		require.ErrorAs(t, err, &faults, field)
		assert.Equal(t, field, faults[0].Field)
	}
	p = plainWeek()
	p.Pieces[0].TakenFrom = newID()
	_, err = w.Plan(t.Context(), ash, p)
	require.ErrorIs(t, err, trial.ErrNotFound)
}

func earlierCounts(t *testing.T, w *workplace) {
	w.answered(t)
	p := saddened(1)
	p.Pieces[0].Composition[0].Fibre = "silk"
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Nil(t, findingOf(s.GetBaths()[0], "S007"), "iron, and no tannin")
	p.Pieces[0].EarlierMaterials = []string{"tannin"}
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	require.NotNil(t, findingOf(s.GetBaths()[0], "S007"), "iron on silk that met tannin before")
	// Carry-over: what came along unrinsed is in the bath.
	p = plainWeek()
	p.Baths[1].RinsedBefore = false
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.NotNil(t, findingOf(bathNamed(t, s, "weld"), "S076"), "alum is in the weld bath, unrinsed")
	p.Baths[1].RinsedBefore = true
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Nil(t, findingOf(bathNamed(t, s, "weld"), "S076"))
}

func revisions(t *testing.T, w *workplace) {
	w.answered(t)
	p := plainWeek()
	first, err := w.Keep(t.Context(), byAsh, p)
	require.NoError(t, err)
	same, err := w.Keep(t.Context(), byAsh, p)
	require.NoError(t, err)
	assert.True(t, proto.Equal(first, same), "the same plan comes to the same sheet")
	codes := map[string]bool{}
	for _, l := range first.GetLabels() {
		codes[l.GetCode()] = true
	}
	assert.Len(t, codes, 12)
	p.Title = "a plainer week"
	second, err := w.Keep(t.Context(), byAsh, p)
	require.NoError(t, err)
	assert.Equal(t, int64(2), second.GetRevision())
	for i, l := range second.GetLabels() {
		assert.Equal(t, first.GetLabels()[i].GetCode(), l.GetCode(), "a piece keeps its code")
	}
	// A trial that is entered afterwards finds the codes.
	var code string
	_, err = w.store.Change(t.Context(), store.ChangeRequest{Actor: byAsh, Now: w.now, Apply: func(r trial.Records) (_ []byte, err error) {
		code, err = r.PieceCode(p.GetPieces()[3].GetId())
		return nil, err
	}})
	require.NoError(t, err)
	assert.Equal(t, first.GetLabels()[3].GetCode(), code)
	list, err := w.Sheets(t.Context(), ash, false, "", 10)
	require.NoError(t, err)
	require.Len(t, list, 1)
	assert.Equal(t, "a plainer week", list[0].GetTitle())
}

func ownSheets(t *testing.T, w *workplace) {
	w.answered(t)
	s, err := w.Keep(t.Context(), byAsh, plainWeek())
	require.NoError(t, err)
	_, err = w.Sheet(t.Context(), "birch", s.GetPlan().GetId(), 0)
	require.ErrorIs(t, err, trial.ErrNotFound)
	list, err := w.Sheets(t.Context(), "birch", false, "", 10)
	require.NoError(t, err)
	assert.Empty(t, list)
	birch := store.Actor{Member: "birch", Method: "/test/Plan"}
	_, err = w.Keep(t.Context(), birch, s.GetPlan())
	require.ErrorIs(t, err, trial.ErrExists)
	other := plainWeek()
	other.Pieces[0].Id = s.GetPlan().GetPieces()[0].GetId()
	_, err = w.Keep(t.Context(), birch, other)
	require.ErrorIs(t, err, trial.ErrExists, "another's piece")
	found, err := w.InspectAgain(t.Context(), birch, nil)
	require.NoError(t, err)
	assert.Empty(t, found)
}
