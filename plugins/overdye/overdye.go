// Package overdye serves the module overdye-retention: the contract commonvat.module.overdye.v1 over the model of package retention.
package overdye

import (
	"context"

	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/overdye/retention"
	"github.com/commonvat/commonvat/plugins/sdk"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
)

// Name and Version are also in the module's manifest.
const (
	Name    = "overdye-retention"
	Version = "0.1.0"
)

// Module is what the executable serves.
func Module() sdk.Module {
	return sdk.Module{
		Describe: Describe(),
		Register: func(s *grpc.Server) { overdyev1.RegisterOverdyeServiceServer(s, NewServer()) },
	}
}

// Describe tells the method and its parameters.
func Describe() *describev1.DescribeResponse {
	return &describev1.DescribeResponse{
		Name: Name, Version: Version, Kind: sdk.KindOverdye,
		Contracts: []string{"commonvat.module.overdye.v1"},
		Summary: "Kubelka-Munk: what the first dye adds to K/S is left in part (retention), what the second adds goes on in part (uptake). Both are fitted to the trials of a pair, " +
			"fibre, mordant and bath, and tried on trials that were left out; no prediction where a simple rule is as good.",
		Sources: []*describev1.Source{
			{Citation: "Kubelka, P. & Munk, F. (1931), Ein Beitrag zur Optik der Farbanstriche, Zeitschrift für technische Physik 12, 593-601", UsedFor: "K/S = (1-R)^2 / 2R"},
			{Citation: "Saunderson, J. L. (1942), Calculation of the Color of Pigmented Plastics, J. Opt. Soc. Am. 32, 727-736", UsedFor: "reflections at the surface"},
			{Citation: "Lawson, C. L. & Hanson, R. J. (1974), Solving Least Squares Problems", UsedFor: "non-negative least squares"},
			{Citation: "Lei, J. et al. (2018), Distribution-Free Predictive Inference for Regression, J. Am. Stat. Assoc. 113, 1094-1111", UsedFor: "radius from errors of trials that were left out"},
			{Citation: "Burns, S. A. (2017), arXiv:1710.05732", UsedFor: "smooth curves of colours without one"},
		},
		Author: "The Commonvat Authors",
		Parameters: []*describev1.Parameter{
			sdk.Number("surface_k1", "Saunderson's k1, the part of light reflected at the surface from outside; 0 for textiles.", "1", 0, 0, retention.MaxK1),
			sdk.Number("surface_k2", "Saunderson's k2, the part reflected at the surface from within; 0 for textiles.", "1", 0, 0, retention.MaxK2),
		},
		Laws: []*describev1.LawPromise{{Law: describev1.Law_LAW_ORDER_FREE}, {Law: describev1.Law_LAW_REPLICATION_FREE}},
	}
}

// Server answers the contract. It may be used by many calls at once.
type Server struct {
	overdyev1.UnimplementedOverdyeServiceServer
	parameters []*describev1.Parameter
}

// NewServer makes a server.
func NewServer() *Server { return &Server{parameters: Describe().GetParameters()} }

var _ overdyev1.OverdyeServiceServer = (*Server)(nil)

// PredictOverdye learns the class, and predicts the piece where what it learnt may be used.
func (s *Server) PredictOverdye(ctx context.Context, req *overdyev1.PredictOverdyeRequest) (*overdyev1.PredictOverdyeResponse, error) {
	q, err := s.checked(ctx, req)
	if err != nil {
		return nil, err
	}
	model, err := q.method.Learn(ctx, q.trials, q.related)
	if err != nil {
		return nil, wire.Failed("trials", err)
	}
	out := q.tell(model)
	if model.Standing.Published() || model.Standing == retention.NotFitted {
		predicted, err := q.method.Predict(q.piece, model.Coefficients)
		if err != nil {
			return nil, wire.Failed("piece", err)
		}
		out.Prediction = prediction(predicted)
		out.Remarks = append(out.Remarks, q.doubts(model, predicted)...)
	}
	if req.GetAskOrder() {
		if out.Order, err = q.order(ctx, model, out); err != nil {
			return nil, err
		}
	}
	out.Statement = q.statement(model, out)
	return out, nil
}
