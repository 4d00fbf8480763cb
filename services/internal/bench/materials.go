package bench

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// nameMaterials finds what stands in one bath under several names, and which of it are salts of one metal, as any of the safety modules knows them, so that no limit is passed by
// writing half of a material under another name; and which metals the plan's vessels held. A module that can't be asked hasn't checked the plan.
func (b *Bench) nameMaterials(ctx context.Context, d *draft) error {
	q := &safetyv1.NameMaterialsRequest{}
	ask := func(names []string) {
		for _, name := range names {
			if !contains(q.Names, name) {
				q.Names = append(q.Names, name)
			}
		}
	}
	for _, one := range d.baths {
		ask(one.inIt())
	}
	for _, vessel := range slices.Sorted(maps.Keys(d.uses)) {
		for _, use := range d.uses[vessel] {
			ask(use.GetMaterials())
		}
	}
	for _, use := range d.planned {
		ask(use.materials)
	}
	for _, m := range d.workshop.GetShelf() { // last, since nothing is less safe without
		ask([]string{m.GetMaterial()})
	}
	if q.Names = q.Names[:min(len(q.Names), maxNames)]; len(q.GetNames()) == 0 {
		return nil
	}
	var firsts []map[string]string // first names, of each module
	for _, module := range b.safety() {
		r, _, err := b.modules.NameMaterials(ctx, module, q)
		var fault *pipeline.ModuleError
		switch {
		case errors.As(err, &fault):
			d.unchecked = append(d.unchecked, "not checked by "+module+": "+fault.Reason)
			continue
		case err != nil:
			return err
		}
		first, metal, salts := map[string]string{}, map[string]string{}, map[string]*safetyv1.MetalSalt{}
		for i, name := range q.GetNames() {
			first[name], metal[name], salts[name] = r.GetMaterials()[i].GetFirstName(), r.GetMaterials()[i].GetMetal(), r.GetMaterials()[i].GetSalt()
		}
		firsts = append(firsts, first)
		for _, one := range d.baths {
			one.join(first)
			one.tellSalts(salts)
		}
		d.tellMetals(metal)
		d.askOfPlanned(metal)
	}
	for _, one := range d.baths {
		said := map[string]bool{}
		for _, name := range one.inIt() {
			if same := one.same[name]; len(same) > 1 && !said[name] {
				one.out.Remarks = append(one.out.Remarks, fmt.Sprintf("%s are one material: its amounts are added up before they are held against the rules", quotedList(same)))
				for _, other := range same {
					said[other] = true
				}
			}
		}
		one.saltsTogether()
	}
	d.saltsOverBaths()
	d.findOnShelf(firsts)
	return nil
}

// findOnShelf finds what is kept of a material under another of its names, so that nothing is asked twice. All modules that say names have to say that it is one material, and
// only one entry of the shelf may be of it.
func (d *draft) findOnShelf(firsts []map[string]string) {
	d.keptAs = map[string]string{}
	if len(firsts) == 0 {
		return
	}
	for _, one := range d.baths {
		for _, material := range one.inIt() {
			var as []string
			for _, m := range d.workshop.GetShelf() {
				if !slices.ContainsFunc(firsts, func(first map[string]string) bool {
					return first[material] == "" || first[material] != first[m.GetMaterial()]
				}) {
					as = append(as, m.GetMaterial())
				}
			}
			if len(as) == 1 && as[0] != material && d.keptAs[material] == "" {
				d.keptAs[material] = as[0]
				d.remark("what the workshop says of %q counts for %q: it is one material", as[0], material)
			}
		}
	}
}

// tellMetals says of each vessel with which metal it was last used by the record, and where that is written.
func (d *draft) tellMetals(metal map[string]string) {
	for _, vessel := range slices.Sorted(maps.Keys(d.uses)) {
		text := ""
		for _, use := range d.uses[vessel] {
			for _, material := range use.GetMaterials() {
				if metal[material] != "" {
					text = fmt.Sprintf("by the record the vessel %q was last used with %s: %s in the bath %q, %s. That stands against what the workshop says of it; when it was cleaned and looked at since, say so with the workshop",
						vessel, metal[material], material, use.GetBath(), use.GetTime().AsTime().Format("2006-01-02"))
				}
			}
		}
		if text != "" {
			d.remark("%s", text)
		}
	}
}

func quotedList(names []string) string {
	quoted := make([]string, len(names))
	for i, name := range names {
		quoted[i] = fmt.Sprintf("%q", name)
	}
	return strings.Join(quoted, " and ")
}

// join puts names of a bath together that have one first name.
func (one *bath) join(first map[string]string) {
	names := one.inIt()
	for i, a := range names {
		for _, other := range names[i+1:] {
			if first[a] == "" || first[a] != first[other] || slices.Contains(one.same[a], other) {
				continue
			}
			if one.same == nil {
				one.same = map[string][]string{}
			}
			var all []string
			for _, name := range names { // in the order of the bath
				if name == a || name == other || contains(one.same[a], name) || contains(one.same[other], name) {
					all = append(all, name)
				}
			}
			for _, name := range all {
				one.same[name] = all
			}
		}
	}
}

// How much of the record is looked through for what vessels held, how much of it a workshop shows of each, and how many names a module is asked about.
const (
	maxBathsLookedAt = 1000
	maxUsesShown     = 20
	maxNames         = 2000
)

// usesOfVessels reads what the plan's vessels held by the member's record since their last metal was told.
func (b *Bench) usesOfVessels(ctx context.Context, d *draft) error {
	var names []string
	for _, one := range d.baths {
		if v := one.plan.GetVessel(); v != "" && !contains(names, v) {
			names = append(names, v)
		}
	}
	uses, whole, err := b.vesselUses(ctx, d.member, names, d.told)
	if !whole && err == nil {
		d.remark("what vessels held was looked up in the %d newest of the recorded baths alone", maxBathsLookedAt)
	}
	d.uses = uses
	return err
}

// vesselUses are the member's recorded baths in vessels of these names, oldest first, from when each was last told of; whole is false when there are more baths than are
// looked at.
func (b *Bench) vesselUses(ctx context.Context, member trial.MemberID, names []string, told map[string]*timestamppb.Timestamp) (uses map[string][]*benchpb.VesselUse, whole bool, err error) {
	uses = map[string][]*benchpb.VesselUse{}
	if len(names) == 0 {
		return uses, true, nil
	}
	rows, err := b.store.ListBaths(ctx, store.BathQuery{Reader: member, Where: &store.Predicate{Field: "owner", Value: member}, Limit: maxBathsLookedAt})
	if err != nil {
		return nil, false, err
	}
	for i := range rows {
		if rows[i].Owner != member { // names are found without regard to case
			continue
		}
		one, err := record.DecodeBath(rows[i].Body)
		if err != nil {
			return nil, false, err
		}
		use := useOf(one)
		for _, name := range names {
			here := strings.EqualFold(strings.TrimSpace(one.Vessel), strings.TrimSpace(name))
			if since := told[name]; here && (since == nil || use.GetTime().AsTime().After(since.AsTime())) {
				uses[name] = append(uses[name], use)
			}
		}
	}
	for _, all := range uses {
		slices.SortStableFunc(all, func(x, y *benchpb.VesselUse) int { return x.GetTime().AsTime().Compare(y.GetTime().AsTime()) })
	}
	return uses, len(rows) < maxBathsLookedAt, nil
}

// useOf is a recorded bath as a use of its vessel. A claim of a day or a month may be of its end.
func useOf(one *trial.Bath) *benchpb.VesselUse {
	use := &benchpb.VesselUse{BathId: one.ID, Bath: one.Label, ContentsNotStated: one.ContentsNotStated}
	last := one.CreatedAt
	for i := range one.Additions {
		a := &one.Additions[i]
		if a.Superseded {
			continue
		}
		at := a.RecordedAt
		if a.At.Stated() {
			at = a.At.Latest()
		}
		if len(use.Materials) == 0 || at.After(last) {
			last = at
		}
		if !contains(use.Materials, a.Material) {
			use.Materials = append(use.Materials, a.Material)
		}
	}
	use.Time = timestamppb.New(last)
	return use
}
