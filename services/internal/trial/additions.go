package trial

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// correctable is an entry that can stand in place of an earlier one of its sort.
type correctable interface{ entry() *Entry }

func (e *Entry) entry() *Entry { return e }

// take makes an entry the core's: recorded now, by this member, counting.
func (c *change) take(e *Entry) {
	e.Superseded = false
	e.RecordedAt = c.now
	e.RecordedBy = c.member
}

// correct finds the entry that e stands in place of, among the entries of its sort kept so far, and makes
// it count no longer. It is nil when e corrects nothing, or wrongly.
func correct[E any, P interface {
	*E
	correctable
}](c *change, where string, owner bool, e *Entry, kept []E) P {
	where = sub(where, "corrects")
	if e.CorrectsID == "" {
		if e.Reason != "" {
			c.fault(sub(where, "entry_id"), "is required with a reason")
		}
		return nil
	}
	if e.Reason == "" {
		c.fault(sub(where, "reason"), "is required")
	}
	for i := range kept {
		wrong := P(&kept[i])
		if wrong.entry().ID != e.CorrectsID {
			continue
		}
		switch {
		case !owner && wrong.entry().RecordedBy != c.member:
			c.fail(fmt.Errorf("%s: entry %s is corrected by the owner or by whoever recorded it: %w", where, e.CorrectsID, ErrForbidden))
			return nil
		case wrong.entry().Superseded:
			c.fail(fmt.Errorf("%s: entry %s was corrected before: %w", where, e.CorrectsID, ErrConflict))
			return nil
		}
		wrong.entry().Superseded = true
		return wrong
	}
	c.fault(sub(where, "entry_id"), "there is no entry %s of this sort in this record", e.CorrectsID)
	return nil
}

// recordable finds the piece of an entry, and checks that the member may add
// entries of it. Whether a correction is theirs to make is for correct to say.
func (c *change) recordable(where, field string, t *Trial, id ID, e *Entry) *Piece {
	row, ok := c.indexOf(t).piece[id]
	if ok && e.CorrectsID == "" && !CanReadPiece(c.member, t, &t.Pieces[row]) {
		ok = false // to whoever holds another piece, the rest of the trial isn't there
	}
	if !ok {
		c.fault(sub(where, field), "%s is no piece of this trial", id)
		return nil
	}
	p := &t.Pieces[row]
	if e.CorrectsID == "" && !canRecord(c.member, t, p) {
		c.fail(fmt.Errorf("%s: piece %s is held by %s: %w", where, name(p), p.Holder, ErrForbidden))
		return nil
	}
	return p
}

func (c *change) addImmersions(path string, t *Trial, immersions []Immersion, ids map[ID]bool) error {
	// Where a correction moves a piece's last immersion, readings that were taken after it move along.
	lastBefore := map[ID]int{}
	for i := range immersions {
		if id := immersions[i].PieceID; immersions[i].CorrectsID != "" {
			lastBefore[id] = lastPosition(c.own(t, id))
		}
	}
	carried := map[ID]bool{} // immersions that were there before, and corrections of these
	for i := range t.Immersions {
		carried[t.Immersions[i].ID] = true
	}
	for i := range immersions {
		im := immersions[i]
		where := at(path, "immersions", i)
		c.newID(where, im.ID, ids)
		p := c.recordable(where, "piece_id", t, im.PieceID, &im.Entry)
		c.within(sub(where, "position"), im.Position, 1, MaxPosition)
		c.within(sub(where, "exhaust"), im.Exhaust, 0, MaxExhaust)
		c.within(sub(where, "dips"), im.Dips, 0, MaxDips)
		if im.Left.surelyBefore(im.Entered) {
			c.fault(sub(where, "left"), "lies before entered, however finely the times are read")
		}
		c.take(&im.Entry)
		wrong := correct[Immersion](c, where, t.Owner == c.member, &im.Entry, t.Immersions)
		if wrong != nil && wrong.PieceID != im.PieceID {
			c.fault(sub(where, "piece_id"), "a correction is of the same piece, %s", wrong.PieceID)
		}
		if wrong != nil && carried[wrong.ID] {
			carried[im.ID] = true
		}
		if err := c.enter(where, &im, wrong); err != nil {
			return err
		}
		t.Immersions = append(t.Immersions, im)
		if p != nil {
			c.touched[p.ID] = true
		}
	}
	c.stale(t)
	for id, before := range lastBefore {
		after := 0
		for _, im := range c.own(t, id) {
			if carried[im.ID] {
				after = im.Position
			}
		}
		if after == before || before == 0 {
			continue
		}
		for i := range t.Readings {
			if t.Readings[i].PieceID == id && t.Readings[i].AfterPosition == before {
				t.Readings[i].AfterPosition = after
			}
		}
		for i := range t.Judgements {
			j := &t.Judgements[i]
			if j.FirstID == id && j.FirstAfter == before {
				j.FirstAfter = after
			}
			if j.SecondID == id && j.SecondAfter == before {
				j.SecondAfter = after
			}
		}
	}
	return nil
}

// enter checks the bath of an immersion. A correction that leaves the bath as it was needs no leave anew.
func (c *change) enter(where string, im, wrong *Immersion) error {
	field := sub(where, "bath_id")
	b, err := c.bath(im.BathID)
	if err == nil && b.deleted() && b.Owner == c.member {
		c.fail(fmt.Errorf("%s: %w", field, b.version().gone()))
		return nil
	}
	if err == nil && !CanUseBath(c.member, b) && (wrong == nil || wrong.BathID != im.BathID) {
		if _, err = c.readableBath(im.BathID); err == nil {
			c.fail(fmt.Errorf("%s: bath %s is not open to members: %w", field, im.BathID, ErrForbidden))
			return nil
		}
	}
	if errors.Is(err, ErrNotFound) {
		c.fail(fmt.Errorf("%s: %w", field, err))
		return nil
	}
	if err != nil {
		return err
	}
	if wrong := exhaustAgainst(b, im.Exhaust); wrong != "" {
		c.fault(sub(where, "exhaust"), "%d: of this bath it isn't said %s", im.Exhaust, wrong)
	}
	return nil
}

// exhaustAgainst says what an exhaust of an immersion contradicts in what its bath leaves open, or "".
func exhaustAgainst(b *Bath, exhaust int) string {
	switch {
	case b.ExhaustNumberNotStated && exhaust != 1:
		return "which exhaust bath it was; immersions state 1"
	case b.ExhaustNotStated && exhaust != 0:
		return "whether it was fresh; immersions state 0"
	default:
		return ""
	}
}

func (c *change) addLooks(path string, t *Trial, looks []Look, ids map[ID]bool) error {
	for i := range looks {
		look := looks[i]
		where := at(path, "looks", i)
		c.newID(where, look.ID, ids)
		switch {
		case look.PieceID != "" && look.BathID != "", look.PieceID == "" && look.BathID == "":
			c.fault(where, "a look is of a piece or of a bath: one of piece_id and bath_id is required")
		case look.PieceID != "":
			c.recordable(where, "piece_id", t, look.PieceID, &look.Entry)
		default:
			if t.Owner != c.member {
				c.fail(fmt.Errorf("%s: only the owner adds looks of baths: %w", where, ErrForbidden))
			}
			switch b, err := c.readableBath(look.BathID); {
			case errors.Is(err, ErrNotFound):
				c.fail(fmt.Errorf("%s: %w", sub(where, "bath_id"), err))
			case err != nil:
				return err
			case b.deleted():
				c.fail(fmt.Errorf("%s: %w", sub(where, "bath_id"), b.version().gone()))
			}
		}
		c.take(&look.Entry)
		wrong := correct[Look](c, where, t.Owner == c.member, &look.Entry, t.Looks)
		if wrong != nil && (wrong.PieceID != look.PieceID || wrong.BathID != look.BathID) {
			c.fault(where, "a correction is of the same piece or bath")
		}
		t.Looks = append(t.Looks, look)
	}
	return nil
}

func (c *change) addReadings(path string, t *Trial, readings []Reading, ids map[ID]bool) error {
	for i := range readings {
		r := readings[i]
		where := at(path, "readings", i)
		c.newID(where, r.ID, ids)
		p := c.recordable(where, "piece_id", t, r.PieceID, &r.Entry)
		c.rawColour(sub(where, "raw"), r.Raw)
		if r.AgeDays < AgeUnstated {
			c.fault(sub(where, "age_days"), "%d is below 0", r.AgeDays)
		}
		c.take(&r.Entry)
		wrong := correct[Reading](c, where, t.Owner == c.member, &r.Entry, t.Readings)
		if wrong != nil && wrong.PieceID != r.PieceID {
			c.fault(sub(where, "piece_id"), "a correction is of the same piece, %s", wrong.PieceID)
		}
		if p != nil {
			var before *int
			if wrong != nil {
				before = &wrong.AfterPosition
			}
			c.place(sub(where, "after_position"), t, r.PieceID, &r.AfterPosition, before)
		}
		t.Readings = append(t.Readings, r)
	}
	return nil
}

// place says after which of a piece's immersions it was read or judged. wrong is what the entry said that it corrects, or nil.
func (c *change) place(where string, t *Trial, piece ID, after, wrong *int) {
	own := c.own(t, piece)
	switch {
	case *after == AfterAll && wrong != nil:
		*after = *wrong
	case *after == AfterAll:
		*after = lastPosition(own)
	case *after != 0 && !slices.ContainsFunc(own, func(im *Immersion) bool { return im.Position == *after }):
		c.fault(where, "the piece has no immersion at position %d", *after)
	}
}

func (c *change) addJudgements(path string, t *Trial, judgements []Judgement, ids map[ID]bool) {
	for i := range judgements {
		j := judgements[i]
		where := at(path, "judgements", i)
		c.newID(where, j.ID, ids)
		first := c.recordable(where, "first_piece_id", t, j.FirstID, &j.Entry)
		second := c.recordable(where, "second_piece_id", t, j.SecondID, &j.Entry)
		if j.FirstID == j.SecondID {
			c.fault(sub(where, "second_piece_id"), "%s is the first piece; two are held side by side", j.SecondID)
		}
		c.within(sub(where, "quality"), int(j.Quality), int(Yellower), int(GreyScale))
		switch step := 2 * j.GreyScaleStep; {
		case j.Quality != GreyScale && j.GreyScaleStep != 0:
			c.fault(sub(where, "grey_scale_step"), "%v is given; it is only for a grey scale", j.GreyScaleStep)
		case j.Quality != GreyScale:
			c.within(sub(where, "choice"), int(j.Choice), int(ChoseNeither), int(ChoseSecond))
		case j.Choice != 0:
			c.fault(sub(where, "choice"), "is given; a grey scale has a step and no choice")
		case !(step >= 2 && step <= 10 && step == math.Trunc(step)):
			c.fault(sub(where, "grey_scale_step"), "%v is no step of a grey scale: 1 to 5, whole and half", j.GreyScaleStep)
		}
		c.take(&j.Entry)
		wrong := correct[Judgement](c, where, t.Owner == c.member, &j.Entry, t.Judgements)
		var firstWas, secondWas *int
		if wrong != nil {
			firstWas, secondWas = &wrong.FirstAfter, &wrong.SecondAfter
			if wrong.FirstID != j.FirstID || wrong.SecondID != j.SecondID {
				c.fault(where, "a correction is of the same two pieces in their order, %s and %s", wrong.FirstID, wrong.SecondID)
			}
		}
		if first != nil && second != nil {
			c.place(sub(where, "first_after_position"), t, j.FirstID, &j.FirstAfter, firstWas)
			c.place(sub(where, "second_after_position"), t, j.SecondID, &j.SecondAfter, secondWas)
		}
		t.Judgements = append(t.Judgements, j)
	}
}

// rawColour refuses what no calculation can take; ranges are the interface's to check.
func (f *findings) rawColour(where string, raw RawColour) {
	switch {
	case raw.Spectrum != nil && raw.Lab != nil, raw.Spectrum == nil && raw.Lab == nil:
		f.fault(where, "a reading has a spectrum or a Lab: one of them is required")
	case raw.Lab != nil:
		if !finite(raw.Lab.L) || !finite(raw.Lab.A) || !finite(raw.Lab.B) {
			f.fault(sub(where, "lab"), "%v is no colour", *raw.Lab)
		}
		if raw.LabCondition.Illuminant == 0 || raw.LabCondition.Observer == 0 {
			f.fault(sub(where, "lab_condition"), "is required with lab: a Lab means nothing without its illuminant and observer")
		}
	default:
		if !finite(raw.Spectrum.StartNm) || !finite(raw.Spectrum.StepNm) || raw.Spectrum.StepNm <= 0 {
			f.fault(sub(where, "spectrum"), "wavelengths from %v in steps of %v nm can't be", raw.Spectrum.StartNm, raw.Spectrum.StepNm)
		}
		for i, factor := range raw.Spectrum.Reflectance {
			if !finite(factor) || factor < 0 {
				f.fault(at(sub(where, "spectrum"), "reflectance", i), "%v is no reflectance factor; 0 to 2 are allowed", factor)
			}
		}
		if raw.LabCondition != (ColourCondition{}) {
			f.fault(sub(where, "lab_condition"), "is only for a Lab")
		}
	}
}
