package trial

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// The most that one record keeps.
const (
	MaxSessions   = 50
	MaxPieces     = 1_000
	MaxImmersions = 5_000
	MaxLooks      = 5_000
	MaxReadings   = 5_000
	MaxJudgements = 5_000
	MaxAdditions  = 500
	MaxChecks     = 500
	MaxWaterParts = 20
	MaxPosition   = 10_000
	MaxExhaust    = 50
	MaxDips       = 100
)

// SubmitTrial keeps a whole trial together with the baths it brings along. What the
// core says of a record itself (owner, codes, holder, routes, times) is set here,
// whatever was given. Errors: Faults; ErrExists; ErrNotFound and ErrForbidden for
// baths and pieces that are referred to; Impossible.
func SubmitTrial(records Records, member MemberID, now time.Time, t *Trial, baths []Bath) (*Trial, []Bath, error) {
	c := begin(records, member, now)
	if _, err := records.Trial(t.ID); err == nil {
		return nil, nil, fmt.Errorf("trial %s: %w", t.ID, ErrExists)
	} else if !errors.Is(err, ErrNotFound) {
		return nil, nil, err
	}
	kept := &Trial{
		ID: t.ID, Owner: member, Title: t.Title, Question: t.Question, State: t.State,
		AbandonedReason: t.AbandonedReason, Sharing: c.sharing("trial.sharing", t.Sharing), CreatedAt: c.now,
	}
	if kept.ID == "" {
		c.fault("trial.id", "is required")
	}
	c.state(kept)
	c.trials[kept.ID] = kept
	c.changed(kept, Created)

	for i := range baths {
		if err := c.addBath(at("", "baths", i), &baths[i], kept.Sharing); err != nil {
			return nil, nil, err
		}
	}
	err := c.apply("trial", kept, Entries{
		Sessions: t.Sessions, Pieces: t.Pieces, Immersions: t.Immersions, Looks: t.Looks, Readings: t.Readings, Judgements: t.Judgements,
	})
	if err != nil {
		return nil, nil, err
	}
	if err := c.settle(); err != nil {
		return nil, nil, err
	}
	keptBaths := make([]Bath, len(baths))
	for i := range baths {
		keptBaths[i] = *c.baths[baths[i].ID]
	}
	return kept, keptBaths, nil
}

// AddEntries adds what has happened since to a trial, or corrects it. The owner may add
// anything; whoever holds a piece of it may add immersions, looks, readings and parts of that
// piece, and judgements of two that they hold, whoever recorded an entry may correct it, and both are given back only what they may see. Errors as SubmitTrial, and ErrConflict for an
// entry that was corrected before or a deleted trial. etag may be empty: two members' additions don't undo each other. StaleError when it is given
// and the trial has changed since.
func AddEntries(records Records, member MemberID, now time.Time, trialID ID, etag string, entries Entries) (*Trial, error) {
	c := begin(records, member, now)
	t, err := c.trial(trialID)
	if err != nil {
		return nil, err
	}
	if t.Owner != member && (t.deleted() || !hasPartIn(member, t)) {
		if CanReadTrial(member, t) {
			return nil, fmt.Errorf("trial %s is %s's: %w", trialID, t.Owner, ErrForbidden)
		}
		return nil, fmt.Errorf("trial %s: %w", trialID, ErrNotFound)
	}
	if err := t.version().changeable(etag, etagOptional); err != nil {
		return nil, err
	}
	c.changed(t, Changed)
	if err := c.apply("", t, entries); err != nil {
		return nil, err
	}
	if err := c.settle(); err != nil {
		return nil, err
	}
	if visible := VisibleTo(member, t); visible != nil {
		return visible, nil
	}
	return &Trial{ID: t.ID, Owner: t.Owner}, nil // they corrected an entry of a piece that they have passed on
}

// hasPartIn reports whether a member holds a piece of a trial, or recorded something in it.
func hasPartIn(member MemberID, t *Trial) bool {
	return slices.ContainsFunc(t.Pieces, func(p Piece) bool { return p.Holder == member }) ||
		slices.ContainsFunc(t.Immersions, func(im Immersion) bool { return im.RecordedBy == member }) ||
		slices.ContainsFunc(t.Looks, func(l Look) bool { return l.RecordedBy == member }) ||
		slices.ContainsFunc(t.Readings, func(r Reading) bool { return r.RecordedBy == member }) ||
		slices.ContainsFunc(t.Judgements, func(j Judgement) bool { return j.RecordedBy == member })
}

func (c *change) state(t *Trial) {
	if t.State == 0 {
		t.State = Begun
	}
	c.within("trial.state", int(t.State), int(Planned), int(Abandoned))
	if t.State == Abandoned && t.AbandonedReason == "" {
		c.fault("trial.abandoned_reason", "is required for an abandoned trial")
	}
	if t.State != Abandoned && t.AbandonedReason != "" {
		c.fault("trial.abandoned_reason", "is only for an abandoned trial")
	}
}

// sharing fills in what a request left out: the owner alone, from now.
func (c *change) sharing(path string, s Sharing) Sharing {
	if s.Level == 0 {
		s.Level = Mine
	}
	c.within(sub(path, "level"), int(s.Level), int(Mine), int(Public))
	if s.Level == Public && s.Licence == "" {
		c.fault(sub(path, "licence"), "is required when everybody may read it")
	}
	s.Since = c.now
	return s
}

// apply takes entries into a trial. path leads to them in the request.
func (c *change) apply(path string, t *Trial, entries Entries) error {
	ids := idsOf(t)
	owner := t.Owner == c.member

	for i := range entries.Sessions {
		s := entries.Sessions[i]
		where := at(path, "sessions", i)
		if !owner {
			c.fail(fmt.Errorf("%s: only the owner adds sessions: %w", where, ErrForbidden))
		}
		c.newID(where, s.ID, ids)
		if s.ExperimentID != "" {
			wrong, err := nameableExperiment(c.records, c.member, s.ExperimentID)
			if err != nil {
				return err
			}
			if wrong != "" {
				c.fault(sub(where, "experiment_id"), "%s", wrong)
			}
		}
		t.Sessions = append(t.Sessions, s)
	}
	if err := c.addPieces(path, t, entries.Pieces, ids); err != nil {
		return err
	}
	if err := c.addImmersions(path, t, entries.Immersions, ids); err != nil {
		return err
	}
	if err := c.addLooks(path, t, entries.Looks, ids); err != nil {
		return err
	}
	if err := c.addReadings(path, t, entries.Readings, ids); err != nil {
		return err
	}
	c.addJudgements(path, t, entries.Judgements, ids)
	if err := c.correctPieces(path, t, entries.Corrections); err != nil {
		return err
	}

	c.atMost(sub(path, "sessions"), len(t.Sessions), MaxSessions)
	c.atMost(sub(path, "pieces"), len(t.Pieces), MaxPieces)
	c.atMost(sub(path, "immersions"), len(t.Immersions), MaxImmersions)
	c.atMost(sub(path, "looks"), len(t.Looks), MaxLooks)
	c.atMost(sub(path, "readings"), len(t.Readings), MaxReadings)
	c.atMost(sub(path, "judgements"), len(t.Judgements), MaxJudgements)
	return nil
}

func idsOf(t *Trial) map[ID]bool {
	ids := map[ID]bool{t.ID: true}
	for i := range t.Sessions {
		ids[t.Sessions[i].ID] = true
	}
	for i := range t.Pieces {
		ids[t.Pieces[i].ID] = true
	}
	for i := range t.Immersions {
		ids[t.Immersions[i].ID] = true
	}
	for i := range t.Looks {
		ids[t.Looks[i].ID] = true
	}
	for i := range t.Readings {
		ids[t.Readings[i].ID] = true
	}
	for i := range t.Judgements {
		ids[t.Judgements[i].ID] = true
	}
	return ids
}

func (c *change) newID(where string, id ID, ids map[ID]bool) {
	switch {
	case id == "":
		c.fault(sub(where, "id"), "is required")
	case ids[id]:
		c.fault(sub(where, "id"), "%s is in use in this record already", id)
	}
	ids[id] = true
}

func (c *change) addPieces(path string, t *Trial, pieces []Piece, ids map[ID]bool) error {
	first := len(t.Pieces)
	for i := range pieces {
		p := pieces[i]
		where := at(path, "pieces", i)
		before := len(c.faults)
		c.newID(where, p.ID, ids)
		if _, err := c.records.TrialOfPiece(p.ID); err == nil && len(c.faults) == before {
			c.fail(fmt.Errorf("%s: piece %s: %w", where, p.ID, ErrExists))
		} else if err != nil && !errors.Is(err, ErrNotFound) {
			return err
		}
		if p.SessionID != "" && !slices.ContainsFunc(t.Sessions, func(s Session) bool { return s.ID == p.SessionID }) {
			c.fault(sub(where, "session_id"), "%s is no session of this trial", p.SessionID)
		}
		c.amount(sub(where, "mass"), p.Mass, true, Gram)
		if !finite(p.BalanceResolutionG) || p.BalanceResolutionG < 0 || p.BalanceResolutionG > 1000 {
			c.fault(sub(where, "balance_resolution_g"), "%v is outside 0 to 1000", p.BalanceResolutionG)
		}
		c.within(sub(where, "weighing_basis"), int(p.Basis), int(BasisUnstated), int(OvenDry))
		c.fibre(sub(where, "fibre"), p.Fibre)
		p.TrialID, p.Holder, p.Ended, p.LastPosition = t.ID, c.member, false, 0
		p.Route, p.Corrections = Route{}, nil
		code, err := c.records.PieceCode(p.ID)
		if err != nil {
			return err
		}
		p.Code = code
		t.Pieces = append(t.Pieces, p)
		if len(c.faults) == before {
			c.homes[p.ID] = t.ID
			c.touched[p.ID] = true
		}
	}
	c.stale(t)
	if len(c.faults) > 0 {
		return nil // an id in use twice would lead astray
	}
	for i := range pieces {
		if err := c.addOrigin(at(path, "pieces", i), t, &t.Pieces[first+i]); err != nil {
			return err
		}
	}
	if len(c.faults) > 0 || len(c.failures) > 0 {
		return nil
	}
	for i := range pieces {
		if err := c.inherit(at(path, "pieces", i), &t.Pieces[first+i]); err != nil {
			return err
		}
	}
	return nil
}

// addOrigin ties a new piece to its parent.
func (c *change) addOrigin(where string, t *Trial, p *Piece) error {
	origin := p.Origin
	where = sub(where, "origin")
	if origin == (Origin{}) {
		if t.Owner != c.member {
			c.fail(fmt.Errorf("%s: only the owner adds whole pieces: %w", where, ErrForbidden))
		}
		return nil
	}
	if origin.Kind != Split && origin.Kind != Taken {
		c.fault(sub(where, "kind"), "is required: split or taken")
		return nil
	}
	c.within(sub(where, "after_position"), origin.AfterPosition, 0, MaxPosition)
	if origin.ParentID == p.ID {
		c.fail(impossible(p, "it would come from itself"))
		return nil
	}
	parentTrial, parent, err := c.piece(origin.ParentID)
	if errors.Is(err, ErrNotFound) {
		c.fail(fmt.Errorf("%s: piece %s: %w", sub(where, "parent_piece_id"), origin.ParentID, ErrNotFound))
		return nil
	}
	if err != nil {
		return err
	}
	switch {
	case parentTrial.deleted() && parentTrial.Owner == c.member:
		c.fail(fmt.Errorf("%s: piece %s: %w", sub(where, "parent_piece_id"), name(parent), parentTrial.version().gone()))
		return nil
	case !parentTrial.deleted() && canRecord(c.member, parentTrial, parent):
	case CanReadPiece(c.member, parentTrial, parent):
		c.fail(fmt.Errorf("%s: piece %s is held by %s: %w", sub(where, "parent_piece_id"), name(parent), parent.Holder, ErrForbidden))
		return nil
	default:
		c.fail(fmt.Errorf("%s: piece %s: %w", sub(where, "parent_piece_id"), origin.ParentID, ErrNotFound))
		return nil
	}
	if t.Owner != c.member && parentTrial.ID != t.ID {
		c.fail(fmt.Errorf("%s: only the owner adds pieces from elsewhere: %w", where, ErrForbidden))
		return nil
	}
	if parent.Ended {
		// What is left of it is in its parts, all of which were told when it was split.
		c.fail(impossible(parent, "it was split before; nothing more can come from it"))
		return nil
	}
	c.parts[parent.ID] = append(c.parts[parent.ID], p.ID)
	return nil
}

// inherit gives a part what it has from the piece it came from: its fibre, and,
// where no session is told for it, the session of the nearest forebear in its own trial.
func (c *change) inherit(where string, p *Piece) error {
	if p.Origin.Kind == Whole {
		if len(p.Fibre.Composition) == 0 {
			c.fault(sub(where, "fibre"), "is required for a piece that is no part of another")
		}
		return nil
	}
	chain, err := c.chain(p.ID)
	var cycle *Impossible
	if errors.As(err, &cycle) {
		c.fail(cycle)
		return nil
	}
	if err != nil {
		return err
	}
	fibre := chain[len(chain)-1].Fibre
	if given := p.Fibre; !isZeroFibre(given) && !sameFibre(given, fibre) {
		c.fault(sub(where, "fibre"), "a part has the fibre of the piece it came from; leave it out")
	}
	p.Fibre = fibre
	p.Fibre.Composition = slices.Clone(fibre.Composition)
	if p.SessionID != "" {
		return nil
	}
	for _, forebear := range chain[1:] {
		if forebear.TrialID == p.TrialID && forebear.SessionID != "" {
			p.SessionID = forebear.SessionID
			break
		}
	}
	return nil
}

func isZeroFibre(f Fibre) bool { return sameFibre(f, Fibre{}) }

func sameFibre(a, b Fibre) bool {
	return slices.Equal(a.Composition, b.Composition) && a.Form == b.Form && a.Finish == b.Finish && a.Lot == b.Lot
}
