package pipeline

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"unicode/utf8"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// The kinds of module that a bench asks.
const (
	KindBathscale = "bathscale"
	KindMordant   = "mordant"
	KindSafety    = "safety"
)

// ask puts one question to the default module of a kind, or to one by name, and has its answer checked. Errors: *ModuleError; ctx.Err().
func ask[Q, R any](ctx context.Context, p *Pipeline, kind, ref string, call func(grpc.ClientConnInterface) func(context.Context, Q, ...grpc.CallOption) (R, error), question Q, check func(*hold, R) error) (answer R, who *typesv1.ModuleIdentity, err error) {
	h, err := p.acquireFrom(kind, ref)
	if err != nil {
		return answer, nil, err
	}
	defer h.handle.Release()
	answer, err = call(h.handle)(ctx, question)
	if err != nil {
		return answer, h.identity(), h.failed(ctx, err)
	}
	return answer, h.identity(), check(h, answer)
}

// SelectMordants asks a mordant module, by its name; empty: the default one. Errors: *ModuleError; ctx.Err(). The identity is given with errors too, where a module
// was held.
func (p *Pipeline) SelectMordants(ctx context.Context, module string, q *mordantv1.SelectMordantsRequest) (*mordantv1.SelectMordantsResponse, *typesv1.ModuleIdentity, error) {
	return ask(ctx, p, KindMordant, cmp.Or(module, KindMordant), func(c grpc.ClientConnInterface) func(context.Context, *mordantv1.SelectMordantsRequest, ...grpc.CallOption) (*mordantv1.SelectMordantsResponse, error) {
		return mordantv1.NewMordantServiceClient(c).SelectMordants
	}, q, func(h *hold, r *mordantv1.SelectMordantsResponse) error { return h.checkMordants(q, r) })
}

func (h *hold) checkMordants(q *mordantv1.SelectMordantsRequest, r *mordantv1.SelectMordantsResponse) error {
	if q.GetFactsSha256() != "" && r.GetFactsSha256() != q.GetFactsSha256() {
		return h.blame("facts_sha256 is %.64q; allowed: %.64q, which was named", r.GetFactsSha256(), q.GetFactsSha256())
	}
	if len(r.GetQuestions()) > 0 {
		if len(r.GetFibres()) > 0 {
			return h.blame("fibres has %d entries beside %d questions; allowed: none", len(r.GetFibres()), len(r.GetQuestions()))
		}
		return nil
	}
	if len(r.GetFibres()) != len(q.GetFibres()) {
		return h.blame("fibres has %d entries for %d fibres", len(r.GetFibres()), len(q.GetFibres()))
	}
	if !(r.GetCeilingC() >= 0 && r.GetCeilingC() <= 105) {
		return h.blame("ceiling_c is %v; allowed: 0 to 105", r.GetCeilingC())
	}
	for i, f := range r.GetFibres() {
		if f.GetFibre() != q.GetFibres()[i] {
			return h.blame("fibres[%d].fibre is %.40q; allowed: %.40q", i, f.GetFibre(), q.GetFibres()[i])
		}
		for k, c := range f.GetChoices() {
			for s, step := range c.GetSteps() {
				if n := int(step.GetBeforeDyestuff()); n < 1 || n > len(q.GetDyestuffs())+1 {
					return h.blame("fibres[%d].choices[%d].steps[%d].before_dyestuff is %d; allowed: 1 to %d", i, k, s, n, len(q.GetDyestuffs())+1)
				}
				if !(step.GetCeilingC() >= 0 && step.GetCeilingC() <= 105) {
					return h.blame("fibres[%d].choices[%d].steps[%d].ceiling_c is %v; allowed: 0 to 105", i, k, s, step.GetCeilingC())
				}
				for _, m := range append([]*mordantv1.MordantMaterial{step.GetMaterial()}, step.GetWith()...) {
					if m.GetMaterial() == "" || !span(m.LowPercentWof, m.HighPercentWof, 1000) || !span(m.LowPerGram, m.HighPerGram, 1000) {
						return h.blame("fibres[%d].choices[%d].steps[%d] has the material %.40q, %v to %v %% and %v to %v a gram; allowed: a name, and low to high from 0 to 1000",
							i, k, s, m.GetMaterial(), m.GetLowPercentWof(), m.GetHighPercentWof(), m.GetLowPerGram(), m.GetHighPerGram())
					}
				}
			}
		}
	}
	return nil
}

// span reports whether both ends are absent, or lie from 0 to most in their order.
func span(low, high *float64, most float64) bool {
	if low == nil || high == nil {
		return low == nil && high == nil
	}
	return *low >= 0 && *low <= *high && *high <= most
}

// ScaleBaths asks the bath scaling module. Errors: as for SelectMordants.
func (p *Pipeline) ScaleBaths(ctx context.Context, q *bathscalev1.ScaleBathsRequest) (*bathscalev1.ScaleBathsResponse, *typesv1.ModuleIdentity, error) {
	return ask(ctx, p, KindBathscale, KindBathscale, func(c grpc.ClientConnInterface) func(context.Context, *bathscalev1.ScaleBathsRequest, ...grpc.CallOption) (*bathscalev1.ScaleBathsResponse, error) {
		return bathscalev1.NewBathscaleServiceClient(c).ScaleBaths
	}, q, func(h *hold, r *bathscalev1.ScaleBathsResponse) error { return h.checkScale(q, r) })
}

func (h *hold) checkScale(q *bathscalev1.ScaleBathsRequest, r *bathscalev1.ScaleBathsResponse) error {
	if len(r.GetBaths()) != len(q.GetBaths()) {
		return h.blame("baths has %d entries for %d baths", len(r.GetBaths()), len(q.GetBaths()))
	}
	asks := map[string]bool{}
	for i, question := range r.GetQuestions() {
		if question.GetText() == "" {
			return h.blame("questions[%d].text is missing", i)
		}
		asks[question.GetBathId()] = true
	}
	var all []string
	for _, f := range q.GetFibre() {
		all = append(all, f.GetPieceId())
	}
	for i, b := range r.GetBaths() {
		recipe := q.GetBaths()[i]
		if b.GetBathId() != recipe.GetBathId() {
			return h.blame("baths[%d].bath_id is %.40q; allowed: %.40q", i, b.GetBathId(), recipe.GetBathId())
		}
		if asks[b.GetBathId()] {
			continue
		}
		wanted := recipe.GetPieceIds()
		if len(wanted) == 0 {
			wanted = all
		}
		var given []string
		for k, load := range b.GetLoads() {
			given = append(given, load.GetPieceIds()...)
			if err := h.checkLoad(i, k, recipe, load); err != nil {
				return err
			}
		}
		slices.Sort(given)
		if want := slices.Sorted(slices.Values(wanted)); !slices.Equal(given, want) {
			return h.blame("baths[%d].loads hold %d pieces; allowed: each of the bath's %d pieces once", i, len(given), len(want))
		}
	}
	return nil
}

func (h *hold) checkLoad(i, k int, recipe *bathscalev1.BathRecipe, load *bathscalev1.LoadAmounts) error {
	for _, f := range []struct {
		field string
		value float64
		least float64
	}{
		{"fibre_g", load.GetFibreG(), 0}, {"volume_ml", load.GetVolumeMl(), 0}, {"carried_ml", load.GetCarriedMl(), 0}, {"brought_ml", load.GetBroughtMl(), 0},
		{"liquor_ratio", load.GetLiquorRatio(), 0}, {"water_to_add_ml", load.GetWaterToAddMl(), math.Inf(-1)}, {"fibre_uncertainty_g", load.GetFibreUncertaintyG(), 0},
	} {
		if !finite(f.value) || f.value < f.least {
			return h.blame("baths[%d].loads[%d].%s is %v; allowed: a finite number from %v", i, k, f.field, f.value, f.least)
		}
	}
	told := map[string]bool{}
	for a, amount := range load.GetAmounts() {
		told[amount.GetMaterial()] = true
		figures := []float64{amount.GetMeantG(), amount.GetAtHandG(), amount.GetShownG(), amount.GetTakeMl(), amount.GetUncertaintyPercent(), amount.GetLeftG(),
			amount.GetStock().GetWeighG(), amount.GetStock().GetMakeUpToMl(), amount.GetStock().GetGPerL(), amount.GetLeastG(), amount.GetTakeG()}
		if slices.ContainsFunc(figures, func(v float64) bool { return !finite(v) || v < 0 }) || !finite(amount.GetRoundedPercent()) {
			return h.blame("baths[%d].loads[%d].amounts[%d] has the figures %v; allowed: finite numbers from 0", i, k, a, figures)
		}
		switch low, likely, high := amount.GetDeliveredLowPercent(), amount.GetDeliveredPercent(), amount.GetDeliveredHighPercent(); {
		case !finite(low) || !finite(high) || low > likely || likely > high:
			return h.blame("baths[%d].loads[%d].amounts[%d] delivers %v, %v, %v percent; allowed: finite numbers that rise", i, k, a, low, likely, high)
		case amount.GetNotKnown() == "" && (amount.GetWay() < bathscalev1.Way_WAY_WEIGHED || amount.GetWay() > bathscalev1.Way_WAY_TOO_SMALL):
			return h.blame("baths[%d].loads[%d].amounts[%d].way is %v; allowed: a known way, or a reason why nothing is known", i, k, a, amount.GetWay())
		}
	}
	for _, d := range recipe.GetDoses() {
		if !told[d.GetMaterial()] {
			return h.blame("baths[%d].loads[%d].amounts lacks %.40q", i, k, d.GetMaterial())
		}
	}
	return nil
}

// MixWaters asks the bath scaling module for the hardness of a mix. Errors: as for SelectMordants.
func (p *Pipeline) MixWaters(ctx context.Context, q *bathscalev1.MixWatersRequest) (*bathscalev1.MixWatersResponse, *typesv1.ModuleIdentity, error) {
	return ask(ctx, p, KindBathscale, KindBathscale, func(c grpc.ClientConnInterface) func(context.Context, *bathscalev1.MixWatersRequest, ...grpc.CallOption) (*bathscalev1.MixWatersResponse, error) {
		return bathscalev1.NewBathscaleServiceClient(c).MixWaters
	}, q, func(h *hold, r *bathscalev1.MixWatersResponse) error {
		if low := r.GetLowMgPerL(); !finite(low) || low < 0 || (r.HighMgPerL != nil && !(r.GetHighMgPerL() >= low && finite(r.GetHighMgPerL()))) {
			return h.blame("the mix has %v to %v mg/L; allowed: 0 and up, low to high", low, r.HighMgPerL)
		}
		raise := []float64{r.GetRaise().GetCalciumCarbonateG(), r.GetRaise().GetCalciumAcetateMonohydrateG(), r.GetRaise().GetCalciumChlorideDihydrateG(), r.GetWantedMgPerL()}
		if slices.ContainsFunc(raise, func(v float64) bool { return !finite(v) || v < 0 }) {
			return h.blame("raising has the figures %v; allowed: finite numbers from 0", raise)
		}
		sum := 0.0
		for i, share := range r.GetWantedShares() {
			if sum += share; !(share >= 0 && share <= 1) {
				return h.blame("wanted_shares[%d] is %v; allowed: 0 to 1", i, share)
			}
		}
		if n := len(r.GetWantedShares()); n > 0 && (n != len(q.GetWaters()) || math.Abs(sum-1) > 1e-6) {
			return h.blame("wanted_shares are %d of %d waters and add up to %v; allowed: one for each, which add up to 1", n, len(q.GetWaters()), sum)
		}
		return nil
	})
}

// Rescale asks the bath scaling module to carry the figures of a bath to another size. Errors: as for SelectMordants.
func (p *Pipeline) Rescale(ctx context.Context, q *bathscalev1.RescaleRequest) (*bathscalev1.RescaleResponse, *typesv1.ModuleIdentity, error) {
	return ask(ctx, p, KindBathscale, KindBathscale, func(c grpc.ClientConnInterface) func(context.Context, *bathscalev1.RescaleRequest, ...grpc.CallOption) (*bathscalev1.RescaleResponse, error) {
		return bathscalev1.NewBathscaleServiceClient(c).Rescale
	}, q, func(h *hold, r *bathscalev1.RescaleResponse) error {
		if len(r.GetFigures()) != len(q.GetFigures()) {
			return h.blame("there are %d figures; allowed: the %d that were asked for", len(r.GetFigures()), len(q.GetFigures()))
		}
		for i, f := range r.GetFigures() {
			asked := q.GetFigures()[i]
			if f.GetName() != asked.GetName() {
				return h.blame("figures[%d].name is %.40q; allowed: %.40q, as asked", i, f.GetName(), asked.GetName())
			}
			if f.Value != nil && (!finite(f.GetValue()) || f.GetValue() < 0 || asked.GetGrows() == bathscalev1.Grows_GROWS_BY_NEITHER) {
				return h.blame("figures[%d].value is %v; allowed: 0 and up, finite, and none of what grows by neither", i, f.GetValue())
			}
		}
		return nil
	})
}

// LayOut asks the bath scaling module to lay a bath out in time. Errors: as for SelectMordants.
func (p *Pipeline) LayOut(ctx context.Context, q *bathscalev1.LayOutRequest) (*bathscalev1.LayOutResponse, *typesv1.ModuleIdentity, error) {
	return ask(ctx, p, KindBathscale, KindBathscale, func(c grpc.ClientConnInterface) func(context.Context, *bathscalev1.LayOutRequest, ...grpc.CallOption) (*bathscalev1.LayOutResponse, error) {
		return bathscalev1.NewBathscaleServiceClient(c).LayOut
	}, q, func(h *hold, r *bathscalev1.LayOutResponse) error {
		if hold := r.GetHoldC(); !(hold >= 0 && hold <= q.GetHoldC()+1e-9) {
			return h.blame("hold_c is %v; allowed: 0 to the %v that was asked for", hold, q.GetHoldC())
		}
		last := 0.0
		for i, m := range r.GetMoments() {
			if !finite(m.GetMinute()) || m.GetMinute() < last || m.GetKind() <= 0 || m.GetKind() > bathscalev1.MomentKind_MOMENT_KIND_FIBRE_OUT || !(m.GetTemperatureC() >= 0 && m.GetTemperatureC() <= 105) {
				return h.blame("moments[%d] is %v at minute %v and %v degrees; allowed: a known kind, minutes that don't fall, 0 to 105 degrees", i, m.GetKind(), m.GetMinute(), m.GetTemperatureC())
			}
			last = m.GetMinute()
		}
		return nil
	})
}

// ListFields asks a safety module, by its name, for the fields of its rules. Errors: as for SelectMordants.
func (p *Pipeline) ListFields(ctx context.Context, module string) (*safetyv1.ListFieldsResponse, *typesv1.ModuleIdentity, error) {
	return ask(ctx, p, KindSafety, module, func(c grpc.ClientConnInterface) func(context.Context, *safetyv1.ListFieldsRequest, ...grpc.CallOption) (*safetyv1.ListFieldsResponse, error) {
		return safetyv1.NewSafetyServiceClient(c).ListFields
	}, &safetyv1.ListFieldsRequest{}, func(h *hold, r *safetyv1.ListFieldsResponse) error {
		for i, f := range r.GetFields() {
			if f.GetName() == "" || f.GetKind() <= 0 || f.GetKind() > safetyv1.FieldKind_FIELD_KIND_NUMBER || f.GetAbout() <= 0 || f.GetAbout() > safetyv1.FieldAbout_FIELD_ABOUT_PERSON {
				return h.blame("fields[%d] is %.60q of kind %v about %v; allowed: a name, and known words", i, f.GetName(), f.GetKind(), f.GetAbout())
			}
		}
		return nil
	})
}

// maxToldApart is the bound of safety.proto.
const maxToldApart = 400

// NameMaterials asks a safety module, by its name, which names are of one material. A module without that knows no other names than those it is given. Errors: as for
// SelectMordants.
func (p *Pipeline) NameMaterials(ctx context.Context, module string, q *safetyv1.NameMaterialsRequest) (*safetyv1.NameMaterialsResponse, *typesv1.ModuleIdentity, error) {
	h, err := p.acquireFrom(KindSafety, module)
	if err != nil {
		return nil, nil, err
	}
	defer h.handle.Release()
	r, err := safetyv1.NewSafetyServiceClient(h.handle).NameMaterials(ctx, q)
	switch {
	case ctx.Err() == nil && status.Code(err) == codes.Unimplemented:
		r = &safetyv1.NameMaterialsResponse{}
		for _, name := range q.GetNames() {
			r.Materials = append(r.Materials, &safetyv1.NamedMaterial{FirstName: name})
		}
		return r, h.identity(), nil
	case err != nil:
		return nil, h.identity(), h.failed(ctx, err)
	case len(r.GetMaterials()) != len(q.GetNames()):
		return nil, h.identity(), h.blame("materials has %d entries for %d names", len(r.GetMaterials()), len(q.GetNames()))
	}
	for i, m := range r.GetMaterials() {
		if m.GetFirstName() == "" {
			return nil, h.identity(), h.blame("materials[%d].first_name is empty", i)
		}
		if n := utf8.RuneCountInString(m.GetToldApart()); n > maxToldApart {
			return nil, h.identity(), h.blame("materials[%d].told_apart has %d characters, want at most %d", i, n, maxToldApart)
		}
		if fault := saltFault(m.GetSalt()); fault != "" {
			return nil, h.identity(), h.blame("materials[%d].salt.%s", i, fault)
		}
	}
	return r, h.identity(), nil
}

// saltFault is what is wrong with what a module says of a salt, beginning with the field; "" when nothing is.
func saltFault(s *safetyv1.MetalSalt) string {
	percent := func(x float64) bool { return x > 0 && x <= 100 }
	switch n := utf8.RuneCountInString(s.GetMetal()); {
	case s == nil:
	case n < 1 || n > 40:
		return fmt.Sprintf("metal has %d characters, want 1 to 40", n)
	case !percent(s.GetLowPercent()) || !percent(s.GetHighPercent()) || s.GetLowPercent() > s.GetHighPercent():
		return fmt.Sprintf("low_percent is %v and high_percent %v, want above 0 to 100 and no fall", s.GetLowPercent(), s.GetHighPercent())
	case s.GetCeilingSalt() != "" && !percent(s.GetCeilingSaltPercent()):
		return fmt.Sprintf("ceiling_salt_percent is %v, want above 0 to 100", s.GetCeilingSaltPercent())
	}
	return ""
}

// JudgeSteps asks a safety module, by its name, to hold steps against its rules. Errors: as for SelectMordants.
func (p *Pipeline) JudgeSteps(ctx context.Context, module string, q *safetyv1.JudgeStepsRequest) (*safetyv1.JudgeStepsResponse, *typesv1.ModuleIdentity, error) {
	return ask(ctx, p, KindSafety, module, func(c grpc.ClientConnInterface) func(context.Context, *safetyv1.JudgeStepsRequest, ...grpc.CallOption) (*safetyv1.JudgeStepsResponse, error) {
		return safetyv1.NewSafetyServiceClient(c).JudgeSteps
	}, q, func(h *hold, r *safetyv1.JudgeStepsResponse) error { return h.checkJudged(q, r) })
}

// checkJudged sees to it that every step was judged, against every pack that was named, and against some rule at all.
func (h *hold) checkJudged(q *safetyv1.JudgeStepsRequest, r *safetyv1.JudgeStepsResponse) error {
	if len(r.GetSteps()) != len(q.GetSteps()) {
		return h.blame("steps has %d entries for %d steps", len(r.GetSteps()), len(q.GetSteps()))
	}
	packs, rules := map[string]bool{}, int32(0)
	for _, p := range r.GetPacks() {
		packs[p.GetSha256()] = true
		rules += p.GetRules()
	}
	for _, digest := range q.GetPackSha256() {
		if !packs[digest] {
			return h.blame("packs lacks %.64q, which was named", digest)
		}
	}
	if rules < 1 || len(r.GetStandingCautions()) == 0 {
		return h.blame("it has %d rules and %d standing cautions; allowed: at least one of each", rules, len(r.GetStandingCautions()))
	}
	for i, step := range r.GetSteps() {
		if step.GetStepId() != q.GetSteps()[i].GetStepId() {
			return h.blame("steps[%d].step_id is %.40q; allowed: %.40q", i, step.GetStepId(), q.GetSteps()[i].GetStepId())
		}
		for k, f := range step.GetFindings() {
			stop := f.GetSeverity() == safetyv1.Severity_SEVERITY_STOP
			switch {
			case f.GetRuleId() == "" || !packs[f.GetPackSha256()]:
				return h.blame("steps[%d].findings[%d] is of rule %.40q of pack %.64q; allowed: a rule of a pack that it names", i, k, f.GetRuleId(), f.GetPackSha256())
			case f.GetSeverity() <= 0 || f.GetSeverity() > safetyv1.Severity_SEVERITY_STOP:
				return h.blame("steps[%d].findings[%d].severity is %v; allowed: a known one", i, k, f.GetSeverity())
			case f.GetStanding() != safetyv1.Standing_STANDING_FIRES && f.GetStanding() != safetyv1.Standing_STANDING_NEEDS_ANSWER:
				return h.blame("steps[%d].findings[%d].standing is %v; allowed: a known one", i, k, f.GetStanding())
			case f.GetStanding() == safetyv1.Standing_STANDING_NEEDS_ANSWER && len(f.GetMissingFields()) == 0:
				return h.blame("steps[%d].findings[%d].missing_fields is empty; required with NEEDS_ANSWER", i, k)
			case stop && (f.GetOverride() <= 0 || f.GetOverride() > safetyv1.Override_OVERRIDE_PERMISSION):
				return h.blame("steps[%d].findings[%d].override is %v; a stop has a known one", i, k, f.GetOverride())
			case f.GetTitle() == "":
				return h.blame("steps[%d].findings[%d].title is missing", i, k)
			}
		}
	}
	return nil
}
