package bench

import (
	"context"
	"fmt"
	"math"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// What a plan may have.
const (
	maxLitres = 1e5
	maxPieces = 200
)

// Rescale carries a recorded trial or a kept sheet to another mass of fibre. Errors: trial.Faults; trial.ErrNotFound; trial.ErrConflict for a deleted record, and for
// a piece whose mass isn't known; *pipeline.ModuleError, also when the module is down.
func (b *Bench) Rescale(ctx context.Context, member trial.MemberID, q *benchpb.RescaleTrialRequest) (*benchpb.RescaleTrialResponse, error) {
	if q.GetTrialId() != "" {
		return b.rescaleTrial(ctx, member, q)
	}
	return b.rescaleSheet(ctx, member, q)
}

// withheld tells of a bath whose amounts aren't on its sheet.
func withheld(one *benchpb.SheetBath) bool {
	return one.GetStanding() != benchpb.Standing_STANDING_RELEASED && one.GetStanding() != benchpb.Standing_STANDING_PERSONAL_ANSWERS
}

// rescaleSheet plans a kept sheet's plan anew at the other size. What one of the two sheets withholds has no figure at either size.
func (b *Bench) rescaleSheet(ctx context.Context, member trial.MemberID, q *benchpb.RescaleTrialRequest) (*benchpb.RescaleTrialResponse, error) {
	was, err := b.Sheet(ctx, member, q.GetPlanId(), 0)
	if err != nil {
		return nil, err
	}
	if was.GetDeleteTime() != nil {
		return nil, sheetDeleted(q.GetPlanId())
	}
	out := &benchpb.RescaleTrialResponse{FromFibreG: massOf(was.GetPlan().GetPieces()), ToFibreG: q.GetFibreG()}
	plan, err := resized(was.GetPlan(), q.GetFibreG()/out.GetFromFibreG(), q)
	if err != nil {
		return nil, err
	}
	if out.Sheet, err = b.Plan(ctx, member, plan); err != nil {
		return nil, err
	}
	for _, p := range was.GetPlan().GetPieces() {
		if p.GetTakenFrom() != "" {
			out.Remarks = append(out.Remarks, fmt.Sprintf("%q was taken from a piece that has a history: fibre at the new size has to have been through the same; say which it is before the plan is kept", p.GetLabel()))
		}
	}
	d := &draft{sheet: &benchpb.Sheet{}}
	for _, now := range out.GetSheet().GetBaths() {
		one := &benchpb.RescaledBath{Name: now.GetName()}
		out.Baths = append(out.Baths, one)
		recipe, then := recipeNamed(was.GetPlan(), now.GetName()), bathOf(was, now.GetName())
		after := sizeIn(plan, now)
		if then == nil {
			one.ToFibreG, one.ToVolumeL = after.GetFibreG(), known64(after.GetVolumeL())
			one.Remarks = append(one.Remarks, "the sheet that it was carried over from has no such bath")
			continue
		}
		before := sizeIn(was.GetPlan(), then)
		one.FromFibreG, one.ToFibreG, one.FromVolumeL, one.ToVolumeL = before.GetFibreG(), after.GetFibreG(), known64(before.GetVolumeL()), known64(after.GetVolumeL())
		figures := figuresOf(recipe, then)
		if withheld(now) {
			one.Remarks = append(one.Remarks, "its amounts are withheld at the new size: see the sheet")
			for _, f := range figures {
				f.From = nil
			}
		}
		one.Amounts = figures
		if err := b.carry(ctx, d, one, &bathscalev1.RescaleRequest{From: before, To: after, Vat: recipe.GetKind() == benchpb.BathKind_BATH_KIND_VAT}); err != nil {
			return nil, err
		}
		one.Stays = append(one.Stays, staysOf(recipe)...)
	}
	out.Parts = d.sheet.GetParts()
	return out, nil
}

// resizing carries a plan over to factor times the fibre.
type resizing struct {
	q      *benchpb.RescaleTrialRequest
	was    *benchpb.Plan
	factor float64
	parts  map[string][]string // by piece: the labels of those that it is carried over to
	faults trial.Faults
}

// resized is a plan for factor times the fibre, with ids of its own. What a recipe counts on the fibre's weight or on the litre stays; plain grams and litres grow.
func resized(was *benchpb.Plan, factor float64, q *benchpb.RescaleTrialRequest) (*benchpb.Plan, error) {
	r := &resizing{q: q, was: was, factor: factor, parts: map[string][]string{}}
	p := proto.Clone(was).(*benchpb.Plan) //nolint:forcetypeassert // a clone is of the same type
	p.Id, p.TrialId = newID(), ""
	var err error
	if p.Pieces, err = r.pieces(); err != nil {
		return nil, err
	}
	for _, one := range p.GetBaths() {
		r.bath(p, one)
	}
	if wish := p.GetMordant(); wish != nil {
		switch {
		case q.GetLiquorRatio() > 0:
			wish.Volume = &benchpb.MordantWish_LiquorRatio{LiquorRatio: q.GetLiquorRatio()}
		case wish.GetLitres() > 0:
			wish.Volume = &benchpb.MordantWish_Litres{Litres: r.litres("of the mordants", wish.GetLitres())}
		}
	}
	if len(r.faults) > 0 {
		return nil, r.faults
	}
	return p, nil
}

// pieces are those of the plan at their new mass, in parts where none may have as much.
func (r *resizing) pieces() (all []*benchpb.PlanPiece, err error) {
	for _, piece := range r.was.GetPieces() {
		mass, n := piece.GetMassG()*r.factor, 1
		if most := r.q.GetPieceG(); most > 0 && mass > most {
			n = int(math.Ceil(mass/most - 1e-9))
		}
		if len(all)+n > maxPieces {
			return nil, trial.Faults{{Field: "piece_g", Text: fmt.Sprintf("is %g, which makes more than %d pieces; allowed: so much that they are at most %d", r.q.GetPieceG(), maxPieces, maxPieces)}}
		}
		for k := range n {
			part := proto.Clone(piece).(*benchpb.PlanPiece) //nolint:forcetypeassert // a clone is of the same type
			part.Id, part.MassG, part.BalanceStepG = newID(), mass/float64(n), 0
			if n > 1 {
				part.Label = fmt.Sprintf("%.74s %d", piece.GetLabel(), k+1)
			}
			r.parts[piece.GetLabel()] = append(r.parts[piece.GetLabel()], part.GetLabel())
			all = append(all, part)
		}
	}
	return all, nil
}

// litres at the new size, of something by its name.
func (r *resizing) litres(name string, v float64) float64 {
	if v *= r.factor; v > maxLitres {
		r.faults = append(r.faults, &trial.FieldFault{Field: "fibre_g", Text: fmt.Sprintf("makes %.4g L of bath %.40q; allowed: at most %g", v, name, maxLitres)})
	}
	return v
}

// bath has a bath of the new plan p, as it was, hold the new pieces in as much liquor as they take.
func (r *resizing) bath(p *benchpb.Plan, one *benchpb.PlanBath) {
	var labels []string
	for _, label := range one.GetPieces() {
		labels = append(labels, r.parts[label]...)
	}
	one.Pieces = labels
	byVolume := r.factor
	switch liquorRatio := r.q.GetLiquorRatio(); {
	case liquorRatio > 0:
		before := recipeNamed(r.was, one.GetName())
		byVolume = liquorRatio / 1000 * massOf(piecesIn(p, one)) / volumeL(before, massOf(piecesIn(r.was, before)))
		one.Volume = &benchpb.PlanBath_LiquorRatio{LiquorRatio: liquorRatio}
	case one.GetLitres() > 0 && one.GetKind() != benchpb.BathKind_BATH_KIND_VAT && ratioOf(r.was, one) >= 1 && ratioOf(r.was, one) <= 1000:
		// As a ratio it can be shared among fillings of the vessel.
		one.Volume = &benchpb.PlanBath_LiquorRatio{LiquorRatio: ratioOf(r.was, one)}
	case one.GetLitres() > 0:
		one.Volume = &benchpb.PlanBath_Litres{Litres: r.litres(one.GetName(), one.GetLitres())}
	}
	grow := r.factor
	if one.GetKind() == benchpb.BathKind_BATH_KIND_VAT {
		grow = byVolume
	}
	for _, dose := range one.GetDoses() {
		switch f := dose.GetFigure().(type) {
		case *benchpb.PlanDose_Grams:
			f.Grams *= grow
		case *benchpb.PlanDose_GramsPerDip:
			f.GramsPerDip *= grow
		}
	}
}

func newID() string { return uuid.Must(uuid.NewV7()).String() }

// ratioOf is the liquor ratio of a bath that is told in litres, as it was.
func ratioOf(was *benchpb.Plan, one *benchpb.PlanBath) float64 {
	before := recipeNamed(was, one.GetName())
	return before.GetLitres() * 1000 / massOf(piecesIn(was, before))
}

func massOf(pieces []*benchpb.PlanPiece) (g float64) {
	for _, p := range pieces {
		g += p.GetMassG()
	}
	return g
}

func piecesIn(p *benchpb.Plan, one *benchpb.PlanBath) (in []*benchpb.PlanPiece) {
	for _, piece := range p.GetPieces() {
		if len(one.GetPieces()) == 0 || contains(one.GetPieces(), piece.GetLabel()) {
			in = append(in, piece)
		}
	}
	return in
}

// recipeNamed is a bath of a plan; nil for one that the mordant module's choice was made into.
func recipeNamed(p *benchpb.Plan, name string) *benchpb.PlanBath {
	for _, one := range p.GetBaths() {
		if one.GetName() == name {
			return one
		}
	}
	return nil
}

func bathOf(s *benchpb.Sheet, name string) *benchpb.SheetBath {
	for _, one := range s.GetBaths() {
		if one.GetName() == name {
			return one
		}
	}
	return nil
}

// volumeL is that of a recipe for so much fibre.
func volumeL(one interface {
	GetLitres() float64
	GetLiquorRatio() float64
}, fibreG float64) float64 {
	if v := one.GetLitres(); v > 0 {
		return v
	}
	return one.GetLiquorRatio() * fibreG / 1000
}

// sizeIn is that of a sheet's bath by its plan.
func sizeIn(p *benchpb.Plan, of *benchpb.SheetBath) *bathscalev1.BathSize {
	in := &benchpb.PlanBath{Pieces: of.GetPieces()}
	size := &bathscalev1.BathSize{FibreG: massOf(piecesIn(p, in))}
	if recipe := recipeNamed(p, of.GetName()); recipe != nil {
		size.VolumeL = volumeL(recipe, size.GetFibreG())
	} else {
		size.VolumeL = volumeL(p.GetMordant(), size.GetFibreG())
	}
	return size
}

func known64(v float64) *float64 {
	if v > 0 {
		return &v
	}
	return nil
}

// figuresOf are the amounts of a bath of a sheet over all its loads, with what each goes by, and what goes by neither. Those that the sheet withholds have no figure.
func figuresOf(recipe *benchpb.PlanBath, was *benchpb.SheetBath) (figures []*benchpb.RescaledAmount) {
	growth, grams := map[string]benchpb.Growth{}, map[string]float64{}
	add := func(name string, g benchpb.Growth) {
		if _, there := growth[name]; !there {
			figures = append(figures, &benchpb.RescaledAmount{Name: name, Unit: "g", Growth: g})
			growth[name] = g
		}
	}
	vat := recipe.GetKind() == benchpb.BathKind_BATH_KIND_VAT || recipe.GetVat() != ""
	for _, dose := range recipe.GetDoses() {
		g := benchpb.Growth_GROWTH_BY_MASS
		switch f := dose.GetFigure().(type) {
		case *benchpb.PlanDose_GramsPerLitre:
			g = benchpb.Growth_GROWTH_BY_VOLUME
		case *benchpb.PlanDose_PartsOf:
			g = max(growth[f.PartsOf.GetOf()], benchpb.Growth_GROWTH_BY_MASS)
		case *benchpb.PlanDose_Grams, *benchpb.PlanDose_GramsPerDip:
			if vat {
				g = benchpb.Growth_GROWTH_BY_VOLUME
			}
		}
		add(dose.GetMaterial(), g)
	}
	rest := benchpb.Growth_GROWTH_BY_MASS // what the mordant module chose is dosed on the fibre, and a vat that is told by its name on the litre
	if vat {
		rest = benchpb.Growth_GROWTH_BY_VOLUME
	}
	unknown := map[string]bool{}
	for _, load := range was.GetLoads() {
		for _, a := range load.GetAmounts() {
			add(a.GetMaterial(), rest)
			grams[a.GetMaterial()] += a.GetGrams()
			unknown[a.GetMaterial()] = unknown[a.GetMaterial()] || a.GetNotKnown() != "" || a.GetWay() == benchpb.AmountWay_AMOUNT_WAY_TOO_SMALL
		}
	}
	for _, f := range figures {
		if g, there := grams[f.GetName()]; there && !withheld(was) && !unknown[f.GetName()] {
			f.From = &g
		}
	}
	if heat := recipe.GetHeat(); heat.GetHoldC() > heat.GetStartC() && was.GetMoments() != nil {
		for _, m := range was.GetMoments() {
			if m.GetKind() == benchpb.MomentKind_MOMENT_KIND_HOLD_STARTS {
				minutes := m.GetMinute()
				figures = append(figures, &benchpb.RescaledAmount{Name: "heating up", Unit: "min", Growth: benchpb.Growth_GROWTH_BY_NEITHER, From: &minutes})
			}
		}
	}
	return figures
}

// staysOf is what of a recipe is the same at every size.
func staysOf(one *benchpb.PlanBath) (stays []string) {
	if heat := one.GetHeat(); heat != nil {
		stays = append(stays, fmt.Sprintf("held at %.4g °C for %.4g min", heat.GetHoldC(), heat.GetHoldMin()))
	}
	if ph := one.GetPh(); ph != nil {
		stays = append(stays, fmt.Sprintf("pH %.3g to %.3g", ph.GetLow(), ph.GetHigh()))
	}
	if n := one.GetDips(); n > 0 {
		stays = append(stays, fmt.Sprintf("%d dips", n))
	}
	return stays
}

// carry asks the module for the amounts of one bath at the new size, which q tells. Those without a figure are carried without one.
func (b *Bench) carry(ctx context.Context, d *draft, one *benchpb.RescaledBath, q *bathscalev1.RescaleRequest) error {
	for _, f := range one.GetAmounts() {
		if f.From != nil {
			q.Figures = append(q.Figures, &bathscalev1.BathFigure{Name: f.GetName(), Value: f.GetFrom(), Grows: bathscalev1.Grows(f.GetGrowth())})
		}
	}
	r, who, err := b.modules.Rescale(ctx, q)
	if err != nil {
		return err // without the name of the bath, which is its member's and would be in the log
	}
	if !hasPart(d.sheet, "rescale") {
		if _, err := d.part("rescale", who, nil); err != nil {
			return err
		}
	}
	next := 0
	for _, f := range one.GetAmounts() {
		if f.From == nil {
			continue
		}
		f.To = r.GetFigures()[next].Value
		if text := r.GetFigures()[next].GetRemark(); text != "" {
			f.Remark = text
		}
		next++
	}
	one.Remarks = append(one.Remarks, r.GetRemarks()...)
	return nil
}
