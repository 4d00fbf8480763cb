// Package compare serves the module compare-orders: the contract commonvat.module.compare.v1 over the calculations of packages orders, effect, waters, groups
// and votes.
package compare

import (
	"context"
	"fmt"

	"github.com/commonvat/commonvat/plugins/compare/orders"
	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/columns"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
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
		out.Missing = append(out.Missing, &comparev1.Missing{What: needs[n.Kind], Count: int32(n.Count), Text: n.Of(r.Both())})
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
