package bathscale

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
)

// bothOrders is an alum bath, a weld pot, a vat that both orders share, and weld again.
func bothOrders() []*bathscalev1.DayBath {
	all := []string{"ab", "ba", "a", "b", "b2", "a2"}
	return []*bathscalev1.DayBath{
		{BathId: "alum", Kind: bathscalev1.WorkKind_WORK_KIND_MORDANT, PieceIds: all, Materials: []string{"potassium alum"}, Minutes: 120},
		{BathId: "weld", Kind: bathscalev1.WorkKind_WORK_KIND_DYE, PieceIds: []string{"ab", "a"}, Materials: []string{"weld"}, Dyestuffs: []string{"weld"}, Minutes: 90},
		{BathId: "vat", Kind: bathscalev1.WorkKind_WORK_KIND_VAT, PieceIds: []string{"ab", "ba", "b", "b2"}, Materials: []string{"indigo", "fructose"}, Dyestuffs: []string{"indigo"}},
		{BathId: "weld again", Kind: bathscalev1.WorkKind_WORK_KIND_DYE, PieceIds: []string{"ba", "a2"}, Dyestuffs: []string{"weld"}, Minutes: 90},
	}
}

func TestLayOutDays(t *testing.T) {
	got, err := client(t).LayOutDays(t.Context(), &bathscalev1.LayOutDaysRequest{Baths: bothOrders()})
	require.NoError(t, err)
	require.Len(t, got.GetDays(), 4, "a day of mordanting, weld, the vat, weld again")
	assert.Empty(t, got.GetRemarks())
	assert.Equal(t, 120.0, got.GetDays()[0].GetMinutes())
	assert.Nil(t, got.GetDays()[2].Minutes, "how long the vat takes isn't told")
	vat := got.GetDays()[2].GetTasks()[0]
	assert.Equal(t, "vat", vat.GetBathId())
	assert.Equal(t, []string{"b", "ba", "ab", "b2"}, vat.GetPieceIds(), "by turns, plain pieces first and last")
	assert.Equal(t, []string{"weld", "indigo"}, vat.GetShares()[0].GetDyestuffs())
	assert.Equal(t, []string{"b", "b2"}, vat.GetShares()[2].GetPieceIds())
	rests := got.GetDays()[0].GetTasks()[1]
	assert.Empty(t, rests.GetBathId())
	assert.Contains(t, rests.GetText(), "rest")
}

// Green vitriol is a salt of iron, whatever its name says; that it is one, whoever knows names tells.
func TestIronByItsMetal(t *testing.T) {
	baths := append(bothOrders()[:2], &bathscalev1.DayBath{BathId: "vitriol", Kind: bathscalev1.WorkKind_WORK_KIND_MODIFIER, PieceIds: []string{"ab"}, Materials: []string{"green vitriol"}})
	said := func() string {
		got, err := client(t).LayOutDays(t.Context(), &bathscalev1.LayOutDaysRequest{Baths: baths})
		require.NoError(t, err)
		var texts []string
		for _, d := range got.GetDays() {
			for _, task := range d.GetTasks() {
				texts = append(texts, task.GetText())
			}
		}
		return strings.Join(texts, "\n")
	}
	assert.NotContains(t, said(), "iron")
	baths[2].Metals = []string{"iron"}
	assert.Contains(t, said(), "iron: a vessel and tools of its own")
	baths[2].Metals = []string{"copper"}
	assert.NotContains(t, said(), "iron")
}

func TestDaysRefusals(t *testing.T) {
	c := client(t)
	for field, spoil := range map[string]func(*bathscalev1.LayOutDaysRequest){
		"baths":                 func(q *bathscalev1.LayOutDaysRequest) { q.Baths = nil },
		"baths[1].bath_id":      func(q *bathscalev1.LayOutDaysRequest) { q.Baths[1].BathId = "alum" },
		"baths[0].kind":         func(q *bathscalev1.LayOutDaysRequest) { q.Baths[0].Kind = 0 },
		"baths[0].metals":       func(q *bathscalev1.LayOutDaysRequest) { q.Baths[0].Metals = make([]string, 11) },
		"baths[0].metals[1]":    func(q *bathscalev1.LayOutDaysRequest) { q.Baths[0].Metals = []string{"iron", "iron"} },
		"baths[2].piece_ids":    func(q *bathscalev1.LayOutDaysRequest) { q.Baths[2].PieceIds = nil },
		"baths[2].piece_ids[1]": func(q *bathscalev1.LayOutDaysRequest) { q.Baths[2].PieceIds[1] = "ab" },
		"baths[0].materials[0]": func(q *bathscalev1.LayOutDaysRequest) { q.Baths[0].Materials[0] = strings.Repeat("x", 81) },
		"baths[0].dyestuffs":    func(q *bathscalev1.LayOutDaysRequest) { q.Baths[0].Dyestuffs = []string{"weld"} },
		"baths[3].minutes":      func(q *bathscalev1.LayOutDaysRequest) { q.Baths[3].Minutes = 40_001 },
		"baths[3].day":          func(q *bathscalev1.LayOutDaysRequest) { q.Baths[1].Day, q.Baths[3].Day = 3, 2 },
		"baths[1].day":          func(q *bathscalev1.LayOutDaysRequest) { q.Baths[1].Day = 61 },
	} {
		q := proto.Clone(&bathscalev1.LayOutDaysRequest{Baths: bothOrders()}).(*bathscalev1.LayOutDaysRequest)
		spoil(q)
		_, err := c.LayOutDays(t.Context(), q)
		assert.Contains(t, moduletest.Refused(t, err), field)
	}
}
