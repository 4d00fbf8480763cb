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
			Name: name, Summary: "Parametric factor for " + of + "; told with the result.",
			Value: &describev1.Parameter_Number{Number: &describev1.NumberParameter{Unit: "1", DefaultValue: 1, Minimum: &low, Maximum: &high}},
		}
	}
	return &describev1.DescribeResponse{
		Name: Name, Version: Version, Kind: sdk.KindDifference,
		Contracts: []string{"commonvat.module.difference.v1"},
		Summary: "Difference of two colours under one condition by CIEDE2000 (ciede2000), made for differences below about 5 and no metric, in CIELAB (cie76), by CIE94 " +
			"(cie94_textile, whose own lightness factor of 2 k_l multiplies, and cie94_graphic_arts), or by CMC(l:c) (cmc, l and c being k_l and k_c). In CIE94 and CMC " +
			"the reference sets the weights. Also grades in the manner of ISO 105, partly from memory: no certified result.",
		Sources: []*describev1.Source{
			{Citation: "Sharma, G., Wu, W. & Dalal, E. N. (2005), The CIEDE2000 color-difference formula: implementation notes, supplementary test data, " +
				"and mathematical observations, Color Research & Application 30(1), 21-30",
				Identifier: "10.1002/col.20070", UsedFor: "CIEDE2000 and its test pairs"},
			{Citation: "ISO/CIE 11664-6, Colorimetry - Part 6: CIEDE2000 colour-difference formula", Identifier: "ISO/CIE 11664-6", UsedFor: "CIEDE2000"},
			{Citation: "ISO/CIE 11664-4, Colorimetry - Part 4: CIE 1976 L*a*b* colour space", Identifier: "ISO/CIE 11664-4", UsedFor: "Euclidean distance"},
			{Citation: "CIE 116-1995, Industrial colour-difference evaluation", Identifier: "CIE 116-1995", UsedFor: "CIE94"},
			{Citation: "Clarke, F. J. J., McDonald, R. & Rigg, B. (1984), Modification to the JPC79 colour-difference formula, Journal of the Society of Dyers and Colourists " +
				"100, 128-132 (also ISO 105-J03)", UsedFor: "CMC(l:c)"},
			{Citation: "ISO 105-A05, Textiles - Tests for colour fastness - Instrumental assessment of change in colour (inner lines from memory)", Identifier: "ISO 105-A05", UsedFor: "grades of change"},
			{Citation: "ISO 105-A04, Textiles - Tests for colour fastness - Instrumental assessment of staining (rounding from memory)", Identifier: "ISO 105-A04", UsedFor: "grades of staining"},
		},
		Parameters: []*describev1.Parameter{sdk.Choice("formula", "The formula.", deltae.Formulas()...), factor("k_l", "lightness"), factor("k_c", "chroma"), factor("k_h", "hue")},
		Author:     "The Commonvat Authors",
		Laws: []*describev1.LawPromise{
			{Law: describev1.Law_LAW_IDENTITY},
			{Law: describev1.Law_LAW_SYMMETRY, Of: symmetric(true)},
			{Law: describev1.Law_LAW_ORDER_FREE},
			{Law: describev1.Law_LAW_SHIFT_INVARIANT, Of: []string{deltae.CIE76}},
			{Law: describev1.Law_LAW_LINEAR, Of: []string{deltae.CIE76}},
		},
		LawExceptions: []*describev1.LawException{
			{Law: describev1.Law_LAW_SYMMETRY, Of: symmetric(false), Reason: "The reference alone sets the weights."},
		},
	}
}

func symmetric(is bool) (out []string) {
	for _, f := range colorimetry.Formulas() {
		if f.Symmetric() == is {
			out = append(out, string(f))
		}
	}
	return out
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
	return &differencev1.ComputeDifferencesResponse{Differences: result.Differences, Formula: result.Printed()}, nil
}

// checked converts the request, or tells every fault of it.
func checked(req *differencev1.ComputeDifferencesRequest) (deltae.Request, error) {
	var v sdk.Violations
	out := deltae.Request{Condition: wire.Condition(&v, "condition", req.GetCondition()), Formula: req.GetFormula()}
	if !slices.Contains(deltae.Formulas(), req.GetFormula()) {
		names := deltae.Formulas()
		last := len(names) - 1
		v.Add("formula", "is %.40q, want %s or %s", req.GetFormula(), strings.Join(names[:last], ", "), names[last])
	}
	factor := func(field string, k float64, has bool) float64 {
		if !has {
			if k != 0 && k != 1 {
				v.Add(field, "is %s, want 0 or 1: %s has no such factor", wire.Number(k), req.GetFormula())
			}
			return 1
		}
		return wire.OrDefault(&v, field, k, 1, minFactor, maxFactor)
	}
	takes := req.GetFormula() != deltae.CIE76
	out.Factors = colorimetry.Factors{KL: factor("k_l", req.GetKL(), takes), KC: factor("k_c", req.GetKC(), takes),
		KH: factor("k_h", req.GetKH(), takes && req.GetFormula() != string(colorimetry.FormulaCMC))}
	out.Pairs = pairs(&v, req.GetPairs())
	return out, v.Err()
}

// pairs converts pairs of colours and notes what is wrong with them.
func pairs(v *sdk.Violations, in []*differencev1.ColourPair) []deltae.Pair {
	n := len(in)
	if n == 0 || n > maxPairs {
		v.Add("pairs", "has %d pairs, want 1 to %d", n, maxPairs)
		return nil
	}
	out := make([]deltae.Pair, n)
	for i, p := range in {
		out[i] = deltae.Pair{Reference: colour(v, i, "reference", p.GetReference()), Sample: colour(v, i, "sample", p.GetSample())}
	}
	return out
}

// colour makes the path of the field only for a colour that has a fault.
func colour(v *sdk.Violations, pair int, which string, m *typesv1.Lab) colorimetry.Lab {
	out := colorimetry.Lab{L: m.GetL(), A: m.GetA(), B: m.GetB()}
	if m == nil || out.Validate() != nil {
		wire.Lab(v, fmt.Sprintf("pairs[%d].%s", pair, which), m)
	}
	return out
}
