package bench

import (
	"context"
	"fmt"
	"slices"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// scale asks for the amounts of all baths in one call.
func (b *Bench) scale(ctx context.Context, d *draft) error {
	if len(d.workshop.GetBalances()) == 0 {
		d.asked.add(&benchpb.SheetQuestion{
			Scope: benchpb.QuestionScope_QUESTION_SCOPE_WORKSHOP, Field: "balances", Text: "Which balances are there, and what is the last digit that each shows?", Holds: true,
		})
		d.remark("no amounts are computed before the workshop's balances are told")
		return nil
	}
	q := &bathscalev1.ScaleBathsRequest{Reference: bathscalev1.FibreReference(d.plan.GetWofReference()), Bench: &bathscalev1.Bench{
		SmallVolumeUncertaintyMl: d.workshop.GetSmallVolumeUncertaintyMl(), FlaskUncertaintyPercent: d.workshop.GetFlaskUncertaintyPercent(),
	}}
	for _, r := range d.plan.GetRegains() {
		q.Regains = append(q.Regains, &bathscalev1.Regain{Fibre: r.GetFibre(), Percent: r.GetPercent()})
	}
	for _, one := range d.workshop.GetBalances() {
		q.Bench.Balances = append(q.Bench.Balances, &bathscalev1.Balance{StepG: one.GetStepG(), CapacityG: one.GetCapacityG()})
	}
	for _, p := range d.plan.GetPieces() {
		q.Fibre = append(q.Fibre, &bathscalev1.FibreLot{
			PieceId: p.GetLabel(), Composition: p.GetComposition(), MassG: p.GetMassG(), BalanceStepG: p.GetBalanceStepG(), Basis: p.GetBasis(),
			RegainPercent: p.RegainPercent, MoistureContentPercent: p.MoistureContentPercent, PickupPercent: p.GetPickupPercent(),
		})
	}
	var asked []*bath
	for _, one := range d.baths {
		if one.open {
			continue
		}
		asked = append(asked, one)
		q.Baths = append(q.Baths, d.recipe(one))
	}
	if len(asked) > 32 {
		return trial.Faults{{Field: "plan.baths", Text: fmt.Sprintf("are %d with those that were chosen; allowed: 1 to 32", len(asked))}}
	}
	if len(asked) == 0 {
		return nil
	}
	r, who, err := b.modules.ScaleBaths(ctx, q)
	if part, err := d.part("scale", who, err); err != nil || part.GetFault() != "" {
		return err
	}
	for _, question := range r.GetQuestions() {
		d.asked.add(&benchpb.SheetQuestion{
			Scope: benchpb.QuestionScope_QUESTION_SCOPE_RECIPE, Of: question.GetBathId(), Baths: []string{question.GetBathId()}, Text: question.GetText(), Choices: question.GetChoices(), Holds: true,
		})
	}
	for _, text := range r.GetRemarks() {
		d.remark("%s", text)
	}
	for i, scaled := range r.GetBaths() {
		if len(scaled.GetLoads()) == 0 {
			asked[i].open = true
			continue
		}
		asked[i].scaled = scaled
		asked[i].out.Remarks = append(asked[i].out.Remarks, scaled.GetRemarks()...)
		for _, load := range scaled.GetLoads() {
			asked[i].out.Loads = append(asked[i].out.Loads, loadOf(load))
		}
		for _, gap := range notKnown(asked[i].out) {
			d.asked.add(&benchpb.SheetQuestion{
				Scope: benchpb.QuestionScope_QUESTION_SCOPE_RECIPE, Of: gap[0], Baths: []string{asked[i].out.GetName()}, Holds: true,
				Text: fmt.Sprintf("How much of it goes in isn't known before this is told: %s", gap[1]),
			})
		}
	}
	return nil
}

// notKnown are the materials of a bath of which nobody knows how much goes in, each with what is missing.
func notKnown(one *benchpb.SheetBath) (gaps [][2]string) {
	for _, load := range one.GetLoads() {
		for _, a := range load.GetAmounts() {
			if gap := [2]string{a.GetMaterial(), a.GetNotKnown()}; gap[1] != "" && !slices.Contains(gaps, gap) {
				gaps = append(gaps, gap)
			}
		}
	}
	return gaps
}

// recipe is a bath as the module takes it.
func (d *draft) recipe(one *bath) *bathscalev1.BathRecipe {
	p := one.plan
	out := &bathscalev1.BathRecipe{
		BathId: p.GetName(), VesselL: d.vessel(p.GetVessel()).GetLitres(), PieceIds: one.out.GetPieces(), Dips: p.GetDips(), Vat: p.GetVat(), IndigoGPerL: p.GetIndigoGPerL(),
		IndigoPurityPercent: p.IndigoPurityPercent, ExhaustOf: p.GetExhaustOf(), PiecesLifted: p.GetPiecesLifted(), IndigoByActiveDye: p.GetIndigoByActiveDye(),
	}
	switch p.GetVolume().(type) {
	case *benchpb.PlanBath_Litres:
		out.Volume = &bathscalev1.BathRecipe_Litres{Litres: p.GetLitres()}
	default:
		out.Volume = &bathscalev1.BathRecipe_LiquorRatio{LiquorRatio: p.GetLiquorRatio()}
	}
	for _, u := range p.GetUptakes() {
		out.Uptakes = append(out.Uptakes, &bathscalev1.Uptake{Material: u.GetMaterial(), Part: u.GetPart()})
	}
	for _, m := range p.GetDoses() {
		dose := &bathscalev1.Dose{
			Material: m.GetMaterial(), Form: bathscalev1.Form(m.GetForm()), Strength: m.Strength, MoisturePercent: m.MoisturePercent, PurityPercent: m.PurityPercent,
			LiquidGPerL: m.LiquidGPerL, SolubleGPerL: m.SolubleGPerL, LiquidDensityKgPerL: m.LiquidDensityKgPerL, LiquidPercent: m.LiquidPercent,
		}
		switch f := m.GetFigure().(type) {
		case *benchpb.PlanDose_PercentWof:
			dose.Figure = &bathscalev1.Dose_PercentWof{PercentWof: f.PercentWof}
		case *benchpb.PlanDose_GramsPerLitre:
			dose.Figure = &bathscalev1.Dose_GramsPerLitre{GramsPerLitre: f.GramsPerLitre}
		case *benchpb.PlanDose_PartsOf:
			dose.Figure = &bathscalev1.Dose_PartsOf{PartsOf: &bathscalev1.PartsOf{Parts: f.PartsOf.GetParts(), Of: f.PartsOf.GetOf()}}
		case *benchpb.PlanDose_GramsPerDip:
			dose.Figure = &bathscalev1.Dose_GramsPerDip{GramsPerDip: f.GramsPerDip}
		case *benchpb.PlanDose_Grams:
			dose.Figure = &bathscalev1.Dose_Grams{Grams: f.Grams}
		}
		out.Doses = append(out.Doses, dose)
	}
	return out
}

func loadOf(l *bathscalev1.LoadAmounts) *benchpb.SheetLoad {
	out := &benchpb.SheetLoad{
		Pieces: l.GetPieceIds(), FibreG: l.GetFibreG(), VolumeMl: l.GetVolumeMl(), CarriedMl: l.GetCarriedMl(), WaterToAddMl: l.GetWaterToAddMl(), LiquorRatio: l.GetLiquorRatio(),
	}
	for _, a := range l.GetAmounts() {
		amount := &benchpb.SheetAmount{
			Material: a.GetMaterial(), NotKnown: a.GetNotKnown(), Way: benchpb.AmountWay(a.GetWay()), Grams: a.GetShownG(), BalanceStepG: a.GetBalanceStepG(), TakeMl: a.GetTakeMl(),
			UncertaintyPercent: a.GetUncertaintyPercent(), RoundedPercent: a.GetRoundedPercent(), BeyondWanted: a.GetBeyondWanted(), LeftGrams: a.LeftG, LeastGrams: a.LeastG, TakeGrams: a.TakeG,
			DeliveredLowPercent: a.GetDeliveredLowPercent(), DeliveredPercent: a.GetDeliveredPercent(), DeliveredHighPercent: a.GetDeliveredHighPercent(),
		}
		if s := a.GetStock(); s != nil {
			amount.StockGrams, amount.StockMl, amount.StockGPerL = s.GetWeighG(), s.GetMakeUpToMl(), s.GetGPerL()
		}
		out.Amounts = append(out.Amounts, amount)
	}
	for _, bound := range l.GetLifted() {
		out.Lifted = append(out.Lifted, &benchpb.LiftedEarly{
			PiecesLeft: bound.GetPiecesLeft(), Material: bound.GetMaterial(), AtMostPercent: bound.GetAtMostPercent(), LiquorRatio: bound.GetLiquorRatio(),
		})
	}
	return out
}

// layOut asks for the schedule of each bath of which heat is told.
func (b *Bench) layOut(ctx context.Context, d *draft) error {
	for _, one := range d.baths {
		heat := one.plan.GetHeat()
		if heat == nil {
			continue
		}
		q := &bathscalev1.LayOutRequest{
			StartC: heat.GetStartC(), HoldC: heat.GetHoldC(), HoldMin: heat.GetHoldMin(), RateCPerMin: heat.GetRateCPerMin(), LooksMin: heat.GetLooksMin(), CoolMin: heat.GetCoolMin(),
			Fibres: fibresOf(one.pieces),
		}
		if one.ceiling > 0 {
			q.Ceilings = append(q.Ceilings, &bathscalev1.Ceiling{Of: one.plan.GetName(), TemperatureC: one.ceiling, Source: "the mordant module's choice"})
		}
		// The mordant module's ceiling is the plan's strictest, of a fibre, a dyestuff or a mordant. That of a fibre that isn't in a scour or a rinse doesn't hold there,
		// since no dyestuff or mordant has one there that it could hide; the scaling module has those of the fibres that are.
		of := d.mordants.GetCeilingOf()
		plain := one.plan.GetKind() == benchpb.BathKind_BATH_KIND_SCOUR || one.plan.GetKind() == benchpb.BathKind_BATH_KIND_RINSE
		elsewhere := plain && contains(d.fibres(), of) && !contains(q.GetFibres(), of)
		if d.mordants.GetCeilingC() > 0 && of != "" && !elsewhere {
			q.Ceilings = append(q.Ceilings, &bathscalev1.Ceiling{Of: d.mordants.GetCeilingOf(), TemperatureC: d.mordants.GetCeilingC(), Source: "the mordant module"})
		}
		r, who, err := b.modules.LayOut(ctx, q)
		if err != nil {
			// One line for all: the module is the same.
			if _, fault := d.part("schedule", who, err); fault != nil {
				return fmt.Errorf("bath %q: %w", one.plan.GetName(), fault)
			}
			return nil
		}
		one.laid = true
		one.out.HoldC = r.GetHoldC()
		if low := r.GetLoweredBy(); low != nil {
			one.out.LoweredBy = fmt.Sprintf("%s: %.4g °C at most", low.GetOf(), low.GetTemperatureC())
			if low.GetSource() != "" {
				one.out.LoweredBy += " (" + low.GetSource() + ")"
			}
		}
		for _, m := range r.GetMoments() {
			one.out.Moments = append(one.out.Moments, &benchpb.SheetMoment{Minute: m.GetMinute(), Kind: benchpb.MomentKind(m.GetKind()), TemperatureC: m.TemperatureC})
		}
		one.out.Remarks = append(one.out.Remarks, r.GetRemarks()...)
		if !hasPart(d.sheet, "schedule") {
			if _, err := d.part("schedule", who, nil); err != nil {
				return err
			}
		}
	}
	return nil
}

func hasPart(s *benchpb.Sheet, name string) bool {
	for _, p := range s.GetParts() {
		if p.GetPart() == name {
			return true
		}
	}
	return false
}
