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
			unit, ok := hardnessUnits[w.GetUnit()]
			if !ok {
				v.Add(at+"unit", "is %s, want one of the enum: a figure without its unit says nothing", w.GetUnit())
			} else {
				mg, err := water.Hardness(w.GetHardness(), unit)
				if err != nil {
					v.Add(at+"hardness", "is %s, want 0 to %.6g", wire.Number(w.GetHardness()), water.In(10_000, unit))
				}
				p.MgPerL = &mg
			}
		}
		parts = append(parts, p)
	}
	if req.WantedMgPerL != nil {
		within(&v, "wanted_mg_per_l", req.GetWantedMgPerL(), 0, 10_000)
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
	out := &bathscalev1.MixWatersResponse{LowMgPerL: low}
	if math.IsInf(high, 1) {
		out.Remarks = append(out.Remarks, "the hardness of a water in this mix isn't known: the mix could be harder by any amount")
		return out, nil
	}
	out.HighMgPerL = &high
	switch wanted := req.GetWantedMgPerL(); {
	case req.WantedMgPerL == nil:
	case wanted > high:
		raise, err := water.ToRaise(req.GetLitres(), high, wanted)
		if err != nil {
			return nil, wire.Failed("request", err)
		}
		out.Raise = &bathscalev1.Raise{
			Model: raise.Model, CalciumCarbonateG: raise.CarbonateG, CalciumAcetateMonohydrateG: raise.AcetateG, CalciumChlorideDihydrateG: raise.ChlorideG,
		}
		out.Remarks = append(out.Remarks, "chalk hardly dissolves in neutral water: use the acetate or the chloride, and measure afterwards")
	case wanted < low:
		out.Remarks = append(out.Remarks, "softer water than this mix is wanted: mix in rain or softened water; boiling takes away only the carbonate part")
	}
	return out, nil
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
	if err := v.Err(); err != nil {
		return nil, err
	}
	plan, err := schedule.Lay(schedule.Bath{
		StartC: req.GetStartC(), HoldC: req.GetHoldC(), HoldMin: req.GetHoldMin(), RateCPerMin: req.GetRateCPerMin(), LooksMin: req.GetLooksMin(), CoolMin: req.GetCoolMin(),
	}, ceilings)
	if err != nil {
		v.Add("request", "%v", err)
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

func ceiling(c *schedule.Ceiling) *bathscalev1.Ceiling {
	if c == nil {
		return nil
	}
	return &bathscalev1.Ceiling{Of: c.Of, TemperatureC: c.TemperatureC, RateCPerMin: c.RateCPerMin, Source: c.Source}
}
