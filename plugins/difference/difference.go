// Package difference serves the module difference-deltae: the contract commonvat.module.difference.v1 over the calculation of
// package deltae.
package difference

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/difference/deltae"
	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
)

// Name and Version are also in the module's manifest.
const (
	Name    = "difference-deltae"
	Version = "0.1.0"
)

// Limits of difference.proto.
const (
	maxPairs  = 10_000
	minFactor = 0.1
	maxFactor = 10.0
)

// Module is what the executable serves.
func Module() sdk.Module {
	return sdk.Module{
		Describe: Describe(),
		Register: func(s *grpc.Server) { differencev1.RegisterDifferenceServiceServer(s, NewServer()) },
	}
}

// Describe tells the method and its parameters.
func Describe() *describev1.DescribeResponse {
	factor := func(name, of string) *describev1.Parameter {
		low, high := minFactor, maxFactor
		return &describev1.Parameter{
			Name: name, Summary: "Parametric factor of CIEDE2000 for " + of + "; other than 1 it is told with the result.",
			Value: &describev1.Parameter_Number{Number: &describev1.NumberParameter{Unit: "1", DefaultValue: 1, Minimum: &low, Maximum: &high}},
		}
	}
	return &describev1.DescribeResponse{
		Name: Name, Version: Version, Kind: sdk.KindDifference,
		Contracts: []string{"commonvat.module.difference.v1"},
		Summary: "Difference of two colours under one condition by CIEDE2000 (formula ciede2000), made for differences below about 5 and no metric, " +
			"or as Euclidean distance in CIELAB (formula cie76).",
		Sources: []*describev1.Source{
			{Citation: "Sharma, G., Wu, W. & Dalal, E. N. (2005), The CIEDE2000 color-difference formula: implementation notes, supplementary test data, " +
				"and mathematical observations, Color Research & Application 30(1), 21-30",
				Identifier: "10.1002/col.20070", UsedFor: "CIEDE2000 and its test pairs"},
			{Citation: "ISO/CIE 11664-6, Colorimetry - Part 6: CIEDE2000 colour-difference formula", Identifier: "ISO/CIE 11664-6", UsedFor: "CIEDE2000"},
			{Citation: "ISO/CIE 11664-4, Colorimetry - Part 4: CIE 1976 L*a*b* colour space", Identifier: "ISO/CIE 11664-4", UsedFor: "Euclidean distance"},
		},
		Parameters: []*describev1.Parameter{factor("k_l", "lightness"), factor("k_c", "chroma"), factor("k_h", "hue")},
		Author:     "The Commonvat Authors",
		Laws: []*describev1.LawPromise{
			{Law: describev1.Law_LAW_IDENTITY},
			{Law: describev1.Law_LAW_SYMMETRY},
			{Law: describev1.Law_LAW_ORDER_FREE},
			{Law: describev1.Law_LAW_SHIFT_INVARIANT, Of: []string{deltae.CIE76}},
			{Law: describev1.Law_LAW_LINEAR, Of: []string{deltae.CIE76}},
		},
	}
}

// Server answers the contract. It may be used by many calls at once.
type Server struct {
	differencev1.UnimplementedDifferenceServiceServer
}

// NewServer makes a server.
func NewServer() *Server { return &Server{} }

var _ differencev1.DifferenceServiceServer = (*Server)(nil)

// ComputeDifferences answers each pair, or none when a fault is found.
func (*Server) ComputeDifferences(ctx context.Context, req *differencev1.ComputeDifferencesRequest) (*differencev1.ComputeDifferencesResponse, error) {
	asked, err := checked(req)
	if err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, status.FromContextError(err).Err()
	}
	result, err := deltae.Differences(asked)
	if err != nil {
		return nil, wire.Failed("request", err)
	}
	return &differencev1.ComputeDifferencesResponse{Differences: result.Differences, Formula: printed(result)}, nil
}

// checked converts the request, or tells every fault of it.
func checked(req *differencev1.ComputeDifferencesRequest) (deltae.Request, error) {
	var v sdk.Violations
	out := deltae.Request{Condition: wire.Condition(&v, "condition", req.GetCondition()), Formula: req.GetFormula()}
	if !slices.Contains(deltae.Formulas(), req.GetFormula()) {
		v.Add("formula", "is %.40q, want %s", req.GetFormula(), strings.Join(deltae.Formulas(), " or "))
	}
	factor := func(field string, k float64) float64 {
		if req.GetFormula() == deltae.CIE76 {
			if k != 0 && k != 1 {
				v.Add(field, "is %s, want 0 or 1: %s has no factors", wire.Number(k), deltae.CIE76)
			}
			return 0
		}
		return wire.OrDefault(&v, field, k, 1, minFactor, maxFactor)
	}
	out.Factors = colorimetry.Factors{KL: factor("k_l", req.GetKL()), KC: factor("k_c", req.GetKC()), KH: factor("k_h", req.GetKH())}
	n := len(req.GetPairs())
	if n == 0 || n > maxPairs {
		v.Add("pairs", "has %d pairs, want 1 to %d", n, maxPairs)
		return out, v.Err()
	}
	out.Pairs = make([]deltae.Pair, n)
	for i, p := range req.GetPairs() {
		out.Pairs[i] = deltae.Pair{Reference: colour(&v, i, "reference", p.GetReference()), Sample: colour(&v, i, "sample", p.GetSample())}
	}
	return out, v.Err()
}

// colour makes the path of the field only for a colour that has a fault.
func colour(v *sdk.Violations, pair int, which string, m *typesv1.Lab) colorimetry.Lab {
	out := colorimetry.Lab{L: m.GetL(), A: m.GetA(), B: m.GetB()}
	if m == nil || out.Validate() != nil {
		wire.Lab(v, fmt.Sprintf("pairs[%d].%s", pair, which), m)
	}
	return out
}

// printed is the formula with its factors, the form in which a result is told.
func printed(r deltae.Result) string {
	if r.Formula == deltae.CIE76 {
		return "CIE76"
	}
	return fmt.Sprintf("CIEDE2000, kL = %s, kC = %s, kH = %s", wire.Number(r.Factors.KL), wire.Number(r.Factors.KC), wire.Number(r.Factors.KH))
}
