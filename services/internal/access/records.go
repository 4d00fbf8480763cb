package access

import (
	"slices"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// View is how much of a record a member may read.
type View int

// The views.
const (
	Nothing   View = iota
	HeldParts      // of a trial: only the pieces that the member holds, with what was entered about them (trial.VisibleTo)
	All
)

// ViewOfTrial says how much of a stored trial a member may read. It decides by what stands beside the body, so that the
// body needn't be read; a deleted one is its owner's alone. The rule itself is the domain's.
func ViewOfTrial(row store.TrialRow, member trial.MemberID) View {
	switch {
	case member == "", row.Deleted && row.Owner != member:
		return Nothing
	case trial.CanReadTrial(member, &trial.Trial{Owner: row.Owner, Sharing: trial.Sharing{Level: row.Sharing}}):
		return All
	case slices.Contains(row.Holders, member):
		return HeldParts
	default:
		return Nothing
	}
}

// MayReadBath reports whether a member may read a stored bath; hadPieceIn tells whether a piece of theirs was in it. A deleted one is
// its owner's alone.
func MayReadBath(row store.BathRow, member trial.MemberID, hadPieceIn bool) bool {
	return member != "" && (row.Owner == member || !row.Deleted) && trial.CanReadBath(member, &trial.Bath{
		Owner: row.Owner, Sharing: trial.Sharing{Level: row.Sharing}, OpenToMembers: row.OpenToMembers,
	}, hadPieceIn)
}
