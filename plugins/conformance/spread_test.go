package conformance_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/columns"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	"google.golang.org/grpc"
)

// The module "spread" is a good one of palette version 2, on which bad ones are modelled: dispersion of cell means, range of their
// lightness, and a weight for lightness.

const maxWeight = 10.0

func spread() sdk.Module {
	low, high := 0.0, maxWeight
	return sdk.Module{
		Describe: &describev1.DescribeResponse{
			Name: "spread", Version: "1.0.0", Kind: sdk.KindPalette, Contracts: []string{"commonvat.module.palette.v2"},
			Summary: "Spread of cell means, a method of its own for tests.", Author: "The Commonvat Authors",
			Scores: []*describev1.Score{
				{Name: "dispersion", Summary: "Root mean square distance from the mean.", Unit: "CIELAB units", HigherIsWider: true, LeastCells: 2},
				{Name: "lightness_range", Summary: "Lightest less darkest.", Unit: "CIELAB units", HigherIsWider: true, LeastCells: 1},
			},
			Parameters: []*describev1.Parameter{{Name: "weight", Summary: "What a difference in lightness counts.", Value: &describev1.Parameter_Number{
				Number: &describev1.NumberParameter{Unit: "1", DefaultValue: 1, Minimum: &low, Maximum: &high}}}},
			Laws: []*describev1.LawPromise{
				{Law: describev1.Law_LAW_ORDER_FREE}, {Law: describev1.Law_LAW_REPLICATION_FREE}, {Law: describev1.Law_LAW_SHIFT_INVARIANT},
				{Law: describev1.Law_LAW_LINEAR}, {Law: describev1.Law_LAW_MONOTONE, Of: []string{"lightness_range"}},
			},
			LawExceptions: []*describev1.LawException{{Law: describev1.Law_LAW_MONOTONE, Of: []string{"dispersion"}, Reason: "A cell near the mean narrows it."}},
		},
		Register: func(s *grpc.Server) { palettev2.RegisterPaletteServiceServer(s, spreadServer{}) },
	}
}

// wantsColumns is spread with ages and spectra, which it checks and leaves aside.
func wantsColumns() sdk.Module {
	m := spread()
	m.Describe.Name = "wants-columns"
	m.Describe.ExtraColumns = []describev1.ExtraColumn{describev1.ExtraColumn_EXTRA_COLUMN_AGE_DAYS, describev1.ExtraColumn_EXTRA_COLUMN_SPECTRUM}
	m.Register = func(s *grpc.Server) { palettev2.RegisterPaletteServiceServer(s, spreadServer{strict: true}) }
	return m
}

type spreadServer struct {
	palettev2.UnimplementedPaletteServiceServer
	strict bool // wants ages and spectra
}

func checkFurther(c *palettev2.ScoredColumns) error {
	var v sdk.Violations
	rows := len(c.GetColours().GetReadingId())
	if len(c.GetAgeDays()) != rows {
		v.Add("columns.age_days", "has %d rows, want %d", len(c.GetAgeDays()), rows)
	}
	for i, x := range c.GetAgeDays() {
		if !(x == -1 || x >= 0 && x <= 100_000) {
			v.Add(fmt.Sprintf("columns.age_days[%d]", i), "is %v, want 0 to 100,000, or -1", x)
		}
	}
	s := c.GetSpectra()
	if s == nil || len(s.GetKnown()) != rows {
		v.Add("columns.spectra.known", "has %d rows, want %d", len(s.GetKnown()), rows)
		return v.Err()
	}
	known := 0
	for _, k := range s.GetKnown() {
		if k {
			known++
		}
	}
	if !(s.GetStartNm() >= 360 && s.GetStartNm() <= 780) {
		v.Add("columns.spectra.start_nm", "is %v, want 360 to 780", s.GetStartNm())
	}
	if !(s.GetStepNm() >= 1 && s.GetStepNm() <= 20) {
		v.Add("columns.spectra.step_nm", "is %v, want 1 to 20", s.GetStepNm())
	}
	if n := int(s.GetCount()); n < 3 || n > 421 || len(s.GetReflectance()) != known*n {
		v.Add("columns.spectra.reflectance", "has %d figures, want %d for each of %d rows, 3 to 421", len(s.GetReflectance()), n, known)
	}
	for i, x := range s.GetReflectance() {
		if !(x >= 0 && x <= 2) {
			v.Add(fmt.Sprintf("columns.spectra.reflectance[%d]", i), "is %v, want 0 to 2", x)
		}
	}
	return v.Err()
}

type spreadPart struct {
	*palettev2.ScorePalettesRequest
}

func (p spreadPart) GetColumns() *columnsv1.ColourColumns {
	return p.ScorePalettesRequest.GetColumns().GetColours()
}

type spreadUnit struct{ group, block, stratum, cell uint32 }

type spreadMean struct{ l, a, b, n float64 }

func (server spreadServer) ScorePalettes(stream grpc.BidiStreamingServer[palettev2.ScorePalettesRequest, palettev2.ScorePalettesResponse]) error {
	var next *palettev2.ScorePalettesRequest // the first relabelling
	var units []spreadUnit
	means := map[spreadUnit]*spreadMean{}
	scores, weight := []string{"dispersion", "lightness_range"}, 1.0
	header, err := columns.Receive(func() (spreadPart, error) {
		m, err := stream.Recv()
		if err == nil && m.GetRelabelling() != nil {
			next = m
			return spreadPart{}, io.EOF
		}
		if c := m.GetColumns(); err == nil && server.strict && c != nil {
			err = checkFurther(c)
		}
		return spreadPart{m}, err
	}, func(h *palettev2.ScoresHeader, v *sdk.Violations) {
		for i, s := range h.GetScores() {
			if !slices.Contains(scores, s) || slices.Contains(h.GetScores()[:i], s) {
				v.Add(fmt.Sprintf("header.scores[%d]", i), "is %.40q, want each of %q once", s, scores)
			}
		}
		if n := h.GetRelabellingCount(); n < 0 || n > 100_000 {
			v.Add("header.relabelling_count", "is %d, want 0 to 100,000", n)
		}
		for i, p := range h.GetParameters() {
			_, isNumber := p.GetValue().(*describev1.ParameterValue_Number)
			if p.GetName() != "weight" || i > 0 || !isNumber || !(p.GetNumber() >= 0 && p.GetNumber() <= maxWeight) {
				v.Add(fmt.Sprintf("header.parameters[%d]", i), "is %.40q, want weight, once, from 0 to 10", p.GetName())
			}
			weight = p.GetNumber()
		}
	}, func(_ *palettev2.ScoresHeader, r columns.Row) {
		u := spreadUnit{r.Group, r.Block, r.Stratum, r.Cell}
		m := means[u]
		if m == nil {
			m = &spreadMean{}
			means[u], units = m, append(units, u)
		}
		m.l, m.a, m.b, m.n = m.l+r.Lab.L, m.a+r.Lab.A, m.b+r.Lab.B, m.n+1
	})
	if err != nil {
		return err
	}
	if len(header.GetScores()) > 0 {
		scores = header.GetScores()
	}
	groups := make([]uint32, len(units))
	for i, u := range units {
		groups[i] = u.group
	}
	answer := func(n int32, groups []uint32) error {
		type place struct{ stratum, group uint32 }
		of := map[place][]*spreadMean{}
		var places []place
		for i, u := range units {
			p := place{u.stratum, groups[i]}
			if of[p] == nil {
				places = append(places, p)
			}
			of[p] = append(of[p], means[u])
		}
		slices.SortFunc(places, func(a, b place) int {
			return (int(a.stratum)-int(b.stratum))*100_000 + int(a.group) - int(b.group)
		})
		out := &palettev2.ScorePalettesResponse{Relabelling: n}
		for _, p := range places {
			g := &palettev2.GroupScores{Group: p.group, Stratum: p.stratum}
			for _, s := range scores {
				g.Scores = append(g.Scores, spreadScore(s, of[p], weight))
			}
			out.Groups = append(out.Groups, g)
		}
		return stream.Send(out)
	}
	if err := answer(0, groups); err != nil {
		return err
	}
	for n := int32(0); ; n++ {
		m := next
		if next == nil {
			if m, err = stream.Recv(); errors.Is(err, io.EOF) {
				m = nil
			} else if err != nil {
				return err
			}
		}
		next = nil
		var v sdk.Violations
		switch r := m.GetRelabelling(); {
		case m == nil && n == header.GetRelabellingCount():
			return nil
		case m == nil || n >= header.GetRelabellingCount():
			v.Add("header.relabelling_count", "is %d, want the number of relabellings that come", header.GetRelabellingCount())
		case r == nil:
			v.Add("part", "is not a relabelling after %d of them; columns and header come before", n)
		case len(r.GetGroup()) != len(units):
			v.Add("relabelling.group", "has %d units, want %d", len(r.GetGroup()), len(units))
		default:
			for _, g := range r.GetGroup() {
				if int(g) >= len(header.GetLabels().GetGroups()) {
					v.Add("relabelling.group", "is %d, want 0 to %d", g, len(header.GetLabels().GetGroups())-1)
				}
			}
		}
		if err := v.Err(); err != nil {
			return err
		}
		if err := answer(n+1, m.GetRelabelling().GetGroup()); err != nil {
			return err
		}
	}
}

func spreadScore(name string, cells []*spreadMean, weight float64) *palettev2.ScoreValue {
	if name == "dispersion" && len(cells) < 2 {
		return &palettev2.ScoreValue{NotComputed: "fewer than 2 cells"}
	}
	var l, a, b float64
	low, high := math.Inf(1), math.Inf(-1)
	for _, c := range cells {
		l, a, b = l+c.l/c.n, a+c.a/c.n, b+c.b/c.n
		low, high = min(low, c.l/c.n), max(high, c.l/c.n)
	}
	if name == "lightness_range" {
		return &palettev2.ScoreValue{Value: weight * (high - low)}
	}
	n := float64(len(cells))
	var sum float64
	for _, c := range cells {
		dl, da, db := c.l/c.n-l/n, c.a/c.n-a/n, c.b/c.n-b/n
		sum += weight*weight*dl*dl + da*da + db*db
	}
	return &palettev2.ScoreValue{Value: math.Sqrt(sum / n)}
}
