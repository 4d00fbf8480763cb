package compare

import (
	"context"
	"fmt"

	"github.com/commonvat/commonvat/plugins/compare/effect"
	"github.com/commonvat/commonvat/plugins/compare/orders"
	"github.com/commonvat/commonvat/plugins/compare/waters"
	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/columns"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	"google.golang.org/grpc"
)

// CompareWaters takes the whole stream, then answers.
func (*Server) CompareWaters(stream grpc.ClientStreamingServer[comparev1.CompareWatersRequest, comparev1.CompareWatersResponse]) error {
	answer, err := compareWaters(stream.Context(), stream.Recv)
	if err != nil {
		return err
	}
	return stream.SendAndClose(answer)
}

func compareWaters(ctx context.Context, recv func() (*comparev1.CompareWatersRequest, error)) (*comparev1.CompareWatersResponse, error) {
	var rows []waters.Row
	header, err := columns.Receive(recv, checkWatersHeader, func(h *comparev1.WatersHeader, r columns.Row) {
		l := h.GetLabels()
		rows = append(rows, waters.Row{
			ReadingID: r.ReadingID, Water: l.GetGroups()[r.Group], Block: l.GetBlocks()[r.Block], Member: h.GetBlockMembers()[r.Block],
			Recipe: l.GetCells()[r.Cell], Lab: r.Lab,
		})
	})
	if err != nil {
		return nil, err
	}
	ctx, span := sdk.StartSpan(ctx, "compare waters")
	defer span.End()
	groups := header.GetLabels().GetGroups()
	p := waters.Params{Reference: header.GetReference(), Closing: header.GetClosing(), Alpha: header.GetAlpha(), Named: header.GetNamedCovariate(), ToleranceDE: header.GetToleranceDe00(),
		Seed: header.GetSeed()}
	for _, c := range header.GetCovariates() {
		values := map[string]float64{}
		for i, w := range c.GetWater() {
			values[groups[w]] = c.GetValue()[i]
		}
		p.Covariates = append(p.Covariates, waters.Covariate{Name: c.GetName(), Values: values})
	}
	r, err := waters.Compare(ctx, rows, p)
	if err != nil {
		return nil, wire.Failed("header", err)
	}
	return watersResponse(r, indexes(groups)), nil
}

func indexes(labels []string) map[string]uint32 {
	out := make(map[string]uint32, len(labels))
	for i, l := range labels {
		out[l] = uint32(i)
	}
	return out
}

// maxCovariates is that of the contract.
const maxCovariates = 100

func checkWatersHeader(h *comparev1.WatersHeader, v *sdk.Violations) {
	groups := h.GetLabels().GetGroups()
	if n := len(groups); h.GetClosing() && n > maxTestedGroups {
		v.Add("header.labels.groups", "has %d labels, want at most %d to be tested (closing)", n, maxTestedGroups)
	}
	known := map[string]bool{}
	for i, g := range groups {
		if g == "" {
			v.Add(fmt.Sprintf("header.labels.groups[%d]", i), `is "", want a text that is not empty`)
		}
		known[g] = true
	}
	if h.GetReference() != "" && !known[h.GetReference()] {
		v.Add("header.reference", "is %.60q, want one of the groups, or empty", h.GetReference())
	}
	if n, want := len(h.GetBlockMembers()), len(h.GetLabels().GetBlocks()); h.GetLabels() != nil && n != want {
		v.Add("header.block_members", "has %d, want one for each of %d blocks", n, want)
	}
	wire.OrDefault(v, "header.alpha", h.GetAlpha(), orders.DefaultAlpha, minAlpha, maxAlpha)
	wire.OrDefault(v, "header.tolerance_de00", h.GetToleranceDe00(), effect.DefaultToleranceDE, minTolerance, maxTolerance)
	if n := len(h.GetCovariates()); n > maxCovariates {
		v.Add("header.covariates", "has %d, want at most %d", n, maxCovariates)
		return
	}
	names := map[string]bool{}
	for i, c := range h.GetCovariates() {
		field := fmt.Sprintf("header.covariates[%d]", i)
		if c.GetName() == "" || names[c.GetName()] {
			v.Add(field+".name", "is %.60q, want a name that is not empty and occurs once", c.GetName())
		}
		names[c.GetName()] = true
		if len(c.GetWater()) != len(c.GetValue()) {
			v.Add(field+".value", "has %d, want one for each of %d waters", len(c.GetValue()), len(c.GetWater()))
		}
		seen := map[uint32]bool{}
		for k, w := range c.GetWater() {
			if int(w) >= len(groups) || seen[w] {
				v.Add(fmt.Sprintf("%s.water[%d]", field, k), "is %d, want an index of a group that occurs once", w)
				break
			}
			seen[w] = true
		}
		for k, x := range c.GetValue() {
			if finite(x) == nil {
				v.Add(fmt.Sprintf("%s.value[%d]", field, k), "is %s, want a finite number", wire.Number(x))
				break
			}
		}
	}
	if n := h.GetNamedCovariate(); n != "" && !names[n] {
		v.Add("header.named_covariate", "is %.60q, want one of the covariates, or empty", n)
	}
}

var watersVerdicts = map[waters.Verdict]comparev1.WatersVerdict{
	waters.Exploratory:   comparev1.WatersVerdict_WATERS_VERDICT_EXPLORATORY,
	waters.NotEnoughYet:  comparev1.WatersVerdict_WATERS_VERDICT_NOT_ENOUGH_YET,
	waters.CantTellApart: comparev1.WatersVerdict_WATERS_VERDICT_WATER_OR_MEMBER,
	waters.WatersDiffer:  comparev1.WatersVerdict_WATERS_VERDICT_DIFFER,
	waters.NoAnswer:      comparev1.WatersVerdict_WATERS_VERDICT_NO_ANSWER_AT_THIS_SIZE,
}

func watersResponse(r *waters.Result, at map[string]uint32) *comparev1.CompareWatersResponse {
	out := &comparev1.CompareWatersResponse{
		Verdict: watersVerdicts[r.Verdict], Statement: r.Sentence, Missing: r.Missing, Reference: at[r.Params.Reference],
		Recipes: int32(r.Recipes), Sessions: int32(r.Sessions), ReadingsWithoutSession: int32(r.NoSession), CellsOfOneWater: int32(r.OneWater),
		NoiseFloorDe00: r.NoiseFloor, AboutCorrelations: r.AboutWaters, Seed: r.Params.Seed,
		Outlook: placeOutlook(r.Outlook),
	}
	for _, w := range r.Waters {
		out.Waters = append(out.Waters, &comparev1.WaterEffect{
			Water: at[w.Water], Sessions: int32(w.Sessions), Members: int32(w.Members), Recipes: int32(w.Recipes),
			L: w.Difference[0], A: w.Difference[1], B: w.Difference[2], MeanDe00: w.MeanDE, MaxDe00: w.MaxDE,
		})
	}
	for _, w := range r.Apart {
		out.Apart = append(out.Apart, at[w])
	}
	if t := r.Test; t != nil {
		out.P, out.Arrangements, out.Exact = &t.P, int64(t.Arrangements), t.Enumerated
	}
	for _, x := range r.Pairs {
		out.Pairs = append(out.Pairs, &comparev1.WatersPair{
			WaterA: at[x.First], WaterB: at[x.Second], Recipes: int32(x.Recipes), L: x.Difference[0], A: x.Difference[1], B: x.Difference[2], MeanDe00: x.MeanDE,
			P: x.P, PAdjusted: x.PAdjusted,
		})
	}
	for _, c := range r.Covariates {
		out.Correlations = append(out.Correlations, &comparev1.WaterCorrelation{
			Name: c.Name, Waters: int32(c.Waters), Rho: c.Rho, P: c.P, PAdjusted: c.PAdjusted, InseparableFrom: c.InseparableOf,
		})
	}
	return out
}
