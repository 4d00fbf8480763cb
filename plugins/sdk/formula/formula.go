// Package formula lets an author write a difference formula as one function. The package serves the contract
// commonvat.module.difference.v1 around it: it checks the request and names every fault, and refuses results that are no difference.
//
//	func main() {
//		formula.Serve(formula.Formula{
//			Name: "difference-lightness", Version: "0.1.0", Author: "...", Summary: "...", Word: "lightness", Printed: "|L1 - L2|",
//			Of: func(reference, sample colorimetry.Lab, _ colorimetry.Factors) float64 { return math.Abs(reference.L - sample.L) },
//		})
//	}
package formula

import (
	"context"
	"fmt"
	"math"

	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Contract is what this package serves.
const Contract = "commonvat.module.difference.v1"

// Limits of difference.proto, and how often a long request looks whether its call has ended.
const (
	maxPairs   = 10_000
	minFactor  = 0.1
	maxFactor  = 10.0
	lookEveryN = 256
)

// Formula is a difference formula; see describe.proto for what the texts must hold.
type Formula struct {
	Name, Version, Author, Summary string
	Sources                        []*describev1.Source
	Word                           string // by which requests ask for the formula, such as "ciede2000"
	Printed                        string // how it is told with a result, such as "CIEDE2000"
	Factors                        bool   // takes parametric factors, each 0.1 to 10
	Laws                           []*describev1.LawPromise
	Exceptions                     []*describev1.LawException
	// Of is the difference of two colours of one condition: finite and not negative. The factors are 1 for a formula without them. It may be
	// called by several goroutines at once.
	Of func(reference, sample colorimetry.Lab, k colorimetry.Factors) float64
}

// Module is the formula as a module.
func (f Formula) Module() sdk.Module {
	return sdk.Module{Describe: f.Describe(), Register: func(s *grpc.Server) {
		differencev1.RegisterDifferenceServiceServer(s, &server{formula: f})
	}}
}

// Serve serves the formula as a module of its own; see [sdk.Serve].
func Serve(f Formula) { sdk.Serve(f.Module()) }

// Describe is the description of the module.
func (f Formula) Describe() *describev1.DescribeResponse {
	out := &describev1.DescribeResponse{
		Name: f.Name, Version: f.Version, Kind: sdk.KindDifference, Contracts: []string{Contract}, Author: f.Author, Summary: f.Summary,
		Sources: f.Sources, Laws: f.Laws, LawExceptions: f.Exceptions,
		Parameters: []*describev1.Parameter{sdk.Choice("formula", "The formula.", f.Word)},
	}
	if f.Factors {
		for _, p := range [][2]string{{"k_l", "lightness"}, {"k_c", "chroma"}, {"k_h", "hue"}} {
			out.Parameters = append(out.Parameters, sdk.Number(p[0], "Parametric factor for "+p[1]+".", "1", 1, minFactor, maxFactor))
		}
	}
	return out
}

type server struct {
	differencev1.UnimplementedDifferenceServiceServer
	formula Formula
}

// ComputeDifferences answers each pair, or none when a fault is found.
func (s *server) ComputeDifferences(ctx context.Context, req *differencev1.ComputeDifferencesRequest) (*differencev1.ComputeDifferencesResponse, error) {
	f := s.formula
	var v sdk.Violations
	wire.Condition(&v, "condition", req.GetCondition())
	if req.GetFormula() != f.Word {
		v.Add("formula", "is %.40q, want %s", req.GetFormula(), f.Word)
	}
	factor := func(field string, k float64) float64 {
		if f.Factors {
			return wire.OrDefault(&v, field, k, 1, minFactor, maxFactor)
		}
		if k != 0 && k != 1 {
			v.Add(field, "is %s, want 0 or 1: %s has no factors", wire.Number(k), f.Word)
		}
		return 1
	}
	k := colorimetry.Factors{KL: factor("k_l", req.GetKL()), KC: factor("k_c", req.GetKC()), KH: factor("k_h", req.GetKH())}
	if n := len(req.GetPairs()); n == 0 || n > maxPairs {
		v.Add("pairs", "has %d pairs, want 1 to %d", n, maxPairs)
		return nil, v.Err()
	}
	out := &differencev1.ComputeDifferencesResponse{Formula: f.Printed, Differences: make([]float64, len(req.GetPairs()))}
	if f.Factors {
		out.Formula = fmt.Sprintf("%s, kL = %s, kC = %s, kH = %s", f.Printed, wire.Number(k.KL), wire.Number(k.KC), wire.Number(k.KH))
	}
	for i, p := range req.GetPairs() {
		wire.Lab(&v, fmt.Sprintf("pairs[%d].reference", i), p.GetReference())
		wire.Lab(&v, fmt.Sprintf("pairs[%d].sample", i), p.GetSample())
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	for i, p := range req.GetPairs() {
		if i%lookEveryN == 0 && ctx.Err() != nil {
			return nil, status.FromContextError(ctx.Err()).Err()
		}
		r, c := p.GetReference(), p.GetSample()
		d := f.Of(colorimetry.Lab{L: r.GetL(), A: r.GetA(), B: r.GetB()}, colorimetry.Lab{L: c.GetL(), A: c.GetA(), B: c.GetB()}, k)
		if !(d >= 0) || math.IsInf(d, 0) {
			return nil, status.Errorf(codes.Internal, "module %s: difference of pairs[%d] is %v, want a finite number, 0 or above", f.Name, i, d)
		}
		out.Differences[i] = d
	}
	return out, nil
}
