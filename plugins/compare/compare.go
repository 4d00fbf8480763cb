// Package compare serves the module compare-orders: the contract commonvat.module.compare.v1 over the calculation of package orders.
package compare

import (
	"context"
	"fmt"

	"github.com/commonvat/commonvat/plugins/compare/orders"
	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/columns"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"google.golang.org/grpc"
)

// Name and Version are also in the module's manifest.
const (
	Name    = "compare-orders"
	Version = "0.1.0"
)

// Limits of compare.proto.
const (
	minThreshold, maxThreshold = 0.1, 100.0
	minAlpha, maxAlpha         = 0.0001, 0.5
	minMargin, maxMargin       = 1.001, 10.0
	maxClosing                 = 200
	maxComparisons             = 1000
)

// maxUnmatchedBytes bounds the list of cells without a partner, so that the answer fits into a message.
const maxUnmatchedBytes = 4 << 20

// Module is what the executable serves.
func Module() sdk.Module {
	return sdk.Module{
		Describe: Describe(),
		Register: func(s *grpc.Server) { comparev1.RegisterCompareServiceServer(s, NewServer()) },
	}
}

// Describe tells the method and its parameters.
func Describe() *describev1.DescribeResponse {
	number := func(name, summary, unit string, def, low float64, high *float64, whole bool) *describev1.Parameter {
		return &describev1.Parameter{Name: name, Summary: summary, Value: &describev1.Parameter_Number{Number: &describev1.NumberParameter{
			Unit: unit, DefaultValue: def, Minimum: &low, Maximum: high, Whole: whole}}}
	}
	return &describev1.DescribeResponse{
		Name: Name, Version: Version, Kind: sdk.KindCompare,
		Contracts: []string{"commonvat.module.compare.v1"},
		Summary: "Which of two dyeing orders spreads wider: dispersion of matched cells aligned within each dye pair, tested by swapping whole sessions " +
			"(all arrangements up to 16 sessions, else 9,999 draws; fewer for hulls, which only support), jackknife over sessions, Holm. A verdict is given at the closing size only.",
		Sources: []*describev1.Source{
			{Citation: "Phipson, B. & Smyth, G. K. (2010), Permutation P-values Should Never Be Zero, Statistical Applications in Genetics and Molecular Biology 9(1), article 39",
				Identifier: "10.2202/1544-6115.1585", UsedFor: "p of drawn arrangements, (b+1)/(M+1)"},
			{Citation: "Holm, S. (1979), A Simple Sequentially Rejective Multiple Test Procedure, Scandinavian Journal of Statistics 6(2), 65-70",
				UsedFor: "adjustment for several comparisons"},
			{Citation: "Efron, B. & Tibshirani, R. J. (1993), An Introduction to the Bootstrap, Chapman & Hall", UsedFor: "jackknife standard error"},
			{Citation: "Sharma, G., Wu, W. & Dalal, E. N. (2005), The CIEDE2000 color-difference formula, Color Research & Application 30(1), 21-30",
				Identifier: "10.1002/col.20070", UsedFor: "distinct shades, which only describe"},
		},
		Parameters: []*describev1.Parameter{
			number("threshold_de00", "Two colours are distinct shades from this difference on; 0 stands for 5.",
				"CIEDE2000 units", orders.DefaultThresholdDE, minThreshold, of(maxThreshold), false),
			number("closing_sessions", "Planned number of sessions, 6 or more, of which the first complete ones get the verdict; 0 is an exploratory question without p.",
				"sessions", 0, 0, of(float64(maxClosing)), true),
			number("comparisons", "Number of comparisons made together, for which p is adjusted; 0 stands for 1.",
				"comparisons", 1, 1, of(float64(maxComparisons)), true),
			number("alpha", "Significance from which a difference counts as found; 0 stands for 0.05.",
				"1", orders.DefaultAlpha, minAlpha, of(maxAlpha), false),
			number("margin_ratio", "Ratio of dispersions from which a difference matters; 0 stands for 1.10.",
				"1", orders.DefaultMarginRatio, minMargin, of(maxMargin), false),
			number("seed", "Seed of the draws where there are more than 65,536 arrangements.", "1", 0, 0, nil, true),
		},
		Author: "The Commonvat Authors",
		Laws: []*describev1.LawPromise{
			{Law: describev1.Law_LAW_SYMMETRY},
			{Law: describev1.Law_LAW_ORDER_FREE},
			{Law: describev1.Law_LAW_REPLICATION_FREE},
			// Distinct shades are CIEDE2000's, which depends on where a colour is, and so is what they have to say to the verdict.
			{Law: describev1.Law_LAW_SHIFT_INVARIANT, Of: []string{"complete_sessions", "used_sessions", "matched_cells", "dispersion_first",
				"dispersion_second", "log_ratio", "log_ratio_se", "p", "p_adjusted", "hull_volume_first", "hull_volume_second", "hull_p"}},
			{Law: describev1.Law_LAW_LINEAR, Of: []string{"dispersion_first", "dispersion_second"}},
		},
	}
}

func of[T any](x T) *T { return &x }

// Server answers the contract. It may be used by many calls at once.
type Server struct {
	comparev1.UnimplementedCompareServiceServer
}

// NewServer makes a server.
func NewServer() *Server { return &Server{} }

var _ comparev1.CompareServiceServer = (*Server)(nil)

// CompareOrders takes the whole stream, then answers.
func (*Server) CompareOrders(stream grpc.ClientStreamingServer[comparev1.CompareOrdersRequest, comparev1.CompareOrdersResponse]) error {
	answer, err := compareOrders(stream.Context(), stream.Recv)
	if err != nil {
		return err
	}
	return stream.SendAndClose(answer)
}

func compareOrders(ctx context.Context, recv func() (*comparev1.CompareOrdersRequest, error)) (*comparev1.CompareOrdersResponse, error) {
	var rows []orders.Row
	header, err := columns.Receive(recv, checkHeader, func(h *comparev1.CompareHeader, r columns.Row) {
		l := h.GetLabels()
		rows = append(rows, orders.Row{
			ReadingID: r.ReadingID, Group: l.GetGroups()[r.Group], Block: l.GetBlocks()[r.Block], Pair: l.GetStrata()[r.Stratum],
			Cell: l.GetCells()[r.Cell], Lab: r.Lab,
		})
	})
	if err != nil {
		return nil, err
	}
	ctx, span := sdk.StartSpan(ctx, "compare orders")
	defer span.End()
	l := header.GetLabels()
	p := orders.Params{
		First: l.GetGroups()[0], Second: l.GetGroups()[1],
		Alpha: header.GetAlpha(), MarginRatio: header.GetMarginRatio(), ThresholdDE: header.GetThresholdDe00(),
		ClosingBlocks: int(header.GetClosingSessions()), Comparisons: int(header.GetComparisons()), Seed: header.GetSeed(),
		BlockOrder: l.GetBlocks(),
	}
	if len(p.BlockOrder) > 0 && p.BlockOrder[0] == "" {
		p.BlockOrder = p.BlockOrder[1:]
	}
	result, err := orders.Compare(ctx, rows, p)
	if err != nil {
		return nil, wire.Failed("header", err)
	}
	return response(result), nil
}

func checkHeader(h *comparev1.CompareHeader, v *sdk.Violations) {
	if groups := h.GetLabels().GetGroups(); h.GetLabels() != nil {
		if len(groups) != 2 {
			v.Add("header.labels.groups", "has %d labels, want exactly 2", len(groups))
		}
		for i, g := range groups {
			if g == "" {
				v.Add(fmt.Sprintf("header.labels.groups[%d]", i), `is "", want a text that is not empty`)
			}
		}
	}
	wire.OrDefault(v, "header.threshold_de00", h.GetThresholdDe00(), orders.DefaultThresholdDE, minThreshold, maxThreshold)
	wire.OrDefault(v, "header.alpha", h.GetAlpha(), orders.DefaultAlpha, minAlpha, maxAlpha)
	wire.OrDefault(v, "header.margin_ratio", h.GetMarginRatio(), orders.DefaultMarginRatio, minMargin, maxMargin)
	checkTest(v, h)
}

// checkTest looks at what both questions of order have for their test.
func checkTest(v *sdk.Violations, h interface {
	GetClosingSessions() int32
	GetComparisons() int32
}) {
	if n := h.GetClosingSessions(); n != 0 && (n < orders.MinBlocks || n > maxClosing) {
		v.Add("header.closing_sessions", "is %d, want %d to %d, or 0 for an exploratory question", n, orders.MinBlocks, maxClosing)
	}
	if n := h.GetComparisons(); n < 0 || n > maxComparisons {
		v.Add("header.comparisons", "is %d, want 0 to %d", n, maxComparisons)
	}
}

var verdicts = map[orders.Verdict]comparev1.Verdict{
	orders.Exploratory:        comparev1.Verdict_VERDICT_EXPLORATORY,
	orders.NotEnoughYet:       comparev1.Verdict_VERDICT_NOT_ENOUGH_YET,
	orders.FirstWider:         comparev1.Verdict_VERDICT_FIRST_WIDER,
	orders.SecondWider:        comparev1.Verdict_VERDICT_SECOND_WIDER,
	orders.EquallyWide:        comparev1.Verdict_VERDICT_EQUALLY_WIDE,
	orders.DetectableButSmall: comparev1.Verdict_VERDICT_DETECTABLE_BUT_SMALL,
	orders.NoAnswer:           comparev1.Verdict_VERDICT_NO_ANSWER_AT_THIS_SIZE,
}

// needs is how the contract calls what is missing.
var needs = map[orders.NeedKind]string{orders.Sessions: "sessions", orders.Recipes: "cells"}

func response(r *orders.Result) *comparev1.CompareOrdersResponse {
	out := &comparev1.CompareOrdersResponse{
		Verdict: verdicts[r.Verdict], Statement: r.Sentence, Seed: r.Params.Seed,
		CompleteSessions: int32(len(r.Blocks) + len(r.LaterBlocks)), UsedSessions: int32(len(r.Blocks)),
		MatchedCells: int32(r.Cells), Unmatched: unmatched(r.Dropped),
	}
	for _, n := range r.Missing {
		out.Missing = append(out.Missing, &comparev1.Missing{What: needs[n.Kind], Count: int32(n.Count), Text: n.String()})
	}
	if d := r.Dispersion; d != nil {
		out.DispersionFirst, out.DispersionSecond = d.First, d.Second
		out.LogRatio, out.LogRatioSe = d.LogRatio, d.SELogRatio
	}
	if o := r.Outlook; o != nil {
		out.Outlook = &comparev1.WidthOutlook{
			FromSessions: int32(o.From), NoiseLogRatio: o.Noise, TargetRatio: o.TargetRatio, SessionsToFind: int32(o.ToFind), SessionsToRuleOut: int32(o.ToRuleOut),
		}
	}
	if v := r.Volume; v != nil {
		out.HullVolumeFirst, out.HullVolumeSecond = v.First, v.Second
	}
	if s := r.Shades; s != nil {
		// Of bounds the lower, which is a palette that exists.
		out.ShadesFirst, out.ShadesSecond = int32(s.FirstTogether.Lower), int32(s.SecondTogether.Lower)
		out.MeanShadesFirst, out.MeanShadesSecond = &s.First.Lower, &s.Second.Lower
	}
	if t := r.Test; t != nil {
		out.P, out.PAdjusted, out.HullP = &t.P, &t.PAdjusted, &t.PVolume
		out.Arrangements, out.Exact = int64(t.Arrangements), t.Enumerated
	}
	return out
}

// unmatched tells the cells that were left out, as far as they fit into a message, the rest by their number.
func unmatched(dropped []orders.Dropped) []string {
	out := make([]string, 0, min(len(dropped), 1024))
	size := 0
	for i, d := range dropped {
		session := "session " + d.Block
		if d.Block == "" {
			session = "no session"
		}
		text := fmt.Sprintf("%s, %s, %s: %s", d.Cell, d.Group, session, d.Reason)
		if size += len(text) + 8; size > maxUnmatchedBytes {
			return append(out, fmt.Sprintf("and %d more", len(dropped)-i))
		}
		out = append(out, text)
	}
	return out
}
