// Package bathscale serves the module bathscale: the contract commonvat.module.bathscale.v1 over the calculations of packages amounts, water,
// rescale and schedule.
package bathscale

import (
	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/sdk"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
)

// Name and Version are also in the module's manifest.
const (
	Name    = "bathscale-craft"
	Version = "0.1.0"
)

// Module is what the executable serves.
func Module() sdk.Module {
	return sdk.Module{
		Describe: Describe(),
		Register: func(s *grpc.Server) { bathscalev1.RegisterBathscaleServiceServer(s, NewServer()) },
	}
}

// Describe tells the method.
func Describe() *describev1.DescribeResponse {
	return &describev1.DescribeResponse{
		Name: Name, Version: Version, Kind: sdk.KindBathscale,
		Contracts: []string{"commonvat.module.bathscale.v1"},
		Summary: "Amounts of a dyer's baths from recipes in percent on the weight of fibre, grams per litre, parts or per dip, with the uncertainty of each; " +
			"mixes of waters, schedules under ceilings, other sizes.",
		Sources: []*describev1.Source{
			{Citation: "JCGM 100:2008, Evaluation of measurement data - Guide to the expression of uncertainty in measurement", Identifier: "JCGM 100:2008",
				UsedFor: "uniform error of a display, adding of uncertainties, coverage factor"},
			{Citation: "ASTM D1909-13, Standard Tables of Commercial Moisture Regains and Commercial Allowances for Textile Fibers", Identifier: "ASTM D1909-13",
				UsedFor: "regain of fibres"},
		},
		Laws:   []*describev1.LawPromise{{Law: describev1.Law_LAW_LINEAR}},
		Author: "The Commonvat Authors",
	}
}

// Server answers the contract. It may be used by many calls at once.
type Server struct {
	bathscalev1.UnimplementedBathscaleServiceServer
}

// NewServer makes a server.
func NewServer() *Server { return &Server{} }

var _ bathscalev1.BathscaleServiceServer = (*Server)(nil)
