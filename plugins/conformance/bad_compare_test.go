package conformance_test

import (
	"context"
	"testing"

	"github.com/commonvat/commonvat/plugins/compare"
	"github.com/commonvat/commonvat/plugins/conformance"
	"github.com/commonvat/commonvat/plugins/sdk"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// further makes a bad compare module that changes its answers to one of the further calls.
func further[A any, P interface {
	*A
	proto.Message
}](fails, says string, change func(got []proto.Message, a P)) bad {
	return bad{
		good: compare.Module, fails: fails, contract: compareV1, says: says,
		sends: func(got []proto.Message, out proto.Message) {
			if a, ok := out.(P); ok {
				change(got, a)
			}
		},
		call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
			out, err := next(req)
			if a, ok := out.(P); ok && err == nil {
				change([]proto.Message{req}, a)
			}
			return out, err
		},
	}
}

// badFurther are faults in the further calls of a compare module.
func badFurther() map[string]bad {
	return map[string]bad{
		"effect-off-by-one": further("order effect", "want the mean difference", func(_ []proto.Message, a *comparev1.MeasureOrderEffectResponse) {
			if a.GetOverall() != nil {
				a.Overall.B++
			}
		}),
		"effect-p-early": further("order effect", "a p is there without a verdict", func(_ []proto.Message, a *comparev1.MeasureOrderEffectResponse) {
			if a.GetOverall() != nil && a.GetOverall().P == nil {
				a.Overall.P, a.Overall.PAdjusted = proto.Float64(0.01), proto.Float64(0.01)
			}
		}),
		"effect-without-blanks": further("order effect", "blanks has 0 contrasts, want 4", func(_ []proto.Message, a *comparev1.MeasureOrderEffectResponse) { a.Blanks = nil }),
		"waters-always-differ": further("waters", "water and member can't be told apart", func(got []proto.Message, a *comparev1.CompareWatersResponse) {
			if got[0].(*comparev1.CompareWatersRequest).GetHeader().GetClosing() {
				a.Verdict, a.P = comparev1.WatersVerdict_WATERS_VERDICT_DIFFER, proto.Float64(0.01)
			}
		}),
		"waters-pairs-without-holding": further("waters", "want both or neither, above 0 to 1, the second not below the first", func(_ []proto.Message, a *comparev1.CompareWatersResponse) {
			for _, x := range a.GetPairs() {
				x.PAdjusted = proto.Float64(x.GetP() / 2)
			}
		}),
		"waters-count-cells": further("waters", "that stand in two waters or more", func(_ []proto.Message, a *comparev1.CompareWatersResponse) { a.Recipes++ }),
		"groups-p-exploring": further("groups", "want none with exploring", func(_ []proto.Message, a *comparev1.CompareGroupsResponse) {
			if a.GetPlace() != nil && a.GetPlace().GetP() == 0 {
				a.Place.P, a.Place.Arrangements = 0.04, 100
			}
		}),
		"groups-single-cells": further("groups", "with a unit each", func(got []proto.Message, a *comparev1.CompareGroupsResponse) {
			if a.GetPlace() != nil && got[0].(*comparev1.CompareGroupsRequest).GetHeader().GetWholeUnits() {
				a.Place.RestDf *= 3
			}
		}),
		"groups-joined": further("groups", "no chain of blocks", func(_ []proto.Message, a *comparev1.CompareGroupsResponse) { a.Apart = nil }),
		"groups-share-of-place": further("groups", "doesn't give", func(_ []proto.Message, a *comparev1.CompareGroupsResponse) {
			if a.GetSpread() != nil {
				a.Spread.Share = a.GetPlace().GetShare()
			}
		}),
		"judgements-each-a-vote": further("judgements", "first, second and split are", func(got []proto.Message, a *comparev1.CountJudgementsResponse) {
			a.First = 0
			for _, j := range got[0].(*comparev1.CountJudgementsRequest).GetJudgements() {
				if j.GetChoice() == comparev1.Choice_CHOICE_FIRST {
					a.First++
				}
			}
		}),
		"judgements-one-sided": further("judgements", "by the sign test", func(_ []proto.Message, a *comparev1.CountJudgementsResponse) {
			if a.P != nil {
				a.P, a.PAdjusted = proto.Float64(a.GetP()/2), proto.Float64(a.GetPAdjusted()/2)
			}
		}),
		"judgements-nothing-refused": {good: compare.Module, fails: "judgements", contract: compareV1, says: "it was answered",
			call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
				out, err := next(req)
				if _, ok := req.(*comparev1.CountJudgementsRequest); ok && status.Code(err) == codes.InvalidArgument {
					return &comparev1.CountJudgementsResponse{Missing: "6 more sessions"}, nil
				}
				return out, err
			}},
	}
}

// ordersAlone is our compare module without its further calls, as the contract lets it be.
func ordersAlone() sdk.Module {
	d := compare.Module().Describe
	return sdk.Module{Describe: d, Register: func(s *grpc.Server) { comparev1.RegisterCompareServiceServer(s, ordersOnly{server: &compare.Server{}}) }}
}

type ordersOnly struct {
	comparev1.UnimplementedCompareServiceServer
	server *compare.Server
}

// CompareOrders implements comparev1.CompareServiceServer.
func (o ordersOnly) CompareOrders(stream grpc.ClientStreamingServer[comparev1.CompareOrdersRequest, comparev1.CompareOrdersResponse]) error {
	return o.server.CompareOrders(stream)
}

func TestFurtherCallsMayBeMissing(t *testing.T) {
	report := check(t, "orders-alone", ordersAlone(), conformance.Options{Trials: conformance.MinTrials})
	require.True(t, report.Passed(), "%s", report)
	untried := map[string]bool{}
	for _, s := range report.Steps {
		if s.Outcome == conformance.NotTried {
			untried[s.Name] = true
		}
	}
	assert.Equal(t, map[string]bool{"order effect": true, "waters": true, "groups": true, "judgements": true}, untried)
}
