package conformance

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
)

// daysQuestion is a trial of both orders with n pieces of each; the vat is told for a day unless that is 0.
func daysQuestion(r *rand.Rand, n int, vatDay int32) question {
	pieces := func(route string) (names []string) {
		for i := range n {
			names = append(names, fmt.Sprintf("%s %d", route, i+1))
		}
		return names
	}
	first, second, plain := pieces("weld then indigo"), pieces("indigo then weld"), pieces("plain")
	bath := func(id string, kind bathscalev1.WorkKind, dye string, in ...[]string) *bathscalev1.DayBath {
		b := &bathscalev1.DayBath{BathId: id, Kind: kind, PieceIds: slices.Concat(in...), Materials: []string{"alum"}, Minutes: 30 + 90*r.Float64()}
		if dye != "" {
			b.Materials, b.Dyestuffs = []string{dye}, []string{dye}
		}
		return b
	}
	vat := bath("vat", bathscalev1.WorkKind_WORK_KIND_VAT, "indigo", first, second, plain)
	vat.Day = vatDay
	sadden := bath("sadden", bathscalev1.WorkKind_WORK_KIND_MODIFIER, "", first)
	sadden.Materials = []string{"ferrous sulfate"}
	return question{&bathscalev1.LayOutDaysRequest{Baths: []*bathscalev1.DayBath{
		bath("scour", bathscalev1.WorkKind_WORK_KIND_PREPARE, "", first, second, plain), bath("alum", bathscalev1.WorkKind_WORK_KIND_MORDANT, "", first, second),
		bath("weld first", bathscalev1.WorkKind_WORK_KIND_DYE, "weld", first), vat, bath("weld again", bathscalev1.WorkKind_WORK_KIND_DYE, "weld", second), sadden,
	}}}
}

func furtherDays() further {
	return further{
		name: "days", asked: "lay the baths of a trial out over days soundly, or leave it UNIMPLEMENTED",
		method:   bathscalev1.BathscaleService_LayOutDays_FullMethodName,
		newReply: func() proto.Message { return &bathscalev1.LayOutDaysResponse{} },
		plain: func(r *rand.Rand) []question {
			return []question{daysQuestion(r, 1, 0), daysQuestion(r, 3, 0), daysQuestion(r, 2, 5), daysQuestion(r, 60, 0)}
		},
		invalid: func(r *rand.Rand) (out []refusal) {
			bad := func(what, name string, spoil func(*bathscalev1.LayOutDaysRequest)) {
				q := daysQuestion(r, 2, 0)
				spoil(q[0].(*bathscalev1.LayOutDaysRequest))
				out = append(out, refusal{what, q, []string{name}})
			}
			bad("no baths", "baths", func(q *bathscalev1.LayOutDaysRequest) { q.Baths = nil })
			bad("a bath without a name", "bath_id", func(q *bathscalev1.LayOutDaysRequest) { q.Baths[0].BathId = "" })
			bad("a name of 81 characters", "bath_id", func(q *bathscalev1.LayOutDaysRequest) { q.Baths[0].BathId = strings.Repeat("x", 81) })
			bad("one bath twice", "bath_id", func(q *bathscalev1.LayOutDaysRequest) { q.Baths[1].BathId = q.Baths[0].BathId })
			bad("no kind", "kind", func(q *bathscalev1.LayOutDaysRequest) { q.Baths[2].Kind = 0 })
			bad("no pieces", "piece_ids", func(q *bathscalev1.LayOutDaysRequest) { q.Baths[3].PieceIds = nil })
			bad("a piece twice", "piece_ids", func(q *bathscalev1.LayOutDaysRequest) { q.Baths[3].PieceIds[1] = q.Baths[3].PieceIds[0] })
			bad("a mordant bath with a dyestuff", "dyestuffs", func(q *bathscalev1.LayOutDaysRequest) { q.Baths[1].Dyestuffs = []string{"weld"} })
			bad("negative minutes", "minutes", func(q *bathscalev1.LayOutDaysRequest) { q.Baths[1].Minutes = -1 })
			bad("a day of 61", "day", func(q *bathscalev1.LayOutDaysRequest) { q.Baths[5].Day = 61 })
			bad("days that fall", "day", func(q *bathscalev1.LayOutDaysRequest) { q.Baths[3].Day, q.Baths[4].Day = 4, 3 })
			return out
		},
		sound: soundDays,
	}
}

func soundDays(q question, a reply) error {
	asked, got := q[0].(*bathscalev1.LayOutDaysRequest).GetBaths(), a[0].(*bathscalev1.LayOutDaysResponse)
	same := func(a, b []string) bool {
		return slices.Equal(slices.Sorted(slices.Values(a)), slices.Sorted(slices.Values(b)))
	}
	next, last := 0, int32(0)
	for i, day := range got.GetDays() {
		if day.GetDay() <= last || day.GetDay() > 3000 || day.GetMinutes() < 0 {
			return fmt.Errorf("days[%d] is day %d with %v minutes, want rising days up to 3000", i, day.GetDay(), day.GetMinutes())
		}
		last = day.GetDay()
		for k, task := range day.GetTasks() {
			at := fmt.Sprintf("days[%d].tasks[%d]", i, k)
			switch {
			case task.GetBathId() == "" && task.GetText() == "":
				return fmt.Errorf("%s is no bath and says nothing", at)
			case task.GetBathId() == "":
				continue
			case next == len(asked) || task.GetBathId() != asked[next].GetBathId():
				return fmt.Errorf("%s is bath %q, want each once, in the order of work", at, task.GetBathId())
			case asked[next].GetDay() > 0 && asked[next].GetDay() != day.GetDay():
				return fmt.Errorf("%s is on day %d, want %d, which was told", at, day.GetDay(), asked[next].GetDay())
			case !same(task.GetPieceIds(), asked[next].GetPieceIds()):
				return fmt.Errorf("%s has other pieces than were asked for", at)
			}
			var shared []string
			for _, s := range task.GetShares() {
				shared = append(shared, s.GetPieceIds()...)
			}
			if len(asked[next].GetDyestuffs()) > 0 && !same(shared, asked[next].GetPieceIds()) {
				return fmt.Errorf("%s.shares have other pieces than go in", at)
			}
			next++
		}
	}
	if next != len(asked) {
		return fmt.Errorf("days have %d baths, want %d", next, len(asked))
	}
	return nil
}
