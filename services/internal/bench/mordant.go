package bench

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// mixWaters asks for the hardness of the mix.
func (b *Bench) mixWaters(ctx context.Context, d *draft) error {
	if len(d.plan.GetWaters()) == 0 {
		return nil
	}
	q := &bathscalev1.MixWatersRequest{}
	for _, w := range d.plan.GetWaters() {
		q.Waters = append(q.Waters, &bathscalev1.WaterShare{Parts: w.GetParts(), Hardness: w.Hardness, Unit: bathscalev1.HardnessUnit(w.GetScale()), CalciumMgPerL: w.CalciumMgPerL, MagnesiumMgPerL: w.MagnesiumMgPerL})
	}
	if wanted := d.plan.GetWantedHardness(); wanted != nil {
		q.Wanted, q.Litres = &bathscalev1.Hardness{Value: wanted.GetValue(), Unit: bathscalev1.HardnessUnit(wanted.GetScale())}, 1
	}
	r, who, err := b.modules.MixWaters(ctx, q)
	if part, err := d.part("water", who, err); err != nil || part.GetFault() != "" {
		return err
	}
	d.sheet.Water = &benchpb.WaterHardness{
		LowMgPerL: r.GetLowMgPerL(), HighMgPerL: r.HighMgPerL, Remarks: r.GetRemarks(), WantedMgPerL: r.WantedMgPerL, WantedShares: r.GetWantedShares(),
	}
	if raise := r.GetRaise(); raise != nil {
		// What is put into water goes into a bath: as advice it is told by the litre, and planned it is held against the rules.
		d.sheet.Water.Remarks = append(d.sheet.Water.Remarks, fmt.Sprintf(
			"%.4g mg/L take %.3g g/L of calcium acetate monohydrate or %.3g g/L of calcium chloride dihydrate (%s): plan one of them as a material of the bath, so that the safety rules see it",
			r.GetWantedMgPerL(), raise.GetCalciumAcetateMonohydrateG(), raise.GetCalciumChlorideDihydrateG(), raise.GetModel()))
	}
	return nil
}

// chooseMordants asks for mordants, and makes the choice into baths where that is wished.
func (b *Bench) chooseMordants(ctx context.Context, d *draft) error {
	d.dyes = d.dyestuffs()
	if len(d.dyes) == 0 {
		return nil
	}
	q := &mordantv1.SelectMordantsRequest{
		Fibres: d.fibres(), Dyestuffs: d.dyes, Shift: d.plan.GetWantedShift(), Store: d.plan.GetStore(), StoreTold: d.plan.GetStoreTold(), Refused: d.plan.GetRefused(),
	}
	if w := d.sheet.GetWater(); w != nil && w.HighMgPerL != nil {
		q.HardnessMgPerL = w.HighMgPerL
	}
	r, who, err := b.mordants(ctx, q)
	part, err := d.part("mordant", who, err)
	if err != nil {
		return err
	}
	if part.GetFault() != "" {
		if d.plan.GetMordant() != nil {
			d.lacksMordants("the mordant module didn't answer")
		}
		return nil
	}
	part.Facts = strings.TrimSpace(r.GetFactsName() + " " + r.GetFactsVersion())
	if digest := r.GetFactsSha256(); digest != "" {
		part.Packs = []*benchpb.SheetPack{{Sha256: digest, Name: r.GetFactsName(), Version: r.GetFactsVersion()}}
	}
	for _, question := range r.GetQuestions() {
		d.asked.add(&benchpb.SheetQuestion{
			Scope: benchpb.QuestionScope_QUESTION_SCOPE_RECIPE, Of: question.GetAbout(), Text: question.GetText(), Choices: question.GetChoices(), Holds: d.plan.GetMordant() != nil,
		})
	}
	if len(r.GetQuestions()) > 0 {
		if d.plan.GetMordant() != nil {
			d.lacksMordants("the mordant module has to be told more first")
		}
		return nil
	}
	d.mordants, d.sheet.Mordants = r, advice(r)
	if err := b.otherOrders(ctx, d, q); err != nil {
		return err
	}
	if d.plan.GetMordant() == nil {
		return nil
	}
	return d.insertMordants()
}

// maxOrders bounds the orders of dyestuffs, beside the plan's own, that are asked about.
const maxOrders = 8

// order is a sequence of dyestuffs with the pieces that go through it.
type order struct {
	dyes   []*mordantv1.Dyestuff
	pieces []string
}

// orders are the sequences of two and more dyestuffs that pieces go through, in the order of the pieces.
func (d *draft) orders() (all []order) {
	of := map[string][]*mordantv1.Dyestuff{}
	for _, one := range d.baths {
		for _, dye := range dyesOf(one.plan) {
			for _, p := range one.pieces {
				met := of[p.GetLabel()]
				if !slices.ContainsFunc(met, func(m *mordantv1.Dyestuff) bool { return m.GetName() == dye[0] }) {
					of[p.GetLabel()] = append(met, &mordantv1.Dyestuff{Name: dye[0], DyeClass: dye[1]})
				}
			}
		}
	}
	for _, p := range d.plan.GetPieces() {
		dyes := of[p.GetLabel()]
		if len(dyes) < 2 {
			continue
		}
		at := slices.IndexFunc(all, func(o order) bool { return slices.EqualFunc(o.dyes, dyes, sameDye) })
		if at < 0 {
			all = append(all, order{dyes: dyes})
			at = len(all) - 1
		}
		all[at].pieces = append(all[at].pieces, p.GetLabel())
	}
	return all
}

func sameDye(a, b *mordantv1.Dyestuff) bool { return a.GetName() == b.GetName() }

// otherOrders adds what is said of pieces that go through the dyestuffs in another order than the plan has them. The baths are made for the plan's own.
func (b *Bench) otherOrders(ctx context.Context, d *draft, q *mordantv1.SelectMordantsRequest) error {
	asked := 0
	for _, o := range d.orders() {
		if slices.EqualFunc(o.dyes, d.dyes, sameDye) {
			continue
		}
		if asked++; asked > maxOrders {
			d.remark("of more than %d orders of dyestuffs, mordants are told of the first %d", maxOrders, maxOrders)
			break
		}
		var names []string
		for _, dye := range o.dyes {
			names = append(names, dye.GetName())
		}
		of := fmt.Sprintf("%s (%s)", strings.Join(names, ", then "), strings.Join(o.pieces, ", "))
		other := proto.Clone(q).(*mordantv1.SelectMordantsRequest) //nolint:forcetypeassert // a clone is of the same type
		other.Dyestuffs = o.dyes
		r, _, err := b.mordants(ctx, other)
		var fault *pipeline.ModuleError
		switch {
		case errors.As(err, &fault):
			d.remark("mordants for %s aren't told: %s", of, fault.Reason)
			continue
		case err != nil:
			return err
		}
		said := r.GetRemarks()
		for _, f := range r.GetFibres() {
			for _, c := range f.GetChoices() {
				said = append(said, c.GetWarnings()...)
			}
		}
		for _, remark := range mordantRemarks(said) {
			if slices.ContainsFunc(d.sheet.Mordants.Remarks, func(there *benchpb.MordantRemark) bool {
				return there.GetText() == remark.GetText() || strings.HasSuffix(there.GetText(), ": "+remark.GetText())
			}) {
				continue
			}
			remark.Text = of + ": " + remark.GetText()
			d.sheet.Mordants.Remarks = append(d.sheet.Mordants.Remarks, remark)
		}
	}
	return nil
}

// mordants asks the first mordant module, by the table of facts that is in force for it.
func (b *Bench) mordants(ctx context.Context, q *mordantv1.SelectMordantsRequest) (*mordantv1.SelectMordantsResponse, *typesv1.ModuleIdentity, error) {
	name := ""
	if active := b.mordant(); len(active) > 0 {
		name = active[0]
		tables, err := b.inForce(ctx, pipeline.KindMordant, name, "table of facts")
		if err != nil {
			return nil, nil, err
		}
		if len(tables) > 0 {
			q.FactsSha256 = tables[0] // the keeper has one in force at most
		}
	}
	return b.modules.SelectMordants(ctx, name, q)
}

func (d *draft) lacksMordants(why string) {
	d.missing = true
	d.remark("the mordant baths that the plan wants are missing: %s", why)
}

// insertMordants makes baths of the choice for each fibre, before the dyestuff that each is for. Fibres that go the same way share their baths, under the
// stricter ceiling.
func (d *draft) insertMordants() error {
	wish := d.plan.GetMordant()
	number := max(1, int(wish.GetChoice()))
	type way struct {
		fibres []string
		choice *mordantv1.Choice
	}
	var ways []way
	for i, f := range d.mordants.GetFibres() {
		if len(f.GetChoices()) < number {
			if len(f.GetChoices()) > 0 && number > 1 {
				return trial.Faults{{Field: "plan.mordant.choice", Text: fmt.Sprintf("%d: there are %d choices for %s", number, len(f.GetChoices()), f.GetFibre())}}
			}
			d.lacksMordants("no way is known for " + f.GetFibre() + ", or all are ruled out")
			continue
		}
		choice := f.GetChoices()[number-1]
		d.sheet.Mordants.Fibres[i].Taken = int32(number)
		same := false
		for k := range ways {
			if sameSteps(ways[k].choice, choice) {
				ways[k].fibres, same = append(ways[k].fibres, f.GetFibre()), true
			}
		}
		if !same {
			ways = append(ways, way{[]string{f.GetFibre()}, choice})
		}
	}
	for i, p := range d.plan.GetPieces() {
		goes := 0
		for _, w := range ways {
			for _, f := range p.GetComposition() {
				if contains(w.fibres, f.GetFibre()) {
					goes++
					break
				}
			}
		}
		if goes > 1 {
			return trial.Faults{{Field: fmt.Sprintf("plan.pieces[%d].composition", i), Text: "is a blend whose fibres are mordanted in different ways: write its mordant baths into the plan, and leave mordant out"}}
		}
	}
	var all []*bath
	insert := func(dye int, day int32) error {
		for _, w := range ways {
			for i, step := range w.choice.GetSteps() {
				if int(step.GetBeforeDyestuff()) == dye {
					made, err := d.mordantBath(w.fibres, i+1, step, day)
					if err != nil {
						return err
					}
					if made != nil {
						all = append(all, made)
					}
				}
			}
		}
		return nil
	}
	next := 1 // the dyestuff that hasn't come yet
	for _, one := range d.baths {
		for _, dye := range dyesOf(one.plan) {
			for next <= len(d.dyes) && d.dyes[next-1].GetName() == dye[0] {
				if err := insert(next, one.plan.GetDay()); err != nil {
					return err
				}
				next++
			}
		}
		all = append(all, one)
	}
	last := d.baths[len(d.baths)-1].plan.GetDay()
	if err := insert(len(d.dyes)+1, last); err != nil {
		return err
	}
	d.baths = all
	return nil
}

func sameSteps(a, b *mordantv1.Choice) bool {
	text := func(c *mordantv1.Choice) (all string) {
		for _, s := range c.GetSteps() {
			all += fmt.Sprintf("%d %s|", s.GetBeforeDyestuff(), stepText(s))
		}
		return all
	}
	return text(a) == text(b)
}

// mordantBath is one step of a choice as a bath, or nil where no piece is of these fibres.
func (d *draft) mordantBath(fibres []string, number int, step *mordantv1.MordantStep, day int32) (*bath, error) {
	wish := d.plan.GetMordant()
	p := &benchpb.PlanBath{
		Name: fmt.Sprintf("%s %d: %s", strings.Join(fibres, " and "), number, step.GetMaterial().GetMaterial()), RinsedBefore: true, Answers: wish.GetAnswers(), Day: day,
	}
	done(p, step, wish)
	if r := []rune(p.GetName()); len(r) > 80 {
		p.Name = string(r[:80])
	}
	for _, other := range d.plan.GetBaths() {
		if other.GetName() == p.GetName() {
			return nil, trial.Faults{{Field: "plan.baths", Text: fmt.Sprintf("have one named %q, as the chosen mordant bath is", p.GetName())}}
		}
	}
	switch wish.GetVolume().(type) {
	case *benchpb.MordantWish_Litres:
		p.Volume = &benchpb.PlanBath_Litres{Litres: wish.GetLitres()}
	default:
		p.Volume = &benchpb.PlanBath_LiquorRatio{LiquorRatio: wish.GetLiquorRatio()}
	}
	within := 0.5
	if wish.WithinRange != nil {
		within = wish.GetWithinRange()
	}
	between := func(low, high float64) float64 { return low + within*(high-low) }
	var unpublished []string
	for i, m := range append([]*mordantv1.MordantMaterial{step.GetMaterial()}, step.GetWith()...) {
		dose := &benchpb.PlanDose{Material: m.GetMaterial()}
		switch {
		case m.HighPercentWof != nil:
			dose.Figure = &benchpb.PlanDose_PercentWof{PercentWof: between(m.GetLowPercentWof(), m.GetHighPercentWof())}
		case m.HighPerGram != nil && i > 0 && len(unpublished) == 0:
			dose.Figure = &benchpb.PlanDose_PartsOf{PartsOf: &benchpb.PlanParts{Parts: between(m.GetLowPerGram(), m.GetHighPerGram()), Of: step.GetMaterial().GetMaterial()}}
		default:
			unpublished = append(unpublished, m.GetMaterial())
		}
		p.Doses = append(p.Doses, dose)
	}
	for _, piece := range d.plan.GetPieces() {
		for _, f := range piece.GetComposition() {
			if contains(fibres, f.GetFibre()) && !contains(p.GetPieces(), piece.GetLabel()) {
				p.Pieces = append(p.Pieces, piece.GetLabel())
			}
		}
	}
	if len(p.GetPieces()) == 0 {
		return nil, nil
	}
	made := d.newBath(p)
	made.out.Chosen, made.ceiling = true, step.GetCeilingC()
	if step.GetNote() != "" {
		made.out.Remarks = append(made.out.Remarks, step.GetNote())
	}
	if p.GetHeat() == nil && (p.GetKind() == benchpb.BathKind_BATH_KIND_MODIFIER || p.GetKind() == benchpb.BathKind_BATH_KIND_RINSE) {
		made.out.Remarks = append(made.out.Remarks, "how hot it gets and for how long isn't told: the heat of the mordant baths isn't its own")
	}
	if len(unpublished) > 0 {
		made.open = true
		made.out.Remarks = append(made.out.Remarks, "no amount is published for "+strings.Join(unpublished, ", "))
	}
	return made, nil
}

// done says how a step of a choice is done. What is told of mordants isn't told of what goes on after them: an hour near the boil is no rinse in chalk, and no minutes in iron.
func done(p *benchpb.PlanBath, step *mordantv1.MordantStep, wish *benchpb.MordantWish) {
	p.Kind, p.Vessel, p.Heat, p.Ph = benchpb.BathKind_BATH_KIND_MORDANT, wish.GetVessel(), wish.GetHeat(), wish.GetPh()
	if step.GetModifies() {
		own := wish.GetModifier()
		p.Kind, p.Vessel, p.Heat, p.Ph = benchpb.BathKind_BATH_KIND_MODIFIER, own.GetVessel(), own.GetHeat(), own.GetPh()
		return
	}
	switch strings.ToLower(step.GetMaterial().GetMaterial()) { // by their names in tables of facts, and nothing that merely sounds like them
	case "chalk":
		p.Kind, p.Heat, p.Ph = benchpb.BathKind_BATH_KIND_RINSE, nil, nil
	case "tannin":
		p.Kind = benchpb.BathKind_BATH_KIND_TANNIN
	}
}

var confidences = map[mordantv1.Confidence]string{
	mordantv1.Confidence_CONFIDENCE_HIGH: "high", mordantv1.Confidence_CONFIDENCE_MEDIUM: "medium", mordantv1.Confidence_CONFIDENCE_LOW: "low",
}

func advice(r *mordantv1.SelectMordantsResponse) *benchpb.MordantAdvice {
	out := &benchpb.MordantAdvice{CeilingC: r.GetCeilingC(), CeilingOf: r.GetCeilingOf(), Remarks: mordantRemarks(r.GetRemarks())}
	for _, f := range r.GetFibres() {
		fibre := &benchpb.FibreAdvice{Fibre: f.GetFibre(), FibreClass: f.GetFibreClass()}
		for _, c := range f.GetChoices() {
			choice := &benchpb.MordantChoice{
				Effect: c.GetEffect(), Reasons: c.GetReasons(), Sources: c.GetSources(), Confidence: confidences[c.GetConfidence()],
				Warnings: mordantRemarks(c.GetWarnings()), GivesShift: c.GetGivesShift(),
			}
			for _, s := range c.GetSteps() {
				choice.Steps = append(choice.Steps, &benchpb.MordantStep{Text: stepText(s), BeforeDyestuff: s.GetBeforeDyestuff(), Modifies: s.GetModifies(), Note: s.GetNote()})
			}
			fibre.Choices = append(fibre.Choices, choice)
		}
		for _, out := range f.GetRuledOut() {
			fibre.RuledOut = append(fibre.RuledOut, &benchpb.MordantRuledOut{What: out.GetWhat(), Why: out.GetWhy()})
		}
		out.Fibres = append(out.Fibres, fibre)
	}
	return out
}

// stepText is a step with its published ranges.
func stepText(s *mordantv1.MordantStep) string {
	texts := []string{materialText(s.GetMaterial())}
	for _, m := range s.GetWith() {
		texts = append(texts, "with "+materialText(m))
	}
	return strings.Join(texts, " ")
}

func materialText(m *mordantv1.MordantMaterial) string {
	between := func(low, high float64) string {
		if low == high {
			return fmt.Sprintf("%.4g", low)
		}
		return fmt.Sprintf("%.4g to %.4g", low, high)
	}
	switch {
	case m.HighPercentWof != nil:
		return m.GetMaterial() + " " + between(m.GetLowPercentWof(), m.GetHighPercentWof()) + " % WOF"
	case m.HighPerGram != nil:
		return m.GetMaterial() + " " + between(m.GetLowPerGram(), m.GetHighPerGram()) + " g for each gram"
	}
	return m.GetMaterial() + " (no amount is published)"
}

func mordantRemarks(list []*mordantv1.Remark) (out []*benchpb.MordantRemark) {
	for _, r := range list {
		out = append(out, &benchpb.MordantRemark{Text: r.GetText(), Sources: r.GetSources(), Confidence: confidences[r.GetConfidence()], Conflict: r.GetConflict()})
	}
	return out
}
