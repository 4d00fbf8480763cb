package bench

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/commonvat/commonvat/plugins/sdk/naming"
	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// How much of the record is looked through for what vessels held, and how much of it a workshop shows of each.
const (
	maxBathsLookedAt = 1000
	maxUsesShown     = 20
)

// vesselKey is what a vessel is told from others by, in plans, workshops, sheets and the record alike. Of a pot that is written in two ways a metal would else be forgotten.
func vesselKey(name string) string { return naming.Fold(name) }

// vesselNamed is one of the vessels; nil when none bears that name. Of two that an older workshop has under one key the one that is written so is meant.
func vesselNamed(list []*benchpb.Vessel, name string) (named *benchpb.Vessel) {
	for _, v := range list {
		if v.GetName() == name {
			return v
		}
		if named == nil && vesselKey(v.GetName()) == vesselKey(name) {
			named = v
		}
	}
	return named
}

func (d *draft) vessel(name string) *benchpb.Vessel {
	return vesselNamed(d.workshop.GetVessels(), name)
}

func (d *draft) vessels() (names []string) {
	for _, v := range d.workshop.GetVessels() {
		names = append(names, v.GetName())
	}
	return names
}

// toldTimes tells when the last metal of each vessel was told, by its key; of two under one key, when the first of them was, as the record doesn't tell them apart.
func toldTimes(w *benchpb.Workshop) map[string]*timestamppb.Timestamp {
	out := map[string]*timestamppb.Timestamp{}
	for _, v := range w.GetVessels() {
		key, at := vesselKey(v.GetName()), v.GetToldTime()
		if before, twice := out[key]; !twice || at.AsTime().Before(before.AsTime()) { // never told is before any time
			out[key] = at
		}
	}
	return out
}

// usesOfVessels reads what the plan's vessels held by the member's record since their last metal was told.
func (b *Bench) usesOfVessels(ctx context.Context, d *draft) error {
	var names []string
	for _, one := range d.baths {
		if v := one.plan.GetVessel(); v != "" {
			names = append(names, v)
		}
	}
	uses, seenFrom, err := b.vesselUses(ctx, d.member, names, d.metalsTold)
	if err != nil || seenFrom.IsZero() {
		d.uses = uses
		return err
	}
	d.uses, d.unseen = uses, map[string]bool{}
	for _, one := range d.baths {
		vessel := vesselKey(one.plan.GetVessel())
		if told := d.metalsTold[vessel]; vessel == "" || d.unseen[vessel] || told != nil && told.AsTime().After(seenFrom) {
			continue
		}
		d.unseen[vessel] = true
		d.remark("what the vessel %q held was looked up in the %d newest of the recorded baths alone, and it was not told of since the oldest of these: with which metal it was last used isn't known, until it was looked at and the workshop is sent again with it as told anew",
			one.out.GetVessel(), maxBathsLookedAt)
	}
	return nil
}

// vesselUses are the member's recorded baths in vessels of these names, by their keys, oldest first, from when each was last told of. Where there may be more baths than are looked at, seenFrom
// is when the oldest of those was; else it is no time.
func (b *Bench) vesselUses(ctx context.Context, member trial.MemberID, names []string, told map[string]*timestamppb.Timestamp) (uses map[string][]*benchpb.VesselUse, seenFrom time.Time, err error) {
	uses = map[string][]*benchpb.VesselUse{}
	if len(names) == 0 {
		return uses, seenFrom, nil
	}
	wanted := map[string]bool{}
	for _, name := range names {
		wanted[vesselKey(name)] = true
	}
	rows, err := b.store.ListBaths(ctx, store.BathQuery{Reader: member, Where: &store.Predicate{Field: "owner", Value: member}, Limit: maxBathsLookedAt})
	if err != nil {
		return nil, seenFrom, err
	}
	for i := range rows {
		one, err := record.DecodeBath(rows[i].Body)
		if err != nil {
			return nil, seenFrom, err
		}
		use := useOf(one)
		if at := use.GetTime().AsTime(); i == maxBathsLookedAt-1 {
			if seenFrom = at; one.CreatedAt.After(at) {
				seenFrom = one.CreatedAt
			}
		}
		if rows[i].Owner != member { // names are found without regard to case
			continue
		}
		vessel := vesselKey(one.Vessel)
		if since := told[vessel]; wanted[vessel] && (since == nil || use.GetTime().AsTime().After(since.AsTime())) {
			uses[vessel] = append(uses[vessel], use)
		}
	}
	for _, all := range uses {
		slices.SortStableFunc(all, func(x, y *benchpb.VesselUse) int { return x.GetTime().AsTime().Compare(y.GetTime().AsTime()) })
	}
	return uses, seenFrom, nil
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

// tellMetals says of each vessel with which metal it was last used by the record, and where that is written.
func (d *draft) tellMetals(metal map[string]string) {
	for _, one := range d.baths {
		text := ""
		for _, use := range d.uses[vesselKey(one.plan.GetVessel())] {
			for _, material := range use.GetMaterials() {
				if metal[material] != "" {
					text = fmt.Sprintf("by the record the vessel %q was last used with %s: %s in the bath %q, %s. That stands against what the workshop says of it; when it was cleaned and looked at since, say so with the workshop",
						one.out.GetVessel(), metal[material], material, use.GetBath(), use.GetTime().AsTime().Format("2006-01-02"))
				}
			}
		}
		if text != "" {
			d.remark("%s", text)
		}
	}
}
