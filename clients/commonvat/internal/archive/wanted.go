package archive

import (
	"context"
	"fmt"
	"slices"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// wanted is a trial of the folder as it shall be here, its pieces as they were before they were corrected.
type wanted struct {
	trial       *labv1.Trial
	corrections map[string][]*labv1.PieceCorrection // by piece, in order
	codes       map[string]string                   // by piece, where it was exported
	held        []*labv1.Piece                      // by others, as exported
	notes       []string                            // what can't be as it was
}

func (w *wanted) note(format string, args ...any) {
	if text := fmt.Sprintf(format, args...); !slices.Contains(w.notes, text) {
		w.notes = append(w.notes, text)
	}
}

// original is a piece as it was before its corrections. A part has the fibre of the piece it came from, and says none itself.
func original(p *labv1.Piece) *labv1.Piece {
	was := given(p)
	for _, c := range slices.Backward(p.GetCorrections()) {
		if c.GetMass() != nil {
			was.Mass = c.GetMassBefore()
		}
		if c.Label != nil {
			was.Label = c.GetLabelBefore()
		}
		if c.GetFibre() != nil {
			was.Fibre = c.GetFibreBefore()
		}
	}
	if was.GetOrigin() != nil {
		was.Fibre = nil
	}
	return was
}

// want reads a trial from the folder and says it as it can be here. have is what is there already, or nil: what was
// decided then is kept to.
func (r *restoring) want(ctx context.Context, p *trialPlan, have *labv1.Trial) (*wanted, error) {
	full := &labv1.Trial{}
	if err := recordAt(r.in, trialsFile, p.at, full); err != nil {
		return nil, err
	}
	w := &wanted{trial: given(full), corrections: map[string][]*labv1.PieceCorrection{}, codes: map[string]string{}}
	t := w.trial
	t.Sharing = r.sharing(full.GetSharing())
	if err := r.sessions(ctx, w); err != nil {
		return nil, err
	}
	if err := r.wantPieces(ctx, w, full, have); err != nil {
		return nil, err
	}
	r.wantImmersions(w, full)
	if err := r.wantBaths(ctx, w, have); err != nil {
		return nil, err
	}
	places(w)
	if n := byOthers(full, r.from); n > 0 {
		w.note("%d entries were recorded by others; here it is you", n)
	}
	if full.GetImportSource() != "" {
		w.note("it was imported from %q; here it isn't known as an import, and importing the same rows would make them anew", full.GetImportSource())
	}
	return w, nil
}

func (r *restoring) sessions(ctx context.Context, w *wanted) error {
	for _, s := range w.trial.GetSessions() {
		id := s.GetExperimentId()
		if id == "" {
			continue
		}
		here, asked := r.experiments[id]
		if !asked {
			_, err := ask(ctx, r.core, r.core.Experiments.GetExperiment, &labv1.GetExperimentRequest{ExperimentId: id})
			if err != nil && status.Code(err) != codes.NotFound {
				return err
			}
			here = err == nil
			r.experiments[id] = here
		}
		if !here {
			s.ExperimentId = ""
			w.note("a session counted towards experiment %s, which isn't here; that is left out", id)
		}
	}
	return nil
}

// wantPieces says the pieces as they were before corrections, and makes whole pieces of parts whose parent isn't here.
func (r *restoring) wantPieces(ctx context.Context, w *wanted, full, have *labv1.Trial) error {
	isPart := map[string]bool{} // pieces that are here, and whether as parts
	for _, piece := range have.GetPieces() {
		isPart[piece.GetId()] = piece.GetOrigin() != nil
	}
	for i, piece := range full.GetPieces() {
		was := original(piece)
		w.trial.Pieces[i] = was
		w.codes[piece.GetId()] = piece.GetCode()
		if piece.GetHolder() != r.from {
			w.held = append(w.held, piece)
		}
		for _, c := range piece.GetCorrections() {
			c.PieceId = piece.GetId() // a kept correction stands with its piece
			w.corrections[piece.GetId()] = append(w.corrections[piece.GetId()], c)
		}
		parent := piece.GetOrigin().GetParentPieceId()
		if parent == "" || r.pieces[parent] != nil {
			continue
		}
		part, here := isPart[piece.GetId()]
		if !here {
			var err error
			if part, err = r.canComeFrom(ctx, parent); err != nil {
				return err
			}
		}
		if !part {
			was.Origin, was.Fibre, was.HistoryNotStated = nil, piece.GetFibre(), true
			w.note("piece %s came from piece %s, which isn't yours here; it comes in whole, its history not stated", piece.GetCode(), parent)
		}
	}
	return nil
}

// canComeFrom tells whether parts can come from a piece that isn't in the folder: the caller holds it here.
func (r *restoring) canComeFrom(ctx context.Context, parent string) (bool, error) {
	can, asked := r.parents[parent]
	if asked {
		return can, nil
	}
	piece, err := ask(ctx, r.core, r.core.Trials.GetPiece, &labv1.GetPieceRequest{Piece: parent})
	if err != nil && !judged(err) {
		return false, err
	}
	r.parents[parent] = err == nil && piece.GetHolder() == r.me && !piece.GetEnded()
	return r.parents[parent], nil
}

// wantImmersions leaves out what an import took back: steps that count no longer though nothing stands in their place. Entered
// here, they would count.
func (r *restoring) wantImmersions(w *wanted, full *labv1.Trial) {
	by, at := map[string]bool{}, map[string]*labv1.Immersion{}
	for _, im := range full.GetImmersions() {
		by[im.GetCorrects().GetEntryId()] = true
		at[im.GetId()] = im
	}
	out := map[string]bool{}
	for _, im := range full.GetImmersions() {
		if !im.GetSuperseded() || by[im.GetId()] {
			continue
		}
		for x := im; x != nil && !out[x.GetId()]; x = at[x.GetCorrects().GetEntryId()] {
			out[x.GetId()] = true
		}
	}
	if len(out) == 0 {
		return
	}
	w.trial.Immersions = slices.DeleteFunc(w.trial.Immersions, func(im *labv1.Immersion) bool { return out[im.GetId()] })
	w.note("%d immersions that an import took back are left out", len(out))
}

// wantBaths names the baths as they are here. What is here already stays as it was told.
func (r *restoring) wantBaths(ctx context.Context, w *wanted, have *labv1.Trial) error {
	here := map[string]string{}
	for _, im := range have.GetImmersions() {
		here[im.GetId()] = im.GetBathId()
	}
	for _, l := range have.GetLooks() {
		here[l.GetId()] = l.GetBathId()
	}
	name := func(entry, bath string) (string, error) {
		if here[entry] == bath {
			return bath, nil
		}
		return r.bathHere(ctx, bath)
	}
	var err error
	for _, im := range w.trial.GetImmersions() {
		if im.BathId, err = name(im.GetId(), im.GetBathId()); err != nil {
			return err
		}
	}
	for _, l := range w.trial.GetLooks() {
		if l.GetBathId() == "" {
			continue
		}
		bath, err := name(l.GetId(), l.GetBathId())
		if err != nil {
			return err
		}
		l.Of = &labv1.Look_BathId{BathId: bath}
	}
	return nil
}

// places puts readings and judgements that stand after an immersion which counts no longer after the nearest before it that does.
func places(w *wanted) {
	superseded := map[string]bool{}
	for _, im := range w.trial.GetImmersions() {
		superseded[im.GetCorrects().GetEntryId()] = true
	}
	counted := map[string][]int32{}
	for _, im := range w.trial.GetImmersions() {
		if !superseded[im.GetId()] {
			counted[im.GetPieceId()] = append(counted[im.GetPieceId()], im.GetPosition())
		}
	}
	moved := 0
	place := func(piece string, after *int32) *int32 {
		if after == nil || *after == 0 || slices.Contains(counted[piece], *after) {
			return after
		}
		nearest := int32(0)
		for _, position := range counted[piece] {
			if position < *after {
				nearest = max(nearest, position)
			}
		}
		moved++
		return &nearest
	}
	for _, x := range w.trial.GetReadings() {
		x.AfterPosition = place(x.GetPieceId(), x.AfterPosition)
	}
	for _, j := range w.trial.GetJudgements() {
		j.FirstAfterPosition = place(j.GetFirstPieceId(), j.FirstAfterPosition)
		j.SecondAfterPosition = place(j.GetSecondPieceId(), j.SecondAfterPosition)
	}
	if moved > 0 {
		w.note("%d readings or judged pieces stood after an immersion that counts no longer; here they stand after the one before it", moved)
	}
}

func byOthers(t *labv1.Trial, owner string) int {
	n := 0
	for _, x := range t.GetImmersions() {
		if x.GetRecordedBy() != owner {
			n++
		}
	}
	for _, x := range t.GetLooks() {
		if x.GetRecordedBy() != owner {
			n++
		}
	}
	for _, x := range t.GetReadings() {
		if x.GetRecordedBy() != owner {
			n++
		}
	}
	for _, x := range t.GetJudgements() {
		if x.GetRecordedBy() != owner {
			n++
		}
	}
	return n
}
