package score

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/columns"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

const maxRelabellings = 100_000

// noReason is told where a function should have given one.
const noReason = "the method gives no reason"

type server struct {
	palettev2.UnimplementedPaletteServiceServer
	method    Method
	described *describev1.DescribeResponse
}

// ScorePalettes answers each labelling as soon as it has come: relabellings are never held together.
func (s *server) ScorePalettes(stream grpc.BidiStreamingServer[palettev2.ScorePalettesRequest, palettev2.ScorePalettesResponse]) error {
	return s.answer(stream.Context(), stream.Recv, stream.Send)
}

// part makes a message of this contract one of those that package columns takes.
type part struct {
	*palettev2.ScorePalettesRequest
}

func (p part) GetColumns() *columnsv1.ColourColumns {
	c := p.ScorePalettesRequest.GetColumns()
	if c == nil {
		return nil
	}
	if c.GetColours() == nil {
		return &columnsv1.ColourColumns{}
	}
	return c.GetColours()
}

func (s *server) answer(ctx context.Context, recv func() (*palettev2.ScorePalettesRequest, error), send func(*palettev2.ScorePalettesResponse) error) error {
	var faults sdk.Violations
	t := &table{ages: s.method.Ages, spectra: s.method.Spectra}
	var firstRelabelling *palettev2.Relabelling
	ask := asked{}
	began := false
	header, err := columns.Receive(func() (part, error) {
		m, err := recv()
		if err != nil {
			return part{}, err
		}
		if r := m.GetRelabelling(); r != nil && began {
			firstRelabelling = r
			return part{}, io.EOF // of the columns
		}
		if c := m.GetColumns(); c != nil && began {
			t.chunk(&faults, c)
			if faults.Len() > 0 {
				return part{}, faults.Err()
			}
		}
		began = true
		return part{m}, nil
	}, func(h *palettev2.ScoresHeader, v *sdk.Violations) {
		ask = s.asked(h, v)
		t.expect(h.GetRowCount())
	}, func(_ *palettev2.ScoresHeader, r columns.Row) { t.add(r) })
	if err != nil {
		return err
	}
	t.finish(header.GetLabels())

	if err := s.score(ctx, t, ask, t.own(), 0, send); err != nil {
		return err
	}
	want, next := header.GetRelabellingCount(), firstRelabelling
	for n := int32(1); ; n++ {
		if next == nil {
			m, err := recv()
			if errors.Is(err, io.EOF) {
				if n-1 < want {
					faults.Add("header.relabelling_count", "is %d, but %d relabellings came", want, n-1)
				}
				return faults.Err()
			}
			if err != nil {
				return err
			}
			if next = m.GetRelabelling(); next == nil {
				faults.Add("part", "is no relabelling after %d of them, want relabellings alone behind the columns", n-1)
				return faults.Err()
			}
		}
		groups := next.GetGroup()
		next = nil
		if n > want {
			faults.Add("header.relabelling_count", "is %d, but at least %d relabellings came", want, n)
			return faults.Err()
		}
		if len(groups) != len(t.units) {
			faults.Add("relabelling.group", "of relabelling %d has %d units, want %d", n, len(groups), len(t.units))
			return faults.Err()
		}
		for i, g := range groups {
			if int(g) >= len(header.GetLabels().GetGroups()) {
				faults.Add(fmt.Sprintf("relabelling.group[%d]", i), "of relabelling %d is %d, want 0 to %d", n, g, len(header.GetLabels().GetGroups())-1)
			}
		}
		if err := faults.Err(); err != nil {
			return err
		}
		if err := s.score(ctx, t, ask, groups, n, send); err != nil {
			return err
		}
	}
}

// asked is what a header asks for.
type asked struct {
	scores []Score
	values sdk.Values
	seed   uint64
}

func (s *server) asked(h *palettev2.ScoresHeader, v *sdk.Violations) asked {
	out := asked{scores: s.method.Scores, seed: h.GetSeed()}
	if len(h.GetScores()) > 0 {
		var names []string
		for _, x := range s.method.Scores {
			names = append(names, x.Name)
		}
		out.scores = nil
		for i, name := range h.GetScores() {
			at := slices.Index(names, name)
			switch {
			case at < 0:
				v.Add(fmt.Sprintf("header.scores[%d]", i), "is %.60q, want one of %s", name, strings.Join(names, ", "))
			case slices.Contains(h.GetScores()[:i], name):
				v.Add(fmt.Sprintf("header.scores[%d]", i), "is %.60q, which is asked for before: want each once", name)
			default:
				out.scores = append(out.scores, s.method.Scores[at])
			}
		}
	}
	out.values = sdk.CheckValues(v, "header.parameters", s.described.GetParameters(), h.GetParameters())
	if n := h.GetRelabellingCount(); n < 0 || n > maxRelabellings {
		v.Add("header.relabelling_count", "is %d, want 0 to %d", n, maxRelabellings)
	}
	return out
}

// score sends the scores of one labelling, where groups has the group of each unit.
func (s *server) score(ctx context.Context, t *table, ask asked, groups []uint32, n int32, send func(*palettev2.ScorePalettesResponse) error) error {
	out := &palettev2.ScorePalettesResponse{Relabelling: n}
	for _, b := range t.buckets(groups) {
		g := Group{
			Name: t.labels.GetGroups()[b.group], Stratum: t.labels.GetStrata()[b.stratum], Cells: b.cells, Values: ask.values, Seed: ask.seed,
		}
		row := &palettev2.GroupScores{Group: b.group, Stratum: b.stratum}
		for _, x := range ask.scores {
			if err := ctx.Err(); err != nil {
				return status.FromContextError(err).Err()
			}
			value, err := s.compute(ctx, x, g, b.group)
			if err != nil {
				return err
			}
			row.Scores = append(row.Scores, value)
		}
		out.Groups = append(out.Groups, row)
	}
	return send(out)
}

// compute computes one score of a group, which the header's labels have at index.
func (s *server) compute(ctx context.Context, x Score, g Group, index uint32) (*palettev2.ScoreValue, error) {
	if len(g.Cells) < x.LeastCells {
		return &palettev2.ScoreValue{NotComputed: fmt.Sprintf("fewer than %d cells", x.LeastCells)}, nil
	}
	value, err := x.Of(ctx, g)
	var none NotComputed
	var more TooMuch
	switch {
	case errors.As(err, &none):
		return &palettev2.ScoreValue{NotComputed: cmp.Or(strings.ToValidUTF8(string(none), "\uFFFD"), noReason)}, nil
	case ctx.Err() != nil:
		return nil, status.FromContextError(ctx.Err()).Err()
	case errors.As(err, &more):
		var v sdk.Violations
		v.Add(fmt.Sprintf("header.labels.groups[%d]", index), "is %.60q, which is too much for score %s: %s", g.Name, x.Name, cmp.Or(string(more), noReason))
		return nil, v.TooMuch()
	case err != nil:
		return nil, status.Errorf(codes.Internal, "module %s: score %s of group %.60q: %v", s.method.Name, x.Name, g.Name, err)
	case math.IsNaN(value) || math.IsInf(value, 0):
		return nil, status.Errorf(codes.Internal, "module %s: score %s of group %.60q is %v, want a finite number", s.method.Name, x.Name, g.Name, value)
	}
	return &palettev2.ScoreValue{Value: value}, nil
}
