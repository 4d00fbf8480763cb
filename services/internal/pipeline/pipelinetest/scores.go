package pipelinetest

import (
	"errors"
	"io"
	"slices"

	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	"google.golang.org/grpc"
)

// scorer answers the number of cells of each group.
type scorer struct {
	palettev2.UnimplementedPaletteServiceServer
	m *Modules
}

func (s scorer) ScorePalettes(stream grpc.BidiStreamingServer[palettev2.ScorePalettesRequest, palettev2.ScorePalettesResponse]) error {
	type place struct{ stratum, group uint32 }
	cells := map[place]map[[2]uint32]bool{}
	for {
		part, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		c := part.GetColumns().GetColours()
		for i := range c.GetReadingId() {
			at := place{c.GetStratum()[i], c.GetGroup()[i]}
			if cells[at] == nil {
				cells[at] = map[[2]uint32]bool{}
			}
			cells[at][[2]uint32{c.GetBlock()[i], c.GetCell()[i]}] = true
		}
	}
	response := &palettev2.ScorePalettesResponse{}
	for at, in := range cells {
		response.Groups = append(response.Groups, &palettev2.GroupScores{Stratum: at.stratum, Group: at.group, Scores: []*palettev2.ScoreValue{{Value: float64(len(in))}}})
	}
	slices.SortFunc(response.Groups, func(a, b *palettev2.GroupScores) int {
		return slices.Compare([]uint32{a.GetStratum(), a.GetGroup()}, []uint32{b.GetStratum(), b.GetGroup()})
	})
	s.m.mu.Lock()
	spoil, fail := s.m.scores, s.m.fail
	s.m.mu.Unlock()
	if fail != nil {
		return fail
	}
	if spoil != nil {
		spoil(response)
	}
	return stream.Send(response)
}
