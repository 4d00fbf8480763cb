package bathscale

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

func client(t testing.TB) bathscalev1.BathscaleServiceClient {
	return bathscalev1.NewBathscaleServiceClient(plugintest.Dial(t, Module()))
}

func wool(id string, grams float64) *bathscalev1.FibreLot {
	return &bathscalev1.FibreLot{
		PieceId: id, MassG: grams, BalanceStepG: 0.1, Basis: typesv1.WeighingBasis_WEIGHING_BASIS_AIR_DRY, PickupPercent: 120,
		Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}},
	}
}

func percentDose(material string, wof float64) *bathscalev1.Dose {
	return &bathscalev1.Dose{Material: material, Figure: &bathscalev1.Dose_PercentWof{PercentWof: wof}}
}

func kitchen() *bathscalev1.Bench {
	return &bathscalev1.Bench{Balances: []*bathscalev1.Balance{{StepG: 0.1, CapacityG: 2000}}, SmallVolumeUncertaintyMl: 0.5, FlaskUncertaintyPercent: 0.5}
}

func ratio(mlPerG float64) *bathscalev1.BathRecipe_LiquorRatio {
	return &bathscalev1.BathRecipe_LiquorRatio{LiquorRatio: mlPerG}
}

// A small strip: dye weighed, iron from a stock. Arithmetic by hand: 13 g at 30:1 is 390 mL, of which wetted wool at 120 % brings 15.6 and the stock 26.
func TestStrip(t *testing.T) {
	iron := percentDose("ferrous sulfate", 2)
	iron.SolubleGPerL = proto.Float64(250)
	got, err := client(t).ScaleBaths(t.Context(), &bathscalev1.ScaleBathsRequest{
		Fibre: []*bathscalev1.FibreLot{wool("strip", 13)}, Bench: kitchen(),
		Baths: []*bathscalev1.BathRecipe{{BathId: "one", Volume: ratio(30), Doses: []*bathscalev1.Dose{percentDose("weld", 100), iron}}},
	})
	require.NoError(t, err)
	require.Len(t, got.GetBaths()[0].GetLoads(), 1)
	load := got.GetBaths()[0].GetLoads()[0]
	assert.InDelta(t, 390, load.GetVolumeMl(), 1e-9)
	assert.InDelta(t, 15.6, load.GetCarriedMl(), 1e-9)
	assert.InDelta(t, 390-15.6-26, load.GetWaterToAddMl(), 1e-9)
	weld, stock := load.GetAmounts()[0], load.GetAmounts()[1]
	assert.Equal(t, 13.0, weld.GetShownG())
	assert.Equal(t, bathscalev1.Way_WAY_WEIGHED, weld.GetWay())
	assert.Less(t, weld.GetDeliveredLowPercent(), 100.0)
	assert.Greater(t, weld.GetDeliveredHighPercent(), 100.0)
	assert.Equal(t, bathscalev1.Way_WAY_FROM_STOCK, stock.GetWay())
	assert.InDelta(t, 26, stock.GetTakeMl(), 1e-9)
	assert.InDelta(t, 10, stock.GetStock().GetGPerL(), 1e-9)
	assert.False(t, stock.GetBeyondWanted())
	assert.Empty(t, got.GetRemarks())
}

// What is too little for the balance is told to need its solubility; of what dissolves a stock is planned, and of a bench that measures no small volumes nothing of the kind is said.
func TestTooLittleForTheBalance(t *testing.T) {
	remarks := func(bench *bathscalev1.Bench, solubleGPerL *float64) string {
		dye := percentDose("cochineal", 0.01)
		dye.SolubleGPerL = solubleGPerL
		got, err := client(t).ScaleBaths(t.Context(), &bathscalev1.ScaleBathsRequest{
			Fibre: []*bathscalev1.FibreLot{wool("strip", 100)}, Bench: bench,
			Baths: []*bathscalev1.BathRecipe{{BathId: "one", Volume: ratio(30), Doses: []*bathscalev1.Dose{percentDose("weld", 100), dye}}},
		})
		require.NoError(t, err)
		return strings.Join(got.GetBaths()[0].GetRemarks(), "\n")
	}
	assert.Equal(t, "no balance is fine enough for so little cochineal, and no stock solution of it is planned, since how much of it dissolves isn't told (soluble_g_per_l)", remarks(kitchen(), nil))
	assert.Empty(t, remarks(kitchen(), proto.Float64(5)))
	coarse := kitchen()
	coarse.SmallVolumeUncertaintyMl = 0
	assert.Empty(t, remarks(coarse, nil))
}

// What isn't known is told, and nothing else of the bath is lost by it.
func TestUnknownIsTold(t *testing.T) {
	extract := percentDose("madder", 30)
	extract.Form = bathscalev1.Form_FORM_SUBSTITUTE
	fresh := percentDose("weld", 50)
	fresh.Form, fresh.MoisturePercent = bathscalev1.Form_FORM_FRESH, proto.Float64(80)
	vinegar := &bathscalev1.Dose{Material: "acetic acid", Figure: &bathscalev1.Dose_GramsPerLitre{GramsPerLitre: 1}, Form: bathscalev1.Form_FORM_LIQUID, LiquidGPerL: proto.Float64(50)}
	lot := wool("hank", 100)
	lot.Basis, lot.BalanceStepG = typesv1.WeighingBasis_WEIGHING_BASIS_UNSPECIFIED, 0
	got, err := client(t).ScaleBaths(t.Context(), &bathscalev1.ScaleBathsRequest{
		Fibre: []*bathscalev1.FibreLot{lot}, Bench: kitchen(),
		Baths: []*bathscalev1.BathRecipe{{BathId: "one", Volume: ratio(40), Doses: []*bathscalev1.Dose{extract, fresh, vinegar}}},
	})
	require.NoError(t, err)
	load := got.GetBaths()[0].GetLoads()[0]
	assert.Equal(t, "the strength of this lot", load.GetAmounts()[0].GetNotKnown())
	assert.Zero(t, load.GetAmounts()[0].GetShownG())
	assert.InDelta(t, 250, load.GetAmounts()[1].GetAtHandG(), 1e-9, "50 g of dried weld are 250 g of fresh at 80 %")
	assert.InDelta(t, 50, load.GetAmounts()[1].GetDeliveredPercent(), 0.1)
	assert.InDelta(t, 80, load.GetAmounts()[2].GetTakeMl(), 1e-9, "4 g of acid in vinegar of 50 g/L")
	assert.InDelta(t, 4000-120-80, load.GetWaterToAddMl(), 1e-9)
	assert.Len(t, got.GetRemarks(), 2)
}

func TestLoadsExhaustAndLifting(t *testing.T) {
	pieces := []*bathscalev1.FibreLot{wool("a", 60), wool("b", 50), wool("c", 40), wool("d", 30)}
	alum := percentDose("alum", 15)
	again := &bathscalev1.BathRecipe{
		BathId: "again", Volume: ratio(30), ExhaustOf: "alum", PieceIds: []string{"a", "c"}, Doses: []*bathscalev1.Dose{percentDose("alum", 15), percentDose("tartar", 5)},
		Uptakes: []*bathscalev1.Uptake{{Material: "alum", Part: 0.3}},
	}
	request := &bathscalev1.ScaleBathsRequest{
		Fibre: pieces, Bench: kitchen(),
		Baths: []*bathscalev1.BathRecipe{
			{BathId: "alum", Volume: ratio(30), VesselL: 3, Doses: []*bathscalev1.Dose{alum, percentDose("tartar", 5)}},
			again,
			{BathId: "look", Volume: ratio(35), PiecesLifted: 3, Doses: []*bathscalev1.Dose{percentDose("weld", 100)}},
		},
	}
	got, err := client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	loads := got.GetBaths()[0].GetLoads()
	require.Len(t, loads, 2, "3 L at 30:1 take 100 g")
	assert.Equal(t, []string{"a", "c"}, loads[0].GetPieceIds())
	assert.InDelta(t, 27, loads[0].GetAmounts()[0].GetMeantG()+loads[1].GetAmounts()[0].GetMeantG(), 1e-9, "additive over loads: 15 % of 180 g")
	second := got.GetBaths()[1].GetLoads()[0].GetAmounts()
	assert.InDelta(t, 27*0.7, second[0].GetLeftG(), 1e-9)
	assert.Zero(t, second[0].GetMeantG(), "enough is left for 15 % of 100 g")
	assert.InDelta(t, 18.9, second[0].GetDeliveredPercent(), 1e-6, "what is in the bath counts, for whoever judges its safety")
	assert.Contains(t, second[1].GetNotKnown(), "left of it")
	lifted := got.GetBaths()[2].GetLoads()[0].GetLifted()
	require.Len(t, lifted, 3)
	assert.InDelta(t, 400, lifted[2].GetAtMostPercent(), 1e-6, "at most, when one of four is left")

	request.Baths[0].VesselL = 1
	_, err = client(t).ScaleBaths(t.Context(), request)
	assert.Contains(t, moduletest.Refused(t, err)["baths[0].vessel_l"], `piece "c" weighs 40 g`)
}

// What a bath holds beside its own recipe is still there for the bath after it, as far as it is known.
func TestWhatIsLeftOfBathsBefore(t *testing.T) {
	took := func(part float64) []*bathscalev1.Uptake {
		return []*bathscalev1.Uptake{{Material: "iron", Part: part}}
	}
	third := func(second *bathscalev1.BathRecipe) *bathscalev1.MaterialAmount {
		second.BathId, second.Volume, second.ExhaustOf = "second", ratio(30), "first"
		got, err := client(t).ScaleBaths(t.Context(), &bathscalev1.ScaleBathsRequest{Fibre: []*bathscalev1.FibreLot{wool("a", 100)}, Bench: kitchen(), Baths: []*bathscalev1.BathRecipe{
			{BathId: "first", Volume: ratio(30), Doses: []*bathscalev1.Dose{percentDose("iron", 20)}}, second,
			{BathId: "third", Volume: ratio(30), ExhaustOf: "second", Doses: []*bathscalev1.Dose{percentDose("iron", 20)}, Uptakes: took(0.5)},
		}})
		require.NoError(t, err)
		return got.GetBaths()[2].GetLoads()[0].GetAmounts()[0]
	}
	known := third(&bathscalev1.BathRecipe{Uptakes: took(0.2)})
	assert.InDelta(t, 20*0.8*0.5, known.GetLeftG(), 1e-9)
	assert.InDelta(t, 12, known.GetMeantG(), 1e-9)
	assert.Contains(t, third(&bathscalev1.BathRecipe{}).GetNotKnown(), "left of it", "the second may have taken any of it")
	assert.Contains(t, third(&bathscalev1.BathRecipe{Doses: []*bathscalev1.Dose{percentDose("iron", 5)}}).GetNotKnown(), "left of it")
}

// What is left is there once: fillings share it, and what is put in with it comes to the recipe.
func TestFillingsShareWhatIsLeft(t *testing.T) {
	got, err := client(t).ScaleBaths(t.Context(), &bathscalev1.ScaleBathsRequest{Fibre: []*bathscalev1.FibreLot{wool("a", 60), wool("b", 40)}, Bench: kitchen(), Baths: []*bathscalev1.BathRecipe{
		{BathId: "first", Volume: ratio(30), Doses: []*bathscalev1.Dose{percentDose("alum", 20)}},
		{BathId: "second", Volume: ratio(30), VesselL: 2, ExhaustOf: "first", Doses: []*bathscalev1.Dose{percentDose("alum", 20)}, Uptakes: []*bathscalev1.Uptake{{Material: "alum", Part: 0.7}}},
	}})
	require.NoError(t, err)
	loads := got.GetBaths()[1].GetLoads()
	require.Len(t, loads, 2, "2 L at 30:1 take 67 g")
	assert.Contains(t, got.GetBaths()[1].GetRemarks()[0], "share the liquor of the bath before")
	for i, fibre := range []float64{60, 40} {
		alum := loads[i].GetAmounts()[0]
		assert.InDelta(t, 0.06*fibre, alum.GetLeftG(), 1e-9, "of 6 g, by the mass of fibre")
		assert.InDelta(t, 0.14*fibre, alum.GetMeantG(), 1e-9)
		assert.InDelta(t, 20, alum.GetDeliveredPercent(), 0.5)
	}
}

func TestVatsAskWhichOne(t *testing.T) {
	bath := &bathscalev1.BathRecipe{BathId: "vat", Volume: &bathscalev1.BathRecipe_Litres{Litres: 20}, Vat: "1-2-3", IndigoGPerL: 1}
	request := &bathscalev1.ScaleBathsRequest{Fibre: []*bathscalev1.FibreLot{wool("hank", 100)}, Bench: kitchen(), Baths: []*bathscalev1.BathRecipe{bath}}
	got, err := client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	require.Len(t, got.GetQuestions(), 1)
	assert.Equal(t, []string{"fructose", "iron"}, got.GetQuestions()[0].GetChoices())
	assert.Empty(t, got.GetBaths()[0].GetLoads())
	bath.Vat = "iron"
	got, err = client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	amounts := got.GetBaths()[0].GetLoads()[0].GetAmounts()
	assert.Equal(t, "ferrous sulfate heptahydrate", amounts[1].GetMaterial(), "a supplier's page: 20 g of indigo, 40 and 60 g, in 20 L")
	assert.InDeltaSlice(t, []float64{20, 40, 60}, []float64{amounts[0].GetMeantG(), amounts[1].GetMeantG(), amounts[2].GetMeantG()}, 1e-9)
}

func TestRefusals(t *testing.T) {
	_, err := client(t).ScaleBaths(t.Context(), &bathscalev1.ScaleBathsRequest{
		Fibre: []*bathscalev1.FibreLot{{MassG: math.NaN(), PickupPercent: -1}, {PieceId: "x", MassG: 1, Basis: typesv1.WeighingBasis_WEIGHING_BASIS_OVEN_DRY, Composition: []*typesv1.FibrePart{{Fibre: "nettle", Percent: 90}}}},
		Bench: &bathscalev1.Bench{Balances: []*bathscalev1.Balance{{}}},
		Baths: []*bathscalev1.BathRecipe{
			{BathId: "b", ExhaustOf: "c", Dips: -1, PieceIds: []string{"y"}, Uptakes: []*bathscalev1.Uptake{{Part: 2}}, Doses: []*bathscalev1.Dose{
				{}, {Material: "alum", Figure: &bathscalev1.Dose_PercentWof{PercentWof: -1}}, {Material: "alum", Figure: &bathscalev1.Dose_GramsPerDip{GramsPerDip: 1}},
				{Material: "lime", Figure: &bathscalev1.Dose_PartsOf{PartsOf: &bathscalev1.PartsOf{Parts: 1, Of: "indigo"}}},
			}},
		},
	})
	refused := moduletest.Refused(t, err)
	for _, field := range []string{
		"fibre[0].piece_id", "fibre[0].mass_g", "fibre[0].pickup_percent", "fibre[0].composition", "fibre[1].composition", "bench.balances[0].step_g", "baths[0].exhaust_of",
		"baths[0].volume", "baths[0].dips", "baths[0].piece_ids[0]", "baths[0].uptakes[0].part", "baths[0].uptakes[0].material", "baths[0].doses[0].material", "baths[0].doses[0].figure",
		"baths[0].doses[1].percent_wof", "baths[0].doses[2].material", "baths[0].doses[2].grams_per_dip", "baths[0].doses[3].parts_of.of",
	} {
		assert.NotEmpty(t, refused[field], field)
	}
	assert.Equal(t, "is NaN, want above 0 to 1e+06", refused["fibre[0].mass_g"])
	_, err = client(t).ScaleBaths(t.Context(), &bathscalev1.ScaleBathsRequest{})
	assert.Equal(t, "is missing", moduletest.Refused(t, err)["bench"])
	nettle := wool("x", 1)
	nettle.Composition[0].Fibre, nettle.Basis = "nettle", typesv1.WeighingBasis_WEIGHING_BASIS_OVEN_DRY
	request := &bathscalev1.ScaleBathsRequest{Fibre: []*bathscalev1.FibreLot{nettle}, Bench: kitchen(), Baths: []*bathscalev1.BathRecipe{{BathId: "b", Volume: ratio(30)}}}
	_, err = client(t).ScaleBaths(t.Context(), request)
	assert.Contains(t, moduletest.Refused(t, err)["fibre[0].regain_percent"], "no regain")
	request.Regains = []*bathscalev1.Regain{{Fibre: "nettle", Percent: 12}}
	got, err := client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	assert.InDelta(t, 1.12, got.GetBaths()[0].GetLoads()[0].GetFibreG(), 1e-9)
}

func TestWatersRescalingAndSchedules(t *testing.T) {
	c := client(t)
	mix := &bathscalev1.MixWatersRequest{Litres: 10, WantedMgPerL: proto.Float64(150), Waters: []*bathscalev1.WaterShare{{Parts: 1, Hardness: proto.Float64(4), Unit: bathscalev1.HardnessUnit_HARDNESS_UNIT_FRENCH_DEGREE}}}
	mixed, err := c.MixWaters(t.Context(), mix)
	require.NoError(t, err)
	assert.InDelta(t, 40, mixed.GetLowMgPerL(), 1e-9)
	assert.InDelta(t, 1.936, mixed.GetRaise().GetCalciumAcetateMonohydrateG(), 0.0005, "arithmetic")
	mix.Waters = append(mix.Waters, &bathscalev1.WaterShare{Parts: 1})
	mixed, err = c.MixWaters(t.Context(), mix)
	require.NoError(t, err)
	assert.Nil(t, mixed.HighMgPerL)
	assert.Nil(t, mixed.GetRaise(), "nothing is computed from what isn't known")
	mix.Waters[0].Unit = 0
	_, err = c.MixWaters(t.Context(), mix)
	assert.Contains(t, moduletest.Refused(t, err)["waters[0].unit"], "a figure without its unit says nothing")

	size := func(g, l float64) *bathscalev1.BathSize { return &bathscalev1.BathSize{FibreG: g, VolumeL: l} }
	rescaled, err := c.Rescale(t.Context(), &bathscalev1.RescaleRequest{From: size(500, 8), To: size(20, 0.32), Figures: []*bathscalev1.BathFigure{
		{Name: "thiourea dioxide", Value: 10, Grows: bathscalev1.Grows_GROWS_BY_MASS}, {Name: "minutes to heat", Value: 40, Grows: bathscalev1.Grows_GROWS_BY_NEITHER},
	}})
	require.NoError(t, err)
	assert.InDelta(t, 0.4, rescaled.GetFigures()[0].GetValue(), 1e-12)
	assert.Nil(t, rescaled.GetFigures()[1].Value)
	_, err = c.Rescale(t.Context(), &bathscalev1.RescaleRequest{Figures: []*bathscalev1.BathFigure{{Value: math.Inf(1), Grows: 9}}})
	assert.Len(t, moduletest.Refused(t, err), 5)

	plan, err := c.LayOut(t.Context(), &bathscalev1.LayOutRequest{StartC: 20, HoldC: 95, HoldMin: 60, LooksMin: []float64{10}, CoolMin: 60, Fibres: []string{"silk", "nettle"}})
	require.NoError(t, err)
	assert.Equal(t, 85.0, plan.GetHoldC())
	assert.Equal(t, "silk", plan.GetLoweredBy().GetOf())
	assert.Len(t, plan.GetRemarks(), 1, "nettle")
	assert.Nil(t, plan.GetMoments()[len(plan.GetMoments())-1].TemperatureC)
	_, err = c.LayOut(t.Context(), &bathscalev1.LayOutRequest{StartC: 90, HoldC: 95, Fibres: []string{"silk"}})
	assert.Contains(t, moduletest.Refused(t, err)["start_c"], "silk bears at most 85")
}

// A vat of more litres than its vessel holds is filled as often as it takes: what is told by the litre or in grams adds up to the whole, and every piece goes into one.
func TestVatInFillings(t *testing.T) {
	vat := &bathscalev1.BathRecipe{
		BathId: "vat", Volume: &bathscalev1.BathRecipe_Litres{Litres: 30}, VesselL: 12, Vat: "iron", IndigoGPerL: 2.5, Doses: []*bathscalev1.Dose{grams("bran", 9)},
	}
	request := &bathscalev1.ScaleBathsRequest{
		Fibre: []*bathscalev1.FibreLot{wool("a", 60), wool("b", 50), wool("c", 40), wool("d", 30)}, Bench: kitchen(), Baths: []*bathscalev1.BathRecipe{vat},
	}
	got, err := client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	loads := got.GetBaths()[0].GetLoads()
	require.Len(t, loads, 3)
	sum, fibre, litres := map[string]float64{}, 0.0, 0.0
	var pieces []string
	for _, load := range loads {
		assert.InDelta(t, 10_000, load.GetVolumeMl(), 1e-9)
		pieces, fibre, litres = append(pieces, load.GetPieceIds()...), fibre+load.GetFibreG(), litres+load.GetVolumeMl()/1000
		for _, a := range load.GetAmounts() {
			sum[a.GetMaterial()] += a.GetMeantG()
		}
	}
	assert.ElementsMatch(t, []string{"a", "b", "c", "d"}, pieces)
	assert.InDelta(t, 180, fibre, 1e-9)
	assert.InDelta(t, 30, litres, 1e-9)
	// A cloth seller's sheet has these for 30 L.
	for material, want := range map[string]float64{"indigo": 75, "ferrous sulfate heptahydrate": 150, "calcium hydroxide": 225, "bran": 9} {
		assert.InDelta(t, want, sum[material], 1e-9, material)
	}
	assert.Contains(t, got.GetBaths()[0].GetRemarks(), "the vessel doesn't hold it all: 3 equal fillings, or one after the other")

	vat.VesselL = 30
	got, err = client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	require.Len(t, got.GetBaths()[0].GetLoads(), 1)
	assert.InDelta(t, 9, got.GetBaths()[0].GetLoads()[0].GetAmounts()[3].GetMeantG(), 1e-12)

	vat.VesselL = 5
	_, err = client(t).ScaleBaths(t.Context(), request)
	assert.Equal(t, "is 30, which takes 6 fillings of a vessel of 5, and there are 4 pieces to share among them", moduletest.Refused(t, err)["baths[0].litres"])

	// Grams of a whole bath are shared with a liquor ratio, too: 180 g at 30:1 in 3 L.
	vat.Vat, vat.IndigoGPerL, vat.VesselL, vat.Volume = "", 0, 3, ratio(30)
	got, err = client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	require.Len(t, got.GetBaths()[0].GetLoads(), 2)
	all := 0.0
	for _, load := range got.GetBaths()[0].GetLoads() {
		assert.InDelta(t, 9*load.GetFibreG()/180, load.GetAmounts()[0].GetMeantG(), 1e-9)
		all += load.GetAmounts()[0].GetMeantG()
	}
	assert.InDelta(t, 9, all, 1e-9)
}

// Vinegar of 5 % that weighs 1.006 kg a litre holds 50.3 g in it: by the definition of a mass fraction.
func TestLiquidByItsDensity(t *testing.T) {
	acid := percentDose("acetic acid", 2)
	acid.Form, acid.LiquidDensityKgPerL, acid.LiquidPercent = bathscalev1.Form_FORM_LIQUID, proto.Float64(1.006), proto.Float64(5)
	request := &bathscalev1.ScaleBathsRequest{
		Fibre: []*bathscalev1.FibreLot{wool("hank", 100)}, Bench: kitchen(), Baths: []*bathscalev1.BathRecipe{{BathId: "sour", Volume: ratio(30), Doses: []*bathscalev1.Dose{acid}}},
	}
	got, err := client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	a := got.GetBaths()[0].GetLoads()[0].GetAmounts()[0]
	assert.Equal(t, bathscalev1.Way_WAY_POURED, a.GetWay())
	assert.InDelta(t, 2/50.3*1000, a.GetTakeMl(), 1e-9)
	assert.InDelta(t, 40, a.GetTakeG(), 1e-9, "2 g are 5 % of them")
	acid.LiquidPercent, acid.LiquidGPerL = nil, proto.Float64(50)
	got, err = client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	assert.InDelta(t, 40*1.006, got.GetBaths()[0].GetLoads()[0].GetAmounts()[0].GetTakeG(), 1e-9)
	acid.LiquidGPerL = nil
	got, err = client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	assert.NotEmpty(t, got.GetBaths()[0].GetLoads()[0].GetAmounts()[0].GetNotKnown(), "how heavy it is doesn't say what it holds")

	for field, spoil := range map[string]func(){
		"liquid_density_kg_per_l": func() { acid.LiquidDensityKgPerL = nil },
		"liquid_percent":          func() { acid.LiquidPercent = proto.Float64(101) },
	} {
		acid.LiquidDensityKgPerL, acid.LiquidPercent = proto.Float64(1.006), proto.Float64(5)
		spoil()
		_, err = client(t).ScaleBaths(t.Context(), request)
		assert.NotEmpty(t, moduletest.Refused(t, err)["baths[0].doses[0]."+field], field)
	}
	acid.LiquidDensityKgPerL, acid.LiquidPercent, acid.LiquidGPerL = proto.Float64(1006), proto.Float64(5), proto.Float64(50)
	_, err = client(t).ScaleBaths(t.Context(), request)
	refused := moduletest.Refused(t, err)
	assert.Equal(t, "is 1006, want 0.5 to 3", refused["baths[0].doses[0].liquid_density_kg_per_l"], "grams to the litre aren't kilograms")
	assert.Contains(t, refused["baths[0].doses[0].liquid_percent"], "beside liquid_g_per_l")
}

func TestMoistureAndReference(t *testing.T) {
	hank := wool("hank", 100)
	hank.MoistureContentPercent = proto.Float64(51)
	request := &bathscalev1.ScaleBathsRequest{
		Fibre: []*bathscalev1.FibreLot{hank}, Bench: kitchen(), Baths: []*bathscalev1.BathRecipe{{BathId: "b", Volume: ratio(30), IndigoByActiveDye: true}},
	}
	_, err := client(t).ScaleBaths(t.Context(), request)
	refused := moduletest.Refused(t, err)
	assert.Contains(t, refused["fibre[0].moisture_content_percent"], "is 51, want 0 to 50")
	assert.Contains(t, refused["baths[0].indigo_by_active_dye"], "vat is not")
	hank.RegainPercent, hank.MoistureContentPercent, request.Baths[0].IndigoByActiveDye = proto.Float64(13), proto.Float64(12), false
	_, err = client(t).ScaleBaths(t.Context(), request)
	assert.Contains(t, moduletest.Refused(t, err)["fibre[0].moisture_content_percent"], "beside regain_percent")
	hank.RegainPercent, hank.MoistureContentPercent = nil, nil
	request.Reference = bathscalev1.FibreReference_FIBRE_REFERENCE_OVEN_DRY
	got, err := client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	assert.InDelta(t, 100/1.136, got.GetBaths()[0].GetLoads()[0].GetFibreG(), 1e-9, "ASTM D1909-13: wool 13.6")
	assert.Len(t, got.GetRemarks(), 1, "that it wasn't measured")

	// By the dye of a powder whose dye isn't told nothing is weighed, and nothing is said of its reduction.
	vat := &bathscalev1.BathRecipe{BathId: "b", Volume: &bathscalev1.BathRecipe_Litres{Litres: 5}, Vat: "iron", IndigoGPerL: 1, IndigoByActiveDye: true}
	request.Baths = []*bathscalev1.BathRecipe{vat}
	got, err = client(t).ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	amounts := got.GetBaths()[0].GetLoads()[0].GetAmounts()
	assert.Equal(t, "the purity of this lot", amounts[0].GetNotKnown())
	assert.Nil(t, amounts[1].LeastG)
	assert.Empty(t, got.GetBaths()[0].GetRemarks())
}

func TestWatersByIonsAndWantedHardness(t *testing.T) {
	c := client(t)
	tap := &bathscalev1.WaterShare{Parts: 3, CalciumMgPerL: proto.Float64(60), MagnesiumMgPerL: proto.Float64(12)}
	mix := &bathscalev1.MixWatersRequest{Litres: 10, Wanted: &bathscalev1.Hardness{Value: 5, Unit: bathscalev1.HardnessUnit_HARDNESS_UNIT_GERMAN_DEGREE}, Waters: []*bathscalev1.WaterShare{tap, mgPerL(10)}}
	got, err := c.MixWaters(t.Context(), mix)
	require.NoError(t, err)
	assert.InDelta(t, 5*17.847992, got.GetWantedMgPerL(), 1e-4)
	hard := 199.2536 // by atomic weights
	require.Len(t, got.GetWantedShares(), 2)
	assert.InDelta(t, 1, got.GetWantedShares()[0]+got.GetWantedShares()[1], 1e-12)
	assert.InDelta(t, got.GetWantedMgPerL(), got.GetWantedShares()[0]*hard+got.GetWantedShares()[1]*10, 1e-3, "mixing is linear")
	assert.Nil(t, got.GetRaise(), "the mix as it is told is harder")
	mix.Waters[0], mix.Waters[1] = mix.Waters[1], mix.Waters[0]
	turned, err := c.MixWaters(t.Context(), mix)
	require.NoError(t, err)
	assert.InDelta(t, got.GetWantedShares()[0], turned.GetWantedShares()[1], 1e-12)
	mix.Wanted.Value = 50
	got, err = c.MixWaters(t.Context(), mix)
	require.NoError(t, err)
	assert.Empty(t, got.GetWantedShares(), "harder than either")
	assert.NotNil(t, got.GetRaise())

	mix = &bathscalev1.MixWatersRequest{WantedMgPerL: proto.Float64(1), Wanted: &bathscalev1.Hardness{Value: math.NaN(), Unit: 99}, Waters: []*bathscalev1.WaterShare{
		{Parts: 1, CalciumMgPerL: proto.Float64(1)}, {Parts: 1, Hardness: proto.Float64(1), Unit: 1, CalciumMgPerL: proto.Float64(2001), MagnesiumMgPerL: proto.Float64(math.Inf(1))},
	}}
	_, err = c.MixWaters(t.Context(), mix)
	refused := moduletest.Refused(t, err)
	for _, field := range []string{"waters[0].magnesium_mg_per_l", "waters[1].calcium_mg_per_l", "waters[1].magnesium_mg_per_l", "wanted", "wanted.unit", "litres"} {
		assert.NotEmpty(t, refused[field], field)
	}
	_, err = c.MixWaters(t.Context(), &bathscalev1.MixWatersRequest{Waters: []*bathscalev1.WaterShare{{Parts: 1, CalciumMgPerL: proto.Float64(2000), MagnesiumMgPerL: proto.Float64(2000)}}})
	assert.Contains(t, moduletest.Refused(t, err)["waters[0].calcium_mg_per_l"], "at most 10000")
}
