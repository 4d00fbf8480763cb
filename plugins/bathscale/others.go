package bathscale

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/commonvat/commonvat/plugins/bathscale/rescale"
	"github.com/commonvat/commonvat/plugins/bathscale/schedule"
	"github.com/commonvat/commonvat/plugins/bathscale/water"
	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
)

var hardnessUnits = map[bathscalev1.HardnessUnit]water.Unit{
	bathscalev1.HardnessUnit_HARDNESS_UNIT_MG_PER_L:            water.MgPerL,
	bathscalev1.HardnessUnit_HARDNESS_UNIT_MMOL_PER_L:          water.MmolPerL,
	bathscalev1.HardnessUnit_HARDNESS_UNIT_GERMAN_DEGREE:       water.German,
	bathscalev1.HardnessUnit_HARDNESS_UNIT_FRENCH_DEGREE:       water.French,
	bathscalev1.HardnessUnit_HARDNESS_UNIT_ENGLISH_DEGREE:      water.English,
	bathscalev1.HardnessUnit_HARDNESS_UNIT_GRAIN_PER_US_GALLON: water.GrainPerUS,
}

// MixWaters answers a mix.
func (*Server) MixWaters(_ context.Context, req *bathscalev1.MixWatersRequest) (*bathscalev1.MixWatersResponse, error) {
	var v sdk.Violations
	if !count(&v, "waters", len(req.GetWaters()), 1, 100) {
		return nil, v.Err()
	}
	var parts []water.Part
	for i, w := range req.GetWaters() {
		at := fmt.Sprintf("waters[%d].", i)
		above(&v, at+"parts", w.GetParts(), 0, 1e6)
		p := water.Part{Parts: w.GetParts()}
		if w.Hardness != nil {
			mg := hardness(&v, at+"hardness", at+"unit", w.GetHardness(), w.GetUnit())
			p.MgPerL = &mg
		}
		if w.CalciumMgPerL != nil || w.MagnesiumMgPerL != nil {
			p.MgPerL = ions(&v, at, w)
		}
		parts = append(parts, p)
	}
	wanted := req.WantedMgPerL
	if wanted != nil {
		within(&v, "wanted_mg_per_l", req.GetWantedMgPerL(), 0, 10_000)
	}
	if m := req.GetWanted(); m != nil {
		mg := hardness(&v, "wanted.value", "wanted.unit", m.GetValue(), m.GetUnit())
		if wanted != nil {
			v.Add("wanted", "is given beside wanted_mg_per_l, want one of them")
		}
		wanted = &mg
	}
	if wanted != nil {
		above(&v, "litres", req.GetLitres(), 0, maxLitres)
	} else {
		within(&v, "litres", req.GetLitres(), 0, maxLitres)
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	low, high, err := water.Mixed(parts)
	if err != nil {
		return nil, wire.Failed("request", err)
	}
	out := &bathscalev1.MixWatersResponse{LowMgPerL: low, WantedMgPerL: wanted}
	if math.IsInf(high, 1) {
		out.Remarks = append(out.Remarks, "the hardness of a water in this mix isn't known: the mix could be harder by any amount")
		return out, nil
	}
	out.HighMgPerL = &high
	if wanted == nil {
		return out, nil
	}
	out.WantedShares = shares(parts, *wanted)
	switch {
	case *wanted > high:
		raise, err := water.ToRaise(req.GetLitres(), high, *wanted)
		if err != nil {
			return nil, wire.Failed("request", err)
		}
		out.Raise = &bathscalev1.Raise{
			Model: raise.Model, CalciumCarbonateG: raise.CarbonateG, CalciumAcetateMonohydrateG: raise.AcetateG, CalciumChlorideDihydrateG: raise.ChlorideG,
		}
		out.Remarks = append(out.Remarks, "chalk hardly dissolves in neutral water: use the acetate or the chloride, and measure afterwards")
	case *wanted < low:
		out.Remarks = append(out.Remarks, "softer water than this mix is wanted: mix in rain or softened water; boiling takes away only the carbonate part")
	}
	return out, nil
}

// hardness is a figure in mg of calcium carbonate per litre.
func hardness(v *sdk.Violations, field, unitField string, value float64, m bathscalev1.HardnessUnit) float64 {
	unit, ok := hardnessUnits[m]
	if !ok {
		v.Add(unitField, "is %s, want one of the enum: a figure without its unit says nothing", m)
		return 0
	}
	mg, err := water.Hardness(value, unit)
	if err != nil {
		v.Add(field, "is %s, want 0 to %.6g", wire.Number(value), water.In(10_000, unit))
	}
	return mg
}

// ions is the hardness of a water that is told by its calcium and its magnesium.
func ions(v *sdk.Violations, at string, w *bathscalev1.WaterShare) *float64 {
	if w.Hardness != nil {
		v.Add(at+"calcium_mg_per_l", "is given beside hardness, want one of them")
	}
	for _, ion := range []struct {
		field string
		value *float64
	}{{"calcium_mg_per_l", w.CalciumMgPerL}, {"magnesium_mg_per_l", w.MagnesiumMgPerL}} {
		if ion.value == nil {
			v.Add(at+ion.field, "is missing: hardness is both, and one of them says how much at least")
			return nil
		}
		within(v, at+ion.field, *ion.value, 0, 2000)
	}
	mg, err := water.FromIons(w.GetCalciumMgPerL(), w.GetMagnesiumMgPerL())
	if err != nil && v.Len() == 0 {
		v.Add(at+"calcium_mg_per_l", "and magnesium_mg_per_l are %s and %s, want together at most 10000 as calcium carbonate", wire.Number(w.GetCalciumMgPerL()), wire.Number(w.GetMagnesiumMgPerL()))
	}
	return &mg
}

// shares are those of two waters that give what is wanted; nil where two known waters can't.
func shares(parts []water.Part, wanted float64) []float64 {
	if len(parts) != 2 {
		return nil
	}
	hard, soft := *parts[0].MgPerL, *parts[1].MgPerL
	if hard >= soft {
		if share, err := water.SoftPart(hard, soft, wanted); err == nil {
			return []float64{1 - share, share}
		}
		return nil
	}
	if share, err := water.SoftPart(soft, hard, wanted); err == nil {
		return []float64{share, 1 - share}
	}
	return nil
}

// Rescale answers the figures at the new size.
func (*Server) Rescale(_ context.Context, req *bathscalev1.RescaleRequest) (*bathscalev1.RescaleResponse, error) {
	var v sdk.Violations
	size := func(field string, m *bathscalev1.BathSize) rescale.Size {
		above(&v, field+".fibre_g", m.GetFibreG(), 0, maxMassG)
		within(&v, field+".volume_l", m.GetVolumeL(), 0, maxLitres)
		return rescale.Size{FibreG: m.GetFibreG(), VolumeL: m.GetVolumeL()}
	}
	from, to := size("from", req.GetFrom()), size("to", req.GetTo())
	var figures []rescale.Figure
	if count(&v, "figures", len(req.GetFigures()), 0, 200) {
		for i, f := range req.GetFigures() {
			at := fmt.Sprintf("figures[%d].", i)
			name(&v, at+"name", f.GetName())
			within(&v, at+"value", f.GetValue(), 0, math.MaxFloat64)
			goes := rescale.Goes(f.GetGrows() - 1)
			if goes < rescale.ByMass || goes > rescale.ByNeither {
				v.Add(at+"grows", "is %d, want one of the enum", f.GetGrows())
			}
			figures = append(figures, rescale.Figure{Name: f.GetName(), Value: f.GetValue(), Goes: goes})
		}
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	got, err := rescale.To(from, to, figures)
	if err != nil {
		return nil, wire.Failed("request", err)
	}
	out := &bathscalev1.RescaleResponse{Remarks: rescale.Remarks(from, to, req.GetVat())}
	for i, r := range got {
		if math.IsInf(r.Value, 0) {
			v.Add(fmt.Sprintf("figures[%d].value", i), "is %s, which is too large at the new size", wire.Number(req.GetFigures()[i].GetValue()))
			continue
		}
		m := &bathscalev1.RescaledFigure{Name: r.Name, Remark: r.Remark}
		if !math.IsNaN(r.Value) {
			m.Value = &r.Value
		}
		out.Figures = append(out.Figures, m)
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	return out, nil
}

var momentKinds = map[schedule.What]bathscalev1.MomentKind{
	schedule.FibreIn: bathscalev1.MomentKind_MOMENT_KIND_FIBRE_IN, schedule.HoldStarts: bathscalev1.MomentKind_MOMENT_KIND_HOLD_STARTS,
	schedule.Look: bathscalev1.MomentKind_MOMENT_KIND_LOOK, schedule.HeatOff: bathscalev1.MomentKind_MOMENT_KIND_HEAT_OFF,
	schedule.FibreOut: bathscalev1.MomentKind_MOMENT_KIND_FIBRE_OUT,
}

// LayOut answers a schedule.
func (*Server) LayOut(_ context.Context, req *bathscalev1.LayOutRequest) (*bathscalev1.LayOutResponse, error) {
	var v sdk.Violations
	out := &bathscalev1.LayOutResponse{}
	var ceilings []schedule.Ceiling
	known := schedule.FibreCeilings()
	if count(&v, "fibres", len(req.GetFibres()), 0, 100) {
		for i, f := range req.GetFibres() {
			name(&v, fmt.Sprintf("fibres[%d]", i), f)
			at := slices.IndexFunc(known, func(c schedule.Ceiling) bool { return c.Of == f })
			if at < 0 {
				out.Remarks = append(out.Remarks, fmt.Sprintf("no ceiling is known for %.40q: heat it with care, and try a snip first", f))
				continue
			}
			ceilings = append(ceilings, known[at])
		}
	}
	if count(&v, "ceilings", len(req.GetCeilings()), 0, 50) {
		for i, c := range req.GetCeilings() {
			at := fmt.Sprintf("ceilings[%d].", i)
			name(&v, at+"of", c.GetOf())
			within(&v, at+"temperature_c", c.GetTemperatureC(), 0, 105)
			within(&v, at+"rate_c_per_min", c.GetRateCPerMin(), 0, 20)
			ceilings = append(ceilings, schedule.Ceiling{Of: c.GetOf(), TemperatureC: c.GetTemperatureC(), RateCPerMin: c.GetRateCPerMin(), Source: c.GetSource()})
		}
	}
	heat(&v, req, ceilings)
	if err := v.Err(); err != nil {
		return nil, err
	}
	plan, err := schedule.Lay(schedule.Bath{
		StartC: req.GetStartC(), HoldC: req.GetHoldC(), HoldMin: req.GetHoldMin(), RateCPerMin: req.GetRateCPerMin(), LooksMin: req.GetLooksMin(), CoolMin: req.GetCoolMin(),
	}, ceilings)
	if err != nil { // what is left to find is a look after the end, which only the schedule knows
		v.Add("looks_min", "%v", err)
		return nil, v.Err()
	}
	out.HoldC, out.RateCPerMin, out.LoweredBy, out.SlowedBy = plan.HoldC, plan.RateCPerMin, ceiling(plan.LoweredBy), ceiling(plan.SlowedBy)
	for _, m := range plan.Moments {
		moment := &bathscalev1.Moment{Minute: m.Minute, Kind: momentKinds[m.What]}
		if !math.IsNaN(m.TemperatureC) {
			moment.TemperatureC = &m.TemperatureC
		}
		out.Moments = append(out.Moments, moment)
	}
	return out, nil
}

// heat checks what a bath is told in time.
func heat(v *sdk.Violations, req *bathscalev1.LayOutRequest, ceilings []schedule.Ceiling) {
	within(v, "start_c", req.GetStartC(), 0, 105)
	within(v, "hold_c", req.GetHoldC(), 0, 105)
	within(v, "hold_min", req.GetHoldMin(), 0, 10_080)
	within(v, "cool_min", req.GetCoolMin(), 0, 10_080)
	if req.GetRateCPerMin() != 0 {
		within(v, "rate_c_per_min", req.GetRateCPerMin(), 0.01, 20)
	}
	if count(v, "looks_min", len(req.GetLooksMin()), 0, 100) {
		for i, minute := range req.GetLooksMin() {
			at := fmt.Sprintf("looks_min[%d]", i)
			within(v, at, minute, 0, 30_000)
			if i > 0 && minute <= req.GetLooksMin()[i-1] {
				v.Add(at, "is %s, want more than the look before it, %s", wire.Number(minute), wire.Number(req.GetLooksMin()[i-1]))
			}
		}
	}
	for _, c := range ceilings {
		if req.GetStartC() > c.TemperatureC {
			v.Add("start_c", "is %s, and %s bears at most %s °C", wire.Number(req.GetStartC()), c.Of, wire.Number(c.TemperatureC))
		}
	}
}

func ceiling(c *schedule.Ceiling) *bathscalev1.Ceiling {
	if c == nil {
		return nil
	}
	return &bathscalev1.Ceiling{Of: c.Of, TemperatureC: c.TemperatureC, RateCPerMin: c.RateCPerMin, Source: c.Source}
}
