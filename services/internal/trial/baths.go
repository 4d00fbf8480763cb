package trial

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// CreateBath keeps a bath. Errors: Faults, ErrExists.
func CreateBath(records Records, member MemberID, now time.Time, b *Bath) (*Bath, error) {
	c := begin(records, member, now)
	if err := c.addBath("bath", b, Sharing{Level: Mine, Since: c.now}); err != nil {
		return nil, err
	}
	if err := c.settle(); err != nil {
		return nil, err
	}
	return c.baths[b.ID], nil
}

// AddToBath adds to a bath, or corrects it, and puts right the routes of every
// piece that was in it and of their parts. Errors: Faults; ErrNotFound;
// ErrForbidden to others than the owner; StaleError when an etag is given and the bath has changed since; ErrConflict; Impossible.
func AddToBath(records Records, member MemberID, now time.Time, bathID ID, etag string, entries BathEntries) (*Bath, error) {
	c := begin(records, member, now)
	b, err := c.ownBath(bathID)
	if err != nil {
		return nil, err
	}
	if err := b.version().changeable(etag, etagOptional); err != nil {
		return nil, err
	}
	if entries.OpenToMembers != nil {
		b.OpenToMembers = *entries.OpenToMembers
	}
	c.fillBath("", b, entries)
	if err := c.verifyBlank("", b); err != nil {
		return nil, err
	}
	if len(entries.Additions) > 0 {
		c.touchedBaths[b.ID] = true
	}
	c.changedBath(b, Changed)
	if err := c.settle(); err != nil {
		return nil, err
	}
	return b, nil
}

// ownBath finds a bath for a change that only its owner may make.
func (c *change) ownBath(id ID) (*Bath, error) {
	b, err := c.readableBath(id)
	if err != nil {
		return nil, err
	}
	if b.Owner != c.member {
		return nil, fmt.Errorf("bath %s is %s's: %w", id, b.Owner, ErrForbidden)
	}
	return b, nil
}

// addBath takes in a new bath of the member's. One that doesn't say who may read it follows its trial.
func (c *change) addBath(path string, given *Bath, follow Sharing) error {
	if c.baths[given.ID] != nil {
		c.fault(sub(path, "id"), "%s is in use in this request already", given.ID)
		return nil
	}
	if _, err := c.records.Bath(given.ID); err == nil {
		c.fail(fmt.Errorf("%s: bath %s: %w", path, given.ID, ErrExists))
		return nil
	} else if !errors.Is(err, ErrNotFound) {
		return err
	}
	b := *given
	b.Owner, b.CreatedAt, b.Revision = c.member, c.now, 0
	b.DeletedAt = time.Time{}
	b.Additions, b.Checks = nil, nil
	if b.Sharing.Level == 0 {
		b.Sharing = follow
	} else {
		b.Sharing = c.sharing(sub(path, "sharing"), b.Sharing)
	}
	if b.ID == "" {
		c.fault(sub(path, "id"), "is required")
	}
	if err := c.bathForm(path, &b); err != nil {
		return err
	}
	c.fillBath(path, &b, BathEntries{Additions: given.Additions, Checks: given.Checks})
	if err := c.verifyBlank(path, &b); err != nil {
		return err
	}
	c.baths[b.ID] = &b
	c.changedBath(&b, Created)
	return nil
}

// bathForm checks what a bath says of itself.
func (c *change) bathForm(path string, b *Bath) error {
	for i, purpose := range b.Purposes {
		c.within(at(path, "purposes", i), int(purpose), int(Scour), int(Rinse))
		if slices.Contains(b.Purposes[:i], purpose) {
			c.fault(at(path, "purposes", i), "is there twice")
		}
	}
	if len(b.Purposes) == 0 && !b.ContentsNotStated {
		c.fault(sub(path, "purposes"), "is required, except where contents are not stated")
	}
	if b.ExhaustNumberNotStated && b.ExhaustNotStated {
		c.fault(sub(path, "exhaust_not_stated"), "contradicts exhaust_number_not_stated")
	}
	c.amount(sub(path, "liquor"), b.Liquor, false, Litre)
	return c.waters(path, b.Water)
}

func (c *change) waters(path string, parts []WaterPart) error {
	c.atMost(sub(path, "water_parts"), len(parts), MaxWaterParts)
	for i, part := range parts {
		where := at(path, "water_parts", i)
		if !finite(part.Parts) || part.Parts <= 0 || part.Parts > MaxAmount {
			c.fault(sub(where, "parts"), "%v is outside 0 (excluded) to %d", part.Parts, MaxAmount)
		}
		source, wrong, err := nameableWater(c.records, c.member, part.SourceID)
		switch {
		case err != nil:
			return err
		case wrong != "":
			c.fault(sub(where, "water_source_id"), "%s", wrong)
		case part.SampleID != "" && !slices.ContainsFunc(source.Samples, func(s WaterSample) bool { return s.ID == part.SampleID }):
			c.fault(sub(where, "water_sample_id"), "%s is no sample of water source %s", part.SampleID, part.SourceID)
		}
	}
	return nil
}

// fillBath takes additions and checks into a bath of the member's own.
func (c *change) fillBath(path string, b *Bath, entries BathEntries) {
	ids := map[ID]bool{b.ID: true}
	for i := range b.Additions {
		ids[b.Additions[i].ID] = true
	}
	for i := range b.Checks {
		ids[b.Checks[i].ID] = true
	}
	for i := range entries.Additions {
		a := entries.Additions[i]
		where := at(path, "additions", i)
		c.newID(where, a.ID, ids)
		if a.Material == "" {
			c.fault(sub(where, "material"), "is required")
		}
		c.within(sub(where, "role"), int(a.Role), int(Dye), int(Modifier))
		c.amount(sub(where, "amount"), a.Amount, true, Gram, Litre)
		if d := a.DensityKgPerL; d != nil && !(*d >= 0.5 && *d <= 3) {
			c.fault(sub(where, "density_kg_per_l"), "%v is outside 0.5 to 3", *d)
		}
		c.within(sub(where, "exhaust"), a.Exhaust, 0, MaxExhaust)
		c.take(&a.Entry)
		correct[Addition](c, where, true, &a.Entry, b.Additions)
		b.Additions = append(b.Additions, a)
	}
	for i := range entries.Checks {
		check := entries.Checks[i]
		where := at(path, "checks", i)
		c.newID(where, check.ID, ids)
		if check.PH == nil && check.TemperatureC == nil && check.Note == "" {
			c.fault(where, "a check has at least one of ph, temperature_c and note")
		}
		if check.PH != nil && !finite(*check.PH) {
			c.fault(sub(where, "ph"), "%v is outside 0 to 14", *check.PH)
		}
		if check.TemperatureC != nil && !finite(*check.TemperatureC) {
			c.fault(sub(where, "temperature_c"), "%v is outside -5 to 130", *check.TemperatureC)
		}
		c.within(sub(where, "exhaust"), check.Exhaust, 0, MaxExhaust)
		c.take(&check.Entry)
		correct[Check](c, where, true, &check.Entry, b.Checks)
		b.Checks = append(b.Checks, check)
	}
	c.atMost(sub(path, "additions"), len(b.Additions), MaxAdditions)
	c.atMost(sub(path, "checks"), len(b.Checks), MaxChecks)
}

// verifyBlank holds a blank bath to its word: everything but the dye was there. When pieces were in
// it already, their history would be contradicted, and they are named.
func (c *change) verifyBlank(path string, b *Bath) error {
	if b.BlankOf == "" {
		return nil
	}
	for i := range b.Additions {
		a := &b.Additions[i]
		if a.Superseded || a.Role != Dye {
			continue
		}
		was, err := c.countedIn(b.ID)
		if err != nil {
			return err
		}
		for _, in := range was {
			c.fail(impossible(in.piece, "it was in bath %s, the blank of %s, into which no %s can have gone", b.ID, b.BlankOf, a.Material))
		}
		if len(was) == 0 {
			c.fault(sub(path, "blank_of"), "a blank bath of %s holds no dye, and %s was added", b.BlankOf, a.Material)
		}
		return nil
	}
	return nil
}

// inBath is a piece that was in a bath, with its immersions there that count.
type inBath struct {
	trial      *Trial
	piece      *Piece
	immersions []*Immersion
}

// countedIn lists the pieces that were in a bath, those of deleted trials too. One whose entry there was corrected away wasn't.
func (c *change) countedIn(bath ID) ([]inBath, error) {
	refs, err := c.records.PiecesInBath(bath)
	if err != nil {
		return nil, fmt.Errorf("pieces in bath %s: %w", bath, err)
	}
	var all []inBath
	for _, ref := range refs {
		t, p, err := c.piece(ref.PieceID)
		if err != nil {
			return nil, err
		}
		in := inBath{trial: t, piece: p}
		for _, im := range c.own(t, p.ID) {
			if im.BathID == bath {
				in.immersions = append(in.immersions, im)
			}
		}
		if len(in.immersions) > 0 {
			all = append(all, in)
		}
	}
	return all, nil
}
