package trial

import (
	"fmt"
	"time"
)

// owned finds a trial for a change that only its owner may make.
func (c *change) owned(id ID) (*Trial, error) {
	t, err := c.trial(id)
	if err != nil {
		return nil, err
	}
	switch {
	case t.Owner == c.member:
		return t, nil
	case VisibleTo(c.member, t) != nil:
		return nil, fmt.Errorf("trial %s is %s's: %w", id, t.Owner, ErrForbidden)
	default:
		return nil, fmt.Errorf("trial %s: %w", id, ErrNotFound)
	}
}

// SetTrialState moves a trial on: a planned one to any other state, a begun one to
// finished or abandoned. Errors: Faults; ErrNotFound; ErrForbidden; StaleError when an etag is given and the trial has changed since;
// ErrConflict for a deleted trial; ErrImpossible for any other step.
func SetTrialState(records Records, member MemberID, now time.Time, id ID, etag string, state State, abandonedReason string) (*Trial, error) {
	c := begin(records, member, now)
	t, err := c.owned(id)
	if err != nil {
		return nil, err
	}
	if err := t.version().changeable(etag, etagOptional); err != nil {
		return nil, err
	}
	switch {
	case state < Planned || state > Abandoned:
		c.within("state", int(state), int(Planned), int(Abandoned))
	case state == Abandoned && abandonedReason == "":
		c.fault("abandoned_reason", "is required for an abandoned trial")
	case state != Abandoned && abandonedReason != "":
		c.fault("abandoned_reason", "is only for an abandoned trial")
	case t.State == Planned && state != Planned, t.State == Begun && (state == FinishedTrial || state == Abandoned):
	default:
		c.fail(fmt.Errorf("a trial that is %s can't become %s: %w", t.State, state, ErrImpossible))
	}
	t.State, t.AbandonedReason = state, abandonedReason
	c.changed(t, Changed)
	if err := c.settle(); err != nil {
		return nil, err
	}
	return t, nil
}

// String implements fmt.Stringer.
func (s State) String() string {
	switch s {
	case Planned:
		return "planned"
	case Begun:
		return "begun"
	case FinishedTrial:
		return "finished"
	case Abandoned:
		return "abandoned"
	default:
		return fmt.Sprintf("state %d", int(s))
	}
}

// ShareTrial sets who may read a trial; Mine withdraws it. The owner's own baths in which
// its pieces were follow, except that a bath stays as open as the most open of the owner's trials
// that used it. etag may be empty, so that a withdrawal never has to wait. Errors: Faults; ErrNotFound; ErrForbidden to others than
// the owner; StaleError; ErrConflict for a deleted trial.
func ShareTrial(records Records, member MemberID, now time.Time, id ID, etag string, sharing Sharing) (*Trial, error) {
	c := begin(records, member, now)
	t, err := c.owned(id)
	if err != nil {
		return nil, err
	}
	if err := t.version().changeable(etag, etagOptional); err != nil {
		return nil, err
	}
	if sharing.Level == 0 {
		c.fault("sharing.level", "is required")
	}
	t.Sharing = c.reshare(t.Sharing, c.sharing("sharing", sharing))
	c.changed(t, shareKind(t.Sharing))
	if err := c.followAll(t, func(_, _ SharingLevel) bool { return true }); err != nil {
		return nil, err
	}
	if err := c.settle(); err != nil {
		return nil, err
	}
	return t, nil
}

func shareKind(s Sharing) ChangeKind {
	if s.Level == Mine {
		return Withdrawn
	}
	return Shared
}

// reshare keeps since when a level holds, if it is the level that held.
func (c *change) reshare(before, after Sharing) Sharing {
	if before.Level == after.Level && before.Licence == after.Licence {
		return before
	}
	return after
}

// followAll makes the member's own baths that a trial used follow it, where may allows the step from one level to another.
func (c *change) followAll(t *Trial, may func(before, after SharingLevel) bool) error {
	used := map[ID]bool{}
	for i := range t.Immersions {
		used[t.Immersions[i].BathID] = true
	}
	for i := range t.Looks {
		if t.Looks[i].BathID != "" {
			used[t.Looks[i].BathID] = true
		}
	}
	for _, bathID := range sorted(used) {
		if err := c.follow(bathID, t, may); err != nil {
			return err
		}
	}
	return nil
}

// follow makes a bath of the member's as open as the trials of the member's that used it and aren't deleted. A deleted
// bath is closed with them, so that it doesn't come back open, and never opened.
func (c *change) follow(bathID ID, t *Trial, may func(before, after SharingLevel) bool) error {
	b, err := c.bath(bathID)
	if err != nil {
		return err
	}
	if b.Owner != c.member {
		return nil
	}
	sharing := Sharing{Level: Mine}
	if !t.deleted() {
		sharing = t.Sharing
	}
	refs, err := c.records.PiecesInBath(bathID)
	if err != nil {
		return err
	}
	for _, ref := range refs {
		other, err := c.trial(ref.TrialID)
		if err != nil {
			return err
		}
		if other.Owner == c.member && !other.deleted() && other.Sharing.Level > sharing.Level {
			sharing = other.Sharing
		}
	}
	if b.deleted() && sharing.Level >= b.Sharing.Level || !may(b.Sharing.Level, sharing.Level) {
		return nil
	}
	if reshared := c.reshare(b.Sharing, sharing); reshared != b.Sharing {
		b.Sharing = reshared
		b.Sharing.Since = c.now
		c.changedBath(b, shareKind(reshared))
	}
	return nil
}

// PostPiece hands a piece to another member. It gives the piece back as its holder until then may see it. Errors: Faults; ErrNotFound for the piece or the member; ErrForbidden
// to others than the holder; ErrConflict for a piece of a deleted trial; Impossible for a piece that was split.
func PostPiece(records Records, member MemberID, now time.Time, pieceID ID, to MemberID) (*Piece, error) {
	c := begin(records, member, now)
	t, p, err := c.piece(pieceID)
	if err != nil {
		return nil, err
	}
	if !CanReadPiece(member, t, p) {
		return nil, fmt.Errorf("piece %s: %w", pieceID, ErrNotFound)
	}
	if t.deleted() {
		return nil, fmt.Errorf("piece %s: %w", name(p), t.version().gone())
	}
	if p.Holder != member {
		return nil, fmt.Errorf("piece %s is held by %s: %w", name(p), p.Holder, ErrForbidden)
	}
	if to == member {
		c.fault("to_member", "%s holds the piece already", to)
	}
	switch exists, err := records.MemberExists(to); {
	case err != nil:
		return nil, err
	case !exists:
		c.fail(fmt.Errorf("to_member: member %q: %w", to, ErrNotFound))
	}
	if p.Ended {
		c.fail(impossible(p, "it was split; only its parts can be posted"))
	}
	p.Holder = to
	c.changed(t, Changed)
	if err := c.settle(); err != nil {
		return nil, err
	}
	if CanReadTrial(member, t) {
		return p, nil
	}
	passedOn := pieceFor(member, *p)
	return &passedOn, nil
}
