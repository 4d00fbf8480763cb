package bathscale

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// Exact by the international yard and pound agreement of 1959, and by the definition of the US gallon as 231 cubic inches.
const (
	pound = 453.59237   // g
	ounce = pound / 16  // g
	usGal = 3.785411784 // L
	indi  = indigo
	iron7 = ferrousSulfate
)

// workedExamples are the worked examples that bath scaling is held against, WX01 to WX35, each by the module's own call. Where a row comes from a publication its figures stand
// as printed there; "arithmetic" follows from the definitions alone.
var workedExamples = []struct {
	id, source string
	prove      func(*worked)
}{
	{"WX01", "arithmetic; common practice", func(w *worked) { w.near(12, w.wof(12, 100).GetMeantG(), 1e-9) }},
	{"WX02", "a US supplier's instructions: an extract for a medium brown on a garment", func(w *worked) { w.near(15, w.wof(150, 10).GetMeantG(), 1e-9) }},
	{"WX03", "the same, powdered hulls", func(w *worked) { w.near(37.5, w.wof(150, 25).GetMeantG(), 1e-9) }},
	{"WX04", "E. Mairet, A Book on Vegetable Dyes (1916), alum: 4 oz and 1 oz of tartar to the pound", func(w *worked) {
		load := w.load(&bathscalev1.BathRecipe{Volume: ratio(30), Doses: []*bathscalev1.Dose{grams("alum", 4*ounce), grams("tartar", ounce)}}, dryWool(pound))
		w.near(25, load.GetAmounts()[0].GetDeliveredPercent(), 0.001)
		w.near(6.25, load.GetAmounts()[1].GetDeliveredPercent(), 0.001)
	}},
	{"WX05", "the same recipe for 100 g of wool", func(w *worked) {
		w.near(25, w.wof(100, 25).GetMeantG(), 1e-9)
		w.near(6.25, w.wof(100, 6.25).GetMeantG(), 1e-9)
	}},
	{"WX06", "J. Dean's figures in a comparison of three handbooks, which prints 1.28 oz and 1.12 oz for a pound", func(w *worked) {
		w.near(36.29, w.wof(pound, 8).GetMeantG(), 0.01)
		w.near(1.28, w.wof(pound, 8).GetMeantG()/ounce, 0.01)
		w.near(31.75, w.wof(pound, 7).GetMeantG(), 0.01)
		w.near(1.12, w.wof(pound, 7).GetMeantG()/ounce, 0.01)
	}},
	{"WX07", "R. Buchanan's figures in the same comparison, 2.24 oz and 0.64 oz", func(w *worked) {
		w.near(2.24, w.wof(pound, 14).GetMeantG()/ounce, 0.01)
		w.near(0.64, w.wof(pound, 4).GetMeantG()/ounce, 0.01)
	}},
	{"WX08", "arithmetic, a gram of water being a millilitre", func(w *worked) {
		strip := dryWool(13)
		strip.PickupPercent = 120
		load := w.load(&bathscalev1.BathRecipe{Volume: ratio(30), Doses: []*bathscalev1.Dose{poured("a", 0.28, 10), poured("b", 0.14, 10)}}, strip)
		w.near(390, load.GetVolumeMl(), 1e-9)
		w.near(15.6, load.GetCarriedMl(), 1e-9)
		w.near(28+14, load.GetBroughtMl(), 1e-9)
		w.near(332.4, load.GetWaterToAddMl(), 1e-9)
	}},
	{"WX09", "arithmetic", func(w *worked) {
		w.bench = kitchen()
		iron := percentDose("iron", 2)
		iron.SolubleGPerL = proto.Float64(250)
		got := w.load(&bathscalev1.BathRecipe{Volume: ratio(30), Doses: []*bathscalev1.Dose{iron}}, dryWool(13)).GetAmounts()[0]
		w.near(0.26, got.GetMeantG(), 1e-12)
		w.near(10, got.GetStock().GetGPerL(), 1e-9)
		w.near(26, got.GetTakeMl(), 1e-9)
	}},
	{"WX10", "arithmetic, with the uniform error of a display (JCGM 100:2008, F.2.2.1)", func(w *worked) {
		w.bench = kitchen()
		direct := w.wof(13, 2)
		w.near(0.3, direct.GetShownG(), 1e-12)
		w.near(2.31, direct.GetDeliveredPercent(), 0.005)
		w.near(0.0408, direct.GetUncertaintyPercent()/100/2*0.26, 0.0001) // the factor 2 expands it
		w.near(15.7, direct.GetUncertaintyPercent()/2, 0.1)
		liquid := w.load(&bathscalev1.BathRecipe{Volume: ratio(30), Doses: []*bathscalev1.Dose{poured("iron", 0.26, 10)}}, dryWool(13)).GetAmounts()[0]
		w.near(26, liquid.GetTakeMl(), 1e-9)
		w.near(1.9, liquid.GetUncertaintyPercent()/2, 0.1)
	}},
	{"WX11", "arithmetic on the same error: 5 % at a factor of 2", func(w *worked) {
		w.bench = kitchen()
		w.near(5, w.wof(100, 1.63).GetUncertaintyPercent(), 0.03) // 0.01 g of 1.63
		assert.True(w, w.wof(100, 1.62).GetBeyondWanted())
		enough := w.wof(100, 1.64)
		assert.LessOrEqual(w, enough.GetUncertaintyPercent(), 5.0)
	}},
	{"WX12", "arithmetic, with the regain of wool at 65 % of humidity that Morton and Hearle give", func(w *worked) {
		w.reference = bathscalev1.FibreReference_FIBRE_REFERENCE_OVEN_DRY
		wool := dryWool(100)
		wool.RegainPercent = proto.Float64(16)
		w.near(86.21, w.load(&bathscalev1.BathRecipe{Volume: ratio(30)}, wool).GetFibreG(), 0.01)
	}},
	{"WX13", "ASTM D2118, scoured wool of 12.0 % of moisture; D1909-13 gives its regain as 13.6", func(w *worked) { w.near(13.64, w.regainOf(12), 0.01) }},
	{"WX14", "ASTM D2118, worsted yarn spun dry", func(w *worked) { w.near(15, w.regainOf(13.04), 0.01) }},
	{"WX15", "arithmetic: a dry day and a damp one", func(w *worked) {
		dry, damp := w.wof(111, 8).GetMeantG(), w.wof(118, 8).GetMeantG()
		w.near(8.88, dry, 0.001)
		w.near(9.44, damp, 0.001)
		w.near(6.31, 100*(damp/dry-1), 0.01)
		w.reference = bathscalev1.FibreReference_FIBRE_REFERENCE_OVEN_DRY
		for mass, regain := range map[float64]float64{111: 11, 118: 18} { // and without the water it is one recipe
			wool := dryWool(mass)
			wool.RegainPercent = &regain
			w.near(8, w.load(&bathscalev1.BathRecipe{Volume: ratio(30), Doses: []*bathscalev1.Dose{percentDose("alum", 8)}}, wool).GetAmounts()[0].GetMeantG(), 1e-9)
		}
	}},
	{"WX16", "a UK author's tutorial on the fructose vat", func(w *worked) {
		w.vat("fructose", 10, 10, map[string]float64{indi: 10, "calcium hydroxide": 20, "fructose": 30}, 1, 0.001)
	}},
	{"WX17", "a Canadian supplier's teaching guide: 20 g of indigo in 15 to 20 L", func(w *worked) {
		for litres, gPerL := range map[float64]float64{15: 1.33, 20: 1} {
			w.vat("iron", 20, litres, map[string]float64{indi: 20, iron7: 40, "calcium hydroxide": 60}, gPerL, 0.01)
		}
	}},
	{"WX18", "a cloth seller's sheet: a tub of 30 L", func(w *worked) {
		w.vat("iron", 75, 30, map[string]float64{indi: 75, iron7: 150, "calcium hydroxide": 225}, 2.5, 0.001)
	}},
	{"WX19", "a workshop's sheet: five US gallons", func(w *worked) {
		w.near(18.927, 5*usGal, 0.001)
		w.vat("iron", 50, 5*usGal, map[string]float64{indi: 50, iron7: 100, "calcium hydroxide": 150}, 2.642, 0.001)
	}},
	{"WX20", "a US grower's recipe by the dye in the powder; stoichiometry from molar masses (IUPAC): ferrous sulfate heptahydrate 278.01, indigotin 262.27, two electrons", func(w *worked) {
		vat := &bathscalev1.BathRecipe{
			Volume: &bathscalev1.BathRecipe_Litres{Litres: 4 * usGal}, IndigoPurityPercent: proto.Float64(35),
			Doses: []*bathscalev1.Dose{grams(indi, 50), grams(iron7, 35), grams("calcium hydroxide", 44)},
		}
		load := w.load(vat, dryWool(500))
		w.near(3.3, load.GetAmounts()[0].GetMeantG()/load.GetVolumeMl()*1000, 0.01)
		w.near(37.1, load.GetAmounts()[1].GetLeastG(), 0.01)
		w.near(0.94, load.GetAmounts()[1].GetMeantG()/load.GetAmounts()[1].GetLeastG(), 0.005)
		assert.Equal(w, []string{"the ferrous sulfate is 0.94 times what reducing the dye takes at least, air not counted"}, w.remarks)
		// The same vat told by its dye.
		byDye := w.load(&bathscalev1.BathRecipe{
			Volume: vat.GetVolume().(*bathscalev1.BathRecipe_Litres), Vat: "iron", IndigoGPerL: 1.156, IndigoByActiveDye: true, IndigoPurityPercent: proto.Float64(35),
		}, dryWool(500))
		w.near(17.5, byDye.GetAmounts()[0].GetMeantG(), 0.01)
		w.near(50, byDye.GetAmounts()[0].GetAtHandG(), 0.03)
		w.near(35, byDye.GetAmounts()[1].GetMeantG(), 0.02) // two parts of the dye
		w.near(37.1, byDye.GetAmounts()[1].GetLeastG(), 0.02)
	}},
	{"WX21", "arithmetic: the strength is the lot's own", func(w *worked) {
		extract := grams("madder", 100)
		extract.Form, extract.Strength = bathscalev1.Form_FORM_SUBSTITUTE, proto.Float64(10)
		w.near(10, w.one(extract, 100).GetAtHandG(), 1e-9)
	}},
	{"WX22", "arithmetic", func(w *worked) {
		fresh := grams("weld", 80)
		fresh.Form, fresh.MoisturePercent = bathscalev1.Form_FORM_FRESH, proto.Float64(80)
		w.near(400, w.one(fresh, 100).GetAtHandG(), 1e-9)
	}},
	{"WX23", "arithmetic", func(w *worked) {
		left := w.exhaust(grams("weld", 10), 0.6, percentDose("weld", 0), 100, 50)
		w.near(4, left.GetLeftG(), 1e-9)
		w.near(8, left.GetDeliveredPercent(), 1e-9)
	}},
	{"WX24", "a US supplier: wool takes up about 30 % of the alum", func(w *worked) {
		w.near(15, w.wof(100, 15).GetMeantG(), 1e-9)
		second := w.exhaust(percentDose("alum", 15), 0.3, percentDose("alum", 15), 100, 100)
		w.near(10.5, second.GetLeftG(), 1e-9)
		w.near(4.5, second.GetMeantG(), 1e-9)
	}},
	{"WX25", "a UK supplier's three baths for cotton", func(w *worked) {
		alum := &bathscalev1.BathRecipe{Volume: ratio(20), Doses: []*bathscalev1.Dose{percentDose("alum", 25), percentDose("soda ash", 6)}}
		tannin := &bathscalev1.BathRecipe{Volume: ratio(20), Doses: []*bathscalev1.Dose{percentDose("tannin", 6)}}
		sum := map[string]float64{}
		for _, bath := range []*bathscalev1.BathRecipe{alum, tannin, alum} {
			for _, a := range w.load(bath, dryWool(100)).GetAmounts() {
				sum[a.GetMaterial()] += a.GetMeantG()
			}
		}
		w.near(50, sum["alum"], 1e-9)
		w.near(12, sum["soda ash"], 1e-9)
		w.near(6, sum["tannin"], 1e-9)
		w.near(0.24, sum["soda ash"]/sum["alum"], 1e-9)
	}},
	{"WX26", "a Canadian supplier's guide; hydroxide to aluminium from molar masses (IUPAC): KAl(SO4)2.12H2O 474.388, Na2CO3 105.99", func(w *worked) {
		tannin, alum, soda := w.wof(250, 8).GetMeantG(), w.wof(250, 15).GetMeantG(), w.wof(250, 2).GetMeantG()
		w.near(20, tannin, 0.01)
		w.near(37.5, alum, 0.01)
		w.near(5, soda, 0.01)
		w.near(0.133, soda/alum, 0.001)
		w.near(1.19, 2*(soda/105.99)/(alum/474.388), 0.01)
	}},
	{"WX27", "molar masses (IUPAC): Al 26.98154, potassium alum 474.388, Al2(SO4)3.18H2O 666.42", func(w *worked) {
		inAlum, inSulfate := 26.98154/474.388, 2*26.98154/666.42
		sulfate := grams("aluminium sulfate", 15)
		sulfate.Form, sulfate.Strength = bathscalev1.Form_FORM_SUBSTITUTE, proto.Float64(inSulfate/inAlum)
		got := w.one(sulfate, 100)
		w.near(10.54, got.GetAtHandG(), 0.01)
		w.near(0.853, got.GetAtHandG()*inSulfate, 0.01)
	}},
	{"WX28", "a Canadian supplier's guide: 20 g of soda ash for 450 g of cotton; others give 2 and 35 %", func(w *worked) {
		w.near(4.44, w.one(grams("soda ash", 20), 450).GetDeliveredPercent(), 0.01)
	}},
	{"WX29", "a US supplier's instructions: chalk after the mordant", func(w *worked) { w.near(5, w.wof(100, 5).GetMeantG(), 1e-9) }},
	{"WX30", "arithmetic on the definitions of the degrees", func(w *worked) {
		for unit, value := range map[bathscalev1.HardnessUnit]float64{
			bathscalev1.HardnessUnit_HARDNESS_UNIT_GERMAN_DEGREE: 8, bathscalev1.HardnessUnit_HARDNESS_UNIT_MG_PER_L: 142.78, bathscalev1.HardnessUnit_HARDNESS_UNIT_FRENCH_DEGREE: 14.28,
			bathscalev1.HardnessUnit_HARDNESS_UNIT_ENGLISH_DEGREE: 10.02, bathscalev1.HardnessUnit_HARDNESS_UNIT_GRAIN_PER_US_GALLON: 8.34, bathscalev1.HardnessUnit_HARDNESS_UNIT_MMOL_PER_L: 1.427,
		} {
			one := w.water(&bathscalev1.WaterShare{Parts: 1, Hardness: proto.Float64(1), Unit: unit}).GetLowMgPerL()
			w.near(142.78, value*one, 0.01*one)
		}
	}},
	{"WX31", "arithmetic on atomic weights; a page on hardness prints the factors 2.497 and 4.115", func(w *worked) {
		w.near(199.3, w.water(&bathscalev1.WaterShare{Parts: 1, CalciumMgPerL: proto.Float64(60), MagnesiumMgPerL: proto.Float64(12)}).GetLowMgPerL(), 0.1)
	}},
	{"WX32", "arithmetic on molar masses: calcium acetate monohydrate 176.18, calcium chloride dihydrate 147.01, calcium carbonate 100.09", func(w *worked) {
		got, err := w.client.MixWaters(w.Context(), &bathscalev1.MixWatersRequest{Litres: 10, WantedMgPerL: proto.Float64(150), Waters: []*bathscalev1.WaterShare{mgPerL(40)}})
		require.NoError(w, err)
		w.near(1.1, got.GetRaise().GetCalciumCarbonateG(), 0.001)
		w.near(1.936, got.GetRaise().GetCalciumAcetateMonohydrateG(), 0.001)
		w.near(1.616, got.GetRaise().GetCalciumChlorideDihydrateG(), 0.001)
	}},
	{"WX33", "a UK supplier's stripping bath for 500 g, for a strip of 20 g", func(w *worked) {
		got, err := w.client.Rescale(w.Context(), &bathscalev1.RescaleRequest{From: &bathscalev1.BathSize{FibreG: 500, VolumeL: 8}, To: &bathscalev1.BathSize{FibreG: 20, VolumeL: 0.32}, Figures: []*bathscalev1.BathFigure{
			{Name: "thiourea dioxide", Value: 10, Grows: bathscalev1.Grows_GROWS_BY_MASS}, {Name: "soda ash on cellulose", Value: 20, Grows: bathscalev1.Grows_GROWS_BY_MASS},
			{Name: "soda ash on wool", Value: 10, Grows: bathscalev1.Grows_GROWS_BY_MASS}, {Name: "water", Value: 8000, Grows: bathscalev1.Grows_GROWS_BY_VOLUME},
		}})
		require.NoError(w, err)
		for i, want := range []float64{0.4, 0.8, 0.4, 320} {
			w.near(want, got.GetFigures()[i].GetValue(), 1e-9)
		}
		load := w.load(&bathscalev1.BathRecipe{Volume: ratio(8000. / 500), Doses: []*bathscalev1.Dose{percentDose("thiourea dioxide", 2)}}, dryWool(20))
		w.near(16, load.GetLiquorRatio(), 1e-9)
		w.near(320, load.GetVolumeMl(), 1e-9)
		w.near(0.4, load.GetAmounts()[0].GetMeantG(), 1e-9)
	}},
	{"WX34", "arithmetic: nothing taken up, so at most", func(w *worked) {
		load := w.load(&bathscalev1.BathRecipe{Volume: ratio(35), PiecesLifted: 3, Doses: []*bathscalev1.Dose{percentDose("weld", 100)}}, dryWool(3), dryWool(3), dryWool(3), dryWool(3))
		w.near(420, load.GetVolumeMl(), 1e-9)
		w.near(100, load.GetAmounts()[0].GetDeliveredPercent(), 0.1)
		w.near(35, load.GetLiquorRatio(), 0.1)
		for i, want := range [][2]float64{{133.3, 46.7}, {200, 70}, {400, 140}} {
			w.near(want[0], load.GetLifted()[i].GetAtMostPercent(), 0.1)
			w.near(want[1], load.GetLifted()[i].GetLiquorRatio(), 0.1)
		}
	}},
	{"WX35", "an early 19th-century British encyclopaedia, article Dyeing: 3 to 6 lb of weld to the pound of cloth", func(w *worked) {
		w.near(300, w.one(grams("weld", 3*pound), pound).GetDeliveredPercent(), 0.001)
		w.near(600, w.one(grams("weld", 6*pound), pound).GetDeliveredPercent(), 0.001)
	}},
}

func TestWorkedExamples(t *testing.T) {
	c := client(t)
	for i, example := range workedExamples {
		assert.Equal(t, fmt.Sprintf("WX%02d", i+1), example.id)
		assert.NotEmpty(t, example.source, example.id)
		t.Run(example.id, func(t *testing.T) {
			w := &worked{T: t, client: c}
			example.prove(w)
			assert.Positive(t, w.checks, "nothing was held against it")
		})
	}
	assert.Len(t, workedExamples, 35)
}

// worked asks the module for one example.
type worked struct {
	*testing.T
	client    bathscalev1.BathscaleServiceClient
	bench     *bathscalev1.Bench // nil: a balance so fine that it rounds nothing away
	reference bathscalev1.FibreReference
	remarks   []string // of the bath that was asked for last
	checks    int
}

func (w *worked) near(want, got, within float64) {
	w.Helper()
	w.checks++
	assert.InDelta(w, want, got, within)
}

func dryWool(g float64) *bathscalev1.FibreLot {
	return &bathscalev1.FibreLot{MassG: g, Basis: typesv1.WeighingBasis_WEIGHING_BASIS_AIR_DRY, Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}}}
}

func grams(material string, g float64) *bathscalev1.Dose {
	return &bathscalev1.Dose{Material: material, Figure: &bathscalev1.Dose_Grams{Grams: g}}
}

func poured(material string, g, gPerL float64) *bathscalev1.Dose {
	d := grams(material, g)
	d.Form, d.LiquidGPerL = bathscalev1.Form_FORM_LIQUID, &gPerL
	return d
}

func mgPerL(v float64) *bathscalev1.WaterShare {
	return &bathscalev1.WaterShare{Parts: 1, Hardness: &v, Unit: bathscalev1.HardnessUnit_HARDNESS_UNIT_MG_PER_L}
}

func (w *worked) baths(recipes []*bathscalev1.BathRecipe, lots ...*bathscalev1.FibreLot) []*bathscalev1.BathAmounts {
	w.Helper()
	with := w.bench
	if with == nil {
		with = &bathscalev1.Bench{Balances: []*bathscalev1.Balance{{StepG: 1e-4}}, SmallVolumeUncertaintyMl: 0.5}
	}
	for i, l := range lots {
		l.PieceId = fmt.Sprint(i + 1)
	}
	for i, r := range recipes {
		r.BathId = fmt.Sprint(i + 1)
	}
	got, err := w.client.ScaleBaths(w.Context(), &bathscalev1.ScaleBathsRequest{Fibre: lots, Bench: with, Reference: w.reference, Baths: recipes})
	require.NoError(w, err)
	return got.GetBaths()
}

func (w *worked) load(recipe *bathscalev1.BathRecipe, lots ...*bathscalev1.FibreLot) *bathscalev1.LoadAmounts {
	w.Helper()
	got := w.baths([]*bathscalev1.BathRecipe{recipe}, lots...)[0]
	require.Len(w, got.GetLoads(), 1)
	w.remarks = got.GetRemarks()
	return got.GetLoads()[0]
}

func (w *worked) one(dose *bathscalev1.Dose, fibreG float64) *bathscalev1.MaterialAmount {
	w.Helper()
	return w.load(&bathscalev1.BathRecipe{Volume: ratio(30), Doses: []*bathscalev1.Dose{dose}}, dryWool(fibreG)).GetAmounts()[0]
}

func (w *worked) wof(fibreG, percent float64) *bathscalev1.MaterialAmount {
	w.Helper()
	return w.one(percentDose("dye", percent), fibreG)
}

// regainOf is what the module makes of a moisture content: water on dry mass.
func (w *worked) regainOf(contentPercent float64) float64 {
	w.reference = bathscalev1.FibreReference_FIBRE_REFERENCE_OVEN_DRY
	wool := dryWool(100)
	wool.MoistureContentPercent = &contentPercent
	dry := w.load(&bathscalev1.BathRecipe{Volume: ratio(30)}, wool).GetFibreG()
	return 100 * (100 - dry) / dry
}

func (w *worked) vat(name string, indigoG, litres float64, want map[string]float64, gPerL, within float64) {
	w.Helper()
	load := w.load(&bathscalev1.BathRecipe{Volume: &bathscalev1.BathRecipe_Litres{Litres: litres}, Vat: name, IndigoGPerL: indigoG / litres}, dryWool(500))
	require.Len(w, load.GetAmounts(), len(want))
	for _, a := range load.GetAmounts() {
		w.near(want[a.GetMaterial()], a.GetMeantG(), 1e-9)
	}
	w.near(gPerL, load.GetAmounts()[0].GetMeantG()/load.GetVolumeMl()*1000, within)
}

// exhaust is the material of a second bath on what a first left.
func (w *worked) exhaust(first *bathscalev1.Dose, taken float64, second *bathscalev1.Dose, firstG, secondG float64) *bathscalev1.MaterialAmount {
	w.Helper()
	got := w.baths([]*bathscalev1.BathRecipe{
		{Volume: ratio(30), PieceIds: []string{"1"}, Doses: []*bathscalev1.Dose{first}},
		{Volume: ratio(30), PieceIds: []string{"2"}, ExhaustOf: "1", Doses: []*bathscalev1.Dose{second}, Uptakes: []*bathscalev1.Uptake{{Material: second.GetMaterial(), Part: taken}}},
	}, dryWool(firstG), dryWool(secondG))
	return got[1].GetLoads()[0].GetAmounts()[0]
}

func (w *worked) water(share *bathscalev1.WaterShare) *bathscalev1.MixWatersResponse {
	w.Helper()
	got, err := w.client.MixWaters(w.Context(), &bathscalev1.MixWatersRequest{Waters: []*bathscalev1.WaterShare{share}})
	require.NoError(w, err)
	return got
}
