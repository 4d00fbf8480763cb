package trial

// CanReadTrial reports whether a member may read a whole trial: the owner, and
// everybody once it is shared.
func CanReadTrial(member MemberID, t *Trial) bool {
	return t.Owner == member || t.Sharing.Level >= Cooperative
}

// CanReadPiece reports whether a member may read a piece of a trial with its
// own entries: the trial's readers, and whoever holds the piece.
func CanReadPiece(member MemberID, t *Trial, p *Piece) bool {
	return CanReadTrial(member, t) || p.Holder == member
}

// CanReadBath reports whether a member may read a bath: the owner, everybody once it is
// shared or open to members, and whoever owns or holds a piece that was in it.
func CanReadBath(member MemberID, b *Bath, hasPieceIn bool) bool {
	return b.Owner == member || b.Sharing.Level >= Cooperative || b.OpenToMembers || hasPieceIn
}

// CanUseBath reports whether a member may put a piece into a bath.
func CanUseBath(member MemberID, b *Bath) bool {
	return b.Owner == member || b.OpenToMembers
}

// canRecord reports whether a member may add immersions, looks, readings and parts of a piece.
func canRecord(member MemberID, t *Trial, p *Piece) bool {
	return t.Owner == member || p.Holder == member
}

// VisibleTo gives what a member may see of a trial: all of it to its readers; to others who hold
// pieces of it those pieces with their entries; nil to everybody else. The
// result shares memory with t and isn't to be changed.
func VisibleTo(member MemberID, t *Trial) *Trial {
	if CanReadTrial(member, t) {
		return t
	}
	held := map[ID]bool{}
	sessions := map[ID]bool{}
	part := *t
	part.Question, part.AbandonedReason = "", ""
	part.Pieces, part.Sessions, part.Immersions, part.Looks, part.Readings, part.Warnings = nil, nil, nil, nil, nil, nil
	for i := range t.Pieces {
		if t.Pieces[i].Holder == member {
			held[t.Pieces[i].ID] = true
			sessions[t.Pieces[i].SessionID] = true
			part.Pieces = append(part.Pieces, t.Pieces[i])
		}
	}
	if len(held) == 0 {
		return nil
	}
	for _, session := range t.Sessions {
		if sessions[session.ID] {
			part.Sessions = append(part.Sessions, session)
		}
	}
	for i := range t.Immersions {
		if held[t.Immersions[i].PieceID] {
			part.Immersions = append(part.Immersions, t.Immersions[i])
		}
	}
	for i := range t.Looks {
		if held[t.Looks[i].PieceID] {
			part.Looks = append(part.Looks, t.Looks[i])
		}
	}
	for i := range t.Readings {
		if held[t.Readings[i].PieceID] {
			part.Readings = append(part.Readings, t.Readings[i])
		}
	}
	for _, warning := range t.Warnings {
		if held[warning.EntryID] {
			part.Warnings = append(part.Warnings, warning)
		}
	}
	return &part
}
