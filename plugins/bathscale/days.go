package bathscale

import (
	"context"
	"fmt"

	"github.com/commonvat/commonvat/plugins/bathscale/schedule"
	"github.com/commonvat/commonvat/plugins/sdk"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
)

var works = map[bathscalev1.WorkKind]schedule.Work{
	bathscalev1.WorkKind_WORK_KIND_PREPARE: schedule.Prepare, bathscalev1.WorkKind_WORK_KIND_MORDANT: schedule.Mordant, bathscalev1.WorkKind_WORK_KIND_DYE: schedule.Dye,
	bathscalev1.WorkKind_WORK_KIND_VAT: schedule.Vat, bathscalev1.WorkKind_WORK_KIND_MODIFIER: schedule.Modify,
}

// maxMetals is the bound of bathscale.proto.
const maxMetals = 10

// LayOutDays answers the days of a trial.
func (*Server) LayOutDays(_ context.Context, req *bathscalev1.LayOutDaysRequest) (*bathscalev1.LayOutDaysResponse, error) {
	var v sdk.Violations
	var pots []schedule.Pot
	if count(&v, "baths", len(req.GetBaths()), 1, 100) {
		pots = dayPots(&v, req.GetBaths())
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	days, remarks, err := schedule.Days(pots)
	if err != nil {
		v.Add("request", "%v", err)
		return nil, v.Err()
	}
	out := &bathscalev1.LayOutDaysResponse{Remarks: remarks}
	for _, d := range days {
		day := &bathscalev1.WorkDay{Day: int32(d.Number)}
		if d.Minutes >= 0 {
			day.Minutes = &d.Minutes
		}
		for _, t := range d.Tasks {
			task := &bathscalev1.DayTask{PieceIds: t.Pieces, Text: t.Text}
			if t.Pot >= 0 {
				task.BathId = pots[t.Pot].Name
			}
			for _, share := range t.Shares {
				task.Shares = append(task.Shares, &bathscalev1.PotShare{Dyestuffs: share.Colours, PieceIds: share.Pieces})
			}
			day.Tasks = append(day.Tasks, task)
		}
		out.Days = append(out.Days, day)
	}
	return out, nil
}

func dayPots(v *sdk.Violations, baths []*bathscalev1.DayBath) (pots []schedule.Pot) {
	names := func(field string, list []string, least, most int, once bool) {
		if !count(v, field, len(list), least, most) {
			return
		}
		seen := map[string]bool{}
		for i, text := range list {
			at := fmt.Sprintf("%s[%d]", field, i)
			name(v, at, text)
			if once && seen[text] {
				v.Add(at, "is %.40q, which stands in the list already", text)
			}
			seen[text] = true
		}
	}
	seen, told := map[string]bool{}, int32(0)
	for i, b := range baths {
		at := fmt.Sprintf("baths[%d].", i)
		name(v, at+"bath_id", b.GetBathId())
		if seen[b.GetBathId()] {
			v.Add(at+"bath_id", "is %.40q, which stands in the list already", b.GetBathId())
		}
		seen[b.GetBathId()] = true
		work, ok := works[b.GetKind()]
		if !ok {
			v.Add(at+"kind", "is %d, want one of the enum", b.GetKind())
		}
		names(at+"piece_ids", b.GetPieceIds(), 1, maxFibre, true)
		names(at+"materials", b.GetMaterials(), 0, 2*maxDoses, false)
		names(at+"dyestuffs", b.GetDyestuffs(), 0, maxDoses, true)
		names(at+"metals", b.GetMetals(), 0, maxMetals, true)
		if ok && len(b.GetDyestuffs()) > 0 && work != schedule.Dye && work != schedule.Vat {
			v.Add(at+"dyestuffs", "has %d entries, want none where kind is neither DYE nor VAT", len(b.GetDyestuffs()))
		}
		within(v, at+"minutes", b.GetMinutes(), 0, 40_000)
		if day := b.GetDay(); day < 0 || day > schedule.LastDay || (day > 0 && day < told) {
			v.Add(at+"day", "is %d, want 0 to %d, and none below %d, as of a bath before", day, schedule.LastDay, told)
		} else {
			told = max(told, day)
		}
		pots = append(pots, schedule.Pot{
			Name: b.GetBathId(), Work: work, Pieces: b.GetPieceIds(), Materials: b.GetMaterials(), Metals: b.GetMetals(), Colours: b.GetDyestuffs(), Minutes: b.GetMinutes(), Day: int(b.GetDay()),
		})
	}
	return pots
}
