package crash

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// corrected is an entry that may stand in place of another.
type corrected interface {
	GetCorrects() *typesv1.Correction
	GetSuperseded() bool
}

// Routes makes the routes of all pieces anew, from immersions and additions alone and without the core's own code, and holds
// the kept ones against them: which baths in which order, what was in each, its water and strength, and the dips.
type Routes struct{}

// Check implements Checker.
func (Routes) Check(s *State) (found []Violation) {
	b := &book{state: s, pieces: map[string]*labv1.Piece{}, steps: map[string][]*labv1.Immersion{}}
	for _, t := range s.Trials {
		for _, p := range t.GetPieces() {
			b.pieces[p.GetId()] = p
		}
		for _, im := range t.GetImmersions() {
			if !im.GetSuperseded() {
				b.steps[im.GetPieceId()] = append(b.steps[im.GetPieceId()], im)
			}
		}
	}
	for _, steps := range b.steps {
		slices.SortFunc(steps, func(x, y *labv1.Immersion) int { return cmp.Compare(x.GetPosition(), y.GetPosition()) })
	}
	for id, p := range b.pieces {
		if parent := b.pieces[p.GetOrigin().GetParentPieceId()]; parent != nil && !proto.Equal(p.GetFibre(), parent.GetFibre()) {
			found = append(found, Violation{RouteWrong, fmt.Sprintf("part %s is of %v, the piece that it came from of %v", id, p.GetFibre(), parent.GetFibre())})
		}
		want, got := b.layers(id), keptLayers(p)
		if !slices.Equal(want, got) {
			found = append(found, Violation{RouteWrong, fmt.Sprintf("piece %s: kept %q, its history gives %q", id, got, want)})
		}
		last := int32(0)
		if steps := b.steps[id]; len(steps) > 0 {
			last = steps[len(steps)-1].GetPosition()
		}
		if last != p.GetLastPosition() {
			found = append(found, Violation{RouteWrong, fmt.Sprintf("piece %s: last position kept as %d, its history gives %d", id, p.GetLastPosition(), last)})
		}
	}
	return found
}

type book struct {
	state  *State
	pieces map[string]*labv1.Piece
	steps  map[string][]*labv1.Immersion // that count, by piece and in order
}

// history is all that a piece went through, the forebears' part first.
func (b *book) history(piece string, upTo int32) []*labv1.Immersion {
	var all []*labv1.Immersion
	if origin := b.pieces[piece].GetOrigin(); origin != nil {
		all = b.history(origin.GetParentPieceId(), origin.GetAfterPosition())
	}
	for _, im := range b.steps[piece] {
		if im.GetPosition() <= upTo {
			all = append(all, im)
		}
	}
	return all
}

func (b *book) layers(piece string) (lines []string) {
	var last *labv1.Immersion
	var dips int32
	flush := func() {
		if last == nil {
			return
		}
		bath := b.state.Baths[last.GetBathId()]
		if !slices.Contains(bath.GetPurposes(), labv1.BathPurpose_BATH_PURPOSE_VAT) {
			dips = 0
		}
		var materials []string
		dyeG := 0.0
		for _, a := range bath.GetAdditions() {
			if !a.GetSuperseded() && a.GetExhaust() <= last.GetExhaust() {
				materials = append(materials, fmt.Sprint(int(a.GetRole()), " ", a.GetMaterial()))
				if a.GetRole() == dye {
					dyeG += a.GetAmount().GetValue()
				}
			}
		}
		var waters []string
		for _, part := range bath.GetWaterParts() { // the workload's baths have one water or none
			waters = append(waters, part.GetWaterSourceId()+":100")
		}
		gPerL := 0.0
		if litres := bath.GetLiquor().GetValue(); litres > 0 && slices.Contains(bath.GetPurposes(), labv1.BathPurpose_BATH_PURPOSE_VAT) {
			gPerL = dyeG / litres
		}
		lines = append(lines, line(bath.GetId(), last.GetExhaust(), dips, materials, strings.Join(waters, "+"), gPerL))
	}
	for _, im := range b.history(piece, 1<<30) {
		if last != nil && last.GetBathId() == im.GetBathId() && last.GetExhaust() == im.GetExhaust() {
			dips += max(im.GetDips(), 1)
			continue
		}
		flush()
		last, dips = im, max(im.GetDips(), 1)
	}
	flush()
	return lines
}

func keptLayers(p *labv1.Piece) (lines []string) {
	for _, l := range p.GetRoute().GetLayers() {
		var materials []string
		for _, m := range l.GetMaterials() {
			materials = append(materials, fmt.Sprint(int(m.GetRole()), " ", m.GetMaterial()))
		}
		lines = append(lines, line(l.GetBathId(), l.GetExhaust(), l.GetDips(), materials, l.GetWater(), l.GetConcentrationGPerL()))
	}
	return lines
}

func line(bath string, exhaust, dips int32, materials []string, water string, gPerL float64) string {
	slices.Sort(materials)
	return fmt.Sprintf("%s exhaust %d, %d dips: %s; water %q, %.6g g/L", bath, exhaust, dips, strings.Join(slices.Compact(materials), ", "), water, gPerL)
}
