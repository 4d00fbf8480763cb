package conformance_test

import (
	"context"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/bathscale"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
)

// badDays are faults in the days of a bath scaling module.
func badDays() map[string]bad {
	spoilt := func(says string, change func(a *bathscalev1.LayOutDaysResponse)) bad {
		return bad{
			good: bathscale.Module, fails: "days", contract: "commonvat.module.bathscale.v1", says: says,
			call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
				out, err := next(req)
				if a, ok := out.(*bathscalev1.LayOutDaysResponse); ok && err == nil {
					change(a)
				}
				return out, err
			},
		}
	}
	return map[string]bad{
		"days-lose-a-bath": spoilt("want 6", func(a *bathscalev1.LayOutDaysResponse) { a.Days = a.GetDays()[:1] }),
		"days-turn-round":  spoilt("in the order of work", func(a *bathscalev1.LayOutDaysResponse) { slices.Reverse(a.Days) }),
		"days-lose-pieces": spoilt("has other pieces", func(a *bathscalev1.LayOutDaysResponse) {
			task := a.GetDays()[0].GetTasks()[0]
			task.PieceIds = task.GetPieceIds()[1:]
		}),
		"days-say-nothing": spoilt("is no bath and says nothing", func(a *bathscalev1.LayOutDaysResponse) {
			a.Days[0].Tasks = append(a.GetDays()[0].GetTasks(), &bathscalev1.DayTask{})
		}),
		"days-not-as-told": spoilt("which was told", func(a *bathscalev1.LayOutDaysResponse) {
			for i, day := range a.GetDays() {
				day.Day = int32(i + 1)
			}
		}),
		"days-refuse-nothing": {good: bathscale.Module, fails: "days", contract: "commonvat.module.bathscale.v1", says: "it was answered",
			call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
				out, err := next(req)
				if _, ok := req.(*bathscalev1.LayOutDaysRequest); ok && status.Code(err) == codes.InvalidArgument {
					return &bathscalev1.LayOutDaysResponse{}, nil
				}
				return out, err
			}},
	}
}
