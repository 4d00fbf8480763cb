package trial

import "slices"

func (t *Trial) deleted() bool       { return !t.DeletedAt.IsZero() }
func (b *Bath) deleted() bool        { return !b.DeletedAt.IsZero() }
func (w *WaterSource) deleted() bool { return !w.DeletedAt.IsZero() }
func (e *Experiment) deleted() bool  { return !e.DeletedAt.IsZero() }

// CanReadTrial reports whether a member may read a whole trial: the owner, and
// everybody once it is shared and as long as it isn't deleted.
func CanReadTrial(member MemberID, t *Trial) bool {
	return t.Owner == member || !t.deleted() && t.Sharing.Level >= Cooperative
}

// CanReadPiece reports whether a member may read a piece of a trial with its
// own entries: the trial's readers, and whoever holds the piece, unless the trial is deleted.
func CanReadPiece(member MemberID, t *Trial, p *Piece) bool {
	return CanReadTrial(member, t) || !t.deleted() && p.Holder == member
}

// CanReadBath reports whether a member may read a bath: the owner, everybody once it is
// shared or open to members, and whoever owns or holds a piece that was in it; a deleted one, the owner alone.
func CanReadBath(member MemberID, b *Bath, hasPieceIn bool) bool {
	return b.Owner == member || !b.deleted() && (b.Sharing.Level >= Cooperative || b.OpenToMembers || hasPieceIn)
}

// CanUseBath reports whether a member may put a piece into a bath; into a deleted one, nobody.
func CanUseBath(member MemberID, b *Bath) bool {
	return !b.deleted() && (b.Owner == member || b.OpenToMembers)
}

// CanReadWaterSource reports whether a member may read a water source: every member, and the owner alone once it is deleted.
// Its place is another matter: see PlaceFor.
func CanReadWaterSource(member MemberID, w *WaterSource) bool {
	return w.Owner == member || !w.deleted()
}

// PlaceFor is where a water source is, as far as a member may know: "" unless it is theirs or its place is shown.
func PlaceFor(member MemberID, w *WaterSource) string {
	if w.Owner == member || w.PlaceShown && !w.deleted() {
		return w.Place
	}
	return ""
}

// CanReadExperiment reports whether a member may read an experiment: every member, and the owner alone once it is deleted.
func CanReadExperiment(member MemberID, e *Experiment) bool {
	return e.Owner == member || !e.deleted()
}

// canRecord reports whether a member may add immersions, looks, readings and parts of a piece.
func canRecord(member MemberID, t *Trial, p *Piece) bool {
	return t.Owner == member || p.Holder == member
}

// VisibleTo gives what a member may see of a trial: all of it to its readers; to others who hold
// pieces of it those pieces with what was measured and done to them (fibre, mass, route, immersions, readings), but
// nothing that others wrote in words: no question, notes, looks and reasons. What the holder wrote themselves stays, and so do
// the trial's title and the pieces' labels, by which they are called. A deleted trial is its owner's alone. It gives nil
// to everybody else. The result shares memory with t and isn't to be changed.
func VisibleTo(member MemberID, t *Trial) *Trial {
	if CanReadTrial(member, t) {
		return t
	}
	if t.deleted() {
		return nil
	}
	held := map[ID]bool{}
	sessions := map[ID]bool{}
	part := *t
	part.Question, part.AbandonedReason = "", ""
	part.Pieces, part.Sessions, part.Immersions, part.Looks, part.Readings, part.Judgements, part.Warnings = nil, nil, nil, nil, nil, nil, nil
	for i := range t.Pieces {
		if t.Pieces[i].Holder == member {
			held[t.Pieces[i].ID] = true
			sessions[t.Pieces[i].SessionID] = true
			part.Pieces = append(part.Pieces, pieceFor(member, t.Pieces[i]))
		}
	}
	if len(held) == 0 {
		return nil
	}
	for _, session := range t.Sessions {
		if sessions[session.ID] {
			session.Note = ""
			part.Sessions = append(part.Sessions, session)
		}
	}
	for i := range t.Immersions {
		if held[t.Immersions[i].PieceID] {
			im := t.Immersions[i]
			if im.RecordedBy != member {
				im.Note, im.Reason = "", ""
			}
			part.Immersions = append(part.Immersions, im)
		}
	}
	for i := range t.Looks {
		if held[t.Looks[i].PieceID] && t.Looks[i].RecordedBy == member { // a look is nothing but words
			part.Looks = append(part.Looks, t.Looks[i])
		}
	}
	for i := range t.Readings {
		if held[t.Readings[i].PieceID] {
			r := t.Readings[i]
			if r.RecordedBy != member {
				r.Reason = ""
			}
			part.Readings = append(part.Readings, r)
		}
	}
	for i := range t.Judgements {
		if j := t.Judgements[i]; held[j.FirstID] && held[j.SecondID] {
			if j.RecordedBy != member {
				j.Reason, j.Light = "", ""
			}
			part.Judgements = append(part.Judgements, j)
		}
	}
	for _, warning := range t.Warnings {
		if held[warning.EntryID] {
			part.Warnings = append(part.Warnings, warning)
		}
	}
	return &part
}

// pieceFor is a piece as its holder sees it in a trial that isn't theirs to read.
func pieceFor(member MemberID, p Piece) Piece {
	p.Mass.Note = ""
	var corrections []PieceCorrection
	for _, c := range p.Corrections {
		if c.RecordedBy != member {
			c.Reason, c.Label, c.LabelBefore = "", nil, nil
			c.Mass, c.MassBefore = withoutNote(c.Mass), withoutNote(c.MassBefore)
			if c.Mass == nil && c.Fibre == nil {
				continue
			}
		}
		corrections = append(corrections, c)
	}
	p.Corrections = corrections
	return p
}

func withoutNote(a *Amount) *Amount {
	if a == nil || a.Note == "" {
		return a
	}
	silent := *a
	silent.Note = ""
	return &silent
}

// BathVisibleTo gives what a member may see of a bath: all of it to its owner, and to everybody once it is shared or open to members; to others
// who own or hold a piece that was in it what was in the bath and was measured in it, but nothing that others
// wrote in words: no notes and reasons. It gives nil to everybody else. The result shares memory with b and isn't to be changed.
func BathVisibleTo(member MemberID, b *Bath, hasPieceIn bool) *Bath {
	switch {
	case CanReadBath(member, b, false):
		return b
	case !CanReadBath(member, b, hasPieceIn):
		return nil
	}
	seen := *b
	seen.Liquor.Note = ""
	seen.Additions = slices.Clone(b.Additions)
	for i := range seen.Additions {
		a := &seen.Additions[i]
		if a.RecordedBy != member {
			a.Reason, a.Amount.Note = "", ""
		}
	}
	seen.Checks = slices.Clone(b.Checks)
	for i := range seen.Checks {
		check := &seen.Checks[i]
		if check.RecordedBy != member {
			check.Reason, check.Note = "", ""
		}
	}
	return &seen
}
