package trial

import (
	"fmt"
	"slices"
)

const maxLabel = 80

// fibre checks the shares of a fibre.
func (f *findings) fibre(where string, given Fibre) {
	for i, part := range given.Composition {
		if !(part.Percent > 0 && part.Percent <= 100) {
			f.fault(sub(at(where, "composition", i), "percent"), "%v is outside 0 (excluded) to 100", part.Percent)
		}
	}
}

// correctPieces puts right what was wrongly taken down of pieces of a trial. What it was stays with the piece.
func (c *change) correctPieces(path string, t *Trial, changes []PieceChange) error {
	for i := range changes {
		given := &changes[i]
		where := at(path, "piece_corrections", i)
		row, ok := c.indexOf(t).piece[given.PieceID]
		if !ok {
			c.fault(sub(where, "piece_id"), "%s is no piece of this trial", given.PieceID)
			continue
		}
		if t.Owner != c.member {
			c.fail(fmt.Errorf("%s: only the owner corrects a piece: %w", where, ErrForbidden))
			continue
		}
		if given.Mass == nil && given.Label == nil && given.Fibre == nil {
			c.fault(where, "a correction is of at least one of mass, label and fibre")
		}
		if given.Reason == "" {
			c.fault(sub(where, "reason"), "is required")
		}
		p := &t.Pieces[row]
		kept := PieceCorrection{Reason: given.Reason, RecordedAt: c.now, RecordedBy: c.member}
		if given.Mass != nil {
			c.amount(sub(where, "mass"), *given.Mass, true, Gram)
			before, after := p.Mass, *given.Mass
			kept.MassBefore, kept.Mass = &before, &after
			p.Mass = after
			c.touched[p.ID] = true
		}
		if given.Label != nil {
			c.text(sub(where, "label"), *given.Label, 0, maxLabel)
			before, after := p.Label, *given.Label
			kept.LabelBefore, kept.Label = &before, &after
			p.Label = after
		}
		if given.Fibre != nil {
			kept.FibreBefore, kept.Fibre = new(Fibre), new(Fibre)
			*kept.FibreBefore, *kept.Fibre = copyFibre(p.Fibre), copyFibre(*given.Fibre)
			if err := c.correctFibre(sub(where, "fibre"), p, *given.Fibre); err != nil {
				return err
			}
		}
		p.Corrections = append(p.Corrections, kept)
	}
	return nil
}

// correctFibre puts the fibre of a whole piece right, and with it that of every part of it in whatever trial, deleted ones too, so that
// these are right when they come back. In other trials than the caller's that is told as RoutesChanged: what they derive
// from a record elsewhere has changed, and nothing that their owners took down.
func (c *change) correctFibre(where string, p *Piece, fibre Fibre) error {
	if p.Origin.Kind != Whole {
		c.fault(where, "a part has the fibre of the piece it came from; correct that of piece %s", p.Origin.ParentID)
		return nil
	}
	if len(fibre.Composition) == 0 {
		c.fault(where, "is required for a piece that is no part of another")
	}
	c.fibre(where, fibre)
	if len(c.faults) > 0 || len(c.failures) > 0 {
		return nil // new pieces of this request may hang together wrongly
	}
	queue, seen := []ID{p.ID}, map[ID]bool{p.ID: true}
	for len(queue) > 0 {
		id := queue[0]
		queue = queue[1:]
		t, member, err := c.piece(id)
		if err != nil {
			return err
		}
		member.Fibre = copyFibre(fibre)
		c.changed(t, RoutesChanged) // the caller's own trial is marked as changed already
		parts, err := c.partsOf(id)
		if err != nil {
			return err
		}
		for _, part := range parts {
			if !seen[part.ID] {
				seen[part.ID] = true
				queue = append(queue, part.ID)
			}
		}
	}
	return nil
}

func copyFibre(f Fibre) Fibre {
	f.Composition = slices.Clone(f.Composition)
	return f
}
