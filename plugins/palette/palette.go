// Package palette serves the module palette-width: the contracts commonvat.module.palette.v1 and v2 over the calculation of package width.
package palette

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"slices"

	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/columns"
	"github.com/commonvat/commonvat/plugins/sdk/score"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	"google.golang.org/grpc"
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
	// rowBytes is what a row takes of the memory while its palette is measured, were all rows of one palette.
	rowBytes = 192
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
			number("seed", "Seed of the random subsets, drawn where there are more than 20,000, or in very large questions more than three times as many as are drawn.", "1", 0, 0, nil, true),
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
	var rows sdk.Violations
	most := 0 // palettes of which an answer may be
	header, err := columns.Receive(func() (*palettev1.MeasureWidthsRequest, error) {
		if err := rows.TooMuch(); err != nil { // of a header without a fault, before a row is taken
			return nil, err
		}
		return recv()
	}, func(h *palettev1.WidthsHeader, v *sdk.Violations) {
		checkHeader(h, v)
		checkRows(h, &rows)
	}, func(h *palettev1.WidthsHeader, r columns.Row) {
		if table == nil {
			table = tableFor(h)
			most = sdk.MaxMessageBytes / leastGroup(paramsOf(h))
		}
		if h.GetLabels().GetBlocks()[r.Block] != "" {
			inBlock.add(r.Block, len(h.GetLabels().GetBlocks()))
		}
		inGroup.add(r.Group, len(h.GetLabels().GetGroups()))
		if table.Palettes() <= most { // else it will be refused
			table.Add(r.Group, r.Block, r.Stratum, r.Cell, r.Lab)
		}
	})
	if err != nil {
		return nil, err
	}
	if table == nil {
		table = tableFor(header)
	}
	p := paramsOf(header)
	// An interval needs room to leave a session out; without sessions there is none to make room for.
	p.Interval = inBlock.labels >= 2
	groups, palettes := inGroup.labels, table.Palettes()
	if err := checkSize(groups, palettes, p); err != nil {
		return nil, err
	}
	ctx, span := sdk.StartSpan(ctx, "measure widths")
	defer span.End()
	answer := newAnswer(header.GetLabels(), groups)
	measured, err := width.MeasureTable(ctx, table, p, answer)
	if err == nil {
		err = answer.finish(measured.Params)
	}
	switch {
	case errors.Is(err, errTooLong):
		var v sdk.Violations
		tooLong(&v, groups, palettes, "more than")
		return nil, v.TooMuch()
	case err != nil:
		return nil, wire.Failed("header", err)
	}
	return answer.message, nil
}

func paramsOf(h *palettev1.WidthsHeader) width.Params {
	p := width.Params{ThresholdDE: h.GetThresholdDe00(), M: int(h.GetEqualNumber()), Seed: h.GetSeed()}
	if p.ThresholdDE == 0 {
		p.ThresholdDE = width.DefaultThresholdDE
	}
	p.ReportThresholdDE = slices.DeleteFunc(slices.Clone(furtherThresholds), func(t float64) bool { return t == p.ThresholdDE })
	return p
}

// checkSize refuses before the work what has so many groups, or groups in strata, that no message would hold the answer.
func checkSize(groups, palettes int, p width.Params) error {
	var v sdk.Violations
	if groups > maxGroupsWithRows {
		v.Add("header.labels.groups", "has %d groups with rows, want at most %d: every pair of groups gets an answer", groups, maxGroupsWithRows)
	} else if least := palettes*leastGroup(p) + pairsOf(groups)*leastPair(); least > sdk.MaxMessageBytes {
		tooLong(&v, groups, palettes, fmt.Sprintf("at least %d, more than", least))
	}
	return v.TooMuch()
}

func tooLong(v *sdk.Violations, groups, palettes int, more string) {
	v.Add("header.labels.strata", "hold at least %d palettes of %d groups: the answer about them and %d pairs of groups takes %s the %d bytes of a message",
		palettes, groups, pairsOf(groups), more, sdk.MaxMessageBytes)
}

func pairsOf(groups int) int { return groups * (groups - 1) / 2 }

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

// mostRows is how many rows the memory holds that the process should keep within, whatever their groups and strata: 2,097,152 where a core grants it 512 MiB.
func mostRows() int64 { return debug.SetMemoryLimit(-1) / rowBytes }

// checkRows notes more rows than there is memory for, which is no fault of a request.
func checkRows(h *palettev1.WidthsHeader, tooMuch *sdk.Violations) {
	if n, most := h.GetRowCount(), mostRows(); n > most {
		tooMuch.Add("header.row_count", "is %d, want at most %d: this method holds all rows, and the process is granted no memory for more", n, most)
	}
}

func checkHeader(h *palettev1.WidthsHeader, v *sdk.Violations) {
	wire.OrDefault(v, "header.threshold_de00", h.GetThresholdDe00(), width.DefaultThresholdDE, minThreshold, maxThreshold)
	if m := h.GetEqualNumber(); m != 0 && (m < 2 || m > width.MaxM) {
		v.Add("header.equal_number", "is %d, want 2 to %d, or 0 for one chosen from the data", m, width.MaxM)
	}
}
