package bench_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func rescaledBath(t *testing.T, r *benchpb.RescaleTrialResponse, name string) *benchpb.RescaledBath {
	t.Helper()
	for _, one := range r.GetBaths() {
		if one.GetName() == name {
			return one
		}
	}
	t.Fatalf("no bath %q", name)
	return nil
}

func rescaledAmount(t *testing.T, b *benchpb.RescaledBath, name string) *benchpb.RescaledAmount {
	t.Helper()
	for _, a := range b.GetAmounts() {
		if a.GetName() == name {
			return a
		}
	}
	t.Fatalf("no %q in %q", name, b.GetName())
	return nil
}

// From 120 g to 3 kg at half the liquor ratio: what is dosed on the fibre grows 25 times, what is dosed on the litre half as much. Arithmetic.
func rescaledSheet(t *testing.T, w *workplace) {
	w.answered(t)
	plan := plainWeek()
	plan.Baths[0].Doses[1] = &benchpb.PlanDose{Material: "cream of tartar", Figure: &benchpb.PlanDose_GramsPerLitre{GramsPerLitre: 2}}
	was, err := w.Keep(t.Context(), byAsh, plan)
	require.NoError(t, err)
	q := &benchpb.RescaleTrialRequest{From: &benchpb.RescaleTrialRequest_PlanId{PlanId: plan.GetId()}, FibreG: 3000, LiquorRatio: 20, PieceG: 100}
	got, err := w.Rescale(t.Context(), ash, q)
	require.NoError(t, err)
	assert.InDelta(t, 120, got.GetFromFibreG(), 1e-9)
	assert.Len(t, got.GetSheet().GetPlan().GetPieces(), 36, "twelve skeins of 250 g, each in three of at most 100 g")
	assert.Equal(t, "skein 1 3", got.GetSheet().GetPlan().GetPieces()[2].GetLabel())
	assert.NotEqual(t, plan.GetId(), got.GetSheet().GetPlan().GetId(), "sending it keeps a plan of its own")

	alum := rescaledBath(t, got, "alum")
	assert.InDelta(t, 120, alum.GetFromFibreG(), 1e-9)
	assert.InDelta(t, 3000, alum.GetToFibreG(), 1e-6)
	assert.InDelta(t, 4.8, alum.GetFromVolumeL(), 1e-9)
	assert.InDelta(t, 60, alum.GetToVolumeL(), 1e-6)
	salt := rescaledAmount(t, alum, "potassium alum")
	assert.Equal(t, benchpb.Growth_GROWTH_BY_MASS, salt.GetGrowth())
	assert.InDelta(t, 14.4, salt.GetFrom(), 1e-9)
	assert.InDelta(t, 360, salt.GetTo(), 1e-6)
	tartar := rescaledAmount(t, alum, "cream of tartar")
	assert.Equal(t, benchpb.Growth_GROWTH_BY_VOLUME, tartar.GetGrowth())
	assert.InDelta(t, 9.6, tartar.GetFrom(), 1e-9)
	assert.InDelta(t, 120, tartar.GetTo(), 1e-6)
	heating := rescaledAmount(t, alum, "heating up")
	assert.Equal(t, benchpb.Growth_GROWTH_BY_NEITHER, heating.GetGrowth())
	assert.Positive(t, heating.GetFrom())
	assert.Nil(t, heating.To)
	assert.NotEmpty(t, heating.GetRemark())
	assert.Contains(t, alum.GetStays(), "held at 85 °C for 60 min")
	text := strings.Join(alum.GetRemarks(), "\n")
	assert.Contains(t, text, "liquor ratio goes from 40 to 20")
	assert.Contains(t, text, "stirred")
	vat := rescaledBath(t, got, "blue")
	assert.Contains(t, strings.Join(vat.GetRemarks(), "\n"), "surface")
	lime := rescaledAmount(t, vat, "calcium hydroxide")
	assert.Equal(t, benchpb.Growth_GROWTH_BY_VOLUME, lime.GetGrowth())
	assert.InDelta(t, 6, lime.GetTo()/lime.GetFrom(), 1e-9, "10 L for 120 g, 60 L for 3 kg at 20 mL/g")

	now := bathNamed(t, got.GetSheet(), "alum")
	require.Greater(t, len(now.GetLoads()), 1, "the pot takes 12 L")
	sum := 0.0
	for _, l := range now.GetLoads() {
		assert.LessOrEqual(t, l.GetVolumeMl(), 12000.0+1e-6)
		for _, a := range l.GetAmounts() {
			if a.GetMaterial() == "potassium alum" {
				sum += a.GetGrams()
			}
		}
	}
	assert.InDelta(t, salt.GetTo(), sum, 1, "to the balance's resolution")
	list, err := w.Sheets(t.Context(), ash, false, "", 10)
	require.NoError(t, err)
	assert.Len(t, list, 1, "nothing was kept")
	require.Equal(t, was.GetRevision(), list[0].GetRevision())

	// A skein that no filling takes is refused, with its field; another's sheet isn't there.
	q.PieceG = 0
	q.LiquorRatio = 1000
	_, err = w.Rescale(t.Context(), ash, q)
	require.Error(t, err)
	assert.Contains(t, err.Error(), "vessel")
	_, err = w.Rescale(t.Context(), "birch", q)
	require.ErrorIs(t, err, trial.ErrNotFound)
	w.modules.takeAway(pipeline.KindBathscale)
	q.LiquorRatio = 20
	q.PieceG = 100
	_, err = w.Rescale(t.Context(), ash, q)
	require.ErrorIs(t, err, pipeline.ErrModuleUnavailable)
	w.modules.takeAway()

	// What is withheld at either size is told at neither.
	iron := saddened(20)
	iron.Title = "too much iron"
	kept, err := w.Keep(t.Context(), byAsh, iron)
	require.NoError(t, err)
	require.GreaterOrEqual(t, int(kept.GetStanding()), int(benchpb.Standing_STANDING_NEEDS_ANSWERS))
	got, err = w.Rescale(t.Context(), ash, &benchpb.RescaleTrialRequest{From: &benchpb.RescaleTrialRequest_PlanId{PlanId: iron.GetId()}, FibreG: 500})
	require.NoError(t, err)
	told := 0
	for i, one := range got.GetBaths() {
		closed := kept.GetBaths()[i].GetStanding() >= benchpb.Standing_STANDING_NEEDS_ANSWERS || got.GetSheet().GetBaths()[i].GetStanding() >= benchpb.Standing_STANDING_NEEDS_ANSWERS
		for _, a := range one.GetAmounts() {
			if closed && a.GetUnit() == "g" {
				told++
				assert.Nil(t, a.From, "%s of %s", a.GetName(), one.GetName())
				assert.Nil(t, a.To, "%s of %s", a.GetName(), one.GetName())
			}
		}
	}
	assert.Positive(t, told)
}

func rescaledTrial(t *testing.T, w *workplace) {
	known := func(v float64, unit trial.Unit) trial.Amount {
		return trial.Amount{Knowledge: trial.Measured, Value: v, Unit: unit}
	}
	at := func(minute int) trial.ClaimedTime {
		return trial.ClaimedTime{Time: time.Date(2026, 5, 4, 9, minute, 0, 0, time.UTC), Precision: trial.ToMinute}
	}
	wool := trial.Fibre{Composition: []trial.FibrePart{{Fibre: "wool", Percent: 100}}}
	acid, hot := 5.2, 82.0
	mordant := trial.Bath{ID: newID(), Label: "alum pot", Purposes: []trial.Purpose{trial.MordantBath}, Liquor: known(0.5, trial.Litre), Additions: []trial.Addition{
		{Entry: trial.Entry{ID: newID()}, Material: "potassium alum", Role: trial.Mordant, Amount: known(1.8, trial.Gram)},
		{Entry: trial.Entry{ID: newID()}, Material: "wheat bran", Role: trial.Assist, Amount: trial.Amount{Knowledge: trial.NotKnown, Note: "a handful"}},
		{Entry: trial.Entry{ID: newID()}, Material: "vinegar", Role: trial.Assist, Amount: known(0.02, trial.Litre)},
	}, Checks: []trial.Check{{Entry: trial.Entry{ID: newID()}, PH: &acid, TemperatureC: &hot}}}
	vat := trial.Bath{ID: newID(), Label: "blue", Purposes: []trial.Purpose{trial.Vat}, Liquor: known(2, trial.Litre), Additions: []trial.Addition{
		{Entry: trial.Entry{ID: newID()}, Material: "indigo", Role: trial.Dye, Amount: known(4, trial.Gram)},
	}}
	open := trial.Bath{ID: newID(), Label: "weld", Purposes: []trial.Purpose{trial.DyeBath}, Additions: []trial.Addition{
		{Entry: trial.Entry{ID: newID()}, Material: "weld", Role: trial.Dye, Amount: known(12, trial.Gram)},
	}}
	strip := newID()
	session := newID()
	laid := &trial.Trial{ID: newID(), Title: "a strip", Sessions: []trial.Session{{ID: session}}, Pieces: []trial.Piece{{ID: strip, Label: "strip", SessionID: session, Fibre: wool, Mass: known(12, trial.Gram)}},
		Immersions: []trial.Immersion{
			{Entry: trial.Entry{ID: newID()}, PieceID: strip, BathID: mordant.ID, Position: 1, Entered: at(0), Left: at(50)},
			{Entry: trial.Entry{ID: newID()}, PieceID: strip, BathID: vat.ID, Position: 2, Dips: 3},
			{Entry: trial.Entry{ID: newID()}, PieceID: strip, BathID: open.ID, Position: 3},
		}}
	_, err := w.store.Change(t.Context(), store.ChangeRequest{Actor: byAsh, Now: w.now, Apply: func(r trial.Records) ([]byte, error) {
		_, _, err := trial.SubmitTrial(r, ash, w.now, laid, []trial.Bath{mordant, vat, open})
		return nil, err
	}})
	require.NoError(t, err)

	q := &benchpb.RescaleTrialRequest{From: &benchpb.RescaleTrialRequest_TrialId{TrialId: laid.ID}, FibreG: 3000}
	got, err := w.Rescale(t.Context(), ash, q)
	require.NoError(t, err)
	assert.Nil(t, got.GetSheet())
	assert.InDelta(t, 12, got.GetFromFibreG(), 1e-9)
	assert.Contains(t, strings.Join(got.GetRemarks(), "\n"), "held against no rule")
	require.Len(t, got.GetBaths(), 3)
	assert.Equal(t, []string{"alum pot", "blue", "weld"}, []string{got.GetBaths()[0].GetName(), got.GetBaths()[1].GetName(), got.GetBaths()[2].GetName()}, "in the order of the piece")
	pot := rescaledBath(t, got, "alum pot")
	assert.InDelta(t, 450, rescaledAmount(t, pot, "potassium alum").GetTo(), 1e-9, "15 % of 12 g, and of 3 kg")
	bran := rescaledAmount(t, pot, "wheat bran")
	assert.Nil(t, bran.From)
	assert.Nil(t, bran.To)
	assert.Contains(t, bran.GetRemark(), `"a handful"`)
	sour := rescaledAmount(t, pot, "vinegar")
	assert.Equal(t, "mL", sour.GetUnit())
	assert.InDelta(t, 5000, sour.GetTo(), 1e-6)
	minutes := rescaledAmount(t, pot, "time in the bath")
	assert.InDelta(t, 50, minutes.GetFrom(), 1e-9)
	assert.Nil(t, minutes.To)
	assert.InDelta(t, 125, pot.GetToVolumeL(), 1e-9)
	assert.Equal(t, []string{"pH 5.2", "82 °C"}, pot.GetStays())
	blue := rescaledBath(t, got, "blue")
	assert.Contains(t, strings.Join(blue.GetRemarks(), "\n"), "surface")
	assert.Equal(t, []string{"3 dips"}, blue.GetStays())
	assert.InDelta(t, 1000, rescaledAmount(t, blue, "indigo").GetTo(), 1e-9)
	weld := rescaledBath(t, got, "weld")
	assert.Nil(t, weld.ToVolumeL)
	assert.InDelta(t, 3000, rescaledAmount(t, weld, "weld").GetTo(), 1e-9)
	assert.Contains(t, strings.Join(weld.GetRemarks(), "\n"), "volume of the bath isn't known")
	assert.True(t, slices.ContainsFunc(got.GetParts(), func(p *benchpb.SheetPart) bool {
		return p.GetPart() == "rescale" && len(p.GetModule().GetDigest()) == 64
	}))

	// At another ratio the vat goes by its volume, and the mordant doesn't.
	q.LiquorRatio = 20
	got, err = w.Rescale(t.Context(), ash, q)
	require.NoError(t, err)
	assert.InDelta(t, 450, rescaledAmount(t, rescaledBath(t, got, "alum pot"), "potassium alum").GetTo(), 1e-9)
	assert.InDelta(t, 120, rescaledAmount(t, rescaledBath(t, got, "blue"), "indigo").GetTo(), 1e-9, "2 g/L in 60 L")

	_, err = w.Rescale(t.Context(), "birch", q)
	require.ErrorIs(t, err, trial.ErrNotFound, "it is ash's alone")
	unweighed := *laid
	unweighed.ID, unweighed.Immersions = newID(), nil
	unweighed.Sessions = []trial.Session{{ID: newID()}}
	unweighed.Pieces = []trial.Piece{{ID: newID(), Label: "scrap", SessionID: unweighed.Sessions[0].ID, Fibre: wool, Mass: trial.Amount{Knowledge: trial.NotKnown}}}
	_, err = w.store.Change(t.Context(), store.ChangeRequest{Actor: byAsh, Now: w.now, Apply: func(r trial.Records) ([]byte, error) {
		_, _, err := trial.SubmitTrial(r, ash, w.now, &unweighed, nil)
		return nil, err
	}})
	require.NoError(t, err)
	_, err = w.Rescale(t.Context(), ash, &benchpb.RescaleTrialRequest{From: &benchpb.RescaleTrialRequest_TrialId{TrialId: unweighed.ID}, FibreG: 3000})
	require.ErrorIs(t, err, trial.ErrConflict)
	assert.ErrorContains(t, err, "isn't known")
}

func deletedSheets(t *testing.T, w *workplace) {
	w.answered(t)
	plan := plainWeek()
	was, err := w.Keep(t.Context(), byAsh, plan)
	require.NoError(t, err)
	birch := store.Actor{Member: "birch", Method: "/test/Delete"}
	_, err = w.Delete(t.Context(), birch, plan.GetId(), was.GetEtag(), "not mine")
	require.ErrorIs(t, err, trial.ErrNotFound)
	_, err = w.Delete(t.Context(), byAsh, plan.GetId(), `"r9"`, "planned twice")
	require.ErrorIs(t, err, trial.ErrStale)
	_, err = w.Undelete(t.Context(), byAsh, plan.GetId(), "")
	require.ErrorIs(t, err, trial.ErrNotDeleted)
	gone, err := w.Delete(t.Context(), byAsh, plan.GetId(), was.GetEtag(), "planned twice")
	require.NoError(t, err)
	assert.Equal(t, int64(2), gone.GetRevision())
	assert.Equal(t, w.now, gone.GetDeleteTime().AsTime())
	listed := func(deleted bool) []*benchpb.SheetSummary {
		list, err := w.Sheets(t.Context(), ash, deleted, "", 10)
		require.NoError(t, err)
		return list
	}
	assert.Empty(t, listed(false))
	require.Len(t, listed(true), 1)
	assert.Equal(t, was.GetStanding(), listed(true)[0].GetStanding(), "what it said stays")
	for name, err := range map[string]error{
		"plan":    second(w.Keep(t.Context(), byAsh, plan)),
		"delete":  second(w.Delete(t.Context(), byAsh, plan.GetId(), gone.GetEtag(), "again")),
		"inspect": second(w.InspectAgain(t.Context(), byAsh, []trial.ID{plan.GetId()})),
		"rescale": second(w.Rescale(t.Context(), ash, &benchpb.RescaleTrialRequest{From: &benchpb.RescaleTrialRequest_PlanId{PlanId: plan.GetId()}, FibreG: 3000})),
		"override": second(w.Override(t.Context(), byAsh, &benchpb.OverrideStopRequest{
			PlanId: plan.GetId(), Etag: gone.GetEtag(), Bath: "alum", RuleId: "S005", PackSha256: strings.Repeat("0", 64), Reason: "it is a strip for a card",
		})),
	} {
		require.ErrorIs(t, err, trial.ErrConflict, name)
	}
	found, err := w.InspectAgain(t.Context(), byAsh, nil)
	require.NoError(t, err)
	assert.Empty(t, found)
	read, err := w.Sheet(t.Context(), ash, plan.GetId(), 0)
	require.NoError(t, err, "its member reads it still")
	assert.NotNil(t, read.GetDeleteTime())
	back, err := w.Undelete(t.Context(), byAsh, plan.GetId(), gone.GetEtag())
	require.NoError(t, err)
	assert.Equal(t, int64(3), back.GetRevision())
	assert.Nil(t, back.GetDeleteTime())
	assert.Len(t, listed(false), 1)
	for i, l := range back.GetLabels() {
		assert.Equal(t, was.GetLabels()[i].GetCode(), l.GetCode())
	}
	entries, err := w.store.AuditEntries(t.Context(), store.AuditQuery{Limit: 100})
	require.NoError(t, err)
	var said []string
	for _, e := range entries {
		for _, s := range e.Subjects {
			if strings.HasPrefix(s, "sheet ") {
				said = append(said, strings.TrimPrefix(s, "sheet "+plan.GetId()+" ")+" "+e.Reason)
			}
		}
	}
	assert.Equal(t, []string{"planned ", "deleted planned twice", "undeleted "}, said)
}

// Silk bears less heat than cotton, and a scour of cotton alone may be hotter.
func ceilingsWhereTheFibreIs(t *testing.T, w *workplace) {
	w.answered(t)
	p := plainWeek()
	p.Pieces = p.Pieces[:2]
	p.Pieces[0].Composition = []*typesv1.FibrePart{{Fibre: "silk", Percent: 100}}
	p.Pieces[1].Composition = []*typesv1.FibrePart{{Fibre: "cotton", Percent: 100}}
	hot := func(name string, kind benchpb.BathKind, pieces ...string) *benchpb.PlanBath {
		return &benchpb.PlanBath{
			Name: name, Kind: kind, Pieces: pieces, Volume: &benchpb.PlanBath_LiquorRatio{LiquorRatio: 40}, Vessel: "pot",
			Heat: &benchpb.Heat{StartC: 30, HoldC: 95, HoldMin: 60}, Doses: []*benchpb.PlanDose{percent("weld", 50)},
		}
	}
	p.Baths = []*benchpb.PlanBath{
		hot("cotton alone", benchpb.BathKind_BATH_KIND_SCOUR, "skein 2"), hot("both", benchpb.BathKind_BATH_KIND_SCOUR),
		hot("dyed alone", benchpb.BathKind_BATH_KIND_DYE, "skein 2"), hot("dyed", benchpb.BathKind_BATH_KIND_DYE),
	}
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.InDelta(t, 95, bathNamed(t, s, "cotton alone").GetHoldC(), 1e-9)
	assert.InDelta(t, 85, bathNamed(t, s, "both").GetHoldC(), 1e-9)
	assert.InDelta(t, 85, bathNamed(t, s, "dyed alone").GetHoldC(), 1e-9, "a dyestuff's own ceiling could be hidden by the stricter one")
	assert.Contains(t, bathNamed(t, s, "both").GetLoweredBy(), "silk")
}

func second[A any](_ A, err error) error { return err }
