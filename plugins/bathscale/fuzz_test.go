package bathscale

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
)

// finite fails on a figure that is none, at any depth.
func finite(t *testing.T, m protoreflect.Message) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case f.IsList() && f.Kind() == protoreflect.MessageKind:
			for i := range v.List().Len() {
				finite(t, v.List().Get(i).Message())
			}
		case !f.IsList() && f.Kind() == protoreflect.MessageKind:
			finite(t, v.Message())
		case !f.IsList() && f.Kind() == protoreflect.DoubleKind:
			require.False(t, math.IsNaN(v.Float()) || math.IsInf(v.Float(), 0), "%s is %v", f.FullName(), v.Float())
		}
		return true
	})
}

// Whatever is asked, the answer is a refusal or figures.
func FuzzScaleBaths(f *testing.F) {
	lifted := &bathscalev1.BathRecipe{BathId: "b", Volume: ratio(30), PiecesLifted: 1, VesselL: 3, Doses: []*bathscalev1.Dose{percentDose("weld", 100)}}
	for _, request := range []*bathscalev1.ScaleBathsRequest{
		{},
		{Fibre: []*bathscalev1.FibreLot{wool("x", 10), wool("y", 20)}, Bench: kitchen(), Baths: []*bathscalev1.BathRecipe{lifted}},
		{Fibre: []*bathscalev1.FibreLot{wool("x", 10)}, Bench: kitchen(), Baths: []*bathscalev1.BathRecipe{{BathId: "v", Vat: "iron", IndigoGPerL: 1, Volume: &bathscalev1.BathRecipe_Litres{Litres: 5}}}},
		{Fibre: []*bathscalev1.FibreLot{wool("x", 10), wool("y", 20)}, Bench: kitchen(), Reference: bathscalev1.FibreReference_FIBRE_REFERENCE_OVEN_DRY, Baths: []*bathscalev1.BathRecipe{{
			BathId: "v", Vat: "iron", IndigoGPerL: 1, IndigoPurityPercent: proto.Float64(35), IndigoByActiveDye: true, VesselL: 3, Volume: &bathscalev1.BathRecipe_Litres{Litres: 5},
			Doses: []*bathscalev1.Dose{{Material: "vinegar", Figure: &bathscalev1.Dose_Grams{Grams: 3}, Form: bathscalev1.Form_FORM_LIQUID, LiquidDensityKgPerL: proto.Float64(1.006), LiquidPercent: proto.Float64(5)}},
		}}},
	} {
		raw, err := proto.Marshal(request)
		require.NoError(f, err)
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		request := &bathscalev1.ScaleBathsRequest{}
		if proto.Unmarshal(raw, request) != nil {
			return
		}
		got, err := NewServer().ScaleBaths(t.Context(), request)
		if err != nil {
			require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
			return
		}
		finite(t, got.ProtoReflect())
	})
}

// Whatever is asked, the answer is a refusal, or every bath once.
func FuzzLayOutDays(f *testing.F) {
	for _, request := range []*bathscalev1.LayOutDaysRequest{
		{},
		{Baths: bothOrders()},
		{Baths: []*bathscalev1.DayBath{{BathId: "v", Kind: bathscalev1.WorkKind_WORK_KIND_VAT, PieceIds: []string{"x"}, Day: 60, Minutes: 40_000}}},
	} {
		raw, err := proto.Marshal(request)
		require.NoError(f, err)
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		request := &bathscalev1.LayOutDaysRequest{}
		if proto.Unmarshal(raw, request) != nil {
			return
		}
		got, err := NewServer().LayOutDays(t.Context(), request)
		if err != nil {
			require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
			return
		}
		finite(t, got.ProtoReflect())
		baths := 0
		for _, day := range got.GetDays() {
			require.True(t, day.GetDay() >= 1 && day.GetDay() <= 3000, "day %d", day.GetDay())
			for _, task := range day.GetTasks() {
				if task.GetBathId() != "" {
					require.Equal(t, request.GetBaths()[baths].GetBathId(), task.GetBathId())
					baths++
				}
			}
		}
		require.Equal(t, len(request.GetBaths()), baths)
	})
}

// A mix is a refusal or figures, and a wanted hardness is reached by the shares that are told.
func FuzzMixWaters(f *testing.F) {
	for _, request := range []*bathscalev1.MixWatersRequest{
		{},
		{Litres: 10, WantedMgPerL: proto.Float64(150), Waters: []*bathscalev1.WaterShare{mgPerL(300), mgPerL(20)}},
		{Litres: 1, Wanted: &bathscalev1.Hardness{Value: 8, Unit: bathscalev1.HardnessUnit_HARDNESS_UNIT_GERMAN_DEGREE}, Waters: []*bathscalev1.WaterShare{{Parts: 1, CalciumMgPerL: proto.Float64(60), MagnesiumMgPerL: proto.Float64(12)}, {Parts: 2}}},
	} {
		raw, err := proto.Marshal(request)
		require.NoError(f, err)
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		request := &bathscalev1.MixWatersRequest{}
		if proto.Unmarshal(raw, request) != nil {
			return
		}
		got, err := NewServer().MixWaters(t.Context(), request)
		if err != nil {
			require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
			return
		}
		finite(t, got.ProtoReflect())
		for _, share := range got.GetWantedShares() {
			require.True(t, share >= 0 && share <= 1, "%v", got.GetWantedShares())
		}
	})
}
