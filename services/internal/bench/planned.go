package bench

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// maxSheetsLookedAt bounds the kept sheets that are looked through for what may have been done in a vessel.
const maxSheetsLookedAt = 10

// plannedUse is a bath of another kept sheet, in a vessel of this plan, that nothing in the record speaks of.
type plannedUse struct {
	vessel, title, bath string
	at                  time.Time
	materials           []string
}

// usesPlanned finds what released baths of the newest kept sheets had in the plan's vessels since the record knows of a use, and since the vessel was told of. A sheet is a plan: it stands
// against no answer, and what it says is only asked after.
func (b *Bench) usesPlanned(ctx context.Context, d *draft) error {
	wanted := map[string]bool{}
	for _, one := range d.baths {
		if vessel := one.plan.GetVessel(); vessel != "" {
			wanted[vesselKey(vessel)] = true
		}
	}
	if len(wanted) == 0 {
		return nil
	}
	rows, err := b.store.Sheets(ctx, d.member, false, "", maxSheetsLookedAt)
	if err != nil {
		return err
	}
	for i := range rows {
		if rows[i].PlanID == d.plan.GetId() {
			continue
		}
		kept, err := decode(rows[i])
		if err != nil {
			return err
		}
		s, at := kept.GetSheet(), kept.GetPlannedTime().AsTime() // inspected again later, it may have been done since
		for k, one := range s.GetBaths() {
			vessel := vesselKey(one.GetVessel())
			if one.GetStanding() > benchpb.Standing_STANDING_PERSONAL_ANSWERS { // whoever follows the sheet doesn't do it
				continue
			}
			if told := d.metalsTold[vessel]; !wanted[vessel] || told != nil && !at.After(told.AsTime()) || d.usedSince(vessel, at) {
				continue
			}
			use := plannedUse{vessel: one.GetVessel(), title: s.GetPlan().GetTitle(), bath: one.GetName(), at: at}
			for _, step := range kept.GetFacts().GetSteps() { // also of what was in it before
				if m := step.GetMaterial(); int(step.GetBath()) == k && m != "" && !contains(use.materials, m) {
					use.materials = append(use.materials, m)
				}
			}
			d.planned = append(d.planned, use)
		}
	}
	return nil
}

// usedSince reports whether something was recorded in a vessel, by its key, from a time on.
func (d *draft) usedSince(vessel string, at time.Time) bool {
	for _, use := range d.uses[vessel] {
		if !use.GetTime().AsTime().Before(at) {
			return true
		}
	}
	return false
}

// usedSinceAt reports whether something was recorded in any of the plan's vessels from a time on.
func (d *draft) usedSinceAt(at time.Time) bool {
	return slices.ContainsFunc(d.baths, func(one *bath) bool { return d.usedSince(vesselKey(one.plan.GetVessel()), at) })
}

// askOfPlanned asks after kept sheets that had a metal in a vessel of this plan.
func (d *draft) askOfPlanned(metal map[string]string) {
	for _, use := range d.planned {
		var metals []string
		for _, m := range use.materials {
			if metal[m] != "" {
				metals = append(metals, fmt.Sprintf("%s (%s)", m, metal[m]))
			}
		}
		if len(metals) > 0 {
			d.remark("the sheet %q of %s has %s in the vessel %q, in the bath %q, and nothing is recorded there since: if that was done, enter it first; a sheet by itself counts for nothing",
				use.title, use.at.Format("2006-01-02"), strings.Join(metals, ", "), use.vessel, use.bath)
		}
	}
}
