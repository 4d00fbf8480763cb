package conformance_test

import (
	"context"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/bathscale"
	"github.com/commonvat/commonvat/plugins/mordant"
	"github.com/commonvat/commonvat/plugins/safety"
	"github.com/commonvat/commonvat/plugins/sdk"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
)

// answering makes a bad module that changes its answers to one call.
func answering[A any, P interface {
	*A
	proto.Message
}](good func() sdk.Module, kind, fails, says string, change func(a P)) bad {
	return bad{
		good: good, fails: fails, contract: "commonvat.module." + kind + ".v1", says: says,
		call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
			out, err := next(req)
			if a, ok := out.(P); ok && err == nil {
				change(a)
			}
			return out, err
		},
	}
}

// badBench are faults in what the modules of the bench are asked beside their main call.
func badBench() map[string]bad {
	return map[string]bad{
		"water-hides-the-unknown": answering(bathscale.Module, sdk.KindBathscale, "water", "and every water known: false", func(a *bathscalev1.MixWatersResponse) {
			if a.HighMgPerL == nil {
				a.HighMgPerL = &a.LowMgPerL
			}
		}),
		"water-shares-the-wrong-way": answering(bathscale.Module, sdk.KindBathscale, "water", "wanted_shares add up to", func(a *bathscalev1.MixWatersResponse) {
			if len(a.GetWantedShares()) == 2 {
				a.WantedShares[0], a.WantedShares[1] = a.WantedShares[1], a.WantedShares[0]
			}
		}),
		"rescale-knows-it-all": answering(bathscale.Module, sdk.KindBathscale, "rescale", "has a value: true, want false", func(a *bathscalev1.RescaleResponse) {
			for _, f := range a.GetFigures() {
				if f.Value == nil {
					f.Value = proto.Float64(60)
				}
			}
		}),
		"schedule-boils-it": answering(bathscale.Module, sdk.KindBathscale, "schedule", "above a ceiling", func(a *bathscalev1.LayOutResponse) { a.HoldC += 40 }),
		"schedule-not-offered": {good: bathscale.Module, fails: "schedule", contract: "commonvat.module.bathscale.v1", says: "Unimplemented",
			call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
				if _, ok := req.(*bathscalev1.LayOutRequest); ok {
					return nil, status.Error(codes.Unimplemented, "no schedules")
				}
				return next(req)
			}},
		"fields-ask-nothing": answering(safety.Module, sdk.KindSafety, "fields", "asks nothing", func(a *safetyv1.ListFieldsResponse) { a.Fields[0].Asks = "" }),
		"names-lose-one":     answering(safety.Module, sdk.KindSafety, "names", "entries for", func(a *safetyv1.NameMaterialsResponse) { a.Materials = a.GetMaterials()[1:] }),
		"names-know-all": answering(safety.Module, sdk.KindSafety, "names", "of which nobody knows anything", func(a *safetyv1.NameMaterialsResponse) {
			for _, m := range a.GetMaterials() {
				if m.GetFirstName() == "no such material" {
					m.Metal = "iron"
				}
			}
		}),
		"names-tell-long-tales": answering(safety.Module, sdk.KindSafety, "names", "more than 400 characters", func(a *safetyv1.NameMaterialsResponse) {
			a.Materials[0].ToldApart = strings.Repeat("x", 401)
		}),
		"bath-loses-a-material": answering(bathscale.Module, sdk.KindBathscale, "plain questions", "entries for 2 materials", func(a *bathscalev1.ScaleBathsResponse) {
			for _, bath := range a.GetBaths() {
				for _, load := range bath.GetLoads() {
					load.Amounts = load.GetAmounts()[1:]
				}
			}
		}),
		"steps-without-cautions": answering(safety.Module, sdk.KindSafety, "plain questions", "standing_cautions is empty", func(a *safetyv1.JudgeStepsResponse) { a.StandingCautions = nil }),
		"mordant-without-a-name": answering(mordant.Module, sdk.KindMordant, "plain questions", "a material without a name", func(a *mordantv1.SelectMordantsResponse) {
			for _, f := range a.GetFibres() {
				for _, c := range f.GetChoices() {
					for _, s := range c.GetSteps() {
						s.Material = nil
					}
				}
			}
		}),
		"data-of-another-digest": answering(mordant.Module, sdk.KindMordant, "data", "the digest of these", func(a *datav1.ListOwnDataResponse) {
			own := proto.CloneOf(a.GetData()[0])
			own.Content = append(own.GetContent(), '\n')
			a.Data = []*datav1.OwnData{own}
		}),
		"data-of-any-kind": {good: mordant.Module, fails: "data", contract: "commonvat.module.mordant.v1", says: "it was answered",
			call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
				out, err := next(req)
				if q, ok := req.(*datav1.PutDataRequest); ok && len(q.GetContent()) < 100 && len(q.GetContent()) > 0 && status.Code(err) == codes.InvalidArgument {
					return &datav1.PutDataResponse{Name: "anything", Version: "1"}, nil
				}
				return out, err
			}},
	}
}
