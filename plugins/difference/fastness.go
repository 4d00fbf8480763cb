package difference

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// The scales of fastness, and how many blue wool references there are.
const (
	scaleChange   = "change"
	scaleStaining = "staining"
	blueWools     = 8
)

// GradeFastness grades each pair, or none when a fault is found.
func (*Server) GradeFastness(_ context.Context, req *differencev1.GradeFastnessRequest) (*differencev1.GradeFastnessResponse, error) {
	var v sdk.Violations
	wire.Condition(&v, "condition", req.GetCondition())
	if s := req.GetScale(); s != scaleChange && s != scaleStaining {
		v.Add("scale", "is %.40q, want %s or %s", s, scaleChange, scaleStaining)
	}
	pairs := pairs(&v, req.GetPairs())
	if err := v.Err(); err != nil {
		return nil, err
	}
	out := &differencev1.GradeFastnessResponse{}
	for _, p := range pairs {
		g := &differencev1.FastnessGrade{}
		if req.GetScale() == scaleChange {
			a, err := colorimetry.A05(p.Reference, p.Sample)
			if err != nil {
				return nil, wire.Failed("request", err)
			}
			g.Difference, g.Grade, g.Continuous = a.DeltaEF, a.Grade.String(), a.Continuous
		} else {
			a, err := colorimetry.A04(p.Reference, p.Sample)
			if err != nil {
				return nil, wire.Failed("request", err)
			}
			g.Difference, g.Grade, g.Continuous = a.DeltaEGS, a.Grade.String(), a.SSR
		}
		out.Grades = append(out.Grades, g)
	}
	return out, nil
}

// BracketBlueWool answers each piece, or none when a fault is found.
func (*Server) BracketBlueWool(_ context.Context, req *differencev1.BracketBlueWoolRequest) (*differencev1.BracketBlueWoolResponse, error) {
	var v sdk.Violations
	if n := len(req.GetReferenceChanges()); n != blueWools {
		v.Add("reference_changes", "has %d figures, want %d, of references 1 to %d", n, blueWools, blueWools)
	}
	if n := len(req.GetChanges()); n == 0 || n > maxPairs {
		v.Add("changes", "has %d figures, want 1 to %d", n, maxPairs)
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	out := &differencev1.BracketBlueWoolResponse{}
	for i, change := range req.GetChanges() {
		b, err := colorimetry.BracketBlueWool([blueWools]float64(req.GetReferenceChanges()), change)
		var of *colorimetry.FieldError
		switch {
		case errors.Is(err, colorimetry.ErrTooLittleExposure):
			v.Add("reference_changes", "can't bracket a piece: %v", err)
			return nil, v.Err()
		case errors.As(err, &of):
			field := fmt.Sprintf("changes[%d]", i)
			if at, ok := strings.CutPrefix(of.Field, "references"); ok {
				field = "reference_changes" + at
			}
			v.Add(field, "is %s, want %s", of.Value, of.Allowed)
			return nil, v.Err()
		case err != nil:
			return nil, status.Error(codes.Internal, err.Error())
		}
		out.Pieces = append(out.Pieces, &differencev1.BlueWool{Fastness: b.String(), Low: int32(b.Low), High: int32(b.High)})
	}
	return out, nil
}
