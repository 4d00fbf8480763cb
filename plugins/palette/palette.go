// Package palette serves the module palette-width: the contracts commonvat.module.palette.v1 and v2 over the calculation of package width.
package palette

import (
	"context"
	"slices"

	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/columns"
	"github.com/commonvat/commonvat/plugins/sdk/score"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// Name and Version are also in the module's manifest.
const (
	Name    = "palette-width"
	Version = "0.1.0"
)

// Limits of palette.proto and of this module.
const (
	minThreshold = 0.1
	maxThreshold = 100.0
	// maxGroupsWithRows bounds the pairs of an answer, which grow with its square, to less than one message may hold.
	maxGroupsWithRows = 500
	// mostReserved is the number of rows for which room is made on the word of a header.
	mostReserved = 1 << 20
)

// furtherThresholds are those at which shades are counted besides the one asked for.
var furtherThresholds = []float64{2.5, 10}

// Module is what the executable serves.
func Module() sdk.Module {
	d := Describe()
	return sdk.Module{
		Describe: d,
		Register: func(s *grpc.Server) {
			palettev1.RegisterPaletteServiceServer(s, NewServer())
			scores(d.GetParameters()).Register(s)
		},
	}
}

// Describe tells the method and its parameters.
func Describe() *describev1.DescribeResponse {
	d := described()
	d.Scores = scores(d.GetParameters()).Describe().GetScores()
	return d
}

// described is the description without the scores of version 2.
func described() *describev1.DescribeResponse {
	number := func(name, summary, unit string, def, low float64, high *float64, whole bool) *describev1.Parameter {
		return &describev1.Parameter{Name: name, Summary: summary, Value: &describev1.Parameter_Number{Number: &describev1.NumberParameter{
			Unit: unit, DefaultValue: def, Minimum: &low, Maximum: high, Whole: whole}}}
	}
	return &describev1.DescribeResponse{
		Name: Name, Version: Version, Kind: sdk.KindPalette,
		Contracts: []string{"commonvat.module.palette.v1", score.Contract},
		Summary: "Width of palettes of cell means: distinct shades at a CIEDE2000 threshold (largest pairwise distinct subset, exact or as bounds), convex hull, " +
			"dispersion, hue coverage, and their means over subsets of equal size with a jackknife interval over sessions; pairs are compared inside shared strata only. " +
			"Estimates, no verdict.",
		Sources: []*describev1.Source{
			{Citation: "Sharma, G., Wu, W. & Dalal, E. N. (2005), The CIEDE2000 color-difference formula, Color Research & Application 30(1), 21-30",
				Identifier: "10.1002/col.20070", UsedFor: "differences between colours"},
			{Citation: "Barber, C. B., Dobkin, D. P. & Huhdanpaa, H. (1996), The quickhull algorithm for convex hulls, ACM Transactions on Mathematical Software 22(4), 469-483",
				Identifier: "10.1145/235815.235821", UsedFor: "hull volume and area"},
			{Citation: "Cornwell, W. K., Schwilk, D. W. & Ackerly, D. D. (2006), A trait-based test for habitat filtering: convex hull volume, Ecology 87(6), 1465-1471",
				UsedFor: "hull volume as a range of traits"},
			{Citation: "Efron, B. & Tibshirani, R. J. (1993), An Introduction to the Bootstrap, Chapman & Hall", UsedFor: "jackknife standard error"},
		},
		Parameters: []*describev1.Parameter{
			number("threshold_de00", "Two colours are distinct shades from this difference on; 0 stands for 5.",
				"CIEDE2000 units", width.DefaultThresholdDE, minThreshold, of(maxThreshold), false),
			number("equal_number", "Number of cells at which groups are compared, 2 or more; 0 lets the module choose: the smallest group's cells, "+
				"0.6 times that where two sessions or more are known, at most 120.", "cells", 0, 0, of(float64(width.MaxM)), true),
			number("seed", "Seed of the random subsets, drawn where there are more than 20,000, or in very large questions more than ten times as many as are drawn.", "1", 0, 0, nil, true),
		},
		Author: "The Commonvat Authors",
		Laws: []*describev1.LawPromise{
			{Law: describev1.Law_LAW_ORDER_FREE},
			{Law: describev1.Law_LAW_REPLICATION_FREE},
			{Law: describev1.Law_LAW_MONOTONE, Of: []string{"shades", "hull_volume", "hull_side", "hull_area", "lightness_range", "chroma_range"}},
			{Law: describev1.Law_LAW_SHIFT_INVARIANT, Of: []string{"hull_volume", "hull_side", "hull_area", "dispersion", "lightness_range",
				"hull_volume_at_equal_number", "dispersion_at_equal_number"}},
			{Law: describev1.Law_LAW_LINEAR, Of: []string{"hull_side", "dispersion", "lightness_range", "chroma_range", "dispersion_at_equal_number"}},
		},
	}
}

func of[T any](x T) *T { return &x }

// Server answers the contract. It may be used by many calls at once.
type Server struct {
	palettev1.UnimplementedPaletteServiceServer
}

// NewServer makes a server.
func NewServer() *Server { return &Server{} }

var _ palettev1.PaletteServiceServer = (*Server)(nil)

// MeasureWidths takes the whole stream, then answers.
func (*Server) MeasureWidths(stream grpc.ClientStreamingServer[palettev1.MeasureWidthsRequest, palettev1.MeasureWidthsResponse]) error {
	answer, err := measure(stream.Context(), stream.Recv)
	if err != nil {
		return err
	}
	return stream.SendAndClose(answer)
}

func measure(ctx context.Context, recv func() (*palettev1.MeasureWidthsRequest, error)) (*palettev1.MeasureWidthsResponse, error) {
	var table *width.Table
	var inGroup, inBlock seen
	header, err := columns.Receive(recv, checkHeader, func(h *palettev1.WidthsHeader, r columns.Row) {
		if table == nil {
			table = tableFor(h)
		}
		if h.GetLabels().GetBlocks()[r.Block] != "" {
			inBlock.add(r.Block, len(h.GetLabels().GetBlocks()))
		}
		inGroup.add(r.Group, len(h.GetLabels().GetGroups()))
		table.Add(r.Group, r.Block, r.Stratum, r.Cell, r.Lab)
	})
	if err != nil {
		return nil, err
	}
	if table == nil {
		table = tableFor(header)
	}
	if n := inGroup.labels; n > maxGroupsWithRows {
		var v sdk.Violations
		v.Add("header.labels.groups", "has %d groups with rows, want at most %d: every pair of groups gets an answer", n, maxGroupsWithRows)
		return nil, v.Err()
	}
	ctx, span := sdk.StartSpan(ctx, "measure widths")
	defer span.End()
	p := width.Params{
		ThresholdDE: header.GetThresholdDe00(), M: int(header.GetEqualNumber()), Seed: header.GetSeed(),
		// An interval needs room to leave a session out; without sessions there is none to make room for.
		Interval: inBlock.labels >= 2,
	}
	if p.ThresholdDE == 0 {
		p.ThresholdDE = width.DefaultThresholdDE
	}
	p.ReportThresholdDE = slices.DeleteFunc(slices.Clone(furtherThresholds), func(t float64) bool { return t == p.ThresholdDE })
	group := indexes(header.GetLabels().GetGroups())
	pairs := make([]*palettev1.PairWidth, inGroup.labels*(inGroup.labels-1)/2)
	measured, err := width.MeasureTable(ctx, table, p, func(place int, of *width.Pair) {
		pairs[place] = pairWidth(of, group[of.First], group[of.Second])
	})
	if err != nil {
		return nil, wire.Failed("header", err)
	}
	answer := response(measured, pairs, group, indexes(header.GetLabels().GetStrata()))
	if size := proto.Size(answer); size > sdk.MaxMessageBytes {
		return nil, status.Errorf(codes.ResourceExhausted, "the answer for %d groups in strata takes %d bytes, a message holds %d",
			len(answer.GetGroups()), size, sdk.MaxMessageBytes)
	}
	return answer, nil
}

func tableFor(h *palettev1.WidthsHeader) *width.Table {
	l := h.GetLabels()
	return width.NewTable(l.GetGroups(), l.GetBlocks(), l.GetStrata(), l.GetCells(), int(min(h.GetRowCount(), mostReserved)))
}

// seen counts the labels that rows have.
type seen struct {
	of     []bool
	labels int
}

func (s *seen) add(label uint32, all int) {
	if s.of == nil {
		s.of = make([]bool, all)
	}
	if !s.of[label] {
		s.of[label] = true
		s.labels++
	}
}

func checkHeader(h *palettev1.WidthsHeader, v *sdk.Violations) {
	wire.OrDefault(v, "header.threshold_de00", h.GetThresholdDe00(), width.DefaultThresholdDE, minThreshold, maxThreshold)
	if m := h.GetEqualNumber(); m != 0 && (m < 2 || m > width.MaxM) {
		v.Add("header.equal_number", "is %d, want 2 to %d, or 0 for one chosen from the data", m, width.MaxM)
	}
}

// indexes finds labels again.
func indexes(labels []string) map[string]uint32 {
	out := make(map[string]uint32, len(labels))
	for i, l := range labels {
		out[l] = uint32(i)
	}
	return out
}

func response(a *width.Widths, pairs []*palettev1.PairWidth, group, stratum map[string]uint32) *palettev1.MeasureWidthsResponse {
	out := &palettev1.MeasureWidthsResponse{
		Pairs: pairs, SearchNodeBudget: int64(a.Params.SearchNodes), ThresholdDe00: a.Params.ThresholdDE, Seed: a.Params.Seed,
	}
	used := 0
	for _, s := range a.Strata {
		for _, g := range s.Groups {
			out.Groups = append(out.Groups, groupWidth(g, group[g.Group], stratum[s.Label]))
			for _, c := range g.Shades {
				used = max(used, c.SearchNodes)
			}
			if g.Rarefied != nil {
				used = max(used, g.Rarefied.SearchNodes)
			}
		}
	}
	// The budget is that of each count, so this is what the costliest count took of it.
	out.SearchNodesUsed = int64(used)
	slices.SortFunc(out.Groups, func(a, b *palettev1.GroupWidth) int {
		if a.GetStratum() != b.GetStratum() {
			return int(a.GetStratum()) - int(b.GetStratum())
		}
		return int(a.GetGroup()) - int(b.GetGroup())
	})
	slices.SortFunc(out.Pairs, func(a, b *palettev1.PairWidth) int {
		if a.GetGroupA() != b.GetGroupA() {
			return int(a.GetGroupA()) - int(b.GetGroupA())
		}
		return int(a.GetGroupB()) - int(b.GetGroupB())
	})
	return out
}
