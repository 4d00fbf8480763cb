package bench

import (
	"context"
	"errors"
	"fmt"
	"slices"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

var workKinds = map[benchpb.BathKind]bathscalev1.WorkKind{
	benchpb.BathKind_BATH_KIND_TANNIN: bathscalev1.WorkKind_WORK_KIND_MORDANT, benchpb.BathKind_BATH_KIND_MORDANT: bathscalev1.WorkKind_WORK_KIND_MORDANT,
	benchpb.BathKind_BATH_KIND_DYE: bathscalev1.WorkKind_WORK_KIND_DYE, benchpb.BathKind_BATH_KIND_VAT: bathscalev1.WorkKind_WORK_KIND_VAT,
	benchpb.BathKind_BATH_KIND_MODIFIER: bathscalev1.WorkKind_WORK_KIND_MODIFIER,
}

// maxDayBaths is how many baths a module lays out over days.
const maxDayBaths = 100

// layOutDays asks which bath goes on which day, where the plan has both orders of two dyestuffs or wishes it. It comes after layOut, which knows how long baths take, and after nameMaterials where that is
// asked, which knows their metals.
func (b *Bench) layOutDays(ctx context.Context, d *draft) error {
	if !d.plan.GetLayOutDays() && !d.bothOrders() {
		return nil
	}
	if len(d.baths) > maxDayBaths {
		d.remark("more than %d baths aren't laid out over days", maxDayBaths)
		return nil
	}
	q := &bathscalev1.LayOutDaysRequest{}
	for _, one := range d.baths {
		q.Baths = append(q.Baths, d.dayBath(one))
	}
	r, who, err := b.modules.LayOutDays(ctx, q)
	if errors.Is(err, pipeline.ErrNotOffered) {
		err = &pipeline.ModuleError{Kind: pipeline.KindBathscale, Module: who.GetName(), Class: pipeline.ErrModuleUnavailable, Reason: "it lays out no days", Cause: err}
	}
	if part, err := d.part("days", who, err); err != nil || part.GetFault() != "" {
		return err
	}
	next := 0
	for _, day := range r.GetDays() {
		out := &benchpb.SheetDay{Day: day.GetDay(), Minutes: day.Minutes}
		for _, t := range day.GetTasks() {
			task := &benchpb.SheetTask{Bath: t.GetBathId(), Pieces: t.GetPieceIds(), Text: t.GetText()}
			for _, s := range t.GetShares() {
				task.Shares = append(task.Shares, &benchpb.SheetShare{Dyestuffs: s.GetDyestuffs(), Pieces: s.GetPieceIds()})
			}
			if task.GetBath() != "" {
				d.baths[next].out.Day = day.GetDay()
				next++
			}
			out.Tasks = append(out.Tasks, task)
		}
		d.sheet.Days = append(d.sheet.Days, out)
	}
	d.sheet.DayRemarks = r.GetRemarks()
	for _, one := range d.baths {
		for _, name := range d.maybeIronIn(one) {
			d.sheet.DayRemarks = append(d.sheet.DayRemarks, fmt.Sprintf("nobody told of which kind %q in %q is: as long as it may be a salt of iron, %q is laid out as if it were one", name, one.plan.GetName(), one.plan.GetName()))
		}
	}
	return nil
}

// iron is the metal that goes on last, as modules name it.
const iron = "iron"

// maybeIronIn are the materials of a bath that no table knows and that may be a salt of iron. Only what mordants and modifies is held against the order of days by its iron: a vat of iron, and a pot
// that dyes with it, are orders of their own.
func (d *draft) maybeIronIn(one *bath) (names []string) {
	switch one.plan.GetKind() {
	case benchpb.BathKind_BATH_KIND_TANNIN, benchpb.BathKind_BATH_KIND_MORDANT, benchpb.BathKind_BATH_KIND_MODIFIER:
	default:
		return nil
	}
	for _, name := range one.inIt() {
		if _, may := d.strangeIron(name); may {
			names = append(names, name)
		}
	}
	return names
}

// askOfIron asks of which kind those materials are, where the days hang on it, in the words of the rules that ask the same.
func (d *draft) askOfIron(asks map[string]*safetyv1.SafetyField) {
	if len(d.sheet.GetDays()) == 0 {
		return
	}
	for _, one := range d.baths {
		for _, name := range d.maybeIronIn(one) {
			d.asked.add(&benchpb.SheetQuestion{
				Scope: benchpb.QuestionScope_QUESTION_SCOPE_MATERIAL, Of: name, Field: kindsField, Text: asks[kindsField].GetAsks(), Choices: asks[kindsField].GetAllowed(), Baths: []string{one.plan.GetName()},
			})
		}
	}
}

// dayBath is a bath as far as its day hangs on it. The day of one that the mordant module chose is found, whatever the bath is told for that it comes before.
func (d *draft) dayBath(one *bath) *bathscalev1.DayBath {
	out := &bathscalev1.DayBath{BathId: one.plan.GetName(), Kind: bathscalev1.WorkKind_WORK_KIND_PREPARE, PieceIds: one.out.GetPieces()}
	if kind, ok := workKinds[one.plan.GetKind()]; ok {
		out.Kind = kind
	}
	out.Materials, _ = one.materials()
	for _, name := range one.inIt() {
		metal := d.metals[name]
		if is, _ := d.strangeIron(name); is {
			metal = iron
		}
		if metal != "" && !contains(out.GetMetals(), metal) {
			out.Metals = append(out.Metals, metal)
		}
	}
	if len(d.maybeIronIn(one)) > 0 && !contains(out.GetMetals(), iron) {
		out.Metals = append(out.Metals, iron)
	}
	if out.GetKind() == bathscalev1.WorkKind_WORK_KIND_DYE || out.GetKind() == bathscalev1.WorkKind_WORK_KIND_VAT {
		for _, dye := range dyesOf(one.plan) {
			out.Dyestuffs = append(out.Dyestuffs, dye[0])
		}
	}
	for _, m := range one.out.GetMoments() {
		out.Minutes = max(out.GetMinutes(), m.GetMinute())
	}
	if !one.out.GetChosen() {
		out.Day = one.plan.GetDay()
	}
	return out
}

// bothOrders reports whether some pieces get one dyestuff before another and other pieces the other way round.
func (d *draft) bothOrders() bool {
	orders := d.orders()
	for i, one := range orders {
		for _, other := range orders[i+1:] {
			for a := range one.dyes {
				for b := a + 1; b < len(one.dyes); b++ {
					first := slices.IndexFunc(other.dyes, func(dye *mordantv1.Dyestuff) bool { return sameDye(dye, one.dyes[a]) })
					second := slices.IndexFunc(other.dyes, func(dye *mordantv1.Dyestuff) bool { return sameDye(dye, one.dyes[b]) })
					if first >= 0 && second >= 0 && second < first {
						return true
					}
				}
			}
		}
	}
	return false
}
