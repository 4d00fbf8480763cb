package bathscale

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/commonvat/commonvat/plugins/bathscale/amounts"
	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// Limits of bathscale.proto.
const (
	maxFibre   = 200
	maxBaths   = 32
	maxDoses   = 50
	leastShare = 0.001 // of what is at hand, percent or g/L: with less, grams at hand would be beyond any number
	maxRegains = 100
	maxName    = 80
	maxMassG   = 1e6
	maxLitres  = 1e5
)

// within notes x unless it lies from low to high; NaN and infinities lie nowhere.
func within(v *sdk.Violations, field string, x, low, high float64) {
	if !(x >= low && x <= high) {
		v.Add(field, "is %s, want %s to %s", wire.Number(x), wire.Number(low), wire.Number(high))
	}
}

// above notes x unless it is greater than low and at most high.
func above(v *sdk.Violations, field string, x, low, high float64) {
	if !(x > low && x <= high) {
		v.Add(field, "is %s, want above %s to %s", wire.Number(x), wire.Number(low), wire.Number(high))
	}
}

func name(v *sdk.Violations, field, text string) {
	if n := utf8.RuneCountInString(text); n == 0 || n > maxName || strings.TrimSpace(text) == "" {
		v.Add(field, "is %.20q, want 1 to %d characters", text, maxName)
	}
}

// count notes a list that is too short or too long, and tells whether it may be looked through.
func count(v *sdk.Violations, field string, n, low, high int) bool {
	if n < low || n > high {
		v.Add(field, "has %d entries, want %d to %d", n, low, high)
	}
	return n <= high
}

// lot is a fibre lot that passed.
type lot struct {
	id      string
	fibre   amounts.Fibre
	regains amounts.Regains // that of the blend, under fibre.Name
}

// lots converts the fibre, with the regain of each blend under a name of its own.
func lots(v *sdk.Violations, req *bathscalev1.ScaleBathsRequest) []lot {
	table := amounts.CommercialRegains()
	if count(v, "regains", len(req.GetRegains()), 0, maxRegains) {
		for i, r := range req.GetRegains() {
			name(v, fmt.Sprintf("regains[%d].fibre", i), r.GetFibre())
			within(v, fmt.Sprintf("regains[%d].percent", i), r.GetPercent(), 0, 100)
			table[r.GetFibre()] = r.GetPercent()
		}
	}
	if !count(v, "fibre", len(req.GetFibre()), 1, maxFibre) {
		return nil
	}
	out, seen := make([]lot, 0, len(req.GetFibre())), map[string]bool{}
	for i, m := range req.GetFibre() {
		at := fmt.Sprintf("fibre[%d].", i)
		name(v, at+"piece_id", m.GetPieceId())
		if seen[m.GetPieceId()] {
			v.Add(at+"piece_id", "is %.40q, which stands in the list already", m.GetPieceId())
		}
		seen[m.GetPieceId()] = true
		above(v, at+"mass_g", m.GetMassG(), 0, maxMassG)
		within(v, at+"balance_step_g", m.GetBalanceStepG(), 0, 100)
		within(v, at+"pickup_percent", m.GetPickupPercent(), 0, 1000)
		f := amounts.Fibre{Name: "the blend", MassG: m.GetMassG(), StepG: m.GetBalanceStepG(), RegainPercent: regain(v, at, m), PickupPercent: m.GetPickupPercent()}
		switch m.GetBasis() {
		case typesv1.WeighingBasis_WEIGHING_BASIS_UNSPECIFIED, typesv1.WeighingBasis_WEIGHING_BASIS_AIR_DRY:
		case typesv1.WeighingBasis_WEIGHING_BASIS_OVEN_DRY:
			f.Basis = amounts.OvenDry
		default:
			v.Add(at+"basis", "is %d, want one of the enum", m.GetBasis())
		}
		out = append(out, lot{m.GetPieceId(), f, blendRegain(v, at+"composition", m.GetComposition(), table)})
	}
	return out
}

// regain is the water of the fibre on the day of weighing, in percent of its oven-dry mass; nil when it wasn't measured.
func regain(v *sdk.Violations, at string, m *bathscalev1.FibreLot) *float64 {
	if m.RegainPercent != nil {
		within(v, at+"regain_percent", m.GetRegainPercent(), 0, 100)
	}
	if m.MoistureContentPercent == nil {
		return m.RegainPercent
	}
	within(v, at+"moisture_content_percent", m.GetMoistureContentPercent(), 0, 50)
	if m.RegainPercent != nil {
		v.Add(at+"moisture_content_percent", "is given beside regain_percent, want one of them")
	}
	percent, err := amounts.RegainFromContent(m.GetMoistureContentPercent())
	if err != nil {
		return nil // noted above
	}
	return &percent
}

// blendRegain is the mean regain of a blend by the dry mass of its fibres; empty when that of one isn't known.
func blendRegain(v *sdk.Violations, field string, parts []*typesv1.FibrePart, table amounts.Regains) amounts.Regains {
	if !count(v, field, len(parts), 1, 8) {
		return nil
	}
	mean, all, known := 0.0, 0.0, true
	for i, p := range parts {
		name(v, fmt.Sprintf("%s[%d].fibre", field, i), p.GetFibre())
		above(v, fmt.Sprintf("%s[%d].percent", field, i), p.GetPercent(), 0, 100)
		regain, ok := table[p.GetFibre()]
		known = known && ok
		mean += regain * p.GetPercent()
		all += p.GetPercent()
	}
	if len(parts) > 0 && math.Abs(all-100) > 0.5 {
		v.Add(field, "adds up to %s percent, want 100 within 0.5", wire.Number(all))
	}
	if !known || all == 0 {
		return amounts.Regains{}
	}
	return amounts.Regains{"the blend": mean / all}
}

func bench(v *sdk.Violations, m *bathscalev1.Bench) amounts.Bench {
	if m == nil {
		v.Add("bench", "is missing")
		return amounts.Bench{}
	}
	out := amounts.Bench{
		PipetteML: m.GetSmallVolumeUncertaintyMl(), FlaskPercent: m.GetFlaskUncertaintyPercent(), WantedPercent: m.GetWantedPercent(),
		StockML: m.GetStockMl(), StockLeastG: m.GetStockLeastG(),
	}
	within(v, "bench.small_volume_uncertainty_ml", out.PipetteML, 0, 100)
	within(v, "bench.flask_uncertainty_percent", out.FlaskPercent, 0, 50)
	wire.OrDefault(v, "bench.wanted_percent", out.WantedPercent, 5, 0.1, 100)
	wire.OrDefault(v, "bench.stock_ml", out.StockML, 500, 1, 1e5)
	wire.OrDefault(v, "bench.stock_least_g", out.StockLeastG, 5, 0.001, 1e4)
	if count(v, "bench.balances", len(m.GetBalances()), 1, 10) {
		for i, b := range m.GetBalances() {
			at := fmt.Sprintf("bench.balances[%d].", i)
			above(v, at+"step_g", b.GetStepG(), 0, 100)
			if b.GetCapacityG() != 0 {
				within(v, at+"capacity_g", b.GetCapacityG(), b.GetStepG(), 1e6)
			}
			out.Balances = append(out.Balances, amounts.Balance{StepG: b.GetStepG(), CapacityG: b.GetCapacityG()})
		}
	}
	return out
}

// recipe is a bath that passed.
type recipe struct {
	m      *bathscalev1.BathRecipe
	volume amounts.Volume
	doses  []amounts.Dose
	lots   []lot
	// question is set instead of doses where a vat's name is that of several.
	question *amounts.Ambiguous
}

// fillings are how often a vessel is filled for a bath that is told in litres.
func (r *recipe) fillings() float64 {
	if r.m.GetVesselL() == 0 || r.volume.Litres == 0 {
		return 1
	}
	return math.Max(1, math.Ceil(r.volume.Litres/r.m.GetVesselL()*(1-1e-9)))
}

func recipes(v *sdk.Violations, req *bathscalev1.ScaleBathsRequest, all []lot) []recipe {
	if !count(v, "baths", len(req.GetBaths()), 1, maxBaths) {
		return nil
	}
	out, seen := make([]recipe, 0, len(req.GetBaths())), map[string]bool{}
	for i, m := range req.GetBaths() {
		at := fmt.Sprintf("baths[%d].", i)
		name(v, at+"bath_id", m.GetBathId())
		if seen[m.GetBathId()] {
			v.Add(at+"bath_id", "is %.40q, which stands in the list already", m.GetBathId())
		}
		if before := m.GetExhaustOf(); before != "" && !seen[before] {
			v.Add(at+"exhaust_of", "is %.40q, want the id of a bath that stands before this one", before)
		}
		seen[m.GetBathId()] = true
		r := recipe{m: m}
		switch m.GetVolume().(type) {
		case *bathscalev1.BathRecipe_LiquorRatio:
			within(v, at+"liquor_ratio", m.GetLiquorRatio(), 1, 1000)
			r.volume.LiquorRatio = m.GetLiquorRatio()
		case *bathscalev1.BathRecipe_Litres:
			above(v, at+"litres", m.GetLitres(), 0, maxLitres)
			r.volume.Litres = m.GetLitres()
		default:
			v.Add(at+"volume", "is missing, want liquor_ratio or litres")
		}
		within(v, at+"vessel_l", m.GetVesselL(), 0, maxLitres)
		if m.GetDips() < 0 || m.GetDips() > 1000 {
			v.Add(at+"dips", "is %d, want 0 to 1000", m.GetDips())
		}
		r.lots = chosen(v, at+"piece_ids", m.GetPieceIds(), all)
		if n := r.fillings(); n > float64(max(1, len(r.lots))) {
			v.Add(at+"litres", "is %s, which takes %s fillings of a vessel of %s, and there are %d pieces to share among them", wire.Number(m.GetLitres()), wire.Number(n),
				wire.Number(m.GetVesselL()), len(r.lots))
		}
		if n := int(m.GetPiecesLifted()); n < 0 || (n > 0 && n >= len(r.lots)) {
			v.Add(at+"pieces_lifted", "is %d, want 0 to one fewer than the %d pieces", n, len(r.lots))
		}
		for j, u := range m.GetUptakes() {
			name(v, fmt.Sprintf("%suptakes[%d].material", at, j), u.GetMaterial())
			within(v, fmt.Sprintf("%suptakes[%d].part", at, j), u.GetPart(), 0, 1)
		}
		if len(m.GetUptakes()) > 0 && m.GetExhaustOf() == "" {
			v.Add(at+"uptakes", "are given, and exhaust_of is not")
		}
		r.doses, r.question = doses(v, at, m)
		out = append(out, r)
	}
	return out
}

func chosen(v *sdk.Violations, field string, ids []string, all []lot) []lot {
	if len(ids) == 0 {
		return all
	}
	if !count(v, field, len(ids), 0, maxFibre) {
		return nil
	}
	var out []lot
	seen := map[string]bool{}
	for i, id := range ids {
		at := slices.IndexFunc(all, func(l lot) bool { return l.id == id })
		if at < 0 || seen[id] {
			v.Add(fmt.Sprintf("%s[%d]", field, i), "is %.40q, want the piece_id of one of fibre, each once", id)
			continue
		}
		seen[id] = true
		out = append(out, all[at])
	}
	return out
}

func doses(v *sdk.Violations, at string, m *bathscalev1.BathRecipe) ([]amounts.Dose, *amounts.Ambiguous) {
	if !count(v, at+"doses", len(m.GetDoses()), 0, maxDoses) {
		return nil, nil
	}
	within(v, at+"indigo_g_per_l", m.GetIndigoGPerL(), 0, 1000)
	if m.IndigoPurityPercent != nil {
		within(v, at+"indigo_purity_percent", m.GetIndigoPurityPercent(), leastShare, 100)
	}
	var out []amounts.Dose
	if m.GetIndigoByActiveDye() && m.GetVat() == "" {
		v.Add(at+"indigo_by_active_dye", "is given, and vat is not: of a dose, form and purity_percent say it")
	}
	if m.GetVat() != "" {
		vat, question := vatDoses(v, at, m)
		if question != nil {
			return nil, question
		}
		out = vat
	}
	seen := map[string]bool{}
	for _, d := range out {
		seen[d.Material] = true
	}
	for i, d := range m.GetDoses() {
		out = append(out, dose(v, fmt.Sprintf("%sdoses[%d].", at, i), d, seen, m.GetDips()))
		seen[d.GetMaterial()] = true
	}
	return out, nil
}

// vatDoses are the doses of a vat that is told by its name.
func vatDoses(v *sdk.Violations, at string, m *bathscalev1.BathRecipe) ([]amounts.Dose, *amounts.Ambiguous) {
	if m.GetIndigoGPerL() == 0 {
		v.Add(at+"indigo_g_per_l", "is 0, want above 0 to 1000 for a vat")
	}
	vat, err := amounts.Vat(m.GetVat())
	var question *amounts.Ambiguous
	switch {
	case errors.As(err, &question):
		return nil, question
	case err != nil:
		v.Add(at+"vat", "is %.40q, which is no vat known here; tell its parts as doses", m.GetVat())
	}
	out := []amounts.Dose{{Material: indigo, Measure: amounts.GramsPerLitre, Value: m.GetIndigoGPerL()}}
	if m.GetIndigoByActiveDye() {
		out[0].Form, out[0].PurityPercent = amounts.Impure, m.GetIndigoPurityPercent()
	}
	for _, p := range vat.Parts {
		out = append(out, amounts.Dose{Material: p.Material, Measure: amounts.PartsOf, Of: indigo, Value: p.Parts})
	}
	return out, nil
}

func dose(v *sdk.Violations, at string, m *bathscalev1.Dose, seen map[string]bool, dips int32) amounts.Dose {
	d := amounts.Dose{Material: m.GetMaterial(), MoisturePercent: m.MoisturePercent}
	name(v, at+"material", m.GetMaterial())
	if seen[m.GetMaterial()] {
		v.Add(at+"material", "is %.40q, which is in this bath already", m.GetMaterial())
	}
	field, most := "", maxMassG
	switch f := m.GetFigure().(type) {
	case *bathscalev1.Dose_PercentWof:
		field, most, d.Measure, d.Value = "percent_wof", 10_000, amounts.PercentWOF, f.PercentWof
	case *bathscalev1.Dose_GramsPerLitre:
		field, d.Measure, d.Value = "grams_per_litre", amounts.GramsPerLitre, f.GramsPerLitre
	case *bathscalev1.Dose_PartsOf:
		field, d.Measure, d.Value, d.Of = "parts_of.parts", amounts.PartsOf, f.PartsOf.GetParts(), f.PartsOf.GetOf()
		if !seen[d.Of] || d.Of == d.Material {
			v.Add(at+"parts_of.of", "is %.40q, want a material that stands before this one", d.Of)
		}
	case *bathscalev1.Dose_GramsPerDip:
		field, d.Measure, d.Value = "grams_per_dip", amounts.GramsPerDip, f.GramsPerDip
		if dips < 1 {
			v.Add(at+"grams_per_dip", "is given, and the bath has no dips")
		}
	case *bathscalev1.Dose_Grams:
		field, d.Measure, d.Value = "grams", amounts.Grams, f.Grams
	default:
		v.Add(at+"figure", "is missing, want percent_wof, grams_per_litre, parts_of, grams_per_dip or grams")
	}
	if field != "" {
		within(v, at+field, d.Value, 0, most)
	}
	if m.Strength != nil {
		within(v, at+"strength", m.GetStrength(), 0.001, 1000)
		d.Strength = m.GetStrength()
	}
	if m.MoisturePercent != nil && !(m.GetMoisturePercent() >= 0 && m.GetMoisturePercent() < 100) {
		v.Add(at+"moisture_percent", "is %s, want 0 to below 100", wire.Number(m.GetMoisturePercent()))
	}
	if m.PurityPercent != nil {
		within(v, at+"purity_percent", m.GetPurityPercent(), leastShare, 100)
		d.PurityPercent = m.GetPurityPercent()
	}
	liquid(v, at, m, &d)
	if m.SolubleGPerL != nil {
		within(v, at+"soluble_g_per_l", m.GetSolubleGPerL(), 0, 5000)
		d.SolubleGPerL = m.GetSolubleGPerL()
	}
	switch m.GetForm() {
	case bathscalev1.Form_FORM_UNSPECIFIED:
	case bathscalev1.Form_FORM_FRESH:
		d.Form = amounts.Fresh
	case bathscalev1.Form_FORM_SUBSTITUTE:
		d.Form = amounts.Substitute
	case bathscalev1.Form_FORM_IMPURE:
		d.Form = amounts.Impure
	case bathscalev1.Form_FORM_LIQUID:
		d.Form = amounts.Liquid
	default:
		v.Add(at+"form", "is %d, want one of the enum", m.GetForm())
	}
	return d
}

// liquid is what a litre of a liquid holds and weighs.
func liquid(v *sdk.Violations, at string, m *bathscalev1.Dose, d *amounts.Dose) {
	if m.LiquidGPerL != nil {
		within(v, at+"liquid_g_per_l", m.GetLiquidGPerL(), leastShare, 2000)
		d.LiquidGPerL = m.GetLiquidGPerL()
	}
	if m.LiquidDensityKgPerL != nil {
		within(v, at+"liquid_density_kg_per_l", m.GetLiquidDensityKgPerL(), 0.5, 3)
		d.LiquidKgPerL = m.GetLiquidDensityKgPerL()
	}
	if m.LiquidPercent == nil {
		return
	}
	within(v, at+"liquid_percent", m.GetLiquidPercent(), leastShare, 100)
	switch {
	case m.LiquidGPerL != nil:
		v.Add(at+"liquid_percent", "is given beside liquid_g_per_l, want one of them")
	case m.LiquidDensityKgPerL == nil:
		v.Add(at+"liquid_density_kg_per_l", "is missing: a percentage of its mass says nothing of a litre")
	default:
		d.LiquidGPerL = amounts.LiquidGPerL(m.GetLiquidDensityKgPerL(), m.GetLiquidPercent())
	}
}
