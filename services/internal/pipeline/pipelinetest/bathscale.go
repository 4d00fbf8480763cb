package pipelinetest

import (
	"context"

	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
)

// bathscale rescales, and serves nothing else.
type bathscale struct {
	bathscalev1.UnimplementedBathscaleServiceServer
}

// Rescale carries every figure by the mass of the fibre.
func (bathscale) Rescale(_ context.Context, q *bathscalev1.RescaleRequest) (*bathscalev1.RescaleResponse, error) {
	out := &bathscalev1.RescaleResponse{}
	for _, f := range q.GetFigures() {
		r := &bathscalev1.RescaledFigure{Name: f.GetName()}
		if f.GetGrows() != bathscalev1.Grows_GROWS_BY_NEITHER {
			v := f.GetValue() * q.GetTo().GetFibreG() / q.GetFrom().GetFibreG()
			r.Value = &v
		}
		out.Figures = append(out.Figures, r)
	}
	return out, nil
}
